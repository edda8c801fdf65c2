import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.errors import KitError
from kit.record import journal
from kit.record import workbook as workbook_module
from kit.record.entries import Kind
from kit.record.journal import Journal
from kit.record.workbook import NotSaved, Workbook, check_code, default_path, friendly_code
from tests.forks import Forks

ROOT = Path(__file__).parents[3]
FORMER = ROOT / "tests" / "reference" / "former"  # what version 0.1.0 wrote
JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**18) + 1, 10**18 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=20,
)


@pytest.fixture
def book(tmp_path):
    return Workbook(tmp_path / "workbooks" / "disc.jsonl")


def filled(path, count=3):
    book = Workbook(path)
    for k in range(count):
        book.add("1_predict", f"kind {k}", {"k": k, "text": "größer"})
    return book


def run_child(code, *arguments, **options):
    """Start a Python without third-party packages: the workbook needs none."""
    start = f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
    command = [sys.executable, "-S", "-c", start + code, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, **options)


# -- entries ------------------------------------------------------------------------------------------


def test_an_entry_is_in_the_file_when_add_returns(book):
    entry = book.add("1_predict", "prediction", {"choice": "half"}, sealed=True)
    (line,) = book.path.read_bytes().splitlines()
    assert json.loads(line) == entry.record()
    assert entry.n == 1 and entry.sealed and entry.previous == "" and entry.time.endswith("+00:00")
    assert Workbook(book.path).entries == (entry,)


def test_an_entry_is_written_whole_and_synced_before_add_returns(book, monkeypatch):
    book.add("1_predict", "first", 0)
    calls = []
    write, fsync = os.write, os.fsync
    monkeypatch.setattr(os, "write", lambda fd, data: calls.append(data) or write(fd, data))
    monkeypatch.setattr(os, "fsync", lambda fd: calls.append("sync") or fsync(fd))
    entry = book.add("1_predict", "second", 1)
    assert calls == [entry.line(), "sync"]


def test_each_entry_carries_the_hash_of_the_one_before(book):
    one, two = book.add("a", "x", 1), book.add("a", "x", 2)
    assert two.previous == one.hash != two.hash
    assert book.verify() == []


@pytest.mark.slow
@settings(deadline=None)
@given(JSON_VALUES)
def test_any_json_value_comes_back_as_it_was(value):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.jsonl"
        entry = Workbook(path).add("stage", "kind", value)
        again = Workbook(path)
        assert entry.value == value and again.latest("kind") == value
        assert again.entries == (entry,) and again.verify() == []


def test_numpy_values_and_tuples_become_plain_ones(book):
    value = {
        "mean": np.float64(0.1),
        "n": np.int64(3),
        "times": np.array([1.5, 2.5]),
        "pair": (1, 2),
        7: True,
    }
    book.add("3_average", "results", value)
    assert book.latest("results") == {"mean": 0.1, "n": 3, "times": [1.5, 2.5], "pair": [1, 2], "7": True}


def test_half_a_character_becomes_the_replacement_sign_and_two_halves_become_one(book):
    assert book.add("1", "text", "cut \ud83d here").value == "cut � here"
    assert book.add("1", "text", "\ud83d\ude00").value == "😀"
    assert book.verify() == []


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        (float("nan"), "JSON cannot hold"),
        ([1, float("inf")], "JSON cannot hold"),
        (10**18, "more than 18 digits"),
        ({1, 2}, "a set"),
        ({(1, 2): 3}, "keys must be"),
        ({1: "a", "1": "b"}, "'1' is given twice"),
        (Path("x"), "cannot be kept as JSON"),
    ],
)
def test_a_value_json_cannot_hold_is_refused_loudly_and_handed_back(book, value, reason):
    book.add("1", "before", 1)
    with pytest.raises(NotSaved, match=f"NOT saved: .*{reason}") as caught:
        book.add("1_predict", "answer", value, sealed=True)
    assert caught.value.value is value and caught.value.kind == "answer" and caught.value.sealed
    assert [entry.kind for entry in book.entries] == ["before"]


@pytest.mark.slow
def test_deep_nesting_is_refused_not_crashed_on(book):
    deep = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(NotSaved, match="nested too deeply"):
        book.add("1", "deep", deep)


@pytest.mark.parametrize(("stage", "kind"), [("", "kind"), ("1", "k" * 81), (3, "kind"), ("1", None)])
def test_stage_and_kind_must_be_short_texts(book, stage, kind):
    with pytest.raises(NotSaved, match="is a text of 1 to 80 characters"):
        book.add(stage, kind, 1)
    assert book.entries == ()


def test_first_latest_and_history_keep_every_answer(book):
    assert book.latest("prediction") is None and book.first("prediction", "none yet") == "none yet"
    book.add("1_predict", "prediction", "draft")
    book.add("1_predict", "prediction", "half", sealed=True)
    book.add("1_predict", "prediction", "a quarter")
    assert book.first("prediction") == "half"  # sealed, so not the draft
    assert book.latest("prediction") == "a quarter"
    assert [entry.value for entry in book.history("prediction")] == ["draft", "half", "a quarter"]


def test_first_is_the_first_entry_if_none_was_sealed(book):
    book.add("1", "note", "one")
    book.add("1", "note", "two")
    assert book.first("note") == "one"


def test_changing_what_latest_returns_does_not_change_the_workbook(book):
    book.add("1", "list", [1])
    book.latest("list").append(2)
    assert book.latest("list") == [1]


def test_sealed_before(book):
    assert not book.sealed_before("prediction", "data")
    book.add("1", "prediction", "draft")
    assert not book.sealed_before("prediction", "data")
    book.add("1", "prediction", "half", sealed=True)
    assert book.sealed_before("prediction", "data")
    book.add("2", "data", [1])
    assert book.sealed_before("prediction", "data")
    book.add("1", "late", "half", sealed=True)
    assert not book.sealed_before("late", "data")


def test_a_second_workbook_on_the_same_file_sees_new_entries(book):
    other = Workbook(book.path)
    book.add("1", "x", 1)
    assert other.latest("x") == 1
    other.add("1", "x", 2)
    assert book.latest("x") == 2
    assert book.add("1", "x", 3).n == 3
    assert other.verify() == []


def test_reading_makes_no_file(book):
    assert book.entries == () and book.damage == () and book.verify() == []
    assert not book.path.parent.exists()


def test_another_kind_of_file_is_refused(tmp_path):
    with pytest.raises(KitError, match=r"ends in \.jsonl"):
        Workbook(tmp_path / "notes.txt")


# -- the chain ----------------------------------------------------------------------------------------


def edit_line(path, number, old, new):
    lines = path.read_bytes().splitlines(keepends=True)
    assert old in lines[number]
    lines[number] = lines[number].replace(old, new)
    path.write_bytes(b"".join(lines))


def test_a_changed_sealed_entry_is_named(book):
    book.add("1_predict", "prediction", "half", sealed=True)
    book.add("2_measure", "data", 1)
    edit_line(book.path, 0, b'"half"', b'"less"')
    assert book.verify() == ["Sealed entry 1 (prediction) was changed after it was saved."]
    assert book.first("prediction") == "less"  # shown as it stands, and reported
    book.add("2_measure", "data", 2)
    assert len(book.verify()) == 1


def test_unsealing_is_noticed(book):
    book.add("1_predict", "prediction", "half", sealed=True)
    edit_line(book.path, 0, b"true", b"false")
    assert book.verify() == ["Entry 1 (prediction) was changed after it was saved."]


@pytest.mark.parametrize("gone", [0, 1])
def test_a_removed_entry_is_noticed(book, gone):
    filled(book.path)
    lines = book.path.read_bytes().splitlines(keepends=True)
    del lines[gone]
    book.path.write_bytes(b"".join(lines))
    after = gone + 2
    expected = f"Before entry {after} (kind {after - 1}), something was taken out, put in or changed."
    assert book.verify() == [expected]


# -- damage -------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_tail_cut_at_every_byte_of_the_last_line(tmp_path):
    whole = filled(tmp_path / "whole.jsonl").path.read_bytes()
    entries = Workbook(tmp_path / "whole.jsonl").entries
    start = len(whole) - len(entries[-1].line())
    for cut in range(start, len(whole) + 1):
        folder = tmp_path / str(cut)
        folder.mkdir()
        path = folder / "cut.jsonl"
        path.write_bytes(whole[:cut])
        book = Workbook(path)
        complete = cut >= len(whole) - 1  # only the line end is missing, or nothing
        assert book.entries == (entries if complete else entries[:2])
        kept = sorted(folder.glob("*.damaged-*"))
        if start < cut < len(whole) - 1:
            assert kept[0].read_bytes() == whole[start:cut]
            assert f"({cut - start} bytes)" in book.damage[0] and kept[0].name in book.damage[0]
        else:
            assert kept == [] and book.damage == ()
        added = book.add("2", "after", cut)
        assert Workbook(path).entries == ((*entries, added) if complete else (*entries[:2], added))
        assert Workbook(path).verify() == []


@pytest.mark.parametrize(
    "tail",
    [
        b"\0" * 4096,
        b'{"n": 4, "kind": "x"\0\0\0\0',
        b"\xff\xfe\xfa",
        b'{"n": 4}\n',
        b"[" * 100_000,
        b"\n\n\0\n",
        b'{"n": NaN}\nmore\n',
    ],
)
def test_a_damaged_tail_is_set_aside_and_work_goes_on(tmp_path, tail):
    book = filled(tmp_path / "disc.jsonl")
    before = book.entries
    with book.path.open("ab") as file:
        file.write(tail)
    fresh = Workbook(book.path)
    assert fresh.entries == before
    assert "Every entry before it is here" in fresh.damage[0] and len(fresh.damage) == 1
    assert (tmp_path / "disc.damaged-1.jsonl").read_bytes() == tail
    assert book.add("2", "after", 1).n == 4  # the other open workbook, too
    assert fresh.add("2", "after", 2).n == 5
    assert Workbook(book.path).verify() == [] and Workbook(book.path).damage == ()


def test_the_kind_of_a_lost_entry_is_named(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    book.path.write_bytes(book.path.read_bytes()[:-80])
    assert "an entry of the kind “kind 2”" in Workbook(book.path).damage[0]


def test_every_damaged_tail_is_kept(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    for junk in (b"one", b"two"):
        with book.path.open("ab") as file:
            file.write(junk)
        assert len(book.entries) == 3
    assert [path.read_bytes() for path in sorted(tmp_path.glob("*.damaged-*"))] == [b"one", b"two"]
    assert len(book.damage) == 2


@settings(max_examples=40, deadline=None)
@given(st.binary(min_size=1, max_size=300))
def test_no_tail_takes_an_entry_with_it(tail):
    with tempfile.TemporaryDirectory() as folder:
        book = filled(Path(folder) / "disc.jsonl")
        before = book.entries
        with book.path.open("ab") as file:
            file.write(tail)
        book.add("2", "after", 1)
        again = Workbook(book.path)
        assert again.entries[:3] == before and len(again.entries) == 4 and again.verify() == []
        kept = b"".join(path.read_bytes() for path in Path(folder).glob("*.damaged-*"))
        assert kept == (tail if tail.strip() else b"")


def test_damage_in_the_middle_loses_only_that_line_and_changes_nothing(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    edit_line(book.path, 1, b'"kind"', b"\0\xff\0\0\0\0")
    data = book.path.read_bytes()
    fresh = Workbook(book.path)
    assert [entry.n for entry in fresh.entries] == [1, 3]
    assert fresh.damage == ("Line 2 of the workbook cannot be read: it is not UTF-8 text. The others are kept.",)
    assert fresh.verify() == ["Before entry 3 (kind 2), something was taken out, put in or changed."]
    fresh.add("2", "after", 1)
    assert book.path.read_bytes().startswith(data) and len(fresh.verify()) == 1


def test_an_editor_that_adds_a_byte_order_mark_and_windows_line_ends_does_no_harm(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    before = book.entries
    book.path.write_bytes(b"\xef\xbb\xbf" + book.path.read_bytes().replace(b"\n", b"\r\n"))
    fresh = Workbook(book.path)
    assert fresh.entries == before and fresh.damage == ()
    fresh.add("2", "after", 1)
    assert fresh.verify() == [] and len(Workbook(book.path).entries) == 4


# -- what stops an entry from being saved -------------------------------------------------------------

FULL_DISK = """
import resource
from kit.record.workbook import NotSaved, Workbook
book = Workbook(sys.argv[1])
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
saved = 0
try:
    while True:
        saved = book.add("2", "reading", {"text": "x" * 200}).n
except NotSaved as problem:
    print(saved, len(problem.value["text"]), problem)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
print(book.add("2", "reading", "room again").n, book.damage, book.verify())
"""


@pytest.mark.skipif(os.name != "posix", reason="file size limits are a POSIX matter")
def test_a_full_disk_says_not_saved_and_leaves_a_clean_file(tmp_path):
    child = run_child(FULL_DISK, tmp_path / "disc.jsonl")
    first, second = child.communicate(timeout=60)[0].splitlines()
    saved, kept, message = first.split(" ", 2)
    assert int(saved) >= 2 and kept == "200"
    assert "This entry was NOT saved: the disk is full." in message and "Leave this page open" in message
    assert second == f"{int(saved) + 1} () []"


READ_ONLY = """
import os
from kit.record.workbook import NotSaved, Workbook
"".encode("utf-16-le")  # loads the codec while the library is sure to be readable
os.chdir(sys.argv[1])
os.chmod(".", 0o555)
if os.geteuid() == 0:
    os.setuid(65534)
book = Workbook("disc.jsonl")
print(len(book.entries), book.damage[0])
print(len(book.entries), len(book.damage))
try:
    book.add("2", "reading", {"answer": 1})
except NotSaved as problem:
    print(problem.value, problem)
"""


@pytest.mark.skipif(os.name != "posix", reason="uses POSIX permissions")
def test_a_folder_that_cannot_be_written_to_can_be_read_and_says_not_saved(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    data = book.path.read_bytes() + b"half a li"
    book.path.write_bytes(data)
    book.path.chmod(0o444)
    book.path.with_suffix(".lock").unlink()
    try:
        lines = run_child(READ_ONLY, tmp_path).communicate(timeout=60)[0].splitlines()
    finally:
        tmp_path.chmod(0o755)
    assert lines[0].startswith("3 The end of the workbook could not be read (9 bytes)")
    assert lines[1] == "3 1"
    not_saved = "disc.jsonl: This entry was NOT saved: this folder cannot be written to."
    assert lines[2].startswith(f"{{'answer': 1}} {not_saved}")
    assert book.path.read_bytes() == data


def test_a_workbook_kept_busy_by_another_notebook(book, monkeypatch):
    monkeypatch.setattr(journal, "LOCK_WAIT_S", 0.05)
    book.add("1", "x", 1)
    with Journal(book.path).locked(), pytest.raises(NotSaved, match="another notebook is using the workbook"):
        Workbook(book.path).add("1", "x", 2)
    assert book.add("1", "x", 3).n == 2  # the lock was given back


def test_a_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "workbooks").write_text("a file")
    with pytest.raises(NotSaved, match="NOT saved"):
        Workbook(default_path("disc", tmp_path)).add("1", "x", 1)


def test_a_failed_sync_takes_the_line_back(book, monkeypatch):
    book.add("1", "x", 1)
    data = book.path.read_bytes()

    def fail(descriptor):
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(NotSaved, match="NOT saved: Input/output error"):
            book.add("1", "x", 2)
    assert book.path.read_bytes() == data
    assert book.add("1", "x", 3).n == 2


def half_written(descriptor, data):
    """A disk that fills up in the middle of a write: the first half goes in, and the system says so or fails."""
    return REAL_WRITE(descriptor, data[: len(data) // 2])


def full_after_half(descriptor, data):
    half_written(descriptor, data)
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


REAL_WRITE = os.write


@pytest.mark.parametrize("fails", [half_written, full_after_half])
def test_a_disk_that_fills_up_within_an_entry_leaves_the_workbook_as_it_was(book, monkeypatch, fails):
    book.add("1", "x", 1)
    data = book.path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", fails)
        with pytest.raises(NotSaved, match="NOT saved: the disk is full") as caught:
            book.add("1", "x", {"answer": "y" * 500})
    assert caught.value.value == {"answer": "y" * 500}  # handed back, to be tried again
    assert book.path.read_bytes() == data
    assert book.add("1", "x", caught.value.value).n == 2
    assert Workbook(book.path).verify() == [] and Workbook(book.path).damage == ()


@pytest.mark.parametrize("fails", [half_written, full_after_half])
def test_a_full_disk_while_a_download_is_put_back(tmp_path, monkeypatch, fails):
    download = filled(tmp_path / "download.jsonl", 5).path.read_bytes()
    book = filled(tmp_path / "disc.jsonl", 0)
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", fails)
        with pytest.raises(KitError, match="NOT put back: the disk is full"):
            book.restore(download)
        with pytest.raises(KitError, match="NOT put back: the disk is full"):
            book.restore(download + b"a damaged end")  # which would be kept in a file beside it
    assert Workbook(book.path).entries == ()
    assert [path.name for path in tmp_path.glob("disc*") if path.stat().st_size] == []  # no half of a file is left
    book.restore(download)
    assert len(Workbook(book.path).entries) == 5


@pytest.mark.parametrize("fails", [half_written, full_after_half])
def test_a_damaged_tail_stays_where_it_is_while_there_is_no_room_to_set_it_aside(tmp_path, monkeypatch, fails):
    book = filled(tmp_path / "disc.jsonl", 2)
    data = book.path.read_bytes() + b"half a line of an answer"
    book.path.write_bytes(data)
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", fails)
        assert len(Workbook(book.path).entries) == 2
        with pytest.raises(NotSaved, match="the disk is full"):
            Workbook(book.path).add("1", "x", 1)
    assert book.path.read_bytes() == data
    assert Workbook(book.path).add("1", "x", 1).n == 3


# -- kill -9 and two notebooks ------------------------------------------------------------------------

# Every seventh entry is large: the system may tear such a write apart when the process is killed.
WRITER = """
book = Workbook(sys.argv[1])
k = len(book.entries)
while True:
    entry = book.add("2_measure", "reading", {"k": k, "text": "x" * (150_000 if k % 7 == 0 else 20)})
    print(entry.n, entry.hash, flush=True)
    k += 1
"""
FORGETFUL_WRITER = """
file = open(sys.argv[1], "a")
print(0, file.write("not synced"), flush=True)
sys.stdin.read()
"""


@pytest.fixture(scope="module")
def forks():
    with Forks("import sys\nfrom kit.record.workbook import Workbook", ROOT) as forks:
        yield forks


def kill_while_writing(forks, path, kills, seed):
    """Kill a writer again and again; return what it had acknowledged: number and hash of each entry."""
    rng = random.Random(seed)
    acknowledged = {}
    for _ in range(kills):
        child = forks.start(WRITER, path)
        if rng.random() < 0.8:
            first = child.stdout.readline()
            time.sleep(rng.uniform(0, 0.02))
        else:  # also while it starts, reads and mends
            first = ""
            time.sleep(rng.uniform(0, 0.06))
        child.kill()
        lines = (first + child.communicate()[0]).splitlines(keepends=True)
        assert child.returncode == -signal.SIGKILL
        acknowledged |= {int(line.split()[0]): line.split()[1] for line in lines if line.endswith("\n")}
    return acknowledged


def check_nothing_lost(path, acknowledged):
    book = Workbook(path)
    saved = {entry.n: entry.hash for entry in book.entries}
    assert acknowledged.items() <= saved.items()
    assert [entry.n for entry in book.entries] == list(range(1, len(saved) + 1))
    assert [entry.value["k"] for entry in book.entries] == list(range(len(saved)))
    assert book.verify() == []
    assert book.add("2", "after", 1).n == len(saved) + 1


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
def test_25_kills_lose_no_acknowledged_entry(tmp_path, forks):
    acknowledged = kill_while_writing(forks, tmp_path / "disc.jsonl", 25, seed=1)
    assert len(acknowledged) >= 20
    check_nothing_lost(tmp_path / "disc.jsonl", acknowledged)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
@pytest.mark.parametrize("seed", range(10, 17))
def test_200_kills_lose_no_acknowledged_entry(tmp_path, forks, seed):
    """With the 25 above."""
    acknowledged = kill_while_writing(forks, tmp_path / "disc.jsonl", 25, seed)
    assert len(acknowledged) >= 20
    check_nothing_lost(tmp_path / "disc.jsonl", acknowledged)


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
def test_the_kill_test_would_notice_a_writer_that_does_not_write_through(tmp_path):
    child = run_child(FORGETFUL_WRITER, tmp_path / "buffered", stdin=subprocess.PIPE)
    assert child.stdout.readline() == "0 10\n"
    child.kill()
    child.communicate()
    assert (tmp_path / "buffered").read_bytes() == b""


TAKING_TURNS = """
from kit.record.workbook import Workbook
book = Workbook(sys.argv[1])
for k in range(200):
    book.add("2", sys.argv[2], {"k": k, "text": "x" * (30_000 if k % 50 == 0 else 10)})
"""


@pytest.mark.slow
def test_two_notebooks_at_once_make_one_chain(tmp_path):
    path = tmp_path / "disc.jsonl"
    children = [run_child(TAKING_TURNS, path, name) for name in ("left", "right")]
    reader = Workbook(path)
    looked = 0
    while any(child.poll() is None for child in children):
        assert reader.damage == () and reader.verify() == []  # also while they write
        looked += 0 < len(reader.entries) < 400
        time.sleep(0.02)
    assert looked > 3
    assert [child.wait() for child in children] == [0, 0]
    for child in children:
        child.stdout.close()
    assert [entry.n for entry in reader.entries] == list(range(1, 401))
    for name in ("left", "right"):
        assert [entry.value["k"] for entry in reader.history(name)] == list(range(200))
    assert reader.verify() == []


def test_half_a_line_that_is_being_written_is_not_taken_for_damage(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    entries, data = book.entries, book.path.read_bytes()
    reader, found = Workbook(book.path), []
    thread = threading.Thread(target=lambda: found.extend(reader.entries))
    with Journal(book.path).locked():  # a writer, halfway
        book.path.write_bytes(data[:-40])
        thread.start()
        time.sleep(0.1)
        with book.path.open("ab") as file:
            file.write(data[-40:])
    thread.join()
    assert tuple(found) == entries and reader.damage == ()


# -- download and put back ----------------------------------------------------------------------------


def test_put_back_after_the_disk_was_thrown_away(tmp_path):
    book = filled(tmp_path / "a" / "disc.jsonl")
    data = book.export_bytes()
    fresh = Workbook(tmp_path / "b" / "disc.jsonl")
    assert fresh.restore(data) == "Entries put back: 3."
    assert fresh.entries == book.entries and fresh.export_bytes() == data
    assert fresh.add("2", "after", 1).n == 4 and fresh.verify() == []


def test_putting_back_an_older_download_changes_nothing(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    data = book.export_bytes()
    book.add("2", "later", 1)
    assert book.restore(data) == "All its entries were here already."
    assert len(book.entries) == 4 and len(list(tmp_path.glob("*.jsonl"))) == 1


def test_putting_back_a_longer_download_adds_what_is_missing(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    short = book.export_bytes()
    book.add("2", "later", 1)
    other = Workbook(tmp_path / "other" / "disc.jsonl")
    other.restore(short)
    assert other.restore(book.export_bytes()) == "Entries put back: 1."
    assert other.entries == book.entries


def test_two_workbooks_that_went_different_ways_are_both_kept(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    other = Workbook(tmp_path / "other" / "disc.jsonl")
    other.restore(book.export_bytes())
    book.add("2", "here", 1)
    other.add("2", "there", 1)
    before = book.entries
    assert "Both are kept" in book.restore(other.export_bytes())
    assert book.entries == before
    assert Workbook(tmp_path / "disc.other-1.jsonl").entries == other.entries


def test_a_damaged_download_gives_what_it_can_and_is_kept_whole(tmp_path):
    data = filled(tmp_path / "a" / "disc.jsonl").export_bytes()[:-30]
    book = Workbook(tmp_path / "b" / "disc.jsonl")
    done = book.restore(data)
    assert done.startswith("Entries put back: 2. A part of the file could not be read.")
    assert done.endswith("It is kept whole as disc.other-1.jsonl.")
    assert len(book.entries) == 2 and (tmp_path / "b" / "disc.other-1.jsonl").read_bytes() == data


def test_a_download_that_was_edited_says_so(tmp_path):
    book = Workbook(tmp_path / "a" / "disc.jsonl")
    book.add("1", "prediction", "half", sealed=True)
    book.add("2", "data", 1)
    edited = book.export_bytes().replace(b'"half"', b'"less"')
    fresh = Workbook(tmp_path / "b" / "disc.jsonl")
    problem = "Sealed entry 1 (prediction) was changed after it was saved."
    assert fresh.restore(edited) == f"Entries put back: 2. {problem}"
    assert fresh.verify() == [problem]
    assert "Both are kept" in book.restore(edited)  # it does not replace the unedited one
    assert book.verify() == [] and book.first("prediction") == "half"


@pytest.mark.parametrize("data", [b"", b"a photo \xff\xd8", b"{}\n", b"[" * 50_000])
def test_what_is_not_a_workbook_is_refused(book, data):
    with pytest.raises(KitError, match="not a workbook"):
        book.restore(data)
    assert not book.path.exists()


def test_too_large_a_download_is_refused(book):
    with pytest.raises(KitError, match="larger than 10 MB"):
        book.restore(b" " * 10_000_001)


# -- clear, codes, places -----------------------------------------------------------------------------


def test_clear_moves_everything_and_a_new_group_starts_empty(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    filled(tmp_path / "disc-2.jsonl")  # another lesson's workbook stays
    with book.path.open("ab") as file:
        file.write(b"half a li")
    open_elsewhere = Workbook(book.path)
    data, last = book.export_bytes(), open_elsewhere.entries[-1].hash
    moved = book.clear(last)
    assert moved.parent == tmp_path / "finished" and moved.read_bytes() == data
    assert sorted(path.name for path in tmp_path.glob("*.jsonl")) == ["disc-2.jsonl"]
    assert [path.read_bytes() for path in moved.parent.glob("*.damaged-1.jsonl")] == [b"half a li"]
    assert book.entries == () == open_elsewhere.entries
    assert open_elsewhere.add("1", "x", 1).n == 1


def test_clear_refuses_if_an_entry_came_after(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    last = book.entries[-1].hash
    Workbook(book.path).add("2", "later", 1)
    with pytest.raises(KitError, match="was not cleared: the hand-in does not hold its last entry"):
        book.clear(last)
    assert len(book.entries) == 4


def test_codes(book):
    assert book.code is None
    assert book.choose_code(" Füchse-3 ") == "Füchse-3" == book.code
    assert check_code(book.choose_code()) == book.code != "Füchse-3"
    assert len({friendly_code() for _ in range(50)}) == 50


def test_a_code_by_chance_is_one_of_so_many_that_guessing_is_hopeless():
    """All are equally likely: words times signs. 40 bits are 1e12 of them; 90,000 were tried in 0.8 s once."""
    colour, animal, one, two = friendly_code().split("-")
    assert len(one) == len(two) == 4 and set(one + two) <= set(workbook_module.CODE_SIGNS)
    words = [colour in workbook_module.COLOURS, animal in workbook_module.ANIMALS]
    assert all(words) and len(set(workbook_module.CODE_SIGNS)) == 23
    assert 10 * 10 * 23**8 > 2**40
    seen = "".join("".join(friendly_code().split("-")[2:]) for _ in range(500))
    assert set(seen) == set(workbook_module.CODE_SIGNS)  # each of 23 signs is missing from 4,000 once in 1e76
    longest = [max(words, key=len) for words in (workbook_module.COLOURS, workbook_module.ANIMALS)]
    assert check_code("-".join([*longest, "kkkk", "kkkk"]))


@pytest.mark.parametrize("code", ["", "ab", "x" * 25, "a b c", "../..", "<b>bold", "=1+1", "---", None, 7])
def test_codes_that_cannot_be_used(code):
    with pytest.raises(KitError, match="3 to 24 letters, digits or hyphens"):
        check_code(code)


def test_default_path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert default_path("felt_brake") == tmp_path / "workbooks" / "felt_brake.jsonl"
    assert default_path("felt_brake", "x") == Path("x/workbooks/felt_brake.jsonl")
    with pytest.raises(KitError, match="a lesson's name has only"):
        default_path("../secrets")


# -- what an earlier version wrote -----------------------------------------------------------------------


def test_a_workbook_of_0_1_0_opens_with_nothing_lost_and_goes_on(tmp_path):
    raw = (FORMER / "workbook.jsonl").read_bytes()
    records = [json.loads(line) for line in raw.splitlines()]
    book = Workbook(shutil.copy(FORMER / "workbook.jsonl", tmp_path / "disc.jsonl"))
    assert [entry.record() for entry in book.entries] == records
    assert book.verify() == [] and book.damage == ()
    assert book.export_bytes() == raw
    for record in records:
        of_its_kind = [other["value"] for other in records if other["kind"] == record["kind"]]
        assert book.latest(record["kind"]) == of_its_kind[-1]
    assert book.code == "silver-otter-427"
    book.add("explain", Kind.OBSERVATION.of("later"), "it goes on")
    assert book.path.read_bytes().startswith(raw) and book.verify() == []


SINCE_0_1_0 = {Kind.LIFTED, Kind.SHOWN, Kind.SENT, Kind.FIRST_PASS, Kind.HAND_GRAPH, Kind.OWN_COUNT, Kind.CLAIM_RUNS}


def test_it_holds_an_entry_of_every_kind_of_0_1_0():
    kept = Workbook(FORMER / "workbook.jsonl").entries
    assert {kind for kind in Kind if any(kind.covers(entry.kind) for entry in kept)} == set(Kind) - SINCE_0_1_0
    assert all(any(kind.covers(entry.kind) for kind in Kind) for entry in kept)


# -- shown in a notebook ---------------------------------------------------------------------------------


def test_in_a_cell_it_shows_what_is_saved_and_no_draft(book):
    assert repr(book) == "Workbook(disc.jsonl: 0 entries)"
    assert book._repr_html_() == "<p>Your workbook disc.jsonl: 0 saved entries.</p>"
    book.add("predict", "draft:prediction:turns", "<i>unfinished")
    book.add("predict", "prediction:turns", {"choice": "half", "reason": "<b>twice & once", "moment": ""}, sealed=True)
    book.add("measure", "threshold", {"start_period_s": 0.25, "stop_period_s": None})
    book.add("measure", "observation:runs", "x" * 200)
    assert repr(book) == "Workbook(disc.jsonl: 4 entries)"
    html = book._repr_html_()
    assert "3 saved entries" in html and "unfinished" not in html
    assert "half, &lt;b&gt;twice &amp; once" in html and "<b>" not in html
    assert "<td>0.25</td>" in html and html.count("sealed") == 1
    assert "x" * 79 + "…" in html and "x" * 80 not in html


def test_in_a_cell_it_shows_a_change_and_a_file_that_cannot_be_read(tmp_path):
    book = filled(tmp_path / "disc.jsonl")
    book.path.write_bytes(book.path.read_bytes().replace(b"gr\xc3\xb6\xc3\x9fer", b"kleiner", 1))
    assert "Entry 1 (kind 0) was changed after it was saved." in Workbook(book.path)._repr_html_()
    (tmp_path / "folder.jsonl").mkdir()
    unreadable = Workbook(tmp_path / "folder.jsonl")
    assert "cannot be read" in repr(unreadable) and "cannot be read" in unreadable._repr_html_()
