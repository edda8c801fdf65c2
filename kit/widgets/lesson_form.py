"""A form in which a teacher makes a lesson from one that is there: fields, a check that follows, one button."""

from __future__ import annotations

import os
from pathlib import Path

import ipywidgets as widgets

from ..errors import KitError
from ..lesson import Lesson, load_key, load_lesson
from ..lesson_check import Finding
from ..lesson_draft import check_draft
from ..lesson_new import new_lesson
from ..pages import DEMO_LESSONS
from ..speed import prepare
from .lesson_check import show_findings
from .lesson_fields import LessonFields, text_line
from .parts import Say, action, choice_of, heading, note

__all__ = ["LessonForm"]


class LessonForm(widgets.VBox):
    """Make a lesson of one's own from one of the demo lessons.

    Parameters
    ----------
    lessons : the folder that holds the demo lessons.
    folder : where the new lesson is offered to go, relative to the notebook.

    `lesson` and `key` are what is typed now, `findings` what the check says about it, `made` the folder written.
    Without a widget: `kit.lesson_new.new_lesson(folder, like, lesson=..., key=...)`.
    """

    def __init__(self, lessons: str | Path, folder: str = "my_lesson"):
        self._models = {name: load_lesson(Path(lessons) / name) for name in DEMO_LESSONS}
        self.made: Path | None = None
        self.lesson: Lesson | None = None
        self.key: dict[str, dict] = {}
        self.findings: list[Finding] = []
        self.like = choice_of("Begin from", [(lesson.title, name) for name, lesson in self._models.items()])
        self._filled: dict[str, tuple[LessonFields, tuple]] = {}  # per model, so that going back loses nothing
        self._place = widgets.VBox()
        self.message, self.table, self.links = Say(), widgets.HTML(), widgets.Output()
        self.folder = text_line("Folder of the new lesson", folder)
        self.make_button = action("Make the lesson", self._make)
        self.made_message = Say()
        super().__init__(
            [
                self.like,
                self._place,
                heading("Is it ready?"),
                self.message,
                self.table,
                heading("Make it"),
                note("Give a new folder. Nothing is written over. Data are copied from the lesson you began from."),
                self.folder,
                self.make_button,
                self.made_message,
                self.links,
            ]
        )
        self.add_class("kit-box")
        self.add_class("kit-lesson-form")
        self.like.observe(lambda _: self._begin(), "value")
        self._begin()

    @property
    def fields(self) -> LessonFields:
        """The fields shown now."""
        return self._filled[self.like.value][0]

    def _begin(self) -> None:
        """Show the fields of the model chosen; what was typed there before is still in them."""
        name = self.like.value
        if name not in self._filled:
            model = self._models[name]
            fields = LessonFields(model, load_key(model.folder, model))
            self._filled[name] = fields, prepare(model.runs())
            for field in fields.inputs:
                field.observe(lambda _: self._check(), "value")
        self._place.children = (self.fields,)
        self._check()

    def _check(self) -> None:
        """Follow what is typed."""
        fields, curves = self._filled[self.like.value]
        try:
            self.lesson, self.key = fields.typed()
            self.findings = check_draft(self.lesson, self.key, curves)
        except KitError as error:
            self.lesson, self.findings = None, [Finding.of(error, "form")]
        show_findings(self.findings, self.message, self.table)
        if self.made_message.problem:  # what was said of an earlier state holds no longer
            self.made_message.say("")

    # --- making it ------------------------------------------------------------------------------------------------

    def _make(self) -> None:
        self.links.outputs = ()
        if self.lesson is None or any(finding.serious for finding in self.findings):
            self.made_message.refuse("Not made yet: mend the problems listed above first.")
            return
        if not self.folder.value.strip():
            self.made_message.refuse("Not made yet: name a folder for the lesson.")
            return
        folder = Path(self.folder.value.strip()).expanduser()
        try:
            place = new_lesson(folder, self.fields.model.folder, lesson=self.lesson, key=self.key)
        except KitError as error:
            self.made_message.refuse(error)
            return
        self.made = folder.absolute()
        self.made_message.say(
            f"Made. The lesson is in {self.made}.",
            "Give students the folder student. Keep the folder teacher.",
            "After a change of lesson.toml make the notebooks anew: python3 -m kit new-lesson FOLDER --remake.",
        )
        first = {"The students' first page": place.student / "1_predict.ipynb",
                 "Your guide": place.teacher / "0_guide.ipynb"}  # fmt: skip
        self._link(first)

    def _link(self, pages: dict[str, Path]) -> None:
        """Links as Markdown: JupyterLab opens them as notebooks, wherever it shows the project."""
        lines = [f"- [{words}](<{Path(os.path.relpath(path)).as_posix()}>)" for words, path in pages.items()]
        markdown = {"text/markdown": "\n".join(lines), "text/plain": "\n".join(lines)}
        self.links.outputs = ({"output_type": "display_data", "data": markdown, "metadata": {}},)
