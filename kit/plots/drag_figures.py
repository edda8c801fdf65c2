"""Plots of how runs slow down: all runs on one curve, turns/duration, two routes to one number, and one run's speed.

Tables and fits in, plotly figures out; nothing here computes a statistic. The words that describe each plot, and its
data table, are in `drag_text`. A single kind of drag keeps its colour and dash in every plot.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from ..motion.drag import TURN
from ..motion.drag_fit import DragFit, coasting_passes
from ..motion.explain import RatioTest, beyond_last_pass, turn_speeds
from ..wording import about, axis_title, case_of, interval, name_of, plus_minus, rounded_by
from .drag_text import KINDS, read_routes, short_law
from .style import FONT_SIZE, INK, MUTED, PALETTE, new_figure, places, series, side_by_side

__all__ = ["collapse_figure", "ratio_figure", "speed_figure", "two_routes_figure"]

# The three kinds of drag: far apart in colour and in dash, and unlike the thin solid lines of the runs.
KIND_LINES = {
    "constant": {"color": PALETTE[5], "dash": "dash", "width": 2.5},
    "∝ speed": {"color": INK, "dash": "dot", "width": 3},
    "∝ speed²": {"color": PALETTE[6], "dash": "dashdot", "width": 2.5},
}
_WORDS = {kind.law: kind.words for kind in KINDS}
LINE_POINTS = 200  # of a run's line: more cannot be seen
_MARKS = 5  # symbols on a condition's curve


def collapse_figure(collapsed: pd.DataFrame, curves: pd.DataFrame, x: str, *, left_over: str | None = None):
    """Share of the start speed against share of the duration: all runs, and one curve for each kind of drag.

    Parameters
    ----------
    collapsed, curves : what `kit.motion.explain.collapse` and `kit.motion.explain.law_curves` return.
    x : the condition that was changed; it chooses colour and symbol.
    left_over : name of a law; its curve is taken off everything, which makes small differences visible.
    """
    y_title = "Share of the start speed" if left_over is None else "Above that curve (% of the start speed)"
    figure = new_figure("Share of the duration", y_title, margin={"t": 24})
    base = _curve_of(curves, left_over) if left_over is not None else None

    def shown(time, speed):
        return np.asarray(speed) if base is None else 100 * (np.asarray(speed) - base(time))

    labels = sorted(collapsed[x].unique(), key=lambda v: (isinstance(v, str), v))
    for i, label in enumerate(labels):
        _add_condition(figure, collapsed[collapsed[x] == label], case_of(x, label), i, len(labels), shown)
    zoom = None if base is None else _zoomed(shown(collapsed["time_share"], collapsed["speed_share"]))
    for law in curves["law"].unique():
        curve = curves[curves["law"] == law]
        y = shown(curve["time_share"], curve["speed_share"])
        if zoom is not None and not (zoom["range"][0] <= y.min() and y.max() <= zoom["range"][1]):
            continue  # far outside the stretched axis
        figure.add_scatter(
            x=curve["time_share"],
            y=y,
            mode="lines",
            name=_WORDS[law],
            line=KIND_LINES[law],
            legendgroup="laws",
            legendgrouptitle={"text": "If the only drag were"},
            hovertemplate=f"{_WORDS[law]}<extra></extra>",
        )
    figure.update_xaxes(range=[0, 1], tickformat=".0%")
    figure.update_layout(legend={"x": 1.02, "xanchor": "left", "y": 1, "tracegroupgap": 12, "itemsizing": "trace"})
    if zoom is None or left_over is None:
        figure.update_yaxes(range=[0, 1.02], tickformat=".0%")
    else:
        figure.update_yaxes(**zoom)
        _note(figure, f"Zero is the curve of {_WORDS[left_over]}. The axis is stretched, so that small gaps show.")
    return figure


def _add_condition(figure, rows, words, i, of, shown) -> None:
    """Thin lines, one a run; on the first run a few symbols, at places of their own so that none hides another."""
    style = series(i)
    for first, (_, run) in enumerate(rows.groupby(["source", "trial"], sort=True)):
        time, speed = run["time_share"].to_numpy(), run["speed_share"].to_numpy()
        keep = np.unique(np.linspace(0, len(time) - 1, min(len(time), LINE_POINTS)).astype(int))
        figure.add_scatter(
            x=time[keep],
            y=shown(time[keep], speed[keep]),
            mode="lines",
            line={"color": style["color"], "width": 1.2},
            opacity=0.7,
            showlegend=False,
            hovertemplate=f"{words}: %{{x:.0%}} of the time, speed %{{y:.3g}}<extra></extra>",
        )
        if first == 0:
            places = (np.arange(_MARKS) + (i + 0.5) / of) / _MARKS
            places = places[(places >= time[0]) & (places <= time[-1])]
            figure.add_scatter(
                x=places,
                y=np.interp(places, time, shown(time, speed)),
                mode="markers",
                name=words,
                marker={"symbol": style["symbol"], "size": 9, "color": style["color"]},
                legendgroup="runs",
                legendgrouptitle={"text": "Measured"},
                hoverinfo="skip",
            )


def _curve_of(curves, law):
    curve = curves[curves["law"] == law]
    if curve.empty:
        known = ", ".join(f'"{name}"' for name in curves["law"].unique())
        raise KitError("There is no curve of this law", found=law, fix=f"use one of: {known}")
    return lambda time: np.interp(time, curve["time_share"], curve["speed_share"])


def ratio_figure(test: RatioTest, *, close: bool = False):
    """Turns/duration of every run with its uncertainty, and the mean speed each kind of drag alone would give.

    The axis starts where the values do, and the plot says so. `close`: look at the runs alone; mean speeds that lie
    outside are named at the edge.
    """
    figure = new_figure(axis_title(test.x), "Turns ÷ duration (turns/s)", showlegend=False, margin={"t": 30, "r": 190})
    runs = test.runs
    place, ticks, gap = places(runs[test.x])
    reach = (runs["ratio"] - 2 * runs["ratio_u"], runs["ratio"] + 2 * runs["ratio_u"])
    low, high = float(reach[0].min()), float(reach[1].max())
    nearest = min(test.mean_speeds.values(), key=lambda speed: abs(speed - test.ratio))
    near = [nearest] if low - (high - low) < nearest < high + (high - low) else []
    shown = _zoomed([low, high, *(near if close else test.mean_speeds.values())], 0.12)["range"]
    figure.update_xaxes(**ticks)
    figure.update_yaxes(range=shown, tickformat=f".{max(1, 1 - int(np.floor(np.log10((shown[1] - shown[0]) / 4))))}f")
    _add_mean_speeds(figure, test.mean_speeds, shown)
    figure.add_scatter(
        x=runs[test.x].map(place).to_numpy() + side_by_side(runs, test.x, gap),
        y=runs["ratio"],
        error_y={"type": "data", "array": runs["ratio_u"], "thickness": 1.5, "width": 3, "color": PALETTE[0]},
        mode="markers",
        marker={"size": 8, "color": PALETTE[0]},
        customdata=[f"{case_of(test.x, row[test.x])}: {plus_minus(row['ratio'], row['ratio_u'], 'turns/s')}"
                    for _, row in runs.iterrows()],
        hovertemplate="%{customdata}<extra></extra>",
    )  # fmt: skip
    conditions = test.conditions
    figure.add_scatter(
        x=conditions[test.x].map(place) + 0.3 * gap,
        y=conditions["ratio"],
        error_y={
            "type": "data",
            "array": np.nan_to_num(conditions["high"] - conditions["ratio"]),
            "thickness": 2.5,
            "width": 7,
            "color": INK,
        },
        mode="markers",
        marker={"symbol": "line-ew", "size": 9, "line": {"width": 3, "color": INK}},
        customdata=[interval(a, b, "turns/s") for a, b in zip(conditions["low"], conditions["high"], strict=True)],
        hovertemplate="average, 95 % interval %{customdata}<extra></extra>",
    )
    _note(
        figure, "Dots: runs ± standard uncertainty. Bars: 95 % interval of the average. The axis does not start at 0."
    )
    return figure


def _add_mean_speeds(figure, speeds, shown) -> None:
    """Level lines, named in the right margin; those outside the axis are named at the edge they lie beyond."""
    fastest_first = sorted(speeds, key=speeds.get, reverse=True)
    above = [law for law in fastest_first if speeds[law] > shown[1]]
    below = [law for law in fastest_first[::-1] if speeds[law] < shown[0]]
    for law, speed in speeds.items():
        arrow, at = "", {"y": speed, "yanchor": "middle"}
        if law in above:
            arrow, at = "↑ ", {"y": 1, "yref": "paper", "yanchor": "top", "yshift": -42 * above.index(law)}
        elif law in below:
            arrow, at = "↓ ", {"y": 0, "yref": "paper", "yanchor": "bottom", "yshift": 42 * below.index(law)}
        else:
            figure.add_hline(y=speed, line=KIND_LINES[law])
        figure.add_annotation(
            x=1,
            xref="paper",
            xanchor="left",
            xshift=8,
            align="left",
            text=f"{arrow}{_in_two_lines(_WORDS[law])}: {speed:.3f}",
            font={"color": KIND_LINES[law]["color"], "size": FONT_SIZE - 2},
            **at,
        )


def _in_two_lines(words: str) -> str:
    """A break at the blank nearest to the middle."""
    blanks = [i for i, letter in enumerate(words) if letter == " "]
    middle = min(blanks, key=lambda i: abs(i - len(words) / 2))
    return f"{words[:middle]}<br>{words[middle + 1 :]}"


def two_routes_figure(routes: pd.DataFrame, x: str):
    """x₀ by the trend and by the drag fits, each with its 95 % interval, and n₀ of the added kind of drag alone.

    `routes`: what `kit.motion.explain.routes` returns.
    """
    title = f"The apparatus alone drags like so many {name_of(x)}"
    figure = new_figure(title, "", showlegend=False, height=340, margin={"t": 24, "r": 40})
    styles = {"trend": series(0), "drag fits": series(1), "one kind alone": series(2)}
    heights = [4.35, 3.65, 2.35, 1.65, 0.35]
    for place, row in zip(heights, read_routes(routes), strict=True):
        style = styles[row.route]
        high = row.high if np.isfinite(row.high) else max(2 * row.value, row.value + 1)
        low = row.low if np.isfinite(row.low) else 0.0
        figure.add_scatter(
            x=[row.value],
            y=[place],
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [high - row.value],
                "arrayminus": [row.value - low],
                "thickness": 3,
                "width": 9,
                "color": style["color"],
            },
            mode="markers",
            marker={"symbol": style["symbol"], "size": 13, "color": style["color"]},
            hovertemplate=f"{row.route}: {plus_minus(row.value, row.u)}<extra></extra>",
        )
        figure.add_annotation(
            x=high,
            y=place,
            xshift=12,
            xanchor="left",
            text=f"{rounded_by(row.value, row.u)} ({interval(row.low, row.high)})",
            font={"color": style["color"], "size": FONT_SIZE - 1},
        )
    names = ["trend", "drag fits", "trend", "drag fits", "one kind of drag"]
    figure.update_yaxes(
        tickvals=heights,
        ticktext=[f"{name}  " for name in names],
        range=[-0.25, 5.05],
        showgrid=False,
        ticks="",
        showline=False,
    )
    for y, words in ((4.7, "from durations"), (2.7, "from turns"), (0.7, "added drag alone")):
        figure.add_annotation(
            x=0, xref="paper", xanchor="right", xshift=-8, y=y, yanchor="bottom", text=f"<b>{words}</b>"
        )
    for y in (3.0, 1.0):
        figure.add_hline(y=y, line={"color": MUTED, "width": 1, "dash": "dot"})
    ends = [v for v in (*routes["low"], *routes["high"], *routes["value"]) if np.isfinite(v)]
    room = 0.12 * (max(ends) - min(0, *ends))
    figure.update_xaxes(range=[min(0, *ends) - 0.2 * room, max(ends) + 3 * room])
    return figure


def speed_figure(run: Run, fits: Sequence[DragFit], *, estimate: bool = True):
    """Speed of one run against time: every turn as measured, the fitted laws, and the model's estimate of rest.

    Parameters
    ----------
    run : the run the laws were fitted to.
    fits : fits of `kit.motion.drag_fit` to this run, best first; the first three are drawn.
    estimate : draw what the best law says comes after the last pass: dashed, on a shaded ground that says that
        nothing was measured there, with its 95 % band.
    """
    if not fits:
        raise KitError("There is no fitted law to draw", fix="fit a law to the passes first")
    figure = new_figure("Time on the log's clock (s)", "Speed (turns/s)", margin={"t": 64})
    middle, speed = turn_speeds(*coasting_passes(run), run.flags_per_turn)
    keep = np.unique(np.linspace(0, len(middle) - 1, min(len(middle), LINE_POINTS)).astype(int))
    figure.add_scatter(
        x=middle[keep],
        y=speed[keep],
        mode="markers",
        name="each turn, as measured",
        marker={"symbol": "circle-open", "size": 6, "color": INK, "line": {"width": 1.2}},
        hovertemplate="%{x:.2f} s: %{y:.3f} turns/s<extra></extra>",
    )
    best, last_s = fits[0], float(fits[0].times_s[-1])
    for i, fit in enumerate(fits[:3]):
        at = np.linspace(fit.times_s[0], last_s, 160)
        figure.add_scatter(
            x=at,
            y=fit.speed(at) / TURN,
            mode="lines",
            name=short_law(fit.name),
            line={"color": series(i)["color"], "dash": ("solid", "dot", "dashdot")[i], "width": 3 if i == 0 else 2},
            hovertemplate=f"{short_law(fit.name)}: %{{y:.3f}} turns/s<extra></extra>",
        )
    if estimate:
        _add_estimate(figure, best, last_s)
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"})
    return figure


def _add_estimate(figure, fit, last_s) -> None:
    after, color = beyond_last_pass(fit), series(0)["color"]
    end_s = float(after["time_s"].iloc[-1])
    figure.add_vrect(x0=last_s, x1=end_s, fillcolor=INK, opacity=0.06, line_width=0, layer="below")
    figure.add_vline(x=last_s, line={"color": MUTED, "width": 1.5})
    figure.add_scatter(
        x=[*after["time_s"], *after["time_s"][::-1]],
        y=[*after["high"], *after["low"][::-1]],
        mode="lines",
        fill="toself",
        fillcolor="rgba(0,103,168,0.22)",
        line={"width": 0},
        showlegend=False,
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=after["time_s"],
        y=after["speed"],
        mode="lines",
        name="the model's estimate: not measured",
        line={"color": color, "dash": "dash", "width": 2.5},
        hovertemplate="model's estimate, not measured: %{y:.3f} turns/s<extra></extra>",
    )
    rest = fit.time_to_rest()
    words = "By this law it never quite comes to rest."
    if np.isfinite(rest.time_s):
        words = f"Model's estimate of rest:<br>{about(rest.time_s, rest.time_u_s, 's')} after the last pass"
        figure.add_scatter(
            x=[last_s + rest.time_s],
            y=[0],
            error_x={"type": "data", "array": [2 * rest.time_u_s], "thickness": 2.5, "width": 8, "color": color},
            mode="markers",
            marker={"symbol": "diamond-open", "size": 13, "color": color, "line": {"width": 2.5}},
            showlegend=False,
            cliponaxis=False,
            hovertemplate=f"{words}<extra></extra>",
        )
    figure.add_annotation(
        x=1,
        xref="paper",
        xanchor="right",
        xshift=-6,
        y=0.97,
        yref="paper",
        yanchor="top",
        align="right",
        text=f"Shaded: nothing was measured.<br>{words}",
        font={"color": color},
        bgcolor="rgba(252,252,249,0.8)",
    )


def _zoomed(values, room: float = 0.15) -> dict:
    values = np.asarray(values, float)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room *= (high - low) or abs(high) or 1.0
    return {"range": [low - room, high + room]}


def _note(figure, words: str) -> None:
    figure.add_annotation(
        x=0, xref="paper", xanchor="left", y=1.01, yref="paper", yanchor="bottom", text=words, font={"color": MUTED}
    )
