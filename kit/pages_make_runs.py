"""The cells of the page on which a group makes runs of its own. Nobody has to: the lesson has runs already."""

from __future__ import annotations

from collections.abc import Iterator

from .lesson import Lesson

__all__ = ["make_runs_cells"]


def make_runs_cells(lesson: Lesson, lesson_path: str, measure_page: str) -> Iterator[tuple[str, str]]:
    """(kind, text) of every cell."""
    yield (
        "markdown",
        f"# 2b · Make your own runs: {lesson.title}\n\n"
        "The lesson has runs already, so you can skip this page. But runs of your own are better: you know how they "
        "were made. Choose one way or several. Each run you keep goes into your workbook.",
    )
    yield "code", f'from kit.widgets import MakeRuns\n\nmake = MakeRuns("{lesson_path}")\nmake.welcome()'
    if lesson.bench is not None:
        yield (
            "markdown",
            "## On the virtual bench\n\n"
            "No apparatus at hand? Here is a simulated one. Set it up. Give it a push. Watch it slow down, or skip to "
            "the end. Then keep the run. Make three runs for each setting, at four settings or more.",
        )
        yield "code", "make.bench()"
    yield (
        "markdown",
        "## With a gate of your own\n\n"
        "Is a light gate joined to this machine by a wire? Then the kit can read it while the run lasts. Your school's "
        "safety rules come first. Read the cautions at the top of this page before anything spins.",
    )
    yield "code", "make.live_gate()"
    yield (
        "markdown",
        "## By tapping\n\n"
        "Does it turn slowly enough to count? Then tap once for each turn: with the space bar, or with the button. "
        "Practise first, so that you know how even your taps are.",
    )
    yield "code", "make.taps()"
    yield (
        "markdown",
        "## From files\n\nDo you have logs of a gate as files? Add them here, several at once if you like.",
    )
    yield "code", "make.add_files()"
    yield (
        "markdown",
        "## What you have, and whose runs count\n\n"
        "Tick whose runs you want to use from now on. You can mix them: every plot shows them with marks of their own.",
    )
    yield "code", "make.runs()"
    yield "code", "make.sources()"
    yield "markdown", f"---\n**Next:** [Measure]({measure_page}). What you kept here is saved and waits for you there."
