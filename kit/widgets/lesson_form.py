"""For a teacher: a form that makes a lesson from one that is there, and the check whether a lesson is ready.

The fields stand in `LessonFields`; what is found in them, or in a folder, shows as a table with what would do.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..errors import KitError
from ..lessons.check import check_lesson, summary
from ..lessons.check_data import Finding
from ..lessons.draft import TypedChoice, TypedQuestion, check_draft, lesson_from, numbers_typed
from ..lessons.keys import LEVEL_NAMES, level_of
from ..lessons.lesson import Lesson, Question, load_lesson
from ..lessons.make import new_lesson
from ..lessons.notebooks import DEMO_LESSONS
from ..lessons.teacher_key import load_key
from ..motion.speed import speed_curves
from ..wording import number_typed
from .parts import KitBox, Status, action, choice_of, heading, html_table, note, pair_of, text_area, text_line

__all__ = [
    "LessonCheck",
    "LessonFields",
    "LessonForm",
    "findings_html",
]

SPARE_CHOICES, NEW_CHOICES = 1, 4  # empty lines offered in a question that is there, and in a new one


class LessonFields(widgets.VBox):
    """Fields filled from a model.

    Parameters
    ----------
    model : the lesson to begin from.
    key : its key, as `kit.lessons.lesson.load_key` returns it.
    """

    def __init__(self, model: Lesson, key: Mapping[str, Mapping]):
        self.model = model
        self.title = text_line("Title", model.title)
        self.question = text_area("Question of the whole lesson, without its answer", model.question)
        self.level = choice_of("How much is given", [(name, name) for name in LEVEL_NAMES])
        self.level.value = model.level
        self.level_words = note("")
        self.expected = text_area("The relation that is told (only for confirmation)", model.expected)
        self.words = text_line("What is changed, in words", model.x_words)
        self.unit = text_line("Its unit (empty for a plain number)", model.x_unit)
        self.name = text_line("Its column in runs.csv", model.x)
        self.conditions = text_line("Values", ", ".join(f"{value:g}" for value in model.values))  # noqa: PD011
        self.reference = text_line("Reference value, which every group runs", f"{model.reference:g}")
        self.start = text_line("Counting starts when one turn takes (s)", f"{model.start_period_s:g}")
        self.stop = text_line(
            "Counting stops when it takes (s; empty: last pass)",
            "" if model.stop_period_s is None else f"{model.stop_period_s:g}",
        )
        tops = model.expected_up_to
        self.longest = text_line("Top of the scale for the coasting time (s)", f"{tops['duration_s']:g}")
        self.most_turns = text_line("Top of the scale for the turns", f"{tops['turns']:g}")
        self.safety = text_area("What to beware of, one sentence a line", "\n".join(model.safety), rows=6)
        self.texts = {stage: text_area(f"Text before the stage {stage}", model.texts[stage]) for stage in model.texts}
        self.questions = [_QuestionFields(i, key.get(q.id), q) for i, q in enumerate(model.questions, 1)]
        self.questions.append(_QuestionFields(len(self.questions) + 1, None))
        self.parts = {
            "The lesson": [self.title, self.question, self.level, self.level_words, self.expected],
            "What is changed": [
                pair_of(self.words, self.unit),
                pair_of(self.name, self.conditions),
                self.reference,
                pair_of(self.start, self.stop),
                pair_of(self.longest, self.most_turns),
            ],
            **{fields.title: fields.all for fields in self.questions},
            "Safety": [self.safety],
            "Texts": list(self.texts.values()),
        }
        self.part = choice_of("Part", [(words, words) for words in self.parts])
        self._page = widgets.VBox()
        super().__init__([self.part, self._page])
        self._turn_page()
        self._show_level()
        self.part.observe(lambda _: self._turn_page(), "value")
        self.level.observe(lambda _: self._show_level(), "value")

    @property
    def inputs(self) -> list[widgets.Widget]:
        """Every field that can be changed."""
        own = [self.title, self.question, self.level, self.expected, self.words, self.unit, self.name]
        own += [self.conditions, self.reference, self.start, self.stop, self.longest, self.most_turns, self.safety]
        return [*own, *self.texts.values(), *(field for fields in self.questions for field in fields.inputs)]

    def _turn_page(self) -> None:
        self._page.children = self.parts[self.part.value]

    def _show_level(self) -> None:
        level = level_of(self.level.value)
        self.level_words.value = f"<p>{level.words}</p>"
        self.expected.layout.display = "" if level.tells_relation else "none"

    def typed(self) -> tuple[Lesson, dict]:
        """The lesson and key in the fields. Raises KitError for a number that is none."""
        stop = self.stop.value.strip()
        fields = {
            "title": self.title.value.strip(),
            "question": self.question.value.strip(),
            "level": self.level.value,
            "expected": self.expected.value.strip(),
            "x": self.name.value.strip(),
            "x_words": self.words.value.strip(),
            "x_unit": self.unit.value.strip(),
            "values": numbers_typed(self.conditions.value, "Values"),
            "reference": number_typed(self.reference.value, "Reference value"),
            "start_period_s": number_typed(self.start.value, "Counting starts"),
            "stop_period_s": number_typed(stop, "Counting stops") if stop else None,
            "expected_up_to": {
                "duration_s": number_typed(self.longest.value, "Top of the scale for the coasting time"),
                "turns": number_typed(self.most_turns.value, "Top of the scale for the turns"),
            },
            "safety": tuple(line.strip() for line in self.safety.value.splitlines() if line.strip()),
            "texts": {stage: field.value for stage, field in self.texts.items()},
        }
        return lesson_from(self.model, fields, [fields.typed() for fields in self.questions])


class _QuestionFields:
    """The fields of one question: its text, for each choice the words and the idea, and which one the data support."""

    def __init__(self, number: int, entry: Mapping | None, question: Question | None = None):
        entry, self.question = entry or {"supported": "", "ideas": {}}, question
        there = question.choices if question else ()
        self.title = f"Question {number}" if question else "New question"
        self.text = text_area(self.title, question.text if question else "")
        self.ids = [choice.id for choice in there] + [""] * (SPARE_CHOICES if question else NEW_CHOICES)
        texts = [choice.text for choice in there] + [""] * (len(self.ids) - len(there))
        self.choices = [text_area(f"Choice {i}", text, rows=2) for i, text in enumerate(texts, 1)]
        self.ideas = [
            text_area(f"Idea behind choice {i}", entry["ideas"].get(name, ""), rows=2)
            for i, name in enumerate(self.ids, 1)
        ]
        self.supported = widgets.Dropdown(
            options=[(f"choice {i}", i - 1) for i in range(1, len(self.ids) + 1)],
            value=self.ids.index(entry["supported"]) if entry["supported"] in self.ids else 0,
            description="The data support",
        )
        self.supported.style.description_width = "initial"

    @property
    def inputs(self) -> list[widgets.Widget]:
        """What can be typed into."""
        return [self.text, *self.choices, *self.ideas, self.supported]

    @property
    def all(self) -> list[widgets.Widget]:
        """Everything in the order of the page: each choice beside its idea."""
        pairs = [pair_of(choice, idea) for choice, idea in zip(self.choices, self.ideas, strict=True)]
        return [self.text, *pairs, self.supported]

    def typed(self) -> TypedQuestion:
        """What stands in the fields."""
        choices = tuple(
            TypedChoice(text.value, idea.value, name)
            for text, idea, name in zip(self.choices, self.ideas, self.ids, strict=True)
        )
        q = self.question
        if q is None:
            return TypedQuestion(self.text.value, choices, self.supported.value)
        as_before = (q.id, q.stage, q.shuffle, q.before, q.after)
        return TypedQuestion(self.text.value, choices, self.supported.value, *as_before)


# --- is it ready? -------------------------------------------------------------------------------------------------


class LessonCheck(KitBox):
    """Checks a lesson's folder at once and whenever the button is pressed.

    Parameters
    ----------
    folder : one that new-lesson made, or that holds `lesson.toml`.

    `findings` holds the last result. Without a widget: `kit.lessons.check.check_lesson(folder)`.
    """

    def __init__(self, folder: str | Path):
        self.folder = Path(folder)
        self.findings: list[Finding] = []
        self.check_button = action("Check again", self.check, tooltip="After you have changed a file")
        self.message, self.table = Status(), widgets.HTML()
        super().__init__([self.check_button, self.message, self.table])
        self.check()

    def check(self) -> None:
        """Read everything anew and show what is found."""
        self.findings = check_lesson(self.folder)
        show_findings(self.findings, self.message, self.table)


def show_findings(findings: Sequence[Finding], message: Status, table: widgets.HTML) -> None:
    """Say how many there are, and list them."""
    sentence = summary(list(findings))
    if any(finding.serious for finding in findings):
        message.error(sentence)
    else:
        message.say(sentence)
    table.value = findings_html(findings)


def findings_html(findings: Sequence[Finding]) -> str:
    """Findings as a table, every text escaped; nothing where there are none."""
    if not findings:
        return ""
    rows = [
        {
            "where": " ".join(part for part in (finding.file, finding.key) if part),
            "": "problem" if finding.serious else "warning",
            "what": finding.what,
            "what to do": finding.fix,
        }
        for finding in findings
    ]
    return f'<div class="kit-findings">{html_table(pd.DataFrame(rows))}</div>'


# --- the whole form -----------------------------------------------------------------------------------------------


class LessonForm(KitBox):
    """Make a lesson of one's own from one of the demo lessons.

    Parameters
    ----------
    lessons : the folder that holds the demo lessons.
    folder : where the new lesson is offered to go, relative to the notebook.

    `lesson` and `key` are what is typed now, `findings` what the check says about it, `made` the folder written.
    Without a widget: `kit.lessons.make.new_lesson(folder, like, lesson=..., key=...)`.
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
        self.message, self.table, self.links = Status(), widgets.HTML(), widgets.Output()
        self.folder = text_line("Folder of the new lesson", folder)
        self.make_button = action("Make the lesson", self._make)
        self.made_message = Status()
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
            self._filled[name] = fields, speed_curves(model.runs())
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
            self.made_message.error("Not made yet: mend the problems listed above first.")
            return
        if not self.folder.value.strip():
            self.made_message.error("Not made yet: name a folder for the lesson.")
            return
        folder = Path(self.folder.value.strip()).expanduser()
        try:
            place = new_lesson(folder, self.fields.model.folder, lesson=self.lesson, key=self.key)
        except KitError as error:
            self.made_message.error(error)
            return
        self.made = folder.absolute()
        self.made_message.say(
            f"Made. The lesson is in {self.made}.",
            "Give students the folder student. Keep the folder teacher.",
            "After a change of lesson.toml make the notebooks anew: python3 -m kit new-lesson FOLDER --remake.",
        )
        pages = [
            ("The students' first page", place.student, "1_predict.ipynb"),
            ("Your guide", place.teacher, "0_guide.ipynb"),
        ]
        self._link({words: part / name for words, part, name in pages if part is not None})

    def _link(self, pages: dict[str, Path]) -> None:
        """Links as Markdown: JupyterLab opens them as notebooks, wherever it shows the project."""
        lines = [f"- [{words}](<{Path(os.path.relpath(path)).as_posix()}>)" for words, path in pages.items()]
        markdown = {"text/markdown": "\n".join(lines), "text/plain": "\n".join(lines)}
        self.links.outputs = ({"output_type": "display_data", "data": markdown, "metadata": {}},)
