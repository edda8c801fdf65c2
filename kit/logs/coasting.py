"""Where the push ends: the last moment at which the speed rises for good.

A coasting rotor only slows down, and slows smoothly. At each gap the speed before it and after it, each over whole
turns, is compared with what the slowing on both sides lets one expect. Because no law of drag is known here, that is
done on lines of ln ω, ω and ω² against angle (straight for drag ∝ ω², ∝ ω and constant), and only what all three call
odd, and what is more than jitter, counts as a rise.
What disturbs the coast after it is the business of `kit.motion.breaks`.
"""

from __future__ import annotations

import numpy as np

from .inference import jitter_of

__all__ = ["BY_HAND_S", "coasting_start"]

SPANS = (1, 2, 4, 8)  # turns over which speeds are compared: short ones for short runs, long ones for shaky gates
LEAST_CHANGE = 0.05  # share of the speed: less is the business of friction that differs around the turn
NOISE = 7.0  # standard deviations that jitter does not reach
BENT = 0.35  # of the speed lost in between: where slowing is strong, lines are a poor guide
SMOOTH = 4  # changes of speed in a row that make a smooth coast
BIGGEST_LOSS = 0.3  # ln of speed in a turn; a coast that starts by losing more is no coast
BY_HAND_S = 0.01  # no gate scatters as much; hardly a person scatters less
FEW = 24  # turns
LASTING = 5  # gaps after a rise, for it to be a push
RISE = 1.02  # a speed that is higher than before by more than this has risen


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
    at, change, score = _changes(times_s, turns)
    if len(at) == 0:
        return peak
    lasting = (score > 1) & (change > 0) & (at > peak) & (at + LASTING < n)
    lasting &= _rises(times_s, turns)[np.minimum(at, n - 1)]
    for last in at[lasting][-1:].tolist():
        peak = last - 1 + _peak(speed[last - 1 :])
    return _past_push(times_s, turns, _first_smooth(times_s, turns, peak))


def _past_push(times_s, turns, first) -> int:
    """On from pass `first` while the turn from a pass is still partly pushed.

    That is so if the next turn is faster, or if the speed falls less than half as much from this turn to the next as
    from there on: friction of any law lets ln ω fall ever faster from turn to turn, but by less than twice as much.
    Matters in short runs: one pass of the push among nine bends the whole curve. In doubt a pass is left out, which
    costs little, so jitter is taken to be at most a hundredth of a turn here. Taps of a person tell nothing that fine.
    """
    h = _flags_per_turn(turns)
    t, a = times_s[first : first + 6 * h + LASTING], turns[first : first + 6 * h + LASTING]
    jitter_s = jitter_of(times_s[first:])
    by_hand = jitter_s > BY_HAND_S and len(times_s) - first > FEW * h
    if len(t) < 4 * h + LASTING or by_hand:
        return first
    lasts = t[h:] - t[:-h]
    speed = np.log((a[h:] - a[:-h]) / lasts)
    change = speed[h:] - speed[:-h]
    now, then = change[:-h], change[h:]
    noise = np.minimum(4 * 2.5 * jitter_s / lasts[: len(now)], 0.05)
    pushed = (now > 0.02 + noise) | ((now > then / 2) & (now - then > LEAST_CHANGE + noise))
    return first + int(np.argmin(np.append(pushed, False)))


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
    """At each gap: pass that ends it; change of ln speed beside what the slowing makes one expect; its score.

    Above 1 is odd.
    """
    n = len(times_s)
    per_turn = _flags_per_turn(turns)
    empty = np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    if n < 4 * per_turn + 2:
        return empty
    jitter = max(jitter_of(times_s[::per_turn]), 2e-16 * np.abs(times_s).max())
    best = None
    for span in spans:
        h = span * per_turn
        i = np.arange(2 * h, n - 2 * h - 1)  # the gap from pass i to pass i + 1
        if len(i) == 0:
            break
        lasts, turned = times_s[h:] - times_s[:-h], turns[h:] - turns[:-h]
        # of the stretches of `span` turns: the two that end before each gap, the two that begin after it
        parts = [slice(at, at + len(i)) for at in (0, h, 2 * h + 1, 3 * h + 1)]
        speed, middle = turned / lasts, (turns[h:] + turns[:-h]) / 2
        speeds, middles = [speed[part] for part in parts], [middle[part] for part in parts]
        before, between, after = (middles[k + 1] - middles[k] for k in range(3))
        least, drop = np.full(len(i), np.inf), np.zeros(len(i))
        for power in (0, 1, 2):
            of_speed = np.log(speed) if power == 0 else speed**power
            f = [of_speed[part] for part in parts]
            scale = 1.0 if power == 0 else power * np.sqrt(speeds[1] * speeds[2]) ** power
            expected = ((f[1] - f[0]) / before + (f[3] - f[2]) / after) / 2 * between
            off = (f[2] - f[1] - expected) / scale
            drop = np.maximum(drop, np.abs(expected) / scale)
            agreed = (np.sign(off) == np.sign(least)) | (power == 0)
            least = np.where(agreed, np.where(np.abs(off) < np.abs(least), off, least), 0.0)
        often = 1 / lasts**2
        noise = jitter * np.sqrt(sum(often[part] for part in parts)) * 2.5
        score = np.abs(least) / np.maximum(np.maximum(NOISE * noise, LEAST_CHANGE), BENT * drop)
        if best is None:
            best = (i + 1, least, score)
            continue
        where = i - best[0][0] + 1
        better = score > best[2][where]
        best[1][where[better]], best[2][where[better]] = least[better], score[better]
    return best or empty
