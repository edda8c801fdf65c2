"""The smooth curve through the passes of one run: which of many splines, and fitted how.

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

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..stats.lasting import independent, lag_one, lasting_correlation
from ..stats.least_squares import aicc
from .splines import Clock, Spline, design_of

__all__ = ["flag_of", "smooth"]

MAX_FITTED = 10_000  # more passes than this add nothing to a smooth curve; evenly chosen ones are fitted
_STRETCHES = (0.0, 2.0, 8.0, 32.0)
_WAVY, _WAVY_GAIN = 0.003, 10.0  # a speed that rises by a share this small is a wave of the curve, if AICc gains 10
_MOST_LASTING = 0.8  # correlation of neighbouring errors, when curves are compared
_RIPPLE_GAIN = 6.0  # AICc that columns for a once-a-turn torque must gain
_COMPLEXITIES = (*((degree, 0) for degree in (2, 3, 4, 5)), *((5, n) for n in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)))


def smooth(times_s: np.ndarray, turns: np.ndarray, flags: int) -> tuple[Spline, Spline] | None:
    """The best curve by AICc among those that hardly speed up, and the next richer one; None if there is no curve.

    times_s, turns : (n,) moments (s) and angles of the passes. flags : how many there are a turn.
    """
    data = _Data.of(times_s, turns, flags)
    clocks = [_InTime.of(data, kappa) for kappa in _STRETCHES]
    tried = ((clock, _least_squares(data, clock, *_middling(len(times_s)))) for clock in clocks)
    trials = [(fit.aicc, clock, fit) for clock, fit in tried if fit is not None]
    if not trials:
        return None  # such as a few passes within seconds and one more days later
    _, clock, known = min(trials, key=lambda trial: trial[0])
    if (found := _search(data, clock, known)) is None:
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


def _search(data: _Data, clock: _InTime, known: Spline | None = None) -> tuple[Spline, Spline] | None:
    """From simple to rich, until four curves in a row have brought nothing: the best, and the next richer one.

    known : one of the fits, if there is one already.
    """
    fits: list[Spline] = []
    best = lowest = None
    for degree, knots in _COMPLEXITIES:
        if degree + knots + data.columns + 4 > len(data.fitted_s) or (lowest is not None and len(fits) > lowest + 4):
            break
        fit = known
        if fit is None or fit.complexity != (degree, knots):
            fit = _least_squares(data, clock, degree, knots)
        if fit is None:
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
        columns = _flag_columns(flag_of(angle, flags)[0], flags)
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
        places = flag_of(data.angle, data.flags)[1]
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
    from scipy.linalg.lapack import dtrtrs

    s, flags = at.s, data.flags
    inner = np.interp(np.arange(1, knots + 1) / (knots + 1), at.even, s)  # knots
    grid = np.concatenate([np.zeros(degree + 1), inner, np.ones(degree + 1)])
    count = degree + 1 + knots
    n, m = len(s), count + data.columns
    if n <= m:
        return None
    # with the target as one more column, its part along the others stands beside their triangle: no Q is needed
    columns = _weighted(data, s, grid, degree)
    triangle = np.asarray(np.linalg.qr(independent(columns, lasting), mode="r"))
    r = triangle[:m, :m]
    diagonal = np.abs(r.diagonal())
    if diagonal.min() < 1e-11 * diagonal.max():
        return None
    solution, _ = dtrtrs(r, triangle[:m, m])
    residuals = columns[:, :m] @ solution - columns[:, m]
    finest = n * (4e-16 * data.fitted_s[-1]) ** 2  # noise-free data: the clock's own resolution
    rss, lasting_rss = (max(float(left @ left), finest) for left in (residuals, independent(residuals, lasting)))
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
        error_sd_s=float(np.sqrt(lasting_rss / (n - m))),
        aicc=min(aicc(deviance, m + 1, n), aicc(deviance + (n - 1) * np.log(1 - rho**2), m + 2, n)),
        lasting=lasting,
        fitted_s=data.fitted_s,
        late_s=residuals,
        weight_s=data.weight_s,
    )


def _weighted(data: _Data, s, grid, degree) -> np.ndarray:
    """(n, m + 1) all columns and the target as the last one, so that residuals are seconds."""
    return np.concatenate([design_of(s, grid, degree), data.others], axis=1) * data.weight_s[:, None]


def flag_of(turns, flags) -> tuple[np.ndarray, np.ndarray]:
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
