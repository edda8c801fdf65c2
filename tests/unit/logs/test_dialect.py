"""How a log is written: encodings, delimiters, decimal signs, headings and units, in every combination."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.logs.dialect import find_dialect
from kit.logs.log import describe_log, read_log
from kit.logs.units import name_and_unit
from tests.unit.logs.made import LOGS, A, written

# --- every dialect ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "times_counted.csv",
            "commas, decimal point, seconds, pass times, 1 run of 12 passes, not used: pass",
        ),
        ("times_ms_decimal_comma.csv", "semicolons, decimal comma, milliseconds, pass times, 1 run"),
        ("times_one_column_decimal_comma.txt", "one column, decimal comma, no unit given, taken as seconds"),
        ("times_utf16_tabs.tsv", "tabs, decimal comma, seconds, pass times"),
        (
            "times_bom_unit_row.csv",
            "semicolons, decimal point, milliseconds, pass times, 1 run of 12 passes, not used",
        ),
        ("times_microseconds_8bit.csv", "one column, decimal point, microseconds, pass times"),
        ("times_preamble.txt", "spaces, decimal point, seconds, pass times"),
        ("times_integer_ms_unnamed.txt", "one column, decimal point, no unit given, taken as milliseconds"),
        ("times_quoted_decimal_comma.csv", "commas, decimal comma, seconds, beam states"),
        ("states_of_changes.csv", "commas, decimal point, seconds, beam states, 1 run of 12 passes"),
    ],
)
def test_one_run_in_many_dialects(name, words):
    (run,) = read_log(LOGS / name)
    assert run.pass_times_s.tolist() == A
    assert (run.source, run.conditions, run.trial, run.repairs) == (name, {}, 1, ())
    assert describe_log(LOGS / name).startswith(words)


def test_every_hand_written_log_is_read():
    for path in LOGS.iterdir():
        assert read_log(path), path


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("0,52\n0,71\n0,93\n1,2\n", "", ","),
        ("523,1\n530,0\n702,1\n709,0\n", ",", "."),  # time in ms and state
        ("523,112\n730,305\n955,518\n1180,740\n", ",", "."),  # two runs in ms
        ("time,beam\n5,12\n6,34\n", ",", "."),
        ("412.5\n", "", "."),
        ("1;2,5;3\n2;3,5;4\n", ";", ","),
        ("1 2,5\n2 3,5\n", " ", ","),
        ("0.5, 1\n0.6, 0\n", ",", "."),
        ("a\n0.5\n0.6\n", "", "."),
        ("\t0,5\n1,5\t0,7\n", "\t", ","),
    ],
)
def test_delimiter_and_decimal_sign_are_found(text, delimiter, decimal):
    dialect, _ = find_dialect(text.encode(), "log")
    assert (dialect.delimiter, dialect.decimal) == (delimiter, decimal)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("time (ms)", ("time", "ms")),
        ("time_s", ("time", "s")),
        ("t/s", ("t", "s")),
        ("t [µs]", ("t", "µs")),
        ("Time in seconds", ("Time", "seconds")),
        ("pass", ("pass", "")),
        ("magnets", ("magnets", "")),
        ("ms", ("", "ms")),
    ],
)
def test_names_and_units(cell, expected):
    assert name_and_unit(cell) == expected


# --- property: what is written comes back ----------------------------------------------------------------------------

FORMS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from([";", "\t", ",", " "]),
        "decimal": st.sampled_from([".", ","]),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
        "newline": st.sampled_from(["\n", "\r\n", "\r"]),
        "layout": st.sampled_from(["single", "counted", "wide", "long"]),
        "unit": st.sampled_from(["s", "ms", "us"]),
        "header": st.sampled_from(["named", "unit row", "remark"]),
        "preamble": st.lists(st.sampled_from(["# remark, with; signs", "Logger: group 4", ""]), max_size=3),
        "blank_rows": st.booleans(),
    }
)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(form=FORMS, seed=st.integers(0, 10_000), n=st.integers(8, 60))
def test_times_come_back_exactly_in_any_dialect(tmp_path_factory, form, seed, n):
    if form["delimiter"] == form["decimal"]:
        form["delimiter"] = ";"
    layout = form["layout"]
    if layout == "wide" and form["delimiter"] == " ":
        layout = "single"  # blanks cannot show an empty cell
    rng = np.random.default_rng(seed)
    per_second = {"s": 1.0, "ms": 1e3, "us": 1e6}[form["unit"]]
    runs = [
        np.cumsum(rng.uniform(0.1, 1.5, max(n - 2 * k, 8))) * per_second
        for k in range(3 if layout in ("wide", "long") else 1)
    ]

    def shown(x: float) -> str:
        return repr(float(x)).replace(".", form["decimal"])

    if layout == "wide":
        names = ["run 1", "run 2", "run 3"]
        rows = [[shown(r[i]) if i < len(r) else "" for r in runs] for i in range(max(map(len, runs)))]
    elif layout == "long":
        names = ["magnets", "trial", "time"]
        rows = [[str(3 + k // 2), str(1 + k % 2), shown(t)] for k, r in enumerate(runs) for t in r]
    else:
        names = ["no", "time"][layout == "single" :]
        rows = [[str(i + 1), shown(t)][layout == "single" :] for i, t in enumerate(runs[0])]
    timed = [name not in ("no", "magnets", "trial") for name in names]
    units = [form["unit"] if t else "" for t in timed]
    sep = form["delimiter"]
    if form["header"] == "unit row" and sep != " ":
        header = [sep.join(names), sep.join(units)]
    else:
        mark = "# " if form["header"] == "remark" else ""
        header = [mark + sep.join(f"{a}_{b}".replace(" ", "") if b else a for a, b in zip(names, units, strict=True))]
    lines = form["preamble"] + header + [sep.join(row) for row in rows]
    if form["blank_rows"]:
        lines[-3:-3] = ["", "# a remark"]
    text = form["newline"].join(lines) + form["newline"]
    path = written(tmp_path_factory.mktemp("log"), text.encode(form["encoding"]))

    found = read_log(path, repairs=False)
    assert len(found) == len(runs)
    for run, times in zip(found, runs, strict=True):
        assert np.array_equal(run.pass_times_s, times / per_second)
    if layout == "long":
        assert [(r.conditions["magnets"], r.trial) for r in found] == [(3, 1), (3, 2), (4, 1)]


# --- what is no log --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "This file is empty"),
        (b" \r\n\n", "This file is empty"),
        (b"# only\n# remarks\n", "no rows of numbers"),
        (b"\x00\x01\x02\x89PNG\x00\xff" * 20, "not a text file.*export the log as text"),
        (b"PK\x03\x04\x14\x00\x06\x00" * 20, "not a text file"),
        (b"hello\nworld\n", "no column of numbers.*'hello'"),
        (b"0.5\n", "only one pass"),
        (b"time,beam\n0.5,0\n0.7,0\n", "There is no pass.*which state means blocked"),
        (b"time (weeks)\n0.5\n0.6\n0.7\n", "unit of the time is not one of s, ms, us, ns, min, h.*'weeks'"),
        (b"1e12\n3e12\n5e12\n", "absurdly long"),
        (b",".join(b"%d" % i for i in range(1500)) + b"\n", "too many columns"),
        (b"\xff\xfe0\x00.\x00\x00\xd8", "cannot be read|not a text file|no column"),
    ],
)
def test_files_that_are_no_logs(tmp_path, data, message):
    path = written(tmp_path, data)
    with pytest.raises(KitError, match=message) as caught:
        read_log(path)
    assert caught.value.file == str(path)


def test_an_absurd_size_is_refused_before_reading(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(600_000_000)  # a hole: takes no room on the disk
    with pytest.raises(KitError, match=r"too large for a gate log.*600 MB"):
        read_log(path)


# --- found by fuzzing ------------------------------------------------------------------------------------------------


def wide(rows: list[tuple], title: str, delimiter: str) -> str:
    return "\n".join([title, *(delimiter.join(map(str, row)) for row in rows)]) + "\n"


def test_whole_numbers_side_by_side_are_no_decimals_where_one_run_is_longer(tmp_path):
    """Read as one column of decimals, ten rows of two runs would be one run with half of its passes."""
    left = [23318 + 400_000 * k for k in range(7)]
    right = [20000 + 410_000 * k for k in range(19)]
    rows = [(left[k] if k < len(left) else "", right[k]) for k in range(len(right))]
    text = wide(rows, "magnets-1_trial-1 (us),magnets-2_trial-1 (us)", ",")
    runs = read_log(written(tmp_path, text))
    assert [run.pass_times_s.tolist() for run in runs] == [[t / 1e6 for t in left], [t / 1e6 for t in right]]


def test_a_tab_at_the_end_of_a_row_is_an_empty_cell(tmp_path):
    """Without it, the rows of the shorter run would be taken for text above the data, and their passes lost."""
    left = [0.5 + 0.4 * k for k in range(36)]
    right = [0.25 + 0.5 * k for k in range(8)]
    rows = [(f"{left[k]:.3f}", f"{right[k]:.3f}" if k < len(right) else "") for k in range(len(left))]
    runs = read_log(written(tmp_path, wide(rows, "magnets-1_trial-1 (s)\tmagnets-2_trial-1 (s)", "\t")))
    assert [len(run.pass_times_s) for run in runs] == [36, 8]


def test_rows_of_numbers_are_never_passed_over_as_a_heading(tmp_path):
    rows = [(500, 250), (900, 750), *((900 + 400 * k,) for k in range(1, 60))]  # no delimiter where a run has ended
    with pytest.raises(KitError, match="row 2: This row has other columns than most rows below it"):
        read_log(written(tmp_path, wide(rows, "left\tright", "\t")))


def test_one_column_with_a_slip_of_a_tab_behind_each_number_stays_one_column(tmp_path):
    (run,) = read_log(written(tmp_path, "time_s\n" + "".join(f"{t}\t\n" for t in A)))
    assert run.pass_times_s.tolist() == A


def test_headings_without_end_are_read(tmp_path):
    brackets = "(" * 3000
    (run,) = read_log(written(tmp_path, f"time_s;{brackets}\n" + "".join(f"{t};1\n" for t in A), "a.csv"))
    assert run.pass_times_s.tolist() == A
    runs = read_log(written(tmp_path, f"left,right trial {'9' * 5000}\n" + "".join(f"{t},{t}\n" for t in A), "b.csv"))
    assert [run.trial for run in runs] == [1, 2]
