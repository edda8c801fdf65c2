"""Runs: what makes one, what is counted, decisions about repairs, where coasting starts, runs in one log."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.logs.run import (
    Repair,
    Run,
    accept,
    coasting_start,
    counted_passes,
    flag_angles,
    refuse,
    split,
    split_proposal,
    with_repairs,
)
from tests.unit.logs.made import (
    LAWS,
    START,
    STOP,
    A,
    coasting_angle,
    drag_for,
    simulate,
    slowing,
    speed_after,
    time_after,
)

# --- runs ------------------------------------------------------------------------------------------------------------


def test_a_run_keeps_its_times_as_they_are_and_protects_them():
    times = np.array([0.1, 0.30000000000000004, 0.7])
    run = Run(times, conditions={"magnets": 3.0})
    times[0] = 9
    assert run.pass_times_s.tolist() == [0.1, 0.30000000000000004, 0.7]
    assert run.pass_times_s.dtype == np.float64
    with pytest.raises(ValueError, match="read-only"):
        run.pass_times_s[0] = 1.0


@pytest.mark.parametrize(
    ("times", "message"),
    [
        (
            [0.1, 0.3, 0.2],
            r"Pass 3 is not later than the pass before it.*0\.2 s after 0\.3 s.*clock stepped back",
        ),
        ([0.1, 0.1], "Pass 2 is not later"),
        ([0.1, np.nan, 0.3], "Pass 2 has no usable time.*nan"),
        ([0.1, 0.2, np.inf], "Pass 3 has no usable time.*inf"),
        ([0.1, 0.2, 2e12], "Pass 3 has no usable time"),
        ([0.0, 1e-320, 0.3], "Pass 2 is not later"),
        ([[0.1, 0.2]], r"one list of pass times.*\(1, 2\)"),
        ([], "at least one pass"),
        (["a"], "must be numbers"),
    ],
)
def test_bad_times_are_refused_with_their_position(times, message):
    with pytest.raises(KitError, match=message) as caught:
        Run(times, source="log.csv")
    assert caught.value.file == "log.csv"


@pytest.mark.parametrize("field", ["flags_per_turn", "trial"])
@pytest.mark.parametrize("value", [0, -1, 1.5, "2", None])
def test_counts_must_be_whole_numbers_of_at_least_one(field, value):
    with pytest.raises(KitError, match=f"{field} must be a whole number of at least 1"):
        Run([0.0, 1.0], **{field: value})


def test_a_repair_must_fit_its_run():
    with pytest.raises(KitError, match="does not fit this run"):
        Run([0.0, 1.0], repairs=(Repair("bounce", 2, 1.0, 1, ""),))
    with pytest.raises(KitError, match="does not fit this run"):
        Run([0.0, 1.0], repairs=(Repair("hiccup", 1, 1.0, 1, ""),))


def test_more_flags_than_any_disc_has_are_refused_before_they_cost_the_memory():
    with pytest.raises(KitError, match="at most 10,000 flags a turn"):
        Run([0.1, 0.2, 0.3], flags_per_turn=10**8)


# --- several flags ---------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_unequal_flags_need_no_repairs_and_their_angles_are_found():
    rng = np.random.default_rng(4)
    for flags in ((0.0, 0.3), (0.0, 0.2, 0.55), (0.0, 0.22, 0.5, 0.8)):
        for law in LAWS:
            truth = simulate(rng, law, 20, flags=flags, bounces=0, misses=0)
            run = with_repairs(Run(truth.times_s, flags_per_turn=len(flags)))
            assert run.repairs == ()
            times, turns = counted_passes(run)
            assert turns == pytest.approx(truth.angle - truth.angle[0], abs=0.002)
            found = flag_angles(times, np.arange(len(times)), len(flags))
            assert found == pytest.approx(np.array(flags), abs=0.001)


def test_equal_flags_stand_at_exactly_equal_angles():
    truth = simulate(np.random.default_rng(5), "linear", 40, flags=(0.0, 0.25, 0.5, 0.75), bounces=0, misses=0)
    _, turns = counted_passes(Run(truth.times_s, flags_per_turn=4))
    assert turns.tolist() == (np.arange(len(turns)) / 4).tolist()


# --- repairs are proposals -------------------------------------------------------------------------------------------


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_refusing_and_accepting_in_any_order_comes_back(seed, random):
    run = with_repairs(Run(simulate(np.random.default_rng(seed), "linear", 40, bounces=0.05, misses=0.05).times_s))
    order = list(range(len(run.repairs)))
    random.shuffle(order)
    none = refuse(run, *order)
    times, turns = counted_passes(none)
    assert np.array_equal(times, run.pass_times_s)
    assert turns.tolist() == list(range(len(times)))
    random.shuffle(order)
    for i in order:
        none = accept(none, i)
    assert none.repairs == run.repairs
    for before, after in zip(counted_passes(run), counted_passes(none), strict=True):
        assert np.array_equal(before, after)


def test_one_refusal_changes_only_what_it_is_about():
    clean = slowing()
    run = with_repairs(Run(np.sort(np.append(np.delete(clean, 20), clean[5] + 0.005))))
    assert [r.kind for r in run.repairs] == ["bounce", "missed"]
    _, turns = counted_passes(refuse(run, 0))
    assert turns[-1] == 31
    _, turns = counted_passes(refuse(run, 1))
    assert turns[-1] == 29
    assert np.array_equal(refuse(run, 0, 1).pass_times_s, run.pass_times_s)


def test_a_refusal_survives_a_new_search():
    run = refuse(with_repairs(Run(np.delete(slowing(), [10, 20]))), 1)
    assert [r.accepted for r in with_repairs(run).repairs] == [True, False]
    assert [r.accepted for r in with_repairs(replace(run, repairs=())).repairs] == [True, True]


@pytest.mark.parametrize("index", [-1, 1, 7])
def test_there_is_no_such_repair(index):
    run = with_repairs(Run(np.delete(slowing(), 10)))
    with pytest.raises(KitError, match=f"no repair number {index}.*from 0 to 0"):
        refuse(run, index)
    with pytest.raises(KitError, match="this run has no repairs"):
        accept(Run(slowing()), 0)


# --- where coasting starts -------------------------------------------------------------------------------------------


def test_coasting_starts_at_the_speed_peak():
    times = np.cumsum([0.0, 0.8, 0.4, 0.25, 0.17, 0.18, 0.19, 0.21, 0.24, 0.28])
    assert coasting_start(times, np.arange(10.0)) == 4  # the fastest gap ends there


def test_a_log_that_begins_while_coasting_loses_nothing():
    assert coasting_start(slowing(), np.arange(31.0)) == 0


@pytest.mark.parametrize("at", [1, 4, 10, 25])
def test_an_unseen_bounce_makes_no_peak(at):
    pushing = np.concatenate(([0.0, 0.7, 1.0], 1.2 + slowing()))
    expected = coasting_start(pushing, np.arange(len(pushing)))
    assert expected == 3
    times = np.insert(pushing, at + 1, pushing[at] + 0.004)
    start = coasting_start(times, np.arange(len(times)))
    assert start <= 6
    assert times[start] - pushing[expected] == pytest.approx(0, abs=0.45)


def test_the_shortest_runs():
    assert coasting_start(np.array([1.0]), np.array([0.0])) == 0
    assert coasting_start(np.array([1.0, 2.0]), np.array([0.0, 1.0])) == 0


def test_the_bench_of_these_tests_obeys_its_laws():
    for law, power in zip(LAWS, (0, 1, 2), strict=True):
        k = drag_for(law, 7)
        angle = np.array([2.0, 2.0001, 2.0002])
        times, speed = time_after(law, k, 5.0, angle), speed_after(law, k, 5.0, angle)
        assert np.diff(angle) / np.diff(times) == pytest.approx((speed[1:] + speed[:-1]) / 2, rel=1e-6)
        assert (speed[2] - speed[0]) / (times[2] - times[0]) == pytest.approx(-k * speed[1] ** power, rel=1e-6)
        assert coasting_angle(law, k, START, STOP) == pytest.approx(7)


# --- several runs in one log -----------------------------------------------------------------------------------------


def spin_down(start_s: float, turns: int = 30, push: bool = True) -> np.ndarray:
    """A push over three turns to 5 turns/s, then drag in proportion to speed down to about 0.4 turns/s."""
    pushed = 1.2 * np.sqrt(np.arange(3) / 3) if push else np.zeros(0)
    k = 4.6 / turns
    return start_s + np.concatenate((pushed, 1.2 - np.log1p(-k * np.arange(turns) / 5.0) / k))


def test_splits_are_proposed_where_somebody_pushed_again():
    first, second, third = spin_down(0.0), spin_down(25.0, 40), spin_down(60.0, 20)
    run = Run(np.concatenate((first, second, third)), conditions={"magnets": 2.0}, source="all.csv")
    cuts = split_proposal(run)
    assert cuts == [len(first), len(first) + len(second)]
    parts = split(run, cuts)
    for part, times in zip(parts, (first, second, third), strict=True):
        assert np.array_equal(part.pass_times_s, times)
    assert [p.trial for p in parts] == [1, 2, 3]
    assert [p.source for p in parts] == ["all.csv, part 1", "all.csv, part 2", "all.csv, part 3"]
    assert all(p.conditions == {"magnets": 2.0} for p in parts)


def test_bounces_and_misses_call_for_no_split():
    times = np.delete(spin_down(0.0, 60), [12, 30, 31, 45])
    times = np.sort(np.concatenate((times, times[[5, 20, 33]] + 0.006)))
    assert split_proposal(Run(times)) == []
    assert split_proposal(with_repairs(Run(times))) == []
    assert split_proposal(Run(A)) == []


def test_a_split_is_found_among_bounces_and_misses_and_refusals_are_kept():
    first, second = np.delete(spin_down(0.0, 40), 20), np.delete(spin_down(30.0, 40), 15)
    times = np.sort(np.concatenate((first, second, [first[10] + 0.005])))
    run = with_repairs(Run(times))
    bounce = next(i for i, r in enumerate(run.repairs) if r.kind == "bounce")
    run = refuse(run, bounce)
    one, two = split(run, split_proposal(run))
    assert np.array_equal(two.pass_times_s, second)
    assert [(r.kind, r.accepted) for r in one.repairs] == [("bounce", False), ("missed", True)]
    assert [(r.kind, r.passes) for r in two.repairs] == [("missed", 1)]
    assert counted_passes(two)[1][-1] == 42


@pytest.mark.parametrize("cut", [0, 12, -1])
def test_a_cut_must_lie_within_the_run(cut):
    with pytest.raises(KitError, match=r"cut must lie within the run.*from 1 to 11"):
        split(Run(A), [cut])


# --- how a run shows itself ------------------------------------------------------------------------------------------


def test_a_run_shows_itself_in_one_line():
    times = np.sort(np.append(np.delete(slowing(), 20), slowing()[5] + 0.005))
    run = Run(times, {"magnets": 3.0, "hub": "dry"}, trial=2, set_aside="bumped").repaired()
    shown = "Run(3 magnets, hub dry, trial 2: 31 passes in 8.11 s, one bounce left out, one missed pass counted"
    assert repr(run) == f"{shown}; set aside: bumped)"
    assert "2 repairs refused" in repr(run.refusing(0, 1))


def test_a_run_shows_itself_as_a_table_and_nothing_in_it_becomes_markup():
    html = Run(slowing(), {"<i>x</i>": "<b>"}, note="a & b", source="<script>", flags_per_turn=2)._repr_html_()
    assert "<script>" not in html and "<i>" not in html and "<b>" not in html
    assert "&lt;script&gt;" in html and "a &amp; b" in html
    assert '>passes</th><td style="text-align: left">31 passes in 8.11 s</td>' in html
    assert ">flags a turn</th>" in html and "set aside" not in html


def test_methods_and_functions_say_the_same():
    run = Run(np.delete(slowing(), [10, 20]))
    assert run.repaired().repairs == with_repairs(run).repairs
    assert run.repaired().refusing(1).repairs == refuse(with_repairs(run), 1).repairs
    assert run.repaired().refusing(1).accepting(1).repairs == accept(refuse(with_repairs(run), 1), 1).repairs
    assert [part.trial for part in run.split([7])] == [part.trial for part in split(run, [7])] == [1, 2]
