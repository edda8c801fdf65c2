"""The clicks of a class from its hand-ins: each group once, strangers' files passed over."""

from __future__ import annotations

import json

import pytest

from kit.classroom.first_passes import class_first_passes
from kit.errors import KitError
from kit.record.entries import Kind
from kit.record.handin import make_handin
from kit.record.workbook import Workbook


def hand_in(folder, code, *passes, lesson="coasting_disc", again=False):
    workbook = Workbook(folder.parent / f"{code}.jsonl")
    for member, chosen in enumerate(passes, 1):
        value = {"source": "a.csv", "start_period_s": 0.25, "pass": chosen, "member": member, "after_look": False}
        workbook.add("measure", Kind.FIRST_PASS, value)
    name = f"{code}{'-again' if again else ''}.json"
    (folder / name).write_text(json.dumps(make_handin(workbook, code, lesson)), encoding="utf-8")


def test_all_groups_count_once_whatever_else_lies_there(tmp_path):
    folder = tmp_path / "class"
    folder.mkdir()
    hand_in(folder, "amber-otter-1", 23, 24)
    hand_in(folder, "amber-otter-1", 26, again=True)  # member 1 clicked anew; the earlier file is still there
    hand_in(folder, "coral-toad-2", 25)
    hand_in(folder, "ivory-crane-3", 30, lesson="felt_brake")
    (folder / "photo.json").write_bytes(b"\x00 no hand-in")
    assert class_first_passes(folder, "coasting_disc", "a.csv", 0.25, 40) == [24, 25, 26]
    assert class_first_passes(folder, "coasting_disc", "a.csv", 0.25, 40, own_code="coral-toad-2") == [24, 26]
    assert class_first_passes(folder, "coasting_disc", "b.csv", 0.25, 40) == []


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(KitError, match="no such folder"):
        class_first_passes(tmp_path / "none", "coasting_disc", "a.csv", 0.25, 40)
