"""The likeliest explanation of a stretch of passes: a smooth falling speed, and a price for all that departs from it.

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
from memory.
"""

from __future__ import annotations

from copy import copy
from math import log

import numpy as np

__all__ = ["BOUNCE", "BOUNCE_SHARE", "FOREIGN", "HAND", "MOST_STEPS", "Survivors"]

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
SAME_AGAIN = (0.4, 0.75, 0.95)  # as many flags missed as in the last 1, 2, 3 gaps: the flag is too quick for the gate
BOUNCE_SHARE = 0.3  # a second trigger comes within this share of the gap; later it is something foreign
HAND_SPREAD = 0.5  # change of ln p from pass to pass under a hand
LET_GO = 0.3  # spread of ln p after the gap in which a hand lets go: it is partly pushed
FIRST = 0.1  # spread of ln p after the first gap of a log that begins in the coast
SLOPE, SLOPE_SPREAD = 0.03, 0.12  # s just after the release: from hardly slowing to felt pads
WANDER = (0.0015, 0.3, 0.6)  # in a gap of θ flags sθ changes by w₀ + w₁|sθ| + w₂(sθ)²
TAILS = 4.0  # degrees of freedom of Student's t: gates have outliers
MOST_STEPS = 16  # flags in one gap; beyond it nobody can count
SKIPS = 5  # a real pass follows within so many passes of the last real one (or a burst is left as it is)
SURVIVORS = 6
SURVIVORS_KNOWN = 4  # where a stretch begins with what is known already
CELL = 0.06  # of ln p: explanations closer than this will be the same from here on
COAST, HAND, CLOCK = 0, 1, 2
# What is kept of a survivor. COST: its price up to its pass; T to SS: the curve's state there (Y = ln p), covariance;
# SPENT: COST and the price of leaving out all passes since; PERIOD: exp(Y); TO_COAST to FREED: see _OF_MODE; WIDE:
# spread of ln p in a gap under a hand; LAST: flags in the gap before, SAME: how often before (0 to 2) it held as many,
# HABIT: where that stands in _STEPS; BEFORE, AFTER: whether the pass before it, or after it, is left out as a bounce;
# FLAG: which flag it is
COST, T, Y, S, TT, TY, TS, YY, YS, SS = range(10)
SPENT, PERIOD, TO_COAST, TO_HAND, TO_CLOCK, FREED, WIDE, LAST, SAME, HABIT, BEFORE, AFTER, FLAG = range(10, 23)
# prices, −ln(rate)
_BOUNCED = (log(BOUNCE_SHARE / RATE_BOUNCE), log(BOUNCE_SHARE / RATE_BOUNCE_AGAIN))
_FOREIGN, _HAND, _ODD_END, _CLOCK = (-log(rate) for rate in (RATE_FOREIGN, RATE_HAND, RATE_ODD_END, RATE_CLOCK))
_PUSHED_ON, _LET_GO = -log(1 - RATE_LET_GO), -log(RATE_LET_GO)
_SAME_AGAIN, _NOT_AGAIN = -np.log(SAME_AGAIN), -np.log(1 - np.array(SAME_AGAIN))
_MISSED = np.array([-log(1 - RATE_MISSED), *(-log(RATE_MISSED) - k * log(RATE_MISSED_MORE) for k in range(MOST_STEPS))])
_MISSED_ANEW = np.array([0.3, *(_MISSED[1:] - 2.5)])
COASTS, PUSHED, UNKNOWN = 0, 1, 2  # modes of a survivor: columns of the next
_OF_MODE = np.array(
    [
        [0.0, _LET_GO, np.inf],  # price of a gap without a hand
        [_HAND, _PUSHED_ON, 0.0],  # of a hand
        [_CLOCK, np.inf, np.inf],  # of a jump of the clock
        [LET_GO**2, LET_GO**2, FIRST**2],  # variance of ln p after a gap in which a hand lets go
    ]
)


def _prices_of_steps() -> np.ndarray:
    """Price of k flags in a gap: at `_habit` of the gaps before it + k."""
    price = np.zeros((MOST_STEPS + 1, len(SAME_AGAIN), MOST_STEPS + 1))
    price[:2, :, 1:] = _MISSED[:-1]
    price[2:, :, 1:] = _NOT_AGAIN[:, None] + _MISSED_ANEW[:-1]
    price[[2, 3], :, [2, 3]] = _SAME_AGAIN
    return price.ravel()


def _habit(last, same):
    """Where the prices stand after a gap of `last` flags, which were as many `same` (0 to 2) times before."""
    return (last * len(SAME_AGAIN) + same) * (MOST_STEPS + 1)


_STEPS = _prices_of_steps()
_ONE_MORE = np.arange(2)


class Survivors:
    """Viterbi's algorithm over windows side by side; each survivor carries (t, ln p, s) and its covariance.

    Window r holds passes starts[r] to stops[r] − 1 of `times_s`. `before`: plain gaps before each window. `known`, for
    windows within an explained run: (pace, flag, mode) at their first pass. `forbid`, (rows, 2): a pass that must be
    kept, and a pass before which nothing may be missed (−1: none). `ripple`, (n,): scatter of single passes, s.
    """

    def __init__(
        self, times_s, starts, stops, jitter_s, usual_s, pattern, before, known=None, forbid=None, ripple=None
    ):
        self.length = stops - starts
        longest = int(self.length.max())
        at = starts[:, None] + np.arange(longest)
        self.inside = at < stops[:, None]
        self.times = times_s[np.minimum(at, len(times_s) - 1)] - times_s[starts][:, None]
        self.variance, self.log_usual = max(jitter_s, 1e-13) ** 2, log(usual_s)
        if ripple is not None:  # several flags feel friction that differs around the turn
            self.ripple = np.maximum(ripple[np.minimum(at, len(times_s) - 1)] ** 2, self.variance)
        else:
            self.ripple = np.full(at.shape, self.variance)
        self.closed = stops < len(times_s) if known is None else np.zeros(len(starts), dtype=bool)
        self.range = self.log_usual - 15, self.log_usual + 15  # of ln p: beyond it nothing turns
        self.is_last = at >= len(times_s) - 1  # a miss in the last gap and a slow turn look the same
        self.pattern = pattern
        flags = len(pattern)
        self.around = np.concatenate(([0.0], np.cumsum(np.tile(pattern, 2 + MOST_STEPS // flags))))
        self.forbid = forbid  # (rows, 2): the pass that must be kept (or -1), the pass before which nothing is missed
        kept = SURVIVORS if known is None else SURVIVORS_KNOWN
        self.k = kept if flags == 1 else kept + 2 * flags
        rows = len(starts)
        shape = (rows, longest + SKIPS, self.k)
        self.block = np.zeros((FLAG + 1, *shape))
        for what, value in ((COST, np.inf), (SPENT, np.inf), (PERIOD, 1.0), (WIDE, HAND_SPREAD)):
            self.block[what] = value
        self.back = np.zeros((*shape, 4), dtype=np.int32)  # passes back, survivor there, steps, way
        self._begin(starts, before, known, flags)

    def _begin(self, starts, before, known, flags):
        first = SKIPS
        row = np.flatnonzero(starts == 0)
        if len(row):  # at the start of a run the first passes may be foreign
            for i in range(min(SKIPS - 1, self.times.shape[1])):
                now = self.times[row, i]
                for f in range(flags):
                    self._put(row, first + i, f, i * _FOREIGN, now, self.log_usual, 2.25, f, mode=UNKNOWN)
        row = np.flatnonzero(starts)
        if len(row) == 0:
            return
        if known is None:
            gap = self.times[row, 1] - self.times[row, 0]
            for q in (1, 2, 3) if flags == 1 else (1,):
                price = 0.0 if q == 1 else _MISSED[1] + 2 + _SAME_AGAIN[2] * before[row]
                self._put(row, first, q - 1, price, 0.0, np.log(gap / q), 0.05**2, 0, last=q, same=2)
            if flags > 1:
                for f in range(flags):
                    self._put(row, first, f, 0.0, 0.0, np.log(gap / self.pattern[f]), 0.1**2, f)
        else:
            pace, flag, mode = known
            self._put(row, first, 0, 0.0, 0.0, np.log(pace[row]), 0.05**2, flag[row], mode=mode[row])

    def _put(self, row, at, k, cost, t, y, yy, flag, mode=COASTS, last=1, same=0):
        coast, hand, clock, freed = _OF_MODE[:, mode]
        wide = np.sqrt(HAND_SPREAD**2 + np.where(mode == UNKNOWN, yy, 0.0))
        values = {
            COST: cost, T: t, Y: y, S: SLOPE, TT: self.variance, YY: yy, SS: SLOPE_SPREAD**2,
            SPENT: cost, PERIOD: np.exp(y), TO_COAST: coast, TO_HAND: hand, TO_CLOCK: clock, FREED: freed, WIDE: wide,
            LAST: last, SAME: same, HABIT: _habit(last, same), FLAG: flag,
        }  # fmt: skip
        for what, value in values.items():
            self.block[what, row, at, k] = value

    def run(self):
        live = self
        for j in range(1, self.times.shape[1]):
            over = int(np.argmax(live.length > j))  # windows that have ended, if the shorter ones come first
            live = live._from_row(over) if over else live
            live._step(j)

    def _from_row(self, row):
        """The same search without the first rows: views, so that what it finds stands here, too."""
        rest = copy(self)
        for name in ("length", "times", "inside", "ripple", "is_last", "closed", "back"):
            setattr(rest, name, getattr(self, name)[row:])
        rest.forbid = None if self.forbid is None else self.forbid[row:]
        rest.block = self.block[:, row:]
        return rest

    def _step(self, j):
        # sources: passes j − SKIPS … j − 1, in the padded arrays at j … j + SKIPS − 1
        source = self.block[:, :, j : j + SKIPS]
        y, s, period, wide, flag = source[Y], source[S], source[PERIOD], source[WIDE], source[FLAG]
        now, flags, last_gap = self.times[:, j, None, None], len(self.pattern), self.is_last[:, j]
        spent, tau = source[SPENT] - self.log_usual, now - source[T]
        # how many flags the survivor's own curve makes of this gap
        bend = np.where(np.abs(s) < 1e-9, 1e-9, s)
        theta = -np.expm1(-np.minimum(bend * _within(tau / period, 0, 4 * MOST_STEPS), 30)) / bend
        if flags > 1:
            flag = flag.astype(np.int64)
            low = np.searchsorted(self.around, self.around[flag] + theta, side="right") - 1 - flag
        else:
            low = theta.astype(np.int64)
        k = _within(low, 1, MOST_STEPS - 1)[..., None] + _ONE_MORE
        angle = self.around[flag[..., None] + k] - self.around[flag][..., None] if flags > 1 else k.astype(float)
        pred = _predict(source[T:SPENT, ..., None], period[..., None], angle)
        off = now[..., None] - pred[0]
        spread = pred[3] + self.ripple[:, j, None, None, None]
        fit = (TAILS + 1) / 2 * np.log1p(off * off / spread / TAILS) + 0.5 * np.log(spread)
        every = np.empty((*spent.shape, 4))
        steps = _STEPS.take(source[HABIT].astype(np.int64)[..., None] + k)
        every[..., :2] = fit + (spent + source[TO_COAST])[..., None] + steps
        barred = last_gap if self.forbid is None else last_gap | (self.forbid[:, 1] == j)
        if barred.any():
            every[..., :2][(k > 1) & barred[:, None, None, None]] = np.inf
        # a hand: any plausible change of the period
        log_tau = np.log(np.maximum(tau, 1e-12))
        log_gap = log_tau - np.log(self.around[flag + 1] - self.around[flag]) if flags > 1 else log_tau
        hand = source[TO_HAND]
        if last_gap.any():
            hand = np.where(last_gap[:, None, None], np.minimum(hand, _ODD_END), hand)
        every[..., 2] = spent + hand + 0.5 * ((log_gap - y) / wide) ** 2 + np.log(wide) + log_tau + 0.4
        # a clock that jumps: the gap says nothing, the period goes on
        every[..., 3] = spent + source[TO_CLOCK] + np.log(period + np.abs(tau - period))
        inside = self.inside[:, j]
        if not inside.all():
            every[~inside] = np.inf
        # alike are those of nearly one pace; under a hand they are in cells of their own
        pace = np.empty_like(every)
        pace[..., :2] = log_tau[..., None] - np.log(angle)
        pace[..., 2] = log_gap + 50
        pace[..., 3] = y
        if flags > 1:
            pace[..., :2] += 100 * ((flag[..., None] + k) % flags)
            pace[..., 2:] += 100 * ((flag + 1) % flags)[..., None]
        self._survive(j, source, every.reshape(len(every), -1), pace, k, pred, log_gap)
        self._leave_out(j)

    def _survive(self, j, source, every, pace, k, pred, log_gap):
        """Put the cheapest explanation of each cell, of all (rows, …) in `every`, where pass j is real."""
        pace, row = pace.reshape(every.shape), np.arange(len(every))[:, None]
        begin = row[:, 0] * every.shape[1]
        best: list[np.ndarray] = []
        cost: list[np.ndarray] = []
        while True:
            least = every.argmin(axis=1)
            at = begin + least
            price = every.take(at)
            if best and not price.min() < np.inf:
                break
            best.append(least)
            cost.append(price)
            if len(best) == self.k:
                break
            np.copyto(every, np.inf, where=np.abs(pace - pace.take(at)[:, None]) < CELL)
        count = len(best)
        src, way = np.divmod(np.array(best).T, 4)
        s_at, k_at = np.divmod(src, self.k)
        predicted = way < 2
        option = (row * (every.shape[1] // 4) + src) * 2 + np.where(predicted, way, 1)
        steps = np.where(predicted, k.take(option), 1)
        old = source[:, row, s_at, k_at]
        new = pred.reshape(len(pred), -1).take(option, axis=1)
        # Kalman's update where the rotor coasts: of t, ln p and s, then of their covariances tt, ty, ts, yy, ys, ss
        now = self.times[:, j, None]
        gain = new[3:6] / (new[3] + self.ripple[:, j, None])
        new[:3] += gain * (now - new[0])
        new[3:] -= gain.take([0, 0, 0, 1, 1, 2], axis=0) * new.take([3, 4, 5, 4, 5, 5], axis=0)
        # a hand or a jump of the clock: the curve begins anew here, with another period or with the same
        hand, clock = way == 2, way == 3
        new[0] = np.where(predicted, new[0], now)
        new[3:6, ~predicted] = [[self.variance], [0.0], [0.0]]
        held = hand.nonzero()
        new[1][held], new[2][held] = log_gap[held[0], s_at[held], k_at[held]], SLOPE
        new[6][held], new[7][held], new[8][held] = old[FREED][held], 0.0, SLOPE_SPREAD**2
        if clock.any():
            new[1:3, clock], new[6:, clock] = old[Y : S + 1, clock], old[YY : SS + 1, clock]
            new[6, clock] += 1e-4
        new[1], new[2] = _within(new[1], *self.range), _within(new[2], -0.3, 1.5)
        same = np.minimum(old[SAME] + 1, 2) * ((steps == old[LAST]) & (steps > 1))
        put = self.block[:, :, j + SKIPS, :count]
        put[COST] = put[SPENT] = np.array(cost).T
        put[T:SPENT], put[PERIOD] = new, np.exp(new[1])
        put[TO_COAST : FREED + 1], put[WIDE] = _OF_MODE[:, hand.astype(np.int64)], HAND_SPREAD
        put[LAST], put[SAME], put[HABIT] = steps, same, _habit(steps, same)
        put[BEFORE] = old[AFTER]
        if len(self.pattern) > 1:
            put[FLAG] = (old[FLAG] + steps) % len(self.pattern)
        back = self.back[:, j + SKIPS, :count]
        back[..., 0], back[..., 1], back[..., 2] = SKIPS - s_at, k_at, steps
        back[..., 3] = np.where(predicted, COAST, way - 1)

    def _leave_out(self, j):
        """Add to what is spent since the passes j − SKIPS + 1 … j − 1 the price of leaving out pass j."""
        source = self.block[:, :, j + 1 : j + SKIPS]
        near = self.times[:, j, None, None] - source[T] < BOUNCE_SHARE * source[PERIOD]
        # a pass that is near has only near ones between its source and itself, so after the first they bounce again
        price = np.where(near, _BOUNCED[1], _FOREIGN)
        source[AFTER, :, -1] = first = near[:, -1]
        price[:, -1] += (_BOUNCED[0] - _BOUNCED[1]) * (first > source[BEFORE, :, -1])
        source[SPENT] += price + (source[Y] - self.log_usual)
        if self.forbid is not None:
            source[SPENT, self.forbid[:, 0] == j] = np.inf

    def ends(self):
        """Cheapest total price (rows,), the last real pass and its survivor; passes after it are foreign."""
        rows = np.arange(len(self.length))
        best = np.full(len(rows), np.inf)
        where = np.zeros((len(rows), 2), dtype=np.int64)
        for back in range(min(SKIPS, int(self.length.min()))):
            last = self.length - 1 - back
            cost = self.block[COST, rows, last + SKIPS]
            # a window ends among plain gaps; if all of them held several flags, the next window says so
            cost = np.where(self.closed[:, None] & (self.block[LAST, rows, last + SKIPS] > 1), np.inf, cost)
            survivor = np.argmin(cost, axis=1)
            total = cost[rows, survivor]
            late = np.zeros(len(rows))
            if back:
                y, after = self.block[Y, rows, last + SKIPS, survivor], last[:, None] + np.arange(1, back + 1)
                since = self.times[rows[:, None], after] - self.times[rows, last][:, None]
                near = since < BOUNCE_SHARE * np.exp(y)[:, None]
                late += np.where(near[:, 0], 0.0, _HAND)  # an end that is odd is left as it is
                late += np.where(near, _BOUNCED[0], _FOREIGN).sum(axis=1) + back * (y - self.log_usual)
                if self.forbid is not None:
                    late[(self.forbid[:, :1] == after).any(axis=1)] = np.inf
            better = total + late < best
            best = np.where(better, total + late, best)
            where[better] = np.stack([last, survivor], axis=1)[better]
        return best, where

    def best(self):
        """Price of the best explanation of each window, and the explanation: (extra, steps, way, steps before)."""
        price, where = self.ends()
        back = self.back
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
            first = int(self.block[LAST, r, SKIPS, k]) if j == 0 else 1
            paths.append((extra, steps, way, first))
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


def _within(values, low, high):
    """As np.clip, which takes longer than all else on few values."""
    return np.minimum(np.maximum(values, low), high)


def _predict(state, period, angle):
    """State and covariance (9, …), in the order T to SS, `angle` flags further on."""
    t, y, s, tt, ty, ts, yy, ys, ss = state
    # by the gap, not by the flag: else a curve with twice the flags in every gap would be the freer one
    bent = np.abs(s) * angle
    wander = ((WANDER[0] + bent * (WANDER[1] + WANDER[2] * bent)) / angle) ** 2
    bend = _within(s * angle, -3.0, 0.8)
    bend = np.where(np.abs(bend) < 1e-6, 1e-6, bend)
    s, left = bend / angle, np.log1p(-bend)
    u = -left / s  # ∫ dθ/(1 − sθ)
    grow = 1 / (1 - bend)
    # how t moves with ln p and with s, and how ln p moves with s
    t_y = period * u
    y_s = angle * grow
    t_s = period * (y_s - u) / s
    out = np.empty((9, *angle.shape))
    ss = ss + wander
    sooner = ty + t_y * yy + t_s * ys
    out[0] = t + t_y
    out[1] = y - left
    out[2] = s * grow
    out[5] = ts + t_y * ys + t_s * ss
    out[3] = tt + t_y * (ty + sooner) + t_s * (ts + out[5])
    out[4] = sooner + y_s * out[5]
    out[7] = ys + y_s * ss
    out[6] = yy + y_s * (ys + out[7])
    out[8] = ss
    return out
