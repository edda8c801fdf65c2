"""A lesson written as TOML and read again is the same lesson, whatever its texts hold."""

import tomllib
from dataclasses import replace
from math import inf
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.errors import KitError
from kit.lessons.lesson import load_key, load_lesson, read_key, read_lesson
from kit.lessons.make import key_text, lesson_text, toml_number, toml_string

DEMO = Path(__file__).parents[3] / "datasets_demo"
AWKWARD = st.text(st.sampled_from('"\\\n\r\t\x00\x1f\x7f\x85\u2028#=[]{} aä😀'), max_size=30)


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
    reading = read_key(lesson.folder / "teacher_key.toml", lesson, key_text(key, lesson))
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
