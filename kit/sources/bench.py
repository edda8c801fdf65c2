"""The virtual bench: simulated apparatus, from its law of drag to the log a beam gate would have written.

The motion is exact (closed forms of the drag law); on top come the things that make real logs real: a push by hand,
drag that differs a little from run to run, a spindle that warms up over the session, jitter, bounces and missed
passes of the gate. Everything is invented, and every file made here says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from ..logs.run import Run
from ..motion.drag import TURN, DragLaw
from .setup import APPARATUS, Apparatus, Gate, Torque

__all__ = [
    "APPARATUS",
    "INVENTED",
    "Apparatus",
    "Gate",
    "Motion",
    "Spin",
    "Torque",
    "Touch",
    "simulate",
    "simulate_run",
    "true_stretch",
]

INVENTED = "Invented data from the kit's virtual bench (seed {seed}): no real apparatus was used."


def true_stretch(law: DragLaw, start_period_s: float, stop_period_s: float) -> tuple[float, float]:
    """Exact duration (s) and turns between two turn periods."""
    speeds = TURN / start_period_s, TURN / stop_period_s
    return float(law.duration(*speeds)), float(law.angle(*speeds) / TURN)


@dataclass(frozen=True)
class Touch:
    """A hand on the coasting disc: all at once another speed, and from then on perhaps another law of drag."""

    at_s: float  # since the beginning of the push, after the release and before rest
    factor: float = 1.0  # what the speed is multiplied by
    law: DragLaw | None = None  # None: as before


@dataclass(frozen=True)
class Motion:
    """One push and what follows: a disc at rest is sped up evenly, then let go, then coasts by a law of drag.

    Times in s and angles in turns, both counted from the beginning of the push.
    """

    law: DragLaw
    release_turns_per_s: float
    push_s: float  # how long the hand pushes
    touch: Touch | None = None  # what a hand does later

    @property
    def push_turns(self) -> float:
        """Angle at which the hand lets go, turns."""
        return self.release_turns_per_s * self.push_s / 2

    @property
    def rest_s(self) -> float:
        """When it comes to rest; infinite without constant drag."""
        if self.touch:
            law, speed, _ = self._touched(self.touch)
            return self.touch.at_s + float(law.time_to_rest(speed))
        return self.push_s + float(self.law.time_to_rest(TURN * self.release_turns_per_s))

    def _touched(self, touch: Touch) -> tuple[DragLaw, float, float]:
        """The law of drag, the speed (rad/s) and the angle since the release (rad) right after a touch."""
        speed, angle = self.law.state_at(np.array(touch.at_s - self.push_s), TURN * self.release_turns_per_s)
        return touch.law or self.law, float(speed) * touch.factor, float(angle)

    def coasting_turns(self, slowest_period_s: float, longest_s: float) -> float:
        """Turns from the release until a turn takes `slowest_period_s`, or for `longest_s` if that is less."""
        if self.touch:
            law, speed, angle = self._touched(self.touch)
            left_s = longest_s - (self.touch.at_s - self.push_s)
            return angle / TURN + _turns_until(law, speed, slowest_period_s, left_s)
        return _turns_until(self.law, TURN * self.release_turns_per_s, slowest_period_s, longest_s)

    def state_at(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Speed (turns/s) and angle (turns) at times ≥ 0."""
        time_s = np.asarray(time_s, dtype=float)
        share = np.minimum(time_s / self.push_s, 1.0)
        speed, angle = self.law.state_at(np.maximum(time_s - self.push_s, 0.0), TURN * self.release_turns_per_s)
        if self.touch:
            law, after, before = self._touched(self.touch)
            late, (later_speed, more) = (
                time_s > self.touch.at_s,
                law.state_at(np.maximum(time_s - self.touch.at_s, 0.0), after),
            )
            speed, angle = np.where(late, later_speed, speed), np.where(late, before + more, angle)
        pushing = share < 1
        return (
            np.where(pushing, share * self.release_turns_per_s, speed / TURN),
            np.where(pushing, share**2 * self.push_turns, self.push_turns + angle / TURN),
        )

    def time_at(self, angle_turns: np.ndarray) -> np.ndarray:
        """Times at which angles ≥ 0 are reached; infinite where it comes to rest before."""
        angle = np.asarray(angle_turns, dtype=float)
        times = self.push_s * np.sqrt(np.minimum(angle, self.push_turns) / self.push_turns)
        coasting = angle > self.push_turns
        later = TURN * (angle[coasting] - self.push_turns)
        times[coasting] = self.push_s + self.law.time_at_angle(later, TURN * self.release_turns_per_s)
        if self.touch:
            law, speed, before = self._touched(self.touch)
            touched = TURN * (angle - self.push_turns) > before
            more = TURN * (angle[touched] - self.push_turns) - before
            times[touched] = self.touch.at_s + law.time_at_angle(more, speed)
        return times


@dataclass(frozen=True, eq=False)
class Spin:
    """A simulated run with the motion behind it."""

    motion: Motion
    first_pass_turns: float  # angle at which the first flag is in the gate
    pushed_at_s: float  # what the gate's clock shows when the push begins
    run: Run
    at_gate_s: np.ndarray | None = None  # (n,) when the gate really triggered, where the logger wrote something else

    @property
    def released_at_s(self) -> float:
        """When the hand lets go, on the gate's clock."""
        return self.pushed_at_s + self.motion.push_s

    def coasting_at(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Speed (turns/s), and turns since the flag first came to the gate, at moments of coasting on its clock.

        Until a hand touches it; as `when_as_slow_as`.
        """
        motion, since_s = self.motion, np.asarray(time_s) - self.released_at_s
        peak = TURN * motion.release_turns_per_s
        turns = motion.push_turns + motion.law.angle_at(since_s, peak) / TURN - self.first_pass_turns
        return motion.law.speed_at(since_s, peak) / TURN, turns

    def when_as_slow_as(self, turns_per_s: float) -> float:
        """The moment of coasting at which it has slowed to this speed, on the gate's clock."""
        speeds = TURN * self.motion.release_turns_per_s, TURN * turns_per_s
        return self.released_at_s + float(self.motion.law.duration(*speeds))


def simulate(
    law: DragLaw,
    push_turns_per_s: float,
    random: np.random.RandomState,
    gate: Gate | None = None,
    slowest_period_s: float = 12.0,
    longest_s: float = 3600.0,
    touch: Callable[[Motion], Motion] | None = None,
) -> Spin:
    """One spin-down as a gate would log it: push, release at `push_turns_per_s`, coast until (nearly) at rest.

    The push speeds the disc up evenly within about a second. The log ends with the last pass, when a turn takes
    longer than `slowest_period_s`, or after `longest_s` of coasting. The clock starts at an arbitrary moment. `touch`
    may change the motion before the gate sees it (`kit.sources.faults`).

    Raises
    ------
    KitError : a push that is not above 0, or one so weak that no flag passed the gate.
    """
    if not push_turns_per_s > 0:
        raise KitError(
            "The push must leave the disc spinning", found=push_turns_per_s, fix="give turns a second above 0"
        )
    gate = gate or Gate()
    flags = len(gate.flag_offsets_turns)
    motion = Motion(law, push_turns_per_s, random.uniform(0.7, 1.3))
    motion = touch(motion) if touch else motion
    first = random.uniform() / flags
    coasting_turns = motion.coasting_turns(slowest_period_s, longest_s)
    even = np.arange(first, motion.push_turns + coasting_turns, 1 / flags)
    times = motion.time_at(np.maximum(even + np.resize(gate.flag_offsets_turns, even.size), 0.0))
    pushed_at_s = random.uniform(1.0, 4.0)
    seen = _through_gate(times[np.isfinite(times)] + pushed_at_s, gate, random)
    if not seen.size:
        raise KitError("The flag never came to the gate: the push was too weak", fix="push harder")
    return Spin(motion, first, pushed_at_s, Run(seen, flags_per_turn=flags))


def simulate_run(law: DragLaw, push_turns_per_s: float, random: np.random.RandomState, *args, **kwargs) -> Run:
    """The run of `simulate`, with the same arguments."""
    return simulate(law, push_turns_per_s, random, *args, **kwargs).run


def _turns_until(law: DragLaw, peak, slowest_period_s, longest_s) -> float:
    slowest = TURN / slowest_period_s
    return float(min(law.angle(peak, min(slowest, peak)), law.angle_at(longest_s, peak)) / TURN)


def _through_gate(times, gate: Gate, random) -> np.ndarray:
    seen = times + gate.jitter_s * random.standard_normal(times.size)
    kept = random.uniform(size=times.size) >= gate.misses
    bounced = kept & (random.uniform(size=times.size) < gate.bounces)
    # a flag can only bounce while it is in the beam: well before the next pass
    room = np.minimum(np.diff(seen, append=np.inf) * 0.2, gate.bounce_gap_s[1])
    gap = gate.bounce_gap_s[0] + random.uniform(size=times.size) * np.maximum(room - gate.bounce_gap_s[0], 0)
    return np.sort(np.concatenate([seen[kept], (seen + gap)[bounced]]))
