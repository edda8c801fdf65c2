"""Buttons for the teacher: the ideas behind a lesson's choices, from a key, and pages to print."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..lessons.lesson import Lesson, load_lesson, or_first_problem
from ..lessons.teacher_key import SEALED_KEY, find_key, load_key, open_key, read_key
from ..paper import PAPERS, paper_pages
from .parts import FIELD, KitBox, Status, action, attempt, download_link, heading, html_table, note, row_of

__all__ = ["PrintPages", "TeacherKey"]

NONE_HERE = (
    "The key of this lesson is not here: a copy for students, a school's hub and a hosted copy hold none. It lies in "
    "the project that you fetched yourself, beside the lesson's data."
)


class TeacherKey(KitBox):
    """Which choice the data support, and the idea behind each choice; shown when a button is pressed.

    Parameters
    ----------
    lesson : folder of the lesson, or a `Lesson`.
    key_folder : where the key lies, by default the lesson's folder.

    A key in the clear shows at once when asked for; a sealed one asks for its pass phrase. `phrase` is the field, and
    `show_ideas()` does what the button does.
    """

    def __init__(self, lesson: Lesson | str | Path, key_folder: str | Path | None = None):
        self.lesson = lesson if isinstance(lesson, Lesson) else load_lesson(lesson)
        self.folder = self.lesson.folder if key_folder is None else Path(key_folder)
        self.phrase = widgets.Password(description="Pass phrase:", **FIELD)
        self._say, self._shown = Status(), widgets.VBox()
        button = action("Show the ideas behind the choices", lambda: attempt(self._say, self.show_ideas))
        if find_key(self.folder):
            parts = [row_of(button)]
        elif (self.folder / SEALED_KEY).is_file():
            parts = [note("The key of this lesson is sealed in this copy."), row_of(self.phrase, button)]
        else:
            parts = [note(NONE_HERE)]
        super().__init__([*parts, self._say, self._shown])

    def show_ideas(self) -> None:
        """Show the key.

        Raises
        ------
        KitError : the key can't be read, or the pass phrase does not open it.
        """
        if find_key(self.folder):
            key = load_key(self.folder, self.lesson)
        else:
            text = open_key(self.folder / SEALED_KEY, self.phrase.value, self.lesson.name)
            key = or_first_problem(read_key(self.folder, self.lesson, text))
        self.phrase.value = ""
        self._shown.children = tuple(part for question in self.lesson.questions for part in _question(question, key))
        self._say.say("")


def _question(question, key) -> list[widgets.Widget]:
    entry = key.get(question.id)
    if entry is None:
        return [heading(question.text), note("No ideas are written down for this question.")]
    rows = [
        {
            "choice": choice.text,
            "idea behind it": entry["ideas"].get(choice.id, ""),
            "the data": "support this" if choice.id == entry["supported"] else "",
        }
        for choice in question.choices
    ]
    return [heading(question.text), widgets.HTML(html_table(pd.DataFrame(rows)))]


# --- a lesson's pages for groups without a computer, to save and to print


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
