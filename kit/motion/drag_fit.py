"""Fit the drag laws to the passes of one run.

How the noise is treated: a flag stands at a fixed angle of the disc, so the angle of a pass is exact, and
the noise is in its time. The residual of a pass is therefore measured in seconds,

    (angle of the model at the logged time − angle of the pass) / speed there,

and the jitter of different passes is taken as independent, of one standard deviation, and normal. The speed
it is divided by comes from the run itself and is the same for all laws, so that their sums of squares
compare. The start phase is unknown: the angle at the first pass is a parameter, as is the speed there.
Passes are taken as cleaned before: nothing here is robust to a bounce or to a miss that was not counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..errors import KitError
from ..logs.run import Run, coasting_start, counted_passes
from ..stats.averages import t_factor
from ..stats.lasting import lasting_correlation
from ..stats.least_squares import aicc, evidence_weights
from ..wording import number, plus_minus
from .drag import LAWS, TURN, UNITS, DragLaw, cumulated, law_terms, sensitivities

__all__ = [
    "Between",
    "DragFit",
    "RestEstimate",
    "bounded_solution",
    "fit_drag",
    "fit_drags",
    "fit_run",
    "flag_columns",
    "one_turn_speed",
]


def flag_columns(turned: np.ndarray, flags: int) -> list[np.ndarray]:
    """One column for each flag but the last: +1 for its passes, −1 for those of the last flag (sum 0)."""
    flag = np.rint(turned * flags / TURN).astype(int) % flags
    last = (flag == flags - 1).astype(float)
    return [(flag == k) - last for k in range(flags - 1)]


def one_turn_speed(times: np.ndarray, angles: np.ndarray, flags: int) -> np.ndarray:
    """Speed in rad/s at each pass, over one turn before and after it where the run has both."""
    n = len(times)
    before = np.maximum(np.arange(n) - flags, 0)
    after = np.minimum(np.arange(n) + flags, n - 1)
    return (angles[after] - angles[before]) / (times[after] - times[before])


def bounded_solution(triangle: np.ndarray, free: int, chosen=None) -> tuple[np.ndarray, float]:
    """Least-squares solution with all but the first `free` parameters ≥ 0, and its sum of squares.

    `triangle` is R of the columns with the target last; `chosen` are the bounded columns to use.
    """
    from scipy.linalg.lapack import dtrtrs
    from scipy.optimize import nnls

    if chosen is not None:
        keep = [*range(free), *(free + k for k in chosen), triangle.shape[1] - 1]
        triangle = _triangle_of(triangle.T[keep])
    count = triangle.shape[1] - 1
    left = triangle[count, count] ** 2 if len(triangle) > count else 0.0
    if len(triangle) >= count:
        values, singular = dtrtrs(triangle[:count, :count], triangle[:count, count])
        if not singular and (values[free:] >= 0).all():  # the bounds do not matter
            return values, left
    bounded, target = triangle[free:count, free:count], triangle[:count, count]
    scale = np.sqrt((bounded**2).sum(axis=0))
    scale[scale == 0] = 1.0
    values, distance = nnls(bounded / scale, target[free:])
    values /= scale
    rest = target[:free] - triangle[:free, free:count] @ values
    return np.append(np.linalg.solve(triangle[:free, :free], rest), values), distance**2 + left


def _triangle_of(columns: np.ndarray) -> np.ndarray:
    """R of columns given one a row, (k, n), which are overwritten. Straight from LAPACK, which halves the time."""
    from scipy.linalg.lapack import dgeqrf

    found = dgeqrf(np.asarray(columns).T, overwrite_a=True)[0]
    return np.triu(found[: len(columns)])


# --- one fit and what it says


class Between(NamedTuple):
    """Duration and turns between two turn periods, with standard uncertainties."""

    duration_s: float
    duration_u_s: float
    turns: float
    turns_u: float


class RestEstimate(NamedTuple):
    """What the fitted law says comes after the last pass. An estimate of the model: nothing was measured there.

    The standard uncertainties hold if the law holds down to rest. They are nan where the estimate is infinite.
    """

    time_s: float
    time_u_s: float
    turns: float
    turns_u: float


@dataclass(frozen=True, eq=False, repr=False)
class DragFit:
    """A drag law fitted to the passes of one run.

    `covariance` is in the order of `parameters`: speed at the first pass (rad/s), angle at the first pass
    (rad), the coefficients of the law asked for, then the offsets of all flags but the last (rad). It is
    the linear one, σ²(JᵀJ)⁻¹, for all coefficients asked for, also where one ended at its bound 0: there it
    overstates rather than understates. `intervals` respects the bounds.

    >>> import kit, numpy as np
    >>> angles = 2 * np.pi * np.arange(40)
    >>> jitter = 1e-4 * np.random.default_rng(1).standard_normal(40)
    >>> times = kit.DragLaw(a=0.4, b=0.05).time_at_angle(angles, 25.0) + jitter
    >>> fit = kit.fit_drag(times, angles, "constant + ∝ speed")
    >>> fit
    DragFit(constant + ∝ speed: a = 0.39986 ± 0.00013 rad/s², b = 0.050011 ± 0.000010 1/s; 40 passes)
    >>> print(f"{fit.between(0.3, 0.6).duration_s:.2f} s, and to rest {fit.time_to_rest().time_s:.1f} s after the log")
    8.98 s, and to rest 10.8 s after the log
    """

    law: DragLaw
    name: str  # the law asked for; law.name is shorter where a coefficient ended at 0
    start_speed: float  # at the first pass, rad/s
    start_angle_rad: float  # at the first pass
    flag_offsets_rad: np.ndarray  # (flags_per_turn,) sum 0: how far each flag is ahead of its even place
    parameters: tuple[str, ...]
    covariance: np.ndarray
    timing_sd_s: float  # jitter of a pass, from the residuals
    dof: int
    aicc: float
    weight: float  # evidence weight among the laws fitted together; 1 for a single fit
    times_s: np.ndarray
    residuals_s: np.ndarray  # logged minus modelled time of each pass
    profile: tuple[np.ndarray, np.ndarray]  # (R, q): the sum of squares is |R·coefficients − q|² + a constant

    def __repr__(self) -> str:
        found = ", ".join(f"{name} = {text}" for name, text in self._coefficients())
        return f"DragFit({self.name}: {found}; {len(self.times_s)} passes)"

    def _repr_html_(self) -> str:
        rows = "".join(f"<tr><td>{name}</td><td>{escape(text)}</td></tr>" for name, text in self._coefficients())
        return (
            f"<p><b>Drag: {escape(self.name)}</b>, fitted to {len(self.times_s)} passes. "
            f"Pass times spread by {number(1e3 * self.timing_sd_s, 2)} ms about it.</p><table>{rows}</table>"
        )

    def _coefficients(self) -> list[tuple[str, str]]:
        """Each coefficient with its standard uncertainty and unit."""
        us = np.sqrt(np.diag(self.covariance))
        return [
            (name, plus_minus(getattr(self.law, name), float(us[self.parameters.index(name)]), UNITS[name]))
            for name in self.terms
        ]

    @property
    def terms(self) -> str:
        """The coefficients of the law asked for, such as "abc"."""
        return LAWS[self.name]

    @cached_property
    def lasting(self) -> float:
        """Correlation of the error of a pass with the next one's, see `kit.stats.lasting`."""
        elapsed = self.times_s - self.times_s[0]
        speeds, angle = self.law.state_at(elapsed, self.start_speed)
        speeds = np.maximum(speeds, 1e-6 * self.start_speed)  # the law may come to rest before the last pass
        by_speed, by_terms = sensitivities(self.law, elapsed, self.start_speed, speeds)
        flags = flag_columns(angle, len(self.flag_offsets_rad))
        columns = [by_speed, np.ones_like(angle), *flags, *(by_terms["abc".index(name)] for name in self.terms)]
        return lasting_correlation(np.array([*(column / speeds for column in columns), self.residuals_s]).T)

    def speed(self, times_s: ArrayLike) -> np.ndarray:
        """Return the speed in rad/s at times of the log in s, from the first pass of the fit on."""
        return self.law.speed_at(np.asarray(times_s) - self.times_s[0], self.start_speed)

    def deceleration(self, times_s: ArrayLike) -> np.ndarray:
        """Return the deceleration in rad/s² at times of the log in s; 0 once at rest."""
        speed = self.speed(times_s)
        return np.where(speed > 0, self.law.deceleration(speed), 0.0)[()]

    def turns(self, times_s: ArrayLike) -> np.ndarray:
        """Return the turns counted (as in the angles fitted) at times of the log in s."""
        angle = self.law.angle_at(np.asarray(times_s) - self.times_s[0], self.start_speed)
        return (self.start_angle_rad + angle) / TURN

    def crossing(self, period_s: float) -> tuple[float, float]:
        """Return the time of the log in s, and the turns counted, at which a turn takes `period_s`.

        Beyond the passes fitted this is an extrapolation, before the first one too.
        """
        speed = TURN / _positive(period_s)
        time = self.times_s[0] + self.law.duration(self.start_speed, speed)
        angle = self.start_angle_rad + self.law.angle(self.start_speed, speed)
        return float(time), float(angle / TURN)

    def between(self, start_period_s: float, stop_period_s: float) -> Between:
        """Return duration and turns between two turn periods, with standard uncertainties.

        The thresholds are exact; the uncertainty is that of the coefficients, by their covariance.
        """
        fast, slow = TURN / _positive(start_period_s), TURN / _positive(stop_period_s)
        return Between(
            *self._with_u(lambda law, _: law.duration(fast, slow), 1.0),
            *self._with_u(lambda law, _: law.angle(fast, slow), TURN),
        )

    def time_to_rest(self) -> RestEstimate:
        """Return the time and the turns from the last pass to rest: an estimate of the model, not measured.

        Real spindles may grip differently at speeds that were never measured. Without constant drag the
        law never comes to rest: the time is then infinite.
        """
        elapsed = self.times_s[-1] - self.times_s[0]
        return RestEstimate(
            *self._with_u(lambda law, start: law.time_to_rest(start) - elapsed, 1.0),
            *self._with_u(lambda law, start: law.angle_to_rest(law.speed_at(elapsed, start)), TURN),
        )

    def intervals(self, confidence: float = 0.95) -> dict[str, tuple[float, float]]:
        """Return an interval for each coefficient of the law asked for, none of it below 0.

        Where no coefficient is at its bound it is the t interval, cut at 0. Otherwise it reaches from the
        lower to the upper of two estimates, with bounds and without, and t standard uncertainties beyond
        both: it covers at least as often as it says. (The likelihood within the bounds alone would cover
        drag ∝ speed in 87 % instead of 95 % of runs in which nothing else drags.)
        """
        factor = t_factor(self.dof, confidence)
        unbounded = np.linalg.lstsq(*self.profile)[0]
        found = {}
        for name, free in zip(self.terms, unbounded, strict=True):
            at, bounded = self.parameters.index(name), getattr(self.law, name)
            reach = factor * np.sqrt(self.covariance[at, at])
            found[name] = (max(0.0, float(min(free, bounded) - reach)), float(max(free, bounded) + reach))
        return found

    def _with_u(self, quantity: Callable[[DragLaw, float], np.ndarray], unit: float) -> tuple[float, float]:
        """A quantity of law and start speed, and its standard uncertainty by linear propagation."""
        value = float(quantity(self.law, self.start_speed))
        if not np.isfinite(value):
            return value, np.nan
        names = ("start_speed", *self.terms)
        gradient = [self._slope(quantity, name, value) for name in names]
        where = [self.parameters.index(name) for name in names]
        variance = gradient @ self.covariance[np.ix_(where, where)] @ gradient
        return value / unit, float(np.sqrt(variance)) / unit

    def _slope(self, quantity, name, value):
        """Forward difference of second order: it never steps below 0."""
        if name == "start_speed":
            step = 1e-4 * self.start_speed
            once, twice = (quantity(self.law, self.start_speed + k * step) for k in (1, 2))
        else:
            power = "abc".index(name)
            step = 1e-4 * float(self.law.deceleration(self.start_speed)) / self.start_speed**power
            raised = (replace(self.law, **{name: getattr(self.law, name) + k * step}) for k in (1, 2))
            once, twice = (quantity(law, self.start_speed) for law in raised)
        return float((4 * once - twice - 3 * value) / (2 * step))


def fit_drag(times_s: ArrayLike, angles_rad: ArrayLike, law: str = "three-term", flags_per_turn: int = 1) -> DragFit:
    """Fit one drag law to the passes of a coasting disc.

    Parameters
    ----------
    times_s : (n,) times of the passes, strictly increasing, s.
    angles_rad : (n,) angle of each pass, increasing by 2π/flags_per_turn a pass (more over a miss).
    law : "three-term" or a name in `kit.motion.drag.LAWS`. All coefficients are ≥ 0.
    flags_per_turn : with more than one flag, their angles are taken as unknown: an offset of each flag from
        its even place is fitted too (sum 0), so that uneven flags put no ripple on the speed.

    >>> import kit, numpy as np
    >>> angles = 2 * np.pi * np.arange(40)
    >>> times = kit.DragLaw(a=0.4, b=0.05).time_at_angle(angles, 25.0)
    >>> fit = kit.fit_drag(times, angles)  # all three kinds of drag are tried at once
    >>> print(f"a = {fit.law.a:.3f} rad/s², b = {fit.law.b:.4f} /s, c = {fit.law.c:.5f} /rad")
    a = 0.400 rad/s², b = 0.0500 /s, c = 0.00000 /rad

    Raises
    ------
    KitError : lengths differ, times do not increase, or there are too few passes for the law.
    """
    return _fit_laws(times_s, angles_rad, [_full_name(law)], flags_per_turn)[0]


def fit_drags(times_s: ArrayLike, angles_rad: ArrayLike, flags_per_turn: int = 1) -> list[DragFit]:
    """Fit all seven drag laws, best first by AICc, with evidence weights (Burnham & Anderson, 2002).

    Laws with too many coefficients for the passes are left out. See `fit_drag`.
    """
    fits = _fit_laws(times_s, angles_rad, list(LAWS), flags_per_turn)
    fits.sort(key=lambda fit: fit.aicc)
    weights = evidence_weights([fit.aicc for fit in fits])
    return [replace(fit, weight=float(weight)) for fit, weight in zip(fits, weights, strict=True)]


def fit_run(
    run: Run, law: str = "three-term", min_period_s: float | None = None, max_period_s: float | None = None
) -> DragFit:
    """Fit one drag law to the coasting part of a run, by its counted passes; see `fit_drag`.

    The fit starts one turn after the speed peak, because the push may end within that turn. The limits
    leave out passes at which a turn takes less than `min_period_s` or more than `max_period_s`.

    >>> import kit, numpy as np
    >>> angles = 2 * np.pi * np.arange(40)
    >>> times = kit.DragLaw(a=0.4, b=0.05).time_at_angle(angles, 25.0)
    >>> fit = kit.fit_run(kit.Run(times), max_period_s=0.5)
    >>> print(f"{fit.between(0.3, 0.5).turns:.2f} turns")
    17.97 turns

    Raises
    ------
    KitError : too few passes are left, or no such law.
    """
    return fit_drag(*coasting_passes(run, min_period_s, max_period_s), law, run.flags_per_turn)


def coasting_passes(
    run: Run, min_period_s: float | None = None, max_period_s: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return times (s) and angles (rad) of the passes `fit_run` fits."""
    times, turns = counted_passes(run)
    first = coasting_start(times, turns) + run.flags_per_turn
    times, angles = np.asarray(times)[first:], TURN * np.asarray(turns)[first:]
    if len(times) > 2 and (min_period_s is not None or max_period_s is not None):
        period = TURN / one_turn_speed(times, angles, run.flags_per_turn)
        low = 0 if min_period_s is None else np.count_nonzero(period < min_period_s)
        high = len(times) - (0 if max_period_s is None else np.count_nonzero(period > max_period_s))
        times, angles = times[low:high], angles[low:high]
    return times, angles


def _full_name(law: str) -> str:
    terms = law_terms(law)
    return next(name for name, of_law in LAWS.items() if of_law == terms)


def _positive(period_s: float) -> float:
    if not period_s > 0:
        raise KitError("A turn period must be above 0", found=period_s, fix="give it in seconds")
    return period_s


def _fit_laws(times_s, angles_rad, names, flags) -> list[DragFit]:
    times, angles = _checked(times_s, angles_rad, flags)
    possible = [name for name in names if len(times) > _parameter_count(name, flags)]
    if not possible:
        needed = min(_parameter_count(name, flags) for name in names) + 1
        raise KitError(
            f"Too few passes to fit this drag law: it needs at least {needed}",
            found=len(times),
            fix="use a longer run or a law with fewer kinds of drag",
        )
    passes = _Passes(times, angles, flags)
    return [passes.fit(name) for name in possible]


def _parameter_count(name: str, flags: int) -> int:
    return 2 + len(LAWS[name]) + flags - 1


def _checked(times_s, angles_rad, flags):
    times, angles = np.asarray(times_s, dtype=float), np.asarray(angles_rad, dtype=float)
    if times.ndim != 1 or times.shape != angles.shape:
        raise KitError(
            "Times and angles must be two lists of one length",
            found=f"{times.shape} and {angles.shape}",
            fix="give one angle for each pass",
        )
    for values, what in ((times, "times"), (angles, "angles")):
        if not (np.isfinite(values).all() and (np.diff(values) > 0).all()):
            raise KitError(f"The {what} of the passes must increase", fix="clean the passes first")
    if flags < 1:
        raise KitError("There must be at least one flag a turn", found=flags, fix="count the flags")
    return times, angles


class _Passes:
    """The passes of one run, made ready for fitting: what all laws share is computed once."""

    def __init__(self, times: np.ndarray, angles: np.ndarray, flags: int):
        self.times, self.flags = times, flags
        self.elapsed = times - times[0]
        self.turned = angles - angles[0]
        self.first_angle = angles[0]
        self.flag_columns = flag_columns(self.turned, flags)
        self.slowest = one_turn_speed(self.elapsed, self.turned, flags)
        self.speed = self.slowest
        self.start = self._integral_solution()
        # Once more with the speeds of that law: smoother, and not a turn short at both ends.
        parameters = bounded_solution(self.start, self.flags + 1)[0]
        smooth = DragLaw(*parameters[-3:]).speed_at(self.elapsed, max(parameters[0], self.speed[0]))
        if (smooth > self.speed / 2).all():
            self.speed = smooth
            self.start = self._integral_solution()

    def _integral_solution(self) -> np.ndarray:
        """The triangle of all three laws at once, from the law integrated twice.

        angle = angle₀ + ω₁t − a t²/2 − b ∫θ dt − c ∫∫ω² dt dt is linear in all parameters. The integrals run
        over the data: good enough to start from, and free of starting values.
        """
        turned, speed, time = self.turned, self.speed, self.elapsed
        slowing = -np.gradient(speed, time) if len(time) > 2 else np.zeros_like(time)
        squared = cumulated(time, speed**2, -2 * speed * slowing)
        terms = [
            -(time**2) / 2,
            -cumulated(time, turned, speed),
            -cumulated(time, squared, speed**2),
        ]
        return self._triangle(time, terms, turned)

    def _triangle(self, speed_column, terms, target) -> np.ndarray:
        """R of the weighted columns, the target last: all that a least-squares solution needs."""
        columns = [speed_column, np.ones_like(target), *self.flag_columns, *terms, target]
        return _triangle_of(np.array(columns) / self.speed)

    @np.errstate(over="ignore", invalid="ignore")  # a step may lead far off; then it is not taken
    def fit(self, name: str) -> DragFit:
        """Gauss–Newton with bounds, halving steps that do not improve."""
        indices = ["abc".index(term) for term in LAWS[name]]
        free = self.flags + 1
        parameters = bounded_solution(self.start, free, indices)[0]
        parameters[0] = max(parameters[0], 0.1 * self.speed[0])
        best = np.inf
        for _ in range(60):
            law = _law(indices, parameters[free:])
            misfit, speeds, angle = self._misfit(law, parameters)
            squares = float(misfit @ misfit)
            if squares < best:
                improved = best - squares
                best, kept, left = squares, parameters, misfit
                triangle = self._linearised(law, parameters, indices, speeds, angle)
                parameters, expected = bounded_solution(triangle, free)
                parameters[0] = max(parameters[0], kept[0] / 2)
                # Done when the step just found matters little beside the noise (0.03 standard errors): the
                # step after it would be smaller by far.
                if min(improved, best - expected) <= 1e-3 * best / len(misfit):
                    misfit = self._misfit(_law(indices, parameters[free:]), parameters)[0]
                    if misfit @ misfit <= 2 * best:  # where no law fits, it may lead anywhere
                        kept, left = parameters, misfit
                    break
            elif squares <= best * (1 + 1e-9):
                break
            else:
                parameters = (parameters + kept) / 2
        return self._result(name, indices, kept, left, triangle)

    def _misfit(self, law, parameters):
        """Time residuals in s, and speeds and angles of the model."""
        speeds, angle = law.state_at(self.elapsed, parameters[0])
        model = angle + parameters[1]
        for column, offset in zip(self.flag_columns, parameters[2 : self.flags + 1], strict=True):
            model = model + column * offset
        return (model - self.turned) / self.speed, speeds, angle

    def _linearised(self, law, parameters, indices, speeds, angle):
        """The triangle of the problem linearised at these parameters, for their new values themselves."""
        by_speed, by_terms = sensitivities(law, self.elapsed, parameters[0], speeds)
        by_terms = [by_terms[index] for index in indices]
        target = self.turned - angle + by_speed * parameters[0]
        for column, value in zip(by_terms, parameters[self.flags + 1 :], strict=True):
            target = target + column * value
        return self._triangle(by_speed, by_terms, target)

    def _result(self, name, indices, parameters, residuals, triangle) -> DragFit:
        count, free = len(parameters), self.flags + 1
        law = _law(indices, parameters[free:])
        dof = len(self.times) - count
        squares = float(residuals @ residuals)
        inverse = np.linalg.pinv(triangle[:count, :count])
        order = [0, 1, *range(free, count), *range(2, free)]  # the coefficients before the flags
        covariance = (inverse @ inverse.T)[np.ix_(order, order)] * squares / dof
        offsets = parameters[2:free]
        return DragFit(
            law=law,
            name=name,
            start_speed=float(parameters[0]),
            start_angle_rad=float(self.first_angle + parameters[1]),
            flag_offsets_rad=np.append(offsets, -offsets.sum()),
            parameters=("start_speed", "start_angle", *LAWS[name], *(f"flag {k}" for k in range(free - 2))),
            covariance=covariance,
            timing_sd_s=float(np.sqrt(squares / dof)),
            dof=dof,
            aicc=self._aicc(squares, count),
            weight=1.0,
            times_s=self.times,
            residuals_s=residuals,
            profile=(triangle[free:count, free:count], triangle[free:count, count]),
        )

    def _aicc(self, squares: float, parameters: int) -> float:
        """AICc for normal noise of unknown variance; the variance is a parameter too."""
        n = len(self.times)
        rounding = n * np.spacing(np.abs(self.times).max()) ** 2  # smaller sums of squares mean nothing
        return aicc(n * np.log(max(squares, rounding) / n), parameters + 1, n)


def _law(indices, values) -> DragLaw:
    coefficients = np.zeros(3)
    coefficients[indices] = values
    return DragLaw(*coefficients)
