"""From the rows of a table to the rows of each run: below or beside each other; and to the moments of its passes."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from ..errors import KitError
from .columns import Plan, conditions_from_name, number_or_word
from .meanings import States
from .sampled import passes_from_samples
from .table import Table
from .units import UNITS

__all__ = [
    "Part",
    "blocked_moments",
    "increasing",
    "newest_last",
    "parts_of",
    "sampled_moments",
    "unwrapped",
    "whole_column",
]

WRAP = 2.0**32  # where the clock of a microcontroller starts again


@dataclass
class Part:
    """The rows of one run before they become seconds."""

    clock: np.ndarray  # times or periods as the file has them
    rows: np.ndarray  # positions in the table
    column: int
    conditions: dict[str, float | str] = field(default_factory=dict)
    trial: int = 0  # 0: the file does not say
    flags: int | None = None
    label: str = ""
    value: np.ndarray | None = None  # speeds, counts or levels of the rows
    timing_u: float = 0.0  # standard uncertainty of a pass, in the file's unit


def parts_of(table: Table, plan: Plan) -> list[Part]:
    every = np.arange(len(table.frame)) if plan.rows is None else plan.rows
    if plan.layout == "long":
        return _groups(table, plan, every)
    if plan.layout == "single":
        flags = _whole(table, plan.flags, 0, "The number of flags") if plan.flags is not None else None
        return [_part_of(table, plan, every, flags=flags)]
    parts = []
    for j in plan.columns:
        name = table.dialect.names[j]
        conditions, trial = conditions_from_name(name) or ({}, None)
        numbered = re.search(r"(?:trial|run|time|repeat|period)s?[\s_\-]*(\d{1,9})$", name.lower())
        trial = trial or (int(numbered[1]) if numbered else 0)
        label = f"column {table.dialect.column(j)}"
        parts.append(Part(table.frame[j].to_numpy(), every, j, conditions, trial, label=label))
    seen = [(tuple(part.conditions.items()), part.trial) for part in parts]
    if len(set(seen)) < len(seen):  # unnamed, or the same trial twice: count them
        for number, part in enumerate(parts, start=1):
            part.trial = number
    return parts


def _part_of(table: Table, plan: Plan, rows: np.ndarray, **about) -> Part:
    """The rows of one run, with the values beside its times; rows without a value at the end are no rows."""
    value = None if plan.value is None else table.frame[plan.value].to_numpy()[rows]
    if value is not None:
        filled = np.flatnonzero(~np.isnan(value))
        rows = rows[: filled[-1] + 1 if len(filled) else 0]
        value = value[: len(rows)]
        if np.isnan(value).any():
            at = int(rows[np.isnan(value).argmax()])
            column = table.dialect.column(plan.value or 0)
            raise KitError(
                "There is an empty cell within a table", file=table.file, row=table.row(at), column=column,
                fix="fill it in or take the row out",
            )  # fmt: skip
    if plan.step_s is not None:
        return Part(np.arange(len(rows)) * plan.step_s, rows, plan.value or 0, value=value, **about)
    return Part(table.frame[plan.columns[0]].to_numpy()[rows], rows, plan.columns[0], value=value, **about)


def _groups(table: Table, plan: Plan, every: np.ndarray) -> list[Part]:
    """Long form: the rows of each condition and trial, in order of appearance."""
    frame, dialect = table.frame.iloc[every].reset_index(drop=True), table.dialect
    keys = [*plan.conditions, *([plan.trial] if plan.trial is not None else [])]
    for j in keys:
        blank = frame[j].isna().to_numpy()
        if blank.any():
            row = table.row(int(every[blank.argmax()]))
            raise KitError("This cell is empty", file=table.file, row=row, column=dialect.column(j), fix="fill it in")
    grouped = frame.groupby(keys, sort=False).indices if keys else {(): np.arange(len(frame))}
    parts = []
    for key, group in sorted(grouped.items(), key=lambda pair: pair[1][0]):
        rows = every[np.asarray(group)]
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
        parts.append(_part_of(table, plan, rows, conditions=conditions, trial=trial, flags=flags, label=label))
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


def blocked_moments(
    table: Table, column: int, part: Part, blocked: int | str | None, meaning: States | None, said: list[str]
) -> Part:
    """The rows at which the beam becomes blocked.

    Words such as HIGH and LOW do not say which of them means blocked: it is the state that lasts for less of the time,
    since a flag is narrower than the gap beside it.

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
    if blocked is None:
        blocked = 1
        if meaning is not None:
            if not meaning.known and len(states) > 2:
                lasted = np.diff(part.clock)
                share = np.sum(lasted * states[:-1]) / max(np.sum(lasted), 1e-300)
                blocked = 1 if share <= 0.5 else 0
            said.append(f"{meaning.words[blocked]} is blocked")
    is_blocked = states == blocked
    becomes = is_blocked & np.concatenate(([(np.diff(states) != 0).all()], ~is_blocked[:-1]))
    return Part(
        part.clock[becomes],
        part.rows[becomes],
        part.column,
        part.conditions,
        part.trial,
        part.flags,
        part.label,
    )


def newest_last(table: Table, part: Part, plan: Plan, said: list[str]) -> Part:
    """A log with the newest row on top, turned round."""
    falls = plan.content != "periods" and len(part.clock) > 2 and part.clock[1] < part.clock[0]
    if falls and (np.diff(part.clock) < 0).all():
        part.clock, part.rows = part.clock[::-1], part.rows[::-1]
        part.value = None if part.value is None else part.value[::-1]
        said.append("newest row on top, turned round")
    return part


def unwrapped(part: Part, unit: str | None, said: list[str]) -> Part:
    """A 32-bit clock of ms or µs that started again at 0 runs on."""
    if unit not in (None, "ms", "us"):
        return part
    over = np.flatnonzero(np.diff(part.clock) < -0.9 * WRAP)
    over = over[(part.clock[over] < WRAP) & (part.clock[over + 1] >= 0)]
    if len(over):
        part.clock = part.clock + WRAP * np.searchsorted(over, np.arange(len(part.clock)))
        said.append("the 32-bit clock ran over and starts again at 0: counted on")
    return part


def sampled_moments(table: Table, plan: Plan, part: Part, blocked: int | str | None, said: list[str]) -> Part:
    """The moments at which a sampled beam becomes blocked."""
    _no_hole(table, part)
    increasing(table, part)
    which = None if blocked is None else "high" if blocked == 1 else "low"
    try:
        moments, beam = passes_from_samples(part.clock, part.value, which)
    except KitError as error:
        column = table.dialect.column(plan.value or 0)
        raise KitError(error.problem, file=table.file, column=column, found=error.found, fix=error.fix) from error
    said.append(str(beam))
    rows = part.rows[np.clip(np.searchsorted(part.clock, moments), 0, len(part.rows) - 1)]
    label = part.label
    return Part(moments, rows, part.column, part.conditions, part.trial, part.flags, label, timing_u=beam.timing_u_s)


def whole_column(table: Table, part: Part) -> Part:
    """Without the empty cells below the run; a KitError for an empty cell within it."""
    if not np.isnan(part.clock).any():
        return part
    filled = np.flatnonzero(~np.isnan(part.clock))
    stop = filled[-1] + 1 if len(filled) else 0
    part.clock, part.rows = part.clock[:stop], part.rows[:stop]
    _no_hole(table, part)
    return part


def _no_hole(table: Table, part: Part) -> None:
    hole = np.isnan(part.clock)
    if hole.any():
        raise KitError(
            "There is an empty cell within a run",
            file=table.file,
            row=table.row(int(part.rows[hole.argmax()])),
            column=table.dialect.column(part.column),
            fix="fill it in or take the row out",
        )


def increasing(table: Table, part: Part) -> None:
    back = np.diff(part.clock) <= 0
    if back.any():
        raise _clock_error(table, part, int(back.argmax()) + 1)


def _clock_error(table: Table, part: Part, at: int) -> KitError:
    before, now = part.clock[at - 1], part.clock[at]
    problem, fix = (
        "The clock steps back here",
        "if a new run begins here, give each run a file or a trial number",
    )
    if now == before:
        problem, fix = "This time stands here twice", "take one of the two rows out"
    return KitError(
        problem,
        file=table.file,
        row=table.row(int(part.rows[at])),
        column=table.dialect.column(part.column),
        found=f"{now:.12g} after {before:.12g}",
        fix=f"{fix}; if these are turn periods, say content='periods'" if now < before else fix,
    )
