"""How to build a lesson's apparatus and its gate: a drawing to print, parts, wiring, a test, what goes wrong, storing.

Costs, currents and the advice on parts are from memory, and the page says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from .cautions import GATE, SOURCES
from .lesson import Lesson, load_lesson

__all__ = ["BUILD_IT", "Drawing", "build_it_cells", "gate_drawing", "setup_drawing"]

BUILD_IT = "build_it.ipynb"
HALO = 'fill="#000" stroke="#fff" stroke-width="4" paint-order="stroke"'  # black on white, over any line
THINGS = {"disc": "disc", "turntable": "turntable", "vanes": "rotor", "wheel": "wheel", "rotor": "rotor"}

# What is added, from the side: beside what spins, or fixed to it.
_BESIDE = ('<circle cx="205" cy="206" r="7" fill="#888"/><circle cx="395" cy="206" r="7" fill="#888"/>',)
_HANGING = ('<path d="M160 190v38h50v-38zM390 190v38h50v-38z" fill="#888"/>',)

#: What is added in the lessons that come with the kit; any other says it in its own words. Rough costs, from memory.
ADDED = {
    "magnets": "12 small magnets on a fixed ring of wood or plastic, 3 to 5 mm below the rim; the disc of aluminium",
    "pads": "8 pads of felt, each on a small spring of its own, all alike",
    "vanes": "6 vanes of stiff card, 40 mm by 60 mm, each fixed at two places, and weights for balance",
}


@dataclass(frozen=True)
class Drawing:
    """A drawing as SVG, shown by a notebook and written to a file to print.

    >>> import kit, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(kit.gate_drawing().write(f"{folder}/gate.svg").name)
    gate.svg
    """

    svg: str

    def _repr_svg_(self) -> str:
        return self.svg

    def write(self, path: str | Path) -> Path:
        """Write the SVG to a file; return its path."""
        Path(path).write_text(self.svg, encoding="utf-8")
        return Path(path)


def setup_drawing(lesson: Lesson | str | Path) -> Drawing:
    """The set-up of a lesson from the side, labelled in the lesson's words.

    Parameters
    ----------
    lesson : a lesson or its folder.

    >>> import kit
    >>> "number of pads" in kit.setup_drawing("datasets_demo/felt_brake").svg
    True
    """
    lesson = lesson if isinstance(lesson, Lesson) else load_lesson(lesson)
    thing = thing_of(lesson)
    shapes = [
        '<rect x="90" y="330" width="420" height="16" fill="#ddd"/>',  # the board below
        '<path d="M300 330V150" stroke-width="8"/>',  # the spindle
        '<rect x="150" y="176" width="300" height="14" rx="4" fill="#bbb"/>',  # what spins, from the side
        '<path d="M450 183h34" stroke-width="3"/>',  # the flag
        '<path d="M472 150v24M472 192v24" stroke-width="7"/><path d="M472 174v18" stroke-dasharray="3 3"/>',  # the beam
        '<path d="M480 162h40v168M480 204h40" stroke-width="3"/>',  # the stand of the gate
        '<path d="M520 300h60" stroke-width="2"/><rect x="580" y="286" width="62" height="30" fill="#eee"/>',
        '<path d="M642 301q22 0 22 29" stroke-width="2"/>',
        '<path d="M100 120V330M100 120H150" stroke-width="2" stroke-dasharray="8 4"/>',  # the guard
        *(_HANGING if lesson.bench and lesson.bench.drawing == "vanes" else _BESIDE),
    ]
    labels = [
        (30, 96, "guard, see-through", 110, 120),
        (205, 60, f"the {thing}", 250, 176),
        (320, 120, "upright spindle", 302, 150),
        (430, 60, "flag, with a weight on the other side", 472, 178),
        (530, 120, "gate: light and sensor", 474, 156),
        (560, 262, "board", 600, 286),
        (540, 384, "cable to the computer", 662, 326),
        (120, 388, "heavy board, level, clamped to the table", 200, 346),
        (112, 262, "what you change:", 205, 214),
        (112, 282, lesson.x_words, 112, 282),
    ]
    return _drawing(720, 410, f"Set-up: {lesson.title}", shapes, labels)


def gate_drawing() -> Drawing:
    """How the two halves of a gate are joined to a board: a light with its resistor, a sensor with its resistor.

    >>> import kit
    >>> "220 Ω" in kit.gate_drawing().svg
    True
    """
    shapes = [
        '<path d="M60 60H420M60 300H420" stroke-width="3"/>',
        '<path d="M150 60v40"/><rect x="138" y="100" width="24" height="56"/><path d="M150 156v34"/>',
        '<path d="M132 190h36l-18 30zM130 222h40M150 222v78"/>',  # a diode
        '<path d="M176 196l22-14m-2 12l22-14" stroke-dasharray="2 2"/>',
        '<path d="M330 60v40"/><rect x="318" y="100" width="24" height="56"/><path d="M330 156v44M330 178h150"/>',
        '<path d="M310 200v44M310 212l20-12M310 232l20 14v54"/>',  # a phototransistor
        '<rect x="480" y="140" width="110" height="110" fill="#eee"/><path d="M420 60h80v80M420 300h80v-50"/>',
    ]
    labels = [
        (30, 46, "supply of the board, 5 V", 80, 60),
        (30, 330, "ground", 80, 300),
        (30, 132, "220 Ω", 138, 128),
        (20, 214, "infrared LED", 134, 206),
        (186, 262, "the flag passes", 240, 206),
        (360, 112, "10 kΩ", 342, 124),
        (350, 280, "phototransistor", 330, 232),
        (405, 200, "pin 2", 480, 178),
        (490, 276, "board, with USB", 530, 250),
    ]
    return _drawing(620, 350, "Wiring of the gate", shapes, labels)


def thing_of(lesson: Lesson) -> str:
    """What spins, in one word."""
    bench = lesson.bench
    return THINGS.get(bench.drawing if bench else "", "wheel")


def _drawing(width: int, height: int, title: str, shapes: Sequence[str], labels) -> Drawing:
    """Black lines on white, each label with a thin line to what it names: it prints in grey."""
    words = "".join(
        f'<path d="M{x + 4} {y + (5 if to_y > y else -14)}L{to_x} {to_y}" stroke-width="0.7"/>' * (y != to_y)
        + f'<text x="{x}" y="{y}" font-size="14" {HALO}>{escape(text)}</text>'
        for x, y, text, to_x, to_y in labels
    )
    return Drawing(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" role="img" '
        f'aria-label="{escape(title)}" font-family="sans-serif" fill="none" stroke="#000" stroke-width="1.5">'
        f'<title>{escape(title)}</title><rect width="{width}" height="{height}" fill="#fff" stroke="none"/>'
        f"{''.join(shapes)}{words}</svg>"
    )


def build_it_cells(lessons: Sequence[tuple[Lesson, str]]) -> Iterator[tuple[str, str]]:
    """(kind, text) of the cells of the page.

    Parameters
    ----------
    lessons : lessons, each with how a notebook reaches its folder.
    """
    notes = list(dict.fromkeys(note for lesson, _ in lessons for note in (*lesson.safety, *GATE)))
    magnets = any("magnet" in note.casefold() for note in notes)
    yield (
        "markdown",
        "# Build it\n\nOne afternoon, common parts. Prices, currents and sizes on this page are **from memory**: check "
        "them with the data sheets of your parts. Your school's rules and local codes come before all of it, and where "
        "they ask for a qualified person, let that person do it.\n\n## Before you begin\n\n"
        + "\n".join(f"- {' '.join(note.split())}" for note in notes)
        + (f"\n\n{SOURCES}" if magnets else ""),
    )
    yield "code", "from kit import gate_drawing, setup_drawing"
    for lesson, path in lessons:
        yield from _one_lesson(lesson, path)
    yield (
        "markdown",
        "## The gate\n\n"
        "An infrared LED shines on a phototransistor; the flag cuts the beam. With 5 V and 220 Ω some 17 mA flow "
        "through the LED (it takes about 1.2 V itself). In the light the transistor pulls the pin low; when the beam "
        "is cut the 10 kΩ pull it high. So in the program of the page *A gate on a wire* write `RISING` for `FALLING`. "
        "A ready-made slot sensor with a switching output does as well: follow its data sheet. No mains is needed.",
    )
    yield "code", "gate_drawing()"
    yield (
        "markdown",
        "## Is it well aligned? Turn it by hand ten times\n\n"
        "1. Start the page *A gate on a wire* and join the board.\n"
        "2. Turn ten times, slowly, by hand. **Ten** new lines: it works. Twenty: both edges are counted, or there are "
        "two flags. Fewer: the flag is too narrow, or daylight reaches the sensor.\n"
        "3. Spin it. Each turn must take a little longer than the one before, without jumps.\n"
        "4. Spin it three times alike. The coasting times should differ by a few per cent at most.",
    )
    yield (
        "markdown",
        "## What goes wrong\n\n"
        "- Passes that never were? Sun or flickering lamps reach the sensor. Shade it.\n"
        "- A pass logged twice? The edge of the flag flickers. Make it stiff. The kit finds such passes too.\n"
        "- A pass missing now and then? The flag is too narrow, or too far from the beam.\n"
        "- Does it shake? The flag has no weight on the other side, or what you added is not spread evenly.\n"
        "- Does it coast longer each time? The spindle warms up. Mix the order of the runs by lot.\n"
        "- Do two groups differ by more than their spread? Is the spindle upright? Is there dust? Is one room warmer?",
    )
    yield (
        "markdown",
        "## Put it away\n\n"
        "Unplug the board. Coil the cable. Leave the guard on, or tie the moving part so that no child spins it alone. "
        "Dry what got wet." + (" Count the magnets, and lock them away from small children." if magnets else ""),
    )


def _one_lesson(lesson: Lesson, path: str) -> Iterator[tuple[str, str]]:
    thing = thing_of(lesson)
    added = ADDED.get(lesson.x) if lesson.apparatus else None
    rows = (
        (f"a {thing} that runs freely on an upright spindle, about 20 to 40 cm across", "0 to 40 €: often from scrap"),
        (added or f"what you change: {lesson.x_words}", "2 to 15 €"),
        ("infrared LED, phototransistor, 220 Ω, 10 kΩ; or a slot sensor", "2 to 5 €"),
        ("a small microcontroller board with USB, and its cable", "5 to 25 €"),
        ("a stand and a clamp; a heavy board; black card for the flag", "0 to 15 €"),
        ("a see-through guard", "5 to 15 €"),
    )
    table = "\n".join(f"| {part} | {cost} |" for part, cost in rows)
    yield "markdown", f'## {lesson.title}\n\nTo print the drawing: `setup_drawing(…).write("set_up.svg")`.'
    yield "code", f'setup_drawing("{path}")'
    yield "markdown", f"| part | rough cost, from memory |\n|---|---|\n{table}"
