from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from kit.errors import KitError
from kit.stats.trend import LackOfFit, Trends, fit_trend, fit_trends
from kit.stats.verdict import log_log_line, next_condition, same_shape, verdict

X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0], 3)


QUIET, LOUD = LackOfFit(0.9, 0.5, 5, 14), LackOfFit(9.0, 0.001, 5, 14)


def duration(scatter=0.02, x=X, seed=1):
    return 59.1 / (x + 0.557) * np.exp(scatter * np.random.default_rng(seed).standard_normal(len(x)))


FITTED = fit_trends(X, duration())


def graded(*cases):
    """Trends with the AICc and lack of fit of the cases (aicc, lack of fit), on models taken in order."""
    return [
        replace(trend, aicc=float(aicc), lack_of_fit=misfit)
        for trend, (aicc, misfit) in zip(FITTED, cases, strict=False)
    ]


@pytest.mark.parametrize(
    ("cases", "words", "by_model"),
    [
        ([(0, QUIET), (1.9, QUIET), (9, QUIET)], "these data cannot separate them", "ttg"),
        ([(0, QUIET), (2.0, QUIET), (9, QUIET)], "some preference", "stg"),
        ([(0, QUIET), (7.0, QUIET)], "some preference", "st"),
        ([(0, QUIET), (7.1, QUIET)], "clearly preferred of those tried, for the range measured", "sg"),
        ([(0, None), (7.1, None)], "clearly preferred of those tried, for the range measured", "sg"),
        ([(0, LOUD), (7.1, QUIET)], "none of those tried fits", "gg"),
        ([(0, LOUD), (1.0, LOUD), (30, LOUD)], "none of those tried fits", "ggg"),
        ([(0, LOUD), (1.0, QUIET)], "these data cannot separate them", "gt"),
        ([(0, QUIET), (np.inf, None)], "too few trials to compare", "tt"),
    ],
)
def test_words_follow_the_rules(cases, words, by_model):
    judged = verdict(graded(*cases))
    assert judged.words == words
    names = {"s": "the data support", "t": "cannot tell apart", "g": "speak against"}
    assert list(judged.by_model.values()) == [names[letter] for letter in by_model]
    assert judged.leader == FITTED[0].model


def test_sentences_name_the_range_and_what_the_misfit_test_saw():
    said = " ".join(verdict(graded((0, QUIET), (9, QUIET))).sentences)
    assert "for the range measured, x from 1 to 12" in said
    assert "No misfit found" in said and "p = 0.5" in said
    assert "Without repeats no misfit could be looked for" in " ".join(verdict(graded((0, None), (9, None))).sentences)
    assert "None of the 2 curves tried fits" in verdict(graded((0, LOUD), (9, LOUD))).sentences[0]
    noted = [replace(FITTED[0], at_bound=True, note="It ran off."), *FITTED[1:]]
    assert "Take care" in " ".join(verdict(noted).sentences)


@pytest.mark.parametrize("case", range(4))
def test_no_sentence_claims_too_much(case):
    cases = [
        [(0, QUIET), (1, QUIET)],
        [(0, QUIET), (5, QUIET)],
        [(0, QUIET), (50, QUIET)],
        [(0, LOUD), (50, LOUD)],
    ][case]
    said = " ".join(verdict(graded(*cases)).sentences).lower()
    for word in ("proved", "proves", "correct", "wrong", "true value", "human error", "confirmed"):
        assert word not in said


def test_models_left_out_are_named_with_the_reason():
    x = np.r_[0.0, X]
    judged = verdict(fit_trends(x, duration(x=x)))
    assert any("'power law' was not tried" in sentence and "x = 0" in sentence for sentence in judged.sentences)


def test_the_demo_is_seen_as_a_shifted_inverse():
    judged = verdict(FITTED)
    assert judged.leader == "shifted inverse" and judged.by_model["shifted inverse"] == "the data support"
    assert judged.by_model["inverse"] == judged.by_model["power law"] == "speak against"


def test_noisy_data_cannot_separate_models():
    x = np.repeat([2.0, 3.0, 4.0], 5)
    judged = verdict(fit_trends(x, duration(0.15, x)))
    assert judged.words == "these data cannot separate them"


def test_there_must_be_something_to_judge():
    with pytest.raises(KitError, match="no trends to judge"):
        verdict(Trends([]))


# --- where to measure next ------------------------------------------------------------------------------------


def test_next_condition_is_where_the_leading_models_differ_most():
    x = np.repeat([2.0, 3.0, 4.0], 3)
    trends = fit_trends(x, duration(0.02, x), models=["inverse", "shifted inverse", "power law"])
    candidates = [2.0, 3.0, 4.0, 12.0]
    found = next_condition(trends, candidates)
    assert found.x == 12.0
    first, second = (trends.named(name) for name in found.models)
    assert found.predictions == (first(12.0), second(12.0))
    one, other = first.predict(12.0), second.predict(12.0)
    u = np.sqrt((one.u / one.value) ** 2 + (other.u / other.value) ** 2 + first.scatter**2)
    assert found.disagreement == pytest.approx(abs(np.log(one.value / other.value)) / u)
    assert "x = 12" in found.sentence


def test_next_condition_passes_over_models_without_a_value():
    x = np.repeat([2.0, 3.0, 4.0], 3)
    trends = fit_trends(x, duration(0.02, x), models=["inverse", "power law"])
    assert next_condition(trends, [0.0]) is None
    assert next_condition(trends, [0.0, 8.0]).x == 8.0


def test_candidates_are_whole_numbers_where_x_is():
    found = next_condition(FITTED)
    assert found.x == round(found.x) and 0.5 <= found.x <= 18
    x = X + 0.25
    assert 0.6 <= next_condition(fit_trends(x, duration(x=x))).x <= 18.4


def test_next_condition_needs_two_models():
    assert next_condition(fit_trends(X, duration(), models=["inverse"])) is None


def test_next_condition_for_absolute_and_given_errors():
    y = duration()
    for errors, u in (("absolute", None), ("given", 0.02 * y)):
        found = next_condition(fit_trends(X, y, errors=errors, u=u), [0.5, 5.0, 20.0])
        assert found.disagreement > 0 and found.x in (0.5, 5.0, 20.0)


SIX_X = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3)


def paired_runs(seed=1, bend=0.0, own=0.003, shared=0.02, x=SIX_X):
    """Duration and turns of the same runs: a shared scatter of drag, a little scatter of their own."""
    rng = np.random.default_rng(seed)
    together = np.exp(shared * rng.standard_normal(len(x)))
    duration = 59.1 / (x + 0.557) * together * np.exp(own * rng.standard_normal(len(x)))
    turns = 2.2 * 59.1 / (x + 0.557) * np.exp(bend * x) * together * np.exp(own * rng.standard_normal(len(x)))
    return duration, turns


def test_line_through_logs_is_linregress():
    duration, _ = paired_runs()
    line, expected = log_log_line(SIX_X, duration), stats.linregress(np.log(SIX_X), np.log(duration))
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
    assert false_alarms / runs_made < 0.12  # two tests of 5 % each


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
