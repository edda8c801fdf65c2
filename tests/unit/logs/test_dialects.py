"""One invented run in 63 dialects by another hand (tests/reference/dialects): what is read, asked and refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kit.errors import AmbiguousLog, KitError
from kit.logs.forms import read
from tests.reference.dialects import FOLDER, expected, judge

ASKED = {  # a question with answers to choose from; each says what to write
    "19_two_gates_channel_column.csv": "channel=",
    "21_time_a_time_b.csv": "time_column=",
    "53_temperature_log.csv": "content=",
    "55_counts_per_interval.csv": "counts_per_turn=",
    "56_ticks_of_tenth_ms.txt": "content=",
    "57_two_runs.txt": "part=",
    "59_two_beams_volts.csv": "value_column=",
    "63_bare_gaps.txt": "content=",
}
REFUSED = {
    "49_words_only.txt": "no column of numbers",
    "50_renamed_image.csv": "not a text file",
    "51_empty.csv": "empty",
    "52_two_numbers.txt": "only two passes",
    "54_neither_is_time.csv": "unit of the time is not one of",
    "58_clock_starts_again.csv": "clock steps back",
    "60_whole_seconds.csv": "stands here twice",
}


def times_of(path: Path) -> tuple[str, np.ndarray | list[np.ndarray]]:
    """What the reader makes of a file, as the judge wants it."""
    reading = read(path)
    if reading.rows_s is not None:
        return {"speeds": "speed table", "counts": "counts"}[reading.content], reading.rows_s
    times = [run.pass_times_s for run in reading.runs]
    return reading.content, times[0] if len(times) == 1 else times


@pytest.fixture(scope="module")
def verdicts():
    return judge(times_of)


def test_the_run_is_found_in_nearly_every_dialect_and_nothing_is_misread(verdicts):
    same = verdicts[verdicts["set"] == "same run"]
    assert len(same) == 37
    assert (same["outcome"] == "right").sum() >= 33, same[same["outcome"] != "right"].to_string()
    wrong = verdicts[verdicts["outcome"] == "misread"]
    assert wrong.empty, wrong.to_string()


@pytest.mark.parametrize("name", list(expected().index))
def test_each_file_is_read_asked_about_or_refused(name):
    if name in ASKED:
        with pytest.raises(AmbiguousLog, match=ASKED[name]) as asked:
            read(FOLDER / name)
        assert asked.value.options
    elif name in REFUSED:
        with pytest.raises(KitError, match=REFUSED[name]) as refused:
            read(FOLDER / name)
        assert not isinstance(refused.value, AmbiguousLog)
    else:
        assert read(FOLDER / name).runs


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("19_two_gates_channel_column.csv", {"channel": "A"}),
        ("21_time_a_time_b.csv", {"time_column": "time A"}),
        ("57_two_runs.txt", {"part": 1}),
        ("59_two_beams_volts.csv", {"value_column": "gate 1"}),
        ("63_bare_gaps.txt", {"content": "periods"}),
    ],
)
def test_an_answer_gives_the_run(name, how):
    with pytest.raises(AmbiguousLog) as asked:
        read(FOLDER / name)
    assert any(how.items() <= answer.items() for answer in asked.value.options.values())
    (run,) = read(FOLDER / name, **how).runs
    row = expected().loc[name]
    assert len(run.pass_times_s) == row["n"]
    assert np.diff(run.pass_times_s)[-1] == pytest.approx(
        float(row["last_gap_s"]), abs=float(row["resolution_s"]) + 1e-6
    )


def test_one_question_after_the_other():
    """Ticks of 0.1 ms: read as ms, a push of half a turn a second; as µs, 500 passes a second."""
    with pytest.raises(AmbiguousLog, match=r"unit='ms'.*unit='us'"):
        read(FOLDER / "56_ticks_of_tenth_ms.txt", content="times")
    (run,) = read(FOLDER / "56_ticks_of_tenth_ms.txt", content="times", unit="ms").runs
    assert np.diff(run.pass_times_s)[-1] == pytest.approx(9.937)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("10_nanoseconds.csv", "pass times in ns, one channel, 1 flag a turn"),
        ("25_json_array.json", "pass times in s (the unit by their size), one channel"),
        ("29_high_low.csv", "beam states in µs, one channel, 1 flag a turn (not said), HIGH is blocked"),
        ("31_on_off_percent.txt", "OFF is blocked"),
        ("35_micros_wraps.csv", "32-bit clock ran over"),
        ("38_turns_per_minute.csv", "speeds in turns per minute, times in s"),
        ("45_encoder_counts.csv", "counts, 600 a turn, times in ms"),
        ("46_encoder_rate_in_preamble.txt", "counts, 600 a turn, one row every 0.01 s"),
        ("61_newest_first.csv", "newest row on top, turned round"),
    ],
)
def test_how_a_log_was_read_is_said(name, words):
    reading = read(FOLDER / name)
    assert words in reading.read_as
    assert all(run.read_as == reading.read_as for run in reading.runs)


@pytest.mark.parametrize(
    "name", [name for name, row in expected().iterrows() if row["kind"] in ("speed table", "counts")]
)
def test_tables_become_whole_turns_of_the_same_wheel(name):
    """The n-th turn of the invented wheel ends at −τ ln(1 − n / (f τ)) (README of the logs)."""
    if name in ASKED:
        (run,) = read(FOLDER / name, counts_per_turn=600).runs
        true_s = None  # its first row holds what passed before it
    else:
        (run,) = read(FOLDER / name).runs
        true_s = -5.5 * np.log(1 - np.arange(len(run.pass_times_s)) / (5.1 * 5.5))
    assert len(run.pass_times_s) in (22, 23)
    assert 0 < run.timing_u_s < 0.01
    if true_s is not None:
        assert run.pass_times_s == pytest.approx(true_s, abs=4 * run.timing_u_s + 1e-3)
