"""The main job without a screen: a folder of gate logs in, everything the kit can say about it out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from .errors import KitError
from .lessons.lesson import LESSON_FILE, load_lesson
from .logs.folder import read_folder
from .logs.run import Run
from .motion.drag_fit import coasting_passes, fit_drags
from .motion.speed import SpeedCurve, speed_curves
from .motion.threshold import common_start, common_stop, measure
from .stats.averages import average, counting
from .stats.trend import Trend, fit_trend, fit_trends
from .stats.verdict import next_condition, same_shape, verdict
from .wording import plus_minus

__all__ = [
    "analyse",
    "analyse_runs",
    "sensitivity",
    "summary_text",
]

SCHEMA = "kit-analysis-1"

QUANTITIES = ("duration_s", "turns")


def analyse(
    folder: str | Path,
    start_period_s: float | str | None = None,
    stop_period_s: float | str | None = None,
    rule: str | None = None,
    x: str | None = None,
) -> dict:
    """Read a folder of gate logs and analyse it.

    Parameters
    ----------
    folder : holds `runs.csv`, or logs whose names give their conditions; may hold a `lesson.toml`.
    start_period_s : turn period at which counting starts, s; "auto" is the fastest start every run reaches. By
        default what the lesson suggests, else "auto".
    stop_period_s : turn period at which it stops, s; "auto" is the slowest every run reaches, "last" the last pass.
        By default what the lesson suggests, else "auto".
    rule : counting rule; by default the lesson's, else "interpolated".
    x : the condition that was changed; by default the lesson's, else the only number that changes.

    Returns
    -------
    dict of plain numbers and texts, ready for JSON: see `analyse_runs`.

    Raises
    ------
    KitError : anything in the folder that can't be used, or a choice that is not possible.
    """
    folder = Path(folder)
    runs = read_folder(folder)
    lesson = load_lesson(folder) if (folder / LESSON_FILE).exists() else None
    suggested_stop = ("auto" if lesson.stop_period_s is None else lesson.stop_period_s) if lesson else "auto"
    return analyse_runs(
        runs,
        start_period_s=start_period_s or (lesson.start_period_s if lesson else "auto"),
        stop_period_s=stop_period_s or suggested_stop,
        rule=rule or (lesson.rule if lesson else "interpolated"),
        x=x or (lesson.x if lesson else None),
    )


def analyse_runs(
    runs: Sequence[Run | SpeedCurve],
    start_period_s: float | str = "auto",
    stop_period_s: float | str | None = "auto",
    rule: str = "interpolated",
    x: str | None = None,
) -> dict:
    """Measure, average and fit; numbers in SI at full precision, NaN as None.

    Keys: `schema, x, threshold, runs, conditions, trends, verdict, next_condition`. Trends are listed best first.
    Averages and their intervals (`low`, `high`, 95 %) are each condition's own; where a quantity can't be fitted, its
    list of trends is empty and `verdict` says why.
    """
    curves = speed_curves(runs)
    x = x or _changed([curve.run for curve in curves])
    start = common_start(curves) if start_period_s == "auto" else _seconds(start_period_s, "start")
    stop = _stop(curves, stop_period_s)
    results = measure(curves, start, stop, rule)
    if x not in results.columns:
        known = list(curves[0].run.conditions)
        raise KitError("No run has this condition", found=x, fix=f"choose one of: {', '.join(known)}")
    counted = results[counting(results)]
    trends, words, fitted = {}, {}, {}
    for quantity in QUANTITIES:
        fitted[quantity], words[quantity] = _fit(counted, x, quantity)
        trends[quantity] = [_trend(trend) for trend in fitted[quantity]]
    words["same_shape"] = _same_shape(counted, x)
    return {
        "schema": SCHEMA,
        "x": x,
        "threshold": {"start_period_s": start, "stop_period_s": stop, "rule": rule},
        "runs": [_run(curve, row) for curve, row in zip(curves, results.to_dict("records"), strict=True)],
        "conditions": _conditions(results, counted, x),
        "trends": trends,
        "verdict": words,
        "next_condition": _next(fitted["duration_s"]),
    }


def _changed(runs: Sequence[Run]) -> str:
    """The only numeric condition that differs between runs."""
    names = dict.fromkeys(name for run in runs for name in run.conditions)
    changing = [
        name
        for name in names
        if len({run.conditions.get(name) for run in runs}) > 1
        and all(isinstance(run.conditions.get(name), int | float) for run in runs)
    ]
    if len(changing) == 1:
        return changing[0]
    if not changing:
        raise KitError("No numeric condition differs between the runs", fix="say in runs.csv what was changed")
    raise KitError("Several conditions differ between the runs", found=", ".join(changing), fix="name one with --x")


def _seconds(value: float | str, which: str) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        raise KitError(f"The {which} threshold must be a number of seconds", found=value, fix="such as 0.3") from None


def _stop(curves, stop_period_s) -> float | None:
    if stop_period_s in (None, "last"):
        return None
    return common_stop(curves) if stop_period_s == "auto" else _seconds(stop_period_s, "stop")


def _run(curve: SpeedCurve, row: dict) -> dict:
    run = curve.run
    repairs = {"bounce": 0, "missed": 0}
    for repair in run.repairs:
        if repair.accepted:
            repairs[repair.kind] += repair.passes
    numbers = ("duration_s", "duration_u_s", "turns", "turns_u", "more_than_s")
    return (
        {
            "source": run.source,
            "conditions": {k: _plain(v) for k, v in run.conditions.items()},
            "trial": run.trial,
            "flags_per_turn": run.flags_per_turn,
        }
        | {name: _plain(row[name]) for name in numbers}
        | {name: row[name] for name in ("status", "set_aside", "note")}
        | {"repairs": repairs, "timing_sd_s": _plain(curve.timing_sd_s), "drag": _drag(run)}
    )


def _drag(run: Run) -> dict | None:
    """The law that fits this run best by AICc; None where it has too few passes."""
    try:
        best = fit_drags(*coasting_passes(run), run.flags_per_turn)[0]
    except KitError:
        return None
    return {"law": best.name, "a": best.law.a, "b": best.law.b, "c": best.law.c}


def _conditions(results: pd.DataFrame, counted: pd.DataFrame, x: str) -> list[dict]:
    if counted.empty:
        return []
    tables = {quantity: average(results, x, quantity) for quantity in QUANTITIES}
    rows = []
    for i, row in enumerate(tables["duration_s"].to_dict("records")):
        parts = {}
        for quantity, table in tables.items():
            parts[quantity] = {name: _plain(table[name].iloc[i]) for name in ("mean", "sd", "u", "low", "high")}
        rows.append({"x": _plain(row[x]), "n": int(row["n"])} | parts)
    return rows


def _fit(counted: pd.DataFrame, x: str, quantity: str) -> tuple[list[Trend], str]:
    try:
        trends = fit_trends(counted[x], counted[quantity])
    except KitError as error:
        return [], f"No trend can be fitted. {error}"
    return trends, " ".join(verdict(trends).sentences)


def _trend(trend: Trend) -> dict:
    parameters = {
        name: {"value": _plain(p.value), "se": _plain(p.u), "low": _plain(p.low), "high": _plain(p.high)}
        for name, p in trend.parameters.items()
    }
    return {
        "model": trend.model,
        "parameters": parameters,
        "aicc": _plain(trend.aicc),
        "weight": _plain(trend.weight),
        "lack_of_fit_p": None if trend.lack_of_fit is None else _plain(trend.lack_of_fit.p),
        "loo_error": _plain(trend.loo_error),
    }


def _same_shape(counted: pd.DataFrame, x: str) -> str:
    try:
        return same_shape(counted[x], counted["duration_s"], counted["turns"]).sentence
    except KitError as error:
        return f"Duration and turns can't be compared. {error}"


def _next(trends: list[Trend]) -> float | None:
    found = next_condition(trends) if trends else None
    return None if found is None else _plain(found.x)


def _plain(value):
    """A number JSON can hold: a Python int or float, None for what is not finite; texts as they are."""
    if isinstance(value, str) or value is None:
        return value
    value = float(value)
    return value if math.isfinite(value) else None


def summary_text(analysis: dict) -> str:
    """The analysis in a few lines of plain text, for a terminal."""
    x, threshold = analysis["x"], analysis["threshold"]
    stop = threshold["stop_period_s"]
    until = "the last pass (not rest)" if stop is None else f"{stop:g} s"
    counted = sum(run["status"] == "counted" and not run["set_aside"] for run in analysis["runs"])
    lines = [
        f"{len(analysis['runs'])} runs, {counted} counted, from {threshold['start_period_s']:g} s a turn "
        f"to {until} ({threshold['rule']}).",
    ]
    for run in analysis["runs"]:
        if run["status"] != "counted" or run["set_aside"]:
            lines.append(f"  {run['source']}: {run['set_aside'] or run['status']}")
    lines += ["", f"{x:>10}  trials  duration (s)       turns"]
    for row in analysis["conditions"]:
        duration, turns = row["duration_s"], row["turns"]
        lines.append(
            f"{row['x']:>10g}  {row['n']:>6}  {_with_u(duration):<17}  {_with_u(turns)}",
        )
    for quantity, trends in analysis["trends"].items():
        lines += ["", f"{quantity}:"]
        for trend in trends[:3]:
            values = ", ".join(f"{k} = {plus_minus(p['value'], p['se'] or 0)}" for k, p in trend["parameters"].items())
            lines.append(f"  {trend['model']}: {values}  (evidence weight {trend['weight']:.2f})")
        lines.append(f"  {analysis['verdict'][quantity]}")
    lines += ["", analysis["verdict"]["same_shape"]]
    return "\n".join(lines)


def _with_u(part: dict) -> str:
    return plus_minus(part["mean"], part["u"] or 0)


# --- How much the answer depends on the threshold that was agreed.


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
    curves = speed_curves(runs)
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
