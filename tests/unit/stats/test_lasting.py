"""Errors that last: against dense matrices of their correlations, and in simulation."""

import numpy as np
import pytest
from scipy.linalg import toeplitz

from kit.stats.lasting import independent, independent_share, lag_one, lasting_correlation, lasting_factor


def errors(random, n, rho):
    """n errors of standard deviation 1, each correlated with the one before by rho."""
    made = random.standard_normal(n)
    for i in range(1, n):
        made[i] = rho * made[i - 1] + np.sqrt(1 - rho**2) * made[i]
    return made


def polynomial(n, m):
    return np.polynomial.chebyshev.chebvander(np.linspace(-1, 1, n), m - 1)


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.9])
def test_what_is_made_independent_is(rho):
    root = independent(np.eye(12), rho)
    np.testing.assert_allclose(root @ toeplitz(rho ** np.arange(12)) @ root.T, np.eye(12), atol=1e-12)


def restricted_likelihood(columns, target, rho):
    """Patterson & Thompson's, from the dense matrix of correlations: ln L at the best size of the errors."""
    n, m = columns.shape
    inverse = np.linalg.inv(toeplitz(rho ** np.arange(n)))
    information = columns.T @ inverse @ columns
    left = target - columns @ np.linalg.solve(information, columns.T @ inverse @ target)
    logs = [np.linalg.slogdet(matrix)[1] for matrix in (inverse, information)]
    return logs[0] / 2 - logs[1] / 2 - (n - m) / 2 * np.log(left @ inverse @ left)


@pytest.mark.parametrize(("n", "m", "rho"), [(12, 5, 0.5), (40, 8, 0.0), (150, 8, 0.7), (150, 3, 0.9)])
def test_the_correlation_is_the_mean_by_its_restricted_likelihood(n, m, rho):
    random = np.random.default_rng(n)
    columns, target = polynomial(n, m), 1e3 + errors(random, n, rho)
    tried = np.arange(10) / 10
    likely = np.array([restricted_likelihood(columns, target, each) for each in tried])
    share = np.r_[0.3, np.full(9, 0.7 / 9)] * np.exp(likely - likely.max())
    factor = np.average((1 + tried) / (1 - tried), weights=share)
    found = lasting_correlation(np.column_stack([columns, target]))
    assert (1 + found) / (1 - found) == pytest.approx(factor, rel=1e-6)


def test_many_values_show_the_correlation_and_few_leave_it_open():
    random = np.random.default_rng(4)

    def found(n, m, rho):
        columns = polynomial(n, m)
        return [lasting_correlation(np.column_stack([columns, errors(random, n, rho)])) for _ in range(40)]

    assert np.median(found(1000, 8, 0.7)) == pytest.approx(0.7, abs=0.02)
    assert np.median(found(1000, 8, 0.0)) < 0.01
    few = np.array(found(8, 5, 0.0))
    assert (few > 0.4).all() and (few < 0.8).all()
    assert lasting_correlation(np.column_stack([polynomial(6, 5), np.arange(6.0)])) == 0  # nothing to tell it by


def test_residuals_of_a_rich_curve_still_tell_the_correlation_of_independent_errors():
    random, n, m = np.random.default_rng(5), 60, 12
    q = np.linalg.qr(polynomial(n, m))[0]
    found, bare = [], []
    for _ in range(400):
        noise = random.standard_normal(n)
        left = noise - q @ (q.T @ noise)
        found.append(lag_one(left, m))
        bare.append(left[1:] @ left[:-1] / (left @ left))
    assert abs(np.mean(found)) < 0.07
    assert np.mean(bare) < -0.15  # the control: without the correction for what the curve follows


def test_a_mean_of_errors_that_last_is_so_much_less_certain():
    """Bayley & Hammersley's (1 + ρ)/(1 − ρ) beside the exact variance of the mean of 4,000 values."""
    n, rho = 4000, 0.6
    exact = toeplitz(rho ** np.arange(n)).sum() / n
    assert lasting_factor(rho) ** 2 == pytest.approx(exact, rel=1e-3)
    assert independent_share(-0.5) == 1 and independent_share(0.99) == pytest.approx(0.1 / 1.9)
