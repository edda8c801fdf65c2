"""A button for the teacher: a lesson's pages for groups without a computer, to save and to print."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

from ..lessons.lesson import Lesson, load_lesson
from ..paper import PAPERS, paper_pages
from .parts import FIELD, KitBox, Status, action, attempt, download_link, row_of

__all__ = ["PrintPages"]


class PrintPages(KitBox):
    """The worksheet, the run sheet, the answer slips and the class's page, as files that a browser prints.

    Parameters
    ----------
    lesson : folder of the lesson, or a `Lesson`.

    `make()` does what the button does; the pages themselves are `kit.print_lesson`'s.
    """

    def __init__(self, lesson: Lesson | str | Path):
        self.lesson = lesson if isinstance(lesson, Lesson) else load_lesson(lesson)
        self.paper = widgets.Dropdown(options=list(PAPERS), description="Paper:", **FIELD)
        self.links, self.message = widgets.HTML(), Status()
        button = action("Make the pages to print", lambda: attempt(self.message, self.make))
        super().__init__([row_of(self.paper, button), self.links, self.message])

    def make(self) -> None:
        """Make the pages and offer them."""
        pages = paper_pages(self.lesson, self.paper.value)
        links = [download_link(name, text.encode(), "text/html") for name, text in pages.items()]
        self.links.value = "<ul>" + "".join(f"<li>{link}</li>" for link in links) + "</ul>"
        self.message.say("Save each page, open it in your browser, and print it.")
