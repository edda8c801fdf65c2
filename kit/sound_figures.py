"""Plots of a recording: level with clicks and speed, spectrogram, levels at equal speed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from .clicks import Clicks
from .figure_style import PALETTE, new_figure, series
from .wording import count_of, number

__all__ = [
    "clicks_figure",
    "describe_level",
    "equal_speed_figure",
    "level_figure",
    "level_numbers",
    "spectrogram_figure",
]

MOST_POINTS = 1_500  # more than a screen has columns


def level_figure(levels: pd.DataFrame, clicks: Clicks | None = None, speed: pd.DataFrame | None = None):
    """Level against time; clicks as ticks along the foot; speed on an axis of its own.

    Parameters
    ----------
    levels : from `kit.sound_level.level`.
    clicks : from `kit.clicks.find_clicks`.
    speed : from `kit.sound_turns.level_against_speed`, on the same clock as `levels`.
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
        second = {"title": "Speed (turns a second)", "overlaying": "y", "side": "right", "tickmode": "auto"}
        second |= {"range": [0, 1.05 * float(speed["turns_per_s"].max())], "showgrid": False, "color": style["color"]}
        figure.update_layout(yaxis2=second, margin={"r": 72})
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


def spectrogram_figure(times_s: np.ndarray, frequency_hz: np.ndarray, level_dB: np.ndarray):
    """Level against time and frequency, dark is loud. Arguments from `kit.sound_spectrum.spectrogram`."""
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
    """Levels of two recordings at equal speed. `compared`: from `kit.sound_turns.compare_at_equal_speed`."""
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
    """Clicks in every turn against the speed. `counted`: from `kit.sound_turns.clicks_per_turn`."""
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
    with np.errstate(divide="ignore"):
        mean = 10 * np.log10(power)
    table = pd.DataFrame(
        {
            "from (s)": [f"{edges[i]:.1f}" for i in mean.index],
            "to (s)": [f"{edges[i + 1]:.1f}" for i in mean.index],
            "level (dB)": [f"{v:.1f}" if np.isfinite(v) else "silent" for v in mean],
        }
    )
    if clicks is not None:
        counts = np.histogram(clicks.times_s, edges)[0]
        table["clicks"] = [int(counts[i]) for i in mean.index]
    return table


def _peaks_kept(values: np.ndarray) -> np.ndarray:
    """Positions of at most MOST_POINTS values, the loudest of every stretch."""
    if values.size <= MOST_POINTS:
        return np.arange(values.size)
    edges = np.linspace(0, values.size, MOST_POINTS + 1).astype(int)
    return np.array([a + int(np.argmax(values[a:b])) for a, b in pairwise(edges)])
