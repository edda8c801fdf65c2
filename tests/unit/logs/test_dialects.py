"""One invented run in 63 dialects by another hand (tests/reference/dialects): what is read, asked and refused."""

# ruff: noqa: E501 (one dialect a line)

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kit.errors import AmbiguousLog, KitError
from kit.logs.forms import read
from tests.reference.dialects import FOLDER, expected, judge, law_s
from tests.unit.logs.made import written

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


# --- more variants, made after the reader: other signs, words, units and tables ---------------------------------------

T = 12.345680 + law_s(np.arange(24))
ENDS = 12.345680 + law_s(np.arange(24) + 0.04)
ROWS_S = np.arange(0, 9, 0.05)
SPEEDS = 5.1 * np.exp(-ROWS_S / 5.5)


def clock(time_s: float) -> str:
    return f"{int(time_s // 3600):02d}:{int(time_s % 3600 // 60):02d}:{time_s % 60:06.3f}"


def comma(text: str) -> str:
    return text.replace(".", ",")


READ = {
    "minutes, a word behind": "Zeit in Minuten;Bemerkung\n" + "".join(comma(f"{t / 60:.9f}") + ";ok\n" for t in T),
    "thousands with points": "n;t (ms)\n" + "".join(f"{i};{comma(f'{t * 1e3 // 1000:.0f}')}.{comma(f'{t * 1e3 % 1000:07.3f}')}\n" for i, t in enumerate(T, 1)),
    "thousands with apostrophes": "n\tt (ms)\n" + "".join(f"{i}\t{t * 1e3:,.3f}\n".replace(",", "'") for i, t in enumerate(T, 1)),
    "half past nine PM": "time\n" + "".join(clock(t + 34_180) + " PM\n" for t in T),
    "date, time and Z": "".join(f"2024-03-12 {clock(t + 86_360 - 60)}Z\n" for t in T),
    "names with colons": "".join(f"millis: {t * 1e3:.3f}, pass: {i}\n" for i, t in enumerate(T)),
    "a JSON object of lists": '{"unit": "s", "t": [' + ", ".join(f"{t:.6f}" for t in T) + "]}",
    "JSON objects": "[" + ",".join(f'{{"time_ms": {t * 1e3:.3f}}}' for t in T) + "]",
    "German words of states": "Zeit (s);Lichtschranke\n" + "".join(comma(f"{a:.6f}") + ";unterbrochen\n" + comma(f"{b:.6f}") + ";frei\n" for a, b in zip(T, ENDS, strict=True)),
    "LOW is the flag": "t_us;D2\n" + "".join(f"{a * 1e6:.0f};LOW\n{b * 1e6:.0f};HIGH\n" for a, b in zip(T, ENDS, strict=True)),
    "three decimals, commas, a state": "time (s),beam\n" + "".join(f"{a:.3f},1\n{b:.3f},0\n" for a, b in zip(T, ENDS, strict=True)),
    "start and end": "start (ms),end (ms)\n" + "".join(f"{a * 1e3:.3f},{b * 1e3:.3f}\n" for a, b in zip(T, ENDS, strict=True)),
    "one line, semicolons": "time (s)\n" + ";".join(comma(f"{t:.6f}") for t in T),
    "one line, spaces": " ".join(f"{t:.6f}" for t in T),
    "milliseconds since 1970": "ts\n" + "".join(f"{1_710_234_883_000 + t * 1e3:.0f}\n" for t in T),
}  # fmt: skip

TABLES = {
    "turns a second, tabs": "t_s\tspeed_rps\n" + "".join(f"{t:.2f}\t{v:.3f}\n" for t, v in zip(ROWS_S, SPEEDS, strict=True)),
    "U/min": "Zeit (s);Drehzahl (U/min)\n" + "".join(comma(f"{t:.2f};{60 * v:.0f}\n") for t, v in zip(ROWS_S, SPEEDS, strict=True)),
    "rpm, ms": "time_ms,rpm\n" + "".join(f"{1e3 * t:.0f},{60 * v:.1f}\n" for t, v in zip(ROWS_S, SPEEDS, strict=True)),
    "min^-1": "time (s),n (min^-1)\n" + "".join(f"{t:.2f},{60 * v:.1f}\n" for t, v in zip(ROWS_S, SPEEDS, strict=True)),
}  # fmt: skip

STOPPED = {
    "two channels by number": ("t (s);channel\n" + "".join(f"{t:.6f};1\n{t + 0.1:.6f};2\n" for t in T), "channel="),
    "two gates by a word behind": ("".join(f"{t:.6f} gate1\n{t + 0.1:.6f} gate2\n" for t in T), "channel="),
    "times nobody can read": ("n,time\n" + "".join(f"{i},<{t:.6f}>\n" for i, t in enumerate(T)), "can be the time"),
    "an index beside speeds": ("n,rpm\n" + "".join(f"{i},{60 * v:.1f}\n" for i, v in enumerate(SPEEDS)), "no column of times"),
    "no headings": ("".join(f"{t:.2f},{60 * v:.1f}\n" for t, v in zip(ROWS_S, SPEEDS, strict=True)), "rows are no passes"),
    "an encoder without its counts a turn": ("time (s),encoder\n" + "".join(f"{t:.2f},{int(9000 - 9000 * v / 5.1)}\n" for t, v in zip(ROWS_S, SPEEDS, strict=True)), "counts_per_turn="),
    "two clocks": ("clock,millis\n" + "".join(f"{clock(t)},{1e3 * t:.0f}\n" for t in T), "time_column="),
    "a sampler's clock alone": ("".join(f"{12.2 + t:.2f}\n" for t in ROWS_S), "Every step in this column is the same"),
    "brightness without times": ("".join(f"{300 + (i * i * 37 % 101) - 250 * (i % 20 < 2):.0f}\n" for i in range(400)), "rise like neither"),
    "periods in ms": ("".join(f"{1e3 * gap:.0f}\n" for gap in np.diff(T)), "content='periods'"),
    "acceleration": ("time (s),ax\n" + "".join(f"{t:.2f},{np.sin(37 * t):.3f}\n" for t in ROWS_S), "rows are no passes"),
}  # fmt: skip


@pytest.mark.parametrize("name", READ)
def test_other_ways_to_write_the_run(tmp_path, name):
    (run,) = read(written(tmp_path, READ[name])).runs
    assert np.diff(run.pass_times_s) == pytest.approx(np.diff(T), abs=1.01e-3)


@pytest.mark.parametrize("name", TABLES)
def test_other_tables_of_speed(tmp_path, name):
    (run,) = read(written(tmp_path, TABLES[name])).runs
    true_s = -5.5 * np.log(1 - np.arange(23) / (5.1 * 5.5))
    assert run.pass_times_s == pytest.approx(true_s, abs=4 * run.timing_u_s)
    assert run.note == "from a table of speeds, one every 0.05 s"


@pytest.mark.parametrize("name", STOPPED)
def test_what_is_not_read_in_silence(tmp_path, name):
    text, message = STOPPED[name]
    with pytest.raises(KitError, match=message):
        read(written(tmp_path, text))
