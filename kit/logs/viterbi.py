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
        source = {name: values[:, j : j + SKIPS] for name, values in self.state.items()}
        now = self.times[:, j]
        flags = len(self.pattern)
        cost, y, s, flag = source["cost"], source["y"], source["s"], source["flag"].astype(np.int64)
        period = np.exp(y)
        tau = now[:, None, None] - source["t"]
        skipped, bounced = self._left_out(j, source["t"], period, source["bounced"])
        cost = cost + skipped
        # how many flags the survivor's own curve makes of this gap
        x = _within(tau / period, 0, 4 * MOST_STEPS)
        bend = np.where(np.abs(s) < 1e-9, 1e-9, s)
        theta = -np.expm1(-_within(bend * x, -30, 30)) / bend
        if flags > 1:
            low = np.searchsorted(self.around, self.around[flag] + theta, side="right") - 1 - flag
        else:
            low = np.floor(theta).astype(np.int64)
        low = _within(low, 1, MOST_STEPS - 1)
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
        let_go = np.where(mode == 1, _LET_GO, np.where(mode == 2, np.inf, 0.0))
        missing = self._missing(k, source["last"][..., None], source["same"][..., None])
        coast = (cost + let_go)[..., None] + fit + missing
        barred = (k > 1) & self._no_miss(j)[:, None, None, None]
        coast = np.where(barred, np.inf, coast)
        # a hand: any plausible change of the period
        one = self.around[flag + 1] - self.around[flag] if flags > 1 else 1.0
        ratio = np.log(np.maximum(tau, 1e-12) / one) - y
        wide = np.sqrt(HAND_SPREAD**2 + np.where(mode == 2, source["yy"], 0.0))
        held = np.where(mode == 1, _PUSHED_ON, np.where(mode == 2, 0.0, _HAND))
        held = np.where(self.is_last[:, j, None, None], np.minimum(held, _ODD_END), held)
        hand = cost + held + 0.5 * (ratio / wide) ** 2 + np.log(wide * np.maximum(tau, 1e-12) / self.usual) + 0.4
        # a clock that jumps: the gap says nothing, the period goes on
        clock = cost + _CLOCK + np.log(period * (1 + np.abs(tau / period - 1)) / self.usual)
        clock = np.where(mode == 0, clock, np.inf)
        every = np.concatenate([coast, hand[..., None], clock[..., None]], axis=-1)
        every = np.where(self.inside[:, j, None, None, None], every, np.inf)
        self._choose(j, every, k, angle, tau, source, pred, one, bounced, flag)

    def _no_miss(self, j):
        bars = self.is_last[:, j]
        return bars | (self.forbid[:, 1] == j) if self.forbid is not None else bars

    def _left_out(self, j, t, period, bounced):
        """Price (rows, SKIPS, k) of leaving out all passes between each source and pass j, and whether one bounced."""
        price, hit, longer = np.zeros_like(t), np.zeros_like(t), np.log(period / self.usual)
        for back in range(SKIPS - 1, 0, -1):  # the pass j - back; left out by sources further back than that
            if j - back < 0:
                continue
            farther = slice(0, SKIPS - back)
            share = (self.times[:, j - back, None, None] - t[:, farther]) / period[:, farther]
            near = share < BOUNCE_SHARE
            again = np.where((bounced[:, farther] > 0) | (hit[:, farther] > 0), _BOUNCED[1], _BOUNCED[0])
            each = np.where(near, again, _FOREIGN) + longer[:, farther]
            if self.forbid is not None:
                each = np.where((self.forbid[:, 0] == j - back)[:, None, None], np.inf, each)
            price[:, farther] += each
            hit[:, farther] = np.maximum(hit[:, farther], near)
        return price, hit

    @staticmethod
    def _missing(k, last, same):
        often = np.minimum(same, 2).astype(np.int64)
        again = np.where((k == last) & (k <= 3), _SAME_AGAIN[often], _NOT_AGAIN[often] + _MISSED_ANEW[k - 1])
        return np.where(last <= 1, _MISSED[k - 1], again)

    def _choose(self, j, every, k, angle, tau, source, pred, one, bounced, flag):
        rows, at = np.arange(len(every)), j + SKIPS
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
        new = dict(zip(pred, np.stack(list(pred.values()))[:, row, s_at, k_at, np.minimum(way, 1)], strict=True))
        old = dict(zip(self.NAMES, self.block[:, row, s_at + j, k_at], strict=True))
        # Kalman's update where the rotor coasts
        gain = [new[name] / (new["tt"] + self.ripple[:, j, None]) for name in ("tt", "ty", "ts")]
        off = self.times[:, j, None] - new["t"]
        coasting = way < 2
        gap = np.maximum(tau[row, s_at, k_at], 1e-12)
        hand = way == 2
        y_hand = np.log(gap / (one[row, s_at, k_at] if np.ndim(one) else one))

        def three(coast, hand_value, clock_value):
            return np.where(coasting, coast, np.where(hand, hand_value, clock_value))

        now = np.broadcast_to(self.times[:, j, None], off.shape)
        put = {
            "cost": cost,
            "t": three(new["t"] + gain[0] * off, now, now),
            "y": _within(three(new["y"] + gain[1] * off, y_hand, old["y"]), *self.range),
            "s": _within(three(new["s"] + gain[2] * off, SLOPE, old["s"]), -0.3, 1.5),
            "tt": three(new["tt"] - gain[0] * new["tt"], self.variance, self.variance),
            "ty": three(new["ty"] - gain[0] * new["ty"], 0.0, 0.0),
            "ts": three(new["ts"] - gain[0] * new["ts"], 0.0, 0.0),
            "yy": three(
                new["yy"] - gain[1] * new["ty"], np.where(old["mode"] == 2, FIRST, LET_GO) ** 2, old["yy"] + 1e-4
            ),
            "ys": three(new["ys"] - gain[1] * new["ts"], 0.0, old["ys"]),
            "ss": three(new["ss"] - gain[2] * new["ts"], SLOPE_SPREAD**2, old["ss"]),
            "mode": hand * 1.0,
            "last": steps,
            "same": np.where((steps == old["last"]) & (steps > 1), old["same"] + 1, 0),
            "bounced": bounced[row, s_at, k_at],
            "flag": (flag[row, s_at, k_at] + steps) % len(self.pattern),
        }
        self.block[:, :, at, :count] = np.stack([put[name] for name in self.NAMES])
        self.back[:, at, :count, 0] = SKIPS - s_at
        self.back[:, at, :count, 1] = k_at
        self.back[:, at, :count, 2] = steps
        self.back[:, at, :count, 3] = np.where(way < 2, COAST, way - 1)

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


def _predict(p, angle):
    """State and covariance `angle` flags further on."""
    period = np.exp(p["y"])
    # by the gap, not by the flag: else a curve with twice the flags in every gap would be the freer one
    bent = np.abs(p["s"]) * angle
    wander = ((WANDER[0] + WANDER[1] * bent + WANDER[2] * bent**2) / angle) ** 2
    bend = _within(p["s"] * angle, -3.0, 0.8)
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
