"""Tables behind the pages on slowing down, against laws that are known."""

import numpy as np
import pandas as pd
import pytest

from kit.bench import APPARATUS, Gate, session
from kit.drag import DragLaw
from kit.drag_fit import TURN, fit_drag
from kit.errors import KitError
from kit.explain import collapse, joint_fit
from kit.passes import Run
from kit.slowdown import at_nothing_added, beyond_last_pass, collapsed_at, routes, times_reached, turn_speeds
from kit.speed import prepare
from kit.threshold import measure
from kit.trials import t_factor

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
    reached = times_reached(prepare(runs), speeds)
    assert reached[:3] == pytest.approx([float(law.duration(3.5 * TURN, s * TURN)) for s in speeds[:3]], abs=1e-3)
    assert reached[0] == 0
    assert np.isnan(reached[3])  # slower than any pass


def test_without_a_run_no_speed_is_reached():
    assert np.isnan(times_reached([], [3.0, 2.0])).all()
