"""The parts of a class overview, one a step of the lesson: what each shows, and its HTML.

The widget at the projector and the printed page show the same parts. Nothing that a stranger wrote gets out of here
unescaped, and no part holds a script.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from math import isfinite
from pathlib import Path

import pandas as pd

from ..lessons.lesson import STAGES
from ..record.entries import BANDS, MOMENTS, QUANTITIES, Moment
from ..wording import DASH, count_of, number, percent, plus_minus, unit_of
from .charts import confidence_chart, letter, moves_chart, pooled_chart, reference_chart
from .overview import Overview
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

__all__ = [
    "SECTIONS",
    "STYLE",
    "Section",
    "Show",
    "count_cell",
    "data_html",
    "fold",
    "handed_in_words",
    "no_more",
    "number_or_dash",
    "paragraph",
    "table_html",
]

STYLE = Path(__file__).with_name("sections.css")

MOST_SHOWN = 300  # rows or texts in one list: a page with more helps nobody, and the CSV files hold them all


def paragraph(html: str, style: str = "") -> str:
    """A paragraph."""
    return f'<p class="{style}">{html}</p>'


def fold(summary: str, html: str, style: str = "") -> str:
    """Something to unfold."""
    return f'<details class="{style}"><summary>{summary}</summary>{html}</details>'


def count_cell(n: int, style: str = "") -> str:
    """A table's cell with a count; zeros stand back."""
    return f'<td class="{style or ("" if n else "cv-zero")}">{n}</td>'


def table_html(heads: Sequence[str], rows: Sequence[Sequence[str]], style: str = "", caption: str = "") -> str:
    """A table with header cells. Each row: what its header cell holds, its other cells whole, and its own style."""
    top = "".join(f'<th scope="col">{head}</th>' if head else "<td></td>" for head in heads)
    body = "".join(
        f'<tr class="{row_style}"><th scope="row">{first}</th>{"".join(cells)}</tr>'
        for first, *cells, row_style in rows
    )
    title = f"<caption>{caption}</caption>" if caption else ""
    table = f'<table class="{style}">{title}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
    return f'<div class="cv-scroll" tabindex="0">{table}</div>'


def no_more(items: list) -> tuple[list, str]:
    """The first `MOST_SHOWN` items, and a sentence about the others if there are any."""
    rest = len(items) - MOST_SHOWN
    if rest <= 0:
        return items, ""
    return items[:MOST_SHOWN], paragraph(f"… and {rest} more; the CSV files hold them all.", "cv-quiet")


def number_or_dash(value: float, digits: int = 4) -> str:
    """A number in words' way, or a dash where there is none."""
    return number(value, digits) if isfinite(value) else DASH


# --- The measurements of all groups as HTML: every group's means, how far the groups differ, the reference condition.


MOST_DRAWN = 60  # groups in the chart of the reference: more dots would touch


def data_html(overview: Overview) -> str:
    """Coasting time and turns: all groups' means, then the groups at the reference condition."""
    html = "".join(_quantity(overview, name, quantity.title) for name, quantity in QUANTITIES.items())
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


# --- The parts of a class overview, one a step of the lesson: what each shows, and its HTML.

#: How a band's part of a bar is drawn.
PARTS = {band: f"cv-part cv-b{k}" for k, band in enumerate([*reversed(BANDS), NO_BAND])}


@dataclass(frozen=True)
class Show:
    """What is asked of a section: the class, and how to look at it."""

    overview: Overview
    question: str = ""  # id; for sections about one question
    marked: bool = False  # whether to mark what the data support
    moment: str = Moment.FIRST  # of the reasons
    search: str = ""  # words in reasons and explanations


@dataclass(frozen=True)
class Section:
    """One step. `cover` says what it will show, and gives nothing away."""

    id: str
    title: str
    cover: str
    html: Callable[[Show], str]
    per_question: bool = True
    can_mark: bool = False
    searchable: bool = False


# --- answers -----------------------------------------------------------------------------------------------------


def _answers(show: Show, moment: str) -> str:
    """Choices × confidence at one moment, as a table with bars."""
    counts = choices_by_confidence(show.overview, show.question, moment)
    if not counts["all"].sum():
        return _question(show) + paragraph(f"There is no answer of this kind yet ({MOMENTS[moment]}).")
    bands = [column for column in counts.columns if column != "all"]
    swatches = [f'<span class="{PARTS[band]} cv-swatch"></span><br>{escape(BANDS.get(band, band))}' for band in bands]
    longest, texts = int(counts["all"].max()), _texts(show)
    rows = []
    for place, (choice, row) in enumerate(counts.iterrows()):
        supported = show.marked and show.overview.supported.get(show.question) == choice
        mark = '<span class="cv-mark">✓ what the data support</span>' if supported else ""
        parts = "".join(
            f'<span class="{PARTS[band]}" style="width:{100 * row[band] / longest:.2f}%"></span>'
            for band in bands
            if row[band]
        )
        rows.append(
            (
                f'{_letter(place)}<span class="cv-words">{escape(texts[choice])}{mark}</span>',
                f'<td class="cv-barcell" aria-hidden="true"><span class="cv-bar">{parts}</span></td>',
                *(count_cell(row[band]) for band in bands),
                count_cell(row["all"], "cv-total"),
                "cv-supported" if supported else "",
            )
        )
    return (
        _question(show)
        + table_html(["Answer", "", *swatches, "all"], rows, "cv-choices")
        + paragraph(f"{count_of(int(counts['all'].sum()), 'group')} answered.", "cv-quiet")
    )


def _moved(show: Show) -> str:
    html, texts = "", _texts(show)
    for after in (Moment.DISCUSSED, Moment.END):
        found = moves(show.overview, show.question, Moment.FIRST, after)
        if not found.answered:
            continue
        changed = found.answered - found.stayed
        words = f"{found.stayed} of {found.answered} groups kept the answer, {changed} changed it."
        if show.marked and found.to_supported is not None and changed:
            test = found.to_supported
            words += f" {test.gained} moved to what the data support, {test.lost} away from it."
        html += f"<h4>From the first answer to the answer {MOMENTS[after]}</h4>"
        html += moves_chart(found.counts, [texts[choice] for choice in found.counts.index]) + paragraph(words)
        html += fold("The numbers, and the tests", _moves_table(found.counts) + _tests(found, show.marked))
    return _question(show) + (html or paragraph("No group answered this more than once."))


def _moves_table(counts: pd.DataFrame) -> str:
    letters = [letter(i) for i in range(len(counts))]
    table = counts.to_numpy()
    rows = [
        (
            f"from {letters[i]}",
            *(count_cell(n, "cv-same" if i == j else "") for j, n in enumerate(row)),
            count_cell(row.sum(), "cv-total"),
            "",
        )
        for i, row in enumerate(table)
    ]
    rows.append(("all", *(count_cell(n, "cv-total") for n in [*table.sum(axis=0), table.sum()]), ""))
    return table_html(["to", *letters, "all"], rows)


def _tests(found: Moves, marked: bool) -> str:
    lines = [f"Only before: {found.only_before}. Only after: {found.only_after}. Neither is counted here."]
    if marked and found.to_supported is not None and isfinite(found.to_supported.z):
        z, chi2, corrected = (
            number_or_dash(v)
            for v in (found.to_supported.z, found.to_supported.chi2, found.to_supported.chi2_corrected)
        )
        lines += [found.sentence, f"McNemar: z = {z}, z² = {chi2}, with continuity correction {corrected}."]
    test = found.any_direction
    if test.dof:
        p, p_flips = number_or_dash(test.p, 2), number_or_dash(test.p_flips, 2)
        lines.append(
            f"Stuart–Maxwell, all choices: {number_or_dash(test.chi2)} with {test.dof} degrees of freedom; p = {p} "
            f"from the distribution, {p_flips} from random flips, which hold for few groups too."
        )
    lines.append("Groups that talked with each other are not independent: take these numbers as a guide.")
    return "".join(paragraph(line, "cv-quiet") for line in lines)


def _confidence_numbers(table: pd.DataFrame) -> str:
    """What the chart shows, as a table."""
    rows = []
    for band in table.itertuples(index=False):
        shares = [f"{100 * v:.0f} %" if isfinite(v) else number_or_dash(v) for v in (band.share, band.low, band.high)]
        counts = [count_cell(int(band.n)), count_cell(int(band.supported))]
        rows.append([escape(BANDS[band.confidence]), *counts, *(f"<td>{share}</td>" for share in shares), ""])
    return table_html(["", "answers", "data support", "share", "95 %: from", "to"], rows)


def _confidence(show: Show) -> str:
    html = "<h3>How sure, and how often did the data agree?</h3>"
    if not show.overview.supported:
        return html + paragraph("This needs the lesson's teacher_key.toml, which says what the data support.")
    for moment, words in MOMENTS.items():
        table = confidence_table(show.overview, moment)
        n, questions = int(table["n"].sum()), table.attrs["questions"]
        if not n:
            continue
        html += f"<h4>{words.capitalize()}</h4>{confidence_chart(table, [BANDS[b] for b in table['confidence']])}"
        html += fold("The numbers of this chart", _confidence_numbers(table))
        few = " (too few to judge how good confidence is)" if questions < 2 else ""
        html += paragraph(
            f"{count_of(n, 'answer')} to {count_of(questions, 'question')}{few}. Grey: what the words claim. Line: "
            f"95 % interval (Wilson). Brier score {number_or_dash(table.attrs['brier'], 2)}: 0 is perfect, 0.25 always "
            "says one half.",
            "cv-quiet",
        )
    html += "".join(
        paragraph(class_gain(show.overview, Moment.FIRST, after).sentence) for after in (Moment.DISCUSSED, Moment.END)
    )
    return html + paragraph("These numbers describe the class. They say nothing about a single group.", "cv-quiet")


# --- texts -------------------------------------------------------------------------------------------------------


def _reasons(show: Show) -> str:
    found = reasons(show.overview, show.question, show.moment, show.search)
    html = _question(show)
    html += paragraph(f"<b>{MOMENTS[show.moment].capitalize()}:</b> {_found(len(found), 'reason', show.search)}.")
    for place, (choice, text) in enumerate(_texts(show).items()):
        given = found[found["choice"] == choice]
        if len(given):
            shown, rest = no_more(list(given.itertuples(index=False)))
            html += f'<h4>{_letter(place)}{escape(text)} <span class="cv-quiet">({len(given)})</span></h4>'
            html += f'<ul class="cv-reasons">{"".join(_reason(row) for row in shown)}</ul>{rest}'
    return html


def _reason(row) -> str:
    sure = f" · {BANDS[row.confidence]}" if row.confidence else ""
    text = escape(row.reason.strip()) or "<i>(no reason)</i>"
    return f'<li>{text}<span class="cv-who">{escape(row.group)}{sure}</span></li>'


def _explanations(show: Show) -> str:
    found = explanations(show.overview, show.search)
    html = "<h3>What the groups claim, and why</h3>"
    html += paragraph(f"{_found(len(found), 'explanation', show.search)}.", "cv-quiet")
    shown, rest = no_more(list(found.itertuples(index=False)))
    for row in shown:
        parts = (
            ("claim", row.claim),
            ("evidence", row.evidence),
            ("reasoning", row.reasoning),
            ("against it", row.rebuttal),
        )
        lines = "".join(f"<dt>{name}</dt><dd>{escape(text)}</dd>" for name, text in parts if text.strip())
        html += f'<article><dl>{lines}</dl><span class="cv-who">{escape(row.group)}</span></article>'
    return html + rest


def _found(n: int, what: str, search: str) -> str:
    return count_of(n, what) + (f" with “{escape(search.strip())}”" if search.strip() else "")


# --- hand-ins ------------------------------------------------------------------------------------------------------


def handed_in_words(overview: Overview) -> str:
    """How many hand-ins were read, how many lack something, how many files do not count."""
    lacking = int((missing_stages(overview)["missing"] != "").sum())
    words = f"{count_of(len(overview.groups), 'hand-in')} read. "
    words += f"Something is missing in {lacking}. " if lacking else "Nothing is missing. "
    return words + (f"{count_of(len(overview.refused), 'file')} could not be counted." if overview.refused else "")


def _handed_in(show: Show) -> str:
    overview = show.overview
    shown, rest = no_more(list(missing_stages(overview).itertuples(index=False, name=None)))
    rows = [
        (escape(group), *(count_cell(n) for n in counts), f'<td class="cv-text">{escape(missing)}</td>', "")
        for group, *counts, missing in shown
    ]
    html = "<h3>Who handed in, and what is missing</h3>" + paragraph(handed_in_words(overview))
    html += (
        table_html(["group", *STAGES, "missing"], rows, "cv-numbers cv-words-last", "Saved entries at each stage")
        + rest
    )
    if overview.refused:
        html += "<h4>Files that do not count</h4>" + _pairs("file", "why", [(r.file, r.why) for r in overview.refused])
    if len(overview.warnings):
        found = list(overview.warnings[["group", "warning"]].itertuples(index=False, name=None))
        html += "<h4>Hand-ins to look at</h4>" + _pairs("group", "what was found", found)
    return html


def _pairs(first: str, second: str, items: list[tuple[str, str]]) -> str:
    shown, rest = no_more(items)
    rows = [(escape(a), f'<td class="cv-text">{escape(b)}</td>', "") for a, b in shown]
    return table_html([first, second], rows, "cv-words-last") + rest


# --- small parts ---------------------------------------------------------------------------------------------------


def _texts(show: Show) -> dict[str, str]:
    """The question's choices in words, and OTHER at the end."""
    return {choice.id: choice.text for choice in show.overview.ask(show.question).choices} | {OTHER: OTHER}


def _question(show: Show) -> str:
    return f"<h3>{escape(show.overview.ask(show.question).text)}</h3>"


def _letter(place: int) -> str:
    return f'<span class="cv-letter">{letter(place)}</span>'


SECTIONS = (
    Section(
        "handed-in",
        "Who handed in",
        "The groups' codes, the stages that are missing, and files that could not be read.",
        _handed_in,
        per_question=False,
    ),
    Section(
        "first",
        "First answers",
        "The first, sealed answers and how sure the groups were. Wait until all have talked and answered again.",
        lambda show: _answers(show, Moment.FIRST),
        can_mark=True,
    ),
    Section(
        "discussed",
        "After discussion",
        "The answers after the groups talked with each other.",
        lambda show: _answers(show, Moment.DISCUSSED),
        can_mark=True,
    ),
    Section(
        "end",
        "At the end",
        "The answers after the groups had seen their data.",
        lambda show: _answers(show, Moment.END),
        can_mark=True,
    ),
    Section("moved", "Who moved", "Who changed the answer, from which choice to which.", _moved, can_mark=True),
    Section(
        "reasons",
        "Reasons",
        "The groups' reasons in their own words, under the choices they belong to.",
        _reasons,
        searchable=True,
    ),
    Section(
        "confidence",
        "Confidence",
        "How often the data agreed with the very sure, fairly sure and not sure. It shows what the data support.",
        _confidence,
        per_question=False,
    ),
    Section(
        "data",
        "Class data",
        "The measurements of all groups, how far the groups differ, and the reference condition.",
        lambda show: data_html(show.overview),
        per_question=False,
    ),
    Section(
        "explanations",
        "Explanations",
        "Claim, evidence and reasoning of every group, in their own words.",
        _explanations,
        per_question=False,
        searchable=True,
    ),
)
