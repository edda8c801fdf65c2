"""Bounces and missed passes: found by hand-made examples, and counted right on simulated spin-downs."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.logs.run import Run, coasting_start, counted_passes, find_repairs, with_repairs
from tests.sweeps import size
from tests.unit.logs.made import (
    LAWS,
    START,
    STOP,
    coasting_angle,
    counts_are_right,
    drag_for,
    kinds,
    simulate,
    slowing,
    time_after,
)

# --- oddities by hand ------------------------------------------------------------------------------------------------


def test_a_clean_run_needs_no_repairs():
    assert find_repairs(slowing()) == ()


@pytest.mark.parametrize("at", [0, 1, 2, 15, 28, 29])
@pytest.mark.parametrize("late_s", [0.001, 0.008, 0.02])
def test_a_bounce_is_the_later_pass(at, late_s):
    times = np.insert(slowing(), at + 1, slowing()[at] + late_s)
    (repair,) = find_repairs(times)
    assert kinds([repair]) == [("bounce", at + 1, 1)]
    assert repair.time_s == times[at + 1]
    assert f"{1000 * late_s:.1f} ms after the pass before" in repair.reason


def test_several_bounces_in_a_row():
    clean = slowing()
    times = np.sort(np.concatenate((clean, clean[9] + np.array([0.003, 0.007, 0.012]))))
    assert kinds(find_repairs(times)) == [("bounce", 10, 1), ("bounce", 11, 1), ("bounce", 12, 1)]


def test_a_gate_that_bounces_at_every_pass():
    clean = slowing()
    times = np.sort(np.concatenate((clean, clean + 0.006)))
    run = with_repairs(Run(times))
    assert counted_passes(run)[0].tolist() == clean.tolist()


@pytest.mark.parametrize(("at", "many"), [(2, 1), (2, 6), (3, 2), (15, 1), (15, 2), (15, 3), (15, 6), (26, 3), (28, 1)])
def test_missed_passes_are_inferred_from_both_sides(at, many):
    times = np.delete(slowing(), np.arange(at, at + many))
    (repair,) = find_repairs(times)
    assert kinds([repair]) == [("missed", at, many)]
    assert f"room for {many} missed {'pass' if many == 1 else 'passes'}" in repair.reason


def test_a_miss_in_the_first_or_last_gap_is_left_alone():
    assert find_repairs(np.delete(slowing(), 1)) == ()
    assert find_repairs(np.delete(slowing(), -2)) == ()


def test_misses_one_after_the_other():
    times = np.delete(slowing(), [10, 12, 14, 17])
    assert kinds(find_repairs(times)) == [
        ("missed", 10, 1),
        ("missed", 11, 1),
        ("missed", 12, 1),
        ("missed", 14, 1),
    ]


def test_a_bounce_beside_a_miss():
    clean = slowing()
    for bounced in (9, 11):  # the pass before, or after, the missed one
        times = np.sort(np.append(np.delete(clean, 10), clean[bounced] + 0.005))
        run = with_repairs(Run(times))
        times_s, turns = counted_passes(run)
        assert np.array_equal(times_s, np.delete(clean, 10))
        assert turns.tolist() == np.delete(np.arange(31), 10).tolist()


def pushed_five_turns(missed: int) -> np.ndarray:
    pushing = 1.2 * np.sqrt(np.arange(1, 6) / 5)  # constant torque over five turns
    coasting = pushing[-1] + time_after("linear", 0.1, 2 * 5 / 1.2, np.arange(1, 30))
    return np.delete(np.concatenate((pushing, coasting)), missed)


@pytest.mark.parametrize("missed", [4, 5, 6, 7])
def test_misses_at_the_peak(missed):
    assert kinds(find_repairs(pushed_five_turns(missed))) == [("missed", missed, 1)]


@pytest.mark.parametrize("missed", [1, 2, 3])
def test_during_the_push_nothing_is_made_up(missed):
    """A hand may push in strokes, so that a slow turn and a missed pass look the same; what counts comes later."""
    run = with_repairs(Run(pushed_five_turns(missed)))
    times, turns = counted_passes(run)
    start = coasting_start(times, turns)
    assert start in (3, 4)
    assert turns[start:] - turns[start] == pytest.approx(np.arange(len(times) - start))


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("offset", np.linspace(0.01, 0.99, 12))
def test_natural_slowing_near_rest_is_never_a_miss(law, offset):
    k = drag_for(law, 7)
    end = coasting_angle(law, k, 6.0, 0.02)
    angle = np.arange(offset, end, 1.0)
    times = time_after(law, k, 6.0, angle)
    growth = np.diff(times)[1:] / np.diff(times)[:-1]
    assert growth.max() > 1.2
    assert find_repairs(times) == ()


@pytest.mark.slow
def test_a_million_passes():
    rng = np.random.default_rng(6)
    clean = np.cumsum(0.2 + 0.1 * np.arange(1_000_000) / 1e6) + rng.normal(0, 1e-4, 1_000_000)
    seen = clean[rng.random(len(clean)) > 0.005]
    times = np.sort(np.concatenate((seen, seen[::200] + 0.006)))
    _, turns = counted_passes(with_repairs(Run(times)))
    assert turns[-1] == np.searchsorted(clean, times[-1]) - np.searchsorted(clean, times[0])


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(1e-6, 1e3), min_size=1, max_size=40), st.integers(1, 5))
def test_no_list_of_times_breaks_the_search(gaps, flags):
    times = np.unique(np.cumsum(gaps))
    run = with_repairs(Run(times, flags_per_turn=flags))
    times_s, turns = counted_passes(run)
    assert len(times_s) == len(turns) > 0
    assert (np.diff(turns) > 0).all()
    assert 0 <= coasting_start(times_s, turns) < len(times_s)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 10_000),
    st.sampled_from(LAWS),
    st.sampled_from([7, 40]),
    st.sampled_from([0.001, 1 / 3, 64.0, 1e6]),
)
def test_the_unit_of_time_does_not_matter(seed, law, turns, scale):
    times = simulate(np.random.default_rng(seed), law, turns, bounces=0.03, misses=0.03).times_s
    assert kinds(find_repairs(times * scale)) == kinds(find_repairs(times))


def test_the_reasons_are_plain_words():
    run = with_repairs(Run(np.sort(np.append(np.delete(slowing(), 20), slowing()[5] + 0.005))))
    for repair in run.repairs:
        assert not re.search("wrong|error|correct", repair.reason)


# --- how often the counting is right ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("turns", "least"), [(7, 0.98), (40, 0.99), (200, 0.99)])
def test_turn_numbers_are_exactly_right(law, turns, least):
    """0.1 ms jitter, 1 % bounces, 1 % misses. At 7 turns with constant friction the last turn before rest
    ends near 1 turn/s, and a miss in a last gap cannot be told from slowing: that is most of what is lost there.
    """
    rng = np.random.default_rng(20_000 + turns)
    many = size({7: 1000, 40: 250, 200: 120}[turns], 1000)
    right = raw_right = 0
    for _ in range(many):
        truth = simulate(rng, law, turns)
        run = Run(truth.times_s)
        raw_right += counts_are_right(truth, run)
        right += counts_are_right(truth, with_repairs(run))
    assert right >= many * least
    assert raw_right < many * {7: 0.9, 40: 0.6, 200: 0.1}[turns]  # without repairs they are not


@pytest.mark.slow
@pytest.mark.parametrize("law", LAWS)
def test_clean_passes_are_left_alone(law):
    """At most one false repair in 1,000 clean passes, also with a gate a hundred times as shaky (10 ms)."""
    rng = np.random.default_rng(30)
    for jitter_s, turns, most in (
        (1e-4, 7, 0.0),
        (1e-4, 40, 0.0),
        (1e-4, 200, 0.0),
        (0.003, 40, 0.0),
        (0.01, 40, 1.0),
    ):
        runs = [simulate(rng, law, turns, bounces=0, misses=0, jitter_s=jitter_s).times_s for _ in range(size(40, 150))]
        false = sum(len(find_repairs(times)) for times in runs)
        assert 1000 * false / sum(map(len, runs)) <= most


@pytest.mark.slow
@pytest.mark.parametrize("flags", [(0.0, 0.5), (0.0, 0.3), (0.0, 0.22, 0.5, 0.8)])
def test_turn_numbers_with_several_flags(flags):
    """Unequal flags, with bounces and misses among them: the step numbers, read off as nearest flags."""
    rng = np.random.default_rng(40)
    right, many = 0, size(60, 300)
    for turn in range(many):
        truth = simulate(rng, LAWS[turn % 3], 10, flags=flags)
        run = with_repairs(Run(truth.times_s, flags_per_turn=len(flags)))
        times, turns = counted_passes(run)
        kept = np.isin(truth.times_s, times)
        number = truth.number[kept]
        window = (number >= 0) & (truth.speed[number] <= START) & (truth.speed[number] >= STOP) & truth.coasting[number]
        error = (turns - truth.angle[number])[window]
        right += len(error) == 0 or np.ptp(error) < 0.05
    assert right >= 295 / 300 * many
