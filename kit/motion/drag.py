"""How a spinning disc slows down: constant drag, drag ∝ speed, drag ∝ speed², and every mixture of them.

The law is dω/dt = −Q(ω) with Q = a + bω + cω². Between two speeds ω₁ > ω₂

    duration = ∫ dω/Q        angle = ∫ ω dω/Q

are elementary (Gradshteyn & Ryzhik 2.172, 2.175; J. R. Taylor, Classical Mechanics, 2.2 and 2.4). The
textbook forms subtract nearly equal numbers when a, b or c is small or the roots of Q are nearly equal.
Here every form is a sum of positive terms, or a subtraction that can cost no more than one digit.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from ..errors import KitError

__all__ = [
    "LAWS",
    "TURN",
    "UNITS",
    "DragLaw",
    "between_speeds",
    "cumulated",
    "law_terms",
    "sensitivities",
    "single_power",
]

TURN = 2 * np.pi  # one turn, rad

UNITS = MappingProxyType({"a": "rad/s²", "b": "1/s", "c": "1/rad"})

#: The seven laws by name, and which of the coefficients "a", "b", "c" each has.
LAWS = MappingProxyType(
    {
        "constant": "a",
        "∝ speed": "b",
        "∝ speed²": "c",
        "constant + ∝ speed": "ab",
        "constant + ∝ speed²": "ac",
        "∝ speed + ∝ speed²": "bc",
        "constant + ∝ speed + ∝ speed²": "abc",
    }
)
_NAMES = {terms: name for name, terms in LAWS.items()} | {"": "no drag"}

# Gauss–Legendre on [0, 1]. Used only where both roots of Q lie at least ω₁ away from 0, in the left half
# plane: the integrand is then analytic inside the Bernstein ellipse ρ = 4.6 or larger, and 16 points leave
# a relative error of order ρ⁻³² < 1e-20.
_NODES, _WEIGHTS = (v / 2 for v in np.polynomial.legendre.leggauss(16))
_NODES = _NODES + 0.5


def law_terms(law: str) -> str:
    """Return the coefficients, such as "ab", of a law given by its name; "three-term" has all three.

    Raises
    ------
    KitError : no law has this name.
    """
    if law == "three-term":
        return "abc"
    if law not in LAWS:
        known = ", ".join(f'"{name}"' for name in LAWS)
        raise KitError("No drag law has this name", found=law, fix=f'use "three-term" or one of {known}')
    return LAWS[law]


@dataclass(frozen=True)
class DragLaw:
    """A law of slowing down, dω/dt = −(a + bω + cω²), with speeds ω in rad/s.

    Parameters
    ----------
    a : constant drag, rad/s² (torque / moment of inertia).
    b : drag ∝ speed, 1/s.
    c : drag ∝ speed², 1/rad.

    Coefficients below 1e-100 are taken as 0: they slow nothing that can be measured, and their squares underflow.
    All methods broadcast over arrays. Speeds are ≥ 0. A disc that has come to rest stays at rest.

    >>> import kit
    >>> law = kit.DragLaw(a=0.4, b=0.05)
    >>> law.name
    'constant + ∝ speed'
    >>> print(f"{law.duration(20, 5):.2f} s, {law.angle(20, 5):.1f} rad, at rest after {law.time_to_rest(20):.1f} s")
    15.35 s, 177.2 rad, at rest after 25.1 s
    >>> print(f"{law.scaled(2).duration(20, 5):.2f} s")
    7.67 s

    Raises
    ------
    KitError : a coefficient below 0; in the methods a negative speed, time or angle.
    """

    a: float = 0.0
    b: float = 0.0
    c: float = 0.0

    def __post_init__(self):
        for name in "abc":
            value = float(getattr(self, name))
            if not (np.isfinite(value) and value >= 0):
                raise KitError(f"The drag coefficient {name} must be a number ≥ 0", found=value, fix="drag only slows")
            object.__setattr__(self, name, value if value >= 1e-100 else 0.0)

    @property
    def terms(self) -> str:
        """The coefficients that are not zero, such as "ab"."""
        return "".join(name for name in "abc" if getattr(self, name) > 0)

    @property
    def name(self) -> str:
        """The name of the law in words, such as "constant + ∝ speed"."""
        return _NAMES[self.terms]

    def scaled(self, factor: float) -> DragLaw:
        """Return the law with all of its drag `factor` times as strong, factor ≥ 0; its kind stays as it is."""
        return DragLaw(self.a * factor, self.b * factor, self.c * factor)

    def deceleration(self, speed: ArrayLike) -> np.ndarray:
        """Return −dω/dt in rad/s² at a speed in rad/s."""
        return self._drag(_not_negative(speed, "speed"))

    def duration(self, speed_start: ArrayLike, speed_stop: ArrayLike) -> np.ndarray:
        """Return the time in s from one speed to another, both in rad/s.

        Infinite where the disc never gets there (rest without constant drag); negative where the stop
        speed is the faster one.
        """
        start, stop = _not_negative(speed_start, "speed"), _not_negative(speed_stop, "speed")
        return self._duration(start - stop, start, stop)

    def angle(self, speed_start: ArrayLike, speed_stop: ArrayLike) -> np.ndarray:
        """Return the angle in rad turned between one speed and another, both in rad/s.

        Infinite where drag ∝ speed² alone would have to bring the disc to rest; negative where the stop
        speed is the faster one.
        """
        start, stop = _not_negative(speed_start, "speed"), _not_negative(speed_stop, "speed")
        return self._angle(start - stop, start, stop)

    def mean_speed(self, speed_start: ArrayLike, speed_stop: ArrayLike) -> np.ndarray:
        """Return angle / duration in rad/s: the mean over time of the speed between two speeds.

        Arithmetic mean for constant drag, logarithmic mean for drag ∝ speed. Zero where the duration is
        infinite. With no drag at all the speed never changes, and the result is nan between two speeds.
        """
        start, stop = np.broadcast_arrays(_not_negative(speed_start, "speed"), _not_negative(speed_stop, "speed"))
        duration = self._duration(start - stop, start, stop)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self._angle(start - stop, start, stop) / duration
        if self.terms:
            mean = np.where(np.isinf(duration), 0.0, mean)
        return np.where(start == stop, start, mean)[()]

    def time_to_rest(self, speed: ArrayLike) -> np.ndarray:
        """Return the time in s from a speed in rad/s to rest; infinite without constant drag."""
        return self.duration(speed, 0.0)

    def angle_to_rest(self, speed: ArrayLike) -> np.ndarray:
        """Return the angle in rad from a speed in rad/s to rest; infinite for drag ∝ speed² alone."""
        return self.angle(speed, 0.0)

    def speed_at(self, time_s: ArrayLike, speed_start: ArrayLike) -> np.ndarray:
        """Return the speed in rad/s at a time in s after the speed was `speed_start`; 0 once at rest."""
        return self._loss_and_speed(_not_negative(time_s, "time"), _not_negative(speed_start, "speed"))[1]

    def angle_at(self, time_s: ArrayLike, speed_start: ArrayLike) -> np.ndarray:
        """Return the angle in rad turned in a time in s; it stays at `angle_to_rest` once at rest."""
        return self.state_at(time_s, speed_start)[1]

    def state_at(self, time_s: ArrayLike, speed_start: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return `speed_at` and `angle_at` together, for little more than the price of one."""
        time, start = _not_negative(time_s, "time"), _not_negative(speed_start, "speed")
        loss, speed = self._loss_and_speed(time, start)
        return speed, self._angle(loss, start, speed) if self.terms else start * time

    def time_at_angle(self, angle_rad: ArrayLike, speed_start: ArrayLike) -> np.ndarray:
        """Return the time in s at which an angle in rad is reached; infinite where the disc stops before."""
        angle, start = np.broadcast_arrays(_not_negative(angle_rad, "angle"), _not_negative(speed_start, "speed"))
        rest_angle, rest_time = self.angle_to_rest(start), self.time_to_rest(start)
        time = np.where(angle == 0, 0.0, np.where(angle == rest_angle, rest_time, np.inf))
        moving = (angle > 0) & (angle < rest_angle)
        time[moving] = self._time_at_angle(angle[moving], start[moving], rest_time[moving])
        return time[()]

    def _time_at_angle(self, angle, start, rest_time):
        """Solve angle_at(time) = angle by steps that take the present deceleration as constant.

        The angle is a concave function of time: such a step converges fast but may overshoot, a Newton step
        converges more slowly but never overshoots. So the second is taken where the first leaves the bracket.
        """
        if not self.terms:
            return angle / start
        time = low = angle / start  # as if nothing slowed it: never too late
        high = rest_time
        for _ in range(200):
            loss, speed = self._loss_and_speed(time, start)
            left = angle - self._angle(loss, start, speed)
            low, high = np.where(left >= 0, time, low), np.where(left <= 0, time, high)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                newton = time + left / speed
                brake = np.sqrt(np.maximum(speed**2 - 2 * left * self._drag(speed), 0))
                step = time + 2 * left / (speed + brake)
            step = np.where((low < step) & (step < high), step, newton)
            step = np.where((low <= step) & (step <= high), step, (low + high) / 2)
            settled = (np.abs(step - time) <= 1e-13 * time) | (np.abs(left) <= 4e-16 * angle)
            time = step
            if settled.all():
                break
        return time

    def _drag(self, speed):
        return self.a + speed * (self.b + speed * self.c)

    # The three forms below take the loss of speed δ = ω₁ − ω₂ apart from the speeds themselves: where δ is
    # known better than the difference of the two (just after the start), nothing is lost.

    def _duration(self, loss, start, stop):
        """∫ dω/Q = (δ/P)·A(z), with P = a + b(ω₁+ω₂)/2 + cω₁ω₂, z = (4ac − b²)δ²/4P², A(z) = atan(√z)/√z.

        This is atan x − atan y = atan((x−y)/(1+xy)) worked out: P takes the place of 1 + xy. A is analytic
        at z = 0 (equal roots), and 1 + z = Q₁Q₂/P² gives the logarithm where z → −1.
        """
        a, b, c = self.a, self.b, self.c
        discriminant = 4 * a * c - b * b
        product = a + b * (start + stop) / 2 + c * start * stop
        half = np.abs(loss) * np.sqrt(abs(discriminant)) / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            u = half / product
            if discriminant > 0:
                ratio = np.where(u > 0, np.arctan(u) / u, 1.0)
            else:
                small = u < 0.5
                ratio = np.where(u > 0, np.arctanh(np.where(small, u, 0.0)) / u, 1.0)
                ends = np.sqrt(self._drag(start)) * np.sqrt(self._drag(stop))
                ratio = np.where(small | (product == 0), ratio, np.log((product + half) / ends) / u)
            return np.where(loss == 0, 0.0, loss / product * ratio)[()]

    def _angle(self, loss, start, stop):
        """∫ ω dω/Q in one of three forms, none of which cancels where it is used.

        R is the distance of the nearer root of Q from 0.
        1. ω₁ ≤ R, drag nearly constant: quadrature, exact to rounding (see the nodes above).
        2. Roots −r₁, −r₂ real and well apart: (f(r₁) − f(r₂))/s, f(r) = r ln((ω₁+r)/(ω₂+r)), s = c(r₁−r₂).
        3. Otherwise ½(ln(Q₁/Q₂) − bT)/c.
        """
        a, b, c = self.a, self.b, self.c
        root_gap = np.sqrt(max(b * b - 4 * a * c, 0.0))  # s
        if b == 0 and (a == 0 or c == 0):
            near = np.inf if a > 0 else 0.0
        elif b * b > 4 * a * c:
            near = 2 * a / (b + root_gap)
        else:
            near = np.sqrt(a / c)
        fastest = np.maximum(start, stop)
        with np.errstate(divide="ignore", invalid="ignore"):
            if (fastest <= near).all():
                return self._angle_by_quadrature(loss, stop)
            if a * c < 0.16 * b * b:
                slowest = np.minimum(start, stop)
                size = np.abs(loss)
                reach = 2 * c * slowest + b + root_gap  # 2c(ω₂ + r₁), finite for c = 0
                far = np.where(c * size > 0, np.log1p(2 * c * size / reach) * reach / (2 * c or 1.0), size)
                far = far * (b + root_gap) / reach
                close = near * np.log1p(size / (slowest + near)) if near > 0 else 0.0
                angle = np.sign(loss) * (far - close) / root_gap
            elif c == 0:
                angle = np.full(loss.shape, np.where(loss == 0, 0.0, np.inf))  # no drag at all
            else:
                log_ratio = np.log1p(loss * (b + c * (start + stop)) / self._drag(stop))
                time = self._duration(loss, start, stop) if b > 0 else 0.0
                angle = (log_ratio - b * time) / (2 * c)
            if near > 0 and (fastest <= near).any():
                angle = np.where(fastest <= near, self._angle_by_quadrature(loss, stop), angle)
        return np.where(loss == 0, 0.0, angle)[()]

    def _angle_by_quadrature(self, loss, stop):
        speed = stop[..., None] + loss[..., None] * _NODES
        return (loss * ((speed / self._drag(speed)) @ _WEIGHTS))[()]

    def _loss_and_speed(self, time, start):
        """Loss of speed since the start, and the speed, after a time; both exact to rounding."""
        a, b, c = self.a, self.b, self.c
        rest_time = self._duration(start, start, np.zeros_like(start)) if a > 0 else np.inf
        resting = time >= rest_time
        time = np.where(resting | np.isinf(time), 0.0, time)
        gap = b * b - 4 * a * c
        if gap >= 0:
            s = np.sqrt(gap)
            decay = np.exp(-s * time)
            grown = -np.expm1(-s * time) / s if s > 0 else time  # (1 − e^{−st})/s
            below = 2 * a * c / (b + s) if b > 0 else 0.0  # (b − s)/2
            bottom = decay + grown * ((b + s) / 2 + c * start)
            loss = grown * self._drag(start) / bottom
            speed = (decay * start - grown * (a + below * start)) / bottom
        else:
            s = np.sqrt(-gap)
            cosine, sine = np.cos(s * time / 2), 2 * np.sin(s * time / 2) / s
            bottom = cosine + sine * (b / 2 + c * start)
            loss = sine * self._drag(start) / bottom
            speed = (cosine * start - sine * (a + b * start / 2)) / bottom
        loss = np.where(resting, start, np.minimum(loss, start))
        return loss[()], np.where(resting, 0.0, np.maximum(speed, 0.0))[()]


def _not_negative(values: ArrayLike, what: str) -> np.ndarray:
    """Return the values as an array of floats; the one gate for speeds, times and angles."""
    values = np.asarray(values, dtype=float)
    if (values < 0).any():
        raise KitError(f"A {what} must not be negative", found=float(values.min()), fix="use a value ≥ 0")
    return values


# --- how the angle moves with the law


def cumulated(time: np.ndarray, values: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """∫ values dt from the first time to each, by the trapezium rule with end correction (cubic Hermite)."""
    h = np.diff(time)
    parts = h / 2 * (values[..., :-1] + values[..., 1:]) + h**2 / 12 * (slopes[..., :-1] - slopes[..., 1:])
    out = np.zeros(values.shape)
    np.cumsum(parts, axis=-1, out=out[..., 1:])
    return out


def sensitivities(
    law: DragLaw, time: np.ndarray, start: float, speed: np.ndarray
) -> tuple[np.ndarray, list[np.ndarray]]:
    """∂angle/∂(start speed) and ∂angle/∂(a, b, c) at each time.

    The variation of dω/dt = −Q(ω) solves a linear equation whose homogeneous solution is Q(ω) itself, so
    ∂angle/∂ω₁ = (ω₁ − ω)/Q(ω₁) and ∂angle/∂p = −∫ (ω(t′) − ω) ω(t′)ᵏ/Q(ω(t′)) dt′, k = 0, 1, 2 for a, b, c.
    """
    if not law.terms:
        return time, [-(time**2) / 2 * start**k for k in range(3)]
    if law.a > 0:  # otherwise it never comes to rest
        time = np.minimum(time, law.time_to_rest(start))
    speed = np.maximum(speed, 1e-100 * start)  # without constant drag it never is 0, except in rounding
    drag = law._drag(speed)
    slope = law.b + 2 * law.c * speed
    powers = np.empty((4, len(speed)))  # speed^k / drag; products are quicker than powers
    powers[0] = 1 / drag
    for k in range(1, 4):
        powers[k] = powers[k - 1] * speed
    changes = slope * powers
    changes[1:] -= np.arange(1, 4)[:, None] * powers[:3]
    moments = cumulated(time, powers, changes)
    by_speed = (start - speed) / law.deceleration(start)
    return by_speed, [speed * moments[k] - moments[k + 1] for k in range(3)]


def between_speeds(coefficients: np.ndarray, fast: ArrayLike, slow: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Duration (s) and angle (rad) from one speed (rad/s) to another by many laws, and how they move with a, b and c.

    ∫ ωᵏ dω/Q and ∂/∂pⱼ = −∫ ωᵏ⁺ʲ dω/Q², k = 0 (duration) and 1 (angle), by Gauss–Legendre quadrature in ln ω. The roots
    of Q lie π/2 or more off the real axis there, so that 16 points on panels of a factor e² or less leave a relative
    error of order 3.4⁻³² = 1e-17.

    Parameters
    ----------
    coefficients : (n, 3) a, b and c of each law. fast, slow : speeds above zero, (n,) or one for all.

    Returns
    -------
    values (n, 2) and slopes (n, 2, 3); not finite for a law without drag.
    """
    fast, slow = np.broadcast_to(fast, len(coefficients)), np.broadcast_to(slow, len(coefficients))
    wide = np.log(fast / slow)
    panels = max(int(np.ceil(np.abs(wide).max(initial=0) / 2)), 1)
    nodes = ((np.arange(panels)[:, None] + _NODES) / panels).ravel()
    speed = slow[:, None] * np.exp(wide[:, None] * nodes)  # (n, nodes)
    a, b, c = np.asarray(coefficients).T[:, :, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        per_drag = 1 / (a + speed * (b + speed * c))
        weight = wide[:, None] * np.tile(_WEIGHTS / panels, panels) * speed * per_drag  # dω/Q
        values = np.stack([weight, weight * speed], axis=1)
        powers = np.stack([per_drag, per_drag * speed, per_drag * speed**2], axis=1)
        return values.sum(axis=2), -np.einsum("nki,nji->nkj", values, powers)


def single_power(ratio: float, start_period_s: float, stop_period_s: float) -> float:
    """Return the power p of the one drag ∝ speed^p that has this mean speed in turns/s; nan outside p from −1 to 4.

    Between the speeds the mean speed is ∫ω^(1−p) dω / ∫ω^(−p) dω, since dt = −dω/ω^p; it falls as p grows.
    """
    from scipy.optimize import brentq

    widest = float(np.log(stop_period_s / start_period_s))
    middle = 1 / float(np.sqrt(start_period_s * stop_period_s))  # turns/s: the geometric mean of both speeds

    def integral(q):  # of ω^(q−1), ω in units of the middle speed
        return 2 * np.sinh(q * widest / 2) / q if abs(q) > 1e-9 else widest

    def above(p):
        return integral(2 - p) / integral(1 - p) * middle - ratio

    if not (np.isfinite(ratio) and above(-1.0) >= 0 >= above(4.0)):
        return float("nan")
    return float(brentq(above, -1.0, 4.0, xtol=1e-10))
