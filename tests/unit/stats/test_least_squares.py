"""The least-squares engine: global, exact, with honest intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import stdtrit

from kit.stats.least_squares import Means, aicc, best_fit, condition_means, evidence_weights, profile
from kit.stats.trend import fit_trend
from kit.stats.trend_models import MODELS, get_model
from tests.sweeps import size

CONDITIONS = np.array([1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0])
NON_LINEAR = [m.name for m in MODELS if not (m.is_linear(True) and m.is_linear(False))]


def test_condition_means_are_sufficient():
    rng = np.random.default_rng(5)
    x = np.repeat([3.0, 1.0, 2.0], [2, 3, 1])
    z, weight = rng.normal(size=(4, 6)), np.array([1.0, 2, 1, 1, 3, 1])
    means, condition = condition_means(x, z, weight, log=False)
    assert means.x.tolist() == [1.0, 2.0, 3.0]
    assert condition.tolist() == [2, 2, 0, 0, 0, 1]
    curve = np.array([0.3, -0.2, 0.1])
    whole = np.sum(weight * (z - curve[condition]) ** 2, axis=1)
    split = np.sum(means.weight * (means.y - curve) ** 2, axis=1) + means.within
    np.testing.assert_allclose(split, whole, rtol=1e-12)


# --- the global minimum --------------------------------------------------------------------------------------


def ugly_batch(rng, sets):
    """Data sets with hardly a trend, or the wrong one, or a wild point: the ones on which a fit goes astray."""
    count = int(rng.integers(3, 13))
    x = [
        np.arange(1.0, count + 1),
        np.sort(np.exp(rng.uniform(-3, 5, count))),
        np.sort(rng.uniform(0.5, 20, count)),
    ][rng.integers(3)]
    slope, wildness = rng.normal(0, 1.5, (sets, 1)), np.exp(rng.normal(-1.5, 1.5, (sets, 1)))
    ln_y = rng.normal(0, 1, (sets, 1)) + slope * np.log(x) + wildness * rng.normal(0, 1, (sets, count))
    return x, np.exp(np.clip(ln_y, -20, 20))


def dense_grid_minimum(model, x, z, log):
    """(R,) least sum of squares over a dense net of shapes, the height by least squares. Nothing of
    kit.stats.least_squares."""
    ratio = np.sinh(np.linspace(-6, 6, 1201)) * 14 / np.sinh(6)
    if model.regions:
        (region,) = model.regions(x, 0.0)

    def between_ends(g, ratio):  # from 1 at the first x to e^ratio at the last
        return 1 + np.expm1(ratio)[:, None] * (g - g[0]) / (g[-1] - g[0])

    def least(curves):
        target = z
        if log:
            with np.errstate(divide="ignore", invalid="ignore"):
                curves = np.log(curves)
            curves, target = curves - curves.mean(1, keepdims=True), z - z.mean(1, keepdims=True)
            ss = np.sum(target**2, 1)[:, None] - 2 * target @ curves.T + np.sum(curves**2, 1)
        else:
            if model.offset:
                curves, target = curves - curves.mean(1, keepdims=True), z - z.mean(1, keepdims=True)
            with np.errstate(divide="ignore", invalid="ignore"):
                ss = np.sum(target**2, 1)[:, None] - (target @ curves.T) ** 2 / np.sum(curves**2, 1)
        return np.nanmin(np.where(np.isfinite(ss), ss, np.inf), axis=1)

    if model.name == "straight line":
        return least(between_ends(x, ratio))
    if model.name == "inverse plus constant":
        return least(between_ends(1 / x, ratio))
    if model.name == "shifted inverse":
        pole = np.geomspace(1.0001 * (region.low + x[0]), 0.9999 * (region.high + x[0]), 1500)
        return least(pole[:, None] / (x - x[0] + pole[:, None]))
    shape = np.sinh(np.linspace(-5, 5, 3000 if len(model.parameters) == 2 else 200)) / np.sinh(5) * region.high
    if model.name == "power law":
        return least(np.exp(shape[:, None] * np.log(x / x[0])))
    if model.name == "exponential":
        return least(np.exp(shape[:, None] * (x - x[0])))
    best = np.full(len(z), np.inf)
    for p in shape:
        power = np.exp(p * np.log(x / (x[0] if p < 0 else x[-1])))
        best = np.minimum(best, least(between_ends(power, ratio[::4]) if log else power[None]))
    return best


def assert_no_unflagged_miss(name, batches, sets, seed):
    model, rng, unsettled = get_model(name), np.random.default_rng(seed), []
    for batch in range(batches):
        x, y = ugly_batch(rng, sets)
        for log in (True, False):
            if model.is_linear(log):
                continue
            z = np.log(y) if log else y - (batch % 2) * y.mean(1, keepdims=True)
            fit = best_fit(model, Means(x, z, np.ones((1, len(x))), np.zeros(1), log))
            flagged = (fit.at_end != 0) | ~fit.settled
            rounding = 1e-12 * np.sum(z**2, 1)
            missed = fit.ss > dense_grid_minimum(model, x, z, log) * (1 + 1e-6) + rounding
            assert not np.any(missed & ~flagged), (x, z[missed & ~flagged])
            unsettled.append(np.mean(~fit.settled))
    assert np.mean(unsettled) < 0.02


@pytest.mark.slow
@pytest.mark.parametrize("name", NON_LINEAR)
def test_thousands_of_ugly_data_sets_give_no_unflagged_miss(name):
    """Two thousand of each model; ten thousand in the whole."""
    scales = sum(not get_model(name).is_linear(log) for log in (True, False))
    assert_no_unflagged_miss(name, batches=size(8, 40), sets=250 // scales, seed=12)


@pytest.mark.parametrize("name", NON_LINEAR)
def test_a_batch_gives_what_single_fits_give(name):
    model, rng = get_model(name), np.random.default_rng(2)
    z = np.log(59.1 / (CONDITIONS + 0.557)) + 0.03 * rng.standard_normal((5, 7))
    means = Means(CONDITIONS, z, np.ones((1, 7)), np.zeros(1), True)
    together = best_fit(model, means)
    for row in range(5):
        alone = best_fit(model, Means(CONDITIONS, z[[row]], np.ones((1, 7)), np.zeros(1), True))
        np.testing.assert_allclose(together.theta[:, row], alone.theta[:, 0], rtol=1e-9)


def test_a_weight_of_zero_leaves_a_condition_out():
    z = np.log(59.1 / (CONDITIONS + 0.557)) + 0.03 * np.random.default_rng(2).standard_normal((1, 7))
    weight = np.ones((1, 7))
    weight[0, 3] = 0
    kept = weight[0] > 0
    for name in NON_LINEAR:
        zero = best_fit(get_model(name), Means(CONDITIONS, z, weight, np.zeros(1), True))
        gone = best_fit(get_model(name), Means(CONDITIONS[kept], z[:, kept], np.ones((1, 6)), np.zeros(1), True))
        np.testing.assert_allclose(zero.theta, gone.theta, rtol=1e-8)


# --- profile intervals ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("log", [True, False])
def test_where_least_squares_are_linear_the_profile_is_students_interval(log):
    rng = np.random.default_rng(8)
    x = np.repeat(CONDITIONS, 3)
    y = 40 / x + 6 + 0.2 * rng.standard_normal(21)
    for model in MODELS:
        if not model.is_linear(log):
            continue
        trend = fit_trend(x, y, model.name, errors="relative" if log else "absolute")
        means, _ = condition_means(x, np.log(y) if log else y, np.ones(21), log)
        fit = best_fit(model, means)
        rise = np.array([(trend.scatter * trend.factor) ** 2])
        half_width = trend.factor * np.sqrt(np.diag(trend.covariance))[:, None]
        low, high = profile(model, means, fit, half_width, rise)
        for i, parameter in enumerate(trend.parameters.values()):
            np.testing.assert_allclose((low[i, 0], high[i, 0]), (parameter.low, parameter.high), rtol=1e-7)


CASES = {
    "shifted inverse": ((59.1, 0.557), True),
    "power law": ((40.0, -0.82), True),
    "inverse plus constant": ((45.0, 2.0), True),
    "power law plus constant": ((45.0, -1.2, 3.0), True),
    "exponential": ((30.0, -0.2), False),
}


def simulated_intervals(name, scatter, seed, sets, trials=3):
    """Truth, and for so many simulated lessons the 95 % limits and the limits at ± 1 in place of ± t."""
    theta, log = CASES[name]
    model, rng = get_model(name), np.random.default_rng(seed)
    x = np.repeat(CONDITIONS, trials)
    curve = model.value(x, *theta)
    error = scatter * rng.standard_normal((sets, len(x)))
    z = np.log(curve) + error if log else curve + error * curve.max()
    means, _ = condition_means(x, z, np.ones(len(x)), log)
    fit = best_fit(model, means)
    dof = len(x) - len(theta)
    variance = (fit.ss + means.within) / dof
    guess = np.repeat(0.05 * np.abs(theta)[:, None], sets, axis=1)
    honest = profile(model, means, fit, guess, variance * stdtrit(dof, 0.975) ** 2)
    narrow = profile(model, means, fit, guess, variance)
    return np.array(theta)[:, None], honest, narrow


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.02, 0.05])
@pytest.mark.parametrize("name", CASES)
def test_95_per_cent_intervals_cover_the_truth_in_93_to_97_per_cent(name, scatter):
    truth, (low, high), (too_low, too_high) = simulated_intervals(name, scatter, seed=42, sets=size(700, 2000))
    coverage = np.mean((low <= truth) & (truth <= high), axis=1)
    assert np.all((coverage >= 0.93) & (coverage <= 0.97)), coverage  # 700 of 0.95: 2.4 standard errors on either side
    # The negative control: ± 1 standard error must fail this test, or the test could not find too narrow intervals.
    control = np.mean((too_low <= truth) & (truth <= too_high), axis=1)
    assert np.all(control < 0.75), control


def test_the_intervals_of_the_coverage_test_are_those_of_fit_trend():
    theta, _ = CASES["shifted inverse"]
    _, (low, high), _ = simulated_intervals("shifted inverse", 0.05, seed=42, sets=3)
    x = np.repeat(CONDITIONS, 3)
    error = 0.05 * np.random.default_rng(42).standard_normal((3, 21))
    for row in range(3):
        y = theta[0] / (x + theta[1]) * np.exp(error[row])
        trend = fit_trend(x, y, "shifted inverse")
        for i, parameter in enumerate(trend.parameters.values()):
            np.testing.assert_allclose((parameter.low, parameter.high), (low[i, row], high[i, row]), rtol=1e-7)


def test_limits_the_data_do_not_set_are_infinite():
    # A level line: the shifted inverse may be as flat as it likes, so A and x0 have no upper limit.
    x = np.repeat(CONDITIONS, 3)
    y = 20 * np.exp(0.05 * np.random.default_rng(3).standard_normal(21))
    trend = fit_trend(x, y, "shifted inverse")
    assert trend.parameters["A"].high == trend.parameters["x0"].high == np.inf
    assert np.isfinite(trend.parameters["A"].low) and np.isfinite(trend.parameters["x0"].low)


def test_aicc_is_akaikes_criterion_with_its_correction_and_infinite_for_too_few_data():
    # Hurvich & Tsai 1989; by hand: deviance 10, k = 3, n = 12 gives 10 + 6 + 24/8
    assert aicc(10.0, 3, 12) == pytest.approx(19.0)
    assert aicc(10.0, 3, 10**9) == pytest.approx(16.0)  # the correction fades
    assert aicc(10.0, 3, 5) == pytest.approx(40.0)  # 10 + 6 + 24/1: the fewest data it can be had for
    assert aicc(10.0, 3, 4) == math.inf


def test_evidence_is_shared_by_differences_of_aicc():
    # Burnham & Anderson 2002, 2.9: the shares stand as exp(-Δ/2)
    weights = evidence_weights([105.0, 100.0, 102.0, math.inf])
    assert weights.sum() == pytest.approx(1) and weights[3] == 0
    assert weights[1] / weights[2] == pytest.approx(math.e)
    assert weights[1] / weights[0] == pytest.approx(math.exp(2.5))
    assert evidence_weights([math.inf, math.inf]).tolist() == [0, 0]
    assert evidence_weights([-math.inf, 3.0]).tolist() == [1, 0]
