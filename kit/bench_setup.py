"""Which bench a lesson has: one of the three apparatus, as a teacher's `[bench]` table changes it, or one of their own.

    [bench]
    drawing = "disc"                            # or "turntable", "vanes", "plain"
    drag_alone = { a = 0.06, b = 0.008 }        # the apparatus alone: dω/dt = −(a + bω + cω²), SI with ω in rad/s
    drag_each = { b = 0.023 }                   # what each unit of what is changed adds
    scatter = 0.02                              # of the drag from run to run, relative
    jitter_ms = 0.2
    bounces = 0.01
    misses = 0.005

Every key may be left out where `apparatus` names one that the bench knows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from .bench import APPARATUS, Apparatus, Gate, Torque
from .errors import KitError

__all__ = ["CONTROLS", "DRAWINGS", "BenchSetup", "bench_setup"]

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
    apparatus : the lesson's apparatus; a key of `kit.bench.APPARATUS` gives all that the table leaves out.
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
