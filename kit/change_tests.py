"""Whether answers changed in one direction between two moments: tests for the same people asked twice.

Both tests ask whether the *shares* moved. People who gave the same answer twice say nothing about that; those who
swapped in opposite directions cancel. Both assume that the people answered independently of each other, which a
discussion does not grant: read a p-value here as a guide, never as a finding on its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from .errors import KitError

__all__ = ["McNemar", "StuartMaxwell", "mcnemar", "stuart_maxwell"]

FLIPS = 20_000
_AT_ONCE = 2_000  # tables drawn at a time, so that memory stays small


@dataclass(frozen=True)
class McNemar:
    """Test of a change in a yes/no answer. `gained` went from no to yes, `lost` from yes to no."""

    gained: int
    lost: int
    z: float  # (gained − lost)/√(gained + lost); NaN if nobody moved
    chi2: float  # z², one degree of freedom
    chi2_corrected: float  # with continuity correction
    p_exact: float  # two-sided binomial; holds for small classes too


@dataclass(frozen=True)
class StuartMaxwell:
    """Test of a change in an answer with several choices."""

    chi2: float
    dof: int
    p: float  # from the chi-squared distribution: for many movers
    p_flips: float  # from random flips of the movers: for few
    movers: int


def mcnemar(gained: int, lost: int) -> McNemar:
    """McNemar's test (1947; Agresti, Categorical Data Analysis, section 10.1).

    Under no change each of the gained + lost people who moved is as likely to move one way as the other:
    z = (gained − lost)/√(gained + lost), and the exact p is twice the smaller binomial tail (at most 1).

    Raises
    ------
    KitError : a count below 0.
    """
    if gained < 0 or lost < 0:
        raise KitError("Counts can't be below 0", found=f"{gained} and {lost}")
    moved = gained + lost
    if moved == 0:
        return McNemar(0, 0, nan, nan, nan, 1.0)
    from scipy.special import bdtr

    z = (gained - lost) / sqrt(moved)
    corrected = max(abs(gained - lost) - 1, 0) ** 2 / moved
    return McNemar(gained, lost, z, z * z, corrected, min(1.0, 2 * float(bdtr(min(gained, lost), moved, 0.5))))


def stuart_maxwell(counts: Sequence[Sequence[int]], flips: int = FLIPS, seed: int = 1) -> StuartMaxwell:
    """Stuart–Maxwell test of equal shares before and after (Stuart 1955, Biometrika 42, 412; Maxwell 1970).

    Parameters
    ----------
    counts : (k, k) how many went from choice i (row) to choice j (column).
    flips, seed : random tables for `p_flips`, in which each mover went either way with chance one half.

    With d = row sums − column sums and S its covariance under equal shares (S_ii = row_i + column_i − 2 n_ii,
    S_ij = −(n_ij + n_ji)), chi2 = d′S⁺d. S is the Laplacian of the graph of moves, so its rank is k minus the number of
    groups of choices between which nobody moved; that is `dof`. For two choices this is McNemar's z².

    Raises
    ------
    KitError : no square table, or a count that is not a whole number from 0 up.
    """
    table = np.asarray(counts, dtype=float)
    if table.ndim != 2 or table.shape[0] != table.shape[1] or table.shape[0] < 2:
        raise KitError("Moves need a square table with at least two choices", found=f"shape {table.shape}")
    if not (np.isfinite(table).all() and (table >= 0).all() and (table == np.rint(table)).all()):
        raise KitError("Moves are whole numbers from 0 up")
    both = table + table.T
    covariance = np.diag(both.sum(axis=1)) - both
    movers = int(np.triu(both, 1).sum())
    if movers == 0:
        return StuartMaxwell(nan, 0, 1.0, 1.0, 0)
    from scipy.special import chdtrc

    inverse = np.linalg.pinv(covariance, hermitian=True)
    dof = int(np.linalg.matrix_rank(covariance, hermitian=True))
    difference = table.sum(axis=1) - table.sum(axis=0)
    chi2 = float(difference @ inverse @ difference)
    p_flips = _share_as_extreme(both, inverse, chi2, flips, seed)
    return StuartMaxwell(chi2, dof, float(chdtrc(dof, chi2)), p_flips, movers)


def _share_as_extreme(both: np.ndarray, inverse: np.ndarray, chi2: float, flips: int, seed: int) -> float:
    """Share of random tables (the observed one among them) with a chi2 at least as large."""
    random = np.random.default_rng(seed)
    rows, columns = np.nonzero(np.triu(both, 1))
    movers = both[rows, columns].astype(int)
    # signs[:, m]: what one person moving from rows[m] to columns[m] does to row sums − column sums
    signs = np.zeros((len(both), len(rows)))
    signs[rows, range(len(rows))], signs[columns, range(len(rows))] = 1, -1
    extreme = 1
    for first in range(0, flips, _AT_ONCE):
        there = random.binomial(movers, 0.5, size=(min(_AT_ONCE, flips - first), len(rows)))
        differences = (2 * there - movers) @ signs.T
        extreme += int(np.sum(np.einsum("ri,ij,rj->r", differences, inverse, differences) >= chi2 * (1 - 1e-9)))
    return extreme / (flips + 1)
