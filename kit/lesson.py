"""A lesson: one TOML file and a folder of data. What is asked, what is changed, where counting starts, what to beware.

What only the teacher should see (the idea behind each choice, which choice the data support) stands in a second file,
`teacher_key.toml`, so that a student's copy can go without it.
"""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from .errors import KitError
from .gatelog import read_folder
from .passes import Run

__all__ = ["LEVELS", "STAGES", "Choice", "Lesson", "Question", "load_key", "load_lesson"]

SCHEMA = "kit-lesson-1"
LESSON_FILE, KEY_FILE = "lesson.toml", "teacher_key.toml"
LARGEST = sys.float_info.max  # TOML knows inf, nan and whole numbers of any size
LEVELS = ("confirmation", "structured", "guided", "open")  # Banchi & Bell 2008
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

    @property
    def name(self) -> str:
        """The folder's name: how commands, notebooks and the workbook call the lesson."""
        return self.folder.name

    @property
    def x_label(self) -> str:
        """What is changed, in words with its unit, for axes and tables."""
        return f"{self.x_words} ({self.x_unit})" if self.x_unit else self.x_words

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


def load_lesson(folder: str | Path) -> Lesson:
    """Read and check `lesson.toml` in a folder (or the file itself).

    Raises
    ------
    KitError : naming the file, the key, what was found there and an example that would do.
    """
    path = Path(folder)
    path = path / LESSON_FILE if path.is_dir() else path
    keys = _Keys(_toml(path), path)
    schema = keys.text("schema", example=f'schema = "{SCHEMA}"')
    if schema != SCHEMA:
        raise keys.error("schema", f'schema = "{SCHEMA}"', schema)
    changed, thresholds, sketch = keys.table("changed"), keys.table("thresholds"), keys.table("sketch_up_to")
    values = tuple(changed.numbers("values", example="values = [1, 2, 4, 8]"))
    reference = changed.number("reference", default=values[0], example="reference = 2")
    if reference not in values:
        raise changed.error("reference", f"reference = {values[0]:g}   # one of the values", reference)
    start = thresholds.number("start_period_s", example="start_period_s = 0.25", above=0)
    stop = thresholds.number("stop_period_s", default=None, example="stop_period_s = 1.0", above=start)
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
        questions=tuple(_question(table) for table in keys.tables("questions")),
        safety=tuple(keys.table("safety").texts("notes", example='notes = ["Stop it before you touch it."]')),
        texts={stage: keys.table("texts").text(stage, default="", example=f'{stage} = "…"') for stage in STAGES},
        data_notice=keys.text("data_notice", default="", example='data_notice = "Invented data."'),
        apparatus=keys.text("apparatus", default="", example='apparatus = "coasting_disc"'),
    )
    ids = [q.id for q in lesson.questions]
    for repeated in {i for i in ids if ids.count(i) > 1}:
        raise keys.error("questions", f'id = "{repeated}-2"   # every question needs an id of its own', repeated)
    return lesson


def load_key(folder: str | Path, lesson: Lesson) -> dict[str, dict]:
    """The teacher's key: {question id: {"supported": choice id, "ideas": {choice id: text}}}.

    Raises
    ------
    KitError : no key file there, or one that names a question or choice the lesson does not have.
    """
    path = Path(folder) / KEY_FILE
    key = {}
    for table in _Keys(_toml(path), path).tables("questions"):
        question = lesson.ask(table.text("id", example='id = "two-magnets"'))
        supported = table.text("supported", example=f'supported = "{question.choices[0].id}"')
        ideas = {
            question.choice(choice).id: idea
            for choice, idea in table.mapping("ideas", example='same = "the idea"').items()
        }
        key[question.id] = {"supported": question.choice(supported).id, "ideas": ideas}
    return key


def _question(table: _Keys) -> Question:
    choices = tuple(
        Choice(c.text("id", example='id = "same"'), c.text("text", example='text = "the same"'))
        for c in table.tables("choices")
    )
    if len(choices) < 2:
        raise table.error("choices", "[[questions.choices]] at least twice, each with an id and a text", len(choices))
    ids = [c.id for c in choices]
    if len(set(ids)) < len(ids):
        raise table.error("choices", "every choice needs an id of its own", ids)
    return Question(
        table.text("id", example='id = "two-magnets"'),
        table.one_of("stage", STAGES, default="predict"),
        table.text("text", example='text = "With two magnets it coasts …"'),
        choices,
        table.flag("shuffle"),
    )


def _toml(path: Path) -> dict:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise KitError("The lesson has no such file", file=path, fix="name the folder that holds lesson.toml") from None
    except ValueError as error:  # TOML's own, text that is not UTF-8, a whole number of thousands of digits
        raise KitError(f"This is not a TOML file: {error}", file=path, fix="mend the line that is named") from None
    except RecursionError:
        raise KitError(
            "This file is nested too deeply", file=path, fix="remove the brackets that are too many"
        ) from None
    except OSError as error:
        raise KitError(f"The file cannot be read: {error.strerror}", file=path) from None


_REQUIRED = object()


@dataclass(frozen=True)
class _Keys:
    """Typed access to one TOML table; every message names the key and gives an example that would do."""

    values: dict
    path: Path
    place: str = ""

    def error(self, key: str, example: str, found: object = None) -> KitError:
        return KitError(
            f"The key {self.place}{key} is missing" if found is None else f"The key {self.place}{key} can't be used",
            file=self.path,
            found=found,
            fix=f"write, for example: {example}",
        )

    def _get(self, key, kinds, default, example, accept=lambda value: True):
        if key not in self.values:
            if default is _REQUIRED:
                raise self.error(key, example)
            return default
        value = self.values[key]
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not bool) or not accept(value):
            raise self.error(key, example, value)
        return value

    def text(self, key, default=_REQUIRED, example="") -> str:
        required = default is _REQUIRED
        return self._get(key, str, default, example, lambda v: v.strip() or not required)

    def flag(self, key) -> bool:
        return self._get(key, bool, False, f"{key} = true")

    def number(self, key, default=_REQUIRED, example="", above=float("-inf")):
        value = self._get(key, (int, float), default, example, lambda v: above < v <= LARGEST)
        return value if value is None else float(value)

    def one_of(self, key, options, default) -> str:
        return self._get(key, str, default, f'{key} = "{default}"   # or {", ".join(options)}', lambda v: v in options)

    def numbers(self, key, example) -> list[float]:
        def usable(found):
            numeric = all(type(v) in (int, float) and -LARGEST <= v <= LARGEST for v in found)
            return bool(found) and numeric and len(set(found)) == len(found)

        return [float(v) for v in self._get(key, list, _REQUIRED, example, usable)]

    def texts(self, key, example) -> list[str]:
        return self._get(key, list, [], example, lambda found: all(isinstance(v, str) for v in found))

    def mapping(self, key, example) -> dict[str, str]:
        found = self._get(key, dict, {}, example, lambda found: all(isinstance(v, str) for v in found.values()))
        return dict(found)

    def table(self, key) -> _Keys:
        return _Keys(self._get(key, dict, {}, f"[{self.place}{key}]"), self.path, f"{self.place}{key}.")

    def tables(self, key) -> list[_Keys]:
        found = self._get(key, list, [], f"[[{self.place}{key}]]", lambda v: all(isinstance(t, dict) for t in v))
        return [_Keys(t, self.path, f"{self.place}{key}[{i}].") for i, t in enumerate(found, 1)]
