"""Trials: what is drawn is what the tables say; sentences right at three, right elsewhere, nothing untested claimed."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.plots.trials import (
    agreement_figure,
    describe_trials,
    mean_speed_figure,
    next_run,
    trials_figure,
    trials_numbers,
    unusual_trials,
    what_trials_show,
    with_and_without,
)
from kit.stats.averages import average, compare_methods

BANNED = ("correct", "wrong answer", "proved", "true value", "human error")


def traces(figure) -> dict:
    return {trace.name: trace for trace in figure.data}


def test_every_trial_is_a_dot_and_every_mean_has_its_interval(results, averages):
    drawn = traces(trials_figure(results, averages, "magnets"))
    assert sorted(drawn["each trial"].y) == sorted(results["duration_s"])
    bars = drawn["average, 95 % interval"]
    assert list(bars.y) == list(averages["mean"])
    assert np.allclose(bars.y + bars.error_y.array, averages["high"])
    assert np.allclose(bars.y - bars.error_y.arrayminus, averages["low"])


def test_shared_scatter_gives_other_bars(results, averages):
    bars = traces(trials_figure(results, averages, "magnets", pooled=True))["average, 95 % interval"]
    assert np.allclose(bars.y + bars.error_y.array, averages["pooled_high"])


def test_a_trial_set_aside_stays_hollow_with_its_reason_as_typed(results):
    results.loc[4, "set_aside"] = "<b>sleeve</b> & cord"
    averages = average(results, "magnets")
    drawn = traces(trials_figure(results, averages, "magnets"))
    assert len(drawn["each trial"].y) == 17
    assert list(drawn["set aside"].y) == [results.loc[4, "duration_s"]]
    assert drawn["set aside"].marker.symbol == "circle-x-open"
    assert "&lt;b&gt;sleeve&lt;/b&gt; &amp; cord" in drawn["set aside"].customdata[0]


def test_zoom_shows_per_cent_from_the_mean(results, averages):
    figure = trials_figure(results, averages, "magnets", zoom=True)
    dots = np.array(traces(figure)["each trial"].y)
    assert np.allclose(dots.reshape(6, 3).mean(axis=1), 0)
    first = results["duration_s"].iloc[0] / averages["mean"].iloc[0]
    assert dots[0] == pytest.approx(100 * (first - 1))
    assert "%" in figure.layout.yaxis.title.text


def test_a_run_that_ended_early_is_an_arrow_not_a_dot(results):
    results.loc[0, ["duration_s", "status", "more_than_s"]] = [np.nan, "never slow enough", 31.5]
    drawn = traces(trials_figure(results, average(results, "magnets"), "magnets"))
    assert list(drawn["ended early: more than this"].y) == [31.5]
    assert 31.5 not in drawn["each trial"].y


def test_conditions_may_be_words():
    table = pd.DataFrame({"floor": ["oak", "oak", "wool", "wool"], "turns": [10.0, 10.4, 8.0, 8.2]})
    figure = trials_figure(table, average(table, "floor", "turns"), "floor", "turns")
    assert list(figure.layout.xaxis.ticktext) == ["oak", "wool"]
    assert len(traces(figure)["each trial"].y) == 4


def test_one_condition_with_one_trial_can_be_drawn():
    table = pd.DataFrame({"magnets": [3.0], "duration_s": [16.6]})
    figure = trials_figure(table, average(table, "magnets"), "magnets")
    assert list(traces(figure)["average, 95 % interval"].error_y.array) == [0.0]
    json.loads(figure.to_json())


def test_agreement_shows_bias_and_both_ranges(averages):
    found = compare_methods([1, 2, 3], [10.0, 8.1, 5.2], [9.8, 8.0, 5.1])
    figure = agreement_figure(found, first="hand", second="gate")
    levels = {shape.y0 for shape in figure.layout.shapes if shape.y0 == shape.y1}
    assert {found.bias, *found.limits, *found.next_range, 0} <= levels
    assert list(figure.data[-1].y) == list(found.pairs["difference"])
    assert figure.layout.yaxis.title.text == "Hand − gate (s)"


def test_mean_speed_is_turns_by_duration(results):
    figure = mean_speed_figure(results, "magnets")
    assert np.allclose(sorted(figure.data[0].y), sorted(results["turns"] / results["duration_s"]))
    results["set_aside"] = "all of them"
    with pytest.raises(KitError, match="No trial counts"):
        mean_speed_figure(results, "magnets")


# --- what repeated trials can and cannot show ------------------------------------------------------------


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
    with pytest.raises(KitError, match="One trial a condition shows no spread"):
        next_run(averages, 1.0)
    with pytest.raises(KitError, match="no average at this condition"):
        next_run(averages, 3.0)


def test_three_trials_are_told_their_limits():
    words = " ".join(what_trials_show(average(table_of(THREES), "magnets")))
    for part in ("Three trials", "4.30", "off by half", "No test can find an unusual trial among three", "36 of 100"):
        assert part in words
    assert "Shared spread" in words
    assert not any(b in words.lower() for b in BANNED)


def test_ten_trials_are_not_told_the_limits_of_three():
    rng = np.random.default_rng(0)
    words = " ".join(what_trials_show(average(table_of({1.0: rng.normal(10, 1, 10).tolist()}), "magnets")))
    assert "among three" not in words
    assert "Ten trials" in words


def test_a_single_trial_has_no_bar():
    words = " ".join(what_trials_show(average(table_of({1.0: [10.0], 2.0: [5.0]}), "magnets")))
    assert "one trial cannot show its own spread" in words
    assert "Shared spread" not in words


def test_with_and_without_gives_both_means():
    table = table_of(THREES)
    assert with_and_without(table, "magnets", "duration_s") == []
    table.loc[1, "set_aside"] = "sleeve touched"
    (words,) = with_and_without(table, "magnets", "duration_s")
    assert "all 3 trials give an average of 37.80 s" in words
    assert "without one trial set aside it is 37.10 s" in words
    table.loc[[0, 2], "set_aside"] = "again"
    assert "there is no average" in with_and_without(table, "magnets", "duration_s")[0]


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
    assert "8 trials of coasting time at 3 conditions" in words
    assert "falls from 37.1 to 12.9 s" in words
    assert "One trial set aside, drawn hollow with a cross." in words
    numbers = trials_numbers(table, averages, "magnets")
    assert numbers["Trials"].iloc[0] == "37.5 and 36.7"
    assert numbers["Magnets"].tolist() == ["1", "2", "4"]


def test_one_condition_can_be_described():
    table = table_of({3.0: [16.5]})
    averages = average(table, "magnets")
    assert "The average is 16.5 s." in describe_trials(table, averages, "magnets")
    assert trials_numbers(table, averages, "magnets")["95 % interval"].tolist() == ["–"]
