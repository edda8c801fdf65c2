"""Hand-ins in a shared folder: two processes at one instant, real rights of other users, a real full disk.

Each case once lost a hand-in, showed it to others, or ended without a word. Other users are played by child processes:
they are forked from a process of root's that has loaded the kit, and then become somebody without rights.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import stat
import subprocess
import tempfile
from base64 import b64decode
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit.classroom.overview import read_class
from kit.errors import KitError
from kit.launcher import PROJECT
from kit.record.entries import make_entry
from kit.record.handin import handin_document, read_handin, write_handin
from tests.forks import Forks

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights and locks of this kind are those of Unix")
as_root = pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can become others")
STUDENT, OTHER, TEACHER, TEACHERS = 65_534, 65_533, 65_532, 65_500  # numbers need no accounts
TIME = "2031-05-17T08:30:00.000+00:00"

LOADED = """
import json, os, sys, tempfile
from pathlib import Path
import encodings.utf_16_le, kit.commands
import tests.unit.record.test_handin_folder as t
from kit.classroom.overview import read_class
from kit.errors import KitError
from kit.record.handin import finish_and_clear, make_handin, read_handin, write_handin
from kit.record.workbook import Workbook
from kit.widgets.hand_in import HandInBox
from kit.widgets.stage import Stage
with tempfile.TemporaryDirectory() as folder:  # once through all: a user without rights may not load modules
    box = HandInBox(Workbook(Path(folder, "w.jsonl")), "coasting_disc", "explain", folder=folder)
    box.workbook.add("measure", "observation:runs", "rehearsed")
    box.make_button.click()
    read_class(folder)
    box.clear_button.click()
    assert "cleared" in box.cleared.text, [box.message.text, box.cleared.text]
"""
AS_ANOTHER = """
user, group, place, about = json.loads(sys.argv[1])
place = Path(place)
if user:
    os.setgroups([])
    os.setresgid(group, group, group)
    os.setresuid(user, user, user)
"""


@pytest.fixture(scope="module")
def forks():
    with Forks(LOADED, PROJECT) as forks:
        yield forks


@pytest.fixture
def start(forks):
    """Start a process that runs `code` as another user; `place` and `about` are names in it."""

    def start(code, place, user=0, group=0, **about):
        return forks.start(AS_ANOTHER + code, json.dumps([user, group or user, str(place), about]))

    return start


def said_by(process):
    """What it printed as JSON; whatever went wrong in it goes wrong here."""
    said, problems = process.communicate()
    assert process.returncode == 0, problems
    return json.loads(said.splitlines()[-1])


@pytest.fixture
def run(start):
    """As `start`, to the end: what it printed as JSON."""
    return lambda *what, **about: said_by(start(*what, **about))


def document(code, *texts):
    """A hand-in that says these texts. Those that begin alike begin with the same entries: copies of one workbook."""
    entries = []
    for text in texts:
        entries.append(
            make_entry(entries[-1] if entries else None, "measure", "observation:runs", text, False, time=TIME)
        )
    return handin_document(entries, code, "coasting_disc", TIME)


@pytest.fixture
def place():
    """A folder that others can reach (those of pytest are closed to them), on a fast disk if there is one."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="handins-", dir=memory if os.access(memory, os.W_OK) else None))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def shared(place, mode, owner=0, group=0):
    folder = place / "3b"
    folder.mkdir()
    os.chown(folder, owner, group)
    folder.chmod(mode)
    return folder


def rights(path):
    return stat.S_IMODE(path.stat().st_mode)


# --- none lost -----------------------------------------------------------------------------------------------------

AT_ONE_INSTANT = """
import errno, mmap, struct
me, texts, pairs, links = (about[key] for key in ("me", "texts", "pairs", "links"))
if not links:
    def refuse(*_): raise OSError(errno.EPERM, "no links here")
    os.link = refuse
with (place / "clock").open("r+b") as file:
    clock = mmap.mmap(file.fileno(), 16)
made = []
for k in range(pairs):
    handin = t.document(f"group-{k}", *texts)
    clock[8 * me : 8 * me + 8] = struct.pack("q", k + 1)
    while struct.unpack("q", clock[8 - 8 * me : 16 - 8 * me])[0] < k + 1:  # the other one is not there yet
        os.sched_yield()
    made.append(str(write_handin(handin, place / "3b")))
print(json.dumps(made))
"""


def at_one_instant(start, place, first, second, pairs, links=True):
    """Two processes hand in for each group at one instant; returns where each says it put them."""
    (place / "clock").write_bytes(bytes(16))
    processes = [
        start(AT_ONE_INSTANT, place, me=me, texts=texts, pairs=pairs, links=links)
        for me, texts in enumerate((first, second))
    ]
    return [said_by(process) for process in processes]


@pytest.mark.slow
@pytest.mark.parametrize(("links", "pairs"), [(True, 1000), (False, 200)])
def test_of_two_hand_ins_with_one_name_at_one_instant_none_is_lost(place, links, pairs, start):
    """Two copies of one workbook went on apart and have one code: the only way to one name. Before, 11 of 12 were lost.

    Once with a file system that has links, once with one that has none.
    """
    folder = shared(place, 0o777)
    made = at_one_instant(start, place, ("begun", "one way"), ("begun", "another way"), pairs, links)
    for mine, text in zip(made, ("one way", "another way"), strict=True):
        assert [read_handin(path).entries[-1].value for path in mine] == [text] * pairs
    assert not set(made[0]) & set(made[1])
    assert len(list(folder.iterdir())) == 2 * pairs  # and no draft is left
    plain = sum(not path.endswith("_2.json") for mine in made for path in mine)
    assert plain == pairs  # the first has the name, the second the next one


@pytest.mark.slow
def test_of_one_groups_two_pages_at_one_instant_the_later_hand_in_is_kept(place, start):
    folder = shared(place, 0o777)
    for k in range(200):
        write_handin(document(f"group-{k}", "a"), folder)
    at_one_instant(start, place, ("a", "b"), ("a", "b", "c"), 200)
    kept = [read_handin(path) for path in folder.iterdir()]
    assert sum(len(handin.entries) == 3 for handin in kept) == 200


def test_two_groups_with_one_code_have_two_names(place):
    folder = shared(place, 0o777)
    made = {write_handin(document("3b-1", text), folder).name for text in ("ours", "yours")}
    assert len(made) == 2 and not any(name.endswith("_2.json") for name in made)


# --- a folder that is missing, closed, or a file ---------------------------------------------------------------------

HAND_IN = """
box = HandInBox(Workbook(place / "home" / "w.jsonl"), "coasting_disc", "explain", folder=place / "3b")
box.workbook.add("measure", "observation:runs", "the lines fan out")
said = []
for mode in about["modes"]:
    if mode is not None:
        os.chmod(place / "3b", mode)
    box.code.value = "amber-otter-1"
    box.make_button.click()
    said.append([box.message.problem, box.message.text, box.links.value])
print(json.dumps(said))
"""


def home_for(place, user):
    (place / "home").mkdir()
    os.chown(place / "home", user, user)


@pytest.mark.slow
@as_root
@pytest.mark.parametrize("is_file", [False, True])
def test_a_missing_folder_is_an_error_for_the_group_and_for_the_teacher(place, is_file, run):
    place.chmod(0o777)
    home_for(place, STUDENT)
    if is_file:  # as an earlier kit left one
        (place / "3b").write_text("{}")
    before = sorted(path.name for path in place.iterdir())
    ((problem, message, link),) = run(HAND_IN, place, STUDENT, modes=[None])
    assert problem and "NOT written: the folder for hand-ins is not there" in message
    assert "download your hand-in, give that file to your teacher" in message
    assert b"the lines fan out" in b64decode(link.partition("base64,")[2].partition('"')[0])
    assert sorted(path.name for path in place.iterdir()) == before  # no file `3b`, no `3b_2`
    with pytest.raises(KitError, match="There is no hand-in here" if is_file else "There is no such folder or ZIP"):
        read_class(place / "3b")


@pytest.mark.slow
@as_root
@pytest.mark.parametrize("mode", [0o600, 0o000, 0o500])  # not searchable, closed, not writable
def test_a_closed_folder_is_said_and_what_was_said_before_goes(place, mode, run):
    home_for(place, STUDENT)
    shared(place, 0o700, STUDENT)
    (problem, message, _), then, again = run(HAND_IN, place, STUDENT, modes=[0o700, mode, 0o700])
    assert not problem and "Your hand-in is made" in message
    assert then[0] and "NOT written: you are not allowed to write into the folder for hand-ins" in then[1]
    assert "made" not in then[1] and "download=" in then[2]
    assert not again[0] and "Your hand-in is made" in again[1]


@pytest.mark.slow
@as_root
def test_a_folder_below_a_closed_one_is_said_too(place, run):
    home_for(place, STUDENT)
    shared(place, 0o777)
    os.chown(place / "home", STUDENT, STUDENT)
    (place / "closed").mkdir(mode=0o700)
    (place / "3b").rename(place / "closed" / "3b")
    (place / "3b").symlink_to(place / "closed" / "3b")
    ((problem, message, _),) = run(HAND_IN, place, STUDENT, modes=[None])
    assert problem and "you are not allowed to write" in message


# --- none read by others -------------------------------------------------------------------------------------------

TRY_TO_READ = """
found = {}
for name in about["names"]:
    try:
        found[name] = (place / "3b" / name).read_text() and "read"
    except OSError as problem:
        found[name] = type(problem).__name__
try:
    found["list"] = len(os.listdir(place / "3b"))
except OSError as problem:
    found["list"] = type(problem).__name__
print(json.dumps(found))
"""
READ_CLASS = """
try:
    overview = read_class(place / "3b")
    print(json.dumps([[group.code for group in overview.groups], [[r.file, r.why] for r in overview.refused]]))
except KitError as problem:
    print(json.dumps(str(problem)))
"""
HAND_IN_AGAIN_AND_CLEAR = """
os.umask(about["mask"])
workbook = Workbook(place / "home" / "w.jsonl")
workbook.add("measure", "observation:runs", "the lines fan out")
workbook.choose_code("3b-1")
first = write_handin(make_handin(workbook, "3b-1", "coasting_disc"), place / "3b")
workbook.add("measure", "observation:runs", "and they cross")
second = write_handin(make_handin(workbook, "3b-1", "coasting_disc"), place / "3b")
finish_and_clear(workbook, second)
print(json.dumps([first.name, second.name, len(read_handin(second).entries)]))
"""


@pytest.mark.slow
@as_root
@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_as_the_guide_has_it_the_teachers_read_and_no_other_student_does(place, mask, run):
    """Owner root, group teachers, mode 3753: the guide's own `chmod`."""
    home_for(place, STUDENT)
    folder = shared(place, 0o3753, group=TEACHERS)
    first, second, entries = run(HAND_IN_AGAIN_AND_CLEAR, place, STUDENT, mask=mask)
    assert first == second and entries == 3  # handed in again over the earlier one, and the machine cleared
    assert (rights(folder / first), (folder / first).stat().st_gid) == (0o640, TEACHERS)
    found = run(TRY_TO_READ, place, OTHER, names=[first, "handin_coasting_disc_3b-1.json"])
    assert found == {
        first: "PermissionError",
        "handin_coasting_disc_3b-1.json": "FileNotFoundError",
        "list": "PermissionError",
    }
    assert run(READ_CLASS, place, TEACHER, TEACHERS) == [["3b-1"], []]


@pytest.mark.slow
@as_root
def test_in_a_folder_of_roots_only_root_reads(place, run):
    home_for(place, STUDENT)
    folder = shared(place, 0o1733)
    name, *_ = run(HAND_IN_AGAIN_AND_CLEAR, place, STUDENT, mask=0)
    assert rights(folder / name) == 0o600
    assert run(TRY_TO_READ, place, OTHER, names=[name])[name] == "PermissionError"
    assert [group.code for group in read_class(folder).groups] == ["3b-1"]
    assert run(READ_CLASS, place, TEACHER).startswith(f"{folder}: You are not allowed to read this place")


@pytest.mark.slow
@as_root
def test_in_a_teachers_own_folder_the_teacher_reads_and_others_would_have_to_know_the_name(place, run):
    home_for(place, STUDENT)
    folder = shared(place, 0o1733, owner=TEACHER)
    name, *_ = run(HAND_IN_AGAIN_AND_CLEAR, place, STUDENT, mask=0)
    assert run(READ_CLASS, place, TEACHER) == [["3b-1"], []]
    guesses = ["handin_coasting_disc_3b-1.json", "handin_coasting_disc_3b-1_2.json"]
    found = run(TRY_TO_READ, place, OTHER, names=guesses)
    assert set(found.values()) == {"FileNotFoundError", "PermissionError"}
    shutil.rmtree(place / "home")
    home_for(place, STUDENT)
    folder.chmod(0o1777)  # everybody can list it: then only the group itself, and root, may read
    name, *_ = run(HAND_IN_AGAIN_AND_CLEAR, place, STUDENT, mask=0)
    assert rights(folder / name) == 0o600


def test_beside_the_notebook_nobody_else_reads(place):
    assert rights(write_handin(document("3b-1", "ours"), place)) == 0o600


@pytest.mark.slow
@as_root
def test_another_users_file_of_the_same_name_stays(place, run):
    folder = shared(place, 0o1777)
    first = write_handin(document("3b-1", "ours"), folder)
    code = "print(json.dumps(str(write_handin(t.document('3b-1', 'ours', 'yours'), place / '3b'))))"
    second = Path(run(code, place, STUDENT))
    assert second.name == f"{first.stem}_2.json"
    assert len(read_handin(first).entries) == 1 and len(read_handin(second).entries) == 2


# --- the class page without rights ---------------------------------------------------------------------------------


@pytest.mark.slow
@as_root
@pytest.mark.parametrize(("mode", "owner"), [(0o700, 0), (0o733, 0)])
def test_a_folder_that_the_teacher_may_not_list_is_not_called_empty(place, mode, owner, run):
    write_handin(document("3b-1", "ours"), shared(place, mode, owner))
    said = run(READ_CLASS, place, TEACHER)
    assert "You are not allowed to read this place" in said and "no hand-in here" not in said
    assert "the folder's group has to hold you" in said


@pytest.mark.slow
@as_root
def test_a_folder_below_one_that_is_closed(place, run):
    closed = shared(place, 0o700)
    (closed / "deeper").mkdir()
    said = run(READ_CLASS.replace('place / "3b"', 'place / "3b" / "deeper"'), place, TEACHER)
    assert "You are not allowed to read this place" in said


@pytest.mark.slow
@as_root
@pytest.mark.parametrize("mode", [0o755, 0o744])  # files that are closed; a folder that can be listed, not searched
def test_files_that_the_teacher_may_not_read_are_not_called_missing(place, mode, run):
    folder = shared(place, mode)
    write_handin(document("3b-1", "ours"), folder)
    (folder / "more.zip").write_bytes(b"PK")
    (folder / "more.zip").chmod(0o600)
    said = run(READ_CLASS, place, TEACHER)
    assert "You are not allowed to read the files here" in said


@pytest.mark.slow
@as_root
def test_closed_files_and_folders_are_named_beside_those_that_count(place, run):
    folder = shared(place, 0o755)
    write_handin(document("3b-1", "ours"), folder).chmod(0o644)
    (folder / "closed").mkdir(mode=0o700)
    closed = write_handin(document("3b-2", "yours"), folder)
    codes, refused = run(READ_CLASS, place, TEACHER)
    assert codes == ["3b-1"] and {name for name, _ in refused} == {"closed", closed.name}
    assert all(why.startswith("You are not allowed to read it") for _, why in refused)


@pytest.mark.slow
@as_root
def test_the_command_says_not_allowed_and_ends_with_1(place, start):
    shared(place, 0o700)
    code = """
from kit import commands, launcher
launcher.ensure = lambda *_, **__: None
print(json.dumps(commands.main(["class-overview", str(place / "3b" / "deeper"), "--report", "x.html"])))
"""
    process = start(code, place, TEACHER)
    _, problems = process.communicate()
    assert "class-overview: " in problems and "You are not allowed to read this place" in problems
    assert "Traceback" not in problems


# --- a full disk ---------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(place):
    """A file system of 1 MB, and a function that fills it."""
    disk = place / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m,mode=0777", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a small file system")

    def fill():
        with (disk / "filler").open("wb", buffering=0) as file:
            try:
                while file.write(b"." * 4096):
                    pass
            except OSError as problem:
                assert problem.errno == errno.ENOSPC

    try:
        yield SimpleNamespace(path=disk, fill=fill, free=(disk / "filler").unlink)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_full_folder_is_worded_for_those_who_cannot_choose_another(place, small_disk):
    folder = small_disk.path / "3b"
    folder.mkdir()
    first = write_handin(document("3b-1", "ours"), folder)
    small_disk.fill()
    for handin in (document("3b-1", "ours", "more"), document("3b-2", "yours")):
        with pytest.raises(KitError) as refused:
            write_handin(handin, folder)
        assert "NOT written: the disk with the folder for hand-ins is full" in str(refused.value)
        assert "give that file to your teacher" in str(refused.value)
        assert "choose another" not in str(refused.value)
    assert list(folder.iterdir()) == [first] and len(read_handin(first).entries) == 1
    small_disk.free()
    assert write_handin(document("3b-1", "ours", "more"), folder) == first


IN_A_FULL_HOME = """
def words(widget):
    own = " ".join(str(getattr(widget, name, "")) for name in ("value", "text"))
    return " ".join([own, *map(words, getattr(widget, "children", ()))])
disk = place / "disk"
workbook = Workbook(disk / "home" / "w.jsonl")
workbook.add("measure", "observation:runs", "the lines fan out")
said = {"before": words(Stage(about["lesson"], "measure", workbook).welcome())}
with (disk / "filler").open("wb", buffering=0) as file:
    try:
        while file.write(b"." * 4096): pass
    except OSError: pass
for stage in ("predict", "measure", "average", "trend", "explain"):
    said[stage] = words(Stage(about["lesson"], stage, workbook).welcome())
stage = Stage(about["lesson"], "measure", workbook)
box = stage.observation("runs")
said["kept"] = box.text.value
box.text.value = 500 * "and they cross. "  # more than there may be left in the file's last block
box.save_button.click()
said["saved"] = [box.message.problem, box.message.text, box.text.value]
said["rows"] = len(stage.results)
box = HandInBox(workbook, "coasting_disc", "explain", stage.progress.teacher_rows, place / "3b")
box.make_button.click()
said["hand-in"] = [box.message.problem, box.message.text, box.links.value[:20], str(box.made)]
(disk / "filler").unlink()
said["after"] = workbook.obstacle
print(json.dumps(said))
"""


@pytest.mark.slow
def test_in_a_full_home_pages_can_be_read_and_handed_in_and_nothing_seems_saved(place, small_disk, run):
    shared(place, 0o777)
    said = run(IN_A_FULL_HOME, place, lesson=str(PROJECT / "datasets_demo" / "coasting_disc"))
    assert "Nothing can be saved now" not in said["before"] and said["after"] == ""
    for stage in ("predict", "measure", "average", "trend", "explain"):
        assert "Nothing can be saved now: the disk is full. You can read what you saved before." in said[stage]
    assert said["kept"] == "the lines fan out" and said["rows"] == 21
    problem, message, text = said["saved"]
    assert problem and "NOT saved: the disk is full" in message and text.startswith("and they cross")
    problem, message, link, made = said["hand-in"]
    assert not problem and "It holds what was saved before." in message and link.startswith("<a download=")
    found = read_handin(made)
    assert found.entries[0].value == "the lines fan out" and found.results == ()
