"""The hand-in: the one JSON file a group gives the teacher, made, written to a folder or an address, and read.

It holds no names. It carries every entry of the workbook with its hash, and the `Summary` of them for whoever does not
want to know about entries. Its schema is published in `handin_schema.json`. A hand-in that is read is a stranger's
file: it is refused with a `KitError`, or it is safe to compute with. Its texts may still hold markup or spreadsheet
formulas: whoever shows or exports them has to escape them.
"""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, is_dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, TypeGuard
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from ..errors import KitError, NewerKit
from .entries import MAX_DEPTH, Entry, Kind, chain_problems, read_entry, strict_json
from .journal import numbered, write_among_others
from .summary import Summary, summarise
from .workbook import Workbook, check_code, check_lesson

__all__ = [
    "HandIn",
    "Store",
    "finish_and_clear",
    "handin_document",
    "handin_name",
    "is_address",
    "joined",
    "local_path",
    "make_handin",
    "read_handin",
    "shown_place",
    "write_handin",
]

SCHEMA, VERSION = "kit-handin", 2
SINCE = {"claims": 2}  # keys that came with a later version
HEADER = ("schema", "version", "code", "lesson", "made", "damage")
MAX_BYTES = 5_000_000

NOT_WRITTEN = "The hand-in was NOT written"
GIVE_FILE = "download your hand-in, give that file to your teacher, and show them this message"

DEEPEST = 20  # folders within folders; local folders end by themselves, a store's names need not
BLOCK_BYTES = 1_000_000  # what is fetched at once of a ZIP


@dataclass(frozen=True)
class HandIn(Summary):
    """What one group did: the summary of its entries, and these."""

    code: str
    lesson: str
    made: str  # UTC, ISO 8601
    entries: tuple[Entry, ...]
    warnings: tuple[str, ...]  # plain sentences: what was changed after it was saved, what was damaged
    unchanged: bool  # every entry is as it was saved, and in its place


# --- made ------------------------------------------------------------------------------------------------------------


def make_handin(workbook: Workbook, code: str, lesson: str) -> dict[str, Any]:
    """The hand-in of a workbook as it stands now, as one JSON object.

    Raises
    ------
    KitError : the code or the lesson's name cannot be used, the workbook is empty, or a value does not have
        the form that `summary` states for its kind.
    """
    code, lesson, entries = check_code(code), check_lesson(lesson), workbook.entries
    if not entries:
        raise KitError("there is nothing to hand in yet", file=workbook.path)
    made = datetime.now(UTC).isoformat(timespec="milliseconds")
    try:
        return handin_document(entries, code, lesson, made, workbook.damage)
    except ValueError as problem:
        raise KitError(str(problem), file=workbook.path, fix="show this to your teacher") from problem


def handin_document(
    entries: Sequence[Entry], code: str, lesson: str, made: str, damage: Sequence[str] = ()
) -> dict[str, Any]:
    """The JSON object of a hand-in that was made at the UTC time `made`.

    It is of the lowest version that holds it all, so that a kit that knows no claims reads what has none.

    Raises
    ------
    ValueError : as `summarise` does.
    """
    summary = _as_json(summarise(entries))
    version = max(since if summary[key] else 1 for key, since in SINCE.items())
    header = dict(zip(HEADER, (SCHEMA, version, code, lesson, made, list(damage)), strict=True))
    known = {key: value for key, value in summary.items() if SINCE.get(key, 1) <= version}
    return header | known | {"entries": [entry.record() for entry in entries]}


def _as_json(summary: Summary) -> dict[str, Any]:
    """Dataclasses as objects, tuples as lists: as they come back from a file."""
    plain = {name: list(value) if isinstance(value, tuple) else value for name, value in vars(summary).items()}
    return plain | {"predictions": [_fields(prediction) for prediction in summary.predictions]}


def _fields(value: Any) -> Any:
    """As `dataclasses.asdict`, without a copy of every text: nothing changes them."""
    return {name: _fields(part) for name, part in vars(value).items()} if is_dataclass(value) else value


# --- written ---------------------------------------------------------------------------------------------------------


def write_handin(handin: Mapping[str, Any], path: str | Path) -> Path | str:
    """Write a hand-in to the file `path` if that ends in .json, else into the folder `path`; return where it is.

    The folder has to be there. `path` may be an address, such as s3://bucket/class-3b. An earlier hand-in of that
    name is replaced only if the new one holds all its entries. Otherwise it stays, and the new one's name gets a
    number, also where two groups hand in at the same instant. In a folder, the name is that of `handin_name`, and
    nobody may read the file who need not (see `_rights_in`).

    Raises
    ------
    KitError : the file cannot be written, or is too large to be read again.
    """
    data = json.dumps(handin, ensure_ascii=False, allow_nan=False).encode()
    if len(data) > MAX_BYTES:
        raise KitError(f"the hand-in is larger than {MAX_BYTES / 1e6:g} MB", file=shown_place(path))
    local = local_path(path)
    if local is None:
        return _write_to_store(handin, data, str(path))
    try:
        if local.suffix != ".json" or (local.exists() and local.is_dir()):
            local = local / handin_name(handin)
        rights = _rights_in(local.parent.stat())
        return write_among_others(local, data, lambda target: _holds_all(handin, target), rights)
    except OSError as problem:
        raise KitError(f"{NOT_WRITTEN}: {_why(problem)}", file=local.parent, fix=GIVE_FILE) from problem


def handin_name(handin: Mapping[str, Any]) -> str:
    """The usual name of a hand-in's file: lesson, code, and 16 digits that nobody outside the group can guess.

    Whoever may not list a folder has to know a file's name to open it, and a code may be guessed or overheard. The
    digits are those of the hash of the entry with the code. It depends on all that was entered before, and when.
    So they stay the same when the group hands in again, and two groups with one code have two names.
    """
    records = handin["entries"]
    coded = [record for record in records if record["kind"] == Kind.CODE]
    return f"handin_{handin['lesson']}_{handin['code']}_{(coded or records)[-1 if coded else 0]['hash'][:16]}.json"


def _rights_in(folder: os.stat_result) -> int:
    """Who may read a hand-in in this folder: its group, and whoever needs to so that the teacher's page works.

    With the folder's set-group-ID bit, files belong to the folder's group, that of the teachers, which then may read
    them. Without it the owner of the folder has to. Root reads everything; where another user owns the folder, all may
    read a file whose name they know, provided that the folder can't be listed.
    """
    if folder.st_mode & stat.S_ISGID and folder.st_mode & stat.S_IRGRP:
        return 0o640
    mine = not hasattr(os, "geteuid") or folder.st_uid in (0, os.geteuid())
    return 0o600 if mine or folder.st_mode & stat.S_IROTH else 0o644


def _why(problem: OSError) -> str:
    """Why a file could not be written, for a group that cannot choose another place."""
    if isinstance(problem, FileNotFoundError | NotADirectoryError):
        return "the folder for hand-ins is not there"
    if problem.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "you are not allowed to write into the folder for hand-ins"
    if problem.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return "the disk with the folder for hand-ins is full"
    return problem.strerror or str(problem)


def _write_to_store(handin: Mapping[str, Any], data: bytes, address: str) -> str:
    if not address.endswith(".json"):
        address = joined(address, handin_name(handin))
    folder, _, name = address.rpartition("/")
    for path in chain([Path(name)], numbered(Path(name))):
        store = Store(target := joined(folder, path.name))
        if store.write(data, new=True):
            return target
        if _holds_all(handin, target):
            store.write(data)
            return target
    raise KitError(f"{NOT_WRITTEN}: too many files have this name", file=shown_place(address), fix=GIVE_FILE)


def _holds_all(handin: Mapping[str, Any], path: str | Path) -> bool:
    """Whether the hand-in has, at its beginning, every entry of the one at `path`."""
    try:
        earlier = [entry.record() for entry in read_handin(path).entries]
    except KitError:  # not a hand-in: whatever it is, it stays
        return False
    return earlier == handin["entries"][: len(earlier)]


# --- read ------------------------------------------------------------------------------------------------------------


def read_handin(source: str | Path | bytes, max_bytes: int = MAX_BYTES, *, name: str = "hand-in") -> HandIn:
    """Read a hand-in from a file, an address, or its bytes (then `name` stands for it in messages).

    The summary is made afresh from the entries. Where entries were changed after they were saved, or the
    summary in the file says something else, `warnings` tells.

    Raises
    ------
    NewerKit (a `KitError`) : a later version of the kit made it.
    KitError : naming the file, for anything else that is not a hand-in in every detail.
    """
    if not isinstance(source, bytes):
        name, source = shown_place(source), _read_at_most(source, max_bytes)
    if len(source) > max_bytes:
        raise KitError(f"this file is larger than {max_bytes / 1e6:g} MB", file=name)
    try:
        return _from_document(strict_json(source, MAX_DEPTH + 4))
    except NewerKit as problem:
        raise NewerKit(problem.what, file=name, found=problem.found) from problem
    except KitError as problem:  # about the code or the lesson's name, which do not know the file
        raise KitError(problem.problem, file=name, found=problem.found) from problem
    except ValueError as problem:
        why = f"this file is not a hand-in: {problem}"
        raise KitError(why, file=name, fix="ask the group to hand in again") from problem


def _read_at_most(place: str | Path, max_bytes: int) -> bytes:
    path = local_path(place)
    if path is None:
        return Store(str(place)).read(at_most=max_bytes + 1)
    try:
        if not path.is_file():  # a folder, a pipe or a device would fail or wait for ever
            raise KitError("there is no such file", file=path)
        with path.open("rb") as file:
            return file.read(max_bytes + 1)
    except (OSError, ValueError) as problem:
        raise KitError(f"this file cannot be read: {problem}", file=path) from problem


def _from_document(found: Any) -> HandIn:
    if not isinstance(found, dict) or found.get("schema") != SCHEMA:
        raise ValueError(f"it does not say schema: {SCHEMA}")
    if type(found.get("version")) is not int or found["version"] < 1:
        raise ValueError("its version is not a whole number from 1 up")
    if found["version"] > VERSION:
        raise NewerKit("hand-in", found=f"version {found['version']} of its form; known here: {VERSION}")
    later = {key for key, since in SINCE.items() if since > found["version"]}
    expected = {*HEADER, *Summary.__dataclass_fields__, "entries"} - later
    if wrong := sorted(expected ^ set(found)):
        raise ValueError(f"a key is missing or unknown: {', '.join(wrong)[:80]}")
    for key in ("code", "lesson", "made"):
        if not isinstance(found[key], str) or len(found[key]) > 64:
            raise ValueError(f"{key} is not a short text")
    if not isinstance(found["damage"], list) or not all(isinstance(text, str) for text in found["damage"]):
        raise ValueError("damage is not a list of texts")
    if not isinstance(found["entries"], list) or not found["entries"]:
        raise ValueError("entries is not a list with something in it")
    entries = []
    for number, record in enumerate(found["entries"], 1):
        try:
            entries.append(read_entry(record))
        except ValueError as problem:
            raise ValueError(f"at entry {number}, {problem}") from problem
    summary = summarise(entries)
    changes = chain_problems(entries)
    warnings = [*changes, *found["damage"]]
    if any(found[key] != value for key, value in _as_json(summary).items() if key not in later):
        warnings.append("The summary in the file does not fit the entries. The entries count.")
    return HandIn(
        **vars(summary),
        code=check_code(found["code"]),
        lesson=check_lesson(found["lesson"]),
        made=found["made"],
        entries=tuple(entries),
        warnings=tuple(warnings),
        unchanged=not changes,
    )


def finish_and_clear(workbook: Workbook, handin_path: str | Path, *, remove: bool = False) -> Path | None:
    """Clear a shared machine for the next group, once the hand-in file holds every entry of the workbook.

    The hand-in is read back from where it was written and compared entry by entry, values and hashes. Only then, and
    only if no other notebook adds an entry meanwhile, the workbook moves into the folder `finished` beside
    it, where a teacher can empty it. With `remove` it is deleted instead; `Workbook.restore` of the lines
    of the hand-in's entries brings it back. Returns where the workbook is now, if anywhere.

    Raises
    ------
    KitError : the hand-in cannot be read or lacks an entry; the workbook stays as it is.
    """
    handin = read_handin(handin_path)
    if handin.entries != workbook.entries:
        raise KitError(
            "The workbook was not cleared: the hand-in does not hold the same entries",
            file=shown_place(handin_path),
            fix="make the hand-in again, then finish",
        )
    return workbook.clear(handin.entries[-1].hash, remove=remove)


# --- where it lies: a path, or an address of a store -----------------------------------------------------------------


def is_address(place: object) -> TypeGuard[str]:
    """Whether this is an address with a scheme, such as s3://…, and not a path."""
    return isinstance(place, str) and "://" in place


def local_path(place: str | Path) -> Path | None:
    """The path that is meant, on this machine; None for an address elsewhere."""
    if not is_address(place):
        return Path(place)
    if place.startswith("file://"):
        return Path(url2pathname(unquote(urlsplit(place).path)))
    return None


def joined(folder: str, name: str) -> str:
    """The address of a file in a folder."""
    return f"{folder.rstrip('/')}/{name}"


def shown_place(place: str | Path) -> str:
    """A place as it may be shown: without names, keys and tokens that the address may carry."""
    if not is_address(place):
        return str(place)
    scheme, _, rest = place.partition("://")
    rest = rest.partition("?")[0].partition("#")[0]
    secret, at, after = rest.rpartition("@")  # a key may itself hold a slash
    return f"{scheme}://{after if at and (':' in secret or '/' not in secret) else rest}"


class Store:
    """What lies at an address. Every method may raise `KitError`, worded for a teacher or a group.

    Parameters
    ----------
    address : scheme://…, as fsspec reads it; settings of the store come from the environment.
    """

    def __init__(self, address: str):
        self.shown = shown_place(address)
        if "::" in address:
            raise KitError("This address goes through several steps", file=self.shown, fix="give the plain one")
        try:
            from fsspec.core import url_to_fs
        except ImportError as problem:
            raise _lacks("fsspec", self.shown) from problem
        with self._worded():
            self._fs, self._path = url_to_fs(address)
            self._fs.invalidate_cache()  # hand-ins may have come since the last look

    @property
    def is_file(self) -> bool:
        """Whether a single file lies there."""
        with self._worded():
            return self._fs.info(self._path)["type"] == "file"

    def files(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """(path below the address, fsspec's details of it) of all files, one folder after the other."""
        with self._worded():
            if self.is_file:
                yield self._path.rpartition("/")[2], self._fs.info(self._path)
                return
            for where, folders, files in self._fs.walk(self._path, maxdepth=DEEPEST, detail=True, on_error="raise"):
                below = where[len(self._path) :].strip("/")
                for name in sorted(filter(None, files)):  # a store may list the folder itself, without a name
                    yield f"{below}/{name}".lstrip("/"), files[name]
                for name in sorted(folders):  # in this order they are walked
                    folders[name] = folders.pop(name)

    def read(self, details: dict[str, Any] | None = None, at_most: int = 0) -> bytes:
        """The first `at_most` bytes of the file with these details, or of the address itself."""
        with self._worded():
            details = self._fs.info(self._path) if details is None else details
            size = at_most if details.get("size") is None else min(int(details["size"]), at_most)
            if details["type"] != "file" or size == 0:  # a store refuses a range of nothing
                return b""
            return self._fs.cat_file(details["name"], start=0, end=size)[:at_most]

    def open(self, details: dict[str, Any]) -> BinaryIO:
        """The file with these details, to be read in places; whoever opens it closes it."""
        with self._worded():
            return self._fs.open(details["name"], "rb", block_size=BLOCK_BYTES)

    def exists(self) -> bool:
        """Whether anything lies at the address."""
        with self._worded():
            return self._fs.exists(self._path)

    def write(self, data: bytes, new: bool = False) -> bool:
        """Put a file there, whole; a store shows it only once all of it has come. A folder has to be there.

        With `new`, only if nothing has that name yet, or False is returned. S3 decides that itself, so that of two at
        the same instant one gets the name. Other stores are only asked before; there, names have to differ.
        """
        with self._worded(NOT_WRITTEN, GIVE_FILE):
            if new and self._fs.exists(self._path):
                return False
            try:
                self._fs.pipe_file(self._path, data, **({"mode": "create"} if new else {}))
            except TypeError:  # an adapter that knows no `mode`
                self._fs.pipe_file(self._path, data)
            except OSError:
                if new and self._fs.exists(self._path):
                    return False
                raise
        return True

    @contextmanager
    def _worded(self, what: str = "This place can't be used", then: str = "") -> Iterator[None]:
        """Word whatever goes wrong out there. A store's adapter may raise anything; its text is never passed on.

        `then`: what to do, where that is the same whatever went wrong.
        """
        try:
            yield
        except (KitError, GeneratorExit):
            raise
        except FileNotFoundError:
            fix = then or "check the address; a bucket has to be made first"
            why = f"{what}: there is no such bucket" if then else "There is no such folder, ZIP or bucket"
            raise KitError(why, file=self.shown, fix=fix) from None
        except ImportError as problem:
            raise _lacks(problem.name or "another one", self.shown) from None
        except Exception as problem:
            kind = type(problem).__name__
            if isinstance(problem, PermissionError) or "Credential" in kind:
                why, fix = "the store does not let you in", "set its keys in the environment, not in the address"
            elif isinstance(problem, ValueError):
                why, fix = "the address can't be understood", "it begins as s3://, memory:// or file:// do"
            else:
                why, fix = f"the store does not answer as it should ({kind})", "check the address and the network"
            raise KitError(f"{what}: {why}", file=self.shown, fix=then or fix) from None


def _lacks(name: str, shown: str) -> KitError:
    fix = 'install it: pip install "spin-down-inquiry-kit[object-store]" (in the project\'s folder: ".[object-store]")'
    return KitError(f"Addresses of this kind need the package {name}, which is not installed", file=shown, fix=fix)
