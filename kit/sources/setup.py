"""The virtual bench described: apparatus, gate, and what a lesson's `[bench]` table may say. Nothing is simulated here.

What a lesson file says is read with this module alone; `bench` and `push` make runs of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from ..errors import KitError
from ..motion.drag import DragLaw

__all__ = [
    "APPARATUS",
    "CONTROLS",
    "DRAWINGS",
    "FAULTS",
    "Apparatus",
    "BenchSetup",
    "Gate",
    "Torque",
    "bench_setup",
]


@dataclass(frozen=True)
class Torque:
    """Coefficients of the drag torque τ₀ + τ₁ω + τ₂ω², in N m, N m s and N m s²."""

    constant: float = 0.0
    linear: float = 0.0
    quadratic: float = 0.0


@dataclass(frozen=True)
class Apparatus:
    """A spinning apparatus and how its drag depends on what is changed.

    Drag torque = spindle + count × added. Tilt and a dry hub multiply the spindle's constant friction.
    """

    name: str
    x: str  # what is changed, as the condition's name
    values: tuple[float, ...]  # the conditions of the demo
    inertia_kg_m2: float
    spindle: Torque
    added: Torque  # per unit of what is changed
    tilt_growth: float = 0.5  # constant friction grows by this share at 3° of tilt, in step with the angle
    dry_hub_factor: float = 3.0
    drag_scatter: float = 0.02  # run to run, relative
    warm_up: float = 0.03  # growth of duration over a session
    push_turns_per_s: tuple[float, float] = (4.3, 6.0)

    def law(self, count: float, tilt_deg: float = 0.0, dry_hub: bool = False) -> DragLaw:
        """Drag law (SI) with `count` units added, the spindle tilted by `tilt_deg` degrees, the hub greased or dry."""
        spindle, added = self.spindle, self.added
        rough = (1 + self.tilt_growth * tilt_deg / 3) * (self.dry_hub_factor if dry_hub else 1)
        return DragLaw(
            (spindle.constant * rough + count * added.constant) / self.inertia_kg_m2,
            (spindle.linear + count * added.linear) / self.inertia_kg_m2,
            (spindle.quadratic + count * added.quadratic) / self.inertia_kg_m2,
        )


_SPINDLE = Torque(constant=8e-5, linear=1e-5)

APPARATUS: Mapping[str, Apparatus] = MappingProxyType(
    {
        a.name: a
        for a in (
            Apparatus("coasting_disc", "magnets", (1, 2, 3, 4, 6, 8, 12), 1.28e-3, _SPINDLE, Torque(linear=3.0e-5)),
            Apparatus("felt_brake", "pads", (3, 4, 5, 6, 8), 1.28e-3, _SPINDLE, Torque(constant=7.5e-4)),
            Apparatus("card_vanes", "vanes", (1, 2, 3, 4, 6), 1.28e-3, _SPINDLE, Torque(quadratic=2.3e-6)),
        )
    }
)


@dataclass(frozen=True)
class Gate:
    """How a gate's log departs from the true passes."""

    jitter_s: float = 2e-4  # standard deviation of each time
    bounces: float = 0.01  # chance that a pass is followed by a second one
    misses: float = 0.005  # chance that a pass is not seen
    bounce_gap_s: tuple[float, float] = (0.002, 0.012)
    flag_offsets_turns: tuple[float, ...] = field(default=(0.0,))  # one a flag: how far it sits from its even place

    @classmethod
    def perfect(cls) -> Gate:
        """A gate without jitter, bounces or misses."""
        return cls(jitter_s=0.0, bounces=0.0, misses=0.0)


# --- a bench that stands ready, and the table that describes it ------------------------------------------------------

DRAWINGS = ("disc", "turntable", "vanes", "wheel", "rotor", "plain")
CONTROLS = ("tilt", "hub")
#: What can go wrong with a run besides jitter, bounces and misses, in words for the page (`faults` makes it happen).
FAULTS: Mapping[str, str] = MappingProxyType(
    {
        "hand in push": "a hand in the beam during the push",
        "thread": "a loose thread in the beam",
        "pushed again": "a second push while it coasts",
        "touched": "a sleeve that touches it",
        "stopped": "a hand that stops it",
        "second triggers": "a gate that triggers twice",
        "uneven flags": "a second flag that nobody counted",
        "stall": "a logger that stalls",
        "clock jump": "a clock that jumps",
    }
)
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
    "flags": (1, 100, 1),
}

_KEYS = ("drawing", "controls", "faults", "drag_alone", "drag_each", *_NUMBERS)


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
    faults: tuple[str, ...] = tuple(FAULTS)  # those that a student may choose from; without a choice none happens

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
    apparatus : the lesson's apparatus; a key of `APPARATUS` gives all that the table leaves out.
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
    kind = replace(
        kind,
        drag_scatter=numbers.get("scatter", kind.drag_scatter),
        warm_up=numbers.get("warm_up", kind.warm_up),
        tilt_growth=numbers.get("tilt_growth", kind.tilt_growth),
        dry_hub_factor=numbers.get("dry_hub_factor", kind.dry_hub_factor),
    )
    if "fastest_turns_per_s" in numbers:
        top = numbers["fastest_turns_per_s"]
        kind = replace(kind, push_turns_per_s=(min(kind.push_turns_per_s[0], top), top))
    gate = Gate()
    gate = Gate(
        jitter_s=numbers.get("jitter_ms", gate.jitter_s * 1000) / 1000,
        bounces=numbers.get("bounces", gate.bounces),
        misses=numbers.get("misses", gate.misses),
        flag_offsets_turns=(0.0,) * int(numbers.get("flags", 1)),
    )
    return BenchSetup(
        kind,
        gate,
        checked.one_of("drawing", DRAWINGS, _DRAWING_OF.get(apparatus, "plain")),
        checked.some_of("controls", CONTROLS),
        numbers.get("push_scatter", 0.06),
        x_words,
        x_unit,
        checked.some_of("faults", tuple(FAULTS)),
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
        if not isinstance(found, Mapping) or not set(found) <= set("abc") or not all(map(_can_be_drag, found.values())):
            raise self.error(key, example, found)
        return Torque(*(float(found.get(name, 0.0)) for name in "abc"))

    def one_of(self, key: str, options: Sequence[str], default: str) -> str:
        value = self.values.get(key, default)
        if not isinstance(value, str) or value not in options:
            raise self.error(key, f'{key} = "{default}"   # or {", ".join(options)}', value)
        return value

    def some_of(self, key: str, options: Sequence[str]) -> tuple[str, ...]:
        value = self.values.get(key, list(options))
        if not isinstance(value, list) or any(v not in options for v in value):
            raise self.error(key, f"{key} = {list(options)}   # some of these, or []", value)
        return tuple(value)


def _can_be_drag(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < float("inf")
