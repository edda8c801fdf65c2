"""The trust gate: reasons for which the count of one run may be wrong although a number comes out.

A curve can be drawn through anything. So each run's passes are put to some tests, each of one thing that a coasting
rotor under a gate can't do by itself. A test that fails gives one sentence; the run is then *doubtful*. It still
counts: the person who saw the run decides. Each `_test` states its statistic and its limit.

The limits come from simulation (`tests/reference/faults`, fault "none": seven laws of slowing, six sets of flags,
once-a-turn friction and imbalance, five kinds of jitter up to an AR(1) of 0.7 and clocks of a third of the shortest
gap): together the tests may find fault with 1 % of such clean runs. What a run is too short to show is no doubt, but a
note of `kit.motion.threshold`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np

from ..logs.run import Run
from ..stats.lasting import independent_share, lag_one
from ..wording import number
from .breaks import Residuals, find_break, sudden_end
from .splines import design_of

__all__ = ["LEAST_PASSES", "LawTest", "Trust", "law_holds", "law_test", "trust"]

LEAST_PASSES = 9  # fewer leave nothing to test a curve by
_SCATTER = 0.12  # of the shortest gap between flags
_STRAY, _STRAY_SDS = 0.2, 12.0  # of the gap there, and in robust standard deviations
_RISE, _RISE_SDS = 0.03, 6.0  # share of a turn's time, and standard deviations of the difference
_PATTERN = 0.03  # share of the mean gap
_REPAIRED = 0.12  # share of the passes
_SAME = 2.0  # turns: a break so near to a sudden end is the same thing
_LAW_RUN_P, _LAW_TABLE_SDS = 1e-4, 3.0


@dataclass(frozen=True)
class Trust:
    """What speaks against one run's count: a sentence each, none if nothing does.

    >>> import kit
    >>> kit.Trust(("The speed rose by 20 % at 3.1 s.",)).doubt
    'The speed rose by 20 % at 3.1 s.'
    """

    doubts: tuple[str, ...] = ()
    ended_s: float = inf  # the last of them, a sudden stop, does not matter to a count that ends before this moment
    pushed_s: float = -inf  # the first of them, a push that lasted, does not matter to a count that starts after this

    def until(self, stop_s: float, start_s: float = -inf) -> tuple[str, ...]:
        """The doubts that matter to a count from `start_s` up to `stop_s` (s, on the log's clock)."""
        doubts = self.doubts[:-1] if stop_s < self.ended_s < inf else self.doubts
        return doubts[1:] if start_s > self.pushed_s > -inf else doubts

    @property
    def doubt(self) -> str:
        """All doubts as one text, empty if there are none."""
        return " ".join(self.doubts)

    def __bool__(self) -> bool:
        return not self.doubts


def trust(curve) -> Trust:
    """Put one run's speed curve to the tests of this module.

    Parameters
    ----------
    curve : a `SpeedCurve`. If it is not usable, nothing is tested: there are no figures to doubt.

    Returns
    -------
    `Trust` with the sentences, the most telling first. Breaks of the coast (`kit.motion.breaks`) are among them.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> kit.trust(*kit.speed_curves([kit.Run(0.2 * n + 0.002 * n**2)])).doubts
    ()
    """
    if not curve.usable:
        return Trust()
    said, end, pushed_s = [], None, -inf
    if len(curve.times_s) >= LEAST_PASSES + curve.run.flags_per_turn - 1:
        passes = curve.once(Residuals.of)
        end = sudden_end(curve, passes)
        found = find_break(curve, passes)
        if end and found and found.time_s > end.time_s - _SAME * passes.period_s[-1]:  # one thing, told once
            end, found = replace(end, time_s=min(end.time_s, found.time_s)), None
        if found and found.in_push:
            said, pushed_s = [found.sentence], found.time_s
        said += [_flags_test(curve), _rise_test(passes), found.sentence if found else ""]
        said += [_scatter_test(passes), _stray_test(passes)]
    said.append(_repairs_test(curve.run))
    doubts = tuple(dict.fromkeys(sentence for sentence in said if sentence))
    if end is None:
        return Trust(doubts, pushed_s=pushed_s)
    at = np.searchsorted(curve.times_s, end.time_s) - 1
    return Trust((*doubts, end.sentence), float(end.time_s - _SAME * curve.period_s[at]), pushed_s)


def _scatter_test(p: Residuals) -> str:
    """Residual scatter against the gate's resolution: s > max(0.12 of the shortest gap, 3 × tick/√12).

    A gate jitters by less than a hundredth of a gap and rounds by tick/√12 (rectangular, GUM 4.3.7); one whose scatter
    is an eighth of a gap can't be told from one that counts wrongly. People who tap along stay below it.
    """
    scatter = float(np.sqrt(np.mean(p.late_s**2)))
    if scatter <= max(_SCATTER * float(p.gap_s[0]), 3 * p.tick_s / sqrt(12)):
        return ""
    return (
        f"No smooth curve fits the passes: they scatter by {seconds(scatter)} about it, "
        f"where the fastest pass follows the one before after {seconds(float(p.gap_s[0]))}."
    )


def _stray_test(p: Residuals) -> str:
    """A single pass far off: max |r| over 12 robust standard deviations and a fifth of the gap there."""
    off = np.abs(p.late_s)
    share = off / p.gap_s
    stray = np.flatnonzero((share > _STRAY) & (off > _STRAY_SDS * max(p.sd_s, p.tick_s / sqrt(12))))
    if stray.size == 0:
        return ""
    worst = int(stray[np.argmax(share[stray])])
    how = "late" if p.late_s[worst] > 0 else "early"
    return (
        f"The pass at {number(p.times_s[worst], 4)} s came {seconds(float(off[worst]))} too {how} for a coasting "
        "rotor: something else may have passed the gate, or passes were missed."
    )


def _rise_test(p: Residuals) -> str:
    """A speed-up within coasting, on whole turns of one flag, which an uneven rotor can't feign.

    P_i is the time of the turn that pass i begins. For a rise the three turns from one pass on must all be shorter, by
    3 %, than both turns before it, and their means must differ by 6 standard deviations of jitter, √(1/2 + 2/9) s,
    where s is the larger of the robust scatter of the passes about the curve, of the second differences of P (free of a
    curve) and of the clock's rounding.
    """
    f, t = p.flags, p.times_s
    if len(t) < 6 * f + 1 or not np.allclose(p.turns[f:] - p.turns[:-f], 1, atol=1e-6):
        return ""
    period = t[f:] - t[:-f]
    n = len(period) - 4 * f
    before = np.stack([period[:n], period[f : f + n]])
    after = np.stack([period[k * f : k * f + n] for k in (2, 3, 4)])
    bends = np.abs(period[2 * f :] - 2 * period[f:-f] + period[: -2 * f])
    sd = max(min(p.sd_s, float(np.median(bends)) / 3), p.tick_s / sqrt(12))
    gain = before.mean(axis=0) - after.mean(axis=0)
    rises = (after.max(axis=0) < (1 - _RISE) * before.min(axis=0)) & (gain > _RISE_SDS * sd)
    rises[:f] = False  # the push may last into the first turn
    if not rises.any():
        return ""
    at = int(np.argmax(np.where(rises, gain / before.mean(axis=0), 0)))
    by = before.mean(axis=0)[at] / after.mean(axis=0)[at] - 1
    return (
        f"It turned faster by {by:.0%} at {number(t[at + 2 * f], 4)} s: it was pushed again, or a count is wrong there."
    )


def _flags_test(curve) -> str:
    """The same flag early or late again and again: unequal flags that were counted as another number.

    For k = 2 … 12 the logarithms of the gaps, less their mean over the k gaps around, are averaged by their number
    modulo k. Reported is the k with the greatest F = (between classes)/(within), if F is over 20, the pattern is alike
    in both halves of the run (correlation over 0.8), and a class differs by 3 % of a gap. Patterns that repeat with the
    flags that the run is said to have are what unequal flags look like, and no fault.
    """
    run = curve.run
    first = np.searchsorted(run.pass_times_s, curve.times_s[0])
    best: tuple[float, int, float] | None = None
    logged = run.pass_times_s[first:]
    for times in (logged, curve.times_s) if len(logged) != len(curve.times_s) else (logged,):
        gaps = np.log(np.diff(times[:2000]))
        for k in range(2, 13):
            if run.flags_per_turn % k == 0 or len(gaps) < 5 * k:
                continue
            found = _pattern(gaps, k, run.flags_per_turn)
            if found is not None and (best is None or found[0] > 1.5 * best[0]):
                best = (found[0], k, found[1])
    if best is None:
        return ""
    _, k, size = best
    now = run.flags_per_turn
    return (
        f"The gaps between passes repeat a pattern every {k} passes, by {size:.0%}: "
        f"are there {k} flags a turn (now {now}), not at equal angles? Turn it by hand and count."
    )


def _pattern(gaps, k: int, flags: int) -> tuple[float, float] | None:
    """F and size of a pattern of period k, or None if it is not one."""
    total = np.cumsum(np.concatenate(([0.0], gaps)))
    mean = (total[k:] - total[:-k]) / k
    if k % 2 == 0:
        mean = (mean[1:] + mean[:-1]) / 2
    off = gaps[k // 2 : k // 2 + len(mean)] - mean
    turns = len(off) // k
    if turns < 4:
        return None
    if k % flags == 0:  # what the flags do that are known
        off = off - np.array([off[j::flags].mean() for j in range(flags)])[np.arange(len(off)) % flags]
    table = off[: turns * k].reshape(turns, k)
    usual = table.mean(axis=0)
    size = float(np.abs(usual).max())
    if size <= _PATTERN:
        return None
    first, second = table[: turns // 2].mean(axis=0), table[turns // 2 :].mean(axis=0)
    if min(np.ptp(first), np.ptp(second)) == 0:
        return None
    halves = np.corrcoef(first, second)[0, 1]
    within = float(((table - usual) ** 2).sum()) / ((turns - 1) * k)
    f = turns * float(usual @ usual) / (k - 1) / max(within, 1e-12)
    return (f, size) if f > 20 and halves > 0.8 else None


def _repairs_test(run: Run) -> str:
    """More than 12 % of the passes are repaired, and over three: then the repairs are a guess."""
    accepted = [repair for repair in run.repairs if repair.accepted]
    many = sum(repair.passes for repair in accepted)
    if many <= max(_REPAIRED * len(run.pass_times_s), 3):
        return ""
    return f"{many} passes were repaired in a log of {len(run.pass_times_s)}: look at the repairs, or measure again."


def seconds(value: float) -> str:
    """A short time in words: ms below a tenth of a second."""
    return f"{number(1e3 * value, 2)} ms" if value < 0.1 else f"{number(value, 2)} s"


# --- does a drag law hold for a run, and for all runs of a table?


@dataclass(frozen=True)
class LawTest:
    """What smooth structure the residuals of a drag law hold, beside their scatter."""

    chi2: float  # sum of squares of the structure in units of what scatter alone would give
    dof: int
    rest_dof: int  # degrees of freedom of that scatter; 0: too few passes for a test

    @property
    def p(self) -> float:
        """Chance of so much structure where the law holds (F test); NaN without a test."""
        from scipy.special import fdtrc

        return float(fdtrc(self.dof, self.rest_dof, self.chi2 / self.dof)) if self.rest_dof else float("nan")

    @property
    def sentence(self) -> str:
        """Why the law does not hold for this run; empty if nothing speaks against it."""
        if not self.p < _LAW_RUN_P:
            return ""
        return "The drag law does not follow this run: what is left of it is no scatter, but a curve of its own."


def law_test(curve, fit) -> LawTest:
    """Are the residuals of a drag law free of structure?

    They are projected on a spline of the fifth degree with up to two inner knots in the stretched time of the law-free
    curve: χ² = f · (its sum of squares)/s², with d = its columns less the law's free parameters, s² from what is left,
    and f = (1 − ρ)/(1 + ρ) for errors that last (`kit.stats.lasting.independent_share`). Assumes a smooth misfit.

    Parameters
    ----------
    curve : the run's `SpeedCurve`. fit : its `DragFit`.
    """
    n, flags = len(fit.times_s), len(fit.flag_offsets_rad)
    free = n - flags
    degree, knots = (5, 2) if free >= 22 else (5, 0) if free >= 13 else (4, 0)
    columns = degree + 1 + knots
    rest_dof = n - columns - flags + 1
    dof = columns - 2 - sum(value > 0 for value in (fit.law.a, fit.law.b, fit.law.c))
    if rest_dof < 2 or dof < 1:
        return LawTest(0.0, 1, 0)
    s = np.clip(curve._best.stretched(fit.times_s)[0], 0, 1)
    s = (s - s[0]) / (s[-1] - s[0])
    grid = np.r_[np.zeros(degree + 1), np.arange(1, knots + 1) / (knots + 1), np.ones(degree + 1)]
    q = np.linalg.qr(design_of(s, grid, degree))[0]
    along = q.T @ fit.residuals_s
    left = fit.residuals_s - q @ along
    rounding = n * (4e-16 * abs(fit.times_s[-1])) ** 2
    scatter = max(float(left @ left), rounding) / rest_dof
    return LawTest(float(along @ along) / scatter * independent_share(lag_one(left, columns)), dof, rest_dof)


def law_holds(tests: Sequence[LawTest | None]) -> bool:
    """Whether the drag law may be used for all runs of a table, given the tests of those that are not doubtful.

    Together: Σχ² of the runs may exceed its mean Σ d·r/(r − 2) by three standard deviations (r: rest degrees of
    freedom, up to which each run's F has a mean r/(r − 2)), and no run alone may fail at p = 0.0001. A law that is off
    by half a standard deviation in each of 21 runs is found out. None stands for a run without a fit.
    """
    known = [test for test in tests if test is not None and test.rest_dof > 4]
    if len(known) < len(tests) or not known:
        return False
    mean = sum(t.dof * t.rest_dof / (t.rest_dof - 2) for t in known)
    variance = sum(_f_variance(t) * t.dof**2 for t in known)
    return sum(t.chi2 for t in known) <= mean + _LAW_TABLE_SDS * sqrt(variance) and all(
        t.p >= _LAW_RUN_P for t in known
    )


def _f_variance(test: LawTest) -> float:
    """Variance of Fisher's F; for few degrees of freedom, where there is none, that of about 5."""
    d, r = test.dof, max(test.rest_dof, 5)
    return 2 * r**2 * (d + r - 2) / (d * (r - 2) ** 2 * (r - 4)) if r > 4 else inf
