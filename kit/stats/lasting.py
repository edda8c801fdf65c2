"""Errors that last: each is like the one before, correlated by ρ, so that n of them tell less than n independent ones.

They are taken as AR(1): e_i = ρ e_(i−1) + an independent rest, so that errors k apart are correlated by ρ^k.
"""

from __future__ import annotations

import numpy as np

__all__ = ["independent", "independent_share", "lag_one", "lasting_correlation", "lasting_factor"]

_MOST = 0.9  # no correlation above this is told from a curve that does not fit
_TRIED = np.arange(10) / 10  # correlations
_BEFORE = np.r_[0.3, np.full(9, 0.7 / 9)]  # how probable they are before anything is known


def lag_one(residuals: np.ndarray, parameters: int) -> float:
    """Correlation of an error with the next one, from the residuals (n,) of a smooth curve; at most 0.95.

    A curve of m parameters follows the errors a little, so that the correlation r of the residuals is too low, by about
    m/n for independent errors: r + (1 − r)·m/n is returned (own approximation; tests/unit/stats/test_lasting.py).
    """
    square = float(residuals @ residuals)
    if square == 0 or len(residuals) < 3:
        return 0.0
    r = float(residuals[1:] @ residuals[:-1]) / square
    return min(r + (1 - r) * parameters / len(residuals), 0.95)


def lasting_correlation(columns: np.ndarray) -> float:
    """Correlation ρ from 0 to 0.9 by which the errors of a least-squares fit are to be taken to last.

    Restricted likelihood of AR(1) errors, free of what the curve follows (REML; Patterson & Thompson 1971, Biometrika
    58, 545), at ρ = 0, 0.1 … 0.9. Few values can't show whether errors last. So each ρ has a probability, before
    anything is known 0.3 for independent errors and as much for all the others together as is left, shared alike.
    Returned is the ρ whose factor of the variance, (1 + ρ)/(1 − ρ), is the mean over all.

    Parameters
    ----------
    columns : (n, m + 1) those of the fit, the target as the last one.
    """
    n, m = columns.shape[0], columns.shape[1] - 1
    if n < m + 2:
        return 0.0
    q = np.linalg.qr(columns)[0]  # its last column is what the fit leaves, of length 1
    # the inverse of the matrix of correlations ρ^|i − j| has three diagonals; `apart` is qᵀ · inverse · q
    whole, ends = np.eye(m + 1), q[[0, -1]].T @ q[[0, -1]]
    neighbours = q[1:].T @ q[:-1]
    rho = _TRIED[:, None, None]
    apart = (whole + rho**2 * (whole - ends) - rho * (neighbours + neighbours.T)) / (1 - rho**2)
    logs = np.log(np.diagonal(np.linalg.cholesky(apart), axis1=1, axis2=2))
    likely = -(n - m) * logs[:, m] - logs[:, :m].sum(axis=1) - (n - 1) / 2 * np.log1p(-(_TRIED**2))
    share = _BEFORE * np.exp(likely - likely.max())
    factor = float(share @ ((1 + _TRIED) / (1 - _TRIED)) / share.sum())
    return (factor - 1) / (factor + 1)


def independent(columns: np.ndarray, rho: float) -> np.ndarray:
    """Columns (n, …) multiplied by a root of the inverse of the errors' correlations: their errors are independent.

    Each value less ρ times the one before, over √(1 − ρ²); the first as it is (Prais & Winsten 1954; from memory).
    """
    if rho == 0:
        return columns
    apart = columns.copy()
    apart[1:] = (columns[1:] - rho * columns[:-1]) / np.sqrt(1 - rho**2)
    return apart


def independent_share(rho: float) -> float:
    """How many independent values n correlated ones are worth, as a share of n: (1 − ρ)/(1 + ρ), at most 1.

    Bayley & Hammersley 1946 (J. R. Stat. Soc. Suppl. 8, 184).
    """
    rho = min(max(rho, 0.0), _MOST)
    return (1 - rho) / (1 + rho)


def lasting_factor(rho: float) -> float:
    """How many times larger the standard uncertainty of a slow quantity is where errors last: √((1 + ρ)/(1 − ρ))."""
    return independent_share(rho) ** -0.5
