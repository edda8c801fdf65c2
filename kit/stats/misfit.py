"""A second look at a misfit: one run far from its sisters, set-ups that differed, or a curve of the wrong shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from .least_squares import linearise
from .trend import TrialData
from .trend_models import get_model
from .trend_result import Trend

__all__ = ["FarRun", "far_from_group", "far_runs", "in_steps", "much_less_likely"]

GROSS = 0.01  # chance that any of the runs is called far though all scatter alike

_DRAWS = 4000  # of the null distribution of `in_steps`: p is good to half a per cent


@dataclass(frozen=True)
class FarRun:
    """A run that lies far from the others of its condition, or a pair of which one does."""

    positions: tuple[int, ...]  # in the data; two where the condition has but two runs: nobody knows which it is
    x: float
    distance: float  # deleted studentised residual: how many times the spread of all other runs, pooled
    sentence: str


def far_runs(trend: Trend, labels: Sequence[str] | None = None) -> tuple[FarRun, ...]:
    """Name the runs that lie far from their sisters at the same x, whatever the curve. None is set aside.

    Each run's distance from its condition's mean is divided by its standard deviation, from the spread pooled over all
    conditions with this run left out; that is Student's t with one degree of freedom less. Called far is what passes
    the bound of 1 % for the largest of N (Bonferroni: 0.01/N each; Cook & Weisberg 1982, Residuals and Influence in
    Regression, 2.2; Beckman & Cook 1983, Technometrics 25, 119; both from memory). Assumes normal scatter of the same
    size everywhere on the fitting scale. Nothing is looked for with fewer than four repeats, or errors="given".

    labels : (N,) names of the runs, such as the column `source`.

    Raises
    ------
    KitError : not one label each.
    """
    n = len(trend.x)
    if labels is not None and len(labels) != n:
        raise KitError("There must be one label a run", found=f"{len(labels)} labels, {n} runs", fix="Give one each")
    if trend.errors == "given" or trend.weights is not None:
        return ()
    data = TrialData.checked(trend.x, trend.y, trend.errors)
    if data.means.within[0] <= data.means.noise[0]:
        return ()
    found: dict[tuple[int, ...], FarRun] = {}
    for i, (_, much) in far_from_group(data.z, data.condition).items():
        same = np.flatnonzero(data.condition == data.condition[i])
        positions = tuple(same.tolist()) if len(same) == 2 else (i,)
        x = float(trend.x[i])
        found[positions] = FarRun(positions, x, much, _far_sentence(positions, x, trend, labels))
    return tuple(found.values())


def far_from_group(values: np.ndarray, groups: np.ndarray) -> dict[int, tuple[float, float]]:
    """Which of the values (N,) lie far from the others of their group, as `far_runs` explains it.

    `groups` : (N,) whole numbers from 0. Returns by position: distance from the mean of the others, and the deleted
    studentised residual. Nothing is found with fewer than four degrees of freedom.
    """
    from scipy.special import stdtrit

    n, counts = len(values), np.bincount(groups)
    freedom = n - np.count_nonzero(counts)
    if freedom < 4:
        return {}
    mean = np.bincount(groups, values) / np.maximum(counts, 1)
    off, left = values - mean[groups], 1 - 1 / counts[groups]
    with np.errstate(divide="ignore", invalid="ignore"):
        others = (float(off @ off) - off**2 / left) / (freedom - 1)
        distance = np.where(left > 0, np.abs(off) / np.sqrt(np.maximum(others, 0.0) * left), 0.0)
    bound = stdtrit(freedom - 1, 1 - GROSS / (2 * n))
    return {int(i): (float(off[i] / left[i]), float(distance[i])) for i in np.flatnonzero(distance > bound)}


def _far_sentence(positions, x: float, trend: Trend, labels) -> str:
    names = [f"with y = {trend.y[i]:.4g}" if labels is None else str(labels[i]) for i in positions]
    fate = "It was not left out. Did anybody see a cause? Only then set it aside."
    if len(names) == 2:
        return f"Runs {names[0]} and {names[1]} at x = {x:g} lie far apart. {fate.replace('It was', 'Neither was', 1)}"
    return f"Run {names[0]} lies far from its sisters at x = {x:g}. {fate}"


def in_steps(trend: Trend) -> float:
    """How often residuals without any order would be as much in step with x as these: small for a wrong shape.

    Of the condition means' residuals, weighted, the sum of squared steps from one to the next over the sum of squares
    (von Neumann 1941, Ann. Math. Stat. 12, 367) is held against the same for independent normal scatter after the
    same fit (Durbin & Watson 1950, Biometrika 37, 409), drawn 4000 times from a fixed seed. 1 where fewer than three
    degrees of freedom are left: then no order could be seen.
    """
    model = get_model(trend.model)
    data = TrialData.checked(trend.x, trend.y, trend.errors, trend.u)
    means = data.means
    if len(means.x) - len(trend.parameters) < 3:
        return 1.0
    curve, gradient = linearise(model, means.x, trend.theta[:, None], means.log)
    root = np.sqrt(means.weight[0])
    columns = np.stack([np.broadcast_to(g, means.y.shape)[0] * root for g in gradient], axis=1)
    with np.errstate(all="ignore"):
        columns = columns / np.sqrt(np.sum(columns**2, axis=0))
    if not np.all(np.isfinite(columns)):
        return 1.0
    basis = np.linalg.qr(columns)[0]
    drawn = np.random.default_rng(0).standard_normal((_DRAWS, len(means.x)))
    ratios = _steps(drawn - drawn @ basis @ basis.T)
    return float(np.mean(ratios <= _steps((means.y - curve) * root)[0]))


def much_less_likely(set_ups: Sequence[Trend], gap: float) -> set[str]:
    """Names of the models whose AICc and whose -2 ln L both lie more than `gap` above those of the best.

    With a handful of condition means AICc charges so much for a parameter that it alone would condemn a curve which
    fits as well. So the likelihood must speak, too.
    """

    def unlikely(trend):  # -2 ln L: AICc without its charge
        k, n = len(trend.parameters) + 1, len(trend.x)
        return trend.aicc - 2 * k - 2 * k * (k + 1) / (n - k - 1)

    finite = [trend for trend in set_ups if np.isfinite(trend.aicc)]
    return {
        trend.model
        for trend in finite
        if trend.aicc - finite[0].aicc > gap and unlikely(trend) - unlikely(finite[0]) > gap
    }


def _steps(residuals: np.ndarray) -> np.ndarray:
    return np.sum(np.diff(residuals, axis=1) ** 2, axis=1) / np.sum(residuals**2, axis=1)
