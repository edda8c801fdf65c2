"""Folders of logs, read and written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kit.errors import AmbiguousLog, KitError
from kit.logs.folder import read_folder, runs_list, write_folder
from kit.logs.run import Run
from tests.unit.logs.made import LOGS, A, B, C, written

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
TIMES = 0.2 * np.arange(40) ** 1.1


# --- what a list or the names say ------------------------------------------------------------------------------------


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


def test_the_place_in_the_session_is_no_condition(tmp_path):
    (tmp_path / "a.csv").write_text("0.1\n0.5\n1.0\n1.7\n")
    (tmp_path / "runs.csv").write_text("file,pads,trial,order\na.csv,3,1,7\n")
    (run,) = read_folder(tmp_path)
    assert run.order == 7
    assert run.conditions == {"pads": 3.0}
    (tmp_path / "runs.csv").write_text("file,pads,trial,order\na.csv,3,1,first\n")
    with pytest.raises(KitError, match="order must be a whole number"):
        read_folder(tmp_path)


# --- errors ----------------------------------------------------------------------------------------------------------


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
        ("file,timing_u_s\na.csv,-0.1\n", 2, "timing_u_s", "timing_u_s must be a number of seconds.*-0.1"),
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


# --- writing ---------------------------------------------------------------------------------------------------------


class TestWriting:
    def test_a_folder_reads_back_as_the_same_runs(self, tmp_path):
        runs = [replace(run, origin="lesson") for run in read_folder(DEMO)]
        runs[2] = replace(runs[2], timing_u_s=0.0035)  # as of a table of speeds; its passes alone would not tell
        write_folder(runs, tmp_path / "data")
        again = read_folder(tmp_path / "data")
        assert len(again) == len(runs)
        for old, new in zip(runs, again, strict=True):
            assert np.array_equal(old.pass_times_s, new.pass_times_s)
            for name in (
                "conditions",
                "trial",
                "origin",
                "flags_per_turn",
                "timing_u_s",
                "set_aside",
                "note",
                "repairs",
            ):
                assert getattr(old, name) == getattr(new, name), name

    @pytest.mark.parametrize(
        ("runs", "message"),
        [([], "no runs"), ([Run(TIMES, {"a": 1}), Run(TIMES, {"b": 1})], "do not name the same conditions")],
    )
    def test_what_makes_no_folder(self, tmp_path, runs, message):
        with pytest.raises(KitError, match=message):
            write_folder(runs, tmp_path / "data")
        assert not (tmp_path / "data").exists()

    def test_a_place_that_cannot_be_written_to_is_named(self, tmp_path):
        (tmp_path / "data").write_text("a file, not a folder")
        with pytest.raises(KitError, match=r"data: The files were not written: .*use another folder"):
            write_folder([Run(TIMES, {"a": 1})], tmp_path / "data")

    def test_recordings_and_the_place_in_the_session_stand_in_a_list_that_asks_for_them(self):
        heard = Run(TIMES, {"a": 1, "hub": "dry"}, source="a.csv", sound="a.wav", sound_start_s=1.5, order=2)
        text = runs_list(
            [heard, replace(heard, source="b.csv", sound="")], "invented", ("order", "sound", "sound_start_s")
        )
        assert text == (
            "# invented\nfile,a,hub,order,sound,sound_start_s\na.csv,1,dry,2,a.wav,1.500\nb.csv,1,dry,2,,\n"
        )

    def test_nothing_is_overwritten(self, tmp_path):
        write_folder([Run(TIMES, {"a": 1})], tmp_path)
        before = {path: path.read_bytes() for path in tmp_path.rglob("*.csv")}
        with pytest.raises(KitError, match="there already"):
            write_folder([Run(2 * TIMES, {"a": 1})], tmp_path)
        assert {path: path.read_bytes() for path in tmp_path.rglob("*.csv")} == before


def test_a_folder_of_logs_without_units_has_one_unit(tmp_path):
    """A wheel with eight flags in ms without a heading: alone, a slow log could be read in another unit than a fast."""
    fast, slow = (np.cumsum(np.linspace(first, last, 60)).astype(int) for first, last in ((24, 130), (700, 9000)))
    for trial, ticks in ((1, fast), (2, slow)):
        (tmp_path / f"magnets-3_trial-{trial}.txt").write_text("".join(f"{t}\n" for t in ticks))
    one, two = read_folder(tmp_path, repairs=False, flags_per_turn=8)
    assert (one.pass_times_s.tolist(), two.pass_times_s.tolist()) == ((fast / 1e3).tolist(), (slow / 1e3).tolist())
    assert one.read_as == "pass times in ms (the unit by their size), one channel, 8 flags a turn"


def test_what_a_folder_leaves_open_is_asked_and_can_be_said(tmp_path):
    (tmp_path / "n-1_trial-1.txt").write_text("".join(f"{t}\n" for t in np.cumsum(np.arange(2000, 9000, 300)) + 10**7))
    with pytest.raises(AmbiguousLog, match=r"unit='ms'") as asked:
        read_folder(tmp_path)
    assert {"unit": "ms"} in asked.value.options.values()
    (run,) = read_folder(tmp_path, unit="ms")
    assert run.pass_times_s[0] == 10_002


# --- where the logs lie ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("logs", "listing", "named"),
    [
        ("passes/magnets-{}_trial-1.csv", None, "."),
        ("our day/session 2/magnets-{}_trial-1.csv", None, "."),
        ("magnets-{}/trial-1.csv", None, "."),
        ("passes/{}.csv", ("runs.csv", "passes/{}.csv"), "."),  # above the logs, with their way
        ("passes/{}.csv", ("runs.csv", "{}.csv"), "."),  # above the logs, without
        ("passes/{}.csv", ("runs.csv", "passes/{}.csv"), "passes"),  # the logs named, the list above
        ("passes/{}.csv", ("passes/runs.csv", "{}.csv"), "."),  # beside the logs, the folder above named
        (
            "passes/{}.csv",
            ("passes/runs.csv", "passes/{}.csv"),
            "passes",
        ),  # beside them, with a way that is one too long
        ("{}.csv", ("runs.csv", "{}.csv"), "runs.csv"),  # the list itself named
    ],
)
def test_logs_are_found_with_the_list_beside_or_above_them_or_without(tmp_path, logs, listing, named):
    for magnets, times in ((2, A), (4, B)):
        path = tmp_path / logs.format(magnets)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(numbers(times))
    if listing:
        name, way = listing
        rows = [f"{way.format(magnets)},{magnets}" for magnets in (2, 4)]
        (tmp_path / name).write_text("\n".join(["file,magnets", *rows]))
    runs = read_folder(tmp_path / named)
    assert [(run.conditions, run.pass_times_s.tolist()) for run in runs] == [
        ({"magnets": 2.0}, A),
        ({"magnets": 4.0}, B),
    ]


def test_one_log_named_is_read_alone_with_what_the_list_says_of_it(tmp_path):
    for name in ("a.csv", "b.csv"):
        written(tmp_path, numbers(A), name)
    assert read_folder(tmp_path / "a.csv")[0].conditions == {}
    written(tmp_path, "file,magnets\na.csv,3\nb.csv,4\n", "runs.csv")
    assert [run.conditions for run in read_folder(tmp_path / "b.csv")] == [{"magnets": 4.0}]


def test_sets_below_are_not_mixed(tmp_path):
    for part in ("one", "two"):
        (tmp_path / part).mkdir()
        written(tmp_path, numbers(A), f"{part}/a.csv")
        written(tmp_path, "file,magnets\na.csv,3\n", f"{part}/runs.csv")
    with pytest.raises(KitError, match=r"several sets of runs below.*one, two.*name one"):
        read_folder(tmp_path)
    (tmp_path / "passes").mkdir()
    written(tmp_path, numbers(B), "passes/magnets-5_trial-1.csv")
    assert [run.conditions for run in read_folder(tmp_path)] == [{"magnets": 5.0}]  # the others have lists of their own


def test_a_bad_log_is_named_and_the_others_are_read(tmp_path):
    for trial in (1, 2):
        written(tmp_path, numbers(A), f"magnets-3_trial-{trial}.csv")
    written(tmp_path, "time_s\n0.1\n0.3\nx\n0.9\n", "magnets-3_trial-3.csv")
    with pytest.raises(KitError, match="magnets-3_trial-3"):
        read_folder(tmp_path)
    refused: list[KitError] = []
    assert [run.trial for run in read_folder(tmp_path, refused=refused)] == [1, 2]
    assert [(Path(error.file).name, error.row) for error in refused] == [("magnets-3_trial-3.csv", 4)]
    for trial in (1, 2):
        (tmp_path / f"magnets-3_trial-{trial}.csv").unlink()
    with pytest.raises(KitError, match="magnets-3_trial-3"):  # nothing is left
        read_folder(tmp_path, refused=[])
