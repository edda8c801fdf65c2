"""What the check says about a lesson: every slip by file and key, with what would do; and nothing about a good one."""

import json
import re
import shutil
import tomllib
from pathlib import Path

import pytest

from kit import commands, commands_lessons
from kit.lessons.check import check_lesson, check_text, summary
from kit.lessons.check_data import Finding, check_data
from kit.lessons.lesson import load_lesson, read_lesson
from kit.lessons.lesson_text import toml_string
from kit.lessons.make import new_lesson
from kit.motion.speed import speed_curves

DEMO = Path(__file__).parents[3] / "datasets_demo"
pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made") / "brake"
    new_lesson(folder, "felt_brake")
    return folder


@pytest.fixture
def place(made, tmp_path):
    """A fresh copy of a lesson made from felt_brake."""
    return Path(shutil.copytree(made, tmp_path / "brake"))


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


def lesson_file(place: Path) -> Path:
    return place / "student" / "brake" / "lesson.toml"


def said(folder: Path, serious: bool | None = None) -> list[str]:
    return [str(f) for f in check_lesson(folder) if serious is None or f.serious == serious]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["coasting_disc", "felt_brake", "card_vanes"])
def test_nothing_is_found_in_the_demo_lessons(name):
    assert check_lesson(DEMO / name) == []


def test_all_problems_are_told_at_once(place):
    path = lesson_file(place)
    change(path, 'title = "The felt brake"', "")
    change(path, "values = [3, 4, 5, 6, 8]", 'values = "3 to 8"')
    change(path, "stop_period_s = 1", "stop_period_s = 0.1")
    change(path, "[sketch_up_to]\nduration_s = 15", "[sketch_up_to]\nduration = 15")
    found = {(f.file, f.key): f for f in check_lesson(place)}
    assert {key for _, key in found} >= {
        "title",
        "changed.values",
        "thresholds.stop_period_s",
        "sketch_up_to.duration_s",
        "sketch_up_to.duration",
    }
    assert "did you mean duration_s" in found["lesson.toml", "sketch_up_to.duration"].fix
    assert found["lesson.toml", "changed.values"].fix.startswith("write, for example: values = [1, 2, 4, 8]")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("level =", "levle =", r"levle: This key is not known. Found: guided. What to do: did you mean level\?"),
        ("[safety]", "[savety]", r"savety: This key is not known.*did you mean safety"),
        ("measure = ", "mesure = ", r"texts\.mesure: This key is not known.*did you mean measure"),
        (
            "start_period_s = 0.25",
            "begin = 1\nstart_period_s = 0.25",
            r"thresholds\.begin:.*keys known in thresholds: ",
        ),
        (
            'rule = "interpolated"',
            'rule = "guess"',
            r"thresholds\.rule: There is no such rule. Found: guess.*whole turns",
        ),
        ('stage = "predict"', 'stage = "guess"', r"questions\[1\]\.stage: .*can't be used.*or predict, measure"),
        ('data = "claims/level"', 'data = "claims/levle"', r"claims\[1\]\.data: There is no such folder"),
        ('data = "claims/level"', 'data = "../level"', r"claims\[1\]\.data: .*can't be used.*claims/level"),
        ('by = "tilt_deg"', 'by = "tilt"', r"claims\[1\]\.by: The runs in claims/level have no such column.*tilt_deg"),
        ("settings = [0, 3]", "settings = [0, 5]", r"claims\[1\]\.settings: There are no runs with this.*Found: 5"),
        ("settings = [0, 3]", "settings = [0]", r"claims\[1\]\.settings: .*can't be used.*settings = \[0, 3\]"),
        ('id = "six-pads"', 'id = "six pads"', r"questions\[1\]\.id: An id has only letters"),
        ('name = "pads"', 'name = "number of pads"', r"changed\.name: This must be one word"),
        ('name = "pads"', 'name = "pad"', r"changed\.name: The runs have no such column.*pads.*name = \"pads\""),
        ("values = [3,", "values = [2, 3,", r"changed\.values: There are no runs for these values. Found: 2\..*\[3, 4"),
        ("reference = 4", "reference = 7", r"changed\.reference: .*can't be used"),
        ('level = "guided"', 'level = "confirmation"', r"expected: A confirmation lesson tells the relation"),
        (
            "start_period_s = 0.25",
            "start_period_s = 0.15",
            r"thresholds\.start_period_s: 15 of 15 runs were never as fast.*for example: start_period_s = 0\.2",
        ),
        ("stop_period_s = 1", "stop_period_s = 30", r"stop_period_s: 15 of 15 runs ended before.*stop_period_s = \d"),
        ('title = "The felt brake"', 'title = "The felt', r"lesson\.toml: This is not a TOML file.*line"),
    ],
)
def test_a_slip_in_the_lesson_file_is_named_with_what_would_do(place, old, new, message):
    change(lesson_file(place), old, new)
    problems = said(place, serious=True)
    assert [text for text in problems if re.search(message, text)], problems


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("values = [3, 4, 5, 6, 8]", "values = [3, 4, 5, 6]", "There are runs with other values"),
        ("duration_s = 15", "duration_s = 5", "The runs go beyond this scale, up to"),
        ("# expected", 'expected = "twice the pads, half the time"\n#', "at the level guided can read the answer"),
        ("About 5 s.", "About 5 s: correct.", "judges before the data do"),
        ("[safety]\nnotes = [", "[safety]\nnotes = []\n[unused]\nx = [", "Nothing is said about safety"),
    ],
)
def test_what_is_worth_a_look_is_a_warning(place, old, new, message):
    change(lesson_file(place), old, new)
    assert [text for text in said(place, serious=False) if message in text]


class TestData:
    def test_a_broken_log_and_a_missing_one_are_both_named(self, place):
        passes = lesson_file(place).parent / "passes"
        (passes / "pads-03_trial-1.csv").unlink()
        (passes / "pads-05_trial-2.csv").write_text("time_s\n1\nx\n2\n", "utf-8")
        problems = " ".join(said(place, serious=True))
        assert "pads-03_trial-1.csv" in problems
        assert "pads-05_trial-2.csv: row 3" in problems

    def test_too_few_trials(self, place):
        runs = lesson_file(place).parent / "runs.csv"
        lines = runs.read_text("utf-8").splitlines()
        kept = [line for line in lines if not line.startswith(("passes/pads-03_trial-1", "passes/pads-03_trial-2"))]
        kept = [line for line in kept if not line.startswith("passes/pads-08_trial-1")]
        runs.write_text("\n".join(kept), "utf-8")
        assert [text for text in said(place, True) if "Only one trial" in text and "Found: 3." in text]
        assert [text for text in said(place, False) if "Only two trials" in text and "Found: 8." in text]

    def test_a_reference_without_runs(self, place):
        runs = lesson_file(place).parent / "runs.csv"
        kept = [line for line in runs.read_text("utf-8").splitlines() if not line.startswith("passes/pads-04")]
        runs.write_text("\n".join(kept), "utf-8")
        assert [text for text in said(place, True) if "The reference condition has no runs. Found: 4." in text]

    def test_a_recording_that_is_missing(self, place):
        runs = lesson_file(place).parent / "runs.csv"
        title, first, *rest = runs.read_text("utf-8").splitlines()
        runs.write_text("\n".join([f"{title},sound", f"{first},sound/a.wav", *rest]), "utf-8")
        assert "row 2, column sound: This recording is missing. Found: sound/a.wav" in " ".join(said(place, True))

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("pads,duration_s\n3,1\n", "lack a column"),
            ("pads,duration_s,turns\n3,long,2\n", "column duration_s: A hand count is not a number. Found: long"),
            ("", "The hand counts cannot be read"),
        ],
    )
    def test_hand_counts(self, place, text, message):
        (lesson_file(place).parent / "hand_counts.csv").write_text(text, "utf-8")
        assert message in " ".join(said(place, True))

    @pytest.mark.slow
    def test_one_short_run_is_a_warning_and_a_condition_without_any_a_problem(self, place):
        passes = lesson_file(place).parent / "passes"

        def shorten(name):
            lines = (passes / name).read_text("utf-8").splitlines()
            (passes / name).write_text("\n".join(lines[: len(lines) // 2]), "utf-8")

        shorten("pads-03_trial-1.csv")
        assert "1 of 15 runs ended before they were as slow as the stop. Found: passes/pads-03_trial-1" in str(
            said(place, False)
        )
        assert said(place, True) == []
        shorten("pads-03_trial-2.csv")
        shorten("pads-03_trial-3.csv")
        assert "nothing is left for pads = 3" in str(said(place, True))


class TestKey:
    @pytest.mark.parametrize(
        ("old", "new", "serious", "message"),
        [
            (
                'supported = "half"',
                'supported = "twice"',
                True,
                "questions[1].supported: This question has no such choice",
            ),
            ('id = "six-pads"', 'id = "seven"', True, "questions[1].id: The lesson has no such question. Found: seven"),
            ("quarter = ", "quarters = ", True, "questions[1].ideas.quarters: This question has no such choice"),
            ("supported = ", "suported = ", True, "questions[1].suported: This key is not known"),
            ("quarter = ", "# ", False, "six-pads.ideas.quarter: No idea is written"),
        ],
    )
    def test_a_key_must_fit(self, place, old, new, serious, message):
        change(place / "teacher" / "teacher_key.toml", old, new)
        assert message in " ".join(said(place, serious))

    def test_a_missing_key_is_a_warning(self, place):
        (place / "teacher" / "teacher_key.toml").unlink()
        assert "The teacher's key is missing" in " ".join(said(place, False))


class TestStudentsFolder:
    def test_the_key_itself(self, place):
        shutil.copy(place / "teacher" / "teacher_key.toml", place / "student" / "brake")
        assert "student/brake/teacher_key.toml: supported: Students can read" in " ".join(said(place, True))

    @pytest.mark.parametrize("kind", ["text", "notebook", "output"])
    def test_an_idea_in_whatever_file(self, place, kind):
        idea = "Double the force halves the time; the\n spindle's own drag is SMALL beside three pads."
        path = place / "student" / "1_predict.ipynb"
        if kind == "text":
            (place / "student" / "notes.md").write_text(f"I think: {idea}", "utf-8")
        else:
            notebook = json.loads(path.read_text("utf-8"))
            cell = next(c for c in notebook["cells"] if c["cell_type"] == ("code" if kind == "output" else "markdown"))
            lines = idea.splitlines(keepends=True)
            if kind == "output":
                cell["outputs"] = [{"output_type": "stream", "name": "stdout", "text": lines}]
            else:
                cell["source"] = lines
            path.write_text(json.dumps(notebook), "utf-8")
        assert "six-pads.ideas.half: Students can read the teacher's key" in " ".join(said(place, True))

    def test_what_a_student_wrote_in_a_workbook_is_no_leak_but_is_private(self, place):
        workbook = place / "student" / "workbooks" / "brake.jsonl"
        workbook.parent.mkdir()
        workbook.write_text("Thinks that each pad takes away a fixed time.", "utf-8")
        assert said(place, True) == []
        assert "student/workbooks/brake.jsonl: Somebody's entries" in " ".join(said(place, False))

    def test_a_notebook_that_is_missing_or_of_another_time(self, place):
        (place / "student" / "2_measure.ipynb").unlink()
        change(place / "student" / "3_average.ipynb", "Average", "Mean")
        problems = " ".join(said(place, True))
        assert "student/2_measure.ipynb: This notebook is missing" in problems
        assert "student/3_average.ipynb: This notebook is not what the lesson file says now" in problems
        assert "1_predict" not in problems


def test_a_finding_in_words():
    finding = Finding("lesson.toml", "title", "The key title is missing", 'write title = "…"', "3")
    assert str(finding) == 'lesson.toml: title: The key title is missing. Found: 3. What to do: write title = "…".'
    assert summary([]) == "No problem found. The lesson is ready."
    warning = Finding("a", "b", "c", serious=False)
    assert summary([warning]) == "The lesson can be used: 1 warning."
    assert summary([finding, finding, warning]) == "The lesson is not ready yet: 2 problems and 1 warning."


KEYS = ["schema", "title", "level", "expected", "questions", "safety", "texts", "changed", "thresholds", "sketch_up_to"]
KEYS += ["changed.name", "changed.words", "changed.values", "changed.reference", "thresholds.start_period_s"]
KEYS += ["thresholds.stop_period_s", "thresholds.rule", "sketch_up_to.turns", "safety.notes", "texts.predict"]


@pytest.fixture(scope="module")
def brake_curves():
    return speed_curves(load_lesson(DEMO / "felt_brake").runs())


@pytest.mark.slow
@pytest.mark.parametrize("key", KEYS)
def test_whatever_stands_in_a_key_is_a_finding_and_never_a_crash(key, brake_curves):
    text, curves = (DEMO / "felt_brake" / "lesson.toml").read_text("utf-8"), brake_curves
    for value in ("nan", "-inf", "true", "[]", "{}", '" "', "2031-05-17", "[[1]]", '[{ id = "a" }]', "[nan]", "1e308"):
        table = tomllib.loads(text)
        place = table
        *outer, name = key.split(".")
        for part in outer:
            place = place[part]
        place[name] = tomllib.loads(f"x = {value}")["x"]
        reading = read_lesson(DEMO / "felt_brake" / "lesson.toml", as_toml(table))
        found = [*check_text(reading), *check_data(reading.value, curves)]
        harmless = value in ('" "', "{}", "[]", "1e308") or (key, value) == ("safety.notes", "[]")
        assert found or harmless, (key, value)
        assert all(finding.problem for finding in found)


def as_toml(table: dict) -> str:
    """TOML with everything in line: enough to write any parsed file again."""

    def inline(value) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f'"{k}" = {inline(v)}' for k, v in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ", ".join(map(inline, value)) + "]"
        if isinstance(value, bool):
            return str(value).lower()
        return toml_string(value) if isinstance(value, str) else str(value)

    return "\n".join(f"{key} = {inline(value)}" for key, value in table.items())


def test_no_lesson_is_a_finding(tmp_path):
    (found,) = check_lesson(tmp_path)
    assert "no lesson in this folder" in found.problem


@pytest.mark.slow
def test_the_commands(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(commands_lessons, "set_up", lambda *_, **__: None)
    folder = tmp_path / "my lesson"
    assert commands.main(["new-lesson", str(folder), "--like", "felt_brake"]) == 0
    shown = capsys.readouterr().out
    assert f"check-lesson '{folder}'" in shown
    assert "No problem found" in shown
    assert commands.main(["new-lesson", str(folder)]) == 1
    assert "not empty, and nothing is written over" in capsys.readouterr().err
    path = folder / "student" / "my_lesson" / "lesson.toml"
    change(path, 'title = "The felt brake"', 'title = "Mine"')
    assert commands.main(["check-lesson", str(folder)]) == 1
    assert capsys.readouterr().out.startswith("PROBLEM  student/1_predict.ipynb: This notebook is not what")
    assert commands.main(["new-lesson", str(folder), "--remake"]) == 0
    assert "notebooks were made anew" in capsys.readouterr().out
    assert commands.main(["check-lesson", str(folder)]) == 0
    assert capsys.readouterr().out == "No problem found. The lesson is ready.\n"
    assert commands.main(["check-lesson", str(tmp_path / "none")]) == 1
    assert "There is no such folder" in capsys.readouterr().err
