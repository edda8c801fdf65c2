"""Claims that a lesson puts to the test: what `[[claims]]` in a lesson file may say, checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .lesson_keys import Keys

__all__ = ["OWN", "LessonClaim", "claims_of"]

OWN = "own"  # the id of the group's own claim, which no lesson may take
KINDS = ("difference", "relation")
SOUND_LEVEL = "sound_level_dB"  # the column made from recordings


@dataclass(frozen=True)
class LessonClaim:
    """One claim of a lesson, with the folder of the runs that answer it."""

    id: str
    question: str
    statement: str
    data: str  # folder of gate logs, below the lesson's
    kind: str  # "difference" between two settings, or "relation"
    quantity: str  # column that was measured
    by: str  # column that was changed, or that the quantity is related to
    settings: tuple[float | str, float | str] | None
    within: tuple[str, ...]  # columns that must agree before two runs are compared
    same_speed: tuple[float, float] | None  # turns a second between which recordings are compared
    closer_at: float | None  # a condition at which these data alone cannot settle it
    listen_at: tuple[float, float] | None  # two values of what the lesson changes at which recordings are compared
    ask_first: str  # id of the question that is answered before the data show; may be empty
    step_to: str  # id of the claim that this one is a step to; may be empty

    @property
    def hears(self) -> bool:
        """Whether it needs the runs' recordings."""
        return SOUND_LEVEL in (self.quantity, self.by)


def claims_of(tables: Sequence[Keys], question_ids: Sequence[str]) -> tuple[LessonClaim, ...]:
    """Read the tables of `[[claims]]`; what can't be used is noted in them.

    Parameters
    ----------
    tables : checked access to each table.
    question_ids : ids of the lesson's questions.
    """
    claims = [_claim(table, question_ids) for table in tables]
    ids = [claim.id for claim in claims]
    for table, claim in zip(tables, claims, strict=True):
        if claim.id == OWN or ids.count(claim.id) > 1:
            table.problem("id", f'id = "{claim.id}-2"   # an id of its own, and not "{OWN}"', claim.id)
        if claim.step_to and (claim.step_to not in ids or claim.step_to == claim.id):
            table.problem("step_to", f'step_to = "{ids[-1]}"   # the id of another claim', claim.step_to)
    return tuple(claims)


def _claim(table: Keys, question_ids: Sequence[str]) -> LessonClaim:
    kind = table.one_of("kind", KINDS, default="difference")
    quantity = table.text("quantity", default="duration_s", example='quantity = "duration_s"')
    by = table.text("by", example='by = "tilt_deg"')
    data = table.text("data", example='data = "claims/level"')
    if data.startswith("/") or ".." in data.split("/") or ":" in data or "\\" in data:
        table.problem("data", 'data = "claims/level"   # a folder below the lesson\'s', data)
    within = tuple(table.texts("within", example='within = ["magnets"]'))
    if by in within or quantity in (by, *within):
        table.problem("within", f'within = ["magnets"]   # other columns than {quantity} and {by}', list(within))
    settings = table.pair("settings", "settings = [0, 3]", (int, float, str)) if kind == "difference" else None
    ask_first = table.text("ask_first", default="", example=f'ask_first = "{(*question_ids, "level")[0]}"')
    if ask_first and ask_first not in question_ids:
        table.problem("ask_first", f"ask_first = the id of a question, one of {list(question_ids)}", ask_first)
    same_speed = None
    if SOUND_LEVEL in (quantity, by) or "same_speed" in table.values:
        same_speed = table.pair("same_speed", "same_speed = [3.0, 4.0]")
        if same_speed and not 0 < same_speed[0] < same_speed[1]:
            table.problem("same_speed", "same_speed = [3.0, 4.0]   # slower, faster", list(same_speed))
    closer_at = table.number("closer_at", default=None, example="closer_at = 8")
    if closer_at is not None and len(within) != 1:
        table.problem("closer_at", 'within = ["magnets"] with closer_at = 8   # a value of that column', closer_at)
    return LessonClaim(
        id=table.text("id", example='id = "level"'),
        question=table.text("question", example='question = "Does it matter whether the spindle stands upright?"'),
        statement=table.text("statement", example='statement = "A tilted spindle shortens the coasting time."'),
        data=data,
        kind=kind,
        quantity=quantity,
        by=by,
        settings=settings,
        within=within,
        same_speed=same_speed,
        closer_at=closer_at,
        listen_at=table.pair("listen_at", "listen_at = [1, 8]") if same_speed else None,
        ask_first=ask_first,
        step_to=table.text("step_to", default="", example='step_to = "loud"'),
    )
