"""What goes wrong with a gate log, one function a fault, and the register of all of them with causes and rates.

A fault works on one of three things, and is given keyword rates:

* a setup (`Setup` → `Setup`): somebody declares the wrong number of flags;
* a motion (`Motion` → `Motion`): a hand, a bench or gravity changes the spin itself;
* a log (`Log` → `Log`): gate and logger write something else than what passed.

What happens at one moment happens between the thresholds, where it matters.

Each also returns one phrase that says what was done. `make_log` runs the three stages in order. What is true never
changes: the apparatus's own duration and turns. Where a second push or a touch makes the log itself say something else,
`Motion.literal` has that too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from .setups import FLAG_ANGLES, Log, Motion, Setup, logged, spin
from .worlds import TAU, passes_between

# ---- the number of flags


def flags_declared(setup: Setup, rng, flags: str, declared: int):
    """The apparatus has the flags `flags` (a key of FLAG_ANGLES), the log is said to have `declared` a turn.

    Thresholds are those that somebody would choose who believes it: turns seem to last declared/flags as long.
    """
    seems = declared / len(FLAG_ANGLES[flags])
    return replace(
        setup,
        flags=FLAG_ANGLES[flags],
        declared=declared,
        start_period_s=setup.start_period_s * seems,
        stop_period_s=setup.stop_period_s * seems,
    ), f"{flags} declared as {declared}"


# ---- the spin itself


def _somewhere(motion: Motion, rng) -> float:
    """An angle (turns) in the part of the coast that is to be counted: there a fault matters."""
    first, last = motion.counted_turns
    return first + (last - first) * rng.uniform(0.05, 0.95)


def _carry_on(motion: Motion, at_turn: float, speed: float, literal):
    """From angle `at_turn` on the same wheel coasts with a new speed."""
    setup = motion.setup
    kept = motion.turns <= at_turn
    now = motion.times[kept][-1] + float(
        motion.path.time_at(at_turn * TAU) - motion.path.time_at(motion.turns[kept][-1] * TAU)
    )
    path = setup.wheel.path(speed, setup.end_period_s, at_turn * TAU)
    turns = passes_between(setup.flags, at_turn, path.angle[-1] / TAU)
    return replace(
        motion,
        path=path,
        times=np.concatenate((motion.times[kept], now + path.time_at(turns * TAU))),
        turns=np.concatenate((motion.turns[kept], turns)),
        literal=literal,
    )


def _sum_between(wheel, *pairs):
    parts = [wheel.between(TAU / high, TAU / low) for high, low in pairs if high > low]
    return tuple(map(float, np.sum([*parts, (0.0, 0.0)], axis=0)))


def pushed_again(motion: Motion, rng, gain: float):
    """A hand gives the coasting wheel a share `gain` of its speed on top."""
    setup, at = motion.setup, _somewhere(motion, rng)
    before = float(motion.path.speed_at(at * TAU))
    after = before * (1 + gain)
    start, stop = TAU / setup.start_period_s, TAU / setup.stop_period_s
    literal = None
    if stop < after < start and before < start:
        literal = _sum_between(setup.wheel, (start, before), (after, stop))
    return _carry_on(motion, at, after, literal), f"{gain:+.0%} at turn {at:.1f}"


def touched(motion: Motion, rng, loss: float):
    """A sleeve or a finger takes a share `loss` of the speed."""
    setup, at = motion.setup, _somewhere(motion, rng)
    before = float(motion.path.speed_at(at * TAU))
    after = before * (1 - loss)
    start, stop = TAU / setup.start_period_s, TAU / setup.stop_period_s
    literal = _sum_between(setup.wheel, (start, max(before, stop)), (min(after, start), stop))
    if after >= start or before <= stop:
        literal = None
    if after <= TAU / setup.end_period_s * 1.02:
        after = TAU / setup.end_period_s * 1.02
    return _carry_on(motion, at, after, literal), f"{-loss:+.0%} at turn {at:.1f}"


def stopped_by_hand(motion: Motion, rng, turns: float):
    """A hand stops the wheel within `turns` turns, evenly, before it has come down to the end of the log."""
    at = _somewhere(motion, rng)
    speed = float(motion.path.speed_at(at * TAU))
    kept = motion.turns <= at
    start = motion.times[kept][-1] + float(
        motion.path.time_at(at * TAU) - motion.path.time_at(motion.turns[kept][-1] * TAU)
    )
    more = passes_between(motion.setup.flags, at, at + turns)
    slowing = speed**2 / (2 * turns * TAU)
    root = np.sqrt(np.maximum(speed**2 - 2 * slowing * (more - at) * TAU, 0))
    times = np.concatenate((motion.times[kept], start + (speed - root) / slowing))
    turns_ = np.concatenate((motion.turns[kept], more))
    return replace(motion, times=times, turns=turns_), f"stopped at turn {at:.1f} within {turns} turns"


def second_run(motion: Motion, rng, rest_s: float):
    """The wheel is stopped or left, and after about `rest_s` spun again into the same log, by the same group."""
    speed = motion.setup.release_speed * rng.uniform(0.8, 1.1)
    setup = replace(motion.setup, release_speed=speed, release_turn=rng.uniform(0, 1))
    again = spin(setup, rng)
    gap = rest_s * rng.uniform(0.5, 1.5)
    times = np.concatenate((motion.times, again.times - again.times[0] + motion.times[-1] + gap))
    turns = np.concatenate((motion.turns, again.turns + np.ceil(motion.turns[-1]) - np.floor(again.turns[0])))
    return replace(motion, times=times, turns=turns), f"a second run {gap:.1f} s later"


def gate_knocked(motion: Motion, rng, shift: float):
    """The gate is knocked: from one moment on it sees the flags `shift` turns earlier or later in the turn."""
    shift *= rng.choice([-1, 1])
    at = _somewhere(motion, rng)
    after = motion.turns > at
    last = motion.path.angle[-1] / TAU
    seen = passes_between(np.mod(np.sort(np.mod(np.array(motion.setup.flags) + shift, 1)), 1), at, last)
    begin = motion.times[motion.release] - float(motion.path.time_at(motion.turns[motion.release] * TAU))
    times = np.concatenate((motion.times[~after], begin + motion.path.time_at(seen * TAU)))
    turns = np.concatenate((motion.turns[~after], seen))
    return replace(motion, times=times, turns=turns), f"gate shifted {shift:+.2f} turn at turn {at:.1f}"


def rocks_at_end(motion: Motion, rng, swings: int):
    """At rest the heavy side swings to and fro and its flag passes the gate up to `swings` times more."""
    period = TAU / float(motion.path.speed_at(motion.path.angle[-1])) * rng.uniform(0.6, 1.2)
    extra = motion.times[-1] + period * rng.uniform(0.5, 1) + np.cumsum(period * rng.uniform(0.35, 0.6, swings))
    turns = np.full(swings, motion.turns[-1])
    return replace(
        motion, times=np.concatenate((motion.times, extra)), turns=np.concatenate((motion.turns, turns))
    ), f"{swings} swings after the last turn"


# ---- the gate and the logger


def _with_extra(log: Log, extra, done: str):
    extra = np.atleast_1d(extra)
    times = np.unique(np.concatenate((log.times, extra)))
    release = log.release + int((extra < log.times[min(log.release, len(log.times) - 1)]).sum())
    return replace(log, times=times, release=release), done


def _counted(log: Log):
    """Indices of the passes between the thresholds, never the first or the last pass of the coast."""
    low, high = np.searchsorted(log.times, log.counted_s)
    low = min(max(low, log.release + 1), len(log.times) - 3)
    return np.arange(low, max(min(high, len(log.times) - 1), low + 1))


def extra_pass(log: Log, rng, passes: int):
    """A hand or a loose thread passes the gate `passes` times while the run counts."""
    extra = rng.uniform(*log.counted_s, passes)
    return _with_extra(log, extra, "extra passes at " + ", ".join(f"{t:.2f} s" for t in extra))


def hand_in_push(log: Log, rng, passes: int):
    """The pushing hand itself passes the gate `passes` times before it lets go."""
    low = log.times[0] - 0.3
    extra = rng.uniform(low, log.times[log.release], passes)
    return _with_extra(log, extra, f"{passes} passes of the hand before release")


def hand_at_launch(log: Log, rng, passes: int):
    """The hand leaves through the gate: `passes` passes around the release, within two turns."""
    turn = TAU / log.setup.release_speed
    extra = log.times[log.release] + rng.uniform(-2 * turn, 0.5 * turn, passes)
    return _with_extra(log, extra, f"{passes} passes of the hand around the release")


def bounces(log: Log, rng, share: float, low_s: float, high_s: float):
    """A second trigger after a share of the passes, `low_s` to `high_s` late (log-uniform), even past the next pass."""
    hit = rng.random(len(log.times)) < share
    delay = np.exp(rng.uniform(np.log(low_s), np.log(high_s), hit.sum()))
    return _with_extra(log, log.times[hit] + delay, f"{hit.sum()} second triggers")


def double_edges(log: Log, rng, width: float, part: float):
    """For a part of the passes between the thresholds the logger writes both edges of a flag `width` turns wide."""
    coast = _counted(log)
    count = max(int(part * len(coast)), 1)
    first = rng.integers(0, len(coast) - count + 1)
    at = coast[first : first + count]
    gap = (log.times[at + 1] - log.times[at]) * len(log.setup.flags)  # about one turn
    return _with_extra(log, log.times[at] + width * gap, f"both edges of {count} passes")


def stalls(log: Log, rng, times: int, passes: int):
    """The logger is busy: `passes` passes in a row are stamped late, together, 1 ms apart, then it is on time again."""
    out = log.times.copy()
    for _ in range(times):
        coast = _counted(log)
        first = rng.choice(coast[: max(len(coast) - passes, 1)])
        block = slice(first, min(first + passes, len(out)))
        out[block] = out[block][-1] + 1e-3 * np.arange(-(len(out[block]) - 1), 1)
    return replace(log, times=np.unique(out)), f"{times} bursts of {passes} passes"


def clock_jump(log: Log, rng, gaps: float):
    """The clock is set: all times from one pass on are `gaps` usual gaps later (or earlier)."""
    at = rng.choice(_counted(log))
    jump = gaps * rng.uniform(0.7, 1.3) * (log.times[at] - log.times[at - 1])
    out = log.times.copy()
    out[at:] += jump
    return replace(log, times=out), f"clock {jump:+.2f} s at pass {at}"


def clock_slow(log: Log, rng, share: float):
    """The clock runs slow by `share`: a second of the log is longer than a second."""
    setup, rate = log.setup, 1 - share
    duration, turns = setup.wheel.between(setup.start_period_s / rate, setup.stop_period_s / rate, setup.release_speed)
    return replace(log, times=log.times * rate, literal=(duration * rate, turns)), f"clock slow by {share:.1%}"


def missed(log: Log, rng, share: float):
    """Each pass is missed with the same chance."""
    gone = rng.random(len(log.times)) < share
    gone[[0, -1]] = False
    return _without(log, gone)


def missed_block(log: Log, rng, passes: int):
    """A block of consecutive passes is missed: something stood in the beam."""
    coast = _counted(log)
    first = rng.choice(coast[: max(len(coast) - passes, 1)])
    gone = np.zeros(len(log.times), dtype=bool)
    gone[first : min(first + passes, len(gone) - 1)] = True
    return _without(log, gone)


def missed_when_fast(log: Log, rng, share: float, part: float):
    """The flag is too quick for the gate: while it is fastest, `part` of the coast, a share of the passes is missed."""
    gone = rng.random(len(log.times)) < share
    gone[log.release + int(part * (len(log.times) - log.release)) :] = False
    gone[0] = False
    return _without(log, gone)


def every_second_when_fast(log: Log, rng, part: float):
    """A gate with a dead time a little longer than a fast gap sees every second pass until the wheel is slow enough."""
    gone = np.zeros(len(log.times), dtype=bool)
    gone[log.release : log.release + int(part * (len(log.times) - log.release)) : 2] = True
    gone[[0, -1]] = False
    return _without(log, gone)


def _without(log: Log, gone):
    kept = log.times[~gone]
    return replace(
        log, times=kept, release=min(int((~gone[: log.release]).sum()), len(kept) - 1)
    ), f"{gone.sum()} missed"


def cut_early(log: Log, rng, part: float):
    """Somebody stops the logger early: only `part` of what is to be counted is there."""
    counted = _counted(log)
    last = counted[int(part * (len(counted) - 1))] + 1
    return replace(log, times=log.times[:last]), f"cut after pass {last}"


def started_late(log: Log, rng, part: float):
    """The logger is started when `part` of what is to be counted is over already."""
    counted = _counted(log)
    first = counted[int(part * (len(counted) - 1))]
    return replace(log, times=log.times[first:], release=0), f"begins with pass {first}"


def scattered(log: Log, rng, share: float):
    """Nonsense: the times scatter by `share` of the run's length (0.3 to 3 s in a run of 16 s)."""
    sd = share * (log.times[-1] - log.times[log.release])
    return replace(log, times=np.unique(log.times + rng.normal(0, sd, len(log.times)))), f"scatter of {sd:.2f} s"


def nothing(log: Log, rng):
    """A clean log."""
    return log, "nothing"


# ---- the register


@dataclass(frozen=True)
class Fault:
    """One fault: the function, its stage, its cause, and the rates at which it is tried."""

    function: Callable
    stage: str  # "setup", "motion" or "log"
    cause: str
    rates: dict[str, dict] = field(default_factory=lambda: {"-": {}})
    hidden: bool = False  # one log alone cannot show it, however good the program


def _on_motion(function, cause, rates):
    return Fault(function, "motion", cause, rates)


def _on_log(function, cause, rates, hidden=False):
    return Fault(function, "log", cause, rates, hidden)


def _wrong_flags(cause, pairs, hidden=False):
    rates = {f"{flags} as {n}": {"flags": flags, "declared": n} for flags, n in pairs}
    return Fault(flags_declared, "setup", cause, rates, hidden)


FAULTS: dict[str, Fault] = {
    "none": _on_log(nothing, "a clean log", {"-": {}}),
    "extra pass": _on_log(extra_pass, "a hand or loose thread in the coast", {"1": {"passes": 1}, "2": {"passes": 2}}),
    "hand in push": _on_log(hand_in_push, "the pushing hand", {"1": {"passes": 1}, "2": {"passes": 2}}),
    "hand at launch": _on_log(hand_at_launch, "the hand leaving", {"1": {"passes": 1}, "3": {"passes": 3}}),
    "pushed again": _on_motion(pushed_again, "a hand in mid-coast", {"15%": {"gain": 0.15}, "40%": {"gain": 0.4}}),
    "touched": _on_motion(touched, "a sleeve or finger", {"20%": {"loss": 0.2}}),
    "stopped by hand": _on_motion(stopped_by_hand, "a hand", {"0.4 turn": {"turns": 0.4}, "2 turns": {"turns": 2.0}}),
    "second run": _on_motion(second_run, "logger left on", {"2 s": {"rest_s": 2.0}, "30 s": {"rest_s": 30.0}}),
    "gate knocked": _on_motion(gate_knocked, "the gate is moved", {"0.05": {"shift": 0.05}, "0.3": {"shift": 0.3}}),
    "rocks at end": _on_motion(rocks_at_end, "a heavy side", {"3": {"swings": 3}}),
    "bounces": _on_log(
        bounces,
        "a slow edge triggers twice",
        {
            "10% 1-10 ms": {"share": 0.1, "low_s": 0.001, "high_s": 0.01},
            "10% 10-60 ms": {"share": 0.1, "low_s": 0.01, "high_s": 0.06},
        },
    ),
    "double edges": _on_log(
        double_edges,
        "both edges of a flag logged for a while",
        {"w0.03 p0.4": {"width": 0.03, "part": 0.4}, "w0.15 p0.4": {"width": 0.15, "part": 0.4}},
    ),
    "uneven flags": _wrong_flags("flags counted wrongly", [("2 uneven", 1), ("3 uneven", 2)]),
    "even flags": _wrong_flags("flags counted wrongly, evenly spaced", [("1", 2), ("4", 1)], hidden=True),
    "stall": _on_log(stalls, "a busy logger", {"1x4": {"times": 1, "passes": 4}, "3x8": {"times": 3, "passes": 8}}),
    "clock jump": _on_log(
        clock_jump,
        "the clock is set while logging",
        {f"{g:+g} gaps": {"gaps": g} for g in (0.4, -0.4, 1.0, 5.0, -5.0)},
    ),
    "clock slow": _on_log(clock_slow, "a cheap oscillator", {"2%": {"share": 0.02}}, hidden=True),
    "missed": _on_log(missed, "a weak beam", {f"{s:.0%}": {"share": s} for s in (0.01, 0.05, 0.3)}),
    "missed block": _on_log(missed_block, "something in the beam", {"3": {"passes": 3}, "10": {"passes": 10}}),
    "missed when fast": _on_log(
        missed_when_fast, "flag too quick for the gate", {"half, p0.3": {"share": 0.5, "part": 0.3}}
    ),
    "every second when fast": _on_log(every_second_when_fast, "dead time of the gate", {"p0.3": {"part": 0.3}}),
    "cut early": _on_log(cut_early, "logger stopped", {"60%": {"part": 0.6}, "20%": {"part": 0.2}}),
    "started late": _on_log(started_late, "logger started late", {"40%": {"part": 0.4}, "80%": {"part": 0.8}}),
    "scatter": _on_log(scattered, "nonsense", {"2%": {"share": 0.02}, "18%": {"share": 0.18}}),
}


def make_log(setup: Setup, name: str, rng, **rates) -> Log:
    """The log of one spin with one fault of the register."""
    fault, done = FAULTS[name], ""
    if fault.stage == "setup":
        setup, done = fault.function(setup, rng, **rates)
    motion = spin(setup, rng)
    if fault.stage == "motion":
        motion, done = fault.function(motion, rng, **rates)
    log = logged(motion, rng)
    if fault.stage == "log":
        log, done = fault.function(log, rng, **rates)
    return replace(log, done=done)
