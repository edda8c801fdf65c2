import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom.statistics import brier_score, normalised_gain, wilson_interval
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
