"""Which column of a gate log means what: by its name, else by its values; and what a run's name says."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..errors import AmbiguousLog, KitError
from .meanings import (
    ROLE_WORDS,
    TABLES,
    States,
    channels,
    counts_up,
    evenly_stepped,
    is_binary,
    is_condition,
    is_dates,
    is_steady,
    neither,
    quantity,
    role_by_name,
    same_steps,
    state_words,
    two_edges,
    what_table,
    which_column,
)
from .table import Table
from .units import TIME_UNITS, UNITS, time_unit

__all__ = [
    "CONTENTS",
    "LAYOUTS",
    "SLOWEST_USUAL_GAP_S",
    "Plan",
    "conditions_from_name",
    "number_or_word",
    "plan_columns",
    "with_states",
]

LAYOUTS = ("single", "long", "wide")
CONTENTS = ("times", "states", "periods", *TABLES.values())
SLOWEST_USUAL_GAP_S = 20.0  # a longer usual gap means that the numbers are not seconds
FASTEST_USUAL_GAP_S = 0.01  # a shorter one means that a rising column holds turn periods, not times
FIRST_PERIOD_S = (0.05, 1.5)  # of a rotor pushed by hand
SLOWS_BY = 1.3  # a run of turn periods in which they grow by less is no spin-down
MOST_FALLS = 0.4  # of the steps between turn periods; they grow, but for the gate's jitter
SAME_PHASE = 0.15  # of a turn: two gates at one wheel stay so far apart


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
    value: int | None = None  # speeds, counts or levels
    step_s: float | None = None  # from row to row, where there is no column of times
    rows: np.ndarray | None = None  # positions of the chosen channel's rows
    channel: str = "one channel"  # in words


def with_states(table: Table) -> tuple[Table, dict[int, States]]:
    """The table with columns of two words for states (HIGH and LOW, open and blocked) as 0 and 1."""
    found = {}
    for j, word in enumerate(table.dialect.is_text):
        states = state_words(table.frame[j], table.dialect.names[j]) if word else None
        if states is not None:
            found[j] = states
    if not found:
        return table, found
    frame = table.frame.copy(deep=False)  # whole columns are replaced below, none is changed in place
    for j, states in found.items():
        frame[j] = states.codes
    still_text = tuple(word and j not in found for j, word in enumerate(table.dialect.is_text))
    return replace(table, frame=frame, dialect=replace(table.dialect, is_text=still_text)), found


def plan_columns(
    table: Table,
    layout: str | None,
    content: str | None,
    given: dict[str, str | int | None],
    condition_columns: Sequence[str | int] | None,
    *,
    states: dict[int, States] | None = None,
    channel: str | float | None = None,
    value_column: str | int | None = None,
) -> Plan:
    """Which columns mean what; what is given is taken as given.

    The time is the column of that name; without one, the column that is no condition. Several such columns
    are runs side by side. Beside one time column, whatever stays the same over several rows is a condition.
    Rows at a steady step beside a column of speeds, counts or levels are a table, not passes.

    Raises
    ------
    AmbiguousLog : several answers are possible: what to say then.
    KitError : there is no such column, or none that can be the time.
    """
    dialect, frame = table.dialect, table.frame
    roles = _roles(table, states or {})
    for role, column in given.items():
        if column is not None:
            roles = [None if r == role else r for r in roles]
            roles[_column_index(table, column)] = role
    picked = [_column_index(table, column) for column in condition_columns or ()]
    rows, frame, said_channel = _one_channel(table, roles, picked, channel)
    value = None if value_column is None else _column_index(table, value_column)
    of = {role: [j for j, r in enumerate(roles) if r == role] for role in {*ROLE_WORDS, "remark", None}}
    trial, flags = (next(iter(of[role]), None) for role in ("trial", "flags"))
    others = of[None] + of["trial"][1:] + of["state"][1:]
    numeric = [j for j in others if not dialect.is_text[j]]
    kinds = {j: quantity(dialect.names[j], dialect.units[j]) for j in numeric}
    if value is not None and kinds.get(value) is None:
        kinds[value] = next((kind for kind, what in TABLES.items() if what == content), None)

    time = of["time"] or of["period"]
    named = "times" if of["time"] else "periods" if of["period"] else None
    if len(time) > 1 and given["time"] is None:
        time = [j for j in time if _varies(frame[j])] or time
    by_unit = [j for j in numeric if time_unit(dialect.units[j]) and _rises(frame[j])]
    if named == "times" and given["time"] is None and layout is None:
        time = time + [j for j in by_unit if j not in time]
    if not time or layout == "wide":
        free = [j for j in numeric if j != value and not is_condition(frame[j])]
        plain = [j for j in free if kinds[j] is None] or ([] if dialect.written.step_s else free)
        time = time + (by_unit or plain or ([] if dialect.written.step_s else numeric))
    if time and named is None and not by_unit and layout is None and all(kinds.get(j) == "speed" for j in time):
        raise KitError(
            "There is no column of times beside the speed",
            file=table.file,
            fix="put the time of each row beside it, or write above the numbers: sample rate: 10 Hz",
        )
    step_s = None
    if not time or (len(time) == 1 and named is None and not by_unit and given["time"] is None):
        step_s = dialect.written.step_s if (kinds and not _rises_unevenly(frame, time)) else None
        if step_s is not None:  # the text above says how far the rows are apart, and no column is the time
            kinds |= {j: kinds[j] or ("count" if dialect.written.counts_per_turn else None) for j in time if j in kinds}
            time = []
    state = of["state"][0] if of["state"] else _state_column(frame, time, numeric)
    time = [j for j in time if j != state]
    if not time and step_s is None:
        names = ", ".join(str(dialect.column(j)) for j in range(dialect.width))
        raise KitError("None of the columns can be the time", file=table.file, found=names, fix="say time_column=")
    if content == "states" and state is None:
        raise KitError("There is no column of beam states", file=table.file, fix="name it with state_column=")

    edges = ""
    pair = len(time) == 2 and layout is None and state is None and content in (None, "times")
    if pair and two_edges((dialect.names[time[0]], dialect.names[time[1]])):
        time, edges = time[:1], f", passes by {dialect.names[time[0]]!r}"
    if len(time) > 1 and layout is None:
        _ask_which_time(table, frame, time, roles)
    conditions: list[int] = []
    if len(time) <= 1 and layout in (None, "long"):
        if condition_columns is not None:
            conditions = picked
        else:
            conditions = [
                j
                for j in others
                if j not in (*time, state, value) and is_condition(frame[j]) and kinds.get(j) in (None, "level")
                and not (not dialect.names[j] and not _varies(frame[j]))
            ]  # fmt: skip
    is_long = bool(conditions) or trial is not None
    layout = layout or ("wide" if len(time) > 1 else "long" if is_long else "single")
    if len(time) > 1 and layout != "wide":
        raise KitError("It is unclear which column is the time", file=table.file, fix="name it with time_column=")
    if content is None and state is not None and named != "periods":
        content = "states"
    if content is None and named == "periods":
        content = "periods"
    if content in (None, *TABLES.values()):
        free = [j for j in numeric if j not in (*time, *conditions, state) and frame[j].nunique() > 2]
        content, value = _table_or_passes(table, frame, time, step_s, free, kinds, content, value, layout, given)
    if content is None:
        content = named or (
            "times" if layout == "long" or edges or dialect.written.clock else _times_or_periods(table, frame, time)
        )
    used = {*time, *conditions, state, flags, value, trial if layout == "long" else None}
    ignored = tuple(j for j in range(dialect.width) if j not in used and roles[j] != "channel")
    return Plan(
        layout, content, tuple(time), state, trial, flags, tuple(conditions), ignored, value,
        step_s if value is not None and not time else None, rows, said_channel + edges,
    )  # fmt: skip


def _roles(table: Table, states: dict[int, States]) -> list[str | None]:
    """A role for each column by its name; a counter also by its values: 1, 2, 3 …"""
    roles: list[str | None] = []
    dialect, frame = table.dialect, table.frame
    numeric = [j for j in range(dialect.width) if not dialect.is_text[j]]
    for j, name in enumerate(dialect.names):
        word = re.sub(r"[\s_.\-]+", " ", name.lower()).strip()
        role = role_by_name(name)
        unit_alone = not name and time_unit(dialect.units[j]) is not None
        if role == "trial" and word != re.sub(r"\s*\d+$", "", word):
            role = None  # "trial 2" is the name of a run's column
        if role == "counter" and not counts_up(frame[j]):
            role = None
        if role == "state" and j in numeric and j not in states and not np.isin(frame[j].to_numpy(), (0.0, 1.0)).any():
            role = "channel" if channels(frame[j]) and not is_condition(frame[j]) else None
        if dialect.is_text[j] and role not in ("trial", "channel"):
            one_word = not _varies(frame[j]) and (not name or role is not None or j == dialect.width - 1)
            role = "remark" if role == "date" or one_word or is_dates(frame[j]) else None
        if j in states:
            role = "state"
        roles.append("time" if unit_alone and j in numeric else role)
    for j in numeric:  # 1, 2, 3 … beside another column that could be the time
        others = [k for k in numeric if k != j and roles[k] in (None, "time", "period")]
        if roles[j] != "state" and counts_up(frame[j]) and not all(is_binary(frame[k]) for k in others):
            roles[j] = "counter"
    return roles


def _one_channel(
    table: Table, roles: list[str | None], conditions: list[int], channel: str | float | None
) -> tuple[np.ndarray | None, pd.DataFrame, str]:
    """(rows, frame of these rows, in words) of the channel that was chosen; a question where several are mixed."""
    frame, dialect = table.frame, table.dialect
    mixed = {}
    for j, role in enumerate(roles):
        may_be = role == "channel" or (role is None and dialect.is_text[j])
        if may_be and j not in conditions and not is_condition(frame[j]):
            values = channels(frame[j])
            if values is not None:
                mixed[j] = values
    for j, role in enumerate(roles):
        if role == "channel" and j not in mixed:
            roles[j] = None if is_condition(frame[j]) and _varies(frame[j]) else "remark"
    if not mixed:
        if channel is not None:
            raise KitError("There are no channels in this file", file=table.file, found=channel, fix="leave it out")
        return None, frame, "one channel"
    for j, values in mixed.items():
        roles[j] = "channel"
        names = {_shown(value): value for value in values}
        if channel is None:
            name = dialect.column(j)
            raise AmbiguousLog(
                f"The rows of several channels are mixed in column {name}: which one is meant?",
                file=table.file,
                column=name,
                found=", ".join(names),
                options={f"only {name} {shown}": {"channel": shown} for shown in names},
            )
        if _shown(channel) in names:
            rows = np.flatnonzero((frame[j] == names[_shown(channel)]).to_numpy())
            words = f"channel {_shown(channel)} of {len(names)} ({', '.join(names)})"
            return rows, frame.iloc[rows].reset_index(drop=True), words
    known = ", ".join(_shown(value) for values in mixed.values() for value in values)
    raise KitError("There is no such channel", file=table.file, found=channel, fix=f"choose one of: {known}")


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value).strip()


def _varies(column: pd.Series) -> bool:
    filled = column.dropna()
    return bool(len(filled)) and bool((filled != filled.iloc[0]).any())


def _rises(column: pd.Series) -> bool:
    values = column.dropna().to_numpy()
    return len(values) > 2 and bool(np.mean(np.diff(values) > 0) > 0.9)


def _rises_unevenly(frame: pd.DataFrame, time: list[int]) -> bool:
    """Whether a column has decimals, as times have and counts have not."""
    return any((frame[j].dropna() % 1 != 0).any() for j in time)


def _ask_which_time(table: Table, frame: pd.DataFrame, time: list[int], roles: list[str | None]) -> None:
    """Several columns of times may be runs side by side; two gates at one wheel, or two clocks, are no two runs."""
    names = [table.dialect.names[j] for j in time]
    if any(conditions_from_name(name) or re.search(r"\b(?:trial|run|repeat)s?\b", name.lower()) for name in names):
        return
    first = frame[time[0]].dropna().to_numpy()
    for j in time[1:]:
        other = frame[j].dropna().to_numpy()
        n = min(len(first), len(other))
        if n < 8 or abs(len(first) - len(other)) > 1:
            continue
        a, b = first[:n], other[:n]
        gaps_a, gaps_b = np.diff(a), np.diff(b)
        why = None
        if (gaps_a > 0).all() and (gaps_b > 0).all():
            ratio = gaps_b / gaps_a
            units = [table.dialect.units[k] for k in (time[0], j)]
            two_clocks = roles[time[0]] == roles[j] == "time" or len(set(units)) > 1
            two_clocks &= all(time_unit(unit) or not unit for unit in units)
            if two_clocks and not np.array_equal(a, b) and np.median(np.abs(ratio / np.median(ratio) - 1)) < 0.1:
                why = "Two columns give a time for the same passes"
            phase = (b[:-1] - a[:-1]) / gaps_a
            if (np.abs(phase) < 1).all() and np.ptp(phase) < SAME_PHASE and (np.abs(phase) > 1e-6).all():
                why = "Two columns hold passes of the same wheel, as two gates see them"
        if why:
            raise AmbiguousLog(
                f"{why}: which one counts?",
                file=table.file,
                found=", ".join(str(table.dialect.column(k)) for k in time),
                options={f"column {table.dialect.column(k)}": {"time_column": table.dialect.column(k)} for k in time},
            )


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
        if is_binary(frame[j]) and np.count_nonzero(np.diff(cells)) > 1:
            clocks = [frame[k].to_numpy() for k in time if k != j]
            if len(clocks) == 1 and (np.diff(clocks[0]) > 0).all():
                return j
    return None


def _table_or_passes(
    table: Table,
    frame: pd.DataFrame,
    time: list[int],
    step_s: float | None,
    free: list[int],
    kinds: dict[int, str | None],
    content: str | None,
    value: int | None,
    layout: str,
    given: dict,
) -> tuple[str | None, int | None]:
    """("speeds", "counts" or "samples", its column) where the rows are a table; (None, None) where they are passes."""
    called = table.dialect.column
    if layout == "wide" and content is None:
        lone = [
            j for j in time if not _names_a_run(table.dialect.names[j]) and same_steps(frame[j].dropna().to_numpy())
        ]
        if len(lone) == len(time):
            raise evenly_stepped(table, called(lone[0]))
        if lone and not table.dialect.names[lone[0]]:
            rest = [j for j in time if j not in lone]
            raise what_table(table, rest, "The rows come at a steady step: this is a table, and its rows are no passes")
        return None, None
    if not time and step_s is None:
        return None, None
    clock = frame[time[0]].dropna().to_numpy() if time else np.arange(len(frame)) * (step_s or 1.0)
    if len(clock) > 1 and (np.diff(clock) < 0).all():
        clock = clock[::-1]
    known = [j for j in free if kinds.get(j)] if value is None else [value]
    if content is not None:
        possible = [j for j in known if TABLES.get(kinds.get(j) or "") == content] or known or free
        if len(possible) != 1:
            raise which_column(table, possible or [j for j in range(len(frame.columns)) if j not in time], kinds)
        return content, possible[0]
    steady = is_steady(clock)
    if steady and known:
        if len(known) > 1:
            raise which_column(table, known, kinds)
        kind = kinds.get(known[0])
        if kind is not None:
            return TABLES[kind], known[0]
    varying = [j for j in free if not counts_up(frame[j])]
    if steady and varying:
        raise what_table(table, varying, "The rows come at a steady step: this is a table, and its rows are no passes")
    for j in known:
        if kinds[j] == "count" and len(set(np.diff(frame[j].dropna().to_numpy()))) == 1:
            continue  # it counts the passes
        if kinds[j] == "speed" and _fits_passes(clock, frame[j].to_numpy()):
            continue
        if kinds[j] == "level" and len(frame) < 50:
            continue  # such as the battery's voltage at each pass
        raise AmbiguousLog(
            "It is unclear whether each row is a pass, or a row of a table",
            file=table.file,
            column=called(j),
            options={"each row is a pass": {"content": "times"}, "a table": {"content": TABLES[kinds[j] or "speed"]}},
        )
    if same_steps(clock) and not (time and _names_a_run(table.dialect.names[time[0]])):
        raise evenly_stepped(table, called(time[0]) if time else 1)
    return None, None


def _names_a_run(name: str) -> bool:
    return conditions_from_name(re.sub(r"\s*\(.*\)$", "", name)) is not None


def _fits_passes(times: np.ndarray, speed: np.ndarray) -> bool:
    """Whether a speed beside each time is that of the gap before or after it, so that each row is a pass."""
    gaps = np.diff(times)
    for beside in (speed[1:], speed[:-1]):
        angle = np.abs(beside) * gaps
        usual = np.median(angle)
        if usual > 0 and np.median(np.abs(angle / usual - 1)) < 0.05 and np.ptp(gaps) > 0.3 * np.median(gaps):
            return True
    return False


def _times_or_periods(table: Table, frame: pd.DataFrame, values: list[int]) -> str:
    """Times rise from row to row. Turn periods do not, or by so little that no rotor is that fast.

    A column that steps back just once, and not in its first three rows, holds times of a clock that
    stepped back, unless it is far too fast for times: then `_pass_times` reports the row. One that rises throughout
    as the turn periods of a coasting rotor do, in steps that may also be gaps between passes, is asked about.
    """
    for j in values:
        cells = frame[j].dropna().to_numpy()
        steps = np.diff(cells)
        unit = TIME_UNITS.get(time_unit(table.dialect.units[j]) or "", 1.0)
        if len(steps) == 0:
            continue
        back = np.flatnonzero(steps <= 0)
        too_fast = np.median(steps) / unit < FASTEST_USUAL_GAP_S <= np.median(cells) / unit < SLOWEST_USUAL_GAP_S
        slow_enough = np.percentile(steps, 90) / unit < FASTEST_USUAL_GAP_S
        if len(back) == 0 and _like_periods(cells, unit) and not (too_fast and slow_enough):
            raise AmbiguousLog(
                "Numbers that rise like these can be pass times or turn periods, and nothing in the file says which",
                file=table.file,
                column=table.dialect.column(j),
                found=", ".join(f"{cell:.6g}" for cell in cells[:4]) + " …",
                options={"pass times": {"content": "times"}, "turn periods": {"content": "periods"}},
            )
        if len(back) > MOST_FALLS * len(steps) and len(steps) > 8:
            raise neither(table, j)
        if too_fast or len(back) > 1 or (len(back) == 1 and back[0] < 3):
            return "periods"
    return "times"


def _like_periods(cells: np.ndarray, unit: float) -> bool:
    """Whether rising numbers may be the turn periods of a coasting rotor, which loses more speed from turn to turn."""
    if len(cells) < 4 or cells[-1] < SLOWS_BY * cells[0]:
        return False
    quick, slow = FIRST_PERIOD_S
    if not any(quick <= cells[0] / per_second <= slow for per_second in ({unit} if unit != 1.0 else UNITS.values())):
        return False
    growth = np.diff(cells) / cells[:-1]
    third = max(len(growth) // 3, 1)
    return bool(np.median(growth[-third:]) > 0.7 * np.median(growth[:third]) and np.median(growth[:third]) < 0.3)


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
