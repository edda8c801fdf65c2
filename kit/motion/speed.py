"""How fast a coasting run turns at every moment, found from its passes without assuming a law of drag.

The angle of pass i is known exactly (whole flags), its time t_i carries the gate's jitter. So the angle θ(t) is
fitted by least squares with weights 1/(speed), which turns jitter in time into a constant scatter. θ(t) is a spline
of the fifth degree (below it: a plain polynomial) in a stretched time s = ln(1 + κτ)/ln(1 + κ), τ from 0 to 1; κ = 0
is plain time. A disc slowed by friction, by drag ∝ speed or by drag ∝ speed² needs only a few pieces in one of these
times. How many is chosen by AICc (Hurvich & Tsai 1989) among the curves whose speed never rises, since a coasting
disc cannot speed up. The next richer curve is kept as well: how far its answer differs is part of the uncertainty.

Errors may last from pass to pass (`kit.stats.lasting`). Then a rich curve follows them and seems sure of itself. So a
simpler one that leaves errors which last may win by AICc, and the curves chosen are fitted once more by generalised
least squares, with the correlation that the residuals show or can't rule out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from typing import TypeVar

import numpy as np

from ..logs.coasting import BY_HAND_S
from ..logs.inference import coarse_factor
from ..logs.run import Run, coasting_start, counted_passes
from ..stats.lasting import independent, lag_one, lasting_correlation, lasting_factor
from ..stats.least_squares import aicc
from ..wording import case_of, count_of, number
from .splines import Clock, Spline, Splines, design_of
from .trust import Trust, trust

__all__ = ["Crossing", "SpeedCurve", "Stretch", "speed_curve", "speed_curves"]

T = TypeVar("T")

MIN_PASSES = 6  # a curve of three coefficients and its scatter need at least this many passes
MAX_FITTED = 10_000  # more passes than this add nothing to a smooth curve; evenly chosen ones are fitted
_SUSPECT_SCATTER = 0.01  # of the shortest turn: far more than any gate's jitter
# A person's errors last, with a lag-one correlation of about 0.3: n taps are worth n (1 - 0.3)/(1 + 0.3). The curve
# follows them a little, so that they scatter about it by a seventh less (simulated: tests/unit/sources/test_taps.py).
_BY_HAND_WIDER = ((1 + 0.3) / (1 - 0.3)) ** 0.5 * 7 / 6
_STRETCHES = (0.0, 2.0, 8.0, 32.0)
_WAVY, _WAVY_GAIN = 0.003, 10.0  # a speed that rises by a share this small is a wave of the curve, if AICc gains 10
_MOST_LASTING = 0.8  # correlation of neighbouring errors, when curves are compared
_RIPPLE_GAIN = 6.0  # AICc that columns for a once-a-turn torque must gain
_COMPLEXITIES = (*((degree, 0) for degree in (2, 3, 4, 5)), *((5, n) for n in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)))


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

    @property
    def lasting(self) -> float:
        """Correlation of the error of a fitted pass with the next one's, see `kit.stats.lasting`; 0 if not `usable`."""
        return 0.0 if self._best is None else self._best.lasting

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

        What is meant stands in the text of this module. Standard uncertainties: the least-squares covariance of the
        curve, widened by Student's factor so that ± 2 u is close to 95 %, combined with what the curve may be off by
        because it is too smooth, √max(d², s²/3). d is the difference to the next richer curve; s² = u_r² − u², where
        u_r is the latter's uncertainty, is the variance of d where nothing is wrong (Hausman 1978, Econometrica 46,
        1251). What is off by less than s does not show: it may lie anywhere within ± s (rectangular, GUM 4.3.7). Where
        passes scatter by more than 10 ms, as a person's taps do, errors are taken to last that much at least that it is
        1.6 times as large as of independent ones; for a coarse clock see `kit.logs.inference`.
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
        looser = max(1.0, richer.timing_sd_s / best.timing_sd_s)
        if best.timing_sd_s > BY_HAND_S:
            looser *= max(1.0, _BY_HAND_WIDER / lasting_factor(best.lasting))
        else:
            shortest_s = self.period_s[0] / self.run.flags_per_turn
            looser *= coarse_factor(self.times_s, shortest_s, self.timing_sd_s)
        if self.run.timing_u_s:  # errors that last longer than a turn do not scatter about the curve
            looser = max(looser, self.run.timing_u_s / best.timing_sd_s)
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
        best_s, richer_s = np.array([(self[i]._best.timing_sd_s, self[i]._richer.timing_sd_s) for i in self.usable]).T
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
    if (chosen := _choose(times_s, turns, run.flags_per_turn)) is None:
        return bare
    best, richer = chosen
    if best.timing_sd_s > _SUSPECT_SCATTER * best.speed[0] ** -1 and len(times_s) > 2 * MIN_PASSES:
        # a pass missed in the very last gap shows nowhere else; if all is well without it, it stays out
        shorter = _choose(times_s[:-1], turns[:-1], run.flags_per_turn)
        if shorter and shorter[0].timing_sd_s < best.timing_sd_s / 10:
            best, richer = shorter
            times_s, turns = times_s[:-1], turns[:-1]
    uneven = _flag_of(turns, run.flags_per_turn)[1] - np.arange(run.flags_per_turn) / run.flags_per_turn
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


def _choose(times_s, turns, flags) -> tuple[Spline, Spline] | None:
    """The best curve by AICc among those that hardly speed up, and the next richer one; None if there is no curve."""
    data = _Data.of(times_s, turns, flags)
    clocks = [_InTime.of(data, kappa) for kappa in _STRETCHES]
    tried = ((clock, _least_squares(data, clock, *_middling(len(times_s)))) for clock in clocks)
    trials = [(fit.aicc, clock) for clock, fit in tried if fit is not None]
    if not trials:
        return None  # such as a few passes within seconds and one more days later
    clock = min(trials, key=lambda trial: trial[0])[1]
    if (found := _search(data, clock)) is None:
        return None
    fitted = data
    for ripple in _ripples(data, found[0]):
        rippled = replace(data, ripple=ripple)
        again = _least_squares(rippled, clock, *found[0].complexity)
        if again is not None and again.aicc < found[0].aicc - _RIPPLE_GAIN and (searched := _search(rippled, clock)):
            fitted, found = rippled, searched
    lasting = lasting_correlation(_weighted(fitted, clock.s, found[0].knots, found[0].degree))
    best, richer = (_least_squares(fitted, clock, *fit.complexity, lasting) or fit for fit in found)
    return _finished(best, times_s), _finished(richer, times_s)


def _search(data: _Data, clock: _InTime) -> tuple[Spline, Spline] | None:
    """From simple to rich, until four curves in a row have brought nothing: the best, and the next richer one."""
    fits: list[Spline] = []
    best = lowest = None
    for degree, knots in _COMPLEXITIES:
        if degree + knots + data.columns + 4 > len(data.fitted_s) or (lowest is not None and len(fits) > lowest + 4):
            break
        if (fit := _least_squares(data, clock, degree, knots)) is None:
            continue
        fits.append(fit)
        at = len(fits) - 1
        if lowest is None or fit.aicc < fits[lowest].aicc:
            lowest = at
        if best is not None and fit.aicc >= fits[best].aicc:
            continue
        rise = _rise(fit.speed)
        if rise > _WAVY:
            continue
        needed = _WAVY_GAIN if best is not None and rise > 1e-9 >= _rise(fits[best].speed) else 0
        if best is None or fit.aicc < fits[best].aicc - needed:
            best = at
    if best is None:
        fits = [fit for fit in fits if np.cumsum(fit.speed).max() > 0]  # nonsense can make a curve that only turns back
        best = 0
    if not fits:
        return None
    richer = next((i for i in range(best + 1, len(fits)) if fits[i].speed[-1] > 0), max(best - 1, 0))
    return fits[best], fits[richer]


@dataclass(frozen=True, eq=False)
class _Data:
    """What every fit to one run shares."""

    flags: int
    fitted_s: np.ndarray  # the passes that are fitted
    angle: np.ndarray
    weight_s: np.ndarray  # rough turn period: makes residuals seconds
    flag_columns: np.ndarray  # (n, flags − 1)
    ripple: np.ndarray  # (n, 0 to 2) columns of what comes back once a turn

    @cached_property
    def others(self) -> np.ndarray:
        """(n, …) all columns but the B-splines', and the target as the last one."""
        return np.column_stack([self.flag_columns, self.ripple, self.angle])

    @property
    def columns(self) -> int:
        return self.others.shape[1] - 1

    @classmethod
    def of(cls, times_s, turns, flags) -> _Data:
        from scipy.optimize import isotonic_regression

        t, angle = times_s, turns
        if len(t) > MAX_FITTED:
            chosen = np.linspace(0, len(t) - 1, MAX_FITTED).round().astype(int)
            t, angle = t[chosen], angle[chosen]
        rough_speed = isotonic_regression(np.gradient(angle, t), increasing=False).x
        columns = _flag_columns(_flag_of(angle, flags)[0], flags)
        return cls(flags, t, angle, 1 / rough_speed, columns, np.empty((len(t), 0)))


def _ripples(data: _Data, fit: Spline) -> list[np.ndarray]:
    """Columns for a torque that comes back once a turn, as far as several flags can see it.

    An unbalanced rotor is ahead of its smooth motion by (g/ω²) sin(θ − ψ), one whose friction f differs around the turn
    by (m f/ω²) cos(θ − φ) (first order in g and m; both from dE/dθ, E = ω²/2): the same for each flag, and growing as
    the rotor slows, with the square of the turn period P, or with P where f is proportional to ω. Where f goes with ω²
    it is constant, and is taken for unequal flags, which does no harm. Two flags see one number only; one flag sees
    none: what this does to a single flag's count can't be known from its passes.
    """
    if data.flags < 2:
        return []
    period = 1 / np.maximum(fit.speed / np.median(fit.speed), 1e-9)
    if data.flags == 2:
        around = data.flag_columns
    else:  # less what it is on average over the flags: that belongs to what they see
        places = _flag_of(data.angle, data.flags)[1]
        phase, at_flags = 2 * np.pi * data.angle[:, None], 2 * np.pi * places[:, None]
        quarter = np.array([0.0, np.pi / 2])
        around = np.cos(phase - quarter) - np.cos(at_flags - quarter).mean(axis=0)
    return [around * (period**power)[:, None] for power in (2, 1)]


def _middling(n: int) -> tuple[int, int]:
    """Degree and knots of the curve on which the stretches of time are compared."""
    return (2, 0) if n < 9 else (3, 0) if n < 20 else (5, 1)


def _rise(speed) -> float:
    """By how much the speed is ever above what it has been before, as a share; infinite where it turns back."""
    lowest = np.minimum.accumulate(speed)
    return float((speed / lowest - 1).max()) if lowest[-1] > 0 else np.inf


def _finished(fit: Spline, times_s) -> Spline:
    """Speeds at all passes; what little a curve rises is ironed out, so that a binary search over them is safe."""
    speed = fit.speed if len(fit.fitted_s) == len(times_s) else fit.speeds(times_s)
    if _rise(speed) > 1e-9:
        from scipy.optimize import isotonic_regression

        level = isotonic_regression(speed, increasing=False).x
        speed = np.maximum(level, 1e-9 * level[0])
    return replace(fit, ironed=speed)


@dataclass(frozen=True, eq=False)
class _InTime:
    """The fitted passes in one stretched time."""

    clock: Clock
    s: np.ndarray
    even: np.ndarray  # halfway between even in time and even in angle: slow ends and fast starts both get their share

    @classmethod
    def of(cls, data: _Data, kappa: float) -> _InTime:
        start, end, angle = data.fitted_s[0], data.fitted_s[-1], data.angle
        clock = Clock(kappa, start, end - start)
        s = clock.stretched(data.fitted_s)[0]
        return cls(clock, s, (s + (angle - angle[0]) / (angle[-1] - angle[0])) / 2)


def _least_squares(data: _Data, at: _InTime, degree, knots, lasting: float = 0.0) -> Spline | None:
    """Weighted least squares of angle on time; None where the passes do not determine the curve.

    lasting : the correlation of an error with the next pass's. The AICc is the lower of two: errors are independent, or
    they last as the residuals say (AR(1)), so that a curve need not follow what may be errors.
    """
    s, flags = at.s, data.flags
    inner = np.interp(np.arange(1, knots + 1) / (knots + 1), at.even, s)  # knots
    grid = np.concatenate([np.zeros(degree + 1), inner, np.ones(degree + 1)])
    count = degree + 1 + knots
    n, m = len(s), count + data.columns
    if n <= m:
        return None
    # with the target as one more column, its part along the others stands beside their triangle: no Q is needed
    columns = _weighted(data, s, grid, degree)
    apart = independent(columns, lasting) if lasting else columns
    triangle = np.asarray(np.linalg.qr(apart, mode="r"))
    r = triangle[:m, :m]
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < 1e-11 * diagonal.max():
        return None
    solution = np.linalg.solve(r, triangle[:m, m])
    residuals = columns[:, :m] @ solution - columns[:, m]
    left = independent(residuals, lasting) if lasting else residuals
    # noise-free data: the clock's own resolution
    rss = max(float(left @ left), n * (4e-16 * data.fitted_s[-1]) ** 2)
    offsets = np.zeros(flags)
    offsets[: flags - 1] = -solution[count : count + flags - 1]
    offsets[flags - 1] = -offsets.sum() if flags > 1 else 0.0
    rho = min(max(lag_one(residuals, m), 0.0), _MOST_LASTING)
    deviance = n * np.log(rss / n)
    return Spline(
        at.clock.kappa,
        at.clock.start_s,
        at.clock.span_s,
        knots=grid,
        degree=degree,
        coefficients=solution[:count],
        offsets=offsets,
        triangle=r,
        timing_sd_s=float(np.sqrt(rss / (n - m))),
        aicc=min(aicc(deviance, m + 1, n), aicc(deviance + (n - 1) * np.log(1 - rho**2), m + 2, n)),
        lasting=lasting,
        fitted_s=data.fitted_s,
        late_s=residuals,
    )


def _weighted(data: _Data, s, grid, degree) -> np.ndarray:
    """(n, m + 1) all columns and the target as the last one, so that residuals are seconds."""
    return np.concatenate([design_of(s, grid, degree), data.others], axis=1) * data.weight_s[:, None]


def _flag_of(turns, flags) -> tuple[np.ndarray, np.ndarray]:
    """Which flag made each pass, (n,), and where each flag was counted, (flags,) in turns from the first."""
    if flags == 1:
        return np.zeros(len(turns), dtype=int), np.zeros(1)
    part = np.round(turns % 1.0, 9) % 1.0
    places, which = np.unique(part, return_inverse=True)
    if len(places) != flags:  # a run too short to show every flag
        which, places = np.rint(turns * flags).astype(int) % flags, np.arange(flags) / flags
    return which, places


def _flag_columns(which, flags) -> np.ndarray:
    """Columns (n, flags − 1) for what is still unknown of the flags' angles, taken to sum to zero."""
    return (which[:, None] == np.arange(flags - 1)) * 1.0 - (which == flags - 1)[:, None]
