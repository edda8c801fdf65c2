"""Counting between two turn periods: both rules, every status, and how far their uncertainties can be trusted."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import truncnorm

from kit.errors import KitError
from kit.logs.run import Run, with_repairs
from kit.motion import rules
from kit.motion.drag import DragLaw
from kit.motion.drag_fit import fit_drag
from kit.motion.miscounts import Miscount, find_miscounts, recounted
from kit.motion.speed import speed_curve, speed_curves
from kit.motion.threshold import common_start, common_stop, measure, turn_periods
from kit.sources.bench import APPARATUS, Gate, simulate_run, true_stretch
from kit.sources.demo_data import session
from tests.sweeps import size

DISC = APPARATUS["coasting_disc"]
RULES = ("interpolated", "whole turns", "law")


def disc_run(count=3, push=5.0, seed=1, gate=None, **options):
    return with_repairs(simulate_run(DISC.law(count), push, np.random.RandomState(seed), gate or Gate(), **options))


@pytest.fixture(scope="module")
def lesson_curves():
    return speed_curves([with_repairs(run) for run in session(DISC, seed=8)])


@pytest.mark.parametrize("count", [1, 3, 8])
def test_a_perfect_gate_gives_the_exact_stretch(count):
    found = measure([disc_run(count, gate=Gate.perfect())], 0.25, 1.0).iloc[0]
    duration_s, turns = true_stretch(DISC.law(count), 0.25, 1.0)
    assert found["duration_s"] == pytest.approx(duration_s, abs=2e-3)
    assert found["turns"] == pytest.approx(turns, abs=3e-3)


def test_whole_turns_are_what_one_reads_from_a_log():
    # turn periods 0.20, 0.24, 0.28, ... by hand: the first of at least 0.30 s closes at pass 4, of 0.60 s at pass 11
    periods = 0.20 + 0.04 * np.arange(16)
    run = Run(np.r_[0.0, np.cumsum(periods)])
    found = measure([run], 0.30, 0.60, rule="whole turns").iloc[0]
    assert found["turns"] == 7
    assert found["duration_s"] == pytest.approx(periods[4:11].sum())
    assert found["start_s"] == pytest.approx(periods[:4].sum())


def test_row_order_and_columns_follow_the_contract(lesson_curves):
    table = measure(lesson_curves, 0.25, 1.0)
    assert list(table.columns) == [
        "magnets",
        "trial",
        "duration_s",
        "duration_u_s",
        "turns",
        "turns_u",
        "start_s",
        "stop_s",
        "status",
        "set_aside",
        "source",
        "origin",
        "more_than_s",
        "note",
        "doubt",
        "outcome",
    ]
    assert list(table["source"]) == [curve.run.source for curve in lesson_curves]
    assert (table["status"] == "counted").all()


class TestStatus:
    @pytest.mark.parametrize("rule", RULES)
    def test_already_slower(self, rule):
        found = measure([disc_run(push=3.5)], 0.25, 1.0, rule).iloc[0]
        assert found["status"] == "already slower than the threshold"
        assert np.isnan(found["duration_s"])

    @pytest.mark.parametrize("rule", RULES)
    def test_a_log_that_ended_early_says_more_than(self, rule):
        run = disc_run(count=1, slowest_period_s=0.6)
        found = measure([run], 0.25, 1.0, rule).iloc[0]
        assert found["status"] == "never slow enough"
        assert np.isnan(found["duration_s"])
        assert 15 < found["more_than_s"] < true_stretch(DISC.law(1), 0.25, 0.7)[0]

    @pytest.mark.parametrize("rule", RULES)
    def test_too_few_passes(self, rule):
        found = measure([Run([0.0, 0.3, 0.7])], 0.25, 1.0, rule).iloc[0]
        assert found["status"] in ("too few passes", "already slower than the threshold")
        assert measure([Run([0.0, 0.3])], 0.25, 1.0, rule).iloc[0]["status"] == "too few passes"

    @pytest.mark.parametrize("rule", RULES)
    def test_last_pass_is_said_not_to_be_rest(self, rule):
        found = measure([disc_run()], 0.25, None, rule).iloc[0]
        assert found["status"] == "counted"
        assert "up to one turn before rest is missing" in found["note"]

    def test_too_many_flags_assumed_shows_as_a_speed_no_hand_gives(self):
        run = disc_run(gate=Gate.perfect())
        as_if = Run(run.pass_times_s / 6)
        assert "check the number of flags" in measure([as_if], 0.25 / 6, 1.0 / 6).iloc[0]["note"]

    def test_set_aside_stays_with_its_reason(self):
        run = Run(disc_run().pass_times_s, set_aside="the flag touched the gate")
        found = measure([run], 0.25, 1.0).iloc[0]
        assert found["set_aside"] == "the flag touched the gate"
        assert found["status"] == "counted"


class TestBadThresholds:
    @pytest.mark.parametrize("bad", [0, -1.0, float("nan"), float("inf"), "0.3", True])
    def test_start(self, bad):
        with pytest.raises(KitError, match="above zero"):
            measure([disc_run()], bad, 1.0)

    def test_stop_faster_than_start(self):
        with pytest.raises(KitError, match="slower than the start"):
            measure([disc_run()], 0.5, 0.25)

    def test_unknown_rule_and_no_runs(self):
        with pytest.raises(KitError, match="not known"):
            measure([disc_run()], 0.25, 1.0, rule="by eye")
        with pytest.raises(KitError, match="no runs"):
            measure([], 0.25, 1.0)


class TestCommonThreshold:
    def test_every_run_reaches_it_and_none_a_faster_one(self, lesson_curves):
        shared = common_start(lesson_curves)
        assert (measure(lesson_curves, shared, 1.0)["status"] == "counted").all()
        faster = measure(lesson_curves, shared - 0.002, 1.0)["status"]
        assert (faster == "already slower than the threshold").sum() == 1

    def test_common_stop(self, lesson_curves):
        stop = common_stop(lesson_curves)
        assert (measure(lesson_curves, 0.25, stop)["status"] == "counted").all()
        assert (measure(lesson_curves, 0.25, stop + 0.002)["status"] == "never slow enough").sum() == 1

    def test_runs_set_aside_have_no_say(self, lesson_curves):
        slow = Run(disc_run(push=2.5).pass_times_s, set_aside="pushed too gently")
        assert common_start([*lesson_curves, slow]) == common_start(lesson_curves)

    def test_nothing_to_share(self):
        with pytest.raises(KitError, match="enough passes"):
            common_start([Run([0.0, 1.0])])


class TestLaw:
    def test_a_wrong_count_is_put_right_and_said(self):
        clean = disc_run(count=3, gate=Gate(jitter_s=1e-4, bounces=0, misses=0))
        middle = len(clean.pass_times_s) // 2
        holed = Run(np.delete(clean.pass_times_s, [middle]))  # no repair is looked for: the count is one short
        found = measure([holed], 0.25, 1.0, "law").iloc[0]
        assert "1 more pass went by unseen" in found["note"]
        assert found["turns"] == pytest.approx(true_stretch(DISC.law(3), 0.25, 1.0)[1], abs=5e-3)

    def test_a_run_that_obeys_no_such_law_is_told(self):
        # drag ∝ √speed lies outside a + bω + cω², but a curve without a law follows it
        speed = np.linspace(5.0, 0.6, 400)
        time = np.concatenate([[0.0], np.cumsum(-np.diff(speed) / np.sqrt((speed[1:] + speed[:-1]) / 2) * 12)])
        step = time > 12  # from here on a brake rubs as well: a kink
        time[step] = 12 + (time[step] - 12) * 0.6
        angle = np.concatenate([[0.0], np.cumsum(np.diff(time) * (speed[1:] + speed[:-1]) / 2)])
        run = Run(np.interp(np.arange(0, int(angle[-1])), angle, time))
        assert "The law does not hold" in measure([run], 0.25, 1.0, "law").iloc[0]["note"]

    def test_the_fit_is_made_once_and_kept_with_the_curve(self, lesson_curves, monkeypatch):
        fitted, fit = [], rules.fit_drag
        monkeypatch.setattr(rules, "fit_drag", lambda *args: fitted.append(args) or fit(*args))
        curves = speed_curves([curve.run for curve in lesson_curves[:2]])
        first = measure(curves, 0.25, 1.0, "law")
        assert len(fitted) == 2
        assert first.equals(measure(curves, 0.25, 1.0, "law")) and len(fitted) == 2
        assert len(measure(curves, 0.3, 0.9, "law")) == len(fitted) == 2
        measure(speed_curves([curves[0].run]), 0.25, 1.0, "law")  # another curve of the same run: fitted anew
        assert len(fitted) == 3


@pytest.mark.parametrize("mean", [-0.5, -2.0, -25.0])
def test_what_is_known_of_a_value_that_is_not_negative(mean):
    """Mean square of a normal value cut at 0, against `scipy.stats.truncnorm`."""
    found = rules._squares_above_zero(np.array([2 * mean]), np.array([[4.0]]))
    assert found[0, 0] == pytest.approx(truncnorm(-mean, np.inf, 2 * mean, 2.0).moment(2), rel=1e-6)
    assert found[0, 0] < 4.0  # less than without the bound


@pytest.mark.parametrize(("mean", "correlation"), [((-1.0, -0.5), 0.8), ((-0.7, 0.3), -0.9), ((-3.0, 2.9), -0.98)])
def test_what_is_known_of_two_values_that_are_not_negative(mean, correlation):
    """The same of two at once, against sums of the density on a fine grid."""
    covariance = np.array([[1.0, 2 * correlation], [2 * correlation, 4.0]])
    t = (np.arange(800) + 0.5) / 800
    x = np.stack(np.meshgrid(6 * t**3, 14 * t**3, indexing="ij"))  # finer near 0
    off = x - np.reshape(mean, (2, 1, 1))
    density = np.exp(-np.einsum("iab,ij,jab->ab", off, np.linalg.inv(covariance), off) / 2) * np.outer(t**2, t**2)
    expected = np.einsum("ab,iab,jab->ij", density, x, x) / density.sum()
    np.testing.assert_allclose(rules._squares_above_zero(np.array(mean), covariance), expected, rtol=2e-3)


def test_counting_by_eye_holds_in_a_long_run_too():
    """A gate's jitter is many turns' growth of the period there: the first slow turn comes early by tens of turns."""
    law, inside = DragLaw(b=3 / 3000), []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        exact = law.time_at_angle(TURN * (np.arange(4000) + rng.uniform()), 1.1 * TURN / 0.25)
        found = measure([Run(exact + rng.normal(0, 1e-3, 4000))], 0.25, 1.0, "whole turns").iloc[0]
        inside.append(abs(found["turns"] - law.angle(TURN / 0.25, TURN) / TURN) / found["turns_u"])
    assert sum(off <= 2 for off in inside) >= 10  # of 12 at 95 %: fewer once in 50
    assert max(inside) > 0.5  # negative control: not by saying nothing


def test_a_pass_missed_in_the_last_gap_does_not_bend_the_run():
    clean = disc_run(count=6, gate=Gate(jitter_s=1e-4, bounces=0, misses=0))
    holed = Run(np.delete(clean.pass_times_s, [-2]))  # the last gap holds two turns, and nothing after it tells
    before, after = (measure([run], 0.25, 1.0).iloc[0] for run in (clean, holed))
    assert after["status"] == "counted"
    assert after["duration_s"] == pytest.approx(before["duration_s"], abs=0.02)


def test_turn_periods_over_a_missed_pass():
    periods = turn_periods([0.0, 1.0, 3.0, 4.5], [0, 1, 3, 4])
    assert np.isnan(periods[0])
    assert periods[1:].tolist() == [1.0, 1.0, 1.5]


# Goals for the median error of duration (s) and turns at 7, 40 and 200 turns between 4 and 1 turns a second, with
# 0.1 ms jitter, 1 % bounces and 1 % misses
MEDIAN_ERRORS = {7: (12e-3, 0.010), 40: (4e-3, 0.012), 200: (12e-3, 0.10)}
# the same where the law is known: close to the best possible
MEDIAN_ERRORS_BY_LAW = {7: (1e-3, 0.002), 40: (0.15e-3, 0.0006), 200: (0.1e-3, 0.0006)}


@pytest.mark.slow
@pytest.mark.parametrize("turns", MEDIAN_ERRORS)
def test_accuracy_and_coverage_of_many_runs(turns):
    many = size(200, 1000)  # of 0.95 coverage: 0.90 is 3.2 standard errors below, 0.99 2.6 above
    law = DragLaw(b=3 / turns)
    duration_s = true_stretch(law, 0.25, 1.0)[0]
    random = np.random.RandomState(turns)
    gate = Gate(jitter_s=1e-4, bounces=0.01, misses=0.01)
    runs = [simulate_run(law, random.uniform(4.3, 6.0), random, gate, slowest_period_s=8) for _ in range(many)]
    curves = speed_curves([with_repairs(run) for run in runs])
    coverage = {"interpolated": (0.90, 0.99), "whole turns": (0.95, 1.0), "law": (0.90, 0.99)}
    if turns < 10:  # a dozen passes can't rule out errors that last, to which a law is stiff: u allows for them
        coverage["law"] = (0.90, 1.0)
    for rule, covers in coverage.items():
        found = measure(curves if rule != "law" else curves[: min(many, 400)], 0.25, 1.0, rule)
        found = found[found["status"] == "counted"]
        time_error = np.abs(found["duration_s"] - duration_s)
        turn_error = np.abs(found["turns"] - turns)
        assert len(found) > 0.85 * (min(many, 400) if rule == "law" else many)
        assert covers[0] <= (time_error <= 2 * found["duration_u_s"]).mean() <= covers[1]
        assert covers[0] <= (turn_error <= 2 * found["turns_u"]).mean() <= covers[1]
        if rule == "interpolated":
            assert time_error.median() <= MEDIAN_ERRORS[turns][0]
            assert turn_error.median() <= MEDIAN_ERRORS[turns][1]
            # the negative control: half as much is not enough
            assert (time_error <= found["duration_u_s"]).mean() < 0.85
        if rule == "law":
            assert time_error.median() <= MEDIAN_ERRORS_BY_LAW[turns][0]
            assert turn_error.median() <= MEDIAN_ERRORS_BY_LAW[turns][1]


def test_passes_that_no_curve_can_join_leave_a_run_uncounted():
    """Found by fuzzing: one time with its decimal sign lost lies days after the others."""
    times = [0.0, 0.302, 0.608, 0.918, 1.232, 1.55, 1.872, 2.198, 235_280.0]
    assert not speed_curve(Run(times)).usable
    found = measure([Run(times), disc_run()], 0.25, 1.0)
    assert found["status"].tolist() == ["no smooth curve fits the passes", "counted"]


TURN = 2 * np.pi
MISCOUNT_LAW = DragLaw(0.0625, 0.1)


def passes(law=MISCOUNT_LAW, flags=1, offsets=None, seed=0, jitter_s=2e-4):
    count = int(law.angle(5 * TURN, 0.2 * TURN) / TURN * flags)
    angles = TURN * np.arange(count) / flags
    ahead = 0.0 if offsets is None else np.resize(offsets, count)
    times = law.time_at_angle(angles + 0.5 - ahead, 5 * TURN)
    return times + jitter_s * np.random.default_rng(seed).standard_normal(count), angles


def unseen(times, flags, where, how_many):
    """The times without some passes, and angles that count on as if nothing had been missed."""
    times = np.delete(times, slice(where, where + how_many))
    return times, TURN * np.arange(len(times)) / flags


@pytest.mark.slow
@given(where=st.integers(2, 40), how_many=st.integers(1, 3), seed=st.integers(0, 50))
@settings(max_examples=30, deadline=None)
def test_misses_are_found_in_any_gap(where, how_many, seed):
    times, angles = unseen(passes(seed=seed)[0], 1, where, how_many)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (where, how_many)
    assert found.time_s == times[where]
    assert fit_drag(times, recounted(angles, [found])).timing_sd_s < 4e-4


def test_a_miss_in_the_very_last_gap_is_found():
    times, _ = passes()
    times, angles = unseen(times, 1, len(times) - 2, 1)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (len(times) - 1, 1)


@pytest.mark.parametrize("where", [3, 20, 35])
def test_a_pass_inferred_too_many_is_found(where):
    times, angles = passes()
    times, angles = np.delete(times, where), np.delete(angles, where) + TURN * (np.arange(len(times) - 1) >= where)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (where, -1)
    assert "1 pass was counted too many" in found.reason


def test_two_wrong_counts_are_both_found():
    times, _ = passes()
    times, angles = unseen(np.delete(times, 30), 1, 10, 2)
    assert [(m.index, m.passes) for m in find_miscounts(times, angles)] == [(10, 2), (28, 1)]


def test_uneven_flags_do_not_hide_a_wrong_count():
    times, angles = passes(flags=3, offsets=[0.06, -0.02, -0.04])
    assert find_miscounts(times, angles, 3) == ()
    times, angles = unseen(times, 3, 40, 1)
    assert [(m.index, m.passes) for m in find_miscounts(times, angles, 3)] == [(40, 1)]


@pytest.mark.parametrize("law", [MISCOUNT_LAW, DragLaw(2.0, 0.01), DragLaw(0.06, 0.008, 0.005), DragLaw(0.06, 0.3)])
def test_nothing_is_found_where_the_count_holds(law):
    """Negative control, over the kinds of drag and 20 runs each."""
    for seed in range(20):
        assert find_miscounts(*passes(law, seed=seed)) == ()


def test_nothing_is_claimed_from_a_handful_of_passes():
    times, angles = passes()
    assert find_miscounts(times[:7], angles[:7]) == ()


def test_recounting_leaves_the_angles_given_and_refuses_foreign_miscounts():
    angles = TURN * np.arange(10)
    kept = angles.copy()
    found = recounted(angles, [Miscount(4, 1.0, 2, "")])
    assert (angles == kept).all()
    assert found - angles == pytest.approx([0] * 4 + [2 * TURN] * 6)
    with pytest.raises(KitError, match="belongs to other passes"):
        recounted(angles, [Miscount(10, 1.0, 2, "")])
