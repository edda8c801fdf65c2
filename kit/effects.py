"""How large an effect is, and how sure that is: differences, slopes, rank correlations, t′."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, isnan, nan

import numpy as np

from . import wording
from .shuffling import Shuffled, shuffle
from .trials import t_factor

__all__ = [
    "Effect",
    "as_percent",
    "band",
    "common_effect",
    "least_squares",
    "rank_correlation",
    "ranks",
    "signed",
    "t_prime",
]

LEVEL = 0.05  # a result that shuffled worlds reach less often than this is taken seriously


def t_prime(first: float, first_u: float, second: float, second_u: float) -> float:
    """t′ = |first − second| / √(u₁² + u₂²): a difference against its standard uncertainty (Holmes & Bonn 2015).

    Assumes that the two uncertainties are independent. Infinite where values differ but no uncertainty is left,
    NaN where both agree exactly without any.
    """
    difference, u = abs(first - second), float(np.hypot(first_u, second_u))
    if u == 0:
        return nan if difference == 0 else float("inf")
    return float(difference / u)


def band(t: float) -> str:
    """What t′ suggests: below 1, from 1 to 3, above 3."""
    if isnan(t):
        return "no uncertainty known"
    if t < 1:
        return "cannot be told apart: measure more precisely, or accept"
    if t <= 3:
        return "cannot tell yet: improve or repeat"
    return "they differ: ask why, or revise the model"


@dataclass(frozen=True)
class Effect:
    """Size of an effect with its 95 % interval."""

    value: float
    low: float
    high: float
    unit: str
    interval_by: str  # "shuffling", or "Student's t" where the runs are too few for it


def rank_correlation(scores, values, *, seed: int = 1) -> Shuffled:
    """Spearman's ρ within conditions: slope of ranks on ranks, scaled to lie between −1 and 1."""
    x, y = ranks(scores), ranks(values)
    raw = shuffle(x, y, seed=seed)
    spread_x, spread_y = (sum(np.sum((r - r.mean()) ** 2) for r in part) for part in (x, y))
    if spread_y == 0:
        return raw
    scale = float(np.sqrt(spread_x / spread_y))
    return replace(raw, measured=raw.measured * scale, worlds=raw.worlds * scale)


def ranks(values) -> list[np.ndarray]:
    """Ranks from 1 within each condition, equal values sharing their mean rank."""
    found = []
    for part in values:
        _, place, count = np.unique(part, return_inverse=True, return_counts=True)
        found.append((np.cumsum(count) - (count - 1) / 2)[place])
    return found


def common_effect(scores, values, unit: str, seed: int) -> Effect:
    """Common slope of values on scores within conditions, with a 95 % interval.

    Shuffling gives the interval without any assumption about the shape of the scatter. Where the runs are too few for
    95 %, Student's t gives it, for normal scatter of the same size in every condition.
    """
    shuffled = shuffle(scores, values, seed=seed)
    low, high = shuffled.interval()
    if isfinite(low) and isfinite(high):
        return Effect(shuffled.measured, low, high, unit, "shuffling")
    slope, reach = least_squares([scores], values)
    return Effect(shuffled.measured, slope - reach, slope + reach, unit, "Student's t")


def least_squares(columns, values) -> tuple[float, float]:
    """First coefficient of a fit within conditions, and half its 95 % interval. `columns`: lists of (n_c,) arrays."""
    design = np.stack([np.concatenate([a - a.mean() for a in column]) for column in columns], axis=1)
    y = np.concatenate([v - v.mean() for v in values])
    dof = y.size - len(values) - design.shape[1]
    if np.linalg.matrix_rank(design, tol=1e-9 * np.abs(design).max()) < design.shape[1]:
        return nan, nan  # the columns cannot be told apart
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    if dof < 1:
        return float(coefficients[0]), float("inf")
    residual = y - design @ coefficients
    variance = np.linalg.inv(design.T @ design)[0, 0] * (residual @ residual) / dof
    return float(coefficients[0]), t_factor(dof) * float(np.sqrt(variance))


def as_percent(effect: Effect) -> Effect:
    """From a difference of logarithms to per cent."""
    return replace(effect, **{name: float(100 * np.expm1(getattr(effect, name))) for name in ("value", "low", "high")})


def signed(value: float, unit: str) -> str:
    """A change with its sign and three digits: "+1.25 s", "−8.54 %"."""
    return f"{'+' if value > 0 else ''}{wording.number(value, 3)} {unit}".rstrip()
