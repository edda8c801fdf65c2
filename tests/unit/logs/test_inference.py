"""The one inference over all passes: what must hold for any run. The spin-downs are those of the second simulator."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.logs.inference import coarse_factor, explain_passes, jitter_of, tick_of
from kit.logs.run import Run, coasting_start, counted_passes, find_repairs, refuse, with_repairs
from tests.reference.faults import atlas
from tests.reference.faults.faults import make_log
from tests.reference.faults.setups import random_setup
from tests.sweeps import size

SEEDS = st.integers(0, 10_000)


def coast(seed: int, n: int = 60, jitter: float = 1e-3) -> np.ndarray:
    """Passes of a coast with constant drag plus drag ∝ speed: v dv/dθ = −(a + b v), in small steps."""
    rng = np.random.default_rng(seed)
    speed = [rng.uniform(3, 8)]
    a, b = speed[0] ** 2 / n * rng.uniform(0, 0.12), speed[0] / n * rng.uniform(0.1, 0.4)
    times, fine = [0.0], 20
    for _ in range(n):
        last = times[-1]
        for _ in range(fine):
            v = speed[-1]
            slower = v - (a / v + b) / fine
            last += 2 / (v + slower) / fine
            speed.append(slower)
        times.append(last)
    times = np.array(times)
    return times + rng.normal(0, jitter * np.diff(times).min(), len(times))


def kinds(times, flags=1):
    return [(r.kind, r.index, r.passes) for r in find_repairs(times, flags)]


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(1, 6))
def test_passes_taken_out_are_found_again(seed, many):
    times = coast(seed)
    gone = np.random.default_rng(seed).choice(np.arange(2, len(times) - 2), many, replace=False)
    run = with_repairs(Run(np.delete(times, gone)))
    assert sum(r.passes for r in run.repairs if r.kind == "missed") == many
    assert counted_passes(run)[1].tolist() == np.delete(np.arange(len(times)), gone).tolist()


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(1, 25))
def test_passes_logged_twice_are_found(seed, many):
    times = coast(seed)
    rng = np.random.default_rng(seed)
    again = rng.choice(np.arange(1, len(times) - 1), many, replace=False)
    extra = times[again] + rng.uniform(0.02, 0.2, many) * np.diff(times).min()
    run = with_repairs(Run(np.sort(np.append(times, extra))))
    assert counted_passes(run)[0].tolist() == times.tolist()
    assert {r.kind for r in run.repairs} == {"bounce"}


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.floats(0.35, 0.8))
def test_one_foreign_pass_is_left_out_and_nothing_else_changes(seed, share):
    times = coast(seed)
    at = int(np.random.default_rng(seed).integers(2, len(times) - 3))
    extra = times[at] + share * (times[at + 1] - times[at])
    assert kinds(np.insert(times, at + 1, extra)) == [("foreign", at + 1, 1)]


@settings(max_examples=20, deadline=None)
@given(SEEDS, st.sampled_from([1e-4, 1 / 3, 1000.0]), st.sampled_from([0.0, -50.0, 1e4]))
def test_neither_the_unit_of_time_nor_its_zero_matters(seed, scale, shift):
    times = np.delete(coast(seed), [11, 30, 31])
    times = np.insert(times, 20, times[19] + 0.4 * (times[20] - times[19]))
    assert kinds(scale * (times + shift)) == kinds(times)


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(SEEDS)
def test_windows_say_what_the_whole_search_says(seed):
    rng = np.random.default_rng(seed)
    times = coast(seed, 400)
    keep = rng.random(len(times)) > 0.03
    keep[[0, 1, 2, -1, -2, -3]] = True
    seen = times[keep]
    extra = rng.choice(np.arange(3, len(seen) - 3), 8, replace=False)
    times = np.sort(np.append(seen, seen[extra] + rng.uniform(0.05, 0.8, 8) * 0.5 * np.diff(times).min()))
    windows, whole = explain_passes(times), explain_passes(times, windowed=False)
    assert np.array_equal(windows.steps, whole.steps)
    assert np.array_equal(windows.extra > 0, whole.extra > 0)


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(1, 5))
def test_too_few_passes_say_nothing(seed, n):
    times = np.cumsum(np.random.default_rng(seed).uniform(0.01, 2, n))
    assert find_repairs(times) == ()
    assert 0 <= coasting_start(times, np.arange(n, dtype=float)) < n


@pytest.mark.slow
def test_clean_runs_are_left_alone():
    """Second simulator, every kind of flags, jitter, law and push: no repair in the coast of 199 of 200 runs."""
    repaired = runs = 0
    for flags in ("1", "2", "2 uneven", "4", "12"):
        for turns in (12, 60, 300):
            for _, log in atlas.Cell("none", "-", turns, flags=flags).logs(size({12: 40, 60: 15, 300: 3}[turns], 80)):
                run = with_repairs(Run(log.times, flags_per_turn=log.declared))
                repaired += any(r.time_s > log.times[log.release] for r in run.repairs)
                runs += 1
    assert repaired <= 0.005 * runs


@pytest.mark.parametrize(("gain", "start"), [(0.4, 40), (-0.25, 0)])
def test_coasting_begins_after_the_last_push(gain, start):
    period = np.full(80, 0.3) * 1.006 ** np.arange(80)
    period[40:] /= 1 + gain
    run = with_repairs(Run(np.concatenate(([0.0], np.cumsum(period)))))
    assert run.repairs == ()
    assert coasting_start(*counted_passes(run)) == pytest.approx(start, abs=1)


@pytest.mark.parametrize("jump", [0.4, -0.3, 1.45, 5.5])
def test_a_clock_that_jumps_is_not_made_into_missed_passes(jump):
    times = np.concatenate(([0.0], np.cumsum(0.3 * 1.006 ** np.arange(80))))
    times[40:] += jump * (times[40] - times[39])
    assert with_repairs(Run(times)).repairs == ()


def test_every_second_pass_missed_while_the_flag_is_too_quick():
    times = coast(5, 120)
    seen = np.delete(times, np.arange(1, 40, 2))
    run = with_repairs(Run(seen))
    assert counted_passes(run)[1][-1] == 120
    assert counted_passes(refuse(run, *range(len(run.repairs))))[1][-1] == len(seen) - 1


def test_certainty_is_told_in_words():
    run = with_repairs(Run(np.delete(coast(1), 30)))
    (repair,) = run.repairs
    assert repair.certainty == "almost certainly" and repair.probability > 0.99
    assert "almost certainly room for 1 missed pass" in repair.reason


@pytest.mark.parametrize("sd", [1e-4, 3e-3])
def test_jitter_is_estimated_from_the_run_itself(sd):
    rng = np.random.default_rng(3)
    smooth = 0.3 * np.arange(400) + 1e-5 * np.arange(400) ** 2
    found = [jitter_of(np.delete(smooth + rng.normal(0, sd, 400), rng.integers(1, 399, 15))) for _ in range(20)]
    assert np.median(found) == pytest.approx(sd, rel=0.4)


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "rates"), [("extra pass", {"passes": 1}), ("missed block", {"passes": 3})])
def test_the_second_simulator_agrees(fault, rates):
    rng = np.random.default_rng(12)
    right = 0
    for _ in range(60):
        setup = random_setup(rng, law="mixed", turns=60, jitter="gauss")
        log = make_log(setup, fault, rng, **rates)
        run = with_repairs(Run(log.times))
        time_s, turns = counted_passes(run)
        counted = np.diff(np.interp(log.counted_s, time_s, turns))[0]  # between passes: good to a part of a turn
        right += abs(counted - log.turns) < 0.6
    assert right >= 59


@pytest.mark.parametrize(("tick", "gap", "factor"), [(0.01, 0.05, 1.25), (0.01, 0.2, 1.0), (0.001, 0.05, 1.0)])
def test_a_coarse_clock_widens_what_it_rounds_alike(tick, gap, factor):
    """A gap of 5 ticks is rounded alike, pass after pass; one of 20 or 50 is not. Other scatter hides it."""
    times = np.floor(np.cumsum(gap * 1.001 ** np.arange(200)) / tick) * tick
    assert tick_of(times) == pytest.approx(tick)
    assert coarse_factor(times, gap, tick / 12**0.5) == factor
    assert coarse_factor(times, gap, tick) == 1.0


def test_a_log_of_nothing_but_a_push_is_read():
    """Every gap shorter than the one before, by a quarter and more: once an index beyond the last gap."""
    times = np.cumsum([0.0, 1.0, 0.7, 0.5, 0.36, 0.3, 0.27])
    assert (explain_passes(times).steps[1:] == 1).all()
