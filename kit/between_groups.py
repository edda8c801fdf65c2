"""How far groups differ that measured the same thing: spread within a group, and spread between groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np

from .errors import KitError

__all__ = ["GroupSpread", "group_spread"]


@dataclass(frozen=True)
class GroupSpread:
    """One-way analysis of variance, groups taken as drawn at random. Everything but F and p in the values' unit."""

    groups: int
    values: int
    within: float  # standard deviation of repeats in one group, pooled; NaN if no group repeated
    between: float  # standard deviation of the groups' own means, repeats' scatter taken out; 0 if none is seen
    f: float  # NaN if nothing was repeated
    p: float  # chance of so large an F if groups did not differ


def group_spread(values: Sequence[float], groups: Sequence) -> GroupSpread:
    """Split the scatter of values into that within groups and that between them.

    MS_within = Σ(v − group mean)²/(N − k), MS_between = Σ n_i(group mean − mean)²/(k − 1), F their ratio; the variance
    between groups is (MS_between − MS_within)/n₀ with n₀ = (N − Σn_i²/N)/(k − 1), and 0 where that is below 0 (Searle,
    Casella & McCulloch, Variance Components, section 3.6). Assumes normal scatter, alike in every group.

    Raises
    ------
    KitError : not one group label a value, a value that is not finite, or fewer than two groups.
    """
    values = np.asarray(values, dtype=float)
    names, label = np.unique(np.asarray(groups), return_inverse=True)
    if values.shape != label.shape or not np.isfinite(values).all():
        raise KitError("Each finite value needs the name of its group", found=f"{values.size} values")
    k, n = names.size, values.size
    if k < 2:
        raise KitError("Fewer than two groups can't differ", found=k)
    count = np.bincount(label)
    values = values - values.mean()  # only differences matter: this keeps their digits
    mean = np.bincount(label, values) / count
    ms_between = float(np.sum(count * mean**2)) / (k - 1)
    if n == k:
        return GroupSpread(k, n, nan, sqrt(ms_between), nan, nan)
    from scipy.special import fdtrc

    ms_within = float(np.sum((values - mean[label]) ** 2)) / (n - k)
    typical_count = (n - float(np.sum(count**2)) / n) / (k - 1)
    between = sqrt(max(ms_between - ms_within, 0.0) / typical_count)
    if ms_within == 0:
        f, p = (inf, 0.0) if ms_between > 0 else (nan, nan)
    else:
        f = ms_between / ms_within
        p = float(fdtrc(k - 1, n - k, f))
    return GroupSpread(k, n, sqrt(ms_within), between, f, p)
