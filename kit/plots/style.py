"""How every plot of the kit looks: colours, line dashes, markers, one plotly template, plotly's own settings.

Nothing here is set globally. A figure takes the template by `new_figure`; a canvas or a page takes the plain values.
Every series differs in colour *and* in dash *and* in marker, so that none depends on seeing colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = [
    "CONFIG",
    "DASHES",
    "FONT",
    "GRID",
    "INK",
    "MUTED",
    "PALETTE",
    "PAPER",
    "SYMBOLS",
    "new_figure",
    "number_line",
    "origin_looks",
    "places",
    "series",
    "side_by_side",
]

# Started from hues of Okabe & Ito's colour-blind-safe set, then moved until each has at least 4.5:1 against PAPER (so
# a label may wear its line's colour) and the first seven stay apart (ΔE ≥ 15) for red- and green-blind eyes.
PALETTE = ("#0067a8", "#b84a00", "#00604a", "#bb3f86", "#23272b", "#6e2a10", "#4b3fb5", "#67707a")
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "8px 3px 2px 3px", "2px 6px")
SYMBOLS = ("circle", "square", "diamond", "triangle-up", "x", "triangle-down", "star", "cross")

INK = "#1b2430"  # text, axes
MUTED = "#56606b"  # secondary text, 4.5:1 or more on PAPER
GRID = "#e3e5e3"
PAPER = "#fcfcf9"  # light, so that the same figure prints and projects; a dark page turns it over (widgets/parts.css)
FONT = "system-ui, 'Segoe UI', 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif"

FONT_SIZE = 15
HEIGHT_PX = 420
MOST_TICKS = 15  # conditions: more names than that run into each other

# Nothing leaves the machine: plotly's mode bar has a button that uploads the figure; it goes, and so does its address.
CONFIG = {
    "displaylogo": False,
    "plotlyServerURL": "",
    "modeBarButtonsToRemove": ["sendChartToCloud", "sendDataToCloud", "select2d", "lasso2d", "autoScale2d"],
    "responsive": True,
    "scrollZoom": False,
}


def series(i: int) -> dict[str, str]:
    """Colour, dash and marker symbol of the i-th series; they repeat after eight, never in the same company."""
    return {
        "color": PALETTE[i % len(PALETTE)],
        "dash": DASHES[(i + i // len(PALETTE)) % len(DASHES)],
        "symbol": SYMBOLS[(i + i // len(PALETTE)) % len(SYMBOLS)],
    }


def origin_looks(origins: Sequence[str]) -> dict[str, tuple[str, str, str]]:
    """Of each origin of runs that occurs: what a legend calls its dots, their symbol and their colour.

    Where all runs have one origin, they are simply "each trial".
    """
    found = list(dict.fromkeys(origins))
    if len(found) == 1:
        return {found[0]: ("each trial", SYMBOLS[0], PALETTE[0])}
    return {name: (f"each trial: {name}", SYMBOLS[i], PALETTE[2 * i % 7]) for i, name in enumerate(found)}


def number_line(values: Sequence[float]) -> tuple[float, float]:
    """Ends of the axis on which conditions stand as numbers, in their unit: what is twice as much lies twice as far.

    It begins at zero, unless all values lie further from zero than their span is long; then there is room on both
    sides. A single value stands in the middle.
    """
    low, high = float(min(values)), float(max(values))
    span = high - low or abs(high) or 1.0
    first = 0.0 if 0 <= low <= span else low - 0.06 * span
    last = 0.0 if -span <= high <= 0 else high + 0.06 * span
    return (first, last) if low < high else (low - span, high + span)


@cache
def _template():
    import plotly.graph_objects as go

    axis = {
        "showline": True,
        "linecolor": INK,
        "linewidth": 1.5,
        "gridcolor": GRID,
        "ticks": "outside",
        "tickcolor": INK,
        "zeroline": False,
        "automargin": True,
        "title": {"font": {"size": FONT_SIZE + 1}, "standoff": 8},
    }
    return go.layout.Template(
        layout={
            "meta": {"template": "kit"},
            "font": {"family": FONT, "size": FONT_SIZE, "color": INK},
            "title": {"font": {"size": FONT_SIZE + 2}, "x": 0.01, "xanchor": "left"},
            "paper_bgcolor": PAPER,
            "plot_bgcolor": PAPER,
            "colorway": PALETTE,
            "margin": {"l": 72, "r": 24, "t": 44, "b": 60},
            "height": HEIGHT_PX,
            "xaxis": axis,
            "yaxis": axis,
            "hoverlabel": {"font": {"size": FONT_SIZE}},
            "legend": {"bgcolor": "rgba(252,252,249,0.85)", "font": {"size": FONT_SIZE - 1}},
            "annotationdefaults": {"font": {"size": FONT_SIZE - 1, "color": INK}, "showarrow": False},
            "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": MUTED, "activecolor": INK, "orientation": "h"},
        },
        data={"scatter": [{"line": {"width": 2.5}, "marker": {"size": 9}}]},
    )


def new_figure(x_title: str, y_title: str, title: str = "", **layout) -> go.Figure:
    """An empty figure in the kit's template, its axes named (with units)."""
    import plotly.graph_objects as go

    figure = go.Figure(layout={"template": _template(), **layout})
    figure.update_xaxes(title_text=x_title)
    figure.update_yaxes(title_text=y_title)
    if title:
        figure.update_layout(title_text=title)
    return figure


def places(values: pd.Series) -> tuple[dict, dict[str, Any], float]:
    """Where each condition stands on the axis, the axis's range and ticks, and the smallest distance of neighbours.

    Numbers stand at their value, words side by side.
    """
    found = sorted(values.dropna().unique(), key=lambda v: (isinstance(v, str), v))
    words = any(isinstance(v, str) for v in found)
    place = {v: float(i if words else v) for i, v in enumerate(found)}
    at = sorted(place.values())
    gap = float(np.min(np.diff(at))) if len(at) > 1 else 1.0
    axis: dict[str, Any] = {"range": [at[0] - 0.6 * gap, at[-1] + 0.7 * gap]}
    if len(found) <= MOST_TICKS:
        text = [v if isinstance(v, str) else f"{v:g}" for v in found]
        axis |= {"tickvals": [place[v] for v in found], "ticktext": text}
    return place, axis, gap


def side_by_side(table: pd.DataFrame, x: str, gap: float) -> np.ndarray:
    """Small sideways shifts, in the rows' order, so that dots of one condition do not hide each other."""
    rank = table.groupby(x).cumcount().to_numpy()
    size = table.groupby(x)[x].transform("size").to_numpy()
    return np.where(size > 1, (rank / np.maximum(size - 1, 1) - 0.5) * 0.28 * gap, 0.0) - 0.12 * gap
