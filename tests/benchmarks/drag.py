"""Drag laws fitted to runs, beside a differential equation solved inside a least-squares search."""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from kit.motion.drag_fit import fit_drag, fit_drags
from tests.benchmarks.race import Job, Row, race
from tests.benchmarks.simulated import LAW, coasting_runs

__all__ = ["ITEMS"]

TURN = 2 * np.pi


def seven_laws(small: bool) -> list[Row]:
    """All seven laws fitted to a run; and the three-term law alone."""
    count, passes = (1, 40) if small else (5, 500)
    runs = coasting_runs(count, passes)
    times, angles = [run.pass_times_s for run in runs], TURN * np.arange(passes)
    share = 1.0 / len(LAWS_TRIED)

    def ours():
        return [fit_drags(t, angles) for t in times]

    def one_law():
        return [fit_drag(t, angles) for t in times]

    usual = Job("solve_ivp in least_squares, one law × 7", lambda: _by_solver(times[0], angles), share)
    floor = Job("one exp of every time", lambda: [np.exp(-t) for t in times], float(count))
    return [
        race(
            f"seven drag laws, a run of {passes} passes",
            Job("", ours, float(count)),
            usual,
            floor,
            "≤ 5 ms; ≥ 5,000 × solver (100 runs at once)",
            "with standard uncertainties, evidence weights",
        ),
        race(
            "the three-term law alone",
            Job("", one_law, float(count)),
            Job("solve_ivp in least_squares", usual.run),
            floor,
        ),
    ]


LAWS_TRIED = range(7)


def _by_solver(times, angles):
    """Start speed, start angle and three coefficients by least squares on the angles of the solved equation."""
    elapsed = times - times[0]

    def slowing(_, state, a, b, c):
        return [state[1], -(a + b * state[1] + c * state[1] ** 2)]

    def misfit(p):
        solved = solve_ivp(slowing, (0, elapsed[-1]), p[:2], t_eval=elapsed, args=tuple(p[2:]), rtol=1e-8, atol=1e-8)
        return solved.y[0] - angles if solved.y.shape[1] == len(angles) else np.full(len(angles), 1e3)

    start = [0.0, TURN / (times[1] - times[0]), LAW.a, LAW.b, LAW.c]
    return least_squares(misfit, start, x_scale=np.maximum(np.abs(start), 1e-3))


ITEMS = {"drag-laws": seven_laws}
