"""A lesson: one TOML file and a folder of data. What is asked, what is changed, where counting starts, what to beware.

What only the teacher should see (the idea behind each choice, which choice the data support) stands in a second file,
see `kit.lessons.teacher_key`, so that a student's copy can go without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from math import isnan, nan
from pathlib import Path
from typing import Any, Generic, TypeVar

import pandas as pd

from ..errors import KitError
from ..logs.folder import read_folder
from ..logs.run import Run
from ..sources.setup import BenchSetup, bench_setup
from .keys import LEVEL_NAMES, Keys, Notes, UnknownKey, check_order, how_logs_are_read, parse_toml, read_toml_text
from .paths import ONE, PATH_NAMES

__all__ = [
    "HAND_COUNTS",
    "LESSON_FILE",
    "LEVELS",
    "OWN",
    "SCHEMA",
    "STAGES",
    "Choice",
    "Lesson",
    "LessonClaim",
    "Question",
    "Reading",
    "claims_of",
    "load_lesson",
    "or_first_problem",
    "read_lesson",
]


SCHEMA = "kit-lesson-1"

LESSON_FILE = "lesson.toml"

HAND_COUNTS = "hand_counts.csv"

LEVELS = LEVEL_NAMES

STAGES = ("predict", "measure", "average", "trend", "explain", "investigate")

OWN = "own"  # the id of the group's own claim, which no lesson may take

KINDS = ("difference", "relation")

SOUND_LEVEL = "sound_level_dB"  # the column made from recordings

Value = TypeVar("Value")


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
    before: str = ""  # the stage whose data wait until this is sealed; "": the next data of its own stage
    after: str = ""  # id of the question that is sealed before this one shows; may be empty
    run_shown: float | None = None  # the condition of the one run that answers it in ten minutes; None: the reference

    def choice(self, choice_id: str) -> Choice:
        """The choice with this id.

        Raises
        ------
        KitError : there is none.
        """
        for choice in self.choices:
            if choice.id == choice_id:
                return choice
        raise KitError("This question has no such choice", found=choice_id, fix=f"ids: {[c.id for c in self.choices]}")


@dataclass(frozen=True)
class LessonClaim:
    """One claim of a lesson, with the folder of the runs that answer it."""

    id: str
    question: str
    statement: str
    data: str  # folder of gate logs, below the lesson's
    kind: str  # "difference" between two settings, or "relation"
    quantity: str  # column that was measured
    by: str  # column that was changed, or that the quantity is related to
    settings: tuple[float | str, float | str] | None
    within: tuple[str, ...]  # columns that must agree before two runs are compared
    same_speed: tuple[float, float] | None  # turns a second between which recordings are compared
    closer_at: float | None  # a condition at which these data alone cannot settle it
    listen_at: tuple[float, float] | None  # two values of what the lesson changes at which recordings are compared
    ask_first: str  # id of the question that is answered before the data show; may be empty
    step_to: str  # id of the claim that this one is a step to; may be empty

    @property
    def hears(self) -> bool:
        """Whether it needs the runs' recordings."""
        return SOUND_LEVEL in (self.quantity, self.by)


@dataclass(frozen=True, repr=False)
class Lesson:
    """Everything a lesson file says, checked. Made by `load_lesson`.

    Examples
    --------
    >>> import kit
    >>> lesson = kit.load_lesson("datasets_demo/coasting_disc")
    >>> lesson
    Lesson(The coasting disc: number of magnets 1, 2, 3, 4, 6, 8, 12; from 0.25 to 1 s a turn)
    >>> len(lesson.runs())
    21
    >>> [question.id for question in lesson.asked("predict")]
    ['two-magnets', 'turns']
    """

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
    class_desk: str = ""  # where groups send, unless the school or the group says otherwise
    apparatus: str = ""  # the virtual bench's name for it, if it has one
    bench_table: Mapping[str, object] | None = None  # the lesson's own parameters of the virtual bench
    expected: str = ""  # the relation that a confirmation lesson tells before measuring
    claims: tuple[LessonClaim, ...] = ()  # put to the test in the last stage
    clicks_data: str = ""  # folder of a run that a clicking card recorded too, below the lesson's
    logs: Mapping[str, Any] = field(default_factory=dict)  # how the gate logs are read, where they do not say it
    minutes: Mapping[str, float] = field(default_factory=dict)  # for a stage, where they are not the guide's own
    path: str = ONE  # how much time there is, see `kit.lessons.paths`
    wait_for_predictions: bool = True  # False: data show whether or not what comes before is sealed

    def __repr__(self) -> str:
        return f"Lesson({self.title}: {self.x_label} {self._values}; {self._counted})"

    def _repr_html_(self) -> str:
        """What a teacher or student asks first: the question, what is changed, where counting starts and stops."""
        rows = {
            "what is changed": f"{self.x_label}: {self._values} (all groups run {self.reference:g})",
            "counted": f"{self._counted}, {self.rule}",
            "level of inquiry": self.level,
            "path": self.path,
            "questions": ", ".join(question.id for question in self.questions) or "none",
            "claims": ", ".join(claim.id for claim in self.claims) or "none",
            "data": self.data_notice or self.folder.name,
        }
        body = "".join(f"<tr><th>{escape(head)}</th><td>{escape(text)}</td></tr>" for head, text in rows.items())
        return f"<p><b>{escape(self.title)}</b>. {escape(self.question)}</p><table><tbody>{body}</tbody></table>"

    @property
    def _values(self) -> str:
        return ", ".join(f"{value:g}" for value in self.values)

    @property
    def _counted(self) -> str:
        stop = "the last pass" if self.stop_period_s is None else f"{self.stop_period_s:g} s a turn"
        start = f"{self.start_period_s:g}" + (" s a turn" if self.stop_period_s is None else "")
        return f"from {start} to {stop}"

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
        """The runs of the lesson's data folder.

        Raises
        ------
        KitError : naming the file, the row and what to do, for data that cannot be read.
        """
        return read_folder(self.folder, **self.logs)

    @property
    def has_hand_counts(self) -> bool:
        """Whether there is a file of earlier counts by hand."""
        return (self.folder / HAND_COUNTS).exists()

    def hand_counts(self) -> pd.DataFrame | None:
        """Earlier counts by hand: the column of what is changed, `duration_s`, `turns`; None if there are none.

        Raises
        ------
        KitError : the file cannot be read, lacks a column, or holds a cell that is no number.
        """
        path = self.folder / HAND_COUNTS
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
        """The claim with this id.

        Raises
        ------
        KitError : there is none.
        """
        for claim in self.claims:
            if claim.id == claim_id:
                return claim
        raise KitError("The lesson has no such claim", found=claim_id, fix=f"ids: {[c.id for c in self.claims]}")

    def asked(self, stage: str) -> tuple[Question, ...]:
        """The questions of one stage, in the lesson's order."""
        return tuple(q for q in self.questions if q.stage == stage)

    def ask(self, question_id: str) -> Question:
        """The question with this id.

        Raises
        ------
        KitError : there is none.
        """
        for question in self.questions:
            if question.id == question_id:
                return question
        raise KitError(
            "The lesson has no such question", found=question_id, fix=f"ids: {[q.id for q in self.questions]}"
        )


# --- read ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading(Generic[Value]):
    """A file as far as it can be read: all its problems, each with its key, and the keys that nothing asks for.

    `value` is a `Lesson` or a key; with problems, stand-ins (empty, nan) are in it.
    """

    value: Value
    problems: tuple[tuple[str, KitError], ...]
    unknown: tuple[UnknownKey, ...]


def load_lesson(folder: str | Path) -> Lesson:
    """Read and check `lesson.toml` in a folder (or the file itself).

    Raises
    ------
    KitError : naming the file, the key, what was found there and an example that would do.

    Examples
    --------
    >>> import kit
    >>> kit.load_lesson("datasets_demo/felt_brake").x_label
    'number of pads'
    """
    return or_first_problem(read_lesson(folder))


def or_first_problem(reading: Reading[Value]) -> Value:
    for _, error in reading.problems:
        raise error
    return reading.value


def read_lesson(folder: str | Path, text: str | None = None) -> Reading[Lesson]:
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
    stop = thresholds.number_or_none("stop_period_s", example="stop_period_s = 1.0", above=slowest)
    tables = keys.tables("questions")
    questions = tuple(_question(table) for table in tables)
    check_order(tables, [(q.id, q.stage, q.before, q.after) for q in questions], STAGES)
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
        rule=thresholds.text("rule", default="best", example='rule = "interpolated"'),
        level=keys.one_of("level", LEVELS, default="structured"),
        questions=questions,
        safety=tuple(
            keys.table("safety").texts("notes", example='notes = ["Let it come to rest before you touch it."]')
        ),
        texts={stage: keys.table("texts").text(stage, default="", example=f'{stage} = "…"') for stage in STAGES},
        data_notice=keys.text("data_notice", default="", example='data_notice = "Invented data."'),
        class_desk=keys.text("class_desk", default="", example='class_desk = "http://desk.school:8765/k7mq-x3rt"'),
        apparatus=keys.text("apparatus", default="", example='apparatus = "coasting_disc"'),
        bench_table=keys.mapping_or_none("bench"),
        expected=keys.text("expected", default="", example='expected = "Twice as many magnets, half the time."'),
        claims=claims_of(keys.tables("claims"), [q.id for q in questions]),
        path=keys.one_of("path", PATH_NAMES, default=ONE),
        wait_for_predictions=keys.flag("wait_for_predictions", default=True),
        clicks_data=keys.text("clicks_data", default="", example='clicks_data = "claims/card"'),
        logs=how_logs_are_read(keys.table("logs")),
        minutes=keys.table("minutes").some_numbers(STAGES, example=20),
    )
    try:
        _ = lesson.bench
    except KitError as error:
        keys.note("bench", error)
    ids = [q.id for q in lesson.questions]
    for table, asked in zip(tables, questions, strict=True):
        if asked.run_shown is not None and values and asked.run_shown not in values:
            table.problem("run_shown", f"run_shown = {values[0]:g}   # one of the values", asked.run_shown)
    for repeated in sorted({i for i in ids if ids.count(i) > 1}):
        keys.problem("questions", f'id = "{repeated}-2"   # every question needs an id of its own', repeated)
    return Reading(lesson, tuple(notes.problems), tuple(notes.unknown()))


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
        table.text("before", default="", example='before = "measure"'),
        table.text("after", default="", example='after = "two-magnets"'),
        table.number_or_none("run_shown", example="run_shown = 2"),
    )


def claims_of(tables: Sequence[Keys], question_ids: Sequence[str]) -> tuple[LessonClaim, ...]:
    """Read the tables of `[[claims]]`; what can't be used is noted in them.

    Parameters
    ----------
    tables : checked access to each table.
    question_ids : ids of the lesson's questions.
    """
    claims = [_claim(table, question_ids) for table in tables]
    ids = [claim.id for claim in claims]
    for table, claim in zip(tables, claims, strict=True):
        if claim.id == OWN or ids.count(claim.id) > 1:
            table.problem("id", f'id = "{claim.id}-2"   # an id of its own, and not "{OWN}"', claim.id)
        if claim.step_to and (claim.step_to not in ids or claim.step_to == claim.id):
            table.problem("step_to", f'step_to = "{ids[-1]}"   # the id of another claim', claim.step_to)
    return tuple(claims)


def _claim(table: Keys, question_ids: Sequence[str]) -> LessonClaim:
    kind = table.one_of("kind", KINDS, default="difference")
    quantity = table.text("quantity", default="duration_s", example='quantity = "duration_s"')
    by = table.text("by", example='by = "tilt_deg"')
    data = table.text("data", example='data = "claims/level"')
    if data.startswith("/") or ".." in data.split("/") or ":" in data or "\\" in data:
        table.problem("data", 'data = "claims/level"   # a folder below the lesson\'s', data)
    within = tuple(table.texts("within", example='within = ["magnets"]'))
    if by in within or quantity in (by, *within):
        table.problem("within", f'within = ["magnets"]   # other columns than {quantity} and {by}', list(within))
    settings = table.pair("settings", "settings = [0, 3]", (int, float, str)) if kind == "difference" else None
    ask_first = table.text("ask_first", default="", example=f'ask_first = "{(*question_ids, "level")[0]}"')
    if ask_first and ask_first not in question_ids:
        table.problem("ask_first", f"ask_first = the id of a question, one of {list(question_ids)}", ask_first)
    same_speed = None
    if SOUND_LEVEL in (quantity, by) or "same_speed" in table.values:  # noqa: PD011
        same_speed = table.pair("same_speed", "same_speed = [3.0, 4.0]")
        if same_speed and not 0 < same_speed[0] < same_speed[1]:
            table.problem("same_speed", "same_speed = [3.0, 4.0]   # slower, faster", list(same_speed))
    closer_at = table.number_or_none("closer_at", example="closer_at = 8")
    if closer_at is not None and len(within) != 1:
        table.problem("closer_at", 'within = ["magnets"] with closer_at = 8   # a value of that column', closer_at)
    return LessonClaim(
        id=table.text("id", example='id = "level"'),
        question=table.text("question", example='question = "Does it matter whether the spindle stands upright?"'),
        statement=table.text("statement", example='statement = "A tilted spindle shortens the coasting time."'),
        data=data,
        kind=kind,
        quantity=quantity,
        by=by,
        settings=settings,
        within=within,
        same_speed=same_speed,
        closer_at=closer_at,
        listen_at=table.pair("listen_at", "listen_at = [1, 8]") if same_speed else None,
        ask_first=ask_first,
        step_to=table.text("step_to", default="", example='step_to = "loud"'),
    )
