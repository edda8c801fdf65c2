"""Cells of what students do by eye and by hand before the kit does it: a first pass, a graph, a count."""

from __future__ import annotations

from .lesson import Lesson
from .paths import Cells

__all__ = ["first_by_hand", "once_by_eye", "own_count"]


def once_by_eye() -> Cells:
    yield (
        "markdown",
        "## Once by eye\n\n"
        "One push is harder than another. So a fair count starts at the same speed in every run. You can say how fast "
        "it is by how long one turn takes.\n\n"
        "Here is the log of one run. Beside each pass stands how long the turn took that ends there. At which pass "
        "would you start to count? Each of you clicks a row. Then see how far apart you are, and what that does.",
    )
    yield "code", "stage.by_eye()"


def own_count(lesson: Lesson) -> Cells:
    bench = (
        "Give it a push. As soon as your eye can follow it, tap once a turn. Your watch runs from your first tap to "
        "your last. Too fast to follow? Then show it as a slow film. "
        if lesson.bench is not None
        else "Count the turns and time them while a gate logs the run. "
    )
    earlier = " Your pair joins the plots above." if lesson.has_hand_counts else ""
    yield (
        "markdown",
        f"## Count one run yourself\n\nCan you trust the gate? Check it once. {bench}"
        f"Keep your count, and only then see what the gate logged of the same run. Do the two agree?{earlier}",
    )
    yield "code", "stage.own_count()"


def first_by_hand() -> Cells:
    yield (
        "markdown",
        "## First by hand\n\n"
        "Put your averages on the axes. Then draw one smooth curve by eye. After that you see it beside curves that "
        "the kit fits. Nothing is marked.",
    )
    yield "code", 'stage.graph_by_hand("duration_s")'
