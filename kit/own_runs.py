"""Runs a group makes itself: on the bench, at the gate, by tapping, from files. Kept in the workbook like all else.

So they come back with the workbook wherever it is put back, go to the teacher with the hand-in, and no file that is
there already is touched. `write_folder` makes a lesson's data folder of any runs: gate logs and `runs.csv`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from .entries import Entry
from .errors import KitError
from .journal import write_new
from .passes import Run, with_repairs
from .taps import tapped_run
from .workbook import Workbook

__all__ = ["LESSON", "ORIGINS", "OwnRuns", "write_folder"]

KIND = "run"
LESSON = "lesson"  # the lesson's own data, beside those below
#: Where a group's own runs can come from: what is saved, and in words.
ORIGINS = {
    "bench": "virtual bench (a simulation)",
    "gate": "live gate",
    "taps": "tapped by hand",
    "clicks": "clicks in a recording",
    "file": "own file",
}


class OwnRuns:
    """The runs a group made itself, in the order in which they were made.

    Parameters
    ----------
    workbook, stage : where they are kept, as entries of kind `run`.
    """

    def __init__(self, workbook: Workbook, stage: str = "measure"):
        self.workbook, self.stage = workbook, stage
        self._made: dict[int, Run] = {}  # by entry number; entries never change

    def add(
        self,
        pass_times_s: Sequence[float],
        conditions: Mapping[str, float | str],
        origin: str,
        flags_per_turn: int = 1,
        note: str = "",
    ) -> Run:
        """Keep a run; return it with its trial number and its repairs once it is on the disk.

        Parameters
        ----------
        pass_times_s : (n,) strictly increasing, s; kept exactly as they are.
        origin : one of `ORIGINS`.

        Raises
        ------
        KitError : an unknown origin, times that make no run, or a workbook that cannot be written to.
        """
        if origin not in ORIGINS:
            raise KitError("A run must say where it comes from", found=origin, fix=f"one of: {', '.join(ORIGINS)}")
        run = Run(pass_times_s, conditions, flags_per_turn, note=note)  # refuses what makes no run
        trial = 1 + sum(dict(known.conditions) == dict(run.conditions) for known in self.runs)
        value = {
            "origin": origin,
            "conditions": dict(run.conditions),
            "trial": trial,
            "flags_per_turn": run.flags_per_turn,
            "note": note,
            "pass_times_s": run.pass_times_s,
        }
        entry = self.workbook.add(self.stage, KIND, value)
        return self._run(entry)

    @property
    def runs(self) -> list[Run]:
        """All of them, every found repair accepted."""
        return [self._run(entry) for entry in self.workbook.history(KIND)]

    def counts(self) -> dict[str, int]:
        """How many runs there are of each origin that occurs."""
        origins = [run.origin for run in self.runs]
        return {origin: origins.count(origin) for origin in ORIGINS if origin in origins}

    def _run(self, entry: Entry) -> Run:
        if entry.n not in self._made:
            value = entry.value
            try:
                origin = value["origin"]
                run = Run(
                    value["pass_times_s"],
                    value["conditions"],
                    value["flags_per_turn"],
                    value["trial"],
                    source=f"{origin}-{entry.n}",
                    note=value["note"],
                    origin=origin,
                )
                # a shaky tap is no missed turn: timing by hand has a rule of its own for what to accept
                repairs = tapped_run(run.pass_times_s).repairs if origin == "taps" else with_repairs(run).repairs
            except (KeyError, TypeError) as problem:
                raise KitError(
                    f"Entry {entry.n} should be a run, but it lacks something ({problem})",
                    file=self.workbook.path,
                    fix="show this to your teacher",
                ) from problem
            self._made[entry.n] = replace(run, repairs=repairs)
        return self._made[entry.n]


def write_folder(runs: Sequence[Run], folder: str | Path) -> list[Path]:
    """Write runs as gate logs with their list `runs.csv`, as `kit.read_folder` reads them; return the paths.

    Raises
    ------
    KitError : no runs, runs that do not name the same conditions, a file that is there already (nothing is
        overwritten), or a folder that cannot be written to.
    """
    folder = Path(folder)
    if not runs:
        raise KitError("There are no runs to write", file=folder)
    names = list(runs[0].conditions)
    rows, logs = [], {}
    for number, run in enumerate(runs, 1):
        if set(run.conditions) != set(names):
            raise KitError(
                "These runs do not name the same conditions",
                file=folder,
                found=f"{list(run.conditions)} in {run.source}, {names} in {runs[0].source}",
                fix="write them into two folders",
            )
        log = f"passes/{number:03d}.csv"
        logs[log] = "time_s\n" + "".join(f"{float(t)!r}\n" for t in run.pass_times_s)
        row = {"file": log} | {name: _cell(run.conditions[name]) for name in names} | {"trial": run.trial}
        row |= {"order": run.order or number, "origin": run.origin, "flags_per_turn": run.flags_per_turn}
        rows.append(row | {"set_aside": run.set_aside, "note": run.note})
    listing = io.StringIO()
    writer = csv.DictWriter(listing, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    files = {**logs, "runs.csv": listing.getvalue()}  # the list last: without it the logs are not read
    for name in files:
        if (folder / name).exists():
            raise KitError("This file is there already and is not replaced", file=folder / name, fix="use a new folder")
    try:
        (folder / "passes").mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            write_new(folder / name, text.encode())
    except OSError as problem:
        raise KitError(
            f"The runs were not written: {problem.strerror}", file=folder, fix="use another folder"
        ) from problem
    return [folder / name for name in files]


def _cell(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.15g}"
