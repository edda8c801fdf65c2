"""How fast a coasting run turns at every moment, found from its passes without assuming a law of drag.

The curve is a spline fitted to the passes (`kit.motion.smoothing`). The next richer one is kept as well: how far its
answer differs is part of the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from typing import TypeVar

import numpy as np

from ..logs.inference import coarse_factor
from ..logs.run import Run, coasting_start, counted_passes
from ..wording import case_of, count_of, number
from .smoothing import flag_of, smooth
from .splines import Spline, Splines
from .trust import Trust, trust

__all__ = ["Crossing", "SpeedCurve", "Stretch", "speed_curve", "speed_curves"]

T = TypeVar("T")

MIN_PASSES = 6  # a curve of three coefficients and its scatter need at least this many passes
_SUSPECT_SCATTER = 0.01  # of the shortest turn: far more than any gate's jitter


@dataclass(frozen=True)
class Crossing:
    """The moment at which the turn period reaches a threshold."""

    time_s: float  # on the log's own clock
    turns: float  # angle since the first counted pass, in turns


@dataclass(frozen=True)
class Stretch:
    """Difference between two crossings of one run, with standard uncertainties."""

    duration_s: float
    duration_u_s: float
    turns: float
    turns_u: float


@dataclass(frozen=True, eq=False, repr=False)
class SpeedCurve:
    """Turn period of one coasting run at each of its passes, and at any moment between them.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> (curve,) = kit.speed_curves([run])
    >>> curve
    SpeedCurve(120 passes in 52.1 s, a turn takes 0.200 to 0.676 s)
    >>> stretch = curve.between(0.25, 0.5)
    >>> print(f"{stretch.duration_s:.2f} s, {stretch.turns:.1f} turns")
    23.44 s, 62.5 turns
    >>> print(curve.turns_at([10.0, 20.0]).round(2))
    [36.6 61.8]
    """

    run: Run
    times_s: np.ndarray  # (n,) coasting passes, s
    turns: np.ndarray  # (n,) angle since the first counted pass, turns
    period_s: np.ndarray  # (n,) smoothed turn period at each pass, never falling; empty if too few passes
    timing_sd_s: float = float("nan")  # scatter of the pass times about the curve
    flag_offsets_turns: tuple[float, ...] = (0.0,)
    _best: Spline | None = None
    _richer: Spline | None = None
    _kept: dict = field(default_factory=dict, init=False, repr=False)

    def __repr__(self) -> str:
        return f"SpeedCurve({self._words()})"

    def _repr_html_(self) -> str:
        run = [case_of(name, value) for name, value in self.run.conditions.items()] + [f"trial {self.run.trial}"]
        return f"<p><b>{escape(', '.join(run))}</b>: {escape(self._words())}.</p>"

    def _words(self) -> str:
        passes = count_of(len(self.times_s), "pass", "passes")
        if not self.usable:
            return f"{passes}: too few for a curve"
        lasted_s, (fast, slow) = self.times_s[-1] - self.times_s[0], self.period_s[[0, -1]]
        return f"{passes} in {number(lasted_s, 3)} s, a turn takes {number(fast, 3)} to {number(slow, 3)} s"

    def once(self, work: Callable[[SpeedCurve], T]) -> T:
        """What `work` makes of this curve: worked out when first asked for, then kept with it."""
        if work not in self._kept:
            self._kept[work] = work(self)
        return self._kept[work]

    @property
    def fitted(self) -> tuple[np.ndarray, np.ndarray]:
        """Times of the passes to which the curve was fitted, and how much later each came than the curve has it, s."""
        return (np.empty(0), np.empty(0)) if self._best is None else (self._best.fitted_s, self._best.late_s)

    @cached_property
    def trust(self) -> Trust:
        """What speaks against this run's count, see `kit.trust`."""
        return trust(self)

    @property
    def usable(self) -> bool:
        """Whether there were enough passes for a curve."""
        return self._best is not None

    @cached_property
    def _alone(self) -> Curves:
        """This curve as a table of one."""
        return Curves([self])

    def crossing(self, period_s: float) -> Crossing | None:
        """The moment the turn period reaches `period_s` (s); None outside the coasting passes."""
        time_s, turns = (float(found[0]) for found in self._alone.crossings(period_s))
        return None if np.isnan(time_s) else Crossing(time_s, turns)

    def turns_at(self, times_s) -> np.ndarray:
        """Angle of the curve at any times (s), in turns since the first counted pass; NaN if it is not `usable`."""
        return np.full(np.shape(times_s), np.nan) if self._best is None else self._best.basis_values(times_s)

    @property
    def last_pass(self) -> Crossing:
        """The last coasting pass of the log."""
        return Crossing(self.times_s[-1], self.turns[-1])

    def between(self, start_period_s: float, stop_period_s: float | None) -> Stretch | None:
        """Duration and turns between two turn periods (to the last pass without a stop); None if one is not reached.

        Where speed ripples within a turn, what the flags see is meant (`kit.motion.smoothing`). Standard uncertainties:
        the least-squares covariance of the curve, errors that last included (`kit.stats.lasting`), widened by Student's
        factor so that ± 2 u is close to 95 %, combined with what the curve may be off by because it is too smooth,
        √max(d², s²/3). d is the difference to the next richer curve; s² = u_r² − u², where u_r is the latter's
        uncertainty, is the variance of d where nothing is wrong (Hausman 1978, Econometrica 46, 1251). What is off by
        less than s does not show: it may lie anywhere within ± s (rectangular, GUM 4.3.7). For a coarse clock see
        `kit.logs.inference`.
        """
        found = self._alone.between(start_period_s, stop_period_s)
        if np.isnan(found.duration_s[0]):
            return None
        return Stretch(*found.figures[:4, 0].tolist())

    def to_last_pass(self, start_period_s: float) -> Stretch | None:
        """As `between`, but up to the last pass of the log."""
        return self.between(start_period_s, None)

    @cached_property
    def _looser(self) -> float:
        """How many times larger an uncertainty is than the covariance of the smoothest curve that fits says."""
        best, richer = self._best, self._richer
        assert best is not None and richer is not None  # or there are no uncertainties
        # choosing the smoothest curve that fits favours a small scatter: take the larger of the two curves' own
        looser = max(1.0, richer.error_sd_s / best.error_sd_s)
        looser *= coarse_factor(self.times_s, self.period_s[0] / self.run.flags_per_turn, self.timing_sd_s)
        if self.run.timing_u_s:  # errors that last longer than a turn do not scatter about the curve
            looser = max(looser, self.run.timing_u_s / best.error_sd_s)
        return looser


@dataclass(frozen=True)
class Stretches:
    """As `Stretch`, of n curves: arrays (n,), NaN where a curve does not reach both ends."""

    figures: np.ndarray  # (6, n): duration_s, duration_u_s, turns, turns_u; start_s (NaN where not reached), stop_s

    @property
    def duration_s(self) -> np.ndarray:
        return self.figures[0]

    @property
    def duration_u_s(self) -> np.ndarray:
        return self.figures[1]


class Curves(tuple[SpeedCurve, ...]):
    """Curves of several runs: a tuple that answers for all of them at once, by arrays."""

    def once(self, work: Callable[[Curves], T]) -> T:
        """As `SpeedCurve.once`, for what is worked out from all of them together."""
        if work not in self._kept:
            self._kept[work] = work(self)
        return self._kept[work]

    @cached_property
    def _kept(self) -> dict:
        return {}

    @cached_property
    def usable(self) -> np.ndarray:
        """Which curves are, (k,) positions."""
        return np.flatnonzero([curve.usable for curve in self])

    @cached_property
    def splines(self) -> Splines:
        """The best splines of the k usable curves, then their next richer ones."""
        curves = [self[i] for i in self.usable]
        return Splines([*(c._best for c in curves), *(c._richer for c in curves)], 2 * [c.times_s for c in curves])

    @cached_property
    def looser(self) -> np.ndarray:
        """How many times larger the uncertainties of the usable curves and of their richer ones are, (2, k).

        Both take a pass to scatter alike, else their difference could not be told from scatter.
        """
        best = np.array([self[i]._looser for i in self.usable])
        best_s, richer_s = np.array([(self[i]._best.error_sd_s, self[i]._richer.error_sd_s) for i in self.usable]).T
        return np.stack([best, best * best_s / richer_s])

    @cached_property
    def last_pass(self) -> np.ndarray:
        """Time (s) and angle (turns) of the last pass of the usable curves, (2, k)."""
        return np.array([(self[i].times_s[-1], self[i].turns[-1]) for i in self.usable]).T

    def crossings(self, period_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Times (s) and angles (turns), (n,), at which the turn period reaches `period_s` (s); NaN where none does."""
        found = np.full((2, len(self)), np.nan)
        if k := len(self.usable):
            moments = self.splines.reaching(np.arange(k), np.full(k, 1 / period_s))
            found[:, self.usable] = moments.time_s, moments.turns
        return found[0], found[1]

    def between(self, start_period_s: float, stop_period_s: float | None) -> Stretches:
        """Duration and turns of each curve between two turn periods, see `SpeedCurve.between`."""
        found = np.full((6, len(self)), np.nan)
        if k := len(self.usable):
            periods = np.array([start_period_s] if stop_period_s is None else [start_period_s, stop_period_s])
            which = np.tile(np.arange(2 * k), len(periods))  # by the best splines and by the richer ones, at each end
            at = self.splines.reaching(which, np.repeat(1 / periods, 2 * k))
            start, stop = at[: 2 * k], at[2 * k :] if len(periods) == 2 else None
            with np.errstate(divide="ignore", invalid="ignore"):  # a richer curve may be level there
                known = self.splines.known(start, stop).reshape(2, 2, k)
            u, richer_u = (self.looser * known).swapaxes(0, 1)
            ends = np.array([at.time_s, at.turns]).reshape(2, len(periods), 2, k)
            last = ends[:, 1] if len(periods) == 2 else self.last_pass[:, None]
            best, richer = np.broadcast_to(last - ends[:, 0], (2, 2, k)).swapaxes(0, 1)
            unseen = np.maximum((richer - best) ** 2, (richer_u**2 - u**2) / 3)  # what the best curve may be off by
            u = np.sqrt(u**2 + np.where(np.isfinite(unseen), unseen, 0.0))
            found[:, self.usable] = best[0], u[0], best[1], u[1], ends[0, 0, 0], last[0, 0]
        return Stretches(found)


def speed_curve(run: Run) -> SpeedCurve:
    """Smooth the coasting part of one run. Passes too few, or too far apart, give a curve that is not `usable`."""
    times_s, turns = counted_passes(run)
    start = coasting_start(times_s, turns) if len(times_s) > 2 else 0
    times_s, turns = times_s[start:], turns[start:]
    bare = SpeedCurve(run, times_s, turns, np.empty(0))
    if len(times_s) < MIN_PASSES + run.flags_per_turn - 1:
        return bare
    if (chosen := smooth(times_s, turns, run.flags_per_turn)) is None:
        return bare
    best, richer = chosen
    if best.timing_sd_s > _SUSPECT_SCATTER * best.speed[0] ** -1 and len(times_s) > 2 * MIN_PASSES:
        # a pass missed in the very last gap shows nowhere else; if all is well without it, it stays out
        shorter = smooth(times_s[:-1], turns[:-1], run.flags_per_turn)
        if shorter and shorter[0].timing_sd_s < best.timing_sd_s / 10:
            best, richer = shorter
            times_s, turns = times_s[:-1], turns[:-1]
    uneven = flag_of(turns, run.flags_per_turn)[1] - np.arange(run.flags_per_turn) / run.flags_per_turn
    return replace(
        bare,
        times_s=times_s,
        turns=turns,
        period_s=1 / best.speed,
        timing_sd_s=best.timing_sd_s,
        flag_offsets_turns=tuple(uneven - uneven.mean() + best.offsets),
        _best=best,
        _richer=richer,
    )


def speed_curves(runs: Sequence[Run | SpeedCurve]) -> Curves:
    """Curves of all runs; those given as curves pass through, so nothing is computed twice.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> curves = kit.speed_curves([run])
    >>> kit.speed_curves(curves) == curves
    True
    """
    if isinstance(runs, Curves):
        return runs
    return Curves(r if isinstance(r, SpeedCurve) else speed_curve(r) for r in runs)
