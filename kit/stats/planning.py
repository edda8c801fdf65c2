"""How many trials, where and in which order, within the lesson's minutes.

Before anything is measured again, the fitted curve already says how sure a parameter will be: the covariance of a
least-squares fit is σ²(JᵀJ)⁻¹, where J holds the curve's gradient at every trial, on the scale on which trials
scatter equally (Atkinson, Donev & Tobias 2007, Optimum Experimental Designs, chapters 9 and 17). So a plan is judged
by adding its rows to J. Assumptions: the curve holds, trials are independent, and they go on scattering as so far.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ..errors import KitError
from .averages import t_factor
from .trend import Trend
from .trend_models import get_model

__all__ = [
    "Pilot",
    "best_conditions",
    "detectable_difference",
    "half_width",
    "run_order",
    "trials_for",
    "width_against_minutes",
]

LAUNCH_S = 15.0  # a run also takes this long to push, to settle, and to be saved


@dataclass(frozen=True, eq=False)
class Pilot:
    """What is known before planning: a curve, the scatter about it, and the trials there are.

    >>> import kit
    >>> pilot = kit.Pilot("shifted inverse", {"A": 59.0, "x0": 0.55}, scatter=0.02, dof=4, x=(2, 2, 2, 8, 8, 8))
    >>> print(f"{float(pilot.value(4.0)):.2f}")
    12.97

    Raises
    ------
    KitError : parameters of another model, scatter that is not above zero, or errors of another kind.
    """

    model: str  # name of a trend model
    parameters: dict[str, float]
    scatter: float  # of single trials: a fraction if errors="relative", else in the unit of the quantity
    dof: int  # degrees of freedom behind the scatter; 0 for a guess
    x: tuple[float, ...] = ()  # condition of every trial so far
    errors: str = "relative"

    def __post_init__(self):
        names = get_model(self.model).parameters
        if tuple(self.parameters) != names:
            raise KitError(
                f"The model '{self.model}' has other parameters", found=list(self.parameters), fix=str(names)
            )
        if self.errors not in ("relative", "absolute"):
            raise KitError("A plan needs scatter that is relative or absolute", found=self.errors)
        if not self.scatter > 0:
            raise KitError("The scatter of trials must be above zero", found=self.scatter)

    @classmethod
    def of(cls, trend: Trend) -> Pilot:
        """From a fitted trend."""
        values = {name: parameter.value for name, parameter in trend.parameters.items()}
        return cls(trend.model, values, trend.scatter, trend.dof, tuple(trend.x.tolist()), trend.errors)

    def value(self, x) -> np.ndarray:
        """The curve at x."""
        model = get_model(self.model)
        x = np.asarray(x, dtype=float)
        if not np.all(model.defined_at(x, list(self.parameters.values()))):
            raise KitError(f"The curve {model.formula} has no value at every one of these conditions", found=x.tolist())
        return model.value(x, *self.parameters.values())

    def rows(self, x) -> np.ndarray:
        """Rows of J at x, (n, parameters), on the scale on which trials scatter equally."""
        value = self.value(x)
        gradient = get_model(self.model).gradient(np.asarray(x, dtype=float), *self.parameters.values())
        rows = np.stack([np.broadcast_to(g, value.shape) for g in gradient], axis=-1)
        return rows / value[..., None] if self.errors == "relative" else rows

    def position(self, parameter: str) -> int:
        """Where a parameter stands among all.

        Raises
        ------
        KitError : the model has none of that name.
        """
        if parameter not in self.parameters:
            raise KitError(
                "The model has no such parameter", found=parameter, fix=f"use one of {list(self.parameters)}"
            )
        return list(self.parameters).index(parameter)


def half_width(pilot: Pilot, x: Sequence[float], parameter: str) -> float:
    """Half the 95 % interval of a parameter to be expected from trials at these conditions.

    t·σ·√((JᵀJ)⁻¹)ᵢᵢ with Student's t for N − (number of parameters) degrees of freedom. Infinite where the trials
    cannot fix the parameter: fewer conditions than parameters, or no trial to spare.

    Parameters
    ----------
    x : (N,) condition of every trial, those measured already included.
    """
    i, p = pilot.position(parameter), len(pilot.parameters)
    if len(x) <= p or np.unique(x).size < p:
        return float("inf")
    rows = pilot.rows(x)
    return t_factor(len(x) - p) * pilot.scatter * sqrt(np.linalg.inv(rows.T @ rows)[i, i])


def best_conditions(
    pilot: Pilot,
    candidates: ArrayLike,
    k: int,
    parameter: str,
    *,
    seconds: Callable | None = None,
) -> list[float]:
    """The conditions of the next k trials that make one parameter surest, in the order of their worth.

    Greedy: each trial is put where the parameter's variance falls most (c-optimality); with `seconds`, most for the
    time it takes. If the trials so far cannot fix all parameters, the first ones are those that together fix them
    best (largest det JᵀJ).

    Parameters
    ----------
    candidates : conditions that can be set.
    seconds : time one trial takes at a condition, s, as a function of an array of conditions; None counts trials.
    """
    candidates = np.unique(np.asarray(candidates, dtype=float))
    if k < 1:
        raise KitError("A plan needs at least one trial", found=k)
    i = pilot.position(parameter)
    cost = np.ones(candidates.size) if seconds is None else np.asarray(seconds(candidates), dtype=float)
    if not (cost > 0).all():
        raise KitError("Every trial takes time", found=cost.tolist())
    rows = pilot.rows(candidates)
    chosen = [int(c) for c in _first_ones(pilot, candidates, rows)][:k]
    measured = pilot.rows(pilot.x) if pilot.x else np.empty((0, rows.shape[1]))
    information = measured.T @ measured + rows[chosen].T @ rows[chosen]
    each = rows[:, :, None] * rows[:, None, :]  # what one more trial at each candidate adds
    while len(chosen) < k:
        now = np.linalg.inv(information)[i, i]
        then = np.linalg.inv(information + each)[:, i, i]
        best = int(np.argmax((now - then) / cost))
        chosen.append(best)
        information = information + each[best]
    return candidates[chosen].tolist()


def _first_ones(pilot: Pilot, candidates: np.ndarray, rows: np.ndarray) -> tuple[int, ...]:
    """Candidates without which the parameters cannot be fixed at all; none if the trials so far fix them."""
    p = rows.shape[1]
    if np.unique(pilot.x).size >= p:
        return ()
    if candidates.size < p:
        raise KitError(
            f"The model '{pilot.model}' has {p} parameters and needs as many conditions",
            found=candidates.tolist(),
            fix="allow more conditions, or plan for a simpler model",
        )
    sets = list(combinations(range(candidates.size), p))
    return max(sets, key=lambda s: abs(np.linalg.det(rows[list(s)])))


def width_against_minutes(
    pilot: Pilot,
    candidates: ArrayLike,
    parameter: str,
    minutes: float,
    *,
    reset_s: float = 60.0,
    run_s: Callable | None = None,
) -> pd.DataFrame:
    """How sure a parameter gets in how many minutes, trial by trial, for the best choice and for an even one.

    Parameters
    ----------
    reset_s : time between runs: setting the condition, calming down, saving.
    run_s : duration of a run at a condition, s, as a function of an array; by default the curve itself, which is
        right if the curve is one of durations in seconds.

    Returns
    -------
    DataFrame, one row a further trial that fits into the minutes: `trials` (further ones), `x` (its condition),
    `minutes` (spent by then), `half_width`, and `low, high`: the same if the scatter is at an end of its own 95 %
    interval (chi-squared with `pilot.dof`; NaN for a guessed scatter). `.attrs["even"]` is the same table for trials
    spread evenly over the candidates, `.attrs["now"]` the half width before any of them.

    >>> import kit
    >>> pilot = kit.Pilot("shifted inverse", {"A": 59.0, "x0": 0.55}, scatter=0.02, dof=4, x=(2, 2, 2, 8, 8, 8))
    >>> plan = kit.width_against_minutes(pilot, [1, 2, 4, 8], "x0", minutes=10)
    >>> plan["x"].tolist()
    [1.0, 1.0, 1.0, 8.0, 8.0]
    >>> print(f"x0 known to ± {plan.attrs['now']:.2f} now, to ± {plan['half_width'].iloc[-1]:.2f} then")
    x0 known to ± 0.16 now, to ± 0.06 then

    Raises
    ------
    KitError : no minutes, an unknown parameter, or too few candidates for the model.
    """
    if not minutes > 0:
        raise KitError("A plan needs time", found=minutes)
    run_s = run_s or pilot.value

    def seconds(x):
        return np.asarray(run_s(x), dtype=float) + LAUNCH_S + reset_s

    distinct = np.unique(np.asarray(candidates, dtype=float))
    most = int(60 * minutes / seconds(distinct).min()) + 1
    best = best_conditions(pilot, distinct, most, parameter, seconds=seconds)
    even = np.tile(distinct, -(-most // distinct.size))[:most].tolist()
    table, other = (_timetable(pilot, plan, parameter, minutes, seconds) for plan in (best, even))
    table.attrs.update(even=other, now=half_width(pilot, pilot.x, parameter), parameter=parameter)
    return table


def _timetable(pilot: Pilot, plan: list[float], parameter: str, minutes: float, seconds) -> pd.DataFrame:
    spent = np.cumsum(seconds(np.array(plan))) / 60
    fits = int(np.searchsorted(spent, minutes, side="right"))
    widths = np.array([half_width(pilot, [*pilot.x, *plan[:n]], parameter) for n in range(1, fits + 1)])
    low, high = _scatter_factors(pilot.dof)
    return pd.DataFrame(
        {
            "trials": np.arange(1, fits + 1),
            "x": plan[:fits],
            "minutes": spent[:fits],
            "half_width": widths,
            "low": low * widths,
            "high": high * widths,
        }
    )


def _scatter_factors(dof: int) -> tuple[float, float]:
    """Ends of the 95 % interval of a standard deviation, as multiples of it: √(ν/χ²)."""
    if dof < 1:
        return float("nan"), float("nan")
    from scipy.special import chdtri

    return sqrt(dof / chdtri(dof, 0.025)), sqrt(dof / chdtri(dof, 0.975))


def detectable_difference(scatter: float, trials: int, conditions: int = 1, power: float = 0.8) -> float:
    """Smallest difference between two settings that a claim would find, in the unit of the scatter.

    `trials` runs of each setting in each of `conditions` conditions; found means at 5 %, with the given power. The
    normal approximation with Student's t: (t + t_power)·σ·√(2/(trials·conditions)). Infinite if there is no trial to
    spare.
    """
    dof = conditions * (2 * trials - 1) - 1
    if dof < 1:
        return float("inf")
    return (t_factor(dof) + t_factor(dof, 2 * power - 1)) * scatter * sqrt(2 / (trials * conditions))


def trials_for(
    difference: float, scatter: float, conditions: int = 1, power: float = 0.8, most: int = 100
) -> int | None:
    """How many trials of each setting find this difference; None if even `most` do not.

    Shuffling three against three in a single condition can never reach 5 % (kit.stats.shuffling), so one condition
    needs at least four.

    >>> import kit
    >>> kit.trials_for(0.10, scatter=0.02, conditions=3)
    2
    >>> kit.trials_for(0.01, scatter=0.02, most=20) is None
    True

    Raises
    ------
    KitError : a difference or a scatter that is not above zero.
    """
    if not (difference > 0 and scatter > 0):
        raise KitError("Difference and scatter must be above zero", found=(difference, scatter))
    least = 4 if conditions == 1 else 2
    enough = (n for n in range(least, most + 1) if detectable_difference(scatter, n, conditions, power) <= difference)
    return next(enough, None)


# --- the order of the runs, mixed by lot so that a drift cannot pass for an effect


def run_order(plan: Sequence, *, reference=None, seed: int | None = None) -> pd.DataFrame:
    """Draw the order of a session's runs.

    Parameters
    ----------
    plan : condition of every run, in any order; a condition stands there once a trial.
    reference : condition of three further runs at start, middle and end; None for none.
    seed : makes the draw repeatable; None draws afresh.

    Returns
    -------
    DataFrame `order` (from 1), `x`, `trial` (counted per condition, the reference's own runs included), `block`
    (0 for reference runs) and `role` ("run" or "reference").

    >>> import kit
    >>> sheet = kit.run_order([1, 1, 2, 2, 4, 4], reference=2, seed=3)
    >>> sheet["role"].tolist().count("reference"), sorted(sheet["x"][1:4].tolist())
    (3, [1, 2, 4])

    Raises
    ------
    KitError : no run is planned.
    """
    plan = list(plan)
    if not plan:
        raise KitError("There is no run to put into order", fix="plan at least one")
    rng = np.random.default_rng(seed)
    left, rows, block = Counter(plan), [], 0
    while left:
        block += 1
        once_each = sorted(left, key=str)  # a fixed order before the draw, whatever order the plan came in
        rows += [(once_each[i], block, "run") for i in rng.permutation(len(once_each))]
        left -= Counter(once_each)
    if reference is not None:
        middle, mark = (len(rows) + 1) // 2, (reference, 0, "reference")
        rows = [mark, *rows[:middle], mark, *rows[middle:], mark]
    seen: Counter = Counter()
    table = []
    for order, (x, block, role) in enumerate(rows, start=1):
        seen[x] += 1
        table.append((order, x, seen[x], block, role))
    return pd.DataFrame(table, columns=["order", "x", "trial", "block", "role"])
