"""Tables of speed and counts, against the closed forms of three laws of drag (tests/unit/logs/made.py)."""

from __future__ import annotations

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.run import Run
from kit.logs.speeds import passes_from_counts, passes_from_speeds
from kit.motion.speed import speed_curve
from tests.unit.logs.made import LAWS, drag_for, time_after


def speed_at(law: str, k: float, first: float, times_s: np.ndarray) -> np.ndarray:
    if law == "constant":
        return first - k * times_s
    return first * np.exp(-k * times_s) if law == "linear" else first / (1 + k * first * times_s)


def lasting(law: str, k: float, fast: float, slow: float) -> tuple[float, float]:
    """Time (s) and turns from one speed to another."""
    if law == "constant":
        return (fast - slow) / k, (fast**2 - slow**2) / (2 * k)
    if law == "linear":
        return np.log(fast / slow) / k, (fast - slow) / k
    return (1 / slow - 1 / fast) / k, np.log(fast / slow) / k


@pytest.mark.slow
def test_duration_and_turns_lie_within_two_u_of_the_truth_in_95_of_100_tables():
    rng = np.random.default_rng(5)
    inside = []
    for case in range(120):
        law, rate, places = LAWS[case % 3], (2, 5, 10, 20, 50)[case % 5], 1 + case % 4 % 3
        k, first = drag_for(law, rng.uniform(25, 120)), rng.uniform(4.5, 6)
        times = np.arange(0, lasting(law, k, first, 0.7)[0], 1 / rate)
        speeds = np.round(speed_at(law, k, first, times), places)
        passes, u = passes_from_speeds(times, speeds)
        stretch = speed_curve(Run(passes, timing_u_s=u)).between(0.25, 1.0)
        if stretch is None:
            continue
        duration_s, turns = lasting(law, k, 4.0, 1.0)
        inside += [abs(stretch.duration_s - duration_s) <= 2 * stretch.duration_u_s]
        inside += [abs(stretch.turns - turns) <= 2 * stretch.turns_u]
    assert len(inside) > 200
    assert np.mean(inside) >= 0.95


@pytest.mark.parametrize("law", LAWS)
def test_exact_speeds_give_exact_turns(law):
    k = drag_for(law, 40)
    times = np.arange(0, lasting(law, k, 5, 0.9)[0], 0.05)
    passes, u = passes_from_speeds(times, -speed_at(law, k, 5.0, times))
    true_s = time_after(law, k, 5.0, np.arange(len(passes)))
    assert np.max(np.abs(passes - true_s)) < 1e-4
    assert np.max(np.abs(passes - true_s)) <= 3 * u


def test_counts_give_turns_within_one_count():
    times = np.arange(0, 9, 0.02)
    angle = 5.1 * 5.5 * (1 - np.exp(-times / 5.5))
    passes, u = passes_from_counts(times, np.floor(-600 * angle) / 600, 1 / 600)
    true_s = -5.5 * np.log(1 - np.arange(len(passes)) / (5.1 * 5.5))
    assert passes == pytest.approx(true_s, abs=1 / 600 + 5 * u)


@pytest.mark.parametrize(
    ("times", "speeds", "message"),
    [
        ([0, 1, 2], [3, 2, 1], "too few rows"),
        (np.arange(9), np.full(9, 0.01), "too few turns"),
        (np.arange(9), np.full(9, 1e7), "absurdly many"),
        (np.zeros(9), np.ones(9), "do not increase"),
        (np.arange(9), np.full(9, np.nan), "no number"),
    ],
)
def test_what_is_no_table_is_refused(times, speeds, message):
    with pytest.raises(KitError, match=message):
        passes_from_speeds(times, speeds)
