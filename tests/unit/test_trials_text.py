"""Sentences about trials: right at three, right elsewhere, and nothing claimed that was not tested."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.trials import average
from kit.trials_text import (
    describe_trials,
    next_run,
    trials_numbers,
    unusual_trials,
    what_trials_show,
    with_and_without,
)

BANNED = ("correct", "wrong answer", "proved", "true value", "human error")


def table_of(groups: dict[float, list[float]]) -> pd.DataFrame:
    rows = [(x, i + 1, v, "counted", "") for x, values in groups.items() for i, v in enumerate(values)]
    return pd.DataFrame(rows, columns=["magnets", "trial", "duration_s", "status", "set_aside"])


THREES = {1.0: [37.5, 39.2, 36.7], 2.0: [22.8, 22.4, 23.2], 4.0: [12.9, 12.8, 13.1]}


def test_next_run_is_the_prediction_interval_of_one_value():
    averages = average(table_of({1.0: [9.8, 10.0, 10.2]}), "magnets", pooled="absolute")
    found = next_run(averages, 1.0, pooled=False)
    # s = 0.2, t(2) = 4.3027, sqrt(1 + 1/3)
    reach = 4.302653 * 0.2 * np.sqrt(4 / 3)
    assert (found.low, found.high) == pytest.approx((10 - reach, 10 + reach), rel=1e-6)
    assert "1 magnet would land between" in found.sentence
    assert "19 times in 20" in found.sentence


@pytest.mark.slow
@pytest.mark.parametrize("pooled", [True, False])
def test_next_run_holds_one_more_run_in_95_of_100(pooled):
    rng = np.random.default_rng(11)
    hits, narrow = 0, 0
    for _ in range(400):
        data = rng.normal(20, 1, (2, 3))
        averages = average(table_of({1.0: data[0].tolist(), 2.0: data[1].tolist()}), "magnets", pooled="absolute")
        found, new = next_run(averages, 1.0, pooled=pooled), rng.normal(20, 1)
        hits += found.low <= new <= found.high
        row = averages.iloc[0]
        narrow += abs(new - row["mean"]) <= 1.96 * row["u"]  # what "± 1.96 u" would have promised
    assert 0.92 <= hits / 400 <= 0.98
    assert narrow / 400 < 0.75


def test_next_run_needs_a_repeat_and_a_condition_that_was_measured():
    averages = average(table_of({1.0: [10.0], 2.0: [5.0]}), "magnets")
    with pytest.raises(KitError, match="One trial a condition shows no scatter"):
        next_run(averages, 1.0)
    with pytest.raises(KitError, match="no average at this condition"):
        next_run(averages, 3.0)


def test_three_trials_are_told_their_limits():
    words = " ".join(what_trials_show(average(table_of(THREES), "magnets")))
    for part in ("Three trials", "4.30", "off by half", "No test can find an unusual trial among three", "36 of 100"):
        assert part in words
    assert "Shared scatter" in words
    assert not any(b in words.lower() for b in BANNED)


def test_ten_trials_are_not_told_the_limits_of_three():
    rng = np.random.default_rng(0)
    words = " ".join(what_trials_show(average(table_of({1.0: rng.normal(10, 1, 10).tolist()}), "magnets")))
    assert "among three" not in words
    assert "Ten trials" in words


def test_a_single_trial_has_no_bar():
    words = " ".join(what_trials_show(average(table_of({1.0: [10.0], 2.0: [5.0]}), "magnets")))
    assert "one trial cannot show its own scatter" in words
    assert "Shared scatter" not in words


def test_with_and_without_gives_both_means():
    table = table_of(THREES)
    assert with_and_without(table, "magnets", "duration_s") == []
    table.loc[1, "set_aside"] = "sleeve touched"
    (words,) = with_and_without(table, "magnets", "duration_s")
    assert "all 3 trials give a mean of 37.80 s" in words
    assert "without one trial set aside it is 37.10 s" in words
    table.loc[[0, 2], "set_aside"] = "again"
    assert "there is no mean" in with_and_without(table, "magnets", "duration_s")[0]


def test_unusual_trials_are_named_only_where_a_test_can_work():
    assert unusual_trials(table_of({1.0: [10.0, 10.0, 30.0]}), "magnets", "duration_s") == []
    words = unusual_trials(table_of({1.0: [10.0, 10.1, 9.9, 10.05, 9.95, 30.0]}), "magnets", "duration_s")
    assert len(words) == 1
    assert "30.00 s lies unusually far" in words[0]
    assert "physical cause" in words[0]


def test_description_and_numbers_follow_the_table():
    table = table_of(THREES)
    table.loc[1, "set_aside"] = "sleeve touched"
    averages = average(table, "magnets")
    words = describe_trials(table, averages, "magnets")
    assert "8 trials of duration at 3 conditions" in words
    assert "falls from 37.1 to 12.9 s" in words
    assert "One trial set aside, drawn hollow." in words
    numbers = trials_numbers(table, averages, "magnets")
    assert numbers["Trials"].iloc[0] == "37.50 and 36.70"
    assert numbers["Magnets"].tolist() == ["1", "2", "4"]


def test_one_condition_can_be_described():
    table = table_of({3.0: [16.5]})
    averages = average(table, "magnets")
    assert "The mean is 16.5 s." in describe_trials(table, averages, "magnets")
    assert trials_numbers(table, averages, "magnets")["95 % interval"].tolist() == ["–"]
