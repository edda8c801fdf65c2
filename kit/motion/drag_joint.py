"""One drag law for all runs of a lesson: how the coefficients depend on what was changed.

Every run has coefficients of its own, close to straight lines in the condition n:

    a(n) = a₀ + αn     b(n) = b₀ + βn     c(n) = c₀ + γn     all of them ≥ 0.

The passes of one run fix its coefficients to a fraction of a per cent, but a repeat differs by a few per cent:
weighted by the jitter alone, single runs would rule the lines. So each coefficient of each run carries a random
factor, independent, of one relative standard deviation found from the runs themselves (maximum likelihood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from ..stats.averages import t_factor
from ..stats.least_squares import aicc, evidence_weights
from .drag import LAWS, TURN, UNITS, DragLaw, law_terms
from .drag_fit import DragFit, fit_run

__all__ = ["Intercept", "JointDrag", "joint_fit"]


class Intercept(NamedTuple):
    """An n₀: the apparatus alone drags like n₀ of what is added to it."""

    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class JointDrag:
    """Lines of the drag coefficients over the conditions, fitted to all runs together."""

    x: str  # what was changed
    law: str  # the law all runs share
    lines: pd.DataFrame  # coefficient, at_zero, at_zero_u, slope, slope_u, unit
    covariance: np.ndarray  # of at_zero and slope of each line in turn
    run_scatter: float  # relative standard deviation of the coefficients from run to run
    timing_sd_s: float  # jitter of a pass, pooled over the runs
    dof: float  # effective number of independent run scatters, less the parameters
    laws: pd.DataFrame  # law, aicc, weight: all laws on the same runs, best first
    runs: pd.DataFrame  # x, trial, source and the coefficients of each run's own three-term fit
    middle_speed: float  # rad/s, in the middle of what was measured
    left_out: tuple[str, ...]  # runs that could not be fitted, with the reason

    def law_at(self, condition: float) -> DragLaw:
        """Return the drag law the lines give at a condition."""
        return _law_on_lines(law_terms(self.law), self._values(), condition)

    @property
    def changing(self) -> str:
        """The coefficient "a", "b" or "c" whose change with the condition changes the drag most."""
        powers = np.array(["abc".index(name) for name in self.lines["coefficient"]])
        return self.lines["coefficient"].iloc[int(np.argmax(self.lines["slope"] * self.middle_speed**powers))]

    @property
    def changing_law(self) -> str:
        """The kind of drag that what was changed adds, in words: "constant", "∝ speed" or "∝ speed²"."""
        return DragLaw(**{self.changing: 1.0}).name

    def n0(self, coefficient: str | None = None) -> Intercept:
        """Return n₀ = at_zero/slope of a coefficient's line, with a 95 % interval cut at 0.

        Fieller's interval for a ratio (E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175), which stays honest
        where the slope is uncertain: it then has no upper end. Without a coefficient, the `changing` one.
        """
        coefficient = coefficient or self.changing
        place = _position(self.lines, coefficient)
        zero, slope = self._values()[2 * place : 2 * place + 2]
        block = self.covariance[2 * place : 2 * place + 2, 2 * place : 2 * place + 2]
        return _ratio(zero, slope, block, t_factor(self.dof))

    def trend_x0(self, start_period_s: float, stop_period_s: float) -> dict[str, Intercept]:
        """Return the x₀ that a shifted inverse A/(x + x₀) would find in durations and in turns that the lines give.

        This is the number to hold against the trend's own x₀: drag of other kinds than the `changing` one adds
        to it, and not alike for duration and turns. Equal relative weight for each condition above 0 that was
        measured; uncertainty by linear propagation from the lines.
        """
        conditions = np.unique(self.runs[self.x].to_numpy(dtype=float))
        conditions = conditions[conditions > 0]
        if len(conditions) < 3:
            raise KitError("A shifted inverse needs three conditions above 0", found=len(conditions))
        fast, slow = TURN / start_period_s, TURN / stop_period_s
        values, terms = self._values(), law_terms(self.law)

        def both(of):
            laws = [_law_on_lines(terms, of, n) for n in conditions]
            durations = np.array([law.duration(fast, slow) for law in laws])
            turns = np.array([law.angle(fast, slow) for law in laws])
            return np.array([_shifted_inverse_x0(conditions, durations), _shifted_inverse_x0(conditions, turns)])

        at, gradient = both(values), []
        for k, value in enumerate(values):
            size = max(value, np.sqrt(self.covariance[k, k]))
            step = 1e-3 * size * np.eye(len(values))[k]
            gradient.append((both(values + step) - at) / (1e-3 * size))
        us = np.sqrt(np.einsum("ik,ij,jk->k", gradient, self.covariance, gradient))
        half = t_factor(self.dof) * us
        found = [Intercept(*map(float, (v, u, max(v - h, 0), v + h))) for v, u, h in zip(at, us, half, strict=True)]
        return {"duration_s": found[0], "turns": found[1]}

    def _values(self) -> np.ndarray:
        return self.lines[["at_zero", "slope"]].to_numpy().ravel()


def joint_fit(
    runs: Sequence[Run],
    x: str,
    law: str | None = None,
    min_period_s: float | None = None,
    max_period_s: float | None = None,
) -> JointDrag:
    """Fit lines of drag coefficients over the condition `x` to all runs of a lesson.

    Each run is fitted by the three-term law first (`fit_run`, with the same limits); the curvature of its sum of
    squares carries everything its passes say about its coefficients into the joint fit. Runs set aside are left
    out; runs with too few passes are left out and listed.

    Parameters
    ----------
    x : name of a condition with numbers ≥ 0.
    law : the law all runs share, by name; None takes the best of all seven by AICc.

    >>> import kit, numpy as np
    >>> def run(magnets, factor):
    ...     law = kit.DragLaw(a=0.1, b=0.02 + 0.04 * magnets).scaled(factor)
    ...     return kit.Run(law.time_at_angle(2 * np.pi * np.arange(24), 25.0), {"magnets": magnets})
    >>> runs = [run(magnets, factor) for magnets in (1, 2) for factor in (0.98, 1.02)]
    >>> joint = kit.joint_fit(runs, "magnets", law="constant + ∝ speed")
    >>> joint.changing_law, f"{joint.n0().value:.1f}"
    ('∝ speed', '0.5')

    Raises
    ------
    KitError : fewer than two conditions with a run, or a condition that is not a number ≥ 0.
    """
    fits, used, left_out = _fit_each(runs, x, min_period_s, max_period_s)
    fits, used = _without_misfits(fits, used, left_out)
    conditions = np.array([float(run.conditions[x]) for run in used])
    if len(set(conditions)) < 2 or len(used) < 4:
        raise KitError(
            "Lines of drag need at least four runs at two conditions",
            found=f"{len(used)} runs at {len(set(conditions))}",
            fix="measure more, or take runs back that were set aside",
        )
    jitter = np.sqrt(sum(f.timing_sd_s**2 * f.dof for f in fits) / sum(f.dof for f in fits))
    names = list(LAWS) if law is None else [law]
    candidates = {name: _Lines(fits, conditions, jitter, law_terms(name)) for name in names}
    laws = pd.DataFrame({"law": list(candidates), "aicc": [lines.aicc for lines in candidates.values()]})
    laws = laws.sort_values("aicc", ignore_index=True)
    laws["weight"] = evidence_weights(laws["aicc"])
    name = laws["law"].iloc[0]
    best, terms = candidates[name], law_terms(name)
    values, us = best.solution.reshape(-1, 2), np.sqrt(np.diag(best.covariance)).reshape(-1, 2)
    return JointDrag(
        x=x,
        law=name,
        lines=pd.DataFrame(
            {
                "coefficient": list(terms),
                "at_zero": values[:, 0],
                "at_zero_u": us[:, 0],
                "slope": values[:, 1],
                "slope_u": us[:, 1],
                "unit": [UNITS[term] for term in terms],
            }
        ),
        covariance=best.covariance,
        run_scatter=best.scatter,
        timing_sd_s=float(jitter),
        dof=best.dof,
        laws=laws,
        runs=pd.DataFrame(
            {
                x: conditions,
                "trial": [run.trial for run in used],
                "source": [run.source for run in used],
                **{term: [getattr(fit.law, term) for fit in fits] for term in "abc"},
            }
        ),
        middle_speed=float(np.median(np.concatenate([fit.speed(fit.times_s) for fit in fits]))),
        left_out=tuple(left_out),
    )


def _fit_each(runs, x, min_period_s, max_period_s):
    fits, used, left_out = [], [], []
    for run in runs:
        value = run.conditions.get(x)
        if isinstance(value, str) or value is None or not value >= 0:
            raise KitError(
                f"Every run needs a number ≥ 0 for {x}", file=run.source or None, found=value, fix="mend runs.csv"
            )
        if run.set_aside:
            left_out.append(f"{run.source}: set aside: {run.set_aside}")
            continue
        try:
            fits.append(fit_run(run, "three-term", min_period_s, max_period_s))
        except KitError as error:
            left_out.append(f"{run.source}: {error.problem}")
        else:
            used.append(run)
    return fits, used, left_out


def _without_misfits(fits, used, left_out):
    if not fits:
        return fits, used
    limit = 5 * float(np.median([fit.timing_sd_s for fit in fits]))
    keep = [fit.timing_sd_s <= limit for fit in fits]
    for fit, run, kept in zip(fits, used, keep, strict=True):
        if not kept:
            left_out.append(
                f"{run.source}: no law fits its passes (residuals of {fit.timing_sd_s:.2g} s): check its turn count"
            )
    return [f for f, kept in zip(fits, keep, strict=True) if kept], [r for r, k in zip(used, keep, strict=True) if k]


class _Lines:
    """Generalised least squares for the lines, with the run scatter by maximum likelihood, in turns.

    With the jitter as unit, run j contributes z_j = A_j p_j + noise of variance 1, where p_j are its
    coefficients and A_j its curvature. p_j = μ_j(1 + σ·scatter) makes the variance of z_j equal to
    1 + σ² V_j V_jᵀ, V_j = A_j diag(μ_j), which is diagonal in the eigenvectors of V_j V_jᵀ.
    """

    def __init__(self, fits: list[DragFit], conditions: np.ndarray, jitter: float, terms: str):
        self.terms = terms
        columns = ["abc".index(term) for term in terms]
        self.curvature = np.array([fit.profile[0] for fit in fits]) / jitter
        self.target = np.array([fit.profile[1] for fit in fits]) / jitter
        self.conditions = conditions
        line = np.stack([np.ones_like(conditions), conditions], axis=1)
        design = self.curvature[:, :, columns, None] * line[:, None, None, :]
        self.design = design.reshape(*design.shape[:2], -1)  # (runs, 3, two for each term)
        self.scatter = 0.02
        own = np.array([[getattr(fit.law, term) for term in "abc"] for fit in fits])
        means = np.zeros_like(own)
        means[:, columns] = own[:, columns]
        before = None
        for _ in range(50):
            eigenvalues, rotation = self._scatter_shape(means)
            self._solve(eigenvalues, rotation)
            means[:, columns] = line @ self.solution.reshape(-1, 2).T
            if before is not None and np.allclose(self.solution, before, rtol=1e-6, atol=0):
                break
            before = self.solution
        self._uncertainty(eigenvalues, rotation)

    def _scatter_shape(self, means):
        shape = self.curvature * means[:, None, :]
        return np.linalg.eigh(shape @ shape.transpose(0, 2, 1))

    def _whitened(self, eigenvalues, rotation):
        weight = 1 / np.sqrt(1 + self.scatter**2 * np.maximum(eigenvalues, 0))
        design = weight[..., None] * (rotation.transpose(0, 2, 1) @ self.design)
        target = weight * np.einsum("jki,jk->ji", rotation, self.target)
        return design.reshape(-1, design.shape[-1]), target.ravel()

    def _solve(self, eigenvalues, rotation):
        from scipy.optimize import minimize_scalar, nnls

        design, target = self._whitened(eigenvalues, rotation)
        scale = np.linalg.norm(design, axis=0)
        self.solution = nnls(design / scale, target)[0] / scale
        residual = np.einsum("jki,jk->ji", rotation, self.target - self.design @ self.solution)

        def minus_two_log_likelihood(log_scatter):
            variance = 1 + np.exp(2 * log_scatter) * np.maximum(eigenvalues, 0)
            return float(np.sum(np.log(variance) + residual**2 / variance))

        found = minimize_scalar(minus_two_log_likelihood, bounds=(np.log(1e-6), 0.0), method="bounded")
        self.scatter, self.deviance = float(np.exp(found.x)), float(found.fun)

    def _uncertainty(self, eigenvalues, rotation):
        """Widen the scatter for the parameters spent on the lines, then take the linear covariance."""
        count = len(self.solution)
        shares = self.scatter**2 * np.maximum(eigenvalues, 0)
        effective = float(np.sum(shares / (1 + shares)))
        self.dof = max(effective - count, 1.0)
        self.scatter *= np.sqrt(max(effective, 1.0) / self.dof) if effective > count else 1.0
        design, _ = self._whitened(eigenvalues, rotation)
        inverse = np.linalg.pinv(np.linalg.qr(design, mode="r"))
        self.covariance = inverse @ inverse.T
        self.aicc = aicc(self.deviance, count + 1, self.target.size)


def _law_on_lines(terms: str, values: np.ndarray, condition: float) -> DragLaw:
    zeros, slopes = values[::2], values[1::2]
    return DragLaw(**dict(zip(terms, zeros + slopes * condition, strict=True)))


def _position(lines: pd.DataFrame, coefficient: str) -> int:
    known = list(lines["coefficient"])
    if coefficient not in known:
        raise KitError("The law has no such coefficient", found=coefficient, fix=f"use one of: {', '.join(known)}")
    return known.index(coefficient)


def _ratio(zero, slope, covariance, factor) -> Intercept:
    """zero/slope with Fieller's interval: all r for which zero − r·slope is within `factor` standard uncertainties."""
    if not slope > 0:
        return Intercept(np.inf, np.nan, 0.0, np.inf)
    value = zero / slope
    u = np.sqrt(np.array([1, -value]) @ covariance @ np.array([1, -value])) / slope
    square = slope**2 - factor**2 * covariance[1, 1]
    half = zero * slope - factor**2 * covariance[0, 1]
    constant = zero**2 - factor**2 * covariance[0, 0]
    root = half**2 - square * constant
    if square <= 0 or root < 0:
        return Intercept(float(value), float(u), 0.0, np.inf)
    low, high = (half - np.sqrt(root)) / square, (half + np.sqrt(root)) / square
    return Intercept(float(value), float(u), float(max(low, 0.0)), float(high))


def _shifted_inverse_x0(x: np.ndarray, y: np.ndarray) -> float:
    """x₀ of A/(x + x₀) by least squares on relative deviations (of ln y, which is the same for small ones)."""
    from scipy.optimize import brentq

    def slope(x0):
        deviation = np.log(y) + np.log(x + x0)
        reach = 1 / (x + x0)
        return float(np.sum((deviation - deviation.mean()) * (reach - reach.mean())))

    low, high = 0.0 if x.min() > 0 else 1e-9, 100 * float(x.max())
    if slope(low) * slope(high) > 0:
        return 0.0 if abs(slope(low)) < abs(slope(high)) else np.inf
    return float(brentq(slope, low, high, xtol=1e-12))
