"""Logs and passes made for the tests of this room: hand-written ones, and a small bench with a known truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kit.logs.run import Run, counted_passes

LOGS = Path(__file__).parents[2] / "reference" / "logs"

# the three invented runs that all hand-written logs hold, s
A = [0.412, 0.655, 0.862, 1.074, 1.293, 1.520, 1.757, 2.006, 2.271, 2.556, 2.868, 3.221]
B = [0.380, 0.590, 0.805, 1.031, 1.270, 1.526, 1.806, 2.122, 2.501]
C = [0.501, 0.742, 0.951, 1.170, 1.405, 1.662, 1.953, 2.309]


def written(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- passes by hand --------------------------------------------------------------------------------------------------


def slowing(n: int = 30, first: float = 0.2, growth: float = 1.02) -> np.ndarray:
    """Pass times whose turn periods grow by the same factor from turn to turn."""
    return np.concatenate(([0.0], np.cumsum(first * growth ** np.arange(n))))


def kinds(repairs) -> list[tuple[str, int, int]]:
    return [(r.kind, r.index, r.passes) for r in repairs]


# --- a small bench with closed forms ---------------------------------------------------------------------------------

LAWS = ("constant", "linear", "square")  # what drag does with speed

PUSH, START, STOP, REST = (4.3, 6.0), 4.0, 1.0, 0.2  # turns/s


def drag_for(law: str, turns: float) -> float:
    """The drag constant with which a rotor makes so many turns between START and STOP."""
    if law == "constant":
        return (START**2 - STOP**2) / (2 * turns)
    return {"linear": (START - STOP) / turns, "square": np.log(START / STOP) / turns}[law]


def speed_after(law: str, k: float, first: float, angle: np.ndarray) -> np.ndarray:
    """Speed (turns/s) after `angle` turns of coasting from speed `first`."""
    if law == "constant":  # dω/dt = -k
        return np.sqrt(np.maximum(first**2 - 2 * k * angle, 0))
    return first - k * angle if law == "linear" else first * np.exp(-k * angle)  # dω/dt = -kω, -kω²


def time_after(law: str, k: float, first: float, angle: np.ndarray) -> np.ndarray:
    """Time (s) after `angle` turns of coasting from speed `first`; the inverse of θ(t) in closed form."""
    if law == "constant":
        return (first - np.sqrt(first**2 - 2 * k * angle)) / k
    if law == "linear":  # θ(t) = (ω₁/k)(1 - e^{-kt})
        return -np.log1p(-k * angle / first) / k
    return np.expm1(k * angle) / (k * first)  # θ(t) = ln(1 + kω₁t)/k


def coasting_angle(law: str, k: float, first: float, last: float) -> float:
    if law == "constant":
        return (first**2 - last**2) / (2 * k)
    return (first - last) / k if law == "linear" else np.log(first / last) / k


@dataclass
class Truth:
    times_s: np.ndarray  # as logged
    number: np.ndarray  # of the flag step behind each logged time; -1 for a bounce
    speed: np.ndarray  # turns/s at each true flag step
    coasting: np.ndarray  # is each true flag step after the push?
    angle: np.ndarray  # turns at each true flag step


def simulate(
    rng: np.random.Generator,
    law: str,
    turns: float,
    *,
    jitter_s: float = 1e-4,
    bounces: float = 0.01,
    misses: float = 0.01,
    flags: tuple[float, ...] = (0.0,),
) -> Truth:
    """A push with constant torque over 0.5 to 3 turns, then coasting down to REST, seen by a gate."""
    first, k = rng.uniform(*PUSH), drag_for(law, turns)
    push = rng.uniform(0.5, 3.0)
    end = push + coasting_angle(law, k, first, REST)
    step = np.arange(int(end + 2) * len(flags))
    angle = rng.uniform(0.02, 1) + step // len(flags) + np.array(flags)[step % len(flags)]
    angle = angle[angle < end]
    coasting = angle >= push
    after = np.maximum(angle - push, 0)
    push_time = 2 * push / first
    pushed = np.minimum(angle / push, 1)
    times = np.where(coasting, push_time + time_after(law, k, first, after), push_time * np.sqrt(pushed))
    speed = np.where(coasting, speed_after(law, k, first, after), first * np.sqrt(pushed))
    times = times + rng.normal(0, jitter_s, len(times))

    seen = np.flatnonzero(rng.random(len(times)) >= misses)
    again = seen[rng.random(len(seen)) < bounces]
    logged = np.concatenate((times[seen], times[again] + rng.uniform(0.002, 0.015, len(again))))
    number = np.concatenate((seen, np.full(len(again), -1)))
    order = np.argsort(logged)
    return Truth(logged[order], number[order], speed, coasting, angle)


def counts_are_right(truth: Truth, run: Run) -> bool:
    """Does every pass between START and STOP carry the right number, and is no bounce left there?"""
    times, turns = counted_passes(run)
    kept = np.isin(truth.times_s, times)
    number = truth.number

    def between(which: np.ndarray) -> np.ndarray:
        return truth.coasting[which] & (truth.speed[which] <= START) & (truth.speed[which] >= STOP)

    real = number >= 0
    counted = np.zeros(len(number), dtype=bool)
    counted[real] = between(number[real])
    nearest = number[np.maximum.accumulate(np.where(real, np.arange(len(number)), 0))]
    if (kept & ~real & between(nearest)).any() or (counted & ~kept).any():
        return False
    return not counted.any() or np.ptp((turns - number[kept])[counted[kept]]) < 1e-9
