"""Where counting starts and stops: duration and turns of every run between two agreed turn periods.

A hand never spins the apparatus twice alike. So a run counts only from the moment it has slowed to one agreed turn
period, the start threshold, to the moment it has slowed to another, the stop threshold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from ..stats.averages import COUNTED, DOUBTFUL, NORMAL_FACTOR, t_factor
from ..stats.least_squares import lag_one, lasting_factor
from ..wording import number
from .drag import TURN
from .drag_fit import DragFit, coasting_passes, fit_drag
from .miscounts import Miscount, find_miscounts, recounted
from .speed import MIN_PASSES, Crossing, SpeedCurve, speed_curves
from .trust import LEAST_PASSES, law_holds, law_test

__all__ = [
    "ALREADY_SLOWER",
    "BEST",
    "COUNTED",
    "NEVER_SLOW_ENOUGH",
    "NO_CURVE",
    "RULES",
    "RULE_NAMES",
    "TOO_FEW_PASSES",
    "best_rule",
    "common_start",
    "common_stop",
    "measure",
    "turn_periods",
]


# --- duration and turns of every run between two turn periods

ALREADY_SLOWER = "already slower than the threshold"

NEVER_SLOW_ENOUGH = "never slow enough"

TOO_FEW_PASSES = "too few passes"

NO_CURVE = "no smooth curve fits the passes"

BEST = "best"  # the name of the choice that `best_rule` makes

_LAST_PASS_NOTE = "counted to the last pass: up to one turn before rest is missing"

_SUSPECT_SCATTER = 0.005  # of the shortest turn: no gate jitters that much, so a count may be wrong

_MOVED_U, _MOVED, _SHARP = 5.0, 0.01, 0.01  # standard uncertainties; of the duration; of a gap

_LONGEST = 2.5  # times as long as the turn before

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
    runs : runs, or the curves that `speed_curves` made of them (then nothing is smoothed again).
    start_period_s : turn period at which counting starts, s.
    stop_period_s : turn period at which it stops, s; None counts to the last pass, which is not rest.
    rule : "interpolated": the moment between passes at which the smoothed turn period equals the threshold; turns
        are fractional. "whole turns": the first pass that closes a turn at least as long as the threshold, as a
        careful person finds it in a log. "law": the moment at which the run's fitted three-term drag law has that turn
        period; the most accurate, if the law holds. "best": what `best_rule` chooses for all these runs.

    Returns
    -------
    DataFrame, one row a run, in the given order: condition columns, `trial, duration_s, duration_u_s, turns,
    turns_u, start_s, stop_s, status, set_aside, source, origin, more_than_s, note, doubt, outcome`. `start_s` and
    `stop_s` are on the log's own clock. `doubt` says in sentences what speaks against the count (`kit.trust`), empty if
    nothing does; `outcome` is "counted", "doubtful" (it counts all the same, until somebody sets it aside) or "not
    counted". `.attrs["rule"]` and `.attrs["rule_why"]` tell the rule that was used, and why. A run that can't be
    measured stays, with its `status` and NaN; where it ended before the stop threshold, `more_than_s` says how long it
    had lasted by then. Uncertainties are standard uncertainties; value ± 2 u is meant to hold the value without gate
    jitter 95 times in 100.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> table = kit.measure([run], start_period_s=0.25, stop_period_s=0.5)
    >>> print(table[["duration_s", "turns", "status"]].round(3).to_string(index=False))
     duration_s  turns  status
         23.438   62.5 counted

    Raises
    ------
    KitError : no runs, an unknown rule, or thresholds that are not 0 < start < stop.
    """
    check_thresholds(start_period_s, stop_period_s)
    if rule not in RULE_NAMES:
        raise KitError("This counting rule is not known", found=rule, fix=f"use one of: {', '.join(RULE_NAMES)}")
    if len(runs) == 0:
        raise KitError("There are no runs to measure", fix="read a folder of gate logs first")
    curves = speed_curves(runs)
    rule, why = best_rule(curves) if rule == BEST else (rule, "")
    rows = [_row(curve, rule, start_period_s, stop_period_s) for curve in curves]
    names = list(dict.fromkeys(name for curve in curves for name in curve.run.conditions))
    table = pd.DataFrame(rows)
    conditions = pd.DataFrame([{n: c.run.conditions.get(n, np.nan) for n in names} for c in curves])
    table = pd.concat([conditions, table], axis=1)
    table.attrs.update(rule=rule, rule_why=why)
    return table


def best_rule(runs: Sequence[Run | SpeedCurve]) -> tuple[str, str]:
    """The counting rule for all runs of one table, and why: the drag law if it holds for them, else the smooth curve.

    A law has a few numbers for a whole run, so that its count is sharper, up to 40 times in a short run; where a run
    does not follow it, it is wrong. Whether it does is told by what is left (`kit.motion.trust.law_test`), by all runs
    together; runs that are set aside, doubtful, or without a curve have no say. One rule is used for the whole table,
    so that runs compare.

    Returns
    -------
    "law" or "interpolated", and a sentence.
    """
    curves = [c for c in speed_curves(runs) if c.usable and not c.run.set_aside and c.trust]
    tests = [c.once(_law_fit).test_of(c) for c in curves]
    if law_holds(tests):
        return (
            "law",
            f"The drag law follows {'it' if len(tests) == 1 else 'all runs'} to within the scatter, so it is used.",
        )
    if not tests:
        return "interpolated", "No run is fit to test a drag law, so the smooth curve is used."
    return "interpolated", "The drag law does not follow all runs to within the scatter, so the smooth curve is used."


def check_thresholds(start_period_s: float, stop_period_s: float | None) -> None:
    """Raise a KitError unless 0 < start < stop (stop may be None: the last pass)."""
    for name, value in (("start", start_period_s), ("stop", stop_period_s)):
        if value is None and name == "stop":
            continue
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not 0 < value < np.inf:
            raise KitError(
                f"The {name} threshold must be a turn period above zero",
                found=value,
                fix="give seconds, such as 0.4",
            )
    if stop_period_s is not None and stop_period_s <= start_period_s:
        raise KitError(
            "The stop threshold must be slower than the start threshold",
            found=f"start {start_period_s} s, stop {stop_period_s} s",
            fix="a slower disc needs longer for a turn, so give a stop threshold of more seconds",
        )


def common_start(runs: Sequence[Run | SpeedCurve]) -> float:
    """The fastest start that every run reaches: the longest turn period at the start of coasting, s.

    Rounded up to a whole millisecond, so that it can be typed. Runs that are set aside or have too few passes have
    no say.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> print(kit.common_start([run, kit.Run(run.pass_times_s * 1.2)]))
    0.24

    Raises
    ------
    KitError : no run has enough passes.
    """
    starts = [curve.period_s[0] for curve in _countable(speed_curves(runs))]
    return float(np.ceil(max(starts) * 1e3) / 1e3)


def common_stop(runs: Sequence[Run | SpeedCurve]) -> float:
    """The slowest stop that every run still reaches, s, rounded down to a whole millisecond.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> print(kit.common_stop([run, kit.Run(run.pass_times_s * 1.2)]))
    0.675

    Raises
    ------
    KitError : no run has enough passes.
    """
    stops = [curve.period_s[-1] for curve in _countable(speed_curves(runs))]
    return float(np.floor(min(stops) * 1e3) / 1e3)


def _countable(curves) -> list[SpeedCurve]:
    countable = [c for c in curves if c.usable and not c.run.set_aside]
    if not countable:
        raise KitError("No run has enough passes to find a threshold", fix="check the logs and what has been set aside")
    return countable


def _row(curve: SpeedCurve, rule: str, start_period_s, stop_period_s) -> dict:
    run = curve.run
    found = RULES[rule](curve, start_period_s, stop_period_s)
    doubts = list(curve.trust.until(found.get("stop_s", np.inf) if stop_period_s else np.inf))
    if found["status"] == COUNTED:
        doubts += _rules_differ(curve, rule, found, start_period_s, stop_period_s)
    if rule == "law" and curve.usable:
        test = curve.once(_law_fit).test_of(curve)
        doubts += [test.sentence] if test and test.sentence else []
    notes = [note for note in [found.pop("note", "")] if note]
    if found["status"] == COUNTED:
        in_a_row, sentence = _missed_or_set(curve, found)
        (doubts if in_a_row else notes).extend([sentence] if sentence else [])
        doubts += _a_turn_too_long(curve, found["stop_s"])
        if len(curve.times_s) < LEAST_PASSES + run.flags_per_turn - 1:
            notes.append(f"only {len(curve.times_s)} passes: too few to check whether it coasted undisturbed")
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
            "doubt": " ".join(doubts),
            "outcome": "not counted" if found["status"] != COUNTED else DOUBTFUL if doubts else "counted",
        }
    )


def _missed_or_set(curve: SpeedCurve, found: dict) -> tuple[bool, str]:
    """What the count rests on where passes were missed: a clock that was set forward by as much looks the same.

    Told, for the widest gap, if it would move the duration by more than 5 u and 1 %. Gates often miss one pass, so one
    is believed where passes scatter so little (1 % of the gap) that a clock would hardly hit a whole number by chance;
    several in a row (then True) are hardly likelier than a clock that was set.
    """
    run, worst = curve.run, (0.0, 0, 0.0)
    for repair in run.repairs:
        if not repair.accepted or repair.kind != "missed" or not found["start_s"] < repair.time_s < found["stop_s"]:
            continue
        before = curve.times_s[np.searchsorted(curve.times_s, repair.time_s) - 1]
        worst = max(worst, ((repair.time_s - before) * repair.passes / (repair.passes + 1), repair.passes, before))
    moved_s, passes, when_s = worst
    if moved_s <= max(_MOVED_U * found["duration_u_s"], _MOVED * found["duration_s"]):
        return False, ""
    if passes == 1 and curve.timing_sd_s < _SHARP * moved_s:
        return False, ""
    what = "1 pass is" if passes == 1 else f"{passes} passes in a row are"
    return passes > 1, (
        f"At {number(when_s, 4)} s {what} taken as missed. If the clock was set there instead, "
        f"it lasted {number(moved_s, 2)} s less."
    )


def _a_turn_too_long(curve: SpeedCurve, stop_s: float) -> list[str]:
    """A turn that took over 2.5 times as long as the one before: no rotor that coasts does that.

    Where the torque does not grow as it slows, constant friction slows it most at the end: then passes lie √n before
    rest, the last whole turn takes 1 and the one before √2 − 1 of the same time, a ratio of 1 + √2 = 2.41 at most. So
    one more pass was missed there, or it was stopped. This needs no curve: it holds for runs of a few passes too.
    """
    flags = curve.run.flags_per_turn
    period = (curve.times_s[flags:] - curve.times_s[:-flags]) / (curve.turns[flags:] - curve.turns[:-flags])
    longer = period[flags:] / period[:-flags]
    odd = np.flatnonzero((longer > _LONGEST) & (curve.times_s[flags:-flags] < stop_s))
    if not odd.size:
        return []
    when_s, times = curve.times_s[flags + odd[0]], longer[odd[0]]
    return [
        f"The turn from {number(when_s, 4)} s on took {number(times, 2)} times as long as the one before: "
        "was a pass missed there, or was it stopped?"
    ]


def _rules_differ(curve: SpeedCurve, rule: str, found: dict, start_period_s, stop_period_s) -> list[str]:
    """Another rule must tell the same: "whole turns" and the smooth curve, within 5 standard uncertainties and a turn.

    A law is held to its residuals instead (`law_test`), which are sharper.
    """
    other = _whole_turns if rule == "interpolated" else _interpolated
    second = other(curve, start_period_s, stop_period_s)
    if second["status"] != COUNTED:
        return []
    off = found["turns"] - second["turns"]
    if abs(off) <= 5 * np.hypot(found["turns_u"], second["turns_u"]) + 1:
        return []
    names = ("a smooth curve", "whole turns") if rule != "whole turns" else ("whole turns", "a smooth curve")
    if rule == "law":
        names = ("the drag law", "a smooth curve")
    return [f"Counted by {names[0]} it made {abs(off):.3g} turns {'more' if off > 0 else 'fewer'} than by {names[1]}."]


def _interpolated(curve: SpeedCurve, start_period_s, stop_period_s) -> dict:
    if not curve.usable:
        few = len(curve.times_s) < MIN_PASSES + curve.run.flags_per_turn - 1
        return {"status": TOO_FEW_PASSES if few else NO_CURVE}
    if curve.period_s[0] > start_period_s:
        return {"status": ALREADY_SLOWER}
    start = curve.crossing(start_period_s)
    if start is None:
        return {"status": NEVER_SLOW_ENOUGH, "more_than_s": 0.0}
    stop: Crossing | None
    if stop_period_s is None:
        stretch, stop = curve.to_last_pass(start_period_s), curve.last_pass
    else:
        stretch, stop = curve.between(start_period_s, stop_period_s), curve.crossing(stop_period_s)
    if stretch is None or stop is None:
        more = curve.times_s[-1] - start.time_s
        return {"status": NEVER_SLOW_ENOUGH, "start_s": start.time_s, "more_than_s": more}
    return {
        "duration_s": stretch.duration_s,
        "duration_u_s": stretch.duration_u_s,
        "turns": stretch.turns,
        "turns_u": stretch.turns_u,
        "start_s": start.time_s,
        "stop_s": stop.time_s,
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
        "duration_u_s": float(np.sqrt(bias_s**2 + np.sum(late_u_s**2) + 2 * curve.run.timing_u_s**2)),
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
    turned = curve.turns[near][known] - curve.turns[near][known].mean()
    growth = turned @ period[near][known] / (turned @ turned) if known.sum() > 2 else 0.0  # least-squares slope
    early_turns = 0.0
    if growth > 0 and curve.usable:
        early_turns = min(np.sqrt(2) * curve.timing_sd_s / growth, 5.0)
    u_turns = np.sqrt(2 / 12 + early_turns**2)
    return (3 * here + before) / 4, (here + before) / 2 * u_turns, u_turns


def _by_law(curve: SpeedCurve, start_period_s, stop_period_s) -> dict:
    """Crossings of the three-term drag law fitted to the run's passes (`kit.motion.drag_fit`).

    As accurate as can be (Cramér–Rao) if the law holds. Counts that the law shows to be wrong are put right for this
    rule, and said; so is a disagreement with the law-free curve that leaves no overlap of the two 95 % intervals.
    """
    fit, miscounts = (found := curve.once(_law_fit)).fit, found.miscounts
    if fit is None:
        return {"status": TOO_FEW_PASSES}
    start_s, start_turns = fit.crossing(start_period_s)
    if start_s < curve.times_s[0]:
        return {"status": ALREADY_SLOWER}
    last_s = curve.times_s[-1]
    if not start_s <= last_s:
        return {"status": NEVER_SLOW_ENOUGH, "more_than_s": 0.0}
    notes = [f"at {m.time_s:.2f} s {m.reason}" for m in miscounts]
    wider = t_factor(fit.dof) / NORMAL_FACTOR
    wider *= lasting_factor(lag_one(fit.residuals_s, len(fit.parameters)), len(fit.residuals_s))
    if curve.run.timing_u_s:  # errors that last longer than a turn do not scatter about the law
        wider = max(wider, curve.run.timing_u_s / fit.timing_sd_s)
    if stop_period_s is None:
        last_period_s = TURN / float(fit.speed(last_s))
        stretch = fit.between(start_period_s, last_period_s)
        stop_s, stretch = (
            last_s,
            stretch._replace(duration_s=last_s - start_s, turns=float(fit.turns(last_s)) - start_turns),
        )
    else:
        stop_s = fit.crossing(stop_period_s)[0]
        if not stop_s <= last_s:
            return {"status": NEVER_SLOW_ENOUGH, "start_s": start_s, "more_than_s": last_s - start_s}
        stretch = fit.between(start_period_s, stop_period_s)
        notes += _disagreement(stretch, curve.between(start_period_s, stop_period_s))
    return {
        "duration_s": stretch.duration_s,
        "duration_u_s": stretch.duration_u_s * wider,
        "turns": stretch.turns,
        "turns_u": stretch.turns_u * wider,
        "start_s": start_s,
        "stop_s": stop_s,
        "status": COUNTED,
        "note": "; ".join(notes),
    }


@dataclass(frozen=True)
class _Law:
    """A run's fitted drag law, if there is one, and the counts it put right."""

    fit: DragFit | None = None
    miscounts: tuple[Miscount, ...] = ()

    def test_of(self, curve: SpeedCurve):
        return None if self.fit is None else law_test(curve, self.fit)


def _law_fit(run: Run) -> _Law:
    """The fit and the miscounts; they do not depend on the thresholds."""
    try:
        times_s, angles_rad = coasting_passes(run)
        fit = fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn)
        if fit.timing_sd_s < _SUSPECT_SCATTER * TURN / fit.start_speed:
            return _Law(fit)
        miscounts = find_miscounts(times_s, angles_rad, run.flags_per_turn)
        angles_rad = recounted(angles_rad, miscounts, run.flags_per_turn)
        return _Law(fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn), miscounts)
    except KitError:
        return _Law()


def _disagreement(by_law, by_curve) -> list[str]:
    if by_curve is None:
        return []
    off_s = by_law.duration_s - by_curve.duration_s
    if abs(off_s) <= 2 * (by_law.duration_u_s + by_curve.duration_u_s):
        return []
    return [
        f"the drag law and the curve without a law differ by {off_s:+.2g} s, more than both uncertainties. "
        "The law does not hold for this run, or a pass was counted wrongly"
    ]


RULES = {"interpolated": _interpolated, "whole turns": _whole_turns, "law": _by_law}

RULE_NAMES = (BEST, *RULES)
