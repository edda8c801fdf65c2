"""The reference files in many dialects agree with their table and with the formula in their README. Needs no reader."""

import csv
import re
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from tests.reference.dialects import FIRST_PASS_S, FOLDER, ROW_KINDS, expected, judge, law_s, true_times_s

TABLE = expected()
ENCODINGS = {"03_french_latin1_micro.csv": "latin-1", "08_utf16_tab.txt": "utf-16"}

# What to look for in each file (the group is a time) and what its unit is worth in s, written from the file by eye.
NUMBERS = {
    "01_comma_index.csv": (r"^\d+,([\d.]+)$", 1),
    "02_german_semicolon.csv": (r"^\d+;([\d,]+)$", 1),
    "03_french_latin1_micro.csv": (r"^\d+;(\d+)$", 1e-6),
    "04_spanish_tab.tsv": (r"^\d+\t([\d.]+)$", 1e-3),
    "05_italian_spaces.txt": (r"^ +\d+ +([\d.]+)$", 1),
    "06_pipes.txt": (r"^\| \d+ \| ([\d.]+) \|$", 1),
    "07_bom_unit_row.csv": (r"^\d+,([\d.]+)$", 1e-3),
    "08_utf16_tab.txt": (r"^\d+\t([\d.]+)$", 1),
    "09_cr_only_no_last_newline.txt": (r"^([\d.]+)$", 1),
    "10_nanoseconds.csv": (r"^\d+,(\d+)$", 1e-9),
    "11_minutes_trailing_separator.csv": (r"^\d+;([\d.]+);$", 60),
    "12_micros_header_again.txt": (r"^(\d+)$", 1e-6),
    "13_block_unblock.csv": (r"^\d+,([\d.]+),[\d.]+$", 1),
    "19_two_gates_channel_column.csv": (r"^A,([\d.]+)$", 1),
    "21_time_a_time_b.csv": (r"^\d+,([\d.]+),[\d.]*$", 1),
    "22_trailing_words.txt": (r"^([\d.]+) s Gate 1$", 1),
    "23_one_line_commas.txt": (r"([\d.]+)(?:, |$)", 1),
    "24_one_line_brackets.txt": (r"([\d.]+)(?=[,\]])", 1e-3),
    "25_json_array.json": (r"^ +([\d.]+),?$", 1),
    "26_json_lines_unix_time.jsonl": (r'"ts": ([\d.]+)', 1),
    "27_key_value.log": (r"^t=([\d.]+) s", 1),
    "28_serial_monitor.txt": (r"-> (\d+)$", 1e-6),
    "29_high_low.csv": (r"^(\d+),HIGH$", 1e-6),
    "30_blocked_open_preamble.txt": (r"^([\d.]+)\tblocked$", 1e-3),
    "31_on_off_percent.txt": (r"^([\d.]+) OFF$", 1),
    "33_spreadsheet_title_gaps.csv": (r"^;\d+;;([\d,]+);$", 1),
    "37_scientific_before_trigger.txt": (r"^([-+][\d.E+-]+)\t1$", 1),
    "61_newest_first.csv": (r"^\d+,([\d.]+)$", 1),
    "62_decimal_comma_one_column.txt": (r"^([\d,]+)$", 1),
    "47_eight_flags_ms_no_header.txt": (r"^(\d+)$", 1e-3),
    "48_ten_spokes_us_no_header.txt": (r"^(\d+)$", 1e-6),
    "56_ticks_of_tenth_ms.txt": (r"^(\d+)$", 1e-4),
}


def text_of(file: str) -> str:
    """The file's text with every line end as a newline."""
    text = (FOLDER / file).read_bytes().decode(ENCODINGS.get(file, "utf-8-sig"))
    return text.replace("\r\n", "\n").replace("\r", "\n")


def assert_gaps(times_s, file):
    row = TABLE.loc[file]
    times_s = np.asarray(times_s, float)
    gaps_s = np.diff(true_times_s(row)[0])
    assert len(times_s) == row["n"]
    tolerance_s = 1e-6 * gaps_s + 1.0001 * float(row["resolution_s"])
    assert np.all(np.abs(np.diff(times_s) - gaps_s) <= tolerance_s)
    if row["first_pass_s"]:
        assert abs(times_s[0] - float(row["first_pass_s"])) <= 1e-6 + float(row["resolution_s"])


def test_every_file_is_in_the_table_and_every_row_has_its_file():
    assert sorted(path.name for path in FOLDER.glob("[0-9]*")) == list(TABLE.index)


def test_the_table_keeps_to_its_own_words():
    with (FOLDER / "expected.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert all(None not in row and None not in row.values() for row in rows)
    assert (TABLE["set"] == "same run").sum() == 37
    assert set(TABLE["set"]) == {"same run", "further"}
    assert set(TABLE["truth"]) == {"read", "ask", "refuse"}
    assert TABLE["decide"].str.endswith(".").all()
    refused = TABLE[TABLE["truth"] == "refuse"]
    assert (refused["kind"] == "none").all()
    assert refused["n"].isna().all()


def test_the_37_hold_the_same_number_of_passes_and_the_same_last_gap():
    same = TABLE[TABLE["set"] == "same run"]
    assert set(same["n"]) == {24}
    assert set(same["flags"]) == {"1"}
    assert {float(gap) for gap in same["last_gap_s"]} == {0.993688}


@pytest.mark.parametrize("file", TABLE.index[TABLE["truth"] != "refuse"])
def test_the_last_gap_in_the_table_is_the_formulas(file):
    row = TABLE.loc[file]
    gap_s = np.diff(true_times_s(row)[0])[-1]
    assert float(row["last_gap_s"]) == pytest.approx(gap_s, abs=max(1e-6, float(row["resolution_s"])))


def test_the_run_is_one_that_a_hand_can_make():
    gaps_s = np.diff(law_s(np.arange(24)))
    assert 0.19 < gaps_s[0] < 0.21
    assert 0.9 < gaps_s[-1] < 1.1
    assert np.all(np.diff(gaps_s) > 0)
    # the formula differentiated: speed falls by 1/τ for every turn, from 5.1 Hz
    middle_hz = 5.1 - (np.arange(23) + 0.5) / 5.5
    assert gaps_s * middle_hz == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("file", NUMBERS)
def test_numbers_in_the_file_are_the_run(file):
    pattern, unit_s = NUMBERS[file]
    found = re.findall(pattern, text_of(file), re.MULTILINE)
    assert_gaps(sorted(float(number.replace(",", ".")) * unit_s for number in found), file)


def test_thousands_separators_hold_the_run():
    rows = list(csv.reader(text_of("20_thousands_quoted.csv").splitlines()))[1:]
    assert_gaps([float(row[1].replace(",", "")) / 1000 for row in rows], "20_thousands_quoted.csv")


@pytest.mark.parametrize("name", ["16_iso_with_zone.csv", "17_iso_without_zone.log", "18_date_and_time_midnight.csv"])
def test_dates_and_times_hold_the_run(name):
    lines = text_of(name).splitlines()
    if name.startswith("18"):
        found = [datetime.strptime(line[:23].replace(",", "."), "%d.%m.%Y;%H:%M:%S.%f") for line in lines[1:]]
        assert len({moment.date() for moment in found}) == 2
    else:
        found = [datetime.fromisoformat(line[:26]) for line in lines if line[:4] == "2024"]
    assert_gaps([(moment - found[0]).total_seconds() for moment in found], name)


@pytest.mark.parametrize("name", ["14_clock_hms.csv", "15_laps_min_s_comma.txt"])
def test_clock_times_hold_the_run(name):
    found = re.findall(r"(?:(\d\d):)?(\d\d):(\d\d)[.,](\d{3})", text_of(name))
    assert_gaps([int(h or 0) * 3600 + int(m) * 60 + int(s) + int(ms) / 1000 for h, m, s, ms in found], name)


def test_periods_add_up_to_the_run():
    for name, unit_s in [("34_periods_ms.csv", 1e-3), ("63_bare_gaps.txt", 1)]:
        gaps_s = [float(number) * unit_s for number in re.findall(r"(\d+\.\d+)$", text_of(name), re.MULTILINE)]
        assert_gaps(np.concatenate([[0], np.cumsum(gaps_s)]), name)


@pytest.mark.parametrize(("name", "unit_s"), [("35_micros_wraps.csv", 1e-6), ("36_millis_wraps.txt", 1e-3)])
def test_the_clock_of_32_bits_starts_again_once(name, unit_s):
    ticks = [int(number) for number in re.findall(r"(\d+)$", text_of(name), re.MULTILINE)]
    back = [i for i in range(1, len(ticks)) if ticks[i] < ticks[i - 1]]
    assert len(back) == 1
    assert max(ticks) < 2**32
    assert_gaps([(tick + 2**32 * (i >= back[0])) * unit_s for i, tick in enumerate(ticks)], name)


def test_samples_show_24_flags_where_the_run_has_them():
    def starts(blocked):
        return [i for i in range(1, len(blocked)) if blocked[i] and not blocked[i - 1]]

    rows = [line.split(",") for line in text_of("32_true_false_sampled.csv").splitlines()[1:]]
    at = starts([state == "TRUE" for _, state in rows])
    assert_gaps([float(rows[i][0]) for i in at], "32_true_false_sampled.csv")
    for name, unit_s, is_blocked in [
        ("42_beam_volts.csv", 1, lambda volts: volts < 2.5),
        ("43_beam_volts_inverted.csv", 1e-3, lambda volts: volts > 1.65),
        ("44_brightness.csv", 1, lambda lux: lux < 185),
        ("59_two_beams_volts.csv", 1, lambda volts: volts < 2.5),
    ]:
        text = text_of(name)
        if ";" in text:
            text = text.replace(",", ".").replace(";", ",")
        rows = [line.split(",") for line in text.splitlines()[1:]]
        at = starts([is_blocked(float(row[1])) for row in rows])
        assert_gaps([float(rows[i][0]) * unit_s for i in at], name)


@pytest.mark.parametrize("file", TABLE.index[TABLE["kind"].isin(ROW_KINDS)])
def test_tables_of_speed_and_counts_have_their_rows(file):
    rows = [line for line in text_of(file).splitlines() if re.match(r"-?\d", line)]
    assert len(rows) == TABLE.loc[file, "n"]


def test_speeds_are_the_runs():
    """The speed falls as exp(-t/5.5 s) from 5.1 turns/s, in each file in its own unit."""
    for name, per_turn, off in [
        ("38_turns_per_minute.csv", 60, 0.051),
        ("39_rad_per_s.csv", 2 * np.pi, 0.00051),
        ("40_degrees_per_s.txt", -360, 7),
        ("41_hertz.csv", 1, 0.00051),
    ]:
        lines = text_of(name).splitlines()[1:]
        speeds = [float(re.split(r"[;\t]|,(?=\d+\.)", line)[1].replace(",", ".")) for line in lines]
        assert np.max(np.abs(speeds - per_turn * 5.1 * np.exp(-np.arange(91) / 55))) < off, name


def test_bytes_are_what_the_names_promise():
    def start(name):
        return (FOLDER / name).read_bytes()

    assert start("07_bom_unit_row.csv")[:3] == b"\xef\xbb\xbf"
    assert start("08_utf16_tab.txt")[:2] == b"\xff\xfe"
    with pytest.raises(UnicodeDecodeError):
        start("03_french_latin1_micro.csv").decode("utf-8")
    assert b"\n" not in start("09_cr_only_no_last_newline.txt")
    assert start("09_cr_only_no_last_newline.txt")[-1:].isdigit()
    assert b"\r\n" in start("02_german_semicolon.csv")
    assert start("50_renamed_image.csv")[:8] == b"\x89PNG\r\n\x1a\n"
    assert start("51_empty.csv") == b""
    assert not re.search(r"\d{2}", text_of("49_words_only.txt"))


def perfect(path: Path):
    """An expert's answers, from the table."""
    row = TABLE.loc[path.name]
    if row["truth"] == "ask":
        raise ValueError("Which one is meant?")
    if row["truth"] == "refuse":
        raise ValueError("This is no log.")
    return row["kind"], true_times_s(row)[-1] + 5


def test_the_judge_finds_an_expert_right():
    assert set(judge(perfect)["outcome"]) == {"right"}


def test_the_judge_finds_no_misreading_where_nothing_is_read():
    def refusing(path):
        raise ValueError("No.")

    outcome = judge(refusing)["outcome"]
    assert (outcome == "right").equals(TABLE["truth"] == "refuse")
    assert set(outcome) == {"right", "refused"}


def test_the_judge_catches_every_way_to_misread():
    run_s = FIRST_PASS_S + law_s(np.arange(24))
    wrong = {
        "a unit": run_s * 1000,
        "one pass lost": np.delete(run_s, 7),
        "one pass made up": np.sort(np.append(run_s, run_s[3:5].mean())),
        "one time a tick off": run_s + 4e-6 * (np.arange(24) == 9),
        "periods as times": np.diff(run_s),
        "two gates merged": np.sort(np.concatenate([run_s, FIRST_PASS_S + law_s(np.arange(23) + 0.5)])),
    }
    for what, times_s in wrong.items():
        found = judge(lambda path, times_s=times_s: ("passes", times_s))
        exact = found[(found["set"] == "same run") & (TABLE["resolution_s"] == "0")]
        assert set(exact["outcome"]) == {"misread"}, what
    everything = judge(lambda path: ("passes", run_s))
    assert (everything.loc[TABLE["truth"] != "read", "outcome"] == "misread").all()
    assert (everything.loc[TABLE["kind"].isin(ROW_KINDS), "outcome"] == "misread").all()


def test_the_judge_accepts_two_gates_kept_apart_and_one_run_only_whole():
    run_s = law_s(np.arange(24))
    found = judge(lambda path: ("passes", [law_s(np.arange(23) + 0.5), run_s]))["outcome"]
    assert found["19_two_gates_channel_column.csv"] == found["57_two_runs.txt"] == "right"
    assert found["01_comma_index.csv"] == "misread"
