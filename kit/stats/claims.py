"""Claims and what the data say about them: "level matters", "the louder, the shorter".

A claim is put down before the data are looked at (`Claim`) and examined afterwards (`examine`). The question is
always the same: if the labels meant nothing, how often would a shuffled world show as much as the measured one
(kit.stats.shuffling)? The answer comes in graded phrases by fixed rules, with the size of the effect, a check
against drift (kit.stats.drift), and a list of what the data do not show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan
from typing import NamedTuple

import numpy as np
import pandas as pd

from .. import wording
from ..errors import KitError
from .averages import band, counting, t_prime
from .drift import Drift, find_drift, one_after_the_other
from .shuffling import (
    LEVEL,
    Effect,
    Shuffled,
    as_percent,
    common_effect,
    is_studentised,
    rank_correlation,
    shuffle,
    signed,
    slope_and_reach,
)

__all__ = [
    "AGAINST",
    "AGAINST_IF_MIXED",
    "CANNOT_TELL",
    "SUPPORT",
    "SUPPORT_IF_MIXED",
    "UNSETTLED",
    "Claim",
    "Verdict",
    "check_answerable",
    "compares_by_error",
    "examine",
]


# --- claims and verdicts

SUPPORT, CANNOT_TELL, AGAINST = "the data support", "cannot tell", "the data speak against"

WITHOUT_DRIFT = "Student's t, drift taken out"

IF_MIXED = ", if the order did not matter"

SUPPORT_IF_MIXED, AGAINST_IF_MIXED = SUPPORT + IF_MIXED, AGAINST + IF_MIXED

UNSETTLED = "can't be settled"

EXPECTATIONS = ("any", "more", "less")


@dataclass(frozen=True)
class Claim:
    """A claim about runs, put down before the data are looked at.

    With `settings` it is a difference: `quantity` at settings[1] compared with settings[0] of column `by`. Without, it
    is a relation: `quantity` rises or falls with column `by`. Runs are only ever compared within the same `within`.

    >>> import kit
    >>> claim = kit.Claim("Tilt brakes", "duration_s", "level_deg", (0, 3), within=("magnets",), expect="less")
    >>> claim.is_relation
    False

    Raises
    ------
    KitError : one setting twice, a column with two parts, or an unknown scale or expectation.
    """

    statement: str
    quantity: str  # column that was measured, such as "duration_s"
    by: str  # column that was changed, or that it is related to
    settings: tuple | None = None
    within: tuple[str, ...] = ()  # columns that must agree before two runs are compared
    expect: str = "any"  # "more" or "less": of settings[1], or as `by` rises
    matters: float | None = None  # smallest effect that would matter: per cent if relative, else own units
    scale: str = "relative"  # "relative": per cent, values above zero; "absolute": own units
    order: str = "order"  # column with the order of the runs, if there is one

    def __post_init__(self):
        if self.settings is not None and (len(self.settings) != 2 or self.settings[0] == self.settings[1]):
            raise KitError("A difference needs two different settings", column=self.by, found=self.settings)
        if self.expect not in EXPECTATIONS:
            raise KitError("A claim expects one of three things", found=self.expect, fix=f"use one of {EXPECTATIONS}")
        if self.scale not in ("relative", "absolute"):
            raise KitError("There are two scales", found=self.scale, fix='use "relative" or "absolute"')
        if self.matters is not None and not (isfinite(self.matters) and self.matters > 0):
            raise KitError("The smallest effect that matters must be above zero", found=self.matters)
        if self.by in self.within or self.quantity in (self.by, *self.within):
            raise KitError("Each column has one part in a claim", found=self.by, fix="choose different columns")

    @property
    def is_relation(self) -> bool:
        """Whether the claim is about a quantity that changes in step, not about two settings."""
        return self.settings is None


@dataclass(frozen=True, eq=False)
class Verdict:
    """What the data say about a claim."""

    claim: Claim
    grade: str  # SUPPORT, CANNOT_TELL, AGAINST, UNSETTLED, or one of the two IF_MIXED
    sentence: str
    not_shown: tuple[str, ...]  # what these data do not show
    shuffled: Shuffled  # what the test counted; Spearman's ρ for a relation
    percent: Effect | None  # None where values at or below zero allow no per cent
    own: Effect  # in the measurement's own unit
    drift: Drift
    table: pd.DataFrame  # one row a condition
    scores: tuple[np.ndarray, ...]  # what was shuffled, one array a condition: setting (0 or 1), or quantity
    compared: tuple[np.ndarray, ...]  # the values, in step with the scores: logarithms on the relative scale

    @property
    def p_value(self) -> float:
        """Share of worlds at least as far from zero as the measured one, two-sided."""
        return self.shuffled.p_value


def examine(claim: Claim, results: pd.DataFrame, seed: int = 1) -> Verdict:
    """Hold a claim against a table of runs.

    Parameters
    ----------
    claim : what is claimed.
    results : one row a run. Only rows with status "counted" and an empty `set_aside` enter, where there are such
        columns. Every row must be a run of its own: several values from one run are not independent.
    seed : makes sampled shuffles repeatable.

    The test
    --------
    Difference: mean difference within conditions. Relation: Spearman's rank correlation within conditions. Two-sided
    permutation test, exact up to 400,000 arrangements; where two settings have unequal numbers of runs, of the
    difference over its own standard error, and then p is never below that of Welch's t (`kit.stats.shuffling`).
    On the relative scale logarithms are compared, so
    that a condition with long runs does not drown the others.

    The rules, in this order
    ------------------------
    1. `matters` is given and the whole 95 % interval lies within ± matters: speak against.
    2. p ≤ 0.05, and the effect keeps clear of zero when a straight-line drift is taken out (if the order is known):
       support if the sign is the expected one (or any is), else speak against.
    3. Otherwise: cannot tell. That includes runs too few to reach p = 0.05 at all.
    4. What 1 or 2 found can't be settled if one setting came before the other throughout: by the recorded order, or,
       where none is, in the order of the rows. With an order that is not recorded it otherwise stands only "if the
       order did not matter".

    Where setting and order go together (|r| > 0.3, or 0.15 if a drift is found), the effect and its interval are those
    with a straight-line drift taken out (Student's t).

    >>> import kit, pandas as pd
    >>> results = pd.DataFrame({"level_deg": [0] * 4 + [3] * 4, "order": [1, 4, 5, 8, 2, 3, 6, 7],
    ...                         "duration_s": [107.1, 108.0, 106.4, 107.7, 90.9, 90.1, 91.3, 90.6]})
    >>> found = kit.examine(kit.Claim("Level matters", "duration_s", "level_deg", (0, 3)), results)
    >>> found.grade, round(found.p_value, 3)
    ('the data support', 0.029)

    Raises
    ------
    KitError : a missing column, a value that is no number, relative scale with values at or below zero, or no
        condition in which a comparison is possible.
    """
    runs, strata, scores, values, logs = _compared(claim, results)
    tested = logs if logs is not None and claim.scale == "relative" else values
    drift, order = _drift(claim, strata, scores, tested, seed)
    by_own = shuffle(scores, values, seed=seed, studentise=True)
    own = _effect(scores, values, wording.unit_of(claim.quantity), by_own, order if drift.taken_out else None)
    by_log, percent = by_own, None
    if logs is not None:
        by_log = shuffle(scores, logs, seed=seed, studentise=True)
        percent = as_percent(_effect(scores, logs, "%", by_log, order if drift.taken_out else None))
    shuffled = by_log if claim.scale == "relative" else by_own
    if claim.is_relation:
        shuffled = rank_correlation(scores, tested, seed=seed)
    effect = own if percent is None or claim.scale == "absolute" else percent
    grade = _grade(claim, shuffled, effect, drift)
    table = _table(claim, strata, scores)
    return Verdict(
        claim,
        grade,
        _sentence(claim, grade, shuffled, effect, drift),
        _not_shown(claim, runs, strata, shuffled, drift, table),
        shuffled,
        percent,
        own,
        drift,
        table,
        tuple(scores),
        tuple(tested),
    )


def check_answerable(claim: Claim, results: pd.DataFrame) -> None:
    """Refuse a table of runs that cannot answer a claim, without looking for the answer.

    Raises
    ------
    KitError : as `examine`.
    """
    runs = _compared(claim, results).runs
    if claim.order in runs.columns:
        _check_numbers(runs, claim.order)


def compares_by_error(claim: Claim, results: pd.DataFrame) -> bool:
    """Whether `examine` holds each shuffled world's difference against its own standard error. Raises as `examine`."""
    return not claim.is_relation and is_studentised(_compared(claim, results).scores)


class _Compared(NamedTuple):
    """What is compared: the runs that count, and by condition their scores, values and, above zero, logarithms."""

    runs: pd.DataFrame
    strata: list[pd.DataFrame]
    scores: list[np.ndarray]
    values: list[np.ndarray]
    logs: list[np.ndarray] | None


def _compared(claim: Claim, results: pd.DataFrame) -> _Compared:
    runs = _usable(claim, results)
    strata = _strata(claim, runs)
    values = [s[claim.quantity].to_numpy(dtype=float) for s in strata]
    smallest = min(v.min() for v in values)
    if claim.scale == "relative" and not smallest > 0:
        raise KitError(
            "Per cent needs values above zero",
            column=claim.quantity,
            found=float(smallest),
            fix='use the scale "absolute"',
        )
    logs = [np.log(v) for v in values] if smallest > 0 else None
    return _Compared(runs, strata, [s[claim.by].to_numpy(dtype=float) for s in strata], values, logs)


def _usable(claim: Claim, results: pd.DataFrame) -> pd.DataFrame:
    """The rows that count, numbers checked; for a difference `by` becomes 0 and 1."""
    for name in (claim.quantity, claim.by, *claim.within):
        if name not in results.columns:
            raise KitError("The table has no such column", column=name, fix=f"choose one of: {list(results.columns)}")
    runs = results.reset_index(drop=True)
    runs = runs[counting(runs)].copy()
    _check_numbers(runs, claim.quantity)
    if claim.settings is None:
        _check_numbers(runs, claim.by)
        return runs
    first, second = claim.settings
    for setting in claim.settings:
        if not (runs[claim.by] == setting).any():
            raise KitError(
                "No counted run has this setting",
                column=claim.by,
                found=setting,
                fix=f"choose two of: {sorted(runs[claim.by].unique().tolist(), key=str)}",
            )
    runs = runs[runs[claim.by].isin([first, second])].copy()
    runs[claim.by] = (runs[claim.by] == second).astype(float)
    return runs


def _check_numbers(runs: pd.DataFrame, column: str) -> None:
    numbers = pd.to_numeric(runs[column], errors="coerce").astype(float)
    bad = np.flatnonzero(~np.isfinite(numbers))
    if bad.size:
        row = runs.index[bad[0]]
        raise KitError(
            "A run that counts needs a number here",
            row=int(row) + 1,
            column=column,
            found=runs[column][row],
            fix="correct it, or set the run aside with a reason",
        )
    runs[column] = numbers


def _strata(claim: Claim, runs: pd.DataFrame) -> list[pd.DataFrame]:
    """Runs grouped by condition, those conditions left out in which nothing can be compared."""
    groups = [g for _, g in runs.groupby(list(claim.within), sort=True)] if claim.within else [runs]
    groups = [g for g in groups if g[claim.by].max() > g[claim.by].min()]
    if not groups:
        raise KitError(
            "There is no condition in which runs can be compared",
            column=claim.by,
            fix="measure both settings (or several values) under the same condition",
        )
    return groups


def _effect(scores, values, unit: str, shuffled: Shuffled, order) -> Effect:
    """The common effect; with `order` given, a drift along it taken out where effect and drift can be told apart."""
    if order is not None:
        slope, reach = slope_and_reach([scores, order], values)
        if isfinite(reach):
            return Effect(slope, slope - reach, slope + reach, unit, WITHOUT_DRIFT)
    return common_effect(scores, values, unit, shuffled)


def _drift(claim: Claim, strata, scores, values, seed) -> tuple[Drift, list[np.ndarray]]:
    """What is known of a drift, and the order by which it was looked for: that of the rows where none is recorded."""
    runs = pd.concat(strata)
    if claim.order not in runs.columns:
        rows = [s.index.to_numpy(float) for s in strata]
        return Drift(known=False, blocked=one_after_the_other(rows, scores, claim.is_relation)), rows
    _check_numbers(runs, claim.order)
    order = [runs.loc[s.index, claim.order].to_numpy() for s in strata]
    unit, relative = wording.unit_of(claim.quantity), claim.scale == "relative"
    drift = find_drift(order, scores, values, relation=claim.is_relation, relative=relative, unit=unit, seed=seed)
    return drift, order


def _grade(claim: Claim, shuffled: Shuffled, effect: Effect, drift: Drift) -> str:
    """The fixed rules of `examine`."""
    found = _found(claim, shuffled, effect, drift)
    if found == CANNOT_TELL:
        return found
    if drift.blocked:
        return UNSETTLED
    return found if drift.known else found + IF_MIXED


def _found(claim: Claim, shuffled: Shuffled, effect: Effect, drift: Drift) -> str:
    if claim.matters is not None and -claim.matters < effect.low and effect.high < claim.matters:
        return AGAINST
    if shuffled.p_value <= LEVEL and (drift.survives or drift.blocked):
        return SUPPORT if claim.expect in ("any", "more" if shuffled.measured > 0 else "less") else AGAINST
    return CANNOT_TELL


def _sentence(claim: Claim, grade: str, shuffled: Shuffled, effect: Effect, drift: Drift) -> str:
    opening = {
        SUPPORT: "The data support this.",
        AGAINST: "The data speak against this.",
        SUPPORT_IF_MIXED: "The data support this, if the order did not matter: it was not recorded.",
        AGAINST_IF_MIXED: "The data speak against this, if the order did not matter: it was not recorded.",
        UNSETTLED: "This can't be settled: order and setting are the same thing.",
        CANNOT_TELL: "These data cannot tell.",
    }[grade]
    if grade == UNSETTLED and not drift.known:
        opening = (
            "This can't be settled. The order was not recorded. In the list one setting comes after the other: if the "
            "runs were made like that, order and setting are the same thing."
        )
    if claim.settings is None:
        step = f"1 {wording.unit_of(claim.by)}".strip()
        what = f"For each step of {step} in {wording.name_of(claim.by)}"
    else:
        first, second = (wording.case_of(claim.by, setting) for setting in claim.settings)
        what = f"With {second} instead of {first}"
    what += f", {wording.name_of(claim.quantity)} changes by"
    size = f"{what} {signed(effect.value, effect.unit)}{_interval(effect)}."
    worlds = "shuffled worlds" if shuffled.exact else "worlds shuffled by chance"
    spread = " for their spread" if shuffled.studentised else ""
    count = f"{shuffled.at_least:,} of {shuffled.worlds.size:,} {worlds} show at least as much{spread}."
    against = grade in (AGAINST, AGAINST_IF_MIXED)
    parts = [opening, size, count]
    if against and shuffled.p_value <= LEVEL and claim.matters is not None and abs(effect.value) < claim.matters:
        parts.append(
            f"There is an effect, but it is smaller than the {claim.matters:g} {effect.unit} you said matters."
        )
    elif against and shuffled.p_value <= LEVEL:
        parts.append("The effect goes the other way.")
    if shuffled.by_worlds <= LEVEL < shuffled.p_value:
        parts.append(
            "But the runs are few and spread unequally: a stricter test (Welch's t) makes that chance "
            f"{wording.number(100 * shuffled.p_value, 2)} in 100."
        )
    if shuffled.smallest_p > LEVEL:
        parts.append("With so few runs even the clearest effect could be luck: measure more trials.")
    elif grade == CANNOT_TELL and shuffled.p_value <= LEVEL and not drift.survives:
        parts.append("A slow drift over the session could have made this: mix the order and repeat.")
    elif grade == UNSETTLED:
        parts.append("A slow drift over the session could look the same: mix the order and repeat.")
    return " ".join(parts)


def _not_shown(claim: Claim, runs, strata, shuffled: Shuffled, drift: Drift, table) -> tuple[str, ...]:
    """What a careful reader would object, the most telling first."""
    notes = []
    if not drift.known:
        notes.append("The order of the runs is not recorded. A slow drift could look the same.")
    elif abs(drift.order_correlation) > 0.6 or drift.blocked:
        notes.append(
            "The settings were hardly mixed in time. Something else that changed in between could look the same."
        )
    if claim.is_relation:
        notes.append("Two things that go together need not cause each other: a third may change both.")
    elif len(table) > 1 and _uneven(table):
        notes.append("The effect is not the same under every condition: read the table row by row.")
    if len(strata) > 0 and claim.within:
        tested = wording.join_words(_plain_conditions(table, claim.within))
        notes.append(f"Only tested at {tested}. Elsewhere it may be different.")
    left_out = len(runs) - sum(map(len, strata))
    if left_out:
        notes.append(f"{wording.count_of(left_out, 'run')} had nothing to be compared with and did not enter.")
    notes.append("One apparatus, one session: another one may behave differently.")
    if shuffled.p_value > LEVEL:
        notes.append("Not finding an effect does not show that there is none.")
    return tuple(notes)


def _table(claim: Claim, strata: Sequence[pd.DataFrame], scores) -> pd.DataFrame:
    """Per condition: what was compared, difference in own units with its uncertainty, per cent, t′ and its band."""
    rows = []
    for stratum, a in zip(strata, scores, strict=True):
        row = {name: stratum[name].iloc[0] for name in claim.within}
        y = stratum[claim.quantity].to_numpy()
        if claim.is_relation:
            slope, _ = slope_and_reach([[a]], [y])
            row |= {"n": y.size, "slope": slope, "rank_correlation": rank_correlation([a], [y]).measured}
        else:
            first, second = y[a == 0], y[a == 1]
            means, us = zip(*[(v.mean(), _u(v)) for v in (first, second)], strict=True)
            t = t_prime(means[1], us[1], means[0], us[0]) if isfinite(sum(us)) else nan
            row |= {
                "n_first": first.size,
                "n_second": second.size,
                "mean_first": means[0],
                "mean_second": means[1],
                "difference": means[1] - means[0],
                "difference_u": float(np.hypot(*us)),
                "per_cent": 100 * (means[1] / means[0] - 1) if min(means) > 0 else nan,
                "t_prime": t,
                "band": band(t),
            }
        rows.append(row)
    return pd.DataFrame(rows)


def _u(values: np.ndarray) -> float:
    """Standard uncertainty of a mean; NaN for a single value."""
    return float(np.std(values, ddof=1) / np.sqrt(values.size)) if values.size > 1 else nan


def _uneven(table: pd.DataFrame) -> bool:
    """Whether per-cent effects differ between conditions by more than three combined uncertainties."""
    effect = table["per_cent"].to_numpy(dtype=float)
    u = (100 * table["difference_u"] / table["mean_first"]).to_numpy(dtype=float)
    if np.isnan(effect).any() or np.isnan(u).any():
        return False
    largest, smallest = np.argmax(effect), np.argmin(effect)
    return t_prime(effect[largest], u[largest], effect[smallest], u[smallest]) > 3


def _plain_conditions(table: pd.DataFrame, within) -> list[str]:
    return [", ".join(wording.case_of(name, row[name]) for name in within) for _, row in table.iterrows()]


def _interval(effect: Effect) -> str:
    if not (isfinite(effect.low) and isfinite(effect.high)):
        return ""
    text = f" (95 % interval {wording.interval(effect.low, effect.high, effect.unit)}"
    if effect.interval_by == WITHOUT_DRIFT:
        return f"{text}, with a steady drift taken out)"
    return text + (")" if effect.interval_by == "shuffling" else "; by Student's t, as the runs are few)")
