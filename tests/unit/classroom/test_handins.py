"""The clicks of a class from its hand-ins: each group once, strangers' files passed over."""

from __future__ import annotations

import json

import pytest

from kit.classroom.handins import class_first_passes
from kit.classroom.overview import Show, read_class
from kit.classroom.sections import SECTIONS
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


def test_the_overview_shows_the_clicks_of_all_groups_on_one_run(tmp_path):
    folder = tmp_path / "class"
    folder.mkdir()
    part = next(part for part in SECTIONS if part.id == "first-passes")
    hand_in(folder, "coral-toad-2", 25, 30, 99_999)  # the last is beyond any log
    assert part.content(Show(read_class(folder)))["runs"][0]["clicks"] == [("pass 25", 1), ("pass 30", 1)]
    hand_in(folder, "amber-otter-1", 25, 27)
    hand_in(folder, "lilac-lynx-3", ["no pass"])
    (run,) = part.content(Show(read_class(folder)))["runs"]
    assert run["title"] == "a.csv: counting starts when one turn takes 0.25 s"
    assert run["sentence"].startswith("4 clicks of 2 groups: from pass 25 to pass 30.")
    assert run["clicks"] == [("pass 25", 2), ("pass 27", 1), ("pass 30", 1)]
    html = part.html(Show(read_class(folder)))
    assert html.count('class="cv-part cv-b0"') == 4 and '<td class="cv-total">2</td>' in html


def test_a_class_without_clicks_says_so(tmp_path):
    part = next(part for part in SECTIONS if part.id == "first-passes")
    folder = tmp_path / "class"
    folder.mkdir()
    workbook = Workbook(tmp_path / "a.jsonl")
    workbook.add("measure", Kind.FIRST_PASS, {"source": ["a list"], "start_period_s": "x", "pass": 3})
    (folder / "a.json").write_text(
        json.dumps(make_handin(workbook, "amber-otter-1", "coasting_disc")), encoding="utf-8"
    )
    assert "No group has clicked a first pass yet." in part.html(Show(read_class(folder)))
