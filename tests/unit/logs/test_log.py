"""One gate log: what is found out, previews, and what is said of a log that cannot be read."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.logs.folder import read_folder
from kit.logs.log import log_text, preview, read_log
from kit.logs.run import Run
from tests.unit.logs.made import LOGS, C, written

# --- what is found and what is said ----------------------------------------------------------------------------------


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


def test_repairs_are_found_unless_left_out(tmp_path):
    times = [0.1, 0.3, 0.306, 0.5, 0.7, 0.9, 1.3, 1.5, 1.7, 1.9]
    path = written(tmp_path, "\n".join(map(str, times)))
    assert [(r.kind, r.index) for r in read_log(path)[0].repairs] == [("bounce", 2), ("missed", 6)]
    (run,) = read_log(path, repairs=False)
    assert run.repairs == ()
    assert run.pass_times_s.tolist() == times


# --- preview, many passes --------------------------------------------------------------------------------------------


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


@pytest.mark.slow
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


# --- errors name file, row, column, what was found, what to do -------------------------------------------------------


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
        ("time_us\n94700000\n94950000\n230000\n", 4, "time", "clock steps back"),
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


def test_missing_files_and_folders(tmp_path):
    with pytest.raises(KitError, match="There is no such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(KitError, match=r"This is a folder, not a file.*read_folder"):
        read_log(tmp_path)
    with pytest.raises(KitError, match="There is no such folder"):
        read_folder(tmp_path / "none")


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


# --- writing ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("places", "time"), [(None, 1 / 3), (5, 0.33333)])
def test_a_log_is_written_with_its_remarks_and_read_again(tmp_path, places, time):
    text = log_text(Run([0.1, 1 / 3, 2.0]), "invented", "magnets = 2", places=places)
    assert text.startswith("# invented\n# magnets = 2\ntime (s)\n0.1")
    assert read_log(written(tmp_path, text))[0].pass_times_s.tolist() == [0.1, time, 2.0]
