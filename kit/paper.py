"""A lesson on paper, for groups without a computer: worksheet, run sheet, answer slips, one page for the class.

Each page is one HTML file that needs no network, made for A4 or Letter, black on white. Nothing of the key is on it.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor, log10
from pathlib import Path

from .errors import KitError
from .lessons.lesson import Lesson, load_lesson
from .lessons.make import demo_or_folder, find_lesson
from .plots.pages import templates
from .record.entries import BANDS
from .stats.planning import run_order

__all__ = ["PAPERS", "paper_pages", "print_lesson"]

PAPERS = {"A4": "210mm 297mm", "Letter": "8.5in 11in"}
HERE = Path(__file__).parent
TRIALS = 3
SLIPS = 6  # on a page
WIDE, HIGH, LEFT, BELOW = 640, 420, 52, 40  # of a sheet of graph paper, in its own units
STEPS = (1, 2, 5)


def print_lesson(lesson: Lesson | str | Path, out: str | Path, paper: str = "A4") -> list[Path]:
    """Write a lesson's pages to print into a folder; return their paths.

    Parameters
    ----------
    lesson : a lesson, its folder, or the name of a lesson that comes with the kit.
    out : a folder; pages of an earlier time in it are replaced.
    paper : "A4" or "Letter".

    Raises
    ------
    KitError : no such lesson or paper, or a folder that can't be written to.

    >>> import kit, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(*[path.name for path in kit.print_lesson("felt_brake", folder)])
    worksheet.html run_sheet.html slips.html class_summary.html
    """
    if not isinstance(lesson, Lesson):
        lesson = load_lesson(find_lesson(demo_or_folder(lesson)).data)
    pages = paper_pages(lesson, paper)
    try:
        Path(out).mkdir(parents=True, exist_ok=True)
        for name, text in pages.items():
            (Path(out) / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        why = f"This can't be written ({error.strerror or error})"
        raise KitError(why, file=out, fix="choose a place you may write to") from error
    return [Path(out) / name for name in pages]


def paper_pages(lesson: Lesson, paper: str = "A4") -> dict[str, str]:
    """File name -> HTML of the worksheet, the run sheet, the answer slips and the class's page.

    Raises
    ------
    KitError : no such paper.
    """
    if paper not in PAPERS:
        raise KitError("There is no such paper", found=paper, fix=f"use one of: {', '.join(PAPERS)}")
    asked = lesson.asked("predict")
    common = {
        "lesson": lesson,
        "size": PAPERS[paper],
        "values": [f"{value:g}" for value in lesson.values],
        "trials": list(range(1, TRIALS + 1)),
        "asked": asked,
        "bands": list(BANDS.values()),
    }
    quantities = (("Coasting time (s)", "duration_s"), ("Turns", "turns"))
    graphs = [
        {"title": f"{words}: {kind} paper", "drawing": graph_paper(lesson, words, quantity, kind)}
        for kind in ("linear", "log-log")
        for words, quantity in quantities
        if kind == "linear" or min(lesson.values) > 0
    ]
    order = run_order(list(lesson.values) * TRIALS, reference=lesson.reference, seed=1)
    runs = [{**run, "x": f"{run['x']:g}"} for run in order.to_dict("records")]
    parts: dict[str, tuple[str, dict[str, object]]] = {
        "worksheet.html": ("worksheet", {"graphs": graphs}),
        "run_sheet.html": ("run_sheet", {"runs": runs}),
        "slips.html": ("slips", {"slips": [question for question in asked[:1] for _ in range(SLIPS)]}),
        "class_summary.html": ("class_summary", {}),
    }
    template = templates(HERE).get_template("paper.html.j2")
    blank: dict[str, object] = {"graphs": [], "runs": [], "slips": []}
    return {name: template.render(page=page, **common, **{**blank, **more}) for name, (page, more) in parts.items()}


# --- graph paper -----------------------------------------------------------------------------------------------------


def graph_paper(lesson: Lesson, words: str, quantity: str, kind: str) -> str:
    """An SVG of empty graph paper with the lesson's scales and labelled axes.

    Parameters
    ----------
    kind : "linear" from 0, or "log-log" in whole decades around the lesson's values; then these must be above 0.
    """
    top = lesson.expected_up_to[quantity]
    if kind == "linear":
        across, up = _even(max(lesson.values)), _even(top)
    else:
        across, up = _decades(min(lesson.values), max(lesson.values)), _decades(top / 20, top)
    lines, labels = [], []
    for axis, lines_of in (("x", across), ("y", up)):
        for share, text, bold in lines_of:
            x, y = LEFT + share * WIDE, HIGH - share * HIGH + 10
            width = 1.1 if bold else 0.4
            if axis == "x":
                lines.append(_line(x, 10, x, HIGH + 10, width))
                labels.append(_text(x, HIGH + 26, text, "middle") if text else "")
            else:
                lines.append(_line(LEFT, y, LEFT + WIDE, y, width))
                labels.append(_text(LEFT - 6, y + 4, text, "end") if text else "")
    names = _text(LEFT + WIDE / 2, HIGH + 46, _escaped(lesson.x_label), "middle")
    names += f'<g transform="translate(14 {HIGH / 2}) rotate(-90)">{_text(0, 0, _escaped(words), "middle")}</g>'
    box = f"0 0 {LEFT + WIDE + 14} {HIGH + BELOW + 14}"
    drawn = "".join([*lines, *labels]) + names
    return f'<svg viewBox="{box}" role="img" aria-label="{_escaped(words)}, {kind}">{drawn}</svg>'


def _even(top: float) -> Iterator[tuple[float, str, bool]]:
    """Lines of a scale from 0: about ten labelled ones, with four thin ones between two."""
    power = 10.0 ** floor(log10(top / 10))
    step = next(s * power for s in (*STEPS, 10) if s * power >= top / 10 * 0.999)
    count = ceil(top / step - 1e-9)
    for i in range(5 * count + 1):
        yield i / (5 * count), f"{i / 5 * step:g}" if i % 5 == 0 else "", i % 5 == 0


def _decades(low: float, high: float) -> Iterator[tuple[float, str, bool]]:
    """Lines of a logarithmic scale over whole decades, labelled at 1, 2 and 5."""
    first, last = floor(log10(low)), ceil(log10(high * 1.001))
    for power in range(first, last):
        for digit in range(1, 10):
            share = (power - first + log10(digit)) / (last - first)
            yield share, f"{digit * 10.0**power:g}" if digit in STEPS else "", digit == 1
    yield 1.0, f"{10.0**last:g}", True


def _line(x1: float, y1: float, x2: float, y2: float, width: float) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="#555" stroke-width="{width}"/>'


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="12">{text}</text>'


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")
