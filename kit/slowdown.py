"""What the pages on slowing down show, as tables: two routes to one number, and the way from the last pass to rest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from .drag import DragLaw
from .drag_fit import TURN, DragFit
from .drag_joint import JointDrag
from .errors import KitError
from .speed import SpeedCurve
from .trend import fit_trend
from .trials import counting

__all__ = ["ROUTES", "at_nothing_added", "beyond_last_pass", "collapsed_at", "routes", "times_reached", "turn_speeds"]

#: Three answers to "how much of what was added would drag like the apparatus alone?"
ROUTES = ("trend", "drag fits", "one kind alone")
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
        found.append((quantity, "trend", x0.value, x0.se, x0.low, x0.high))
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

    `collapsed`: what `kit.explain.collapse` returns. Each run is interpolated between its turns, and from its start,
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
    from scipy.special import stdtrit

    elapsed = fit.times_s[-1] - fit.times_s[0]
    rest, factor = fit.time_to_rest(), stdtrit(fit.dof, 0.975)
    if np.isfinite(rest.time_s):
        length = rest.time_s + factor * rest.time_u_s
    else:
        last = float(fit.law.speed_at(elapsed, fit.start_speed))
        length = float(fit.law.duration(last, CRAWL * last))
    after = np.linspace(0, length, points)
    names = ("start_speed", *fit.terms)
    at = [fit.parameters.index(name) for name in names]
    mean = np.array([fit.start_speed, *(getattr(fit.law, term) for term in fit.terms)])
    spread = fit.covariance[np.ix_(at, at)] * (factor / 1.959964) ** 2
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
