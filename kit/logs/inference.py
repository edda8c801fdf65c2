"""Which passes are the flag's own, and how many flags went by between them: one inference for a whole run.

The model and its search are those of `kit.logs.viterbi`. Cost and memory are linear in passes: a vectorised screen
first sets apart the stretches in which all gaps are alike, and settles lone oddities between such gaps. Windows around
all others are searched side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .viterbi import BOUNCE, BOUNCE_SHARE, FOREIGN, HAND, MOST_STEPS, Survivors

__all__ = [
    "BOUNCE",
    "FOREIGN",
    "Explanation",
    "coarse_factor",
    "explain_passes",
    "jitter_of",
    "prices_without",
    "tick_of",
]

PATTERN_HOLDS = 0.25  # ln: by which most gaps differ at most from the same gap one turn before
MANY_BY_HAND = (6, 0.15)  # more gaps than this, and this share of them, do not look like one push
IN_A_ROW = 4  # gaps of several flags in a row that have to show where they begin or end
UNEVEN_RIPPLE = 0.01  # of the gap: how far the flags' own pattern strays along a run
MOST_JITTER = 0.03  # of the usual gap, at the first try, with several flags
MANY = 20_000  # third differences that tell a gate's jitter as well as more would
LEAST_JITTER = 5e-4  # of the usual gap: the model is no better than that
MARGIN = 8  # passes to either side of an oddity that are weighed with it
CHUNK, OVERLAP = 384, 32  # longer windows are searched in overlapping parts
BATCH = 5_000  # passes searched side by side: so many stay in the cache
SCREEN_STEP, SCREEN_KINK = 0.25, 0.2  # ln: gaps that change less, and bend less, from turn to turn are alike
LONE_NEAR = 0.1  # ln: the gaps beside a lone oddity lie on one line that well
STEADY = 0.6  # ln: a rotor near rest slows by no more than that from turn to turn, but in its last
COARSE_TICKS, COARSE_WIDER = 10, 1.25
LONE_FIT = 0.05  # share: a lone oddity fits its explanation that well


@dataclass(frozen=True, eq=False)
class Explanation:
    """For each pass: what it is, and how many flags went by since the kept pass before it."""

    extra: np.ndarray  # (n,) 0: a flag; BOUNCE; FOREIGN
    steps: np.ndarray  # (n,) 1 or more where kept (0 for the first kept pass), 0 where left out
    way: np.ndarray  # (n,) 0: coasting; 1: a hand was on the rotor in the gap before; 2: the clock jumped there
    lone: np.ndarray  # (n,) settled by the screen alone: nothing else comes near it
    jitter_s: float
    pattern: np.ndarray  # (flags,) angle from flag to flag, mean 1


def jitter_of(times_s: np.ndarray) -> float:
    """Scatter of pass times (s) about a smooth curve: from the smallest eighth of third differences, so that many odd
    passes do no harm.

    A third difference of independent errors σ has the variance 20 σ²; |N(0, 1)| is below 0.157 one time in eight. Where
    a coarse clock makes so many of them vanish, its tick stands in: tick/√12.
    """
    if len(times_s) < 6:
        return 0.0
    some = times_s
    if len(times_s) > MANY + 3:  # a sample is enough
        some = np.lib.stride_tricks.sliding_window_view(times_s, 4)[:: (len(times_s) - 3) // MANY + 1]
    third = np.abs(np.diff(some, 3)).ravel()
    eighth = (len(third) - 1) // 8
    third.partition(eighth)
    least = 1e-14 * float(np.abs(times_s[-1]) + np.abs(times_s[0]))
    found = float(third[eighth])
    if found > least:
        return found / (0.157 * np.sqrt(20))
    ticks = third[third > least]
    return float(ticks.min()) / np.sqrt(12) if len(ticks) else 0.0


def tick_of(times_s: np.ndarray) -> float:
    """The smallest decimal step, 1 s to 0.1 ms, in which all times are whole numbers; 0 if none is."""
    for digits in range(5):
        scaled = times_s * 10.0**digits
        if np.abs(scaled - np.rint(scaled)).max() < 1e-4:
            return 10.0**-digits
    return 0.0


def coarse_factor(times_s: np.ndarray, gap_s: float, sd_s: float) -> float:
    """By how much a standard uncertainty from the scatter `sd_s` of pass times is too small for a coarse clock.

    Where the gap between passes is near a whole number of ticks, pass after pass is rounded alike, and a curve follows.
    With `gap_s`, the fastest gap, under 10 ticks, and rounding the main scatter (tick/√12), the root mean square of
    error/u is 1.25 (simulated: tests/reference/faults); with longer gaps many such places average out.
    """
    tick_s = tick_of(times_s)
    return COARSE_WIDER if gap_s < COARSE_TICKS * tick_s and sd_s < tick_s / 2 else 1.0


def explain_passes(times_s: np.ndarray, flags: int = 1, windowed: bool = True) -> Explanation:
    """The likeliest explanation of all passes (n,); `windowed=False` searches the whole run at once, for comparison."""
    n = len(times_s)
    if n < 5 + flags:
        return _blank(n, _jitter(times_s, flags), np.ones(1))
    pattern, jitter = _pattern(np.diff(times_s), flags), _jitter(times_s, flags)
    best, cheapest = _blank(n, jitter, pattern), np.inf
    for looser in (1, 4, 16):  # a shaky gate looks like a hand at work until its jitter is allowed for
        found = _blank(n, looser * jitter, pattern)
        odd = _screen(times_s, found.steps, flags)
        if windowed and len(odd) and len(pattern) == 1:
            _settle_lone(times_s, odd, found)
            kept = np.flatnonzero(found.extra == 0)
            odd = kept[_screen(times_s[kept], found.steps[kept], flags)]
        price = _search(times_s, odd, found, flags, windowed) if len(odd) else 0.0
        if price < cheapest:
            best, cheapest = found, price
        if np.count_nonzero(found.way == HAND) <= max(MANY_BY_HAND[0], MANY_BY_HAND[1] * n):
            break
    _undo_unfounded(times_s, best)
    return best


def _undo_unfounded(times_s, found: Explanation) -> None:
    """Many gaps of several flags in a row need a gap that shows it: where they begin or end, gaps change that much.

    On a coarse clock a curve with two flags in each gap may fit a little better by chance, without any such sign.
    """
    kept = np.flatnonzero(found.extra == 0)
    gaps, steps = np.diff(times_s[kept]), found.steps[kept[1:]]
    many = np.r_[False, steps > 1, False]
    starts, stops = np.flatnonzero(many[1:] & ~many[:-1]), np.flatnonzero(~many[1:] & many[:-1])
    long = stops - starts >= IN_A_ROW
    for a, b in zip(starts[long].tolist(), stops[long].tolist(), strict=True):
        half = np.log(np.median(steps[a:b])) / 2
        sides = ((gaps[a : a + 3], gaps[max(a - 3, 0) : a]), (gaps[b - 3 : b], gaps[b : b + 3]))
        if not any(len(out) and np.log(np.median(inside) / np.median(out)) > half for inside, out in sides):
            found.steps[kept[a + 1 : b + 1]] = 1


def _blank(n, jitter_s, pattern) -> Explanation:
    zeros = np.zeros((3, n), dtype=np.int64)
    steps = zeros[1] + 1
    steps[:1] = 0
    return Explanation(zeros[0], steps, zeros[2], np.zeros(n, dtype=bool), jitter_s, pattern)


def _jitter(times_s, flags):
    """As `jitter_of`, but blind to a gate that sees every pass twice, and never below what a clock can tell."""
    if len(times_s) < 2:
        return 0.0
    found = [jitter_of(times_s)]
    for stride in sorted({flags, 2 * flags, 3 * flags} - {1}):
        if len(times_s) > 12 * stride:  # of fewer passes the smallest eighth says little
            found.append(float(np.median([jitter_of(times_s[k::stride]) for k in range(min(stride, 3))])))
    plain = min(found[: 2 if flags > 1 else 1])
    found = [plain, *(sd for sd in found if sd < plain / 4)]
    found = [sd for sd in found if sd > 0]
    if flags > 1 and found:  # from one turn to the next, slowing looks like jitter; it is tried first with little
        found.append(MOST_JITTER * float(np.median(np.diff(times_s[:100_000]))))
    least = LEAST_JITTER * float(np.median(np.diff(times_s[:100_000])))
    return float(max(min(found, default=0.0), least, 1e-15 * np.abs(times_s).max()))


def _pattern(gaps, flags):
    """(flags,) gaps within one turn, mean 1, from the three turns that repeat best; [1] if they are even."""
    if flags == 1 or len(gaps) < 3 * flags:
        return np.ones(1)
    some = gaps[:100_000]
    change = np.abs(np.log(some[flags:]) - np.log(some[:-flags]))
    worst = np.lib.stride_tricks.sliding_window_view(change, 2 * flags).max(axis=1)
    start = int(np.argmin(worst))
    turns = some[start : start + 3 * flags].reshape(3, flags)
    pattern = np.mean(turns / turns.mean(axis=1, keepdims=True), axis=0)
    usual = np.mean(change < PATTERN_HOLDS)
    if np.ptp(pattern) < 0.1 or usual < 0.45:  # what most turns do not repeat are not the flags
        return np.ones(1)
    return np.roll(pattern, start % flags)  # as if all passes before were as they should be


def _screen(times_s, steps, flags) -> np.ndarray:
    """Passes (positions in `times_s`) that end a gap unlike those a turn before and after it."""
    pace = np.log(np.diff(times_s) / steps[1:])
    if len(pace) <= 2 * flags:
        return np.arange(1, len(times_s))
    turn = pace[flags:] - pace[:-flags]
    odd = np.zeros(len(pace), dtype=bool)
    big = np.abs(turn) > SCREEN_STEP
    odd[flags:] |= big
    odd[:-flags] |= big
    odd[flags:-flags] |= np.abs(turn[flags:] - turn[:-flags]) > SCREEN_KINK
    if flags == 1 and (odd[:3].any() or odd[-3:].any()):
        # a push that only speeds up, and a rotor that slows ever faster up to its last gap, are as they should be
        rising = np.flatnonzero(turn >= 0)
        first = int(rising[0]) if len(rising) else len(turn)
        if first and (turn[first : first + 3] >= 0).all() and (turn[first : first + 3] < SCREEN_STEP).all():
            odd[: first + 1] = False
            if first + 1 < len(turn):
                odd[first + 1] &= bool(np.abs(turn[first + 1] - turn[first]) > SCREEN_KINK)
        falling = np.flatnonzero((turn < 0) | (turn > STEADY) | np.r_[False, turn[1:] < turn[:-1] - LONE_NEAR])
        last = int(falling[-1]) if len(falling) else -1
        if last == len(turn) - 1 and turn[-1] > 0:
            last = int(falling[-2]) if len(falling) > 1 else -1
        if last < len(turn) - 2:
            odd[last + 3 :] = False
    return np.flatnonzero(odd) + 1


def _settle_lone(times_s, odd, found: Explanation) -> None:
    """One extra pass, or one gap with missed passes, between gaps that are all alike."""
    gaps = np.diff(times_s)
    n = len(gaps)

    def alike(before, after, steps):
        """The usual gap between gaps `before` and `after`, where both gaps on each side lie on one line; else 0."""
        safe = (before >= 1) & (after < n - 1)
        b, a = np.where(safe, before, 1), np.where(safe, after, n - 2)
        far, near, then, last = np.log(np.stack([gaps[b - 1], gaps[b], gaps[a], gaps[a + 1]]))
        slope = np.stack([near - far, last - then])
        even = (np.abs(slope) < SCREEN_STEP).all(axis=0) & (np.abs(slope[0] - slope[1]) < LONE_NEAR)
        even &= np.abs(then - near - slope.mean(axis=0) * (steps + 1)) < LONE_NEAR
        return np.where(safe & even, np.exp((near + then) / 2), 0.0)

    x = odd[(odd >= 3) & (odd < n - 2)]  # is this pass one too many?
    usual = alike(x - 2, x + 1, 1)
    share = gaps[x - 1] / np.where(usual > 0, usual, 1)
    whole = (gaps[x - 1] + gaps[x]) / np.where(usual > 0, usual, 1)
    fits = (usual > 0) & (np.abs(whole - 1) < LONE_FIT) & (share < 0.85)
    found.extra[x[fits]] = np.where(share[fits] < BOUNCE_SHARE, BOUNCE, FOREIGN)
    found.steps[x[fits]] = 0
    found.lone[x[fits]] = True
    taken = np.zeros(n + 1, dtype=bool)
    for shift in (-2, -1, 0, 1, 2):
        taken[x[fits] + shift] = True

    x = odd[(odd >= 3) & (odd < n - 1)]
    x = x[~taken[x]]  # does the gap before this pass hold more than one step?
    whole = np.rint(gaps[x - 1] / np.sqrt(gaps[x - 2] * gaps[x]))
    usual = alike(x - 2, x, whole)
    ratio = gaps[x - 1] / np.where(usual > 0, usual, np.inf)
    fits = (whole > 1) & (whole <= MOST_STEPS) & (np.abs(ratio - whole) < np.minimum(LONE_FIT * whole, 0.2))
    found.steps[x[fits]] = whole[fits]
    found.lone[x[fits]] = True


def _search(times_s, odd, found: Explanation, flags, windowed) -> float:
    """Fill in what the windows around odd passes say; return the price of it all."""
    n = len(times_s)
    margin = MARGIN + (2 * flags if flags > 1 else 0)
    uneven = len(found.pattern) > 1
    if not windowed or (uneven and n <= 4096):
        windows = [(0, n)]
    else:
        cut = np.flatnonzero(np.diff(odd) > 2 * margin)
        first = np.maximum(odd[np.r_[0, cut + 1]] - margin, 0)
        last = np.minimum(odd[np.r_[cut, len(odd) - 1]] + margin + 1, n)
        plain = (found.extra == 0) & (found.steps == 1)
        last = np.minimum.accumulate(np.where(plain, np.arange(n), n - 1)[::-1])[::-1][last - 1] + 1
        plain[:-1] &= plain[1:]  # the pass and the gap after it
        first = np.maximum.accumulate(np.where(plain, np.arange(n), 0))[first]
        first[first <= margin] = 0
        windows = list(zip(first.tolist(), last.tolist(), strict=True))
    cores = []
    for a, b in windows:
        parts = -(-(b - a) // CHUNK) if windowed else 1
        edges = np.linspace(a, b, parts + 1).astype(int).tolist()
        for lo, hi in pairwise(edges):
            cores.append((max(lo - OVERLAP, a) if lo > a else a, min(hi + OVERLAP, b) if hi < b else b, lo, hi))
    cores.sort(key=lambda core: core[1] - core[0])
    usual, ripple = _usual(times_s), _ripple(times_s, flags, len(found.pattern) > 1)
    done, total = 0, 0.0
    while done < len(cores):
        many = max(BATCH // (cores[done][1] - cores[done][0]), 1)
        group = cores[done : done + many]
        done += many
        starts = np.array([core[0] for core in group])
        stops = np.array([core[1] for core in group])
        before = starts  # how many gaps before a window are all alike, as far as is known
        beam = Survivors(times_s, starts, stops, found.jitter_s, usual, found.pattern, before, ripple=ripple)
        beam.run()
        prices, paths = beam.best()
        total += float(prices.sum())
        for (a, _, lo, hi), path in zip(group, paths, strict=True):
            _take(found, path, a, lo, hi)
    _as_before(found)
    return total


def _usual(times_s) -> float:
    """A gap of the size of most (s): the upper quartile, lest a gate that sees every pass twice mislead."""
    gaps = np.diff(times_s[:100_000])
    at = 3 * (len(gaps) - 1) // 4
    return float(np.partition(gaps, at)[at])


def _ripple(times_s, flags, uneven):
    """(n,) scatter about a smooth curve around each pass, s; None with one flag, which sees one side of a turn only."""
    n = len(times_s)
    if flags == 1 or n < 16:
        return None
    wide = min(max(16, 4 * flags), n - 3)
    third = np.abs(np.diff(times_s, 3))
    step = max(wide // 4, 1)
    windows = np.lib.stride_tricks.sliding_window_view(third, wide)[::step]
    at = (wide - 1) // 4
    local = np.partition(windows, at, axis=1)[:, at] / (0.319 * np.sqrt(20))
    if uneven:  # lag one means nothing there
        gaps = np.lib.stride_tricks.sliding_window_view(np.diff(times_s), min(wide, n - 1))[::step]
        local = UNEVEN_RIPPLE * np.median(gaps, axis=1)
    centres = step * np.arange(len(local)) + wide // 2
    return np.interp(np.arange(n), centres, local)


def _take(found: Explanation, path, a, lo, hi) -> None:
    extra, steps, way, factor = path
    where = slice(lo, hi)
    inner = slice(lo - a, hi - a)
    if lo == a and a > 0:  # the first pass of a window in the run has no gap in it
        where, inner = slice(lo + 1, hi), slice(lo + 1 - a, hi - a)
    found.extra[where], found.steps[where], found.way[where] = extra[inner], steps[inner], way[inner]
    found.lone[where] = False
    if factor > 1 and lo == a:
        found.way[a] = -factor  # the gaps before this window hold as many steps each, too


def _as_before(found: Explanation) -> None:
    """Where a window began with gaps of several steps, so were the gaps before it, back to the hand."""
    for at in np.flatnonzero(found.way < 0)[::-1].tolist():
        factor = -int(found.way[at])
        found.way[at] = 0
        hands = np.flatnonzero(found.way[:at] == HAND)
        first = int(hands[-1]) + 1 if len(hands) else 1
        found.steps[first : at + 1] *= factor


def prices_without(times_s, found: Explanation, at, missed, flags=1) -> np.ndarray:
    """How much dearer the passes around each repair become without it, (k,), in nats.

    at : (k,) passes that a repair is about; missed : (k,) whether it is a missed pass before it.
    """
    n, reach = len(times_s), MARGIN - 1
    kept = np.flatnonzero(found.extra == 0)
    place = np.searchsorted(kept, at)
    begin = kept[np.maximum(place - reach, 0)]
    stop = kept[np.minimum(place + reach, len(kept) - 1)] + 1
    stop = np.where(stop >= kept[-1] + 1, n, stop)
    begin = np.where(begin <= kept[0], 0, begin)
    first = np.searchsorted(kept, begin)
    after = np.minimum(first + 1, len(kept) - 1)
    pace = (times_s[kept[after]] - times_s[kept[np.maximum(after - 1, 0)]]) / np.maximum(found.steps[kept[after]], 1)
    mode = (found.way[begin] == HAND).astype(np.int64)
    count = np.cumsum(found.steps)
    usual, ripple = _usual(times_s), _ripple(times_s, flags, len(found.pattern) > 1)
    extra = np.empty(len(at))
    many = max(BATCH // (4 * reach), 1)
    for lo in range(0, len(at), many):
        part = slice(lo, lo + many)
        forbid = np.full((len(at[part]), 2), -1)
        local = at[part] - begin[part]
        forbid[~missed[part], 0] = local[~missed[part]]
        forbid[missed[part], 1] = local[missed[part]]
        flag = count[begin[part]] % len(found.pattern)
        if len(found.pattern) > 1:
            pace[part] = np.maximum(pace[part] / found.pattern[flag], 1e-12)
        bars = np.concatenate([np.full_like(forbid, -1), forbid])
        known = tuple(np.tile(values, 2) for values in (pace[part], flag, mode[part]))
        ends = (np.tile(begin[part], 2), np.tile(stop[part], 2))
        beam = Survivors(times_s, *ends, found.jitter_s, usual, found.pattern, ends[0], known, bars, ripple)
        beam.run()
        prices = beam.ends()[0].reshape(2, -1)
        with np.errstate(invalid="ignore"):
            extra[part] = np.nan_to_num(prices[1] - prices[0], nan=0.0, posinf=50.0)
    return extra
