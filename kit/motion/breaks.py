"""Whether a coast is one coast: breaks in it, found by fitting it whole and broken at every moment.

Whole: the run's own smooth curve; polynomials in stretched time; the three-term drag law; and each of the last two
with friction that eases at one moment (a string that comes off). Broken: the same polynomials and the same law, since
the wheel stays what it is, with a step of the speed at one moment (a push, a touch), a step of speed and angle (passes
lost, a clock set, a gate moved), or friction that sets in (a hand that brakes). The law is taken integrated twice over
the passes, angle = θ₀ + ω₀t − a t²/2 − b∫θ dt − c∫∫ω² dt dt, which is linear in all its parameters, so that every
moment can be tried: the score is how much better (AICc) the best broken curve is than the best whole one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, inf

import numpy as np

from ..logs.inference import jitter_of, tick_of
from ..stats.lasting import lag_one
from ..wording import number
from .drag import cumulated
from .splines import design_of

__all__ = ["Break", "Residuals", "find_break", "sudden_end", "unseen_moments"]

SCORE = 15.0  # of 800 clean runs 3 had more, all with a string that came off
LEAST_SPEED, LEAST_ANGLE, LEAST_BRAKE = 0.03, 0.04, 0.25  # share of the speed; turns; share of the slowing before
PUSH, STOP_TURNS = 0.25, 1.0  # a hand that must show: it changes the speed by this share, or stops it in so many turns
GAP_SCORE, GAP_SDS, LEAST_GAP = 12.0, 6.0, 0.01  # of a repaired gap that is no whole number of flags; share of a gap
SUDDEN, SUDDEN_SHARE, SUDDEN_P = 1.15, 0.03, 1e-5  # loss, in that just before; more of the energy; by chance
_BLOCKS, _FEW_TURNS, _FEW_ROWS = 400, 24, 20  # rows: more are averaged in groups, of whole turns from so many turns on
_PUSH_TURNS = 2  # from the first pass of the coast: a break so early may be the end of the push
_PLACES = 150  # moments tried
_DEGREES, _MORE_DEGREES = (4, 6, 8), (4, 6, 8, 12)
_MANY_PIECES, _STRETCHES = 8, (0.0, 4.0, 32.0)


@dataclass(frozen=True, eq=False)
class Residuals:
    """Passes of one run and how far each is from the curve."""

    times_s: np.ndarray
    turns: np.ndarray
    even_turns: np.ndarray  # what unequal flags make of it taken out
    flags: int
    period_s: np.ndarray
    late_s: np.ndarray  # residuals: logged minus expected time
    sd_s: float  # robust: 1.4826 × median absolute deviation
    tick_s: float  # smallest decimal step in which all times of the log are whole numbers

    @classmethod
    def of(cls, curve) -> Residuals:
        times, late = curve.fitted
        at = np.searchsorted(curve.times_s, times)
        sd = 1.4826 * float(np.median(np.abs(late - np.median(late))))
        even, flags = curve._best.fitted_turns, curve.run.flags_per_turn
        return cls(times, curve.turns[at], even, flags, curve.period_s[at], late, sd, tick_of(times))

    @property
    def gap_s(self) -> np.ndarray:
        """(n,) expected gap between flags at each pass, the mean one within a turn."""
        return self.period_s / self.flags


@dataclass(frozen=True)
class Break:
    """One moment at which a run stops being one smooth coast."""

    kind: str  # "speed", "angle", "brake", "end" or "gap"
    time_s: float
    size: float  # share of the speed; turns; slowing, or loss at the end, in that before; flags beside whole ones
    score: float
    in_push: bool = False  # in the first turns, the coast after them being whole: the push may have lasted so long

    @property
    def sentence(self) -> str:
        """What is said of it."""
        when = f"at {number(self.time_s, 4)} s"
        if self.kind == "speed" and self.size > 0:
            return f"Its speed rose by {self.size:.0%} all at once {when}: it was pushed again, or a count is wrong."
        if self.kind == "speed":
            return f"It lost {-self.size:.0%} of its speed all at once {when}: something touched it."
        if self.kind == "brake":
            return f"From {number(self.time_s, 4)} s on it slowed far more than before: something braked it."
        if self.kind == "end":
            return (
                f"At the end, from {number(self.time_s, 4)} s on, it slowed far more than before: something stopped it."
            )
        if self.kind == "gap":
            return (
                f"The gap that was repaired {when} is no whole number of passes: was the clock set, or was it stopped?"
            )
        how = "more" if self.size < 0 else "fewer"
        return (
            f"{when.capitalize()} {number(abs(self.size), 2)} turns {how} went by than were counted: passes were "
            "missed or too many, or the gate or the clock was moved."
        )


def find_break(curve, p: Residuals) -> Break | None:
    """The break that pays most, or None if no broken curve is better by a score of 15 and the break is of some size.

    score = f n ln(RSS of the best whole curve/RSS of the broken one) less the AICc price of the parameters, the moment
    being one; f = (1 − ρ)/(1 + ρ) is the share of independent passes (Bayley & Hammersley 1946), ρ the lag-one
    correlation of the residuals. A break counts if the speed jumps by 3 %, the angle by 0.04 turns, or the slowing
    rises by a quarter. About 150 moments are tried. The first coasting gap, into which the push may last, is left out.
    """
    rows = _Rows.of(curve, p)
    if rows is None:
        return None
    found = rows.best()
    if found and found.time_s < p.times_s[0] + _PUSH_TURNS * p.period_s[0]:
        rest = _Rows.of(curve, p, 1 + _PUSH_TURNS * p.flags)
        found = replace(found, in_push=rest is not None and rest.best() is None)
    return found or rows.repaired_gap(curve.run)


def unseen_moments(curve) -> np.ndarray:
    """Moments (s) of a short coast at which `find_break` would not see a hand, so little is left to test it by.

    A hand that changes the speed by the share `PUSH`, or stops the rotor within `STOP_TURNS`, adds its column to the
    passes. What of this no whole curve can follow must lift the AICc of every whole curve by `SCORE` over that of the
    best broken one, with the sums of squares that these passes leave. So a few passes, a shaky gate, and a curve that
    needs many pieces all hide a hand. Empty for coasts of 24 turns or more.
    """
    p = curve.once(Residuals.of)
    rows = _Rows.of(curve, p) if len(p.times_s) < _FEW_TURNS * p.flags else None
    return np.empty(0) if rows is None else rows.unseen(curve._best)


def sudden_end(curve, p: Residuals) -> Break | None:
    """Whether something stopped the rotor: in the last two turns it lost far more energy a turn than just before.

    Energy E = 1/P², P the time of a whole turn, or of a flag's gap, and what a turn costs: D = E - E' a turn later. It
    falls with the speed or stays, whatever the law of friction; where a string winds up it rises by a few per cent.
    Told is a D 1.15 times the least of the two turns before, by 3 % of the energy, and by more than scatter makes once
    in 100,000 times (Student's t of the curve's σ, 4.3 of them in a long run; √2 σ of P, so 2√2 σ/P³ of E). Of 1,050
    clean runs of 5 to 60 turns none came to 1.1 times (tests/reference/faults), nor did 1,440 tapped by a shaky hand.
    """
    from scipy.special import stdtrit

    f, t = p.flags, p.times_s[1:]
    n = len(t)
    if n < 4 * f + 1 or not np.allclose(np.diff(p.turns[-min(n, 7 * f) :: f]), 1, atol=1e-6):
        return None
    sd = max(curve.timing_sd_s, p.tick_s / np.sqrt(12))
    far = sd * stdtrit(max(n - curve._best.coefficients.size, 1), 1 - SUDDEN_P)
    found = None
    for wide, steps in ((f, range(1, 2 * f + 1)), (1, (f, 2 * f))):  # of a gap only those of the same flag compare
        energy = (t[wide:] - t[:-wide]) ** -2.0
        loss = energy[:-f] - energy[f:]  # between pass i and the same pass a turn later
        last = np.arange(max(len(loss) - 2 * f, steps[0]), len(loss))
        if len(last) == 0:
            continue
        before = np.array([np.where(last >= k, loss[last - k], inf) for k in steps])
        least = last - np.array(steps)[np.argmin(before, axis=0)]
        more = loss[last] - loss[least]
        chance = 2 * np.sqrt(2) * far * np.sqrt(sum(energy[i] ** 3 for i in (last, last + f, least, least + f)))
        odd = (more > SUDDEN_SHARE * energy[last]) & (loss[last] > SUDDEN * loss[least]) & (more > chance)
        if odd.any():
            at = int(last[np.argmax(odd)])
            here = Break("end", float(t[at + f]), float(loss[at] / max(loss[least[np.argmax(odd)]], 1e-300)), inf)
            if found is None or here.time_s < found.time_s:
                found = here
    return found


@dataclass(frozen=True, eq=False)
class _Rows:
    """The columns of all curves, weighted so that residuals are seconds; long runs averaged in groups."""

    p: Residuals  # without the first pass or passes
    starts: np.ndarray  # (m,) first pass of each group
    size: int  # passes in a group
    target: np.ndarray  # (m,) angle, what unequal flags make of it taken out
    bases: list[tuple[np.ndarray, int]]  # orthonormal columns (m, k) of each whole curve, and k
    smooth: float  # AICc of the run's own curve

    @classmethod
    def of(cls, curve, p: Residuals, first: int = 1) -> _Rows | None:
        """The rows of the passes from place `first` on; None if they are too few."""
        spline, at = curve._best, slice(first, None)
        kept = ("times_s", "turns", "even_turns", "period_s", "late_s")
        p = replace(p, **{name: getattr(p, name)[at] for name in kept})
        n = len(p.times_s)
        size = max(ceil(n / _BLOCKS), 1)
        if n // p.flags >= _FEW_TURNS:  # what repeats within a turn averages out
            size = p.flags * max(ceil(n / p.flags / _BLOCKS), 1)
        starts = np.arange(0, n - size + 1, size)
        m = len(starts)
        if m < 8:
            return None
        bare = cls(p, starts, size, np.empty(0), [], inf)
        s = spline.stretched(p.times_s)[0]
        angle = p.even_turns
        target = bare.rows(angle)
        rss = float(p.late_s @ p.late_s)
        if size > 1:
            rss = _left(np.linalg.qr(bare.rows(design_of(s, spline.knots, spline.degree)))[0], target)
        bare = replace(bare, target=target)
        many = spline.complexity[1] >= _MANY_PIECES
        degrees = [k for k in (_MORE_DEGREES if many else _DEGREES) if k + 4 < m]
        bases = [(np.linalg.qr(bare.rows(_law_columns(p, angle - angle[0])))[0], 5)]
        for kappa in dict.fromkeys((spline.kappa, *(_STRETCHES if many else ()))):
            tau = replace(spline, kappa=kappa).stretched(p.times_s)[0]
            if degrees:
                q = np.linalg.qr(bare.rows(np.polynomial.chebyshev.chebvander(2 * tau - 1, degrees[-1] - 1)))[0]
                bases += [(q[:, :k], k) for k in degrees]
        return replace(bare, bases=bases, smooth=bare.aicc(rss, spline.coefficients.size))

    def rows(self, columns):
        weight = self.p.period_s / np.sqrt(self.size)
        weighted = columns * (weight if columns.ndim == 1 else weight[:, None])
        return weighted if self.size == 1 else np.add.reduceat(weighted, self.starts, axis=0)[: len(self.starts)]

    def aicc(self, rss: float, parameters: int) -> float:
        m = len(self.starts)
        floor = m * (4e-16 * abs(self.p.times_s[-1])) ** 2  # noise-free data: the clock's own resolution
        return m * float(np.log(max(rss, floor))) + _price(parameters + 1, m)

    def best(self) -> Break | None:
        p, n, m = self.p, len(self.p.times_s), len(self.starts)
        tried = np.unique(np.linspace(max(2, p.flags), n - 2, min(_PLACES, max(n - 3, 1))).round().astype(int))
        if tried[0] >= n - 1 or len(tried) < 3:
            return None
        since = p.times_s[:, None] - (p.times_s[tried] + p.times_s[tried - 1]) / 2
        after = since > 0
        since *= after
        jump, ramp, bend = self.rows(after * 1.0), self.rows(since), self.rows(since * since / 2)
        sums = [_inner(a, b) for a, b in ((jump, jump), (ramp, ramp), (jump, ramp), (bend, bend))]
        whole, broken = self.smooth, []
        for q, k in self.bases:
            if k + 5 >= m:
                continue
            on = q.T @ self.target
            rest = self.target - q @ on
            rss = float(rest @ rest)
            on_jump, on_ramp, on_bend = q.T @ jump, q.T @ ramp, q.T @ bend
            pairs = ((on_jump, on_jump), (on_ramp, on_ramp), (on_jump, on_ramp), (on_bend, on_bend))
            jj, rr, jr, bb = (total - _inner(a, b) for total, (a, b) in zip(sums, pairs, strict=True))
            jy, ry, by = rest @ jump, rest @ ramp, rest @ bend
            by_ramp, ramp_gain = _one(rr, ry, sums[1])
            by_bend, bend_gain = _one(bb, by, sums[3])
            determinant = jj * rr - jr**2
            sound = (determinant > 1e-9 * jj * rr) & (jj > 1e-9 * sums[0]) & (rr > 1e-9 * sums[1])
            determinant = np.where(sound, determinant, 1.0)
            both = (rr * jy - jr * ry) / determinant, (jj * ry - jr * jy) / determinant
            both_gain = np.where(sound, both[0] * jy + both[1] * ry, 0.0)
            eased = np.where(by_bend > 0, bend_gain, 0.0)
            whole = min(whole, self.aicc(rss, k), self.aicc(rss - float(eased.max()), k + 2))
            for kind, gain, cost in (
                ("speed", ramp_gain, 2),
                ("both", both_gain, 3),
                ("brake", np.where(by_bend < 0, bend_gain, 0.0), 2),
            ):
                i = int(np.argmax(gain))
                sizes = (both[0][i], both[1][i], 0.0) if kind == "both" else (0.0, by_ramp[i], 0.0)
                sizes = (0.0, 0.0, by_bend[i]) if kind == "brake" else sizes
                left = self.target - sum(x * c[:, i] for x, c in zip(sizes, (jump, ramp, bend), strict=True))
                left -= q @ (q.T @ left)
                broken.append((self.aicc(float(left @ left), k + cost), k + cost, left, int(tried[i]), sizes))
        return self._most_telling(whole, broken)

    def unseen(self, spline) -> np.ndarray:
        """`unseen_moments`, of the moments midway between two passes."""
        p, m = self.p, len(self.starts)
        moments, speed = (p.times_s[1:] + p.times_s[:-1]) / 2, 1 / p.period_s[1:]
        since = p.times_s[:, None] - moments
        since *= since > 0
        push = self.rows(since * PUSH * speed)
        stop = self.rows(since * since / 2 * speed**2 / (2 * STOP_TURNS))
        own = np.linalg.qr(self.rows(design_of(spline.stretched(p.times_s)[0], spline.knots, spline.degree)))[0]
        broken = min(self.aicc(_left(q, self.target), k + 2) for q, k in self.bases)
        seen = np.ones(len(moments), dtype=bool)
        for q, k in [*self.bases, (own, spline.coefficients.size)]:
            if k + 1 < m:
                least = np.exp(min((broken + SCORE - _price(k + 1, m)) / m, 300.0)) - _left(q, self.target)
                for hand in (push, stop):
                    seen &= _inner(hand, hand) - _inner(on := q.T @ hand, on) > least
        return moments[~seen]

    def _most_telling(self, whole, broken) -> Break | None:
        best = None
        for cost, parameters, left, at, sizes in broken:
            if whole - cost <= SCORE:
                continue
            score = self._share(left, parameters) * (whole - cost)
            if score > (best.score if best else SCORE):
                best = self._named(at, sizes, score) or best
        return best

    @staticmethod
    def _share(left, parameters) -> float:
        rho = lag_one(left, parameters)
        share = (1 - rho) / (1 + rho) if rho > 2 / np.sqrt(len(left)) else 1.0
        return max(share, 0.5) if len(left) < _FEW_ROWS else share  # few residuals can't show a correlation

    def _named(self, at: int, sizes, score) -> Break | None:
        p, time_s, (by_jump, by_ramp, by_bend) = self.p, float(self.p.times_s[at]), sizes
        if by_bend:
            half = at // 2
            lost = 1 / p.period_s[half] - 1 / p.period_s[at]
            before = max(float(lost / (p.times_s[at] - p.times_s[half])), 1e-9 / p.period_s[0] / p.times_s[-1])
            size = float(-by_bend / before)
            return Break("brake", time_s, size, score) if size >= LEAST_BRAKE else None
        speed = float(by_ramp / (1 / p.period_s[at] - by_ramp / 2))  # the run's own curve runs midway through the step
        if abs(speed) >= LEAST_SPEED and abs(speed) > abs(by_jump) / 4:
            return Break("speed", time_s, speed, score)
        return Break("angle", time_s, float(by_jump), score) if abs(by_jump) >= LEAST_ANGLE else None

    def repaired_gap(self, run) -> Break | None:
        """A gap with missed passes that does not fit a whole number of them: one column, a step of the angle there."""
        p, m = self.p, len(self.starts)
        times = [run.pass_times_s[r.index] for r in run.repairs if r.accepted and r.kind == "missed"]
        at = np.searchsorted(p.times_s, times)
        at = at[(at > 1) & (at < len(p.times_s) - 1)]
        if len(at) == 0:
            return None
        if near := self._near_gap(at):
            return near
        jump = self.rows((np.arange(len(p.times_s))[:, None] >= at) * 1.0)
        whole, found = self.smooth, []
        for q, k in self.bases:
            if k + 4 >= m:
                continue
            rest = self.target - q @ (q.T @ self.target)
            rss = float(rest @ rest)
            whole = min(whole, self.aicc(rss, k))
            on = q.T @ jump
            size, gain = _one(_inner(jump, jump) - _inner(on, on), rest @ jump, _inner(jump, jump))
            i = int(np.argmax(gain))
            found.append((self.aicc(rss - float(gain[i]), k + 1), float(size[i]) * p.flags, i))
        if not found:
            return None
        cost, size, i = min(found)
        if whole - cost <= GAP_SCORE or abs(size) < LEAST_GAP:
            return None
        return Break("gap", float(p.times_s[at[i]]), size, whole - cost)

    def _near_gap(self, at) -> Break | None:
        """The same from four passes on either side of each gap alone: a cubic of time on angle, and a step."""
        p, worst = self.p, None
        sd = max(jitter_of(p.times_s), p.tick_s / np.sqrt(12))
        for i in at[(at >= 4) & (at <= len(p.times_s) - 4)].tolist():
            near = slice(i - 4, i + 4)
            turns = p.turns[near] - p.turns[i]
            columns = np.stack([*(turns**k for k in range(4)), turns >= 0], axis=1)
            inverse = np.linalg.pinv(columns)
            step = float(inverse[4] @ (p.times_s[near] - p.times_s[i]))
            gap = (p.times_s[i] - p.times_s[i - 1]) / (p.turns[i] - p.turns[i - 1])
            odd = abs(step) / (sd * np.linalg.norm(inverse[4])) if sd else inf
            if odd > GAP_SDS and abs(step) > LEAST_GAP * gap and (worst is None or odd > worst.score):
                worst = Break("gap", float(p.times_s[i]), float(step / gap), float(odd))
        return worst


def _law_columns(p: Residuals, turned):
    speed = 1 / p.period_s
    time = p.times_s - p.times_s[0]
    slowing = -np.gradient(speed, time)
    by_angle = cumulated(time, turned, speed)
    by_square = cumulated(time, cumulated(time, speed**2, -2 * speed * slowing), speed**2)
    columns = (np.ones_like(time), time, time**2, by_angle, by_square)
    return np.stack([column / max(abs(float(column[-1])), 1e-300) for column in columns], axis=1)


def _inner(a, b):
    return np.einsum("ik,ik->k", a, b)


def _one(square, product, total):
    """Size and gain of one more column each, given what the others leave of its square and of its product."""
    sound = square > 1e-9 * total
    square = np.where(sound, square, 1.0)
    return np.where(sound, product / square, 0.0), np.where(sound, product**2 / square, 0.0)


def _price(parameters: int, n: int) -> float:
    """AICc's price; infinite where as many parameters as values fit anything."""
    return 2 * parameters * n / (n - parameters - 1) if n - parameters > 1 else inf


def _left(q, target) -> float:
    """Sum of squares that orthonormal columns leave of the target."""
    left = target - q @ (q.T @ target)
    return float(left @ left)
