"""The ratio test, the joint fit, the collapse: right verdicts on known laws, honest intervals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from kit.errors import KitError
from kit.logs.run import Run
from kit.motion.drag import TURN, DragLaw, single_power
from kit.motion.drag_fit import fit_drag
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import (
    at_nothing_added,
    beyond_last_pass,
    collapse,
    collapsed_at,
    law_curves,
    mean_speeds,
    ratio_test,
    routes,
    same_number,
    times_reached,
    turn_speeds,
)
from kit.motion.speed import speed_curves
from kit.motion.threshold import measure
from kit.sources.bench import APPARATUS, Gate, Torque
from kit.sources.demo_data import session
from kit.stats.averages import t_factor
from tests.sweeps import size

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
    if kind == "∝ speed":  # constant drag with some ∝ speed² can have the same mean speed
        assert "drag like ∝ speed (2.164 turns/s), or a mixture that looks the same" in test.sentence
    else:
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
    assert "The kind of drag, or the mixture, changes with n" in test.same_kind
    assert test.laws.set_index("law")["verdict"]["∝ speed"] == "close to"
    assert "A little drag of another kind is mixed in" in test.sentence


def test_constant_and_squared_drag_that_mimic_the_middle_kind_are_not_taken_for_it_alone():
    middle = DragLaw(b=1.0).mean_speed(*SPEEDS)
    law = DragLaw(brentq(lambda a: DragLaw(a, 0.0, 0.01).mean_speed(*SPEEDS) - middle, 0.1, 10.0), 0.0, 0.01)
    test = ratio_test(table(law.scaled, [1, 2, 3, 4], seed=2), "n", START_S, STOP_S)
    assert "or a mixture that looks the same: constant with ∝ speed²" in test.sentence
    nearly = DragLaw(law.a * 1.1, 0.0, law.c)
    test = ratio_test(table(nearly.scaled, [1, 2, 3, 4], seed=2), "n", START_S, STOP_S)
    assert "close to the kind ∝ speed" in test.sentence and "or constant with ∝ speed² looks like it" in test.sentence


@pytest.mark.parametrize("power", [0.5, 1.6])
def test_one_kind_with_another_power_is_not_called_a_mixture(power):
    """The mean speed of drag ∝ speed^p by quadrature, scipy.integrate.quad."""
    slow, fast = 1 / STOP_S, 1 / START_S
    mean = quad(lambda w: w ** (1 - power), slow, fast)[0] / quad(lambda w: w**-power, slow, fast)[0]
    assert single_power(mean, START_S, STOP_S) == pytest.approx(power, abs=1e-6)
    results = table(lambda n: DragLaw(b=0.1 * n), [1, 2, 3])
    results["turns"] = mean * results["duration_s"] * (1 + 1e-3 * np.tile([-1, 0, 1], 3))
    said = ratio_test(results, "n", START_S, STOP_S).sentence
    assert "the drag is a mixture" not in said
    assert f"one kind that grows as the speed to the power {power:.2f}" in said


def test_powers_beyond_any_drag_are_not_named():
    assert np.isnan(single_power(3.9, START_S, STOP_S)) and np.isnan(single_power(float("nan"), START_S, STOP_S))


def test_half_way_between_two_kinds_both_readings_are_named():
    test = ratio_test(table(lambda n: DragLaw(0.8 * n, 0.06 * n), [1, 2, 3]), "n", START_S, STOP_S)
    assert set(test.laws["verdict"]) == {"speak against"}
    assert "between the kinds ∝ speed and constant. A mixture can have this ratio" in test.sentence
    assert "and so can drag of one kind" in test.sentence


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
        for k in range(size(240, 600))
    ]
    assert 0.02 < np.mean(np.array(p_same) < 0.05) < 0.08  # 240 of 0.05: 2.1 standard errors on either side
    mixed = [
        ratio_test(table(lambda n: DragLaw(0.0625, 0.1 * n), [1, 2, 4, 8], seed=k), "n", START_S, STOP_S).p_same
        for k in range(50)
    ]
    assert np.mean(np.array(mixed) < 0.05) > 0.95


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


DISC = APPARATUS["coasting_disc"]


@pytest.fixture(scope="module")
def lesson():
    runs = session(DISC, seed=4, gate=Gate(bounces=0, misses=0))
    return runs, measure(runs, 0.25, 1.0), joint_fit(runs, "magnets")


def passes(law: DragLaw, start: float, count: int, jitter_s: float = 0.0, seed: int = 0):
    angles = TURN * np.arange(count)
    times = law.time_at_angle(angles, start) + jitter_s * np.random.default_rng(seed).standard_normal(count)
    return times, angles


def test_both_routes_are_those_of_the_trend_and_of_the_joint_fit(lesson):
    _, results, joint = lesson
    table = routes(results, joint, 0.25, 1.0)
    assert list(table["quantity"]) == ["duration_s", "duration_s", "turns", "turns", ""]
    assert list(table["route"]) == ["trend", "drag fits", "trend", "drag fits", "one kind alone"]
    assert (table["low"] < table["value"]).all() and (table["value"] < table["high"]).all()
    by_fits = table[table["route"] == "drag fits"]
    assert by_fits["value"].tolist() == [joint.trend_x0(0.25, 1.0)[q].value for q in ("duration_s", "turns")]
    assert table.iloc[-1]["value"] == joint.n0().value
    # scenarios.md's design values for n ≥ 1, and the spindle's share of drag ∝ speed: 1e-5/3e-5
    for value, low, high in zip((0.557, 0.557, 0.525, 0.525, 1 / 3), table["low"], table["high"], strict=True):
        assert low - 0.03 < value < high + 0.03


def test_a_condition_without_anything_added_does_not_enter_the_trend(lesson):
    _, results, joint = lesson
    none = results.iloc[:3].assign(magnets=0.0, duration_s=107.7, turns=246.9)
    with_none = pd.concat([results, none], ignore_index=True)
    pd.testing.assert_frame_equal(routes(with_none, joint, 0.25, 1.0), routes(results, joint, 0.25, 1.0))
    assert at_nothing_added(with_none, joint, 0.25, 1.0)["measured"] == pytest.approx(107.7)


def test_what_is_expected_with_nothing_added(lesson):
    _, results, joint = lesson
    nothing = at_nothing_added(results, joint, 0.25, 1.0)
    assert nothing["law"] == pytest.approx(107.7, rel=0.05)  # the design value of the bench
    assert nothing["trend"] == pytest.approx(59.1 / 0.557, rel=0.15)
    assert np.isnan(nothing["measured"])


def test_a_missing_column_is_named(lesson):
    _, results, joint = lesson
    with pytest.raises(KitError, match="no such column"):
        routes(results.drop(columns="turns"), joint, 0.25, 1.0)


def test_turn_speeds_are_those_of_whole_turns():
    """Constant drag: the mean speed of a turn is the speed at its middle in time."""
    law = DragLaw(a=0.5)
    times, angles = passes(law, 20.0, 40)
    middle, speed = turn_speeds(times, angles)
    np.testing.assert_allclose(speed * TURN, law.speed_at(middle, 20.0), rtol=1e-12)


def test_two_flags_at_uneven_angles_put_no_ripple_on_the_speed():
    law = DragLaw(b=0.1)
    angles = np.sort(np.r_[TURN * np.arange(30), TURN * (np.arange(30) + 0.3)])
    times = law.time_at_angle(angles, 25.0)
    _, speed = turn_speeds(times, TURN * np.arange(60) / 2, flags_per_turn=2)
    assert (np.diff(speed) < 0).all()


def test_collapsed_shares_start_at_one_and_end_where_the_run_ends():
    collapsed = pd.DataFrame(
        {
            "n": [1.0, 1.0, 2.0, 2.0],
            "trial": [1, 1, 1, 1],
            "source": ["a", "a", "b", "b"],
            "time_share": [0.2, 0.8, 0.4, 0.6],
            "speed_share": [0.85, 0.4, 0.7, 0.55],
        }
    )
    table = collapsed_at(collapsed, "n", [0.1, 0.5, 0.7])
    np.testing.assert_allclose(table.loc[1.0], [0.925, 0.625, 0.475])
    np.testing.assert_allclose(table.loc[2.0], [0.925, 0.625, np.nan])


def test_a_run_with_few_turns_is_not_placed_above_its_own_curve():
    """r^share, r = 1/4, sampled at five turns: straight pieces between them would be off by up to 1 %."""
    share = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    run = pd.DataFrame({"n": 1.0, "trial": 1, "source": "a", "time_share": share, "speed_share": 0.25**share})
    at = np.array([0.2, 0.4, 0.6, 0.8])
    np.testing.assert_allclose(collapsed_at(run, "n", at).loc[1.0], 0.25**at, atol=0.002)


def test_conditions_of_one_kind_of_drag_collapse():
    law = {1.0: DragLaw(b=0.05), 4.0: DragLaw(b=0.2)}
    # released with the same flag position; fast enough that the first coasting turns are above the threshold
    runs = [Run(passes(drag, 30.0, int(0.9 * drag.angle_to_rest(30.0) / TURN))[0], {"n": n}) for n, drag in law.items()]
    table = collapsed_at(collapse(runs, 0.3, 1.0), "n", [0.3, 0.5, 0.7])
    np.testing.assert_allclose(table.loc[1.0], table.loc[4.0], atol=0.004)


def test_the_way_to_rest_follows_the_law_and_brackets_it():
    law = DragLaw(a=0.3, b=0.02)
    times, angles = passes(law, 25.0, 60, jitter_s=2e-4)
    fit = fit_drag(times, angles, "constant + ∝ speed")
    after = beyond_last_pass(fit)
    assert after["time_s"].iloc[0] == times[-1]
    truth = law.speed_at(after["time_s"], 25.0) / TURN
    assert np.abs(after["speed"] - truth).max() < 0.01
    assert (after["low"] <= after["speed"] + 1e-12).all() and (after["speed"] <= after["high"] + 1e-12).all()
    rest = fit.time_to_rest()
    assert after["time_s"].iloc[-1] == pytest.approx(
        times[-1] + rest.time_s + t_factor(fit.dof) * rest.time_u_s, rel=1e-6
    )
    assert after["speed"].iloc[-1] == 0


def test_a_law_that_never_rests_is_followed_to_a_crawl():
    times, angles = passes(DragLaw(b=0.1), 25.0, 35, jitter_s=2e-4)
    after = beyond_last_pass(fit_drag(times, angles, "∝ speed"))
    assert after["speed"].iloc[-1] == pytest.approx(0.03 * after["speed"].iloc[0], rel=1e-6)


@pytest.mark.slow
def test_the_band_holds_the_way_to_rest_as_often_as_it_says():
    """At half the remaining time the band holds the speed of the true law in about 95 % of runs."""
    law, inside = DragLaw(a=0.3, b=0.02), []
    for seed in range(100):
        fit = fit_drag(*passes(law, 25.0, 60, jitter_s=5e-4, seed=seed), "constant + ∝ speed")
        row = beyond_last_pass(fit, points=3, seed=seed).iloc[1]
        inside.append(row["low"] <= float(law.speed_at(row["time_s"], 25.0)) / TURN <= row["high"])
    assert 0.88 <= np.mean(inside) <= 0.99


def test_speeds_are_reached_when_the_law_says_so():
    law = DragLaw(a=0.1, b=0.05)
    runs = [Run(passes(law, start, 60)[0]) for start in (5 * TURN, 4 * TURN)]
    speeds = np.array([3.5, 2.5, 1.5, 0.001])
    reached = times_reached(speed_curves(runs), speeds)
    assert reached[:3] == pytest.approx([float(law.duration(3.5 * TURN, s * TURN)) for s in speeds[:3]], abs=1e-3)
    assert reached[0] == 0
    assert np.isnan(reached[3])  # slower than any pass


def test_without_a_run_no_speed_is_reached():
    assert np.isnan(times_reached([], [3.0, 2.0])).all()
