"""From a table of speeds, or an encoder's counts, to the moments at which whole turns were made."""

from __future__ import annotations

import numpy as np

from ..errors import KitError

__all__ = ["passes_from_counts", "passes_from_speeds"]

FEWEST_ROWS = 6
FEWEST_TURNS = 2
MOST_TURNS = 2_000_000
HALVINGS = 60  # of the interval in which a whole turn is made: to the last digit of a float


def passes_from_speeds(times_s, speed_hz) -> tuple[np.ndarray, float]:
    """When a rotor whose speed was logged had made 0, 1, 2 … turns since the first row, and how well that is known.

    The angle is the integral of the speed, θ(t) = ∫ v dt, with v a piecewise cubic through the rows that never
    overshoots (PCHIP, Fritsch & Carlson 1980); on even rows its error falls with the fourth power of the step. A speed
    that is mostly negative is turned round: the sign is only a sense of rotation.

    Parameters
    ----------
    times_s : (n,) increasing, s.
    speed_hz : (n,) turns a second.

    Returns
    -------
    pass_times_s : (k,) s.
    timing_u_s : standard uncertainty of such a time. A row's own comes from its rounding (the smallest step between
        values, evenly distributed) or its scatter (fourth differences), whichever is larger. It counts for as long as
        rows err alike, and as a random walk to the middle of the run. To it are added what halving the rows would
        change (the error of the interpolation), and the rounding of times that are not evenly spaced.

    Raises
    ------
    KitError : too few rows or turns, values that are no numbers, or times that do not increase.

    >>> import kit, numpy as np
    >>> times_s = np.arange(0, 10, 0.1)
    >>> passes, u = kit.passes_from_speeds(times_s, 5 - 0.5 * times_s)
    >>> passes[:3].round(4).tolist()  # the inverse of 5 t − t²/4
    [0.0, 0.202, 0.4083]
    """
    from scipy.interpolate import PchipInterpolator

    times, speed = _checked(times_s, speed_hz)
    if np.median(speed[: max(len(speed) // 2, 1)]) < 0:
        speed = -speed
    curve = PchipInterpolator(times, speed)
    angle = curve.antiderivative()
    passes = _whole_turns(times, angle(times), angle)
    coarse = PchipInterpolator(times[::2], speed[::2]).antiderivative()
    shared = times[::2]
    at_rows = np.abs(coarse(shared) - angle(shared))
    row_u = _row_u(speed)
    steps = np.diff(times)
    h = float(np.median(steps))
    moving = speed > 0.05 * np.max(speed)
    slowing = abs(float(np.polyfit(times[moving], speed[moving], 1)[0])) if moving.sum() > 2 else 0.0
    alike_s = max(h, min(row_u * 12**0.5 / slowing if slowing else np.inf, times[-1] - times[0]))
    usual = float(np.median(speed[moving]))
    # rows that err alike move a time by so much; others add up as a random walk does, here to the middle of the run
    drift = float(np.hypot(row_u * alike_s, row_u * h * (moving.sum() / 2) ** 0.5)) / usual
    return passes, float(np.hypot(np.hypot(drift, np.median(at_rows) / usual), _written_step(times) / 12**0.5))


def passes_from_counts(times_s, turns, one_count_turns: float | None = None) -> tuple[np.ndarray, float]:
    """When an encoder's running angle reached each whole turn, by the straight line between rows.

    Parameters
    ----------
    times_s : (n,) increasing, s.
    turns : (n,) counts divided by counts a turn; falling counts are turned round.
    one_count_turns : how coarse they are; by default the smallest step between any two.

    Returns
    -------
    pass_times_s : (k,) s. timing_u_s : standard uncertainty: one count, and the bend of the angle between two rows.

    Raises
    ------
    KitError : as for `passes_from_speeds`.

    >>> import kit, numpy as np
    >>> passes, u = kit.passes_from_counts([0, 0.1, 0.2, 0.3, 0.4, 0.5], np.array([0, 61, 121, 180, 238, 295]) / 60)
    >>> passes.round(4).tolist()
    [0.0, 0.0984, 0.1983, 0.3, 0.4035]
    """
    times, angle = _checked(times_s, turns)
    angle = angle - angle[0]
    if angle[-1] < 0:
        angle = -angle
    passes = _whole_turns(times, angle, None)
    steps = np.diff(times)
    speed = np.diff(angle) / steps
    usual = float(np.median(speed[speed > 0]))
    bend = float(np.median(np.abs(np.diff(np.diff(angle))))) / 8  # straight line against parabola: h² θ″ / 8
    return passes, float(np.hypot((one_count_turns or _smallest_step(angle)) / 12**0.5, bend) / usual)


def _checked(times_s, values) -> tuple[np.ndarray, np.ndarray]:
    times, values = np.asarray(times_s, float), np.asarray(values, float)
    if times.ndim != 1 or times.shape != values.shape or len(times) < FEWEST_ROWS:
        raise KitError("This table has too few rows", found=len(np.atleast_1d(times)), fix="export the whole log")
    if not (np.isfinite(times).all() and np.isfinite(values).all()):
        raise KitError("A row of this table has no number", fix="fill it in or take the row out")
    steps = np.diff(times)
    if (steps <= 0).any():
        raise KitError("The times of the rows do not increase", found=float(times[int((steps <= 0).argmax()) + 1]))
    return times, values


def _whole_turns(times: np.ndarray, turns: np.ndarray, angle) -> np.ndarray:
    """(k,) s: when the angle first reached 0, 1, 2 …; `angle` is it as a function of time, or None: straight lines."""
    highest = np.maximum.accumulate(turns)
    if not FEWEST_TURNS <= highest[-1] <= MOST_TURNS:
        raise KitError(
            "This table holds too few turns, or absurdly many",
            found=f"{highest[-1]:.4g} turns",
            fix="check the column and its unit",
        )
    whole = np.arange(int(np.floor(highest[-1] + 1e-9)) + 1, dtype=float)
    after = np.clip(np.searchsorted(highest, whole, side="left"), 1, len(times) - 1)
    low, high = times[after - 1].copy(), times[after].copy()
    if angle is None:
        rise = highest[after] - highest[after - 1]
        share = np.clip((whole - highest[after - 1]) / np.where(rise > 0, rise, 1), 0, 1)
        found = low + share * (high - low)
    else:
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            short = angle(middle) < whole
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        found = high
    found[0] = times[0] if turns[0] == 0 else found[0]
    return found[np.concatenate(([True], np.diff(found) > 1e-9))]


def _row_u(values: np.ndarray) -> float:
    """Standard uncertainty of one value: its rounding, or its scatter about the cubic through its neighbours."""
    scatter = 1.4826 * float(np.median(np.abs(np.diff(values, 4)))) / 70**0.5 if len(values) > 4 else 0.0
    return max(_smallest_step(values) / 12**0.5, scatter)


def _smallest_step(values: np.ndarray) -> float:
    """How coarse the numbers are written: the smallest difference between any two."""
    apart = np.diff(np.unique(values))
    apart = apart[apart > 1e-9 * max(np.max(np.abs(values)), 1e-300)]
    return float(apart.min()) if len(apart) else 0.0


def _written_step(times: np.ndarray) -> float:
    """The last decimal place that times in s are written to; 0 for a sampler's even steps, which are exact."""
    steps = np.diff(times)
    if np.ptp(steps) <= 1e-9 * np.max(steps):
        return 0.0
    for places in range(10):
        if np.allclose(np.round(times, places), times, rtol=0, atol=1e-11 + 1e-15 * np.max(np.abs(times))):
            return 0.1**places
    return 0.0
