"""What a teacher typed becomes a lesson, and is checked before it is written."""

from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.draft import TypedChoice, TypedQuestion, check_draft, lesson_from, numbers_typed
from kit.lessons.lesson import load_lesson

DEMO = Path(__file__).parents[3] / "datasets_demo"


@pytest.mark.slow
def test_a_claim_no_longer_asks_a_question_that_was_left_out():
    model = load_lesson(DEMO / "felt_brake")
    lesson, key = lesson_from(model, {}, [])
    assert [claim.ask_first for claim in model.claims] == ["level"]
    assert [claim.ask_first for claim in lesson.claims] == [""]
    assert [f for f in check_draft(lesson, key) if "ask_first" in f.key] == []


@pytest.mark.parametrize(
    ("text", "values"),
    [("1, 2,3", (1, 2, 3)), ("0.5 1.5", (0.5, 1.5)), ("0,5; 1,5", (0.5, 1.5)), ("4", (4,)), ("-1,", (-1,))],
)
def test_numbers_as_people_type_them(text, values):
    assert numbers_typed(text, "Values") == values


def test_new_choices_with_the_same_words_get_ids_of_their_own():
    model = load_lesson(DEMO / "felt_brake")
    choices = (TypedChoice("Half", id="half"), TypedChoice("Half!"), TypedChoice("half?"), TypedChoice("…"))
    lesson, key = lesson_from(model, {}, [TypedQuestion("How long?", choices, 1)])
    assert [c.id for c in lesson.questions[0].choices] == ["half", "half-2", "half-3", "choice"]
    assert key["how-long"]["supported"] == "half-2"
    assert [f.key for f in check_draft(lesson, key) if f.serious] == []


def test_a_text_that_no_file_can_hold_is_a_finding():
    model = load_lesson(DEMO / "felt_brake")
    lesson, key = lesson_from(model, {"title": "a\ud800"}, [])
    assert "half a character" in check_draft(lesson, key)[0].problem


@pytest.mark.parametrize(
    ("text", "found"), [("", "at least one number"), ("1; x", "Values needs a number. Found: ' x'")]
)
def test_numbers_that_are_none(text, found):
    with pytest.raises(KitError, match=found):
        numbers_typed(text, "Values")
