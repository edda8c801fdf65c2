"""How often does the kit name the law that made the data, and do its intervals for n₀ hold what they should?

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONPATH=. python tests/benchmarks/choose_law.py [SETS] [PROCESSES]

For each scenario of the virtual bench and each run scatter, SETS whole lessons (200 unless given) are simulated with
the gate's usual jitter, bounces and misses, cleaned as the kit cleans them, and analysed as a student would. A lesson
is made by its own seed: the table does not depend on how many processes share the work.

What is counted, as a share of the lessons:
    ratio       the ratio test calls turns/duration supported by, or close to, the kind of drag that was added
    towards     it says that the ratio moves towards that kind (negative control: no law is named by chance)
    added       the joint fit names the kind of drag that was added
    full law    the joint fit names the whole law, the spindle's drag included
    x₀ trend    the trend's 95 % interval holds the x₀ of the same curve through durations without noise
    x₀ fits     so does the 95 % interval of `JointDrag.trend_x0`
    n₀ fits     the 95 % interval of `JointDrag.n0` holds the added drag's own n₀, such as b₀/β
    n₀ trend    so does the trend's interval: it should not, where drag of other kinds adds to it
    agree       `same_number` says that x₀ of the two routes agree
The columns after these are about runs: the share the joint fit left out, and in how many of those the drag law finds a
wrong count of passes (`kit.motion.threshold`). "widths" are the median widths of the intervals x₀ trend, x₀ fits,
n₀ fits.
"""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np

from kit.logs.run import with_repairs
from kit.motion.drag import LAWS
from kit.motion.drag_fit import coasting_passes
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import ratio_test, same_number
from kit.motion.threshold import COUNTED, find_miscounts, measure
from kit.sources.bench import APPARATUS, true_stretch
from kit.sources.demo_data import session
from kit.stats.trend import fit_trend

START_S, STOP_S = 0.25, 1.0
SCATTERS = (0.01, 0.02, 0.05)
COLUMNS = ("ratio", "towards", "added", "full law", "x₀ trend", "x₀ fits", "n₀ fits", "n₀ trend", "agree")
ADDED = {"coasting_disc": "b", "felt_brake": "a", "card_vanes": "c"}


def truth(name: str) -> dict:
    """What made the data: the kind added, the whole law, its n₀, and the x₀ of a curve through exact durations."""
    apparatus, term = APPARATUS[name], ADDED[name]
    empty, one = apparatus.law(0), apparatus.law(1)
    spindle, added = getattr(empty, term), getattr(one, term) - getattr(empty, term)
    exact = [true_stretch(apparatus.law(n), START_S, STOP_S)[0] for n in apparatus.values]
    curve = fit_trend(np.array(apparatus.values, float), exact, "shifted inverse")
    kind = next(law for law, terms in LAWS.items() if terms == term)
    return {"kind": kind, "law": one.name, "n0": spindle / added, "x0": curve.parameters["x0"].value}


def one_lesson(task: tuple[str, float, int]) -> dict:
    """Simulate and analyse one lesson; what came out, as yes or no."""
    name, scatter, seed = task
    apparatus, true = replace(APPARATUS[name], drag_scatter=scatter), truth(name)
    runs = [with_repairs(run) for run in session(apparatus, seed)]
    results = measure(runs, START_S, STOP_S)
    counted = results[results["status"] == COUNTED]
    ratio = ratio_test(results, apparatus.x, START_S, STOP_S)
    verdict = dict(zip(ratio.laws["law"], ratio.laws["verdict"], strict=True))[true["kind"]]
    trend = fit_trend(counted[apparatus.x], counted["duration_s"], "shifted inverse").parameters["x0"]
    joint = joint_fit(runs, apparatus.x)
    route, n0 = joint.trend_x0(START_S, STOP_S)["duration_s"], joint.n0()
    left_out = [run for run in runs if any(words.startswith(f"{run.source}:") for words in joint.left_out)]
    wrong = [bool(find_miscounts(*coasting_passes(run), run.flags_per_turn)) for run in left_out]
    return {
        "ratio": verdict in ("the data support", "close to"),
        "towards": ratio.towards == true["kind"],
        "added": joint.changing_law == true["kind"],
        "full law": joint.law == true["law"],
        "x₀ trend": trend.low <= true["x0"] <= trend.high,
        "x₀ fits": route.low <= true["x0"] <= route.high,
        "n₀ fits": joint.changing_law == true["kind"] and n0.low <= true["n0"] <= n0.high,
        "n₀ trend": trend.low <= true["n0"] <= trend.high,
        "agree": "agree within" in same_number(trend.value, trend.u, route.value, route.u),
        "runs": len(runs),
        "left out": len(left_out),
        "wrong counts": sum(wrong),
        "law found": joint.law,
        "widths": (trend.high - trend.low, route.high - route.low, n0.high - n0.low),
    }


def main(sets: int = 200, processes: int = 2) -> None:
    """Print a table, a line for each scenario and scatter."""
    print(f"{sets} lessons a line; true x₀ and n₀: " + "; ".join(_truth_words(name) for name in APPARATUS))
    print(
        f"{'scenario':14}{'scatter':>8}"
        + "".join(f"{c:>10}" for c in COLUMNS)
        + f"{'left out':>10}{'wrong count':>13}  widths"
    )
    with ProcessPoolExecutor(processes, initializer=os.nice, initargs=(10,)) as pool:
        for name in APPARATUS:
            for scatter in SCATTERS:
                lessons = list(pool.map(one_lesson, [(name, scatter, seed) for seed in range(sets)], chunksize=4))
                print(_line(name, scatter, lessons), flush=True)


def _truth_words(name: str) -> str:
    true = truth(name)
    return f"{name} {true['x0']:.3f} and {true['n0']:.3f} ({true['law']})"


def _line(name: str, scatter: float, lessons: list[dict]) -> str:
    shares = "".join(f"{np.mean([lesson[c] for lesson in lessons]):>10.1%}" for c in COLUMNS)
    runs, left, wrong = (sum(lesson[c] for lesson in lessons) for c in ("runs", "left out", "wrong counts"))
    widths = " ".join(f"{w:.3f}" for w in np.median([lesson["widths"] for lesson in lessons], axis=0))
    others = defaultdict(int)
    for lesson in lessons:
        others[lesson["law found"]] += not lesson["full law"]
    mistaken = ", ".join(f"{law} {count}" for law, count in others.items() if count)
    line = f"{name:14}{scatter:>8.0%}{shares}{left / runs:>10.2%}{f'{wrong} of {left}':>13}  {widths}"
    return f"{line}\n{'':14}laws named instead: {mistaken}" if mistaken else line


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
