"""The measurements of all groups as HTML: every group's means, how far the groups differ, the reference condition."""

from __future__ import annotations

from html import escape
from math import isfinite

import pandas as pd

from .class_charts import pooled_chart, reference_chart
from .class_html import fold, no_more, number_or_dash, paragraph, table_html
from .class_tables import pooled_data, pooled_means, reference_spread, reference_table
from .classroom import Overview
from .wording import percent, plus_minus, unit_of

__all__ = ["data_html"]

QUANTITIES = {"duration_s": "Coasting time (s)", "turns": "Number of turns"}
MOST_DRAWN = 60  # groups in the chart of the reference: more dots would touch


def data_html(overview: Overview) -> str:
    """Coasting time and turns: all groups' means, then the groups at the reference condition."""
    html = "".join(_quantity(overview, quantity, title) for quantity, title in QUANTITIES.items())
    return "<h3>The data of all groups together</h3>" + (
        html or paragraph("No hand-in holds results that can be used.")
    )


def _quantity(overview: Overview, quantity: str, title: str) -> str:
    means = pooled_means(overview, quantity)
    if means.empty:
        return ""
    pooled = pooled_data(overview, quantity)
    return (
        f"<h4>{title}</h4>"
        + pooled_chart(means, pooled, overview.x_label, title)
        + paragraph(_dots_in_words(means), "cv-quiet")
        + fold("The numbers", _pooled_table(overview, pooled))
        + _reference(overview, quantity)
    )


def _dots_in_words(means: pd.DataFrame) -> str:
    words = "Each dot is the mean of one group, the bar the median of the groups. The scale is logarithmic."
    if means["usual"].all():
        return words
    start, stop = means.loc[means["usual"], ["start_period_s", "stop_period_s"]].iloc[0]
    from_to = f"{start:g} s a turn to {f'{stop:g} s' if isfinite(stop) else 'the last pass'}"
    usual = from_to if isfinite(start) else "the lesson's own"
    return f"{words} Filled: the thresholds most groups used ({usual}). Hollow: other thresholds, so other values."


def _pooled_table(overview: Overview, pooled: pd.DataFrame) -> str:
    heads = (escape(overview.x_label), "groups", "runs", "median", "mean", "spread (SD)", "lowest", "highest")
    rows = [
        (
            f"{row.x:g}",
            *(f"<td>{n}</td>" for n in (row.groups, row.runs)),
            *(f"<td>{number_or_dash(v)}</td>" for v in (row.median, row.mean)),
            f"<td>{number_or_dash(row.sd, 2)}</td>",
            *(f"<td>{number_or_dash(v)}</td>" for v in (row.low, row.high)),
            "",
        )
        for row in pooled.itertuples()
    ]
    return table_html(heads, rows, "cv-numbers", "Of the groups' means; each group counts once")


def _reference(overview: Overview, quantity: str) -> str:
    table = reference_table(overview, quantity)
    if len(table) < 2:
        return ""
    heads = ("group", "runs", "mean ± standard uncertainty", "from the median", "start (s a turn)", "stop (s a turn)")
    shown, rest = no_more(list(table.itertuples()))
    rows = [
        (
            escape(row.group),
            f"<td>{row.n}</td>",
            f"<td>{plus_minus(row.mean, row.u, unit_of(quantity))}</td>",
            f"<td>{row.percent:+.1f} %</td>".replace("-", "−"),
            *(f"<td>{number_or_dash(v, 3)}</td>" for v in (row.start_period_s, row.stop_period_s)),
            "",
        )
        for row in shown
    ]
    condition = f"{escape(overview.lesson.x_label)} = {overview.lesson.reference:g}"
    return (
        f"<h4>The reference, which every group ran: {condition}</h4>"
        + (reference_chart(table) if len(table) <= MOST_DRAWN else "")
        + "".join(paragraph(sentence) for sentence in _spread_in_words(overview, quantity))
        + fold("The numbers", table_html(heads, rows, "cv-numbers") + rest)
    )


def _spread_in_words(overview: Overview, quantity: str) -> list[str]:
    whole, usual = (reference_spread(overview, quantity, usual_only=only) for only in (False, True))
    if whole is None:
        return []
    repeats = f" Repeats within a group scatter by {percent(whole.within)}." if isfinite(whole.within) else ""
    sentences = [f"Spread between all {whole.groups} groups: {percent(whole.between)}.{repeats}"]
    if usual and usual.groups < whole.groups:
        sentences.append(
            f"Among the {usual.groups} groups with the same thresholds it is {percent(usual.between)}: the part of the "
            "apparatus and the hands. The rest comes from where counting starts and stops."
        )
    return sentences
