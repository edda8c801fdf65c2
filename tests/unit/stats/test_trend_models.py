from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.stats.trend_models import MODELS, by_ends, get_model

X = np.array([0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0])
TYPICAL = {"A": 40.0, "B": -2.5, "C": 3.0, "x0": 0.6, "p": -0.8, "k": -0.2}
WITH_OFFSET = ["straight line", "inverse plus constant", "power law plus constant"]

every_model = pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)


def typical(model):
    return np.array([TYPICAL[name] for name in model.parameters])


def numerical_gradient(function, theta):
    """Central differences of function(*theta), one array a parameter."""
    columns = []
    for i, size in enumerate(np.maximum(np.abs(theta), 0.1)):
        up, down = theta.copy(), theta.copy()
        up[i] += 1e-6 * size
        down[i] -= 1e-6 * size
        columns.append((function(*up) - function(*down)) / (up[i] - down[i]))
    return columns


def test_the_eight_models_have_unique_names_and_known_parameters():
    assert [model.name for model in MODELS] == [
        "constant",
        "straight line",
        "inverse",
        "inverse plus constant",
        "shifted inverse",
        "power law",
        "power law plus constant",
        "exponential",
    ]
    assert {name for model in MODELS for name in model.parameters} == set(TYPICAL)


@every_model
def test_value_is_the_formula_as_written(model):
    names = dict(zip(model.parameters, typical(model), strict=True))
    formula = model.formula.replace("·", "*").replace("^", "**").replace("e**", "exp")
    expected = eval(formula, {"exp": np.exp, "x": X}, names)  # our own text, not input
    np.testing.assert_allclose(model.value(X, *typical(model)), expected + 0 * X, rtol=1e-13)


@every_model
@settings(max_examples=25, deadline=None)
@given(factors=st.lists(st.floats(0.3, 2.0), min_size=3, max_size=3))
def test_gradient_agrees_with_differences(model, factors):
    theta = typical(model) * np.array(factors[: len(model.parameters)])
    numerical = numerical_gradient(lambda *t: model.value(X, *t), theta)
    for analytic, difference in zip(model.gradient(X, *theta), numerical, strict=True):
        np.testing.assert_allclose(np.broadcast_to(analytic, X.shape), difference, rtol=1e-6, atol=1e-7)


@every_model
def test_shapes_are_usable_curves_in_order_of_shape(model):
    for log in (True, False):
        shapes = model.shapes(X, log)
        assert shapes.shape[0] == len(model.parameters)
        curves = model.value(X, *shapes[..., None])
        assert np.all(np.isfinite(curves))
        if log:
            assert np.all(curves > 0)
        if model.shape_index is not None:
            shape = shapes[model.shape_index]
            shape = shape.reshape(len(shape), -1)[:, 0]
            assert np.all(np.diff(shape) >= 0) or np.all(np.diff(shape) <= 0)
            (region,) = model.regions(X, 0.0)
            assert region.low <= shape.min() < shape.max() <= region.high


@every_model
def test_heights_scale_with_y_and_shapes_do_not(model):
    scaled = np.where(model.is_height, 7 * typical(model), typical(model))
    np.testing.assert_allclose(model.value(X, *scaled), 7 * model.value(X, *typical(model)), rtol=1e-14)


@every_model
@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
def test_no_curve_of_the_search_overflows(model, scale):
    for x in (X * scale, 1000 + X, np.array([1.0, 1.0001]) * scale):
        curves = model.value(x, *model.shapes(x, True)[..., None])
        assert np.all(np.isfinite(curves)) and np.all(curves > 0)


@pytest.mark.parametrize("log", [True, False])
@pytest.mark.parametrize("name", WITH_OFFSET)
def test_a_curve_given_by_its_ends_is_the_same_curve(name, log):
    model = get_model(name)
    ends = by_ends(model, X, log)
    if ends is None:  # linear least squares: nothing to gain
        assert model.is_linear(log)
        return
    theta = np.array([[40.0, 30.0], [-2.5, 0.7], [3.0, 5.0]][: len(model.parameters)])
    if name == "power law plus constant":
        theta[1] = -0.8, 1.3
    q = ends.from_natural(theta)
    np.testing.assert_allclose(ends.to_natural(q), theta, rtol=1e-10)
    np.testing.assert_allclose(ends.model.value(X, *q[:, :, None]), model.value(X, *theta[:, :, None]), rtol=1e-10)
    numerical = numerical_gradient(lambda *t: ends.model.value(X, *t), q[:, 0])
    for analytic, difference in zip(ends.model.gradient(X, *q[:, 0]), numerical, strict=True):
        np.testing.assert_allclose(np.broadcast_to(analytic, X.shape), difference, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("p", [-3e-6, -1e-9, 0.0, 1e-9, 3e-6])
def test_given_by_its_ends_a_power_law_plus_constant_passes_smoothly_through_p_zero(p):
    ends = by_ends(get_model("power law plus constant"), X, False)
    logarithm = 10 - 8 * np.log(X / X[0]) / np.log(X[-1] / X[0])
    np.testing.assert_allclose(ends.model.value(X, 10.0, 2.0, np.array(p)), logarithm, rtol=1e-4)
    bend = ends.model.gradient(X, 10.0, 2.0, np.array(p))[2]
    up, down = (ends.model.value(X, 10.0, 2.0, np.array(p + d)) for d in (1e-4, -1e-4))
    np.testing.assert_allclose(bend, (up - down) / 2e-4, rtol=1e-3, atol=1e-6)


def test_models_say_why_they_cannot_be_fitted():
    with_zero = np.array([0.0, 1.0, 2.0, 3.0])
    for model in MODELS:
        reason = model.not_applicable(with_zero)
        assert (reason is None) == (not model.needs_positive_x)
        if reason:
            assert "no value at x = 0" in reason
    assert "needs as many conditions; there are 2" in get_model("power law plus constant").not_applicable(X[:2])
    assert get_model("shifted inverse").not_applicable(with_zero) is None


def test_where_curves_have_values():
    assert get_model("inverse").defined_at([0.0, 1.0], [40.0]).tolist() == [False, True]
    assert get_model("shifted inverse").defined_at([-1.0, 0.0], [40.0, 0.5]).tolist() == [False, True]
    assert get_model("exponential").defined_at([-1.0, 0.0], [40.0, 0.5]).tolist() == [True, True]


def test_an_unknown_model_is_refused_with_the_list_of_names():
    with pytest.raises(KitError, match=r"no such trend model.*'parabola'.*constant, straight line, inverse"):
        get_model("parabola")
