"""The files of a class: a folder, a ZIP or a store, read one file at a time, with no trust in what is there.

Nothing is ever unpacked to the disk, so no name in a ZIP can lead anywhere. Whatever cannot be read comes back as a
file with a problem, and the next file is read. What a file's *content* says is judged by `kit.record.handin`.
"""

from __future__ import annotations

import os
import re
import stat
import struct
import time
import zipfile
import zlib
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from ..errors import KitError
from ..lessons.by_hand import clicks_of
from ..record.handin import MAX_BYTES, HandIn, Store, local_path, read_handin

__all__ = ["LET_IN", "NOT_ALLOWED", "ClassFile", "class_files", "class_first_passes", "clean_text"]

NOT_ALLOWED = "you are not allowed to read it"
LET_IN = "ask whoever runs this machine: the folder's group has to hold you (see notebooks/teacher/school_server.md)"

MAX_FILES = 100_000
MAX_DIRECTORY_BYTES = 10_000_000  # a ZIP's list of contents, which has to be read at once
MAX_RATIO = 50  # a ZIP of hand-ins unpacks to 5 to 20 times its size; a bomb, to 1000 times and more
SPARE_BYTES = 20_000_000  # ... but a small ZIP may always unpack to this
_TICK_S = 3.0  # a file that changed less than so long ago may change again without another time
# What systems leave behind, and hidden files; but not "..", which has to be told.
QUIET = re.compile(r"(^|/)(\.(?!\.?([/\\]|$))|__MACOSX/|Thumbs\.db$|desktop\.ini$|README\.md$)", re.IGNORECASE)
# Characters that act instead of being seen: controls, and those that turn the direction of the text after them.
_ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2028\u2029\u2066-\u2069\ufeff]")
_DAMAGED = (zipfile.BadZipFile, OSError, ValueError, RuntimeError, EOFError, struct.error, zlib.error)
# RuntimeError holds NotImplementedError: what a ZIP asks for and zipfile does not know


@dataclass(frozen=True)
class ClassFile:
    """One file of a class: its name, cleaned for showing, and its bytes (one more than allowed if too long)."""

    name: str
    data: bytes | None
    problem: str = ""  # why there are no bytes
    fix: str = ""
    mark: tuple | None = None  # of a plain file: what changes whenever its bytes do; None where nothing is sure to


def class_files(source: str | Path, known: Container[tuple] = ()) -> Iterator[ClassFile]:
    """All `.json` files of a folder (with its subfolders and ZIPs), of a ZIP, or one file; each read when asked for.

    `source` may also be an address, such as s3://bucket/class-3b. The same limits hold there. A plain file whose mark
    is `known` is not read again: it comes without bytes and without a problem.

    Hidden files and those that systems leave behind are passed over; every other file is named with its problem.

    Raises
    ------
    KitError : there is no such folder or file, you are not allowed to read it, or the store does not let us in.
    """
    path = local_path(source)
    if path is None:
        return _limited(_store_files(Store(str(source))))
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            os.scandir(path).close()  # said before the first file is asked for
            return _limited(_folder_files(path, known))
        if stat.S_ISREG(mode):
            return _limited(_one(str(path), path.name, known))
    except PermissionError:
        what = "You are not allowed to read this place. So nobody can say whether there are hand-ins in it"
        raise KitError(what, file=path, fix=LET_IN) from None
    except (OSError, ValueError):  # whatever else is wrong with the name, nothing can be there
        pass
    raise KitError("There is no such folder or ZIP", file=path, fix="check the name and where you are")


def clean_text(text: str, limit: int) -> str:
    """A stranger's text fit to be shown anywhere: characters that act become �, and a long one is cut and says so."""
    text = _ACTING.sub("�", text[: limit + 1].replace("\r\n", "\n"))
    return text if len(text) <= limit else text[:limit] + " … (cut here)"


def _limited(files: Iterator[ClassFile]) -> Iterator[ClassFile]:
    for number, file in enumerate(files, 1):
        if number > MAX_FILES:
            yield ClassFile("(the rest)", None, f"only {MAX_FILES} files are read", "give the class in smaller folders")
            return
        yield file


def _folder_files(folder: Path, known: Container[tuple]) -> Iterator[ClassFile]:
    closed: list[OSError] = []  # folders that cannot be listed: left out, they would seem empty
    for where, folders, names in os.walk(folder, onerror=closed.append):  # which follows no links
        folders[:] = sorted(name for name in folders if not QUIET.search(f"{name}/"))  # may be closed: a desk's own are
        below = "" if where == str(folder) else f"{Path(where).relative_to(folder).as_posix()}/"
        for name in sorted(names):
            if not QUIET.search(below + name):
                yield from _one(f"{where}{os.sep}{name}", below + name, known)
    for problem in closed:
        yield _unreadable(_name(Path(problem.filename).relative_to(folder).as_posix()), problem)


def _one(path: str, shown: str, known: Container[tuple]) -> Iterator[ClassFile]:
    name, lower = _name(shown), shown.lower()
    try:
        found = os.lstat(path)  # a page asks for thousands of files again and again: a Path takes longer than this
        if not stat.S_ISREG(found.st_mode):  # a link may lead anywhere; a pipe would wait for ever
            yield ClassFile(name, None, "it is a link or a device, not a file", "put the file itself into the folder")
        elif lower.endswith(".zip"):
            packed = Path(path)
            packed.open("rb").close()  # said as for other files, if it is not allowed
            yield from _zip_files(lambda: packed.open("rb"), name)
        elif not lower.endswith(".json"):
            yield ClassFile(name, None, "its name does not end in .json", "ask for the hand-in file itself")
        else:
            mark = (name, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)
            if mark in known:
                yield ClassFile(name, None, mark=mark)
            else:
                yield ClassFile(name, _bytes_of(Path(path)), mark=mark if _is_settled(found) else None)
    except OSError as problem:
        yield _unreadable(name, problem)


def _is_settled(found: os.stat_result) -> bool:
    """Whether another change would show: clocks of some disks tick every two seconds, so two within one look alike."""
    return time.time() - max(found.st_mtime, found.st_ctime) > _TICK_S


def _bytes_of(path: Path) -> bytes:
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size  # asking for less than the limit saves a large buffer
        return file.read(min(size, MAX_BYTES) + 1)


def _unreadable(name: str, problem: OSError) -> ClassFile:
    if isinstance(problem, PermissionError):
        return ClassFile(name, None, NOT_ALLOWED, LET_IN)
    return ClassFile(name, None, f"it cannot be read: {problem.strerror}")


def _store_files(store: Store) -> Iterator[ClassFile]:
    for shown, details in store.files():
        if not QUIET.search(shown):
            yield from _stored(store, shown, details)


def _stored(store: Store, shown: str, details: dict) -> Iterator[ClassFile]:
    name, ending = _name(shown), PurePosixPath(shown).suffix.lower()
    if details.get("type") != "file" or details.get("islink"):
        yield ClassFile(name, None, "it is a link or a device, not a file", "put the file itself into the folder")
    elif ending == ".zip":
        yield from _zip_files(lambda: store.open(details), name)
    elif ending != ".json":
        yield ClassFile(name, None, "its name does not end in .json", "ask for the hand-in file itself")
    else:
        try:
            yield ClassFile(name, store.read(details, MAX_BYTES + 1))
        except KitError as problem:
            yield ClassFile(name, None, problem.problem, problem.fix or "")


def _zip_files(open_zip: Callable[[], BinaryIO], name: str) -> Iterator[ClassFile]:
    try:
        with open_zip() as packed, zipfile.ZipFile(_checked(packed)) as archive:
            budget = MAX_RATIO * packed.seek(0, os.SEEK_END) + SPARE_BYTES
            for info in archive.infolist():
                if info.is_dir() or QUIET.search(info.filename):
                    continue
                if budget <= 0:
                    problem = f"it unpacks to more than {MAX_RATIO} times its size: the rest was not read"
                    yield ClassFile(name, None, problem, "find out who made it")
                    return
                file = _zip_entry(archive, info, name)
                budget -= len(file.data or b"")
                yield file
    except KitError as problem:
        yield ClassFile(name, None, problem.problem, problem.fix or "")
    except _DAMAGED as problem:
        why = f"this ZIP cannot be read: {clean_text(str(problem), 100) or type(problem).__name__}"
        yield ClassFile(name, None, why, "make it again, or unpack it and give the folder")


def _zip_entry(archive: zipfile.ZipFile, info: zipfile.ZipInfo, zip_name: str) -> ClassFile:
    name = f"{zip_name} / {_name(info.filename)}"
    parts = PurePosixPath(info.filename.replace("\\", "/")).parts
    if ".." in parts or parts[:1] == ("/",) or re.match(r"[A-Za-z]:", info.filename):
        return ClassFile(name, None, "its name climbs out of the ZIP", "find out who made it")
    ending = PurePosixPath(info.filename).suffix.lower()
    if ending != ".json":
        inner = ending == ".zip"
        problem = "a ZIP inside a ZIP is not opened" if inner else "its name does not end in .json"
        return ClassFile(name, None, problem, "unpack it" if inner else "ask for the hand-in file itself")
    if info.flag_bits & 1:
        return ClassFile(name, None, "it is locked with a password", "unpack it and give the folder")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return ClassFile(name, None, "it is packed in an unusual way", "unpack it and give the folder")
    if info.file_size > MAX_BYTES:
        return ClassFile(name, None, f"it is larger than {MAX_BYTES / 1e6:g} MB", "ask the group to hand in again")
    try:
        with archive.open(info) as file:
            return ClassFile(name, file.read(MAX_BYTES + 1))  # whatever size the ZIP states
    except _DAMAGED as problem:
        return ClassFile(name, None, f"it is damaged: {clean_text(str(problem), 100)}", "ask for it again")


def _checked(file: BinaryIO) -> BinaryIO:
    """Refuse (ValueError) a ZIP whose list of contents would fill the memory before a single file is read."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - 65_557 - 20))  # the longest possible end record, and what may stand before it
    tail = file.read()
    at_end = tail[-22:-18] == b"PK\x05\x06" and tail[-2:] == b"\0\0"
    end = len(tail) - 22 if at_end else tail.rfind(b"PK\x05\x06")  # as zipfile looks for it
    listed = int.from_bytes(tail[end + 12 : end + 16], "little") if end >= 0 else 0
    if tail[max(end - 20, 0) : max(end - 16, 0)] == b"PK\x06\x07" or listed > MAX_DIRECTORY_BYTES:
        raise ValueError("it lists too many files")
    return file


def _name(path: str) -> str:
    return clean_text(path.replace("\n", "�").replace("\t", "�"), 120)


# --- where a class starts counting by eye ----------------------------------------------------------------------------


def class_first_passes(
    folder: str | Path, lesson_name: str, source: str, start_period_s: float, passes: int, own_code: str = ""
) -> list[int]:
    """First passes that the groups of a class chose on one run, one for each member, sorted.

    A group that handed in several times counts once, with its longest hand-in. Files that are no hand-ins of this
    lesson are passed over.

    Parameters
    ----------
    folder : the class's folder, ZIP or address of a store.
    source, start_period_s, passes : the run's file, the turn period (s), how many passes its log has.
    own_code : the code of the group that looks: its own clicks are left out.

    Raises
    ------
    KitError : there is no such folder, or you may not read it.
    """
    groups: dict[str, HandIn] = {}
    for file in class_files(folder):
        try:
            handin = read_handin(file.data) if file.data is not None else None
        except KitError:
            continue
        if handin is None or handin.lesson != lesson_name or (own_code and handin.code == own_code):
            continue
        first = handin.entries[0].hash
        if first not in groups or len(groups[first].entries) < len(handin.entries):
            groups[first] = handin
    found = [clicks_of(handin.entries, source, start_period_s, passes) for handin in groups.values()]
    return sorted(chosen for clicks in found for chosen in clicks.values())
