"""How often does a verdict on curves claim something false? Every curve of the kit in four kinds of world.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONPATH=. python tests/benchmarks/false_verdicts.py [SETS] [PROCESSES]

SETS tables of trials (200 unless given) are drawn for each curve × scatter × design × world, all eight curves are
fitted and judged by `kit.verdict`. With --every each of these cells is printed too; --few takes the first scatter and
design only. The worlds:
    as assumed   scatter in proportion to y, independent from run to run
    absolute     the same scatter at every x, in units of y: the scatter named, of the curve's middle value
    set-up       as assumed, and each condition is off as a whole by as much as single runs are
    one outlier  as assumed, but one run is off by ten times the scatter

What is counted, as a share of the tables:
    false        any of the next four
    clearly      a curve is "clearly preferred" that cannot take the shape of the one that made the data
    some         the same with "some preference"
    none fits    it is said, without a way out, that none fits, though the curve that made the data was among them
    against      the data are said to speak against the curve that made them
    set-ups      the verdict leaves open that each set-up differed (right in that world only)
    named        the outlier is named; in the other worlds, a run is named that is none
    right        a curve that holds the true shape is "clearly preferred": what the words are worth
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from inspect import signature
from itertools import islice, product
from zlib import crc32

import numpy as np

from kit.stats.trend import fit_trends
from kit.stats.trend_models import get_model
from kit.stats.verdict import verdict
from tests.benchmarks.race import Row
from tests.reference.faults.crew import done_by

__all__ = ["ITEMS", "one_table", "shares_of_cells"]

CURVES = {
    "constant": (20.0,),
    "straight line": (40.0, -3.5),
    "inverse": (40.0,),
    "inverse plus constant": (40.0, 4.0),
    "shifted inverse": (59.1, 0.557),
    "power law": (40.0, -0.7),
    "power law plus constant": (40.0, -1.6, 5.0),
    "exponential": (40.0, -0.25),
}
#: Which curves can take the shape of which, besides their own.
HELD_BY = {
    "constant": {"straight line", "inverse plus constant", "power law", "power law plus constant", "exponential"},
    "straight line": {"power law plus constant"},
    "inverse": {"inverse plus constant", "shifted inverse", "power law", "power law plus constant"},
    "inverse plus constant": {"power law plus constant"},
    "power law": {"power law plus constant"},
}
SCATTERS = (0.02, 0.05)
DESIGNS = {
    "6 × 3": np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 3),
    "4 × 3": np.repeat([1.0, 2.0, 4.0, 8.0], 3),
    "6 × 5": np.repeat([1.0, 2.0, 3.0, 4.0, 6.0, 8.0], 5),
}
WORLDS = ("as assumed", "absolute", "set-up", "one outlier")
WRONG = ("clearly", "some", "none fits", "against")
COLUMNS = ("false", *WRONG, "set-ups", "named", "right")
OUTLIER = 10.0  # times the scatter
SETS = 200


def simulated(curve: str, scatter: float, x: np.ndarray, world: str, rng: np.random.Generator):
    """Values of y at x, and the position of the outlier (None without one)."""
    exact, noise, at = get_model(curve)(x, **_parameters(curve)), scatter * rng.standard_normal(len(x)), None
    if world == "absolute":
        y = exact + np.median(exact) * noise
        return np.maximum(y, 0.01 * exact), None
    if world == "set-up":
        places = np.unique(x, return_inverse=True)[1]
        noise += scatter * rng.standard_normal(places.max() + 1)[places]
    elif world == "one outlier":
        at = int(rng.integers(len(x)))
        noise[at] += OUTLIER * scatter * rng.choice([-1, 1])
    return exact * np.exp(noise), at


def _parameters(curve: str) -> dict[str, float]:
    return dict(zip(get_model(curve).parameters, CURVES[curve], strict=True))


def one_table(task: tuple[str, float, str, str, int]) -> dict[str, bool]:
    """Draw one table of trials and judge it: which of `COLUMNS` holds."""
    curve, scatter, design, world, seed = task
    x = DESIGNS[design]
    rng = np.random.default_rng([seed, crc32(f"{curve} {scatter} {design} {world}".encode())])
    y, outlier = simulated(curve, scatter, x, world, rng)
    labels = [f"run-{i + 1:02d}" for i in range(len(x))]
    names_runs = "labels" in signature(verdict).parameters
    judged = verdict(fit_trends(x, y), **({"labels": labels} if names_runs else {}))
    said = " ".join(judged.sentences)
    holds = judged.leader == curve or judged.leader in HELD_BY.get(curve, ())
    found = {
        "clearly": judged.words.startswith("clearly") and not holds,
        "some": judged.words.startswith("some") and not holds,
        "none fits": judged.words == "none of those tried fits",
        "against": judged.by_model.get(curve) == "speak against",
        "set-ups": "set-up" in judged.words,
        "right": judged.words.startswith("clearly") and holds,
    }
    found["false"] = any(found[name] for name in WRONG)
    named = [label for label in labels if label in said]
    found["named"] = labels[outlier] in named if outlier is not None else bool(named)
    return found


def _cells(sets: int, few: bool) -> Iterator[tuple[tuple[str, float, str, str], list]]:
    for cell in product(CURVES, SCATTERS[:1] if few else SCATTERS, list(DESIGNS)[:1] if few else DESIGNS, WORLDS):
        yield cell, [(*cell, seed) for seed in range(sets)]


def shares_of_cells(sets: int, processes: int, few: bool = False, every: bool = False) -> dict[tuple, dict[str, float]]:
    """Share of `sets` tables in which each of `COLUMNS` holds, by (curve, scatter, design, world).

    few : the first scatter and design only. every : print each cell as it is done.
    """
    cells = list(_cells(sets, few))
    tasks = [task for _, some in cells for task in some]
    return _shares(cells, done_by(processes, one_table, [(task,) for task in tasks]), every)


def _shares(cells: list, judged: Iterator[dict[str, bool]], every: bool) -> dict[tuple, dict[str, float]]:
    shares = {}
    for cell, tasks in cells:
        tables = list(islice(judged, len(tasks)))
        shares[cell] = {name: float(np.mean([table[name] for table in tables])) for name in COLUMNS}
        if every:
            print(_line(" · ".join(map(str, cell)), shares[cell]), flush=True)
    return shares


def main(sets: int = SETS, processes: int = 2, every: bool = False, few: bool = False) -> None:
    """Print shares over all else for each curve and world, scatter and world, design and world."""
    shares = shares_of_cells(sets, processes, few, every)
    print(f"{sets} tables a cell, {len(shares)} cells; shares in %\n")
    for world in WORLDS:
        print(f"{world:34}" + "".join(f"{name:>11}" for name in COLUMNS))
        for place, title in ((0, ""), (1, "scatter "), (2, "design ")):
            groups = defaultdict(list)
            for cell, found in shares.items():
                if cell[3] == world:
                    groups[f"{title}{cell[place]}"].append(found)
            for name, some in groups.items():
                print(_line(name, _mean(some)))
        print(_line("all", _mean([found for cell, found in shares.items() if cell[3] == world])) + "\n")


def _mean(cells: list[dict[str, float]]) -> dict[str, float]:
    return {name: float(np.mean([cell[name] for cell in cells])) for name in COLUMNS}


def _line(name: str, shares: dict[str, float]) -> str:
    return f"  {name:32}" + "".join(f"{100 * shares[c]:>11.1f}" for c in COLUMNS)


def false_verdicts(small: bool) -> list[Row]:
    """Per cent of verdicts that claim something false, a row a world; few tables: `main` makes the full ones."""
    rows = []
    for world in WORLDS:
        cells = product(CURVES, SCATTERS[:1], ("6 × 3",), (world,), range(1 if small else 20))
        tables = [one_table(task) for task in cells]
        shares = {name: 100 * float(np.mean([table[name] for table in tables])) for name in COLUMNS}
        rows.append(
            Row(
                f"false verdicts on curves, world {world}",
                shares["false"],
                "%",
                note=f"{len(tables)} tables of 6 × 3 runs; leaves set-ups open {shares['set-ups']:.0f} %",
            )
        )
    return rows


ITEMS = {"false-verdicts": false_verdicts}


if __name__ == "__main__":
    figures = [int(argument) for argument in sys.argv[1:] if argument.isdigit()]
    main(*figures, every="--every" in sys.argv, few="--few" in sys.argv)
