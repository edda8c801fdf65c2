"""How exact a crossing is: median errors of duration and turns by each rule, beside the best possible.

Simulated runs with 0.1 ms jitter, 1 % bounces and 1 % misses, counted from 4 to 1 turns a second, where they make
7, 40 or 200 turns. The floor is the Cramér–Rao bound of the three-term law (both start values and all coefficients
unknown): 0.6745 of its standard deviation, since medians of absolute errors are compared. A fit that knows that no
coefficient is negative may come out below it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from kit.logs.run import with_repairs
from kit.motion.drag import DragLaw
from kit.motion.drag_fit import fit_drag
from kit.motion.speed import speed_curves
from kit.motion.threshold import COUNTED, measure
from kit.sources.bench import Gate, simulate_run, true_stretch
from tests.benchmarks.race import Row

__all__ = ["ITEMS"]

TURN = 2 * np.pi
START_S, STOP_S = 0.25, 1.0
SLOWEST_S = 4.0  # the logs end when a turn takes longer
MIDDLE_PUSH = 5.15  # turns/s, of 4.3 to 6
PART_OF_A_TURN = 0.4  # whole turns would flatter who counts them
JITTER_S = 1e-4
MIXED = DragLaw(0.5, 0.05, 0.002)
MEDIAN_OF_NORMAL = 0.6745


def crossings(small: bool) -> list[Row]:
    """Every rule at every length, beside whole turns counted in a log that nobody cleaned."""
    count = 12 if small else 150
    return [row for turns in ((7,) if small else (7, 40, 200)) for row in _of_length(turns, count)]


def _of_length(turns: int, count: int) -> Iterator[Row]:
    law = _with_turns(turns + PART_OF_A_TURN)
    random = np.random.RandomState(turns)
    gate = Gate(jitter_s=JITTER_S, bounces=0.01, misses=0.01)
    raw = [simulate_run(law, random.uniform(4.3, 6.0), random, gate, slowest_period_s=SLOWEST_S) for _ in range(count)]
    curves = speed_curves([with_repairs(run) for run in raw])
    truth = true_stretch(law, START_S, STOP_S)
    usual = _median_errors(measure(speed_curves(raw), START_S, STOP_S, "whole turns"), truth)
    bound = MEDIAN_OF_NORMAL * cramer_rao(law, MIDDLE_PUSH, 1 / SLOWEST_S)
    found = {rule: _median_errors(measure(curves, START_S, STOP_S, rule), truth) for rule in GOALS}
    for k, (what, unit, scale) in enumerate((("duration", "ms", 1e3), ("turns", "turns", 1.0))):
        for rule, goals in GOALS.items():
            yield Row(
                f"error of {what}, {turns} turns, {rule}",
                scale * found[rule][k],
                unit,
                scale * usual[k],
                "whole turns, log not cleaned",
                scale * bound[k],
                "Cramér–Rao",
                goals[turns].split(" / ")[k],
            )


# where the prototype stood: duration in ms / turns
GOALS = {
    "whole turns": {7: "302 / 0.33", 40: "513 / 0.30", 200: "443 / 0.35"},
    "interpolated": {7: "12 / 0.010", 40: "4 / 0.012", 200: "11 / 0.10"},
    "law": {7: "0.6 / 0.001", 40: "0.11 / 0.0004", 200: "0.06 / 0.0003"},
}


def _median_errors(results, truth) -> np.ndarray:
    counted = results[results["status"] == COUNTED]
    return np.median(np.abs(counted[["duration_s", "turns"]].to_numpy() - truth), axis=0)


def _with_turns(turns: float) -> DragLaw:
    scale = MIXED.angle(4 * TURN, TURN) / TURN / turns
    return DragLaw(MIXED.a * scale, MIXED.b * scale, MIXED.c * scale)


def cramer_rao(law: DragLaw, fastest: float, slowest: float) -> np.ndarray:
    """Least standard deviations of duration (s) and turns, from central differences of the exact pass times.

    The passes are those between two speeds in turns/s.
    """
    start, phase = fastest * TURN, 0.3
    angles = TURN * np.arange(int((law.angle(start, slowest * TURN) - phase) / TURN))
    truth = np.array([start, phase, law.a, law.b, law.c])
    steps = 1e-4 * np.array(
        [start, 1.0, *(min(law.deceleration(start) / start**k, 1e4 * p) for k, p in enumerate(truth[2:]))]
    )

    def times(p):
        return DragLaw(*p[2:]).time_at_angle(angles + p[1], p[0])

    def targets(p):
        return np.array(true_stretch(DragLaw(*p[2:]), START_S, STOP_S))

    def slopes(function):
        shifts = steps * np.eye(5)
        columns = [(function(truth + s) - function(truth - s)) / (2 * s.sum()) for s in shifts]
        return np.array(columns).T

    _, triangle = np.linalg.qr(slopes(times))
    return JITTER_S * np.linalg.norm(slopes(targets) @ np.linalg.inv(triangle), axis=1)


def scatter_of_law_fits(small: bool) -> list[Row]:
    """rms error of the three-term law's duration, clean passes, over the bound."""
    rows = []
    for turns in (12,) if small else (12, 40, 200):
        law, rng = _with_turns(turns), np.random.default_rng(turns)
        count = int(law.angle(5 * TURN, 0.5 * TURN) / TURN - 0.3 / TURN)
        angles = TURN * np.arange(count)
        exact = law.time_at_angle(angles + 0.3, 5 * TURN)
        truth = true_stretch(law, START_S, STOP_S)[0]
        errors = [
            fit_drag(exact + rng.normal(0, JITTER_S, count), angles).between(START_S, STOP_S).duration_s - truth
            for _ in range(10 if small else 400)
        ]
        rms, bound = 1000 * float(np.sqrt(np.mean(np.square(errors)))), 1000 * cramer_rao(law, 5, 0.5)[0]
        rows.append(
            Row(
                f"rms error of duration, {turns} turns, law",
                rms,
                "ms",
                floor=bound,
                floor_what="Cramér–Rao",
                goal="≤ 1.02 × floor",
            )
        )
    return rows


ITEMS = {"accuracy": crossings, "law-scatter": scatter_of_law_fits}
