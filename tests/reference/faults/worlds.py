"""Apparatus that coast to rest: exact times of passes, and the exact duration and turns between two turn periods.

Everything here is written with angle θ (rad) as the independent variable and the energy per moment of inertia
E = ω²/2 as the unknown, so that dE/dθ = −(slowing) and dt/dθ = 1/ω.

* A smooth wheel slows by f(ω) = a + bω + cω² + dω^p. Angle ∫ω dω/f and time ∫dω/f are cumulated by Gauss–Legendre
  quadrature over ln ω; t(θ) between the nodes is a Hermite polynomial of the fifth degree with the exact t' = 1/ω and
  t'' = f/ω³.
* A wheel with a once-a-turn torque obeys dE/dθ = −f(ω)(1 + m cos(θ − φ)) − g sin(θ − ψ): friction that depends on the
  angle, and an unbalanced wheel on a tilted axle. The whole path is solved at once by Newton's method on the integral
  equation (waveform relaxation), with cumulative sixth-order quadrature on a uniform grid of θ.
* A wheel with a string winds it up as it turns: dE/dθ = −(a + kθ') − 2cE, θ' counted from the release, until the
  string comes off after `string_until_rad`; then dE/dθ = −a − 2cE. E(θ) is closed; time is Gauss–Legendre quadrature.

**What is true.** The turn period P of a smooth wheel is 2π/ω at that moment. With a once-a-turn torque the time t(θ)
of an angle has a slow part and a ripple that comes back once a turn and grows as the wheel slows. A flag sees one
phase of it: its passes lie on a curve of their own, smooth from turn to turn, whose slope is the time of a whole turn
there. True is what the mean of the curves of all flags gives, between the angles at which its slope is P_start and
P_stop (`seen_between`; `kit.motion.smoothing` says the same of what it measures). So it belongs to the apparatus with
its flags where they are. The curves are found from exact passes: what they have on top of the slow part, less than a
hundredth of a turn or two, is joined from turn to turn by splines of the fifth degree.

The slow part: let H = E − g cos(θ − ψ) + m f sin(θ − φ), which gravity and what friction differs by around the turn
leave alone to second order. At a fixed H one whole turn takes P(H) = ∮dθ/√(2E) and costs ∮f(ω)(1 + m cos)du; the m f
sin in E lengthens the turn by the share 3/16 (m f/H)², which adds up over many turns. The slow motion has dH/dθ =
−(that loss)/2π and dt/dθ = P(H)/2π; `Wheel.between` gives its integrals between H(P_start) and H(P_stop): the average
over all angles at which a flag may stand, which three and more even flags see, too (to some millionths). Without
modulation this is the smooth case, exactly. (Averaging: e.g. Sanders, Verhulst & Murdock, Averaging Methods in
Nonlinear Dynamical Systems, 2nd ed. 2007, ch. 2; quoted from memory.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
from scipy.interpolate import make_interp_spline
from scipy.optimize import brentq

TAU = 2 * np.pi
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
_CELL_NODES, _CELL_WEIGHTS = np.polynomial.legendre.leggauss(4)
_STEPS_A_TURN = 48
_CIRCLE = np.arange(64) * TAU / 64  # spectral: the ripple is at most a third of the energy


@dataclass(frozen=True)
class Wheel:
    """Slowing of a coasting wheel; SI units with radians. Rates are ≥ 0, not all zero.

    a rad/s², b 1/s, c 1/rad, d (rad/s²)/(rad/s)^p. `swing` is m (0 to < 1) at angle `swing_at_rad`; `imbalance` is
    g, rad/s², at `imbalance_at_rad`; `string` is k, rad/s² per rad, and needs c > 0 and b = d = m = g = 0.
    """

    a: float = 0.0
    b: float = 0.0
    c: float = 0.0
    d: float = 0.0
    p: float = 1.3
    swing: float = 0.0
    swing_at_rad: float = 0.0
    imbalance: float = 0.0
    imbalance_at_rad: float = 0.0
    string: float = 0.0
    string_until_rad: float = np.inf

    def slowing(self, speed):
        """−dω/dt (rad/s²) without the once-a-turn parts, at speeds in rad/s."""
        total = self.a + (self.b + self.c * speed) * speed
        return total + self.d * speed**self.p if self.d else total

    def slowing_slope(self, speed):
        slope = self.b + 2 * self.c * speed
        return slope + self.d * self.p * speed ** (self.p - 1) if self.d else slope

    @property
    def modulated(self) -> bool:
        return self.swing > 0 or self.imbalance > 0

    def scaled(self, factor: float) -> Wheel:
        """All friction times `factor`: angles and times of a wheel without string or imbalance divide by it."""
        return replace(self, a=self.a * factor, b=self.b * factor, c=self.c * factor, d=self.d * factor)

    def between(self, start_period_s: float, stop_period_s: float, release_speed: float | None = None):
        """True duration (s) and turns from P_start to P_stop; `release_speed` (rad/s) matters with a string only."""
        if self.string:
            return self._string_between(start_period_s, stop_period_s, release_speed)
        if self.modulated:
            high, low = (self.energy_of_period(p) for p in (start_period_s, stop_period_s))
        else:
            high, low = ((TAU / p) ** 2 / 2 for p in (start_period_s, stop_period_s))
        middle, half = np.log(high * low) / 2, np.log(high / low) / 2
        energy = np.exp(middle + half * _NODES)
        loss, slowness = self._turn_average(energy)
        weights = half * _WEIGHTS * energy / loss
        return float(weights @ slowness), float(weights.sum() / TAU)

    def _turn_average(self, energy):
        """Mean loss dH/dθ and mean slowness dt/dθ over a turn at energies H, (n,)."""
        if not self.modulated:
            speed = np.sqrt(2 * energy)
            return self.slowing(speed), 1 / speed
        speed = np.sqrt(2 * (energy[:, None] + self.imbalance * np.cos(_CIRCLE - self.imbalance_at_rad)))
        friction = self.slowing(speed) * (1 + self.swing * np.cos(_CIRCLE - self.swing_at_rad))
        ahead = self.swing * self.slowing(np.sqrt(2 * energy))[:, None] * np.sin(_CIRCLE - self.swing_at_rad)
        return friction.mean(axis=1), (1 / np.sqrt(np.maximum(speed**2 - 2 * ahead, 1e-3 * speed**2))).mean(axis=1)

    def energy_of_period(self, period_s: float) -> float:
        """H (rad²/s²) at which a whole turn takes `period_s`. ValueError if gravity would stop it first."""
        plain = (TAU / period_s) ** 2 / 2
        if not self.modulated:
            return plain
        lowest = self.imbalance * (1 + 1e-9) or plain / 4

        def excess(log_energy):
            return self._turn_average(np.exp([log_energy]))[1][0] * TAU - period_s

        if excess(np.log(lowest)) < 0:
            raise ValueError("the unbalanced wheel cannot turn that slowly")
        return float(np.exp(brentq(excess, np.log(lowest), np.log(4 * plain + 4 * lowest), xtol=1e-14)))

    # ---- the path

    def path(self, release_speed: float, end_period_s: float, release_rad: float = 0.0) -> Path:
        """The coast from a release at angle `release_rad` until the (turn-averaged) period is `end_period_s`."""
        if self.string:
            return self._string_path(release_speed, end_period_s, release_rad)
        if self.modulated:
            return self._modulated_path(release_speed, end_period_s, release_rad)
        logs = np.log([release_speed, TAU / end_period_s])
        edges = np.linspace(*logs, max(int((logs[0] - logs[1]) / 0.02) + 2, 3))
        half = (edges[0] - edges[1]) / 2
        inner = np.exp(edges[:-1, None] - half + half * _CELL_NODES)
        per_log = inner / self.slowing(inner) * half
        time = np.concatenate(([0.0], np.cumsum(per_log @ _CELL_WEIGHTS)))
        angle = np.concatenate(([0.0], np.cumsum((per_log * inner) @ _CELL_WEIGHTS)))
        speed = np.exp(edges)
        return Path(angle + release_rad, time, 1 / speed, self.slowing(speed) / speed**3)

    def _modulated_path(self, release_speed, end_period_s, release_rad):
        g, end = self.imbalance, self.energy_of_period(end_period_s)
        first = release_speed**2 / 2
        start = first - g * np.cos(release_rad - self.imbalance_at_rad)
        energy = np.exp(np.linspace(np.log(start), np.log(end), 400))
        slope = energy / self._turn_average(energy)[0]
        slow = np.concatenate(([0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * np.log(energy[0] / energy[1]))))
        step = TAU / _STEPS_A_TURN
        angle = release_rad + step * np.arange(max(int(slow[-1] / step), 12))
        here = 1 + self.swing * np.cos(angle - self.swing_at_rad)
        pull = g * np.sin(angle - self.imbalance_at_rad)
        guess = np.interp(angle - release_rad, slow, energy) + g * np.cos(angle - self.imbalance_at_rad)
        for _ in range(12):
            speed = np.sqrt(2 * guess)
            defect = first - guess + cumulative(-self.slowing(speed) * here - pull, step)
            decay = -self.slowing_slope(speed) / speed * here
            grown = cumulative(decay, step)
            change = defect + np.exp(grown) * cumulative(np.exp(-grown) * decay * defect, step)
            guess = guess + change
            if not guess.min() > 0:
                raise ValueError("the wheel comes to rest within a turn: too few turns for this modulation")
            if np.abs(change).max() < 1e-11 * first:  # quadratic: the next change would be far smaller
                break
        speed = np.sqrt(2 * guess)
        bend = (self.slowing(speed) * here + pull) / speed**3
        return Path(angle, cumulative(1 / speed, step), 1 / speed, bend)

    def slow_path(self, path: Path) -> Path:
        """The slow part of a coast with a once-a-turn torque."""
        angle, speed = path.angle[[0, -1]], 1 / path.slowness[[0, -1]]
        ahead = self.swing * self.slowing(speed) * np.sin(angle - self.swing_at_rad)
        first, last = speed**2 / 2 - self.imbalance * np.cos(angle - self.imbalance_at_rad) + ahead
        energy = np.geomspace(first, last, 400)
        half = np.log(energy[0] / energy[1]) / 2
        inner = energy[:-1, None] * np.exp(half * (_CELL_NODES - 1))
        loss, slowness = (mean.reshape(inner.shape) for mean in self._turn_average(inner.ravel()))
        turned, lasted = (((inner / loss * part) @ _CELL_WEIGHTS * half).cumsum() for part in (1, slowness))
        loss, slowness = self._turn_average(energy)
        near = 1e-4
        higher, lower = (self._turn_average(energy * (1 + sign * near))[1] for sign in (1, -1))
        bend = loss * (lower - higher) / (2 * near * energy)
        return Path(angle[0] + np.append(0.0, turned), np.append(0.0, lasted), slowness, bend)

    def _string_energy(self, turned, first):
        """E after turning `turned` rad from a release with E = first; closed form of a linear equation."""
        until = self.string_until_rad
        on = self._relaxed(turned, first, self.string)
        if np.isinf(until):
            return on
        off = self._relaxed(np.maximum(turned - until, 0), self._relaxed(until, first, self.string), 0.0)
        return np.where(turned < until, on, off)

    def _relaxed(self, turned, first, k):
        # E' + 2cE = −a − kθ: particular solution α + βθ with β = −k/2c, α = (−a − β)/2c
        beta = -k / (2 * self.c)
        alpha = (-self.a - beta) / (2 * self.c)
        return alpha + beta * turned + (first - alpha) * np.exp(-2 * self.c * turned)

    def _string_angle(self, period_s, first):
        wanted = (TAU / period_s) ** 2 / 2
        if wanted > first * (1 + 1e-9):
            raise ValueError("with a string there is no motion faster than the release")
        if wanted >= first * (1 - 1e-12):
            return 0.0
        high = 1.0
        while self._string_energy(high, first) > wanted:
            high *= 2
        return brentq(lambda x: float(self._string_energy(x, first)) - wanted, 0, high, xtol=1e-12, rtol=1e-14)

    def _string_time(self, first, edges):
        half = np.diff(edges) / 2
        inner = edges[:-1, None] + half[:, None] * (1 + _CELL_NODES)
        return (1 / np.sqrt(2 * self._string_energy(inner, first))) @ _CELL_WEIGHTS * half

    def _string_between(self, start_period_s, stop_period_s, release_speed):
        first = release_speed**2 / 2
        low, high = (self._string_angle(p, first) for p in (start_period_s, stop_period_s))
        edges = np.linspace(low, high, 400)
        if low < self.string_until_rad < high:
            edges = np.sort(np.append(edges, self.string_until_rad))
        return float(self._string_time(first, edges).sum()), (high - low) / TAU

    def _string_path(self, release_speed, end_period_s, release_rad):
        first = release_speed**2 / 2
        edges = np.linspace(0, self._string_angle(end_period_s, first), 600)
        if 0 < self.string_until_rad < edges[-1]:
            edges = np.unique(np.append(edges, self.string_until_rad))
        time = np.concatenate(([0.0], np.cumsum(self._string_time(first, edges))))
        speed = np.sqrt(2 * self._string_energy(edges, first))
        torque = self.a + self.c * speed**2 + self.string * edges * (edges < self.string_until_rad)
        return Path(edges + release_rad, time, 1 / speed, torque / speed**3, self._kinks(edges))

    def _kinks(self, edges):
        """Nodes whose t'' jumps: the cell before needs the slowing with the string still on, rad/s² (index, k θ)."""
        at = np.flatnonzero(edges == self.string_until_rad)
        return [(int(i), self.string * self.string_until_rad) for i in at]


@dataclass(frozen=True)
class Path:
    """t(θ) of one coast at nodes: angle (rad), time (s), and the first and second derivative of time by angle."""

    angle: np.ndarray
    time: np.ndarray
    slowness: np.ndarray
    bend: np.ndarray
    kinks: list = ()

    def time_at(self, angle):
        """Time (s) since the release at angles (rad) within the path: Hermite interpolation of the fifth degree."""
        i = np.clip(np.searchsorted(self.angle, angle, side="right") - 1, 0, len(self.angle) - 2)
        h = self.angle[i + 1] - self.angle[i]
        x = (angle - self.angle[i]) / h
        right = self.bend[i + 1]
        for node, torque in self.kinks:
            right = np.where(i + 1 == node, right + torque * self.slowness[node] ** 3, right)
        left_v, left_b = self.slowness[i] * h, self.bend[i] * h * h
        rise = self.time[i + 1] - self.time[i] - left_v - left_b / 2
        tilt = self.slowness[i + 1] * h - left_v - left_b
        curve = right * h * h - left_b
        c3, c4, c5 = 10 * rise - 4 * tilt + curve / 2, -15 * rise + 7 * tilt - curve, 6 * rise - 3 * tilt + curve / 2
        return self.time[i] + x * (left_v + x * (left_b / 2 + x * (c3 + x * (c4 + x * c5))))

    def speed_at(self, angle):
        """Speed (rad/s) at angles, linear between nodes (for placing events only)."""
        return 1 / np.interp(angle, self.angle, self.slowness)


def seen_between(wheel: Wheel, path: Path, flags, start_period_s: float, stop_period_s: float) -> tuple[float, float]:
    """True duration (s) and turns of a coast on `path`, as flags at angles `flags` (turns) see it; see the top."""
    if not wheel.modulated:
        return wheel.between(start_period_s, stop_period_s, 1 / path.slowness[0])
    slow, (first, last), ripples = wheel.slow_path(path), path.angle[[0, -1]], []
    for flag in flags:
        passes = TAU * (flag + np.arange(np.ceil(first / TAU - flag), np.floor(last / TAU - flag) + 1))
        ripple = path.time_at(passes) - slow.time_at(passes)
        ripples.append(make_interp_spline(passes, ripple, min(5, len(passes) - 1)))

    def time(angle):
        return slow.time_at(np.array(angle)) + np.mean([ripple(angle) for ripple in ripples], axis=0)

    def longer(angle, period_s, near=1e-4):
        return (time(angle + near) - time(angle - near)) / (2 * near) * TAU - period_s

    ends = [brentq(longer, first + 0.01, last - 0.01, (p,), xtol=1e-9) for p in (start_period_s, stop_period_s)]
    return float(time(ends[1]) - time(ends[0])), (ends[1] - ends[0]) / TAU


def cumulative(values, step):
    """∫ from the first grid point to each, of six-point Lagrange pieces; exact for polynomials of the fifth degree."""
    inner = np.array([11, -93, 802, 802, -93, 11]) / 1440
    ends = np.array([[475, 1427, -798, 482, -173, 27], [-27, 637, 1022, -258, 77, -11]]) / 1440
    pieces = np.empty(len(values) - 1)
    pieces[2:-2] = np.convolve(values, inner, mode="valid")
    pieces[:2] = ends @ values[:6]
    pieces[-1:-3:-1] = ends @ values[:-7:-1]
    return np.concatenate(([0.0], np.cumsum(pieces))) * step


def passes_between(flags, first_turn: float, last_turn: float) -> np.ndarray:
    """Angles (turns) at which a flag stands in the gate, first_turn < angle ≤ last_turn; flags in [0, 1)."""
    whole = np.arange(np.floor(first_turn) - 1, np.ceil(last_turn) + 1)
    turns = (whole[:, None] + np.asarray(flags)).ravel()
    return turns[(turns > first_turn) & (turns <= last_turn)]


def push(kind: str, release_speed: float, rng):
    """Times (s, ending at 0) and angles (rad, ending at 0) of a hand's push from rest to `release_speed`.

    "smooth": 2 to 5 strokes, each a half cosine; "jerky": 3 to 7 strokes of unequal strength that lose 5 to 20 %
    between them; "flick": one stroke of 0.05 to 0.25 s.
    """
    strokes = {"smooth": rng.integers(2, 6), "jerky": rng.integers(3, 8), "flick": 1}[kind]
    level = np.sort(rng.uniform(0.2, 0.9, strokes))
    level[-1] = 1.0
    times, speeds, now, speed = [0.0], [0.0], 0.0, 0.0
    for top in level:
        lasts = rng.uniform(0.05, 0.25) if kind == "flick" else rng.uniform(0.15, 0.5)
        x = np.linspace(0, 1, 41)[1:]
        shape = (1 - np.cos(np.pi * x)) / 2
        if kind == "jerky":
            shape = np.sort(np.append(rng.uniform(0, 1, 39), 1.0))
        times.extend(now + lasts * x)
        speeds.extend(speed + (max(top, speed) - speed) * shape)
        now, speed = times[-1], speeds[-1]
        if top < 1:
            rest = rng.uniform(0.1, 0.4)
            speed *= 1 - (rng.uniform(0.05, 0.2) if kind == "jerky" else 0.005)
            now += rest
            times.append(now)
            speeds.append(speed)
    times, speeds = np.array(times), np.array(speeds) * release_speed
    angle = np.concatenate(([0.0], np.cumsum(np.diff(times) * (speeds[1:] + speeds[:-1]) / 2)))
    return times - times[-1], angle - angle[-1]


def jittered(times, kind: str, sd_s: float, rng):
    """Times with errors of the gate or clock: "none", "gauss", "heavy", "1 ms", "10 ms" or "drifting".

    heavy: Student's t with 3 degrees of freedom scaled to standard deviation sd_s; 1 ms, 10 ms: Gaussian errors, then
    rounded down to the clock's tick; drifting: AR(1) with lag-one correlation 0.7 and standard deviation sd_s.
    """
    n = len(times)
    if kind == "none":
        return times.copy()
    if kind == "heavy":
        return times + sd_s / np.sqrt(3) * rng.standard_t(3, n)
    if kind == "drifting":
        white = rng.normal(0, sd_s * np.sqrt(1 - 0.7**2), n)
        white[0] /= np.sqrt(1 - 0.7**2)
        return times + np.fromiter(accumulate(white, lambda before, new: new + 0.7 * before), float, n)
    noisy = times + rng.normal(0, sd_s, n)
    if kind in ("1 ms", "10 ms"):
        tick = 0.001 if kind == "1 ms" else 0.01
        noisy = np.floor(noisy / tick) * tick
    return noisy
