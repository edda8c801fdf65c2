"""Tables that a student reads: sorted by condition, headed in words, rounded to what the trials repeat.

The numbers themselves, with all their digits, are `Progress.results` and `Progress.averages`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..logs.run import Run
from ..record.entries import QUANTITIES
from ..stats.averages import COUNTED, pooled_scatter
from ..wording import as_repeated, case_of, condition_value, interval, number, plus_minus
from .progress import Progress, by_condition

__all__ = ["averages_in_words", "one_run_words", "results_in_words", "spread_of", "timing_in_words"]


def spread_of(progress: Progress, quantity: str) -> float:
    """Spread of single trials as a fraction, pooled over all conditions; NaN where no condition has two trials."""
    counted = progress.counted
    if counted.empty or (counted[quantity] <= 0).any():
        return float("nan")
    return pooled_scatter(counted[quantity].tolist(), counted[progress.x].tolist())[0]


def results_in_words(progress: Progress) -> pd.DataFrame:
    """One row a run: condition, trial, coasting time and number of turns rounded to what trials repeat, what is odd."""
    results = by_condition(progress.results, progress.x)
    table = {
        progress.lesson.x_label: [condition_value(value) for value in results[progress.x]],
        "trial": results["trial"].astype(str).tolist(),
    }
    for name, quantity in QUANTITIES.items():
        spread = spread_of(progress, name)
        table[quantity.title.lower()] = [as_repeated(value, spread * value) for value in results[name]]
    table["what is odd"] = [_odd(row) for _, row in results.iterrows()]
    return pd.DataFrame(table)


def timing_in_words(progress: Progress) -> pd.DataFrame:
    """One row a run: how exactly the gate timed this one run, which says nothing of how well trials repeat."""
    results = by_condition(progress.results, progress.x)
    return pd.DataFrame(
        {
            progress.lesson.x_label: [condition_value(value) for value in results[progress.x]],
            "trial": results["trial"].astype(str).tolist(),
            "coasting time": [
                plus_minus(*pair, "s") for pair in zip(results["duration_s"], results["duration_u_s"], strict=True)
            ],
            "number of turns": [plus_minus(*pair) for pair in zip(results["turns"], results["turns_u"], strict=True)],
        }
    )


def _odd(row: pd.Series) -> str:
    aside = f"set aside: {row['set_aside']}" if row["set_aside"] else ""
    said = [row["status"] if row["status"] != COUNTED else "", aside, row["doubt"], row["note"]]
    return "; ".join(text for text in said if text)


def averages_in_words(progress: Progress, quantity: str) -> pd.DataFrame:
    """One row a condition: number of trials, average ± uncertainty, spread, 95 % interval by itself and by all."""
    averages, unit = progress.averages(quantity), QUANTITIES[quantity].unit
    unit = "" if quantity == "turns" else unit
    spreads = averages["sd"].to_numpy(float)
    return pd.DataFrame(
        {
            progress.lesson.x_label: averages[progress.x].map(condition_value),
            "trials": averages["n"].map("{:g}".format),
            "average": [plus_minus(*pair, unit) for pair in zip(averages["mean"], averages["u"], strict=True)],
            "spread of the trials": [f"{number(s, 2)} {unit}".strip() if np.isfinite(s) else "–" for s in spreads],
            "95 % interval": _intervals(averages, "low", "high", unit),
            "95 % interval, spread of all conditions": _intervals(averages, "pooled_low", "pooled_high", unit),
        }
    )


def _intervals(averages: pd.DataFrame, low: str, high: str, unit: str) -> list[str]:
    return [
        interval(a, b, unit) if np.isfinite(a) and np.isfinite(b) else "–"
        for a, b in zip(averages[low], averages[high], strict=True)
    ]


def one_run_words(progress: Progress, run: Run) -> str:
    """What one run did between the two speeds, in a sentence."""
    rows = progress.results
    row = rows[rows["source"] == run.source].iloc[0]
    start, stop = progress.two_periods_s
    case = f"This run was made with {case_of(progress.x, row[progress.x])}."
    if row["status"] != COUNTED:
        return f"{case} It can't be counted: {row['status']}."
    time, turns = (as_repeated(row[name], spread_of(progress, name) * row[name]) for name in ("duration_s", "turns"))
    speeds = f"{1 / start:.3g} turns a second to {1 / stop:.3g}"
    return f"{case} It slowed from {speeds} in {time} s and made {turns} turns meanwhile."
