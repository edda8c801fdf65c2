"""How much of an inquiry a lesson gives: four levels (Banchi & Bell 2008, "The many levels of inquiry").

| level        | question        | procedure         | relation          | curves to choose from (stage 4)      |
|--------------|-----------------|-------------------|-------------------|--------------------------------------|
| confirmation | given           | numbered steps    | told before       | no menu: all are compared at once    |
| structured   | given           | written out       | found by students | a menu, nothing ticked               |
| guided       | given           | students' plan    | found by students | a menu, nothing ticked, no advice    |
| open         | students' own   | students' plan    | found by students | a menu, nothing ticked, no advice    |

A menu is shown wherever students are to find the relation: ticking a curve is stating a hypothesis. Where the relation
is told, the menu has nothing to ask, and all curves are compared at once to see whether what was told holds. No level
ticks a curve beforehand: a ticked curve looks like an answer. A fixed recipe is never called open.
"""

from __future__ import annotations

from dataclasses import dataclass

from .errors import KitError

__all__ = ["LEVEL_NAMES", "Level", "level_of"]


@dataclass(frozen=True)
class Level:
    """What a lesson of one level gives, and what it leaves to the students."""

    name: str
    gives_question: bool
    gives_procedure: bool
    numbers_steps: bool  # the procedure is a list of steps to follow
    tells_relation: bool
    offers_curves: bool
    words: str  # for a teacher who chooses


_LEVELS = (
    Level("confirmation", True, True, True, True, False, "the relation is told, the steps are given: does it hold?"),
    Level("structured", True, True, False, False, True, "question and procedure are given, the result is not"),
    Level("guided", True, False, False, False, True, "the question is given, students plan how to find out"),
    Level("open", False, False, False, False, True, "students ask a question of their own and plan"),
)
LEVEL_NAMES = tuple(level.name for level in _LEVELS)


def level_of(name: str) -> Level:
    """The level of this name; KitError if there is none."""
    for level in _LEVELS:
        if level.name == name:
            return level
    raise KitError("There is no such level of inquiry", found=name, fix=f"use one of: {', '.join(LEVEL_NAMES)}")
