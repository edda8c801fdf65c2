from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kit.errors import KitError
from kit.stats.trend import fit_trend
from kit.stats.verdict import log_log_line, same_shape

X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3)


def runs(seed=1, bend=0.0, own=0.003, shared=0.02, x=X):
    """Duration and turns of the same runs: a shared scatter of drag, a little scatter of their own."""
    rng = np.random.default_rng(seed)
    together = np.exp(shared * rng.standard_normal(len(x)))
    duration = 59.1 / (x + 0.557) * together * np.exp(own * rng.standard_normal(len(x)))
    turns = 2.2 * 59.1 / (x + 0.557) * np.exp(bend * x) * together * np.exp(own * rng.standard_normal(len(x)))
    return duration, turns


def test_line_through_logs_is_linregress():
    duration, _ = runs()
    line, expected = log_log_line(X, duration), stats.linregress(np.log(X), np.log(duration))
    assert line.slope.value == pytest.approx(expected.slope)
    assert line.slope.u == pytest.approx(expected.stderr)
    assert line.intercept.value == pytest.approx(expected.intercept)
    assert line.intercept.u == pytest.approx(expected.intercept_stderr)
    t = stats.t.ppf(0.975, 16)
    assert line.slope.high == pytest.approx(expected.slope + t * expected.stderr)
    assert line.intercept.low == pytest.approx(expected.intercept - t * expected.intercept_stderr)


def test_line_through_logs_predicts_a_median_and_says_so():
    rng = np.random.default_rng(2)
    x = np.repeat([1.0, 2.0, 4.0], 2000)
    y = 40 / x * np.exp(0.5 * rng.standard_normal(len(x)))
    line = log_log_line(x, y)
    assert np.mean(y[x == 2.0]) > 1.08 * line.median(2.0)
    assert line.mean(2.0) == pytest.approx(np.mean(y[x == 2.0]), rel=0.04)
    assert line.median(2.0) == pytest.approx(np.median(y[x == 2.0]), rel=0.04)
    assert "median" in line.sentence and "13 % above" in line.sentence


def test_line_through_logs_needs_values_above_zero():
    with pytest.raises(KitError, match="not above 0"):
        log_log_line([1.0, 2.0], [1.0, 0.0])
    with pytest.raises(KitError, match="no value at x = 0"):
        log_log_line([0.0, 2.0, 3.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize(
    ("bend", "own", "words"),
    [
        (0.0, 0.003, "one shape"),
        (-0.003, 0.003, "nearly one shape"),
        (-0.05, 0.003, "different shapes"),
        (0.0, 0.2, "cannot tell"),
    ],
)
def test_words_for_shapes(bend, own, words):
    found = same_shape(X, *runs(bend=bend, own=own))
    assert found.words == words
    assert found.sentence.endswith(".") and "%" in found.sentence


def test_figures_of_the_ratio_test():
    duration, turns = runs(bend=-0.003)
    found = same_shape(X, duration, turns)
    ratio = np.log(turns / duration)
    line = stats.linregress(X, ratio)
    assert found.slope.value == pytest.approx(line.slope)
    assert found.slope.u == pytest.approx(line.stderr)
    f = stats.f_oneway(*(ratio[x == X] for x in np.unique(X)))
    assert (found.f, found.p) == (pytest.approx(f.statistic), pytest.approx(f.pvalue))
    assert found.dof == (5, 12)
    assert found.change.value == pytest.approx(np.expm1(line.slope * 7))
    exponents = [fit_trend(X, y, "power law").parameters["p"].value for y in (duration, turns)]
    assert found.exponent_difference.value == pytest.approx(exponents[1] - exponents[0])
    x0 = [fit_trend(X, y, "shifted inverse").parameters["x0"].value for y in (duration, turns)]
    assert found.x0_difference.value == pytest.approx(x0[1] - x0[0])


def test_pairing_runs_sees_far_finer_than_two_separate_fits():
    duration, turns = runs(bend=-0.003)
    found = same_shape(X, duration, turns)
    apart = np.hypot(*(fit_trend(X, y, "shifted inverse").parameters["x0"].u for y in (duration, turns)))
    assert found.x0_difference.u < apart / 2
    assert found.x0_difference.high < 0  # so the small difference is found


@pytest.mark.slow
def test_intervals_of_the_differences_cover_and_narrow_ones_do_not():
    runs_made, covered, narrow, false_alarms = 1000, np.zeros(3), np.zeros(3), 0
    for seed in range(runs_made):
        duration, turns = runs(seed=seed)
        found = same_shape(X, duration, turns)
        false_alarms += found.words != "one shape"
        for i, parameter in enumerate((found.slope, found.exponent_difference, found.x0_difference)):
            covered[i] += parameter.low <= 0 <= parameter.high
            narrow[i] += abs(parameter.value) <= parameter.u
    assert np.all(np.abs(covered / runs_made - 0.95) < 0.02), covered
    assert np.all(narrow / runs_made < 0.75)  # negative control: ± 1 se
    assert false_alarms / runs_made < 0.12  # two tests of 5 % each


def test_without_repeats_there_is_no_f_and_at_zero_no_exponent():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    found = same_shape(x, *runs(x=x))
    assert found.f is None and found.p is None and found.dof is None
    assert found.exponent_difference is None and found.x0_difference is not None


def test_a_rising_duration_has_no_x0_to_compare():
    assert same_shape(X, 5 + X, 2.2 * (5 + X) * runs()[0] / runs(seed=2)[0]).x0_difference is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, 2, 3], [1.0, 2, 3], [1.0, 2]), "one value a run each"),
        (([1.0, 2], [1.0, 2], [1.0, 2]), "three runs at two conditions"),
        (([1.0, 1, 1], [1.0, 2, 3], [1.0, 2, 3]), "three runs at two conditions"),
        (([1.0, 2, 3], [1.0, 2, 3], [1.0, -2, 3]), "Value 2 of turns is not above 0"),
    ],
)
def test_bad_input_for_shapes_is_refused(arguments, message):
    with pytest.raises(KitError, match=message):
        same_shape(*arguments)
