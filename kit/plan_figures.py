"""Plot of a plan: how sure a parameter gets, against the minutes it takes."""

from __future__ import annotations

import pandas as pd

from .figure_style import MUTED, PALETTE, new_figure, series
from .planning import Pilot
from .wording import number

__all__ = ["SYMBOL", "describe_plan", "plan_figure"]

SYMBOL = {"x0": "x₀"}


def plan_figure(table: pd.DataFrame, pilot: Pilot):
    """Half the 95 % interval against minutes, for the best choice of conditions and for an even one.

    `table`: from `kit.planning.width_against_minutes`. The band says how unsure the scatter itself is. Returns a
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
