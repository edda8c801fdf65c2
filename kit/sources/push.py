"""One push on the virtual bench, in one call: what the student sets, their code and the run's number fix every byte.

spin = push(bench_setup("coasting_disc"), 2, code="amber-otter-1", number=1)
spin.run                                # as a gate would have logged it
measure([spin.run], 0.25, 1.0)          # counted like any other run
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace

import numpy as np

from ..errors import KitError
from ..logs.log import log_text
from .bench import Spin
from .faults import simulate_with_fault
from .setup import BenchSetup

__all__ = [
    "MAX_TILT_DEG",
    "SIMULATED",
    "WEAKEST",
    "conditions_of",
    "motion_samples",
    "push",
    "run_seed",
    "simulated_log",
]

MAX_TILT_DEG = 5.0
WEAKEST = 0.3  # strength of the gentlest push, as a share of the strongest
SIMULATED = "This is a simulation. Nothing real turns: the kit works out how such an apparatus would slow down."
_WARM_AFTER = 8  # runs after which the spindle has done about two thirds of its warming


def push(
    setup: BenchSetup,
    value: float,
    *,
    strength: float = 0.85,
    tilt_deg: float = 0.0,
    dry_hub: bool = False,
    code: str = "",
    number: int = 1,
    trial: int = 1,
    fault: str = "",
) -> Spin:
    """Give the disc a push and log it: the motion, and in `.run` what the gate made of it.

    Parameters
    ----------
    setup : the bench, from `kit.sources.setup.bench_setup` or `lesson.bench`.
    value : how much of what is changed, from 0 to the lesson's highest value, also between its values.
    strength : of the push, from 0.3 to 1, as a share of the fastest the bench allows.
    tilt_deg, dry_hub : the spindle's tilt in degrees, 0 to 5; the hub dry instead of greased.
    code, number : whose run, and its place in the session, from 1. Both seed what scatters: the same settings,
        code and number give the same run for ever (numpy keeps RandomState's stream, NEP 19).
    trial : noted in the run.
    fault : what goes wrong, a key of `kit.sources.setup.FAULTS`; "" for nothing. The run's note says so. Push, drag and
        the gate's scatter are those of the run without it.

    What scatters, all of it invented: the push lets go at `strength` × the fastest speed × exp(−σG/2) with G from a
    gamma distribution of shape 4 (σ = `push_scatter`; it falls short by 2σ on average and is never faster than meant);
    the whole drag is multiplied by a log-normal factor (`drag_scatter`); as the spindle warms, runs grow longer by up
    to `warm_up`, two thirds of it within 8 runs; and the gate has jitter, bounces and misses (`setup.gate`).

    Raises
    ------
    KitError : a setting outside its range, an unknown fault, or a push so weak that the flag never came to the gate.
    """
    value, tilt_deg, strength = _checked(setup, value, tilt_deg, strength)
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise KitError(
            "The runs of a session are numbered from 1", found=number, fix="use a whole number of at least 1"
        )
    kind = setup.apparatus
    random = np.random.RandomState(run_seed(setup, code, number))
    warmth = 1 + kind.warm_up * -math.expm1(-(number - 1) / _WARM_AFTER)
    factor = math.exp(kind.drag_scatter * random.standard_normal()) / warmth
    short = math.exp(-setup.push_scatter * random.standard_gamma(4) / 2)
    law = kind.law(value, tilt_deg, dry_hub).scaled(factor)
    if not law.terms:
        raise KitError("With this setting nothing would slow it down", found=value, fix="set a value above 0")
    fastest = strength * setup.fastest_turns_per_s * short
    spin = simulate_with_fault(fault, law, fastest, random, setup.gate, seed=run_seed(setup, f"{code} {fault}", number))
    run = replace(
        spin.run,
        conditions=conditions_of(setup, value, tilt_deg, dry_hub),
        trial=trial,
        source=f"bench run {number}",
        note=f"simulated; push {strength:.0%}" + (f"; went wrong: {spin.run.note}" if fault else ""),
        order=number,
    )
    return replace(spin, run=run)


def run_seed(setup: BenchSetup, code: str, number: int) -> int:
    """Seed of a run: 32 bits of a SHA-256 over the code, the apparatus and the run's number."""
    text = f"{code}\n{setup.apparatus.name}\n{number}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")


def conditions_of(setup: BenchSetup, value: float, tilt_deg: float = 0.0, dry_hub: bool = False) -> dict:
    """A run's conditions. Tilt and hub stand there only where they depart from level and greased."""
    conditions: dict[str, float | str] = {setup.apparatus.x: value}
    if tilt_deg:
        conditions["tilt_deg"] = tilt_deg
    if dry_hub:
        conditions["hub"] = "dry"
    return conditions


def motion_samples(spin: Spin, step_s: float = 0.25, most: int = 2000) -> tuple[float, np.ndarray, np.ndarray]:
    """The coasting for an animation: its end (s since the push), speeds (turns/s) and angles (turns), evenly in time.

    From the moment the hand lets go until rest, or until 15 s after the last pass where rest is far. Between two
    samples a cubic that matches angle and speed at both ends is exact to far below what an eye or a screen resolves.
    """
    motion = spin.motion
    last_s = float(spin.run.pass_times_s[-1]) - spin.pushed_at_s
    end_s = max(min(motion.rest_s, last_s + 15.0), motion.push_s + step_s)
    n = min(max(math.ceil((end_s - motion.push_s) / step_s) + 1, 60), most)
    speeds, angles = motion.state_at(np.linspace(motion.push_s, end_s, n))
    return end_s, speeds, angles


def simulated_log(spin: Spin) -> str:
    """The log as a CSV text with a notice that it is simulated, the settings, and one time a line."""
    run = spin.run
    settings = (f"{name} = {value}" for name, value in run.conditions.items())
    return log_text(run, SIMULATED, f"{run.source}, trial {run.trial}; {run.note}", *settings, places=5)


def _checked(setup: BenchSetup, value, tilt_deg, strength) -> tuple[float, float, float]:
    top = max(setup.apparatus.values)
    words = setup.x_words or setup.apparatus.x
    checks = (
        (value, 0.0, top, f"The {words} must lie between 0 and {top:g}"),
        (tilt_deg, 0.0, MAX_TILT_DEG, f"The tilt must lie between 0° and {MAX_TILT_DEG:g}°"),
        (strength, WEAKEST, 1.0, f"The strength of the push must lie between {WEAKEST:g} and 1"),
    )
    for found, low, high, problem in checks:
        if isinstance(found, bool) or not isinstance(found, int | float) or not low <= found <= high:
            raise KitError(problem, found=found, fix=f"use a number from {low:g} to {high:g}")
    if setup.whole and not float(value).is_integer():
        raise KitError(f"The {words} is counted", found=value, fix="use a whole number")
    return float(value), float(tilt_deg), float(strength)
