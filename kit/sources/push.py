"""One push on the virtual bench, in one call: what the student sets, their code and the run's number fix every byte.

spin = push(bench_setup("coasting_disc"), 2, code="amber-otter-1", number=1)
spin.run                                # as a gate would have logged it
measure([spin.run], 0.25, 1.0)          # counted like any other run
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..errors import KitError
from ..motion.drag import DragLaw
from .bench import APPARATUS, Apparatus, Gate, Spin, Torque, simulate

__all__ = [
    "CONTROLS",
    "DRAWINGS",
    "MAX_TILT_DEG",
    "SIMULATED",
    "WEAKEST",
    "BenchSetup",
    "bench_setup",
    "conditions_of",
    "log_text",
    "motion_samples",
    "push",
    "run_seed",
]

DRAWINGS = ("disc", "turntable", "vanes", "plain")

CONTROLS = ("tilt", "hub")

_DRAWING_OF = {"coasting_disc": "disc", "felt_brake": "turntable", "card_vanes": "vanes"}

#: key: lowest and highest value, and an example. Wider than any real apparatus, narrow enough to catch a slip.
_NUMBERS = {
    "scatter": (0.0, 0.3, 0.02),
    "warm_up": (-0.5, 0.5, 0.03),
    "tilt_growth": (0.0, 10.0, 0.5),
    "dry_hub_factor": (1.0, 20.0, 3.0),
    "push_scatter": (0.0, 0.2, 0.06),
    "fastest_turns_per_s": (0.2, 20.0, 6.0),
    "jitter_ms": (0.0, 50.0, 0.2),
    "bounces": (0.0, 0.3, 0.01),
    "misses": (0.0, 0.3, 0.005),
}

_APPARATUS_FIELD = {"scatter": "drag_scatter", "warm_up": "warm_up"} | {
    name: name for name in ("tilt_growth", "dry_hub_factor")
}

_KEYS = ("drawing", "controls", "drag_alone", "drag_each", *_NUMBERS)


@dataclass(frozen=True)
class BenchSetup:
    """A bench that stands ready: the apparatus, its gate, and how it is shown."""

    apparatus: Apparatus
    gate: Gate = field(default_factory=Gate)
    drawing: str = "plain"  # one of DRAWINGS
    controls: tuple[str, ...] = CONTROLS  # what a student may set besides the condition and the push
    push_scatter: float = 0.06  # relative standard deviation of the speed at which a push lets go
    x_words: str = ""
    x_unit: str = ""

    @property
    def fastest_turns_per_s(self) -> float:
        """No push goes beyond this."""
        return self.apparatus.push_turns_per_s[1]

    @property
    def x_label(self) -> str:
        """What is changed, in words with its unit."""
        words = self.x_words or self.apparatus.x
        return f"{words} ({self.x_unit})" if self.x_unit else words

    @property
    def whole(self) -> bool:
        """Whether what is changed is counted: then there is nothing between two whole numbers."""
        return not self.x_unit and all(float(v).is_integer() for v in self.apparatus.values)


def bench_setup(
    apparatus: str = "",
    table: Mapping[str, object] | None = None,
    *,
    x: str = "",
    x_words: str = "",
    x_unit: str = "",
    values: Sequence[float] = (),
    file: str | Path | None = None,
) -> BenchSetup | None:
    """The bench of a lesson; None where the lesson has none (no apparatus that the bench knows, and no table).

    Parameters
    ----------
    apparatus : the lesson's apparatus; a key of `kit.sources.bench.APPARATUS` gives all that the table leaves out.
    table : the lesson's `[bench]` table.
    x, x_words, x_unit, values : what is changed in the lesson; by default as the apparatus has it.
    file : the lesson file, for messages.

    Raises
    ------
    KitError : naming the key, what was found and an example: an unknown key, a value of the wrong kind or out of its
        range, drag coefficients missing for an apparatus the bench does not know, or no drag at all.
    """
    known = APPARATUS.get(apparatus)
    if known is None and table is None:
        return None
    checked = _Table(table or {}, file)
    kind = known or Apparatus(apparatus or "bench", x, (), 1.0, Torque(), Torque())
    kind = replace(kind, x=x or kind.x, values=tuple(float(v) for v in values) or kind.values)
    if known is None or {"drag_alone", "drag_each"} & set(checked.values):
        kind = _with_drag(kind, checked)
    if min(kind.values, default=0) < 0:
        raise checked.error("drag_each", "a bench needs conditions ≥ 0: leave the [bench] table out", list(kind.values))
    numbers = {name: checked.number(name) for name in _NUMBERS if name in checked.values}
    kind = replace(kind, **{_APPARATUS_FIELD[name]: v for name, v in numbers.items() if name in _APPARATUS_FIELD})
    if "fastest_turns_per_s" in numbers:
        top = numbers["fastest_turns_per_s"]
        kind = replace(kind, push_turns_per_s=(min(kind.push_turns_per_s[0], top), top))
    gate = Gate()
    gate = Gate(
        jitter_s=numbers.get("jitter_ms", gate.jitter_s * 1000) / 1000,
        bounces=numbers.get("bounces", gate.bounces),
        misses=numbers.get("misses", gate.misses),
    )
    return BenchSetup(
        kind,
        gate,
        checked.one_of("drawing", DRAWINGS, _DRAWING_OF.get(apparatus, "plain")),
        checked.some_of("controls", CONTROLS),
        numbers.get("push_scatter", 0.06),
        x_words,
        x_unit,
    )


def _with_drag(kind: Apparatus, table: _Table) -> Apparatus:
    """The apparatus with the coefficients of the table, which are per unit of inertia."""
    alone, each = table.drag("drag_alone"), table.drag("drag_each")
    if alone == each == Torque():
        raise table.error("drag_alone", "drag_alone = { a = 0.06, b = 0.008 }", "no drag at all")
    return replace(kind, inertia_kg_m2=1.0, spindle=alone, added=each)


@dataclass(frozen=True)
class _Table:
    """Typed access to the `[bench]` table."""

    values: Mapping[str, object]
    file: str | Path | None

    def __post_init__(self):
        for key in self.values:
            if key not in _KEYS:
                raise KitError(
                    f"The bench has no key bench.{key}", file=self.file, fix=f"keys it has: {', '.join(_KEYS)}"
                )

    def error(self, key: str, example: str, found: object = None) -> KitError:
        missing = "is missing" if found is None else "can't be used"
        return KitError(
            f"The key bench.{key} {missing}", file=self.file, found=found, fix=f"write, for example: {example}"
        )

    def number(self, key: str) -> float:
        low, high, example = _NUMBERS[key]
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.error(key, f"{key} = {example:g}   # from {low:g} to {high:g}", value)
        return float(value)

    def drag(self, key: str) -> Torque:
        example = f"{key} = {{ a = 0.06, b = 0.008, c = 0.0 }}"
        if key not in self.values:
            raise self.error(key, example)
        found = self.values[key]
        usable = isinstance(found, Mapping) and set(found) <= set("abc")
        if not usable or not all(
            isinstance(v, int | float) and not isinstance(v, bool) and 0 <= v < float("inf") for v in found.values()
        ):
            raise self.error(key, example, found)
        return Torque(*(float(found.get(name, 0.0)) for name in "abc"))

    def one_of(self, key: str, options: Sequence[str], default: str) -> str:
        value = self.values.get(key, default)
        if value not in options:
            raise self.error(key, f'{key} = "{default}"   # or {", ".join(options)}', value)
        return value

    def some_of(self, key: str, options: Sequence[str]) -> tuple[str, ...]:
        value = self.values.get(key, list(options))
        if not isinstance(value, list) or any(v not in options for v in value):
            raise self.error(key, f"{key} = {list(options)}   # some of these, or []", value)
        return tuple(value)


# --- One push on the virtual bench, in one call: what the student sets, their code and the run's number fix every byte.

MAX_TILT_DEG = 5.0

WEAKEST = 0.3  # strength of the gentlest push, as a share of the strongest

SIMULATED = "This is a simulation. Nothing real turns: the kit works out how such an apparatus would slow down."

_WARM_AFTER = 8  # runs after which the bearing has done about two thirds of its warming


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
) -> Spin:
    """Give the disc a push and log it: the motion, and in `.run` what the gate made of it.

    Parameters
    ----------
    setup : the bench, from `kit.sources.push.bench_setup` or `lesson.bench`.
    value : how much of what is changed, from 0 to the lesson's highest value, also between its values.
    strength : of the push, from 0.3 to 1, as a share of the fastest the bench allows.
    tilt_deg, dry_hub : the spindle's tilt in degrees, 0 to 5; the hub dry instead of greased.
    code, number : whose run, and the how manieth of the session, from 1. Both seed the scatter: the same settings,
        code and number give the same run for ever (numpy keeps RandomState's stream, NEP 19).
    trial : noted in the run.

    What scatters, all of it invented: the push lets go at `strength` × the fastest speed × exp(−σG/2) with G from a
    gamma distribution of shape 4 (σ = `push_scatter`; it falls short by 2σ on average and is never faster than meant);
    the whole drag is multiplied by a log-normal factor (`drag_scatter`); as the bearing warms, runs grow longer by up
    to `warm_up`, two thirds of it within 8 runs; and the gate has jitter, bounces and misses (`setup.gate`).

    Raises
    ------
    KitError : a setting outside its range, or a push so weak that the flag never came to the gate.
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
    law = kind.law(value, tilt_deg, dry_hub)
    law = DragLaw(law.a * factor, law.b * factor, law.c * factor)
    if not law.terms:
        raise KitError("With this setting nothing would slow it down", found=value, fix="set a value above 0")
    spin = simulate(law, strength * setup.fastest_turns_per_s * short, random, setup.gate)
    run = replace(
        spin.run,
        conditions=conditions_of(setup, value, tilt_deg, dry_hub),
        trial=trial,
        source=f"bench run {number}",
        note=f"simulated; push {strength:.0%}",
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


def log_text(spin: Spin) -> str:
    """The log as a CSV text with a notice that it is simulated, the settings, and one time a line."""
    out = io.StringIO()
    out.write(f"# {SIMULATED}\n# {spin.run.source}, trial {spin.run.trial}; {spin.run.note}\n")
    for name, value in spin.run.conditions.items():
        out.write(f"# {name} = {value}\n")
    csv.writer(out, lineterminator="\n").writerow(["time (s)"])
    out.writelines(f"{t:.5f}\n" for t in spin.run.pass_times_s)
    return out.getvalue()


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
