"""A file that only grows: appended under a lock, synced, never overwritten. The disk side of the workbook."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import time
from collections.abc import Callable, Iterator
from importlib import import_module
from itertools import chain
from pathlib import Path
from types import ModuleType

__all__ = ["Journal", "write_among_others", "write_new"]


def _only_here(name: str) -> ModuleType | None:
    """A module that not every system has."""
    try:
        return import_module(name)
    except ImportError:
        return None


fcntl, msvcrt = _only_here("fcntl"), _only_here("msvcrt")  # with neither (Python in a browser): no second process

LOCK_WAIT_S = 10.0
TRIAL_BYTES = 4096  # one block: less may find room in a file that has some left
_BUSY = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
_NO_LOCKS_HERE = (errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP)
_NO_LINKS_HERE = (*_NO_LOCKS_HERE, errno.EPERM, errno.EMLINK, errno.EINVAL)
_BINARY = getattr(os, "O_BINARY", 0)  # Windows would turn line ends into two bytes


class Journal:
    """The bytes of one append-only file. Every method may raise `OSError`.

    The lock is a file beside it, held by the operating system, which gives it back even when the process
    is killed: there are no stale locks. On a file system without locks, appending goes on without one.
    """

    def __init__(self, path: Path):
        self.path = path

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other processes and notebooks from appending. Makes the folder if needed; not re-entrant.

        Raises `TimeoutError` (an `OSError`) if the lock is not free within ten seconds.
        """
        if not self.path.parent.exists():
            self.path.parent.mkdir(parents=True, exist_ok=True)
            _sync_folder(self.path.parent.parent)
        descriptor = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o666)
        try:
            _lock(descriptor)
            try:
                yield
            finally:
                _unlock(descriptor)
        finally:
            os.close(descriptor)

    def read(self) -> bytes:
        """All its bytes; empty if there is no file yet."""
        try:
            return self.path.read_bytes()
        except FileNotFoundError:
            return b""

    def state(self) -> tuple[int, int, int] | None:
        """Something that changes whenever the file does; None if there is no file yet."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def append(self, lines: bytes) -> None:
        """Add whole lines in one write, synced before returning; only under the lock.

        If that fails (a full disk), the file is cut back to what it was. If the last line had lost its
        line end, it gets one first.
        """
        is_new = not self.path.exists()
        descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | _BINARY, 0o666)
        try:
            size = os.fstat(descriptor).st_size
            if size:
                os.lseek(descriptor, size - 1, os.SEEK_SET)
                lines = lines if os.read(descriptor, 1) == b"\n" else b"\n" + lines
            _write_and_sync(descriptor, lines, size)
        finally:
            os.close(descriptor)
        if is_new:
            _sync_folder(self.path.parent)

    def try_out(self) -> None:
        """Raise the `OSError` that appending would meet now, by writing a file beside this one that does not stay."""
        trial = self.path.with_name(f".{secrets.token_hex(8)}.trial")
        try:
            write_new(trial, b"." * TRIAL_BYTES)
        finally:
            trial.unlink(missing_ok=True)
        if self.path.exists():
            os.close(os.open(self.path, os.O_RDWR | os.O_APPEND))

    def set_tail_aside(self, start: int) -> Path:
        """Move the bytes from `start` on into a new file beside this one; only under the lock."""
        kept = self.keep_beside("damaged", self.read()[start:])  # first the copy, then the cut
        descriptor = os.open(self.path, os.O_RDWR | _BINARY)
        try:
            os.ftruncate(descriptor, start)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        return kept

    def keep_beside(self, label: str, data: bytes) -> Path:
        """Write `data` to a new file `<stem>.<label>-<k><suffix>` beside this one; return its path."""
        for path in numbered(self.path, f".{label}-", first=1):
            with contextlib.suppress(FileExistsError):
                write_new(path, data)
                return path
        raise OSError(errno.EEXIST, "too many files are kept beside it")

    def kept_beside(self) -> list[Path]:
        """The files `keep_beside` has written."""
        start, end = f"{self.path.stem}.", f"-[0-9]*{self.path.suffix}"
        return sorted(p for p in self.path.parent.glob(f"*{end}") if p.name.startswith(start))


def numbered(path: Path, mark: str = "_", first: int = 2) -> Iterator[Path]:
    """Names beside `path` to try where nothing may be replaced: `<stem>_2<suffix>`, `<stem>_3<suffix>` … up to 9999."""
    for number in range(first, 10_000):
        yield path.with_name(f"{path.stem}{mark}{number}{path.suffix}")


def write_new(path: Path, data: bytes, rights: int | None = None) -> None:
    """Write a file that must not exist yet (`FileExistsError`), synced before returning.

    `rights`: who may do what with it (0o640, say), whatever the user's mask is; by default the mask decides.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666 if rights is None else 0o600)
    try:
        if rights is not None and hasattr(os, "fchmod"):
            with contextlib.suppress(OSError):  # some network folders give all files the same rights
                os.fchmod(descriptor, rights)
        _write_and_sync(descriptor, data, 0)
    except OSError:
        path.unlink(missing_ok=True)
        raise
    finally:
        os.close(descriptor)
    _sync_folder(path.parent)


def write_among_others(path: Path, data: bytes, may_replace: Callable[[Path], bool], rights: int | None = None) -> Path:
    """Write a file, whole or not at all, where other processes may do the same at this moment; return where it is.

    A name that is taken stays as it is, and the next of `<stem>_2<suffix>`, `<stem>_3<suffix>` … is tried, unless
    `may_replace(path)` says that the new file holds all of the old one. Names are taken by a link to a finished
    draft: of several processes, on several machines with one network folder, that succeeds for one.
    """
    draft = path.with_name(f".{secrets.token_hex(16)}.part")
    write_new(draft, data, rights)
    try:
        for target in chain([path], numbered(path)):
            while not _take_name(draft, target):
                if not may_replace(target):
                    break
                if _exchange(draft, target, may_replace):
                    return target
            else:
                return target
        raise OSError(errno.EEXIST, "too many files have this name")
    finally:
        draft.unlink(missing_ok=True)
        _sync_folder(path.parent)


def _take_name(draft: Path, target: Path) -> bool:
    """Give the draft the name `target` if nothing has it."""
    try:
        os.link(draft, target)
    except FileExistsError:
        return draft.stat().st_nlink > 1  # a network folder may repeat a request whose answer was lost
    except OSError as problem:
        if problem.errno not in _NO_LINKS_HERE:
            raise
        try:  # a file system without links: take the name with an empty file, which is ours to replace
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            return False
        draft.replace(target)
    return True


def _exchange(draft: Path, target: Path, may_replace: Callable[[Path], bool]) -> bool:
    """Put the draft in the place of `target`; False if that has changed meanwhile."""
    if not fcntl:  # Windows exchanges no file that is open
        draft.replace(target)
        return True
    try:
        descriptor = os.open(target, os.O_RDWR)
    except FileNotFoundError:
        return False
    try:
        _lock(descriptor)
        same = target.exists() and target.stat().st_ino == os.fstat(descriptor).st_ino
        if not (same and may_replace(target)):
            return False
        draft.replace(target)
        return True
    finally:
        os.close(descriptor)


def _write_and_sync(descriptor: int, data: bytes, size_before: int) -> None:
    try:
        if os.write(descriptor, data) < len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(descriptor)
    except OSError:
        os.ftruncate(descriptor, size_before)
        raise


def _lock(descriptor: int) -> None:
    """Wait for the lock; raises `TimeoutError` if it is not free within ten seconds."""
    give_up = time.monotonic() + LOCK_WAIT_S
    while not _try_lock(descriptor):
        if time.monotonic() > give_up:
            raise TimeoutError(errno.ETIMEDOUT, "another notebook keeps it busy")
        time.sleep(0.005)


def _try_lock(descriptor: int) -> bool:
    try:
        if fcntl:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        elif msvcrt:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    except OSError as problem:
        if problem.errno in _BUSY:
            return False
        if problem.errno not in _NO_LOCKS_HERE:
            raise
    return True


def _unlock(descriptor: int) -> None:
    if fcntl is None and msvcrt:  # elsewhere, closing the descriptor is enough
        with contextlib.suppress(OSError):
            msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)


def _sync_folder(folder: Path) -> None:
    """Make a new file's name survive a power cut, where the system offers that."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):  # some network file systems refuse; the file itself is synced
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
