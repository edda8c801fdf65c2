"""Shares of a count and their interval, how good forecasts were, and how much of the possible gain was made."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, sqrt
from statistics import NormalDist

from .errors import KitError

__all__ = ["brier_score", "normalised_gain", "wilson_interval"]


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
    p, z = count / n, NormalDist().inv_cdf(0.5 + confidence / 2)
    middle = p + z * z / (2 * n)
    reach = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    # the ends at 0 and n are exact: rounding must not leave 1e-17 there
    low = 0.0 if count == 0 else (middle - reach) / scale
    high = 1.0 if count == n else (middle + reach) / scale
    return low, high


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
    """
    for percent in (before_percent, after_percent):
        if not (isfinite(percent) and 0 <= percent <= 100):
            raise KitError("A class average in per cent lies between 0 and 100", found=percent)
    if before_percent == 100:
        return None
    return (after_percent - before_percent) / (100 - before_percent)
