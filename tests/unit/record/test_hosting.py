"""What a hosted copy says about its idle stop, and the workbook as a file that outlives the machine."""

from base64 import b64decode
from pathlib import Path

import pytest

from kit.lessons.lesson import load_lesson
from kit.record import hosting
from kit.record.workbook import Workbook
from kit.widgets.hand_in import UPLOAD_LIMIT, WorkbookFile
from kit.widgets.stage import Stage

THROWN_AWAY = {"BINDER_LAUNCH_HOST": "https://hosting.example/"}
WITH_ACCOUNTS = {"JUPYTERHUB_SERVICE_PREFIX": "/user/silver-otter/"}


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(Path(__file__).parents[3] / "datasets_demo" / "coasting_disc")


@pytest.fixture
def own_machine(monkeypatch):
    for name in (*THROWN_AWAY, *WITH_ACCOUNTS, "KIT_IDLE_MINUTES", "KIT_HANDIN_FOLDER"):
        monkeypatch.delenv(name, raising=False)
    return monkeypatch


def words(widget):
    """All text on the page of a widget."""
    own = " ".join(str(getattr(widget, name, "")) for name in ("value", "description", "text"))
    return " ".join([own, *map(words, getattr(widget, "children", ()))])


def parts_of(widget, kind):
    """All parts of a widget that are of one kind."""
    below = [part for child in getattr(widget, "children", ()) for part in parts_of(child, kind)]
    return [widget, *below] if isinstance(widget, kind) else below


def carried_by(link):
    """The bytes that a download link carries."""
    return b64decode(link.value.partition("base64,")[2].partition('"')[0])


def choose(upload, data, size=None):
    """Choose a file, as a browser sends it."""
    file = {"name": "w.jsonl", "type": "", "size": len(data) if size is None else size, "last_modified": 0}
    upload.set_state({"value": [file | {"content": data}]})


@pytest.mark.parametrize(
    ("environment", "hosted", "says"),
    [
        ({}, False, ""),
        ({"BINDER_LAUNCH_HOST": ""}, False, ""),
        (THROWN_AWAY, True, "after some minutes without work. Then all its files are gone. Download your workbook"),
        (WITH_ACCOUNTS, True, "Your workbook should still be there when you come back. Download it before a break"),
        (THROWN_AWAY | WITH_ACCOUNTS, True, "Then all its files are gone."),
        (WITH_ACCOUNTS | {"KIT_IDLE_MINUTES": "45"}, True, "It stops after 45 minutes without work."),
        (WITH_ACCOUNTS | {"KIT_IDLE_MINUTES": "<b>soon"}, True, "after some minutes without work."),
    ],
)
def test_what_a_hosted_machine_says_before_it_stops(environment, hosted, says):
    assert hosting.is_hosted(environment) is hosted
    notice = hosting.idle_notice(environment)
    assert says in notice and bool(notice) is hosted


def test_on_a_machine_of_ones_own_a_stage_says_nothing_of_it(own_machine, lesson, tmp_path):
    welcome = Stage(lesson, "measure", Workbook(tmp_path / "w.jsonl")).welcome()
    assert "hosted" not in words(welcome)
    assert parts_of(welcome, WorkbookFile) == []


@pytest.mark.parametrize("name", ["predict", "measure", "average", "trend", "explain"])
def test_every_stage_of_a_hosted_copy_says_it_first_and_has_the_file_at_its_top(own_machine, lesson, tmp_path, name):
    own_machine.setenv(*next(iter(THROWN_AWAY.items())))
    welcome = Stage(lesson, name, Workbook(tmp_path / "w.jsonl")).welcome()
    assert "all its files are gone" in words(welcome)
    assert len(parts_of(welcome, WorkbookFile)) == 1


def test_resumed_from_the_downloaded_file_after_the_disk_was_thrown_away(own_machine, lesson, tmp_path):
    own_machine.setenv(*next(iter(THROWN_AWAY.items())))
    first = Stage(lesson, "predict", Workbook(tmp_path / "first" / "w.jsonl"))
    card = first.prediction("two-magnets")
    card.choice.value, card.reason.value, card.confidence.value = "half", "twice the magnets", "6 to 9 in 10"
    card.save_button.click()
    (file,) = parts_of(first.welcome(), WorkbookFile)
    file.save_button.click()
    assert "Your workbook is ready, with 2 entries in it." in file.message.text  # the notice about the data is one
    data = carried_by(file.links)

    later = Stage(lesson, "predict", Workbook(tmp_path / "another machine" / "w.jsonl"))
    assert "empty" in words(later.welcome())
    (file,) = parts_of(later.welcome(), WorkbookFile)
    choose(file.put_back, data)
    assert "put back: 2. To see them on the page, run it again" in file.message.text
    again = Stage(lesson, "predict", Workbook(later.workbook.path))
    assert "Welcome back" in words(again.welcome())
    assert "twice the magnets" in words(again.prediction("two-magnets"))
    assert again.workbook.entries == first.workbook.entries and again.workbook.verify() == []


def test_what_cannot_be_put_back_is_said_and_changes_nothing(tmp_path):
    workbook = Workbook(tmp_path / "w.jsonl")
    file = WorkbookFile(workbook, "coasting_disc")
    file.save_button.click()
    assert file.message.problem and "still empty" in file.message.text
    choose(file.put_back, b"not a workbook")
    assert file.message.problem and "this file is not a workbook" in file.message.text
    choose(file.put_back, b"{}", size=UPLOAD_LIMIT + 1)
    assert "too large" in file.message.text
    assert workbook.entries == () and file.links.value == ""


@pytest.mark.slow
def test_the_school_says_where_hand_ins_go(own_machine, lesson, tmp_path):
    own_machine.setenv("KIT_HANDIN_FOLDER", str(tmp_path))
    stage = Stage(lesson, "explain", Workbook(tmp_path / "w.jsonl"))
    box = stage.hand_in()
    box.code.value = "amber-otter-1"
    box.make_button.click()
    assert f"Your teacher finds it in {tmp_path}." in box.message.text
    assert [path.name for path in tmp_path.glob("handin*")] == [box.made.name]
    assert box.made.name.startswith("handin_coasting_disc_amber-otter-1_")


@pytest.mark.slow
def test_a_place_for_hand_ins_out_of_reach_leaves_the_group_its_file(own_machine, lesson, tmp_path):
    own_machine.setenv("KIT_HANDIN_FOLDER", str(tmp_path / "not" / "there" / "x.json"))
    box = Stage(lesson, "explain", Workbook(tmp_path / "w.jsonl")).hand_in()
    box.make_button.click()
    assert box.message.problem and "NOT written" in box.message.text
    assert b'"schema": "kit-handin"' in carried_by(box.links)
    box.clear_button.click()
    assert "not made yet" in box.cleared.text
