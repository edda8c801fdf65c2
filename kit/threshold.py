"""Where counting starts and stops: duration and turns of every run between two agreed turn periods.

A hand never spins the apparatus twice alike. So a run counts only from the moment it has slowed to one agreed turn
period, the start threshold, to the moment it has slowed to another, the stop threshold.
"""

from __future__ import annotations

from collections.abc import Sequence
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from .drag_fit import DragFit, coasting_passes, fit_drag
from .errors import KitError
from .miscounts import Miscount, find_miscounts, recounted
from .passes import Run
from .speed import SpeedCurve, prepare

__all__ = ["RULES", "STATUSES", "common_stop", "common_threshold", "measure", "turn_periods"]

COUNTED = "counted"
ALREADY_SLOWER = "already slower than the threshold"
NEVER_SLOW_ENOUGH = "never slow enough"
TOO_FEW_PASSES = "too few passes"
STATUSES = (COUNTED, ALREADY_SLOWER, NEVER_SLOW_ENOUGH, TOO_FEW_PASSES)

_LAST_PASS_NOTE = "counted to the last pass: up to one turn before rest is missing"
_SUSPECT_SCATTER = 0.005  # of the shortest turn: no gate jitters that much, so a count may be wrong
_SUSPECT_PERIOD_S = 0.06  # a hand spins hardly faster; more often the number of flags is wrong


def measure(
    runs: Sequence[Run | SpeedCurve],
    start_period_s: float,
    stop_period_s: float | None = None,
    rule: str = "interpolated",
) -> pd.DataFrame:
    """Duration and turns of every run, counted between two turn periods.

    Parameters
    ----------
    runs : runs, or the curves that `prepare` made of them (then nothing is smoothed again).
    start_period_s : turn period at which counting starts, s.
    stop_period_s : turn period at which it stops, s; None counts to the last pass, which is not rest.
    rule : "interpolated": the moment between passes at which the smoothed turn period equals the threshold; turns
        are fractional. "whole turns": the first pass that closes a turn at least as long as the threshold, as a
        careful person finds it in a log. "law": the moment at which the run's fitted three-term drag law has that turn
        period; the most accurate, if the law holds.

    Returns
    -------
    DataFrame, one row a run, in the given order: condition columns, `trial, duration_s, duration_u_s, turns,
    turns_u, start_s, stop_s, status, set_aside, source, origin, more_than_s, note`. `start_s` and `stop_s` are on the
    log's own clock. A run that can't be measured stays, with its `status` and NaN; where it ended before the stop
    threshold, `more_than_s` says how long it had lasted by then. Uncertainties are standard uncertainties; value
    ± 2 u is meant to hold the value without gate jitter 95 times in 100.

    Raises
    ------
    KitError : no runs, an unknown rule, or thresholds that are not 0 < start < stop.
    """
    check_thresholds(start_period_s, stop_period_s)
    if rule not in RULES:
        raise KitError("This counting rule is not known", found=rule, fix=f"use one of: {', '.join(RULES)}")
    if len(runs) == 0:
        raise KitError("There are no runs to measure", fix="read a folder of gate logs first")
    curves = prepare(runs)
    rows = [_row(curve, RULES[rule](curve, start_period_s, stop_period_s), stop_period_s) for curve in curves]
    names = list(dict.fromkeys(name for curve in curves for name in curve.run.conditions))
    table = pd.DataFrame(rows)
    conditions = pd.DataFrame([{n: c.run.conditions.get(n, np.nan) for n in names} for c in curves])
    return pd.concat([conditions, table], axis=1)


def check_thresholds(start_period_s: float, stop_period_s: float | None) -> None:
    """Raise a KitError unless 0 < start < stop (stop may be None: the last pass)."""
    for name, value in (("start", start_period_s), ("stop", stop_period_s)):
        if value is None and name == "stop":
            continue
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not 0 < value < np.inf:
            raise KitError(
                f"The {name} threshold must be a turn period above zero",
                found=value,
                fix="give seconds, such as 0.3",
            )
    if stop_period_s is not None and stop_period_s <= start_period_s:
        raise KitError(
            "The stop threshold must be slower than the start threshold",
            found=f"start {start_period_s} s, stop {stop_period_s} s",
            fix="a slower disc needs longer for a turn, so give a stop threshold of more seconds",
        )


def common_threshold(runs: Sequence[Run | SpeedCurve]) -> float:
    """The fastest start that every run reaches: the longest turn period at the start of coasting, s.

    Rounded up to a whole millisecond, so that it can be typed. Runs that are set aside or have too few passes have
    no say.
    """
    starts = [curve.period_s[0] for curve in _countable(prepare(runs))]
    return float(np.ceil(max(starts) * 1e3) / 1e3)


def common_stop(runs: Sequence[Run | SpeedCurve]) -> float:
    """The slowest stop that every run still reaches, s, rounded down to a whole millisecond."""
    stops = [curve.period_s[-1] for curve in _countable(prepare(runs))]
    return float(np.floor(min(stops) * 1e3) / 1e3)


def _countable(curves) -> list[SpeedCurve]:
    countable = [c for c in curves if c.usable and not c.run.set_aside]
    if not countable:
        raise KitError("No run has enough passes to find a threshold", fix="check the logs and what has been set aside")
    return countable


def _row(curve: SpeedCurve, found: dict, stop_period_s) -> dict:
    run = curve.run
    notes = [note for note in [found.pop("note", "")] if note]
    if found["status"] == COUNTED and stop_period_s is None:
        notes.append(_LAST_PASS_NOTE)
    if curve.usable and curve.period_s[0] < _SUSPECT_PERIOD_S:
        notes.append(
            f"the fastest turn took {curve.period_s[0]:.3f} s: check the number of flags a turn "
            f"(now {run.flags_per_turn}) by turning the disc ten times by hand"
        )
    blank = dict.fromkeys(("duration_s", "duration_u_s", "turns", "turns_u", "start_s", "stop_s"), np.nan)
    more_than_s = found.pop("more_than_s", np.nan)
    return (
        {"trial": run.trial}
        | blank
        | found
        | {
            "set_aside": run.set_aside,
            "source": run.source,
            "origin": run.origin,
            "more_than_s": more_than_s,
            "note": "; ".join(notes),
        }
    )


def _interpolated(curve: SpeedCurve, start_period_s, stop_period_s) -> dict:
    if not curve.usable:
        return {"status": TOO_FEW_PASSES}
    if curve.period_s[0] > start_period_s:
        return {"status": ALREADY_SLOWER}
    start = curve.crossing(start_period_s)
    if start is None:
        return {"status": NEVER_SLOW_ENOUGH, "more_than_s": 0.0}
    if stop_period_s is None:
        stretch, stop_s = curve.to_last_pass(start_period_s), curve.times_s[-1]
    else:
        stretch, stop = curve.between(start_period_s, stop_period_s), curve.crossing(stop_period_s)
        if stretch is None:
            more = curve.times_s[-1] - start.time_s
            return {"status": NEVER_SLOW_ENOUGH, "start_s": start.time_s, "more_than_s": more}
        stop_s = stop.time_s
    return {
        "duration_s": stretch.duration_s,
        "duration_u_s": stretch.duration_u_s,
        "turns": stretch.turns,
        "turns_u": stretch.turns_u,
        "start_s": start.time_s,
        "stop_s": stop_s,
        "status": COUNTED,
    }


def turn_periods(times_s, turns) -> np.ndarray:
    """Duration (s) of the whole turn that each pass closes, (n,); NaN before the first turn is complete.

    Where the pass one turn earlier was missed, the mean period since the last pass before that is taken.
    """
    times_s, turns = np.asarray(times_s, dtype=float), np.asarray(turns, dtype=float)
    earlier = np.searchsorted(turns, turns - 1 + 1e-9, side="right") - 1
    period = (times_s - times_s[earlier]) / np.where(earlier >= 0, turns - turns[earlier], 1.0)
    return np.where(earlier >= 0, period, np.nan)


def _whole_turns(curve: SpeedCurve, start_period_s, stop_period_s) -> dict:
    """What a person counts: the first pass that closes a slow enough turn, at both ends."""
    times_s, turns = curve.times_s, curve.turns
    if len(times_s) < 3 or turns[-1] - turns[0] < 2:
        return {"status": TOO_FEW_PASSES}
    period = turn_periods(times_s, turns)
    slow = np.flatnonzero(period >= start_period_s)
    if slow.size == 0:
        return {"status": NEVER_SLOW_ENOUGH, "more_than_s": 0.0}
    first = slow[0]
    if first == np.flatnonzero(np.isfinite(period))[0]:
        return {"status": ALREADY_SLOWER}
    ends = [first]
    if stop_period_s is not None:
        slow = np.flatnonzero(period >= stop_period_s)
        if slow.size == 0:
            more = times_s[-1] - times_s[first]
            return {"status": NEVER_SLOW_ENOUGH, "start_s": times_s[first], "more_than_s": more}
        ends.append(slow[0])
    last = len(times_s) - 1 if stop_period_s is None else ends[1]
    late_s, late_u_s, late_u_turns = np.array([_lateness(curve, period, end) for end in ends]).T
    bias_s = late_s[0] if stop_period_s is None else late_s[1] - late_s[0]
    return {
        "duration_s": times_s[last] - times_s[first],
        "duration_u_s": float(np.sqrt(bias_s**2 + np.sum(late_u_s**2))),
        "turns": turns[last] - turns[first],
        "turns_u": float(np.sqrt(np.sum(late_u_turns**2))),
        "start_s": times_s[first],
        "stop_s": times_s[last],
        "status": COUNTED,
    }


def _lateness(curve: SpeedCurve, period, end: int) -> tuple[float, float, float]:
    """How late a whole-turn count is at pass `end`: mean delay (s), its standard uncertainty in s and in turns.

    The disc had the threshold's period somewhere between the middle of the turn before and the middle of the turn
    that this pass closes, anywhere with equal chance (rectangular, GUM 4.3.7): half a turn to one and a half turns
    ago. The person's count is left as it is, so the mean delay counts as uncertainty. In a long run jitter lets the
    first slow turn come early, by about (jitter of a period)/(growth of the period a turn). And since turns are whole,
    an end that is a hair off costs a whole turn: the variance of the rectangle is doubled.
    """
    here = period[end]
    before = period[end - 1] if np.isfinite(period[end - 1]) else here
    near = slice(max(end - 5, 0), end + 6)
    known = np.isfinite(period[near])
    growth = np.polyfit(curve.turns[near][known], period[near][known], 1)[0] if known.sum() > 2 else 0.0
    early_turns = 0.0
    if growth > 0 and curve.usable:
        early_turns = min(np.sqrt(2) * curve.timing_sd_s / growth, 5.0)
    u_turns = np.sqrt(2 / 12 + early_turns**2)
    return (3 * here + before) / 4, (here + before) / 2 * u_turns, u_turns


def _by_law(curve: SpeedCurve, start_period_s, stop_period_s) -> dict:
    """Crossings of the three-term drag law fitted to the run's passes (`kit.drag_fit`).

    As accurate as can be (Cramér–Rao) if the law holds. Counts that the law shows to be wrong are put right for this
    rule, and said; so is a disagreement with the law-free curve that leaves no overlap of the two 95 % intervals.
    """
    if curve not in _LAW_FITS:
        _LAW_FITS[curve] = _law_fit(curve.run)
    fit, miscounts = _LAW_FITS[curve]
    if fit is None:
        return {"status": TOO_FEW_PASSES}
    start_s, start_turns = fit.crossing(start_period_s)
    if start_s < curve.times_s[0]:
        return {"status": ALREADY_SLOWER}
    last_s = curve.times_s[-1]
    if not start_s <= last_s:
        return {"status": NEVER_SLOW_ENOUGH, "more_than_s": 0.0}
    notes = [f"at {m.time_s:.2f} s {m.reason}" for m in miscounts]
    if stop_period_s is None:
        last_period_s = 2 * np.pi / float(fit.speed(last_s))
        found = fit.between(start_period_s, last_period_s)
        stop_s, found = (
            last_s,
            found._replace(duration_s=last_s - start_s, turns=float(fit.turns(last_s)) - start_turns),
        )
    else:
        stop_s = fit.crossing(stop_period_s)[0]
        if not stop_s <= last_s:
            return {"status": NEVER_SLOW_ENOUGH, "start_s": start_s, "more_than_s": last_s - start_s}
        found = fit.between(start_period_s, stop_period_s)
        notes += _disagreement(found, curve.between(start_period_s, stop_period_s))
    return {
        "duration_s": found.duration_s,
        "duration_u_s": found.duration_u_s,
        "turns": found.turns,
        "turns_u": found.turns_u,
        "start_s": start_s,
        "stop_s": stop_s,
        "status": COUNTED,
        "note": "; ".join(notes),
    }


def _law_fit(run: Run) -> tuple[DragFit | None, tuple[Miscount, ...]]:
    try:
        times_s, angles_rad = coasting_passes(run)
        fit = fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn)
        if fit.timing_sd_s < _SUSPECT_SCATTER * 2 * np.pi / fit.start_speed:
            return fit, ()
        miscounts = find_miscounts(times_s, angles_rad, run.flags_per_turn)
        angles_rad = recounted(angles_rad, miscounts, run.flags_per_turn)
        return fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn), miscounts
    except KitError:
        return None, ()


#: A curve's fit does not depend on the thresholds: it is made once, however often a threshold moves.
_LAW_FITS: WeakKeyDictionary[SpeedCurve, tuple[DragFit | None, tuple[Miscount, ...]]] = WeakKeyDictionary()


def _disagreement(by_law, by_curve) -> list[str]:
    if by_curve is None:
        return []
    off_s = by_law.duration_s - by_curve.duration_s
    if abs(off_s) <= 2 * (by_law.duration_u_s + by_curve.duration_u_s):
        return []
    return [
        f"the drag law and the curve without a law differ by {off_s:+.2g} s, more than both uncertainties: "
        "the law does not hold for this run, or a pass was counted wrongly"
    ]


RULES = {"interpolated": _interpolated, "whole turns": _whole_turns, "law": _by_law}
