"""Wrong turn counts: found where they are, not found where there are none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.motion.drag import DragLaw
from kit.motion.drag_fit import fit_drag
from kit.motion.threshold import Miscount, find_miscounts, recounted

TURN = 2 * np.pi
LAW = DragLaw(0.0625, 0.1)


def passes(law=LAW, flags=1, offsets=None, seed=0, jitter_s=2e-4):
    count = int(law.angle(5 * TURN, 0.2 * TURN) / TURN * flags)
    angles = TURN * np.arange(count) / flags
    ahead = 0.0 if offsets is None else np.resize(offsets, count)
    times = law.time_at_angle(angles + 0.5 - ahead, 5 * TURN)
    return times + jitter_s * np.random.default_rng(seed).standard_normal(count), angles


def unseen(times, flags, where, how_many):
    """The times without some passes, and angles that count on as if nothing had been missed."""
    times = np.delete(times, slice(where, where + how_many))
    return times, TURN * np.arange(len(times)) / flags


@given(where=st.integers(2, 40), how_many=st.integers(1, 3), seed=st.integers(0, 50))
@settings(max_examples=30, deadline=None)
def test_misses_are_found_in_any_gap(where, how_many, seed):
    times, angles = unseen(passes(seed=seed)[0], 1, where, how_many)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (where, how_many)
    assert found.time_s == times[where]
    assert fit_drag(times, recounted(angles, [found])).timing_sd_s < 4e-4


def test_a_miss_in_the_very_last_gap_is_found():
    times, _ = passes()
    times, angles = unseen(times, 1, len(times) - 2, 1)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (len(times) - 1, 1)


@pytest.mark.parametrize("where", [3, 20, 35])
def test_a_pass_inferred_too_many_is_found(where):
    times, angles = passes()
    times, angles = np.delete(times, where), np.delete(angles, where) + TURN * (np.arange(len(times) - 1) >= where)
    (found,) = find_miscounts(times, angles)
    assert (found.index, found.passes) == (where, -1)
    assert "1 pass was counted too many" in found.reason


def test_two_wrong_counts_are_both_found():
    times, _ = passes()
    times, angles = unseen(np.delete(times, 30), 1, 10, 2)
    assert [(m.index, m.passes) for m in find_miscounts(times, angles)] == [(10, 2), (28, 1)]


def test_uneven_flags_do_not_hide_a_wrong_count():
    times, angles = passes(flags=3, offsets=[0.06, -0.02, -0.04])
    assert find_miscounts(times, angles, 3) == ()
    times, angles = unseen(times, 3, 40, 1)
    assert [(m.index, m.passes) for m in find_miscounts(times, angles, 3)] == [(40, 1)]


@pytest.mark.parametrize("law", [LAW, DragLaw(2.0, 0.01), DragLaw(0.06, 0.008, 0.005), DragLaw(0.06, 0.3)])
def test_nothing_is_found_where_the_count_holds(law):
    """Negative control, over the kinds of drag and 20 runs each."""
    for seed in range(20):
        assert find_miscounts(*passes(law, seed=seed)) == ()


def test_nothing_is_claimed_from_a_handful_of_passes():
    times, angles = passes()
    assert find_miscounts(times[:7], angles[:7]) == ()


def test_recounting_leaves_the_angles_given_and_refuses_foreign_miscounts():
    angles = TURN * np.arange(10)
    kept = angles.copy()
    found = recounted(angles, [Miscount(4, 1.0, 2, "")])
    assert (angles == kept).all()
    assert found - angles == pytest.approx([0] * 4 + [2 * TURN] * 6)
    with pytest.raises(KitError, match="belongs to other passes"):
        recounted(angles, [Miscount(10, 1.0, 2, "")])
