"""From samples of a beam (volts, brightness) to the moments at which the flag blocks it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import KitError

__all__ = ["Beam", "passes_from_samples", "sharpened"]

FEWEST_SAMPLES = 8
FEWEST_OF_A_LEVEL = 3  # samples that make a level; fewer are spikes
SMEARED = 0.05  # of a step: what a straight line misses of a smeared edge
CLEAR = 5.0  # the two levels lie at least so many times the noise apart
ROUNDS = 50  # of the search for the two levels; it settles within ten

FEWEST_PASSES = 3  # whose edges can be fitted together
SHARP = (0.01, 0.05)  # widths of an edge that is hardly ever caught on the way: of a turn, of a step
BEGUN_AT = (SHARP, (0.02, 0.5), (0.06, 0.5), (0.2, 0.5))  # the others are fitted
ROUGHLY = 0.05  # of the contrast: noise allowed for at first
FITTED_ROUNDS = 6
LEAST_NOISE = 0.0025  # of the contrast; no picture is quieter
PLACES, AT_ONCE = 401, 64  # moments tried within a step either way; edges at a time


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
    is_high = _state(values, threshold, hysteresis)
    if blocked is None:
        share = float(np.sum(steps * is_high[:-1]) / (times[-1] - times[0]))
        blocked = "high" if share < 0.4 else "low"
    is_blocked = is_high if blocked == "high" else ~is_high
    after, clear = _changes(values, is_blocked, (values > threshold) == (blocked == "high"))
    here, there = values[clear], values[clear + 1]
    moments = _crossed(times, values, clear, threshold)
    off_here, off_there = (np.minimum(abs(v - low), abs(v - high)) for v in (here, there))
    on_the_way = np.maximum(off_here, off_there) > hysteresis  # a sample lies clearly between the levels
    smeared = np.hypot(SMEARED, jitter / np.maximum(abs(there - here), 1e-12 * apart))
    pass_u_s = steps[clear] * np.where(on_the_way, np.minimum(smeared, 12**-0.5), 12**-0.5)
    step_s = float(np.median(steps))
    timing_u_s = float(np.sqrt(np.mean(pass_u_s**2))) if len(pass_u_s) else step_s / 12**0.5
    share = _share_blocked(times, is_blocked, after)
    return moments, Beam(low, high, threshold, hysteresis, noise, blocked, timing_u_s, pass_u_s, share, step_s)


def sharpened(times_s, level, beam: Beam) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Both edges of each mark that `passes_from_samples` found, timed by their whole shape.

    While a mark's straight edge crosses a field, the brightness changes evenly over a fixed part of a turn, and an
    exposure smears it over a fixed time. So each edge, in or out, is the running integral of two boxes, one as wide as
    that part of a turn lasts, one as wide as the exposure. All edges of a run share the two widths and the two levels,
    found by least squares (Gauss–Newton, with the moments projected out) from several beginnings. Then each moment is
    tried at many places: its mean and standard deviation are those of the likelihood (normal noise; any moment within a
    step as likely as another before). An edge that fell between two exposures is so put in the middle, and said to be
    unsure. Of the fits that one counts whose likelihood, summed over the moments, is greatest: where no edge was ever
    caught on the way, sharp ones had the better chance to be missed.

    Parameters
    ----------
    times_s, level : (n,) as for `passes_from_samples`; `beam` is what it found in them.

    Returns
    -------
    moments_s, u_s : (j,) s, in order of time. into : (j,) whether the beam becomes blocked there: these are the passes.
    None where there are fewer than three passes.
    """
    times, values = np.asarray(times_s, float), np.asarray(level, float)
    edges = _Edges.of(times, values, beam)
    if edges is None:
        return None
    fits = [edges.fitted(width, part * edges.step) for width, part in BEGUN_AT]
    best = min(fits, key=_Edges.left_over)
    widest, noise = max(fits, key=lambda fit: fit.near.sum()), best.noise()
    best = max(fits, key=lambda fit: fit.over(widest).likely(noise)[2])  # all held against the same samples
    moments, u, _ = best.likely(best.noise())
    return moments, u, edges.into[:, 0]


@dataclass(frozen=True, eq=False)
class _Edges:
    """The edges of a run, in and out, and the shape that they share."""

    times: np.ndarray  # (j, m) of the samples around each edge
    values: np.ndarray  # (j, m)
    near: np.ndarray  # (j, m) whether the sample counts
    into: np.ndarray  # (j, 1) whether the beam becomes blocked
    period: np.ndarray  # (j,) of the turn around it
    rough: np.ndarray  # (j,) moments as they were found
    step: float
    moments: np.ndarray  # (j,)
    width: float  # part of a turn
    exposure: float  # s
    levels: tuple[float, float]  # free, blocked

    @classmethod
    def of(cls, times: np.ndarray, values: np.ndarray, beam: Beam) -> _Edges | None:
        is_high = _state(values, beam.threshold, beam.hysteresis)
        is_blocked, beyond = (x == (beam.blocked == "high") for x in (is_high, values > beam.threshold))
        found = [
            _crossed(times, values, _changes(values, now, past)[1], beam.threshold)
            for now, past in ((is_blocked, beyond), (~is_blocked, ~beyond))
        ]
        if len(found[0]) < FEWEST_PASSES:
            return None
        moments = np.concatenate(found)
        order = np.argsort(moments, kind="stable")
        into = (np.arange(len(moments)) < len(found[0]))[order]
        levels = (beam.high, beam.low) if beam.blocked == "low" else (beam.low, beam.high)
        period = np.interp(moments[order], found[0], np.gradient(found[0], edge_order=2))
        step, none = beam.step_s, np.empty(0)
        return cls(times, values, none, into[:, None], period, moments[order], step, none, 0.0, step / 2, levels)

    def _around(self, width: float) -> _Edges:
        """With only those samples that such an edge may reach, none beyond the middle between two edges."""
        reach = (width * self.period + self.exposure) / 2 + 1.5 * self.step
        apart = np.diff(self.rough) / 2
        first = np.searchsorted(self.times, self.rough - np.minimum(reach, np.r_[np.inf, apart]))
        last = np.searchsorted(self.times, self.rough + np.minimum(reach, np.r_[apart, np.inf]))
        at = first[:, None] + np.arange((last - first).max())
        near, at = at < last[:, None], np.minimum(at, len(self.times) - 1)
        times, values = self.times[at], self.values[at]
        return replace(self, times=times, values=values, near=near, moments=self.rough.copy(), width=width)

    def _shape(self, power: int, off=0.0) -> np.ndarray:
        """The edge itself (power 2) or its slope (power 1) at the samples: from 0 to 1 within the two boxes' widths."""
        wide = np.maximum(self.width * self.period, 0.02 * self.step)[:, None]
        since = self.times - self.moments[:, None] - off
        ends = ((wide + self.exposure) / 2, (wide - self.exposure) / 2)
        total = sum(
            sign * np.maximum(since + end, 0) ** power
            for sign, end in ((1, ends[0]), (-1, ends[1]), (-1, -ends[1]), (1, -ends[0]))
        )
        return np.asarray(total / (power * wide * self.exposure))

    def _left(self, off=0.0) -> np.ndarray:
        """Samples less model."""
        risen = self._shape(2, off)
        free, blocked = self.levels
        return (self.values - free - (blocked - free) * np.where(self.into, risen, 1 - risen)) * self.near

    def _slope(self) -> np.ndarray:
        """How the model moves with each edge's moment."""
        return -np.where(self.into, 1, -1) * self._shape(1) * (self.levels[1] - self.levels[0]) * self.near

    def _free_of(self, columns: np.ndarray, slope: np.ndarray) -> np.ndarray:
        """What the moments can't explain of columns, of the samples that count."""
        squares = np.maximum((slope**2).sum(axis=1), 1e-12)
        return (columns - slope * ((columns * slope).sum(axis=1) / squares)[:, None])[self.near]

    def fitted(self, width: float, exposure: float) -> _Edges:
        """The edges by least squares, from a first guess of the two widths (part of a turn; s)."""
        e = replace(self, exposure=exposure)._around(width)
        most = 1.5 * e.step + e.period / 4
        # a narrow edge has no slope where it is not: so it is looked for first
        e = replace(e, moments=e.likely(ROUGHLY * abs(e.levels[1] - e.levels[0]), PLACES // 10)[0])
        for _ in range(FITTED_ROUNDS):
            slope, free = e._slope(), e.levels[0]
            damped = (slope**2).sum(axis=1) + (0.05 * (e.levels[1] - free) / e.step) ** 2
            move = np.clip((e._left() * slope).sum(axis=1) / damped, -e.step / 2, e.step / 2)
            e = replace(e, moments=np.clip(e.moments + move, e.rough - most, e.rough + most))
            risen = e._shape(2)
            share = np.where(e.into, risen, 1 - risen)[e.near]
            levels = np.linalg.lstsq(np.stack([1 - share, share], axis=1), e.values[e.near], rcond=None)[0]
            e = replace(e, levels=(float(levels[0]), float(levels[1])))
            if (width, exposure) == (SHARP[0], SHARP[1] * e.step):
                continue  # from so narrow a beginning wider edges look as good
            left, slope = e._left(), e._slope()
            steps = 0.02 * e.width, 0.02 * e.exposure
            wider, longer = replace(e, width=e.width + steps[0]), replace(e, exposure=e.exposure + steps[1])
            by = [e._free_of((left - x._left()) / d, slope) for x, d in zip((wider, longer), steps, strict=True)]
            more, longer_s = np.linalg.lstsq(np.stack(by, axis=1), e._free_of(left, slope), rcond=1e-3)[0]
            wide = e.width + float(np.clip(more, -0.4 * e.width, 0.6 * e.width))
            long_s = e.exposure + float(np.clip(longer_s, -0.3 * e.step, 0.3 * e.step))
            e = replace(e, width=min(max(wide, 0.003), 0.5), exposure=min(max(long_s, 0.03 * e.step), 1.3 * e.step))
        return e

    def over(self, other: _Edges) -> _Edges:
        """The same edges, and the samples of others."""
        return replace(self, times=other.times, values=other.values, near=other.near)

    def left_over(self) -> float:
        """Mean square of samples less model."""
        return float((self._left() ** 2).sum() / self.near.sum())

    def noise(self) -> float:
        """Standard deviation of a sample; edges of another shape have no say."""
        spare = np.maximum(self.near.sum(axis=1) - 1, 1)  # the median of a χ² is near this (Wilson & Hilferty 1931)
        squares = np.median((self._left() ** 2).sum(axis=1) / (spare * (1 - 2 / (9 * spare)) ** 3))
        return max(float(np.sqrt(squares)), LEAST_NOISE * abs(self.levels[1] - self.levels[0]))

    def likely(self, noise: float, places: int = PLACES) -> tuple[np.ndarray, np.ndarray, float]:
        """(moments, their standard uncertainties, logarithm of the likelihood summed over the moments)."""
        tried = np.linspace(-self.step, self.step, places)
        found, total = [], 0.0
        for k in range(0, len(self.moments), AT_ONCE):
            part = slice(k, k + AT_ONCE)
            names = ("times", "values", "near", "into", "period", "moments")
            e = replace(self, **{name: getattr(self, name)[part] for name in names})
            squares = np.stack([(e._left(off) ** 2).sum(axis=1) for off in tried], axis=1)
            least = squares.min(axis=1, keepdims=True)
            likely = np.exp((least - squares) / (2 * noise**2))
            total += float(np.sum(np.log(likely.sum(axis=1)) - least[:, 0] / (2 * noise**2)))
            likely /= likely.sum(axis=1, keepdims=True)
            late = likely @ tried
            found.append((e.moments + late, np.sqrt(np.maximum(likely @ tried**2 - late**2, 0))))
        moments, u = (np.concatenate(x) for x in zip(*found, strict=True))
        return moments, u, total


def _state(values: np.ndarray, threshold: float, hysteresis: float) -> np.ndarray:
    """(n,) whether the level is the high one, changed only where it has gone beyond the threshold by the hysteresis."""
    sure = np.where(values > threshold + hysteresis, 1, np.where(values < threshold - hysteresis, -1, 0))
    known = np.maximum.accumulate(np.where(sure != 0, np.arange(len(sure)), -1))
    return np.where(known >= 0, sure[known], sure[np.argmax(sure != 0)]) > 0


def _changes(values: np.ndarray, is_blocked: np.ndarray, beyond: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the state becomes blocked: its first samples, and the last ones before that are not past the threshold."""
    after = np.flatnonzero(~is_blocked[:-1] & is_blocked[1:]) + 1
    return after, np.maximum.accumulate(np.where(beyond, -1, np.arange(len(values))))[after]


def _crossed(times: np.ndarray, values: np.ndarray, clear: np.ndarray, threshold: float) -> np.ndarray:
    """Where the straight line from each of these samples to the next one meets the threshold."""
    here, there = values[clear], values[clear + 1]
    part = (threshold - here) / np.where(there == here, 1, there - here)
    return times[clear] + part * (times[clear + 1] - times[clear])


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
