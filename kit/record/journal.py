"""A file that only grows: appended under a lock, synced, never overwritten. The disk side of the workbook."""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

__all__ = ["Journal", "replace_file", "write_new"]


def _only_here(name: str) -> ModuleType | None:
    """A module that not every system has."""
    try:
        return import_module(name)
    except ImportError:
        return None


fcntl, msvcrt = _only_here("fcntl"), _only_here("msvcrt")  # with neither (Python in a browser): no second process

LOCK_WAIT_S = 10.0
_BUSY = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
_NO_LOCKS_HERE = (errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP)
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
            give_up = time.monotonic() + LOCK_WAIT_S
            while not _try_lock(descriptor):
                if time.monotonic() > give_up:
                    raise TimeoutError(errno.ETIMEDOUT, "another notebook keeps it busy")
                time.sleep(0.005)
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


def write_new(path: Path, data: bytes) -> None:
    """Write a file that must not exist yet (`FileExistsError`), synced before returning."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
    try:
        _write_and_sync(descriptor, data, 0)
    except OSError:
        path.unlink(missing_ok=True)
        raise
    finally:
        os.close(descriptor)
    _sync_folder(path.parent)


def replace_file(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: an existing one is exchanged only once the new one is on the disk."""
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    draft.unlink(missing_ok=True)
    write_new(draft, data)
    draft.replace(path)
    _sync_folder(path.parent)


def _write_and_sync(descriptor: int, data: bytes, size_before: int) -> None:
    try:
        if os.write(descriptor, data) < len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(descriptor)
    except OSError:
        os.ftruncate(descriptor, size_before)
        raise


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
