import numpy as np
import pytest

from kit.classroom.statistics import group_spread
from kit.errors import KitError


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
def test_refusals(values, groups):
    with pytest.raises(KitError, match=r"Fewer than two groups|finite value"):
        group_spread(values, groups)
