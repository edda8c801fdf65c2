"""Cautions stand open where something spins, and say what they must; the sources are named for the teacher."""

import json
from pathlib import Path

import pytest

from kit.lessons.cautions import BEFORE_IT_SPINS, GATE
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS, guide_notebook, start_notebook
from kit.record.workbook import Workbook
from kit.widgets.make_runs import MakeRuns
from kit.widgets.parts import Details
from kit.widgets.stage import Stage

DATA = Path(__file__).parents[3] / "datasets_demo"


@pytest.fixture(params=DEMO_LESSONS)
def lesson(request):
    return load_lesson(DATA / request.param)


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


def open_words(box):
    """What is read without unfolding anything."""
    return " ".join(child.value for child in box.children if not isinstance(child, Details))


@pytest.mark.parametrize("stage", ["measure", "investigate"])
def test_a_stage_in_which_something_spins_shows_them_open_before_all_else(lesson, workbook, stage):
    shown = open_words(Stage(lesson, stage, workbook).welcome())
    assert shown.count("<li>") == len(lesson.safety)
    assert "come to rest by itself" in shown


def test_the_page_for_own_runs_has_those_for_a_gate_too(lesson, workbook):
    shown = open_words(MakeRuns(lesson, workbook).welcome())
    assert shown.count("<li>") == len(lesson.safety) + len(GATE)
    for words in (
        "low voltage",
        "Unplug it before",
        "No mains on the bench",
        "two ends of a battery",
        "laser",
        "Clamp",
    ):
        assert words in shown
    assert "qualified person" in shown


def test_the_start_page_has_them_before_the_first_thing_to_click():
    cells = json.loads(start_notebook([load_lesson(DATA / name) for name in DEMO_LESSONS]))["cells"]
    second = "".join(cells[1]["source"])
    assert second.startswith("## Before anything spins")
    assert all(caution in second for caution in BEFORE_IT_SPINS)
    assert "](" not in "".join(cells[0]["source"]) + second
    assert "1_predict.ipynb" in "".join(cells[2]["source"])


def test_nothing_is_stopped_by_hand_and_own_ideas_need_a_yes(lesson):
    said = " ".join(lesson.safety)
    assert "Do not stop it by hand" in said and "heavier rim or a solvent" in said
    assert "Stop it before" not in said


def test_magnets():
    said = " ".join(load_lesson(DATA / "coasting_disc").safety)
    for words in ("only suspect it", "with another one or with metal", "at least 15 cm", "maker or your doctor", "NHS"):
        assert words in said
    for words in ("splinter", "out of the gap", "volume"):
        assert words in said


def test_the_guide_names_the_sources(lesson):
    guide = guide_notebook(lesson, "x")
    named = [source in guide for source in ("NHS England", "US FDA", "CPSC")]
    assert named == [lesson.x == "magnets"] * 3  # where there are magnets, and in no other lesson
    assert "from memory" in guide
