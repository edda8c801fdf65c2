"""Fitting, predicting and the bootstrap band, through the public functions."""

from __future__ import annotations

import dataclasses

import lmfit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit

from kit.errors import KitError
from kit.stats.trend import bootstrap_band, fit_trend, fit_trends
from kit.stats.trend_models import MODELS
from tests.sweeps import size

X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0], 3)
THETA = {
    "constant": (20.0,),
    "straight line": (40.0, -2.5),
    "inverse": (45.0,),
    "inverse plus constant": (45.0, 2.0),
    "shifted inverse": (59.1, 0.557),
    "power law": (40.0, -0.82),
    "power law plus constant": (45.0, -1.2, 3.0),
    "exponential": (30.0, -0.2),
}
every_model = pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
both_errors = pytest.mark.parametrize("errors", ["relative", "absolute"])


def simulated(name="shifted inverse", scatter=0.03, seed=1, x=X):
    model = next(model for model in MODELS if model.name == name)
    return model.value(x, *THETA[name]) * np.exp(scatter * np.random.default_rng(seed).standard_normal(len(x)))


# --- right values --------------------------------------------------------------------------------------------


@both_errors
@every_model
def test_exact_data_give_back_the_exact_parameters(model, errors):
    trend = fit_trend(X, simulated(model.name, scatter=0), model.name, errors=errors)
    np.testing.assert_allclose(trend.theta, THETA[model.name], rtol=1e-9)
    assert not trend.at_bound and trend.note == ""
    assert trend.scatter < 1e-12
    for parameter in trend.parameters.values():
        assert parameter.low == pytest.approx(parameter.value, rel=1e-8)
        assert parameter.high == pytest.approx(parameter.value, rel=1e-8)


@both_errors
@every_model
def test_values_and_standard_errors_are_those_of_curve_fit(model, errors):
    y = simulated(model.name)
    trend = fit_trend(X, y, model.name, errors=errors)

    def curve(x, *theta):
        value = model.value(x, *theta)
        return np.log(value) if errors == "relative" else value

    found, covariance = curve_fit(
        curve, X, np.log(y) if errors == "relative" else y, p0=THETA[model.name], xtol=1e-13, ftol=1e-13
    )
    np.testing.assert_allclose(trend.theta, found, rtol=1e-6)
    np.testing.assert_allclose(trend.covariance, covariance, rtol=1e-3)


@both_errors
@pytest.mark.parametrize("name", ["shifted inverse", "power law", "power law plus constant", "inverse plus constant"])
def test_profile_intervals_are_those_of_lmfit(name, errors):
    model = next(model for model in MODELS if model.name == name)
    y = simulated(name)
    trend = fit_trend(X, y, name, errors=errors)
    start = lmfit.Parameters()
    for parameter, value in zip(model.parameters, trend.theta, strict=True):
        start.add(parameter, value=value * 1.01)

    def residuals(parameters):
        curve = model.value(X, *(parameters[parameter].value for parameter in model.parameters))
        return np.log(y) - np.log(curve) if errors == "relative" else y - curve

    minimizer = lmfit.Minimizer(residuals, start)
    best = minimizer.minimize(method="leastsq", xtol=1e-13, ftol=1e-13)
    limits = lmfit.conf_interval(minimizer, best, sigmas=[0.95])
    for parameter in model.parameters:
        low, high = limits[parameter][0][1], limits[parameter][-1][1]
        assert trend.parameters[parameter].low == pytest.approx(low, rel=1e-5)
        assert trend.parameters[parameter].high == pytest.approx(high, rel=1e-5)


@pytest.mark.slow
@both_errors
@every_model
@settings(max_examples=5, deadline=None)
@given(factor=st.floats(1e-3, 1e3))
def test_scaling_y_scales_the_heights_only(model, errors, factor):
    y = simulated("shifted inverse")
    one, other = (fit_trend(X, scale * y, model.name, errors=errors) for scale in (1.0, factor))
    for name, scales in zip(model.parameters, model.is_height, strict=True):
        for part in ("value", "u", "low", "high"):
            expected = getattr(one.parameters[name], part) * (factor if scales else 1)
            assert getattr(other.parameters[name], part) == pytest.approx(expected, rel=1e-6, nan_ok=True)
    assert other.r_squared == pytest.approx(one.r_squared, abs=1e-9)


@every_model
@settings(max_examples=5, deadline=None)
@given(order=st.permutations(range(21)))
def test_the_order_of_trials_changes_nothing(model, order):
    y, order = simulated("shifted inverse"), np.array(order)
    one, other = fit_trend(X, y, model.name), fit_trend(X[order], y[order], model.name)
    np.testing.assert_allclose(other.theta, one.theta, rtol=1e-9)
    np.testing.assert_allclose(other.residuals, one.residuals[order], atol=1e-9)
    assert other.aicc == pytest.approx(one.aicc, abs=1e-8)


# --- the figures beside the parameters -----------------------------------------------------------------------


def test_aicc_scatter_and_r_squared_by_their_formulas():
    y = simulated()
    relative = fit_trend(X, y, "shifted inverse")
    n, k = 21, 3
    ss = np.sum(relative.residuals**2)
    log_likelihood = np.sum(stats.lognorm.logpdf(y, s=np.sqrt(ss / n), scale=relative(X)))
    assert relative.aicc == pytest.approx(-2 * log_likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1), rel=1e-10)
    assert relative.scatter == pytest.approx(np.sqrt(ss / 19))
    assert relative.r_squared == pytest.approx(1 - ss / np.sum((np.log(y) - np.log(y).mean()) ** 2))
    np.testing.assert_allclose(relative.residuals, np.log(y / relative(X)), atol=1e-12)
    absolute = fit_trend(X, y, "shifted inverse", errors="absolute")
    ss = np.sum(absolute.residuals**2)
    log_likelihood = np.sum(stats.norm.logpdf(y, scale=np.sqrt(ss / n), loc=absolute(X)))
    assert absolute.aicc == pytest.approx(-2 * log_likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1), rel=1e-10)


def test_with_given_uncertainties_the_interval_is_normal_and_the_misfit_chi_squared():
    x = np.array([1.0, 2, 3, 4, 6, 8])
    u = np.array([0.9, 0.5, 0.4, 0.3, 0.2, 0.2])
    y = 59.1 / (x + 0.557) + u * np.array([0.5, -1.1, 0.3, 1.4, -0.7, 0.2])
    trend = fit_trend(x, y, "shifted inverse", errors="given", u=u)
    found, covariance = curve_fit(
        lambda x, a, x0: a / (x + x0), x, y, p0=(59, 0.5), sigma=u, absolute_sigma=True, xtol=1e-13, ftol=1e-13
    )
    np.testing.assert_allclose(trend.theta, found, rtol=1e-6)
    np.testing.assert_allclose(trend.covariance, covariance, rtol=1e-3)
    assert trend.factor == pytest.approx(1.959964, abs=1e-6)
    chi_squared = np.sum(((y - trend(x)) / u) ** 2)
    assert trend.lack_of_fit.statistic == pytest.approx(chi_squared)
    assert trend.lack_of_fit.p == pytest.approx(stats.chi2.sf(chi_squared, 4))
    assert trend.lack_of_fit.dof_scatter is None
    log_likelihood = np.sum(stats.norm.logpdf(y, loc=trend(x), scale=u))
    assert trend.aicc == pytest.approx(-2 * log_likelihood + 4 + 2 * 2 * 3 / (6 - 2 - 1))
    assert trend.predict(3.0, "single run").u > trend.predict(3.0).u


def test_lack_of_fit_against_the_scatter_of_repeats():
    y = simulated()
    trend = fit_trend(X, y, "power law")
    z, means = np.log(y).reshape(7, 3), np.log(y).reshape(7, 3).mean(1)
    within = np.sum((z - means[:, None]) ** 2)
    misfit = 3 * np.sum((means - np.log(trend(X[::3]))) ** 2)
    f = (misfit / 5) / (within / 14)
    assert trend.lack_of_fit.statistic == pytest.approx(f)
    assert trend.lack_of_fit.p == trend.lack_of_fit_p == pytest.approx(stats.f.sf(f, 5, 14))
    assert trend.lack_of_fit.p < 1e-3  # a power law does not fit a shifted inverse
    assert fit_trend(X, y, "shifted inverse").lack_of_fit.p > 0.01
    assert fit_trend(X[::3], y[::3], "power law").lack_of_fit is None


@pytest.mark.slow
@both_errors
@every_model
def test_leave_one_condition_out_is_what_refitting_by_hand_gives(model, errors):
    y = simulated("shifted inverse")
    squares = []
    for left_out in np.unique(X):
        kept = left_out != X
        refit = fit_trend(X[kept], y[kept], model.name, errors=errors)
        value = model.value(np.array([left_out]), *refit.theta)[0]
        if errors == "relative" and value <= 0:
            squares.append(np.full(3, np.inf))
        else:
            measured = y[~kept]
            error = np.log(measured / value) if errors == "relative" else measured - value
            squares.append(error**2)
    expected = np.sqrt(np.mean(squares))
    assert fit_trend(X, y, model.name, errors=errors).loo_error == pytest.approx(expected, rel=1e-5)


def test_evidence_weights_come_from_aicc_and_sum_to_one():
    trends = fit_trends(X, simulated())
    aicc = np.array([trend.aicc for trend in trends])
    assert np.all(np.diff(aicc) >= 0)
    weights = np.exp(-(aicc - aicc[0]) / 2)
    np.testing.assert_allclose([trend.weight for trend in trends], weights / weights.sum())
    assert trends[0].model == "shifted inverse"
    assert fit_trend(X, simulated(), "constant").weight is None


# --- predictions ---------------------------------------------------------------------------------------------


def test_prediction_of_a_straight_line_is_the_textbook_one():
    rng = np.random.default_rng(4)
    y = 40 - 2.5 * X + rng.standard_normal(21)
    trend = fit_trend(X, y, "straight line", errors="absolute")
    line = stats.linregress(X, y)
    s = np.sqrt(np.sum((y - line.intercept - line.slope * X) ** 2) / 19)
    at = 5.0
    u_mean = s * np.sqrt(1 / 21 + (at - X.mean()) ** 2 / np.sum((X - X.mean()) ** 2))
    mean, run = trend.predict(at), trend.predict(at, kind="single run")
    assert mean.value == run.value == pytest.approx(line.intercept + line.slope * at)
    assert mean.u == pytest.approx(u_mean)
    assert run.u == pytest.approx(np.hypot(u_mean, s))
    assert mean.high - mean.value == pytest.approx(stats.t.ppf(0.975, 19) * u_mean)


def test_predictions_say_when_they_leave_the_data_and_keep_the_shape_of_x():
    trend = fit_trend(X, simulated(), "shifted inverse")
    assert not trend.predict(5.0).beyond_data
    assert trend.predict(0.5).beyond_data and trend.predict(12.5).beyond_data
    prediction = trend.predict(np.array([[1.0, 5.0], [12.0, 20.0]]))
    assert prediction.value.shape == prediction.low.shape == prediction.u.shape == (2, 2)
    assert prediction.beyond_data.tolist() == [[False, False], [False, True]]
    np.testing.assert_allclose(trend(np.array([1.0, 5.0])), prediction.value[0])
    assert isinstance(trend(5.0), float)
    assert np.log(prediction.high / prediction.value) == pytest.approx(np.log(prediction.value / prediction.low))


def test_a_relative_interval_where_the_curve_is_below_zero_is_left_open():
    y = simulated("straight line", scatter=0.02)
    below = fit_trend(X, y, "straight line").predict(30.0)
    assert below.value < 0 and np.isnan(below.low) and np.isnan(below.u)


@pytest.mark.slow
def test_predicted_intervals_cover_and_narrow_ones_do_not():
    runs, rng = size(250, 500), np.random.default_rng(6)
    truth, x = np.array([40 * 5.0**-0.82, 40 * 14.0**-0.82]), np.array([5.0, 14.0])
    covered, next_run, narrow = np.zeros(2), np.zeros(2), np.zeros(2)
    for _ in range(runs):
        y = 40 * X**-0.82 * np.exp(0.05 * rng.standard_normal(21))
        trend = fit_trend(X, y, "power law")
        mean, run = trend.predict(x), trend.predict(x, "single run")
        covered += (mean.low <= truth) & (truth <= mean.high)
        one_more = truth * np.exp(0.05 * rng.standard_normal(2))
        next_run += (run.low <= one_more) & (one_more <= run.high)
        narrow += np.abs(truth - mean.value) <= mean.u
    assert np.all(np.abs(covered / runs - 0.95) < 0.03)  # 250: 2.2 standard errors; the whole: 3.1
    assert np.all(np.abs(next_run / runs - 0.95) < 0.03)
    assert np.all(narrow / runs < 0.75)  # negative control: ± 1 u


def test_bootstrap_band_of_a_straight_line_is_students():
    rng = np.random.default_rng(4)
    trend = fit_trend(X, 40 - 2.5 * X + rng.standard_normal(21), "straight line", errors="absolute")
    grid = np.array([1.0, 5.0, 15.0])
    band, exact = bootstrap_band(trend, grid), trend.predict(grid)
    np.testing.assert_allclose(band.low, exact.low, atol=0.06 * np.max(exact.u))
    np.testing.assert_allclose(band.high, exact.high, atol=0.06 * np.max(exact.u))


@pytest.mark.parametrize("name", THETA)
def test_bootstrap_band_is_repeatable_and_close_to_the_propagated_interval(name):
    trend = fit_trend(X, simulated(name, scatter=0.02), name)
    grid = np.linspace(1, 12, 9)
    band = bootstrap_band(trend, grid)
    exact = trend.predict(grid)
    np.testing.assert_allclose((band.high - band.low) / (exact.high - exact.low), 1, atol=0.12)
    again = bootstrap_band(trend, grid)
    np.testing.assert_array_equal(band.low, again.low)
    other = bootstrap_band(trend, grid, seed=1)
    assert np.any(other.low != band.low)


# --- words and edges -----------------------------------------------------------------------------------------


def test_equations_are_rounded_to_their_standard_errors():
    trend = fit_trend(X, simulated("shifted inverse", scatter=0.02), "shifted inverse")
    a, x0 = trend.parameters["A"], trend.parameters["x0"]
    assert 0.1 < a.u < 1 and 0.01 < x0.u < 0.1
    assert trend.equation("duration", "n") == f"duration = {a.value:.2f} / (n + {x0.value:.3f})"
    line = fit_trend(X, simulated("straight line"), "straight line")
    assert "·x" in line.equation() and " − " in line.equation()


@every_model
def test_every_model_can_be_written_out(model):
    text = fit_trend(X, simulated(model.name), model.name).equation("T", "n")
    assert text.startswith("T = ") and "nan" not in text
    assert ("n" in text[4:]) == (model.name != "constant")


def test_a_model_that_has_no_value_at_zero_is_named_and_never_fitted_to_the_rest():
    x = np.r_[0.0, 0.0, X]
    y = np.r_[107.0, 108.0, simulated()]
    trends = fit_trends(x, y)
    assert {trend.model for trend in trends} == {"constant", "straight line", "shifted inverse", "exponential"}
    assert set(trends.not_applicable) == {
        "inverse",
        "inverse plus constant",
        "power law",
        "power law plus constant",
    }
    assert "no value at x = 0" in trends.not_applicable["power law"]
    with pytest.raises(KitError, match=r"'power law' can't be fitted to these data: .* no value at x = 0"):
        fit_trend(x, y, "power law")
    with pytest.raises(KitError, match="'inverse' was not fitted"):
        trends.named("inverse")
    assert trends.named("exponential").model == "exponential"


def test_asking_a_curve_where_it_has_no_value_is_an_error():
    y = simulated()
    with pytest.raises(KitError, match=r"A/x has no value at this x\. Found: 0\.0"):
        fit_trend(X, y, "inverse").value(0)
    with pytest.raises(KitError, match="has no value at this x"):
        fit_trend(X, y, "shifted inverse").predict(np.array([1.0, -3.0]))
    with pytest.raises(KitError, match="has no value at this x"):
        bootstrap_band(fit_trend(X, y, "power law"), [0.0, 1.0], n=10)
    with pytest.raises(KitError, match=r"kind of prediction.*'median'.*single run"):
        fit_trend(X, y, "inverse").predict(1.0, kind="median")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "y", "words"),
    [
        ("shifted inverse", 5 + X, "level line"),
        ("power law plus constant", 30 - 8 * np.log(X), "constant plus a logarithm"),
    ],
)
def test_optima_at_a_bound_are_flagged_with_a_note(name, y, words):
    trend = fit_trend(X, y * np.exp(0.001 * np.random.default_rng(0).standard_normal(21)), name)
    assert trend.at_bound and words in trend.note


def test_a_step_at_one_end_is_flagged():
    y = np.select([X == 1, X == 2], [50.0, 19.5], 20.0)
    trend = fit_trend(X, y, "power law plus constant")
    assert trend.at_bound and "step at one end" in trend.note
    assert trend.parameters["p"].low == -np.inf


def test_level_data_that_do_not_fix_a_shape_are_flagged():
    trend = fit_trend([1.0, 2, 3, 4], [5.0, 5, 5, 5], "power law plus constant", errors="absolute")
    assert trend.at_bound


def test_as_many_parameters_as_trials_leaves_everything_open():
    trend = fit_trend([1.0, 2.0], [40.0, 23.0], "power law")
    assert trend.dof == 0 and trend.aicc == np.inf and np.isnan(trend.scatter)
    assert trend.parameters["p"].low == -np.inf and trend.parameters["p"].high == np.inf
    assert trend.value(2.0) == pytest.approx(23.0)
    with pytest.raises(KitError, match="no scatter is left"):
        bootstrap_band(trend, [1.0])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"y": [3.0, 0.0, 1.0]}, r"Value 2 of y is not above 0\. Found: 0\.0\. What to do: Set the trial aside"),
        ({"y": [3.0, np.nan, 1.0]}, r"Value 2 of y is no finite number"),
        ({"y": [3.0, 1.0]}, r"one value a trial each; x has 3, y has 2"),
        ({"y": [3.0, "fast", 1.0]}, r"y must be a list of numbers"),
        ({"y": [[3.0, 2.0, 1.0]]}, r"y must be one list of numbers"),
        ({"x": [1.0], "y": [3.0]}, r"at least two trials"),
        ({"errors": "mixed"}, r"kind of errors is not known.*relative, absolute, given"),
        ({"errors": "given"}, r"Uncertainties u belong to errors=\"given\""),
        ({"u": [1.0, 1.0, 1.0]}, r"Uncertainties u belong to errors=\"given\""),
        ({"errors": "given", "u": [1.0, 0.0, 1.0]}, r"Value 2 of u is not above 0"),
        ({"errors": "given", "u": [1.0]}, r"u must have one value a trial"),
        ({"models": []}, r"no model to fit"),
        ({"models": ["parabola"]}, r"no such trend model"),
    ],
)
def test_bad_input_is_refused_with_a_reason(arguments, message):
    good = {"x": [1.0, 2.0, 3.0], "y": [3.0, 2.0, 1.0]}
    with pytest.raises(KitError, match=message):
        fit_trends(**(good | arguments))


def test_absolute_errors_allow_negative_values_and_nothing_given_is_changed():
    x, y = np.array([1.0, 2, 3, 4]), np.array([3.0, 0.5, -1.0, -3.0])
    kept = x.copy(), y.copy()
    trend = fit_trend(x, y, "straight line", errors="absolute")
    assert trend.parameters["B"].value == pytest.approx(np.polyfit(x, y, 1)[0])
    np.testing.assert_array_equal(x, kept[0])
    np.testing.assert_array_equal(y, kept[1])
    with pytest.raises(dataclasses.FrozenInstanceError):
        trend.scatter = 0


# --- scatter of set-ups -----------------------------------------------------------------------------------------


def off_as_a_whole(x, rng, each=0.05, scatter=0.01):
    places = np.unique(x, return_inverse=True)[1]
    off = each * rng.standard_normal(places.max() + 1)[places]
    return 59.1 / (x + 0.557) * np.exp(off + scatter * rng.standard_normal(len(x)))


@pytest.mark.slow
def test_set_ups_are_found_with_their_size_and_the_interval_covers():
    """A random effect of 5 % beside trials of 1 %: the usual interval, blind to it, is the control that fails."""
    x, rng, sizes, covered, blind = np.repeat([1.0, 2, 3, 4, 6, 8], 4), np.random.default_rng(3), [], [], []
    for _ in range(size(80, 120)):  # of 0.95 coverage: 0.90 is 2.05 standard errors below
        y = off_as_a_whole(x, rng)
        (trend,) = fit_trends(x, y, models=["shifted inverse"], setup_scatter=True)
        sizes.append(trend.setup_scatter**2)
        x0, usual = trend.parameters["x0"], fit_trend(x, y, "shifted inverse").parameters["x0"]
        covered.append(x0.low <= 0.557 <= x0.high)
        blind.append(usual.low <= 0.557 <= usual.high)
    assert np.sqrt(np.mean(sizes)) == pytest.approx(0.05, rel=0.12)
    assert np.mean(covered) >= 0.90 and np.mean(blind) < 0.75


def test_set_ups_of_unequal_numbers_are_weighted_by_paule_and_mandel():
    x = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], [2, 3, 5, 2, 4, 3])
    y = off_as_a_whole(x, np.random.default_rng(4))
    (trend,) = fit_trends(x, y, models=["shifted inverse"], setup_scatter=True)
    log, counts = np.log(y), np.unique(x, return_counts=True)[1]
    means = np.array([log[x == at].mean() for at in trend.x])
    within = sum(np.sum((log[x == at] - log[x == at].mean()) ** 2) for at in trend.x) / (len(x) - 6)
    squares = (means - np.log(trend.value(trend.x))) ** 2 / (trend.setup_scatter**2 + within / counts)
    assert np.sum(squares) == pytest.approx(6 - 2, rel=1e-4)
    assert trend.lack_of_fit is None and len(trend.y) == 6
    low, high = bootstrap_band(trend, [3.0], n=400)
    mean = trend.predict(3.0)
    assert (low[0], high[0]) == (pytest.approx(mean.low, rel=0.03), pytest.approx(mean.high, rel=0.03))


def test_where_set_ups_add_nothing_the_curve_is_the_usual_one():
    x = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3)
    y = 59.1 / (x + 0.557) * np.tile(np.exp([-0.03, 0.0, 0.03]), 6)
    (trend,) = fit_trends(x, y, models=["shifted inverse"], setup_scatter=True)
    assert trend.setup_scatter == 0.0
    assert trend.theta == pytest.approx(fit_trend(x, y, "shifted inverse").theta, rel=1e-9)


def test_set_ups_need_repeats_that_scatter():
    x = np.array([1.0, 2.0, 3.0, 4.0])
    with pytest.raises(KitError, match="Only repeats that scatter can tell what each set-up added"):
        fit_trends(x, 59.1 / x, setup_scatter=True)
    with pytest.raises(KitError, match="Only repeats"):
        fit_trends(np.repeat(x, 2), np.repeat(59.1 / x, 2), errors="given", u=np.ones(8), setup_scatter=True)
