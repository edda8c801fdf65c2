"""The table of levels is what stands in the notebooks and on the page."""

from dataclasses import replace
from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.keys import LEVEL_NAMES, Keys, Notes, how_logs_are_read, level_of
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import stage_notebook
from kit.record.workbook import Workbook
from kit.widgets.stage import Stage

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
TOLD = "Twice as many magnets, about half the time."


def lesson_at(level):
    return replace(load_lesson(DEMO), level=level, expected=TOLD)


def text_of(level, stage):
    return stage_notebook(lesson_at(level), stage, "x")


# what only some levels have: stage, words on the page, levels that have them
TABLE = [
    ("predict", TOLD, {"confirmation"}),
    ("trend", TOLD, {"confirmation"}),
    ("measure", "## Step by step", {"confirmation"}),
    ("measure", "Instead, agree on two speeds", {"confirmation", "structured"}),
    ("measure", "What does your plan say about that?", {"guided", "open"}),
    ("measure", "stage.plan()", {"guided", "open"}),
    ("predict", "stage.own_question()", {"open"}),
    ("predict", "To start from: You spin a metal disc", {"open"}),
    ("predict", "**You spin a metal disc", {"confirmation", "structured", "guided"}),
    ("trend", "Choose curves that might fit", {"structured"}),
    ("trend", "How can you tell? Say why first", {"guided", "open"}),
]


@pytest.mark.parametrize(("stage", "words", "levels"), TABLE)
def test_notebooks_hold_what_the_table_says(stage, words, levels):
    assert {level for level in LEVEL_NAMES if words in text_of(level, stage)} == levels


def test_every_two_levels_differ_somewhere():
    whole = [tuple(text_of(level, stage) for stage in ("predict", "measure", "trend")) for level in LEVEL_NAMES]
    assert len(set(whole)) == len(LEVEL_NAMES)


def test_the_plan_comes_before_the_first_run_is_seen():
    text = text_of("guided", "measure")
    assert text.index("stage.plan()") < text.index("stage.runs_table()")


@pytest.mark.slow
@pytest.mark.parametrize("level", LEVEL_NAMES)
def test_a_menu_of_curves_is_shown_where_students_find_the_relation_and_nothing_is_ticked(level, tmp_path):
    fitter = Stage(lesson_at(level), "trend", Workbook(tmp_path / "w.jsonl"), wait=False).trend()
    told = level == "confirmation"
    assert (fitter.menu, len(fitter.models)) == (("hidden", 8) if told else ("shown", 0))
    assert level_of(level).offers_curves is not told


def test_plan_and_question_are_saved_in_words_of_their_own(tmp_path):
    workbook = Workbook(tmp_path / "w.jsonl")
    for stage, box, topic in (("measure", "plan", "plan"), ("predict", "own_question", "question")):
        card = getattr(Stage(lesson_at("open"), stage, workbook), box)()
        assert "what I see" not in card.save_button.description
        card.text.value = f"my {box}"
        card.save_button.click()
        assert workbook.latest(f"observation:{topic}") == f"my {box}"


def test_an_unknown_level():
    with pytest.raises(KitError, match=r"no such level of inquiry.*confirmation, structured, guided, open"):
        level_of("free")


def test_how_a_lessons_logs_are_read(tmp_path):
    notes = Notes()
    given = {"unit": "ms", "flags_per_turn": 8, "channel": "A"}
    assert how_logs_are_read(Keys(given, tmp_path, notes, "logs.")) == given
    assert not notes.problems
    how_logs_are_read(Keys({"unit": "weeks", "flags_per_turn": 2.5}, tmp_path, notes, "logs."))
    assert [key for key, _ in notes.problems] == ["logs.unit", "logs.flags_per_turn"]
