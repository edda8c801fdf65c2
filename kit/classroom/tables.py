"""What a class's hand-ins show, as tables: choices, moves, confidence, reasons, data, and what is missing.

Every function takes an `Overview` and returns a DataFrame or a small value; none shows anything. The unit is the group
that handed in. Groups are taken as independent, which a discussion between them does not grant.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np
import pandas as pd

from ..errors import KitError
from ..lessons.lesson import STAGES
from ..record.entries import BANDS, MOMENTS, QUANTITIES, Moment
from ..wording import count_of, percent
from .overview import Overview
from .statistics import (
    GroupSpread,
    McNemar,
    StuartMaxwell,
    brier_score,
    group_spread,
    mcnemar,
    normalised_gain,
    stuart_maxwell,
    wilson_interval,
)

__all__ = [
    "BAND_CHANCES",
    "NO_BAND",
    "OTHER",
    "Gain",
    "Moves",
    "choices_by_confidence",
    "claims",
    "class_gain",
    "confidence_table",
    "explanations",
    "missing_stages",
    "moves",
    "pooled_data",
    "pooled_means",
    "reasons",
    "reference_spread",
    "reference_table",
    "safe_cell",
    "sketches",
    "write_class_csv",
    "write_csv",
]

OTHER = "another answer"  # one that is not among the question's choices

NO_BAND = "not said"

#: What a band is taken to claim where a single number is needed (the Brier score): about its middle.
BAND_CHANCES = dict(zip(BANDS, (0.45, 0.75, 0.95), strict=True))

# --- answers -----------------------------------------------------------------------------------------------------


def choices_by_confidence(overview: Overview, question: str, moment: str = Moment.FIRST) -> pd.DataFrame:
    """Choices × confidence at one moment.

    Returns counts with one row a choice in the lesson's order (and `OTHER`, if somebody gave one) under its id, and the
    columns of `BANDS`, the surest first, `NO_BAND` (if somebody said nothing), and "all".
    """
    given = _given(overview, question, moment)
    bands = [*reversed(BANDS), *([NO_BAND] if (given["confidence"] == "").any() else [])]
    counts = pd.crosstab(given["choice"], given["confidence"].replace("", NO_BAND))
    counts = counts.reindex(index=_rows(overview, question, given["choice"]), columns=bands, fill_value=0)
    counts["all"] = counts.sum(axis=1)
    return counts.rename_axis(index="choice", columns=None)


@dataclass(frozen=True)
class Moves:
    """Who changed the answer between two moments: only groups that answered both times."""

    counts: pd.DataFrame  # from (row) × to (column)
    answered: int
    stayed: int
    only_before: int  # groups that answered only before
    only_after: int
    to_supported: McNemar | None  # None without the teacher's key
    any_direction: StuartMaxwell
    sentence: str


def moves(overview: Overview, question: str, before: str = Moment.FIRST, after: str = Moment.DISCUSSED) -> Moves:
    """Transitions between two moments, with McNemar's test (what the data support, or not) where there is a key, and
    the Stuart–Maxwell test of all choices."""
    earlier = _given(overview, question, before).set_index("group")["choice"]
    later = _given(overview, question, after).set_index("group")["choice"]
    both = pd.DataFrame({"before": earlier, "after": later})
    matched = both.dropna()
    rows = _rows(overview, question, pd.concat([matched["before"], matched["after"]]))
    counts = pd.crosstab(matched["before"], matched["after"]).reindex(index=rows, columns=rows, fill_value=0)
    counts = counts.rename_axis(index="from", columns="to")
    supported, test = overview.supported.get(question), None
    if supported is not None:
        was, became = matched["before"] == supported, matched["after"] == supported
        test = mcnemar(int((~was & became).sum()), int((was & ~became).sum()))
    stayed = int(np.trace(counts.to_numpy()))
    any_direction = stuart_maxwell(counts.to_numpy()) if len(rows) > 1 else StuartMaxwell(nan, 0, 1.0, 1.0, 0)
    return Moves(
        counts,
        len(matched),
        stayed,
        int((both["before"].notna() & both["after"].isna()).sum()),
        int((both["before"].isna() & both["after"].notna()).sum()),
        test,
        any_direction,
        _moves_sentence(len(matched), stayed, test, any_direction),
    )


def _moves_sentence(answered: int, stayed: int, test: McNemar | None, any_direction: StuartMaxwell) -> str:
    if answered == 0:
        return "No group answered both times."
    words = f"{stayed} of {answered} groups kept the answer, {answered - stayed} changed it."
    if stayed == answered:
        return words
    p, how = any_direction.p_flips, "Stuart–Maxwell, by random flips"
    if test is not None:
        words += f" {test.gained} moved to what the data support, {test.lost} away from it."
        p, how = test.p_exact, "McNemar, exact"
    share = percent(p) if p >= 0.001 else "less than 0.1 %"
    return (
        f"{words} If each change were a coin toss, changes this one-sided would come up in {share} of classes ({how})."
    )


def confidence_table(overview: Overview, moment: str = Moment.FIRST) -> pd.DataFrame:
    """Share of answers that chose what the data support, for each band of confidence, over all questions with a key.

    Returns one row a band, the surest first: confidence, n, supported, share, low, high (95 % Wilson interval; NaN
    share where n = 0). `.attrs`: "questions" (how many were used: one item can't judge anybody's confidence),
    "brier" (mean of (chance claimed − outcome)², with `BAND_CHANCES`; None without answers).
    """
    answers = overview.answers
    given = answers[
        (answers["moment"] == moment) & answers["question"].isin(overview.supported) & (answers["confidence"] != "")
    ]
    right = given["choice"] == given["question"].map(overview.supported)
    rows = []
    for band in reversed(BANDS):
        inside = right[given["confidence"] == band]
        n, supported = len(inside), int(inside.sum())
        rows.append((band, n, supported, supported / n if n else nan, *wilson_interval(supported, n)))
    table = pd.DataFrame(rows, columns=["confidence", "n", "supported", "share", "low", "high"])
    claimed = given["confidence"].map(BAND_CHANCES)
    table.attrs["questions"] = int(given["question"].nunique())
    table.attrs["brier"] = brier_score(claimed.tolist(), right.tolist()) if len(given) else None
    return table


@dataclass(frozen=True)
class Gain:
    """The class's normalised gain, with the raw counts it rests on."""

    questions: int
    pairs: int  # answers of the same group to the same question at both moments
    supported_before: int
    supported_after: int
    gain: float | None
    sentence: str


def class_gain(overview: Overview, before: str = Moment.FIRST, after: str = Moment.DISCUSSED) -> Gain:
    """Normalised gain of the class between two moments (Hake 1998), over every question that was answered at both.

    Only pairs of answers by the same group to the same question enter. `gain` is None if nothing could be gained any
    more, and for fewer than two questions: a single item is no test.
    """
    answers = overview.answers[overview.answers["question"].isin(overview.supported)]
    right = answers["choice"] == answers["question"].map(overview.supported)
    wide = answers.assign(right=right.astype(float)).pivot_table("right", ["group", "question"], "moment")
    pairs = wide.reindex(columns=[before, after]).dropna()
    n, first, later = len(pairs), int(pairs[before].sum()), int(pairs[after].sum())
    questions = int(pairs.index.get_level_values("question").nunique())
    if n == 0:
        return Gain(0, 0, 0, 0, None, "No question with a key was answered at both moments.")
    counts = f"What the data support was chosen in {first} of {count_of(n, 'answer')} before and in {later} after"
    asked = count_of(questions, "question")
    gain = normalised_gain(100 * first / n, 100 * later / n)
    if questions < 2:
        return Gain(questions, n, first, later, None, f"{counts} ({asked}: too few to state a gain).")
    if gain is None:
        return Gain(questions, n, first, later, None, f"{counts} ({asked}): there was nothing left to gain.")
    return Gain(questions, n, first, later, gain, f"{counts} ({asked}): normalised gain of the class {_signed(gain)}.")


def reasons(overview: Overview, question: str, moment: str = Moment.FIRST, search: str = "") -> pd.DataFrame:
    """Reasons as the groups wrote them: choice, confidence, reason, group.

    They stand in the order of the choices, the surest first. `search`: words that must all stand in the reason,
    anywhere and in any case.
    """
    given = _given(overview, question, moment)
    given = given[_matching(given["reason"], search)]
    place = {choice: i for i, choice in enumerate(_rows(overview, question, given["choice"]))}
    sure = {band: i for i, band in enumerate(["", *BANDS])}
    ranked = given.assign(_place=given["choice"].map(place), _sure=-given["confidence"].map(sure))
    ranked = ranked.sort_values(["_place", "_sure", "group"])
    return ranked[["choice", "confidence", "reason", "group"]].reset_index(drop=True)


def explanations(overview: Overview, search: str = "") -> pd.DataFrame:
    """Explanations as the groups wrote them: claim, evidence, reasoning, rebuttal, group; searched like `reasons`."""
    parts = ["claim", "evidence", "reasoning", "rebuttal"]
    rows = [[*(group.explanation.get(p, "") for p in parts), group.code] for group in overview.groups]
    table = pd.DataFrame(rows, columns=[*parts, "group"])
    return _with_words(table, parts, search)


def claims(overview: Overview, search: str = "") -> pd.DataFrame:
    """What groups wrote about claims: id ("own" for the group's own), claim, evidence, reasoning, rebuttal, group."""
    parts = ["claim", "evidence", "reasoning", "rebuttal"]
    rows = [[name, *(said.get(p, "") for p in parts), g.code] for g in overview.groups for name, said in g.claims]
    table = pd.DataFrame(rows, columns=["id", *parts, "group"])
    return _with_words(table, parts, search)


def sketches(overview: Overview, quantity: str = "duration_s") -> pd.DataFrame:
    """What the groups expected before any data: group, x, value (in the quantity's unit), as they sealed it first."""
    rows = [(g.code, x, value) for g in overview.groups for x, value in g.sketches.get(quantity, ())]
    return pd.DataFrame(rows, columns=["group", "x", "value"])


def _given(overview: Overview, question: str, moment: str) -> pd.DataFrame:
    overview.ask(question)
    if moment not in MOMENTS:
        raise KitError("There is no such moment", found=moment, fix=f"use one of: {', '.join(MOMENTS)}")
    answers = overview.answers
    given = answers[(answers["question"] == question) & (answers["moment"] == moment)]
    known = [choice.id for choice in overview.ask(question).choices]
    return given.assign(choice=given["choice"].where(given["choice"].isin(known), OTHER))


def _rows(overview: Overview, question: str, given: pd.Series) -> list[str]:
    """The question's choices in order, and OTHER if it was given."""
    return [*(c.id for c in overview.ask(question).choices), *([OTHER] if (given == OTHER).any() else [])]


def _matching(texts: pd.Series, search: str) -> pd.Series:
    words = search.casefold().split()
    return texts.map(lambda text: all(word in text.casefold() for word in words)).astype(bool)


def _with_words(table: pd.DataFrame, parts: list[str], search: str) -> pd.DataFrame:
    """The rows that say something in one of their parts, and hold the words looked for."""
    if table.empty:
        return table
    text = table[parts].agg("\n".join, axis=1)
    return table[(text.str.strip() != "") & _matching(text, search)].reset_index(drop=True)


def _signed(gain: float) -> str:
    return f"{gain:+.2f}".replace("-", "−")


# --- what is missing -----------------------------------------------------------------------------------------------


def missing_stages(overview: Overview) -> pd.DataFrame:
    """Entries of every group at every stage, and what is missing.

    Returns one row a group: group, the stages of `STAGES` (how many entries, drafts left out), and "missing": in words,
    the stages that others reached and this group did not, and, of the stages it did reach, the answers that at least
    half of the groups gave and the explanation.
    """
    reached = {stage for group in overview.groups for stage in group.entries}
    any_explanation = any(group.explanation for group in overview.groups)
    expected = _usual_answers(overview)
    rows = []
    for group in overview.groups:
        missing = [stage for stage in STAGES if stage in reached and stage not in group.entries]
        answered = {(answer.question, answer.moment) for answer in group.answers}
        for moment, words in MOMENTS.items():
            lacking = [pair for pair, stage in expected.items() if pair[1] == moment and stage not in missing]
            lacking = [pair for pair in lacking if pair not in answered]
            missing += [f"{count_of(len(lacking), 'answer')} ({words})"] if lacking else []
        missing += ["the explanation"] if any_explanation and not group.explanation and "explain" not in missing else []
        rows.append([group.code, *(group.entries.get(stage, 0) for stage in STAGES), ", ".join(missing)])
    return pd.DataFrame(rows, columns=["group", *STAGES, "missing"])


def _usual_answers(overview: Overview) -> dict[tuple[str, str], str]:
    """(question, moment) that at least half of the groups answered: the stage at which that is asked."""
    counts = Counter((answer.question, answer.moment) for group in overview.groups for answer in group.answers)
    stages = {question.id: question.stage for question in overview.questions}
    return {
        (question, moment): "explain" if moment == Moment.END else stages[question]
        for (question, moment), n in counts.items()
        if question in stages and 2 * n >= len(overview.groups)
    }


# --- measurements --------------------------------------------------------------------------------------------------


def pooled_data(overview: Overview, quantity: str = "duration_s") -> pd.DataFrame:
    """All groups' runs together, one row a condition.

    Returns x, groups, runs, median, mean, sd, low, high: of the *groups' means* (each group counts once, however often
    it repeated), with sd their standard deviation (NaN for one group), low and high the smallest and the largest.
    """
    means = pooled_means(overview, quantity)
    by_x = means.groupby("x", sort=True)
    table = by_x["mean"].agg(groups="size", median="median", mean="mean", sd="std", low="min", high="max")
    table.insert(1, "runs", by_x["n"].sum())
    return table.reset_index()


def pooled_means(overview: Overview, quantity: str = "duration_s") -> pd.DataFrame:
    """Every group's mean at every condition it ran.

    Returns group, x, start_period_s, stop_period_s, n, mean, usual (whether the group used the thresholds that most
    groups used).
    """
    means = _group_means(overview.runs, quantity)
    usual = _usual_thresholds(means)
    return means.assign(usual=[pair == usual for pair in _pairs(means)])


def reference_table(overview: Overview, quantity: str = "duration_s") -> pd.DataFrame:
    """Every group at the reference condition, which all of them ran, in rising order.

    Returns what `pooled_means` does for it, and u (standard uncertainty of the mean from the relative scatter of all
    groups' repeats; NaN if nobody repeated) and percent (from the median of the groups). Empty without a lesson or
    runs there.
    """
    means = pooled_means(overview, quantity)
    means = means[means["x"] == overview.lesson.reference] if overview.lesson else means.iloc[:0]
    means, spread = means.copy(), reference_spread(overview, quantity)
    means["u"] = (spread.within if spread else nan) * means["mean"] / np.sqrt(means["n"])
    means["percent"] = 100 * (means["mean"] / means["mean"].median() - 1)
    return means.sort_values(["mean", "group"]).reset_index(drop=True)


def reference_spread(overview: Overview, quantity: str = "duration_s", usual_only: bool = False) -> GroupSpread | None:
    """Scatter within and between groups at the reference condition, as fractions (of ln values); None for fewer than
    two groups. `usual_only`: only groups with the thresholds that most groups used, so that the choice of thresholds
    does not count as a difference between apparatus."""
    runs = overview.runs[overview.runs[quantity].notna()]
    if usual_only:
        usual = _usual_thresholds(runs)
        runs = runs[[pair == usual for pair in _pairs(runs)]]
    runs = runs[runs["x"] == overview.lesson.reference] if overview.lesson else runs.iloc[:0]
    if runs["group"].nunique() < 2:
        return None
    return group_spread(np.log(runs[quantity].to_numpy()), runs["group"].to_numpy(dtype=str))


def _group_means(runs: pd.DataFrame, quantity: str) -> pd.DataFrame:
    """One row a group and condition: group, x, start_period_s, stop_period_s, n, mean."""
    runs = runs[runs[quantity].notna()]
    keys = ["group", "x", "start_period_s", "stop_period_s"]
    return runs.groupby(keys, dropna=False)[quantity].agg(n="size", mean="mean").reset_index()


def _pairs(table: pd.DataFrame) -> list[tuple[float, float]]:
    """Start and stop thresholds of every row; NaN (none chosen, or the last pass) as −1, which equals itself."""
    thresholds = table[["start_period_s", "stop_period_s"]].fillna(-1.0)
    return list(thresholds.itertuples(index=False, name=None))


def _usual_thresholds(runs: pd.DataFrame) -> tuple[float, float] | None:
    """The thresholds most groups used."""
    pairs = _pairs(runs.drop_duplicates("group"))
    return max(sorted(set(pairs)), key=pairs.count, default=None)


# --- files ---------------------------------------------------------------------------------------------------------

# At the start of a cell; and after a semicolon, tab or line end, where a spreadsheet set to another separator begins a
# new cell, quotes or not. The full-width signs count as formulas in some East Asian editions.
_FORMULA = re.compile(r"(^|[;\t\r\n\"])(?=\s*[=+\-@＝＋－＠|])|^(?=[\t\r\n])")


def safe_cell(value: object) -> object:
    """A text with an apostrophe wherever a formula could start; numbers and everything else as they are."""
    return _FORMULA.sub(r"\1'", value) if isinstance(value, str) else value


def write_csv(table: pd.DataFrame, path: str | Path) -> Path:
    """Write a table as UTF-8 with a byte order mark (spreadsheets need it to see the encoding); return the path.

    Texts are neutralised by `safe_cell`, column names too. Numbers stay numbers, negative ones as well.
    """
    safe = table.astype(object).map(safe_cell)
    safe.columns = [safe_cell(str(name)) for name in table.columns]
    safe.to_csv(path, index=False, encoding="utf-8-sig", lineterminator="\r\n")
    return Path(path)


def write_class_csv(overview: Overview, folder: str | Path) -> list[Path]:
    """Write the tables as CSV files that are safe to open in a spreadsheet; return their paths.

    Files: answers, choices, moves, confidence, explanations, claims, sketches, runs, pooled, groups, refused. Earlier
    ones are replaced.

    Examples
    --------
    >>> import kit, tempfile
    >>> overview = kit.read_class("datasets_demo/class_handins/handin_coasting_disc_demo-amber-crane-103.json")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(path.stem for path in kit.write_class_csv(overview, folder))[:4]
    ['answers', 'choices', 'claims', 'confidence']
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    return [write_csv(table, folder / f"{name}.csv") for name, table in _all_tables(overview).items()]


def _all_tables(overview: Overview) -> dict[str, pd.DataFrame]:
    questions = [question.id for question in overview.questions]
    choices = {(q, m): choices_by_confidence(overview, q, m).reset_index() for q in questions for m in MOMENTS}
    moved = {
        (q, after): _long(moves(overview, q, Moment.FIRST, after).counts)
        for q in questions
        for after in (Moment.DISCUSSED.value, Moment.END.value)
    }
    confidence = {(moment,): confidence_table(overview, moment) for moment in MOMENTS}
    pooled = {(quantity,): pooled_data(overview, quantity) for quantity in QUANTITIES}
    return {
        "answers": overview.answers,
        "choices": _stacked(choices, "question", "moment"),
        "moves": _stacked(moved, "question", "after"),
        "confidence": _stacked(confidence, "moment"),
        "explanations": explanations(overview),
        "claims": claims(overview),
        "sketches": _stacked({(quantity,): sketches(overview, quantity) for quantity in QUANTITIES}, "quantity"),
        "runs": overview.runs.rename(columns={"x": overview.lesson.x if overview.lesson else "x"}),
        "pooled": _stacked(pooled, "quantity"),
        "groups": missing_stages(overview).merge(_about_groups(overview), on="group"),
        "refused": pd.DataFrame([(r.file, r.why) for r in overview.refused], columns=["file", "why"]),
    }


def _long(counts: pd.DataFrame) -> pd.DataFrame:
    """A table of moves with one row a cell: from, to, groups."""
    return counts.reset_index().melt("from", var_name="to", value_name="groups")


def _about_groups(overview: Overview) -> pd.DataFrame:
    rows = [
        (
            *(g.code, g.file, g.made, g.start_period_s, g.stop_period_s, g.runs_left_out),
            *("; ".join(g.sent), "; ".join(g.lifted), " ".join(g.warnings)),
        )
        for g in overview.groups
    ]
    columns = [
        "group",
        "file",
        "made",
        "start_period_s",
        "stop_period_s",
        "runs_left_out",
        "sent",
        "opened",
        "warnings",
    ]
    return pd.DataFrame(rows, columns=columns)


def _stacked(tables: dict[tuple, pd.DataFrame], *names: str) -> pd.DataFrame:
    """Tables below each other, each with its key in front."""
    with_keys = [table.assign(**dict(zip(names, key, strict=True))) for key, table in tables.items() if len(table)]
    if not with_keys:
        return pd.DataFrame(columns=list(names))
    whole = pd.concat(with_keys, ignore_index=True)
    return whole[[*names, *(column for column in whole.columns if column not in names)]]
