"""How much the answer depends on the threshold that was agreed."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from .errors import KitError
from .passes import Run
from .speed import SpeedCurve, prepare
from .threshold import measure
from .trend import fit_trend
from .trials import counting

__all__ = ["sensitivity"]


def sensitivity(
    runs: Sequence[Run | SpeedCurve],
    thresholds: Sequence[tuple[float, float | None]],
    x: str,
    rule: str = "interpolated",
) -> pd.DataFrame:
    """How duration, turns and the exponent of a power law move with the choice of thresholds.

    Parameters
    ----------
    runs : runs or prepared curves.
    thresholds : pairs of start and stop turn period, s; a stop of None counts to the last pass.
    x : the condition that was changed; its values must be above zero.

    Returns
    -------
    DataFrame, one row a pair: `start_period_s, stop_period_s, counted` (runs), `mean_duration_s, mean_turns` over the
    runs that every choice can count, so that rows compare, and for both quantities the fitted exponent p of A·x^p
    with its 95 % interval: `duration_p, duration_p_low, duration_p_high, turns_p, …` (NaN where it can't be fitted).

    Raises
    ------
    KitError : no thresholds, or one that is not 0 < start < stop.
    """
    if not thresholds:
        raise KitError("There are no thresholds to compare", fix="give at least one pair of start and stop")
    curves = prepare(runs)
    tables = [measure(curves, start, stop, rule) for start, stop in thresholds]
    counted = [counting(table) for table in tables]
    shared = pd.concat(counted, axis=1).all(axis=1)
    rows = []
    for (start, stop), table, counts in zip(thresholds, tables, counted, strict=True):
        row = {
            "start_period_s": start,
            "stop_period_s": stop,
            "counted": int(counts.sum()),
            "mean_duration_s": table.loc[shared, "duration_s"].mean(),
            "mean_turns": table.loc[shared, "turns"].mean(),
        }
        for name, column in (("duration", "duration_s"), ("turns", "turns")):
            row |= _exponent(name, table.loc[counts, x], table.loc[counts, column])
        rows.append(row)
    return pd.DataFrame(rows)


def _exponent(name: str, x: pd.Series, y: pd.Series) -> dict:
    keys = (f"{name}_p", f"{name}_p_low", f"{name}_p_high")
    if x.nunique() < 3:
        return dict.fromkeys(keys, float("nan"))
    p = fit_trend(x, y, "power law").parameters["p"]
    return dict(zip(keys, (p.value, p.low, p.high), strict=True))
