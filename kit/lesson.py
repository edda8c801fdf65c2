"""A lesson: one TOML file and a folder of data. What is asked, what is changed, where counting starts, what to beware.

What only the teacher should see (the idea behind each choice, which choice the data support) stands in a second file,
`teacher_key.toml`, so that a student's copy can go without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isnan, nan
from pathlib import Path

import pandas as pd

from .bench_setup import BenchSetup, bench_setup
from .errors import KitError
from .gatelog import read_folder
from .lesson_claims import LessonClaim, claims_of
from .lesson_keys import Keys, Notes, UnknownKey, parse_toml, read_toml_text
from .levels import LEVEL_NAMES
from .passes import Run

__all__ = [
    "KEY_FILE",
    "LESSON_FILE",
    "LEVELS",
    "SCHEMA",
    "STAGES",
    "Choice",
    "Lesson",
    "Question",
    "Reading",
    "load_key",
    "load_lesson",
    "read_key",
    "read_lesson",
]

SCHEMA = "kit-lesson-1"
LESSON_FILE, KEY_FILE = "lesson.toml", "teacher_key.toml"
LEVELS = LEVEL_NAMES
STAGES = ("predict", "measure", "average", "trend", "explain", "investigate")


@dataclass(frozen=True)
class Choice:
    """One answer a student can choose."""

    id: str
    text: str


@dataclass(frozen=True)
class Question:
    """A question with choices, asked at one stage."""

    id: str
    stage: str
    text: str
    choices: tuple[Choice, ...]
    shuffle: bool = False

    def choice(self, choice_id: str) -> Choice:
        """The choice with this id; KitError if there is none."""
        for choice in self.choices:
            if choice.id == choice_id:
                return choice
        raise KitError("This question has no such choice", found=choice_id, fix=f"ids: {[c.id for c in self.choices]}")


@dataclass(frozen=True)
class Lesson:
    """Everything a lesson file says, checked."""

    folder: Path
    title: str
    question: str
    x: str  # name of what is changed, a column of the results
    x_words: str
    x_unit: str
    values: tuple[float, ...]
    reference: float  # the condition that every group runs
    expected_up_to: Mapping[str, float]  # top of the scale on which students sketch, for duration_s and turns
    start_period_s: float
    stop_period_s: float | None
    rule: str
    level: str
    questions: tuple[Question, ...]
    safety: tuple[str, ...]
    texts: Mapping[str, str]  # a stage's own introduction, Markdown
    data_notice: str = ""
    apparatus: str = ""  # the virtual bench's name for it, if it has one
    bench_table: Mapping[str, object] | None = None  # the lesson's own parameters of the virtual bench
    expected: str = ""  # the relation that a confirmation lesson tells before measuring
    claims: tuple[LessonClaim, ...] = ()  # put to the test in the last stage
    clicks_data: str = ""  # folder of a run that a clicking card recorded too, below the lesson's

    @property
    def name(self) -> str:
        """The folder's name: how commands, notebooks and the workbook call the lesson."""
        return self.folder.name

    @property
    def x_label(self) -> str:
        """What is changed, in words with its unit, for axes and tables."""
        return f"{self.x_words} ({self.x_unit})" if self.x_unit else self.x_words

    @property
    def bench(self) -> BenchSetup | None:
        """The virtual bench of this lesson: a known apparatus, a [bench] table, or both; None without either."""
        return bench_setup(
            self.apparatus,
            self.bench_table,
            x=self.x,
            x_words=self.x_words,
            x_unit=self.x_unit,
            values=self.values,
            file=self.folder / LESSON_FILE,
        )

    def runs(self) -> list[Run]:
        """The runs of the lesson's data folder."""
        return read_folder(self.folder)

    def hand_counts(self) -> pd.DataFrame | None:
        """Earlier counts by hand: the column of what is changed, `duration_s`, `turns`; None if there are none."""
        path = self.folder / "hand_counts.csv"
        if not path.exists():
            return None
        try:
            table = pd.read_csv(path, comment="#")
        except (OSError, ValueError) as error:  # ValueError holds pandas' own and UnicodeDecodeError
            fix = f"save it as UTF-8 text with commas and the columns {self.x}, duration_s, turns"
            raise KitError("The hand counts cannot be read", file=path, found=str(error), fix=fix) from error
        missing = {self.x, "duration_s", "turns"} - set(table.columns)
        if missing:
            raise KitError("The hand counts lack a column", file=path, column=sorted(missing)[0], row=1)
        for name in (self.x, "duration_s", "turns"):
            numbers = pd.to_numeric(table[name], errors="coerce")
            unusable = ~(numbers.abs() < float("inf")).to_numpy()
            if unusable.any():
                found = str(table[name].iloc[unusable.argmax()])
                raise KitError("A hand count is not a number", file=path, column=name, found=found, fix="mend the cell")
            table[name] = numbers
        return table

    def claim(self, claim_id: str) -> LessonClaim:
        """The claim with this id; KitError if there is none."""
        for claim in self.claims:
            if claim.id == claim_id:
                return claim
        raise KitError("The lesson has no such claim", found=claim_id, fix=f"ids: {[c.id for c in self.claims]}")

    def asked(self, stage: str) -> tuple[Question, ...]:
        """The questions of one stage, in the lesson's order."""
        return tuple(q for q in self.questions if q.stage == stage)

    def ask(self, question_id: str) -> Question:
        """The question with this id; KitError if there is none."""
        for question in self.questions:
            if question.id == question_id:
                return question
        raise KitError(
            "The lesson has no such question", found=question_id, fix=f"ids: {[q.id for q in self.questions]}"
        )


@dataclass(frozen=True)
class Reading:
    """A file as far as it can be read: all its problems, each with its key, and the keys that nothing asks for.

    `value` is a `Lesson` or a key; with problems, stand-ins (empty, nan) are in it.
    """

    value: Lesson | dict
    problems: tuple[tuple[str, KitError], ...]
    unknown: tuple[UnknownKey, ...]


def load_lesson(folder: str | Path) -> Lesson:
    """Read and check `lesson.toml` in a folder (or the file itself).

    Raises
    ------
    KitError : naming the file, the key, what was found there and an example that would do.
    """
    return _or_first_problem(read_lesson(folder))


def load_key(folder: str | Path, lesson: Lesson) -> dict[str, dict]:
    """The teacher's key: {question id: {"supported": choice id, "ideas": {choice id: text}}}.

    Raises
    ------
    KitError : no key file there, or one that names a question or choice the lesson does not have.
    """
    return _or_first_problem(read_key(folder, lesson))


def _or_first_problem(reading: Reading):
    for _, error in reading.problems:
        raise error
    return reading.value


def read_lesson(folder: str | Path, text: str | None = None) -> Reading:
    """Read `lesson.toml` and note all its problems at once.

    Parameters
    ----------
    folder : the lesson's folder, or the file itself.
    text : what stands in the file; by default it is read.

    Raises
    ------
    KitError : there is no such file, or it is no TOML.
    """
    path = Path(folder)
    path = path / LESSON_FILE if path.is_dir() else path
    notes = Notes()
    keys = Keys(parse_toml(read_toml_text(path) if text is None else text, path), path, notes)
    schema = keys.text("schema", example=f'schema = "{SCHEMA}"')
    if schema not in ("", SCHEMA):
        keys.problem("schema", f'schema = "{SCHEMA}"', schema)
    changed, thresholds, sketch = keys.table("changed"), keys.table("thresholds"), keys.table("sketch_up_to")
    values = tuple(changed.numbers("values", example="values = [1, 2, 4, 8]"))
    reference = changed.number("reference", default=values[0] if values else nan, example="reference = 2")
    if values and reference not in values and not isnan(reference):
        changed.problem("reference", f"reference = {values[0]:g}   # one of the values", reference)
    start = thresholds.number("start_period_s", example="start_period_s = 0.25", above=0)
    slowest = 0 if isnan(start) else start
    stop = thresholds.number("stop_period_s", default=None, example="stop_period_s = 1.0", above=slowest)
    questions = tuple(_question(table) for table in keys.tables("questions"))
    lesson = Lesson(
        folder=path.parent.resolve(),
        title=keys.text("title", example='title = "The coasting disc"'),
        question=keys.text("question", example='question = "How does … depend on …?"'),
        x=changed.text("name", example='name = "magnets"'),
        x_words=changed.text("words", example='words = "number of magnets"'),
        x_unit=changed.text("unit", default="", example='unit = "mm"'),
        values=values,
        reference=reference,
        expected_up_to={
            name: sketch.number(name, example=f"{name} = {example}", above=0)
            for name, example in (("duration_s", 50), ("turns", 100))
        },
        start_period_s=start,
        stop_period_s=stop,
        rule=thresholds.text("rule", default="interpolated", example='rule = "interpolated"'),
        level=keys.one_of("level", LEVELS, default="structured"),
        questions=questions,
        safety=tuple(keys.table("safety").texts("notes", example='notes = ["Stop it before you touch it."]')),
        texts={stage: keys.table("texts").text(stage, default="", example=f'{stage} = "…"') for stage in STAGES},
        data_notice=keys.text("data_notice", default="", example='data_notice = "Invented data."'),
        apparatus=keys.text("apparatus", default="", example='apparatus = "coasting_disc"'),
        bench_table=keys.mapping_or_none("bench"),
        expected=keys.text("expected", default="", example='expected = "Twice as many magnets, half the time."'),
        claims=claims_of(keys.tables("claims"), [q.id for q in questions]),
        clicks_data=keys.text("clicks_data", default="", example='clicks_data = "claims/card"'),
    )
    try:
        _ = lesson.bench
    except KitError as error:
        keys.note("bench", error)
    ids = [q.id for q in lesson.questions]
    for repeated in sorted({i for i in ids if ids.count(i) > 1}):
        keys.problem("questions", f'id = "{repeated}-2"   # every question needs an id of its own', repeated)
    return Reading(lesson, tuple(notes.problems), tuple(notes.unknown()))


def read_key(folder: str | Path, lesson: Lesson, text: str | None = None) -> Reading:
    """Read `teacher_key.toml` and note all its problems at once; the value is what `load_key` returns.

    Raises
    ------
    KitError : there is no such file, or it is no TOML.
    """
    path = Path(folder)
    path = path / KEY_FILE if path.is_dir() else path
    notes = Notes()
    key: dict[str, dict] = {}
    for table in Keys(parse_toml(read_toml_text(path) if text is None else text, path), path, notes).tables(
        "questions"
    ):
        named = table.text("id", example='id = "two-magnets"')
        supported = table.text("supported", example='supported = "half"   # the id of a choice')
        ideas = table.mapping("ideas", example='same = "the idea"')
        try:
            question = lesson.ask(named)
        except KitError as error:
            table.note("id", _in_file(error, path))
            continue
        for place, choice in [("supported", supported), *((f"ideas.{choice}", choice) for choice in ideas)]:
            try:
                question.choice(choice)
            except KitError as error:
                table.note(place, _in_file(error, path))
        key[question.id] = {"supported": supported, "ideas": ideas}
    return Reading(key, tuple(notes.problems), tuple(notes.unknown()))


def _in_file(error: KitError, path: Path) -> KitError:
    return KitError(error.problem, file=path, found=error.found, fix=error.fix)


def _question(table: Keys) -> Question:
    choices = tuple(
        Choice(c.text("id", example='id = "same"'), c.text("text", example='text = "the same"'))
        for c in table.tables("choices")
    )
    ids = [c.id for c in choices]
    if len(choices) < 2:
        table.problem("choices", "[[questions.choices]] at least twice, each with an id and a text", len(choices))
    elif len(set(ids)) < len(ids):
        table.problem("choices", "every choice needs an id of its own", ids)
    return Question(
        table.text("id", example='id = "two-magnets"'),
        table.one_of("stage", STAGES, default="predict"),
        table.text("text", example='text = "With two magnets it coasts …"'),
        choices,
        table.flag("shuffle"),
    )
