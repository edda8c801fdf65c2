"""The rules by which a run is counted between two turn periods, each for all runs of a table at once.

A rule is a function `(curves, start_period_s, stop_period_s) -> Counts`; a stop of None counts to the last pass.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ..errors import KitError
from ..stats.averages import COUNTED, NORMAL_FACTOR, t_factor
from ..stats.lasting import lasting_factor
from .drag import TURN, between_speeds
from .drag_fit import DragFit, coasting_passes, fit_drag
from .miscounts import Miscount, find_miscounts, recounted
from .speed import MIN_PASSES, Curves, SpeedCurve
from .splines import first_at_least
from .trust import LawTest, law_test

__all__ = [
    "ALREADY_SLOWER",
    "COUNTED",
    "NEVER_SLOW_ENOUGH",
    "NO_CURVE",
    "RULES",
    "TOO_FEW_PASSES",
    "Counts",
    "law_of",
    "turn_periods",
]

ALREADY_SLOWER = "already slower than the threshold"
NEVER_SLOW_ENOUGH = "never slow enough"
TOO_FEW_PASSES = "too few passes"
NO_CURVE = "no smooth curve fits the passes"

_SUSPECT_SCATTER = 0.005  # of the shortest turn: no gate jitters that much, so a count may be wrong
_SEEN_NONE = 1 / (1 + np.e)  # chance of a kind of drag of which a fit finds none: AIC's weight where it is 2 higher
_FARTHEST = -100.0  # standard deviations below 0; further down numbers run out
_NEAR = np.arange(-5, 6)  # passes about an end from which the growth of the turn period there is told


@dataclass(frozen=True)
class Counts:
    """How n runs were counted: arrays (n,) with NaN where there is no figure, see `kit.measure`."""

    status: np.ndarray  # of texts
    duration_s: np.ndarray
    duration_u_s: np.ndarray
    turns: np.ndarray
    turns_u: np.ndarray
    start_s: np.ndarray
    stop_s: np.ndarray
    more_than_s: np.ndarray
    notes: dict[int, str] = field(default_factory=dict)  # by position, what a rule has to say of a run

    @property
    def counted(self) -> np.ndarray:
        """Which runs are, (n,) bool."""
        return self.status == COUNTED


def _counts(status: np.ndarray, last_s: np.ndarray, found: np.ndarray, notes: dict[int, str] | None = None) -> Counts:
    """Figures of counted runs only, and what a run that never was slow enough lasted at least.

    found : (6, n) duration_s, duration_u_s, turns, turns_u, start_s (NaN where it is not reached), stop_s.
    """
    start_s, counted, late = found[4], status == COUNTED, status == NEVER_SLOW_ENOUGH
    more_than_s = np.where(late, np.where(np.isnan(start_s), 0.0, last_s - start_s), np.nan)
    duration_s, duration_u_s, turns, turns_u, _, stop_s = np.where(counted, found, np.nan)
    start_s = np.where(counted | late, start_s, np.nan)
    return Counts(status, duration_s, duration_u_s, turns, turns_u, start_s, stop_s, more_than_s, notes or {})


# --- between passes


def _interpolated(curves: Curves, start_period_s: float, stop_period_s: float | None) -> Counts:
    found = curves.between(start_period_s, stop_period_s)
    first_period_s, last_s, why_not = curves.once(_outline)
    status = np.full(len(curves), COUNTED, dtype=object)
    status[np.isnan(found.duration_s)] = NEVER_SLOW_ENOUGH
    status[first_period_s > start_period_s] = ALREADY_SLOWER
    status = np.where(why_not == "", status, why_not)
    return _counts(status, last_s, found.figures)


def _outline(curves: Curves) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First turn period (s), time of the last pass (s), and why there is no curve, if there is none: each (n,)."""
    first_period_s = [curve.period_s[0] if curve.usable else np.nan for curve in curves]
    last_s = [curve.times_s[-1] if len(curve.times_s) else np.nan for curve in curves]
    few = [len(curve.times_s) < MIN_PASSES + curve.run.flags_per_turn - 1 for curve in curves]
    why_not = ["" if c.usable else TOO_FEW_PASSES if f else NO_CURVE for c, f in zip(curves, few, strict=True)]
    return np.array(first_period_s), np.array(last_s), np.array(why_not, dtype=object)


# --- as a person counts in a log


def turn_periods(times_s, turns) -> np.ndarray:
    """Duration (s) of the whole turn that each pass closes, (n,); NaN before the first turn is complete.

    Where the pass one turn earlier was missed, the mean period since the last pass before that is taken.
    """
    times_s, turns = np.asarray(times_s, dtype=float), np.asarray(turns, dtype=float)
    earlier = np.searchsorted(turns, turns - 1 + 1e-9, side="right") - 1
    period = (times_s - times_s[earlier]) / np.where(earlier >= 0, turns - turns[earlier], 1.0)
    return np.where(earlier >= 0, period, np.nan)


@dataclass(frozen=True)
class _Closed:
    """The turns that passes close, of the m runs that have two or more, one after the other."""

    enough: np.ndarray  # (m,) positions of these runs
    first: np.ndarray  # (m,) places of their first pass
    end: np.ndarray  # (m,) one beyond that of their last pass
    complete: np.ndarray  # (m,) that of the first pass that closes a turn
    jitter_s: np.ndarray  # (m,) of a pass; 0 without a curve
    times_s: np.ndarray
    turns: np.ndarray
    period_s: np.ndarray
    smooth_s: np.ndarray  # as the curve has it
    longest_s: np.ndarray  # the longest period so far: rises along each run

    @classmethod
    def of(cls, curves: Curves) -> _Closed:
        enough = [i for i, c in enumerate(curves) if len(c.times_s) > 2 and c.turns[-1] - c.turns[0] >= 2]
        some = [curves[i] for i in enough]
        periods = [turn_periods(c.times_s, c.turns) for c in some]
        longest = [np.maximum.accumulate(np.nan_to_num(period, nan=-np.inf)) for period in periods]
        end = np.cumsum([len(period) for period in periods], dtype=int)
        first = end - np.array([len(period) for period in periods], dtype=int)
        complete = first + np.array([np.flatnonzero(np.isfinite(period))[0] for period in periods], dtype=int)
        jitter = np.array([c.timing_sd_s if c.usable else 0.0 for c in some])
        smooth = [c.period_s if c.usable else period for c, period in zip(some, periods, strict=True)]
        flat = ([c.times_s for c in some], [c.turns for c in some], periods, smooth, longest)
        return cls(np.array(enough, int), first, end, complete, jitter, *(np.concatenate([*f, []]) for f in flat))

    def closing(self, period_s: float) -> np.ndarray:
        """Places (m,) of the first pass that closes a turn of at least this period; the end where there is none."""
        return first_at_least(self.longest_s, self.first, self.end, period_s)

    def lateness(self, at: np.ndarray) -> np.ndarray:
        """How late a whole-turn count is at passes `at` (m,): mean delay, its standard uncertainty, both s; in turns.

        The disc had the threshold's period somewhere between the middle of the turn before and the middle of the turn
        that this pass closes, anywhere with equal chance (rectangular, GUM 4.3.7): half a turn to one and a half turns
        ago. The person's count is left as it is, so the mean delay counts as uncertainty. In a long run jitter lets the
        first slow turn come early: within n = (jitter of a period)/(growth of the period a turn) turns the longest lies
        some √(2 ln n) standard deviations above its mean (Cramér 1946, 28.6; from memory), which is taken as
        n √(1 + 2 ln n) turns. And since turns are whole, an end that is a hair off costs a whole turn: the variance of
        the rectangle is doubled.
        """
        here, before = self.period_s[at], self.period_s[at - 1]
        before = np.where(np.isfinite(before) & (at > self.first), before, here)
        near = at[:, None] + _NEAR
        within = (near >= self.first[:, None]) & (near < self.end[:, None])
        near = np.where(within, near, at[:, None])
        known = within & np.isfinite(self.smooth_s[near])
        count = known.sum(axis=1)
        turned = np.where(known, self.turns[near], 0.0)
        turned = np.where(known, turned - (turned.sum(axis=1) / count)[:, None], 0.0)
        period = np.where(known, self.smooth_s[near] - here[:, None], 0.0)
        growth = np.where(count > 2, (turned * period).sum(axis=1) / (turned**2).sum(axis=1), 0.0)  # least squares
        grows = (growth > 0) & (self.jitter_s > 0)
        early_turns = np.where(grows, np.sqrt(2) * self.jitter_s / np.where(grows, growth, 1.0), 0.0)
        early_turns *= np.sqrt(1 + 2 * np.log(np.maximum(early_turns, 1.0)))
        early_turns = np.minimum(early_turns, self.turns[at] - self.turns[self.first])
        u_turns = np.sqrt(2 / 12 + early_turns**2)
        return np.stack([(3 * here + before) / 4, (here + before) / 2 * u_turns, u_turns])


def _whole_turns(curves: Curves, start_period_s: float, stop_period_s: float | None) -> Counts:
    """What a person counts: the first pass that closes a slow enough turn, at both ends."""
    closed = curves.once(_Closed.of)
    end, last = closed.end, closed.end - 1
    start = closed.closing(start_period_s)
    stop = last if stop_period_s is None else closed.closing(stop_period_s)
    status = np.full(len(end), COUNTED, dtype=object)
    status[stop == end] = NEVER_SLOW_ENOUGH
    status[start == closed.complete] = ALREADY_SLOWER
    status[start == end] = NEVER_SLOW_ENOUGH
    reached, start, stop = start < end, np.minimum(start, last), np.minimum(stop, last)
    late_s, late_u_s, late_u_turns = closed.lateness(start)
    if stop_period_s is not None:
        stop_late_s, stop_u_s, stop_u_turns = closed.lateness(stop)
        late_s, late_u_s = stop_late_s - late_s, np.hypot(late_u_s, stop_u_s)
        late_u_turns = np.hypot(late_u_turns, stop_u_turns)
    unseen_s = np.sqrt(2) * np.array([curves[i].run.timing_u_s for i in closed.enough])
    duration_u_s = np.sqrt(late_s**2 + late_u_s**2 + unseen_s**2)
    start_s, stop_s = np.where(reached, closed.times_s[start], np.nan), closed.times_s[stop]
    found = np.full((6, len(curves)), np.nan)
    found[:, closed.enough] = (
        stop_s - start_s, duration_u_s, closed.turns[stop] - closed.turns[start], late_u_turns, start_s, stop_s,
    )  # fmt: skip
    statuses = np.full(len(curves), TOO_FEW_PASSES, dtype=object)
    statuses[closed.enough] = status
    return _counts(statuses, curves.once(_outline)[1], found)


# --- by a drag law


@dataclass(frozen=True)
class _Law:
    """A run's fitted drag law, if there is one, the counts it put right, and whether the run follows it."""

    fit: DragFit | None = None
    miscounts: tuple[Miscount, ...] = ()
    test: LawTest | None = None


def law_of(curve: SpeedCurve) -> _Law:
    """The fit, the miscounts and the test of a curve's run; they do not depend on the thresholds."""
    run = curve.run
    miscounts: tuple[Miscount, ...] = ()
    try:
        times_s, angles_rad = coasting_passes(run)
        fit = fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn)
        if fit.timing_sd_s >= _SUSPECT_SCATTER * TURN / fit.start_speed:
            miscounts = find_miscounts(times_s, angles_rad, run.flags_per_turn)
            angles_rad = recounted(angles_rad, miscounts, run.flags_per_turn)
            fit = fit_drag(times_s, angles_rad, "three-term", run.flags_per_turn)
    except KitError:
        return _Law()
    return _Law(fit, miscounts, law_test(curve, fit) if curve.usable else None)


class _Laws:
    """The laws of the m runs that have one, in arrays."""

    def __init__(self, curves: Curves):
        laws = [curve.once(law_of) for curve in curves]
        self.which = [i for i, law in enumerate(laws) if law.fit is not None]
        fits = [law.fit for law in laws if law.fit is not None]
        self.coefficients = np.array([(f.law.a, f.law.b, f.law.c) for f in fits]).reshape(-1, 3)
        self.covariance = np.array([_covariance(f) for f in fits]).reshape(-1, 3, 3)
        lasting = [lasting_factor(fit.lasting) for fit in fits]
        # errors that last longer than a turn do not scatter about the law
        unseen_s = [curves[i].run.timing_u_s for i in self.which]
        unseen = [u_s / f.timing_sd_s if u_s else 0.0 for u_s, f in zip(unseen_s, fits, strict=True)]
        self.student = np.array([t_factor(f.dof) for f in fits]) / NORMAL_FACTOR
        self.wider = np.maximum(self.student * np.array(lasting), unseen)
        self.start_speed = np.array([f.start_speed for f in fits])
        self.start_s = np.array([f.times_s[0] for f in fits])
        self.start_turns = np.array([f.start_angle_rad for f in fits]) / TURN
        self.first_s, self.last_s = np.array([curves[i].times_s[[0, -1]] for i in self.which]).reshape(-1, 2).T
        self.fits = fits
        notes = ((i, "; ".join(f"at {m.time_s:.2f} s {m.reason}" for m in laws[i].miscounts)) for i in self.which)
        self.notes = {i: note for i, note in notes if note}

    @cached_property
    def last(self) -> tuple[np.ndarray, np.ndarray]:
        """Speed (rad/s) and angle (turns) at the last pass."""
        pairs = [(float(f.speed(t)), float(f.turns(t))) for f, t in zip(self.fits, self.last_s, strict=True)]
        speed, turns = np.array(pairs).reshape(-1, 2).T
        return speed, turns

    def crossing(self, speed) -> tuple[np.ndarray, np.ndarray]:
        """Time (s) and turns, (m,), at which a speed (rad/s) is reached; before and beyond the passes too."""
        duration_s, angle = between_speeds(self.coefficients, self.start_speed, speed)[0].T
        same = self.start_speed == speed  # without any drag the rest is not finite
        return self.start_s + np.where(same, 0.0, duration_s), self.start_turns + np.where(same, 0.0, angle / TURN)


def _covariance(fit: DragFit) -> np.ndarray:
    """Covariance (3, 3) of a fit's a, b and c about the values found, none of which may be below 0.

    Where one ended at 0, the fit's own covariance lets it be negative as well, and says too much. What is known of it
    is the normal distribution of the fit without bounds, cut at 0, as ISO 11929 does for what can't be negative (from
    memory), if there is such a drag at all: the law without it has one parameter less and fits as well, so that its
    share of the evidence is e/(1 + e) (Burnham & Anderson 2002, 2.9). The others follow, by least squares.
    """
    where = [fit.parameters.index(name) for name in "abc"]
    covariance = fit.covariance[np.ix_(where, where)]
    bound = np.flatnonzero(np.array([fit.law.a, fit.law.b, fit.law.c]) == 0)
    if not 1 <= len(bound) <= 2:
        return covariance
    unbound = np.linalg.lstsq(*fit.profile)[0]
    bound = bound[np.argsort(unbound[bound] / np.sqrt(np.diag(covariance)[bound]))]  # the furthest below 0 first
    mean, known = unbound[bound], covariance[np.ix_(bound, bound)]
    chance = np.where(np.eye(len(bound)), _SEEN_NONE, _SEEN_NONE**2)
    squares = chance * _squares_above_zero(mean, known)
    follows = covariance[:, bound] @ np.linalg.inv(known)
    return covariance + follows @ (squares - known) @ follows.T


def _squares_above_zero(mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Second moments (m, m) about 0 of m = 1 or 2 normal values of which it is known that they are not negative.

    The first of two has a mean below 0; its density is summed over 256 places from 10⁻⁶ to 10 standard deviations.
    """
    from scipy.special import log_ndtr

    sd = np.sqrt(np.diag(covariance))
    if len(mean) == 1:
        return _moments_above_zero(mean, sd[0])[1].reshape(1, 1)
    first = sd[0] * np.geomspace(1e-6, 10, 256)
    slope = covariance[1, 0] / covariance[0, 0]
    left = np.sqrt(max(covariance[1, 1] - slope * covariance[1, 0], 1e-12 * covariance[1, 1]))
    then = mean[1] + slope * (first - mean[0])
    second, square = _moments_above_zero(then, left)
    density = log_ndtr(then / left) - ((first - mean[0]) / sd[0]) ** 2 / 2
    weight = np.exp(density - density.max()) * first  # places are even in ln
    weight /= weight.sum()
    both = weight @ (first * second)
    return np.array([[weight @ first**2, both], [both, weight @ square]])


def _moments_above_zero(mean: np.ndarray, sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and mean square of normal values cut at 0 (e.g. Johnson, Kotz & Balakrishnan 1994, 13.10)."""
    from scipy.special import log_ndtr

    at = np.maximum(mean / sd, _FARTHEST)
    hazard = np.exp(-(at**2) / 2 - log_ndtr(at)) / np.sqrt(2 * np.pi)
    return sd * (at + hazard), sd**2 * (1 + at**2 + at * hazard)


def _by_law(curves: Curves, start_period_s: float, stop_period_s: float | None) -> Counts:
    """Crossings of the three-term drag law fitted to the run's passes (`kit.motion.drag_fit`).

    As accurate as can be (Cramér–Rao) if the law holds. Counts that the law shows to be wrong are put right for this
    rule, and said; so is a disagreement with the law-free curve that leaves no overlap of the two 95 % intervals. What
    the law is off by beyond both uncertainties is part of its own.
    """
    laws = curves.once(_Laws)
    first_s, last_s = laws.first_s, laws.last_s
    start_s, start_turns = laws.crossing(TURN / start_period_s)
    if stop_period_s is None:
        stop_s, (slow, stop_turns) = last_s, laws.last
    else:
        slow = np.full(len(last_s), TURN / stop_period_s)
        stop_s, stop_turns = laws.crossing(slow)
    slopes = between_speeds(laws.coefficients, TURN / start_period_s, slow)[1]
    u = np.sqrt(np.einsum("nki,nij,nkj->kn", slopes, laws.covariance, slopes)) / [[1.0], [TURN]]
    counts = np.array([stop_s - start_s, stop_turns - start_turns])
    status = np.full(len(start_s), COUNTED, dtype=object)
    status[~(stop_s <= last_s)] = NEVER_SLOW_ENOUGH
    status[~(start_s <= last_s)] = NEVER_SLOW_ENOUGH
    status[start_s < first_s] = ALREADY_SLOWER
    start_s = np.where(start_s <= last_s, start_s, np.nan)
    notes = dict(laws.notes)
    misfit = np.zeros_like(u)
    if stop_period_s is not None:
        by_curve = curves.between(start_period_s, stop_period_s).figures[:4, laws.which]
        off = counts - by_curve[::2]  # NaN where the curve has no count
        misfit = _misfit(off, np.hypot(u, by_curve[1::2]))
        for at in np.flatnonzero(np.abs(off[0]) > 2 * (u[0] * laws.student + by_curve[1])).tolist():
            said = (
                f"the drag law and the curve without a law differ by {off[0, at]:+.2g} s, more than both "
                "uncertainties. The law does not hold for this run, or a pass was counted wrongly"
            )
            notes[laws.which[at]] = "; ".join(filter(None, [notes.get(laws.which[at], ""), said]))
    u = np.hypot(u * laws.wider, misfit)
    figures = np.full((6, len(curves)), np.nan)
    figures[:, laws.which] = counts[0], u[0], counts[1], u[1], start_s, stop_s
    statuses = np.full(len(curves), TOO_FEW_PASSES, dtype=object)
    statuses[laws.which] = status
    notes = {i: note for i, note in notes.items() if statuses[i] == COUNTED}
    return _counts(statuses, curves.once(_outline)[1], figures, notes)


def _misfit(off: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Standard uncertainties (2, n) of a law that does not hold, from what it is off by beside the law-free curve.

    off, u : (2, n) difference of durations (s) and of turns, and their standard uncertainties. The law is off by as
    much or less, with equal chance (rectangular, GUM 4.3.7). Zero where neither difference is more than 2 u: there the
    law is the sharper.
    """
    return np.where((np.abs(off) > 2 * u).any(axis=0), np.abs(off) / np.sqrt(3), 0.0)


RULES = {"interpolated": _interpolated, "whole turns": _whole_turns, "law": _by_law}
