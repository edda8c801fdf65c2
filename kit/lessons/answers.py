"""What the data answer to a question with choices, where that can be computed: a time or a number of turns.

A question can be answered if its last sentence names one condition that was measured ("… with six pads?"), and its
choices give seconds or turns. Everything else is for the teacher to say.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import inf

import pandas as pd

from ..errors import KitError
from ..motion.speed import SpeedCurve
from ..motion.threshold import measure
from ..stats.averages import average
from ..wording import number
from .lesson import Choice, Lesson, Question

__all__ = ["against", "answer_of", "first_question", "measured_averages"]

CLOSE = 0.1  # a choice of a rounded number stands for so much around it, as a share
_WORDS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]
_LESS = re.compile(r"\b(less|shorter|fewer|under|below|at most)\b")
_MORE = re.compile(r"\b(more|longer|over|above|at least)\b")
_UNITS = {"duration_s": r"(?:s|sec|seconds?)", "turns": r"(?:turns?|rounds?)"}
_NUMBER = r"(\d+(?:[.,]\d+)?)"


def measured_averages(lesson: Lesson, curves: Sequence[SpeedCurve]) -> dict[str, pd.DataFrame]:
    """Average of both quantities by condition (mean, u), counted as the lesson counts; empty where nothing counts."""
    try:
        table = measure(curves, lesson.start_period_s, lesson.stop_period_s, lesson.rule)
        return {quantity: average(table, lesson.x, quantity).set_index(lesson.x) for quantity in _UNITS}
    except (KitError, KeyError):
        return {}


def answer_of(question: Question, lesson: Lesson, averages: dict[str, pd.DataFrame]) -> str | None:
    """The id of the one choice that the data support; None where that can't be computed.

    A choice with one number stands for 10 % around it, or two standard uncertainties if that is more; "less than",
    "between" and the like for a range, which counts if no single number fits.

    Parameters
    ----------
    averages : from `measured_averages`.
    """
    found = _measured(question, lesson, averages)
    if found is None:
        return None
    quantity, value, u = found
    meant = {choice.id: _meant(choice.text, quantity) for choice in question.choices}
    near = max(2 * u, CLOSE * value)
    points = [name for name, m in meant.items() if m and m[0] == m[1] and abs(m[0] - value) <= near]
    ranges = [name for name, m in meant.items() if m and m[0] < value < m[1]]
    fitting = points or ranges
    return fitting[0] if len(fitting) == 1 else None


def against(choice_id: str, question: Question, lesson: Lesson, averages: dict[str, pd.DataFrame]) -> str:
    """Why the data speak against a choice, in words; "" where they do not, or where that can't be computed."""
    found = _measured(question, lesson, averages)
    answer = answer_of(question, lesson, averages)
    if found is None or answer in (None, choice_id):
        return ""
    quantity, value, u = found
    meant = next((_meant(choice.text, quantity) for choice in question.choices if choice.id == choice_id), None)
    near = max(2 * u, CLOSE * value)
    if meant is None or meant[0] - near <= value <= meant[1] + near:
        return ""
    return f"measured: {number(value, 3)} {'s' if quantity == 'duration_s' else 'turns'}, which fits {answer}"


def _measured(question: Question, lesson: Lesson, averages) -> tuple[str, float, float] | None:
    """The quantity a question asks for, with the measured average at the condition it names, and its uncertainty."""
    asked = _condition(question.text, lesson.values)
    if asked is None or not _same_count(question.text, lesson):
        return None
    quantities = [
        quantity
        for quantity in _UNITS
        if sum(_meant(choice.text, quantity) is not None for choice in question.choices) >= 2
    ]
    table = averages.get(quantities[0]) if len(quantities) == 1 else None
    if table is None or asked not in table.index:
        return None
    row = table.loc[asked]
    u = float(row["u"])
    return quantities[0], float(row["mean"]), u if u == u else 0.0


def _condition(text: str, values: Sequence[float]) -> float | None:
    """The one condition that the last sentence of a question names, in digits or in words."""
    last = re.split(r"(?<=[.!?])\s+", text.strip())[-1].casefold()
    named = [float(n.replace(",", ".")) for n in re.findall(rf"(?<![\w.,]){_NUMBER}(?![\w%])", last)]
    named += [float(_WORDS.index(word)) for word in re.findall(r"[a-z]+", last) if word in _WORDS]
    named = [value for value in dict.fromkeys(named) if value in values]
    return named[0] if len(named) == 1 else None


def _same_count(text: str, lesson: Lesson) -> bool:
    """Whether a text that says from which speed to which counts as the lesson does."""
    said = re.search(rf"from {_NUMBER} turns? a second to {_NUMBER}", text)
    if not said:
        return True
    start, stop = (float(part.replace(",", ".")) for part in said.groups())
    if lesson.stop_period_s is None:
        return False
    return abs(start * lesson.start_period_s - 1) < CLOSE and abs(stop * lesson.stop_period_s - 1) < CLOSE


def _meant(text: str, quantity: str) -> tuple[float, float] | None:
    """The range of values that a choice stands for; both ends alike for a number, None for words alone."""
    text = text.casefold()
    between = re.search(rf"between {_NUMBER}(?: {_UNITS[quantity]})? and {_NUMBER} {_UNITS[quantity]}\b", text)
    if between:
        low, high = sorted(float(part.replace(",", ".")) for part in between.groups())
        return low, high
    numbers = [float(n.replace(",", ".")) for n in re.findall(rf"{_NUMBER} {_UNITS[quantity]}\b", text)]
    if len(numbers) != 1:
        return None
    less, more = _LESS.search(text), _MORE.search(text)
    if less and more:
        before = text[: text.index(str(f"{numbers[0]:g}"))] if f"{numbers[0]:g}" in text else text
        less, more = (None, more) if before.rfind(more[0]) > before.rfind(less[0]) else (less, None)
    return (0.0, numbers[0]) if less else (numbers[0], inf) if more else (numbers[0], numbers[0])


# --- a first question, made from the data --------------------------------------------------------------------------


def first_question(lesson: Lesson, averages: dict[str, pd.DataFrame]) -> tuple[Question, dict] | None:
    """A question about the coasting time at a second condition, with the ideas behind its choices, to begin from.

    Returns the question and its entry in the key; the answer in it is the one that the data support. None where fewer
    than two conditions were counted, or none of them is above 0.
    """
    table = averages.get("duration_s")
    known = [value for value in lesson.values if table is not None and value > 0 and value in table.index]  # noqa: PD011
    if table is None or len(known) < 2 or lesson.stop_period_s is None:
        return None
    first = known[0]
    second = min(known[1:], key=lambda value: abs(value / first - 2))
    mean = dict(zip(table.index, table["mean"].to_list(), strict=True))
    time_s, there_s = float(mean[first]), float(mean[second])
    up = there_s > time_s
    step = second / first if up else first / second
    same, then = _short(time_s), _short(time_s * step)
    fast, slow = (_short(1 / period) for period in (lesson.start_period_s, lesson.stop_period_s))
    unit = f" {lesson.x_unit}" if lesson.x_unit else ""
    longer = "longer" if up else "shorter"
    text = (
        f"The {lesson.x_words} is {first:g}{unit}. It takes about {same} s to slow from {fast} turns a second to "
        f"{slow}. How long does it take with {second:g}{unit}?"
    )
    low, high = (same, then) if up else (then, same)
    beyond = f"More than {then} s." if up else f"Less than {then} s."
    choices = (
        Choice("same", f"Still about {same} s."),
        Choice("in-step", f"About {then} s."),
        Choice("between", f"Between {low} s and {high} s."),
        Choice("beyond", beyond),
        Choice("other-way", f"Less than {same} s." if up else f"More than {same} s."),
    )
    question = Question("first", "predict", text, choices)
    ideas = {
        "same": "What is changed does not matter.",
        "in-step": f"Nothing else matters: {_short(second / first)} times as much, so many times {longer}.",
        "between": "Something else slows it too, so it changes by less than in step.",
        "beyond": "Each further one does more than the one before.",
        "other-way": "More of it works the other way.",
    }
    supported = answer_of(question, lesson, averages) or ""
    return question, {"supported": supported, "ideas": ideas}


def _short(value: float) -> str:
    """Two digits, as somebody would say it."""
    return f"{float(f'{value:.2g}'):g}"
