"""The Send box: nothing goes without a click, and what can't go now goes later."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from html import unescape

import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.record.handin import read_handin
from kit.record.workbook import Workbook
from kit.widgets.hand_in import SEND_AFTER, SendBox
from kit.widgets.stage import Stage
from tests.served_desk import LESSON, answer, served

NOBODY = "127.0.0.1:9/k7mq-x3rt"  # the discard port


@pytest.fixture(autouse=True)
def own_machine(monkeypatch):
    for name in ("KIT_CLASS_DESK", "KIT_HANDIN_FOLDER", "BINDER_LAUNCH_HOST", "JUPYTERHUB_SERVICE_PREFIX"):
        monkeypatch.delenv(name, raising=False)
    return monkeypatch


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "workbooks" / "coasting_disc.jsonl")


def box_of(workbook, moment="answers"):
    return SendBox(workbook, "coasting_disc", "predict", moment)


def there(box):
    """All words on the box."""
    return unescape(" ".join(str(getattr(child, "value", "")) for child in box.children))


def test_the_group_types_the_address_once_and_nothing_goes_before_the_click(workbook, tmp_path):
    answer(workbook, "two-magnets", "half")
    with served(tmp_path / "desk") as desk:
        box = box_of(workbook)
        assert box.send_button not in box.children and "desk" in there(box)
        box.address.value = "nonsense"
        box.keep_button.click()
        assert box.message.problem and "192.168" in box.message.text
        box.address.value = desk.address.removeprefix("http://")
        box.keep_button.click()
        assert "the class desk" in there(box) and "Nothing goes before you press" in there(box)
        assert list((tmp_path / "desk").glob("handin*")) == [] and workbook.code is None
        again = box_of(workbook, "sketch")  # another box, or another page
        again.code.value = "amber-otter-1"
        again.send_button.click()
        assert "Sent to the class desk" in again.message.text and not again.message.problem
        (kept,) = (tmp_path / "desk").glob("handin_*amber-otter-1*.json")
        assert read_handin(kept).entries == workbook.entries
        assert workbook.entries[-1].kind == "sent:sketch" and workbook.entries[-1].value == {"to": "desk"}
        again.send_button.click()  # nothing new: the same once more
        assert len(list((tmp_path / "desk" / ".moments").rglob("*.json"))) == 1
    assert "You sent your sketch at" in box_of(workbook).message.text


def test_without_a_network_the_page_says_so_and_any_later_click_sends_all(workbook, tmp_path, own_machine):
    answer(workbook, "two-magnets", "half")
    own_machine.setenv("KIT_CLASS_DESK", NOBODY)
    box = box_of(workbook)
    assert box.change_button not in box.children  # the school decided
    box.send_button.click()
    assert box.message.problem and "kept on this machine" in box.message.text
    assert "still to be sent" in box_of(workbook).message.text
    with served(tmp_path / "desk") as desk:
        own_machine.setenv("KIT_CLASS_DESK", desk.address)
        answer(workbook, "turns", "half")
        box.send_button.click()
        assert "Sent to" in box.message.text
        assert len(list((tmp_path / "desk" / ".moments").rglob("*.json"))) == 2


@pytest.mark.slow
def test_a_page_that_is_opened_again_sends_what_waits(workbook, tmp_path, own_machine):
    """As after the death of a kernel: a new box on a page, inside a running kernel's loop, and no click."""
    answer(workbook, "two-magnets", "half")
    own_machine.setenv("KIT_CLASS_DESK", NOBODY)
    box_of(workbook).send_button.click()
    own_machine.setattr("kit.widgets.hand_in.TRY_AGAIN_S", (0.01, 0.01))

    async def page():
        box = box_of(workbook)
        box._view_count = 1
        for _ in range(20):
            await asyncio.sleep(0.01)
        assert "kept on this machine" in box.message.text
        own_machine.setenv("KIT_CLASS_DESK", desk.address)
        for _ in range(500):
            await asyncio.sleep(0.01)
            if "Sent to" in box.message.text:
                break
        box.close()

    with served(tmp_path / "desk") as desk:
        asyncio.run(page())
        assert len(list((tmp_path / "desk").glob("handin_*.json"))) == 1


def test_a_disk_without_room_for_a_queue_sends_at_once(workbook, tmp_path, own_machine):
    answer(workbook, "two-magnets", "half")
    (tmp_path / "workbooks" / "outbox").write_text("a file where the folder should be")
    with served(tmp_path / "desk") as desk:
        own_machine.setenv("KIT_CLASS_DESK", desk.address)
        box = box_of(workbook)
        box.send_button.click()
        assert "Sent to" in box.message.text
        assert len(list((tmp_path / "desk").glob("handin_*.json"))) == 1
    box.send_button.click()
    assert box.message.problem


def test_an_empty_workbook_and_a_bad_code_are_refused(workbook, own_machine, tmp_path):
    own_machine.setenv("KIT_HANDIN_FOLDER", str(tmp_path))
    box = box_of(workbook)
    box.send_button.click()
    assert "nothing to send yet" in box.message.text and workbook.entries == ()
    answer(workbook, "two-magnets", "half")
    box.code.value = "Jane Doe"
    box.send_button.click()
    assert box.message.problem and list(tmp_path.glob("handin*")) == []
    box.code.value = "coral-lynx-2"
    box.send_button.click()
    assert "Sent to your class's folder" in box.message.text
    with pytest.raises(KitError, match="no such moment"):
        box_of(workbook, "lunch")


@pytest.mark.slow
def test_results_go_along_only_once_the_group_may_see_them(tmp_path, own_machine, workbook):
    (tmp_path / "class").mkdir()
    own_machine.setenv("KIT_HANDIN_FOLDER", str(tmp_path / "class"))
    answer(workbook, "two-magnets", "half")
    Stage(LESSON, "measure", workbook, path="two lessons").send("results").send_button.click()
    assert workbook.latest("results") is None
    answer(workbook, "turns", "half")
    Stage(LESSON, "measure", workbook, path="two lessons").send("results").send_button.click()
    assert len(workbook.latest("results")) == 21
    (kept,) = (tmp_path / "class").glob("handin_*.json")
    assert len(read_handin(kept).results) == 21


def test_an_address_typed_in_one_box_shows_in_all_of_the_page(workbook):
    stage = Stage(LESSON, "predict", workbook)
    first, second = stage.send("answers"), stage.send("sketch")
    first.address.value = NOBODY
    first.keep_button.click()
    assert NOBODY in there(second)
    second.change_button.click()
    assert second.address in second.children


def test_a_lesson_may_give_the_address_and_the_group_may_change_it(workbook, own_machine):
    stage = Stage(replace(load_lesson(LESSON), class_desk="desk.school:8765/k7mq-x3rt"), "predict", workbook)
    box = stage.send("answers")
    assert box.place.address == "http://desk.school:8765/k7mq-x3rt"
    box.change_button.click()
    box.address.value = NOBODY
    box.keep_button.click()
    assert box.place.address == f"http://{NOBODY}"
    own_machine.setenv("KIT_CLASS_DESK", "of.the.school/k7mq-x3rt")
    assert box.place.set_by_school


def test_a_hosted_copy_names_a_store_or_the_file(workbook, own_machine):
    own_machine.setenv("BINDER_LAUNCH_HOST", "https://hosting.example/")
    assert "can't reach the network of your school" in there(box_of(workbook))
    assert set(SEND_AFTER) == {"answers", "sketch", "results", "end", "claims"}
