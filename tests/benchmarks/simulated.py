"""Runs to measure with: exact passes of a known law, with a gate's jitter, and bounces and misses where wanted."""

from __future__ import annotations

import numpy as np

from kit.logs.run import Run
from kit.motion.drag import DragLaw

__all__ = ["LAW", "START_S", "STOP_S", "coasting_runs"]

LAW = DragLaw(0.03, 0.01, 0.0002)  # some of each kind
START_S, STOP_S = 0.25, 0.6  # thresholds that every run of `coasting_runs` reaches
JITTER_S = 1e-4


def coasting_runs(count: int, passes: int, oddities: bool = False, seed: int = 1) -> list[Run]:
    """Runs of `passes` passes that slow from 5 to about 1.2 turns/s; with `oddities`, 1 % bounces and 1 % misses."""
    rng = np.random.default_rng(seed)
    start = 2 * np.pi * 5.0
    scale = LAW.angle(start, start / 4) / (2 * np.pi * passes)  # so that the passes take it down to a quarter
    law = DragLaw(LAW.a * scale, LAW.b * scale, LAW.c * scale)
    exact = law.time_at_angle(2 * np.pi * np.arange(passes), start)
    runs = []
    for number in range(count):
        times = exact + rng.normal(0, JITTER_S, passes)
        if oddities:
            kept = rng.uniform(size=passes) > 0.01
            bounced = kept & (rng.uniform(size=passes) < 0.01)
            times = np.sort(np.concatenate([times[kept], times[bounced] + rng.uniform(0.003, 0.01, bounced.sum())]))
        runs.append(Run(times, {"run": float(number)}, source=f"run {number}"))
    return runs
