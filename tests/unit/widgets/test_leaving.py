"""A page may make room only where nothing on it waits to be saved."""

from kit.record.workbook import Workbook
from kit.widgets.leaving import all_saved, saved_by


def test_a_page_that_was_used_after_the_last_entry_stays(tmp_path):
    workbook = Workbook(tmp_path / "group.jsonl")
    assert all_saved(workbook, "measure", None)  # looked at only
    used = saved_by(workbook, "measure")
    workbook.add("predict", "observation:runs", "They do.")  # another page, open at the same time
    assert not all_saved(workbook, "measure", used)  # something was typed, and nothing saved
    workbook.add("measure", "observation:runs", "The lines never cross.")
    assert all_saved(workbook, "measure", used)
    assert not all_saved(workbook, "measure", saved_by(workbook, "measure"))  # used once more


def test_a_page_whose_workbook_cannot_be_written_stays(tmp_path):
    (tmp_path / "folder").write_text("a file where the folder should be")
    workbook = Workbook(tmp_path / "folder" / "group.jsonl")
    assert workbook.obstacle and not all_saved(workbook, "measure", None)
