"""What a part of a class overview is: a step of the lesson, with a cover that gives nothing away."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..plots.pages import templates
from ..record.entries import Moment
from .overview import Overview

__all__ = ["HERE", "Section", "Show", "macros"]

HERE = Path(__file__).parent  # where the templates are


@dataclass(frozen=True)
class Show:
    """What is asked of a section: the class, and how to look at it."""

    overview: Overview
    question: str = ""  # id; for sections about one question
    marked: bool = False  # whether to mark what the data support
    moment: str = Moment.FIRST  # of the reasons
    search: str = ""  # words in reasons and explanations


@dataclass(frozen=True)
class Section:
    """One step. `cover` says what it will show, and gives nothing away."""

    id: str
    title: str
    cover: str
    content: Callable[[Show], dict]  # what it shows, as plain values
    macro: str  # of sections.html.j2: how it is drawn
    per_question: bool = True
    can_mark: bool = False
    searchable: bool = False

    def html(self, show: Show, drawing: object = None) -> str:
        """The section alone, as HTML. `drawing`: `macros()`, kept by whoever asks more than once."""
        return str(getattr(drawing or macros(), self.macro)(self.content(show)))


def macros() -> Any:
    """What draws the sections. Reading it takes longer than all that is drawn with it."""
    return templates(HERE).get_template("sections.html.j2").module
