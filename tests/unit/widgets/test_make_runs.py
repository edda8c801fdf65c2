"""The page for runs of the group's own: every way ends in the workbook, and is there again."""

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from kit.lessons.lesson import load_lesson
from kit.logs.folder import read_folder
from kit.record.workbook import Workbook
from kit.widgets.make_runs import MakeRuns, zipped

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
TIMES = 0.5 * np.arange(40) ** 1.2


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def make(workbook):
    return MakeRuns(load_lesson(DEMO), workbook)


def push(bench, value, number):
    bench.value = value
    bench.push()
    return bench.keep(number)


def test_a_push_that_is_kept_is_a_run_of_the_group(make):
    view = make.runs()
    said = push(make.bench(), 2.0, 1)
    (run,) = make.own.runs
    assert said == "Kept: number of magnets 2, trial 1."
    assert (run.origin, run.conditions) == ("bench", {"magnets": 2.0})
    assert "virtual bench" in view.table.value


def test_pushes_are_there_again_whether_kept_or_not(make, workbook):
    bench = make.bench()
    push(bench, 2.0, 1)
    bench.push()
    again = MakeRuns(make.lesson, workbook).bench()
    assert set(again.spins) == {1, 2}
    assert again.kept == {1}
    for number, spin in bench.spins.items():
        assert np.array_equal(spin.run.pass_times_s, again.spins[number].run.pass_times_s)


def test_two_groups_make_different_runs(tmp_path):
    times = []
    for name in "ab":
        book = Workbook(tmp_path / f"{name}.jsonl")
        book.choose_code(f"group-{name}")
        times.append(MakeRuns(load_lesson(DEMO), book).bench().push().run.pass_times_s)
    assert not np.array_equal(*times)


def test_the_code_of_the_first_push_stays_when_the_group_chooses_another_name(make, workbook):
    first = make.bench().push().run.pass_times_s
    workbook.choose_code("new-name-1")
    assert np.array_equal(make.bench().spins[1].run.pass_times_s, first)


def test_taps_and_a_gate_are_kept_by_the_same_door(make):
    for origin, widget in (("taps", make.taps()), ("gate", make.live_gate())):
        assert (
            widget._on_keep(TIMES, {"magnets": 3.0}, "slow")
            == f"Kept: number of magnets 3, trial {1 + (origin == 'gate')}."
        )
    assert [run.origin for run in make.own.runs] == ["taps", "gate"]
    assert make.sources().boxes.keys() == {"lesson", "gate", "taps"}


def test_lists_on_the_page_follow(make):
    view, sources = make.runs(), make.sources()
    assert "None so far" in view.table.value
    make.taps()._on_keep(TIMES, {"magnets": 3.0}, "")
    assert "tapped by hand" in view.table.value
    assert "taps" in sources.boxes


def test_all_runs_can_be_taken_away_as_files_and_read_again(make, tmp_path):
    bench = make.bench()
    push(bench, 2.0, 1)
    bench.tilt_deg = 3.0
    push(bench, 4.0, 2)
    view = make.runs()
    view.save_button.click()
    assert view.message.text.startswith("2 runs are in the file")
    assert 'download="runs_coasting_disc.zip"' in view.links.value
    zipfile.ZipFile(io.BytesIO(zipped(make.own.runs))).extractall(tmp_path)
    again = [*read_folder(tmp_path / "magnets"), *read_folder(tmp_path / "magnets_tilt_deg")]
    for old, new in zip(make.own.runs, again, strict=True):
        assert np.array_equal(old.pass_times_s, new.pass_times_s)
        assert old.conditions == new.conditions
