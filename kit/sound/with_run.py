"""Sound and speed side by side: recording and gate log brought to one clock, clicks per turn, level at equal speed.

A run grows quieter as it slows, so two runs may only be compared at the same speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run, coasting_start, counted_passes
from ..motion.speed import SpeedCurve, speed_curves
from .clicks import Clicks
from .level import mean_level

__all__ = [
    "Alignment",
    "align",
    "clicks_per_turn",
    "compare_at_equal_speed",
    "level_against_speed",
    "level_at_speeds",
    "level_by_speed",
]


@dataclass(frozen=True)
class Alignment:
    """How a recording's clock stands to a gate log's."""

    offset_s: float  # time in the log = time in the recording + offset_s
    clicks: int  # how many clicks fell into the coasting part
    togetherness: float  # 1: all clicks at one place of the turn; about 1/√clicks: anywhere
    chance: float  # how likely clicks at random moments would gather as closely at one of the offsets tried
    sentence: str


def align(
    clicks: Clicks, run: Run, *, earliest_s: float = -10.0, latest_s: float = 10.0, per_turn: int = 1
) -> Alignment:
    """Find the offset between a recording and a gate log from clicks that belong to one place of the turn.

    At the right offset all clicks fall on the same part of the turn. As the run slows, shifting by a whole turn does
    not bring that about again. Looks for the offset with the largest Rayleigh statistic n·R², R the mean resultant
    length of the clicks' angles (Fisher 1993, Statistical Analysis of Circular Data, section 4.3).

    Parameters
    ----------
    earliest_s, latest_s : offsets to try, s.
    per_turn : at how many evenly spread places of a turn it clicks.

    Raises
    ------
    KitError : fewer than five clicks fall into the run at any offset tried.
    """
    times_s, turns = _coasting(run)
    step_s = np.diff(times_s).min() / np.diff(turns).max() / per_turn / 16
    offsets = np.arange(earliest_s, latest_s + step_s, step_s)
    scores = np.array([_rayleigh(clicks.times_s + o, times_s, turns, per_turn)[0] for o in offsets])
    best = int(np.argmax(scores))
    fine = offsets[best] + np.linspace(-step_s, step_s, 65)
    offset_s = float(fine[np.argmax([_rayleigh(clicks.times_s + o, times_s, turns, per_turn)[0] for o in fine])])
    score, n = _rayleigh(clicks.times_s + offset_s, times_s, turns, per_turn)
    if n < 5:
        raise KitError(
            "Too few clicks fall into this run to bring the clocks together",
            file=run.source or None,
            found=n,
            fix="give the offset by hand, or choose other limits for it",
        )
    chance = float(min(1.0, offsets.size / 4 * np.exp(-score)))
    found = chance < 0.001
    sentence = (
        f"The recording starts {abs(offset_s):.3f} s {'after' if offset_s > 0 else 'before'} the log: "
        f"then its {n} clicks come at the same place of the turn."
        if found
        else "No offset brings the clicks to one place of the turn. They may not belong to the turning."
    )
    return Alignment(offset_s, n, float(np.sqrt(score / n)), chance, sentence)


def _rayleigh(at_s, times_s, turns, per_turn) -> tuple[float, int]:
    inside = at_s[(at_s >= times_s[0]) & (at_s <= times_s[-1])]
    if inside.size < 5:
        return 0.0, int(inside.size)
    phase = np.exp(2j * np.pi * per_turn * np.interp(inside, times_s, turns))
    return float(abs(phase.sum()) ** 2 / inside.size), int(inside.size)


def _coasting(run: Run) -> tuple[np.ndarray, np.ndarray]:
    times_s, turns = counted_passes(run)
    start = coasting_start(times_s, turns)
    if times_s.size - start < 3:
        raise KitError("The run has too few passes after its launch", file=run.source or None, found=times_s.size)
    return times_s[start:], turns[start:]


def clicks_per_turn(clicks: Clicks, run: Run, offset_s: float = 0.0) -> pd.DataFrame:
    """Count the clicks in every turn of the coasting part that the recording covers.

    Parameters
    ----------
    offset_s : time in the log = time in the recording + offset_s.

    Returns
    -------
    DataFrame, one row a whole turn: `turn`, `start_s` (on the log's clock), `turns_per_s`, `clicks`. `.attrs`:
    `per_turn` (mean) and `per_turn_u` (its standard uncertainty from the spread between turns, taken as independent).

    Raises
    ------
    KitError : recording and run do not overlap by a whole turn, or the run has too few passes.
    """
    times_s, turns = _coasting(run)
    covered = (offset_s, offset_s + clicks.recording.duration_s)
    first = int(np.ceil(np.interp(max(covered[0], times_s[0]), times_s, turns) - 1e-9))
    last = int(np.floor(np.interp(min(covered[1], times_s[-1]), times_s, turns) + 1e-9))
    if last <= first or covered[1] <= times_s[0] or covered[0] >= times_s[-1]:
        raise KitError("Recording and run do not overlap by a whole turn", file=run.source or None, found=offset_s)
    edges_s = np.interp(np.arange(first, last + 1), turns, times_s)
    counts = np.histogram(clicks.times_s + offset_s, edges_s)[0]
    table = pd.DataFrame(
        {
            "turn": np.arange(first, last),
            "start_s": edges_s[:-1],
            "turns_per_s": 1 / np.diff(edges_s),
            "clicks": counts,
        }
    )
    u = float(counts.std(ddof=1) / np.sqrt(counts.size)) if counts.size > 1 else float("nan")
    table.attrs.update(per_turn=float(counts.mean()), per_turn_u=u)
    return table


def level_against_speed(levels: pd.DataFrame, run: Run | SpeedCurve, offset_s: float = 0.0) -> pd.DataFrame:
    """Level and speed at the same moments.

    Parameters
    ----------
    levels : as `kit.sound.level.level` makes them, `time_s` on the recording's clock.
    offset_s : time in the log = time in the recording + offset_s.

    Returns
    -------
    DataFrame `time_s` (on the log's clock), `turns_per_s, level_dB`, only where the run was coasting.

    Raises
    ------
    KitError : a run with too few passes, or one that does not overlap with the recording.
    """
    (curve,) = speed_curves([run])
    if not curve.usable:
        raise KitError("The run has too few passes to know its speed", file=curve.run.source or None)
    time_s = levels["time_s"].to_numpy() + offset_s
    inside = (time_s >= curve.times_s[0]) & (time_s <= curve.times_s[-1])
    if not inside.any():
        raise KitError("Recording and run do not overlap", file=curve.run.source or None, found=offset_s)
    speed = np.interp(time_s[inside], curve.times_s, 1 / curve.period_s)
    table = pd.DataFrame(
        {"time_s": time_s[inside], "turns_per_s": speed, "level_dB": levels["level_dB"].to_numpy()[inside]}
    )
    table.attrs.update(levels.attrs)
    return table


def level_by_speed(table: pd.DataFrame, edges_turns_per_s=None) -> pd.DataFrame:
    """Energy mean of the level in bands of speed.

    Parameters
    ----------
    table : from `level_against_speed`.
    edges_turns_per_s : edges of the bands; by default every half turn a second.

    Returns
    -------
    DataFrame `turns_per_s` (middle of the band), `level_dB, seconds`; bands less than 0.2 s long are left out, since
    the meter needs that long to settle.
    """
    speed = table["turns_per_s"].to_numpy()
    if edges_turns_per_s is None:
        edges_turns_per_s = np.arange(0, speed.max() + 0.5, 0.5)
    edges = np.asarray(edges_turns_per_s, dtype=float)
    step_s = float(np.median(np.diff(table["time_s"]))) if len(table) > 1 else 0.0
    rows = []
    for low, high in pairwise(edges):
        here = table["level_dB"].to_numpy()[(speed >= low) & (speed < high)]
        if here.size * step_s >= 0.2:
            rows.append(((low + high) / 2, mean_level(here), here.size * step_s))
    out = pd.DataFrame(rows, columns=["turns_per_s", "level_dB", "seconds"])
    out.attrs.update(table.attrs)
    return out


def level_at_speeds(table: pd.DataFrame, slowest_turns_per_s: float, fastest_turns_per_s: float) -> float:
    """One level for a whole recording, fit to be compared with others: the mean over equal bands of speed, dB.

    Every half turn a second between the two speeds has the same weight, however long the run stayed there. This is
    the number to take for a claim about sound (`kit.stats.claims`): one a recording, since the bands of one recording
    are not independent of each other.

    Raises
    ------
    KitError : the recording does not cover all these speeds.
    """
    bands = max(1, round((fastest_turns_per_s - slowest_turns_per_s) / 0.5))
    found = level_by_speed(table, np.linspace(slowest_turns_per_s, fastest_turns_per_s, bands + 1))
    if len(found) < bands:
        raise KitError(
            "The run was not at all these speeds while it was recorded",
            found=f"{table['turns_per_s'].min():.2f} to {table['turns_per_s'].max():.2f} turns a second",
            fix="choose speeds that every recording covers",
        )
    return float(found["level_dB"].mean())


def compare_at_equal_speed(first: pd.DataFrame, second: pd.DataFrame, edges_turns_per_s=None) -> pd.DataFrame:
    """Levels of two recordings where both had the same speed.

    Parameters
    ----------
    first, second : from `level_against_speed`.

    Returns
    -------
    DataFrame `turns_per_s, first_dB, second_dB, difference_dB` (second − first), and `.attrs`: `mean_dB`, the mean
    difference over the bands, and `reference`. The bands of one pair of recordings are *not* independent trials: for
    a claim take one mean a recording, and several recordings.

    Raises
    ------
    KitError : no speed is common to both, or only one is calibrated.
    """
    references = [t.attrs.get("reference", "full scale") for t in (first, second)]
    if references[0] != references[1]:
        raise KitError("Levels of two kinds can't be compared", found=references, fix="calibrate both, or neither")
    if edges_turns_per_s is None:
        edges_turns_per_s = np.arange(0, max(t["turns_per_s"].max() for t in (first, second)) + 0.5, 0.5)
    a, b = (level_by_speed(t, edges_turns_per_s).rename(columns={"level_dB": n}) for t, n in
            ((first, "first_dB"), (second, "second_dB")))  # fmt: skip
    both = a[["turns_per_s", "first_dB"]].merge(b[["turns_per_s", "second_dB"]], on="turns_per_s")
    if both.empty:
        raise KitError("The two runs have no speed in common", fix="choose wider bands, or spin both faster")
    both["difference_dB"] = both["second_dB"] - both["first_dB"]
    both.attrs.update(mean_dB=float(both["difference_dB"].mean()), reference=references[0])
    return both
