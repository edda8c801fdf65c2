"""Where counting starts, found by eye in a log: what each choice of a first pass gives, beside the kit's own moment.

A log knows the disc only at its passes. The time beside a pass is that of the whole turn which ends there, so it tells
how fast the disc was about half a turn before. Whoever picks a row therefore picks a pass somewhat after the threshold;
the kit finds the moment between two passes from a smooth curve (`kit.motion.speed`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import counted_passes
from ..wording import count_of, number, percent, short
from .speed import SpeedCurve
from .threshold import check_thresholds, turn_periods

__all__ = ["StartsByEye", "log_by_pass", "run_for_the_eye", "starts_by_eye"]

ROWS_AFTER = 12  # passes of the log that are shown after the one at which the kit starts
SOON_ENOUGH = 60  # a start further down in the log makes a table that is tiresome to read


def log_by_pass(curve: SpeedCurve, passes: int | None = None) -> pd.DataFrame:
    """A run's log as a table for reading, one row a counted pass, the push included.

    Parameters
    ----------
    passes : how many rows from the top; all if not given.

    Returns
    -------
    DataFrame: pass (1, 2, 3, …), time_s (on the log's clock), period_s (time of the whole turn that ends at this pass;
    NaN before the first turn is complete).
    """
    times_s, turns = counted_passes(curve.run)
    table = pd.DataFrame(
        {"pass": np.arange(1, len(times_s) + 1), "time_s": times_s, "period_s": turn_periods(times_s, turns)}
    )
    return table.head(passes) if passes is not None else table


def run_for_the_eye(
    curves: Sequence[SpeedCurve], start_period_s: float, stop_period_s: float | None, x: str, reference: float
) -> SpeedCurve:
    """The run whose start is easiest to look for: the same one for every group that is given the same runs.

    Of the runs that reach both thresholds: rather one without repairs and doubts, rather one that starts within the
    first 60 passes, rather one at the reference condition `x` = `reference`, and of those the one with fewest passes
    before the start.

    Raises
    ------
    KitError : thresholds that cannot be, or no run that reaches both.
    """
    check_thresholds(start_period_s, stop_period_s)
    found = []
    for curve in curves:
        start = curve.crossing(start_period_s)
        if start is None or (stop_period_s is not None and curve.crossing(stop_period_s) is None):
            continue
        if curve.run.set_aside:
            continue
        before = _after_which(curve, start.time_s)
        odd = bool(curve.run.repairs) or not curve.trust
        found.append((odd, before > SOON_ENOUGH, curve.run.conditions.get(x) != reference, before, curve))
    if not found:
        raise KitError(
            "No run passes both turn periods",
            found=f"{start_period_s} s and {stop_period_s or 'the last pass'}",
            fix="choose a slower start or a faster stop",
        )
    return min(found, key=lambda one: one[:4])[4]


@dataclass(frozen=True, eq=False)
class StartsByEye:
    """What first passes chosen by eye give. Made by `starts_by_eye`."""

    start_period_s: float
    table: pd.DataFrame  # pass, time_s, period_s, chosen (how often), duration_s, turns, off_s, off_turns
    kit_start_s: float  # on the log's clock
    kit_after: int  # the pass right before it
    kit_duration_s: float
    kit_turns: float

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the choices do, in plain words; none of them is called right or wrong."""
        first, last = self.table.iloc[0], self.table.iloc[-1]
        people = int(self.table["chosen"].sum())
        said = [
            f"The kit starts at {number(self.kit_start_s)} s. That is between pass {self.kit_after} and pass "
            f"{self.kit_after + 1}: there one turn takes just {self.start_period_s:g} s."
        ]
        if len(self.table) == 1:
            all_ = "Your click is" if people == 1 else f"All {people} clicks are"
            said.append(f"{all_} at pass {first['pass']:.0f}. {self._against_kit(first)}")
        else:
            apart_s, apart = first["duration_s"] - last["duration_s"], first["turns"] - last["turns"]
            said += [
                f"The {people} clicks go from pass {first['pass']:.0f} to pass {last['pass']:.0f}.",
                f"From the first of these to the last, the coasting time changes by {number(apart_s, 2)} s "
                f"({percent(apart_s / self.kit_duration_s)}) and the count by {_turns(apart)}.",
            ]
        said.append(
            "The time beside a pass is that of the turn that ends there. Half a turn earlier it turned a little "
            "faster. So the first slow row comes a little late."
        )
        return tuple(said)

    def _against_kit(self, row: pd.Series) -> str:
        way = "shorter" if row["off_s"] < 0 else "longer"
        return (
            f"This makes the coasting time {number(abs(row['off_s']), 2)} s {way} than the kit's "
            f"({percent(abs(row['off_s']) / self.kit_duration_s)}), and the count by {_turns(abs(row['off_turns']))} "
            f"{'smaller' if row['off_turns'] < 0 else 'larger'}."
        )


def starts_by_eye(
    curve: SpeedCurve, passes: Sequence[int], start_period_s: float, stop_period_s: float | None
) -> StartsByEye:
    """What each chosen first pass makes of a run's coasting time and turns, and where the kit starts.

    Both end where the kit ends: at its moment for `stop_period_s`, or at the last pass if that is None. So the start
    alone makes the difference: `off_s` and `off_turns` are the chosen count minus the kit's.

    Parameters
    ----------
    passes : chosen first passes, numbered as in `log_by_pass`; a pass that several people chose stands several times.
    start_period_s, stop_period_s : the thresholds, s.

    Raises
    ------
    KitError : no choice, a pass that the log does not have, thresholds that cannot be or that the run does not reach.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> (curve,) = kit.speed_curves([kit.Run(0.2 * n + 0.002 * n**2)])
    >>> found = kit.starts_by_eye(curve, [14, 16], 0.25, 0.5)
    >>> found.kit_after, found.table[["pass", "off_turns"]].round(1).values.tolist()
    (13, [[14.0, -0.5], [16.0, -2.5]])
    """
    check_thresholds(start_period_s, stop_period_s)
    start = curve.crossing(start_period_s)
    stop = curve.last_pass if stop_period_s is None else curve.crossing(stop_period_s)
    if start is None or stop is None:
        raise KitError("This run does not pass both turn periods", found=f"{start_period_s} s and {stop_period_s} s")
    log = log_by_pass(curve)
    if not passes:
        raise KitError("There is no first pass to count from", fix="choose a row of the log")
    for chosen in passes:
        if isinstance(chosen, bool) or not isinstance(chosen, int | np.integer) or not 1 <= chosen <= len(log):
            raise KitError("The log has no such pass", found=chosen, fix=f"choose one from 1 to {len(log)}")
    _, turns = counted_passes(curve.run)
    counts = pd.Series(passes).value_counts().sort_index()
    rows = log.iloc[counts.index.to_numpy() - 1].reset_index(drop=True)
    rows["chosen"] = counts.to_numpy()
    rows["duration_s"] = stop.time_s - rows["time_s"]
    rows["turns"] = stop.turns - turns[rows["pass"].to_numpy() - 1]
    kit_duration_s, kit_turns = stop.time_s - start.time_s, stop.turns - start.turns
    rows["off_s"] = rows["duration_s"] - kit_duration_s
    rows["off_turns"] = rows["turns"] - kit_turns
    return StartsByEye(
        start_period_s, rows, start.time_s, _after_which(curve, start.time_s), kit_duration_s, float(kit_turns)
    )


def _after_which(curve: SpeedCurve, time_s: float) -> int:
    """The number of the last pass at or before a time, as `log_by_pass` counts."""
    return int(np.searchsorted(counted_passes(curve.run)[0], time_s, side="right"))


def _turns(value: float) -> str:
    return count_of(1, "turn") if short(value) == "1" else f"{short(value)} turns"
