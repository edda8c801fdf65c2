"""Charts of a class as small SVG drawings: they need no script, print well, and each has its numbers in words.

Tables of `kit.classroom.tables` in, the text of an `<svg>` out. Every text in it is escaped; `sections.css` styles it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from html import escape
from math import ceil, floor, isfinite, log10

import numpy as np
import pandas as pd

from ..plots.style import GRID, INK, MUTED, PALETTE, number_line
from ..record.entries import BANDS

__all__ = ["confidence_chart", "letter", "moves_chart", "pooled_chart", "reference_chart", "sketch_chart"]

WIDTH = 960
LEFT, RIGHT = 96, WIDTH - 24  # of charts with two axes
STAY = "#d5d9dc"
USUAL, UNUSUAL = PALETTE[0], PALETTE[1]
CLAIMS = dict(zip(BANDS, ((0.0, 0.6), (0.6, 0.9), (0.9, 1.0)), strict=True))  # the share each band claims


def letter(place: int) -> str:
    """The letter by which a choice is called: A, B, C …"""
    return chr(ord("A") + place) if place < 26 else str(place + 1)


# --- answers -----------------------------------------------------------------------------------------------------


def moves_chart(counts: pd.DataFrame, texts: Sequence[str]) -> str:
    """Who moved from which choice (left) to which (right). `texts`: the choices in words, in the rows' order."""
    table = counts.to_numpy()
    before, after = table.sum(axis=1), table.sum(axis=0)
    unit = min(15.0, 280 / max(int(table.sum()), 1))  # height of one group
    labels = [textwrap.wrap(text, 30)[:4] for text in texts]
    heights = [max(unit * max(before[i], after[i]), 20 * len(words), 22) for i, words in enumerate(labels)]
    tops = 28 + np.concatenate([[0.0], np.cumsum(np.array(heights) + 14)])
    left, right, thick = 340.0, WIDTH - 340.0, 16.0
    parts = [_text(left, 14, "before", "end", "quiet"), _text(right, 14, "after", "start", "quiet")]
    parts += _ribbons(table, tops, unit, left + thick, right - thick)
    for i, words in enumerate(labels):
        for n, x, edge, anchor in (
            (before[i], left, left - 12, "end"),
            (after[i], right - thick, right + 12, "start"),
        ):
            parts.append(_box(x, tops[i], thick, max(n * unit, 1.5), INK))
            parts.append(_text(edge, tops[i] + 15, f"{letter(i)}: {n}", anchor, "strong"))
            inner = edge - 62 if anchor == "end" else edge + 62
            parts += [_text(inner, tops[i] + 15 + 19 * k, line, anchor) for k, line in enumerate(words)]
    said = f"{int(np.trace(table))} of {int(table.sum())} groups kept their answer; ribbons show how the others moved."
    return _svg(tops[-1], said, parts)


def _ribbons(table: np.ndarray, tops: np.ndarray, unit: float, left: float, right: float) -> list[str]:
    """Bands between the two sides, those who stayed at the back, with the number of groups on each."""
    start, end = tops.copy(), tops.copy()
    stayed: list[str] = []
    moved: list[str] = []
    numbers: list[str] = []
    for i, j in np.argwhere(table > 0):
        height = unit * table[i, j]
        ribbon = _ribbon(left, start[i], right, end[j], height, STAY if i == j else PALETTE[i % len(PALETTE)])
        (stayed if i == j else moved).append(ribbon)
        if i != j and height >= 13:  # white digits need a band as high as they are
            aside = 14 + 24 * (len(numbers) % 2 if height < 18 else 0)  # numbers of thin bands beside each other
            numbers.append(_text(left + aside, start[i] + height / 2 + 4.5, str(table[i, j]), "middle", "inside"))
        start[i] += height
        end[j] += height
    return stayed + moved + numbers


def confidence_chart(table: pd.DataFrame, words: Sequence[str]) -> str:
    """Share that chose what the data support in each band, with its 95 % interval, over the share the band claims.

    `table`: from `confidence_table`; `words`: the bands in words, in the rows' order.
    """
    row_height, top = 58, 8
    bottom = top + row_height * len(table)
    x = _scale(0.0, 1.0, 250, WIDTH - 130)
    parts = []
    for share in (0, 0.2, 0.4, 0.6, 0.8, 1):
        parts.append(_line(x(share), top, x(share), bottom, GRID))
        parts.append(_text(x(share), bottom + 22, f"{100 * share:.0f} %", "middle"))
    for i, (band, word) in enumerate(zip(table.to_dict("records"), words, strict=True)):
        y = top + row_height * (i + 0.5)
        low, high = CLAIMS[band["confidence"]]
        parts.append(_box(x(low), y - 21, x(high) - x(low), 42, "#e4eaed", MUTED))
        parts.append(_text(x(0) - 14, y - 4, word, "end", "strong"))
        parts.append(_text(x(0) - 14, y + 16, _claim(low, high), "end", "quiet"))
        if band["n"]:
            parts.append(_line(x(band["low"]), y, x(band["high"]), y, USUAL, 4))
            parts.append(_dot(x(band["share"]), y, 9, USUAL))
        counted = f"{band['supported']} of {band['n']}" if band["n"] else "nobody"
        parts.append(_text(x(1) + 20, y + 6, counted, "start", "strong"))
    parts.append(_text(x(0.5), bottom + 44, "share that chose what the data support", "middle"))
    shares = "; ".join(
        f"{word}: {n} of {of}" for word, n, of in zip(words, table["supported"], table["n"], strict=True)
    )
    return _svg(bottom + 54, f"Answers that the data support, by confidence. {shares}.", parts)


def _claim(low: float, high: float) -> str:
    if low == 0:
        return f"claims less than {100 * high:.0f} %"
    return f"claims more than {100 * low:.0f} %" if high == 1 else f"claims {100 * low:.0f} to {100 * high:.0f} %"


# --- measurements --------------------------------------------------------------------------------------------------


def pooled_chart(means: pd.DataFrame, medians: pd.DataFrame, x_title: str, y_title: str) -> str:
    """Every group's mean at every condition (logarithmic scale), and the median of the groups.

    `means`: x, mean, usual (filled: the thresholds most groups used; hollow: others). `medians`: x, median.
    """
    top, bottom = 12, 326
    x = _scale(*number_line(means["x"].tolist()), LEFT, RIGHT)
    log_low, log_high = log10(means["mean"].min() / 1.15), log10(means["mean"].max() * 1.15)
    log_y = _scale(log_low, log_high, bottom, top)
    parts = []
    for tick in _log_ticks(log_low, log_high):
        parts.append(_line(LEFT, log_y(log10(tick)), RIGHT, log_y(log10(tick)), GRID))
        parts.append(_text(LEFT - 10, log_y(log10(tick)) + 5, f"{tick:g}", "end"))
    parts += _condition_ticks([(x(value), f"{value:g}") for value in medians["x"]], bottom)
    parts += [_line(LEFT, bottom, RIGHT, bottom, INK, 1.5), _line(LEFT, top, LEFT, bottom, INK, 1.5)]
    for value, usual in means[["x", "usual"]].drop_duplicates().sort_values(["x", "usual"]).to_numpy().tolist():
        for k, mean in enumerate(means.loc[(means["x"] == value) & (means["usual"] == usual), "mean"]):
            aside = 4.2 * (k % 7 - 3) + (-4 if usual else 9)  # dots beside each other, not on top
            parts.append(_dot(x(value) + aside, log_y(log10(mean)), 4.5, USUAL if usual else UNUSUAL, hollow=not usual))
    for value, median in zip(medians["x"], medians["median"], strict=True):
        parts.append(_line(x(value) - 17, log_y(log10(median)), x(value) + 21, log_y(log10(median)), INK, 2.5))
    parts += [_text((LEFT + RIGHT) / 2, bottom + 46, x_title, "middle"), _upright(18, (top + bottom) / 2, y_title)]
    return _svg(bottom + 56, f"{y_title} of every group against {x_title}: {len(means)} means of groups.", parts)


def sketch_chart(sketches: pd.DataFrame, top: float, measured: pd.DataFrame, x_title: str, y_title: str) -> str:
    """All groups' sketches over each other, the median of them dashed, and what was measured over them.

    `sketches`: group, x, value. `top`: of the scale; what lies above is cut off there. `measured`: x, median, low, high
    (of the groups' means); empty before the data.
    """
    ceiling, bottom = 12, 366
    every = np.unique(np.concatenate([sketches["x"], measured["x"]]))
    first, last = min(0.0, float(every[0])), float(every[-1])
    x, y = _scale(first, last + 0.04 * (last - first or 1.0), LEFT, RIGHT), _scale(0.0, top, bottom, ceiling)
    parts = []
    for tick in np.arange(0.0, top * 1.0001, _nice_step(top / 5)):
        parts.append(_line(LEFT, y(tick), RIGHT, y(tick), GRID))
        parts.append(_text(LEFT - 10, y(tick) + 5, f"{tick:g}", "end"))
    parts += _condition_ticks([(x(value), f"{value:g}") for value in every], bottom)
    parts += [_line(LEFT, bottom, RIGHT, bottom, INK, 1.5), _line(LEFT, ceiling, LEFT, bottom, INK, 1.5)]
    for _, points in sketches.groupby("group", sort=False):
        places = [(x(a), y(min(b, top))) for a, b in zip(points["x"], points["value"], strict=True)]
        parts.append(_path(places, USUAL, 1.6, opacity=0.5))
        parts += [_dot(px, py, 2.6, USUAL) for px, py in places]
    middle = sketches.groupby("x")["value"].median()
    if sketches["group"].nunique() > 2:
        parts.append(
            _path([(x(a), y(min(b, top))) for a, b in middle.reset_index().to_numpy().tolist()], INK, 4, dashes="12 8")
        )
    for row in measured.to_dict("records"):
        px, (low, mean, high) = x(row["x"]), (y(min(row[name], top)) for name in ("low", "median", "high"))
        parts += [_line(px, low, px, high, UNUSUAL, 4), _box(px - 8, mean - 8, 16, 16, UNUSUAL, "#fff")]
    parts += [_text((LEFT + RIGHT) / 2, bottom + 46, x_title, "middle"), _upright(18, (ceiling + bottom) / 2, y_title)]
    over = f", with what {count} conditions gave over them" if (count := len(measured)) else ""
    words = f"{y_title} against {x_title}: sketches of {sketches['group'].nunique()} groups{over}."
    return _svg(bottom + 56, words, parts)


def _path(
    places: Sequence[tuple[float, float]], colour: str, width: float, opacity: float = 1, dashes: str = ""
) -> str:
    line = "L".join(f"{x:.1f} {y:.1f}" for x, y in places)
    look = f'fill="none" stroke="{colour}" stroke-width="{width}" stroke-opacity="{opacity}" stroke-linejoin="round"'
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="M{line}" {look}{dashed}/>'


def _condition_ticks(places: Sequence[tuple[float, str]], bottom: float) -> list[str]:
    parts, written_at = [], -100.0
    for x, words in places:
        parts.append(_line(x, bottom, x, bottom + 6, INK, 1.5))
        if x - written_at > 26:  # numbers must not run into each other
            parts.append(_text(x, bottom + 22, words, "middle"))
            written_at = x
    return parts


def reference_chart(table: pd.DataFrame) -> str:
    """Every group's mean at the reference condition, in per cent from the groups' median, ± standard uncertainty."""
    top, bottom = 14, 262
    middle = table["percent"].to_numpy()
    u = np.nan_to_num((100 * table["u"] / table["mean"]).to_numpy() * (1 + middle / 100))
    lowest, highest = (middle - u).min(), (middle + u).max()
    room = 0.12 * max(highest - lowest, 1.0)  # for the names of the outermost groups
    step = _nice_step((highest - lowest + 2 * room) / 5)
    low, high = step * floor((lowest - room) / step), step * ceil((highest + room) / step)
    y = _scale(low, high, bottom, top)
    x = _scale(-0.7, len(table) - 0.3, LEFT, RIGHT)
    parts = []
    for tick in low + step * np.arange(round((high - low) / step) + 1):
        zero = abs(tick) < step / 1e6
        parts.append(_line(LEFT, y(tick), RIGHT, y(tick), INK if zero else GRID, 1.5 if zero else 1))
        parts.append(_text(LEFT - 10, y(tick) + 5, "0 %" if zero else _signed(f"{tick:+g} %"), "end"))
    for k, (percent, reach, usual) in enumerate(zip(middle, u, table["usual"], strict=True)):
        colour = USUAL if usual else UNUSUAL
        parts.append(_line(x(k), y(percent - reach), x(k), y(percent + reach), colour, 2.5))
        parts.append(_dot(x(k), y(percent), 6, colour, hollow=not usual))
    names, last = table["group"].tolist(), len(table) - 1
    parts.append(_text(x(0) - 8, min(y(middle[0] - u[0]) + 20, bottom - 4), names[0], "start", "quiet"))
    parts.append(_text(x(last) + 8, max(y(middle[last] + u[last]) - 10, top + 10), names[last], "end", "quiet"))
    parts.append(_text((LEFT + RIGHT) / 2, bottom + 26, "groups, from the lowest to the highest", "middle"))
    parts.append(_upright(18, (top + bottom) / 2, "from the median"))
    words = f"{len(table)} groups, from {middle.min():+.1f} % to {middle.max():+.1f} % of their median."
    return _svg(bottom + 38, _signed(words), parts)


# --- drawing -------------------------------------------------------------------------------------------------------


def _svg(height: float, words: str, parts: Sequence[str]) -> str:
    size = f'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:.0f}"'
    return f'<svg {size} role="img" aria-label="{escape(words)}">{"".join(parts)}</svg>'


def _text(x: float, y: float, words: str, anchor: str, style: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{style}">{escape(words)}</text>'


def _upright(x: float, y: float, words: str) -> str:
    turned = f'transform="translate({x:.1f} {y:.1f}) rotate(-90)"'
    return f'<text {turned} text-anchor="middle">{escape(words)}</text>'


def _line(x0: float, y0: float, x1: float, y1: float, colour: str, width: float = 1) -> str:
    ends = f'x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{width}" stroke-linecap="round"/>'


def _box(x: float, y: float, width: float, height: float, fill: str, edge: str = "none") -> str:
    size = f'x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"'
    return f'<rect {size} fill="{fill}" stroke="{edge}"/>'


def _dot(x: float, y: float, radius: float, colour: str, hollow: bool = False) -> str:
    fill, edge, width = ("#fff", colour, 2) if hollow else (colour, "#fff", 1)
    place = f'cx="{x:.1f}" cy="{y:.1f}" r="{radius}"'
    return f'<circle {place} fill="{fill}" stroke="{edge}" stroke-width="{width}"/>'


def _ribbon(x0: float, y0: float, x1: float, y1: float, height: float, colour: str) -> str:
    m = (x0 + x1) / 2
    there = f"M{x0:.1f} {y0:.1f}C{m:.1f} {y0:.1f} {m:.1f} {y1:.1f} {x1:.1f} {y1:.1f}"
    y0, y1 = y0 + height, y1 + height
    back = f"V{y1:.1f}C{m:.1f} {y1:.1f} {m:.1f} {y0:.1f} {x0:.1f} {y0:.1f}z"
    return f'<path d="{there}{back}" fill="{colour}" fill-opacity="0.88" stroke="#fff" stroke-width="0.8"/>'


def _scale(low: float, high: float, first: float, last: float) -> Callable[[float], float]:
    """From values to places on the drawing."""
    return lambda value: first + (last - first) * (value - low) / (high - low)


def _log_ticks(low: float, high: float) -> Iterator[float]:
    """1, 2 and 5 of every power of ten between two logarithms; only some powers of ten over many decades."""
    steps = (1, 2, 5) if high - low < 4 else (1,)
    every = max(1, ceil((high - low) / 10))
    for power in range(floor(low), ceil(high) + 1):
        yield from (s * 10.0**power for s in steps if power % every == 0 and low <= log10(s) + power <= high)


def _nice_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, not below `rough`."""
    if not (isfinite(rough) and rough > 0):
        return 1.0
    power = 10.0 ** floor(log10(rough))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= rough * (1 - 1e-9))


def _signed(words: str) -> str:
    return words.replace("-", "−")
