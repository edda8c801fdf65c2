"""For a teacher: a form that makes a lesson from one that is there, and the check whether a lesson is ready.

The fields stand in `LessonFields`; what is found in them, or in a folder, shows as a table with what would do.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..errors import KitError
from ..lessons.answers import answer_of, measured_averages
from ..lessons.check import check_lesson, summary
from ..lessons.check_data import Finding
from ..lessons.draft import TypedChoice, TypedQuestion, check_draft, lesson_from, numbers_typed
from ..lessons.keys import LEVEL_NAMES, level_of
from ..lessons.lesson import Lesson, Question, load_lesson
from ..lessons.make import new_lesson
from ..lessons.notebooks import DEMO_LESSONS
from ..lessons.teacher_key import load_key
from ..motion.speed import SpeedCurve, speed_curves
from ..wording import number_typed
from .lesson_begin import FILES, NoDataYet, OpenPage, OwnLogs, fill
from .parts import KitBox, Status, action, attempt, choice_of, heading, html_table, note, pair_of, text_area, text_line

__all__ = [
    "LessonCheck",
    "LessonFields",
    "LessonForm",
    "findings_html",
]

CHOOSE, UNSAID = "choose", -1  # which choice the data support, while nobody has said it
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
        self._first = [field.value for field in self.inputs]
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

    @property
    def entered(self) -> dict[str, object]:
        """What differs from the model, by the place of its field: enough to put it back."""
        return {
            str(i): field.value
            for i, (field, first) in enumerate(zip(self.inputs, self._first, strict=True))
            if field.value != first
        }

    def put_back(self, entered: Mapping[str, object]) -> None:
        """Fill in what was entered before."""
        fill({str(i): field for i, field in enumerate(self.inputs)}, entered)

    def offer(self, lesson: Lesson, curves: Sequence[SpeedCurve]) -> None:
        """Offer for each question the answer that the runs support, where it can be computed."""
        averages = measured_averages(lesson, curves)
        asked = iter(lesson.questions)
        for fields in self.questions:
            if fields.text.value.strip():
                question = next(asked)
                answer = answer_of(question, lesson, averages)
                texts = [choice.value.strip() for choice in fields.choices]
                fields.offer(None if answer is None else texts.index(question.choice(answer).text))

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
            options=[(CHOOSE, UNSAID), *((f"choice {i}", i - 1) for i in range(1, len(self.ids) + 1))],
            value=self.ids.index(entry["supported"])
            if entry["supported"] and entry["supported"] in self.ids
            else UNSAID,
            description="The data support",
        )
        self.supported.style.description_width = "initial"
        self._offered: int | None = None
        self.take_button = action("", self._take_offer)
        self.offer(None)

    def offer(self, place: int | None) -> None:
        """Offer the choice that the data support, by its place; None where that can't be computed, or is chosen."""
        self._offered = None if place == self.supported.value else place
        self.take_button.description = f"By your runs: choice {place + 1}. Take it" if place is not None else ""
        self.take_button.layout.display = "none" if self._offered is None else ""

    def _take_offer(self) -> None:
        self.supported.value = self._offered
        self.offer(None)

    @property
    def inputs(self) -> list[widgets.Widget]:
        """What can be typed into."""
        return [self.text, *self.choices, *self.ideas, self.supported]

    @property
    def all(self) -> list[widgets.Widget]:
        """Everything in the order of the page: each choice beside its idea."""
        pairs = [pair_of(choice, idea) for choice, idea in zip(self.choices, self.ideas, strict=True)]
        return [self.text, *pairs, self.supported, self.take_button]

    def typed(self) -> TypedQuestion:
        """What stands in the fields."""
        choices = tuple(
            TypedChoice(text.value, idea.value, name)
            for text, idea, name in zip(self.choices, self.ideas, self.ids, strict=True)
        )
        q, supported = self.question, None if self.supported.value == UNSAID else self.supported.value
        if q is None:
            return TypedQuestion(self.text.value, choices, supported)
        as_before = (q.id, q.stage, q.shuffle, q.before, q.after, q.run_shown)
        return TypedQuestion(self.text.value, choices, supported, *as_before)


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

LOGS, BENCH, LIKE = "logs", "bench", "like"
DRAFT = "draft.json"


class LessonForm(KitBox):
    """Make a lesson of one's own: from own logs, from a description while there are none, or from a demo lesson.

    Parameters
    ----------
    lessons : the folder that holds the demo lessons.
    folder : where the new lesson is offered to go, relative to the notebook. Beside it, in `.drafts`, everything
        entered is kept, and put back when the form is opened again; once the lesson is made the next one begins empty.

    `lesson` and `key` are what is typed now, `findings` what the check says about it, `made` the folder written.
    Nothing is checked before there is something to check. Without a widget: `kit.new_lesson(folder, lesson=..., ...)`.
    """

    def __init__(self, lessons: str | Path, folder: str = "my_lesson"):
        self._lessons, self.drafts = Path(lessons), Path(folder).expanduser().parent / ".drafts"
        self._models: dict[str, Lesson] = {}
        self.made: Path | None = None
        self.lesson: Lesson | None = None
        self.key: dict[str, dict] = {}
        self.findings: list[Finding] = []
        self._keeps = False
        self.begin = choice_of(
            "What do you have?", [("My own logs", LOGS), ("No data yet", BENCH), ("One of the kit's lessons", LIKE)]
        )
        self.logs = OwnLogs(self.drafts, lambda: self._proposed(LOGS))
        self.bench = NoDataYet(self.drafts, lambda: self._proposed(BENCH))
        names = [(load_lesson(self._lessons / name).title, name) for name in DEMO_LESSONS]
        self.like = choice_of("Begin from", names)
        self._filled: dict[str, tuple[LessonFields, Sequence[SpeedCurve]]] = {}  # going back loses nothing
        self._start, self._place, self._rest = widgets.VBox(), widgets.VBox(), widgets.VBox()
        self.message, self.table, self.links = Status(), widgets.HTML(), widgets.Output()
        self.folder = text_line("Folder of the new lesson", folder)
        self.make_button = action("Make the lesson", self._make)
        self.made_message, self._opens = Status(), OpenPage()
        self._whole = [
            heading("Is it ready?"),
            self.message,
            self.table,
            heading("Make it"),
            note("Give a new folder. Nothing is written over. Data are copied into it."),
            self.folder,
            self.make_button,
            self.made_message,
            self.links,
            self._opens,
        ]
        self.anew_button = action(
            "Put this draft aside", self._begin_anew, tooltip="The file is kept beside the lessons"
        )
        self.anew_message = Status()
        super().__init__([self.begin, self._start, self._place, self._rest, self.anew_button, self.anew_message])
        self.add_class("kit-lesson-form")
        self._restore()
        for field in (self.begin, self.like):
            field.observe(lambda _: self._show(), "value")
        for field in (*self.logs.named.values(), *self.bench.named.values(), self.folder, self.begin, self.like):
            field.observe(lambda _: self._keep(), "value")
        self._show()
        self._keeps = True

    @property
    def fields(self) -> LessonFields:
        """The fields shown now. Raises KitError while there are none."""
        if self._now not in self._filled:
            raise KitError("There is no proposal yet", fix="read your logs and press Propose a lesson")
        return self._filled[self._now][0]

    @property
    def _now(self) -> str:
        """Which fields are meant: of the logs, of the bench, or of a demo lesson."""
        return f"{LIKE} {self.like.value}" if self.begin.value == LIKE else self.begin.value

    def _show(self) -> None:
        """Show what belongs to the beginning chosen; what was typed elsewhere is still there."""
        begins = {LOGS: self.logs, BENCH: self.bench, LIKE: self.like}
        self._start.children = (begins[self.begin.value],)
        if self.begin.value == LIKE and self._now not in self._filled:
            model = load_lesson(self._lessons / self.like.value)
            self._fill(self._now, LessonFields(model, load_key(model.folder, model)), speed_curves(model.runs()))
        there = self._now in self._filled
        self._place.children = (self.fields,) if there else ()
        self._rest.children = self._whole if there else ()
        if there:
            self._check()

    def _proposed(self, begin: str) -> None:
        """Take a proposal into the fields; what the teacher changed in the one before is put back."""
        source = self.logs if begin == LOGS else self.bench
        assert source.proposal and source.gathered  # that is what was reported
        entered = self._filled[begin][0].entered if begin in self._filled else {}
        fields = LessonFields(*source.proposal)
        fields.put_back(entered)
        self._fill(begin, fields, source.gathered.curves)
        self._show()
        self._keep()

    def _fill(self, name: str, fields: LessonFields, curves: Sequence[SpeedCurve]) -> None:
        self._filled[name] = fields, curves
        for field in fields.inputs:
            field.observe(lambda _: self._check(), "value")
            field.observe(lambda _: self._keep(), "value")

    def _check(self) -> None:
        """Follow what is typed."""
        fields, curves = self._filled[self._now]
        try:
            self.lesson, self.key = fields.typed()
            self.findings = check_draft(self.lesson, self.key, curves)
            fields.offer(self.lesson, curves)
        except KitError as error:
            self.lesson, self.findings = None, [Finding.of(error, "form")]
        show_findings(self.findings, self.message, self.table)
        if self.made_message.problem:  # what was said of an earlier state holds no longer
            self.made_message.say("")

    # --- left and resumed -----------------------------------------------------------------------------------------

    def _keep(self) -> None:
        """Write down everything entered, at every change."""
        if not self._keeps:
            return
        begins = {LOGS: self.logs, BENCH: self.bench}
        kept = {
            "begin": self.begin.value,
            "like": self.like.value,
            "folder": self.folder.value,
            **{name: {k: field.value for k, field in begin.named.items()} for name, begin in begins.items()},
            "entered": {name: fields.entered for name, (fields, _) in self._filled.items()},
        }
        try:
            self.drafts.mkdir(parents=True, exist_ok=True)
            (self.drafts / DRAFT).write_text(json.dumps(kept, indent=1, ensure_ascii=False), encoding="utf-8")
        except OSError as error:
            self.anew_message.error(
                f"Your entries can't be kept here ({error.strerror}). Make the lesson before you leave."
            )

    def _restore(self) -> None:
        """Put back what was entered before this page was left."""
        try:
            kept = json.loads((self.drafts / DRAFT).read_text(encoding="utf-8"))
            self.logs.put_back(kept[LOGS])
            self.bench.put_back(kept[BENCH])
            fill({"begin": self.begin, "like": self.like, "folder": self.folder}, kept)
            entered = dict(kept["entered"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return  # no draft, or one that is no longer to be read: begin empty
        for name, source in ((LOGS, self.logs), (BENCH, self.bench)):
            if name in entered and attempt(source.message, source.propose):
                self._filled[name][0].put_back(entered[name])
        demo = f"{LIKE} {self.like.value}"
        if demo in entered:
            begin, self.begin.value = self.begin.value, LIKE
            self._show()
            self._filled[demo][0].put_back(entered[demo])
            self.begin.value = begin
        self.anew_message.say("Your draft is back as you left it.")

    def _begin_anew(self) -> None:
        self._set_draft_aside()
        self.anew_message.say("Put aside. Run this box again to begin with empty fields.")

    def _set_draft_aside(self) -> None:
        self._keeps = False
        draft = self.drafts / DRAFT
        if draft.is_file():
            number = next(n for n in range(1, 10_000) if not (self.drafts / f"draft-{n}.json").exists())
            draft.rename(self.drafts / f"draft-{number}.json")
            if (self.drafts / FILES).is_dir():
                (self.drafts / FILES).rename(self.drafts / f"{FILES}-{number}")

    # --- making it ------------------------------------------------------------------------------------------------

    def _make(self) -> None:
        self.links.outputs = ()
        if self.lesson is None or any(finding.serious for finding in self.findings):
            self.made_message.error("Not made yet: mend the problems listed above first.")
            return
        if not self.folder.value.strip():
            self.made_message.error("Not made yet: name a folder for the lesson.")
            return
        folder, model = Path(self.folder.value.strip()).expanduser(), self.fields.model
        data = None if self.begin.value == LIKE else model.folder
        try:
            place = new_lesson(folder, model.folder, lesson=self.lesson, key=self.key, data=data)
        except KitError as error:
            self.made_message.error(error)
            return
        self.made = folder.absolute()
        self._set_draft_aside()
        left = (
            f"Left out, because it is about another apparatus: {', '.join(place.left_out)}." if place.left_out else ""
        )
        self.made_message.say(
            f"Made. The lesson is in the folder {self.made.name}.",
            left,
            "Give students the folder student. Keep the folder teacher.",
            "After a change of lesson.toml make the notebooks anew: python3 -m kit new-lesson FOLDER --remake.",
        )
        pages = [
            ("The students' first page", place.student, "1_predict.ipynb"),
            ("Your guide", place.teacher, "0_guide.ipynb"),
        ]
        there = {words: part / name for words, part, name in pages if part is not None}
        self._link(there)
        self._opens.show(Path(os.path.relpath(there["The students' first page"])).as_posix())

    def _link(self, pages: dict[str, Path]) -> None:
        """Links as Markdown: JupyterLab opens them as notebooks, wherever it shows the project."""
        lines = [f"- [{words}](<{Path(os.path.relpath(path)).as_posix()}>)" for words, path in pages.items()]
        markdown = {"text/markdown": "\n".join(lines), "text/plain": "\n".join(lines)}
        self.links.outputs = ({"output_type": "display_data", "data": markdown, "metadata": {}},)
