"""A lesson that a teacher makes is complete, runs outside the project, and students get nothing of the key."""

import json
import re
import tomllib
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit import lab
from kit.errors import KitError
from kit.lessons.cells import MADE_STAGES, notebook_name
from kit.lessons.check import check_lesson
from kit.lessons.lesson import load_lesson, read_lesson
from kit.lessons.lesson_text import key_text, lesson_text, toml_number, toml_string
from kit.lessons.make import find_lesson, new_lesson, remake
from kit.lessons.notebooks import DEMO_LESSONS
from kit.lessons.teacher_key import load_key, read_key
from tests.forks import Forks

DEMO = Path(__file__).parents[3] / "datasets_demo"
AWKWARD = st.text(st.sampled_from('"\\\n\r\t\x00\x1f\x7f\x85\u2028#=[]{} aä😀'), max_size=30)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_a_new_lesson_is_complete_and_passes_its_own_check(name, tmp_path):
    place = new_lesson(tmp_path / "my_lesson", name)
    assert check_lesson(tmp_path / "my_lesson") == []
    files = contents(tmp_path / "my_lesson")
    stages = {notebook_name(stage) for stage in MADE_STAGES}
    assert {f"student/{stage}" for stage in stages} | {f"teacher/{stage}" for stage in stages} <= files.keys()
    assert {"teacher/teacher_key.toml", "teacher/0_guide.ipynb", "student/my_lesson/lesson.toml"} <= files.keys()
    for path in contents(DEMO / name).keys() - {"lesson.toml", ".teacher_key.toml"}:
        assert files[f"student/my_lesson/{path}"] == (DEMO / name / path).read_bytes()
    lesson = load_lesson(place.data)
    assert (lesson.name, lesson.title) == ("my_lesson", load_lesson(DEMO / name).title)


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_no_student_file_holds_anything_of_the_key(name, tmp_path):
    place = new_lesson(tmp_path / "lesson", name)
    lesson = load_lesson(place.data)
    ideas = [idea for entry in load_key(place.teacher, lesson).values() for idea in entry["ideas"].values()]
    teacher = " ".join(path.read_text("utf-8") for path in place.teacher.glob("1_*.ipynb"))
    assert any(idea in teacher for idea in ideas)  # the control: the teacher's notebook does hold them
    for path, content in contents(place.student).items():
        text = content.decode(errors="replace")
        assert "supported" not in text, path
        assert not [idea for idea in ideas if idea in text], path
        if path.endswith(".ipynb"):
            assert "teacher" not in re.sub("[Yy]our teacher", "", text), path


def test_nothing_is_written_over(tmp_path):
    folder = tmp_path / "full"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    with pytest.raises(KitError, match="not empty, and nothing is written over"):
        new_lesson(folder)
    assert contents(tmp_path) == {"full/mine.txt": b"mine"}
    (folder / "mine.txt").unlink()
    assert new_lesson(folder).data.is_dir()  # an empty one will do


@pytest.mark.parametrize(
    ("folder", "like", "message"),
    [
        ("new", "no_such", r"no such lesson to begin from.*Found: 'no_such'.*card_vanes, coasting_disc, felt_brake"),
        ("…", "felt_brake", r"needs a name with letters or digits"),
        ("file/new", "felt_brake", r"can't be written"),
    ],
)
def test_what_cannot_be_made_leaves_nothing_behind(folder, like, message, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(KitError, match=message):
        new_lesson(tmp_path / folder, like)
    assert contents(tmp_path) == {"file": b""}


@pytest.mark.slow
def test_a_lesson_can_be_like_one_that_a_teacher_made(tmp_path):
    new_lesson(tmp_path / "one", "felt_brake")
    place = new_lesson(tmp_path / "two words", tmp_path / "one")
    assert place.data.name == "two_words"
    assert check_lesson(tmp_path / "two words") == []


def test_making_the_notebooks_again_changes_nothing(tmp_path):
    new_lesson(tmp_path / "a", "felt_brake")
    before = contents(tmp_path)
    assert remake(tmp_path / "a") == []
    assert contents(tmp_path) == before


@pytest.mark.slow
def test_after_a_change_of_the_lesson_file_notebooks_follow_and_the_old_ones_are_kept(tmp_path):
    place = new_lesson(tmp_path / "a", "felt_brake")
    workbook = place.student / "workbooks" / "a.jsonl"
    workbook.parent.mkdir()
    workbook.write_text("kept")
    old = (place.student / "1_predict.ipynb").read_bytes()
    path = place.data / "lesson.toml"
    path.write_text(path.read_text("utf-8").replace('title = "The felt brake"', 'title = "Pads"'), "utf-8")
    assert any("not what the lesson file says now" in f.problem for f in check_lesson(tmp_path / "a"))
    changed = remake(tmp_path / "a")
    assert len(changed) == 2 * (len(MADE_STAGES) + 1) + 2  # a page for own runs besides; the guide, how to build it
    assert "Predict: Pads" in (place.student / "1_predict.ipynb").read_text("utf-8")
    assert (tmp_path / "a/earlier/1/student/1_predict.ipynb").read_bytes() == old
    assert workbook.read_text() == "kept"
    (place.student / "2_measure.ipynb").write_text("my own notes")
    remake(tmp_path / "a")
    assert (tmp_path / "a/earlier/2/student/2_measure.ipynb").read_text() == "my own notes"


def test_a_lesson_file_with_a_problem_changes_no_notebook(tmp_path):
    place = new_lesson(tmp_path / "a", "felt_brake")
    (place.data / "lesson.toml").write_text("title = 1")
    before = contents(tmp_path)
    with pytest.raises(KitError, match="The key schema is missing"):
        remake(tmp_path / "a")
    assert contents(tmp_path) == before


def test_only_a_lesson_made_here_is_made_again():
    with pytest.raises(KitError, match="not made by new-lesson"):
        remake(DEMO / "felt_brake")


def test_several_lessons_in_one_folder_are_not_guessed_between():
    with pytest.raises(KitError, match=r"several lessons here.*card_vanes, coasting_disc"):
        find_lesson(DEMO)


def test_open_shows_a_lesson_outside_the_project_alone(tmp_path):
    folder = tmp_path / "mine"
    new_lesson(folder, "felt_brake")
    assert lab.place_of(str(folder)) == (folder, "student/1_predict.ipynb")
    assert lab.place_of(str(folder / "student")) == (folder / "student", "1_predict.ipynb")
    assert lab.place_of(str(folder / "teacher")) == (folder / "teacher", "0_guide.ipynb")
    assert lab.place_of("felt_brake")[1] == "notebooks/felt_brake/1_predict.ipynb"
    assert lab.place_of()[1] == "notebooks/start_here.ipynb"
    with pytest.raises(KitError, match="no notebook in this folder"):
        lab.place_of(str(tmp_path))
    with pytest.raises(KitError, match="There is no such lesson"):
        lab.place_of("no_such_lesson")


RUN_A_PAGE = """
import json
from IPython.core.interactiveshell import InteractiveShell

os.chdir(sys.argv[1])
shell, cells = InteractiveShell.instance(), 0
for cell in json.loads(open(sys.argv[2], encoding="utf-8").read())["cells"]:
    if cell["cell_type"] == "code":
        shell.run_cell("".join(cell["source"]), store_history=True).raise_error()
        cells += 1
print("cells that ran:", cells)
"""


@pytest.mark.slow
def test_the_handed_out_folder_runs_alone_outside_the_project(tmp_path, monkeypatch):
    """Moved away from teacher's half, every student notebook runs, in a folder that knows nothing of the project.

    Each is a process of its own that runs and shows cells as a kernel does, in IPython; how pages do in kernels of
    Jupyter is tested with those of the project.
    """
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    new_lesson(tmp_path / "brake", "felt_brake")
    alone = tmp_path / "at a student's"
    (tmp_path / "brake" / "student").rename(alone)
    pages = sorted(alone.glob("*.ipynb"))
    assert len(pages) >= len(MADE_STAGES)
    broken = alone / "broken.ipynb"
    broken.write_text(json.dumps({"cells": [{"cell_type": "code", "source": ["1 / 0"]}]}))  # negative control
    with Forks("import os, sys, IPython, kit.widgets.stage, kit.widgets.bench", alone) as forks:
        for page in [*pages, broken]:
            page_of = forks.start(RUN_A_PAGE, alone, page.name)
            said, problems = page_of.communicate()
            if page == broken:
                assert page_of.returncode == 1 and "ZeroDivisionError" in problems
                continue
            cells = json.loads(page.read_text("utf-8"))["cells"]
            assert (page_of.returncode, problems) == (0, ""), f"{page.name}: {said[-2000:]}{problems}"
            assert said.endswith(f"cells that ran: {sum(cell['cell_type'] == 'code' for cell in cells)}\n")
            assert "Traceback" not in said, said


# --- the text of a lesson file and a key ------------------------------------------------------------------------------


@pytest.mark.slow
@given(st.text(max_size=40) | AWKWARD)
def test_any_text_survives(text):
    assert tomllib.loads(f"key = {toml_string(text)}\nnext = 1") == {"key": text, "next": 1}


def test_half_a_character_is_refused():
    with pytest.raises(KitError, match=r"half a character.*type character 2 again"):
        toml_string("a\ud800")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_finite_number_survives(value):
    assert tomllib.loads(f"key = {toml_number(value)}")["key"] == value


def test_a_number_that_is_not_finite_is_refused():
    with pytest.raises(KitError, match="can't hold this number"):
        toml_number(inf)


@pytest.mark.parametrize("name", ["coasting_disc", "felt_brake", "card_vanes"])
def test_a_demo_lesson_and_its_key_survive_with_every_remark(name):
    lesson = load_lesson(DEMO / name)
    text = lesson_text(lesson)
    again = read_lesson(lesson.folder / "lesson.toml", text)
    assert (again.value, again.problems, again.unknown) == (lesson, (), ())
    assert text.count("For example:") >= 3
    key = load_key(lesson.folder, lesson)
    reading = read_key(lesson.folder, lesson, key_text(key, lesson))
    assert (reading.value, reading.problems) == (key, ())


@given(AWKWARD, AWKWARD.filter(str.strip), st.sampled_from([None, 0.9]))
def test_awkward_texts_and_optional_keys_survive(loose, needed, stop):
    lesson = load_lesson(DEMO / "coasting_disc")
    question = replace(lesson.questions[0], text=needed, shuffle=True)
    lesson = replace(
        lesson,
        title=needed,
        expected=loose,
        data_notice=loose,
        bench_table={"drawing": "plain", "jitter_ms": 0.5, "drag_each": {"a": 0.06, "b": 1}, "controls": []},
        x_unit=loose,
        stop_period_s=stop,
        safety=(loose, needed),
        texts={**lesson.texts, "measure": loose},
        questions=(question,),
    )
    assert read_lesson(lesson.folder / "lesson.toml", lesson_text(lesson)).value == lesson
    key = {question.id: {"supported": "half", "ideas": {"half": loose, needed: needed}}}
    assert read_key(lesson.folder, lesson, key_text(key, lesson)).value == key
