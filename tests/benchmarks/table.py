"""The table as text."""

from __future__ import annotations

from collections.abc import Sequence

from tests.benchmarks.race import Row

__all__ = ["HEADINGS", "as_text", "number"]

HEADINGS = ("item", "unit", "ours", "usual way", "floor", "usual/ours", "ours/floor", "goal", "usual way; floor; notes")


def as_text(rows: Sequence[Row]) -> str:
    """All rows below one line of headings, columns aligned."""
    cells = [HEADINGS, *(_cells(row) for row in rows)]
    widths = [max(len(line[j]) for line in cells) for j in range(len(HEADINGS))]
    lines = []
    for place, line in enumerate(cells):
        padded = [
            cell.rjust(width) if 2 <= j <= 6 else cell.ljust(width)
            for j, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        lines.append("  ".join(padded).rstrip())
        if place == 0:
            lines.append("  ".join("-" * width for width in widths))
    return "\n".join(lines)


def _cells(row: Row) -> tuple[str, ...]:
    notes = [row.usual_what, f"floor: {row.floor_what}" if row.floor_what else "", row.note]
    return (
        row.item,
        row.unit,
        number(row.ours),
        number(row.usual),
        number(row.floor),
        number(row.gain, "×"),
        number(row.above_floor, "×"),
        row.goal,
        "; ".join(filter(None, notes)),
    )


def number(value: float | None, sign: str = "") -> str:
    """Three digits; – where there is no value."""
    if value is None:
        return "–"
    if value != 0 and abs(value) < 1e-4:
        return f"{value:.1e}{sign}"
    text = f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return f"{text} {sign}".rstrip()
