"""What a workbook's entries say, put in order: predictions, choices, results, explanation.

What the summary is made from (an entry's `Kind`: its `value`):

    prediction, prediction:QUESTION   {"choice": text, "reason": text, "confidence": text, "moment": …};
                                      a later answer without a `Moment` counts as after the discussion
    predicted_curve, predicted_curve:QUANTITY      an object
    observation, observation:TOPIC    text
    threshold                         a flat object: {"start_period_s": …, "stop_period_s": …, "rule": …}
    set_aside                         {"source": text, "trial": whole number, "reason": text};
                                      an empty reason takes the trial back in
    results, averages                 a list of flat objects, see `table_rows`
    fits                              a list of objects
    comparison                        a flat object (t′, decision, why); each entry is one cycle
    explanation                       {"claim": text, "evidence": text, "reasoning": text, "rebuttal": text}
    claim:ID                          the same for one of the lesson's claims; for the group's own ("own") the
                                      texts of its plan: {"claim", "changed", "held", "against", …}

Of a kind entered several times the latest counts, except for predictions (the first sealed answer, and the
latest of each later moment) and comparisons (all). Other kinds are left to whoever knows them: drafts, and the runs
a group made itself (see `kit.lessons.progress`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from .entries import Entry, Kind, Moment

__all__ = ["Answer", "Prediction", "Summary", "summarise", "table_rows"]

FLAT = (str, int, float, bool, type(None))


@dataclass(frozen=True)
class Answer:
    """One answer to a prediction question, in the group's own words."""

    choice: str
    reason: str
    confidence: str
    moment: str  # as it was entered; may be empty
    time: str
    sealed: bool


@dataclass(frozen=True)
class Prediction:
    """All answers to one question. `question` is empty if the lesson has only one."""

    question: str
    first: Answer
    after_discussion: Answer | None
    at_end: Answer | None


@dataclass(frozen=True)
class Summary:
    """One group's work; None or empty where there is nothing yet."""

    stages: tuple[str, ...]  # in the order in which they were first used
    predictions: tuple[Prediction, ...]
    predicted_curves: tuple[dict[str, Any], ...]  # {"quantity", "first", "latest"}
    observations: tuple[dict[str, str], ...]  # {"topic", "text"}
    threshold: dict[str, Any] | None
    set_aside: tuple[dict[str, Any], ...]
    results: tuple[dict[str, Any], ...]
    averages: tuple[dict[str, Any], ...]
    fits: tuple[dict[str, Any], ...]
    comparisons: tuple[dict[str, Any], ...]
    explanation: dict[str, str] | None
    claims: tuple[dict[str, str], ...]  # {"id", …}: what was written about each claim, and the plan of an own one


def summarise(entries: Sequence[Entry]) -> Summary:
    """Put entries in order.

    Raises
    ------
    ValueError : naming the entry, where a value has not its kind's form.
    """
    kinds: dict[str, list[Entry]] = {}
    for entry in entries:
        kinds.setdefault(entry.kind, []).append(entry)

    def named(kind: Kind) -> list[tuple[str, list[Entry]]]:
        return [(k.partition(":")[2], found) for k, found in kinds.items() if kind.covers(k)]

    def latest(kind: Kind, check: Callable[[Entry], Any], default: Any) -> Any:
        return check(kinds[kind][-1]) if kind in kinds else default

    return Summary(
        stages=tuple(dict.fromkeys(entry.stage for entry in entries)),
        predictions=tuple(_prediction(question, found) for question, found in named(Kind.PREDICTION)),
        predicted_curves=tuple(_curve(quantity, found) for quantity, found in named(Kind.PREDICTED_CURVE)),
        observations=tuple({"topic": topic, "text": _text(found[-1])} for topic, found in named(Kind.OBSERVATION)),
        threshold=latest(Kind.THRESHOLD, _flat_object, None),
        set_aside=_set_aside(kinds.get(Kind.SET_ASIDE, [])),
        results=latest(Kind.RESULTS, _rows, ()),
        averages=latest(Kind.AVERAGES, _rows, ()),
        fits=latest(Kind.FITS, _objects, ()),
        comparisons=tuple(_flat_object(entry) for entry in kinds.get(Kind.COMPARISON, [])),
        explanation=latest(Kind.EXPLANATION, _texts, None),
        claims=tuple({**_texts(found[-1]), "id": claim} for claim, found in named(Kind.CLAIM)),
    )


def table_rows(table: Any) -> list[dict[str, Any]]:
    """A pandas DataFrame as rows for the workbook. NaN and infinity, which JSON cannot hold, become null."""
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    return [{str(name): _cell(value) for name, value in row.items()} for row in rows]


def _cell(value: Any) -> Any:
    value = value.item() if hasattr(value, "item") else value  # numpy numbers as plain ones
    if isinstance(value, float) and abs(value) == float("inf"):
        return None
    return value if isinstance(value, FLAT) else str(value)


def _prediction(question: str, entries: Sequence[Entry]) -> Prediction:
    answers = [_answer(entry) for entry in entries]
    first = next((place for place, answer in enumerate(answers) if answer.sealed), 0)
    later = answers[first + 1 :]
    at_end = [answer for answer in later if answer.moment == Moment.END]
    discussed = [answer for answer in later if answer.moment != Moment.END]
    return Prediction(
        question=question,
        first=answers[first],
        after_discussion=discussed[-1] if discussed else None,
        at_end=at_end[-1] if at_end else None,
    )


def _answer(entry: Entry) -> Answer:
    value = _texts(entry)
    if "choice" not in value:
        raise _wrong(entry, "an answer has a choice")
    parts = {key: value.get(key, "") for key in ("choice", "reason", "confidence", "moment")}
    if parts["moment"] not in ("", *Moment):
        raise _wrong(entry, f"a moment is one of {', '.join(Moment)}")
    return Answer(**parts, time=entry.time, sealed=entry.sealed)


def _curve(quantity: str, entries: Sequence[Entry]) -> dict[str, Any]:
    first = next((entry for entry in entries if entry.sealed), entries[0])
    return {"quantity": quantity, "first": _object(first), "latest": _object(entries[-1])}


def _set_aside(entries: Sequence[Entry]) -> tuple[dict[str, Any], ...]:
    standing: dict[tuple[str, int], dict[str, Any]] = {}
    for entry in entries:
        value = _flat_object(entry)
        source, trial, reason = (value.get(key) for key in ("source", "trial", "reason"))
        if not isinstance(source, str) or type(trial) is not int or not isinstance(reason, str):
            raise _wrong(entry, "a trial set aside has a source, a trial number and a reason")
        standing.pop((source, trial), None)
        if reason.strip():
            standing[source, trial] = {"source": source, "trial": trial, "reason": reason}
    return tuple(standing.values())


def _text(entry: Entry) -> str:
    if not isinstance(entry.value, str):
        raise _wrong(entry, "it is a text")
    return entry.value


def _object(entry: Entry) -> dict[str, Any]:
    if not isinstance(entry.value, dict):
        raise _wrong(entry, "it is an object")
    return entry.value


def _texts(entry: Entry) -> dict[str, str]:
    value = _object(entry)
    if not all(isinstance(text, str) for text in value.values()):
        raise _wrong(entry, "it is an object of texts")
    return value


def _flat_object(entry: Entry) -> dict[str, Any]:
    value = _object(entry)
    if not all(isinstance(cell, FLAT) for cell in value.values()):
        raise _wrong(entry, "it is an object of texts and numbers")
    return value


def _objects(entry: Entry) -> tuple[dict[str, Any], ...]:
    if not isinstance(entry.value, list) or not all(isinstance(row, dict) for row in entry.value):
        raise _wrong(entry, "it is a list of objects")
    return tuple(entry.value)


def _rows(entry: Entry) -> tuple[dict[str, Any], ...]:
    rows = _objects(entry)
    if not all(isinstance(cell, FLAT) for row in rows for cell in row.values()):
        raise _wrong(entry, "it is a list of rows of texts and numbers")
    return rows


def _wrong(entry: Entry, expected: str) -> ValueError:
    return ValueError(f"entry {entry.n} ({entry.kind}) is not as it should be: {expected}")
