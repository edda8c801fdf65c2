"""A first pass chosen by eye against a motion that is known exactly: every turn takes 4 ms longer than the one before.

Pass n (from 0) comes at t = 0.2 n + 0.002 n² s, so the turn period there is dt/dn = 0.2 + 0.004 n s: 0.25 s at n = 12.5
and 0.5 s at n = 75. What follows is worked out by hand from these two lines.
"""

from __future__ import annotations

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.run import Run, with_repairs
from kit.motion.by_eye import log_by_pass, run_for_the_eye, starts_by_eye
from kit.motion.speed import speed_curve

N = np.arange(120)
TIMES_S = 0.2 * N + 0.002 * N**2


def curve_of(times_s=TIMES_S, magnets=2.0, **more):
    return speed_curve(with_repairs(Run(times_s, {"magnets": magnets}, **more)))


def test_the_kits_moment_lies_between_two_passes_and_each_click_is_a_whole_number_of_turns_off():
    found = starts_by_eye(curve_of(), [14, 16, 14], 0.25, 0.5)
    assert found.kit_start_s == pytest.approx(2.8125, abs=1e-4)  # at n = 12.5
    assert found.kit_after == 13  # which is n = 12
    assert (found.kit_duration_s, found.kit_turns) == pytest.approx((26.25 - 2.8125, 62.5), abs=1e-3)
    assert found.table["pass"].tolist() == [14, 16]
    assert found.table["chosen"].tolist() == [2, 1]
    assert found.table["duration_s"].tolist() == pytest.approx([26.25 - 2.938, 26.25 - 3.45], abs=1e-3)
    assert found.table["off_turns"].tolist() == pytest.approx([-0.5, -2.5], abs=1e-3)


def test_the_time_beside_a_pass_is_that_of_half_a_turn_before():
    """So the first row that says 0.25 s is n = 13: the turn from 12 to 13 has its middle at 12.5."""
    log = log_by_pass(curve_of())
    assert np.isnan(log["period_s"][0])
    assert log["period_s"][1:].to_numpy() == pytest.approx(0.2 + 0.004 * (N[1:] - 0.5))
    assert log.loc[log["period_s"] >= 0.25 - 1e-9, "pass"].iloc[0] == 14


def test_a_count_to_the_last_pass_ends_there_for_every_click():
    found = starts_by_eye(curve_of(), [20], 0.25, None)
    assert found.table["duration_s"][0] == pytest.approx(TIMES_S[-1] - TIMES_S[19])
    assert found.table["turns"][0] == pytest.approx(100)


def test_missed_and_double_passes_are_counted_as_the_kit_counts_them():
    found = starts_by_eye(curve_of(np.delete(TIMES_S, 40)), [14], 0.25, 0.5)
    assert found.table["turns"][0] == pytest.approx(62, abs=1e-2)


@pytest.mark.parametrize(
    ("passes", "said"),
    [
        ([14], ["Your click is at pass 14", "0.13 s shorter", "0.5 turns smaller"]),
        ([13, 13], ["All 2 clicks are at pass 13", "0.12 s longer", "0.5 turns larger"]),
        ([14, 16, 14], ["The 3 clicks go from pass 14 to pass 16", "changes by 0.51 s (2.2 %)", "by 2 turns"]),
    ],
)
def test_it_says_what_the_clicks_do_and_calls_none_right_or_wrong(passes, said):
    words = " ".join(starts_by_eye(curve_of(), passes, 0.25, 0.5).sentences)
    assert "between pass 13 and pass 14" in words
    assert [part for part in said if part not in words] == []
    assert not {"right", "wrong", "correct", "should"} & set(words.split())


@pytest.mark.parametrize(
    ("passes", "start_s", "stop_s", "message"),
    [
        ([], 0.25, 0.5, "no first pass"),
        ([121], 0.25, 0.5, "no such pass.*from 1 to 120"),
        ([0], 0.25, 0.5, "no such pass"),
        ([True], 0.25, 0.5, "no such pass"),
        ([14], 0.25, 5.0, "does not pass both"),
        ([14], 0.5, 0.25, "must be slower"),
    ],
)
def test_what_cannot_be_counted_is_refused(passes, start_s, stop_s, message):
    with pytest.raises(KitError, match=message):
        starts_by_eye(curve_of(), passes, start_s, stop_s)


def test_the_run_to_look_at_is_clean_at_the_reference_and_soon_there():
    repaired = curve_of(np.delete(TIMES_S, 40), 2.0, source="a pass missed")
    other = curve_of(TIMES_S[5:], 1.0, source="another condition")
    later = curve_of(TIMES_S, 2.0, source="later")
    sooner = curve_of(TIMES_S[5:], 2.0, source="sooner")
    curves = [repaired, other, later, sooner]
    assert run_for_the_eye(curves, 0.25, 0.5, "magnets", 2.0).run.source == "sooner"
    assert run_for_the_eye(curves[:2], 0.25, 0.5, "magnets", 2.0).run.source == "another condition"
    assert run_for_the_eye(curves[:1], 0.25, 0.5, "magnets", 2.0).run.source == "a pass missed"
    with pytest.raises(KitError, match="No run passes both"):
        run_for_the_eye(curves, 0.25, 5.0, "magnets", 2.0)
