"""The keys of a lesson file, typed: every message names the key and gives an example that would do; and the levels.

A key that can't be used is noted and a stand-in is returned, so that all problems of a file are found in one reading.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..errors import KitError
from ..logs.columns import CONTENTS
from ..logs.units import TIME_UNITS

__all__ = [
    "LEVEL_NAMES",
    "Keys",
    "Level",
    "Notes",
    "UnknownKey",
    "check_order",
    "how_logs_are_read",
    "level_of",
    "parse_toml",
    "read_toml_text",
]

_REQUIRED = object()

LARGEST = sys.float_info.max  # TOML knows inf, nan and whole numbers of any size


def read_toml_text(path: Path) -> str:
    """The text of a TOML file.

    Raises
    ------
    KitError : it is not there, can't be read, or is no UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise KitError("The lesson has no such file", file=path, fix="name the folder that holds lesson.toml") from None
    except UnicodeDecodeError as error:
        raise KitError(f"This is not a TOML file: {error}", file=path, fix="save it as UTF-8") from None
    except OSError as error:
        raise KitError(f"The file cannot be read: {error.strerror}", file=path) from None


def parse_toml(text: str, path: Path) -> dict:
    """The tables of a TOML text.

    Raises
    ------
    KitError : naming the line that is no TOML.
    """
    try:
        return tomllib.loads(text)
    except ValueError as error:  # TOML's own, or a whole number of thousands of digits
        comma = _comma_number(text)
        if comma:
            line, number = comma
            problem = "A number in a lesson file has a point, not a comma"
            raise KitError(
                problem, file=path, row=line, found=number, fix=f"write {number.replace(',', '.')}"
            ) from None
        raise KitError(f"This is not a TOML file: {error}", file=path, fix="mend the line that is named") from None
    except RecursionError:
        fix = "remove the brackets that are too many"
        raise KitError("This file is nested too deeply", file=path, fix=fix) from None


def _comma_number(text: str) -> tuple[int, str] | None:
    """The first line of a TOML text that gives a key a number with a comma, and that number; None where none does."""
    for row, line in enumerate(text.splitlines(), 1):
        found = re.match(r"\s*[\w.-]+\s*=\s*([-+]?\d+,\d+)\s*(#.*)?$", line)
        if found:
            return row, found[1]
    return None


@dataclass(frozen=True)
class UnknownKey:
    """A key that nothing asks for: its place and name, what stands there, and the keys that are known there."""

    key: str
    found: object
    known: tuple[str, ...]


@dataclass
class Notes:
    """What was found while reading one file: problems, each with its key, and which keys were asked for."""

    problems: list[tuple[str, KitError]] = field(default_factory=list)
    asked: dict[str, set[str]] = field(default_factory=dict)  # place of a table -> keys asked for
    tables: dict[str, dict] = field(default_factory=dict)  # place of a table -> what stands in it

    def unknown(self) -> Iterator[UnknownKey]:
        """The keys that stand in the file and were never asked for."""
        for place, values in self.tables.items():
            known = self.asked.get(place, set())
            for key in values.keys() - known:
                yield UnknownKey(place + key, values[key], tuple(sorted(known)))


@dataclass(frozen=True)
class Keys:
    """One table of the file. `place` is how messages call it, with a dot at its end; "" for the file's top."""

    values: Mapping
    path: Path
    notes: Notes
    place: str = ""
    silent: bool = False  # what stands in for a table that can't be used has nothing to say

    def __post_init__(self):
        if not self.silent:
            self.notes.tables[self.place] = dict(self.values)

    def problem(self, key: str, example: str, found: object = None) -> None:
        """Note that a key is missing or can't be used."""
        state = "is missing" if found is None else "can't be used"
        self.note(
            key, KitError(f"The key {self.place}{key} {state}", file=self.path, found=found, fix=_for_example(example))
        )

    def note(self, key: str, error: KitError) -> None:
        """Note what is wrong with a key."""
        if not self.silent:
            self.notes.problems.append((self.place + key, error))

    def _get(self, key, kinds, default, example, accept=lambda value: True, stand_in=None):
        self.notes.asked.setdefault(self.place, set()).add(key)
        if key not in self.values:
            if default is not _REQUIRED:
                return default
            self.problem(key, example)
            return stand_in
        value = self.values[key]
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not bool) or not accept(value):
            self.problem(key, example, value)
            return stand_in if default is _REQUIRED else default
        return value

    def text(self, key: str, default=_REQUIRED, example: str = "") -> str:
        """A text; one that is required may not be blank."""
        required = default is _REQUIRED
        return self._get(key, str, default, example, lambda v: bool(v.strip()) or not required, "")

    def flag(self, key: str, default: bool = False) -> bool:
        """true or false."""
        return self._get(key, bool, default, f"{key} = {str(not default).lower()}")

    def _as_number(self, key: str, example: str) -> str:
        """The example, or what stands in quotes as a number: "0,5" is shown as 0.5."""
        found = self.values.get(key)
        typed = re.fullmatch(r"\s*([-+]?\d+)(?:[.,](\d+))?\s*", found) if isinstance(found, str) else None
        return f"{key} = {typed[1]}{'.' + typed[2] if typed[2] else ''}" if typed else example

    def number(self, key: str, default=_REQUIRED, example: str = "", above: float = float("-inf")) -> float:
        """A finite number above a limit; nan stands in for one that can't be used."""
        return float(
            self._get(
                key, (int, float), default, self._as_number(key, example), lambda v: above < v <= LARGEST, float("nan")
            )
        )

    def number_or_none(self, key: str, example: str = "", above: float = float("-inf")) -> float | None:
        """A finite number above a limit; None where there is none, or none that can be used."""
        value = self._get(key, (int, float), None, self._as_number(key, example), lambda v: above < v <= LARGEST)
        return None if value is None else float(value)

    def some_numbers(self, keys: Sequence[str], example: float) -> dict[str, float]:
        """Numbers above 0 for some of these keys."""
        given = {key: self.number_or_none(key, example=f"{key} = {example:g}", above=0) for key in keys}
        return {key: value for key, value in given.items() if value is not None}

    def one_of(self, key: str, options, default: str) -> str:
        """One of several words."""
        return self._get(key, str, default, f'{key} = "{default}"   # or {", ".join(options)}', lambda v: v in options)

    def numbers(self, key: str, example: str) -> list[float]:
        """At least one number, none of them twice."""

        def usable(found):
            numeric = all(type(v) in (int, float) and -LARGEST <= v <= LARGEST for v in found)
            return bool(found) and numeric and len(set(found)) == len(found)

        return [float(v) for v in self._get(key, list, _REQUIRED, example, usable, [])]

    def texts(self, key: str, example: str) -> list[str]:
        """A list of texts, empty where there is none."""
        return self._get(key, list, [], example, lambda found: all(isinstance(v, str) for v in found))

    def mapping(self, key: str, example: str) -> dict[str, str]:
        """A table whose keys are free and whose values are texts."""
        found = self._get(key, dict, {}, example, lambda found: all(isinstance(v, str) for v in found.values()))
        return dict(found)

    def mapping_or_none(self, key: str) -> dict | None:
        """A table as it stands, for whoever knows its keys; None where there is none."""
        return self._get(key, dict, None, f"[{self.place}{key}]")

    def pair(self, key: str, example: str, kinds=(int, float)) -> tuple | None:
        """Two different values; None stands in for what can't be used."""

        def usable(found):
            right = all(isinstance(v, kinds) and not isinstance(v, bool) for v in found)
            right = right and all(isinstance(v, str) or -LARGEST <= v <= LARGEST for v in found)
            return right and len(found) == 2 and found[0] != found[1]

        found = self._get(key, list, _REQUIRED, example, usable)
        return found and tuple(v if isinstance(v, str) else float(v) for v in found)

    def table(self, key: str) -> Keys:
        """A table within this one, empty where there is none."""
        found = self._get(key, dict, {}, f"[{self.place}{key}]", stand_in={})
        usable = isinstance(self.values.get(key, {}), dict)
        return Keys(found, self.path, self.notes, f"{self.place}{key}.", self.silent or not usable)

    def tables(self, key: str) -> list[Keys]:
        """Tables of one name within this one."""
        found = self._get(key, list, [], f"[[{self.place}{key}]]", lambda v: all(isinstance(t, dict) for t in v))
        return [Keys(t, self.path, self.notes, f"{self.place}{key}[{i}].", self.silent) for i, t in enumerate(found, 1)]


def _for_example(example: str) -> str:
    return f"write, for example: {example}"


# --- how a lesson's gate logs are read -------------------------------------------------------------------------------


def how_logs_are_read(table: Keys) -> dict[str, object]:
    """The parameters of `kit.read_log` that a lesson's table [logs] gives: unit, flags_per_turn, channel and so on."""
    how: dict[str, object] = {}
    for key, allowed in (("unit", tuple(TIME_UNITS)), ("content", CONTENTS)):
        how[key] = table.one_of(key, ("", *allowed), default="") or None
    flags = table.number_or_none("flags_per_turn", example="flags_per_turn = 8", above=0)
    if flags is not None and flags != int(flags):
        table.problem("flags_per_turn", "flags_per_turn = 8", flags)
        flags = None
    how["flags_per_turn"] = None if flags is None else int(flags)
    how["counts_per_turn"] = table.number_or_none("counts_per_turn", example="counts_per_turn = 600", above=0)
    for key in ("channel", "time_column", "value_column"):
        how[key] = table.text(key, default="", example=f'{key} = "A"') or None
    return {name: value for name, value in how.items() if value is not None}


def check_order(tables: Sequence[Keys], asked: Sequence[tuple[str, str, str, str]], stages: Sequence[str]) -> None:
    """Note what can't wait for each other: data for a question that is asked after them, questions in a ring.

    Parameters
    ----------
    asked : of each question its id, its stage, the stage it comes `before`, the question it comes `after`.
    """
    follows = {question: after for question, _, _, after in asked}
    for table, (question, stage, before, after) in zip(tables, asked, strict=True):
        later = [other for other in stages[1:] if stages.index(other) >= stages.index(stage)]
        if before and before not in later:
            table.problem("before", f'before = "{later[0]}"   # or {", ".join(later[1:])}', before)
        on_the_way = [question]
        while (here := follows.get(on_the_way[-1], "")) and here not in on_the_way:
            on_the_way.append(here)
        if after and (after not in follows or here):
            others = [other for other in follows if other != question]
            table.problem("after", f'after = "{(*others, "…")[0]}"   # another question, not in a ring', after)


# --- how much of an inquiry a lesson gives: four levels (Banchi & Bell 2008, “The many levels of inquiry”) -----------


@dataclass(frozen=True)
class Level:
    """What a lesson of one level gives, and what it leaves to the students."""

    name: str
    gives_question: bool
    gives_procedure: bool
    numbers_steps: bool  # the procedure is a list of steps to follow
    tells_relation: bool
    offers_curves: bool
    words: str  # for a teacher who chooses


_LEVELS = (
    Level("confirmation", True, True, True, True, False, "the relation is told, the steps are given: does it hold?"),
    Level("structured", True, True, False, False, True, "question and procedure are given, the result is not"),
    Level("guided", True, False, False, False, True, "the question is given, students plan how to find out"),
    Level("open", False, False, False, False, True, "students ask a question of their own and plan"),
)

LEVEL_NAMES = tuple(level.name for level in _LEVELS)


def level_of(name: str) -> Level:
    """The level of this name.

    Raises
    ------
    KitError : there is none.
    """
    for level in _LEVELS:
        if level.name == name:
            return level
    raise KitError("There is no such level of inquiry", found=name, fix=f"use one of: {', '.join(LEVEL_NAMES)}")
