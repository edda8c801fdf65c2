"""Plots of a claim: the measured world or a shuffled one, and the shuffled worlds building up beside the measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from .claims import Verdict
from .figure_style import INK, MUTED, PALETTE, PAPER, new_figure, series
from .wording import axis_title, case_of, name_of, unit_of

__all__ = ["describe_worlds", "effect_of", "effect_title", "world_figure", "worlds_figure", "worlds_table"]

BARS = 41  # an odd number, so that one bar stands on zero


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

    `scores`: labels of a shuffled world, as `kit.shuffling.deal` makes them; None for the measured one. Values are
    shown as they differ from the mean of their condition: per cent on the relative scale. Returns a plotly Figure.
    """
    claim, shuffled = verdict.claim, scores is not None
    relative = claim.scale == "relative"
    unit = "%" if relative else unit_of(claim.quantity)
    title = "A shuffled world" if shuffled else "The measured world"
    away = "Away from the mean" + (f" ({unit})" if unit else "")
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
    """How the shuffled worlds seen so far pile up, with the measured one as a line among them.

    `worlds`: statistics of the worlds drawn so far. Bars at least as far out as the measured one differ in colour and
    carry a pattern. Returns a plotly Figure.
    """
    shown = effect_of(verdict, worlds)
    measured = float(effect_of(verdict, verdict.shuffled.measured))
    everything = np.abs(effect_of(verdict, verdict.shuffled.worlds))
    reach = 1.08 * max(float(everything.max(initial=0.0)), abs(measured), 1e-12)
    edges = np.linspace(-reach, reach, BARS + 1)
    far = is_far(verdict, worlds)
    figure = new_figure(effect_title(verdict), "Worlds seen so far", barmode="stack", bargap=0.08)
    middles = (edges[1:] + edges[:-1]) / 2
    for rows, words, color, pattern in (
        (~far, "less than measured", PALETTE[7], ""),
        (far, "at least as much", PALETTE[1], "/"),
    ):
        marker = {"color": color, "pattern": {"shape": pattern, "fillmode": "overlay", "fgcolor": PAPER}}
        counts = np.histogram(shown[rows], edges)[0] if len(shown) else np.zeros(BARS)
        figure.add_bar(x=middles, y=counts, width=np.diff(edges), name=words, marker=marker)
    figure.add_vline(
        x=measured,
        line={"color": INK, "width": 3, "dash": "dash"},
        annotation={"text": "measured", "font": {"color": INK}},
        annotation_position="top right" if measured < 0 else "top left",
    )
    figure.update_xaxes(range=[-reach, reach])
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(showlegend=True, legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0})
    return figure


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
    """The pile as numbers: from, to, how many worlds; empty bars left out."""
    shown = effect_of(verdict, worlds)
    if not len(shown):
        return pd.DataFrame({"from": [], "to": [], "worlds": []})
    reach = 1.08 * max(np.abs(shown).max(), 1e-12)
    counts, edges = np.histogram(shown, np.linspace(-reach, reach, 12))
    table = pd.DataFrame({"from": edges[:-1], "to": edges[1:], "worlds": counts})
    table = table[table["worlds"] > 0]
    return table.assign(**{c: table[c].map("{:.3g}".format) for c in ("from", "to")})


def _condition(verdict: Verdict, i: int) -> str:
    row = verdict.table.iloc[i]
    return ", ".join(case_of(name, row[name]) for name in verdict.claim.within) or "all runs"


def _setting_name(claim, setting: int) -> str:
    return case_of(claim.by, claim.settings[setting])
