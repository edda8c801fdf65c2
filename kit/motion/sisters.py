"""A run beside its sisters, the other runs of its condition: what one log can't show, three can.

Two comparisons, each of which names a run only if it lies far outside what the runs of the table are used to:

* what was counted: duration and turns against those of the sisters (`kit.stats.misfit.far_from_group`), where they
  differ by more than the run's own uncertainty can explain;
* how it slowed: the same rotor has the same speed curve however it was spun, only begun at another place, and a little
  stretched where friction is a little different. So the passes of a run are laid along a sister's curve, moved in time
  and angle and stretched alike in both. A second push, a touch or a hand at the end leaves passes that fit no sister.

Both need three runs of one condition: of two that differ nobody knows which it is.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from ..stats.misfit import far_from_group
from ..wording import number
from .breaks import Residuals
from .trust import seconds

__all__ = ["LEAST_SISTERS", "unlike_sisters"]

LEAST_SISTERS = 2
_FAR = 0.01  # of the duration or the turns: less is not worth a word
_OWN = 2.0  # standard uncertainties: so far off a run that was counted badly may be, and says so itself by its u
# A misfit is told if it is so many times the usual one of the table, so large a share of the time looked at, and so
# many times the scatter of the passes. Of 661 clean runs one passed the first line, two the second.
_ODD = ((4.0, 0.001, 3.5), (10.0, 0.0004, 10.0))
_LEAST_PASSES, _STEPS = 6, 12
_STRETCH = (0.6, 1.7)


def unlike_sisters(curves: Sequence, groups: Sequence[Hashable], durations, turns) -> list[str | None]:
    """For each run a sentence if it is unlike the other runs of its condition, "" if it is like them; None if there
    is nothing to compare it with.

    Parameters
    ----------
    curves : `SpeedCurve` of every run that counts. groups : its condition. durations, turns : two arrays (n,) each, its
    counts (s, 1) and their standard uncertainties.
    """
    said: list[str | None] = [None] * len(curves)
    members: dict[Hashable, list[int]] = {}
    for i, key in enumerate(groups):
        members.setdefault(key, []).append(i)
    families = [group for group in members.values() if len(group) > LEAST_SISTERS]
    if not families:
        return said
    kept = [i for group in families for i in group]
    label = np.concatenate([np.full(len(group), k) for k, group in enumerate(families)])
    ways = ("It made {} more turns", "It made {} fewer turns"), ("It lasted {} longer", "It lasted {} less long")
    for counted, (more, less) in zip((turns, durations), ways, strict=True):
        values, u = np.asarray(counted, dtype=float)[:, kept]
        for at, (off, spread) in far_from_group(np.log(values), label).items():
            if abs(off) > np.log1p(max(_FAR, _OWN * u[at] / values[at])):
                how = (more if off > 0 else less).format(f"{abs(np.expm1(off)):.0%}")
                said[kept[at]] = (
                    f"{how} than the other runs of its condition: {number(spread, 2)} times the usual spread."
                )
    near = [_nearest(curves, i, group) for group in families for i in group]
    shares = np.array([miss.share for miss in near])
    usual = float(np.median(shares[np.isfinite(shares)])) if np.isfinite(shares).any() else np.inf
    for i, miss in zip(kept, near, strict=True):
        if not np.isfinite(miss.share):
            continue
        said[i] = said[i] or ""
        odd = [miss.share > max(many * usual, share) and miss.late_s > sds * miss.sd_s for many, share, sds in _ODD]
        if any(odd):
            said[i] = said[i] or (
                "It did not slow down as the other runs of its condition did: laid along them, its passes are off by "
                f"{seconds(miss.late_s)}. Did something push, touch or stop it?"
            )
    return said


@dataclass(frozen=True)
class _Miss:
    """How far a run's passes are from the curve of the sister that fits best."""

    share: float  # root mean square, of the time looked at; inf if there is no sister to compare with
    late_s: float
    sd_s: float  # scatter of the sister's own passes


def _nearest(curves, i: int, group) -> _Miss:
    compared = curves[i].once(_compared)
    sisters = [curves[k] for k in group if k != i]
    for sister in sisters:
        if sister not in compared:
            compared[sister] = _along(curves[i], sister)
    known = [miss for miss in map(compared.get, sisters) if miss is not None]
    return min(known, key=lambda miss: miss.share) if len(known) >= LEAST_SISTERS else _Miss(np.inf, 0.0, 0.0)


def _compared(run) -> dict:
    """What became of each sister a run was laid along: thresholds do not matter to it, and they are moved often."""
    return {}


def _along(run, sister) -> _Miss | None:
    """Passes of a run laid along a sister's curve: θ = θ'(s·t + a)/s + c, by Gauss–Newton in s, a and c."""
    p, curve = run.once(Residuals.of), sister._best
    period, seen = p.period_s, sister.period_s
    inside = (period > seen[0]) & (period < seen[-1])
    if np.count_nonzero(inside) < _LEAST_PASSES + run.run.flags_per_turn - 1:
        return None
    t, period = p.times_s[inside], period[inside]
    angle = p.even_turns[inside]
    first, last = sister.times_s[0], sister.times_s[-1]
    middle = len(t) // 2
    start = float(np.interp(period[middle], seen, sister.times_s)) - t[middle]
    origin, stretch, shift = t[middle], 1.0, start
    late = np.inf
    for _ in range(_STEPS):
        at = origin + shift + stretch * (t - origin)
        on = np.clip(at, first, last)
        speed = curve.speeds(on)
        turned = curve.basis_values(on) + speed * (at - on)
        expected = turned / stretch
        by_shift = speed / stretch
        by_stretch = speed * (t - origin) / stretch - turned / stretch**2
        design = np.stack([by_shift, by_stretch, np.ones_like(t)], axis=1) * period[:, None]
        step, *_ = np.linalg.lstsq(design, (angle - expected) * period, rcond=None)
        left = (angle - expected) * period - design @ step
        late = float(np.sqrt(np.mean(left**2)))
        stretch = float(np.clip(stretch + step[1], *_STRETCH))
        shift += float(step[0])
        if abs(step[1]) < 1e-6 and abs(step[0]) < 1e-6 * (t[-1] - t[0]):
            break
    return _Miss(late / (t[-1] - t[0]), late, max(sister.timing_sd_s, p.tick_s / np.sqrt(12)))
