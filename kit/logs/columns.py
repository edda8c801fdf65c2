"""Which column of a gate log means what: by its name, else by its values; and what a run's name says."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import KitError
from .dialect import UNIT_WORDS, UNITS, Table

__all__ = [
    "CONTENTS",
    "LAYOUTS",
    "SLOWEST_USUAL_GAP_S",
    "Plan",
    "conditions_from_name",
    "number_or_word",
    "plan_columns",
]

LAYOUTS = ("single", "long", "wide")
CONTENTS = ("times", "states", "periods")
ROLE_WORDS = {
    "time": "time,times,t,clock,timestamp,time stamp,elapsed,elapsed time,pass,passes,pass time,pass times,"
    "gate time,event,event time",
    "period": "period,periods,turn period,turn periods,turn time,turn times,interval,intervals,gap,gaps,dt,"
    "lap,lap time",
    "state": "state,beam,beam state,gate,gate state,blocked,signal,input",
    "trial": "trial,repeat,replicate,run",
    "counter": "no,nr,#,index,row,count,pass no,pass number,i",
    "flags": "flags,flags per turn",
}
ROLE_OF = {word: role for role, words in ROLE_WORDS.items() for word in words.split(",")}
SLOWEST_USUAL_GAP_S = 20.0  # a longer usual gap means that the numbers are not seconds
FASTEST_USUAL_GAP_S = 0.01  # a shorter one means that a rising column holds turn periods, not times


@dataclass(frozen=True)
class Plan:
    """Which columns mean what."""

    layout: str
    content: str
    columns: tuple[int, ...]  # with times or periods
    state: int | None = None
    trial: int | None = None
    flags: int | None = None
    conditions: tuple[int, ...] = ()
    ignored: tuple[int, ...] = ()


def plan_columns(
    table: Table,
    layout: str | None,
    content: str | None,
    given: dict[str, str | int | None],
    condition_columns: Sequence[str | int] | None,
) -> Plan:
    """Which columns mean what; what is given is taken as given.

    The time is the column of that name; without one, the column that is no condition. Several such columns
    are runs side by side. Beside one time column, whatever stays the same over several rows is a condition.

    Raises
    ------
    KitError : that stays unclear, or there is no such column.
    """
    dialect, frame = table.dialect, table.frame
    roles = _roles(table)
    for role, column in given.items():
        if column is not None:
            roles = [None if r == role else r for r in roles]
            roles[_column_index(table, column)] = role
    of = {role: [j for j, r in enumerate(roles) if r == role] for role in {*ROLE_WORDS, None}}
    trial, flags = (next(iter(of[role]), None) for role in ("trial", "flags"))
    others = of[None] + of["trial"][1:] + of["state"][1:]
    numeric = [j for j in others if not dialect.is_text[j]]

    time = of["time"] or of["period"]
    named = "times" if of["time"] else "periods" if of["period"] else None
    if not time or layout == "wide":
        time = time + ([j for j in numeric if not _is_condition(frame[j])] or numeric)
    state = of["state"][0] if of["state"] else _state_column(frame, time, numeric)
    time = [j for j in time if j != state]
    if not time:
        names = ", ".join(str(dialect.column(j)) for j in range(dialect.width))
        raise KitError(
            "None of the columns can be the time",
            file=table.file,
            found=names,
            fix="name it with time_column=",
        )
    if content == "states" and state is None:
        raise KitError("There is no column of beam states", file=table.file, fix="name it with state_column=")

    conditions: list[int] = []
    if len(time) == 1 and layout in (None, "long"):
        if condition_columns is not None:
            conditions = [_column_index(table, column) for column in condition_columns]
        else:
            conditions = [j for j in others if j not in (*time, state) and _is_condition(frame[j])]
    is_long = bool(conditions) or trial is not None
    layout = layout or ("wide" if len(time) > 1 else "long" if is_long else "single")
    if len(time) > 1 and layout != "wide":
        raise KitError("It is unclear which column is the time", file=table.file, fix="name it with time_column=")
    if content is None and state is not None and named != "periods":
        content = "states"
    if content is None:
        content = named or ("times" if layout == "long" else _times_or_periods(table, time))
    used = {*time, *conditions, state, flags, trial if layout == "long" else None}
    ignored = tuple(j for j in range(dialect.width) if j not in used)
    return Plan(layout, content, tuple(time), state, trial, flags, tuple(conditions), ignored)


def _roles(table: Table) -> list[str | None]:
    """A role for each column by its name; a counter also by its values: 1, 2, 3 …"""
    roles: list[str | None] = []
    numeric = [j for j in range(table.dialect.width) if not table.dialect.is_text[j]]
    for j, name in enumerate(table.dialect.names):
        word = re.sub(r"[\s_.\-]+", " ", name.lower()).strip()
        role = ROLE_OF.get(word) or ROLE_OF.get(re.sub(r"\s*\d+$", "", word))
        unit_alone = not name and table.dialect.units[j].lower() in UNIT_WORDS
        if role == "trial" and word != re.sub(r"\s*\d+$", "", word):
            role = None  # "trial 2" is the name of a run's column
        if role == "counter" and not _counts_up(table.frame[j]):
            role = None
        if table.dialect.is_text[j] and role != "trial":
            role = None
        roles.append("time" if unit_alone and j in numeric else role)
    for j in numeric:  # 1, 2, 3 … beside another column that could be the time
        others = [k for k in numeric if k != j and roles[k] in (None, "time", "period")]
        if roles[j] != "state" and _counts_up(table.frame[j]) and not all(_is_binary(table.frame[k]) for k in others):
            roles[j] = "counter"
    return roles


def _is_binary(column: pd.Series) -> bool:
    cells = column.to_numpy()
    return len(cells) > 2 and bool(((cells == 0) | (cells == 1)).all())


def _counts_up(column: pd.Series) -> bool:
    values = column.dropna().to_numpy()
    return len(values) > 2 and values[0] in (0, 1) and bool((np.diff(values) == 1).all())


def _is_condition(column: pd.Series) -> bool:
    """Mostly filled, and the same over several rows: a run has three passes at least."""
    filled = column.dropna()
    blocks = int((filled != filled.shift()).sum())
    return 2 * len(filled) > len(column) and 3 * blocks <= len(filled)


def _column_index(table: Table, column: str | int) -> int:
    names = table.dialect.names
    if isinstance(column, str):
        for j, name in enumerate(names):
            if name.lower() == column.strip().lower():
                return j
    elif 1 <= column <= len(names):
        return column - 1
    known = ", ".join(str(table.dialect.column(j)) for j in range(len(names)))
    raise KitError("There is no such column", file=table.file, found=column, fix=f"choose one of: {known}")


def _state_column(frame: pd.DataFrame, time: list[int], numeric: list[int]) -> int | None:
    """A column of 0 and 1 that changes to and fro while the time beside it runs on."""
    for j in numeric:
        cells = frame[j].to_numpy()
        if _is_binary(frame[j]) and np.count_nonzero(np.diff(cells)) > 1:
            clocks = [frame[k].to_numpy() for k in time if k != j]
            if len(clocks) == 1 and (np.diff(clocks[0]) > 0).all():
                return j
    return None


def _times_or_periods(table: Table, values: list[int]) -> str:
    """Times rise from row to row. Turn periods do not, or by so little that no rotor is that fast.

    A column that steps back just once, and not in its first three rows, holds times of a clock that
    stepped back, unless it is far too fast for times: then `_pass_times` reports the row.
    """
    for j in values:
        cells = table.frame[j].dropna().to_numpy()
        steps = np.diff(cells)
        unit = UNITS.get(UNIT_WORDS.get(table.dialect.units[j].lower(), ""), 1.0)
        if len(steps) == 0:
            continue
        back = np.flatnonzero(steps <= 0)
        too_fast = np.median(steps) / unit < FASTEST_USUAL_GAP_S <= np.median(cells) / unit < SLOWEST_USUAL_GAP_S
        if too_fast or len(back) > 1 or (len(back) == 1 and back[0] < 3):
            return "periods"
    return "times"


def number_or_word(value: str | float, decimal: str = ".") -> float | str:
    """A float where the text is a number that one can hold, else the text."""
    if isinstance(value, str):
        text = value.strip()
        plain = text.replace(",", ".") if decimal == "," else text
        is_number = re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", plain) and math.isfinite(float(plain))
        return float(plain) if is_number else text
    return float(value)


def conditions_from_name(name: str) -> tuple[dict[str, float | str], int | None] | None:
    """'tilt-1.5_magnets-3_trial-2' → ({'tilt': 1.5, 'magnets': 3.0}, 2); None if the name is not of this form."""
    conditions: dict[str, float | str] = {}
    trial = None
    for piece in name.split("_"):
        match = re.fullmatch(r"([^\W\d][\w ]*?)-(.+)", piece.strip())
        if not match:
            return None
        word, value = match[1], number_or_word(match[2], ",")
        if word.lower() == "trial":
            if isinstance(value, str) or value < 1 or value != int(value) or trial is not None:
                return None
            trial = int(value)
        elif word in conditions:
            return None
        else:
            conditions[word] = value
    return conditions, trial
