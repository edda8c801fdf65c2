"""What repeated trials can and cannot show, in plain sentences made from the numbers at hand."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from .errors import KitError
from .trials import average, counting, t_factor
from .wording import (
    case_of,
    count_of,
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
    "NextRun",
    "describe_trials",
    "next_run",
    "trials_numbers",
    "unusual_trials",
    "what_trials_show",
    "with_and_without",
]

_SPELLED = dict(enumerate(("Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"), start=2))


class NextRun(NamedTuple):
    """Where one more trial of a condition would land, 19 times in 20."""

    low: float
    high: float
    sentence: str


def next_run(averages: pd.DataFrame, condition, *, pooled: bool = True) -> NextRun:
    """Range for one more trial: mean ± t·s·√(1 + 1/n), the 95 % prediction interval of a single value.

    `averages` as `kit.trials.average` makes it. `pooled` takes s and t from all conditions, else from this one's own
    trials. Assumes that nothing has changed since: the same rig, people and day, and normal scatter.
    """
    x, quantity = averages.attrs["x"], averages.attrs["quantity"]
    rows = averages[averages[x] == condition]
    if rows.empty:
        raise KitError("There is no average at this condition", found=condition, fix="choose one that was measured")
    row = rows.iloc[0]
    sd, t = (row["pooled_sd"], row["pooled_t"]) if pooled else (row["sd"], row["t"])
    reach = t * sd * np.sqrt(1 + 1 / row["n"])
    if not np.isfinite(reach):
        raise KitError("One trial a condition shows no scatter", fix="repeat at least one condition")
    low, high = float(row["mean"] - reach), float(row["mean"] + reach)
    basis = "the scatter of all conditions" if pooled else "the scatter of these trials alone"
    reached = interval(low, high, unit_of(quantity)).replace(" to ", " and ")
    mean = f"{rounded_by(row['mean'], reach / t)} {unit_of(quantity)}".rstrip()
    sentence = (
        f"If nothing changes, one more run with {case_of(x, condition)} would land between {reached}, 19 times in 20. "
        f"This range comes from {basis}. The mean is {mean}, yet hardly any run lands exactly there."
    )
    return NextRun(low, high, sentence)


def what_trials_show(averages: pd.DataFrame) -> list[str]:
    """Paragraphs for a student: what the bars mean, what so few trials cannot tell, what shared scatter is."""
    few = int(averages["n"].mode().iloc[0])  # of two equally common numbers of trials the smaller one
    dof, scatter = averages.attrs["pooled_dof"], averages.attrs["pooled_scatter"]
    words = [
        "Each dot is one trial. The bar is a 95 % interval for the mean. Very many trials would give one mean: out of "
        "20 bars made this way, about 19 hold it."
    ]
    if few == 1:
        words.append("A condition with one trial has no bar of its own: one trial cannot show its own scatter.")
    else:
        words.append(
            f"{_SPELLED.get(few, few)} trials cannot show well how much trials scatter"
            + (": the scatter they give may easily be off by half" if few == 3 else "")
            + f". So the bar must be wide: the mean ± {t_factor(few - 1):.2f} × its standard uncertainty. "
            f"With ten trials the factor would be {t_factor(9):.2f}."
        )
    if few <= 3:
        words.append(
            "No test can find an unusual trial among three. Chance alone often puts two close together and one away: "
            "in 36 of 100 threes one gap is more than four times the other. Set a trial aside only if you saw or "
            "heard what went wrong."
        )
    if dof > 0:
        kind = percent(scatter) if averages.attrs["pooled"] == "relative" else number(scatter, 2)
        words.append(
            f"Shared scatter: all conditions together show that single trials scatter by about {kind}. If every "
            "condition scatters alike, each may use this number, and the bars get shorter: the factor is then "
            f"{t_factor(dof):.2f}. The view in per cent shows whether the dots do scatter alike."
        )
    words.append(
        "All this is about repeating with one rig, on one day. A gate that is set wrong shifts every trial alike, and "
        "no number of repeats shows that."
    )
    return words


def with_and_without(results: pd.DataFrame, x: str, quantity: str) -> list[str]:
    """For each condition with a trial set aside: its mean with all measured trials, and without those set aside."""
    aside = results["set_aside"].fillna("").astype(str)
    measured = counting(results.assign(set_aside="")) & results[quantity].notna()
    unit, sentences = unit_of(quantity), []
    for condition in results.loc[measured & (aside != ""), x].unique():
        rows = results[measured & (results[x] == condition)]
        everything = average(rows.assign(set_aside=""), x, quantity, "absolute").iloc[0]
        left_out = int((rows["set_aside"] != "").sum())
        trials = count_of(len(rows), "trial")
        words = f"With {case_of(x, condition)}, all {trials} give a mean of {_mean_words(everything, unit)}; "
        if left_out == len(rows):
            words += "with all of them set aside there is no mean."
        else:
            kept = average(rows, x, quantity, "absolute").iloc[0]
            words += f"without {count_of(left_out, 'trial')} set aside it is {_mean_words(kept, unit)}."
        sentences.append(words)
    return sentences


def _mean_words(row, unit) -> str:
    if row["n"] < 2:
        return f"{_with(number(row['mean']), unit)} (one trial: no interval)"
    mean = _with(rounded_by(row["mean"], row["u"]), unit)
    return f"{mean} (95 %: {interval(row['low'], row['high'], unit)})"


def _with(text: str, unit: str) -> str:
    return f"{text} {unit}".rstrip()


def unusual_trials(results: pd.DataFrame, x: str, quantity: str) -> list[str]:
    """Sentences on trials far from the others, where there are enough trials for Grubbs' test; empty otherwise."""
    from .trials import grubbs

    sentences = []
    for condition, rows in results[counting(results) & results[quantity].notna()].groupby(x):
        if len(rows) > 3:
            found = grubbs(rows[quantity])
            if found.unusual:
                value = number(rows[quantity].iloc[found.index])
                sentences.append(
                    f"With {case_of(x, condition)}, {value} {unit_of(quantity)}".rstrip()
                    + " lies unusually far from the others. Was there a physical cause? Only then set it aside."
                )
    return sentences


def describe_trials(results: pd.DataFrame, averages: pd.DataFrame, x: str, quantity: str = "duration_s") -> str:
    """What a plot of the trials shows, in two or three sentences."""
    name, unit = name_of(quantity), unit_of(quantity)
    first, last = averages.iloc[0], averages.iloc[-1]
    words = (
        f"{count_of(int(averages['n'].sum()), 'trial').capitalize()} of {name} at "
        f"{count_of(len(averages), 'condition')}, each trial a dot beside the mean with its 95 % interval. "
    )
    if len(averages) > 1:
        moves = "falls" if last["mean"] < first["mean"] else "rises"
        words += (
            f"From {case_of(x, first[x])} to {case_of(x, last[x])} the mean {moves} from "
            f"{number(first['mean'], 3)} to {number(last['mean'], 3)} {unit}".rstrip()
        ) + ". "
    else:
        words += f"The mean is {number(first['mean'], 3)} {unit}".rstrip() + ". "
    scatter = averages.attrs.get("pooled_scatter", np.nan)
    if averages.attrs.get("pooled") == "relative" and np.isfinite(scatter):
        words += f"Single trials scatter by about {percent(scatter)} about their mean. "
    aside = int((results["set_aside"].fillna("") != "").sum()) if "set_aside" in results.columns else 0
    if aside:
        words += f"{count_of(aside, 'trial').capitalize()} set aside, drawn hollow."
    return words.strip()


def trials_numbers(results: pd.DataFrame, averages: pd.DataFrame, x: str, quantity: str = "duration_s") -> pd.DataFrame:
    """The numbers in a plot of the trials, as text: a row a condition."""
    unit = unit_of(quantity)
    counts = counting(results) & results[quantity].notna()
    rows = []
    for _, row in averages.iterrows():
        trials = results.loc[counts & (results[x] == row[x]), quantity]
        rows.append(
            {
                name_of(x).capitalize(): row[x] if isinstance(row[x], str) else f"{row[x]:g}",
                "Trials": join_words([number(v) for v in trials]),
                "Mean ± standard uncertainty": plus_minus(row["mean"], row["u"], unit),
                "95 % interval": interval(row["low"], row["high"], unit) if row["n"] > 1 else "–",
                "95 % interval, shared scatter": interval(row["pooled_low"], row["pooled_high"], unit)
                if averages.attrs["pooled_dof"]
                else "–",
            }
        )
    return pd.DataFrame(rows)
