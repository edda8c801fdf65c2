"""Parts of a class overview that came with the class desk: sketches, first passes by eye, claims."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pandas as pd

from ..record.entries import QUANTITIES
from ..wording import count_of
from . import tables
from .charts import sketch_chart
from .overview import Show

__all__ = ["claims", "first_passes", "sketches", "sketches_and_data"]

_NOTHING = pd.DataFrame(columns=["x", "runs", "median", "low", "high"], dtype=float)
FAR = 4.0  # a sketch that goes this many times above the usual height does not press the others flat
MOST = 100  # texts to one claim


def sketches(show: Show) -> dict:
    """What the groups expected, before any data."""
    return _sketched(show, with_data=False)


def sketches_and_data(show: Show) -> dict:
    """What the groups expected, and what they measured."""
    return _sketched(show, with_data=True)


def _sketched(show: Show, with_data: bool) -> dict:
    parts = []
    for quantity, words in QUANTITIES.items():
        drawn = tables.sketches(show.overview, quantity)
        if drawn.empty:
            continue
        measured = _measured(show, quantity) if with_data else _NOTHING
        top = _top(drawn, measured)
        groups, cut = drawn["group"].nunique(), int(drawn.loc[drawn["value"] > top, "group"].nunique())
        sentence = f"Thin lines: {count_of(groups, 'sketch', 'sketches')}. Dashed: their middle (median)."
        if cut:
            sentence += f" {count_of(cut, 'sketch', 'sketches').capitalize()} went on above the top."
        if len(measured):
            runs = count_of(int(measured["runs"].sum()), "run")
            sentence += (
                f" Squares: what the class measured ({runs}), the median of the groups with the usual thresholds; "
                "lines from the lowest group to the highest."
            )
        elif with_data:
            sentence += " Nobody has handed in results yet."
        chart = sketch_chart(drawn, top, measured, show.overview.x_label, words.title)
        parts.append({"title": words.title, "chart": chart, "sentence": sentence})
    return {"with_data": with_data, "quantities": parts}


def _measured(show: Show, quantity: str) -> pd.DataFrame:
    """x, runs, median, low, high of the groups' means, as far as they used the thresholds that most groups used."""
    means = tables.pooled_means(show.overview, quantity)
    by_x = means[means["usual"].astype(bool)].groupby("x", sort=True)
    table = by_x["mean"].agg(median="median", low="min", high="max")
    table.insert(0, "runs", by_x["n"].sum())
    return table.reset_index()


def _top(drawn: pd.DataFrame, measured: pd.DataFrame) -> float:
    """Top of the scale: the highest sketch and value, but for sketches far above all others."""
    highest = drawn.groupby("group")["value"].max()
    usual = max(float(highest.median()), float(measured["high"].max()) if len(measured) else 0.0)
    kept = highest[highest <= FAR * usual]
    return max(float(kept.max()) if len(kept) else 0.0, usual, 1e-9) * 1.05


def first_passes(show: Show) -> dict:
    """From which pass of one log the members of all groups would count, for each run that was looked at."""
    chosen: dict[tuple[str, float], Counter[int]] = {}
    groups: Counter[tuple[str, float]] = Counter()
    for group in show.overview.groups:
        for run in {(source, period_s) for source, period_s, _ in group.first_passes}:
            groups[run] += 1
        for source, period_s, passed in group.first_passes:
            chosen.setdefault((source, period_s), Counter())[passed] += 1
    return {
        "runs": [
            {
                "title": f"{source}: counting starts when one turn takes {period_s:g} s",
                "sentence": _apart(counts, groups[source, period_s]),
                "clicks": [(f"pass {passed}", counts[passed]) for passed in sorted(counts)][:MOST],
                "most": max(counts.values()),
            }
            for (source, period_s), counts in sorted(chosen.items())
        ]
    }


def _apart(counts: Counter[int], groups: int) -> str:
    words = f"{count_of(counts.total(), 'click')} of {count_of(groups, 'group')}: "
    if len(counts) == 1:
        return f"{words}all on pass {next(iter(counts))}."
    return f"{words}from pass {min(counts)} to pass {max(counts)}. A pass more or less is a turn more or less."


def claims(show: Show) -> dict:
    """What the groups say to each claim, in the lesson's order, their own claims last."""
    found = tables.claims(show.overview, show.search)
    lesson = show.overview.lesson
    words = {claim.id: claim.question for claim in lesson.claims} if lesson else {}
    order = [*words, *sorted(set(found["id"]) - set(words))]
    return {
        "claims": [
            _one_claim(words.get(name, name), found[found["id"] == name]) for name in order if name in set(found["id"])
        ]
    }


def _one_claim(name: str, said: pd.DataFrame) -> dict[str, Any]:
    names = {"claim": "claim", "evidence": "evidence", "reasoning": "reasoning", "rebuttal": "against it"}
    rows = said.to_dict("records")
    return {
        "title": "A claim of the group’s own" if name == "own" else name,
        "said": [
            {"parts": [(word, row[part]) for part, word in names.items() if row[part].strip()], "group": row["group"]}
            for row in rows[:MOST]
        ],
        "left_out": max(len(rows) - MOST, 0),
    }
