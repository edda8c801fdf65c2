"""One drag law for all runs of a lesson: its lines come back, its intervals cover, what cannot be fitted is listed."""

from dataclasses import replace

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.run import with_repairs
from kit.motion.drag_joint import joint_fit
from kit.sources.bench import APPARATUS, Apparatus, Gate, Torque
from kit.sources.demo_data import session

START_S, STOP_S = 0.25, 1.0


SPEEDS = 8 * np.pi, 2 * np.pi
CLEAN = Gate(bounces=0.0, misses=0.0)  # jitter of 0.2 ms, nothing to repair


@pytest.mark.parametrize(
    ("name", "coefficient", "kind", "law"),
    [
        ("coasting_disc", "b", "∝ speed", "constant + ∝ speed"),
        ("felt_brake", "a", "constant", "constant + ∝ speed"),
        ("card_vanes", "c", "∝ speed²", "constant + ∝ speed + ∝ speed²"),
    ],
)
def test_the_joint_fit_names_the_law_of_each_scenario(name, coefficient, kind, law):
    apparatus = APPARATUS[name]
    joint = joint_fit([with_repairs(run) for run in session(apparatus, seed=5)], apparatus.x)
    assert joint.law == joint.laws["law"].iloc[0] == law
    assert joint.changing == coefficient and joint.changing_law == kind
    assert joint.laws["weight"].sum() == pytest.approx(1)
    assert joint.timing_sd_s == pytest.approx(2e-4, rel=0.1)
    assert 0.01 < joint.run_scatter < 0.04  # 2 % from run to run, 3 % over the session
    slope = joint.lines.set_index("coefficient")["slope"][coefficient]
    added = getattr(apparatus.added, {"a": "constant", "b": "linear", "c": "quadratic"}[coefficient])
    assert slope == pytest.approx(added / apparatus.inertia_kg_m2, rel=0.05)
    assert joint.law_at(3).duration(*SPEEDS) == pytest.approx(apparatus.law(3).duration(*SPEEDS), rel=0.04)


def test_noise_free_runs_give_the_lines_back_and_both_routes_to_n0():
    """b₀/β = 1/3; and the design's figures for the shifted inverse: 0.557 from duration, 0.525 from turns."""
    apparatus = replace(APPARATUS["coasting_disc"], values=(1, 2, 3, 4, 6, 8), drag_scatter=1e-5, warm_up=0.0)
    joint = joint_fit(session(apparatus, 1, gate=Gate(jitter_s=1e-6, bounces=0, misses=0)), "magnets")
    lines = joint.lines.set_index("coefficient")
    assert lines.loc["a", "at_zero"] == pytest.approx(8e-5 / 1.28e-3, rel=1e-4)
    assert lines.loc["b", "at_zero"] == pytest.approx(1e-5 / 1.28e-3, rel=1e-3)
    assert lines.loc["b", "slope"] == pytest.approx(3e-5 / 1.28e-3, rel=1e-4)
    n0 = joint.n0()
    assert n0.value == pytest.approx(1 / 3, rel=1e-3) and n0.low < 1 / 3 < n0.high
    x0 = joint.trend_x0(START_S, STOP_S)
    assert x0["duration_s"].value == pytest.approx(0.557, abs=0.001)
    assert x0["turns"].value == pytest.approx(0.525, abs=0.001)


def test_a_run_with_a_wrong_turn_count_is_left_out_with_its_reason():
    runs = session(replace(APPARATUS["coasting_disc"], values=(1, 2, 3)), 2, gate=CLEAN)
    victim = runs[4]
    runs[4] = replace(victim, pass_times_s=np.delete(victim.pass_times_s, 30))  # a miss nobody counted
    joint = joint_fit(runs, "magnets")
    assert joint.left_out == tuple(t for t in joint.left_out if victim.source in t and "check its turn count" in t)
    assert len(joint.left_out) == 1 and len(joint.runs) == 8


def test_runs_set_aside_or_too_short_are_listed():
    runs = session(replace(APPARATUS["coasting_disc"], values=(1, 2, 3)), 2, gate=CLEAN)
    runs[0] = replace(runs[0], set_aside="hand touched it")
    runs[1] = replace(runs[1], pass_times_s=runs[1].pass_times_s[:6])
    joint = joint_fit(runs, "magnets", law="constant + ∝ speed")
    assert len(joint.left_out) == 2
    assert "set aside: hand touched it" in joint.left_out[0] and "Too few passes" in joint.left_out[1]


def test_joint_fits_that_cannot_be_made_are_refused():
    runs = session(replace(APPARATUS["coasting_disc"], values=(1, 2)), 2, gate=CLEAN)
    with pytest.raises(KitError, match=r"at least four runs at two conditions\. Found: '3 runs at 1'"):
        joint_fit([run for run in runs if run.conditions["magnets"] == 1], "magnets")
    with pytest.raises(KitError, match="needs a number ≥ 0 for weight"):
        joint_fit(runs, "weight")
    joint = joint_fit(runs, "magnets")
    with pytest.raises(KitError, match=r"no such coefficient\. Found: 'd'"):
        joint.n0("d")
    with pytest.raises(KitError, match="three conditions above 0"):
        joint.trend_x0(START_S, STOP_S)


@pytest.mark.slow
def test_the_interval_for_n0_covers():
    """95 % intervals for b₀/β over 60 lessons of 15 runs with 3 % scatter; negative control: half as wide."""
    apparatus = Apparatus(
        "disc", "n", (1, 2, 3, 5, 8), 1.28e-3, Torque(8e-5, 2e-5), Torque(linear=3e-5), drag_scatter=0.03, warm_up=0.0
    )
    hits = too_sure = 0
    for seed in range(60):
        runs = session(apparatus, seed, gate=CLEAN)
        joint = joint_fit(runs, "n", "constant + ∝ speed", max_period_s=2.0)
        n0, truth = joint.n0(), 2 / 3
        hits += n0.low <= truth <= n0.high
        too_sure += abs(n0.value - truth) < (n0.high - n0.low) / 4
    assert hits >= 52  # three standard deviations below 95 % of 60
    assert too_sure <= 50
