"""A run beside its sisters. Apparatus and faults come from tests/reference/faults, which knows nothing of the kit."""

from dataclasses import replace

import numpy as np
import pytest

import kit
from kit.logs.coasting import coasting_start
from tests.reference.faults import atlas, faults, setups


def table_of(name, rates, seed, law="linear", turns=8.0):
    """One log with a fault, and eight clean ones, as runs: three trials of each of three conditions."""
    rng, setup = np.random.default_rng(seed), None
    while setup is None or setup.start_period_s < 0.7:
        try:
            setup = setups.random_setup(rng, law, turns, release_period_s=0.5)
        except ValueError:  # these wishes exclude each other
            continue
    log = faults.make_log(setup, name, rng, **rates)
    others = atlas.sisters_of(log, rng)
    runs = [
        kit.with_repairs(kit.Run(one.times, {"n": float(at)}, trial=trial, flags_per_turn=one.declared))
        for trial, (one, at) in enumerate([(log, 1), *others], 1)
    ]
    return log, runs, (setup.start_period_s, setup.stop_period_s)


def doubts(runs, thresholds):
    return kit.measure(kit.speed_curves(runs), *thresholds)["doubt"].tolist()


@pytest.mark.slow
def test_a_stop_by_hand_is_told_by_its_sisters():
    """Runs of five turns, stopped within the last two: by themselves nothing is seen (the control)."""
    far = alone = among = 0
    for seed in range(3, 11):
        log, runs, thresholds = table_of("stopped by hand", {"turns": 2.0}, seed, turns=5.0)
        row = kit.measure(kit.speed_curves(runs[:1]), *thresholds).iloc[0]
        off_s, u_s = abs(row["duration_s"] - log.duration_s), row["duration_u_s"]
        if row["status"] != "counted" or off_s < max(0.03 * log.duration_s, 2 * u_s):  # no more than it says of itself
            continue
        first, *others = doubts(runs, thresholds)
        assert not any(others), others
        far, alone, among = far + 1, alone + bool(row["doubt"]), among + ("other runs of its condition" in first)
    assert far >= 5
    assert among >= far - 1
    assert alone <= 1


@pytest.mark.slow
def test_clean_runs_and_strangers_are_left_alone():
    _, runs, thresholds = table_of("none", {}, 3)
    assert not any(doubts(runs, thresholds))
    _, runs, thresholds = table_of("stopped by hand", {"turns": 2.0}, 1)
    pair = [runs[0], *runs[3:]]  # one run of its condition: nobody knows what is usual there
    assert not any("other runs" in doubt for doubt in doubts(pair, thresholds))
    nameless = [replace(run, conditions={}) for run in runs]  # nobody said that they belong together
    assert not any("other runs" in doubt for doubt in doubts(nameless, thresholds))


def test_a_run_that_is_set_aside_has_no_say():
    _, runs, thresholds = table_of("none", {}, 3)
    times = runs[0].pass_times_s
    slow = replace(runs[0], pass_times_s=times[0] + 1.3 * (times - times[0]))  # seconds that are too long
    said = kit.measure(kit.speed_curves([slow, *runs[1:]]), *thresholds)
    assert "than the other runs of its condition" in said["doubt"][0] and said["outcome"][0] == "doubtful"
    aside = replace(slow, set_aside="a clock that runs fast")
    assert not any("other runs" in doubt for doubt in doubts([aside, *runs[1:]], thresholds))


@pytest.mark.parametrize("flags", ["1", "3 uneven"])
def test_the_coast_begins_with_a_whole_turn_that_nobody_pushed(flags):
    """Short runs: at 5 turns one pass of the push among nine spoils the curve. Late by a turn at most, never early."""
    early = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        try:
            setup = setups.random_setup(rng, "mixed", 5.0, flags, jitter="gauss")
        except ValueError:
            continue
        log = setups.logged(setups.spin(setup, rng), rng)
        start = coasting_start(log.times, np.arange(len(log.times)) / len(setup.flags))
        early += start < log.release
        assert start <= log.release + len(setup.flags) + 1
        assert log.release - start <= max(len(setup.flags) // 2, 1)
    assert early <= 10  # by a part of a turn, pushed hardly less than let go


def test_sisters_vouch_for_a_run_of_few_passes():
    """Drag ∝ speed, exact passes: eight of them are too few to be checked alone, three such runs agree."""
    turned = 2 * np.pi * np.arange(8)
    logs = [-np.log(1 - 0.2 * turned / start) / 0.2 for start in (15.0, 15.5, 16.0)]
    alone = kit.measure([kit.Run(logs[0], {"n": 1.0})], 0.5, 0.8)
    among = kit.measure([kit.Run(t, {"n": 1.0}, trial=k) for k, t in enumerate(logs, 1)], 0.5, 0.8)
    assert "too few to check" in alone["note"][0]
    assert among["status"].tolist() == ["counted"] * 3 and among["note"].tolist() == [""] * 3


def test_a_log_that_ends_in_full_swing_says_so():
    """Constant friction: v² falls by the same amount each turn, so that turns left = v²/(v² lost in a turn)."""
    stop = (20.0**2 / (2 * 0.5)) / (2 * np.pi)  # turns to rest: 63.7
    turned = 2 * np.pi * np.arange(1, 64)
    times = (20.0 - np.sqrt(20.0**2 - 2 * 0.5 * turned)) / 0.5
    cut, whole = (kit.measure([kit.Run(t)], 0.4, None)["note"][0] for t in (times[:30], times))
    assert "ends while a turn still takes" in cut and "ends while" not in whole
    left = int(cut.split("at least ")[1].split()[0])
    assert left == pytest.approx(stop - 30, abs=1.5)
