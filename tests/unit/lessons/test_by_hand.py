"""What a group does by eye and by hand: clicks of strangers, a bent curve, a count beside a gate that is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.lessons.by_hand import (
    LEFT_OUT,
    CountedPair,
    against_earlier,
    bent_through,
    clicks_of,
    count_by_thresholds,
    count_of_taps,
    curve_places,
    drawn_beside_fitted,
    kept_pairs,
    own_agreement,
    pair_sentences,
    pairs_table,
)
from kit.logs.run import Run, with_repairs
from kit.plots.style import number_line
from kit.record.entries import Kind
from kit.record.workbook import Workbook
from kit.stats.averages import compare_methods
from kit.stats.trend import fit_trend

VALUES = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0]


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


# --- clicks ---------------------------------------------------------------------------------------------------------

CLICK = {"source": "a.csv", "start_period_s": 0.25, "pass": 23, "member": 1, "after_look": False}


def test_the_latest_click_of_each_member_counts_and_those_after_the_look_do_not(workbook):
    for change in ({}, {"member": 2, "pass": 25}, {"pass": 24}, {"member": 3, "after_look": True}):
        workbook.add("measure", Kind.FIRST_PASS, CLICK | change)
    assert clicks_of(workbook.entries, "a.csv", 0.25, 40) == {1: 24, 2: 25}


@pytest.mark.parametrize(
    "value",
    [
        CLICK | {"pass": 41}, CLICK | {"pass": 0}, CLICK | {"pass": True}, CLICK | {"pass": "23"},
        CLICK | {"pass": 23.5}, CLICK | {"member": 5}, CLICK | {"member": [1]}, CLICK | {"source": "b.csv"},
        CLICK | {"start_period_s": 0.3},        {"pass": 23}, [23], "23", None,
    ],
)  # fmt: skip
def test_a_click_of_another_form_or_run_is_none(workbook, value):
    workbook.add("measure", Kind.FIRST_PASS, value)
    assert clicks_of(workbook.entries, "a.csv", 0.25, 40) == {}


# --- a number line and a drawn curve ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "ends"),
    [
        (VALUES, (0.0, 12.66)),  # counts: from zero, and twice as many stand twice as far
        ([20.0, 21.0, 22.0, 23.0], (19.82, 23.18)),  # near each other, far from zero: what lies between has room
        ([-3.0, 5.0], (-3.48, 5.48)),
        ([0.0, 10.0], (0.0, 10.6)),
        ([-10.0, -5.0], (-10.3, 0.0)),
        ([7.0], (0.0, 14.0)),
        ([0.0], (-1.0, 1.0)),
    ],
)
def test_the_axis_of_conditions_begins_at_zero_unless_zero_is_far_away(values, ends):
    assert number_line(values) == pytest.approx(ends)


def test_a_curve_is_kept_at_every_condition_and_between_them():
    places = curve_places(VALUES, *number_line(VALUES))
    assert places == sorted(set(places))
    assert set(VALUES) <= set(places)
    assert (places[0], places[-1]) == (0.0, pytest.approx(12.66))


def bent(heights, typed):
    """A curve after heights were typed at conditions, one by one."""
    places = curve_places(VALUES, 0.0, 12.66)
    curve = [heights(x) if heights else None for x in places]
    for x, y in typed:
        curve = bent_through(places, curve, VALUES, x, y)
    return np.array(places), np.array([np.nan if y is None else y for y in curve])


def test_heights_that_are_typed_make_one_smooth_curve_that_overshoots_nowhere():
    """Against the cubic of Fritsch & Carlson from scipy, through all points at once; typed in any order."""
    from scipy.interpolate import PchipInterpolator

    heights = [40.0, 23.0, 17.0, 13.0, 9.0, 7.0, 5.0]
    order = [3, 0, 6, 1, 5, 2, 4]
    places, curve = bent(None, [(VALUES[i], heights[i]) for i in order])
    inside = (places >= 1) & (places <= 12)
    assert curve[inside] == pytest.approx(PchipInterpolator(VALUES, heights)(places[inside]), rel=1e-3)
    assert (np.diff(curve[inside]) < 0).all()
    assert np.isnan(curve[~inside]).all()


def test_what_was_drawn_further_away_stays_and_a_height_taken_away_rubs_out_to_its_neighbours():
    drawn = lambda x: 30 - 2 * x + np.sin(5 * x)  # noqa: E731 - wavy, as nothing that bends smoothly is
    places, curve = bent(drawn, [(3.0, 20.0)])
    away = (places <= 2) | (places >= 4)
    assert curve[away] == pytest.approx([drawn(x) for x in places[away]])
    assert curve[places == 3.0] == [20.0]
    _, curve = bent(drawn, [(3.0, None)])
    assert np.isnan(curve[(places > 2) & (places < 4)]).all()
    assert np.isfinite(curve[away]).all()


def test_a_graph_by_hand_stands_beside_the_averages_and_fits():
    x = np.repeat([1.0, 2.0, 4.0, 8.0], 2)
    trend = fit_trend(x, 40 / x * np.tile([1.01, 0.99], 4), "inverse")
    averages = pd.DataFrame({"magnets": [1.0, 2.0, 4.0, 8.0], "mean": [40.0, 20.0, 10.0, 5.0]})
    drawing = {"x": [1.0, 2.0, 4.0], "points": [39.0, None, 11.0], "curve_x": [1, 3, 5], "curve": [40.0, 20.0, None]}
    table = drawn_beside_fitted(drawing, averages, [trend], ["fitted curve A"])
    assert list(table.columns) == ["magnets", "average", "my point", "my curve", "fitted curve A"]
    assert table["my point"].tolist() == pytest.approx([39, np.nan, 11, np.nan], nan_ok=True)
    assert table["my curve"].tolist() == pytest.approx([40, 30, np.nan, np.nan], nan_ok=True)
    assert table["fitted curve A"].tolist() == pytest.approx([40, 20, 10, 5], rel=1e-2)


# --- a count of one's own ------------------------------------------------------------------------------------------

N = np.arange(40)
GATE = with_repairs(Run(3 + 0.3 * N + 0.01 * N**2, {"magnets": 4.0}, source="gate-7"))


def taps(late_s, first=5, last=25):
    """One tap a turn, late by this much each."""
    times = GATE.pass_times_s[first : last + 1]
    return times + np.broadcast_to(late_s, times.shape)


def test_a_person_who_is_always_as_late_has_the_gates_own_numbers():
    pair = count_of_taps(GATE, 4, taps(0.12), 20, "run 1")
    assert (pair.turns, pair.gate_turns) == (20, 20)
    assert pair.duration_s == pytest.approx(pair.gate_duration_s)
    assert "Both have the same number of turns." in pair_sentences(pair)


@pytest.mark.parametrize("late_s", [-0.3, 0.3, 0.6])
def test_somebody_late_by_most_of_a_turn_is_still_held_against_the_same_turns(late_s):
    """The first turn takes 0.4 s: the pass next in time is another one. All taps together tell which it is."""
    pair = count_of_taps(GATE, 4, taps(late_s), 20, "run 1")
    assert (pair.gate_turns, pair.difference("duration_s")) == (20, pytest.approx(0))


def test_a_turn_missed_by_the_finger_shows():
    pair = count_of_taps(GATE, 4, np.delete(taps(0.05), 12), 19, "run 1")
    assert (pair.difference("turns"), pair.difference("duration_s")) == (-1, pytest.approx(0))


def test_a_turn_too_many_and_a_late_last_tap_show():
    late = np.zeros(21)
    late[-1] = 0.2
    pair = count_of_taps(GATE, 4, taps(late), 21, "run 1")
    assert pair.difference("turns") == 1
    assert pair.difference("duration_s") == pytest.approx(0.2)
    assert "You have one turn more than the gate." in pair_sentences(pair)
    assert "Your watch shows 0.20 s more than the gate." in pair_sentences(pair)
    assert pair.u_s is None  # the taps are not one a turn: their scatter says nothing


def test_a_start_and_a_stop_are_enough():
    pair = count_of_taps(GATE, 4, taps(0.05)[[0, -1]], 20, "run 1")
    assert (pair.turns, pair.gate_turns, pair.u_s) == (20, 20, None)


@pytest.mark.slow
def test_the_uncertainty_of_the_watch_is_that_of_two_taps():
    """Taps that scatter by 30 ms: a difference of two has √2 times that. Forty people, seed fixed."""
    random = np.random.default_rng(5)
    found = [count_of_taps(GATE, 4, taps(random.normal(0, 0.03, 21)), 20, "run") for _ in range(40)]
    assert np.mean([pair.u_s for pair in found]) == pytest.approx(0.03 * np.sqrt(2), rel=0.15)
    off = [pair.difference("duration_s") / pair.u_s for pair in found]
    assert np.mean(np.abs(off) < 2) > 0.8


def test_a_real_run_is_compared_by_thresholds_or_whole():
    by_thresholds = count_by_thresholds(GATE, 4, 25, 15.0, 0.3, 0.4, 0.9)
    assert by_thresholds.gate_turns == pytest.approx(25, abs=0.05)  # dt/dn = 0.3 + 0.02 n: from n = 5 to n = 30
    whole = count_by_thresholds(GATE, 4, 39, 27.0, None, 0.4, 0.9, "whole log")
    assert (whole.gate_turns, whole.gate_duration_s) == pytest.approx((39, 0.3 * 39 + 0.01 * 39**2))
    assert "Do both count the same stretch" in " ".join(pair_sentences(whole))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: count_of_taps(GATE, 4, [4.0], 1, "run"), "two taps or more"),
        (lambda: count_of_taps(GATE, 4, [4.0, 4.01], 1, "run"), "no whole turn"),
        (lambda: count_of_taps(GATE, 4, taps(0), 0, "run"), "count of turns must be above zero"),
        (lambda: count_by_thresholds(GATE, 4, 20, -1.0, None, 0.4, 0.9), "time on the watch must be above zero"),
        (lambda: count_by_thresholds(GATE, 4, 20, 9.0, 0.0, 0.4, 0.9), "uncertainty must be above zero"),
        (lambda: count_by_thresholds(GATE, 4, 20, 9.0, None, 0.4, 9.0), "can't count this run"),
        (lambda: count_by_thresholds(GATE, 4, 20, 9.0, None, 0.4, 0.9, "half"), "stretch is not known"),
    ],
)
def test_what_is_no_count_is_refused(make, message):
    with pytest.raises(KitError, match=message):
        make()


def test_a_count_left_out_stays_with_its_reason(workbook):
    for turns in (20.0, 21.0):
        workbook.add("average", Kind.OWN_COUNT, count_of_taps(GATE, 4, taps(0.1), turns, "run").entry())
    workbook.add("average", Kind.OWN_COUNT, {"turns": "a stranger's"})
    workbook.add("average", LEFT_OUT, {"count": 2, "reason": "I lost count"})
    assert [pair.turns for pair in kept_pairs(workbook).values()] == [20]
    table = pairs_table(workbook, "number of magnets")
    assert table["count"].tolist() == ["1", "2"]
    assert table["left out, because"].tolist() == ["–", "I lost count"]


def test_three_own_counts_say_something_of_the_two_methods_together():
    pair = lambda off, stretch="same passes": CountedPair(4, "run", stretch, 20, 10 + off, None, 20, 10, None)  # noqa: E731
    assert own_agreement([pair(0.1), pair(0.2), pair(0.9, "whole log")]) is None
    assert own_agreement([pair(0.1), pair(0.2), pair(0.3)]).bias == pytest.approx(0.2)


def test_an_own_count_is_held_against_the_range_of_the_earlier_ones():
    earlier = compare_methods([1, 2, 4, 8], [38.1, 23.2, 13.1, 7.0], [38.0, 23.3, 13.0, 6.9])
    _, high = earlier.next_range
    pair = lambda off: CountedPair(4, "run", "same passes", 20, 10 + off, None, 20, 10, None)  # noqa: E731
    inside, outside = against_earlier(earlier, [pair(high - 0.01), pair(high + 0.01)], "duration_s", "magnets")
    assert "lies in the range" in inside and "lies outside the range" in outside
    assert "(magnets 4)" in inside
