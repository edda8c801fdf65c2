"""From samples of a beam (volts, brightness) to the moments at which the flag blocks it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..errors import KitError

__all__ = ["Beam", "passes_from_samples"]

FEWEST_SAMPLES = 8
FEWEST_OF_A_LEVEL = 3  # samples that make a level; fewer are spikes
SMEARED = 0.05  # of a step: what a straight line misses of a smeared edge
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
    timing_u_s: float  # standard uncertainty of one pass, root mean square of `pass_u_s`
    pass_u_s: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False, compare=False)  # (k,) of each pass
    share: float = 0.5  # of a turn for which the flag blocks the beam, median over the turns; ½ with fewer than two
    step_s: float = 0.0  # usual time from sample to sample

    @property
    def fastest_turns_per_s(self) -> float:
        """Passes a second that can be told apart: two samples fall on the flag, and two on the gap beside it."""
        return min(self.share, 1 - self.share) / (2 * self.step_s) if self.step_s > 0 else float("inf")

    def __str__(self) -> str:
        return (
            f"levels {self.low:.3g} and {self.high:.3g}, cut at {self.threshold:.3g} ± {self.hysteresis:.2g}, "
            f"blocked is the {self.blocked} one"
        )


def passes_from_samples(times_s, level, blocked: str | None = None, *, ramps: bool = False) -> tuple[np.ndarray, Beam]:
    """The moments at which a sampled beam becomes blocked, and how they were found.

    The two levels are the medians of two groups of samples (k-means with k = 2 in one dimension, MacQueen 1967, begun
    at the lowest and highest 0.5 %, so that a narrow flag is found too). The state changes when the level has gone
    beyond the threshold halfway between them by the hysteresis (a Schmitt trigger): noise at the threshold makes no
    passes. The moment is where the straight line between the two samples on either side meets the threshold. Blocked
    is the level that lasts for less of the time, since a flag is narrower than the gap beside it; where both last
    about as long, the lower one (either edge of the flag comes once a turn).

    How sure a moment is: where the level changes from one sample to the next, it may lie anywhere between the two
    (step/√12). Where a sample in between was caught on the way, it is the noise over the slope, and a twentieth of a
    step: by so much, root mean square, the straight line misses an edge that an exposure of a whole step has smeared.

    Parameters
    ----------
    times_s : (n,) increasing, s; the steps need not be even.
    level : (n,) what the sensor shows, in any unit.
    blocked : "low" or "high"; by default found out.
    ramps : whether the edges are ramps, as in a camera's wide field: samples between the levels are then no noise, and
        the noise is found from second differences.

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

    # the ramps of a wide flag drop out of second differences; of independent noise their variance is 6 σ²
    jitter = 1.4826 * float(np.median(np.abs(np.diff(values, 2)))) / 6**0.5
    low, high, noise = _two_levels(values, jitter if ramps else None)
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
    off_here, off_there = (np.minimum(abs(v - low), abs(v - high)) for v in (here, there))
    on_the_way = np.maximum(off_here, off_there) > hysteresis  # a sample lies clearly between the levels
    smeared = np.hypot(SMEARED, jitter / np.maximum(abs(there - here), 1e-12 * apart))
    pass_u_s = steps[clear] * np.where(on_the_way, np.minimum(smeared, 12**-0.5), 12**-0.5)
    step_s = float(np.median(steps))
    timing_u_s = float(np.sqrt(np.mean(pass_u_s**2))) if len(pass_u_s) else step_s / 12**0.5
    share = _share_blocked(times, is_blocked, after)
    return moments, Beam(low, high, threshold, hysteresis, noise, blocked, timing_u_s, pass_u_s, share, step_s)


def _share_blocked(times: np.ndarray, is_blocked: np.ndarray, after: np.ndarray) -> float:
    """The median share of the turns between passes for which the beam is blocked."""
    if len(after) < 2:
        return 0.5
    spent = np.r_[0.0, np.cumsum(np.diff(times) * is_blocked[:-1])]
    return float(np.median(np.diff(spent[after]) / np.diff(times[after])))


def _two_levels(values: np.ndarray, jitter: float | None) -> tuple[float, float, float]:
    """(low, high, noise); a KitError where there are no two clear levels. `jitter`: the noise, where it is known."""
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
        noise, most = (noise, 0.4) if jitter is None else (jitter, 0.5)  # the share of ramps
        if high - low > CLEAR * noise and _between(values, low, high) < most:
            return float(low), float(high), noise
    raise KitError(
        "These samples do not lie at two clear levels, beam blocked and beam free",
        found=f"from {values.min():.4g} to {values.max():.4g}",
        fix="check the column and that the flag passed right through the beam",
    )


def _between(values: np.ndarray, low: float, high: float) -> float:
    """The share of samples in the middle half between the levels: a beam is there only while it changes."""
    return float(np.mean((values > low + (high - low) / 4) & (values < high - (high - low) / 4)))
