"""Gate logs in every form the kit reads, and what it says of those it cannot read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.dialect import find_dialect, name_and_unit
from kit.errors import KitError
from kit.gatelog import describe_log, preview, read_folder, read_log, split, split_proposal
from kit.logcolumns import conditions_from_name
from kit.passes import Run, counted_passes, refuse, with_repairs

LOGS = Path(__file__).parents[1] / "reference" / "logs"
# the three invented runs that all hand-written logs hold, s
A = [0.412, 0.655, 0.862, 1.074, 1.293, 1.520, 1.757, 2.006, 2.271, 2.556, 2.868, 3.221]
B = [0.380, 0.590, 0.805, 1.031, 1.270, 1.526, 1.806, 2.122, 2.501]
C = [0.501, 0.742, 0.951, 1.170, 1.405, 1.662, 1.953, 2.309]


def written(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- every dialect -------------------------------------------------------------------------------


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


def test_rising_turn_periods_are_periods_if_the_header_the_caller_or_their_size_says_so(tmp_path):
    steps = [0.25, 0.27, 0.29, 0.32, 0.36, 0.41, 0.48]
    rows = "\n".join(map(str, steps))
    expected = [0.0, *np.cumsum(steps)]
    assert read_log(written(tmp_path, f"period (s)\n{rows}"))[0].pass_times_s.tolist() == expected
    assert read_log(written(tmp_path, rows), content="periods")[0].pass_times_s.tolist() == expected
    assert read_log(written(tmp_path, rows))[0].pass_times_s.tolist() == steps  # could be times: read as such
    slow = np.round(0.25 + 0.004 * np.arange(100), 3)  # as times: 250 turns/s
    assert len(read_log(written(tmp_path, "\n".join(map(str, slow))))[0].pass_times_s) == 101


def test_runs_one_below_the_other():
    runs = read_log(LOGS / "long.csv")
    assert [(r.conditions, r.trial, r.pass_times_s.tolist()) for r in runs] == [
        ({"magnets": 3.0}, 1, A),
        ({"magnets": 3.0}, 2, B),
        ({"magnets": 6.0}, 1, C),
    ]
    assert runs[1].source == "long.csv, magnets 3, trial 2"


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


def test_what_is_found_can_be_overridden(tmp_path):
    path = written(tmp_path, "412\n655\n862\n1074\n")
    assert read_log(path)[0].pass_times_s.tolist() == [
        0.412,
        0.655,
        0.862,
        1.074,
    ]  # so long a gap is no second
    assert read_log(path, unit="s")[0].pass_times_s.tolist() == [412, 655, 862, 1074]
    assert read_log(path, unit="us")[0].pass_times_s.tolist() == [412 / 1e6, 655 / 1e6, 862 / 1e6, 1074 / 1e6]
    path = written(tmp_path, "a;b;c\n1,5;7;0\n2,5;7;1\n3,5;7;1\n4,5;8;1\n5,5;8;1\n6,5;8;1\n")
    seven, eight = read_log(path, time_column="a", condition_columns=["b"])
    assert (seven.conditions, eight.conditions) == ({"b": 7.0}, {"b": 8.0})
    assert eight.pass_times_s.tolist() == [4.5, 5.5, 6.5]
    assert read_log(path, time_column=1, condition_columns=[], layout="single")[0].pass_times_s[-1] == 6.5
    with pytest.raises(KitError, match=r"no such column.*'z'.*choose one of: a, b, c"):
        read_log(path, time_column="z")
    with pytest.raises(KitError, match="layout must be one of: single, long, wide"):
        read_log(path, layout="tall")


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


# --- repairs, preview, many passes ---------------------------------------------------------------


def test_repairs_are_found_unless_left_out(tmp_path):
    times = [0.1, 0.3, 0.306, 0.5, 0.7, 0.9, 1.3, 1.5, 1.7, 1.9]
    path = written(tmp_path, "\n".join(map(str, times)))
    assert [(r.kind, r.index) for r in read_log(path)[0].repairs] == [("bounce", 2), ("missed", 6)]
    (run,) = read_log(path, repairs=False)
    assert run.repairs == ()
    assert run.pass_times_s.tolist() == times


def test_the_preview_shows_the_first_rows_as_read():
    frame = preview(LOGS / "times_ms_decimal_comma.csv", rows=3)
    pd.testing.assert_frame_equal(
        frame, pd.DataFrame({"Nr": [1.0, 2.0, 3.0], "Zeit": [412.0, 655.0, 862.0]}), check_names=False
    )
    assert frame.attrs["delimiter"] == ";"
    assert frame.attrs["decimal"] == ","
    assert frame.attrs["units"] == ("", "ms")
    assert frame.attrs["first_row"] == 3
    assert frame.attrs["description"].startswith("semicolons, decimal comma, milliseconds")
    assert frame.attrs["problem"] == ""


def test_the_preview_also_shows_what_makes_no_run(tmp_path):
    frame = preview(written(tmp_path, "time_s\n0.5\n0.4\n"))
    assert frame["time"].tolist() == [0.5, 0.4]
    assert "row 3, column time: The clock steps back" in frame.attrs["problem"]


@pytest.mark.slow
def test_from_eight_passes_to_a_million(tmp_path):
    assert len(read_log(written(tmp_path, "\n".join(map(str, C))))[0].pass_times_s) == 8
    times = np.round(np.cumsum(np.linspace(0.2, 0.3, 1_000_000)), 5)
    frame = pd.DataFrame({"pass": np.arange(1_000_000), "time (s)": times})
    path = tmp_path / "long.csv"
    frame.to_csv(path, sep=";", decimal=",", index=False)
    (run,) = read_log(path)
    assert np.array_equal(run.pass_times_s, times)


# --- property: what is written comes back --------------------------------------------------------

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


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300) | st.text(alphabet="0123456789.,;\t \n#ab-", max_size=200).map(str.encode))
def test_garbage_gives_runs_or_one_clear_error(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_bytes(data)
    try:
        runs = read_log(path)
    except KitError as error:
        assert str(path) in str(error)
    else:
        assert all(len(run.pass_times_s) >= 2 for run in runs)


# --- errors name file, row, column, what was found, what to do -----------------------------------


@pytest.mark.parametrize(
    ("text", "row", "column", "message"),
    [
        (
            "# r\ntime_s\n0.5\n\n0.7x\n0.9\n",
            5,
            "time",
            r"not a number.*Found: '0\.7x'.*What to do: mend the cell",
        ),
        ("time_s\n0.5\n0,7\n0.9\n1.1\n", 3, "time", r"write every number with '\.' as the decimal sign"),
        ("time_s;beam\n0.5;1\n0.7;0;7\n0.9;1\n", 3, 3, r"This row has 3 cells where the others have 2.*'7'"),
        ("n;time_s\n1;0,5\n2;0.7\n3;0,9\n", 3, "time", "write every number with ',' as the decimal sign"),
        ("time_s\n0.5\nNaN\n0.9\n1.1\n", 3, "time", "not a number.*'NaN'.*take this row out"),
        ("time_s\n0.5\n0.7\n0.9\ninf\n", 5, "time", "not a number.*'inf'"),
        ("0.5x\n0.7\n0.9\n", 1, 1, r"not a number.*'0\.5x'"),
        ("a;b\n0,5;1,5\n0,7;\n0,9;1,9\n", 3, "b", "empty cell within a run.*fill it in"),
        (
            "time_s\n0.5\n0.7\n0.6\n0.9\n",
            4,
            "time",
            r"clock steps back here.*0\.6 after 0\.7.*give each run a file",
        ),
        ("time_s\n0.5\n0.7\n0.7\n0.9\n", 4, "time", "This time stands here twice"),
        ("time_us\n4294700000\n4294950000\n230000\n", 4, "time", "32-bit clock ran over.*71.6 minutes"),
        ("1.1\n1.3\n1.5\n1.7\n1.9\n0.2\n0.4\n", 6, 1, "clock steps back.*content='periods'"),
        ("period_s\n0.5\n-0.7\n0.6\n", 3, "period", "turn period must be more than 0"),
        ("time,beam\n0.5,1\n0.6,2\n0.7,0\n", 3, "beam", "beam state must be 0 or 1.*Found: 2"),
        ("time,beam\n0.5,1\n0.4,0\n0.7,1\n", 3, "time", "clock steps back"),
        ("magnets,time\n3,0.5\n3,0.6\n3,0.7\n,0.8\n3,0.9\n", 5, "magnets", "This cell is empty"),
        (
            "trial,time\n1,0.5\n1,0.6\n1.5,0.7\n1.5,0.8\n",
            4,
            "trial",
            "A trial must be a whole number of at least 1",
        ),
        ("0.5 1\n0.7 0\n0.9\n1.1 1\n", 3, 2, "fewer numbers than the others.*tabs, commas or semicolons"),
    ],
)
def test_errors_name_the_row_and_the_column(tmp_path, text, row, column, message):
    path = written(tmp_path, text)
    with pytest.raises(KitError, match=message) as caught:
        read_log(path)
    assert (caught.value.file, caught.value.row, caught.value.column) == (str(path), row, column)


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
        (b"time (min)\n0.5\n0.6\n0.7\n", "unit of the time is not one of s, ms, us.*'min'"),
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


def test_missing_files_and_folders(tmp_path):
    with pytest.raises(KitError, match="There is no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(KitError, match=r"This is a folder, not a file.*read_folder"):
        read_log(tmp_path)
    with pytest.raises(KitError, match="There is no such folder"):
        read_folder(tmp_path / "none")


def test_an_absurd_size_is_refused_before_reading(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(600_000_000)  # a hole: takes no room on the disk
    with pytest.raises(KitError, match=r"too large for a gate log.*600 MB"):
        read_log(path)


# --- folders -------------------------------------------------------------------------------------


def numbers(times: list[float]) -> str:
    return "time_s\n" + "\n".join(map(str, times))


def test_a_folder_with_a_list_of_runs(tmp_path):
    (tmp_path / "passes").mkdir()
    written(tmp_path, numbers(A), "passes/a.csv")
    written(tmp_path, numbers(B), "b.txt")
    written(tmp_path, "magnets,duration\n3,9\n", "hand_counts.csv")
    written(
        tmp_path,
        "# our session\nfile;magnets;hub;trial;flags_per_turn;sound;set_aside;note\n"
        "passes/a.csv;1,5;dry;1;2;a.wav;;\nb.txt;3;oiled;2;;;touched;windy; indeed\n".replace(
            "windy; indeed", '"windy; indeed"'
        ),
        "runs.csv",
    )
    one, two = read_folder(tmp_path)
    assert (one.conditions, one.trial, one.flags_per_turn, one.sound, one.set_aside) == (
        {"magnets": 1.5, "hub": "dry"},
        1,
        2,
        "a.wav",
        "",
    )
    assert (two.conditions, two.trial, two.flags_per_turn, two.set_aside, two.note) == (
        {"magnets": 3.0, "hub": "oiled"},
        2,
        1,
        "touched",
        "windy; indeed",
    )
    assert (one.source, two.source) == ("passes/a.csv", "b.txt")
    assert one.pass_times_s.tolist() == A


def test_a_folder_in_which_the_names_say_it(tmp_path):
    written(tmp_path, numbers(A), "tilt-1.5_magnets-10_trial-1.txt")
    written(tmp_path, numbers(B), "tilt-1.5_magnets-9_trial-2.csv")
    written(tmp_path, numbers(C), "tilt-0_magnets-9_trial-2.tsv")
    written(tmp_path, "x", ".hidden.csv")
    assert [(r.conditions, r.trial) for r in read_folder(tmp_path)] == [
        ({"tilt": 0.0, "magnets": 9.0}, 2),
        ({"tilt": 1.5, "magnets": 9.0}, 2),
        ({"tilt": 1.5, "magnets": 10.0}, 1),
    ]


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


def test_trials_are_numbered_where_the_list_does_not(tmp_path):
    for name in ("a", "b", "c"):
        written(tmp_path, numbers(A), f"{name}.csv")
    written(tmp_path, "file,magnets\na.csv,3\nb.csv,3\nc.csv,4\n", "runs.csv")
    assert [r.trial for r in read_folder(tmp_path)] == [1, 2, 1]


def test_a_listed_file_may_hold_several_trials(tmp_path):
    written(tmp_path, (LOGS / "wide_ragged.csv").read_bytes(), "a.csv")
    written(tmp_path, "file,magnets\na.csv,3\n", "runs.csv")
    runs = read_folder(tmp_path)
    assert [(r.conditions, r.trial) for r in runs] == [({"magnets": 3.0}, k) for k in (1, 2, 3)]


@pytest.mark.parametrize(
    ("listing", "row", "column", "message"),
    [
        ("file,magnets\na.csv,3\nx.csv,4\n", 3, "file", "This file is missing.*'x.csv'"),
        ("file,magnets\na.csv,3\na.csv,4\n", 3, "file", "named twice.*row 2"),
        ("file,magnets\n../a.csv,3\n", 2, "file", "must be in this folder"),
        ("file,magnets\n/etc/passwd,3\n", 2, "file", "must be in this folder"),
        ("file,magnets\na.csv,\n", 2, "magnets", "This condition is empty"),
        ("file,magnets,trial\na.csv,3,first\n", 2, "trial", "trial must be a whole number.*'first'"),
        ("file,flags_per_turn\na.csv,0\n", 2, "flags_per_turn", "whole number of at least 1"),
        ("file,magnets\n,3\n", 2, "file", "A run needs a file"),
        ("file,note\na.csv,windy, and cold\n", 2, 3, "more cells than the header.*quotes"),
        ("log,magnets\na.csv,3\n", 1, None, "no column 'file'"),
        ("file,magnets,magnets\na.csv,3,4\n", 1, 3, "name of its own"),
    ],
)
def test_errors_in_the_list_name_the_row(tmp_path, listing, row, column, message):
    written(tmp_path, numbers(A), "a.csv")
    path = written(tmp_path, listing, "runs.csv")
    with pytest.raises(KitError, match=message) as caught:
        read_folder(tmp_path)
    assert (caught.value.file, caught.value.row, caught.value.column) == (str(path), row, column)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["notes.txt"], "does not say which run it is.*magnets-3_trial-2.csv"),
        (["magnets-3_trial-1.csv", "magnets-3_tilt-1_trial-1.csv"], "do not name the same conditions"),
        (["magnets-3_trial-1.csv", "magnets-3.0_trial-1.csv"], "same conditions and the same trial number"),
        ([], "no gate logs in this folder"),
    ],
)
def test_errors_in_a_folder_without_a_list(tmp_path, names, message):
    for name in names:
        written(tmp_path, numbers(A), name)
    with pytest.raises(KitError, match=message):
        read_folder(tmp_path)


def test_an_error_in_one_log_of_a_folder_names_that_log(tmp_path):
    path = written(tmp_path, "time_s\n0.5\nx\n0.7\n", "magnets-3_trial-1.csv")
    with pytest.raises(KitError, match="row 3") as caught:
        read_folder(tmp_path)
    assert caught.value.file == str(path)


# --- several runs in one file --------------------------------------------------------------------


def spin_down(start_s: float, turns: int = 30, push: bool = True) -> np.ndarray:
    """A push over three turns to 5 turns/s, then drag in proportion to speed down to about 0.4 turns/s."""
    pushed = 1.2 * np.sqrt(np.arange(3) / 3) if push else np.zeros(0)
    k = 4.6 / turns
    return start_s + np.concatenate((pushed, 1.2 - np.log1p(-k * np.arange(turns) / 5.0) / k))


def test_splits_are_proposed_where_somebody_pushed_again():
    first, second, third = spin_down(0.0), spin_down(25.0, 40), spin_down(60.0, 20)
    run = Run(np.concatenate((first, second, third)), conditions={"magnets": 2.0}, source="all.csv")
    cuts = split_proposal(run)
    assert cuts == [len(first), len(first) + len(second)]
    parts = split(run, cuts)
    for part, times in zip(parts, (first, second, third), strict=True):
        assert np.array_equal(part.pass_times_s, times)
    assert [p.trial for p in parts] == [1, 2, 3]
    assert [p.source for p in parts] == ["all.csv, part 1", "all.csv, part 2", "all.csv, part 3"]
    assert all(p.conditions == {"magnets": 2.0} for p in parts)


def test_bounces_and_misses_call_for_no_split():
    times = np.delete(spin_down(0.0, 60), [12, 30, 31, 45])
    times = np.sort(np.concatenate((times, times[[5, 20, 33]] + 0.006)))
    assert split_proposal(Run(times)) == []
    assert split_proposal(with_repairs(Run(times))) == []
    assert split_proposal(Run(A)) == []


def test_a_split_is_found_among_bounces_and_misses_and_refusals_are_kept():
    first, second = np.delete(spin_down(0.0, 40), 20), np.delete(spin_down(30.0, 40), 15)
    times = np.sort(np.concatenate((first, second, [first[10] + 0.005])))
    run = with_repairs(Run(times))
    bounce = next(i for i, r in enumerate(run.repairs) if r.kind == "bounce")
    run = refuse(run, bounce)
    one, two = split(run, split_proposal(run))
    assert np.array_equal(two.pass_times_s, second)
    assert [(r.kind, r.accepted) for r in one.repairs] == [("bounce", False), ("missed", True)]
    assert [(r.kind, r.passes) for r in two.repairs] == [("missed", 1)]
    assert counted_passes(two)[1][-1] == 42


@pytest.mark.parametrize("cut", [0, 12, -1])
def test_a_cut_must_lie_within_the_run(cut):
    with pytest.raises(KitError, match=r"cut must lie within the run.*from 1 to 11"):
        split(Run(A), [cut])


def test_the_place_in_the_session_is_no_condition(tmp_path):
    (tmp_path / "a.csv").write_text("0.1\n0.5\n1.0\n1.7\n")
    (tmp_path / "runs.csv").write_text("file,pads,trial,order\na.csv,3,1,7\n")
    (run,) = read_folder(tmp_path)
    assert run.order == 7
    assert run.conditions == {"pads": 3.0}
    (tmp_path / "runs.csv").write_text("file,pads,trial,order\na.csv,3,1,first\n")
    with pytest.raises(KitError, match="order must be a whole number"):
        read_folder(tmp_path)


# --- found by fuzzing ----------------------------------------------------------------------------


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


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,time_s\n1," + "9" * 140_000 + "\n1,2\n1,3\n", "do not begin near the top"),
        (",520\n1.757\n2,006\n2,271\n2,556\n2,868\n3,221\n", "not a number"),
        ("0.1\n0.2\n0.3\n" + "9" * 5000 + "x\n0.4\n", "row 4, column 1: This is not a number"),
        ("0.0\n1e-320\n1.0\n2.0\n", "not later than the pass before"),
        ("time_s\n0.1\n0.2\n1e308\n", "Pass 3 has no usable time"),
    ],
)
def test_what_is_refused(tmp_path, text, message):
    with pytest.raises(KitError, match=message):
        read_log(written(tmp_path, text))


def test_headings_without_end_are_read(tmp_path):
    brackets = "(" * 3000
    (run,) = read_log(written(tmp_path, f"time_s;{brackets}\n" + "".join(f"{t};1\n" for t in A), "a.csv"))
    assert run.pass_times_s.tolist() == A
    runs = read_log(written(tmp_path, f"left,right trial {'9' * 5000}\n" + "".join(f"{t},{t}\n" for t in A), "b.csv"))
    assert [run.trial for run in runs] == [1, 2]


def test_a_number_that_nothing_can_hold_stays_a_word(tmp_path):
    assert conditions_from_name(f"magnets-{'9' * 400}") == ({"magnets": "9" * 400}, None)
    assert conditions_from_name(f"magnets-1_trial-{'9' * 400}") is None


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("x" * 300 + ".csv,2,1,1", "row 2, column file: This file is missing"),
        ("a\0b.csv,2,1,1", "This is not a text file|column file: This file is missing"),
        (f"log.csv,2,{'9' * 5000},1", "column trial: trial must be a whole number"),
        ("log.csv,2,1,100000000", "at most 10,000 flags a turn|flags_per_turn must be"),
        (f'"{"x" * 140_000}",2,1,1', "cannot be read from here on"),
    ],
)
def test_lists_of_runs_that_are_refused(tmp_path, row, message):
    written(tmp_path, "".join(f"{t}\n" for t in A))
    written(tmp_path, f"file,magnets,trial,flags_per_turn\n{row}\n", "runs.csv")
    with pytest.raises(KitError, match=message):
        read_folder(tmp_path)
