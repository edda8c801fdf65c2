"""The angle of a coasting run as a spline in stretched time, and the splines of many runs at once.

A spline of degree d is a polynomial in each of its pieces. `Splines` keeps the polynomials of all runs in flat arrays,
so that the moments at which they reach a speed, and how well these are known, come from a few array operations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np

from ..stats.averages import NORMAL_FACTOR, t_factor

__all__ = ["Clock", "Moments", "Spline", "Splines", "design_of", "first_at_least", "spline_of"]

_MOST_STEPS, _SETTLED = 60, 1e-14  # of the search for a moment; of a run's stretched time
_MANY = 1000  # places
_TERMS = 6  # coefficients of a polynomial of the fifth degree, the highest that is used


@dataclass(frozen=True, eq=False)
class Clock:
    """Stretched time of one run."""

    kappa: float
    start_s: float
    span_s: float

    def stretched(self, times_s):
        """s and ds/dt at the given times."""
        tau = (np.asarray(times_s, dtype=float) - self.start_s) / self.span_s
        if self.kappa == 0:
            return tau, np.full_like(tau, 1 / self.span_s)
        norm = np.log1p(self.kappa)
        bent = self.kappa * tau
        return np.log1p(bent) / norm, self.kappa / (norm * (1 + bent) * self.span_s)


@dataclass(frozen=True, eq=False)
class Spline(Clock):
    """One weighted least-squares fit of the angle: coefficients, their covariance, its quality."""

    knots: np.ndarray
    degree: int
    coefficients: np.ndarray  # (m,)
    offsets: np.ndarray  # (flags,) angle of each flag from its even place, turns; sums to zero
    triangle: np.ndarray  # (w, w) R of all w columns, the spline's m first
    timing_sd_s: float  # scatter of the passes about it
    error_sd_s: float  # of their errors, where these last: a curve follows such errors more than independent ones
    aicc: float
    lasting: float  # correlation of the error of a pass with the next one's, as it is taken for the covariance
    fitted_s: np.ndarray  # times of the fitted passes
    late_s: np.ndarray  # their residuals, s: `weight_s` times how far the curve is ahead of them
    weight_s: np.ndarray  # rough turn periods there
    ironed: np.ndarray | None = None  # speeds at all coasting passes, never rising; of a curve that is chosen

    @property
    def complexity(self) -> tuple[int, int]:
        """Degree and number of inner knots."""
        return self.degree, len(self.knots) - 2 * self.degree - 2

    @cached_property
    def speed(self) -> np.ndarray:
        """Speed (turns/s) at the fitted passes, in the end at all coasting ones, (n,)."""
        return self.speeds(self.fitted_s) if self.ironed is None else self.ironed

    def basis_values(self, times_s) -> np.ndarray:
        """Angle (turns) at many times, (n,)."""
        return self._at(self.stretched(times_s)[0])

    @property
    def fitted_turns(self) -> np.ndarray:
        """Angle of the fitted passes, what unequal flags and a ripple make of it taken out, turns."""
        return self.basis_values(self.fitted_s) - self.late_s / self.weight_s

    def speeds(self, times_s) -> np.ndarray:
        """Speed (turns/s) at many times, (n,)."""
        s, first = self.stretched(times_s)
        return self._at(s, slope=1) * first

    def _at(self, s, slope: int = 0) -> np.ndarray:
        """The spline, or its slope, at stretched times s."""
        curve = spline_of(self.knots, self.coefficients, self.degree)
        if np.size(s) > _MANY:  # its polynomials take a while to find, and then an eighth of the time at each place
            from scipy.interpolate import PPoly

            curve = PPoly.from_spline(curve)
        return curve(s, slope)

    @cached_property
    def root(self) -> np.ndarray:
        """(m, w): root @ root.T is the coefficients' covariance, already widened for few degrees of freedom."""
        width = len(self.triangle)
        widened = self.error_sd_s * t_factor(len(self.late_s) - width) / NORMAL_FACTOR
        return np.linalg.inv(self.triangle)[: len(self.coefficients)] * widened

    @cached_property
    def pieces(self) -> tuple[np.ndarray, np.ndarray]:
        """Where the p pieces begin in stretched time, and (p, degree + 1, 1 + w) coefficients, of rising powers from
        there: first of the angle, then of (values of all B-splines) @ `root`.
        """
        begins = np.unique(self.knots)[:-1]
        spline = spline_of(self.knots, np.column_stack([self.coefficients, self.root]), self.degree)
        powers = [spline(begins, nu=power) / factorial(power) for power in range(self.degree + 1)]  # Taylor's series
        return begins, np.stack(powers, axis=1)


def spline_of(knots, coefficients, degree):
    """scipy's BSpline, without its checks: they take longer than a hundred passes."""
    from scipy.interpolate import BSpline

    return BSpline.construct_fast(knots, np.ascontiguousarray(coefficients), degree)


def design_of(s, knots, degree) -> np.ndarray:
    """(n, m) values of the B-splines at places s."""
    return spline_of(knots, np.eye(len(knots) - degree - 1), degree)(s)


def first_at_least(rising: np.ndarray, low: np.ndarray, high: np.ndarray, wanted) -> np.ndarray:
    """The first place from `low` to `high` (k,) at which `rising` is at least `wanted` (k,); `high` where it never is.

    A binary search in k stretches at once; within each of them `rising` must not fall.
    """
    for _ in range(int((high - low).max(initial=0)).bit_length()):
        middle = (low + high) // 2
        short = rising[np.minimum(middle, len(rising) - 1)] < wanted
        low, high = np.where(short & (low < high), middle + 1, low), np.where(short, high, middle)
    return low


@dataclass(frozen=True)
class Moments:
    """k moments of splines: arrays (k,), NaN where a speed is not reached."""

    time_s: np.ndarray  # on the log's own clock
    turns: np.ndarray
    speed: np.ndarray  # turns/s
    slowing: np.ndarray  # its slope, below zero, turns/s²
    stretch: np.ndarray  # ds/dt
    piece: np.ndarray  # row of the polynomial
    beyond: np.ndarray  # s since it begins

    def __getitem__(self, some) -> Moments:
        return Moments(*(getattr(self, name)[some] for name in self.__dataclass_fields__))


class Splines:
    """The splines of several runs, asked all at once.

    Parameters
    ----------
    splines : k of them, with speeds at all passes.
    times_s : their passes, k arrays as long as the speeds.
    """

    def __init__(self, splines: Sequence[Spline], times_s: Sequence[np.ndarray]):
        self.times_s = np.concatenate(times_s)
        self.slowness = -np.concatenate([spline.speed for spline in splines])  # rises along each run
        self.ends = np.cumsum([len(times) for times in times_s])
        self.firsts = self.ends - [len(times) for times in times_s]
        pieces = [spline.pieces for spline in splines]
        count = np.array([len(begins) for begins, _ in pieces])
        self.piece = np.cumsum(count) - count  # the first of each spline
        self.begins = np.full((len(splines), count.max()), np.inf)
        wide = max(block.shape[2] for _, block in pieces)
        powers = np.zeros((count.sum(), _TERMS, wide))
        for k, (begins, block) in enumerate(pieces):
            self.begins[k, : len(begins)] = begins
            powers[self.piece[k] : self.piece[k] + len(begins), : block.shape[1], : block.shape[2]] = block
        self.begin = self.begins[np.isfinite(self.begins)]
        self.angle = np.ascontiguousarray(powers[:, :, 0].T)  # (_TERMS, rows)
        self.root = np.ascontiguousarray(powers[:, :, 1:])  # (rows, _TERMS, w)
        self.start_s, self.span_s, self.kappa = np.array([(s.start_s, s.span_s, s.kappa) for s in splines]).T
        self.rate = np.log1p(self.kappa)  # ds/dt falls as exp(−rate s)
        with np.errstate(invalid="ignore"):
            self.first = np.where(self.kappa > 0, self.kappa / self.rate, 1.0) / self.span_s  # ds/dt at the start

    def reaching(self, which: np.ndarray, speed: np.ndarray) -> Moments:
        """Moments (k,) at which the splines `which` (k,) have slowed to a speed (k,), turns/s.

        Sought between the last pass that is at least as fast and the first that is slower, by Newton's steps in
        stretched time, halving where one leads out of there. NaN where all passes are slower, or none is.
        """
        firsts, ends = self.firsts[which], self.ends[which]
        after = first_at_least(self.slowness, firsts, ends, np.nextafter(-speed, np.inf))
        reached = (after > firsts) & (after < ends)
        after = np.clip(after, firsts + 1, ends - 1)
        low, high = self._stretched(which, self.times_s[after - 1]), self._stretched(which, self.times_s[after])
        above, below = self._at(np.tile(which, 2), np.r_[low, high]).speed.reshape(2, -1) - speed
        high = np.where(above * below > 0, low, high)  # the curve only touches that speed between two passes
        with np.errstate(divide="ignore", invalid="ignore"):
            s = low + (high - low) * np.where(above > below, above / (above - below), 0.5)
            for _ in range(_MOST_STEPS):
                found = self._at(which, s)
                off = found.speed - speed
                low, high = np.where(off >= 0, s, low), np.where(off <= 0, s, high)
                stepped = s - off / found.slowing * found.stretch
                stepped = np.where((low <= stepped) & (stepped <= high), stepped, (low + high) / 2)
                if np.abs(stepped - s).max(initial=0) <= _SETTLED:
                    break
                s = stepped
        return Moments(
            np.where(reached, found.time_s, np.nan), np.where(reached, found.turns, np.nan),
            found.speed, found.slowing, found.stretch, found.piece, found.beyond,
        )  # fmt: skip

    def known(self, start: Moments, stop: Moments | None) -> np.ndarray:
        """Standard uncertainties (2, k) of time and angle from start to stop, or to an exact moment where None."""
        rows = -self._sensitivity(start)
        if stop is not None:
            rows += self._sensitivity(stop)
        return np.sqrt(np.einsum("kiw,kiw->ik", rows, rows))

    def _stretched(self, which, time_s):
        tau = (time_s - self.start_s[which]) / self.span_s[which]
        kappa, rate = self.kappa[which], self.rate[which]
        return np.where(kappa > 0, np.log1p(kappa * tau) / np.where(kappa > 0, rate, 1.0), tau)

    def _at(self, which, s) -> Moments:
        """Where the splines are at stretched times s (k,)."""
        piece = self.piece[which] + np.maximum((s[:, None] >= self.begins[which]).sum(axis=1) - 1, 0)
        x = s - self.begin[piece]
        turns, slope, bend = np.zeros((3, len(s)))
        for power in self.angle[::-1]:  # Horner's scheme for the value and its two slopes
            bend = bend * x + 2 * slope
            slope = slope * x + turns
            turns = turns * x + power[piece]
        rate, kappa = self.rate[which], self.kappa[which]
        stretch = self.first[which] * np.exp(-rate * s)
        tau = np.where(kappa > 0, np.expm1(rate * s) / np.where(kappa > 0, kappa, 1.0), s)
        return Moments(
            time_s=self.start_s[which] + self.span_s[which] * tau,
            turns=turns,
            speed=slope * stretch,
            slowing=(bend - rate * slope) * stretch**2,
            stretch=stretch,
            piece=piece,
            beyond=x,
        )

    def _sensitivity(self, at: Moments) -> np.ndarray:
        """How time and angle of moments of one speed move with what the coefficients don't tell, (k, 2, w)."""
        powers = np.ones((len(at.beyond), 2, _TERMS))  # of x: of their slopes, which make the time; and of the angle
        for power in range(1, _TERMS):
            powers[:, 1, power] = powers[:, 1, power - 1] * at.beyond
        powers[:, 0, 0] = 0.0
        powers[:, 0, 1:] = powers[:, 1, :-1] * (-np.arange(1, _TERMS) * (at.stretch / at.slowing)[:, None])
        powers[:, 1] += at.speed[:, None] * powers[:, 0]
        return powers @ self.root[at.piece]
