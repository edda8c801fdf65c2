"""The parts of a class overview, one a step of the lesson: what each shows, in tables and sentences.

The widget at the projector and the printed page show the same parts. Here stands what they say; `sections.html.j2`
draws it and escapes every text, so that nothing a stranger wrote becomes markup. No part holds a script.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import pandas as pd

from ..lessons.lesson import STAGES
from ..plots.pages import templates
from ..record.entries import BANDS, MOMENTS, QUANTITIES, Moment
from ..wording import DASH, count_of, number, percent, plus_minus, unit_of
from .charts import confidence_chart, letter, moves_chart, pooled_chart, reference_chart
from .overview import Overview, Show
from .sketches import claims, first_passes, sketches, sketches_and_data
from .tables import (
    NO_BAND,
    OTHER,
    Moves,
    choices_by_confidence,
    class_gain,
    confidence_table,
    explanations,
    missing_stages,
    moves,
    pooled_data,
    pooled_means,
    reasons,
    reference_spread,
    reference_table,
)

__all__ = ["HERE", "SECTIONS", "STYLE", "Section", "handed_in_words", "macros"]

HERE = Path(__file__).parent  # where the templates are
STYLE = HERE / "sections.css"

MOST_SHOWN = 300  # rows or texts in one list: a page with more helps nobody, and the CSV files hold them all
MOST_DRAWN = 60  # groups in the chart of the reference: more dots would touch

LATER = (Moment.DISCUSSED, Moment.END)  # moments that are compared with the first

#: How a band's part of a bar is drawn.
PARTS = {band: f"cv-part cv-b{k}" for k, band in enumerate([*reversed(BANDS), NO_BAND])}


@dataclass(frozen=True)
class Section:
    """One step. `cover` says what it will show, and gives nothing away."""

    id: str
    title: str
    cover: str
    content: Callable[[Show], dict]  # what it shows, as plain values
    macro: str  # of sections.html.j2: how it is drawn
    per_question: bool = True
    can_mark: bool = False
    searchable: bool = False

    def html(self, show: Show, drawing: object = None) -> str:
        """The section alone, as HTML. `drawing`: `macros()`, kept by whoever asks more than once."""
        return str(getattr(drawing or macros(), self.macro)(self.content(show)))


def macros() -> Any:
    """What draws the sections. Reading it takes longer than all that is drawn with it."""
    return templates(HERE).get_template("sections.html.j2").module


@dataclass(frozen=True)
class Table:
    """A table to be drawn. The first cell of a row is its head; whole numbers are counts, everything else is text."""

    heads: Sequence[str]
    rows: Sequence[Sequence[int | str]]
    caption: str = ""
    style: str = ""
    words_last: bool = False
    left_out: int = 0  # rows beyond MOST_SHOWN


# --- answers -----------------------------------------------------------------------------------------------------


def _answers(show: Show, moment: str) -> dict:
    """Choices × confidence at one moment; no choices if nobody answered."""
    counts = choices_by_confidence(show.overview, show.question, moment)
    bands = [column for column in counts.columns if column != "all"]
    texts, supported = _texts(show), show.overview.supported.get(show.question) if show.marked else None
    choices = [
        {
            "letter": letter(place),
            "text": texts[choice],
            "supported": choice == supported,
            "counts": [row[band] for band in bands],
            "all": row["all"],
        }
        for place, (choice, row) in enumerate(counts.to_dict("index").items())
    ]
    total = sum(choice["all"] for choice in choices)
    return {
        "question": _asked(show),
        "moment": MOMENTS[moment],
        "bands": [{"words": BANDS.get(band, band), "style": PARTS[band]} for band in bands],
        "choices": choices if total else [],
        "longest": max((choice["all"] for choice in choices), default=0),
        "answered": f"{count_of(total, 'group')} answered.",
    }


def _moved(show: Show) -> dict:
    texts = _texts(show)
    found = {after: moves(show.overview, show.question, Moment.FIRST, after) for after in LATER}
    return {
        "question": _asked(show),
        "steps": [
            {
                "title": f"From the first answer to the answer {MOMENTS[after]}",
                "chart": moves_chart(moved.counts, [texts[choice] for choice in moved.counts.index]),
                "sentence": _moved_words(moved, show.marked),
                "letters": [letter(place) for place in range(len(moved.counts))],
                "counts": moved.counts.to_numpy().tolist(),
                "totals": [*moved.counts.sum().tolist(), moved.answered],
                "tests": _test_sentences(moved, show.marked),
            }
            for after, moved in found.items()
            if moved.answered
        ],
    }


def _moved_words(moved: Moves, marked: bool) -> str:
    changed, test = moved.answered - moved.stayed, moved.to_supported
    words = f"{moved.stayed} of {moved.answered} groups kept the answer, {changed} changed it."
    if marked and test is not None and changed:
        words += f" {test.gained} moved to what the data support, {test.lost} away from it."
    return words


def _test_sentences(moved: Moves, marked: bool) -> list[str]:
    lines = [f"Only before: {moved.only_before}. Only after: {moved.only_after}. Neither is counted here."]
    test = moved.to_supported
    if marked and test is not None and isfinite(test.z):
        z, chi2, corrected = (number(v) for v in (test.z, test.chi2, test.chi2_corrected))
        lines += [moved.sentence, f"McNemar: z = {z}, z² = {chi2}, with continuity correction {corrected}."]
    any_way = moved.any_direction
    if any_way.dof:
        lines.append(
            f"Stuart–Maxwell, all choices: {number(any_way.chi2)} with {any_way.dof} degrees of freedom; "
            f"p = {number(any_way.p, 2)} from the distribution, {number(any_way.p_flips, 2)} from random flips, which "
            "hold for few groups too."
        )
    return [*lines, "Groups that talked with each other are not independent: take these numbers as a guide."]


def _confidence(show: Show) -> dict:
    tables = {moment: confidence_table(show.overview, moment) for moment in MOMENTS}
    return {
        "has_key": bool(show.overview.supported),
        "moments": [
            {
                "title": MOMENTS[moment].capitalize(),
                "chart": confidence_chart(table, [BANDS[band] for band in table["confidence"]]),
                "numbers": _confidence_numbers(table),
                "sentence": _confidence_words(table),
            }
            for moment, table in tables.items()
            if table["n"].any()
        ],
        "gains": [class_gain(show.overview, Moment.FIRST, after).sentence for after in LATER],
    }


def _confidence_words(table: pd.DataFrame) -> str:
    questions = table.attrs["questions"]
    few = " (too few to judge how good confidence is)" if questions < 2 else ""
    return (
        f"{count_of(int(table['n'].sum()), 'answer')} to {count_of(questions, 'question')}{few}. Grey: what the words "
        f"claim. Line: 95 % interval (Wilson). Brier score {number(table.attrs['brier'], 2)}: 0 is perfect, 0.25 "
        "always says one half."
    )


def _confidence_numbers(table: pd.DataFrame) -> Table:
    """What the chart shows, as a table."""
    rows = [
        [
            BANDS[band["confidence"]],
            band["n"],
            band["supported"],
            *(_share(band[end]) for end in ("share", "low", "high")),
        ]
        for band in table.to_dict("records")
    ]
    return Table(["", "answers", "data support", "share", "95 %: from", "to"], rows)


def _share(value: float) -> str:
    return f"{100 * value:.0f} %" if isfinite(value) else DASH


# --- texts -------------------------------------------------------------------------------------------------------


def _reasons(show: Show) -> dict:
    found = reasons(show.overview, show.question, show.moment, show.search)
    choices = []
    for place, (choice, text) in enumerate(_texts(show).items()):
        given = found[found["choice"] == choice]
        if given.empty:
            continue
        shown, left_out = _first_ones(given.to_dict("records"))
        written = [
            {
                "reason": one["reason"].strip(),
                "who": " · ".join([one["group"], *([BANDS[one["confidence"]]] if one["confidence"] else [])]),
            }
            for one in shown
        ]
        choices.append(
            {"letter": letter(place), "text": text, "n": len(given), "reasons": written, "left_out": left_out}
        )
    return {
        "question": _asked(show),
        "moment": MOMENTS[show.moment].capitalize(),
        "found": _found(len(found), "reason", show.search),
        "choices": choices,
    }


def _explanations(show: Show) -> dict:
    found = explanations(show.overview, show.search)
    shown, left_out = _first_ones(found.to_dict("records"))
    names = {"claim": "claim", "evidence": "evidence", "reasoning": "reasoning", "rebuttal": "against it"}
    return {
        "found": _found(len(found), "explanation", show.search) + ".",
        "explanations": [
            {
                "parts": [(name, one[part]) for part, name in names.items() if one[part].strip()],
                "group": one["group"],
            }
            for one in shown
        ],
        "left_out": left_out,
    }


def _found(n: int, what: str, search: str) -> str:
    return count_of(n, what) + (f" with “{search.strip()}”" if search.strip() else "")


# --- measurements ------------------------------------------------------------------------------------------------


def _data(show: Show) -> dict:
    """Coasting time and turns: all groups' means, then the groups at the reference condition."""
    overview, parts = show.overview, []
    for quantity, words in QUANTITIES.items():
        title = words.title
        means = pooled_means(overview, quantity)
        if means.empty:
            continue
        pooled = pooled_data(overview, quantity)
        parts.append(
            {
                "title": title,
                "chart": pooled_chart(means, pooled, overview.x_label, title),
                "sentence": _dots_in_words(means),
                "numbers": _pooled_numbers(overview, pooled),
                "reference": _reference(overview, quantity),
            }
        )
    return {"quantities": parts}


def _dots_in_words(means: pd.DataFrame) -> str:
    words = "Each dot is the mean of one group, the bar the median of the groups. The scale is logarithmic."
    if means["usual"].all():
        return words
    start, stop = means.loc[means["usual"], ["start_period_s", "stop_period_s"]].iloc[0]
    from_to = f"{start:g} s a turn to {f'{stop:g} s' if isfinite(stop) else 'the last pass'}"
    usual = from_to if isfinite(start) else "the lesson's own"
    return f"{words} Filled: the thresholds most groups used ({usual}). Hollow: other thresholds, so other values."


def _pooled_numbers(overview: Overview, pooled: pd.DataFrame) -> Table:
    rows = [
        [
            f"{row['x']:g}",
            row["groups"],
            row["runs"],
            *(number(row[name]) for name in ("median", "mean")),
            number(row["sd"], 2),
            *(number(row[name]) for name in ("low", "high")),
        ]
        for row in pooled.to_dict("records")
    ]
    heads = [overview.x_label, "groups", "runs", "median", "mean", "spread (SD)", "lowest", "highest"]
    return Table(heads, rows, "Of the groups' means; each group counts once", "cv-numbers")


def _reference(overview: Overview, quantity: str) -> dict | None:
    """How the groups differ at the condition that all ran; None where fewer than two did."""
    table = reference_table(overview, quantity)
    if overview.lesson is None or len(table) < 2:
        return None
    shown, left_out = _first_ones(table.to_dict("records"))
    rows = [
        [
            row["group"],
            row["n"],
            plus_minus(row["mean"], row["u"], unit_of(quantity)),
            f"{row['percent']:+.1f} %".replace("-", "−"),
            *(number(row[name], 3) for name in ("start_period_s", "stop_period_s")),
        ]
        for row in shown
    ]
    heads = ["group", "runs", "mean ± standard uncertainty", "from the median", "start (s a turn)", "stop (s a turn)"]
    return {
        "condition": f"{overview.lesson.x_label} = {overview.lesson.reference:g}",
        "chart": reference_chart(table) if len(table) <= MOST_DRAWN else "",
        "sentences": _spread_sentences(overview, quantity),
        "numbers": Table(heads, rows, style="cv-numbers", left_out=left_out),
    }


def _spread_sentences(overview: Overview, quantity: str) -> list[str]:
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


# --- hand-ins ------------------------------------------------------------------------------------------------------


def handed_in_words(overview: Overview) -> str:
    """How many hand-ins were read, how many lack something, how many files do not count."""
    lacking = int((missing_stages(overview)["missing"] != "").sum())
    words = f"{count_of(len(overview.groups), 'hand-in')} read. "
    words += f"Something is missing in {lacking}. " if lacking else "Nothing is missing. "
    return words + (f"{count_of(len(overview.refused), 'file')} could not be counted." if overview.refused else "")


def _handed_in(show: Show) -> dict:
    overview = show.overview
    shown, left_out = _first_ones(missing_stages(overview).to_dict("records"))
    groups = Table(
        ["group", *STAGES, "missing"],
        [list(row.values()) for row in shown],
        "Saved entries at each stage",
        "cv-numbers cv-words-last",
        words_last=True,
        left_out=left_out,
    )
    warnings = overview.warnings[["group", "warning"]].to_numpy().tolist()
    return {
        "sentence": handed_in_words(overview),
        "groups": groups,
        "refused": _pairs("file", "why", [[refused.file, refused.why] for refused in overview.refused]),
        "warnings": _pairs("group", "what was found", warnings),
    }


def _pairs(first: str, second: str, items: list[list[str]]) -> Table:
    shown, left_out = _first_ones(items)
    return Table([first, second], shown, style="cv-words-last", words_last=True, left_out=left_out)


# --- small parts ---------------------------------------------------------------------------------------------------


def _first_ones(items: list[Any]) -> tuple[list[Any], int]:
    """The first `MOST_SHOWN` items, and how many are left out."""
    return items[:MOST_SHOWN], max(len(items) - MOST_SHOWN, 0)


def _texts(show: Show) -> dict[Any, str]:
    """The question's choices in words by their ids, and OTHER at the end."""
    return {choice.id: choice.text for choice in show.overview.ask(show.question).choices} | {OTHER: OTHER}


def _asked(show: Show) -> str:
    return show.overview.ask(show.question).text


SECTIONS = (
    Section(
        "handed-in",
        "Who handed in",
        "The groups' codes, the stages that are missing, and files that could not be read.",
        _handed_in,
        "handed_in",
        per_question=False,
    ),
    Section(
        "first",
        "First answers",
        "The first, sealed answers and how sure the groups were. Wait until all have talked and answered again.",
        lambda show: _answers(show, Moment.FIRST),
        "answers",
        can_mark=True,
    ),
    Section(
        "discussed",
        "After discussion",
        "The answers after the groups talked with each other.",
        lambda show: _answers(show, Moment.DISCUSSED),
        "answers",
        can_mark=True,
    ),
    Section(
        "end",
        "At the end",
        "The answers after the groups had seen their data.",
        lambda show: _answers(show, Moment.END),
        "answers",
        can_mark=True,
    ),
    Section(
        "moved", "Who moved", "Who changed the answer, from which choice to which.", _moved, "moved", can_mark=True
    ),
    Section(
        "reasons",
        "Reasons",
        "The groups' reasons in their own words, under the choices they belong to.",
        _reasons,
        "reasons",
        searchable=True,
    ),
    Section(
        "confidence",
        "Confidence",
        "How often the data agreed with the very sure, fairly sure and not sure. It shows what the data support.",
        _confidence,
        "confidence",
        per_question=False,
    ),
    Section(
        "sketches",
        "Sketches",
        "What the groups expected before any data, all sketches over each other.",
        sketches,
        "sketched",
        per_question=False,
    ),
    Section(
        "sketches-data",
        "Data over the sketches",
        "The same sketches, and what the class measured over them. Wait until all have measured.",
        sketches_and_data,
        "sketched",
        per_question=False,
    ),
    Section(
        "first-passes",
        "First passes by eye",
        "From which pass of one log each member would count. Wait until all have clicked.",
        first_passes,
        "clicked",
        per_question=False,
    ),
    Section(
        "data",
        "Class data",
        "The measurements of all groups, how far the groups differ, and the reference condition.",
        _data,
        "data",
        per_question=False,
    ),
    Section(
        "explanations",
        "Explanations",
        "Claim, evidence and reasoning of every group, in their own words.",
        _explanations,
        "explanations",
        per_question=False,
        searchable=True,
    ),
    Section(
        "claims",
        "Claims",
        "What the groups say to the lesson's claims, and to claims of their own.",
        claims,
        "claimed",
        per_question=False,
        searchable=True,
    ),
)
