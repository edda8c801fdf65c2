"""Which column means what, and what a run's name says."""

from __future__ import annotations

import numpy as np
import pytest

from kit.errors import AmbiguousLog
from kit.logs.columns import conditions_from_name
from kit.logs.log import read_log
from tests.unit.logs.made import LOGS, A, B, C, written


def test_conditions_may_be_words():
    runs = read_log(LOGS / "long_words.csv")
    assert [r.conditions for r in runs] == [
        {"hub": "oiled", "tilt": 1.5},
        {"hub": "dry", "tilt": 1.5},
        {"hub": "dry", "tilt": 0.0},
    ]
    assert [r.pass_times_s.tolist() for r in runs] == [A, C, B]


def test_names_in_another_language_do_no_harm(tmp_path):
    rows = [f"{m};{k};{t}" for m, k, run in ((3, 1, A), (3, 2, B), (6, 1, C)) for t in run]
    runs = read_log(written(tmp_path, "Magnete;Trial;Zeit (s)\n" + "\n".join(rows)))
    assert [(r.conditions, r.trial) for r in runs] == [({"Magnete": m}, k) for m, k in ((3, 1), (3, 2), (6, 1))]
    sampled = [f"{0.01 * i:.2f};{int(i % 25 < 3)}" for i in range(200)]
    (run,) = read_log(written(tmp_path, "Zeit;D0\n" + "\n".join(sampled)))
    assert run.pass_times_s.tolist() == [0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75]
    (run,) = read_log(written(tmp_path, "time;D0\n" + "\n".join(sampled)))
    assert len(run.pass_times_s) == 7


def test_a_condition_of_0_or_1_is_no_beam_state(tmp_path):
    rows = [f"{oil},{t}" for oil, run in ((0, A), (1, B), (0.5, C)) for t in run]
    assert [r.conditions["oil"] for r in read_log(written(tmp_path, "oil,time\n" + "\n".join(rows)))] == [
        0,
        1,
        0.5,
    ]
    rows = [f"{oil},{k},{t}" for oil, k, run in ((0, 1, A), (1, 1, B), (0, 2, C)) for t in run]
    runs = read_log(written(tmp_path, "oil,trial,time\n" + "\n".join(rows)))
    assert [(r.conditions["oil"], r.trial) for r in runs] == [(0, 1), (1, 1), (0, 2)]


def test_rising_turn_periods_are_periods_if_the_header_the_caller_or_their_size_says_so(tmp_path):
    steps = [0.25, 0.27, 0.29, 0.32, 0.36, 0.41, 0.48]
    rows = "\n".join(map(str, steps))
    expected = [0.0, *np.cumsum(steps)]
    assert read_log(written(tmp_path, f"period (s)\n{rows}"))[0].pass_times_s.tolist() == expected
    assert read_log(written(tmp_path, rows), content="periods")[0].pass_times_s.tolist() == expected
    with pytest.raises(AmbiguousLog, match=r"content='times'.*content='periods'"):
        read_log(written(tmp_path, rows))  # could be times
    assert read_log(written(tmp_path, rows), content="times")[0].pass_times_s.tolist() == steps
    even = np.round(0.25 + 0.004 * np.arange(100), 3)
    with pytest.raises(AmbiguousLog, match="Every step in this column is the same"):  # a sampler's clock is like this
        read_log(written(tmp_path, "\n".join(map(str, even))))
    slow = np.round(even + 1e-5 * np.arange(100) ** 2, 3)  # as times: 250 turns/s
    assert len(read_log(written(tmp_path, "\n".join(map(str, slow))))[0].pass_times_s) == 101


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("magnets-3_trial-2", ({"magnets": 3.0}, 2)),
        ("tilt-1,5_hub-dry", ({"tilt": 1.5, "hub": "dry"}, None)),
        ("temperature--4", ({"temperature": -4.0}, None)),
        ("magnets-3_magnets-4", None),
        ("magnets-3_trial-x", None),
        ("notes", None),
    ],
)
def test_what_a_name_says(name, expected):
    assert conditions_from_name(name) == expected


def test_a_number_that_nothing_can_hold_stays_a_word(tmp_path):
    assert conditions_from_name(f"magnets-{'9' * 400}") == ({"magnets": "9" * 400}, None)
    assert conditions_from_name(f"magnets-1_trial-{'9' * 400}") is None
