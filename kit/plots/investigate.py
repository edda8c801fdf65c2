"""Plots and words of the stage where groups test claims of their own: shuffled worlds, recordings, and plans.

Tables and verdicts in, plotly figures and sentences out; nothing here computes a statistic.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from ..sound.clicks import Clicks
from ..stats.claims import Verdict
from ..stats.planning import Pilot
from ..wording import axis_title, case_of, count_of, name_of, number, unit_of
from .style import INK, MUTED, PALETTE, SYMBOLS, new_figure, series

__all__ = [
    "SYMBOL",
    "clicks_figure",
    "describe_level",
    "describe_plan",
    "describe_worlds",
    "effect_of",
    "effect_title",
    "equal_speed_figure",
    "level_figure",
    "level_numbers",
    "plan_figure",
    "spectrogram_figure",
    "world_figure",
    "worlds_figure",
    "worlds_table",
]

MOST_DOTS = 60  # worlds that are drawn as dots too
SYMBOL = {"x0": "x₀"}
MOST_POINTS = 1_500  # of a level's line: more than a screen has columns


def effect_of(verdict: Verdict, statistic) -> np.ndarray:
    """What a shuffled world's statistic means on the screen: per cent, own units, or a rank correlation."""
    statistic = np.asarray(statistic, dtype=float)
    if not verdict.claim.is_relation and verdict.claim.scale == "relative":
        return 100 * np.expm1(statistic)
    return statistic


def effect_title(verdict: Verdict) -> str:
    """Name and unit of what `effect_of` gives."""
    claim = verdict.claim
    if claim.is_relation:
        return "Rank correlation (−1: falls, 0: neither, 1: rises)"
    unit = "%" if claim.scale == "relative" else unit_of(claim.quantity)
    return f"Difference in {name_of(claim.quantity)}" + (f" ({unit})" if unit else "")


def world_figure(verdict: Verdict, scores: Sequence[np.ndarray] | None = None):
    """Every run as a dot, conditions side by side, with the labels as measured or as handed round.

    `scores`: labels of a shuffled world, as `kit.stats.shuffling.deal` makes them; None for the measured one.
    Values are shown as they differ from the mean of their condition: per cent on the relative scale. Returns a plotly
    Figure.
    """
    claim, shuffled = verdict.claim, scores is not None
    relative = claim.scale == "relative"
    unit = "%" if relative else unit_of(claim.quantity)
    title = "A shuffled world" if shuffled else "The measured world"
    away = "Away from the average" + (f" ({unit})" if unit else "")
    values = [100 * np.expm1(v - v.mean()) if relative else v - v.mean() for v in verdict.compared]
    scores = list(verdict.scores) if scores is None else list(scores)
    if claim.is_relation:
        figure = new_figure(axis_title(claim.by), away, title)
        for i, (a, v) in enumerate(zip(scores, values, strict=True)):
            style = series(i)
            marker = {"color": style["color"], "symbol": style["symbol"], "size": 10}
            figure.add_scatter(x=a, y=v, mode="markers", name=_condition(verdict, i), marker=marker)
    else:
        figure = new_figure("", away, title)
        for setting in (0, 1):
            style = series(setting)
            x = [i + (setting - 0.5) * 0.36 for i, a in enumerate(scores) for _ in range(int((a == setting).sum()))]
            y = np.concatenate([v[a == setting] for a, v in zip(scores, values, strict=True)])
            figure.add_scatter(
                x=x,
                y=y,
                mode="markers",
                name=_setting_name(claim, setting),
                marker={"color": style["color"], "symbol": style["symbol"], "size": 10, "opacity": 0.85},
            )
        ticks = [_condition(verdict, i) for i in range(len(scores))]
        figure.update_xaxes(tickvals=list(range(len(scores))), ticktext=ticks, range=[-0.6, len(scores) - 0.4])
    figure.add_hline(y=0, line={"color": MUTED, "width": 1.5})
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.45})
    return figure


def worlds_figure(verdict: Verdict, worlds: Sequence[float]):
    """How often chance does as much: for each size of effect, the share of shuffled worlds that reach it.

    `worlds`: statistics of the worlds drawn so far. The curve falls from 100 % as less and less worlds reach a size; a
    dashed line stands at the measured size, and what lies beyond it is hatched. Returns a plotly Figure.
    """
    measured = float(_size(verdict, verdict.shuffled.measured))
    everything = _size(verdict, verdict.shuffled.worlds)
    reach = 1.08 * max(float(everything.max(initial=0.0)), measured, 1e-12)
    figure = new_figure(f"{effect_title(verdict)}, at least this large", "Share of shuffled worlds (%)")
    size, share = reached(_size(verdict, worlds))
    beyond = size >= measured * (1 - 1e-9)
    line = {"shape": "vh", "color": PALETTE[0], "width": 2.5}
    few = len(size) <= MOST_DOTS
    mode = "lines+markers" if few else "lines"
    figure.add_scatter(
        x=[0.0, *size], y=[100.0 if len(size) else 0.0, *share], mode=mode, name="worlds so far", line=line,
        marker={"symbol": SYMBOLS[0], "size": 7},
    )  # fmt: skip
    if beyond.any():
        pattern = {"shape": "/", "fgcolor": PALETTE[1], "bgcolor": "rgba(0,0,0,0)"}
        figure.add_scatter(
            x=[measured, *size[beyond]], y=[share[beyond][0], *share[beyond]], mode="lines", fill="tozeroy",
            fillpattern=pattern, line={**line, "color": PALETTE[1]}, name="at least as much as measured",
        )  # fmt: skip
    figure.add_vline(
        x=measured,
        line={"color": INK, "width": 3, "dash": "dash"},
        annotation={"text": "measured", "font": {"color": INK}},
        annotation_position="top left" if measured > reach / 2 else "top right",
    )
    figure.update_xaxes(range=[0, reach])
    figure.update_yaxes(range=[0, 106])
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


def _size(verdict: Verdict, statistic) -> np.ndarray:
    """How large an effect is, whichever way it points, counted the measured way: a doubling is as large as a halving.

    So where the measured change is a fall by 9.5 %, its line stands at 9.5 %, not at the rise that would undo it.
    """
    way = -1.0 if verdict.shuffled.measured < 0 else 1.0
    return np.abs(effect_of(verdict, way * np.abs(np.asarray(statistic, dtype=float))))


def reached(sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sizes in rising order, and for each the share of all that are at least as large, in per cent.

    >>> reached(np.array([3.0, 1.0, 2.0, 2.0]))
    (array([1., 2., 2., 3.]), array([100.,  75.,  75.,  25.]))
    """
    ordered = np.sort(np.asarray(sizes, dtype=float))
    at_least = len(ordered) - np.searchsorted(ordered, ordered, side="left")
    return ordered, 100.0 * at_least / max(len(ordered), 1)


def is_far(verdict: Verdict, worlds: Sequence[float]) -> np.ndarray:
    """Which worlds show at least as much as the measured one, on either side."""
    measured = abs(verdict.shuffled.measured)
    return np.abs(np.asarray(worlds, dtype=float)) >= measured * (1 - 1e-9)


def describe_worlds(verdict: Verdict, worlds: Sequence[float]) -> str:
    """What the pile shows, in a sentence or two."""
    measured = float(effect_of(verdict, verdict.shuffled.measured))
    unit = (
        ""
        if verdict.claim.is_relation
        else ("%" if verdict.claim.scale == "relative" else unit_of(verdict.claim.quantity))
    )
    start = f"The measured difference is {measured:+.3g} {unit}".rstrip() + "."
    if verdict.claim.is_relation:
        start = f"The measured rank correlation is {measured:+.2f}."
    if not len(worlds):
        return f"{start} No world has been shuffled yet."
    far = int(is_far(verdict, worlds).sum())
    total = f"Of {len(worlds):,} shuffled worlds, {far:,} show at least as much on one side or the other."
    return f"{start.replace('-', '−')} {total}"


def worlds_table(verdict: Verdict, worlds: Sequence[float]) -> pd.DataFrame:
    """The curve as numbers: for ten sizes of effect, how many worlds reach it and which share that is."""
    sizes = _size(verdict, worlds)
    if not len(sizes):
        return pd.DataFrame({"at least": [], "worlds": [], "share": []})
    at = np.linspace(0.0, max(float(sizes.max()), 1e-12), 10)
    counts = [int((sizes >= size).sum()) for size in at]
    return pd.DataFrame(
        {
            "at least": [f"{size:.3g}" for size in at],
            "worlds": counts,
            "share": [f"{100 * count / len(sizes):.3g} %" for count in counts],
        }
    )


def _condition(verdict: Verdict, i: int) -> str:
    row = verdict.table.iloc[i]
    return ", ".join(case_of(name, row[name]) for name in verdict.claim.within) or "all runs"


def _setting_name(claim, setting: int) -> str:
    return case_of(claim.by, claim.settings[setting])


# --- a recording: level with clicks and speed, spectrogram, levels at equal speed ------------------------------------


def level_figure(levels: pd.DataFrame, clicks: Clicks | None = None, speed: pd.DataFrame | None = None):
    """Level against time; clicks as ticks along the foot; speed on an axis of its own.

    Parameters
    ----------
    levels : from `kit.sound.level.level`.
    clicks : from `kit.sound.clicks.find_clicks`.
    speed : from `kit.sound.with_run.level_against_speed`, on the same clock as `levels`.
    """
    unit = "dB" if levels.attrs.get("reference") == "20 µPa" else "dB re full scale"
    weighting = f"{levels.attrs.get('weighting', 'A')}, {levels.attrs.get('time_weighting', 'F')}"
    figure = new_figure("Time in the recording (s)", f"Sound level {weighting} ({unit})")
    shown = levels.iloc[_peaks_kept(levels["level_dB"].to_numpy())]
    finite = shown["level_dB"].replace(-np.inf, np.nan)
    figure.add_scatter(x=shown["time_s"], y=finite, mode="lines", name="level", line={"color": PALETTE[0], "width": 2})
    low, high = (float(finite.min()), float(finite.max())) if finite.notna().any() else (-100.0, 0.0)
    if clicks is not None and clicks.times_s.size:
        figure.add_scatter(
            x=clicks.times_s,
            y=np.full(clicks.times_s.size, low - 0.08 * (high - low + 1)),
            mode="markers",
            name="clicks",
            marker={"symbol": "line-ns", "size": 14, "color": PALETTE[1], "line": {"width": 2, "color": PALETTE[1]}},
            hovertemplate="click at %{x:.3f} s<extra></extra>",
        )
    if speed is not None:
        thin = speed.iloc[:: max(1, len(speed) // MOST_POINTS)]
        style = series(2)
        figure.add_scatter(
            x=thin["time_s"],
            y=thin["turns_per_s"],
            yaxis="y2",
            mode="lines",
            name="speed",
            line={"color": style["color"], "dash": style["dash"], "width": 2.5},
        )
        second = {
            "title": "Speed (turns a second)",
            "overlaying": "y",
            "side": "right",
            "tickmode": "auto",
            "range": [0, 1.05 * float(speed["turns_per_s"].max())],
            "showgrid": False,
            "color": style["color"],
        }
        figure.update_layout(yaxis2=second, margin={"r": 72})
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


def spectrogram_figure(times_s: np.ndarray, frequency_hz: np.ndarray, level_dB: np.ndarray):
    """Level against time and frequency, dark is loud. Arguments from `kit.sound.level.spectrogram`."""
    figure = new_figure("Time in the recording (s)", "Frequency (kHz)")
    step = max(1, frequency_hz.size // 256)
    rows = frequency_hz.size // step * step
    power = 10 ** (level_dB[:rows] / 10)
    coarse = 10 * np.log10(power.reshape(-1, step, power.shape[1]).mean(axis=1))
    middle = frequency_hz[:rows].reshape(-1, step).mean(axis=1)
    loudest, quietest = float(coarse.max()), float(np.quantile(coarse, 0.02))
    figure.add_heatmap(
        x=np.round(times_s, 3),
        y=np.round(middle / 1000, 3),
        z=np.round(coarse, 1),
        zmin=max(loudest - 80, quietest),
        zmax=loudest,
        colorscale=[[0, "#fcfcf9"], [0.35, "#b9cfe0"], [0.65, "#4b83b5"], [1, "#10233a"]],
        colorbar={"title": {"text": "dB"}, "thickness": 14},
        hovertemplate="%{x:.2f} s, %{y:.2f} kHz: %{z:.0f} dB<extra></extra>",
    )
    return figure


def equal_speed_figure(compared: pd.DataFrame, first: str, second: str):
    """Levels of two recordings at equal speed. `compared`: from `kit.sound.with_run.compare_at_equal_speed`."""
    unit = "dB" if compared.attrs.get("reference") == "20 µPa" else "dB re full scale"
    figure = new_figure("Speed (turns a second)", f"Sound level ({unit})")
    for i, (column, words) in enumerate((("first_dB", first), ("second_dB", second))):
        style = series(i)
        figure.add_scatter(
            x=compared["turns_per_s"],
            y=compared[column],
            mode="lines+markers",
            name=words,
            line={"color": style["color"], "dash": style["dash"]},
            marker={"symbol": style["symbol"], "size": 10},
        )
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


def clicks_figure(counted: pd.DataFrame):
    """Clicks in every turn against the speed. `counted`: from `kit.sound.with_run.clicks_per_turn`."""
    figure = new_figure("Speed (turns a second)", "Clicks in the turn")
    marker = {"color": PALETTE[0], "size": 9, "opacity": 0.6}
    figure.add_scatter(x=counted["turns_per_s"], y=counted["clicks"], mode="markers", marker=marker)
    most = int(counted["clicks"].max())
    figure.update_yaxes(range=[0, most + 1], dtick=1 if most < 10 else None)
    return figure


def describe_level(levels: pd.DataFrame, clicks: Clicks | None = None) -> str:
    """What there is to hear, in words."""
    finite = levels["level_dB"].replace(-np.inf, np.nan).dropna()
    if finite.empty:
        return "The recording is silent."
    third = max(1, len(finite) // 3)
    change = finite.iloc[-third:].mean() - finite.iloc[:third].mean()
    trend = "stays about as loud" if abs(change) < 1.5 else ("grows louder" if change > 0 else "grows quieter")
    words = (
        f"The level lies between {number(finite.min(), 3)} and {number(finite.max(), 3)} dB and "
        f"{trend} ({'+' if change > 0 else ''}{number(change, 2)} dB from the first to the last third)."
    )
    if clicks is not None:
        words += f" {count_of(clicks.times_s.size, 'click').capitalize()} found."
        gaps = np.diff(clicks.times_s)
        if gaps.size > 4:
            early, late = np.median(gaps[: gaps.size // 3 + 1]), np.median(gaps[-(gaps.size // 3 + 1) :])
            words += f" The gap between clicks goes from {number(early, 2)} to {number(late, 2)} s."
    return words


def level_numbers(levels: pd.DataFrame, clicks: Clicks | None = None, rows: int = 20) -> pd.DataFrame:
    """The level as a short table: about `rows` stretches of time, with the clicks in each."""
    edges = np.linspace(0, float(levels["time_s"].iloc[-1]), rows + 1)
    piece = np.clip(np.searchsorted(edges, levels["time_s"], side="left") - 1, 0, rows - 1)
    power = pd.Series(10 ** (levels["level_dB"].to_numpy() / 10)).groupby(piece).mean()
    filled = power.index.tolist()  # stretches in which there is a level
    table = pd.DataFrame(
        {
            "from (s)": [f"{edges[i]:.1f}" for i in filled],
            "to (s)": [f"{edges[i + 1]:.1f}" for i in filled],
            "level (dB)": [f"{10 * np.log10(v):.1f}" if v > 0 else "silent" for v in power],
        }
    )
    if clicks is not None:
        counts = np.histogram(clicks.times_s, edges)[0]
        table["clicks"] = [int(counts[i]) for i in filled]
    return table


def _peaks_kept(values: np.ndarray) -> np.ndarray:
    """Positions of at most MOST_POINTS values, the loudest of every stretch."""
    if values.size <= MOST_POINTS:
        return np.arange(values.size)
    edges = np.linspace(0, values.size, MOST_POINTS + 1).astype(int)
    return np.array([a + int(np.argmax(values[a:b])) for a, b in pairwise(edges)])


# --- a plan: how sure a parameter gets, against the minutes it takes --------------------------------------------------


def plan_figure(table: pd.DataFrame, pilot: Pilot):
    """Half the 95 % interval against minutes, for the best choice of conditions and for an even one.

    `table`: from `kit.stats.planning.width_against_minutes`. The band says how unsure the scatter itself is. Returns a
    plotly Figure.
    """
    parameter = table.attrs["parameter"]
    name = SYMBOL.get(parameter, parameter)
    figure = new_figure("Minutes from now", f"Half the 95 % interval of {name}")
    now = table.attrs["now"]
    minutes, widths = [0.0, *table["minutes"]], [now, *table["half_width"]]
    if table["low"].notna().all() and len(table):
        x = [*table["minutes"], *table["minutes"][::-1]]
        band = {
            "mode": "lines",
            "fill": "toself",
            "fillcolor": PALETTE[0],
            "opacity": 0.14,
            "line": {"width": 0},
            "hoverinfo": "skip",
        }
        figure.add_scatter(x=x, y=[*table["high"], *table["low"][::-1]], name="scatter itself unsure", **band)
    for i, (x, y, words) in enumerate(
        (
            (minutes, widths, "best conditions"),
            ([0.0, *table.attrs["even"]["minutes"]], [now, *table.attrs["even"]["half_width"]], "all conditions alike"),
        )
    ):
        style = series(i)
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines+markers",
            name=words,
            line={"color": style["color"], "dash": style["dash"]},
            marker={"symbol": style["symbol"], "size": 8},
            hovertemplate="%{x:.1f} min: ± %{y:.3g}<extra></extra>",
        )
    value = abs(pilot.parameters[parameter])
    figure.add_annotation(
        text=f"{name} is now about {number(pilot.parameters[parameter], 3)}",
        x=1,
        xref="paper",
        y=1,
        yref="paper",
        xanchor="right",
        yanchor="top",
        font={"color": MUTED},
    )
    figure.update_yaxes(rangemode="tozero")
    if now > 3 * value:  # a start that knows nothing would flatten the rest
        figure.update_yaxes(range=[0, 3 * value])
    figure.update_layout(legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


def describe_plan(table: pd.DataFrame, pilot: Pilot) -> str:
    """What the plan promises, in two sentences."""
    parameter = table.attrs["parameter"]
    name = SYMBOL.get(parameter, parameter)
    if table.empty:
        return "Not even one run fits into these minutes."
    last, even = table.iloc[-1], table.attrs["even"]
    words = (
        f"{len(table)} more {'run fits' if len(table) == 1 else 'runs fit'}. "
        f"You can then expect to know {name} to ± {number(last['half_width'], 2)}"
        f" (now ± {number(table.attrs['now'], 2)})."
    )
    if len(even) and even["half_width"].iloc[-1] > 1.05 * last["half_width"]:
        words += f" The same minutes spread alike over all conditions give ± {number(even['half_width'].iloc[-1], 2)}."
    return words
