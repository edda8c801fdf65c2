import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.stats.averages import (
    DECISIONS,
    Measured,
    average,
    band,
    compare,
    compare_methods,
    grubbs,
    pooled_scatter,
    summary,
    t_factor,
    t_prime,
    weighted_summary,
)

values_of = st.lists(st.floats(0.1, 1e6), min_size=2, max_size=12)


def table(**columns):
    return pd.DataFrame({"status": "counted", "set_aside": "", **columns})


def test_three_trials_by_hand():
    found = summary([9.8, 10.0, 10.2])
    assert found["sd"] == pytest.approx(0.2)
    assert found["u"] == pytest.approx(0.11547, abs=1e-5)
    assert found["t"] == pytest.approx(4.3027, abs=1e-4)
    assert found["high"] - found["mean"] == pytest.approx(0.4968, abs=1e-4)


def test_one_trial_has_no_spread():
    found = summary([3.0])
    assert found["mean"] == 3.0
    assert np.isnan([found["sd"], found["u"], found["low"]]).all()


@given(values_of)
def test_against_numpy(values):
    found = summary(values)
    assert found["mean"] == pytest.approx(np.mean(values), rel=1e-12)
    assert found["sd"] == pytest.approx(np.std(values, ddof=1), rel=1e-9, abs=1e-9)


@given(values_of, st.floats(0.01, 100), st.floats(-1e3, 1e3))
def test_a_change_of_unit_changes_the_numbers_alike(values, factor, shift):
    before, after = summary(values), summary(np.array(values) * factor + shift)
    assert after["mean"] == pytest.approx(before["mean"] * factor + shift, rel=1e-9, abs=1e-6)
    assert after["sd"] == pytest.approx(before["sd"] * factor, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("bad", [[], [1.0, float("nan")], [float("inf")]])
def test_only_finite_values(bad):
    with pytest.raises(KitError, match=r"no values|finite"):
        summary(bad)


@pytest.mark.slow
@pytest.mark.parametrize("n", [3, 5])
def test_interval_holds_the_mean_95_times_in_100_and_one_u_does_not(n):
    sets = np.random.default_rng(5).normal(10, 0.3, (4000, n))
    found = [summary(s) for s in sets]
    held = np.mean([f["low"] <= 10 <= f["high"] for f in found])
    within_u = np.mean([abs(f["mean"] - 10) <= f["u"] for f in found])
    assert 0.94 < held < 0.96
    assert within_u < 0.68  # the negative control: ± u of three trials covers 58 %


class TestAverage:
    def test_rows_that_do_not_count_are_counted_apart(self):
        results = table(magnets=[1, 1, 1, 1, 2, 2], duration_s=[30.0, 31.0, 32.0, np.nan, 10.0, 99.0])
        results.loc[3, "status"] = "never slow enough"
        results.loc[5, "set_aside"] = "flag touched the gate"
        found = average(results, "magnets").set_index("magnets")
        assert found.loc[1, ["n", "mean", "not_counted", "set_aside"]].tolist() == [3, 31.0, 1, 0]
        assert found.loc[2, ["n", "mean", "not_counted", "set_aside"]].tolist() == [1, 10.0, 0, 1]

    def test_pooled_relative_scatter_has_the_degrees_of_freedom_of_all_conditions(self):
        rng = np.random.default_rng(1)
        x = np.repeat(np.arange(1, 7), 3)
        results = table(magnets=x, duration_s=60 / x * np.exp(rng.normal(0, 0.02, x.size)))
        found = average(results, "magnets")
        assert found.attrs["pooled_dof"] == 12
        assert found["pooled_t"].iloc[0] == pytest.approx(2.179, abs=1e-3)
        assert found["pooled_u"].to_numpy() == pytest.approx(
            found.attrs["pooled_scatter"] * found["mean"].to_numpy() / np.sqrt(3)
        )

    def test_missing_column_and_nothing_counted(self):
        results = table(magnets=[1.0], duration_s=[2.0])
        with pytest.raises(KitError, match="no such column"):
            average(results, "pads")
        with pytest.raises(KitError, match="No trial counts"):
            average(results.assign(set_aside="bumped"), "magnets")

    def test_a_column_without_reasons_reads_as_nothing_set_aside(self):
        results = table(magnets=[1, 1], duration_s=[2.0, 3.0]).assign(set_aside=np.nan)
        assert average(results, "magnets")["n"].item() == 2


def test_pooled_scatter_needs_a_repeat():
    scatter, dof = pooled_scatter([1.0, 2.0], [1, 2])
    assert dof == 0
    assert np.isnan(scatter)


def test_relative_scatter_needs_positive_values():
    with pytest.raises(KitError, match="above zero"):
        pooled_scatter([1.0, -1.0], [1, 1])
    with pytest.raises(KitError, match="one of two ways"):
        pooled_scatter([1.0, 1.0], [1, 1], "other")


def test_no_outlier_test_at_three():
    found = grubbs([10.0, 10.0, 99.0])
    assert not found.unusual
    assert "No test" in found.sentence


def test_grubbs_false_alarms_stay_near_the_significance():
    rng = np.random.default_rng(3)
    alarms = np.mean([grubbs(rng.normal(0, 1, 8)).unusual for _ in range(1500)])
    assert 0.035 < alarms < 0.065


class TestCompareMethods:
    def test_hand_count_and_gate_agree_within_a_few_per_cent(self):
        # 80 s by hand against 82 s by the gate: common practice, no source
        found = compare_methods([1, 2, 3], [80.0, 40.5, 27.1], [82.0, 41.2, 27.5])
        assert found.bias == pytest.approx(-3.1 / 3)
        assert "cannot tell" in found.sentence
        assert found.sentence.startswith("Average difference −1.0 s (95 % interval −3.1 to +1.1).")

    def test_range_for_the_next_difference_of_six_pairs(self):
        rng = np.random.default_rng(2)
        first = np.arange(6.0)
        found = compare_methods(range(6), first, first + rng.normal(0, 1, 6))
        reach = (found.next_range[1] - found.next_range[0]) / 2
        assert reach / found.sd == pytest.approx(2.78, abs=0.005)  # t(5) · √(1 + 1/6)

    def test_a_bias_is_seen(self):
        found = compare_methods([1, 2, 3, 4], [11.0, 21.1, 31.0, 40.9], [10.0, 20.0, 30.0, 40.0])
        assert "differ" in found.sentence
        assert found.pairs["difference"].to_numpy() == pytest.approx([1.0, 1.1, 1.0, 0.9])

    def test_bad_input(self):
        with pytest.raises(KitError, match="one value each"):
            compare_methods([1, 2], [1.0, 2.0], [1.0])
        with pytest.raises(KitError, match="three pairs"):
            compare_methods([1, 2], [1.0, 2.0], [1.0, 2.0])


@settings(max_examples=30)
@given(st.integers(1, 200), st.floats(0.5, 0.999))
def test_t_factor_against_scipy(dof, confidence):
    from scipy import stats

    assert t_factor(dof, confidence) == pytest.approx(stats.t.ppf(0.5 + confidence / 2, dof), rel=1e-9)


HAND, GATE = Measured("by hand", 23.0, 0.9, "s"), Measured("gate", 25.0, 1.2, "s")


def test_a_difference_of_two_against_three_four_five():
    found = compare(HAND, GATE)  # √(0.9² + 1.2²) = 1.5
    assert found.t_prime == pytest.approx(2.0 / 1.5)
    assert found.sentence == "They are 2.0 ± 1.5 s apart. So t′ = 1.3: cannot tell yet: improve or repeat."


value, u = st.floats(-1e6, 1e6), st.floats(1e-3, 1e3)


@pytest.mark.slow
@given(value, u, value, u)
def test_order_does_not_matter_and_more_uncertainty_never_separates(a, ua, b, ub):
    first, second = Measured("a", a, ua), Measured("b", b, ub)
    there, back = compare(first, second), compare(second, first)
    assert there.t_prime == back.t_prime >= 0
    assert there.suggests == band(there.t_prime)
    assert compare(first, Measured("b", b, 2 * ub)).t_prime <= there.t_prime


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: compare(HAND, HAND), "the same value"),
        (lambda: compare(HAND, Measured("turns", 51, 1)), "one unit can be compared; found: 's and a plain number'"),
        (lambda: Measured(" ", 1, 1), "needs a name"),
        (lambda: Measured("a", float("nan"), 1), "must be a number"),
        (lambda: Measured("a", 1, 0), "above zero"),
        (lambda: compare(HAND, GATE).entry("", "because"), "Choose what to do next"),
        (lambda: compare(HAND, GATE).entry("repeat", "  "), "Say why"),
    ],
)
def test_what_cannot_be_compared_is_said(make, message):
    with pytest.raises(KitError) as caught:
        make()
    assert re.search(message.replace("; found", ".*"), str(caught.value))


@pytest.mark.parametrize("decision", DECISIONS)
def test_an_entry_is_flat_and_whole(decision):
    entry = compare(HAND, GATE).entry(decision, " they overlap ")
    assert all(isinstance(cell, str | int | float) for cell in entry.values())
    assert (entry["first"], entry["second_value"], entry["decision"]) == ("by hand", 25.0, decision)
    assert entry["why"] == "they overlap"


class TestTPrime:
    def test_bands(self):
        assert t_prime(9.8, 0.1, 9.8, 0.2) == 0
        assert t_prime(10.0, 0.3, 9.0, 0.4) == pytest.approx(2)
        assert t_prime(1.0, 0.0, 2.0, 0.0) == np.inf
        assert np.isnan(t_prime(1.0, 0.0, 1.0, 0.0))
        assert band(0.99).startswith("cannot be told apart")
        assert band(1).startswith("cannot tell yet")
        assert band(3).startswith("cannot tell yet")
        assert band(3.01).startswith("they differ")
        assert band(float("nan")) == "no uncertainty known"


class TestWeights:
    """Averages weigh a trial's own uncertainty beside the spread."""

    def test_two_trials_by_hand(self):
        """Paule & Mandel's equation for n = 2 in closed form: τ² = ((v₁ − v₂)² − u₁² − u₂²)/2."""
        found = weighted_summary([10.0, 13.0], [0.5, 2.0])
        between = (9 - 0.25 - 4) / 2
        w = 1 / (between + np.array([0.25, 4.0]))
        assert found["mean"] == pytest.approx((w @ [10, 13]) / w.sum(), rel=1e-9)

    def test_equal_or_small_uncertainties_leave_the_plain_mean(self):
        values = [23.3, 23.0, 23.5]
        for u in ([0.1] * 3, [5.0] * 3, [0.001, 0.002, 0.01], [np.nan] * 3, [0.0] * 3):
            assert weighted_summary(values, u) == summary(values)

    def test_values_that_agree_are_weighed_by_u_alone(self):
        found = weighted_summary([10.0, 10.1, 10.0], [0.1, 1.0, 0.2])
        w = 1 / np.array([0.01, 1.0, 0.04])
        assert found["mean"] == pytest.approx(w @ [10, 10.1, 10] / w.sum(), rel=1e-9)
        assert found["u"] == pytest.approx(w.sum() ** -0.5, rel=1e-9)
        assert found["high"] - found["mean"] == pytest.approx(1.959964 * found["u"])  # not 4.3: no spread is used
        assert found["t"] * found["u"] == pytest.approx(found["mean"] - found["low"])

    @pytest.mark.slow
    def test_the_interval_holds_and_the_plain_mean_is_worse(self):
        rng = np.random.default_rng(4)
        u = np.array([0.2, 0.2, 3.0, 0.3, 2.0])
        inside, off, plain = 0, [], []
        for _ in range(1500):
            values = rng.normal(10, np.hypot(0.3, u))
            found = weighted_summary(values, u)
            inside += found["low"] <= 10 <= found["high"]
            off.append(found["mean"] - 10)
            plain.append(values.mean() - 10)
        assert 0.93 < inside / 1500 < 0.975
        assert np.std(off) < 0.5 * np.std(plain)

    def test_in_a_table(self):
        table = pd.DataFrame({"pads": 2, "duration_s": [10.0, 10.2, 14.0], "duration_u_s": [0.1, 0.1, 5.0]})
        found = average(table, "pads")
        assert found["mean"][0] < 10.5
        assert found.attrs["weighted"] == [2]
        assert average(table.drop(columns="duration_u_s"), "pads")["mean"][0] == pytest.approx(11.4)
