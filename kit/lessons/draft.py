"""A lesson that a teacher still writes: what is typed into fields becomes a lesson, checked before it is saved."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..errors import KitError
from ..motion.speed import SpeedCurve
from ..wording import number_typed
from .check import check_key, check_text
from .check_data import Finding, check_data
from .foreign import check_foreign
from .lesson import LESSON_FILE, Choice, Lesson, Question, read_lesson
from .lesson_text import key_text, lesson_text
from .teacher_key import KEY_FILE, read_key

__all__ = ["TypedChoice", "TypedQuestion", "check_draft", "lesson_from", "numbers_typed"]


@dataclass(frozen=True)
class TypedChoice:
    """A choice as typed; without an id it is new, with a blank text it is left out."""

    text: str
    idea: str = ""
    id: str = ""


@dataclass(frozen=True)
class TypedQuestion:
    """A question as typed; without an id it is new, with a blank text left out.

    `supported` is a choice's place; None while nobody has said it.
    """

    text: str
    choices: tuple[TypedChoice, ...]
    supported: int | None = None
    id: str = ""
    stage: str = "predict"
    shuffle: bool = False
    before: str = ""
    after: str = ""
    run_shown: float | None = None


def lesson_from(model: Lesson, fields: Mapping[str, Any], questions: Sequence[TypedQuestion]) -> tuple[Lesson, dict]:
    """The lesson and its key that a teacher typed, begun from a model.

    Parameters
    ----------
    fields : attributes of `Lesson` to change, such as `title` or `values`.

    Returns
    -------
    The lesson (its folder is still the model's, where the data are) and the key as `load_key` returns it.
    """
    asked: list[Question] = []
    key: dict[str, dict] = {}
    for typed in questions:
        if not typed.text.strip():
            continue
        question_id = typed.id or _new_id(typed.text, {q.id for q in asked} | {q.id for q in questions})
        choices: list[Choice] = []
        ideas: dict[str, str] = {}
        supported = ""
        for place, choice in enumerate(typed.choices):
            if not choice.text.strip():
                continue
            choice_id = choice.id or _new_id(choice.text, {c.id for c in choices} | {c.id for c in typed.choices})
            choices.append(Choice(choice_id, choice.text.strip()))
            ideas[choice_id] = choice.idea.strip()
            supported = choice_id if place == typed.supported else supported
        waits = typed.before, typed.after, typed.run_shown
        asked.append(Question(question_id, typed.stage, typed.text.strip(), tuple(choices), typed.shuffle, *waits))
        key[question_id] = {"supported": supported, "ideas": {k: v for k, v in ideas.items() if v}}
    ids = {question.id for question in asked}
    asked = [replace(question, after=question.after if question.after in ids else "") for question in asked]
    claims = [replace(c, ask_first=c.ask_first if c.ask_first in ids else "") for c in model.claims]
    return replace(model, **fields, questions=tuple(asked), claims=tuple(claims)), key


def check_draft(
    lesson: Lesson, key: Mapping[str, Mapping], curves: Sequence[SpeedCurve] | None = None
) -> list[Finding]:
    """Findings about a lesson that is not written yet, as `kit.lessons.check.check_lesson` words them.

    Parameters
    ----------
    lesson, key : from `lesson_from`; the data are looked for in the lesson's folder.
    curves : what `kit.speed_curves` made of the data, if that was done before.
    """
    try:
        reading = read_lesson(lesson.folder / LESSON_FILE, lesson_text(lesson))
        key_reading = read_key(lesson.folder / KEY_FILE, reading.value, key_text(key, lesson))
    except KitError as error:  # a text that no file can hold
        return [Finding.of(error, LESSON_FILE)]
    found = [*check_text(reading), *check_data(reading.value, curves), *check_key(key_reading, reading.value)]
    if not reading.problems:
        found += check_foreign(reading.value, key_reading.value, curves)
    return sorted(found, key=lambda finding: not finding.serious)


def numbers_typed(text: str, what: str) -> tuple[float, ...]:
    """Numbers as typed, with blanks or commas between them; with semicolons, decimal commas will do too.

    Raises
    ------
    KitError : there is none, or one is not a number; the message begins with `what`.
    """
    parts = text.split(";") if ";" in text else re.split(r"[,\s]+", text)
    parts = [part for part in parts if part.strip()]
    if not parts:
        raise KitError(f"{what} needs at least one number", fix="type, for example: 1, 2, 4, 8")
    return tuple(number_typed(part, what) for part in parts)


def _new_id(text: str, taken: set[str]) -> str:
    """A short name from the first words of a text, unlike those taken."""
    words = re.findall(r"[a-z0-9]+", text.casefold())[:3]
    stem = "-".join(words) or "choice"
    return next(name for name in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if name not in taken)
