"""The teacher's overview at the projector: step by step, and nothing shows before the teacher says so."""

from __future__ import annotations

from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ..classroom.overview import ClassReader, Overview, Show
from ..classroom.sections import SECTIONS, STYLE, Section, handed_in_words, macros
from ..errors import KitError
from ..lessons.lesson import Lesson
from ..record.entries import MOMENTS
from .parts import KitBox, Status, action, choice_of, note, row_of

__all__ = ["ClassOverview"]


class ClassOverview(KitBox):
    """Hand-ins of a class, shown part by part. What is covered is not on the page at all.

    Parameters
    ----------
    source : folder or ZIP of hand-ins, or what `kit.read_class` made of one.
    lesson : the lesson's folder, or a `Lesson`; it gives the questions in words. With `teacher_key.toml` in its folder
        the overview can also mark what the data support.

    `overview` is what was read; the tables behind every part are in `kit.classroom.tables`.
    """

    def __init__(self, source: str | Path | Overview, lesson: Lesson | str | Path | None = None):
        super().__init__()
        self.add_class("kit-class")
        self._reader: ClassReader | None = None
        if isinstance(source, Overview):
            self.overview = source
        else:
            self._reader = ClassReader(source, lesson)
            self.overview = self._reader.read_some()
        self._shown: set[tuple[str, str]] = set()  # (part, question) that the teacher uncovered
        self._marked: set[tuple[str, str]] = set()  # ... and where what the data support is marked
        self._make_controls()
        self._draw()

    def _make_controls(self) -> None:
        self._state = widgets.HTML()
        self.reload_button = action("Read the folder again", self._reload, tooltip="For hand-ins that came later")
        self.step = choice_of("Step", [(section.title, section.id) for section in SECTIONS])
        self.question = choice_of("About", [])
        self.show_button = widgets.Button()
        self.show_button.on_click(lambda _: self._toggle())
        self.mark = widgets.Checkbox(description="Mark what the data support", indent=False)
        self.moment = choice_of("Given", [(words, moment) for moment, words in MOMENTS.items()])
        self.search = widgets.Text(description="Find words", placeholder="such as: spindle", continuous_update=True)
        self.search.style.description_width = "initial"
        self.message = Status()
        self._page = widgets.HTML()
        style = widgets.HTML(f"<style>{STYLE.read_text('utf-8')}</style>", layout=widgets.Layout(display="none"))
        self._list_questions()
        self.step.observe(lambda _: self._next_step(), "value")
        self.question.observe(lambda _: self._draw(), "value")
        for control in (self.moment, self.search):
            control.observe(lambda _: self._draw_page(), "value")
        self.mark.observe(self._remember_mark, "value")
        state = [self._state] if self._reader is None else [self._state, self.reload_button]
        self._notices = widgets.VBox()
        self.children = (
            style,
            self._notices,
            row_of(*state, self.message),
            self.step,
            row_of(self.question, self.show_button, self.mark, self.moment, self.search),
            self._page,
        )

    # --- where we are -----------------------------------------------------------------------------------------------

    @property
    def section(self) -> Section:
        """The part chosen now."""
        return next(section for section in SECTIONS if section.id == self.step.value)

    @property
    def shown(self) -> bool:
        """Whether the chosen part is uncovered."""
        return self._place() in self._shown

    def _place(self) -> tuple[str, str]:
        return self.section.id, (self.question.value or "") if self.section.per_question else ""

    def _list_questions(self) -> None:
        chosen, ids = self.question.value, [question.id for question in self.overview.questions]
        self.question.tooltips = [question.text for question in self.overview.questions]
        self.question.options = [(f"question {i}", question) for i, question in enumerate(ids, 1)]
        if ids:
            self.question.value = chosen if chosen in ids else ids[0]

    # --- what the teacher does --------------------------------------------------------------------------------------

    def _next_step(self) -> None:
        self.search.value = ""  # words looked for in another part would hide much of this one
        self._draw()

    def _toggle(self) -> None:
        place = self._place()
        self._shown ^= {place}
        self._draw()
        self.message.say(f"{'Shown' if place in self._shown else 'Covered'}: {self.section.title}.")

    def _remember_mark(self, change) -> None:
        place = self._place()
        self._marked = self._marked | {place} if change["new"] else self._marked - {place}
        self._draw_page()

    def _reload(self) -> None:
        if self._reader is None:
            return
        before = len(self.overview.groups)
        try:
            self.overview = self._reader.read_some()
        except KitError as error:  # what was read before stays
            self.message.error(error)
            return
        self._list_questions()
        self._draw()
        self.message.say(f"{len(self.overview.groups)} hand-ins read; before, there were {before}.")

    # --- the page ---------------------------------------------------------------------------------------------------

    def _draw(self) -> None:
        section, shown = self.section, self.shown
        self._notices.children = [note(notice) for notice in self.overview.notices]
        self._state.value = f"<p>{escape(handed_in_words(self.overview))}</p>"
        self.show_button.description = "Cover it again" if shown else f"Show: {section.title}"
        self.show_button.disabled = section.per_question and not self.overview.questions
        visible = {
            self.question: section.per_question,
            self.mark: shown and section.can_mark and self.question.value in self.overview.supported,
            self.moment: shown and section.id == "reasons",
            self.search: shown and section.searchable,
        }
        for control, wanted in visible.items():
            control.layout.display = "" if wanted else "none"
        marked = self._place() in self._marked
        with self.mark.hold_trait_notifications():
            self.mark.value = marked
        self.message.say()
        self._draw_page()

    def _draw_page(self) -> None:
        section = self.section
        if not self.shown:
            self._page.value = f'<div class="class-view">{self._cover(section)}</div>'
            return
        show = Show(
            self.overview,
            self.question.value or "",
            marked=self._place() in self._marked,
            moment=self.moment.value,
            search=self.search.value if section.searchable else "",
        )
        self._page.value = f'<div class="class-view">{section.html(show, self._drawing)}</div>'

    @cached_property
    def _drawing(self) -> Any:
        return macros()

    def _cover(self, section: Section) -> str:
        if not section.per_question:
            return f"<p>Covered. {escape(section.cover)}</p>"
        if not self.overview.questions:
            return "<p>No hand-in holds an answer to a question.</p>"
        asked = escape(self.overview.ask(self.question.value).text)
        return f"<h3>{asked}</h3><p>Covered. {escape(section.cover)}</p>"
