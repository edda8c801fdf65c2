"""The linear algebra beneath the drag fits: columns of the linearised problem, and its solution within bounds."""

from __future__ import annotations

import numpy as np

from kit.drag import DragLaw

__all__ = ["bounded_solution", "cumulated", "flag_columns", "one_turn_speed", "sensitivities"]

TURN = 2 * np.pi


def flag_columns(turned: np.ndarray, flags: int) -> list[np.ndarray]:
    """One column for each flag but the last: +1 for its passes, −1 for those of the last flag (sum 0)."""
    flag = np.rint(turned * flags / TURN).astype(int) % flags
    last = (flag == flags - 1).astype(float)
    return [(flag == k) - last for k in range(flags - 1)]


def one_turn_speed(times: np.ndarray, angles: np.ndarray, flags: int) -> np.ndarray:
    """Speed in rad/s at each pass, over one turn before and after it where the run has both."""
    n = len(times)
    before = np.maximum(np.arange(n) - flags, 0)
    after = np.minimum(np.arange(n) + flags, n - 1)
    return (angles[after] - angles[before]) / (times[after] - times[before])


def cumulated(time: np.ndarray, values: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """∫ values dt from the first time to each, by the trapezium rule with end correction (cubic Hermite)."""
    h = np.diff(time)
    parts = h / 2 * (values[..., :-1] + values[..., 1:]) + h**2 / 12 * (slopes[..., :-1] - slopes[..., 1:])
    out = np.zeros(values.shape)
    np.cumsum(parts, axis=-1, out=out[..., 1:])
    return out


def sensitivities(law: DragLaw, time, start, speed):
    """∂angle/∂(start speed) and ∂angle/∂(a, b, c) at each time.

    The variation of dω/dt = −Q(ω) solves a linear equation whose homogeneous solution is Q(ω) itself, so
    ∂angle/∂ω₁ = (ω₁ − ω)/Q(ω₁) and ∂angle/∂p = −∫ (ω(t′) − ω) ω(t′)ᵏ/Q(ω(t′)) dt′, k = 0, 1, 2 for a, b, c.
    """
    if not law.terms:
        return time, [-(time**2) / 2 * start**k for k in range(3)]
    time = np.minimum(time, law.time_to_rest(start))
    speed = np.maximum(speed, 1e-100 * start)  # without constant drag it never is 0, except in rounding
    drag = law.deceleration(speed)
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


def bounded_solution(triangle: np.ndarray, free: int, chosen=None) -> tuple[np.ndarray, float]:
    """Least-squares solution with all but the first `free` parameters ≥ 0, and its sum of squares.

    `triangle` is R of the columns with the target last; `chosen` are the bounded columns to use.
    """
    from scipy.optimize import nnls

    if chosen is not None:
        keep = [*range(free), *(free + k for k in chosen), triangle.shape[1] - 1]
        triangle = np.linalg.qr(triangle[:, keep], mode="r")
    count = triangle.shape[1] - 1
    bounded, target = triangle[free:count, free:count], triangle[:count, count]
    scale = np.sqrt((bounded**2).sum(axis=0))
    scale[scale == 0] = 1.0
    values, distance = nnls(bounded / scale, target[free:])
    values /= scale
    rest = target[:free] - triangle[:free, free:count] @ values
    left = triangle[count, count] ** 2 if len(triangle) > count else 0.0
    return np.append(np.linalg.solve(triangle[:free, :free], rest), values), distance**2 + left
