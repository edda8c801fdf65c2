"""Runs of the group's own, driven in-process: every way ends in the workbook, and is there again."""

import io
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kit.lessons.lesson import load_lesson
from kit.logs.folder import read_folder
from kit.logs.run import Run
from kit.record.workbook import Workbook
from kit.sound.recording import write_wav
from kit.widgets.make_runs import AddFiles, MakeRuns, keep_file, zipped
from kit.widgets.stage import Stage
from tests.reference.rendered import Exact, sound_of
from tests.sealed import seal_predictions

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
TIMES = 0.5 * np.arange(40) ** 1.2


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def make(workbook):
    lesson = load_lesson(DEMO)
    seal_predictions(workbook, lesson)
    return MakeRuns(lesson, workbook)


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
        seal_predictions(book, load_lesson(DEMO))
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


def test_what_the_page_heard_and_saw_is_kept_with_its_uncertainty(make, workbook):
    for widget, u_s in ((make.microphone(), 0.0), (make.camera(), 0.004)):
        run = Run(TIMES, {"magnets": 3.0}, flags_per_turn=2, timing_u_s=u_s)
        assert widget._on_keep(run, "a door fell shut").startswith("Kept: number of magnets 3, trial")
    again = MakeRuns(make.lesson, Workbook(workbook.path)).own.runs  # as it stands on the disk
    assert [(run.origin, run.timing_u_s, run.flags_per_turn) for run in again] == [
        ("clicks", 0, 2),
        ("camera", 0.004, 2),
    ]
    assert again[1].note == "a door fell shut"
    assert make.sources().boxes.keys() == {"lesson", "clicks", "camera"}


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


# --- files and sources ---------------------------------------------------------------------------------------------


FILE_TIMES = 0.2 * np.arange(60) ** 1.1


def log(times, scale=1.0):
    return ("time\n" + "".join(f"{t * scale:.4f}\n" for t in times)).encode()


@pytest.fixture
def stage(tmp_path):
    return Stage(load_lesson(DEMO), "measure", Workbook(tmp_path / "group.jsonl"))


@pytest.fixture
def adding(stage):
    seal_predictions(stage.workbook, stage.lesson)
    return MakeRuns(stage.lesson, stage.workbook).add_files()


def uploaded(*files):
    when = datetime(2026, 1, 1, tzinfo=UTC)
    return tuple(
        {"name": name, "type": "", "size": len(data), "content": memoryview(data), "last_modified": when}
        for name, data in files
    )


def test_several_files_at_once_become_runs_of_the_group(adding, stage):
    adding.upload.value = uploaded(("magnets-3_trial-1.csv", log(FILE_TIMES)), ("second.csv", log(FILE_TIMES)))
    named, unnamed = adding.files.children
    assert "2 files read" in adding.message.text
    assert "pass times" in named.read_as.text
    named.keep_button.click()
    assert named.message.text == "Kept: number of magnets 3, trial 1."
    unnamed.keep_button.click()
    assert "Say which number of magnets it was" in unnamed.message.text
    unnamed.conditions[0].value = "3"
    unnamed.keep_button.click()
    assert "trial 2" in unnamed.message.text
    runs = stage.progress.own.runs
    assert [(run.origin, run.conditions["magnets"]) for run in runs] == [("file", 3.0), ("file", 3.0)]
    assert np.allclose(runs[0].pass_times_s, FILE_TIMES, atol=1e-4)
    assert f"Read as: {runs[0].read_as}." in named.read_as.text


def test_the_uncertainty_of_a_table_of_speeds_is_kept_with_its_run(adding, stage):
    lines = [f"{t:.2f},{60 * (5 - 0.2 * t):.1f}" for t in np.arange(0, 21, 0.2)]
    card = adding.add("magnets-3.csv", "\n".join(["time (s),speed (rpm)", *lines]).encode())
    card.keep_button.click()
    (run,) = stage.progress.own.runs
    assert run.timing_u_s == card.runs[0].timing_u_s > 0


def test_the_clicks_of_a_recording_become_a_run_of_the_group(adding, stage, tmp_path):
    true_s = 0.4 + Exact("linear", 20).passes_s()
    sound = write_wav(tmp_path / "phone.wav", sound_of(np.random.default_rng(3), true_s, 26, 22_050), 22_050)
    adding.upload.value = uploaded(("phone.wav", sound.read_bytes()))
    (card,) = adding.files.children
    assert (adding.folder / "phone.wav").read_bytes() == sound.read_bytes()
    as_run = card.children[1]
    as_run._value.value = 8
    as_run._button.click()
    assert as_run.say.text == "Kept: number of magnets 8, trial 1."
    (run,) = stage.progress.own.runs
    assert (run.origin, dict(run.conditions)) == ("clicks", {"magnets": 8})
    assert run.pass_times_s == pytest.approx(true_s, abs=0.002)
    assert "From the recording phone.wav. Timed by clicks" in run.note


def test_the_unit_can_be_said(adding):
    card = adding.add("a.csv", log(FILE_TIMES, 1e3))
    first = card.runs[0].pass_times_s[-1]
    card.unit.value = "seconds"
    assert card.runs[0].pass_times_s[-1] == pytest.approx(1e3 * first)


def test_a_file_of_two_runs_is_cut_only_where_the_person_says_so(adding, stage):
    card = adding.add("two.csv", log(np.r_[FILE_TIMES, FILE_TIMES + FILE_TIMES[-1] + 8]))
    assert card.cut.layout.display == ""
    assert len(card.runs) == 1
    card.cut.value = True
    assert [len(run.pass_times_s) for run in card.runs] == [60, 60]
    for field, n in zip(card.conditions, ("1", "2"), strict=True):
        field.value = n
    card.boxes[1].value = False
    card.keep_button.click()
    assert [run.conditions for run in stage.progress.own.runs] == [{"magnets": 1.0}]


def test_a_file_that_is_no_log_is_named_and_kept(adding):
    card = adding.add("notes.txt", b"we went home\n")
    assert card.read_as.problem
    assert "notes.txt" in card.read_as.text
    assert card.keep_button.disabled
    assert card.path.read_bytes() == b"we went home\n"


def test_nothing_is_overwritten(tmp_path):
    first = keep_file(tmp_path, "a.csv", b"1")
    assert keep_file(tmp_path, "a.csv", b"1") == first
    assert keep_file(tmp_path, "a.csv", b"2").name == "a_2.csv"
    assert keep_file(tmp_path, r"..\..\b.csv", b"3") == tmp_path / "b.csv"
    assert keep_file(tmp_path, "../c.csv", b"4") == tmp_path / "c.csv"
    assert first.read_bytes() == b"1"


def test_keeping_that_fails_says_so(tmp_path):
    def refuse(run: Run) -> Run:
        from kit.errors import KitError

        raise KitError("The disk is full")

    card = AddFiles(tmp_path, "n", "n", refuse).add("n-1_trial-1.csv", log(FILE_TIMES))
    card.keep_button.click()
    assert "Not kept. The disk is full" in card.message.text
    assert not card.keep_button.disabled


class TestSources:
    def test_there_is_nothing_to_choose_before_the_group_has_runs(self, stage):
        assert list(stage.sources().boxes) == ["lesson"]

    def test_the_choice_is_saved_and_there_again(self, stage):
        stage.progress.own.add(FILE_TIMES, {"magnets": 1.0}, "gate")
        view = stage.sources()
        view.boxes["gate"].value = True
        view.use_button.click()
        assert view.message.text.startswith("Saved. From now on you use the lesson's runs and live gate.")
        assert stage.sources().boxes["gate"].value
        for box in view.boxes.values():
            box.value = False
        view.use_button.click()
        assert view.message.text.startswith("Choose at least one")


def test_how_many_runs_is_decided_before_and_kept(make, workbook):
    box = make.plan()
    box.text.value = "4 settings, 3 runs each, 20 minutes"
    box.save_button.click()
    assert workbook.latest("observation:trials") == "4 settings, 3 runs each, 20 minutes"
