"""From samples of a beam (volts, brightness) to the moments at which the flag blocks it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import KitError

__all__ = ["Beam", "passes_from_samples"]

FEWEST_SAMPLES = 8
FEWEST_OF_A_LEVEL = 3  # samples that make a level; fewer are spikes
CLEAR = 5.0  # the two levels lie at least so many times the noise apart
ROUNDS = 50  # of the search for the two levels; it settles within ten


@dataclass(frozen=True)
class Beam:
    """What was found in the samples of a beam: its two levels, where it was cut between them, and how well."""

    low: float
    high: float
    threshold: float  # halfway between the levels
    hysteresis: float  # how far beyond the threshold the level must go, either way, before the state changes
    noise: float  # standard deviation of the samples about their level
    blocked: str  # "low" or "high": the level while the flag blocks the beam
    timing_u_s: float  # standard uncertainty of one pass: a sample's step, evenly distributed

    def __str__(self) -> str:
        return (
            f"levels {self.low:.3g} and {self.high:.3g}, cut at {self.threshold:.3g} ± {self.hysteresis:.2g}, "
            f"blocked is the {self.blocked} one"
        )


def passes_from_samples(times_s, level, blocked: str | None = None) -> tuple[np.ndarray, Beam]:
    """The moments at which a sampled beam becomes blocked, and how they were found.

    The two levels are the medians of two groups of samples (k-means with k = 2 in one dimension, MacQueen 1967, begun
    at the lowest and highest 0.5 %, so that a narrow flag is found too). The state changes when the level has gone
    beyond the threshold halfway between them by the hysteresis (a Schmitt trigger): noise at the threshold makes no
    passes. The moment is where the straight line between the two samples on either side meets the threshold. Blocked
    is the level that lasts for less of the time, since a flag is narrower than the gap beside it; where both last
    about as long, the lower one (either edge of the flag comes once a turn).

    Parameters
    ----------
    times_s : (n,) increasing, s; the steps need not be even.
    level : (n,) what the sensor shows, in any unit.
    blocked : "low" or "high"; by default found out.

    Returns
    -------
    pass_times_s : (k,) s. A beam that is blocked from the first sample on does not count: its moment is unknown.
    beam : what was found, to be shown.

    Raises
    ------
    KitError : too few samples, times that do not increase, a sample that is no number, or no two clear levels.

    >>> import kit, numpy as np
    >>> times_s = np.arange(0, 2, 0.01)
    >>> volts = np.where(times_s % 0.5 < 0.05, 0.3, 4.5)  # a flag that takes a tenth of a turn
    >>> passes, beam = kit.passes_from_samples(times_s, volts)
    >>> passes.round(3).tolist(), beam.blocked
    ([0.495, 0.995, 1.495], 'low')
    """
    times, values = np.asarray(times_s, float), np.asarray(level, float)
    if times.ndim != 1 or times.shape != values.shape or len(times) < FEWEST_SAMPLES:
        raise KitError("A sampled beam needs a time and a level for each sample", found=f"{times.shape} {values.shape}")
    if not (np.isfinite(times).all() and np.isfinite(values).all()):
        raise KitError("A sample of the beam is not a number", fix="take it out")
    steps = np.diff(times)
    if (steps <= 0).any():
        raise KitError("The times of the samples do not increase", found=float(times[int((steps <= 0).argmax()) + 1]))
    if blocked not in (None, "low", "high"):
        raise KitError("blocked must be low or high", found=blocked)

    low, high, noise = _two_levels(values)
    threshold, apart = (low + high) / 2, high - low
    hysteresis = min(max(3 * noise, apart / 10), apart / 4)
    sure = np.where(values > threshold + hysteresis, 1, np.where(values < threshold - hysteresis, -1, 0))
    known = np.maximum.accumulate(np.where(sure != 0, np.arange(len(sure)), -1))
    is_high = np.where(known >= 0, sure[known], sure[np.argmax(sure != 0)]) > 0
    if blocked is None:
        share = float(np.sum(steps * is_high[:-1]) / (times[-1] - times[0]))
        blocked = "high" if share < 0.4 else "low"
    is_blocked = is_high if blocked == "high" else ~is_high
    after = np.flatnonzero(~is_blocked[:-1] & is_blocked[1:]) + 1
    beyond = (values > threshold) == (blocked == "high")  # on the blocked side, without hysteresis
    clear = np.maximum.accumulate(np.where(beyond, -1, np.arange(len(values))))[after]  # the last one that is not
    here, there = values[clear], values[clear + 1]
    moments = times[clear] + (threshold - here) / np.where(there == here, 1, there - here) * steps[clear]
    beam = Beam(low, high, threshold, hysteresis, noise, blocked, float(np.median(steps)) / 12**0.5)
    return moments, beam


def _two_levels(values: np.ndarray) -> tuple[float, float, float]:
    """(low, high, noise); a KitError where there are no two clear levels."""
    low, high = np.quantile(values, (0.005, 0.995))
    if low == high:
        low, high = values.min(), values.max()
    for _ in range(ROUNDS):
        upper = values > (low + high) / 2
        if upper.sum() < FEWEST_OF_A_LEVEL or (~upper).sum() < FEWEST_OF_A_LEVEL:
            break
        found = float(np.median(values[~upper])), float(np.median(values[upper]))
        if found == (low, high):
            break
        low, high = found
    upper = values > (low + high) / 2
    groups = [values[~upper], values[upper]]
    if min(map(len, groups)) >= FEWEST_OF_A_LEVEL:
        # the median absolute deviation times 1.4826 is the standard deviation of normal noise
        noise = max(1.4826 * float(np.median(np.abs(group - np.median(group)))) for group in groups)
        if high - low > CLEAR * noise and _between(values, low, high) < 0.4:
            return float(low), float(high), noise
    raise KitError(
        "These samples do not lie at two clear levels, beam blocked and beam free",
        found=f"from {values.min():.4g} to {values.max():.4g}",
        fix="check the column and that the flag passed right through the beam",
    )


def _between(values: np.ndarray, low: float, high: float) -> float:
    """The share of samples in the middle half between the levels: a beam is there only while it changes."""
    return float(np.mean((values > low + (high - low) / 4) & (values < high - (high - low) / 4)))
