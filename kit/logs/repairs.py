"""Which pass times cannot be right: bounces of the gate, and turns in which it saw nothing.

Both searches compare each gap between passes with its neighbours in the same run. They know no
drag law. What they use is that a heavy rotor changes its speed smoothly, so that the speed plotted
against angle is a line without kinks, apart from the push.
"""

from __future__ import annotations

import numpy as np

__all__ = ["find_bounces", "find_missed", "usual_gaps"]

BOUNCE_RATIO = 0.3  # a gap below this share of what its neighbours allow is a bounce
WINDOW = 9  # turns in the neighbourhood that says which gap is usual
LOOSER_RATIO = 0.4  # of the turns right beside it: only such gaps are looked at closely
REACH = 4  # gaps to either side of a bounce that must be long (so up to three bounces in a row)
SCREEN_RATIO = 1.25  # gaps that change less than this from turn to turn need no closer look
MISS_COST = 0.3  # price of a miss, in kinks of the speed line
NOISE_WINDOW = 41  # gaps in which the kinks from jitter are judged
NOISE_COST = 10.0  # added price of a miss for each unit of kink that jitter alone makes there
MARGIN = 4  # gaps to either side of an oddity that are weighed with it
LONGEST_STRETCH = 256  # gaps weighed together at most; bounds the memory
LANES = 5  # counts tried a gap: 1, 2, 3, and the two whole numbers (4 or more) next to gap / usual gap


def find_bounces(times_s: np.ndarray, flags_per_turn: int = 1) -> np.ndarray:
    """Positions of passes that came impossibly soon after the pass before.

    Parameters
    ----------
    times_s : (n,) strictly increasing pass times, s.
    flags_per_turn : flags that pass the gate in one turn. They may stand at unequal angles: a gap is
        compared with the *smallest* gap of each neighbouring turn, so two flags close together are
        safe; a bounce that lasts longer than 0.3 of the smallest flag gap stays unseen.

    Returns
    -------
    (k,) increasing positions in `times_s`: the later pass of each short gap.
    """
    kept = np.arange(len(times_s))
    while len(kept) > 2:
        short = _short_gaps(np.diff(times_s[kept]), flags_per_turn)
        if len(short) == 0:
            break
        kept = np.delete(kept, short + 1)
    return np.setdiff1d(np.arange(len(times_s)), kept, assume_unique=True)


def _short_gaps(gaps: np.ndarray, flags: int) -> np.ndarray:
    """Positions of gaps far below the usual one *and* below what stands on each side of them.

    The usual gap is the 5/8 quantile of the neighbourhood, not its median: then a gate that
    bounces on every second pass is recognised too. The second condition spares the fastest turn
    of a short run, which stands between a slow launch and a slow end.
    """
    smallest = _rolling(gaps, flags, np.min)  # of each whole turn
    reach = REACH + flags - 1  # so many whole turns to each side, each one gap on from the next
    blank = np.zeros(flags + reach)
    before = np.concatenate((blank, smallest))  # before[k + reach]: the turn that ends where gap k begins
    after = np.concatenate((smallest, blank))  # after[k + 1]: the turn that begins where gap k ends
    at = np.arange(len(gaps))
    beside = np.maximum(before[at + reach], after[at + 1])
    at = np.flatnonzero(gaps < LOOSER_RATIO * beside)  # a cheap first look

    usual = _around(smallest, np.minimum(at, len(smallest) - 1), WINDOW * flags, 5 / 8)
    near = at[:, None] + np.arange(1, reach + 1)
    sides = np.stack((before[near].max(axis=1), after[near].max(axis=1)))
    allowed = np.where(sides > 0, sides, np.inf).min(axis=0)
    return at[gaps[at] < BOUNCE_RATIO * np.minimum(usual, allowed)]


def find_missed(times_s: np.ndarray, flags_per_turn: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Gaps that hold more than one step from flag to flag. Bounces must be out already.

    Every gap is given the whole number of steps that leaves the line of speed against angle with
    the fewest kinks (least sum of |change of slope|, relative to the speed there). Along such a line
    natural slowing near rest is smooth, however fast the turn periods grow: for drag in proportion to
    speed the line is straight. A miss has a price, which grows with the kinks that the jitter of the gate
    makes around it, so that a shaky gate does not look like a gate that misses passes. The first and the
    last gap are left alone: with neighbours on one side only, a miss and a slow turn look the same.

    Parameters
    ----------
    times_s : (n,) strictly increasing pass times, s.
    flags_per_turn : flags a turn; unequal flag angles are estimated from the run and allowed for.

    Returns
    -------
    after : (k,) positions in `times_s` of the passes that end such gaps.
    missed : (k,) number of passes missed before each of them.
    """
    gaps = np.diff(times_s)
    counts = np.ones(len(gaps), dtype=np.int64)
    pattern = _flag_pattern(gaps, flags_per_turn)
    kinks = _kinks(gaps, flags_per_turn)
    base_cost = MISS_COST if len(pattern) == 1 else 2 * MISS_COST  # unequal flags leave more room for error
    for length, starts in _stretches(gaps, flags_per_turn):
        for some in np.array_split(starts, -(-len(starts) // 2048)):
            where = some[:, None] + np.arange(length)
            jitter = _around(kinks, where[:, ::8], NOISE_WINDOW, 1 / 4)  # changes little over eight gaps
            miss_cost = base_cost + NOISE_COST * np.repeat(jitter, 8, axis=1)[:, :length]
            at_end = (where == 0) | (where == len(gaps) - 1)
            counts[where] = _smoothest_counts(
                gaps[where], usual_gaps(gaps, where, flags_per_turn), pattern, at_end, miss_cost
            )
    at = np.flatnonzero(counts > 1)
    return at + 1, counts[at] - 1


def usual_gaps(gaps: np.ndarray, at: np.ndarray, flags_per_turn: int = 1) -> np.ndarray:
    """The usual gap around the gaps at positions `at`: median over nine turns of the mean gap of a turn."""
    turns = _rolling(gaps, flags_per_turn, np.mean)
    centred = np.clip(at - flags_per_turn // 2, 0, len(turns) - 1)
    return _around(turns, centred, WINDOW * flags_per_turn, 1 / 2)


def _rolling(values: np.ndarray, size: int, what) -> np.ndarray:
    """`what` of each `size` values in a row; of all of them if there are fewer."""
    if size == 1 or len(values) == 0:
        return values
    windows = np.lib.stride_tricks.sliding_window_view(values, min(size, len(values)))
    return what(windows, axis=1)


def _around(values: np.ndarray, at: np.ndarray, size: int, quantile: float) -> np.ndarray:
    """The given quantile (an observed value) of the `size` values around each position, mirrored at the ends."""
    n = len(values)
    index = (at[..., None] + np.arange(size) - size // 2) % (2 * n)
    index = np.where(index < n, index, 2 * n - 1 - index)
    rank = round(quantile * (size - 1))
    return np.partition(values[index], rank, axis=-1)[..., rank]


def _kinks(gaps: np.ndarray, flags: int) -> np.ndarray:
    """(n,) change of slope from turn to turn around each gap, as a share of the speed there."""
    if len(gaps) < 2 * flags + 1:
        return np.zeros(len(gaps))
    speed = 1 / gaps
    change = np.abs(speed[2 * flags :] - 2 * speed[flags:-flags] + speed[: -2 * flags])
    return np.pad(change / speed[flags:-flags], flags, mode="edge")


def _flag_pattern(gaps: np.ndarray, flags: int) -> np.ndarray:
    """(p,) gaps within one turn, mean 1, from the three turns that repeat best; one flag: [1]."""
    if flags == 1 or len(gaps) < 3 * flags:
        return np.ones(1)
    change = np.abs(np.log(gaps[flags:]) - np.log(gaps[:-flags]))
    start = int(np.argmin(_rolling(change, 2 * flags, np.max)))
    turns = gaps[start : start + 3 * flags].reshape(3, flags)
    pattern = np.mean(turns / turns.mean(axis=1, keepdims=True), axis=0)
    return np.ones(1) if np.ptp(pattern) < 0.1 else pattern


def _stretches(gaps: np.ndarray, flags: int) -> list[tuple[int, np.ndarray]]:
    """Parts of the run in which the speed changes abruptly, with margins: (length, starts) by length."""
    n = len(gaps)
    if n < 3:
        return []
    margin = MARGIN + (flags if flags > 1 else 0)
    step = np.abs(np.log(gaps[flags:]) - np.log(gaps[:-flags])) > np.log(SCREEN_RATIO)
    odd = np.flatnonzero(step)
    if len(odd) == 0:
        return []
    edges = np.zeros(n + 1, dtype=np.int64)
    np.add.at(edges, np.maximum(odd - margin, 0), 1)
    np.add.at(edges, np.minimum(odd + flags + margin + 1, n), -1)
    inside = np.concatenate(([0], np.cumsum(edges[:n]) > 0, [0]))
    change = np.diff(inside.astype(np.int8))
    starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    parts = -(-(stops - starts) // LONGEST_STRETCH)
    cuts = [np.linspace(a, b, k + 1).astype(int) for a, b, k in zip(starts, stops, parts, strict=True)]
    starts = np.concatenate([c[:-1] for c in cuts])
    lengths = np.concatenate([np.diff(c) for c in cuts])
    return [(int(length), starts[lengths == length]) for length in np.unique(lengths)]


def _smoothest_counts(
    gaps: np.ndarray, usual: np.ndarray, pattern: np.ndarray, at_end: np.ndarray, miss_cost: np.ndarray
) -> np.ndarray:
    """(m, length) whole steps in each gap of m stretches, by dynamic programming over all choices.

    A state is (choice for the gap before, choice for this gap, flag that ends this gap). The price of
    a step from state to state is the change of slope between the two pairs of gaps, times the usual
    gap (so that it has no unit), plus MISS_COST·ln(count).
    """
    m, length = gaps.shape
    flags = len(pattern)
    around = np.concatenate(([0.0], np.cumsum(np.tile(pattern, 2))))
    choices = np.empty((m, length, LANES), dtype=np.int64)
    choices[..., :3] = 1, 2, 3
    choices[..., 3] = np.maximum(np.minimum(gaps / usual, 1e6), 4)
    choices[..., 4] = choices[..., 3] + 1
    choices[at_end] = 1
    end = np.arange(flags)
    begin = (end - choices[..., None]) % flags  # flag that starts the gap
    whole = (choices[..., None] - (end - begin)) // flags
    angle = whole * flags + (around[end] - around[begin])  # (m, length, choice, end flag), in mean flag steps
    speed = angle / gaps[..., None, None]
    price = miss_cost[..., None] * np.log(choices)

    def slope(k: int) -> np.ndarray:
        """(m, choice before, choice, end flag): change of speed over change of angle from gap k-1 to k."""
        faster = speed[:, None, k] - _at_begin(speed[:, k - 1], begin[:, k])
        return 2 * faster / (angle[:, None, k] + _at_begin(angle[:, k - 1], begin[:, k]))

    slopes = slope(1)
    cost = np.broadcast_to(price[:, 0, :, None, None] + price[:, 1, None, :, None], slopes.shape)
    came_from = np.zeros((length, m, LANES, LANES, flags), dtype=np.int8)
    for k in range(2, length):
        cost, slopes_before = _at_begin(cost, begin[:, k]), _at_begin(slopes, begin[:, k])
        slopes = slope(k)
        kink = np.abs(slopes[:, None] - slopes_before) * usual[:, k - 1, None, None, None, None]
        total = cost + kink
        came_from[k] = total.argmin(axis=1)
        cost = total.min(axis=1) + price[:, k, None, :, None]

    best = cost.reshape(m, -1).argmin(axis=1)
    before, now, flag = np.unravel_index(best, cost.shape[1:])
    lane = np.empty((m, length), dtype=np.int64)
    every = np.arange(m)
    for k in range(length - 1, 0, -1):
        lane[:, k] = now
        flag_before = begin[every, k, now, flag]
        earlier = came_from[k, every, before, now, flag]
        before, now, flag = earlier, before, flag_before
    lane[:, 0] = now
    return np.take_along_axis(choices, lane[..., None], axis=2)[..., 0]


def _at_begin(values: np.ndarray, begin: np.ndarray) -> np.ndarray:
    """(m, ..., choice, flag): `values` (m, ..., flag) at the flag that begins each choice for the next gap."""
    if values.shape[-1] == 1:
        return values[..., None, :]
    index = begin.reshape(len(begin), *(1,) * (values.ndim - 2), *begin.shape[1:])
    return np.take_along_axis(values[..., None, :], index, axis=-1)
