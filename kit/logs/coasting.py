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

__all__ = ["coasting_start"]

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
    h = max(int(np.rint(1 / np.median(np.diff(turns)))), 1)  # flags a turn
    speed = np.diff(turns) / np.diff(times_s)
    peak = _peak(speed)
    if n < 4 * h + 2:
        return peak
    at = _rises(times_s, turns, h)
    at = at[(at > peak) & (at + LASTING < n)]
    if len(at):
        change, score = _changes(times_s, turns, h, at)
        for last in at[(score > 1) & (change > 0)][-1:].tolist():
            peak = last - 1 + _peak(speed[last - 1 :])
    return _past_push(times_s, turns, h, _first_smooth(times_s, turns, h, peak))


def _past_push(times_s, turns, h, first) -> int:
    """On from pass `first` while the turn from a pass is still partly pushed.

    That is so if the next turn is faster, or if the speed falls less than half as much from this turn to the next as
    from there on: friction of any law lets ln ω fall ever faster from turn to turn, but by less than twice as much.
    Matters in short runs: one pass of the push among nine bends the whole curve. In doubt a pass is left out, which
    costs little, so jitter is taken to be at most a hundredth of a turn here. Taps of a person tell nothing that fine.
    """
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


def _first_smooth(times_s, turns, h, peak) -> int:
    """The pass at which smooth slowing begins, near the peak or after it; the peak itself if it is nowhere smooth."""
    n = len(times_s)
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


def _rises(times_s, turns, h) -> np.ndarray:
    """Passes from which each of three turns is faster than the two turns before the gap that ends there."""
    many = len(times_s) - 5 * h - 1
    if many < 1:
        return np.empty(0, dtype=np.int64)
    speed = (turns[h:] - turns[:-h]) / (times_s[h:] - times_s[:-h])
    first = 2 * h + 1
    two, one, now, then, last = (speed[at : at + many] for at in (0, h, first, first + h, first + 2 * h))
    slowest = np.minimum(np.minimum(now, then), last)
    return np.flatnonzero(slowest > RISE * np.maximum(one, two)) + first  # one slow gap is no push


def _peak(speed) -> int:
    """The pass with the highest speed, single fast gaps apart."""
    if len(speed) < 5:
        usual = np.full(len(speed), np.median(speed))
    else:
        middle = _median_of_five(speed)
        usual = np.concatenate((middle[:1], middle[:1], middle, middle[-1:], middle[-1:]))
    level = np.minimum(speed, usual)
    at_pass = (np.concatenate((level[:1], level)) + np.concatenate((level, level[-1:]))) / 2
    return int(np.argmax(at_pass))


def _median_of_five(values) -> np.ndarray:
    """The median of each five values in a row, (n − 4,): several times as quick as np.median of as many windows.

    Of two pairs, the smallest and the greatest of the four are not it: what is left are two, and the fifth value.
    """
    low, high = np.minimum(values[:-1], values[1:]), np.maximum(values[:-1], values[1:])
    a, b = np.maximum(low[:-3], low[2:-1]), np.minimum(high[:-3], high[2:-1])
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), values[4:]))


def _changes(times_s, turns, h, at) -> tuple[np.ndarray, np.ndarray]:
    """At the gaps that end at passes `at`: change of ln speed beside what the slowing makes one expect; its score.

    Above 1 is odd.
    """
    jitter = max(jitter_of(times_s[::h]), 2e-16 * np.abs(times_s).max())
    change, best = np.zeros((2, len(at)))
    for wide in (span * h for span in SPANS):
        within = np.flatnonzero((at > 2 * wide) & (at < len(times_s) - 2 * wide))
        # of the stretches of so many passes: the two that end before each gap, the two that begin after it
        begin = at[within] + np.array([-2 * wide - 1, -wide - 1, 0, wide])[:, None]
        lasts, turned = times_s[begin + wide] - times_s[begin], turns[begin + wide] - turns[begin]
        speed, middle = turned / lasts, (turns[begin + wide] + turns[begin]) / 2
        before, between, after = np.diff(middle, axis=0)
        least, drop = np.full(len(within), np.inf), np.zeros(len(within))
        for power in (0, 1, 2):
            f = np.log(speed) if power == 0 else speed**power
            scale = 1.0 if power == 0 else power * np.sqrt(speed[1] * speed[2]) ** power
            expected = ((f[1] - f[0]) / before + (f[3] - f[2]) / after) / 2 * between
            off = (f[2] - f[1] - expected) / scale
            drop = np.maximum(drop, np.abs(expected) / scale)
            agreed = (np.sign(off) == np.sign(least)) | (power == 0)
            least = np.where(agreed, np.where(np.abs(off) < np.abs(least), off, least), 0.0)
        noise = jitter * np.sqrt((1 / lasts**2).sum(axis=0)) * 2.5
        score = np.abs(least) / np.maximum(np.maximum(NOISE * noise, LEAST_CHANGE), BENT * drop)
        better = score > best[within]
        change[within[better]], best[within[better]] = least[better], score[better]
    return change, best
