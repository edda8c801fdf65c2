"""Do duration and turns follow one shape: one test at 5 %, honest intervals, words that fit the number."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kit.errors import KitError
from kit.stats.shape import same_shape
from kit.stats.trend import fit_trend

SIX_X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3)


def paired_runs(seed=1, bend=0.0, own=0.003, shared=0.02, x=SIX_X):
    """Duration and turns of the same runs: a shared scatter of drag, a little scatter of their own."""
    rng = np.random.default_rng(seed)
    together = np.exp(shared * rng.standard_normal(len(x)))
    duration = 59.1 / (x + 0.557) * together * np.exp(own * rng.standard_normal(len(x)))
    turns = 2.2 * 59.1 / (x + 0.557) * np.exp(bend * x) * together * np.exp(own * rng.standard_normal(len(x)))
    return duration, turns


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
    found = same_shape(SIX_X, *paired_runs(bend=bend, own=own))
    assert found.words == words
    assert found.sentence.endswith(".") and "%" in found.sentence


def test_figures_of_the_ratio_test():
    duration, turns = paired_runs(bend=-0.003)
    found = same_shape(SIX_X, duration, turns)
    ratio = np.log(turns / duration)
    line = stats.linregress(SIX_X, ratio)
    assert found.slope.value == pytest.approx(line.slope)
    assert found.slope.u == pytest.approx(line.stderr)
    f = stats.f_oneway(*(ratio[x == SIX_X] for x in np.unique(SIX_X)))
    assert (found.f, found.p) == (pytest.approx(f.statistic), pytest.approx(f.pvalue))
    assert found.dof == (5, 12)
    assert found.change.value == pytest.approx(np.expm1(line.slope * 7))
    exponents = [fit_trend(SIX_X, y, "power law").parameters["p"].value for y in (duration, turns)]
    assert found.exponent_difference.value == pytest.approx(exponents[1] - exponents[0])
    x0 = [fit_trend(SIX_X, y, "shifted inverse").parameters["x0"].value for y in (duration, turns)]
    assert found.x0_difference.value == pytest.approx(x0[1] - x0[0])


def test_pairing_runs_sees_far_finer_than_two_separate_fits():
    duration, turns = paired_runs(bend=-0.003)
    found = same_shape(SIX_X, duration, turns)
    apart = np.hypot(*(fit_trend(SIX_X, y, "shifted inverse").parameters["x0"].u for y in (duration, turns)))
    assert found.x0_difference.u < apart / 2
    assert found.x0_difference.high < 0  # so the small difference is found


@pytest.mark.slow
def test_intervals_of_the_differences_cover_and_narrow_ones_do_not():
    runs_made, covered, narrow, false_alarms = 1000, np.zeros(3), np.zeros(3), 0
    for seed in range(runs_made):
        duration, turns = paired_runs(seed=seed)
        found = same_shape(SIX_X, duration, turns)
        false_alarms += found.words != "one shape"
        for i, parameter in enumerate((found.slope, found.exponent_difference, found.x0_difference)):
            covered[i] += parameter.low <= 0 <= parameter.high
            narrow[i] += abs(parameter.value) <= parameter.u
    assert np.all(np.abs(covered / runs_made - 0.95) < 0.02), covered
    assert np.all(narrow / runs_made < 0.75)  # negative control: ± 1 se
    assert false_alarms / runs_made < 0.065  # one test of 5 %


def test_without_repeats_there_is_no_f_and_at_zero_no_exponent():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    found = same_shape(x, *paired_runs(x=x))
    assert found.f is None and found.p is None and found.dof is None
    assert found.exponent_difference is None and found.x0_difference is not None


def test_a_rising_duration_has_no_x0_to_compare():
    assert (
        same_shape(SIX_X, 5 + SIX_X, 2.2 * (5 + SIX_X) * paired_runs()[0] / paired_runs(seed=2)[0]).x0_difference
        is None
    )


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


def test_a_ratio_that_differs_by_rounding_only_is_one_shape():
    duration, _ = paired_runs()
    found = same_shape(SIX_X, duration, 2.2 * duration)
    assert found.words == "one shape" and abs(found.change.value) < 1e-12


def test_it_is_one_test_and_its_p_is_named():
    duration, turns = paired_runs(bend=-0.003)
    found = same_shape(SIX_X, duration, turns)
    slope = stats.linregress(SIX_X, np.log(turns / duration)).pvalue
    assert found.chance == pytest.approx(min(1.0, 2 * min(slope, found.p)))
    assert "(p < 0.001)" in found.sentence or f"(p = {found.chance:.2g})" in found.sentence
    alone = same_shape([1.0, 2.0, 3.0, 4.0], [40.0, 20.0, 13.0, 10.0], [80.0, 40.2, 26.0, 19.9])
    assert alone.chance == pytest.approx(stats.linregress([1, 2, 3, 4], np.log([2.0, 2.01, 2.0, 1.99])).pvalue)


def test_an_interval_that_leaves_out_zero_alone_is_a_hint():
    """The slope's p between 0.025 and 0.05: of two looks one goes that far in every tenth lesson or so."""
    for seed in range(400):
        duration, turns = paired_runs(seed=seed)
        found = same_shape(SIX_X, duration, turns)
        if found.words == "one shape" and not found.slope.low <= 0 <= found.slope.high:
            assert "a hint of a change, but no more" in found.sentence
            return
    raise AssertionError("no such case among 400")
