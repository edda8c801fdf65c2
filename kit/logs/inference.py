"""Which passes are the flag's own, and how many flags went by between them: one inference for a whole run.

Model. A heavy rotor that coasts loses speed smoothly, so the time of a pass is a smooth curve of the angle θ, counted
in flags. Each explanation of the passes carries the curve's state (t, ln p, s): time, period a flag, and
s = d ln p/dθ. Along a line of speed against angle (drag ∝ speed; other drag bends it little)

    t(θ) = t − p·ln(1 − sθ)/s,   p(θ) = p/(1 − sθ),   s(θ) = s/(1 − sθ),

with a slope that wanders, and each logged time has the gate's jitter. So the next pass is predicted with a standard
deviation, and its price is −ln(density): Kalman's filter (1960), with Student's t for the tails. A pass that is left
out, flags that went by unseen, a hand on the rotor and a clock that jumps each have a price as well, −ln(rate), from
the constants below. While a hand pushes, the period may change by any plausible factor from pass to pass.

The cheapest explanation is found by Viterbi's algorithm (1967; Forney 1973), its state being (last real pass, mode,
cell of ln p); each survivor carries its own filter (per-survivor processing: Raheli, Polydoros & Tzou 1995). Sources
from memory. Cost and memory are linear in passes: a vectorised screen first sets apart the stretches in which all
gaps are alike, and settles lone oddities between such gaps. Windows around all others are searched side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

__all__ = ["BOUNCE", "FOREIGN", "Explanation", "explain_passes", "jitter_of", "prices_without"]

BOUNCE, FOREIGN = 1, 2

RATE_BOUNCE = 0.01  # a good gate triggers twice once in hundreds of passes, a slow edge far more often
RATE_BOUNCE_AGAIN = 0.3  # what made a gate trigger twice is often still there one pass later
RATE_FOREIGN = 0.002  # sleeves, threads, hands: about one in some runs
RATE_MISSED = 0.01  # a well-placed gate misses hardly any
RATE_MISSED_MORE = 0.5  # what hides one flag often hides the next
RATE_HAND = 1e-4  # a hand on the coasting rotor: one run in a hundred
RATE_ODD_END = 0.05  # what holds for the coast often does not hold for the last gap before rest
RATE_CLOCK = 5e-5  # a clock set, a logger stalled, a gate moved: rarer still
RATE_LET_GO = 0.3  # a push lasts some three passes
SAME_AGAIN = (0.4, 0.75, 0.97)  # as many flags missed as in the last 1, 2, 3 gaps: the flag is too quick for the gate
BOUNCE_SHARE = 0.3  # a second trigger comes within this share of the gap; later it is something foreign
HAND_SPREAD = 0.5  # change of ln p from pass to pass under a hand
LET_GO = 0.3  # spread of ln p after the gap in which a hand lets go: it is partly pushed
FIRST = 0.1  # spread of ln p after the first gap of a log that begins in the coast
SLOPE, SLOPE_SPREAD = 0.03, 0.12  # s just after the release: from hardly slowing to felt pads
WANDER = (0.0015, 0.3, 0.6)  # s changes by (w₀ + w₁|s| + w₂s²)√θ
TAILS = 4.0  # degrees of freedom of Student's t: gates have outliers
PATTERN_HOLDS = 0.15  # share by which a gap may differ from the same gap one turn before
MANY_BY_HAND = (6, 0.15)  # more gaps than this, and this share of them, do not look like one push
UNEVEN_RIPPLE = 0.01  # of the gap: how far the flags' own pattern strays along a run
LEAST_JITTER = 5e-4  # of the usual gap: the model is no better than that
MOST_STEPS = 16  # flags in one gap; beyond it nobody can count

SKIPS = 5  # a real pass follows within so many passes of the last real one (or a burst is left as it is)
SURVIVORS = 6
CELL = 0.06  # of ln p: explanations closer than this will be the same from here on
MARGIN = 8  # passes to either side of an oddity that are weighed with it
CHUNK, OVERLAP = 192, 24  # longer windows are searched in overlapping parts
BATCH = 40_000  # passes searched side by side; bounds the memory

SCREEN_STEP, SCREEN_KINK = 0.25, 0.2  # ln: gaps that change less, and bend less, from turn to turn are alike
LONE_NEAR = 0.1  # ln: the gaps beside a lone oddity lie on one line that well
STEADY = 0.6  # ln: a rotor near rest slows by no more than that from turn to turn, but in its last
LONE_FIT = 0.05  # share: a lone oddity fits its explanation that well

_COAST, _HAND, _CLOCK = 0, 1, 2


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
    third = np.abs(np.diff(times_s, 3))
    if len(third) > 20_000:
        third = third[:: len(third) // 20_000 + 1]
    third.sort()
    least = 1e-14 * float(np.abs(times_s[-1]) + np.abs(times_s[0]))
    found = float(third[(len(third) - 1) // 8])
    if found > least:
        return found / (0.157 * np.sqrt(20))
    ticks = third[third > least]
    return float(ticks[0]) / np.sqrt(12) if len(ticks) else 0.0


def explain_passes(times_s: np.ndarray, flags: int = 1, windowed: bool = True) -> Explanation:
    """The likeliest explanation of all passes (n,); `windowed=False` searches the whole run at once, for comparison."""
    n = len(times_s)
    if n < 5 + flags:
        return _blank(n, _jitter(times_s, flags), np.ones(1))
    pattern, jitter = _pattern(np.diff(times_s), flags), _jitter(times_s, flags)
    best, cheapest = None, np.inf
    for looser in (1, 4, 16):  # a shaky gate looks like a hand at work until its jitter is allowed for
        found = _blank(n, looser * jitter, pattern)
        odd = _screen(times_s, found.steps, flags)
        if windowed and len(odd) and len(pattern) == 1:
            _settle_lone(times_s, odd, found)
            kept = np.flatnonzero(found.extra == 0)
            odd = kept[_screen(times_s[kept], found.steps[kept], flags)]
        price = _search(times_s, odd, found, flags, windowed) if len(odd) else 0.0
        if price < cheapest or best is None:
            best, cheapest = found, price
        if np.count_nonzero(found.way == _HAND) <= max(MANY_BY_HAND[0], MANY_BY_HAND[1] * n):
            break
    return best


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
    for stride in {flags, 2 * flags, 3 * flags} - {1}:
        if len(times_s) > 12 * stride:  # of fewer passes the smallest eighth says little
            found.append(float(np.median([jitter_of(times_s[k::stride]) for k in range(min(stride, 3))])))
    found = [found[0], *(sd for sd in found[1:] if sd < found[0] / 4)]
    found = [sd for sd in found if sd > 0]
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
    usual = np.mean(change < np.log(1 + PATTERN_HOLDS))
    if np.ptp(pattern) < 0.1 or usual < 0.5:  # what most turns do not repeat are not the flags
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
            odd[first + 1] &= bool(np.abs(turn[first + 1] - turn[first]) > SCREEN_KINK) if first + 1 < len(turn) else 1
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
        beam = _Beam(times_s, starts, stops, found.jitter_s, usual, found.pattern, before, ripple=ripple)
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
        hands = np.flatnonzero(found.way[:at] == _HAND)
        first = int(hands[-1]) + 1 if len(hands) else 1
        found.steps[first : at + 1] *= factor


class _Beam:
    """Viterbi's algorithm over windows side by side; each survivor carries (t, ln p, s) and its covariance."""

    NAMES = ("cost", "t", "y", "s", "tt", "ty", "ts", "yy", "ys", "ss", "mode", "last", "same", "bounced", "flag")

    def __init__(
        self, times_s, starts, stops, jitter_s, usual_s, pattern, before, known=None, forbid=None, ripple=None
    ):
        self.length = stops - starts
        longest = int(self.length.max())
        at = starts[:, None] + np.arange(longest)
        self.inside = at < stops[:, None]
        self.times = times_s[np.minimum(at, len(times_s) - 1)] - times_s[starts][:, None]
        self.variance, self.usual = max(jitter_s, 1e-13) ** 2, usual_s
        if (
            ripple is not None
        ):  # several flags feel friction that differs around the turn: more scatter, where it is slow
            self.ripple = np.maximum(ripple[np.minimum(at, len(times_s) - 1)] ** 2, self.variance)
        else:
            self.ripple = np.full(at.shape, self.variance)
        self.closed = stops < len(times_s) if known is None else np.zeros(len(starts), dtype=bool)
        self.range = np.log(usual_s) - 15, np.log(usual_s) + 15  # of ln p: beyond it nothing turns
        self.is_last = at >= len(times_s) - 1  # a miss in the last gap and a slow turn look the same
        self.pattern = pattern
        flags = len(pattern)
        self.around = np.concatenate(([0.0], np.cumsum(np.tile(pattern, 2 + MOST_STEPS // flags))))
        self.forbid = forbid  # (rows, 2): the pass that must be kept (or -1), the pass before which nothing is missed
        self.k = SURVIVORS if flags == 1 else SURVIVORS + 2 * flags
        rows = len(starts)
        shape = (rows, longest + SKIPS, self.k)
        self.state = {name: np.zeros(shape) for name in self.NAMES}
        self.state["cost"].fill(np.inf)
        self.back = np.zeros((*shape, 4), dtype=np.int32)  # passes back, survivor there, steps, way
        self._begin(starts, before, known, flags)

    def _begin(self, starts, before, known, flags):
        state, first = self.state, SKIPS
        fresh = starts == 0
        for i in range(min(SKIPS - 1, self.times.shape[1])):  # at the start of a run the first passes may be foreign
            row = np.flatnonzero(fresh)
            for f in range(flags):
                self._put(row, first + i, f, -i * np.log(RATE_FOREIGN), self.times[row, i], np.log(self.usual), 2.25, f)
                state["mode"][row, first + i, f] = 2  # nothing is known yet
        row = np.flatnonzero(~fresh)
        if len(row) == 0:
            return
        if known is None:
            gap = self.times[row, 1] - self.times[row, 0]
            for q in (1, 2, 3) if flags == 1 else (1,):
                price = 0.0 if q == 1 else -np.log(RATE_MISSED) + 2 - np.log(SAME_AGAIN[2]) * before[row]
                self._put(row, first, q - 1, price, 0.0, np.log(gap / q), 0.05**2, 0)
                state["last"][row, first, q - 1], state["same"][row, first, q - 1] = q, 2
            if flags > 1:
                for f in range(flags):
                    self._put(row, first, f, 0.0, 0.0, np.log(gap / self.pattern[f]), 0.1**2, f)
                    state["last"][row, first, f] = 1
        else:
            pace, flag, mode = known
            self._put(row, first, 0, 0.0, 0.0, np.log(pace[row]), 0.05**2, flag[row])
            state["mode"][row, first, 0] = mode[row]
            state["last"][row, first, 0] = 1

    def _put(self, row, at, k, cost, t, y, yy, flag):
        for name, value in (("cost", cost), ("t", t), ("y", y), ("s", SLOPE), ("flag", flag), ("last", 1)):
            self.state[name][row, at, k] = value
        self.state["tt"][row, at, k] = self.variance
        self.state["yy"][row, at, k] = yy
        self.state["ss"][row, at, k] = SLOPE_SPREAD**2

    def run(self):
        for j in range(1, self.times.shape[1]):
            self._step(j)

    def _step(self, j):
        # sources: passes j − SKIPS … j − 1, in the padded arrays at j … j + SKIPS − 1
        source = {name: values[:, j : j + SKIPS] for name, values in self.state.items()}
        now = self.times[:, j]
        flags = len(self.pattern)
        cost, y, s, flag = source["cost"], source["y"], source["s"], source["flag"].astype(np.int64)
        period = np.exp(y)
        tau = now[:, None, None] - source["t"]
        skipped, bounced = self._left_out(j, source["t"], period, source["bounced"])
        cost = cost + skipped
        # how many flags the survivor's own curve makes of this gap
        x = np.clip(tau / period, 0, 4 * MOST_STEPS)
        bend = np.where(np.abs(s) < 1e-9, 1e-9, s)
        theta = -np.expm1(-np.clip(bend * x, -30, 30)) / bend
        if flags > 1:
            low = np.searchsorted(self.around, self.around[flag] + theta, side="right") - 1 - flag
        else:
            low = np.floor(theta).astype(np.int64)
        low = np.clip(low, 1, MOST_STEPS - 1)
        k = np.stack([low, low + 1], axis=-1)
        angle = self.around[flag[..., None] + k] - self.around[flag][..., None] if flags > 1 else k.astype(float)
        p = {name: source[name][..., None] for name in ("t", "y", "s", "tt", "ty", "ts", "yy", "ys", "ss")}
        pred = _predict(p, angle)
        off = now[:, None, None, None] - pred["t"]
        scatter = self.ripple[:, j]
        spread = pred["tt"] + scatter[:, None, None, None]
        z2 = off * off / spread
        fit = (TAILS + 1) / 2 * np.log1p(z2 / TAILS) + 0.5 * np.log(spread) - np.log(self.usual)
        mode = source["mode"]
        let_go = np.where(mode == 1, -np.log(RATE_LET_GO), np.where(mode == 2, np.inf, 0.0))
        missing = self._missing(k, source["last"][..., None], source["same"][..., None])
        coast = (cost + let_go)[..., None] + fit + missing
        barred = (k > 1) & self._no_miss(j)[:, None, None, None]
        coast = np.where(barred, np.inf, coast)
        # a hand: any plausible change of the period
        one = self.around[flag + 1] - self.around[flag] if flags > 1 else 1.0
        ratio = np.log(np.maximum(tau, 1e-12) / one) - y
        wide = np.sqrt(HAND_SPREAD**2 + np.where(mode == 2, source["yy"], 0.0))
        held = np.where(mode == 1, -np.log(1 - RATE_LET_GO), np.where(mode == 2, 0.0, -np.log(RATE_HAND)))
        held = np.where(self.is_last[:, j, None, None], np.minimum(held, -np.log(RATE_ODD_END)), held)
        hand = cost + held + 0.5 * (ratio / wide) ** 2 + np.log(wide * np.maximum(tau, 1e-12) / self.usual) + 0.4
        # a clock that jumps: the gap says nothing, the period goes on
        clock = cost - np.log(RATE_CLOCK) + np.log(period * (1 + np.abs(tau / period - 1)) / self.usual)
        clock = np.where(mode == 0, clock, np.inf)
        every = np.concatenate([coast, hand[..., None], clock[..., None]], axis=-1)
        every = np.where(self.inside[:, j, None, None, None], every, np.inf)
        self._choose(j, every, k, angle, tau, source, pred, one, bounced, flag)

    def _no_miss(self, j):
        bars = self.is_last[:, j]
        return bars | (self.forbid[:, 1] == j) if self.forbid is not None else bars

    def _left_out(self, j, t, period, bounced):
        """Price (rows, SKIPS, k) of leaving out all passes between each source and pass j, and whether one bounced."""
        price, hit = np.zeros_like(t), np.zeros_like(t)
        for back in range(SKIPS - 1, 0, -1):  # the pass j - back; left out by sources further back than that
            if j - back < 0:
                continue
            farther = slice(0, SKIPS - back)
            share = (self.times[:, j - back, None, None] - t[:, farther]) / period[:, farther]
            near = share < BOUNCE_SHARE
            again = np.where((bounced[:, farther] > 0) | (hit[:, farther] > 0), RATE_BOUNCE_AGAIN, RATE_BOUNCE)
            each = np.where(near, np.log(BOUNCE_SHARE / again), -np.log(RATE_FOREIGN))
            each = each + np.log(period[:, farther] / self.usual)
            if self.forbid is not None:
                each = np.where((self.forbid[:, 0] == j - back)[:, None, None], np.inf, each)
            price[:, farther] += each
            hit[:, farther] = np.maximum(hit[:, farther], near)
        return price, hit

    @staticmethod
    def _missing(k, last, same):
        again = np.take(SAME_AGAIN, np.clip(same, 0, 2).astype(np.int64))
        many = -np.log(RATE_MISSED) - (k - 2) * np.log(RATE_MISSED_MORE)
        after_one = np.where(k == 1, -np.log(1 - RATE_MISSED), many)
        other = -np.log(1 - again) + np.where(k == 1, 0.3, many - 2.5)
        return np.where(last <= 1, after_one, np.where((k == last) & (k <= 3), -np.log(again), other))

    def _choose(self, j, every, k, angle, tau, source, pred, one, bounced, flag):
        rows, state, at = np.arange(len(every)), self.state, j + SKIPS
        flat = every.reshape(len(every), -1)
        pace = np.empty_like(every)
        log_tau = np.log(np.maximum(tau, 1e-12))
        pace[..., :2] = log_tau[..., None] - np.log(angle)
        pace[..., 2] = log_tau - np.log(one) + 50  # under a hand: a cell of its own
        pace[..., 3] = source["y"]
        if len(self.pattern) > 1:
            steps = np.concatenate([k, np.ones_like(k)], axis=-1)
            pace += 100 * ((flag[..., None] + steps) % len(self.pattern))
        pace = pace.reshape(flat.shape)
        picks = []
        for _ in range(self.k):
            best = np.argmin(flat, axis=1)
            picks.append((best, flat[rows, best]))
            flat[np.abs(pace - pace[rows, best][:, None]) < CELL] = np.inf
            if not np.isfinite(flat).any():
                break
        best = np.stack([pick[0] for pick in picks], axis=1)
        cost = np.stack([pick[1] for pick in picks], axis=1)
        count = best.shape[1]
        src, way = np.divmod(best, 4)
        s_at, k_at = np.divmod(src, self.k)
        row = rows[:, None]
        steps = np.where(way < 2, k[row, s_at, k_at, np.minimum(way, 1)], 1)
        new = {name: pred[name][row, s_at, k_at, np.minimum(way, 1)] for name in pred}
        # Kalman's update where the rotor coasts
        gain = [new[name] / (new["tt"] + self.ripple[:, j, None]) for name in ("tt", "ty", "ts")]
        off = self.times[:, j, None] - new["t"]
        coasting = way < 2
        gap = np.maximum(tau[row, s_at, k_at], 1e-12)
        hand = way == 2
        y_hand = np.log(gap / (one[row, s_at, k_at] if np.ndim(one) else one))
        y_old, s_old = source["y"][row, s_at, k_at], source["s"][row, s_at, k_at]

        def three(coast, hand_value, clock_value):
            return np.where(coasting, coast, np.where(hand, hand_value, clock_value))

        def old(name):
            return source[name][row, s_at, k_at]

        now = np.broadcast_to(self.times[:, j, None], off.shape)
        put = {
            "cost": cost,
            "t": three(new["t"] + gain[0] * off, now, now),
            "y": np.clip(three(new["y"] + gain[1] * off, y_hand, y_old), *self.range),
            "s": np.clip(three(new["s"] + gain[2] * off, SLOPE, s_old), -0.3, 1.5),
            "tt": three(new["tt"] - gain[0] * new["tt"], self.variance, self.variance),
            "ty": three(new["ty"] - gain[0] * new["ty"], 0.0, 0.0),
            "ts": three(new["ts"] - gain[0] * new["ts"], 0.0, 0.0),
            "yy": three(
                new["yy"] - gain[1] * new["ty"], np.where(old("mode") == 2, FIRST, LET_GO) ** 2, old("yy") + 1e-4
            ),
            "ys": three(new["ys"] - gain[1] * new["ts"], 0.0, old("ys")),
            "ss": three(new["ss"] - gain[2] * new["ts"], SLOPE_SPREAD**2, old("ss")),
            "mode": hand * 1.0,
            "last": steps,
            "same": np.where((steps == old("last")) & (steps > 1), old("same") + 1, 0),
            "bounced": bounced[row, s_at, k_at],
            "flag": (flag[row, s_at, k_at] + steps) % len(self.pattern),
        }
        for name, value in put.items():
            state[name][:, at, :count] = value
        self.back[:, at, :count, 0] = SKIPS - s_at
        self.back[:, at, :count, 1] = k_at
        self.back[:, at, :count, 2] = steps
        self.back[:, at, :count, 3] = np.where(way < 2, _COAST, way - 1)

    def _ends(self):
        """Cheapest total price (rows,), the last real pass and its survivor; passes after it are foreign."""
        rows = np.arange(len(self.length))
        best = np.full(len(rows), np.inf)
        where = np.zeros((len(rows), 2), dtype=np.int64)
        for back in range(min(SKIPS, int(self.length.min()))):
            last = self.length - 1 - back
            cost = self.state["cost"][rows, last + SKIPS]
            # a window ends among plain gaps; if all of them held several flags, the next window says so
            cost = np.where(self.closed[:, None] & (self.state["last"][rows, last + SKIPS] > 1), np.inf, cost)
            survivor = np.argmin(cost, axis=1)
            total = cost[rows, survivor]
            late = np.full(len(rows), -np.log(RATE_HAND) if back else 0.0)  # an end that is odd is left as it is
            period = np.exp(self.state["y"][rows, last + SKIPS, survivor])
            for k in range(back):
                x = self.times[rows, last + 1 + k] - self.times[rows, last]
                near = x < BOUNCE_SHARE * period
                late -= np.where(near & (k == 0), -np.log(RATE_HAND), 0.0)
                each = np.where(near, np.log(BOUNCE_SHARE / RATE_BOUNCE), -np.log(RATE_FOREIGN))
                late += each + np.log(period / self.usual)
                if self.forbid is not None:
                    late = np.where(self.forbid[:, 0] == last + 1 + k, np.inf, late)
            better = total + late < best
            best = np.where(better, total + late, best)
            where[better] = np.stack([last, survivor], axis=1)[better]
        return best, where

    def best(self):
        """Price of the best explanation of each window, and the explanation: (extra, steps, way, steps before)."""
        price, where = self._ends()
        times, back = self.times, self.back
        paths = []
        for r, (j, k) in enumerate(where.tolist()):
            m = int(self.length[r])
            extra = np.full(m, FOREIGN, dtype=np.int64)
            steps, way = np.zeros(m, dtype=np.int64), np.zeros(m, dtype=np.int64)
            real = [j]
            if np.isfinite(price[r]):
                while True:
                    b, k_before, count, how = back[r, j + SKIPS, k].tolist()
                    if b == 0:
                        break
                    steps[j], way[j] = count, how
                    j, k = j - b, k_before
                    real.append(j)
                extra[real] = 0
                self._name_extra(r, extra, np.array(real[::-1]), steps)
            else:
                extra[:], steps[:] = 0, 1
            first = int(self.state["last"][r, SKIPS, k]) if j == 0 else 1
            paths.append((extra, steps, way, first))
        del times
        return price, paths

    def _name_extra(self, r, extra, real, steps):
        left = np.flatnonzero(extra)
        if len(left) == 0 or len(real) < 2:
            return
        t = self.times[r]
        before = np.searchsorted(real, left) - 1
        after = np.clip(before + 1, 1, len(real) - 1)
        pace = (t[real[after]] - t[real[after - 1]]) / np.maximum(steps[real[after]], 1)
        since = t[left] - t[real[np.maximum(before, 0)]]
        extra[left] = np.where((before >= 0) & (since < BOUNCE_SHARE * pace), BOUNCE, FOREIGN)


def _predict(p, angle):
    """State and covariance `angle` flags further on."""
    period = np.exp(p["y"])
    wander = (WANDER[0] + WANDER[1] * np.abs(p["s"]) + WANDER[2] * p["s"] ** 2) ** 2 * angle
    bend = np.clip(p["s"] * angle, -3.0, 0.8)
    s = np.where(np.abs(bend) < 1e-6, 1e-6, bend) / angle
    u = -np.log1p(-s * angle) / s  # ∫ dθ/(1 − sθ)
    grow = 1 / (1 - s * angle)
    ty = period * u
    ts = period * (angle * grow - u) / s
    ys = angle * grow
    ss = p["ss"] + wander
    new_ts = p["ts"] + ty * p["ys"] + ts * ss
    new_ty = p["ty"] + ty * p["yy"] + ts * p["ys"] + ys * new_ts
    return {
        "t": p["t"] + ty,
        "y": p["y"] + np.log(grow),
        "s": s * grow,
        "tt": p["tt"] + 2 * ty * p["ty"] + 2 * ts * p["ts"] + ty**2 * p["yy"] + 2 * ty * ts * p["ys"] + ts**2 * ss,
        "ty": new_ty,
        "ts": new_ts,
        "yy": p["yy"] + 2 * ys * p["ys"] + ys**2 * ss,
        "ys": p["ys"] + ys * ss,
        "ss": ss,
    }


def prices_without(times_s, found: Explanation, at, missed, flags=1) -> np.ndarray:
    """How much dearer the passes around each repair become without it, (k,), in nats.

    at : (k,) passes that a repair is about; missed : (k,) whether it is a missed pass before it.
    """
    n, reach = len(times_s), MARGIN + 2
    kept = np.flatnonzero(found.extra == 0)
    place = np.searchsorted(kept, at)
    begin = kept[np.maximum(place - reach, 0)]
    stop = kept[np.minimum(place + reach, len(kept) - 1)] + 1
    stop = np.where(stop >= kept[-1] + 1, n, stop)
    begin = np.where(begin <= kept[0], 0, begin)
    first = np.searchsorted(kept, begin)
    after = np.minimum(first + 1, len(kept) - 1)
    pace = (times_s[kept[after]] - times_s[kept[np.maximum(after - 1, 0)]]) / np.maximum(found.steps[kept[after]], 1)
    mode = (found.way[begin] == _HAND).astype(float)
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
        beam = _Beam(times_s, *ends, found.jitter_s, usual, found.pattern, ends[0], known, bars, ripple)
        beam.run()
        prices = beam._ends()[0].reshape(2, -1)
        with np.errstate(invalid="ignore"):
            extra[part] = np.nan_to_num(prices[1] - prices[0], nan=0.0, posinf=50.0)
    return extra
