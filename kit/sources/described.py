"""A bench for any apparatus: described by what a teacher knows, or fitted from the lesson's own runs in one step.

Both give the `[bench]` table of a lesson file, with drag per unit of inertia: dω/dt = −(a + bω + cω²), a + n·each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..errors import KitError
from ..logs.run import Run
from ..motion.drag import TURN
from ..motion.drag_joint import joint_fit
from ..motion.speed import SpeedCurve, speed_curves
from ..motion.threshold import COUNTED, measure
from .bench import simulate_run, true_stretch
from .setup import BenchSetup

__all__ = ["APART", "bench_described", "bench_fitted", "bench_gaps", "invented_runs"]

APART = 0.2  # a bench further from the data than this is of another apparatus
GROWING = 4.0  # drag that grows with speed beside drag that does not, at the first speed, where nothing else is known
SMALLEST, MOST_SCATTER, LEAST_SCATTER = 1e-9, 0.3, 0.005  # a drag coefficient that counts; the bench's limits


def bench_described(
    turns_per_s: float,
    few: float,
    coasts_few_s: float,
    many: float,
    coasts_many_s: float,
    *,
    scatter: float = 0.03,
    flags: int = 1,
) -> dict[str, object]:
    """The `[bench]` table of an apparatus of which little is known.

    Parameters
    ----------
    turns_per_s : speed at which a hand lets go, turns a second.
    few, many : two values of what is changed; coasts_few_s, coasts_many_s : about how long it coasts to rest with
        each, s.
    scatter : by how much one run differs from the next, as a share of the drag.
    flags : flags that pass the gate in one turn.

    The kind of drag is not known, so both kinds grow together: where the hand lets go, the part that grows with speed
    is four times the part that does not. From a + bω follows the time to rest ln(1 + bω₀/a)/b.

    Raises
    ------
    KitError : a value that is not above 0, or times that drag in step with what is changed can't give.

    >>> import kit
    >>> table = kit.bench_described(5, 1, 60, 4, 20)
    >>> {name: round(value, 4) for name, value in table["drag_each"].items()}
    {'a': 0.1404, 'b': 0.0179}
    """
    numbers = {"turns a second": turns_per_s, "time with few": coasts_few_s, "time with many": coasts_many_s}
    for what, value in numbers.items():
        if not 0 < value < float("inf"):
            raise KitError(f"The bench needs the {what}, above 0", found=value, fix="type a number such as 5")
    if not 0 <= few < many:
        raise KitError("The bench needs a smaller and a larger value", found=[few, many], fix="such as 1 and 6")
    strength = np.log1p(GROWING)
    at_few, at_many = strength / coasts_few_s, strength / coasts_many_s  # b, 1/s
    each = (at_many - at_few) / (many - few)
    alone = at_few - few * each
    if each < 0 or alone < -0.05 * at_few:
        limit = f" but no less than {coasts_few_s * few / many:.2g} s" if few else ""
        raise KitError(
            "The bench can't do that: what is changed must shorten the coasting, at most in step",
            found=f"{coasts_few_s:g} s and {coasts_many_s:g} s",
            fix=f"give less than {coasts_few_s:g} s with many{limit}, or measure runs of your own",
        )
    per_b = TURN * turns_per_s / GROWING
    return {
        "drag_alone": _drag([max(alone, 0.0) * per_b, max(alone, 0.0)]),
        "drag_each": _drag([each * per_b, each]),
        "controls": [],
        "scatter": round(float(scatter), 3),
        "fastest_turns_per_s": round(min(20.0, 1.2 * turns_per_s), 2),
        **({"flags": int(flags)} if flags > 1 else {}),
    }


def bench_fitted(runs: Sequence[Run | SpeedCurve], x: str) -> dict[str, object]:
    """The `[bench]` table that behaves like these runs: drag, how it depends on the condition, and scatter.

    The coefficients lie on straight lines over the condition, fitted to all runs at once (`kit.joint_fit`); the scatter
    is what is left from run to run.

    Parameters
    ----------
    x : the condition that was changed, a number ≥ 0.

    Raises
    ------
    KitError : as `kit.joint_fit`; or what is changed makes no drag that grows with it.

    >>> import kit
    >>> table = kit.bench_fitted(kit.read_folder("datasets_demo/felt_brake"), "pads")
    >>> {name: round(value, 2) for name, value in table["drag_each"].items()}
    {'a': 0.56}
    """
    curves = speed_curves(runs)
    joint = joint_fit([curve.run for curve in curves], x)
    lines = joint.lines.set_index("coefficient")
    coefficients = {
        part: [max(0.0, float(lines[column].get(name, 0.0))) for name in "abc"]
        for part, column in (("drag_alone", "at_zero"), ("drag_each", "slope"))
    }
    if not any(coefficients["drag_each"]):
        raise KitError("The drag does not grow with what was changed, so there is no bench for it", found=x)
    flags = int(np.median([curve.run.flags_per_turn for curve in curves]))
    fastest = max(1 / curve.period_s[0] for curve in curves if curve.usable)
    return {
        "drag_alone": _drag(coefficients["drag_alone"]),
        "drag_each": _drag(coefficients["drag_each"]),
        "controls": [],
        "scatter": round(float(np.clip(joint.run_scatter, LEAST_SCATTER, MOST_SCATTER)), 3),
        "fastest_turns_per_s": round(float(np.clip(1.1 * fastest, 0.2, 20.0)), 2),
        **({"flags": flags} if flags > 1 else {}),
    }


def bench_gaps(
    setup: BenchSetup, curves: Sequence[SpeedCurve], start_period_s: float, stop_period_s: float
) -> dict[float, tuple[float, float]]:
    """Where a bench is further from the runs than a fifth: {condition: (duration on the bench, that of the runs)}, s.

    Empty where they agree, or where no run reaches both thresholds.
    """
    x = setup.apparatus.x
    table = measure([curve for curve in curves if not curve.run.set_aside], start_period_s, stop_period_s)
    table = table[table["status"] == COUNTED]
    apart = {}
    rows = table.to_dict("records") if x in table else []
    for value in sorted({float(row[x]) for row in rows if not isinstance(row[x], str) and row[x] >= 0}):
        simulated, _ = true_stretch(setup.apparatus.law(value), start_period_s, stop_period_s)
        measured = float(np.mean([row["duration_s"] for row in rows if row[x] == value]))
        if abs(simulated - measured) > APART * measured:
            apart[value] = simulated, measured
    return apart


def invented_runs(setup: BenchSetup, trials: int = 3, seed: int = 1) -> list[Run]:
    """Invented runs of a described apparatus: every condition once a round, each round in a new random order."""
    random = np.random.RandomState(seed)  # numpy promises never to change its stream (NEP 19)
    kind = setup.apparatus
    order = [(value, trial) for trial in range(1, trials + 1) for value in random.permutation(kind.values).tolist()]
    runs = []
    for done, (value, trial) in enumerate(order, 1):
        law = kind.law(value).scaled(float(np.exp(kind.drag_scatter * random.standard_normal())))
        speed = setup.fastest_turns_per_s * random.uniform(0.8, 1.0)
        slowest = max(1.0, 8 / setup.fastest_turns_per_s)
        run = simulate_run(law, speed, random, setup.gate, slowest)
        source = f"passes/{kind.x}-{value:g}_trial-{trial}.csv"
        runs.append(replace(run, conditions={kind.x: float(value)}, trial=trial, source=source, order=done))
    return runs


def _drag(values: Sequence[float]) -> Mapping[str, float]:
    """Coefficients by name, to four digits, without those that are 0."""
    found = {name: float(f"{value:.4g}") for name, value in zip("abc", values, strict=False) if value > SMALLEST}
    return found or {"a": 0.0}
