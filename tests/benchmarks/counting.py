"""From passes to results: preparing runs, and moving the thresholds over them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from kit.logs.run import with_repairs
from kit.motion.speed import speed_curve, speed_curves
from kit.motion.threshold import count_runs, measure
from tests.benchmarks.race import Job, Row, race
from tests.benchmarks.simulated import START_S, STOP_S, coasting_runs

__all__ = ["ITEMS"]


def move_thresholds(small: bool) -> list[Row]:
    """Both thresholds moved over runs that are prepared: what happens at every step of a drag."""
    count, passes = (3, 60) if small else (100, 500)
    runs = coasting_runs(count, passes)
    curves = speed_curves(runs)
    table = pd.concat(
        [
            pd.DataFrame({"run": k, "time": c.times_s, "turns": c.turns, "period": c.period_s})
            for k, c in enumerate(curves)
        ]
    )

    def by_masks():
        rows = []
        for _, run in table.groupby("run"):
            start, stop = (run[run["period"] >= limit].iloc[0] for limit in (START_S, STOP_S))
            rows.append((stop["time"] - start["time"], stop["turns"] - start["turns"]))
        return pd.DataFrame(rows, columns=["duration_s", "turns"])

    keys = np.concatenate([10.0 * k + np.clip(c.period_s, 0, 9) for k, c in enumerate(curves)])
    wanted = np.concatenate([10.0 * np.arange(count) + limit for limit in (START_S, STOP_S)])
    usual, floor = (
        Job("pandas masks, to the nearest pass", by_masks),
        Job("bare searchsorted", lambda: keys.searchsorted(wanted)),
    )
    work = f"{count} runs × {passes} passes"
    return [
        race(
            f"move both thresholds, {work}: figures",
            Job("", lambda: count_runs(curves, START_S, STOP_S)),
            usual,
            floor,
            "≥ 3,000 × pandas, ≤ 4 × floor",
            "ours between passes, on the smooth curve, with uncertainties and statuses",
        ),
        race(
            "  with notes and doubts, as a DataFrame",
            Job("", lambda: measure(curves, START_S, STOP_S)),
            usual,
            floor,
            "≥ 100 × pandas",
        ),
    ]


def prepare_passes(small: bool) -> list[Row]:
    """Repairs found and runs smoothed: a lesson's, one long one, and many scaled to a million passes."""
    lesson = coasting_runs(2 if small else 21, 60 if small else 150, oddities=True)
    (long,) = coasting_runs(1, 60 if small else 1_000_000, oddities=True)
    count, passes = (2, 60) if small else (40, 500)
    runs = coasting_runs(count, passes, oddities=True)
    share = 1.0 if small else count * passes / 1e6
    gaps = np.concatenate([np.diff(run.pass_times_s) for run in runs])
    times = np.concatenate([run.pass_times_s for run in runs])
    return [
        race(
            f"prepare {len(lesson)} runs × {60 if small else 150} passes, a lesson's",
            Job("", lambda: [speed_curve(with_repairs(run)) for run in lesson]),
            goal="≤ 150 ms",
        ),
        race(
            f"prepare one run of {60 if small else 1_000_000:,} passes",
            Job("", lambda: speed_curve(with_repairs(long))),
            goal="≤ 1,000 ms",
        ),
        race(
            f"prepare {count * passes if small else 1_000_000:,} passes in runs of {passes}, cleaning included",
            Job("", lambda: [speed_curve(with_repairs(run)) for run in runs], share),
            Job("scipy's isotonic step, not cleaned, no curve", lambda: isotonic_regression(gaps), share),
            Job("diff", lambda: np.diff(times), share),
            "≤ 1.7 × isotonic step",
            "ours: a smooth curve with uncertainties, some 20 spline fits a run",
        ),
        race(
            "  of which finding bounces and misses",
            Job("", lambda: [with_repairs(run) for run in runs], share),
            floor=Job("diff", lambda: np.diff(times), share),
            goal="≤ 1.2 ms a run of 500: 2,400",
        ),
    ]


ITEMS = {"thresholds": move_thresholds, "prepare": prepare_passes}
