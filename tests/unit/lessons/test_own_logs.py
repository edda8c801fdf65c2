"""A lesson from own logs: what is found and proposed, that nothing of another apparatus is in it, that it runs."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace

import pytest

from kit import commands, load_lesson
from kit.errors import KitError
from kit.launcher import project_environment
from kit.lessons.cautions import BY_WHAT_IS_THERE
from kit.lessons.check import check_lesson
from kit.lessons.make import find_lesson, new_lesson
from kit.lessons.own_lesson import ask_and_make, fit_bench
from kit.lessons.own_logs import gather, gather_invented, propose, table_of
from kit.lessons.teacher_key import load_key
from kit.motion.speed import speed_curves
from kit.motion.threshold import COUNTED, measure
from kit.sources.described import bench_described, bench_gaps
from tests.unit.lessons.sponge_logs import SPONGES, write_sponge_logs

# What the lessons that come with the kit are about, and notices that hold for their data only.
FOREIGN = re.compile(
    r"\b(magnets?|felt|pads?|vanes?|tilt\w*|hubs?|discs?|turntables?|rotors?|invented)\b", re.IGNORECASE
)


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return write_sponge_logs(tmp_path_factory.mktemp("measured") / "logs" / "day one")


@pytest.fixture(scope="module")
def made(logs, tmp_path_factory):
    """The command's way: one command makes the lesson."""
    folder = tmp_path_factory.mktemp("made") / "sponge_wheel"
    words = ["--changed", "sponges", "--unit", "", "--cautions", "liquids, noise"]
    assert commands.main(["new-lesson", str(folder), "--from-logs", str(logs.parent), *words]) == commands.DONE
    return folder


@pytest.mark.slow
def test_one_command_makes_a_lesson_of_logs_in_two_dialects(made):
    assert check_lesson(made) == []
    place = find_lesson(made)
    lesson = load_lesson(place.data)
    assert (lesson.x, lesson.values, lesson.x_unit) == ("sponges", tuple(map(float, SPONGES)), "")
    assert len(lesson.runs()) == 15
    results = measure(lesson.runs(), lesson.start_period_s, lesson.stop_period_s, lesson.rule)
    assert set(results["status"]) == {COUNTED}  # every run reaches both thresholds
    for quantity, top in lesson.expected_up_to.items():
        assert results[quantity].max() < top < 2.5 * results[quantity].max()
    assert load_key(place.teacher, lesson)["first"]["supported"] == "between"  # the spindle drags too
    assert set(BY_WHAT_IS_THERE["liquids"]) < set(lesson.safety)


def test_nothing_of_another_apparatus_is_in_a_made_file(made, tmp_path):
    texts = {path: path.read_text("utf-8") for path in made.rglob("*") if path.is_file()}
    assert {str(path): found[0] for path, text in texts.items() if (found := FOREIGN.search(text))} == {}
    new_lesson(tmp_path / "felt", "felt_brake")  # the control
    felt = (tmp_path / "felt" / "student" / "felt" / "lesson.toml").read_text("utf-8")
    assert {word.lower() for word in FOREIGN.findall(felt)} >= {"felt", "pads", "tilt_deg", "turntable", "invented"}


def test_the_bench_of_the_lesson_behaves_like_its_runs(made):
    lesson = load_lesson(find_lesson(made).data)
    drag = lesson.bench.apparatus
    # the law behind the logs: tests/unit/lessons/sponge_logs.py
    assert (drag.spindle.constant, drag.spindle.linear) == pytest.approx((0.12, 0.012), rel=0.1)
    assert (drag.added.constant, drag.added.linear) == pytest.approx((0.02, 0.022), rel=0.1)
    assert lesson.bench.controls == ()


@pytest.mark.slow
def test_all_its_pages_run(made):
    pages = [*sorted((made / "student").glob("*.ipynb")), *sorted((made / "teacher").glob("*.ipynb"))]
    assert len(pages) == 16
    script = (
        "import json, os, sys\nfrom IPython.core.interactiveshell import InteractiveShell\n"
        "for page in sys.argv[1:]:\n    os.chdir(os.path.dirname(page))\n    shell = InteractiveShell()\n"
        "    for cell in json.load(open(page, encoding='utf-8'))['cells']:\n        if cell['cell_type'] == 'code':\n"
        "            shell.run_cell(''.join(cell['source'])).raise_error()\n    print('ran', os.path.basename(page))\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, *map(str, pages)],
        env=project_environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr + run.stdout[-2000:]
    assert run.stdout.count("ran ") == len(pages)


# --- which run is which ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "changed", "rows"),
    [
        (["sponges-2_trial-1.csv"], "", ["file,sponges,trial", "sponges-2_trial-1.csv,2,1"]),
        (["n-2_trial-1.csv", "n-3_trial-1.csv"], "sponges", ["file,sponges,trial", "n-2_trial-1.csv,2,1"]),
        (["2 sponges, run 3.csv"], "sponges", ["file,sponges,trial", '"2 sponges, run 3.csv",2,3']),
        (["Schwamm4b.csv", "Schwamm5b.csv"], "Schwamm", ["file,Schwamm,trial", "Schwamm4b.csv,4,"]),
        (["gap 1.5 t2.csv"], "gap", ["file,gap,trial", "gap 1.5 t2.csv,1.5,2"]),
        (["first.csv"], "sponges", ["file,sponges,trial", "first.csv,,"]),
    ],
)
def test_names_are_read_as_far_as_they_say_something(tmp_path, names, changed, rows):
    for name in names:
        (tmp_path / name).write_text("0.1\n0.5\n1.0\n1.7\n")
    assert table_of(tmp_path, changed).splitlines()[: len(rows)] == rows


def test_what_no_name_says_is_asked_for_and_can_be_filled_in(tmp_path, logs):
    own = tmp_path / "own"
    own.mkdir()
    for number, path in enumerate(sorted(logs.iterdir())[:4]):
        (own / f"log {'abcd'[number]}.txt").write_bytes(path.read_bytes())
    with pytest.raises(KitError, match=r"runs\.csv, row 2, column sponges: This condition is empty.*fill it in"):
        gather(own, tmp_path / "first", "sponges")
    table = "file,sponges\nlog a.txt,2\nlog b.txt,2\nlog c.txt,3\n"
    found = gather(own, tmp_path / "second", "sponges", table)
    assert [(run.conditions["sponges"], run.trial) for run in found.runs] == [(2, 1), (2, 2), (3, 1)]


def test_a_bad_log_is_left_out_and_named(tmp_path, logs):
    own = tmp_path / "own"
    own.mkdir()
    for path in sorted(logs.glob("sponges-*"))[:3]:
        (own / path.name).write_bytes(path.read_bytes())
    (own / "sponges-3_trial-9.csv").write_text("no;time_ms\n1;100\n2;oops\n")
    found = gather(own, tmp_path / "gathered")
    assert len(found.runs) == 3
    assert [sentence for sentence in found.sentences if "sponges-3_trial-9.csv" in sentence]
    assert "trial-9" not in (tmp_path / "gathered" / "runs.csv").read_text()


# --- questions on a terminal, and clear errors without one -----------------------------------------------------------


def test_what_is_missing_is_asked_for_on_a_terminal(tmp_path, logs):
    asked, answers = [], iter(["", "", "number of wet sponges", "drum", "liquids"])

    def ask(question):
        asked.append(question)
        return next(answers)

    usual = tmp_path / "usual"
    usual.mkdir()
    for path in logs.glob("sponges-*"):
        (usual / path.name).write_bytes(path.read_bytes())
    place = ask_and_make(tmp_path / "lesson", usual, {"title": "Wet"}, ask)
    lesson = load_lesson(place.data)
    assert len(asked) == 5
    assert "[sponges]" in asked[0]
    assert (lesson.x, lesson.x_words, lesson.title) == ("sponges", "number of wet sponges", "Wet")
    assert "drum" in lesson.question


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ([], r"not clear what was changed.*--changed sponges"),
        (["--changed", "size"], r"Not every run says.*size; columns there are: a and b"),
        (["--changed", "a", "--cautions", "fire"], r"no such caution.*'fire'.*magnets, liquids"),
    ],
)
def test_without_a_terminal_an_error_says_which_option_helps(tmp_path, capsys, given, message, logs):
    own = tmp_path / "own"
    own.mkdir()
    text = (logs / "sponges-1_trial-1.csv").read_bytes()
    for a, b in ((1, 1), (2, 3)):
        (own / f"a-{a}_b-{b}_trial-1.csv").write_bytes(text)
    assert commands.main(["new-lesson", str(tmp_path / "x"), "--from-logs", str(own), *given]) == commands.BAD_INPUT
    assert re.search(message, capsys.readouterr().err)
    assert not (tmp_path / "x").exists()


# --- no data yet -----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_described_bench_coasts_as_long_as_it_was_said_and_its_data_say_that_they_are_invented(tmp_path):
    table = bench_described(4.5, 1, 60, 4, 20, flags=2)
    found = gather_invented(tmp_path / "made", "sponges", (1, 2, 4, 6), table)
    lesson, key = propose(found)
    law = lesson.bench.apparatus.law
    assert [float(law(n).time_to_rest(2 * 3.14159265 * 4.5)) for n in (1, 4)] == pytest.approx([60, 20], rel=1e-3)
    assert {run.flags_per_turn for run in found.runs} == {2}
    place = new_lesson(tmp_path / "lesson", lesson=lesson, key=key, data=found.folder)
    assert check_lesson(tmp_path / "lesson") == []
    text = (place.data / "lesson.toml").read_text("utf-8")
    path = place.data / "lesson.toml"
    path.write_text(re.sub(r"data_notice = .*\n", "", text), "utf-8")
    assert ["no page says so" in finding.problem for finding in check_lesson(place.data)] == [True]


@pytest.mark.parametrize(
    ("told", "message"),
    [
        ((5, 1, 60, 4, 90), "must shorten the coasting"),
        ((5, 1, 60, 4, 5), r"at most in step.*no less than 15 s"),
        ((0, 1, 60, 4, 20), "needs the turns a second, above 0"),
        ((5, 4, 60, 1, 20), "a smaller and a larger value"),
    ],
)
def test_what_a_bench_cannot_do_is_said(told, message):
    with pytest.raises(KitError, match=message):
        bench_described(*told)


# --- nothing foreign remains -----------------------------------------------------------------------------------------


def edit(path, *changes):
    text = path.read_text("utf-8")
    for old, new in changes:
        assert re.search(old, text), old
        text = re.sub(old, new, text, count=1)
    path.write_text(text, "utf-8")


@pytest.mark.slow
def test_leftovers_of_another_apparatus_are_warned_of(made, tmp_path):
    folder = tmp_path / "sponge_wheel"
    shutil.copytree(made, folder)
    data = folder / "student" / "sponge_wheel"
    edit(
        data / "lesson.toml",
        ('\nlevel = "structured"', '\nlevel = "structured"\ndata_notice = "The data are invented."'),
        (r"drag_each = \{ a = [\d.]+, b = [\d.]+ \}", "drag_each = { b = 0.04 }"),
        ("You know now how it slows down", "You know now how the pads slow it"),
    )
    edit(folder / "teacher" / "teacher_key.toml", ('supported = "between"', 'supported = "same"'))
    (data / "old notes.csv").write_text("x")
    found = {
        (finding.key, finding.serious): finding.what
        for finding in check_lesson(folder)
        if finding.file != "student/1_predict.ipynb"
    }
    assert "invented, and the logs are not" in found["data_notice", False]
    assert re.search(r"bench is not like the data, by more than 20 %. Found: sponges = ", found["bench", False])
    assert (
        "what another lesson changes, and yours changes number of sponges. Found: pads"
        in found["texts.investigate", False]
    )
    assert re.search(
        r"speak against this answer. Found: same; measured: [\d.]+ s, which fits between",
        found["first.supported", False],
    )
    assert "no page uses" in found["", False] or any("old notes.csv" in what for what in found.values())
    assert "scatter" in fit_bench(folder)
    assert "bench" not in {finding.key for finding in check_lesson(folder)}


def test_a_lesson_like_another_that_changes_something_else_brings_nothing_of_it(tmp_path, logs):
    model = load_lesson("datasets_demo/felt_brake")
    place = new_lesson(tmp_path / "mine", "felt_brake", lesson=replace(model, x="sponges", x_words="number of sponges"))
    assert set(place.left_out) == {
        "the claims", "the bench", "the notice about the data", "the counts by hand", "texts", "cautions", "questions"
    }  # fmt: skip
    lesson = load_lesson(place.data)
    assert (lesson.claims, lesson.bench, lesson.data_notice) == ((), None, "")
    assert [question.id for question in lesson.questions] == ["speed-line"]  # it speaks of no pads
    assert not (place.data / "claims").exists()
    assert not (place.data / "hand_counts.csv").exists()


def test_bench_gaps_are_empty_for_what_agrees(made):
    lesson = load_lesson(find_lesson(made).data)
    curves = speed_curves(lesson.runs())
    assert bench_gaps(lesson.bench, curves, lesson.start_period_s, lesson.stop_period_s) == {}
    assert json.dumps(sorted(lesson.minutes)) == "[]"  # a minute a run fits the guide's own 16 minutes
