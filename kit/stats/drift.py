"""Whether values crept with the order of the runs, and what is left of an effect without that."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from .shuffling import LEVEL, shuffle, signed, slope_and_reach

__all__ = ["Drift", "find_drift", "one_after_the_other"]

WELL_MIXED, PARTLY_MIXED = 0.15, 0.3  # correlation of setting and order up to which a drift only adds to the scatter


@dataclass(frozen=True)
class Drift:
    """Whether the values crept with the order of the runs, and what is left of the effect without that."""

    known: bool  # whether the order is recorded
    per_session: float = nan  # from the first to the last run; per cent on the relative scale, else own units
    p_value: float = nan
    order_correlation: float = nan  # correlation of setting and order within conditions: 0 well mixed, ±1 inseparable
    effect: float = nan  # with a straight-line drift taken out, on the scale that was tested
    effect_low: float = nan
    effect_high: float = nan
    sentence: str = "The order of the runs is not recorded, so drift cannot be checked."
    blocked: bool = False  # one setting came before the other throughout; by the order of the rows if none is recorded

    @property
    def taken_out(self) -> bool:
        """Whether the effect has to be given without the drift.

        In a well-mixed order a drift is but more scatter, which shuffling reckons with. Elsewhere it moves the effect:
        so it is taken out where |r| > 0.3, and where one was found from |r| > 0.15 on.
        """
        mixed = WELL_MIXED if self.p_value <= LEVEL else PARTLY_MIXED
        return self.known and abs(self.order_correlation) > mixed

    @property
    def survives(self) -> bool:
        """Whether the effect, drift taken out, is still clear of zero. True where the order is not known."""
        return not self.known or self.effect_low > 0 or self.effect_high < 0


def find_drift(order, scores, values, *, relation: bool, relative: bool, unit: str, seed: int = 1) -> Drift:
    """Slope of the values on the order of the runs, among runs alike in condition and setting.

    Parameters
    ----------
    order, scores, values : one (n_c,) array a condition, in step: position in the session, setting (0 or 1) or
        quantity, and what was measured (its logarithm if `relative`).
    relation : scores are a quantity, not two settings: drift is then looked for in what the common line leaves.
    unit : of the values, where they are not logarithms.

    Assumes that the drift is a straight line in the order of the runs.
    """
    session, blocked = float(np.ptp(np.concatenate(order))), one_after_the_other(order, scores, relation)
    x, a = (np.concatenate([v - v.mean() for v in part]) for part in (order, scores))
    if x @ x == 0:
        return Drift(
            known=False,
            sentence="The order of the runs does not differ, so drift cannot be checked.",
            blocked=blocked,
        )
    order_correlation = float(x @ a / np.sqrt((x @ x) * (a @ a)))
    slope, reach = slope_and_reach([scores, order], values)
    low, high = slope - reach, slope + reach
    p_value = per_run = nan
    cells = _cells(relation, scores, order, values)
    if cells[0]:
        crept = shuffle(*cells, seed=seed)
        p_value, per_run = crept.p_value, crept.measured
    if relative:
        per_session = 100 * float(np.expm1(per_run * session))
        slope, low, high = (100 * float(np.expm1(v)) for v in (slope, low, high))
        unit = "%"
    else:
        per_session = per_run * session
    if isnan(p_value):
        sentence = "No two runs are alike, so drift cannot be told from the effect itself."
    elif p_value <= LEVEL:
        sentence = f"The values crept with the order of the runs: {signed(per_session, unit)} over the session."
    else:
        sentence = f"No drift was found: {signed(per_session, unit)} over the session, as luck alone often gives."
    return Drift(True, per_session, p_value, order_correlation, slope, low, high, sentence, blocked)


def one_after_the_other(order, scores, relation: bool) -> bool:
    """Whether, in every condition and the same way round, one setting came first (or a quantity rose or fell)."""
    ways = set()
    for x, a in zip(order, scores, strict=True):
        if relation:
            placed = np.sign(np.diff(a[np.argsort(x, kind="stable")]))
            ways |= set(placed[placed != 0].tolist())
        else:
            first, second = x[a == 0], x[a == 1]
            ways.add(1.0 if first.max() < second.min() else -1.0 if second.max() < first.min() else 0.0)
    return ways in ({1.0}, {-1.0})


def _cells(relation: bool, scores, order, values) -> tuple[list, list]:
    """Order and values of runs that should agree: same condition and setting (of a relation: what the line leaves)."""
    if relation:
        slope, _ = slope_and_reach([scores], values)
        cells = [(x, v - slope * a) for a, x, v in zip(scores, order, values, strict=True)]
    else:
        cells = [
            (x[a == setting], v[a == setting])
            for a, x, v in zip(scores, order, values, strict=True)
            for setting in (0.0, 1.0)
        ]
    cells = [(x, v) for x, v in cells if np.unique(x).size > 1]
    return [x for x, _ in cells], [v for _, v in cells]
