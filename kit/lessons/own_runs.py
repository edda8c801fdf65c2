"""The runs that a group made itself: kept in its workbook pass by pass, wherever they come from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..errors import KitError
from ..logs.run import Run, with_repairs
from ..record.entries import Entry, Kind
from ..record.workbook import Workbook
from ..sources.taps import tapped_run

__all__ = ["LESSON", "ORIGINS", "OwnRuns"]

LESSON = "lesson"  # the lesson's own data, beside those below

#: Where a group's own runs can come from: what is saved, and in words.
ORIGINS = {
    "bench": "virtual bench (a simulation)",
    "gate": "live gate",
    "taps": "tapped by hand",
    "clicks": "clicks of a card",
    "camera": "seen by a camera",
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
        pass_times_s: Sequence[float] | np.ndarray,
        conditions: Mapping[str, float | str],
        origin: str,
        flags_per_turn: int = 1,
        note: str = "",
        *,
        read_as: str = "",
        timing_u_s: float = 0.0,
    ) -> Run:
        """Keep a run; return it with its trial number and its repairs once it is on the disk.

        Parameters
        ----------
        pass_times_s : (n,) strictly increasing, s; kept exactly as they are.
        origin : one of `ORIGINS`.
        read_as, timing_u_s : how its log was understood, and the uncertainty of a pass (s) that its scatter can't show.

        Raises
        ------
        KitError : an unknown origin, times that make no run, or a workbook that cannot be written to.
        """
        if origin not in ORIGINS:
            raise KitError("A run must say where it comes from", found=origin, fix=f"one of: {', '.join(ORIGINS)}")
        run = Run(np.asarray(pass_times_s, float), conditions, flags_per_turn, note=note)  # refuses what makes no run
        trial = 1 + sum(dict(known.conditions) == dict(run.conditions) for known in self.runs)
        value = {
            "origin": origin,
            "conditions": dict(run.conditions),
            "trial": trial,
            "flags_per_turn": run.flags_per_turn,
            "note": note,
            "pass_times_s": run.pass_times_s,
        }
        value |= {name: told for name, told in (("read_as", read_as), ("timing_u_s", float(timing_u_s))) if told}
        entry = self.workbook.add(self.stage, Kind.RUN, value)
        return self._run(entry)

    def keep(self, run: Run, origin: str, note: str = "") -> Run:
        """Keep a run as it is, and all that is known of it; as `add`."""
        how, u_s, flags = run.read_as, run.timing_u_s, run.flags_per_turn
        return self.add(run.pass_times_s, run.conditions, origin, flags, note, read_as=how, timing_u_s=u_s)

    @property
    def runs(self) -> list[Run]:
        """All of them, every found repair accepted."""
        return [self._run(entry) for entry in self.workbook.history(Kind.RUN)]

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
                    timing_u_s=float(value.get("timing_u_s", 0.0)),  # older entries have neither
                    read_as=value.get("read_as", ""),
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
