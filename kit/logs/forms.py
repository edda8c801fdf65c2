"""From a table of numbers to runs: pass times, beam states or turn periods; one run, or several below or beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..errors import KitError
from .columns import CONTENTS, LAYOUTS, SLOWEST_USUAL_GAP_S, Plan, conditions_from_name, number_or_word, plan_columns
from .dialect import UNIT_WORDS, UNITS, Table, read_bytes, read_table
from .run import Run

__all__ = ["Reading", "read"]


@dataclass(frozen=True)
class Reading:
    """What was made of a file: its runs and how it was understood."""

    runs: tuple[Run, ...]
    table: Table
    layout: str  # "single", "long" or "wide"
    content: str  # "times", "states" or "periods"
    unit: str  # "s", "ms" or "us"
    unit_given: bool
    ignored: tuple[str, ...]  # names of columns that were left unread


@dataclass
class _Part:
    """The rows of one run before they become seconds."""

    clock: np.ndarray  # times or periods as the file has them
    rows: np.ndarray  # positions in the table
    column: int
    conditions: dict[str, float | str] = field(default_factory=dict)
    trial: int = 0  # 0: the file does not say
    flags: int | None = None
    label: str = ""


def read(
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
    condition_columns: tuple[str | int, ...] | None = None,
    blocked: int = 1,
    flags_per_turn: int | None = None,
    conditions: Mapping[str, float | str] | None = None,
    trial: int | None = None,
    repairs: bool = True,
) -> Reading:
    """Read a gate log and say how it was understood. The parameters are those of `kit.read_log`."""
    for name, value, allowed in (
        ("layout", layout, LAYOUTS),
        ("content", content, CONTENTS),
        ("unit", unit, UNITS),
    ):
        if value is not None and value not in allowed:
            raise KitError(f"{name} must be one of: {', '.join(allowed)}", found=value)
    if blocked not in (0, 1):
        raise KitError("blocked must be 0 or 1: the state that means that the beam is interrupted", found=blocked)
    file = str(path)
    table = read_table(read_bytes(path), file, encoding=encoding, delimiter=delimiter, decimal=decimal)
    columns = {"time": time_column, "state": state_column, "trial": trial_column}
    plan = plan_columns(table, layout, content, columns, condition_columns)
    parts = _parts(table, plan)
    if plan.content == "states" and plan.state is not None:
        parts = [_blocked_moments(table, plan.state, part, blocked) for part in parts]
    parts = [_whole_column(table, part) for part in parts]
    written = {table.dialect.units[j] for j in plan.columns} - {""}
    unit, unit_given = _unit(table, plan, parts, unit, written)

    shown = source or Path(path).name
    runs = []
    for part in parts:
        times = _pass_times(table, plan, part, unit)
        run = Run(
            times,
            conditions={**(conditions or {}), **part.conditions},
            flags_per_turn=part.flags or flags_per_turn or 1,
            trial=part.trial or trial or 1,
            source=f"{shown}, {part.label}" if part.label else shown,
        )
        runs.append(run.repaired() if repairs else run)
    ignored = tuple(str(table.dialect.column(j)) for j in plan.ignored)
    return Reading(tuple(runs), table, plan.layout, plan.content, unit, unit_given, ignored)


def _parts(table: Table, plan: Plan) -> list[_Part]:
    every = np.arange(len(table.frame))
    if plan.layout == "long":
        return _groups(table, plan)
    if plan.layout == "single":
        values = table.frame[plan.columns[0]].to_numpy()
        flags = _whole(table, plan.flags, 0, "The number of flags") if plan.flags is not None else None
        return [_Part(values, every, plan.columns[0], flags=flags)]
    parts = []
    for j in plan.columns:
        name = table.dialect.names[j]
        conditions, trial = conditions_from_name(name) or ({}, None)
        numbered = re.search(r"(?:trial|run|time|repeat|period)s?[\s_\-]*(\d{1,9})$", name.lower())
        trial = trial or (int(numbered[1]) if numbered else 0)
        label = f"column {table.dialect.column(j)}"
        parts.append(_Part(table.frame[j].to_numpy(), every, j, conditions, trial, label=label))
    seen = [(tuple(part.conditions.items()), part.trial) for part in parts]
    if len(set(seen)) < len(seen):  # unnamed, or the same trial twice: count them
        for number, part in enumerate(parts, start=1):
            part.trial = number
    return parts


def _groups(table: Table, plan: Plan) -> list[_Part]:
    """Long form: the rows of each condition and trial, in order of appearance."""
    frame, dialect = table.frame, table.dialect
    keys = [*plan.conditions, *([plan.trial] if plan.trial is not None else [])]
    for j in keys:
        blank = frame[j].isna().to_numpy()
        if blank.any():
            row = table.row(int(blank.argmax()))
            raise KitError("This cell is empty", file=table.file, row=row, column=dialect.column(j), fix="fill it in")
    grouped = frame.groupby(keys, sort=False).indices if keys else {(): np.arange(len(frame))}
    parts = []
    for key, group in sorted(grouped.items(), key=lambda pair: pair[1][0]):
        rows = np.asarray(group)
        key = key if isinstance(key, tuple) else (key,)
        conditions = {}
        for j, value in zip(plan.conditions, key, strict=False):
            unit = dialect.units[j]
            name = dialect.names[j] or f"column {j + 1}"
            conditions[f"{name}_{unit}" if unit in UNITS else name] = number_or_word(value, dialect.decimal)
        trial = _whole(table, plan.trial, rows[0], "A trial") if plan.trial is not None else 0
        flags = _whole(table, plan.flags, rows[0], "The number of flags") if plan.flags is not None else None
        label = ", ".join(
            f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}" for name, value in conditions.items()
        )
        label += f"{', ' if label and trial else ''}trial {trial}" if trial else ""
        values = frame[plan.columns[0]].to_numpy()[rows]
        parts.append(_Part(values, rows, plan.columns[0], conditions, trial, flags, label))
    return parts


def _whole(table: Table, column: int, position: int, what: str) -> int:
    value = number_or_word(table.frame[column].iloc[position], table.dialect.decimal)
    if isinstance(value, str) or value < 1 or value != int(value):
        raise KitError(
            f"{what} must be a whole number of at least 1",
            file=table.file,
            row=table.row(int(position)),
            column=table.dialect.column(column),
            found=value,
            fix="write 1, 2, 3 …",
        )
    return int(value)


def _blocked_moments(table: Table, column: int, part: _Part, blocked: int) -> _Part:
    """The rows at which the beam becomes blocked.

    A first row that is already blocked counts if the log has a row for every change and no other (the states
    alternate); in a log of samples the moment is unknown, so it does not count.
    """
    states = table.frame[column].to_numpy()[part.rows]
    strange = ~np.isin(states, (0.0, 1.0))
    _no_hole(table, part)
    if strange.any():
        at = int(part.rows[strange.argmax()])
        raise KitError(
            "A beam state must be 0 or 1",
            file=table.file,
            row=table.row(at),
            column=table.dialect.column(column),
            found=float(table.frame[column].iloc[at]),
            fix="mend this row",
        )
    back = np.diff(part.clock) < 0
    if back.any():
        raise _clock_error(table, part, int(back.argmax()) + 1)
    is_blocked = states == blocked
    becomes = is_blocked & np.concatenate(([(np.diff(states) != 0).all()], ~is_blocked[:-1]))
    return _Part(
        part.clock[becomes],
        part.rows[becomes],
        part.column,
        part.conditions,
        part.trial,
        part.flags,
        part.label,
    )


# --- from numbers to pass times ------------------------------------------------------------------


def _whole_column(table: Table, part: _Part) -> _Part:
    """Without the empty cells below the run; a KitError for an empty cell within it."""
    filled = np.flatnonzero(~np.isnan(part.clock))
    stop = filled[-1] + 1 if len(filled) else 0
    part.clock, part.rows = part.clock[:stop], part.rows[:stop]
    _no_hole(table, part)
    return part


def _no_hole(table: Table, part: _Part) -> None:
    hole = np.isnan(part.clock)
    if hole.any():
        raise KitError(
            "There is an empty cell within a run",
            file=table.file,
            row=table.row(int(part.rows[hole.argmax()])),
            column=table.dialect.column(part.column),
            fix="fill it in or take the row out",
        )


def _unit(table: Table, plan: Plan, parts: list[_Part], unit: str | None, written: set[str]) -> tuple[str, bool]:
    """(unit, was it given?). Without any, seconds, unless the usual gap would then be longer than 20 s."""
    if unit is not None:
        return unit, True
    known = {UNIT_WORDS.get(word.lower(), "") for word in written}
    if "" in known or len(known) > 1:
        raise KitError(
            "The unit of the time is not one of s, ms, us",
            file=table.file,
            found=", ".join(sorted(written)),
            fix="write s, ms or us in the header, or say unit=",
        )
    if known:
        return known.pop(), True
    gaps = [np.median(np.diff(p.clock) if plan.content != "periods" else p.clock) for p in parts if len(p.clock) > 1]
    usual = float(np.median(gaps)) if gaps else 0.0
    for unit, per_second in UNITS.items():
        if usual / per_second <= SLOWEST_USUAL_GAP_S:
            return unit, False
    raise KitError(
        "The gaps between passes are absurdly long",
        file=table.file,
        found=f"usually {usual:g}",
        fix="check the column, and write its unit in the header",
    )


def _pass_times(table: Table, plan: Plan, part: _Part, unit: str) -> np.ndarray:
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
        back = np.diff(times) <= 0
        if back.any():
            raise _clock_error(table, part, int(back.argmax()) + 1)
    if len(times) < 2:
        what = "There is only one pass" if len(times) else "There is no pass"
        label = f" in {part.label}" if part.label else ""
        raise KitError(
            f"{what}{label}: that makes no run",
            file=table.file,
            column=column,
            fix="export the whole log; check which state means blocked"
            if plan.content == "states"
            else "export the whole log",
        )
    return times / UNITS[unit]


def _clock_error(table: Table, part: _Part, at: int) -> KitError:
    before, now = part.clock[at - 1], part.clock[at]
    problem, fix = (
        "The clock steps back here",
        "if a new run begins here, give each run a file or a trial number",
    )
    if now == before:
        problem, fix = "This time stands here twice", "take one of the two rows out"
    elif before - now > 0.9 * 2**32 and before < 2**32:
        problem, fix = (
            "A 32-bit clock ran over here (after 71.6 minutes in microseconds)",
            "start the logger anew and repeat the run",
        )
    return KitError(
        problem,
        file=table.file,
        row=table.row(int(part.rows[at])),
        column=table.dialect.column(part.column),
        found=f"{now:.12g} after {before:.12g}",
        fix=f"{fix}; if these are turn periods, say content='periods'" if now < before else fix,
    )
