"""From a table of numbers to runs: pass times, beam states or turn periods; one run, or several below or beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import AmbiguousLog, KitError
from .columns import CONTENTS, LAYOUTS, Plan, plan_columns, with_states
from .dialect import read_bytes
from .parts import (
    Part,
    blocked_moments,
    increasing,
    newest_last,
    parts_of,
    sampled_moments,
    unwrapped,
    whole_column,
)
from .run import Run
from .speeds import passes_from_counts, passes_from_speeds
from .table import Table, read_table
from .units import TIME_UNITS, speed_unit, time_unit, unit_of_gaps, unit_of_steps

__all__ = ["Look", "Reading", "look", "read"]

FEWEST_PASSES = 3  # two make one gap, and no run that slows down


@dataclass(frozen=True)
class Reading:
    """What was made of a file: its runs and how it was understood."""

    runs: tuple[Run, ...]
    table: Table
    layout: str  # "single", "long" or "wide"
    content: str  # "times", "states", "periods", "speeds", "counts" or "samples"
    unit: str  # "s", "ms", "us", "ns", "min" or "h"
    unit_given: bool
    ignored: tuple[str, ...]  # names of columns that were left unread
    read_as: str  # 'pass times in ms, one channel, 8 flags a turn'
    rows_s: np.ndarray | None = None  # times of the rows of a table of speeds or counts, s


@dataclass(frozen=True)
class Look:
    """A file as far as it can be read without knowing the unit of its times, which is decided for a whole folder."""

    path: Path
    shown: str
    table: Table
    plan: Plan
    parts: tuple[Part, ...]
    unit: str | None  # None: neither the file nor the caller says it
    how: Mapping[str, Any]  # flags_per_turn, conditions, trial, repairs, counts_per_turn
    said: tuple[str, ...]  # what was done, in words

    def gaps(self) -> list[np.ndarray]:
        """The gaps between passes of each run, in the file's unit; none of a table of speeds."""
        if self.plan.content == "speeds":
            return []
        periods = self.plan.content == "periods"
        return [part.clock if periods else np.diff(part.clock) for part in self.parts if len(part.clock) > 1]

    def decided(self) -> str:
        """The unit of this file alone. Raises AmbiguousLog if it can't be decided."""
        if self.unit is not None:
            return self.unit
        if self.plan.content == "speeds":
            return unit_of_steps([np.diff(part.clock) for part in self.parts], str(self.path))
        return unit_of_gaps(self.gaps(), str(self.path))

    def finish(self, unit: str | None = None) -> Reading:
        """The runs, with the file's own unit or, where it has none, this one."""
        unit_given, unit = self.unit is not None, self.unit or unit or self.decided()
        table, plan, how = self.table, self.plan, self.how
        runs: list[Run] = []
        rows_s: np.ndarray | None = None
        flags = how["flags_per_turn"]
        read_as = ""
        for part in self.parts:
            per_second = TIME_UNITS[unit]
            passes, timing_u_s, own_flags = None, part.timing_u / per_second, part.flags or flags or 1
            if plan.content in ("speeds", "counts"):
                rows_s = part.clock / per_second if plan.step_s is None else part.clock
                passes, timing_u_s, own_flags = _whole_turns(self, part, rows_s)
            times = _pass_times(table, plan, part, unit) if passes is None else passes
            read_as = self._in_words(unit, unit_given, own_flags, part.flags is None and flags is None)
            run = Run(
                times,
                conditions={**(how["conditions"] or {}), **part.conditions},
                flags_per_turn=own_flags,
                trial=part.trial or how["trial"] or 1,
                source=f"{self.shown}, {part.label}" if part.label else self.shown,
                timing_u_s=timing_u_s,
                read_as=read_as,
                note=self._note(rows_s) if rows_s is not None else "",
            )
            runs.append(run.repaired() if how["repairs"] and passes is None else run)
        ignored = tuple(str(table.dialect.column(j)) for j in plan.ignored)
        return Reading(tuple(runs), table, plan.layout, plan.content, unit, unit_given, ignored, read_as, rows_s)

    def _note(self, rows_s: np.ndarray) -> str:
        what = {"speeds": "speeds", "counts": "counts"}[self.plan.content]
        return f"from a table of {what}, one every {np.median(np.diff(rows_s)):.3g} s"

    def _in_words(self, unit: str, unit_given: bool, flags: int, flags_open: bool) -> str:
        """'pass times in ms, one channel, 8 flags a turn'."""
        dialect, plan = self.table.dialect, self.plan
        what = {
            "times": "pass times", "states": "beam states", "periods": "turn periods, added up",
            "speeds": "speeds", "counts": "counts", "samples": "samples of the beam",
        }[plan.content]  # fmt: skip
        if plan.content == "speeds" and plan.value is not None:
            what += f" in {dialect.units[plan.value] or dialect.names[plan.value]}"
        if plan.content == "counts":
            what += f", {self.how['counts_per_turn'] or dialect.written.counts_per_turn:g} a turn"
        shown = "µs" if unit == "us" else unit
        times = f" in {shown}" if plan.content in ("times", "states", "periods") else f", times in {shown}"
        if plan.step_s is not None:
            times = f", one row every {plan.step_s:g} s"
        elif dialect.written.clock:
            times = " as clock times" if plan.content == "times" else ", clock times"
        elif not unit_given:
            times += " (the unit by their size)"
        words = [what + times, plan.channel]
        if plan.content not in ("speeds", "counts"):
            words.append(f"{flags} flag{'s' if flags > 1 else ''} a turn" + (" (not said)" if flags_open else ""))
        return ", ".join([*words, *self.said])


def read(path: str | Path, **how) -> Reading:
    """Read a gate log and say how it was understood. The parameters are those of `kit.read_log`, and `source`."""
    return look(path, **how).finish()


def look(
    path: str | Path,
    *,
    source: str | None = None,
    encoding: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
    unit: str | None = None,
    layout: str | None = None,
    content: str | None = None,
    time_column: str | int | None = None,
    state_column: str | int | None = None,
    trial_column: str | int | None = None,
    value_column: str | int | None = None,
    condition_columns: tuple[str | int, ...] | None = None,
    channel: str | float | None = None,
    part: int | None = None,
    blocked: int | str | None = None,
    flags_per_turn: int | None = None,
    counts_per_turn: float | None = None,
    conditions: Mapping[str, float | str] | None = None,
    trial: int | None = None,
    repairs: bool = True,
) -> Look:
    """A gate log up to the question of its unit. The parameters are those of `kit.read_log`, and `source`."""
    for name, value, allowed in (
        ("layout", layout, LAYOUTS),
        ("content", content, CONTENTS),
        ("unit", unit, TIME_UNITS),
    ):
        if value is not None and value not in allowed:
            raise KitError(f"{name} must be one of: {', '.join(allowed)}", found=value)
    if blocked not in (None, 0, 1):
        raise KitError("blocked must be 0 or 1: the state that means that the beam is interrupted", found=blocked)
    if counts_per_turn is not None and not counts_per_turn > 0:
        raise KitError("counts_per_turn must be more than 0", found=counts_per_turn)
    file = str(path)
    table = read_table(read_bytes(path), file, encoding=encoding, delimiter=delimiter, decimal=decimal, part=part)
    table, states = with_states(table)
    columns = {"time": time_column, "state": state_column, "trial": trial_column}
    plan = plan_columns(
        table, layout, content, columns, condition_columns, states=states, channel=channel, value_column=value_column
    )
    said: list[str] = list(table.dialect.written.said)
    if plan.content == "counts" and not (counts_per_turn or table.dialect.written.counts_per_turn):
        raise AmbiguousLog(
            "How many counts make one turn?",
            file=file,
            column=table.dialect.column(plan.value or 0),
            options={"so many": {"counts_per_turn": None}},
        )
    parts = [newest_last(table, part, plan, said) for part in parts_of(table, plan)]
    unit = unit or _written_unit(table, plan)
    parts = [unwrapped(part, unit, said) for part in parts] if plan.content != "periods" else parts
    if plan.content == "states" and plan.state is not None:
        meaning = states.get(plan.state)
        parts = [blocked_moments(table, plan.state, part, blocked, meaning, said) for part in parts]
    if plan.content == "samples" and plan.value is not None:
        parts = [sampled_moments(table, plan, part, blocked, said) for part in parts]
    parts = [whole_column(table, part) for part in parts]
    how = {
        "flags_per_turn": flags_per_turn, "conditions": conditions, "trial": trial, "repairs": repairs,
        "counts_per_turn": counts_per_turn,
    }  # fmt: skip
    said = list(dict.fromkeys(said))
    return Look(Path(path), source or Path(path).name, table, plan, tuple(parts), unit, how, tuple(said))


def _whole_turns(look: Look, part: Part, rows_s: np.ndarray) -> tuple[np.ndarray, float, int]:
    """(passes in s at whole turns, their uncertainty, 1) from a table of speeds or counts."""
    table, plan = look.table, look.plan
    column = table.dialect.column(plan.value or 0)
    value = np.asarray(part.value, float)
    try:
        if plan.content == "speeds":
            unit = table.dialect.units[plan.value or 0] or table.dialect.names[plan.value or 0]
            per_second = speed_unit(unit)
            if per_second is None:
                raise AmbiguousLog(
                    "The unit of the speed is not known",
                    file=table.file,
                    column=column,
                    found=unit,
                    options={"turns/s, turns/min, rad/s or deg/s in the heading, then": {"content": "speeds"}},
                )
            return *passes_from_speeds(rows_s, value * per_second), 1
        per_turn = float(look.how["counts_per_turn"] or table.dialect.written.counts_per_turn or 1)
        falls = np.diff(value)
        each = bool((falls < 0).any() and (falls > 0).any()) or bool((falls <= 0).all() and value[-1] >= 0)
        if each:  # counts since the row before, not a running count
            value = np.cumsum(value)
        return *passes_from_counts(rows_s, value / per_turn, 1 / per_turn), 1
    except AmbiguousLog:
        raise
    except KitError as error:
        raise KitError(error.problem, file=table.file, column=column, found=error.found, fix=error.fix) from error


def _written_unit(table: Table, plan: Plan) -> str | None:
    """The unit that the headings of the columns of times give; None if they give none."""
    if table.dialect.written.clock or plan.step_s is not None:
        return "s"
    written = {table.dialect.units[j] for j in plan.columns} - {""}
    written |= _unit_behind(table, plan) if not written else set()
    known = {time_unit(word) for word in written}
    if None in known or len(known) > 1:
        raise KitError(
            f"The unit of the time is not one of {', '.join(TIME_UNITS)}",
            file=table.file,
            found=", ".join(sorted(written)),
            fix="write one of these in the header, or say unit=",
        )
    return known.pop() if known else None


def _unit_behind(table: Table, plan: Plan) -> set[str]:
    """The unit behind each number, in a column of its own: 12.3 s."""
    found = set()
    for j in plan.columns:
        if j + 1 < table.dialect.width and table.dialect.is_text[j + 1]:
            words = table.frame[j + 1].dropna().unique()
            if len(words) == 1 and time_unit(str(words[0])):
                found.add(str(words[0]))
    return found


def _pass_times(table: Table, plan: Plan, part: Part, unit: str) -> np.ndarray:
    """(n,) s; periods are added up from a first pass at 0. KitError if the clock steps back, or under two passes."""
    column = table.dialect.column(part.column)
    if plan.content == "periods":
        if (part.clock <= 0).any():
            at = int((part.clock <= 0).argmax())
            raise KitError(
                "A turn period must be more than 0",
                file=table.file,
                column=column,
                row=table.row(int(part.rows[at])),
                found=float(part.clock[at]),
                fix="take this row out, or say content='times' if these are pass times",
            )
        times = np.concatenate(([0.0], np.cumsum(part.clock)))
    else:
        times = part.clock
        increasing(table, part)
    if len(times) < (FEWEST_PASSES if plan.content == "times" else 2):
        what = {0: "There is no pass", 1: "There is only one pass"}.get(len(times), "There are only two passes")
        label = f" in {part.label}" if part.label else ""
        raise KitError(
            f"{what}{label}: that makes no run",
            file=table.file,
            column=column,
            fix="export the whole log; check which state means blocked"
            if plan.content == "states"
            else "export the whole log",
        )
    return times / TIME_UNITS[unit]
