"""Averages of repeated trials with honest uncertainty, and two methods compared.

Words follow the GUM (JCGM 100:2008): the sample standard deviation s (4.2.2) describes the scatter of single trials,
the standard uncertainty of their mean is s/√n (4.2.3), and a 95 % interval is the mean ± t·s/√n with Student's t for
n − 1 degrees of freedom (G.3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, isnan, nan

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ..errors import KitError
from ..wording import number, plus_minus, rounded_by

__all__ = [
    "DECISIONS",
    "Agreement",
    "Comparison",
    "Measured",
    "Outlier",
    "average",
    "band",
    "compare",
    "compare_methods",
    "counting",
    "doubtful",
    "grubbs",
    "pooled_scatter",
    "summary",
    "t_factor",
    "t_prime",
    "weighted_summary",
]

COUNTED = "counted"
DOUBTFUL = "doubtful"  # outcome of a run that counts although something speaks against it

NORMAL_FACTOR = 1.959964  # Student's factor for 95 % and any number of degrees of freedom


def t_factor(dof: float, confidence: float = 0.95) -> float:
    """Student's two-sided factor for `dof` degrees of freedom (GUM Table G.2): 4.30 for three trials at 95 %."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + confidence / 2)) if dof > 0 else float("nan")


def summary(values: ArrayLike) -> dict:
    """Mean and spread of repeated trials.

    Returns `n, mean, sd, u, t, low, high, min, max`: sample standard deviation (n − 1), standard uncertainty of the
    mean sd/√n, Student factor and 95 % interval, all in the unit of the values. With one value the spread is NaN:
    one trial cannot show its own scatter. Assumes independent trials from one normal distribution.
    """
    values = _finite(values)
    n = values.size
    mean = _mean(values)
    sd = float(np.sqrt(np.sum((values - mean) ** 2) / (n - 1))) if n > 1 else float("nan")
    u = sd / np.sqrt(n)
    t = t_factor(n - 1)
    return {
        "n": n,
        "mean": mean,
        "sd": sd,
        "u": float(u),
        "t": t,
        "low": float(mean - t * u),
        "high": float(mean + t * u),
        "min": float(values.min()),
        "max": float(values.max()),
    }


def weighted_summary(values: ArrayLike, u: ArrayLike) -> dict:
    """As `summary`, where each trial brings a standard uncertainty of its own (n,), in the unit of the values.

    Model: the variance of a trial is τ² + u_i², τ the spread from run to run, which is what makes the values agree
    with each other: Σ(v − m)²/(τ² + u_i²) = n − 1, or 0 (Paule & Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377; the
    idea: Cochran 1954, Biometrics 10, 101). Weights are 1/(τ² + u_i²). The variance of the mean m is Σw(v − m)²/((n −
    1)Σw), with Student's t for n − 1 (Hartung & Knapp 2001, Stat. Med. 20, 3875), but never below 1/Σw. The latter
    does not rest on n − 1 differences, so that the factor for many degrees of freedom goes with it (GUM G.4); the
    wider interval is given, and as `t` what it reaches in units of `u`. Where weights differ by less than 1 % these
    are the plain mean and s/√n, and exactly those are returned.
    """
    values, u = _finite(values), np.asarray(u, dtype=float).ravel()
    plain = summary(values)
    if values.size < 2 or u.shape != values.shape or not (np.isfinite(u) & (u >= 0)).all() or not (u > 0).any():
        return plain
    variance = _between(values, u**2) + np.maximum(u, 1e-3 * u.max()) ** 2  # no run is known perfectly
    weight = variance.min() / variance
    if weight.min() > 0.99:
        return plain
    mean = float(weight @ values / weight.sum())
    spread = float(np.sqrt(weight @ (values - mean) ** 2 / ((values.size - 1) * weight.sum())))
    least = float(np.sqrt(variance.min() / weight.sum()))
    u_mean, reach = max(spread, least), max(plain["t"] * spread, NORMAL_FACTOR * least)
    return plain | {"mean": mean, "u": u_mean, "t": reach / u_mean, "low": mean - reach, "high": mean + reach}


def _between(values: np.ndarray, known: np.ndarray) -> float:
    """τ² of Paule & Mandel, beside the known variances (n,), by bisection: the sum falls as τ² grows."""

    def excess(between: float) -> float:
        weight = 1 / np.maximum(known + between, 1e-300)
        return float(weight @ (values - weight @ values / weight.sum()) ** 2) - (values.size - 1)

    low, high = 0.0, 4 * float(np.var(values)) * values.size
    if high == 0 or excess(low) <= 0:
        return 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


def average(results: pd.DataFrame, x: str, quantity: str = "duration_s", pooled: str = "relative") -> pd.DataFrame:
    """Average the counted trials of every condition.

    Parameters
    ----------
    results : table as `measure` makes it. Only rows with status "counted" (where there is a `status` column) and an
        empty `set_aside` (where there is one) enter.
    x : the column that was changed.
    quantity : the column to average.
    pooled : how the scatter is shared between conditions: "relative" (it grows with the mean, as run-to-run drag
        does) or "absolute".

    Returns
    -------
    DataFrame, one row a condition in rising order: `x`'s own column, `n, mean, sd, u, t, low, high, min, max` from
    that condition's trials alone, `set_aside` (how many were left out by a person), `not_counted` (how many could
    not be measured), and `pooled_sd, pooled_u, pooled_t, pooled_low, pooled_high`, which lend every condition the
    scatter of all: with three trials a condition's own sd is uncertain by about half. Where the table brings the
    uncertainty of each run (`duration_u_s`, `turns_u`) and those differ so much that it matters, the mean is weighted,
    see `weighted_summary`; `.attrs["weighted"]` names those conditions. `.attrs["pooled"]` and `.attrs["pooled_dof"]`
    say how that was done.

    >>> import kit, pandas as pd
    >>> results = pd.DataFrame({"magnets": [2, 2, 2, 4, 4, 4], "duration_s": [23.3, 23.0, 23.5, 13.2, 12.8, 12.9]})
    >>> table = kit.average(results, "magnets")
    >>> print(table[["magnets", "n", "mean", "u", "low", "high"]].round(2).to_string(index=False))
     magnets  n  mean    u   low  high
           2  3 23.27 0.15 22.64 23.89
           4  3 12.97 0.12 12.45 13.48

    Raises
    ------
    KitError : a missing column, or no counted trial at all.
    """
    for name in (x, quantity):
        if name not in results.columns:
            raise KitError("The table has no such column", column=name, fix=f"choose one of: {list(results.columns)}")
    values = results[quantity].to_numpy(dtype=float, na_value=np.nan)
    counts = counting(results).to_numpy() & ~np.isnan(values)
    if not counts.any():
        raise KitError("No trial counts", fix="choose a slower start or a faster stop threshold, or take trials back")
    own = {"duration_s": "duration_u_s"}.get(quantity, f"{quantity}_u")
    own_u = (
        results[own].to_numpy(dtype=float, na_value=np.nan) if own in results.columns else np.full(len(values), np.nan)
    )
    set_aside = _text(results, "set_aside") != ""
    rows, weighted = [], []
    for value, group in results.groupby(x, sort=True).indices.items():
        used = group[counts[group]]
        if not used.size:
            continue
        aside = int(set_aside[group].sum())
        found = weighted_summary(values[used], own_u[used])
        if found["mean"] != _mean(values[used]):
            weighted.append(value)
        rows.append({x: value, **found, "set_aside": aside, "not_counted": len(group) - len(used) - aside})
    table = pd.DataFrame(rows)
    scatter, dof = pooled_scatter(values[counts], results[x].to_numpy()[counts], pooled)
    table["pooled_sd"] = scatter * (table["mean"] if pooled == "relative" else 1.0)
    table["pooled_u"] = table["pooled_sd"] / np.sqrt(table["n"])
    table["pooled_t"] = t_factor(dof)
    table["pooled_low"] = table["mean"] - table["pooled_t"] * table["pooled_u"]
    table["pooled_high"] = table["mean"] + table["pooled_t"] * table["pooled_u"]
    table.attrs.update(pooled=pooled, pooled_dof=dof, pooled_scatter=scatter, quantity=quantity, x=x)
    table.attrs["weighted"] = weighted
    return table


def counting(results: pd.DataFrame) -> pd.Series:
    """Which rows of a results table enter averages: counted, and not set aside."""
    counts = (_text(results, "status", COUNTED) == COUNTED) & (_text(results, "set_aside") == "")
    return pd.Series(counts, index=results.index)


def doubtful(results: pd.DataFrame) -> pd.Series:
    """Which of the rows that enter averages are doubtful."""
    return counting(results) & (_text(results, "outcome") == DOUBTFUL)


def pooled_scatter(values: ArrayLike, groups: ArrayLike, kind: str = "relative") -> tuple[float, int]:
    """Scatter of single trials within conditions, pooled over all conditions, and its degrees of freedom.

    √(Σ(v − group mean)² / ν), ν = N − number of conditions (GUM H.3.6, H.5.2.2). "relative" works on ln v and so
    returns a fraction; it needs values above zero. Assumes the same scatter in every condition. NaN with ν = 0.
    """
    sample = _finite(values)
    if kind == "relative":
        if sample.min() <= 0:
            raise KitError("Relative scatter needs values above zero", found=float(sample.min()), fix='use "absolute"')
        sample = np.log(sample)
    elif kind != "absolute":
        raise KitError("Scatter is pooled in one of two ways", found=kind, fix='use "relative" or "absolute"')
    _, label = np.unique(np.asarray(groups), return_inverse=True)
    count = np.bincount(label)
    mean = np.bincount(label, sample) / count
    dof = int(sample.size - count.size)
    square = float(np.sum((sample - mean[label]) ** 2))
    return (float(np.sqrt(square / dof)) if dof else float("nan")), dof


@dataclass(frozen=True)
class Outlier:
    """Grubbs' test of the value furthest from the mean."""

    index: int
    statistic: float  # NaN if no test is possible
    critical: float
    unusual: bool
    sentence: str


def grubbs(values: ArrayLike, significance: float = 0.05) -> Outlier:
    """Two-sided Grubbs' test for one unusual trial (NIST/SEMATECH e-Handbook 1.3.5.17.1).

    G = max|v − mean|/s against ((n−1)/√n)·√(t²/(n−2+t²)), t at significance/(2n) with n − 2 degrees of freedom.
    With three trials the largest G there can be is 1.1547 and the critical value 1.1543, so no test is made: a
    trial may then only be set aside for a physical cause that somebody saw. Assumes normal scatter.

    >>> import kit
    >>> found = kit.grubbs([23.3, 23.0, 23.5, 23.2, 26.9])
    >>> found.index, found.unusual
    (4, True)

    Raises
    ------
    KitError : no values, or one that is not finite.
    """
    values = _finite(values)
    n = values.size
    spread = summary(values)
    index = int(np.argmax(np.abs(values - spread["mean"])))
    if n <= 3:
        return Outlier(index, float("nan"), float("nan"), False, f"No test can find an unusual trial among {n}.")
    if spread["sd"] == 0:
        return Outlier(index, 0.0, float("nan"), False, "All trials are equal.")
    statistic = float(abs(values[index] - spread["mean"]) / spread["sd"])
    t = t_factor(n - 2, 1 - significance / n)
    critical = float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))
    unusual = statistic > critical
    sentence = (
        f"Trial {index + 1} lies unusually far from the others. Was there a physical cause? Only then set it aside."
        if unusual
        else "No trial lies unusually far from the others."
    )
    return Outlier(index, statistic, critical, unusual, sentence)


@dataclass(frozen=True)
class Agreement:
    """Two methods on the same conditions: what the differences (first − second) show."""

    pairs: pd.DataFrame  # x, first, second, mean, difference
    bias: float
    bias_u: float
    bias_low: float
    bias_high: float
    sd: float  # of the differences
    limits: tuple[float, float]  # bias ± 1.96 sd: about 95 % of differences, if there are many pairs
    next_range: tuple[float, float]  # for the next single difference, right for few pairs too
    sentence: str


def compare_methods(x: Sequence, first: ArrayLike, second: ArrayLike, unit: str = "s") -> Agreement:
    """Paired differences between two methods (Bland & Altman 1986, Lancet 327, 307).

    Parameters
    ----------
    x, first, second : (m,) condition and one value of each method there, the same unit; m ≥ 3.

    The mean difference has the interval d̄ ± t·s_d/√m. Limits of agreement are d̄ ± 1.96 s_d; for few pairs the range
    that holds the next difference with 95 % is wider, d̄ ± t·s_d·√(1 + 1/m). Assumes that differences scatter
    alike over the range; look at them against the mean.

    >>> import kit
    >>> found = kit.compare_methods([1, 2, 4, 8], [38.0, 23.3, 13.0, 6.9], [37.6, 23.0, 12.5, 6.6])
    >>> print(f"{found.bias:.3f} s, 95 %: {found.bias_low:.3f} to {found.bias_high:.3f} s")
    0.375 s, 95 %: 0.223 to 0.527 s

    Raises
    ------
    KitError : fewer than three pairs, or not one value of each method at every condition.
    """
    first, second = _finite(first), _finite(second)
    if not len(x) == first.size == second.size:
        raise KitError(
            "The two methods need one value each at every condition",
            found=f"{len(x)} conditions, {first.size} and {second.size} values",
        )
    m = first.size
    if m < 3:
        raise KitError("Fewer than three pairs cannot show a bias", found=m, fix="measure more conditions both ways")
    difference = first - second
    pairs = pd.DataFrame(
        {
            "x": list(x),
            "first": first,
            "second": second,
            "mean": (first + second) / 2,
            "difference": difference,
        }
    )
    s = summary(difference)
    reach = s["t"] * s["sd"] * np.sqrt(1 + 1 / m)
    verdict = (
        "The interval holds zero: these pairs cannot tell the methods apart on average."
        if s["low"] <= 0 <= s["high"]
        else "The interval does not hold zero: on average the methods differ."
    )
    half = s["t"] * s["u"]
    mean, low, high = ("+" * (s[name] > 0) + rounded_by(s[name], half) for name in ("mean", "low", "high"))
    return Agreement(
        pairs,
        s["mean"],
        s["u"],
        s["low"],
        s["high"],
        s["sd"],
        (float(s["mean"] - NORMAL_FACTOR * s["sd"]), float(s["mean"] + NORMAL_FACTOR * s["sd"])),
        (float(s["mean"] - reach), float(s["mean"] + reach)),
        f"Average difference {mean} {unit} (95 % interval {low} to {high}). {verdict}",
    )


def _mean(values: np.ndarray) -> float:
    """Mean with a second pass over the remainders: exact to the last digits where values share a large part."""
    rough = float(values.mean())
    return rough + float((values - rough).mean())


def _finite(values: ArrayLike) -> np.ndarray:
    values = np.asarray(values, dtype=float).ravel()
    if values.size == 0:
        raise KitError("There are no values to average")
    if not np.isfinite(values).all():
        raise KitError(
            "Only finite numbers can be averaged",
            row=int(np.flatnonzero(~np.isfinite(values))[0]) + 1,
            found="NaN",
        )
    return values


def _text(table: pd.DataFrame, column: str, default: str = "") -> np.ndarray:
    """A column as texts (n,), with blanks for what is missing."""
    if column not in table.columns:
        return np.full(len(table), default, dtype=object)
    values = table[column].to_numpy(dtype=object)
    return np.array(["" if missing else str(v) for v, missing in zip(values, pd.isna(values), strict=True)], object)


# --- t′: a difference against its standard uncertainty


def t_prime(first: float, first_u: float, second: float, second_u: float) -> float:
    """t′ = |first − second| / √(u₁² + u₂²): a difference against its standard uncertainty (Holmes & Bonn 2015).

    Assumes that the two uncertainties are independent. Infinite where values differ but no uncertainty is left,
    NaN where both agree exactly without any.
    """
    difference, u = abs(first - second), float(np.hypot(first_u, second_u))
    if u == 0:
        return nan if difference == 0 else float("inf")
    return float(difference / u)


def band(t: float) -> str:
    """What t′ suggests: below 1, from 1 to 3, above 3."""
    if isnan(t):
        return "no uncertainty known"
    if t < 1:
        return "cannot be told apart: measure more precisely, or accept"
    if t <= 3:
        return "cannot tell yet: improve or repeat"
    return "they differ: ask why, or revise the model"


# --- one cycle of comparing: two measured values, how far apart they are for their uncertainty, what to do next

#: What can follow a comparison: what is saved, and how it is offered.
DECISIONS = {
    "improve": "Make the measurement better",
    "repeat": "Measure once more",
    "revise": "Change the model",
    "accept": "Leave it as it is",
}


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty `u`, in `unit`, and what it is called.

    >>> import kit
    >>> print(kit.Measured("2 magnets", 23.27, 0.15, "s"))
    2 magnets: 23.27 ± 0.15 s

    Raises
    ------
    KitError : no name, a value that is not finite, or an uncertainty that is not above zero.
    """

    label: str
    value: float
    u: float
    unit: str = ""

    def __post_init__(self):
        if not self.label.strip():
            raise KitError("A value needs a name", fix="say what it is, such as: 2 magnets, group B")
        if not isfinite(self.value):
            raise KitError("A value must be a number", found=self.value, fix="use digits, such as 12.5")
        if not (isfinite(self.u) and self.u > 0):
            raise KitError("An uncertainty must be a number above zero", found=self.u, fix="use digits, such as 0.4")

    def __str__(self) -> str:
        return f"{self.label}: {plus_minus(self.value, self.u, self.unit)}"


@dataclass(frozen=True)
class Comparison:
    """Two values compared. `suggests` is what t′ alone suggests; the decision is the group's."""

    first: Measured
    second: Measured
    t_prime: float
    suggests: str

    @property
    def sentence(self) -> str:
        """The comparison in one sentence."""
        difference = abs(self.first.value - self.second.value)
        u = (self.first.u**2 + self.second.u**2) ** 0.5
        apart = plus_minus(difference, u, self.first.unit)
        return f"They are {apart} apart. So t′ = {number(self.t_prime, 2)}: {self.suggests}."

    def entry(self, decision: str, why: str) -> dict[str, str | float]:
        """What the workbook keeps of this cycle.

        Raises
        ------
        KitError : an unknown decision, or no reason.
        """
        if decision not in DECISIONS:
            raise KitError("Choose what to do next", found=decision or None, fix=f"one of: {', '.join(DECISIONS)}")
        if not why.strip():
            raise KitError("Say why, in a few words of your own", fix="for example: the two ranges overlap")
        sides = {
            f"{side}{suffix}": value
            for side, m in (("first", self.first), ("second", self.second))
            for suffix, value in (("", m.label), ("_value", m.value), ("_u", m.u))
        }
        return sides | {
            "unit": self.first.unit,
            "t_prime": self.t_prime,
            "suggests": self.suggests,
            "decision": decision,
            "why": why.strip(),
        }


def compare(first: Measured, second: Measured) -> Comparison:
    """Compare two values of the same unit; their uncertainties are taken as independent.

    >>> import kit
    >>> hand, gate = kit.Measured("by hand", 23.6, 0.3, "s"), kit.Measured("by the gate", 23.2, 0.1, "s")
    >>> print(kit.compare(hand, gate).sentence)
    They are 0.40 ± 0.32 s apart. So t′ = 1.3: cannot tell yet: improve or repeat.

    Raises
    ------
    KitError : the same value twice, or two units.
    """
    if first == second:
        raise KitError("These are the same value", found=first.label, fix="choose two different ones")
    if first.unit != second.unit:
        units = " and ".join(m.unit or "a plain number" for m in (first, second))
        raise KitError("Only values of one unit can be compared", found=units, fix="choose two of the same kind")
    t = t_prime(first.value, first.u, second.value, second.u)
    return Comparison(first, second, t, band(t))
