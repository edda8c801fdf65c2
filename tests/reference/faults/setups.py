"""Random apparatus of a wanted kind and length, and the log its gate would write if nothing went wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .worlds import TAU, Path, Wheel, jittered, passes_between, push, seen_between

LAWS = ("constant", "linear", "squared", "mixed", "power 1.3", "string on", "string off")
MODULATIONS = ("even", "friction", "imbalance")
JITTERS = ("gauss", "heavy", "1 ms", "10 ms", "drifting")
PUSHES = ("smooth", "jerky", "flick")
FLAG_ANGLES = {  # turns
    "1": (0.0,),
    "2": (0.0, 0.5),
    "2 uneven": (0.0, 0.38),
    "3 uneven": (0.0, 0.3, 0.68),
    "4": (0.0, 0.25, 0.5, 0.75),
    "12": tuple(np.arange(12) / 12),
}


@dataclass(frozen=True)
class Setup:
    """One apparatus, one push, and the thresholds it is to be counted between."""

    wheel: Wheel
    flags: tuple[float, ...]  # angles in turns
    declared: int  # flags a turn that the log is said to have
    release_speed: float  # rad/s
    release_turn: float
    start_period_s: float
    stop_period_s: float
    end_period_s: float
    jitter: str
    jitter_s: float
    push: str

    def average(self) -> tuple[float, float]:
        """Duration (s) and turns between the thresholds, averaged over all angles at which a flag may stand."""
        return self.wheel.between(self.start_period_s, self.stop_period_s, self.release_speed)


@dataclass(frozen=True)
class Motion:
    """Exact passes of one spin: `turns` is the absolute angle, `release` the index of the first coasting pass.

    `counted_s` and `counted_turns` are when and at which angles it reaches the thresholds (before any fault).

    `truth` is the duration and turns as the flags see them.

    `literal` is the duration and turns from the last moment at P_start to the last at P_stop in this motion, which a
    second push or a touch makes different from the apparatus's own; None where it is the same.
    """

    setup: Setup
    path: Path
    times: np.ndarray
    turns: np.ndarray
    release: int
    counted_s: np.ndarray  # (2,) times
    counted_turns: np.ndarray  # (2,) angles
    truth: tuple[float, float]
    literal: tuple[float, float] | None = None


@dataclass(frozen=True)
class Log:
    """What the gate wrote, what was done to it, and what is true."""

    times: np.ndarray
    declared: int
    release: int
    counted_s: np.ndarray
    setup: Setup
    duration_s: float
    turns: float
    literal: tuple[float, float] | None = None
    done: str = "nothing"


def random_setup(
    rng, law="mixed", turns=100.0, flags="1", modulation="even", jitter="gauss", release_period_s=None
) -> Setup:
    """A setup with `turns` turns between its thresholds; ValueError if these wishes exclude each other.

    Start threshold 1.15 to 1.6 times the turn period at release, stop 1.8 to 5 times the start, end of the log 1.15 to
    3 times the stop, and at least a turn before the start and after the stop; release period
    0.08 to 1.2 s unless given; jitter 0.02 to 0.3 % of the shortest gap between flags.
    """
    release_s = release_period_s or float(np.exp(rng.uniform(np.log(0.08), np.log(1.2))))
    start_s = release_s * rng.uniform(1.15, 1.6)
    stop_s = start_s * rng.uniform(1.8, 5)
    end_s = stop_s * rng.uniform(1.15, 3.0)
    fast, slow = TAU / start_s, TAU / stop_s
    middle = np.sqrt(fast * slow)
    share = rng.dirichlet([1, 1, 1])
    wheel = {
        "constant": lambda: Wheel(a=1),
        "linear": lambda: Wheel(b=1),
        "squared": lambda: Wheel(c=1),
        "mixed": lambda: Wheel(a=share[0], b=share[1] / middle, c=share[2] / middle**2),
        "power 1.3": lambda: Wheel(d=1, p=1.3),
    }.get(law, lambda: None)()
    speed = TAU / release_s
    if wheel is None:
        wheel = _with_string(rng, law, speed, start_s, stop_s, end_s, turns)
    else:
        wheel = wheel.scaled(wheel.between(start_s, stop_s)[1] / turns)
        wheel = _modulated(rng, wheel, modulation, start_s, stop_s, end_s, turns)
    spare = [wheel.between(*ends, speed)[1] for ends in ((release_s, start_s), (stop_s, end_s))]
    if min(spare) < 1:
        raise ValueError("no whole turn of the log lies before the start or after the stop")
    gap = release_s * _smallest_gap(FLAG_ANGLES[flags])
    tick = {"1 ms": 0.001, "10 ms": 0.01}.get(jitter, 0.0)
    if gap < 3 * tick:
        raise ValueError("the clock is too coarse for this speed")
    sd = gap * float(np.exp(rng.uniform(np.log(2e-4), np.log(3e-3))))
    push_kind = PUSHES[rng.integers(3)]
    at = rng.uniform(0, 1)
    angles = FLAG_ANGLES[flags]
    return Setup(wheel, angles, len(angles), speed, at, start_s, stop_s, end_s, jitter, sd, push_kind)


def sister(setup: Setup, rng, friction: float = 1.0) -> Setup:
    """The same apparatus spun once more by the same group: `friction` times as much, and 1.5 % at random.

    The release is up to 15 % faster, the log ends earlier or later. A string stays as it is: what it does depends on
    the release.
    """
    factor = friction * float(np.exp(rng.normal(0, 0.015)))
    wheel = setup.wheel if setup.wheel.string else setup.wheel.scaled(factor)
    end_s = setup.end_period_s * (1.0 if setup.wheel.imbalance else rng.uniform(1.0, 1.3))
    speed = setup.release_speed * (1.0 if setup.wheel.string else rng.uniform(1.0, 1.15))
    return replace(setup, wheel=wheel, release_speed=speed, release_turn=rng.uniform(0, 1), end_period_s=end_s)


def _smallest_gap(flags) -> float:
    return float(np.diff((*flags, flags[0] + 1)).min())


def _modulated(rng, wheel, modulation, start_s, stop_s, end_s, turns):
    if modulation == "even":
        return wheel
    if turns < 10:
        raise ValueError("a few turns only: a once-a-turn torque is not told from the slowing")
    if modulation == "friction":
        wheel = replace(wheel, swing=rng.uniform(0.1, 0.8), swing_at_rad=rng.uniform(0, TAU))
    else:  # at the slowest speed the wheel still goes round: 2 to 35 % of its energy go to and fro
        pull = rng.uniform(0.02, 0.35) * (TAU / end_s) ** 2 / 2
        wheel = replace(wheel, imbalance=pull, imbalance_at_rad=rng.uniform(0, TAU))
    for _ in range(4):  # friction scales nearly as the number of turns
        wheel = wheel.scaled(wheel.between(start_s, stop_s)[1] / turns)
    return wheel


def _with_string(rng, law, speed, start_s, stop_s, end_s, turns):
    """Air and a string on the axle. In units s of the angle, E' = −A − Ks − XE; then the angle is stretched."""
    first = speed**2 / 2
    a, k, x = first * rng.uniform(0.02, 0.2), first * rng.uniform(0.1, 0.5), rng.uniform(0.3, 1.5)
    unit = Wheel(a=a, c=x / 2, string=k)
    if law == "string off":
        low, high = (unit._string_angle(p, first) for p in (start_s, stop_s))
        unit = replace(unit, string_until_rad=low + rng.uniform(0.2, 0.8) * (high - low))
    scale = TAU * turns / (TAU * unit.between(start_s, stop_s, speed)[1])
    return Wheel(a=a / scale, c=x / 2 / scale, string=k / scale**2, string_until_rad=unit.string_until_rad * scale)


def spin(setup: Setup, rng) -> Motion:
    """Exact pass times of the push and of the coast."""
    path = setup.wheel.path(setup.release_speed, setup.end_period_s, setup.release_turn * TAU)
    push_t, push_angle = push(setup.push, setup.release_speed, rng)
    before = passes_between(setup.flags, setup.release_turn + push_angle[0] / TAU, setup.release_turn)
    after = passes_between(setup.flags, setup.release_turn, path.angle[-1] / TAU)
    early = np.interp((before - setup.release_turn) * TAU, push_angle, push_t)
    begin = rng.uniform(0.5, 20) - push_t[0]
    times = begin + np.concatenate((early, path.time_at(after * TAU)))
    release_s = TAU / setup.release_speed
    first = setup.release_turn + setup.wheel.between(release_s, setup.start_period_s, setup.release_speed)[1]
    ends = first + np.array([0, setup.average()[1]])
    truth = seen_between(setup.wheel, path, setup.flags, setup.start_period_s, setup.stop_period_s)
    turns = np.concatenate((before, after))
    return Motion(setup, path, times, turns, len(before), begin + path.time_at(ends * TAU), ends, truth)


def logged(motion: Motion, rng) -> Log:
    """The log of a motion: jitter, and passes in the order in which the logger saw them."""
    setup = motion.setup
    times = np.sort(jittered(motion.times, setup.jitter, setup.jitter_s, rng))
    keep = np.concatenate(([True], np.diff(times) > 1e-9))  # two passes within one tick are one line of the log
    release = int(keep[: motion.release].sum())
    return Log(times[keep], setup.declared, release, motion.counted_s, setup, *motion.truth, motion.literal)
