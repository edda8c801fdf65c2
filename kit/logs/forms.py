"""From a table of numbers to runs: pass times, beam states or turn periods; one run, or several below or beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..errors import AmbiguousLog, KitError
from .columns import CONTENTS, LAYOUTS, Plan, conditions_from_name, number_or_word, plan_columns, with_states
from .dialect import read_bytes
from .meanings import States
from .run import Run
from .sampled import passes_from_samples
from .speeds import passes_from_counts, passes_from_speeds
from .table import Table, read_table
from .units import TIME_UNITS, UNITS, speed_unit, time_unit
from .which_unit import unit_of_gaps, unit_of_steps

__all__ = ["Look", "Reading", "look", "read"]

TABLES = ("speeds", "counts", "samples")
WRAP = 2.0**32  # where the clock of a microcontroller starts again
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
    value: np.ndarray | None = None  # speeds, counts or levels of the rows
    timing_u: float = 0.0  # standard uncertainty of a pass, in the file's unit


@dataclass(frozen=True)
class Look:
    """A file as far as it can be read without knowing the unit of its times, which is decided for a whole folder."""

    path: Path
    shown: str
    table: Table
    plan: Plan
    parts: tuple[_Part, ...]
    unit: str | None  # None: neither the file nor the caller says it
    how: Mapping[str, object]  # flags_per_turn, conditions, trial, repairs, counts_per_turn
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
        return Reading(
            tuple(runs), table, plan.layout, plan.content, unit, unit_given, ignored, read_as, rows_s
        )

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
    parts = [_newest_last(table, part, plan, said) for part in _parts(table, plan)]
    unit = unit or _written_unit(table, plan)
    parts = [_unwrapped(part, unit, said) for part in parts] if plan.content != "periods" else parts
    if plan.content == "states" and plan.state is not None:
        meaning = states.get(plan.state)
        parts = [_blocked_moments(table, plan.state, part, blocked, meaning, said) for part in parts]
    if plan.content == "samples" and plan.value is not None:
        parts = [_sampled_moments(table, plan, part, blocked, said) for part in parts]
    parts = [_whole_column(table, part) for part in parts]
    how = {
        "flags_per_turn": flags_per_turn, "conditions": conditions, "trial": trial, "repairs": repairs,
        "counts_per_turn": counts_per_turn,
    }  # fmt: skip
    said = list(dict.fromkeys(said))
    return Look(Path(path), source or Path(path).name, table, plan, tuple(parts), unit, how, tuple(said))


def _newest_last(table: Table, part: _Part, plan: Plan, said: list[str]) -> _Part:
    """A log with the newest row on top, turned round."""
    steps = np.diff(part.clock)
    if plan.content != "periods" and len(steps) > 1 and (steps < 0).all():
        part.clock, part.rows = part.clock[::-1], part.rows[::-1]
        part.value = None if part.value is None else part.value[::-1]
        said.append("newest row on top, turned round")
    return part


def _unwrapped(part: _Part, unit: str | None, said: list[str]) -> _Part:
    """A 32-bit clock of ms or µs that started again at 0 runs on."""
    steps = np.diff(part.clock)
    over = (steps < -0.9 * WRAP) & (part.clock[:-1] < WRAP) & (part.clock[1:] >= 0)
    if unit in (None, "ms", "us") and over.any():
        part.clock = part.clock + WRAP * np.concatenate(([0], np.cumsum(over)))
        said.append("the 32-bit clock ran over and starts again at 0: counted on")
    return part


def _sampled_moments(table: Table, plan: Plan, part: _Part, blocked: int | str | None, said: list[str]) -> _Part:
    """The moments at which a sampled beam becomes blocked."""
    _no_hole(table, part)
    _increasing(table, part)
    which = None if blocked is None else "high" if blocked == 1 else "low"
    try:
        moments, beam = passes_from_samples(part.clock, part.value, which)
    except KitError as error:
        column = table.dialect.column(plan.value or 0)
        raise KitError(error.problem, file=table.file, column=column, found=error.found, fix=error.fix) from error
    said.append(str(beam))
    rows = part.rows[np.clip(np.searchsorted(part.clock, moments), 0, len(part.rows) - 1)]
    label = part.label
    return _Part(
        moments, rows, part.column, part.conditions, part.trial, part.flags, label, timing_u=beam.timing_u_s
    )


def _whole_turns(look: Look, part: _Part, rows_s: np.ndarray) -> tuple[np.ndarray, float, int]:
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
        per_turn = look.how["counts_per_turn"] or table.dialect.written.counts_per_turn
        falls = np.diff(value)
        each = bool((falls < 0).any() and (falls > 0).any()) or bool((falls <= 0).all() and value[-1] >= 0)
        if each:  # counts since the row before, not a running count
            value = np.cumsum(value)
        return *passes_from_counts(rows_s, value / float(per_turn)), 1  # type: ignore[arg-type]
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


def _parts(table: Table, plan: Plan) -> list[_Part]:
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
        parts.append(_Part(table.frame[j].to_numpy(), every, j, conditions, trial, label=label))
    seen = [(tuple(part.conditions.items()), part.trial) for part in parts]
    if len(set(seen)) < len(seen):  # unnamed, or the same trial twice: count them
        for number, part in enumerate(parts, start=1):
            part.trial = number
    return parts


def _part_of(table: Table, plan: Plan, rows: np.ndarray, **about) -> _Part:
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
        return _Part(np.arange(len(rows)) * plan.step_s, rows, plan.value or 0, value=value, **about)
    return _Part(table.frame[plan.columns[0]].to_numpy()[rows], rows, plan.columns[0], value=value, **about)


def _groups(table: Table, plan: Plan, every: np.ndarray) -> list[_Part]:
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
        parts.append(
            _part_of(table, plan, rows, conditions=conditions, trial=trial, flags=flags, label=label)
        )
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


def _blocked_moments(
    table: Table, column: int, part: _Part, blocked: int | str | None, meaning: States | None, said: list[str]
) -> _Part:
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
        _increasing(table, part)
    if len(times) < FEWEST_PASSES:
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


def _increasing(table: Table, part: _Part) -> None:
    back = np.diff(part.clock) <= 0
    if back.any():
        raise _clock_error(table, part, int(back.argmax()) + 1)


def _clock_error(table: Table, part: _Part, at: int) -> KitError:
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
