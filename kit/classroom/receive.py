"""What a class desk does with a hand-in that comes in: judge it, keep it, keep each moment of it, say so once.

In the desk's folder lies each group's latest hand-in, as `kit.record.handin.write_handin` keeps it: it replaces the
former only where it holds all of that. Below `.moments` lies each one that came, named by its content; the class
overview passes hidden folders over. What comes twice is kept once.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from ..errors import KitError, NewerKit
from ..record.entries import MAX_DEPTH, Kind, strict_json
from ..record.handin import MAX_BYTES, handin_name, read_handin, write_handin
from ..record.journal import write_among_others, write_new
from ..record.sending import content_id
from ..record.workbook import CODE_SIGNS

__all__ = ["DeskIsFull", "DeskSettings", "Kept", "Receiver", "load_settings"]

MOMENTS, SETTINGS = ".moments", ".class_desk.json"
NEWER = "newer"  # how the file of a hand-in begins that only a later version of the kit can read
MOST_BYTES = 4_000_000_000  # of all that was ever kept in one folder: a prank fills no disk
SPARE_BYTES = 200_000_000  # left free on the disk
OLD_DRAFT_S = 3600.0


class DeskIsFull(KitError):
    """There is no room for more; what was kept stays."""


@dataclass(frozen=True)
class DeskSettings:
    """What stays the same when the desk is started again: the class's code, the teacher's key, the port."""

    code: str
    key: str
    port: int = 0  # 0: the usual one
    groups: int = 0  # how many there are; 0: nobody said


def load_settings(folder: str | Path, anew: bool = False, **changed) -> DeskSettings:
    """The settings kept in a folder, or new ones; only the folder's owner may read the file.

    Parameters
    ----------
    anew : with a new code and a new key, for another class or where they have got about.
    changed : values to keep from now on.

    Raises
    ------
    KitError : the folder or the file can't be written.
    """
    path = Path(folder) / SETTINGS
    settings = DeskSettings(_signs(4, 4), _signs(6, 6, 6))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(OSError, ValueError, TypeError):  # none yet, or damaged: new ones
            kept = DeskSettings(**json.loads(path.read_text("utf-8")))
            if all(isinstance(kept.__dict__[k], str) and len(kept.__dict__[k]) >= 8 for k in ("code", "key")):
                settings = replace(kept, code=settings.code, key=settings.key) if anew else kept
        settings = replace(settings, **changed)
        draft = path.with_name(f".{secrets.token_hex(16)}.part")
        write_new(draft, json.dumps(asdict(settings)).encode(), rights=0o600)
        draft.replace(path)
    except OSError as problem:
        why = f"The desk can't write into its folder ({problem.strerror or problem})"
        raise KitError(why, file=folder, fix="give a folder that you may write to") from problem
    return settings


def _signs(*lengths: int) -> str:
    """Signs by chance, in groups: easy to read aloud and to type, about 4.5 bits each."""
    return "-".join("".join(secrets.choice(CODE_SIGNS) for _ in range(n)) for n in lengths)


@dataclass(frozen=True)
class Kept:
    """A hand-in that is on the disk: what it is known by, and whether it was there before."""

    id: str
    new: bool
    group: str


class Receiver:
    """Keeps hand-ins in a folder. For one thread at a time; other processes may write there too."""

    def __init__(self, folder: str | Path):
        self.folder = Path(folder)
        self._moments = self.folder / MOMENTS
        self.folder.mkdir(parents=True, exist_ok=True)
        self._known: set[str] = set()
        self._bytes = 0
        self._look_around()

    def _look_around(self) -> None:
        """What was kept before; drafts that a killed process left go."""
        for path in [*self._moments.glob("*/*.json"), *self.folder.glob(f"{NEWER}_*.json")]:
            self._known.add(path.stem.rpartition("_")[2])
            self._bytes += path.stat().st_size
        for path in self.folder.glob(".*.part"):
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime > OLD_DRAFT_S:
                    path.unlink()

    def keep(self, data: bytes) -> Kept:
        """Judge and keep one hand-in; all of it is on the disk when this returns.

        One of a later version of the kit is kept as it came; the class overview names it among those not counted.

        Raises
        ------
        DeskIsFull : there is no room.
        KitError : it is no hand-in, in every detail, or the disk refuses.
        """
        try:
            group = read_handin(data, MAX_BYTES).code
        except NewerKit:
            group = ""
        document = strict_json(data, MAX_DEPTH + 4)
        mark = content_id(document)
        if mark in self._known:
            return Kept(mark, False, group)
        if self._bytes + len(data) > MOST_BYTES or shutil.disk_usage(self.folder).free < SPARE_BYTES + 3 * len(data):
            raise DeskIsFull("the desk has no room for more", fix="tell your teacher")
        if not group:
            self._keep_as_it_is(data, mark)
        else:
            if not self._has_a_fuller_one(document):
                write_handin(document, self.folder)
            self._keep_moment(document, data, mark)
        self._known.add(mark)
        self._bytes += len(data)
        return Kept(mark, True, group)

    def _has_a_fuller_one(self, document: dict) -> bool:
        """Whether a later hand-in of the group came before this one: then that stays the latest."""
        try:
            later = read_handin(self.folder / handin_name(document))
        except KitError:
            return False
        records = document["entries"]
        return len(later.entries) > len(records) and [e.record() for e in later.entries[: len(records)]] == records

    def _keep_as_it_is(self, data: bytes, mark: str) -> None:
        path = self.folder / f"{NEWER}_{mark}.json"
        try:
            write_among_others(path, data, lambda there: there.read_bytes() == data, rights=0o600)
        except OSError as problem:
            raise DeskIsFull(f"the desk can't write to its disk ({problem.strerror or problem})") from problem

    def _keep_moment(self, document: dict, data: bytes, mark: str) -> None:
        sent = [e["kind"].partition(":")[2] for e in document["entries"] if Kind.SENT.covers(e["kind"])]
        moment = sent[-1] if sent and sent[-1].isascii() and sent[-1].isalnum() and len(sent[-1]) < 30 else "other"
        folder = self._moments / handin_name(document).removesuffix(".json")
        try:
            self._moments.mkdir(mode=0o700, exist_ok=True)  # sessions on this machine may not list it
            folder.mkdir(exist_ok=True)
            path = folder / f"{len(document['entries']):05d}_{moment}_{mark}.json"
            write_among_others(path, data, lambda there: there.read_bytes() == data, rights=0o600)
        except OSError as problem:
            raise DeskIsFull(f"the desk can't write to its disk ({problem.strerror or problem})") from problem


def watch(folder: str | Path) -> tuple:
    """Something that changes whenever a hand-in comes into the folder, by whatever way."""
    seen = []
    for where, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if not name.startswith("."):
                with contextlib.suppress(OSError):
                    found = Path(where, name).stat()
                    seen.append((where, name, found.st_size, found.st_mtime_ns, found.st_ino))
    return tuple(seen)
