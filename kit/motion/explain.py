"""Why duration and turns follow one shape: the ratio test, the collapse of all runs, and two routes to one number.

Between the same two speeds, turns/duration is the mean speed of the run. It depends on the kind of drag, not on how
strong the drag is: arithmetic mean for constant drag, logarithmic mean for drag ∝ speed, a third one for drag ∝
speed². So if only the strength changes from condition to condition, turns stay in proportion to duration.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from ..stats.averages import NORMAL_FACTOR, counting, t_factor
from ..stats.trend import fit_trend
from ..wording import times_u
from .drag import LAWS, TURN, DragLaw, single_power
from .drag_fit import DragFit, coasting_passes, fit_run
from .drag_joint import JointDrag
from .speed import SpeedCurve

__all__ = [
    "RatioTest",
    "at_nothing_added",
    "beyond_last_pass",
    "collapse",
    "collapsed_at",
    "law_curves",
    "mean_speeds",
    "ratio_test",
    "routes",
    "same_number",
    "times_reached",
    "turn_speeds",
]

_SINGLE = [law for law, terms in LAWS.items() if len(terms) == 1]


def mean_speeds(start_period_s: float, stop_period_s: float) -> dict[str, float]:
    """Return the mean speed in turns/s between two turn periods for each single kind of drag.

    With speeds ω₁ > ω₂: constant (ω₁+ω₂)/2, ∝ speed (ω₁−ω₂)/ln(ω₁/ω₂), ∝ speed² ω₁ω₂ ln(ω₁/ω₂)/(ω₁−ω₂).
    """
    _check_periods(start_period_s, stop_period_s)
    return {
        law: float(DragLaw(**{LAWS[law]: 1.0}).mean_speed(1 / start_period_s, 1 / stop_period_s)) for law in _SINGLE
    }


@dataclass(frozen=True, eq=False)
class RatioTest:
    """Turns/duration of all runs, held against the mean speeds of the three kinds of drag."""

    x: str
    mean_speeds: dict[str, float]  # turns/s, by law
    runs: pd.DataFrame  # x, trial, source, ratio, ratio_u: turns/s
    conditions: pd.DataFrame  # x, n, ratio, u, low, high (95 %), nearest: the law with the nearest mean speed
    ratio: float  # of all runs, turns/s; where the conditions differ, the mean over the conditions
    ratio_u: float
    scatter: float  # from run to run under one condition, beyond the runs' own uncertainties, turns/s
    dof: int  # repeats beyond the first, over all conditions
    p_same: float  # chance of differences between conditions this large if there are none; nan: cannot be tested
    p_trend: float  # the same for a straight line of the ratio over x
    laws: pd.DataFrame  # law, mean_speed, verdict
    towards: str  # the law whose mean speed the ratio moves towards as x grows; "" where no trend shows
    same_kind: str  # verdict on the conditions, a sentence
    sentence: str  # verdict on the laws, a sentence


def ratio_test(results: pd.DataFrame, x: str, start_period_s: float, stop_period_s: float) -> RatioTest:
    """Hold turns/duration of every counted run against the mean speeds of the three kinds of drag.

    Parameters
    ----------
    results : table with `x`, `duration_s`, `turns` and, where known, `duration_u_s`, `turns_u`, measured between
        the two turn periods given. Only counted rows that are not set aside enter.

    The uncertainty of a run's ratio takes those of duration and turns as independent, which is cautious: both come
    from the same two crossings. So the repeats decide: where they scatter less, all uncertainties are scaled down;
    where they scatter more, the excess is a random effect added to all (either way so that χ² within the conditions
    equals its degrees of freedom: Paule & Mandel, J. Res. NBS 87 (1982) 377).

    Rules for a law: "the data support" it where its mean speed lies in the 95 % interval of the ratio and the ratio is
    the same in all conditions (p ≥ 0.05). The ratio is "close to" it where less than a tenth of the way to the next
    law is walked. Else the data "speak against" it.

    Rules for the conditions: F test between them and F test of a straight line, the smaller p doubled; p < 0.01
    "changes", p < 0.05 "a hint", else "no sign". Where the ratio moves as x grows, it moves towards the kind of drag
    that x adds.

    What a ratio cannot tell: constant drag with drag ∝ speed² can have the ratio of drag ∝ speed, and any ratio between
    theirs is also that of one kind, ∝ speed^p (`kit.motion.drag.single_power`). The sentences say so.

    >>> import kit, pandas as pd
    >>> results = pd.DataFrame({"magnets": [1, 1, 2, 2], "duration_s": [38.0, 37.0, 23.4, 23.0],
    ...                         "turns": [82.2, 80.2, 50.6, 49.7]})
    >>> test = kit.ratio_test(results, "magnets", start_period_s=0.25, stop_period_s=1.0)
    >>> print(f"{test.ratio:.2f} turns/s"), dict(zip(test.laws["law"], test.laws["verdict"]))["∝ speed"]
    2.16 turns/s
    (None, 'the data support')

    Raises
    ------
    KitError : a missing column, or no counted run.
    """
    speeds = mean_speeds(start_period_s, stop_period_s)
    runs = _ratios(results, x)
    labels, group = np.unique(runs[x].to_numpy(), return_inverse=True)
    ratio, variance = runs["ratio"].to_numpy(), runs["ratio_u"].to_numpy() ** 2
    dof = len(runs) - len(labels)
    excess, shrunk = _scatter_of_repeats(ratio, variance, group, dof)
    variance = variance * shrunk + excess
    if not (variance > 0).all():  # no repeats and no uncertainties given: nothing is known of the scatter
        variance = np.full(len(runs), np.nan)
    weights = np.where(np.isnan(variance), 1.0, 1 / variance)
    total = np.bincount(group, weights)
    means = np.bincount(group, weights * ratio) / total
    factor = t_factor(dof) if dof > 0 else t_factor(np.inf)
    us = 1 / np.sqrt(np.bincount(group, 1 / variance))
    p_same, p_trend = _tests(labels, means, total if np.isfinite(variance).all() else None, dof)
    if p_same < 0.05:  # the conditions differ: each counts once, and their spread is the uncertainty
        overall, overall_u = float(means.mean()), float(means.std(ddof=1) / np.sqrt(len(means)))
        half = t_factor(len(means) - 1) * overall_u
    else:
        overall, overall_u = float(np.average(ratio, weights=weights)), float(1 / np.sqrt(np.sum(1 / variance)))
        half = factor * overall_u
    towards = _towards(speeds, labels, means, p_trend)
    near = [_nearest(speeds, mean) for mean in means]
    verdicts = {law: _verdict(law, speeds, overall, half, one_kind=not p_same < 0.05) for law in speeds}
    return RatioTest(
        x=x,
        mean_speeds=speeds,
        runs=runs,
        conditions=pd.DataFrame(
            {
                x: labels,
                "n": np.bincount(group),
                "ratio": means,
                "u": us,
                "low": means - factor * us,
                "high": means + factor * us,
                "nearest": near,
            }
        ),
        ratio=overall,
        ratio_u=overall_u,
        scatter=float(np.sqrt(excess)),
        dof=dof,
        p_same=p_same,
        p_trend=p_trend,
        laws=pd.DataFrame({"law": list(speeds), "mean_speed": list(speeds.values()), "verdict": verdicts.values()}),
        towards=towards,
        same_kind=_same_kind(x, p_same, p_trend, means, towards),
        sentence=_sentence(speeds, overall, half, verdicts, single_power(overall, start_period_s, stop_period_s)),
    )


def collapse(runs: Sequence[Run], start_period_s: float, stop_period_s: float) -> pd.DataFrame:
    """Return speed / start speed against time / duration for every run: one curve if the kind of drag is the same.

    The speeds are those of single turns as measured (over the two turns around a pass); only where the run crosses
    the thresholds is taken from its fitted three-term law. Columns: the run's conditions, `trial, source,
    time_share, speed_share`. Runs set aside, and runs that do not reach both thresholds, are left out.

    >>> import kit, numpy as np
    >>> law = kit.DragLaw(b=0.05)
    >>> runs = [kit.Run(law.scaled(k).time_at_angle(2 * np.pi * np.arange(90 // k), 30.0), {"k": k}) for k in (1, 2)]
    >>> table = kit.collapse(runs, start_period_s=0.28, stop_period_s=0.6)
    >>> middle = table[(table["time_share"] - 0.5).abs() < 0.03]
    >>> print(middle.groupby("k")["speed_share"].mean().round(1).tolist())
    [0.7, 0.7]

    Raises
    ------
    KitError : thresholds that are not 0 < start < stop, or no run that reaches both.
    """
    _check_periods(start_period_s, stop_period_s)
    tables = []
    for run in runs:
        if run.set_aside:
            continue
        times, angles = coasting_passes(run)
        if len(times) < 6:
            continue
        fit = fit_run(run)
        begin, end = fit.crossing(start_period_s)[0], fit.crossing(stop_period_s)[0]
        if begin < times[0] - start_period_s or end > times[-1]:
            continue
        n = run.flags_per_turn
        speed = (angles[2 * n :] - angles[: -2 * n]) / (times[2 * n :] - times[: -2 * n])
        middle = (times[2 * n :] + times[: -2 * n]) / 2
        inside = (middle >= begin) & (middle <= end)
        tables.append(
            pd.DataFrame(
                {
                    **run.conditions,
                    "trial": run.trial,
                    "source": run.source,
                    "time_share": (middle[inside] - begin) / (end - begin),
                    "speed_share": speed[inside] * start_period_s / TURN,
                }
            )
        )
    if not tables:
        raise KitError(
            "No run reaches both thresholds", fix="choose a slower start threshold or a faster stop threshold"
        )
    return pd.concat(tables, ignore_index=True)


def law_curves(start_period_s: float, stop_period_s: float, points: int = 61) -> pd.DataFrame:
    """Return the curve of each single kind of drag for the collapse plot: `law, time_share, speed_share`."""
    _check_periods(start_period_s, stop_period_s)
    share = np.linspace(0, 1, points)
    tables = []
    for law in _SINGLE:
        drag = DragLaw(**{LAWS[law]: 1.0})
        duration = drag.duration(1.0, start_period_s / stop_period_s)
        speed = drag.speed_at(share * duration, 1.0)
        tables.append(pd.DataFrame({"law": law, "time_share": share, "speed_share": speed}))
    return pd.concat(tables, ignore_index=True)


def same_number(first: float, first_u: float, second: float, second_u: float) -> str:
    """Say in graded words whether two routes lead to one number, by their difference in standard uncertainties.

    Below 2: "agree"; below 3: "cannot tell"; else "differ". The routes are taken as independent.
    """
    apart = abs(first - second) / np.hypot(first_u, second_u)
    if not np.isfinite(apart):
        return "One of the two numbers has no uncertainty, so you cannot tell whether they agree."
    size = f"They are {times_u(apart)} apart."
    if apart < 2:
        return f"The two routes agree within their uncertainties. {size}"
    if apart < 3:
        return f"You cannot tell yet whether the two routes agree. {size}"
    return f"The two routes differ by more than their uncertainties. {size}"


def _check_periods(start_period_s, stop_period_s):
    if not 0 < start_period_s < stop_period_s:
        raise KitError(
            "The start threshold must be a shorter turn period than the stop threshold",
            found=f"{start_period_s} and {stop_period_s}",
            fix="give both in seconds, the faster one first",
        )


def _ratios(results: pd.DataFrame, x: str) -> pd.DataFrame:
    for name in (x, "duration_s", "turns"):
        if name not in results.columns:
            raise KitError("The table has no such column", column=name, fix=f"choose one of: {list(results.columns)}")
    used = results[counting(results) & (results["duration_s"] > 0) & (results["turns"] > 0)]
    if used.empty:
        raise KitError("No run counts", fix="choose a slower start threshold or a faster stop threshold")
    ratio = used["turns"] / used["duration_s"]
    none = pd.Series(0.0, index=used.index)
    relative = np.hypot(
        used.get("duration_u_s", none).fillna(0) / used["duration_s"],
        used.get("turns_u", none).fillna(0) / used["turns"],
    )
    kept = [name for name in (x, "trial", "source") if name in used.columns]
    return used[kept].assign(ratio=ratio, ratio_u=ratio * relative).reset_index(drop=True)


def _scatter_of_repeats(values, variance, group, dof) -> tuple[float, float]:
    """What to add to each run's variance, or to multiply it by, so that χ² within conditions equals its freedom."""
    from scipy.optimize import brentq

    def chi_squared(excess):
        weights = 1 / (variance + excess)
        means = np.bincount(group, weights * values) / np.bincount(group, weights)
        return float(np.sum(weights * (values - means[group]) ** 2))

    spread = np.ptp(values) ** 2
    if dof == 0 or spread == 0:
        return 0.0, 1.0
    if variance.min() > 0 and chi_squared(0.0) <= dof:
        return 0.0, chi_squared(0.0) / dof or 1.0
    top = spread * len(values)
    return float(brentq(lambda excess: chi_squared(excess) - dof, top * 1e-14, top, xtol=top * 1e-15)), 1.0


def _tests(labels, means, weights, dof) -> tuple[float, float]:
    """p of no difference between conditions, and p of no straight line over x; by χ² where nothing was repeated."""
    from scipy.special import chdtrc, fdtrc

    if weights is None or len(labels) < 2:
        return np.nan, np.nan

    def p(square, freedom):
        return float(fdtrc(freedom, dof, square / freedom) if dof > 0 else chdtrc(freedom, square))

    centred = means - np.average(means, weights=weights)
    p_same = p(np.sum(weights * centred**2), len(labels) - 1)
    if labels.dtype.kind not in "if" or len(labels) < 3:
        return p_same, np.nan
    x = labels - np.average(labels, weights=weights)
    return p_same, p(np.sum(weights * x * means) ** 2 / np.sum(weights * x**2), 1)


def _nearest(speeds: dict[str, float], mean: float) -> str:
    return min(speeds, key=lambda law: abs(speeds[law] - mean))


def _verdict(law, speeds, ratio, half, one_kind) -> str:
    away = ratio - speeds[law]
    if one_kind and abs(away) <= half:
        return "the data support"
    beyond = [abs(speed - speeds[law]) for speed in speeds.values() if (speed - speeds[law]) * away > 0]
    # Past the fastest or the slowest mean speed there is no neighbour: the nearest one on the other side counts.
    gap = min(beyond or [abs(s - speeds[law]) for s in speeds.values() if s != speeds[law]])
    return "close to" if abs(away) < gap / 10 else "speak against"


def _sentence(speeds, ratio, half, verdicts, power) -> str:
    if not np.isfinite(half):
        return f"Turns/duration is {ratio:.3f} turns/s. Without repeats or uncertainties you cannot tell more."
    digits = max(2, 1 - int(np.floor(np.log10(half)))) if half > 0 else 6
    found = f"Turns/duration is {ratio:.{digits}f} ± {half:.{digits}f} turns/s (95 %)."
    supported = [law for law, verdict in verdicts.items() if verdict == "the data support"]
    ends = min(speeds, key=speeds.__getitem__), max(speeds, key=speeds.__getitem__)
    if len(supported) > 1:
        return f"{found} It cannot tell these kinds of drag apart: {', '.join(supported)}."
    if supported and supported[0] in ends:
        return f"{found} The data support drag of one kind: {supported[0]} ({speeds[supported[0]]:.3f} turns/s)."
    if supported:
        return (
            f"{found} The data support drag like {supported[0]} ({speeds[supported[0]]:.3f} turns/s), or a mixture "
            f"that looks the same: {ends[1]} with {ends[0]}. Only the speeds within a run tell them apart."
        )
    close = [law for law, verdict in verdicts.items() if verdict == "close to"]
    if close:
        mimics = "" if close[0] in ends else f", or {ends[1]} with {ends[0]} looks like it"
        return (
            f"{found} It lies close to the kind {close[0]} ({speeds[close[0]]:.3f} turns/s), but not on it. A little "
            f"drag of another kind is mixed in, or the power of the speed is a little different{mimics}."
        )
    slower = [law for law, speed in speeds.items() if speed < ratio]
    faster = [law for law, speed in speeds.items() if speed > ratio]
    if slower and faster:
        pair = max(slower, key=speeds.__getitem__), min(faster, key=speeds.__getitem__)
        return (
            f"{found} It lies between the kinds {pair[0]} and {pair[1]}. A mixture can have this ratio, and so can "
            f"drag of one kind that grows as the speed to the power {power:.2f}. Only the speeds within a run tell "
            "them apart."
        )
    return f"{found} No mixture of the three kinds of drag has such a ratio. Check the thresholds and the turn counts."


def _towards(speeds, labels, means, p_trend) -> str:
    if not p_trend < 0.05:
        return ""
    rising = np.polyfit(labels, means, 1)[0] > 0
    last = means[-1]  # the labels are sorted
    ahead = {law: abs(speed - last) for law, speed in speeds.items() if (speed > last) == rising}
    return min(ahead, key=ahead.__getitem__) if ahead else ""


def _same_kind(x, p_same, p_trend, means, towards) -> str:
    known = [p for p in (p_same, p_trend) if not np.isnan(p)]
    if not known:
        return f"You cannot tell whether the kind of drag changes with {x}: repeat some runs."
    p = min(1.0, len(known) * min(known))
    change = f"between conditions the ratio moves by {100 * (means.max() / means.min() - 1):.1f} %"
    if p < 0.01:
        direction = f" With more {x} it moves towards the kind {towards}." if towards else ""
        found = f"The kind of drag, or the mixture, changes with {x}: {change}, more than chance explains"
        return f"{found} (p = {p:.2g}).{direction}"
    if p < 0.05:
        return f"There is a hint that the kind of drag, or the mixture, changes with {x}: {change} (p = {p:.2g})."
    return f"There is no sign that the kind of drag changes with {x}: {change}, as chance would (p = {p:.2g})."


# --- tables for the pages on slowing down: two routes to one number, and the way from the last pass to rest

DRAWS = 200  # laws drawn about a fitted one: enough for a band on the screen

CRAWL = 0.03  # a law that never comes to rest is shown down to this share of the last speed


def routes(results: pd.DataFrame, joint: JointDrag, start_period_s: float, stop_period_s: float) -> pd.DataFrame:
    """Return x₀ by the trend and by the drag fits, for duration and for turns, and n₀ of the added kind of drag alone.

    "trend": x₀ of A/(x + x₀) fitted to the counted runs above x = 0, with its profile interval; no pass between the
    thresholds is looked at. "drag fits": what the laws fitted to the passes say that this x₀ should be
    (`JointDrag.trend_x0`). "one kind alone": at_zero/slope of the one coefficient that changes (`JointDrag.n0`).

    Both routes rest on the same runs, so the scatter from run to run moves them together: their difference is
    smaller than independent uncertainties make expect, and a difference beyond them speaks all the more.

    Columns: quantity ("duration_s", "turns" or ""), route, value, u, low, high (95 %).

    Raises
    ------
    KitError : fewer than three conditions above 0, a missing column, or thresholds the laws do not reach.
    """
    x = joint.x
    for name in (x, "duration_s", "turns"):
        if name not in results.columns:
            raise KitError("The table has no such column", column=name, fix=f"choose one of: {list(results.columns)}")
    rows = results[counting(results) & (results[x] > 0)]
    by_fits = joint.trend_x0(start_period_s, stop_period_s)
    found = []
    for quantity in ("duration_s", "turns"):
        x0 = fit_trend(rows[x], rows[quantity], "shifted inverse").parameters["x0"]
        found.append((quantity, "trend", x0.value, x0.u, x0.low, x0.high))
        found.append((quantity, "drag fits", *by_fits[quantity]))
    found.append(("", "one kind alone", *joint.n0()))
    return pd.DataFrame(found, columns=["quantity", "route", "value", "u", "low", "high"])


def at_nothing_added(results: pd.DataFrame, joint: JointDrag, start_period_s: float, stop_period_s: float) -> dict:
    """Return the duration in s with nothing added: by A/(x + x₀), by the law, and the mean measured (nan if none).

    All but the last are extrapolations. Keys: "trend", "law", "measured".
    """
    rows = results[counting(results)]
    above = rows[rows[joint.x] > 0]
    trend = fit_trend(above[joint.x], above["duration_s"], "shifted inverse")
    x0 = trend.parameters["x0"].value
    law = joint.law_at(0.0)
    return {
        "trend": trend.value(0.0) if x0 > 0 else np.inf,
        "law": float(law.duration(TURN / start_period_s, TURN / stop_period_s)) if law.terms else np.inf,
        "measured": float(rows.loc[rows[joint.x] == 0, "duration_s"].mean()),
    }


def collapsed_at(collapsed: pd.DataFrame, x: str, shares) -> pd.DataFrame:
    """Return the mean speed share of each condition at some time shares: a row a condition, a column a share.

    `collapsed`: what `kit.collapse` returns. Each run is interpolated between its turns, and from its start,
    where the share is 1 by definition, by a monotone cubic (straight pieces would lie above the curve of a run with
    few turns); beyond its last turn it has no say. nan where no run of a condition has any.
    """
    from scipy.interpolate import PchipInterpolator

    at, rows = np.asarray(shares, float), {}
    for key, run in collapsed[collapsed["time_share"] > 0].groupby([x, "source", "trial"], sort=True):
        time, speed = [0.0, *run["time_share"]], [1.0, *run["speed_share"]]
        rows[key] = PchipInterpolator(time, speed, extrapolate=False)(at)
    table = pd.DataFrame.from_dict(rows, orient="index", columns=at)
    table.index = pd.Index([key[0] for key in rows], name=x)
    return table.groupby(level=0).mean()


def turn_speeds(times_s, angles_rad, flags_per_turn: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return the middle (s) of every turn between passes and its mean speed (turns/s): measured, nothing smoothed."""
    times, angles = np.asarray(times_s, float), np.asarray(angles_rad, float)
    n = flags_per_turn
    lasted = times[n:] - times[:-n]
    return (times[n:] + times[:-n]) / 2, (angles[n:] - angles[:-n]) / TURN / lasted


def times_reached(curves: Sequence[SpeedCurve], speeds) -> np.ndarray:
    """Return when runs reached some speeds, s, counted from the first of them: the mean of the runs that did.

    `speeds` in turns/s, falling, shape (n,). Moments are those of `SpeedCurve.crossing`. Shape (n,); nan where no run
    reached the first speed and this one too.
    """
    found = []
    for curve in curves:
        crossings = [curve.crossing(1 / speed) for speed in speeds]
        times = np.array([np.nan if crossing is None else crossing.time_s for crossing in crossings])
        found.append(times - times[0])
    table = np.reshape(found, (-1, len(speeds)))
    seen = np.isfinite(table)
    counted = seen.sum(axis=0)
    return np.divide(
        np.where(seen, table, 0.0).sum(axis=0), counted, out=np.full(len(speeds), np.nan), where=counted > 0
    )


def beyond_last_pass(fit: DragFit, points: int = 60, seed: int = 0) -> pd.DataFrame:
    """Return what a fitted law says comes after the last pass: `time_s, speed, low, high` (log's clock, turns/s).

    An estimate of the model: nothing was measured there. It reaches to the later end of the 95 % interval of the time
    to rest; for a law that never comes to rest, to 3 % of the speed at the last pass. low and high hold 95 % of the
    speeds of laws drawn from the fit's covariance (normal, widened by Student's factor, no coefficient below 0).
    """
    elapsed = fit.times_s[-1] - fit.times_s[0]
    rest, factor = fit.time_to_rest(), t_factor(fit.dof)
    if np.isfinite(rest.time_s):
        length = rest.time_s + factor * rest.time_u_s
    else:
        last = float(fit.law.speed_at(elapsed, fit.start_speed))
        length = float(fit.law.duration(last, CRAWL * last))
    after = np.linspace(0, length, points)
    names = ("start_speed", *fit.terms)
    at = [fit.parameters.index(name) for name in names]
    mean = np.array([fit.start_speed, *(getattr(fit.law, term) for term in fit.terms)])
    spread = fit.covariance[np.ix_(at, at)] * (factor / NORMAL_FACTOR) ** 2
    drawn = np.random.default_rng(seed).multivariate_normal(mean, spread, DRAWS, method="eigh").clip(0)
    speeds = [DragLaw(**dict(zip(fit.terms, row[1:], strict=True))).speed_at(elapsed + after, row[0]) for row in drawn]
    low, high = np.quantile(speeds, [0.025, 0.975], axis=0)
    return pd.DataFrame(
        {
            "time_s": fit.times_s[-1] + after,
            "speed": fit.law.speed_at(elapsed + after, fit.start_speed) / TURN,
            "low": low / TURN,
            "high": high / TURN,
        }
    )
