"""Where the push ends, and what disturbed the coast after it: a hand, a clock, a gate that moved.

A coasting rotor only slows down, and slows smoothly. At each gap the speed before it and after it, each over whole
turns, is compared with what the slowing on both sides lets one expect. Because no law of drag is known here, that is
done on lines of ln ω, ω and ω² against angle (straight for drag ∝ ω², ∝ ω and constant), and only what all three call
odd, and what is more than jitter, is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .inference import jitter_of

__all__ = ["Disturbance", "Passes", "coasting_start", "examine"]

SPANS = (1, 2, 4, 8)  # turns over which speeds are compared: short ones for short runs, long ones for shaky gates
LEAST_CHANGE = 0.05  # share of the speed: less is the business of friction that differs around the turn
LEAST_JUMP = 0.03  # turns
NOISE = 7.0  # standard deviations that jitter does not reach
BENT = 0.35  # of the speed lost in between: where slowing is strong, lines are a poor guide
SMOOTH = 4  # changes of speed in a row that make a smooth coast
BIGGEST_LOSS = 0.3  # ln of speed in a turn; a coast that starts by losing more is no coast
MOST_JUMPS = 5  # of a clock; a log with more has one doubt already
LASTING = 5  # gaps after a rise, for it to be a push
RISE = 1.02  # a speed that is higher than before by more than this has risen


@dataclass(frozen=True)
class Disturbance:
    """One thing that happened to a coasting rotor, its gate or its clock."""

    kind: str  # "pushed", "braked" or "jump"
    index: int  # of the pass that ends the gap in which it happened, among the times given
    time_s: float  # of that pass
    factor: float  # speed after/before; of a jump: turns that the gap is too long (or, below 0, too short) for
    sentence: str


@dataclass(frozen=True)
class Passes:
    """What a run's passes tell of push and coast."""

    coasting_start: int  # index of the pass at which coasting begins, among the counted passes
    coasting_start_s: float
    second_push: Disturbance | None
    braked: Disturbance | None
    jump: Disturbance | None

    @property
    def oddities(self) -> tuple[Disturbance, ...]:
        """All that was found, in order of time."""
        found = [d for d in (self.second_push, self.braked, self.jump) if d is not None]
        return tuple(sorted(found, key=lambda d: d.index))


def coasting_start(times_s: np.ndarray, turns: np.ndarray) -> int:
    """Index of the pass at which coasting begins: after it the speed never rises for good.

    A rise is for good if the next gaps are faster, too, and enough passes follow. From the last one on, the first
    three gaps that slow down smoothly are looked for, and followed back to where that begins. So neither one fast
    gap (a hand that passes the gate) nor an early stroke of the push is taken for the release.

    Parameters
    ----------
    times_s : (n,) strictly increasing, s.
    turns : (n,) angle in turns, as `counted_passes` returns it.
    """
    n = len(times_s)
    if n < 3:
        return 0
    gaps = np.diff(times_s)
    speed = np.diff(turns) / gaps
    peak = _peak(speed)
    at, _, _, change, score = _changes(times_s, turns)
    if len(at) == 0:
        return peak
    lasting = (score > 1) & (change > 0) & (at > peak) & (at + LASTING < n)
    lasting &= _rises(times_s, turns)[np.minimum(at, n - 1)]
    for last in at[lasting][-1:].tolist():
        peak = last - 1 + _peak(speed[last - 1 :])
    return _first_smooth(times_s, turns, peak)


def _first_smooth(times_s, turns, peak) -> int:
    """The pass at which smooth slowing begins, near the peak or after it; the peak itself if it is nowhere smooth."""
    h, n = _flags_per_turn(turns), len(times_s)
    if n < peak + 2 * h + SMOOTH + 2:
        return peak
    stop = min(n, peak + 40 * h + SMOOTH)
    low = max(peak - 4 * h, 0)
    t, a = times_s[low:stop], turns[low:stop]
    lasts = t[h:] - t[:-h]
    speed = np.log((a[h:] - a[:-h]) / lasts)
    change = speed[h:] - speed[:-h]
    noise = 4 * 2.5 * jitter_of(times_s[peak:]) / lasts[h:]
    smooth = np.atleast_1d((change < 0.02 + noise) & (change > -BIGGEST_LOSS - noise))
    windows = np.lib.stride_tricks.sliding_window_view(smooth, min(SMOOTH, len(smooth)))
    run = np.asarray(windows.all(axis=1))
    at = np.flatnonzero(run[max(peak - low - 1, 0) :])
    if len(at) == 0:
        return peak
    first = int(at[0]) + max(peak - low - 1, 0)
    while first > 0 and smooth[first - 1] and speed[first - 1] > speed[first]:
        first -= 1
    return max(low + first, peak) if first + low >= peak - 1 else peak


def _flags_per_turn(turns) -> int:
    return max(int(np.rint(1 / np.median(np.diff(turns)))), 1) if len(turns) > 1 else 1


def _rises(times_s, turns) -> np.ndarray:
    """(n,) whether each of the three turns from a pass on is faster than the two turns before the gap that it ends."""
    h, n = _flags_per_turn(turns), len(times_s)
    faster = np.zeros(n, dtype=bool)
    if n < 4 * h + 2:
        return faster
    speed = (turns[h:] - turns[:-h]) / (times_s[h:] - times_s[:-h])
    at = np.arange(2 * h + 1, n - 3 * h)
    slowest = np.minimum.reduce([speed[at], speed[at + h], speed[at + 2 * h]])
    faster[at] = slowest > RISE * np.maximum(speed[at - 1 - h], speed[at - 1 - 2 * h])  # one slow gap is no push
    return faster


def _peak(speed) -> int:
    """The pass with the highest speed, single fast gaps apart."""
    width = min(5, len(speed))
    usual = np.median(np.lib.stride_tricks.sliding_window_view(speed, width), axis=1)
    usual = usual[np.clip(np.arange(len(speed)) - width // 2, 0, len(usual) - 1)]
    level = np.minimum(speed, usual)
    at_pass = (np.concatenate((level[:1], level)) + np.concatenate((level, level[-1:]))) / 2
    return int(np.argmax(at_pass))


def _changes(times_s, turns, spans=SPANS):
    """At each gap: pass that ends it; jump in turns and its score; change of ln speed and its score. Above 1 is odd."""
    n = len(times_s)
    per_turn = _flags_per_turn(turns)
    empty = (np.empty(0, dtype=np.int64), np.empty(0), np.empty(0), np.empty(0), np.empty(0))
    if n < 4 * per_turn + 2:
        return empty
    jitter = max(jitter_of(times_s[::per_turn]), 2e-16 * np.abs(times_s).max())
    best = None
    for span in spans:
        h = span * per_turn
        i = np.arange(2 * h, n - 2 * h - 1)  # the gap from pass i to pass i + 1
        if len(i) == 0:
            break
        corners = (i - 2 * h, i - h, i, i + 1, i + 1 + h, i + 1 + 2 * h)
        t, a = [times_s[c] for c in corners], [turns[c] for c in corners]
        lasts = [t[k + 1] - t[k] for k in range(5)]
        speeds = [(a[k + 1] - a[k]) / lasts[k] for k in (0, 1, 3, 4)]
        middles = [(a[k + 1] + a[k]) / 2 for k in (0, 1, 3, 4)]
        gap_middle = (a[2] + a[3]) / 2
        least, drop, between = np.full(len(i), np.inf), np.zeros(len(i)), []
        for power in (0, 1, 2):
            f = [np.log(v) if power == 0 else v**power for v in speeds]
            scale = 1.0 if power == 0 else power * np.sqrt(speeds[1] * speeds[2]) ** power
            slope_before = (f[1] - f[0]) / (middles[1] - middles[0])
            slope_after = (f[3] - f[2]) / (middles[3] - middles[2])
            expected = (slope_before + slope_after) / 2 * (middles[2] - middles[1])
            off = (f[2] - f[1] - expected) / scale
            drop = np.maximum(drop, np.abs(expected) / scale)
            weight = (gap_middle - middles[1]) / (middles[2] - middles[1])
            level = f[1] + (f[2] - f[1]) * weight
            between.append(np.exp(level) if power == 0 else np.maximum(level, 1e-12) ** (1 / power))
            agreed = (np.sign(off) == np.sign(least)) | (power == 0)
            least = np.where(agreed, np.where(np.abs(off) < np.abs(least), off, least), 0.0)
        noise = jitter * np.sqrt(sum((1 / lasts[k]) ** 2 for k in (0, 1, 3, 4))) * 2.5
        # turns beyond what the speeds at both sides make of the gap
        jumps = np.stack([lasts[2] * v - (a[3] - a[2]) for v in between])
        agree = (np.sign(jumps) == np.sign(jumps[0])).all(axis=0)
        jump = np.where(agree, jumps[0], 0.0)
        for one in jumps[1:]:
            jump = np.where(np.abs(one) < np.abs(jump), one, jump)
        jump = np.where(agree, jump, 0.0)
        score = np.abs(least) / np.maximum.reduce([NOISE * noise, np.full(len(i), LEAST_CHANGE), BENT * drop])
        jump_noise = jitter * np.sqrt(2 + (lasts[2] / lasts[1]) ** 2) / (lasts[2] / (a[3] - a[2]))
        jump_score = np.abs(jump) / np.maximum.reduce(
            [NOISE * jump_noise, np.full(len(i), LEAST_JUMP), BENT * drop * (a[3] - a[2])]
        )
        if best is None:
            best = (i + 1, np.zeros(len(i)), np.zeros(len(i)), np.zeros(len(i)), np.zeros(len(i)))
            offset = int(i[0])
        where = i - offset
        better = score > best[3][where]
        for column, value in ((2, least), (3, score)):
            best[column][where[better]] = value[better]
        better = jump_score > best[4][where]
        best[1][where[better]], best[4][where[better]] = jump[better], jump_score[better]
    if best is None:
        return empty
    at, jump, change, score, jump_score = best
    return at, jump, jump_score, change, score


def examine(times_s: np.ndarray, turns: np.ndarray) -> Passes:
    """What happened in a run, from its counted passes (n,): times in s, angles in turns."""
    start = coasting_start(times_s, turns)
    start_s = float(times_s[start]) if len(times_s) else 0.0
    found: dict[str, Disturbance | None] = {"pushed": None, "braked": None, "jump": None}
    first = start + 1  # the gap that follows the peak may still be pushed
    times, angles = np.array(times_s[first:]), turns[first:]
    at, jump, jump_score, change, score = _changes(times, angles)
    for _ in range(MOST_JUMPS):
        # the speeds on both sides agree, only the gap does not fit: put the clock right and look again
        jumps = np.where((jump_score > 1) & (score < np.maximum(1, jump_score / 4)), jump_score, 0.0)
        if not jumps.any():
            break
        k = int(np.argmax(jumps))
        index, size = int(at[k]), float(jump[k])
        if found["jump"] is None:
            found["jump"] = Disturbance("jump", index + first, float(times_s[index + first]), size, "")
        gap, steps = times[index] - times[index - 1], angles[index] - angles[index - 1]
        times[index:] -= gap * size / (steps + size)
        at, jump, jump_score, change, score = _changes(times, angles)
    near = 2 * SPANS[-1] * _flags_per_turn(turns)
    while len(at) and score.max() > 1:  # the strongest first; what stands near it is its shadow
        k = int(np.argmax(score))
        kind = "pushed" if change[k] > 0 else "braked"
        index = int(at[k]) + first
        if found[kind] is None:
            found[kind] = Disturbance(kind, index, float(times_s[index]), float(np.exp(change[k])), "")
        score = np.where(np.abs(at - at[k]) <= near, 0.0, score)
    told = {kind: _told(d, start_s) for kind, d in found.items()}
    return Passes(start, start_s, told["pushed"], told["braked"], told["jump"])


def _told(d: Disturbance | None, start_s: float) -> Disturbance | None:
    if d is None:
        return None
    when = f"at {d.time_s:.1f} s on the log's clock"
    sentence = {
        "pushed": f"It was pushed again {when}: the speed rose by {100 * (d.factor - 1):.0f} %.",
        "braked": f"Something braked it {when}: the speed fell by {100 * (1 - d.factor):.0f} % all at once.",
        "jump": f"The log does not fit {when}: the clock jumped, or the gate was moved.",
    }[d.kind]
    return Disturbance(d.kind, d.index, d.time_s, d.factor, sentence)
