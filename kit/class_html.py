"""Small pieces of HTML for a class's pages. What is passed in is HTML already: whoever has a text escapes it first."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from .wording import DASH, number

__all__ = ["STYLE", "count_cell", "fold", "no_more", "number_or_dash", "paragraph", "table_html"]

STYLE = Path(__file__).with_name("class_view.css")
MOST_SHOWN = 300  # rows or texts in one list: a page with more helps nobody, and the CSV files hold them all


def paragraph(html: str, style: str = "") -> str:
    """A paragraph."""
    return f'<p class="{style}">{html}</p>'


def fold(summary: str, html: str, style: str = "") -> str:
    """Something to unfold."""
    return f'<details class="{style}"><summary>{summary}</summary>{html}</details>'


def count_cell(n: int, style: str = "") -> str:
    """A table's cell with a count; zeros stand back."""
    return f'<td class="{style or ("" if n else "cv-zero")}">{n}</td>'


def table_html(heads: Sequence[str], rows: Sequence[Sequence[str]], style: str = "", caption: str = "") -> str:
    """A table with header cells. Each row: what its header cell holds, its other cells whole, and its own style."""
    top = "".join(f'<th scope="col">{head}</th>' if head else "<td></td>" for head in heads)
    body = "".join(
        f'<tr class="{row_style}"><th scope="row">{first}</th>{"".join(cells)}</tr>'
        for first, *cells, row_style in rows
    )
    title = f"<caption>{caption}</caption>" if caption else ""
    table = f'<table class="{style}">{title}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
    return f'<div class="cv-scroll" tabindex="0">{table}</div>'


def no_more(items: list) -> tuple[list, str]:
    """The first `MOST_SHOWN` items, and a sentence about the others if there are any."""
    rest = len(items) - MOST_SHOWN
    if rest <= 0:
        return items, ""
    return items[:MOST_SHOWN], paragraph(f"… and {rest} more; the CSV files hold them all.", "cv-quiet")


def number_or_dash(value: float, digits: int = 4) -> str:
    """A number in words' way, or a dash where there is none."""
    return number(value, digits) if isfinite(value) else DASH
