"""What can go wrong on the virtual bench: hands, flags, gates and loggers, before a rig of one's own does it.

A fault changes the motion, the flags or the log of one run. Push, drag and the gate's own scatter stay what they would
have been without it, and the run's note names it. Sizes are invented, of the order that real hands and loggers show.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..errors import KitError
from ..motion.drag import TURN, DragLaw
from .bench import Motion, Spin, Touch, simulate
from .setup import FAULTS, Gate

__all__ = ["simulate_with_fault", "surprise"]

_NOTHING = 1 / 3  # how often a surprise is that nothing goes wrong
_TAPE_AT_TURNS = 0.38  # where a second flag sits, after the first


def simulate_with_fault(
    fault: str,
    law: DragLaw,
    push_turns_per_s: float,
    random: np.random.RandomState,
    gate: Gate | None = None,
    *,
    seed: int,
) -> Spin:
    """A run of `bench.simulate` in which one thing goes wrong; `fault` is a key of `setup.FAULTS`, "" for none.

    `seed` fixes what the fault does. It has a stream of random numbers of its own, so that the run is otherwise the
    one that `random` gives without it.

    Raises
    ------
    KitError : an unknown fault, or what `simulate` refuses.
    """
    if not fault:
        return simulate(law, push_turns_per_s, random, gate)
    if fault not in FAULTS:
        raise KitError("The bench can't make this go wrong", found=fault, fix=f"one of: {', '.join(FAULTS)}")
    done, own = _DONE[fault], np.random.RandomState(seed)
    spin = simulate(law, push_turns_per_s, random, done.gate(gate or Gate()), touch=lambda m: done.touch(m, own))
    times = done.log(spin, own)
    run = replace(
        spin.run, pass_times_s=times, flags_per_turn=len((gate or Gate()).flag_offsets_turns), note=FAULTS[fault]
    )
    return replace(spin, run=run, at_gate_s=spin.run.pass_times_s if done.by_logger else None)


def surprise(faults: tuple[str, ...], seed: int) -> str:
    """One of these faults, or "" in a third of all cases."""
    random = np.random.RandomState(seed)
    if not faults or random.uniform() < _NOTHING:
        return ""
    return faults[random.randint(len(faults))]


# --- what a hand does to the motion -----------------------------------------------------------------------------------


def _in_mid_coast(motion: Motion, random) -> tuple[float, float]:
    """A moment (s since the push began) at 45 to 70 % of the speed at release, and that speed (rad/s)."""
    peak = TURN * motion.release_turns_per_s
    speed = peak * random.uniform(0.45, 0.70)
    return motion.push_s + float(motion.law.duration(peak, speed)), speed


def _pushed_again(motion: Motion, random) -> Motion:
    at_s, _ = _in_mid_coast(motion, random)
    return replace(motion, touch=Touch(at_s, 1 + random.uniform(0.15, 0.40)))


def _touched(motion: Motion, random) -> Motion:
    at_s, _ = _in_mid_coast(motion, random)
    return replace(motion, touch=Touch(at_s, 1 - random.uniform(0.15, 0.30)))


def _stopped(motion: Motion, random) -> Motion:
    """Slowed evenly to rest within 0.4 to 2 turns: a = ω²/2θ."""
    at_s, speed = _in_mid_coast(motion, random)
    return replace(motion, touch=Touch(at_s, law=DragLaw(speed**2 / (2 * TURN * random.uniform(0.4, 2.0)))))


# --- what gate and logger write instead of what passed ----------------------------------------------------------------


def _coasting(spin: Spin) -> tuple[float, float]:
    """From 95 to 40 % of the speed at release: two moments on the gate's clock."""
    release = spin.motion.release_turns_per_s
    return spin.when_as_slow_as(0.95 * release), spin.when_as_slow_as(0.40 * release)


def _with(times, extra) -> np.ndarray:
    return np.unique(np.concatenate([times, extra]))


def _hand_in_push(spin: Spin, random) -> np.ndarray:
    return _with(spin.run.pass_times_s, random.uniform(spin.pushed_at_s, spin.released_at_s, random.randint(1, 3)))


def _thread(spin: Spin, random) -> np.ndarray:
    return _with(spin.run.pass_times_s, random.uniform(*_coasting(spin), random.randint(1, 3)))


def _second_triggers(spin: Spin, random) -> np.ndarray:
    """After one pass in ten, 2 to 40 ms late."""
    times = spin.run.pass_times_s
    hit = random.uniform(size=times.size) < 0.1
    hit[random.randint(times.size)] = True  # one at least
    return _with(times, times[hit] + np.exp(random.uniform(np.log(0.002), np.log(0.04), hit.sum())))


def _stall(spin: Spin, random) -> np.ndarray:
    """4 to 8 passes in a row are written together, 1 ms apart, when the last of them comes."""
    times = spin.run.pass_times_s.copy()
    many = min(random.randint(4, 9), times.size)
    first = min(_one_of(spin, random), times.size - many)
    times[first : first + many] = times[first + many - 1] + 1e-3 * np.arange(1 - many, 1)
    return np.unique(times)


def _clock_jump(spin: Spin, random) -> np.ndarray:
    """From one pass on, all times are later by 0.4 to 5 turns' time."""
    times = spin.run.pass_times_s.copy()
    at = _one_of(spin, random)
    times[at:] += random.uniform(0.4, 5.0) * (times[at] - times[at - 1])
    return times


def _one_of(spin: Spin, random) -> int:
    """The position of a pass in the coast, never the first of the log."""
    low, high = np.searchsorted(spin.run.pass_times_s, _coasting(spin))
    last = spin.run.pass_times_s.size - 1
    return min(max(low + random.randint(max(high - low, 1)), 1), last)


# --- together ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Done:
    """What one fault does: to the motion, to the gate, to the log; each leaves alone what it isn't about."""

    touch: Callable[[Motion, np.random.RandomState], Motion] = lambda motion, random: motion
    gate: Callable[[Gate], Gate] = lambda gate: gate
    log: Callable[[Spin, np.random.RandomState], np.ndarray] = lambda spin, random: spin.run.pass_times_s
    by_logger: bool = False  # the gate itself triggers as it should


def _with_tape(gate: Gate) -> Gate:
    """Another flag behind each: as many more are in their places as offsets from even ones."""
    flags = len(gate.flag_offsets_turns)
    between = _TAPE_AT_TURNS / flags - 1 / (2 * flags)
    return replace(gate, flag_offsets_turns=tuple(f for o in gate.flag_offsets_turns for f in (o, o + between)))


_DONE: Mapping[str, _Done] = {
    "hand in push": _Done(log=_hand_in_push),
    "thread": _Done(log=_thread),
    "pushed again": _Done(touch=_pushed_again),
    "touched": _Done(touch=_touched),
    "stopped": _Done(touch=_stopped),
    "second triggers": _Done(log=_second_triggers),
    "uneven flags": _Done(gate=_with_tape),
    "stall": _Done(log=_stall, by_logger=True),
    "clock jump": _Done(log=_clock_jump, by_logger=True),
}
