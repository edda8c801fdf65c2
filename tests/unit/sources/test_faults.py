"""What goes wrong on the bench: each fault does what it says and nothing else, and the run's note names it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import kit
from kit.errors import KitError
from kit.motion.drag import TURN
from kit.sources.demo_data import session
from kit.sources.faults import simulate_with_fault, surprise
from kit.sources.push import motion_samples, push, simulated_log
from kit.sources.setup import APPARATUS, FAULTS, Gate, bench_setup

DISC = replace(bench_setup("coasting_disc"), gate=Gate.perfect())
NUMBERS = range(1, 13)


def pairs(fault, setup=DISC, value=2):
    """Runs with the fault, each with the one that the same push gives without it."""
    return [
        (push(setup, value, code="f", number=n, fault=fault), push(setup, value, code="f", number=n)) for n in NUMBERS
    ]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_named_changes_the_log_and_can_be_made_again(fault):
    for spoiled, clean in pairs(fault)[:4]:
        assert spoiled.run.note == f"{clean.run.note}; went wrong: {FAULTS[fault]}"
        assert f"went wrong: {FAULTS[fault]}" in simulated_log(spoiled)
        assert spoiled.run.pass_times_s.tobytes() != clean.run.pass_times_s.tobytes()
        again = push(DISC, 2, code="f", number=clean.run.order, fault=fault)
        assert again.run.pass_times_s.tobytes() == spoiled.run.pass_times_s.tobytes()
        assert replace(spoiled.motion, touch=None) == clean.motion
        assert (spoiled.run.flags_per_turn, spoiled.pushed_at_s) == (1, clean.pushed_at_s)


def test_hand_and_thread_add_a_pass_or_two_where_they_are():
    for fault in ("hand in push", "thread"):
        many = set()
        for spoiled, clean in pairs(fault):
            extra = np.setdiff1d(spoiled.run.pass_times_s, clean.run.pass_times_s)
            assert np.isin(clean.run.pass_times_s, spoiled.run.pass_times_s).all()
            many.add(extra.size)
            in_push = (extra > clean.pushed_at_s) & (extra < clean.released_at_s)
            assert in_push.all() if fault == "hand in push" else not in_push.any()
        assert many == {1, 2}


def test_second_triggers_come_soon_after_one_pass_in_ten():
    share = []
    for spoiled, clean in pairs("second triggers"):
        extra = np.setdiff1d(spoiled.run.pass_times_s, clean.run.pass_times_s)
        late = extra - clean.run.pass_times_s[np.searchsorted(clean.run.pass_times_s, extra) - 1]
        assert (late >= 0.002).all() and (late <= 0.04).all()
        share.append(extra.size / clean.run.pass_times_s.size)
    assert np.mean(share) == pytest.approx(0.1, abs=0.03)


def test_a_stalled_logger_writes_a_few_passes_together_and_the_gate_knows_better():
    for spoiled, clean in pairs("stall"):
        late = spoiled.run.pass_times_s - clean.run.pass_times_s
        (held,) = np.nonzero(late)
        assert 3 <= held.size <= 7 and (late[held] > 0).all()
        block = spoiled.run.pass_times_s[held[0] : held[-1] + 2]  # with the pass at which it goes on
        np.testing.assert_allclose(np.diff(block), 1e-3, rtol=1e-6)
        np.testing.assert_array_equal(spoiled.at_gate_s, clean.run.pass_times_s)


def test_a_clock_jumps_once_and_forward():
    for spoiled, clean in pairs("clock jump"):
        late = spoiled.run.pass_times_s - clean.run.pass_times_s
        jumps = np.diff(late)[np.abs(np.diff(late)) > 1e-9]
        assert late[0] == 0 and jumps.size == 1 and jumps[0] > 0.05
        np.testing.assert_array_equal(spoiled.at_gate_s, clean.run.pass_times_s)


def test_a_second_flag_passes_in_its_own_place_and_is_not_counted():
    for spoiled, _ in pairs("uneven flags"):
        angle = spoiled.motion.state_at(spoiled.run.pass_times_s - spoiled.pushed_at_s)[1] - spoiled.first_pass_turns
        places, passes = np.unique(np.round(np.mod(angle, 1), 6) % 1, return_counts=True)
        np.testing.assert_allclose(places, [0, 0.38])
        assert np.ptp(passes) <= 1


@pytest.mark.parametrize(
    ("fault", "least", "most"), [("pushed again", 1.15, 1.40), ("touched", 0.70, 0.85), ("stopped", 1.0, 1.0)]
)
def test_a_hand_changes_the_speed_and_the_rest_is_as_an_integrator_says(fault, least, most):
    """Beside scipy's DOP853 with the same torque, from the touch on."""
    for spoiled, clean in pairs(fault)[:4]:
        motion, touch = spoiled.motion, spoiled.motion.touch
        assert least <= touch.factor <= most
        (before,), (turned,) = clean.motion.state_at([touch.at_s])
        assert 0.45 <= before / motion.release_turns_per_s <= 0.70
        law = touch.law or motion.law
        end = min(motion.rest_s - touch.at_s, 30.0) * 0.98

        def slowing(_, y, law=law):
            return y[1], -(law.a + law.b * y[1] + law.c * y[1] ** 2)

        start = (TURN * turned, TURN * before * touch.factor)
        solved = solve_ivp(slowing, (0, end), start, "DOP853", t_eval=np.linspace(0.01, end, 40), rtol=1e-11)
        speed, angle = motion.state_at(touch.at_s + solved.t)
        np.testing.assert_allclose(angle, solved.y[0] / TURN, rtol=1e-7)
        np.testing.assert_allclose(speed, solved.y[1] / TURN, rtol=1e-6)
        np.testing.assert_allclose(motion.time_at(angle), touch.at_s + solved.t, rtol=1e-8)
        passes = spoiled.run.pass_times_s - spoiled.pushed_at_s
        whole = motion.state_at(passes)[1] - spoiled.first_pass_turns
        np.testing.assert_allclose(whole, np.round(whole), atol=1e-7)
        assert (np.diff(np.round(whole)) == 1).all()
        if fault == "stopped":
            assert motion.rest_s < clean.motion.rest_s and whole[-1] - turned < 2.0
            assert motion_samples(spoiled)[1][-1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.slow
def test_what_students_meet_is_doubted_or_refused_or_does_no_harm():
    silent = []
    for fault in FAULTS:
        for spoiled, clean in pairs(fault, bench_setup("coasting_disc"))[:4]:
            row = kit.measure([kit.with_repairs(spoiled.run)], 0.3, 1.0, "best").iloc[0]
            true_s = float(clean.motion.law.duration(TURN / 0.3, TURN / 1.0))
            if abs(row["duration_s"] / true_s - 1) > 0.01 and row["outcome"] == "counted":
                silent.append((fault, spoiled.run.order))
    assert len(silent) <= 2, silent  # of 36; a second push just before the start does no harm


def test_a_surprise_is_one_of_those_offered_or_nothing():
    found = [surprise(("thread", "stall"), seed) for seed in range(600)]
    assert set(found) == {"", "thread", "stall"}
    assert found.count("") / 600 == pytest.approx(1 / 3, abs=0.06)  # three standard deviations
    assert surprise((), 1) == ""


def test_what_the_bench_cannot_do_is_refused():
    with pytest.raises(KitError, match=r"can't make this go wrong.*hand in push"):
        push(DISC, 2, fault="gremlins")
    with pytest.raises(KitError, match="at most 21"):
        session(APPARATUS["coasting_disc"], 1, faults=["thread"] * 22)


def test_flags_of_a_gate_with_several_each_get_a_neighbour():
    gate = Gate(jitter_s=0, bounces=0, misses=0, flag_offsets_turns=(0.0, 0.01))
    law = APPARATUS["coasting_disc"].law(2)
    spin = simulate_with_fault("uneven flags", law, 5.0, np.random.RandomState(1), gate, seed=1)
    angle = spin.motion.state_at(spin.run.pass_times_s - spin.pushed_at_s)[1] - spin.first_pass_turns
    assert set(np.round(np.mod(angle + 1e-6, 1), 4)) == {0.0, 0.19, 0.51, 0.70}
    assert spin.run.flags_per_turn == 2


def test_a_session_has_one_spoiled_run_a_fault_and_the_others_stay():
    kind = APPARATUS["card_vanes"]
    clean, spoiled = session(kind, 7), session(kind, 7, faults=["thread", "clock jump"])
    other = [run.note for run, was in zip(spoiled, clean, strict=True) if run.note or not same(run, was)]
    assert sorted(other) == sorted([FAULTS["thread"], FAULTS["clock jump"]])


def same(run, other):
    return run.pass_times_s.tobytes() == other.pass_times_s.tobytes()
