from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from kit.errors import KitError
from kit.stats.misfit import far_runs, in_steps
from kit.stats.trend import LackOfFit, Trends, fit_trend, fit_trends
from kit.stats.verdict import SET_UPS, log_log_line, next_condition, verdict
from tests.sweeps import size

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
        ([(0, LOUD), (7.1, QUIET)], SET_UPS, "tg"),
        ([(0, LOUD), (1.0, LOUD), (30, LOUD)], SET_UPS, "tgg"),
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
    assert "None of the 2 curves tried passes" in verdict(graded((0, LOUD), (9, LOUD))).sentences[0]
    noted = [replace(FITTED[0], at_bound=True, note="It ran off."), *FITTED[1:]]
    assert "Take care" in " ".join(verdict(noted).sentences)


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.76, "No misfit found: the averages lie as close"),
        (0.06, "No clear misfit found, but it is close"),
        (0.04, "lie further from"),
    ],
)
def test_a_p_near_the_limit_is_named_in_other_words(p, said):
    sentences = verdict(graded((0, LackOfFit(1.0, p, 5, 14)), (9, QUIET))).sentences
    assert any(said in sentence and f"lack-of-fit test: p = {p:g}" in sentence for sentence in sentences)


def test_averages_that_bend_away_in_step_are_no_matter_of_set_ups():
    """Lines through an inverse law: their residuals run + − +, which set-ups that differ by chance do not."""
    trends = fit_trends(X, duration(), models=["straight line", "exponential"])
    judged = verdict(trends)
    assert judged.words == "none of those tried fits"
    assert "None of the 2 curves tried fits" in judged.sentences[0]
    assert set(judged.by_model.values()) == {"speak against"}
    assert in_steps(trends[0]) < 0.05 < in_steps(FITTED[0])


def set_ups(x, rng, each=0.04, scatter=0.01):
    """Durations where each condition is off as a whole."""
    off = each * rng.standard_normal(len(np.unique(x)))[np.unique(x, return_inverse=True)[1]]
    return duration(0.0, x) * np.exp(off + scatter * rng.standard_normal(len(x)))


@pytest.mark.slow
def test_set_ups_that_differ_are_offered_as_a_way_out_with_their_size():
    x, rng, words, sizes, against = np.repeat([1.0, 2, 3, 4, 6, 8, 12], 3), np.random.default_rng(5), [], [], []
    many = size(15, 25)
    for _ in range(many):
        trends = fit_trends(x, set_ups(x, rng))
        judged = verdict(trends)
        words.append(judged.words)
        if judged.words == SET_UPS:
            assert "or each set-up differed by about" in judged.sentences[0]
            assert any("set the apparatus up anew before every trial" in sentence for sentence in judged.sentences)
            against.append(judged.by_model["shifted inverse"] == "speak against")
            sizes.append(float(judged.sentences[0].split("about ")[1].split(" %")[0]))
    assert words.count("none of those tried fits") <= 0.2 * many and words.count(SET_UPS) >= 0.48 * many
    assert np.median(sizes) == pytest.approx(4, rel=0.35)
    assert np.mean(against) <= 0.2


def test_a_gross_outlier_is_named_and_stays_in():
    labels = [f"magnets-{i:02d}" for i in range(len(X))]
    y = duration()
    assert not far_runs(fit_trend(X, y, "inverse"), labels)
    y[4] *= 1.25
    trends = fit_trends(X, y)
    said = " ".join(verdict(trends, labels).sentences)
    assert "Run magnets-04 lies far from its sisters at x = 2." in said and "Only then set it aside" in said
    assert f"Run with y = {y[4]:.4g} lies far" in " ".join(verdict(trends).sentences)
    assert len(trends[0].x) == len(X)
    with pytest.raises(KitError, match="one label a run"):
        verdict(trends, labels[1:])


def test_of_two_runs_nobody_knows_which_is_off():
    x = np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 2)
    y = duration(0.01, x)
    y[4] *= 1.3
    (found,) = far_runs(fit_trend(x, y, "shifted inverse"))
    assert found.positions == (4, 5) and "lie far apart" in found.sentence


def test_the_distance_of_a_far_run_is_the_deleted_residual_of_a_fit_by_hand():
    """Checked by leaving the run out and predicting it: t of a new value against the means of the others."""
    y = duration()
    y[4] *= 1.25
    (found,) = far_runs(fit_trend(X, y, "constant"))
    kept, z = np.arange(len(X)) != 4, np.log(y)
    spread = sum(np.sum((z[kept & (x == X)] - z[kept & (x == X)].mean()) ** 2) for x in np.unique(X))
    sd = np.sqrt(spread / (kept.sum() - 7) * (1 + 1 / 2))
    assert found.distance == pytest.approx(abs(z[4] - z[kept & (X == 2)].mean()) / sd, rel=1e-9)


@pytest.mark.slow
def test_runs_that_scatter_alike_are_rarely_called_far():
    named = [len(far_runs(fit_trend(X, duration(seed=seed), "inverse"))) > 0 for seed in range(size(500, 1000))]
    assert np.mean(named) < 0.02  # 500 of 0.01, the chance it is made for: 2.2 standard errors above


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


@pytest.mark.slow
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
