"""One gate log: read as runs, looked at before it is read, described in words, and written as text."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import cast

import pandas as pd

from ..errors import AmbiguousLog, KitError
from ..plugins import READERS, added_names, find_added
from .dialect import read_bytes
from .forms import Look, Reading, look, read
from .run import Run
from .table import read_table

__all__ = [
    "TEXT_ENDINGS",
    "describe_log",
    "is_log",
    "log_text",
    "look_at",
    "preview",
    "read_log",
    "read_runs",
]

TEXT_ENDINGS = (".csv", ".tsv", ".txt")

WORDS = {
    "\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces", "": "one column",
    "s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds", "min": "minutes", "h": "hours",
    "times": "pass times", "states": "beam states", "periods": "turn periods, added up",
    "speeds": "a table of speeds", "counts": "counts of an encoder", "samples": "samples of the beam",
}  # fmt: skip


def read_log(path: str | Path, **how) -> list[Run]:
    """The run, or the runs, in one gate log, with their repairs found and accepted.

    How the file is written is found out from its content. Everything can be said instead:

    Parameters
    ----------
    path : .csv, .tsv or .txt file of up to 500 MB; or a file for whose ending an installed package adds a reader.
    encoding : else UTF-8 with or without BOM, UTF-16, or the Western 8-bit code.
    delimiter : "," ";" tab, " " (any run of blanks) or "" (one column).
    decimal : "." or ",".
    unit : of the times: "s", "ms", "us", "ns", "min" or "h"; else from the header or a row of units; else the one of
        s, ms and us in which a rotor spun by hand would make such gaps, if there is just one.
    layout : "single", "long" (runs below each other, with columns of conditions and trial) or "wide"
        (one run a column; they may end in different rows).
    content : "times" (of passes), "states" (time and beam state), "periods" (of turns, added up from a first pass at
        0), or one of the tables with a row at every step: "speeds" (turns/min, turns/s, rad/s or deg/s), "counts" (of
        an encoder) and "samples" (of the beam: volts, brightness). Else the headings decide, else the values.
    time_column, state_column, trial_column, value_column : name, or number from 1; the last is the column of speeds,
        counts or samples.
    condition_columns : names or numbers; else, in a file with a named time column, every further column
        that stays the same over three rows on average.
    channel : which gate's rows count, where a column names several.
    part : which run, where words divide the file into several, from 1.
    blocked : the state that means "beam blocked", 1 or 0. A pass is the moment the beam becomes blocked. A first row
        that is already blocked counts only in a log of changes. By default 1; of words like HIGH and LOW the one that
        lasts for less of the time.
    counts_per_turn : of an encoder, if the file does not say so itself.
    flags_per_turn, conditions, trial : for the runs of a file that does not say so itself.
    repairs : False leaves the search for bounces and missed passes out.

    Returns
    -------
    Values are read as they stand and divided by so many of the unit as make a second. `Run.read_as` says how the log
    was understood. A table of speeds or counts becomes passes at whole turns, see `kit.passes_from_speeds`.

    Raises
    ------
    AmbiguousLog : several readings are possible; its `options` say what to write for each.
    KitError : naming file, row and column: a cell that is no number, a clock that steps back, an empty cell within a
        run, fewer than three passes, or a file that is no log at all.

    >>> import kit
    >>> kit.read_log("datasets_demo/coasting_disc/passes/magnets-12_trial-1.csv")
    [Run(trial 1: 23 passes in 13.4 s)]
    """
    return read_runs(path, **how)


def is_log(path: Path) -> bool:
    """Whether a file's ending is that of a gate log, of the kit's own or of a reader that was added."""
    ending = path.suffix.lower()
    return ending in TEXT_ENDINGS or ending.removeprefix(".") in added_names(READERS)


def read_runs(path: str | Path, *, source: str | None = None, **how) -> list[Run]:
    """The runs of one log. `how` are parameters of `kit.read_log`; an added reader gets those it may know.

    A reader that a package adds is a function (path, **how) -> one `Run` or several. What is known about the run from
    elsewhere (conditions, trial, flags_per_turn) is filled in here, and repairs are found unless it found some itself.

    Raises
    ------
    KitError : as for `read_log`; whatever else an added reader raises is worded, naming its package.
    """
    found = look_at(path, source=source, **how)
    return list(found.finish().runs) if isinstance(found, Look) else found


def look_at(path: str | Path, *, source: str | None = None, **how) -> Look | list[Run]:
    """One log up to the question of its unit, which a folder decides for all of its files; or an added reader's runs.

    Raises
    ------
    KitError : as for `read_runs`.
    """
    ending = Path(path).suffix.lower().removeprefix(".")
    added = find_added(READERS, ending) if ending and f".{ending}" not in TEXT_ENDINGS else None
    if added is None:
        return look(path, source=source, **how)
    known = {name: how.pop(name, None) for name in ("conditions", "trial", "flags_per_turn")}
    repairs = how.pop("repairs", True)
    try:
        reader = cast(Callable[..., Run | Iterable[Run]], added.what)  # if it is something else, that is worded below
        found = reader(Path(path), **how)
        runs = [found] if isinstance(found, Run) else list(found)
    except KitError:
        raise
    except Exception as problem:  # somebody else's code may fail in any way
        why = (
            f"The reader of .{ending} files in the package {added.package} failed ({type(problem).__name__}: {problem})"
        )
        raise KitError(why, file=path, fix="ask whoever made that package") from problem
    if not runs or not all(isinstance(run, Run) for run in runs):
        why = f"The reader of .{ending} files in the package {added.package} gave no runs"
        raise KitError(why, file=path, fix="it has to return one kit.Run or several")
    shown = source or Path(path).name
    return [_completed(run, shown, repairs, **known) for run in runs]


def _completed(
    run: Run,
    shown: str,
    repairs: bool,
    conditions: Mapping[str, float | str] | None,
    trial: int | None,
    flags_per_turn: int | None,
) -> Run:
    run = replace(
        run,
        conditions={**(conditions or {}), **run.conditions},
        source=run.source or shown,
        trial=trial or run.trial,
        flags_per_turn=flags_per_turn or run.flags_per_turn,
    )
    return run.repaired() if repairs and not run.repairs else run


def preview(path: str | Path, rows: int = 5, **how) -> pd.DataFrame:
    """The first rows as read, in the file's own units; what was found out stands in `.attrs`.

    Parameters
    ----------
    path, how : as for `kit.read_log`.
    rows : how many.

    Returns
    -------
    DataFrame with the log's own column names. `.attrs`: delimiter, decimal, encoding, first_row, units, layout,
    content, unit, runs, description, read_as; problem: the text of the error if the rows could be read but make no
    run, else ""; and options: the answers to choose from if that is a question, see `kit.AmbiguousLog`.

    Raises
    ------
    KitError : the file cannot be read as a table.

    >>> import kit
    >>> rows = kit.preview("datasets_demo/coasting_disc/passes/magnets-12_trial-1.csv", rows=2)
    >>> list(rows.columns), rows.attrs["units"], rows.attrs["runs"]
    (['time'], ('s',), 1)
    """
    given = {name: how.get(name) for name in ("encoding", "delimiter", "decimal", "part")}
    try:
        table = read_table(read_bytes(path), str(path), **given)
    except AmbiguousLog as error:
        frame = pd.DataFrame()
        frame.attrs = {"problem": str(error), "description": "", "read_as": "", "options": error.options}
        return frame
    dialect = table.dialect
    names = [name or f"column {j}" for j, name in enumerate(dialect.names, start=1)]
    frame = table.frame.head(rows).set_axis(names, axis=1)
    frame.attrs = {
        "delimiter": dialect.delimiter, "decimal": dialect.decimal, "encoding": dialect.encoding,
        "first_row": dialect.first_row, "units": dialect.units,
    }  # fmt: skip
    try:
        reading = read(path, **{**how, "repairs": False})
    except KitError as error:
        frame.attrs |= {"problem": str(error), "description": "", "read_as": ""}
        frame.attrs["options"] = error.options if isinstance(error, AmbiguousLog) else {}
    else:
        frame.attrs |= {
            "problem": "", "description": _describe(reading), "layout": reading.layout, "content": reading.content,
            "unit": reading.unit, "runs": len(reading.runs), "read_as": reading.read_as, "options": {},
        }  # fmt: skip
    return frame


def describe_log(path: str | Path, **how) -> str:
    """How a log was understood: 'semicolons, decimal comma, milliseconds, pass times, 3 runs side by side'.

    Parameters
    ----------
    path, how : as for `kit.read_log`.

    Raises
    ------
    KitError : as for `kit.read_log`.

    >>> import kit
    >>> kit.describe_log("datasets_demo/coasting_disc/passes/magnets-12_trial-1.csv")
    'one column, decimal point, seconds, pass times, 1 run of 23 passes'
    """
    return _describe(read(path, **{**how, "repairs": False}))


def _describe(reading: Reading) -> str:
    dialect, runs = reading.table.dialect, reading.runs
    parts = [WORDS.get(dialect.delimiter, f"columns split at {dialect.delimiter!r}")]
    parts.append("decimal comma" if dialect.decimal == "," else "decimal point")
    parts.append(WORDS[reading.unit] if reading.unit_given else f"no unit given, taken as {WORDS[reading.unit]}")
    parts.append(WORDS[reading.content])
    many = {"wide": "side by side", "long": "one below the other"}.get(reading.layout)
    passes = sum(len(run.pass_times_s) for run in runs)
    parts.append(f"{len(runs)} runs {many}" if len(runs) > 1 else f"1 run of {passes:,} passes")
    if reading.ignored:
        parts.append(f"not used: {', '.join(reading.ignored)}")
    return ", ".join(parts)


def log_text(run: Run, *remarks: str, places: int | None = None) -> str:
    """A run as a gate log: the remarks after a #, a heading, one pass a line.

    Parameters
    ----------
    places : decimal places of each time, s; None writes as many as bring back the very same number.
    """
    times = (f"{t!r}\n" if places is None else f"{t:.{places}f}\n" for t in run.pass_times_s.tolist())
    return "".join([*(f"# {remark}\n" for remark in remarks), "time (s)\n", *times])
