"""A place that waits: it says for what, opens by itself when another notebook's kernel seals it, or when lifted."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets
import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS
from kit.lessons.waiting import data_gate
from kit.record.workbook import Workbook
from kit.widgets import waiting
from kit.widgets.waiting import Waiting, when_open
from tests.sealed import seal_predictions

PROJECT = Path(__file__).parents[3]
pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture(scope="module")
def lesson():
    """With time for all questions of the first stage."""
    return replace(load_lesson(PROJECT / "datasets_demo" / "coasting_disc"), path="two lessons")


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def place(lesson, workbook):
    return when_open(data_gate(lesson, workbook, "measure"), lambda: widgets.HTML("the data"))


def shows(place):
    return [child.value for child in place.children if isinstance(child, widgets.HTML)]


def press(widget, words):
    """Click the button with these words, wherever it is."""
    if getattr(widget, "description", "") == words:
        widget.click()
        return True
    return any(press(child, words) for child in getattr(widget, "children", ()))


def test_it_says_what_is_missing_and_shows_nothing_of_the_data(place, workbook, lesson):
    assert isinstance(place, Waiting)
    assert "This waits for your sealed answer in stage 1: “With one magnet" in place._say.text
    assert shows(place) == []
    seal_predictions(workbook, lesson, "two-magnets")
    assert not place.look()
    assert "With one magnet" not in place._say.text
    assert "so many magnets" in place._say.text
    seal_predictions(workbook, lesson, "turns")
    assert place.look()
    assert (shows(place), place._say.text) == (["the data"], "Open now.")


def test_what_is_open_is_made_at_once(workbook, lesson):
    seal_predictions(workbook, lesson)
    assert when_open(data_gate(lesson, workbook, "measure"), lambda: widgets.HTML("the data")).value == "the data"
    assert workbook.sealed_before("prediction:two-magnets", "shown:measure")


def test_it_opens_by_itself_when_another_kernel_seals_and_then_stops_looking(place, workbook, lesson, monkeypatch):
    monkeypatch.setattr(waiting, "LOOK_EVERY_S", 0.01)

    async def on_a_page():
        place.set_state({"_view_count": 1})
        await asyncio.sleep(0.05)
        assert shows(place) == []
        seal_predictions(Workbook(workbook.path), lesson)  # as another kernel does: it shares the file, nothing else
        await asyncio.wait_for(place._task, 20)

    asyncio.run(on_a_page())
    assert shows(place) == ["the data"]


def test_it_looks_only_while_it_is_on_a_page(place, workbook, lesson, monkeypatch):
    monkeypatch.setattr(waiting, "LOOK_EVERY_S", 0.01)

    async def leaves_the_page():
        assert place._task is None
        place.set_state({"_view_count": 1})
        place.set_state({"_view_count": 0})
        await asyncio.wait_for(place._task, 20)
        seal_predictions(workbook, lesson)
        await asyncio.sleep(0.05)
        assert shows(place) == []  # an output that a second run replaced makes nothing
        place.set_state({"_view_count": 1})
        await asyncio.wait_for(place._task, 20)

    asyncio.run(leaves_the_page())
    assert shows(place) == ["the data"]


def test_closed_it_stops(place, monkeypatch):
    monkeypatch.setattr(waiting, "LOOK_EVERY_S", 0.01)

    async def closes():
        place.set_state({"_view_count": 1})
        place.close()
        await asyncio.wait_for(place._task, 20)

    asyncio.run(closes())
    assert place.content is None


def test_a_teacher_opens_one_part_after_a_question(place, workbook):
    assert press(place, "My teacher opens this without an answer")
    assert workbook.history("lifted") == ()
    assert press(place, "Leave it closed")
    assert not press(place, "Open this part")
    press(place, "My teacher opens this without an answer")
    assert press(place, "Open this part")
    assert shows(place) == ["the data"]
    assert workbook.latest("lifted")["what"] == "measure"
    assert workbook.latest("shown:measure") == {"missing": ["prediction:two-magnets", "prediction:turns"]}


def test_a_teacher_opens_all_for_a_group(place, workbook, lesson):
    press(place, "My teacher opens this without an answer")
    assert press(place, "Open all parts for this group")
    assert data_gate(lesson, workbook, "trend").missing() == ()


def test_what_cannot_be_recorded_is_not_lifted(place, workbook):
    workbook.path.mkdir()
    press(place, "My teacher opens this without an answer")
    press(place, "Open this part")
    assert place._say.problem
    assert place.waits and "the data" not in shows(place)


def test_data_that_cannot_be_shown_say_why(lesson, workbook):
    def no_data():
        raise KitError("No run can be counted")

    place = when_open(data_gate(lesson, workbook, "measure"), no_data)
    seal_predictions(workbook, lesson)
    assert place.look()
    assert "No run can be counted" in place._say.text


# --- the pages themselves -----------------------------------------------------------------------------------------

NO_DATA = r"from kit|stage\.(welcome|own_question|plan|prediction|final_answer|predicted_curve|sources|observation)"
NO_DATA += r"|stage\.(look_back|defend|hand_in|send)\(|make\.(welcome|plan|runs|sources)"


def cells_of(notebook):
    cells = json.loads((PROJECT / "notebooks" / notebook).read_text("utf-8"))["cells"]
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


@pytest.fixture
def at_the_lesson(tmp_path, monkeypatch):
    """A folder from which a lesson's notebooks find their data, and where the workbook is the test's own."""
    (tmp_path / "datasets_demo").symlink_to(PROJECT / "datasets_demo")
    folder = tmp_path / "notebooks" / "lesson"
    folder.mkdir(parents=True)
    monkeypatch.chdir(folder)


@pytest.mark.slow
@pytest.mark.parametrize("page", ["2_measure", "2b_make_runs", "3_average", "4_trend", "5_explain", "6_investigate"])
@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_every_step_that_shows_data_waits_and_then_shows_them(at_the_lesson, capsys, name, page):
    """Run cell by cell: first by a group that has sealed nothing, then, without running anything again, sealed.

    Only the boxes of "How this number is made" are run again. Their numbers, worked out with numpy and pandas alone,
    are those of the page, or their `assert` fails.
    """
    lesson, names = load_lesson(f"../../datasets_demo/{name}"), {}
    waits, boxes = [], []
    for source in cells_of(f"{name}/{page}.ipynb"):
        if source.startswith(("if stage.may_look(", "import kit\n")):
            known = set(names)
            exec(source, names)
            boxes.append(source)
            if source.startswith("if"):
                assert set(names) == known, "nothing is worked out before anything is sealed"
                assert capsys.readouterr().out.startswith("This waits for your sealed answer")
            continue
        *steps, shown = source.split("\n")
        exec("\n".join(steps), names)
        found = eval(shown, names)
        if later := re.fullmatch(r"stage\.later\(lambda: (.*)\)", shown):  # optional: first a button, then the same
            assert found.content is None, f"{shown} is made before anybody asked for it"
            found.ask()
            shown, found = later[1], found.content
        if not re.match(NO_DATA, shown):
            assert isinstance(found, Waiting), f"{shown} shows data before anything is sealed"
            waits.append((shown, found))
    assert waits
    seal_predictions(Workbook(f"workbooks/{name}.jsonl"), lesson)
    Workbook(f"workbooks/{name}.jsonl").add("explain", "observation:cause", "it rubs")
    for shown, place in waits:
        assert place.look(), shown
        assert place.content is not None, f"{shown}: {place._say.text}"
    capsys.readouterr()
    for source in boxes:
        known = set(names)
        exec(source, names)
        assert source.startswith("import") or set(names) > known, (
            "it has done its work, and not only said what it lacks"
        )
    assert len(boxes) == {"2_measure": 3, "3_average": 5, "4_trend": 3, "5_explain": 3, "6_investigate": 3}.get(page, 0)
