"""Trend models: bootstrap refits, how often the best fit is missed, how exact the parameters are."""

from __future__ import annotations

import warnings

import numpy as np
from lmfit import Parameters, minimize
from scipy.optimize import OptimizeWarning, curve_fit

from kit.stats.least_squares import Means, best_fit, linearise
from kit.stats.trend import bootstrap_band, fit_trend
from kit.stats.trend_models import MODELS, get_model
from tests.benchmarks.race import Job, Row, race

__all__ = ["ITEMS"]

CURVES = tuple(model.name for model in MODELS if model.name != "constant")
SEARCHED = ("shifted inverse", "power law", "power law plus constant", "exponential")
X = np.repeat([1.0, 2, 3, 4, 6, 8, 12], 3)
MISSED = 1e-6  # a sum of squares larger than the best by more than this share


def bootstrap(small: bool) -> list[Row]:
    """Refits of seven curves to simulated data."""
    refits = 50 if small else 10_000
    rng = np.random.default_rng(1)
    y = 60 / (X + 0.7) * np.exp(rng.normal(0, 0.02, len(X)))
    trends = [fit_trend(X, y, name) for name in CURVES]
    sets = [_simulated(trend, refits, rng) for trend in trends]
    tried = 2 if small else 20

    def by_curve_fit(model, trend, means):
        for row in means.y[:tried]:
            curve_fit(lambda x, *p: np.log(model.value(x, *p)), means.x, row, trend.theta)

    def by_lmfit(model, trend, means):
        start = Parameters()
        for name, value in zip(model.parameters, trend.theta, strict=True):
            start.add(name, value)
        minimize(lambda p: means.y[0] - np.log(model.value(means.x, *p.valuesdict().values())), start)

    def each(work):
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            for trend, means in zip(trends, sets, strict=True):
                work(get_model(trend.model), trend, means)

    def refit(model, trend, means):
        best_fit(model, means, near=trend.theta)

    def one_look(model, trend, means):
        linearise(model, means.x, np.repeat(trend.theta[:, None], len(means.y), 1), True)

    floor = Job("curve and gradient of every refit, once", lambda: each(one_look))
    usual = Job(f"curve_fit, {tried} of each", lambda: each(by_curve_fit), tried / refits)
    grid = np.linspace(1, 12, 60)
    return [
        race(
            f"7 curves × {refits:,} bootstrap refits",
            Job("", lambda: each(refit)),
            usual,
            floor,
            "≥ 800 × curve_fit",
        ),
        race(
            "  beside lmfit", Job("", lambda: each(refit)), Job("lmfit, 1 of each", lambda: each(by_lmfit), 1 / refits)
        ),
        race(
            "  as bands: simulated, refitted, 95 % limits at 60 x",
            Job("", lambda: [bootstrap_band(trend, grid, refits) for trend in trends]),
            usual,
        ),
    ]


def _simulated(trend, refits, rng) -> Means:
    x = np.unique(trend.x)
    y = np.log(trend.value(x)) + rng.normal(0, 0.02 / np.sqrt(3), (refits, len(x)))
    return Means(x, y, np.full((1, len(x)), 3.0), np.zeros(1), True)


def missed_best_fit(small: bool) -> list[Row]:
    """Ugly data: few conditions, 30 % scatter, any exponent. How often does a search end above the best fit?

    The best is the lowest sum of squares that any search found: ours, curve_fit from its usual start, or curve_fit
    from six more starts drawn about our answer. Only best fits within the region of the shape parameter count.
    """
    count = 3 if small else 100
    rng = np.random.default_rng(5)
    rows = []
    for name in SEARCHED:
        model, missed, unflagged, interior = get_model(name), 0, 0, 0
        for _ in range(count):
            x, y = _ugly(rng)
            fit = best_fit(model, Means(x, y[None], np.ones((1, len(x))), np.zeros(1), False))
            own = float(fit.ss[0])
            starts = [np.ones(len(model.parameters))]
            starts += [fit.theta[:, 0] * np.exp(rng.normal(0, 1.0, len(fit.theta))) for _ in range(6)]
            found = [_sum_of_squares(model, x, y, start) for start in starts]
            best = min(own, *found)
            if fit.at_end[0]:
                continue
            interior += 1
            missed += found[0] > best * (1 + MISSED) + 1e-12
            unflagged += own > best * (1 + MISSED) + 1e-12 and bool(fit.settled[0])
        rows.append(
            Row(
                f"best fit missed: {name}",
                100 * unflagged / interior,
                "%",
                100 * missed / interior,
                "curve_fit from ones",
                goal="0 unflagged",
                note=f"{interior} ugly data sets with the best fit inside",
            )
        )
    return rows


def _ugly(rng):
    x = np.sort(rng.choice(np.arange(1.0, 16), rng.integers(5, 9), replace=False))
    return x, rng.uniform(5, 80) * x ** rng.uniform(-2, 1) * np.exp(rng.normal(0, 0.3, len(x)))


def _sum_of_squares(model, x, y, start) -> float:
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore", OptimizeWarning)
        try:
            theta, _ = curve_fit(model.value, x, y, start, maxfev=2000)
        except (RuntimeError, ValueError):
            return np.inf
        ss = float(np.sum((y - model.value(x, *theta)) ** 2))
    return ss if np.isfinite(ss) and np.all(model.defined_at(x, theta)) else np.inf


def exactness(small: bool) -> list[Row]:
    """Parameters beside the optimum in extended precision, found by Gauss-Newton steps from them."""
    rng = np.random.default_rng(2)
    worst = usual = 0.0
    for name in CURVES:
        for _ in range(1 if small else 20):
            y = 60 / (X + 0.7) * np.exp(rng.normal(0, 0.02, len(X)))
            theta = fit_trend(X, y, name).theta
            best = _in_extended_precision(get_model(name), X, y, theta)
            worst = max(worst, float(np.max(np.abs(theta / best - 1))))
            with np.errstate(all="ignore"), warnings.catch_warnings():
                warnings.simplefilter("ignore")
                model = get_model(name)
                near, _ = curve_fit(lambda x, *p, m=model: np.log(m.value(x, *p)), X, np.log(y), 0.9 * theta)
            usual = max(usual, float(np.max(np.abs(near / best - 1))))
    bits = np.finfo(np.longdouble).nmant + 1
    return [
        Row(
            "parameters of 7 curves, largest relative error",
            worst,
            "1",
            usual,
            "curve_fit started 10 % off",
            goal="≤ 1e-10",
            note=f"against {bits}-bit arithmetic",
        )
    ]


def _in_extended_precision(model, x, y, theta) -> np.ndarray:
    x, z, theta = x.astype(np.longdouble), np.log(y.astype(np.longdouble)), theta.astype(np.longdouble)
    for _ in range(60):
        value = model.value(x, *theta)
        columns = [column / value for column in model.gradient(x, *theta)]
        theta = theta + _solve([[a @ b for b in columns] for a in columns], [a @ (z - np.log(value)) for a in columns])
    return theta


def _solve(matrix, right) -> np.ndarray:
    """Gaussian elimination in the precision of what is given; numpy's own solver knows double precision only."""
    matrix, right = np.array(matrix), np.array(right)
    for i in range(len(right)):
        for j in range(len(right)):
            if j != i:
                factor = matrix[j, i] / matrix[i, i]
                matrix[j], right[j] = matrix[j] - factor * matrix[i], right[j] - factor * right[i]
    return right / np.diag(matrix)


ITEMS = {"bootstrap": bootstrap, "missed-fits": missed_best_fit, "exactness": exactness}
