"""From a table to runs: beam states, turn periods, runs below and beside each other."""

from __future__ import annotations

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.log import describe_log, read_log
from tests.unit.logs.made import LOGS, A, B, C, written


def test_a_sampled_beam_gives_the_rows_at_which_it_becomes_blocked():
    (run,) = read_log(LOGS / "states_sampled.txt")
    assert run.pass_times_s.tolist() == [0.01, 0.26, 0.48, 0.695, 0.915, 1.145, 1.39, 1.66, 1.975]


def test_which_state_means_blocked_is_an_argument():
    (run,) = read_log(LOGS / "states_low_is_blocked.tsv", blocked=0)
    assert run.pass_times_s.tolist() == A
    with pytest.raises(KitError, match="blocked must be 0 or 1"):
        read_log(LOGS / "states_low_is_blocked.tsv", blocked=2)


def test_a_first_blocked_row_counts_in_a_log_of_changes_only(tmp_path):
    changes = "time,beam\n0.1,1\n0.2,0\n0.5,1\n0.6,0\n0.9,1\n"
    assert read_log(written(tmp_path, changes))[0].pass_times_s.tolist() == [0.1, 0.5, 0.9]
    samples = "time,beam\n0.1,1\n0.2,1\n0.3,0\n0.5,1\n0.6,0\n0.9,1\n"
    assert read_log(written(tmp_path, samples))[0].pass_times_s.tolist() == [0.5, 0.9]


@pytest.mark.parametrize("name", ["periods_named.csv", "periods_unnamed.txt"])
def test_turn_periods_are_added_up_from_a_first_pass_at_zero(name):
    (run,) = read_log(LOGS / name)
    periods = [0.243, 0.207, 0.212, 0.219, 0.227, 0.237, 0.249, 0.265, 0.285, 0.312, 0.353]
    assert run.pass_times_s.tolist() == [0.0, *np.cumsum(periods)]


def test_runs_one_below_the_other():
    runs = read_log(LOGS / "long.csv")
    assert [(r.conditions, r.trial, r.pass_times_s.tolist()) for r in runs] == [
        ({"magnets": 3.0}, 1, A),
        ({"magnets": 3.0}, 2, B),
        ({"magnets": 6.0}, 1, C),
    ]
    assert runs[1].source == "long.csv, magnets 3, trial 2"


def test_rows_of_two_runs_may_be_mixed(tmp_path):
    rows = [f"{t},{n}" for ta, tb in zip(A, B, strict=False) for t, n in ((ta, 1), (tb, 2))]
    one, two = read_log(written(tmp_path, "time_s,trial\n" + "\n".join(rows)))
    assert (one.pass_times_s.tolist(), two.pass_times_s.tolist()) == (A[:9], B)


@pytest.mark.parametrize(
    ("name", "runs", "trials", "conditions"),
    [
        ("wide_ragged.csv", (B, A, C), (1, 2, 3), ({}, {}, {})),
        ("wide_unnamed.csv", (A, B, C), (1, 2, 3), ({}, {}, {})),
        ("wide_conditions.tsv", (A, B, C), (1, 2, 1), ({"magnets": 3.0}, {"magnets": 3.0}, {"magnets": 6.0})),
    ],
)
def test_runs_side_by_side_may_end_in_different_rows(name, runs, trials, conditions):
    found = read_log(LOGS / name)
    assert [r.pass_times_s.tolist() for r in found] == list(runs)
    assert tuple(r.trial for r in found) == trials
    assert tuple(r.conditions for r in found) == conditions
    assert len({r.source for r in found}) == 3
    assert describe_log(LOGS / name).endswith("3 runs side by side")
