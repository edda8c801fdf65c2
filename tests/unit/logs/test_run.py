"""Runs, and the oddities found in them, on hand-made passes and on simulated spin-downs with a known truth."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

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
    find_repairs,
    flag_angles,
    refuse,
    with_repairs,
)

# --- a small bench with closed forms -------------------------------------------------------------

LAWS = ("constant", "linear", "square")  # what drag does with speed
PUSH, START, STOP, REST = (4.3, 6.0), 4.0, 1.0, 0.2  # turns/s


def drag_for(law: str, turns: float) -> float:
    """The drag constant with which a rotor makes so many turns between START and STOP."""
    if law == "constant":
        return (START**2 - STOP**2) / (2 * turns)
    return {"linear": (START - STOP) / turns, "square": np.log(START / STOP) / turns}[law]


def speed_after(law: str, k: float, first: float, angle: np.ndarray) -> np.ndarray:
    """Speed (turns/s) after `angle` turns of coasting from speed `first`."""
    if law == "constant":  # dω/dt = -k
        return np.sqrt(np.maximum(first**2 - 2 * k * angle, 0))
    return first - k * angle if law == "linear" else first * np.exp(-k * angle)  # dω/dt = -kω, -kω²


def time_after(law: str, k: float, first: float, angle: np.ndarray) -> np.ndarray:
    """Time (s) after `angle` turns of coasting from speed `first`; the inverse of θ(t) in closed form."""
    if law == "constant":
        return (first - np.sqrt(first**2 - 2 * k * angle)) / k
    if law == "linear":  # θ(t) = (ω₁/k)(1 - e^{-kt})
        return -np.log1p(-k * angle / first) / k
    return np.expm1(k * angle) / (k * first)  # θ(t) = ln(1 + kω₁t)/k


def coasting_angle(law: str, k: float, first: float, last: float) -> float:
    if law == "constant":
        return (first**2 - last**2) / (2 * k)
    return (first - last) / k if law == "linear" else np.log(first / last) / k


@dataclass
class Truth:
    times_s: np.ndarray  # as logged
    number: np.ndarray  # of the flag step behind each logged time; -1 for a bounce
    speed: np.ndarray  # turns/s at each true flag step
    coasting: np.ndarray  # is each true flag step after the push?
    angle: np.ndarray  # turns at each true flag step


def simulate(
    rng: np.random.Generator,
    law: str,
    turns: float,
    *,
    jitter_s: float = 1e-4,
    bounces: float = 0.01,
    misses: float = 0.01,
    flags: tuple[float, ...] = (0.0,),
) -> Truth:
    """A push with constant torque over 0.5 to 3 turns, then coasting down to REST, seen by a gate."""
    first, k = rng.uniform(*PUSH), drag_for(law, turns)
    push = rng.uniform(0.5, 3.0)
    end = push + coasting_angle(law, k, first, REST)
    step = np.arange(int(end + 2) * len(flags))
    angle = rng.uniform(0.02, 1) + step // len(flags) + np.array(flags)[step % len(flags)]
    angle = angle[angle < end]
    coasting = angle >= push
    after = np.maximum(angle - push, 0)
    push_time = 2 * push / first
    pushed = np.minimum(angle / push, 1)
    times = np.where(coasting, push_time + time_after(law, k, first, after), push_time * np.sqrt(pushed))
    speed = np.where(coasting, speed_after(law, k, first, after), first * np.sqrt(pushed))
    times = times + rng.normal(0, jitter_s, len(times))

    seen = np.flatnonzero(rng.random(len(times)) >= misses)
    again = seen[rng.random(len(seen)) < bounces]
    logged = np.concatenate((times[seen], times[again] + rng.uniform(0.002, 0.015, len(again))))
    number = np.concatenate((seen, np.full(len(again), -1)))
    order = np.argsort(logged)
    return Truth(logged[order], number[order], speed, coasting, angle)


def counts_are_right(truth: Truth, run: Run) -> bool:
    """Does every pass between START and STOP carry the right number, and is no bounce left there?"""
    times, turns = counted_passes(run)
    kept = np.isin(truth.times_s, times)
    number = truth.number

    def between(which: np.ndarray) -> np.ndarray:
        return truth.coasting[which] & (truth.speed[which] <= START) & (truth.speed[which] >= STOP)

    real = number >= 0
    counted = np.zeros(len(number), dtype=bool)
    counted[real] = between(number[real])
    nearest = number[np.maximum.accumulate(np.where(real, np.arange(len(number)), 0))]
    if (kept & ~real & between(nearest)).any() or (counted & ~kept).any():
        return False
    return not counted.any() or np.ptp((turns - number[kept])[counted[kept]]) < 1e-9


def test_the_bench_of_these_tests_obeys_its_laws():
    for law, power in zip(LAWS, (0, 1, 2), strict=True):
        k = drag_for(law, 7)
        angle = np.array([2.0, 2.0001, 2.0002])
        times, speed = time_after(law, k, 5.0, angle), speed_after(law, k, 5.0, angle)
        assert np.diff(angle) / np.diff(times) == pytest.approx((speed[1:] + speed[:-1]) / 2, rel=1e-6)
        assert (speed[2] - speed[0]) / (times[2] - times[0]) == pytest.approx(-k * speed[1] ** power, rel=1e-6)
        assert coasting_angle(law, k, START, STOP) == pytest.approx(7)


# --- runs ----------------------------------------------------------------------------------------


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


# --- oddities by hand ----------------------------------------------------------------------------


def slowing(n: int = 30, first: float = 0.2, growth: float = 1.02) -> np.ndarray:
    """Pass times whose turn periods grow by the same factor from turn to turn."""
    return np.concatenate(([0.0], np.cumsum(first * growth ** np.arange(n))))


def kinds(repairs) -> list[tuple[str, int, int]]:
    return [(r.kind, r.index, r.passes) for r in repairs]


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


def test_a_million_passes():
    rng = np.random.default_rng(6)
    clean = np.cumsum(0.2 + 0.1 * np.arange(1_000_000) / 1e6) + rng.normal(0, 1e-4, 1_000_000)
    seen = clean[rng.random(len(clean)) > 0.005]
    times = np.sort(np.concatenate((seen, seen[::200] + 0.006)))
    _, turns = counted_passes(with_repairs(Run(times)))
    assert turns[-1] == np.searchsorted(clean, times[-1]) - np.searchsorted(clean, times[0])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(1e-6, 1e3), min_size=1, max_size=40), st.integers(1, 5))
def test_no_list_of_times_breaks_the_search(gaps, flags):
    times = np.unique(np.cumsum(gaps))
    run = with_repairs(Run(times, flags_per_turn=flags))
    times_s, turns = counted_passes(run)
    assert len(times_s) == len(turns) > 0
    assert (np.diff(turns) > 0).all()
    assert 0 <= coasting_start(times_s, turns) < len(times_s)


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


# --- repairs are proposals -----------------------------------------------------------------------


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


# --- where coasting starts -----------------------------------------------------------------------


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


# --- how often the counting is right -------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(("turns", "least"), [(7, 0.98), (40, 0.99), (200, 0.99)])
def test_turn_numbers_are_exactly_right(law, turns, least):
    """0.1 ms jitter, 1 % bounces, 1 % misses. At 7 turns with constant friction the last turn before rest
    ends near 1 turn/s, and a miss in a last gap cannot be told from slowing: that is most of what is lost there.
    """
    rng = np.random.default_rng(20_000 + turns)
    right = raw_right = 0
    for _ in range(1000):
        truth = simulate(rng, law, turns)
        run = Run(truth.times_s)
        raw_right += counts_are_right(truth, run)
        right += counts_are_right(truth, with_repairs(run))
    assert right >= 1000 * least
    assert raw_right < (900 if turns == 7 else 600 if turns == 40 else 100)  # without repairs they are not


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
        runs = [simulate(rng, law, turns, bounces=0, misses=0, jitter_s=jitter_s).times_s for _ in range(150)]
        false = sum(len(find_repairs(times)) for times in runs)
        assert 1000 * false / sum(map(len, runs)) <= most


@pytest.mark.slow
@pytest.mark.parametrize("flags", [(0.0, 0.5), (0.0, 0.3), (0.0, 0.22, 0.5, 0.8)])
def test_turn_numbers_with_several_flags(flags):
    """Unequal flags, with bounces and misses among them: the step numbers, read off as nearest flags."""
    rng = np.random.default_rng(40)
    right = 0
    for turn in range(300):
        truth = simulate(rng, LAWS[turn % 3], 10, flags=flags)
        run = with_repairs(Run(truth.times_s, flags_per_turn=len(flags)))
        times, turns = counted_passes(run)
        kept = np.isin(truth.times_s, times)
        number = truth.number[kept]
        window = (number >= 0) & (truth.speed[number] <= START) & (truth.speed[number] >= STOP) & truth.coasting[number]
        error = (turns - truth.angle[number])[window]
        right += len(error) == 0 or np.ptp(error) < 0.05
    assert right >= 295


def test_the_reasons_are_plain_words():
    run = with_repairs(Run(np.sort(np.append(np.delete(slowing(), 20), slowing()[5] + 0.005))))
    for repair in run.repairs:
        assert not re.search("wrong|error|correct", repair.reason)


def test_more_flags_than_any_disc_has_are_refused_before_they_cost_the_memory():
    with pytest.raises(KitError, match="at most 10,000 flags a turn"):
        Run([0.1, 0.2, 0.3], flags_per_turn=10**8)
