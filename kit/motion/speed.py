"""How fast a coasting run turns at every moment, found from its passes without assuming a law of drag.

The angle of pass i is known exactly (whole flags), its time t_i carries the gate's jitter. So the angle θ(t) is
fitted by least squares with weights 1/(speed), which turns jitter in time into a constant scatter. θ(t) is a spline
of the fifth degree (below it: a plain polynomial) in a stretched time s = ln(1 + κτ)/ln(1 + κ), τ from 0 to 1; κ = 0
is plain time. A disc slowed by friction, by drag ∝ speed or by drag ∝ speed² needs only a few pieces in one of these
times. How many is chosen by AICc (Hurvich & Tsai 1989) among the curves whose speed never rises, since a coasting
disc cannot speed up. The next richer curve is kept as well: how far its answer differs is part of the uncertainty.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from math import log1p
from typing import TypeVar

import numpy as np

from ..logs.run import Run, coasting_start, counted_passes
from ..stats.averages import NORMAL_FACTOR, t_factor
from ..stats.least_squares import aicc
from ..wording import case_of, count_of, number

__all__ = ["Crossing", "SpeedCurve", "Stretch", "speed_curve", "speed_curves"]

T = TypeVar("T")

MIN_PASSES = 6  # a curve of three coefficients and its scatter need at least this many passes
MAX_FITTED = 10_000  # more passes than this add nothing to a smooth curve; evenly chosen ones are fitted
_SUSPECT_SCATTER = 0.01  # of the shortest turn: far more than any gate's jitter
_BY_HAND_S = 0.01  # no gate scatters as much; hardly a person scatters less
# A person's errors last: one late tap follows another, with a lag-one correlation of about 0.3. So n taps are worth
# n (1 - 0.3)/(1 + 0.3) independent ones (Bayley & Hammersley 1946), and since the curve follows such errors a little,
# their scatter about it is too small by about a seventh (simulated: tests/unit/test_taps.py).
_BY_HAND_WIDER = ((1 + 0.3) / (1 - 0.3)) ** 0.5 * 7 / 6
_STRETCHES = (0.0, 2.0, 8.0, 32.0)
_COMPLEXITIES = tuple((degree, 0) for degree in (2, 3, 4, 5)) + tuple(
    (5, knots) for knots in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
)


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


@dataclass(frozen=True, eq=False)
class _Clock:
    """Stretched time of one run."""

    kappa: float
    start_s: float
    span_s: float

    def stretched(self, times_s):
        """s, ds/dt and d²s/dt² at the given times."""
        tau = (np.asarray(times_s, dtype=float) - self.start_s) / self.span_s
        if self.kappa == 0:
            return tau, np.full_like(tau, 1 / self.span_s), np.zeros_like(tau)
        norm = np.log1p(self.kappa)
        grow = 1 + self.kappa * tau
        first = self.kappa / (norm * grow * self.span_s)
        return np.log1p(self.kappa * tau) / norm, first, -first * self.kappa / (grow * self.span_s)


@dataclass(frozen=True, eq=False)
class _Spline(_Clock):
    """One weighted least-squares fit of the angle: coefficients, their covariance, its quality."""

    knots: np.ndarray
    degree: int
    coefficients: np.ndarray  # (m,)
    offsets: np.ndarray  # (flags,) angle of each flag from its even place, turns; sums to zero
    covariance: np.ndarray  # (m, m), already widened for few degrees of freedom
    timing_sd_s: float
    aicc: float
    speed: np.ndarray  # (n,) at the coasting passes, turns/s

    @cached_property
    def basis(self):
        """scipy's BSpline whose value is a row of the design matrix, (m,)."""
        from scipy.interpolate import BSpline

        return BSpline(self.knots, np.eye(len(self.knots) - self.degree - 1), self.degree)

    @cached_property
    def _pieces(self) -> tuple[list[float], list[list[float]]]:
        """Where the polynomial pieces start, and their coefficients: plain floats, quick for one time at a time."""
        from scipy.interpolate import BSpline, PPoly

        pieces = PPoly.from_spline(BSpline(self.knots, self.coefficients, self.degree))
        real = np.flatnonzero(np.diff(pieces.x) > 0)
        return pieces.x[real].tolist(), pieces.c[:, real].T.tolist()

    def at(self, time_s: float) -> tuple[float, float]:
        """Angle (turns) and speed (turns/s) at one time."""
        starts, coefficients = self._pieces
        tau = (time_s - self.start_s) / self.span_s
        if self.kappa == 0:
            s, first = tau, 1 / self.span_s
        else:
            norm, grow = log1p(self.kappa), 1 + self.kappa * tau
            s, first = log1p(self.kappa * tau) / norm, self.kappa / (norm * grow * self.span_s)
        piece = max(bisect_right(starts, s) - 1, 0)
        x, angle, slope = s - starts[piece], 0.0, 0.0
        for coefficient in coefficients[piece]:  # Horner's scheme for the value and its slope
            slope = slope * x + angle
            angle = angle * x + coefficient
        return angle, slope * first

    def angle_row(self, time_s):
        return self.basis(self.stretched(time_s)[0])

    def speed_row(self, time_s):
        s, first, _ = self.stretched(time_s)
        return self.basis(s, 1) * np.expand_dims(first, -1)

    def slowing_row(self, time_s):
        s, first, second = self.stretched(time_s)
        return self.basis(s, 2) * np.expand_dims(first, -1) ** 2 + self.basis(s, 1) * np.expand_dims(second, -1)

    def sensitivity(self, crossing: Crossing) -> np.ndarray:
        """Rows (2, m): how the crossing's time and angle move with each coefficient."""
        at = crossing.time_s
        speed_row = self.speed_row(at)
        slowing = self.slowing_row(at) @ self.coefficients
        time_row = -speed_row / slowing
        return np.stack([time_row, self.angle_row(at) + (speed_row @ self.coefficients) * time_row])


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
    """

    run: Run
    times_s: np.ndarray  # (n,) coasting passes, s
    turns: np.ndarray  # (n,) angle since the first counted pass, turns
    period_s: np.ndarray  # (n,) smoothed turn period at each pass, never falling; empty if too few passes
    timing_sd_s: float = float("nan")  # scatter of the pass times about the curve
    flag_offsets_turns: tuple[float, ...] = (0.0,)
    _best: _Spline | None = None
    _richer: _Spline | None = None
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

    def once(self, work: Callable[[Run], T]) -> T:
        """What `work` makes of this curve's run: worked out when first asked for, then kept with the curve."""
        if work not in self._kept:
            self._kept[work] = work(self.run)
        return self._kept[work]

    @property
    def usable(self) -> bool:
        """Whether there were enough passes for a curve."""
        return self._best is not None

    def crossing(self, period_s: float) -> Crossing | None:
        """The moment the turn period reaches `period_s` (s); None outside the coasting passes."""
        return None if self._best is None else self._crossing(self._best, period_s)

    @property
    def last_pass(self) -> Crossing:
        """The last coasting pass of the log."""
        return Crossing(self.times_s[-1], self.turns[-1])

    def between(self, start_period_s: float, stop_period_s: float) -> Stretch | None:
        """Duration and turns between two turn periods; None if either is not reached.

        Standard uncertainties: least-squares covariance of the curve, widened by Student's factor so that ± 2 u is
        close to 95 %, combined with the difference to the next richer curve. The errors of the pass times are taken
        as independent; where they scatter by more than 10 ms, as those of a person who taps along, they are taken as
        correlated from pass to pass, and the uncertainty is 1.6 times as large.
        """
        start, stop = self.crossing(start_period_s), self.crossing(stop_period_s)
        if start is None or stop is None:
            return None
        return self._stretch(start, stop, [start_period_s, stop_period_s])

    def to_last_pass(self, start_period_s: float) -> Stretch | None:
        """As `between`, but up to the last pass of the log."""
        start = self.crossing(start_period_s)
        return None if start is None else self._stretch(start, self.last_pass, [start_period_s])

    def _stretch(self, start: Crossing, stop: Crossing, periods: list[float]) -> Stretch | None:
        best, richer = self._best, self._richer
        if best is None or richer is None:
            return None
        rows = -best.sensitivity(start)
        if len(periods) == 2:
            rows = rows + best.sensitivity(stop)
        # choosing the smoothest curve that fits favours a small scatter: take the larger of the two curves' own
        looser = max(1.0, richer.timing_sd_s / best.timing_sd_s)
        if self.run.timing_u_s:  # errors that last longer than a turn do not scatter about the curve
            looser = max(looser, self.run.timing_u_s / best.timing_sd_s)
        if best.timing_sd_s > _BY_HAND_S:
            looser *= _BY_HAND_WIDER
        u = looser * np.sqrt(np.einsum("im,mk,ik->i", rows, best.covariance, rows))
        value = np.array([stop.time_s - start.time_s, stop.turns - start.turns])
        first = self._crossing(richer, periods[0])
        last = self._crossing(richer, periods[1]) if len(periods) == 2 else stop
        if first is not None and last is not None:
            other = np.array([last.time_s - first.time_s, last.turns - first.turns])
            u = np.hypot(u, other - value)
        return Stretch(float(value[0]), float(u[0]), float(value[1]), float(u[1]))

    def _crossing(self, spline: _Spline, period_s: float) -> Crossing | None:
        from scipy.optimize import brentq

        wanted = 1 / period_s
        # speeds fall along the run: count those still above the wanted one
        k = int(np.searchsorted(-spline.speed, -wanted, side="right"))
        if k == 0 or k == len(spline.speed):
            return None
        low, high = float(self.times_s[k - 1]), float(self.times_s[k])

        def excess(time_s):
            return spline.at(time_s)[1] - wanted

        if excess(low) * excess(high) > 0:  # the curve only touches the threshold between two passes
            time_s = low
        else:
            time_s = brentq(excess, low, high, xtol=1e-13 * max(1.0, abs(high)), rtol=1e-14)
        return Crossing(time_s, spline.at(time_s)[0])


def speed_curve(run: Run) -> SpeedCurve:
    """Smooth the coasting part of one run. Passes too few, or too far apart, give a curve that is not `usable`."""
    times_s, turns = counted_passes(run)
    start = coasting_start(times_s, turns) if len(times_s) > 2 else 0
    times_s, turns = times_s[start:], turns[start:]
    bare = SpeedCurve(run, times_s, turns, np.empty(0))
    if len(times_s) < MIN_PASSES + run.flags_per_turn - 1:
        return bare
    chosen = _choose(times_s, turns, run.flags_per_turn)
    if chosen is None:
        return bare
    best, richer = chosen
    if best.timing_sd_s > _SUSPECT_SCATTER * best.speed[0] ** -1 and len(times_s) > 2 * MIN_PASSES:
        # a pass missed in the very last gap shows nowhere else; if all is well without it, it stays out
        shorter = _choose(times_s[:-1], turns[:-1], run.flags_per_turn)
        if shorter and shorter[0].timing_sd_s < best.timing_sd_s / 10:
            best, richer = shorter
            times_s, turns = times_s[:-1], turns[:-1]
    places = _flag_of(turns, run.flags_per_turn)[1]
    uneven = places - np.arange(len(places)) / run.flags_per_turn
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


def speed_curves(runs: Sequence[Run | SpeedCurve]) -> tuple[SpeedCurve, ...]:
    """Curves of all runs; those given as curves pass through, so nothing is computed twice.

    >>> import kit, numpy as np
    >>> n = np.arange(120)  # every turn takes 4 ms longer than the one before
    >>> run = kit.Run(0.2 * n + 0.002 * n**2)
    >>> curves = kit.speed_curves([run])
    >>> kit.speed_curves(curves) == curves
    True
    """
    return tuple(r if isinstance(r, SpeedCurve) else speed_curve(r) for r in runs)


def _choose(times_s, turns, flags) -> tuple[_Spline, _Spline] | None:
    """The best curve by AICc among those that never speed up, and the next richer one; None if there is no curve."""
    data = _Data.of(times_s, turns, flags)
    tried = (_least_squares(data, kappa, *_middling(len(times_s))) for kappa in _STRETCHES)
    trials = [fit for fit in tried if fit is not None]
    if not trials:
        return None  # such as a few passes within seconds and one more days later
    kappa = min(trials, key=lambda fit: fit.aicc).kappa
    fits: list[_Spline] = []
    best = None
    for degree, knots in _COMPLEXITIES:
        if degree + knots + flags + 3 > len(times_s) or (best is not None and len(fits) > best + 3):
            break  # too few passes for more pieces, or three richer curves have brought nothing
        fit = _least_squares(data, kappa, degree, knots)
        if fit is None:
            continue
        fits.append(fit)
        if _never_rises(fit.speed) and (best is None or fit.aicc < fits[best].aicc):
            best = len(fits) - 1
    if not fits:
        return None
    best = best or 0
    richer = next((i for i in range(best + 1, len(fits)) if fits[i].speed[-1] > 0), max(best - 1, 0))
    return _searchable(fits[best]), _searchable(fits[richer])


@dataclass(frozen=True, eq=False)
class _Data:
    """What every fit to one run shares."""

    times_s: np.ndarray  # all coasting passes
    flags: int
    fitted_s: np.ndarray  # those that are fitted
    angle: np.ndarray
    weight_s: np.ndarray  # rough turn period: makes residuals seconds
    which: np.ndarray  # the flag that made each pass

    @classmethod
    def of(cls, times_s, turns, flags) -> _Data:
        from scipy.optimize import isotonic_regression

        chosen = np.arange(len(times_s))
        if len(chosen) > MAX_FITTED:
            chosen = np.unique(np.linspace(0, len(times_s) - 1, MAX_FITTED).round().astype(int))
        t, angle = times_s[chosen], turns[chosen]
        rough_speed = isotonic_regression(np.gradient(angle, t), increasing=False).x
        return cls(times_s, flags, t, angle, 1 / rough_speed, _flag_of(angle, flags)[0])


def _middling(n: int) -> tuple[int, int]:
    """Degree and knots of the curve on which the stretches of time are compared."""
    return (2, 0) if n < 9 else (3, 0) if n < 20 else (5, 1)


def _never_rises(speed) -> bool:
    return bool(speed[-1] > 0 and np.all(np.diff(speed) <= 1e-9 * speed[0]))


def _searchable(fit: _Spline) -> _Spline:
    """Iron out what little a curve rises, so that a binary search over its speeds is safe."""
    if _never_rises(fit.speed):
        return fit
    from scipy.optimize import isotonic_regression

    level = isotonic_regression(fit.speed, increasing=False).x
    return replace(fit, speed=np.maximum(level, 1e-9 * level[0]))


def _least_squares(data: _Data, kappa, degree, knots) -> _Spline | None:
    """Weighted least squares of angle on time; None where the passes do not determine the curve."""
    from scipy.interpolate import BSpline

    angle, weight, flags = data.angle, data.weight_s, data.flags
    start, end = data.times_s[0], data.times_s[-1]
    clock = _Clock(kappa, start, end - start)
    s = clock.stretched(data.fitted_s)[0]
    # knots lie halfway between even in time and even in angle: slow ends and fast starts both get their share
    even = (s + (angle - angle[0]) / (angle[-1] - angle[0])) / 2
    inner = np.interp(np.arange(1, knots + 1) / (knots + 1), even, s)
    grid = np.r_[np.zeros(degree + 1), inner, np.ones(degree + 1)]
    design = BSpline.design_matrix(s, grid, degree).toarray()
    design = np.hstack([design, _flag_columns(data.which, flags)]) * weight[:, None]
    q, r = np.linalg.qr(design)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < 1e-11 * diagonal.max():
        return None
    solution = np.linalg.solve(r, q.T @ (angle * weight))
    n, m = design.shape
    rss = float(np.sum((design @ solution - angle * weight) ** 2))
    rss = max(rss, n * (4e-16 * end) ** 2)  # noise-free data: the clock's own resolution
    root = np.linalg.inv(r)
    few = t_factor(n - m) / NORMAL_FACTOR
    main = slice(0, degree + 1 + knots)
    covariance = (root @ root.T)[main, main] * rss / (n - m) * few**2
    offsets = np.zeros(flags)
    offsets[: flags - 1] = -solution[degree + 1 + knots :]
    offsets[flags - 1] = -offsets.sum() if flags > 1 else 0.0
    s, first, _ = clock.stretched(data.times_s)
    return _Spline(
        kappa,
        start,
        end - start,
        knots=grid,
        degree=degree,
        coefficients=solution[main],
        offsets=offsets,
        covariance=covariance,
        timing_sd_s=float(np.sqrt(rss / (n - m))),
        aicc=aicc(n * np.log(rss / n), m + 1, n),
        speed=BSpline(grid, solution[main], degree)(s, 1) * first,
    )


def _flag_of(turns, flags) -> tuple[np.ndarray, np.ndarray]:
    """Which flag made each pass, (n,), and where each flag was counted, (flags,) in turns from the first."""
    part = np.round(turns % 1.0, 9) % 1.0
    places, which = np.unique(part, return_inverse=True)
    if len(places) != flags:  # a run too short to show every flag
        which, places = np.rint(turns * flags).astype(int) % flags, np.arange(flags) / flags
    return which, places


def _flag_columns(which, flags) -> np.ndarray:
    """Columns (n, flags − 1) for what is still unknown of the flags' angles, taken to sum to zero."""
    return (which[:, None] == np.arange(flags - 1)) * 1.0 - (which == flags - 1)[:, None]
