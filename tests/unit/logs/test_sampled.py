"""From samples of a beam to passes: against moments that are known."""

from __future__ import annotations

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.sampled import passes_from_samples

PASSES_S = 0.3 + np.cumsum(np.linspace(0.2, 0.9, 24))
STEP_S = 0.002


def beam(
    edge_s: float = 0.004, width: float = 0.06, noise: float = 0.0, seed: int = 0
) -> tuple[np.ndarray, np.ndarray]:
    """A level of 4.6 that falls to 0.4 around each pass, in a straight line of length `edge_s` through the moment."""
    times = np.arange(0, PASSES_S[-1] + 0.5, STEP_S)
    level = np.full_like(times, 4.6)
    for moment, gap in zip(PASSES_S, np.diff(PASSES_S, append=PASSES_S[-1] + 0.9), strict=True):
        end = moment + width * gap
        down = np.clip((times - moment) / edge_s + 0.5, 0, 1)
        up = np.clip((times - end) / edge_s + 0.5, 0, 1)
        level -= 4.2 * (down - up)
    return times, level + np.random.default_rng(seed).normal(0, noise, len(times))


def test_straight_edges_are_found_exactly_between_the_samples():
    passes, found = passes_from_samples(*beam())
    assert passes == pytest.approx(PASSES_S, abs=1e-9)
    assert (found.low, found.high, found.blocked) == pytest.approx((0.4, 4.6, "low"))


@pytest.mark.parametrize("seed", range(5))
def test_noise_makes_no_passes_and_upside_down_is_the_same(seed):
    times, level = beam(noise=0.25, seed=seed)
    passes, found = passes_from_samples(times, level)
    assert passes == pytest.approx(PASSES_S, abs=STEP_S)
    assert found.noise == pytest.approx(0.25, rel=0.2)
    turned, other = passes_from_samples(times, 5 - level)
    assert turned == pytest.approx(passes, abs=1e-12)
    assert other.blocked == "high"


def test_sharp_edges_are_as_uncertain_as_is_said():
    errors = []
    for shift in np.linspace(0, STEP_S, 20, endpoint=False):
        times, level = beam(edge_s=1e-9)
        passes, found = passes_from_samples(times, np.interp(times + shift, times, level))
        errors.extend(passes + shift - PASSES_S)
    assert np.std(errors) <= 1.5 * found.timing_u_s


@pytest.mark.parametrize(
    ("level", "message"),
    [
        (np.ones(100), "two clear levels"),
        (np.random.default_rng(1).normal(0, 1, 400), "two clear levels"),
        (np.linspace(0, 5, 400), "two clear levels"),
        (np.where(np.arange(100) == 7, 5.0, 0.0), "two clear levels"),
        (np.full(100, np.nan), "not a number"),
        (np.ones(4), "needs a time and a level"),
    ],
)
def test_what_is_no_beam_is_refused(level, message):
    with pytest.raises(KitError, match=message):
        passes_from_samples(np.arange(len(level)) * 0.01, level)
