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
# prices, −ln(rate)
_BOUNCED = (log(BOUNCE_SHARE / RATE_BOUNCE), log(BOUNCE_SHARE / RATE_BOUNCE_AGAIN))
_FOREIGN, _HAND, _ODD_END, _CLOCK = (-log(rate) for rate in (RATE_FOREIGN, RATE_HAND, RATE_ODD_END, RATE_CLOCK))
_PUSHED_ON, _LET_GO = -log(1 - RATE_LET_GO), -log(RATE_LET_GO)
_SAME_AGAIN, _NOT_AGAIN = -np.log(SAME_AGAIN), -np.log(1 - np.array(SAME_AGAIN))
_BETWEEN = np.arange(SKIPS - 1)[:, None, None] >= np.arange(SKIPS)[:, None]  # pass i + 1 of those comes after source k
_LEFT_OUT = np.arange(SKIPS - 1, -1, -1.0)[:, None]  # how many these are
_MISSED = np.array([-log(1 - RATE_MISSED), *(-log(RATE_MISSED) - k * log(RATE_MISSED_MORE) for k in range(MOST_STEPS))])
_MISSED_ANEW = np.array([0.3, *(_MISSED[1:] - 2.5)])


class Survivors:
    """Viterbi's algorithm over windows side by side; each survivor carries (t, ln p, s) and its covariance.

    Window r holds passes starts[r] to stops[r] − 1 of `times_s`. `before`: plain gaps before each window. `known`, for
    windows within an explained run: (pace, flag, mode) at their first pass. `forbid`, (rows, 2): a pass that must be
    kept, and a pass before which nothing may be missed (−1: none). `ripple`, (n,): scatter of single passes, s.
    """

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
        if ripple is not None:  # several flags feel friction that differs around the turn
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
        kept = SURVIVORS if known is None else SURVIVORS_KNOWN
        self.k = kept if flags == 1 else kept + 2 * flags
        rows = len(starts)
        shape = (rows, longest + SKIPS, self.k)
        self.block = np.zeros((len(self.NAMES), *shape))
        self.state = dict(zip(self.NAMES, self.block, strict=True))
        self.state["cost"].fill(np.inf)
        self.back = np.zeros((*shape, 4), dtype=np.int32)  # passes back, survivor there, steps, way
        self._begin(starts, before, known, flags)

    def _begin(self, starts, before, known, flags):
        state, first = self.state, SKIPS
        fresh = starts == 0
        for i in range(min(SKIPS - 1, self.times.shape[1])):  # at the start of a run the first passes may be foreign
            row = np.flatnonzero(fresh)
            for f in range(flags):
                self._put(row, first + i, f, i * _FOREIGN, self.times[row, i], np.log(self.usual), 2.25, f)
                state["mode"][row, first + i, f] = 2  # nothing is known yet
        row = np.flatnonzero(~fresh)
        if len(row) == 0:
            return
        if known is None:
            gap = self.times[row, 1] - self.times[row, 0]
            for q in (1, 2, 3) if flags == 1 else (1,):
                price = 0.0 if q == 1 else _MISSED[1] + 2 + _SAME_AGAIN[2] * before[row]
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
        rest.state = dict(zip(self.NAMES, rest.block, strict=True))
        return rest

    def _step(self, j):
        # sources: passes j − SKIPS … j − 1, in the padded arrays at j … j + SKIPS − 1
        source = self.block[:, :, j : j + SKIPS]
        cost, t, y, s, *_, mode, last, same, bounced, flag = source
        now = self.times[:, j, None, None]
        flags = len(self.pattern)
        flag, period, tau = flag.astype(np.int64), np.exp(y), now - t
        skipped, bounced = self._left_out(j, t, period, bounced)
        cost = cost + skipped
        # how many flags the survivor's own curve makes of this gap
        bend = np.where(np.abs(s) < 1e-9, 1e-9, s)
        theta = -np.expm1(-_within(bend * _within(tau / period, 0, 4 * MOST_STEPS), -30, 30)) / bend
        if flags > 1:
            low = np.searchsorted(self.around, self.around[flag] + theta, side="right") - 1 - flag
        else:
            low = np.floor(theta).astype(np.int64)
        k = _within(low, 1, MOST_STEPS - 1)[..., None] + np.arange(2)
        angle = self.around[flag[..., None] + k] - self.around[flag][..., None] if flags > 1 else k.astype(float)
        pred = _predict(source[1:10, ..., None], angle)
        off = now[..., None] - pred[0]
        spread = pred[3] + self.ripple[:, j, None, None, None]
        fit = (TAILS + 1) / 2 * np.log1p(off * off / spread / TAILS) + 0.5 * np.log(spread) - np.log(self.usual)
        let_go = np.where(mode == 1, _LET_GO, np.where(mode == 2, np.inf, 0.0))
        every = np.empty((*cost.shape, 4))
        every[..., :2] = (cost + let_go)[..., None] + fit + self._missing(k, last[..., None], same[..., None])
        every[..., :2][(k > 1) & self._no_miss(j)[:, None, None, None]] = np.inf
        # a hand: any plausible change of the period
        one = self.around[flag + 1] - self.around[flag] if flags > 1 else 1.0
        tau = np.maximum(tau, 1e-12)
        unknown = mode == 2
        wide = np.sqrt(HAND_SPREAD**2 + np.where(unknown, source[7], 0.0))
        held = np.where(mode == 1, _PUSHED_ON, np.where(unknown, 0.0, _HAND))
        held = np.where(self.is_last[:, j, None, None], np.minimum(held, _ODD_END), held)
        away = (np.log(tau / one) - y) / wide
        every[..., 2] = cost + held + 0.5 * away**2 + np.log(wide * tau / self.usual) + 0.4
        # a clock that jumps: the gap says nothing, the period goes on
        clock = cost + _CLOCK + np.log((period + np.abs(tau - period)) / self.usual)
        every[..., 3] = np.where(mode == 0, clock, np.inf)
        every[~self.inside[:, j]] = np.inf
        self._choose(j, every, k, angle, tau, pred, one, bounced, flag)

    def _no_miss(self, j):
        bars = self.is_last[:, j]
        return bars | (self.forbid[:, 1] == j) if self.forbid is not None else bars

    def _left_out(self, j, t, period, bounced):
        """Price (rows, SKIPS, k) of leaving out all passes between each source and pass j, and whether one bounced."""
        between = j - SKIPS + np.arange(1, SKIPS)  # passes j − SKIPS + 1 … j − 1
        times = self.times[:, np.maximum(between, 0)]
        near = times[:, :, None, None] - t[:, None] < BOUNCE_SHARE * period[:, None]  # (rows, SKIPS − 1, SKIPS, k)
        # a pass that is near has only near ones between its source and itself, so after the first they bounce again
        each = np.where(near, _BOUNCED[1], _FOREIGN)
        first = np.arange(SKIPS - 1)
        once = np.where(bounced[:, :-1] > 0, _BOUNCED[1], _BOUNCED[0])
        near = near[:, first, first]  # of the pass right after each source
        each[:, first, first] = np.where(near, once, _FOREIGN)
        if self.forbid is not None:
            each[self.forbid[:, :1] == between] = np.inf
        price = np.where(_BETWEEN, each, 0.0).sum(axis=1) + _LEFT_OUT * np.log(period / self.usual)
        hit = np.zeros_like(t)
        hit[:, :-1] = near
        return price, hit

    @staticmethod
    def _missing(k, last, same):
        often = np.minimum(same, 2).astype(np.int64)
        again = np.where((k == last) & (k <= 3), _SAME_AGAIN[often], _NOT_AGAIN[often] + _MISSED_ANEW[k - 1])
        return np.where(last <= 1, _MISSED[k - 1], again)

    def _choose(self, j, every, k, angle, tau, pred, one, bounced, flag):
        rows, at = np.arange(len(every)), j + SKIPS
        flat = every.reshape(len(every), -1)
        pace = np.empty_like(every)
        log_tau = np.log(tau)
        pace[..., :2] = log_tau[..., None] - np.log(angle)
        pace[..., 2] = log_tau - np.log(one) + 50  # under a hand: a cell of its own
        pace[..., 3] = self.state["y"][:, j : j + SKIPS]
        if len(self.pattern) > 1:
            steps = np.concatenate([k, np.ones_like(k)], axis=-1)
            pace += 100 * ((flag[..., None] + steps) % len(self.pattern))
        pace = pace.reshape(flat.shape)
        best: list[np.ndarray] = []
        cost: list[np.ndarray] = []
        for _ in range(self.k):
            least = flat.argmin(axis=1)
            price = flat[rows, least]
            if best and not price.min() < np.inf:
                break
            best.append(least)
            cost.append(price)
            flat[np.abs(pace - pace[rows, least][:, None]) < CELL] = np.inf
        src, way = np.divmod(np.array(best).T, 4)
        count = len(best)
        s_at, k_at = np.divmod(src, self.k)
        row = rows[:, None]
        steps = np.where(way < 2, k[row, s_at, k_at, np.minimum(way, 1)], 1)
        old = self.block[:, row, s_at + j, k_at]
        new = pred[:, row, s_at, k_at, np.minimum(way, 1)]
        # Kalman's update where the rotor coasts: of t, ln p and s, then of their covariances tt, ty, ts, yy, ys, ss
        gain = new[3:6] / (new[3] + self.ripple[:, j, None])
        new[:3] += gain * (self.times[:, j, None] - new[0])
        new[3:] -= gain[[0, 0, 0, 1, 1, 2]] * new[[3, 4, 5, 4, 5, 5]]
        # a hand or a jump of the clock: the curve begins anew here, with another period or with the same
        hand, clock = way == 2, way == 3
        new[0] = np.where(way < 2, new[0], self.times[:, j, None])
        new[3:6, way >= 2] = [[self.variance], [0.0], [0.0]]
        gap = tau[row, s_at, k_at] / (one[row, s_at, k_at] if np.ndim(one) else one)
        new[1, hand] = np.log(gap[hand])
        new[2, hand], new[8, hand] = SLOPE, SLOPE_SPREAD**2
        new[6, hand], new[7, hand] = np.where(old[10, hand] == 2, FIRST, LET_GO) ** 2, 0.0
        new[1:3, clock], new[6:, clock] = old[2:4, clock], old[7:10, clock]
        new[6, clock] += 1e-4
        put = self.block[:, :, at, :count]
        put[0] = np.array(cost).T
        put[1:10] = new
        put[2] = _within(new[1], *self.range)
        put[3] = _within(new[2], -0.3, 1.5)
        put[10] = hand
        put[11] = steps
        put[12] = np.where((steps == old[11]) & (steps > 1), old[12] + 1, 0)
        put[13] = bounced[row, s_at, k_at]
        put[14] = (flag[row, s_at, k_at] + steps) % len(self.pattern)
        self.back[:, at, :count] = np.stack([SKIPS - s_at, k_at, steps, np.where(way < 2, COAST, way - 1)], axis=-1)

    def ends(self):
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
            late = np.full(len(rows), _HAND if back else 0.0)  # an end that is odd is left as it is
            period = np.exp(self.state["y"][rows, last + SKIPS, survivor])
            for k in range(back):
                x = self.times[rows, last + 1 + k] - self.times[rows, last]
                near = x < BOUNCE_SHARE * period
                late -= np.where(near & (k == 0), _HAND, 0.0)
                each = np.where(near, _BOUNCED[0], _FOREIGN)
                late += each + np.log(period / self.usual)
                if self.forbid is not None:
                    late = np.where(self.forbid[:, 0] == last + 1 + k, np.inf, late)
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
            first = int(self.state["last"][r, SKIPS, k]) if j == 0 else 1
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


def _predict(state, angle):
    """State and covariance (9, …), in the order of `Survivors.NAMES` from t on, `angle` flags further on."""
    t, y, s, tt, ty, ts, yy, ys, ss = state
    period = np.exp(y)
    # by the gap, not by the flag: else a curve with twice the flags in every gap would be the freer one
    bent = np.abs(s) * angle
    wander = ((WANDER[0] + WANDER[1] * bent + WANDER[2] * bent**2) / angle) ** 2
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
