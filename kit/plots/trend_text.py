"""What a comparison of curves shows, in words and in tables of text."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..stats.trend import Parameter, Trend
from ..stats.verdict import ALIKE, CLEAR, MISFIT
from ..wording import (
    DASH,
    axis_title,
    case_of,
    evidence_share,
    interval,
    join_words,
    name_of,
    number,
    percent,
    plus_minus,
    rounded_by,
    unit_of,
)

__all__ = [
    "compared_with_best",
    "describe_residuals",
    "describe_trend",
    "formula_of",
    "left_over",
    "one_curve_words",
    "predicted",
    "ranking_table",
    "residuals_numbers",
    "symbol_of",
    "trend_numbers",
]

_LOWERED = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")


def symbol_of(parameter: str) -> str:
    """A parameter as it is written: "x0" → "x₀"."""
    return parameter.translate(_LOWERED)


def formula_of(formula: str) -> str:
    """A model's formula as it is written: "A·x^p + C" → "A·xᵖ + C"."""
    return formula.replace("x0", "x₀").replace("x^p", "xᵖ").replace("e^(k·x)", "eᵏˣ")


def left_over(trend: Trend) -> tuple[np.ndarray, str]:
    """(n,) distance of every trial from the curve, and its unit: "%" of the curve for relative errors, else ""."""
    value = trend.value(trend.x)
    if trend.errors == "relative":
        return 100 * (trend.y / value - 1), "%"
    return trend.y - value, ""


def compared_with_best(trend: Trend, best: Trend) -> str:
    """How much less the data support a curve than the best one of those tried, by its difference of AICc."""
    if trend is best:
        return "the best of those tried" if np.isfinite(trend.aicc) else "too few trials to compare"
    if not np.isfinite(trend.aicc):
        return "too few trials for so many parameters"
    gap = trend.aicc - best.aicc
    words = (
        "cannot be told apart from the best"
        if gap < ALIKE
        else "somewhat less supported"
        if gap <= CLEAR
        else "clearly less supported"
    )
    return f"{words} (Δ {number(gap, 2)})"


def ranking_table(trends: Sequence[Trend]) -> pd.DataFrame:
    """The curves best first, as text: parameters with 95 % intervals, how they compare, misfit, prediction error."""
    return pd.DataFrame(
        [
            {
                "Curve": f"{trend.model}: {formula_of(trend.formula)}",
                "Parameters (95 % interval)": "; ".join(
                    map(_parameter_words, *zip(*trend.parameters.items(), strict=True))
                ),
                "Compared with the best": compared_with_best(trend, trends[0]),
                "Evidence": DASH if trend.weight is None else evidence_share(trend.weight),
                "Misfit to the averages": _misfit_words(trend),
                "Error when left out": _error_words(trend.loo_error, trend),
            }
            for trend in trends
        ]
    )


def one_curve_words(trend: Trend) -> list[str]:
    """What can be said of a single curve, before it is compared with another."""
    words = [f"One curve is shown: {formula_of(trend.formula)} ({trend.model}). Tick another to compare it with."]
    if trend.lack_of_fit is not None and trend.lack_of_fit.p < MISFIT:
        words.append("The averages lie further from it than the trials spread: a misfit is found.")
    elif trend.lack_of_fit is not None:
        words.append(
            "No misfit found: the averages lie as close to it as the trials spread. Another curve may do as well."
        )
    if trend.at_bound:
        words.append(f"Take care: {trend.note}")
    return words


def _parameter_words(name: str, parameter: Parameter) -> str:
    words = (
        f"{symbol_of(name)} = {rounded_by(parameter.value, parameter.u)} ({interval(parameter.low, parameter.high)})"
    )
    return words.replace(" ", "\u00a0")  # a line may only break between parameters


def _misfit_words(trend: Trend) -> str:
    if trend.lack_of_fit is None:
        return "not testable without repeats"
    p = trend.lack_of_fit.p
    return f"{'misfit found' if p < MISFIT else 'no misfit found'} (p {'< 0.001' if p < 0.001 else f'= {p:.2g}'})"


def _error_words(error: float, trend: Trend) -> str:
    if not np.isfinite(error):
        return "has no value there" if np.isinf(error) else DASH
    if trend.errors == "relative":
        return percent(np.expm1(error)) if error < 1 else "more than double or half"
    return number(error, 2)


def predicted(trends: Sequence[Trend], at: float, x: str, quantity: str) -> list[str]:
    """One sentence a curve: its value at a new condition and where the next run should land there."""
    unit, sentences = unit_of(quantity), []
    for trend in trends:
        if not trend.defined_at(at):
            sentences.append(f"{formula_of(trend.formula)} ({trend.model}) has no value at {case_of(x, at)}.")
            continue
        mean, run = trend.predict(at), trend.predict(at, "single run")
        reach = interval(float(run.low), float(run.high), unit).replace(" to ", " and ")
        sentences.append(
            f"{formula_of(trend.formula)} ({trend.model}) says {plus_minus(float(mean.value), float(mean.u), unit)}; "
            f"if it holds, one run should land between {reach}, 19 times in 20."
        )
    if trends and bool(trends[0].predict(at).beyond_data if trends[0].defined_at(at) else True):
        low, high = trends[0].x_range
        sentences.append(f"Not tested: you measured only from {case_of(x, low)} to {case_of(x, high)}.")
    return sentences


def describe_trend(trends: Sequence[Trend], x: str, quantity: str, data: tuple) -> str:
    """What the plot of data and curves shows, in two or three sentences. `data`: the arrays x and y."""
    at, value = (np.asarray(part, float) for part in data)
    first, last = (float(value[at == end].mean()) for end in (at.min(), at.max()))
    unit, moves = unit_of(quantity), "falls" if last < first else "rises"
    words = (
        f"{name_of(quantity).capitalize()} {moves} from {number(first, 3)} to {number(last, 3)} {unit}".rstrip()
        + f" between {case_of(x, at.min())} and {case_of(x, at.max())}. "
    )
    if not trends:
        return words + "No curve is shown."
    best = trends[0]
    words += f"The best curve of those shown is {best.equation(name_of(quantity), name_of(x))} ({best.model}). "
    if len(trends) > 1:
        words += f"Also shown: {join_words([t.model for t in trends[1:]])}. "
    return words + "Beyond the conditions measured the curves are dotted: not tested."


def describe_residuals(trends: Sequence[Trend], x: str) -> str:
    """What the residual plot shows: for each curve where the means lie above and below it."""
    words = []
    for trend in trends:
        off, sign = left_over(trend)
        means = [(at, float(off[trend.x == at].mean())) for at in np.unique(trend.x)]
        above, below = max(means, key=lambda m: m[1]), min(means, key=lambda m: m[1])
        lowest, highest = (
            f"{number(off_by, 2)} {sign}".rstrip() + f" (at {case_of(x, at)})" for at, off_by in (below, above)
        )
        words.append(f"{trend.model.capitalize()}: the averages lie from {lowest} to {highest} from the curve.")
    return " ".join(words)


def trend_numbers(trends: Sequence[Trend], averages: pd.DataFrame, x: str, quantity: str) -> pd.DataFrame:
    """The numbers in the plot of data and curves, as text: means, and each curve's value there."""
    unit = unit_of(quantity)
    rows = []
    for _, row in averages.iterrows():
        shown = {
            axis_title(x): f"{row[x]:g}",
            f"Average ± standard uncertainty{f' ({unit})' if unit else ''}": plus_minus(row["mean"], row["u"]),
        }
        for trend in trends:
            shown[trend.model] = number(trend.value(row[x])) if trend.defined_at(row[x]) else DASH
        rows.append(shown)
    return pd.DataFrame(rows)


def residuals_numbers(trends: Sequence[Trend], x: str) -> pd.DataFrame:
    """The numbers in the residual plot, as text: per cent from each curve, a row a trial."""
    at = trends[0].x
    table = {axis_title(x): [f"{v:g}" for v in at]}
    for trend in trends:
        off, sign = left_over(trend)
        table[f"{trend.model} ({sign})" if sign else trend.model] = [number(v, 2) for v in off]
    return pd.DataFrame(table)
