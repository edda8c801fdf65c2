"""Reading gate logs: one file, a folder of files, a look at the first rows, runs that share a file."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from kit.dialect import read_table
from kit.errors import KitError
from kit.logforms import Reading, read
from kit.logreaders import read_runs
from kit.passes import Run, counted_passes, with_repairs
from kit.runfolder import read_folder
from kit.textfile import read_bytes

__all__ = ["describe_log", "preview", "read_folder", "read_log", "split", "split_proposal"]

NEW_PUSH = 1.3  # a coasting rotor never gets this much faster again
FEWEST_PASSES = 5  # in a run that is worth proposing
WORDS = {
    "\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces", "": "one column",
    "s": "seconds", "ms": "milliseconds", "us": "microseconds",
    "times": "pass times", "states": "beam states", "periods": "turn periods, added up",
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
    unit : "s", "ms" or "us"; else from the header or a row of units; else seconds, or the first of
        milliseconds and microseconds in which the usual gap is at most 20 s.
    layout : "single", "long" (runs below each other, with columns of conditions and trial) or "wide"
        (one run a column; they may end in different rows).
    content : "times" (of passes), "states" (time and beam state 0/1) or "periods" (of turns, added up from
        a first pass at 0). Else the header's words decide, else the values: a column that rises from
        row to row holds times. Turn periods that rise in every row by 10 ms or more cannot be told from
        times: then say content="periods".
    time_column, state_column, trial_column : name, or number from 1.
    condition_columns : names or numbers; else, in a file with a named time column, every further column
        that stays the same over three rows on average.
    blocked : the state that means "beam blocked", 1 (default) or 0. A pass is the moment the beam becomes
        blocked. A first row that is already blocked counts only in a log of changes.
    flags_per_turn, conditions, trial : for the runs of a file that does not say so itself.
    repairs : False leaves the search for bounces and missed passes out.

    Raises KitError, naming file, row and column, for a cell that is no number, a clock that steps back or
    runs over, an empty cell within a run, fewer than two passes, and a file that is no log at all.
    Values are read as they stand; milliseconds and microseconds are divided by 1,000 and 1,000,000.
    """
    return read_runs(path, **how)


def preview(path: str | Path, rows: int = 5, **how) -> pd.DataFrame:
    """The first rows as read, in the file's own units; what was found out stands in `.attrs`.

    attrs: delimiter, decimal, encoding, first_row, units, layout, content, unit, runs, description; and
    problem: the text of the error if the rows could be read but make no run, else "".
    """
    given = {name: how.get(name) for name in ("encoding", "delimiter", "decimal")}
    table = read_table(read_bytes(path), str(path), **given)
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
        frame.attrs |= {"problem": str(error), "description": ""}
    else:
        frame.attrs |= {
            "problem": "", "description": _describe(reading), "layout": reading.layout, "content": reading.content,
            "unit": reading.unit, "runs": len(reading.runs),
        }  # fmt: skip
    return frame


def describe_log(path: str | Path, **how) -> str:
    """How a log was understood: 'semicolons, decimal comma, milliseconds, pass times, 3 runs side by side'."""
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


def split_proposal(run: Run) -> list[int]:
    """Where a run probably holds several: positions of the passes at which a new run begins.

    A coasting rotor only slows down. Wherever the speed, after falling, rises by more than 30 % for
    several passes, somebody pushed again; the cut is at the longest gap between the two. Nothing is cut
    here: the person looks, and confirms with `split`.
    """
    clean = run if run.repairs else with_repairs(run)
    times, turns = counted_passes(clean)
    if len(times) < 2 * FEWEST_PASSES:
        return []
    raw = np.diff(times)
    gaps = raw / np.diff(turns)
    windows = np.lib.stride_tricks.sliding_window_view(gaps, 3)
    usual = np.concatenate((gaps[:1], np.median(windows, axis=1), gaps[-1:]))
    speed = (1 / np.maximum(gaps, usual)).tolist()

    cuts, rising, extreme, at = [], True, speed[0], 0
    for i, now in enumerate(speed):
        if (now > extreme) == rising:
            extreme, at = now, i
        elif rising and now < extreme / NEW_PUSH:
            rising, extreme, at = False, now, i
        elif not rising and now > extreme * NEW_PUSH:
            lowest = at
            rising, extreme, at = True, now, i
            near = range(max(0, lowest - 1), i + 1)
            cut = max(near, key=raw.__getitem__) + 1
            if cut - (cuts[-1] if cuts else 0) >= FEWEST_PASSES and len(times) - cut >= FEWEST_PASSES:
                cuts.append(cut)
    return np.searchsorted(run.pass_times_s, times[cuts]).tolist() if cuts else []


def split(run: Run, indices: list[int]) -> list[Run]:
    """The runs that begin at pass 0 and at each of these positions, numbered on as trials.

    Conditions and everything else stay. If the run had its repairs found, they are found again in each
    part (near a cut they can differ), and what was refused stays refused.
    """
    n = len(run.pass_times_s)
    cuts = sorted(set(indices))
    if any(not 0 < i < n for i in cuts):
        raise KitError(
            "A cut must lie within the run",
            file=run.source or None,
            found=cuts,
            fix=f"choose from 1 to {n - 1}",
        )
    edges = [0, *cuts, n]
    runs = []
    for number, (a, b) in enumerate(pairwise(edges)):
        own = tuple(replace(r, index=r.index - a) for r in run.repairs if a < r.index < b)
        part = replace(
            run,
            pass_times_s=run.pass_times_s[a:b],
            repairs=own,
            trial=run.trial + number,
            source=f"{run.source}, part {number + 1}" if len(edges) > 2 else run.source,
        )
        runs.append(with_repairs(part) if run.repairs else part)
    return runs
