"""Where counting starts and stops: duration and turns of every run between two agreed turn periods.

A hand never spins the apparatus twice alike. So a run counts only from the moment it has slowed to one agreed turn
period, the start threshold, to the moment it has slowed to another, the stop threshold. `kit.motion.rules` finds these
moments; here the figures of all runs become one table, with what is to be said of each.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from ..stats.averages import DOUBTFUL
from ..wording import number
from .breaks import unseen_moments
from .rules import (
    ALREADY_SLOWER,
    COUNTED,
    NEVER_SLOW_ENOUGH,
    NO_CURVE,
    RULES,
    TOO_FEW_PASSES,
    Counts,
    law_of,
    turn_periods,
)
from .sisters import unlike_sisters
from .speed import Curves, SpeedCurve, speed_curves
from .trust import LEAST_PASSES, law_holds

__all__ = [
    "ALREADY_SLOWER",
    "BEST",
    "COUNTED",
    "NEVER_SLOW_ENOUGH",
    "NO_CURVE",
    "RULES",
    "RULE_NAMES",
    "TOO_FEW_PASSES",
    "Results",
    "best_rule",
    "common_start",
    "common_stop",
    "count_runs",
    "measure",
    "turn_periods",
]

BEST = "best"  # the name of the choice that `best_rule` makes
RULE_NAMES = (BEST, *RULES)

_LAST_PASS_NOTE = "counted to the last pass: up to one turn before rest is missing"
_MANY_MORE_TURNS = 8.0  # after the last pass, at the least, had nothing but friction stopped the rotor
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
    `stop_s` are on the log's own clock. `doubt` says in sentences what speaks against the count (`kit.trust`, and that
    it is unlike the other runs of its condition), empty if nothing does; `outcome` is "counted", "doubtful" (it counts
    all the same, until somebody sets it aside) or "not counted". `.attrs["rule"]` and `.attrs["rule_why"]` tell the
    rule that was used, and why. A run that can't be measured stays, with its `status` and NaN; where it ended before
    the stop threshold, `more_than_s` says how long it had lasted by then. Uncertainties are standard uncertainties;
    value ± 2 u is meant to hold the value without gate jitter 95 times in 100 (`kit.motion.speed` says which value).

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
    return count_runs(runs, start_period_s, stop_period_s, rule).table


def count_runs(
    runs: Sequence[Run | SpeedCurve],
    start_period_s: float,
    stop_period_s: float | None = None,
    rule: str = "interpolated",
) -> Results:
    """As `measure`, as arrays: quick enough for every move of a threshold.

    Curves of one `speed_curves` keep what does not depend on thresholds; give them again at the next move.

    Raises
    ------
    KitError : as `measure`.
    """
    check_thresholds(start_period_s, stop_period_s)
    if rule not in RULE_NAMES:
        raise KitError("This counting rule is not known", found=rule, fix=f"use one of: {', '.join(RULE_NAMES)}")
    if len(runs) == 0:
        raise KitError("There are no runs to measure", fix="read a folder of gate logs first")
    curves = speed_curves(runs)
    rule, why = curves.once(best_rule) if rule == BEST else (rule, "")
    return Results(curves, start_period_s, stop_period_s, rule, why)


class Results:
    """Every run counted between two turn periods: figures at once, words and the table when they are asked for.

    Attributes
    ----------
    curves : of the n runs. rule, rule_why : the rule that was used; why, where the choice was left to the kit.
    counts : figures and statuses, arrays (n,).
    """

    def __init__(
        self, curves: Curves, start_period_s: float, stop_period_s: float | None, rule: str, rule_why: str = ""
    ):
        self.curves, self.rule, self.rule_why = curves, rule, rule_why
        self._between = start_period_s, stop_period_s
        self.counts = RULES[rule](curves, *self._between)

    @cached_property
    def _said(self) -> tuple[list[str], list[str]]:
        counts, to_last = self.counts, self._between[1] is None
        second = "whole turns" if self.rule == "interpolated" else "interpolated"
        differ = _rules_differ(self.rule, counts, RULES[second](self.curves, *self._between))
        until = np.where(counts.counted & (not to_last), counts.stop_s, np.inf).tolist()
        all_notes, all_doubts = [], []
        for i, (curve, counted) in enumerate(zip(self.curves, counts.counted.tolist(), strict=True)):
            doubts, notes = list(curve.trust.until(until[i], counts.start_s[i])), [counts.notes.get(i, "")]
            if counted:
                doubts.append(differ.get(i, ""))
            if self.rule == "law" and curve.usable:
                test = curve.once(law_of).test
                doubts.append(test.sentence if test else "")
            if counted:
                in_a_row, sentence = _missed_or_set(curve, counts, i)
                (doubts if in_a_row else notes).append(sentence)
                doubts.append(_a_turn_too_long(curve, counts.stop_s[i]))
                notes += [_too_few_to_check(curve, counts, i), _LAST_PASS_NOTE if to_last else ""]
            if to_last or counts.status[i] == NEVER_SLOW_ENOUGH:
                notes.append(curve.once(_ends_in_full_swing))
            notes.append(curve.once(_too_fast))
            all_notes.append("; ".join(filter(None, notes)))
            all_doubts.append(" ".join(filter(None, doubts)))
        for i, sentence in self._beside_sisters():
            if sentence:
                all_doubts[i] = f"{all_doubts[i]} {sentence}".strip()
            elif note := _too_few_to_check(self.curves[i], self.counts, i):  # they vouch for it
                all_notes[i] = "; ".join(part for part in all_notes[i].split("; ") if part != note)
        return all_notes, all_doubts

    def _beside_sisters(self) -> Iterator[tuple[int, str]]:
        """Each run that can be compared with the other runs of its condition, and what speaks against it then."""
        curves, counts = self.curves, self.counts
        some = [
            i
            for i in np.flatnonzero(counts.counted).tolist()
            if curves[i].usable and not curves[i].run.set_aside and curves[i].run.conditions
        ]
        groups = [tuple(sorted(curves[i].run.conditions.items())) for i in some]
        durations, turns = (counts.duration_s, counts.duration_u_s), (counts.turns, counts.turns_u)
        counted = (np.array(both)[:, some] for both in (durations, turns))
        sentences = unlike_sisters([curves[i] for i in some], groups, *counted)
        yield from ((i, sentence) for i, sentence in zip(some, sentences, strict=True) if sentence is not None)

    @property
    def notes(self) -> list[str]:
        """What is to be known of each count; empty where there is nothing."""
        return self._said[0]

    @property
    def doubts(self) -> list[str]:
        """What speaks against each count, in sentences; empty if nothing does."""
        return self._said[1]

    @property
    def outcomes(self) -> list[str]:
        """What became of each run: counted, doubtful or not counted."""
        counted = self.counts.counted.tolist()
        return [
            "not counted" if not c else DOUBTFUL if doubt else "counted"
            for c, doubt in zip(counted, self.doubts, strict=True)
        ]

    @cached_property
    def table(self) -> pd.DataFrame:
        """The table of `measure`."""
        runs, counts = [curve.run for curve in self.curves], self.counts
        names = dict.fromkeys(name for run in runs for name in run.conditions)
        table = pd.DataFrame(
            {name: [run.conditions.get(name, np.nan) for run in runs] for name in names}
            | {"trial": [run.trial for run in runs]}
            | {name: getattr(counts, name) for name in _FIGURES}
            | {
                "status": counts.status.tolist(),
                "set_aside": [run.set_aside for run in runs],
                "source": [run.source for run in runs],
                "origin": [run.origin for run in runs],
                "more_than_s": counts.more_than_s,
                "note": self.notes,
                "doubt": self.doubts,
                "outcome": self.outcomes,
            }
        )
        table.attrs.update(rule=self.rule, rule_why=self.rule_why)
        return table


_FIGURES = ("duration_s", "duration_u_s", "turns", "turns_u", "start_s", "stop_s")


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
    tests = [c.once(law_of).test for c in curves]
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


def _too_few_to_check(curve: SpeedCurve, counts: Counts, i: int) -> str:
    """A note where nobody could tell from this run alone whether a hand was on it while it counted."""
    passes = len(curve.times_s)
    if passes < LEAST_PASSES + curve.run.flags_per_turn - 1:
        return f"only {passes} passes: too few to check whether it coasted undisturbed"
    unseen = curve.once(unseen_moments)
    if not ((unseen > counts.start_s[i]) & (unseen < counts.stop_s[i])).any():
        return ""
    return "in so short a run a push or a touch can look like friction: compare it with two more trials"


def _too_fast(curve: SpeedCurve) -> str:
    if not curve.usable or curve.period_s[0] >= _SUSPECT_PERIOD_S:
        return ""
    return (
        f"the fastest turn took {curve.period_s[0]:.3f} s: check the number of flags a turn "
        f"(now {curve.run.flags_per_turn}) by turning the disc ten times by hand"
    )


def _ends_in_full_swing(curve: SpeedCurve) -> str:
    """A note where the log ends while friction would have needed many more turns to stop the rotor.

    Friction takes no more energy from a slower turn than from a faster one. So the last two turns, whose energies
    1/P² differ by D, leave at least (1/P²)/D turns to come.
    """
    f, t = curve.run.flags_per_turn, curve.times_s
    if not curve.usable or len(t) < 2 * f + 1:
        return ""
    before_s, last_s = t[-1 - f] - t[-1 - 2 * f], t[-1] - t[-1 - f]
    lost = before_s**-2 - last_s**-2
    more = last_s**-2 / lost if lost > 0 else np.inf
    if more < _MANY_MORE_TURNS:
        return ""
    turns = f"at least {more:.0f} turns more" if more < 1000 else "many turns more"
    return (
        f"the log ends while a turn still takes {number(last_s, 2)} s: friction alone would have left it {turns}. "
        "Was it stopped, or the logger?"
    )


def _missed(curve: SpeedCurve) -> list[tuple[float, int, float, float]]:
    """Passes taken as missed: how far a clock was set if not (s), how many, time of the pass before, when (s)."""
    found = []
    for repair in curve.run.repairs:
        if repair.accepted and repair.kind == "missed":
            before = curve.times_s[np.searchsorted(curve.times_s, repair.time_s) - 1] if len(curve.times_s) else np.nan
            moved_s = (repair.time_s - before) * repair.passes / (repair.passes + 1)
            found.append((moved_s, repair.passes, before, repair.time_s))
    return found


def _missed_or_set(curve: SpeedCurve, counts: Counts, i: int) -> tuple[bool, str]:
    """What the count rests on where passes were missed: a clock that was set forward by as much looks the same.

    Told, for the widest gap, if it would move the duration by more than 5 u and 1 %. Gates often miss one pass, so one
    is believed where passes scatter so little (1 % of the gap) that a clock would hardly hit a whole number by chance;
    several in a row (then True) are hardly likelier than a clock that was set.
    """
    within = [gap for gap in curve.once(_missed) if counts.start_s[i] < gap[3] < counts.stop_s[i]]
    moved_s, passes, when_s, _ = max(within, default=(0.0, 0, 0.0, 0.0))
    if moved_s <= max(_MOVED_U * counts.duration_u_s[i], _MOVED * counts.duration_s[i]):
        return False, ""
    if passes == 1 and curve.timing_sd_s < _SHARP * moved_s:
        return False, ""
    what = "1 pass is" if passes == 1 else f"{passes} passes in a row are"
    return passes > 1, (
        f"At {number(when_s, 4)} s {what} taken as missed. If the clock was set there instead, "
        f"it lasted {number(moved_s, 2)} s less."
    )


def _far_longer(curve: SpeedCurve) -> list[tuple[float, float]]:
    """Turns that took over 2.5 times as long as the one before: when (s) they began, and how many times."""
    flags = curve.run.flags_per_turn
    period = (curve.times_s[flags:] - curve.times_s[:-flags]) / (curve.turns[flags:] - curve.turns[:-flags])
    longer = period[flags:] / period[:-flags]
    odd = np.flatnonzero(longer > _LONGEST)
    return list(zip(curve.times_s[flags + odd].tolist(), longer[odd].tolist(), strict=True))


def _a_turn_too_long(curve: SpeedCurve, stop_s: float) -> str:
    """A turn that took far longer than the one before: no rotor that coasts does that.

    Where the torque does not grow as it slows, constant friction slows it most at the end: then passes lie √n before
    rest, the last whole turn takes 1 and the one before √2 − 1 of the same time, a ratio of 1 + √2 = 2.41 at most. So
    one more pass was missed there, or it was stopped. This needs no curve: it holds for runs of a few passes too.
    """
    for when_s, times in curve.once(_far_longer):
        if when_s < stop_s:
            return (
                f"The turn from {number(when_s, 4)} s on took {number(times, 2)} times as long as the one before: "
                "was a pass missed there, or was it stopped?"
            )
    return ""


def _rules_differ(rule: str, found: Counts, other: Counts) -> dict[int, str]:
    """Another rule must tell the same: "whole turns" and the smooth curve, within 5 standard uncertainties and a turn.

    A law is held to its residuals instead (`law_test`), which are sharper, and to the smooth curve. A sentence by
    position of the run; where either rule does not count, none.
    """
    names = {
        "interpolated": ("a smooth curve", "whole turns"),
        "whole turns": ("whole turns", "a smooth curve"),
        "law": ("the drag law", "a smooth curve"),
    }[rule]
    off = found.turns - other.turns
    apart = np.flatnonzero(np.abs(off) > 5 * np.hypot(found.turns_u, other.turns_u) + 1)
    return {
        i: f"Counted by {names[0]} it made {abs(off[i]):.3g} turns "
        f"{'more' if off[i] > 0 else 'fewer'} than by {names[1]}."
        for i in apart.tolist()
    }
