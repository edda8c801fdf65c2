"""Statistics of a class: shares and their interval, forecasts, gain, changed answers, spread between groups.

In three parts: how large a share is and how good forecasts were; whether answers changed in one direction between two
moments; how far groups differ that measured the same thing. Counts and values in, numbers out; no words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike

from ..errors import KitError

__all__ = [
    "FLIPS",
    "GroupSpread",
    "McNemar",
    "StuartMaxwell",
    "brier_score",
    "group_spread",
    "mcnemar",
    "normalised_gain",
    "stuart_maxwell",
    "wilson_interval",
]

FLIPS = 20_000  # random tables behind `p_flips`
_AT_ONCE = 2_000  # tables drawn at a time, so that memory stays small

# --- shares and forecasts ------------------------------------------------------------------------------------------


def wilson_interval(count: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Interval for the share behind `count` of `n` (Wilson 1927; method 3 of Newcombe 1998, Stat. Med. 17, 857).

    With p = count/n and z the normal quantile, the ends are (p + z²/2n ∓ z·√(p(1 − p)/n + z²/4n²))/(1 + z²/n).
    It never leaves 0 to 1 and is usable for small n. Assumes independent answers with one and the same chance.
    With n = 0 nothing is known: 0 to 1.

    Raises
    ------
    KitError : a count outside 0 to n, or a confidence outside 0 to 1.
    """
    if not 0 <= count <= n:
        raise KitError("A count lies between 0 and the number of answers", found=f"{count} of {n}")
    if not 0 < confidence < 1:
        raise KitError("A confidence lies between 0 and 1", found=confidence)
    if n == 0:
        return 0.0, 1.0
    from scipy.stats import binomtest

    ends = binomtest(count, n).proportion_ci(confidence, method="wilson")
    # the ends at 0 and n are exact: rounding must not leave 1e-17 there
    return (0.0 if count == 0 else float(ends.low)), (1.0 if count == n else float(ends.high))


def brier_score(forecasts: Sequence[float], happened: Sequence[bool]) -> float:
    """Mean of (forecast − outcome)², outcome 1 if it happened and 0 if not: 0 is best, 0.25 is always saying one half.

    Brier (1950, Mon. Weather Rev. 78, 1) sums over both classes, it happened and it did not: exactly twice this.

    Raises
    ------
    KitError : no forecast, not one outcome for each, or a forecast outside 0 to 1.
    """
    if not len(forecasts) or len(forecasts) != len(happened):
        raise KitError("Each forecast needs one outcome", found=f"{len(forecasts)} forecasts, {len(happened)} outcomes")
    for row, forecast in enumerate(forecasts, 1):
        if not 0 <= forecast <= 1:
            raise KitError("A forecast is a chance between 0 and 1", row=row, found=forecast)
    squares = ((f - bool(o)) ** 2 for f, o in zip(forecasts, happened, strict=True))
    return sum(squares) / len(forecasts)


def normalised_gain(before_percent: float, after_percent: float) -> float | None:
    """Share of the possible gain that a class made: (after − before)/(100 − before) (Hake 1998, Am. J. Phys. 66, 64).

    `before_percent`, `after_percent` : class averages of the *same* students (0 to 100). None where nothing could be
    gained any more. It describes a class: the mean of single students' gains is something else.

    Raises
    ------
    KitError : an average that is not between 0 and 100.
    """
    for percent in (before_percent, after_percent):
        if not (isfinite(percent) and 0 <= percent <= 100):
            raise KitError("A class average in per cent lies between 0 and 100", found=percent)
    if before_percent == 100:
        return None
    return (after_percent - before_percent) / (100 - before_percent)


# --- changed answers: the same people asked twice --------------------------------------------------------------------


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
    z = (gained − lost)/√(gained + lost), and the exact p is that of the two-sided binomial test.

    Raises
    ------
    KitError : a count below 0.
    """
    if gained < 0 or lost < 0:
        raise KitError("Counts can't be below 0", found=f"{gained} and {lost}")
    moved = gained + lost
    if moved == 0:
        return McNemar(0, 0, nan, nan, nan, 1.0)
    from scipy.stats import binomtest

    z = (gained - lost) / sqrt(moved)
    corrected = max(abs(gained - lost) - 1, 0) ** 2 / moved
    return McNemar(gained, lost, z, z * z, corrected, float(binomtest(gained, moved).pvalue))


def stuart_maxwell(counts: ArrayLike, flips: int = FLIPS, seed: int = 1) -> StuartMaxwell:
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


# --- spread within a group and between groups ---------------------------------------------------------------------


@dataclass(frozen=True)
class GroupSpread:
    """One-way analysis of variance, groups taken as drawn at random. Everything but F and p in the values' unit."""

    groups: int
    values: int
    within: float  # standard deviation of repeats in one group, pooled; NaN if no group repeated
    between: float  # standard deviation of the groups' own means, repeats' spread taken out; 0 if none is seen
    f: float  # NaN if nothing was repeated
    p: float  # chance of so large an F if groups did not differ


def group_spread(values: ArrayLike, groups: ArrayLike) -> GroupSpread:
    """Split the scatter of values into that within groups and that between them.

    Parameters
    ----------
    values, groups : (n,) the values, and the name of each one's group.

    MS_within = Σ(v − group mean)²/(N − k), MS_between = Σ n_i(group mean − mean)²/(k − 1), F their ratio; the variance
    between groups is (MS_between − MS_within)/n₀ with n₀ = (N − Σn_i²/N)/(k − 1), and 0 where that is below 0 (Searle,
    Casella & McCulloch, Variance Components, section 3.6). Assumes normal scatter, alike in every group.

    Raises
    ------
    KitError : not one group label a value, a value that is not finite, or fewer than two groups.
    """
    measured = np.asarray(values, dtype=float)
    names, label = np.unique(np.asarray(groups), return_inverse=True)
    if measured.shape != label.shape or not np.isfinite(measured).all():
        raise KitError("Each finite value needs the name of its group", found=f"{measured.size} values")
    k, n = names.size, measured.size
    if k < 2:
        raise KitError("Fewer than two groups can't differ", found=k)
    count = np.bincount(label)
    away = measured - measured.mean()  # only differences matter: this keeps their digits
    mean = np.bincount(label, away) / count
    ms_between = float(np.sum(count * mean**2)) / (k - 1)
    if n == k:
        return GroupSpread(k, n, nan, sqrt(ms_between), nan, nan)
    from scipy.special import fdtrc

    ms_within = float(np.sum((away - mean[label]) ** 2)) / (n - k)
    typical_count = (n - float(np.sum(count**2)) / n) / (k - 1)
    between = sqrt(max(ms_between - ms_within, 0.0) / typical_count)
    if ms_within == 0:
        f, p = (inf, 0.0) if ms_between > 0 else (nan, nan)
    else:
        f = ms_between / ms_within
        p = float(fdtrc(k - 1, n - k, f))
    return GroupSpread(k, n, sqrt(ms_within), between, f, p)
