from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.errors import KitError
from kit.stats.trend import LackOfFit, Trends, fit_trends
from kit.stats.verdict import next_condition, verdict

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
