"""Clean logs: how often value ± 2 u holds the truth, by rule, jitter, flags, law of slowing and once-a-turn torque.

A share near 95 % is meant. Also given: the median of 2 u in per cent of the value, for a wide enough u always holds;
the root mean square of error/u, which should be about 1; and how many runs were counted and carry a note.
"""

from __future__ import annotations

import warnings
from itertools import product

import numpy as np
import pandas as pd

from .atlas import LENGTHS, LONG, Cell, kit_counts
from .crew import done_by
from .setups import FLAG_ANGLES, JITTERS, LAWS, MODULATIONS

RULES = ("interpolated", "whole turns", "law", "best")
SHORTER = tuple(turns for turns in LENGTHS if turns < LONG)
RELEASE_PERIODS_S = (0.001, 0.01, 2.4)  # beside the usual 0.08 to 1.2 s; the slowest stop is then about 12 s


def all_cells(lengths=SHORTER) -> list[Cell]:
    """Jitter × flags × law × modulation × length, and very fast and slow wheels.

    A string, and a run of a few turns, come without modulation.
    """
    fast_and_slow = [
        Cell("none", "-", turns, "gauss", flags, law, "even", release_s)
        for flags, law, release_s, turns in product(("1", "12"), LAWS, RELEASE_PERIODS_S, lengths)
    ]
    return fast_and_slow + [
        Cell("none", "-", turns, jitter, flags, law, modulation)
        for jitter, flags, law, modulation, turns in product(JITTERS, FLAG_ANGLES, LAWS, MODULATIONS, lengths)
        if modulation == "even" or (turns >= 10 and not law.startswith("string"))
    ]


def some_cells(most: int, lengths=SHORTER) -> list[Cell]:
    """A fixed choice of `most` cells, spread over all of them; the same each time."""
    cells = all_cells(lengths)
    chosen = np.sort(np.random.default_rng(1).permutation(len(cells))[:most])
    return [cells[i] for i in chosen]


def run_cell(cell: Cell, n: int) -> list[dict]:
    """One row a run and rule: errors and uncertainties of duration and turns."""
    rows = []
    for number, log in cell.logs(n):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            counts = kit_counts(log, RULES)
        for rule, count in zip(RULES, counts, strict=True):
            rows.append(
                {
                    "rule": rule,
                    "jitter": cell.jitter,
                    "flags": cell.flags,
                    "law": cell.law,
                    "modulation": cell.modulation,
                    "length": cell.turns,
                    "release_s": cell.release_s or "usual",
                    "number": number,
                    "counted": count.counted,
                    "said": count.said,
                    "off_s": count.duration_s - log.duration_s,
                    "u_s": count.duration_u_s,
                    "true_s": log.duration_s,
                    "off_turns": count.turns - log.turns,
                    "u_turns": count.turns_u,
                    "true_turns": log.turns,
                }
            )
    return rows


def runs(cells, n: int, jobs: int = 1) -> pd.DataFrame:
    """One row a run and rule of every cell."""
    parts = done_by(jobs, run_cell, [(cell, n) for cell in cells])
    return pd.DataFrame([row for part in parts for row in part])


def table(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """Coverage by rule and one more column, over all the others."""

    def one(group):
        counted = group[group["counted"]]
        result = {"n": len(group), "counted %": 100 * group["counted"].mean()}
        result["noted %"] = 100 * (counted["said"] != "").mean()
        for word, unit in (("duration", "s"), ("turns", "turns")):
            off, u = counted[f"off_{unit}"].abs(), counted[f"u_{unit}"]
            result[f"{word} in 2u %"] = 100 * (off <= 2 * u).mean()
            result[f"{word} rms/u"] = float(np.sqrt(((off / u) ** 2).mean()))
            result[f"{word} 2u/value %"] = 100 * (2 * u / counted[f"true_{unit}"]).median()
        return pd.Series(result)

    keys = ["rule"] if by == "rule" else ["rule", by]
    made = {key: one(group) for key, group in rows.groupby(keys, sort=False)}
    return pd.DataFrame(made).T.rename_axis(keys).reset_index().infer_objects()
