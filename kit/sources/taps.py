"""Timing by hand: one tap a turn, what becomes of it, and how far a person's taps scatter.

A tap comes late or early by some tens of milliseconds. What all taps of a person share (reaction time, or running ahead
of the beat) moves every tap alike and cancels in a duration, which is a difference of two times. What varies from tap
to tap does not cancel. It is found from the run itself, as the scatter of its taps about a smooth curve
(`kit.motion.speed`), so that a duration's uncertainty needs no table of reaction times.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from ..logs.run import Run
from ..wording import count_of, number

__all__ = ["Steadiness", "describe_taps", "steadiness", "tapped_run"]

CLEARLY_LONGER = 1.65  # a gap with a turn missed in it is twice as long as its neighbours; no shaky tap does this
FEWEST_BEATS = 8  # below this a scatter says next to nothing
SETTLING_BEATS = 2  # the first beats of a row are spent on finding it


def tapped_run(
    taps_s: np.ndarray, conditions: Mapping[str, float | str] | None = None, trial: int = 1, source: str = "taps"
) -> Run:
    """A run from one tap a turn, with its repairs found: double taps are left out, missed turns counted.

    What looks like a missed turn to a gate may be a shaky tap. So a missed turn is accepted only in a gap of more than
    1.65 times what stands around it (geometric mean of the medians of up to three gaps on each side); all others are
    listed and refused.

    Parameters
    ----------
    taps_s : (n,) times of the taps, s; any order.

    Raises
    ------
    KitError : fewer than two taps, or times that are not numbers.
    """
    try:
        times = np.unique(np.asarray(taps_s, dtype=float))  # two events of one stamp are one tap
    except (TypeError, ValueError) as error:
        raise KitError("Times of taps must be numbers", file=source, found=str(error)) from error
    if len(times) < 2:
        raise KitError("A run needs two taps or more", file=source, fix="tap once a turn until it stops")
    run = Run(times, conditions or {}, trial=trial, source=source).repaired()
    kept = np.ones(len(times), dtype=bool)
    kept[[r.index for r in run.repairs if r.kind == "bounce"]] = False
    missed = [(k, r.index) for k, r in enumerate(run.repairs) if r.kind == "missed"]
    doubtful = [k for k, index in missed if _ratio_to_neighbours(times, kept, index) < CLEARLY_LONGER]
    return run.refusing(*doubtful)


def _ratio_to_neighbours(times: np.ndarray, kept: np.ndarray, index: int) -> float:
    gaps = np.diff(times[kept])
    at = int(kept[:index].sum()) - 1  # the gap that ends with this tap
    sides = [gaps[max(at - 3, 0) : at], gaps[at + 1 : at + 4]]
    usual = np.exp(np.mean([np.log(np.median(side)) for side in sides if len(side)]))
    return float(gaps[at] / usual)


@dataclass(frozen=True)
class Steadiness:
    """How a person taps along to a steady beat."""

    n: int  # beats counted
    sd_ms: float  # spread of the taps about the beat
    low_ms: float
    high_ms: float  # 95 % interval of the scatter
    shift_ms: float  # mean lateness; negative: ahead of the beat
    missed: int  # beats without a tap

    @property
    def sentences(self) -> tuple[str, ...]:
        """For the person who tapped."""
        early = "before" if self.shift_ms < 0 else "after"
        left_out = f" {count_of(self.missed, 'beat')} had no tap.".replace(" one", " One") if self.missed else ""
        return (
            f"The spread of your taps is {number(self.sd_ms, 2)} ms (95 % interval {number(self.low_ms, 2)} to "
            f"{number(self.high_ms, 2)} ms, {self.n} taps).{left_out}",
            f"On average they came {number(abs(self.shift_ms), 2)} ms {early} the beat. That shift is the same at the "
            "start and at the end of a run, so it drops out of a coasting time.",
            f"One coasting time is a difference of two times. Two single taps alone would make it uncertain by "
            f"{number(self.sd_ms * np.sqrt(2), 2)} ms; the curve through all taps does better.",
        )


def steadiness(taps_s: np.ndarray, beat_s: float, first_beat_s: float = 0.0) -> Steadiness:
    """Scatter of taps about a steady beat, with its 95 % interval.

    Each tap belongs to the beat next to it; of several at one beat the first counts. The first two beats are left out.
    sd: sample standard deviation of (tap − beat). Its interval is the χ² interval for a normal sample, with the number
    of independent taps reduced to n(1 − r²)/(1 + r²) for the lag-one correlation r (Bayley & Hammersley 1946, from
    memory): tappers correct themselves slowly, so one late tap often follows another.

    Parameters
    ----------
    taps_s : (n,) s.
    beat_s : time from beat to beat, s.
    first_beat_s : when the first beat was, on the same clock.

    Raises
    ------
    KitError : fewer than eight taps that belong to beats, or a beat that is not above zero.
    """
    if not beat_s > 0:
        raise KitError("A beat must take more than 0 s", found=beat_s)
    taps = np.sort(np.asarray(taps_s, dtype=float))
    beats = np.rint((taps - first_beat_s) / beat_s).astype(int)
    beats, first = np.unique(beats, return_index=True)
    off = taps[first] - first_beat_s - beats * beat_s
    settled = beats >= SETTLING_BEATS
    beats, off = beats[settled], off[settled]
    n = len(off)
    if n < FEWEST_BEATS:
        raise KitError(
            "There are too few taps to judge how steady they are",
            found=f"{n} that belong to a beat",
            fix=f"tap along for {FEWEST_BEATS + SETTLING_BEATS} beats or more",
        )
    from scipy.special import chdtri

    sd = float(off.std(ddof=1))
    centred = off - off.mean()
    r = float(np.clip((centred[1:] * centred[:-1]).sum() / max((centred**2).sum(), 1e-300) + 1 / n, 0.0, 0.9))
    freedom = max((n - 1) * (1 - r**2) / (1 + r**2), 2.0)
    low, high = sd * np.sqrt(freedom / chdtri(freedom, np.array([0.025, 0.975])))
    missed = int(beats[-1] - beats[0] + 1 - n)
    return Steadiness(n, 1e3 * sd, 1e3 * float(low), 1e3 * float(high), 1e3 * float(off.mean()), missed)


def describe_taps(run: Run, scatter_s: float | None) -> tuple[str, ...]:
    """What became of the taps, and what their scatter means; `scatter_s`: about a smooth curve, if there is one."""
    doubles = sum(r.accepted and r.kind == "bounce" for r in run.repairs)
    missed = sum(r.passes for r in run.repairs if r.accepted and r.kind == "missed")
    said = f"{count_of(len(run.pass_times_s), 'tap').capitalize()}."
    if doubles:
        said += f" {count_of(doubles, 'double tap').capitalize()} left out."
    if missed:
        said += f" {count_of(missed, 'missed turn').capitalize()} filled in."
    if scatter_s is None:
        return (said, "There are too few taps to tell how large their spread is.")
    return (
        said,
        f"The spread of your taps around a smooth curve is {number(1e3 * scatter_s, 2)} ms. That goes into the "
        "uncertainty of every coasting time from this run. How late or early you are on average is the same at both "
        "ends and drops out.",
    )
