"""The bench: designed durations and turns, a perfect gate, errors as often as asked."""

from pathlib import Path

import numpy as np
import pytest

from kit.errors import KitError
from kit.motion.drag import DragLaw
from kit.sources.bench import simulate_run, true_stretch
from kit.sources.setup import APPARATUS, Gate

DEMO = Path(__file__).parents[3] / "datasets_demo"
SEEDS = {"coasting_disc": 20, "felt_brake": 34, "card_vanes": 30}

# Designed values of the demo scenarios: duration (s) and turns between 0.25 s and 1.0 s a turn. They were computed
# from the closed forms when the scenarios were designed, before this module was written.
DESIGNED = {
    "coasting_disc": [
        (0, 107.7, 246.9),
        (1, 37.97, 83.9),
        (2, 23.11, 50.7),
        (3, 16.61, 36.3),
        (4, 12.97, 28.3),
        (6, 9.01, 19.6),
        (8, 6.91, 15.0),
    ],
    "felt_brake": [(3, 9.71, 24.1), (4, 7.46, 18.5), (5, 6.05, 15.1), (6, 5.09, 12.7), (8, 3.87, 9.6)],
    "card_vanes": [(1, 38.3, 76.8), (2, 24.0, 46.8), (3, 17.6, 33.8), (4, 13.9, 26.4), (6, 9.8, 18.5)],
}


@pytest.mark.parametrize("name", DESIGNED)
def test_designed_durations_and_turns(name):
    for count, duration_s, turns in DESIGNED[name]:
        found = true_stretch(APPARATUS[name].law(count), 0.25, 1.0)
        assert found == pytest.approx((duration_s, turns), rel=6e-3 if duration_s < 12 else 3e-3)


def test_tilt_and_dry_hub():
    disc = APPARATUS["coasting_disc"]
    tilted = [true_stretch(disc.law(n, tilt_deg=3), 0.25, 1.0)[0] for n in (0, 1, 8)]
    dry = [true_stretch(disc.law(n, dry_hub=True), 0.25, 1.0)[0] for n in (0, 1, 8)]
    assert tilted == pytest.approx([90.7, 35.5, 6.8], abs=0.05)
    assert dry == pytest.approx([61.9, 29.8, 6.6], abs=0.05)


def test_a_perfect_gate_sees_the_exact_motion():
    law = APPARATUS["coasting_disc"].law(2)
    run = simulate_run(law, 5.0, np.random.RandomState(1), Gate.perfect())
    gaps = np.diff(run.pass_times_s)
    peak = int(np.argmin(gaps))
    # from one coasting pass to the next, exactly one turn by the law
    speed = law.speed_at(run.pass_times_s[peak + 3 :] - run.pass_times_s[peak + 2], _speed_at(law, run, peak + 2))
    assert law.angle(speed[:-1], speed[1:]) == pytest.approx(2 * np.pi, rel=1e-9)


def _speed_at(law, run, i):
    """Speed (rad/s) at pass i for which the next turn takes what the log says."""
    from scipy.optimize import brentq

    gap = run.pass_times_s[i + 1] - run.pass_times_s[i]
    return brentq(lambda speed: law.time_at_angle(2 * np.pi, speed) - gap, 1.0, 60.0, xtol=1e-13)


def test_gate_errors_come_as_often_as_asked():
    law = DragLaw(b=0.004)
    clean = simulate_run(law, 5.0, np.random.RandomState(4), Gate.perfect())
    n = len(clean.pass_times_s)
    bounced = simulate_run(law, 5.0, np.random.RandomState(4), Gate(jitter_s=0, bounces=0.1, misses=0))
    missed = simulate_run(law, 5.0, np.random.RandomState(4), Gate(jitter_s=0, bounces=0, misses=0.1))
    assert n > 400
    assert 0.06 * n < len(bounced.pass_times_s) - n < 0.14 * n
    assert 0.06 * n < n - len(missed.pass_times_s) < 0.14 * n


def test_several_flags_pass_in_their_own_places():
    gate = Gate(jitter_s=0, bounces=0, misses=0, flag_offsets_turns=(0.0, 0.03))
    run = simulate_run(DragLaw(b=0.05), 5.0, np.random.RandomState(2), gate)
    assert run.flags_per_turn == 2
    gaps = np.diff(run.pass_times_s)[20:40]
    ratio = gaps[::2] / gaps[1::2]
    assert (ratio > 1.08).all() or (ratio < 0.92).all()


def test_a_push_must_push():
    with pytest.raises(KitError, match="must leave the disc spinning"):
        simulate_run(DragLaw(b=1.0), 0.0, np.random.RandomState(0))
