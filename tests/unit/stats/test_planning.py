"""Plans: the promised width against simulated lessons, the choice of conditions, the order, the sheet."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from kit.errors import KitError
from kit.stats.averages import t_factor
from kit.stats.planning import (
    LAUNCH_S,
    Pilot,
    best_conditions,
    detectable_difference,
    half_width,
    run_order,
    trials_for,
    width_against_minutes,
)
from kit.stats.trend import fit_trend

MAGNETS = np.array([1, 2, 3, 4, 6, 8], dtype=float)
TRUE = {"A": 59.1, "x0": 0.557}  # the demo's shifted inverse
PILOT = Pilot("shifted inverse", TRUE, 0.02, 10, tuple(np.repeat(MAGNETS, 2)))


def lesson(rng, x, scatter=0.02):
    return PILOT.value(x) * np.exp(scatter * rng.standard_normal(len(x)))


def refit(x, y):
    """An independent fit of ln T = ln A − ln(x + x0): x0, half its 95 % interval, the scatter."""

    def residual(theta):
        return theta[0] - np.log(x + theta[1]) - np.log(y)

    def slope(theta):
        return np.stack([np.ones(x.size), -1 / (x + theta[1])], axis=1)

    fit = least_squares(residual, [np.log(59), 0.5], slope, method="lm")
    variance = 2 * fit.cost / (x.size - 2)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac) * variance
    return fit.x[1], t_factor(x.size - 2) * np.sqrt(covariance[1, 1]), np.sqrt(variance)


class TestHalfWidth:
    def test_agrees_with_a_fit_of_data_without_scatter(self):
        # tiny scatter: the curve is as good as straight there, so the fit's own interval must be the promised one
        x = np.repeat(MAGNETS, 3)
        y = lesson(np.random.default_rng(1), x, scatter=1e-5)
        trend = fit_trend(x, y, "shifted inverse")
        fitted = trend.parameters["x0"]
        assert half_width(Pilot.of(trend), x, "x0") == pytest.approx((fitted.high - fitted.low) / 2, rel=1e-3)

    @pytest.mark.parametrize("errors", ["relative", "absolute"])
    @pytest.mark.parametrize(("model", "parameter"), [("straight line", "B"), ("power law", "p")])
    def test_other_models_and_scales(self, model, parameter, errors):
        x = np.repeat(MAGNETS, 3)
        rng = np.random.default_rng(2)
        y = {"straight line": 5 + 2 * x, "power law": 38 * x**-0.8}[model]
        noise = 1e-5 * rng.standard_normal(x.size)
        trend = fit_trend(x, y * np.exp(noise) if errors == "relative" else y + noise, model, errors=errors)
        fitted = trend.parameters[parameter]
        assert half_width(Pilot.of(trend), x, parameter) == pytest.approx((fitted.high - fitted.low) / 2, rel=1e-3)

    def test_shrinks_with_the_root_of_the_trials(self):
        few, many = (half_width(PILOT, np.repeat(MAGNETS, n), "x0") for n in (50, 200))
        assert few / many == pytest.approx(2, rel=0.01)

    def test_what_cannot_be_fixed_is_infinite(self):
        assert half_width(PILOT, [3, 3, 3], "x0") == np.inf
        assert half_width(PILOT, [3, 4], "x0") == np.inf

    @pytest.mark.slow
    def test_the_promise_is_kept_in_500_lessons(self):
        # each lesson: a pilot of 12 runs, a plan for 15 more minutes made from its own fit, the runs, the final fit
        rng = np.random.default_rng(40)
        promised, found, inside, covered, careless = [], [], [], [], []
        for _ in range(500):
            first = np.repeat(MAGNETS, 2)
            y_first = lesson(rng, first)
            x0, _, scatter = refit(first, y_first)
            height = np.exp(np.mean(np.log(y_first * (first + x0))))
            pilot = Pilot("shifted inverse", {"A": height, "x0": x0}, scatter, first.size - 2, tuple(first))
            plan = width_against_minutes(pilot, MAGNETS, "x0", 15)
            more = plan["x"].to_numpy()
            x = np.r_[first, more]
            estimate, width, _ = refit(x, np.r_[y_first, lesson(rng, more)])
            last = plan.iloc[-1]
            promised.append(last["half_width"])
            found.append(width)
            inside.append(last["low"] <= width <= last["high"])
            covered.append(abs(estimate - TRUE["x0"]) <= width)
            careless.append(abs(estimate - TRUE["x0"]) <= width / 2)
        assert np.mean(found) == pytest.approx(np.mean(promised), rel=0.05)
        assert np.mean(inside) > 0.95  # the scatter's own uncertainty is in low and high
        assert 0.93 <= np.mean(covered) <= 0.975
        assert np.mean(careless) < 0.8  # negative control: half the width covers far less


class TestBestConditions:
    def test_the_ends_are_best_for_a_slope(self):
        pilot = Pilot("straight line", {"A": 1.0, "B": 2.0}, 0.1, 0, errors="absolute")
        assert Counter(best_conditions(pilot, range(11), 6, "B")) == {0: 3, 10: 3}

    def test_an_offset_wants_the_condition_where_it_counts(self):
        assert Counter(best_conditions(PILOT, MAGNETS, 8, "x0")).most_common(1)[0][0] == 1

    def test_better_than_any_other_single_trial(self):
        (x,) = best_conditions(PILOT, MAGNETS, 1, "x0")
        widths = {c: half_width(PILOT, [*PILOT.x, c], "x0") for c in MAGNETS}
        assert min(widths, key=widths.get) == x

    def test_time_moves_trials_to_short_runs(self):
        free = best_conditions(PILOT, MAGNETS, 20, "x0")
        timed = best_conditions(PILOT, MAGNETS, 20, "x0", seconds=PILOT.value)
        assert sum(PILOT.value(timed)) < sum(PILOT.value(free))

    def test_nothing_measured_yet(self):
        guess = Pilot("shifted inverse", TRUE, 0.02, 0)
        plan = best_conditions(guess, MAGNETS, 5, "x0")
        assert len(plan) == 5
        assert np.isfinite(half_width(guess, plan, "x0"))

    @given(st.integers(1, 12), st.floats(0.1, 3))
    @settings(max_examples=20, deadline=None)
    def test_never_worse_than_an_even_plan(self, k, x0):
        pilot = Pilot("shifted inverse", {"A": 50.0, "x0": x0}, 0.02, 10, tuple(MAGNETS))
        best = best_conditions(pilot, MAGNETS, k, "x0")
        even = np.tile(MAGNETS, 3)[:k]
        assert half_width(pilot, [*pilot.x, *best], "x0") <= half_width(pilot, [*pilot.x, *even], "x0") * (1 + 1e-9)


class TestMinutes:
    def test_the_table_keeps_to_the_time(self):
        table = width_against_minutes(PILOT, MAGNETS, "x0", 20, reset_s=45)
        assert table["minutes"].iloc[-1] <= 20
        steps = np.diff(table["minutes"], prepend=0) * 60
        assert steps == pytest.approx(PILOT.value(table["x"]) + 45 + LAUNCH_S)
        assert (np.diff(table["half_width"]) < 0).all()
        assert (table["low"] < table["half_width"]).all()
        assert (table["half_width"] < table["high"]).all()
        assert table["half_width"].iloc[-1] < table.attrs["even"]["half_width"].iloc[-1]
        assert table.attrs["now"] == half_width(PILOT, PILOT.x, "x0")

    def test_a_guessed_scatter_has_no_range(self):
        table = width_against_minutes(Pilot("shifted inverse", TRUE, 0.02, 0), MAGNETS, "x0", 20)
        assert table["low"].isna().all()

    def test_other_quantities_bring_their_own_durations(self):
        turns = Pilot("shifted inverse", {"A": 129.0, "x0": 0.525}, 0.02, 10, tuple(np.repeat(MAGNETS, 2)))
        slow = width_against_minutes(turns, MAGNETS, "x0", 20, run_s=lambda x: 100 + 0 * x)
        assert len(slow) == int(20 * 60 / (100 + 60 + LAUNCH_S))


class TestDifference:
    def test_more_trials_see_less(self):
        assert detectable_difference(0.02, 3, 3) < detectable_difference(0.02, 3, 1)
        assert detectable_difference(0.02, 1, 1) == np.inf

    @pytest.mark.slow
    def test_power_is_what_it_says(self):
        rng = np.random.default_rng(41)
        trials, n = 5, 4000
        difference = detectable_difference(1.0, trials)
        a, b = rng.standard_normal((2, n, trials))
        pooled = np.sqrt((a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / 2 * 2 / trials)
        found = np.abs(b.mean(axis=1) + difference - a.mean(axis=1)) / pooled > t_factor(2 * trials - 2)
        assert np.mean(found) == pytest.approx(0.8, abs=0.04)

    def test_how_many_trials(self):
        n = trials_for(0.065, 0.02)
        assert detectable_difference(0.02, n) <= 0.065
        assert n == 4  # a single condition can't do with three
        assert trials_for(0.0001, 0.02) is None


class TestOrder:
    @given(st.lists(st.sampled_from([0, 1, 2, 4, 8]), min_size=1, max_size=25), st.integers(0, 9))
    @settings(max_examples=50, deadline=None)
    def test_every_run_once_and_every_block_mixed(self, plan, seed):
        order = run_order(plan, seed=seed)
        assert sorted(order["x"]) == sorted(plan)
        assert order["order"].tolist() == list(range(1, len(plan) + 1))
        assert not order.duplicated(["block", "x"]).any()
        assert not order.duplicated(["x", "trial"]).any()
        assert order["block"].is_monotonic_increasing

    def test_reference_at_start_middle_and_end(self):
        order = run_order([1, 2, 4, 8] * 3, reference=2, seed=1)
        assert order.index[order["role"] == "reference"].tolist() == [0, 7, 14]
        assert sorted(order["trial"][order["x"] == 2]) == [1, 2, 3, 4, 5, 6]

    def test_repeatable_and_different(self):
        plan = [1, 2, 3, 4, 6, 8]
        assert run_order(plan, seed=1).equals(run_order(plan[::-1], seed=1))
        assert len({tuple(run_order(plan, seed=s)["x"]) for s in range(20)}) > 15

    @pytest.mark.slow
    def test_the_order_takes_a_drift_out_of_the_comparison(self):
        # the same drift, measured in order of the conditions and in drawn order: bias of the slope over many draws
        plan, drift = np.repeat([1.0, 2, 4, 8], 3), 0.03 * np.linspace(0, 1, 12)
        sorted_bias = np.polyfit(plan, drift, 1)[0]
        drawn = [np.polyfit(run_order(plan, seed=s)["x"], drift, 1)[0] for s in range(1000)]
        assert abs(np.mean(drawn)) < 0.05 * abs(sorted_bias)

    def test_nothing_to_order(self):
        with pytest.raises(KitError, match="no run to put into order"):
            run_order([])


class TestRefusals:
    @pytest.mark.parametrize(
        ("make", "message"),
        [
            (lambda: Pilot("shifted inverse", {"A": 1.0}, 0.02, 0), "other parameters"),
            (lambda: Pilot("shifted inverse", TRUE, 0.0, 0), "above zero"),
            (lambda: Pilot("shifted inverse", TRUE, 0.1, 0, errors="given"), "relative or absolute"),
            (lambda: half_width(PILOT, MAGNETS, "p"), "no such parameter.*x0"),
            (lambda: best_conditions(PILOT, MAGNETS, 0, "x0"), "at least one trial"),
            (lambda: best_conditions(PILOT, MAGNETS, 2, "x0", seconds=lambda x: 0 * x), "takes time"),
            (lambda: best_conditions(Pilot("shifted inverse", TRUE, 0.1, 0), [3], 2, "x0"), "needs as many conditions"),
            (lambda: best_conditions(Pilot("power law", {"A": 1.0, "p": -1.0}, 0.1, 0), [0, 1], 2, "p"), "no value"),
            (lambda: width_against_minutes(PILOT, MAGNETS, "x0", 0), "needs time"),
            (lambda: trials_for(0, 0.02), "above zero"),
        ],
    )
    def test_plans_that_make_no_sense(self, make, message):
        with pytest.raises(KitError, match=message):
            make()
