"""Paths through one lesson: how many minutes there are, and what stands on the pages then.

A page's cells are made in one order for all paths (`kit.lessons.cells`). A `Step` before some of them says on which
paths these stand on the page, and on which they wait in a closed section, "go further". So one lesson file serves ten
minutes as well as a project.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from ..errors import KitError

__all__ = [
    "AGAIN",
    "ALL",
    "DAY",
    "MAKE_RUNS",
    "ONE",
    "PATHS",
    "PATH_NAMES",
    "PROJECT",
    "QUESTION_PAGE",
    "SEAL",
    "TWO",
    "WRITE",
    "Arranged",
    "Cells",
    "LessonPath",
    "Step",
    "arrange",
    "path_of",
    "spread_values",
]

DAY, ONE, TWO, PROJECT = "question of the day", "one lesson", "two lessons", "project"
ALL = (ONE, TWO, PROJECT)  # all that go through the stages

QUESTION_PAGE = "question_of_the_day.ipynb"  # the one page of ten minutes
MAKE_RUNS = "2b_make_runs.ipynb"  # the page for a group's own runs: after the stage "measure" in every list of files

# Clicks and fields of what occurs often: choice, reason, confidence, button; the same without a reason, which is free
# the second time; a field and its button.
SEAL, AGAIN, WRITE = 4, 3, 2

MOST_SKETCHED = 5  # conditions to sketch where time is short


@dataclass(frozen=True)
class LessonPath:
    """One path: its name, words for a teacher who chooses, and for each stage its minutes and what they are for."""

    name: str
    words: str
    minutes: Mapping[str, tuple[int, str]]

    @property
    def total(self) -> int:
        """Minutes of all stages."""
        return sum(minutes for minutes, _ in self.minutes.values())

    @property
    def slug(self) -> str:
        """The name as a folder's: `two_lessons`."""
        return self.name.replace(" ", "_")


PATHS: dict[str, LessonPath] = {
    path.name: path
    for path in (
        LessonPath(
            DAY,
            "ten minutes: one question, a discussion, one run shown",
            {"predict": (10, "3 to answer alone, 4 to discuss and answer again, 3 to see one run and look back")},
        ),
        LessonPath(
            ONE,
            "45 minutes: from a prediction to an explanation",
            {
                "predict": (11, "6 to predict alone, 5 to discuss and to answer again"),
                "measure": (16, "with the lesson's runs; or each group makes some, and the reference condition too"),
                "average": (4, "the first part of the analysis"),
                "trend": (5, "the second part of the analysis"),
                "explain": (9, "6 to explain, 3 for the exit question"),
            },
        ),
        LessonPath(
            TWO,
            "2 × 45 minutes: the same, with runs of the groups' own, two methods compared, and the cause",
            {
                "predict": (15, "first lesson: both questions, the discussion, the sketch"),
                "measure": (30, "first lesson: 15 for runs of their own, 15 to agree on where counting starts"),
                "average": (12, "second lesson: how sure is an average, do two methods agree"),
                "trend": (14, "second lesson: time and turns, and whether the thresholds matter"),
                "explain": (19, "second lesson: 8 to see what slows it down, 8 to explain, 3 for the exit question"),
            },
        ),
        LessonPath(
            PROJECT,
            "six lessons or more: everything, and claims that the groups put to the test",
            {
                "predict": (20, "questions, discussion, sketch"),
                "measure": (70, "runs of their own, planned by time"),
                "average": (20, "averages, methods, comparisons"),
                "trend": (30, "curves, left-overs, thresholds"),
                "explain": (40, "all of it, with the drag laws"),
                "investigate": (90, "the lesson's claims, then one of the group's own"),
            },
        ),
    )
}

PATH_NAMES = tuple(PATHS)


def path_of(name: str) -> LessonPath:
    """The path of this name.

    Raises
    ------
    KitError : there is none.
    """
    if name not in PATHS:
        raise KitError("There is no such path through a lesson", found=name, fix=f"use one of: {', '.join(PATHS)}")
    return PATHS[name]


class Step(NamedTuple):
    """What the cells after it belong to, up to the next step: one thing to do.

    `on` are the paths on whose pages it stands, `further` those on which it waits in "go further"; on all others it is
    left out. `needs` is how many clicks and fields it asks for, at least.
    """

    name: str
    on: tuple[str, ...] = ALL
    further: tuple[str, ...] = ()
    needs: int = 0


Cells = Iterator[tuple[str, str] | Step]  # kind ("markdown" or "code") and text, and the steps between them


@dataclass
class Arranged:
    """The cells of a page on one path: those on the page, those in "go further", and the steps of either."""

    shown: list[tuple[str, str]] = field(default_factory=list)
    further: list[tuple[str, str]] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    steps_further: list[Step] = field(default_factory=list)

    @property
    def actions(self) -> int:
        """Clicks and fields that the page asks for, without what waits in "go further"."""
        return sum(step.needs for step in self.steps)


def arrange(cells: Iterable[tuple[str, str] | Step], path: str) -> Arranged:
    """Sort a page's cells for one path. Cells before the first step stand on the page of every path.

    Raises
    ------
    KitError : there is no such path.
    """
    path_of(path)
    found = Arranged()
    here: list[tuple[str, str]] | None = found.shown
    for cell in cells:
        if not isinstance(cell, Step):
            if here is not None:
                here.append(cell)
        elif path in cell.on or path in cell.further:
            here, steps = (found.shown, found.steps) if path in cell.on else (found.further, found.steps_further)
            if cell not in steps:  # what comes in two parts is one thing
                steps.append(cell)
        else:
            here = None
    return found


def spread_values(values: tuple[float, ...], path: str) -> tuple[float, ...]:
    """The conditions to sketch on a path: all of them, or where time is short five that span the same range.

    >>> spread_values((1, 2, 3, 4, 6, 8, 12), "one lesson")
    (1, 3, 4, 6, 12)
    """
    if path not in (DAY, ONE) or len(values) <= MOST_SKETCHED:
        return values
    last = len(values) - 1
    return tuple(values[i] for i in sorted({round(k * last / (MOST_SKETCHED - 1)) for k in range(MOST_SKETCHED)}))
