"""The ratio test, the joint fit, the collapse: right verdicts on known laws, honest intervals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.logs.run import Run, with_repairs
from kit.motion.drag import DragLaw
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import collapse, law_curves, mean_speeds, ratio_test, same_number
from kit.sources.bench import APPARATUS, Apparatus, Gate, Torque
from kit.sources.demo_data import session

START_S, STOP_S = 0.25, 1.0
SPEEDS = 8 * np.pi, 2 * np.pi
CLEAN = Gate(bounces=0.0, misses=0.0)  # jitter of 0.2 ms, nothing to repair


def table(law_of, conditions, trials=3, scatter=0.02, jitter_s=2e-4, seed=0):
    """Durations and turns as a student's table would hold them: run scatter on all drag, jitter on both ends."""
    rng = np.random.default_rng(seed)
    rows = []
    for n in np.repeat(conditions, trials):
        law, strength = law_of(n), np.exp(scatter * rng.standard_normal())
        late = jitter_s * rng.standard_normal(2)
        rows.append(
            {
                "n": n,
                "duration_s": law.duration(*SPEEDS) / strength + late[1] - late[0],
                "turns": law.angle(*SPEEDS) / (2 * np.pi) / strength + late[1] / STOP_S - late[0] / START_S,
                "duration_u_s": np.sqrt(2) * jitter_s,
                "turns_u": jitter_s * np.hypot(1 / STOP_S, 1 / START_S),
            }
        )
    return pd.DataFrame(rows)


def test_the_three_mean_speeds_of_the_design():
    """8π → 2π rad/s: 2.500, 2.164, 1.848 turns/s, by the formulas of the docstring."""
    speeds = mean_speeds(START_S, STOP_S)
    assert speeds["constant"] == pytest.approx(2.5, rel=1e-14)
    assert speeds["∝ speed"] == pytest.approx(3 / np.log(4), rel=1e-14)
    assert speeds["∝ speed²"] == pytest.approx(4 * np.log(4) / 3, rel=1e-14)


@pytest.mark.parametrize(
    ("law", "kind"), [(DragLaw(a=1.0), "constant"), (DragLaw(b=0.1), "∝ speed"), (DragLaw(c=0.01), "∝ speed²")]
)
def test_a_single_kind_of_drag_is_supported_and_the_others_are_not(law, kind):
    def law_of(n):
        return DragLaw(law.a * n, law.b * n, law.c * n)

    test = ratio_test(table(law_of, [1, 2, 3, 4, 6], seed=2), "n", START_S, STOP_S)
    verdicts = dict(zip(test.laws["law"], test.laws["verdict"], strict=True))
    assert verdicts.pop(kind) == "the data support"
    assert set(verdicts.values()) == {"speak against"}
    assert f"drag of one kind: {kind}" in test.sentence
    assert test.same_kind.startswith("There is no sign") and test.towards == ""
    assert set(test.conditions["nearest"]) == {kind}


def test_run_scatter_of_the_drag_cancels_in_the_ratio():
    results = table(lambda n: DragLaw(b=0.1 * n), [1, 2, 4], scatter=0.10)
    test = ratio_test(results, "n", START_S, STOP_S)
    assert results["duration_s"].groupby(results["n"]).std().max() > 0.5
    assert np.ptp(test.runs["ratio"]) < 0.003


def test_a_changing_mixture_is_noticed_and_where_it_moves_to():
    test = ratio_test(table(lambda n: DragLaw(0.0625, (1 + 3 * n) / 128), [1, 2, 4, 8]), "n", START_S, STOP_S)
    assert test.p_same < 1e-6 and test.p_trend < 1e-6
    assert test.towards == "∝ speed"
    assert "mixture of drags changes with n" in test.same_kind
    assert test.laws.set_index("law")["verdict"]["∝ speed"] == "close to"
    assert "a little drag of another kind is mixed in" in test.sentence


def test_a_mixture_half_way_is_called_a_mixture():
    test = ratio_test(table(lambda n: DragLaw(0.8 * n, 0.06 * n), [1, 2, 3]), "n", START_S, STOP_S)
    assert set(test.laws["verdict"]) == {"speak against"}
    assert "between the kinds ∝ speed and constant: the drag is a mixture" in test.sentence


def test_poor_data_cannot_tell():
    results = table(lambda n: DragLaw(b=0.1 * n), [1, 2])
    results["turns"] *= 1 + 0.2 * np.random.default_rng(3).standard_normal(len(results))
    assert "cannot tell these kinds of drag apart" in ratio_test(results, "n", START_S, STOP_S).sentence


def test_impossible_ratios_point_at_the_thresholds():
    results = table(lambda n: DragLaw(1.0 * n), [1, 2, 3])
    results["turns"] *= 1.3
    assert "No mixture of the three kinds" in ratio_test(results, "n", START_S, STOP_S).sentence


def test_without_repeats_and_uncertainties_nothing_is_claimed():
    results = table(lambda n: DragLaw(b=0.1 * n), [1, 2, 3], trials=1)[["n", "duration_s", "turns"]]
    test = ratio_test(results, "n", START_S, STOP_S)
    assert "repeat some runs" in test.same_kind and "cannot tell more" in test.sentence
    assert np.isnan(test.p_same) and np.isnan(test.p_trend)


def test_only_counted_runs_enter():
    results = table(lambda n: DragLaw(b=0.1 * n), [1, 2])
    results["status"] = ["counted"] * 5 + ["too few passes"]
    results["set_aside"] = ["hand touched it"] + [""] * 5
    assert len(ratio_test(results, "n", START_S, STOP_S).runs) == 4
    results["status"] = "too few passes"
    with pytest.raises(KitError, match="No run counts"):
        ratio_test(results, "n", START_S, STOP_S)


def test_bad_requests_are_refused_in_words():
    with pytest.raises(KitError, match="no such column"):
        ratio_test(pd.DataFrame({"duration_s": [1.0], "turns": [2.0]}), "n", START_S, STOP_S)
    with pytest.raises(KitError, match="start threshold must be a shorter turn period"):
        mean_speeds(1.0, 0.25)
    with pytest.raises(KitError, match="start threshold must be a shorter turn period"):
        law_curves(1.0, 1.0)


@pytest.mark.slow
def test_the_test_for_one_kind_rejects_as_often_as_it_says():
    """p < 0.05 in about 5 % of lessons with one kind of drag; negative control: nearly always with a mixture."""
    p_same = [
        ratio_test(table(lambda n: DragLaw(b=0.1 * n), [1, 2, 4, 8], seed=k), "n", START_S, STOP_S).p_same
        for k in range(600)
    ]
    assert 0.02 < np.mean(np.array(p_same) < 0.05) < 0.08
    mixed = [
        ratio_test(table(lambda n: DragLaw(0.0625, 0.1 * n), [1, 2, 4, 8], seed=k), "n", START_S, STOP_S).p_same
        for k in range(50)
    ]
    assert np.mean(np.array(mixed) < 0.05) > 0.95


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


def test_all_runs_collapse_on_the_curve_of_their_law():
    apparatus = replace(APPARATUS["coasting_disc"], spindle=Torque(linear=1e-5), values=(1, 4))
    points = collapse(session(apparatus, 3, gate=CLEAN), START_S, STOP_S)
    assert {"magnets", "trial", "source", "time_share", "speed_share"} == set(points.columns)
    assert points["time_share"].between(0, 1).all()
    assert points["speed_share"].to_numpy() == pytest.approx(4.0 ** -points["time_share"].to_numpy(), rel=0.02)


def test_law_curves_run_from_the_start_to_the_stop_speed():
    curves = law_curves(START_S, STOP_S, points=11)
    for _, curve in curves.groupby("law"):
        assert curve["speed_share"].iloc[[0, -1]].to_numpy() == pytest.approx([1, 0.25], rel=1e-12)
    half = curves[curves["time_share"] == 0.5].set_index("law")["speed_share"]
    assert half.to_dict() == pytest.approx({"constant": 0.625, "∝ speed": 0.5, "∝ speed²": 0.4}, rel=1e-12)


def test_a_collapse_needs_a_run_that_reaches_both_thresholds():
    run = Run(np.cumsum(np.linspace(0.5, 0.8, 20)))
    with pytest.raises(KitError, match="No run reaches both thresholds"):
        collapse([run], START_S, STOP_S)


@pytest.mark.parametrize(
    ("second", "u", "words"),
    [
        (0.55, 0.04, "agree within"),
        (0.7, 0.04, "cannot tell yet"),
        (0.9, 0.04, "differ by more"),
        (0.5, np.nan, "no unc"),
    ],
)
def test_two_routes_to_one_number_are_compared_in_graded_words(second, u, words):
    assert words in same_number(0.5, 0.06, second, u)
