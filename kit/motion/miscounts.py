"""Gaps of a run in which the passes were counted wrongly, found by its drag law."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import KitError
from .drag import TURN, sensitivities
from .drag_fit import DragFit, fit_drag, flag_columns

__all__ = ["Miscount", "find_miscounts", "recounted"]


@dataclass(frozen=True)
class Miscount:
    """A wrong count in the gap before a pass."""

    index: int  # of the pass after the gap, in the times given
    time_s: float
    passes: int  # to add to the count: above 0 where passes were missed, below 0 where too many were counted
    reason: str


def find_miscounts(
    times_s: ArrayLike, angles_rad: ArrayLike, flags_per_turn: int = 1, most: int = 5
) -> tuple[Miscount, ...]:
    """Find gaps in which the count of passes is wrong, by the three-term drag law.

    For every gap at once, the size of a step in the angle there is estimated by linear least squares beside the
    law's own parameters; gaps whose pace is far from that of both neighbours are candidates too. For each candidate
    the law is fitted anew with a whole number of flags added, and the best is kept while the residuals shrink, up to
    `most`. Only if they are at least 10 times smaller in the end is anything reported.

    Returns
    -------
    Miscounts in the order of time; nothing is changed (see `recounted`). Empty where the count holds, and where
    there are fewer than 8 passes or no law fits even so: few passes can bend a law round a wrong count.
    """
    times, angles = np.asarray(times_s, dtype=float), np.asarray(angles_rad, dtype=float)
    flag = TURN / flags_per_turn
    steps: dict[int, int] = {}
    if len(times) < 7 + flags_per_turn:
        return ()
    fit = first = fit_drag(times, angles, flags_per_turn=flags_per_turn)
    for _ in range(most):
        tried = []
        for index, size in {
            *_likely_steps(fit, times, angles, flags_per_turn),
            *_odd_gaps(times, angles),
        }:
            stepped = angles + flag * size * (np.arange(len(times)) >= index)
            if (np.diff(stepped) > flag / 2).all():  # passes stay at least one flag apart, rounding aside
                tried.append((fit_drag(times, stepped, flags_per_turn=flags_per_turn), index, size, stepped))
        best = min(tried, key=lambda t: t[0].timing_sd_s, default=None)
        if best is None or best[0].timing_sd_s > 0.95 * fit.timing_sd_s:
            break
        fit, index, size, angles = best
        steps[index] = steps.get(index, 0) + size
    if fit.timing_sd_s > first.timing_sd_s / 10:
        return ()
    return tuple(
        Miscount(index, float(times[index]), size, _reason(size)) for index, size in sorted(steps.items()) if size
    )


def recounted(angles_rad: ArrayLike, miscounts: Sequence[Miscount], flags_per_turn: int = 1) -> np.ndarray:
    """Return the angles with the miscounts put right; the angles given stay as they are."""
    angles = np.array(angles_rad, dtype=float)
    for miscount in miscounts:
        if not 0 < miscount.index < len(angles):
            raise KitError("This miscount belongs to other passes", found=miscount.index, fix="find it again")
        angles[miscount.index :] += TURN / flags_per_turn * miscount.passes
    return angles


def _reason(size: int) -> str:
    if size > 0:
        return f"the drag law says that {size} more {'pass' if size == 1 else 'passes'} went by unseen here"
    return f"the drag law says that {-size} {'pass was' if size == -1 else 'passes were'} counted too many here"


def _likely_steps(fit: DragFit, times, angles, flags) -> list[tuple[int, int]]:
    """The best gap for one step, its neighbours, and the size of the step in flags."""
    speed = fit.speed(times)
    speed = np.maximum(speed, 0.05 * fit.start_speed)  # a wrong count may bring the law to rest too early
    by_speed, by_terms = sensitivities(fit.law, times - times[0], fit.start_speed, fit.speed(times))
    columns = [by_speed, np.ones_like(times), *flag_columns(angles - angles[0], flags), *by_terms]
    basis, _ = np.linalg.qr((np.array(columns) / speed).T)
    residual = fit.residuals_s - basis @ (basis.T @ fit.residuals_s)

    def from_each_pass_on(values):
        return np.cumsum(values[::-1], axis=0)[::-1]

    # A step at pass k adds 1/speed to every residual from k on; its part beyond the basis is what can be seen.
    along = from_each_pass_on(residual / speed)
    size = from_each_pass_on(1 / speed**2) - np.sum(from_each_pass_on(basis / speed[:, None]) ** 2, axis=1)
    seen = size > 1e-9 * size.max()
    gain = np.where(seen, along**2 / np.where(seen, size, 1.0), 0.0)
    gain[0] = 0.0
    best = int(np.argmax(gain))
    step = along[best] / size[best] / (TURN / flags)
    whole = int(np.rint(step)) or int(np.sign(step))
    near = range(max(best - 2, 1), min(best + 3, len(times)))
    return [(index, whole) for index in near]


def _odd_gaps(times, angles) -> list[tuple[int, int]]:
    """The two gaps whose pace is furthest from what both neighbours make expect, if by 40 % or more."""
    pace = np.log(np.diff(times) / np.diff(angles))
    expected = np.concatenate([[2 * pace[1] - pace[2]], (pace[:-2] + pace[2:]) / 2, [2 * pace[-2] - pace[-3]]])
    odd = np.abs(pace - expected)
    return [(int(gap) + 1, size) for gap in np.argsort(odd)[-2:] if odd[gap] > 0.34 for size in (-1, 1, 2, 3)]
