"""Which curve do the conditions' results follow, how surely, and what does it predict?

    trends = fit_trends(magnets, duration_s)        # best first
    trends[0].equation(), trends[0].predict(5)
    verdict(trends).sentences

x and y hold one value a trial; trials of one condition have equal x. Models are in `kit.trend_models`, the least
squares in `kit.trend_fit`, what comes out in `kit.trend_result`, the words in `kit.trend_verdict`.

Assumption throughout: trials are independent and scatter normally about the curve, on the scale that `errors`
names. "relative": ln y scatters equally at every x, so the scatter grows with y (usual for durations and turns);
the likelihood is the same for all models, and each predicts a median. "absolute": y itself scatters equally.
"given": the standard uncertainty u of every y is known; then nothing about the scatter is estimated, and intervals
use the normal factor 1.96 in place of Student's t.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .errors import KitError
from .trend_estimate import CONFIDENCE, TrialData, fit_trend, fit_trends
from .trend_fit import Means, best_fit
from .trend_models import MODELS, get_model
from .trend_result import LackOfFit, Parameter, Prediction, Trend, Trends
from .trend_shape import LogLogLine, SameShape, log_log_line, same_shape
from .trend_verdict import NextCondition, Verdict, next_condition, verdict

__all__ = [
    "MODELS",
    "Band",
    "LackOfFit",
    "LogLogLine",
    "NextCondition",
    "Parameter",
    "Prediction",
    "SameShape",
    "Trend",
    "Trends",
    "Verdict",
    "bootstrap_band",
    "fit_trend",
    "fit_trends",
    "log_log_line",
    "next_condition",
    "same_shape",
    "verdict",
]


class Band(NamedTuple):
    """95 % limits of a curve at each x of a grid."""

    low: np.ndarray
    high: np.ndarray


def bootstrap_band(trend: Trend, x_grid, n: int = 10_000, seed: int = 0) -> Band:
    """95 % band of the curve itself, from n refits of data simulated about it (parametric bootstrap).

    The scatter is the trend's own, pooled over all conditions; since it is itself known from few degrees of
    freedom only, each refit draws it anew (scatter · sqrt(ν / χ²_ν)). For a straight line the band is then
    Student's. Refits start from the trend's curve. Efron & Tibshirani 1993, An Introduction to the Bootstrap, 6.5.
    """
    data = TrialData.checked(trend.x, trend.y, trend.errors, trend.u)
    model, means = get_model(trend.model), data.means
    x_grid = np.asarray(x_grid, float)
    curve = trend.value(means.x)
    trend.value(x_grid)  # a clear error now if the curve has no value there
    rng = np.random.default_rng(seed)
    scatter = np.ones((n, 1))
    if trend.errors != "given":
        if not trend.dof:
            raise KitError("There are as many parameters as trials, so no scatter is left", fix="Measure more")
        scatter = trend.scatter * np.sqrt(trend.dof / rng.chisquare(trend.dof, (n, 1)))
    simulated = (np.log(curve) if means.log else curve) + scatter * rng.standard_normal((n, len(means.x))) / np.sqrt(
        means.weight
    )
    refits = Means(means.x, simulated, means.weight, np.zeros(1), means.log)
    theta = best_fit(model, refits, near=trend.theta).theta
    with np.errstate(all="ignore"):
        curves = model.value(x_grid[:, None], *theta[:, None, :])
        # Beyond the data a refit's pole may lie at x: its curve has gone to infinity there.
        curves = np.where(model.defined_at(x_grid[:, None], theta[:, None, :]), curves, np.inf)
    tail = (1 - CONFIDENCE) / 2
    return Band(*np.quantile(curves, [tail, 1 - tail], axis=1, method="nearest"))
