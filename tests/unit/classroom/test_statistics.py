"""The class's statistics: against their definitions, exact coverage, and simulated classes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom.statistics import (
    brier_score,
    group_spread,
    mcnemar,
    normalised_gain,
    stuart_maxwell,
    wilson_interval,
)
from kit.errors import KitError

COUNTS = st.integers(1, 500).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@settings(max_examples=80, deadline=None)
@given(COUNTS)
def test_wilson_ends_solve_the_score_equation(counts):
    """Each end is a share p at which (k/n − p)² = z²·p(1 − p)/n: the definition, not the formula."""
    k, n = counts
    for end in wilson_interval(k, n):
        if 0 < end < 1:
            assert (k / n - end) ** 2 == pytest.approx(1.959963984540054**2 * end * (1 - end) / n, abs=1e-12)
    low, high = wilson_interval(k, n)
    assert 0 <= low <= k / n <= high <= 1


@pytest.mark.slow
def test_wilson_covers_and_a_naive_interval_does_not():
    """Exact coverage at n = 20, averaged over shares: near 95 % for Wilson, far below for ± 1.96 standard errors."""
    from math import comb, sqrt

    n, shares = 20, [k / 100 for k in range(1, 100)]

    def coverage(interval):
        inside = 0.0
        for p in shares:
            chances = (comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1))
            inside += sum(c for k, c in enumerate(chances) if interval(k)[0] <= p <= interval(k)[1])
        return inside / len(shares)

    def naive(k):
        reach = 1.96 * sqrt(k / n * (1 - k / n) / n)
        return k / n - reach, k / n + reach

    assert coverage(lambda k: wilson_interval(k, n)) == pytest.approx(0.95, abs=0.01)
    assert coverage(naive) < 0.88


def test_wilson_without_answers_knows_nothing():
    assert wilson_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("count", "n", "confidence"), [(3, 2, 0.95), (-1, 2, 0.95), (1, 2, 1.0)])
def test_wilson_refuses_what_cannot_be(count, n, confidence):
    with pytest.raises(KitError, match="lies between 0 and"):
        wilson_interval(count, n, confidence)


def test_brier_of_perfect_vague_and_mistaken_forecasts():
    assert brier_score([1, 0], [True, False]) == 0
    assert brier_score([0.5, 0.5], [True, False]) == 0.25
    assert brier_score([0, 1], [True, False]) == 1


@pytest.mark.parametrize(
    ("forecasts", "happened", "message"),
    [([], [], "needs one outcome"), ([0.5], [True, False], "needs one outcome"), ([0.5, 1.2], [1, 1], "row 2.*chance")],
)
def test_brier_refuses(forecasts, happened, message):
    with pytest.raises(KitError, match=message):
        brier_score(forecasts, happened)


def test_gain_is_the_share_of_what_could_be_gained():
    assert normalised_gain(20, 60) == 0.5
    assert normalised_gain(50, 40) == pytest.approx(-0.2)
    assert normalised_gain(100, 90) is None
    with pytest.raises(KitError, match="between 0 and 100"):
        normalised_gain(40, 101)


# --- changed answers --------------------------------------------------------------------------------

TABLES = st.integers(2, 5).flatmap(
    lambda k: st.lists(st.lists(st.integers(0, 12), min_size=k, max_size=k), min_size=k, max_size=k)
)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 60), st.integers(0, 60))
def test_two_choices_are_mcnemar(gained, lost):
    found, both = mcnemar(gained, lost), stuart_maxwell([[5, lost], [gained, 7]], flips=10)
    assert both.movers == gained + lost
    assert both.chi2 == pytest.approx(found.chi2, nan_ok=True)
    assert both.dof == (1 if gained + lost else 0)


@settings(max_examples=60, deadline=None)
@given(TABLES)
def test_the_statistic_is_the_usual_one_where_that_exists(table):
    """Against the textbook way: drop the last choice, invert what is left. It exists where S has full rank."""
    table = np.array(table)
    both = table + table.T
    covariance = (np.diag(both.sum(axis=1)) - both)[:-1, :-1]
    found = stuart_maxwell(table, flips=10)
    if np.linalg.matrix_rank(covariance) == len(table) - 1:
        d = (table.sum(axis=1) - table.sum(axis=0))[:-1]
        assert found.chi2 == pytest.approx(d @ np.linalg.solve(covariance, d), rel=1e-8, abs=1e-9)
        assert found.dof == len(table) - 1


def test_choices_nobody_moved_between_cost_no_degree_of_freedom():
    small = stuart_maxwell([[4, 6], [1, 3]])
    padded = stuart_maxwell([[4, 6, 0], [1, 3, 0], [0, 0, 9]])
    assert (padded.chi2, padded.dof, padded.p) == pytest.approx((small.chi2, small.dof, small.p))
    two_pairs = stuart_maxwell([[0, 6, 0, 0], [1, 0, 0, 0], [0, 0, 0, 5], [0, 0, 5, 0]])
    assert two_pairs.dof == 2


def test_random_flips_agree_with_the_exact_test():
    for gained, lost in ((8, 0), (7, 1), (3, 2), (12, 4)):
        flips = stuart_maxwell([[0, lost], [gained, 0]]).p_flips
        assert flips == pytest.approx(mcnemar(gained, lost).p_exact, abs=0.01)


def test_nobody_moved():
    found = stuart_maxwell([[3, 0], [0, 4]])
    assert np.isnan(found.chi2) and (found.p, found.p_flips, found.movers) == (1, 1, 0)
    assert np.isnan(mcnemar(0, 0).z) and mcnemar(0, 0).p_exact == 1


def test_few_movers_are_never_called_rare():
    assert mcnemar(1, 0).p_exact == 1
    assert mcnemar(4, 0).p_exact == pytest.approx(2 / 16)


@pytest.mark.slow
def test_false_alarms_come_as_often_as_they_should():
    """2000 classes without a real shift: p below 5 % in at most 5 % of them (exact), and a real shift is found."""
    random = np.random.default_rng(5)
    gained = random.binomial(12, 0.5, 2000)
    assert np.mean([mcnemar(int(g), int(12 - g)).p_exact < 0.05 for g in gained]) <= 0.05
    shifted = random.binomial(12, 0.9, 2000)
    assert np.mean([mcnemar(int(g), int(12 - g)).p_exact < 0.05 for g in shifted]) > 0.8


@pytest.mark.parametrize("table", [[[1, 2, 3], [1, 2, 3]], [[1]], [1, 2], [[1, -1], [0, 2]], [[1, 0.5], [0, 2]]])
def test_what_is_no_table_of_moves_is_refused(table):
    with pytest.raises(KitError, match=r"square table|whole numbers"):
        stuart_maxwell(table)
    with pytest.raises(KitError, match="below 0"):
        mcnemar(-1, 3)


# --- spread between groups --------------------------------------------------------------------------


def simulated(random, between, groups=30, repeats=3):
    label = np.repeat(np.arange(groups), repeats)
    values = 20 + between * random.standard_normal(groups)[label] + 0.4 * random.standard_normal(label.size)
    return group_spread(values, label)


@pytest.mark.slow
def test_both_spreads_are_found_on_average_and_none_is_invented():
    random = np.random.default_rng(11)
    real = [simulated(random, between=0.6) for _ in range(1000)]
    assert np.sqrt(np.mean([found.within**2 for found in real])) == pytest.approx(0.4, rel=0.01)
    assert np.sqrt(np.mean([found.between**2 for found in real])) == pytest.approx(0.6, rel=0.02)
    none = [simulated(random, between=0.0).p for _ in range(1000)]
    assert np.mean(np.array(none) < 0.05) == pytest.approx(0.05, abs=0.02)


def test_equal_counts_and_a_large_common_value_lose_no_digits():
    small = group_spread([1.0, 2.0, 4.0, 5.0], ["a", "a", "b", "b"])
    large = group_spread([1e9 + 1, 1e9 + 2, 1e9 + 4, 1e9 + 5], ["a", "a", "b", "b"])
    assert small.within == pytest.approx(np.sqrt(0.5))
    assert (large.within, large.between) == pytest.approx((small.within, small.between))


def test_without_repeats_only_the_whole_spread_is_known():
    found = group_spread([1.0, 2.0, 3.0], ["a", "b", "c"])
    assert found.between == pytest.approx(1.0) and np.isnan(found.within) and np.isnan(found.f)


def test_equal_repeats_do_not_divide_by_zero():
    assert group_spread([1.0, 1.0, 2.0, 2.0], list("aabb")).f == np.inf
    assert np.isnan(group_spread([1.0, 1.0, 1.0, 1.0], list("aabb")).f)


@pytest.mark.parametrize(
    ("values", "groups"), [([1.0, 2.0], ["a", "a"]), ([1.0], ["a", "b"]), ([1.0, np.nan], ["a", "b"])]
)
def test_spread_refuses(values, groups):
    with pytest.raises(KitError, match=r"Fewer than two groups|finite value"):
        group_spread(values, groups)
