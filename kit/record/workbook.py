"""The workbook: what a student entered, appended line by line so that nothing saved is ever lost.

A workbook is a JSON Lines file. `Workbook.add` returns only when the entry is on the disk. Entries are
never rewritten. Each carries the hash (SHA-256 of its canonical JSON) of the entry before it, so that an
accident or a casual edit shows up in `Workbook.verify`. The chain is no proof against someone who
recomputes every hash, or who cuts entries off the end before a hand-in was made.

A workbook holds no names: a group goes by a code it chooses, or by a random one.
"""

from __future__ import annotations

import copy
import errno
import re
import secrets
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from typing import Any

from ..errors import KitError, NewerKit
from ..wording import count_of
from .entries import Entry, Kind, chain_problems, has_later_lines, make_entry, parse_lines, plain_value
from .journal import Journal

__all__ = ["Entry", "NotSaved", "Workbook", "check_code", "check_lesson", "default_path", "friendly_code"]

MAX_RESTORE_BYTES = 10_000_000  # a notebook server drops larger uploads without a word
COLOURS = ("amber", "azure", "coral", "golden", "green", "indigo", "ivory", "lilac", "olive", "silver")
ANIMALS = ("badger", "beaver", "crane", "ferret", "gecko", "heron", "lynx", "otter", "robin", "toad")
CODE_SIGNS = "bcdfghjkmnpqrtvwxy34679"  # none looks like another, and no vowels: no words


class NotSaved(KitError):
    """An entry did not reach the disk. What was to be saved is in `stage`, `kind`, `value` and `sealed`."""

    def __init__(self, cause: Exception, path: Path, stage: str, kind: str, value: Any, sealed: bool):
        why, fix = _why_and_fix(cause)
        super().__init__(f"This entry was NOT saved: {why}", file=path, fix=fix)
        self.stage, self.kind, self.value, self.sealed = stage, kind, value, sealed


class Workbook:
    """One student's or group's saved entries for one lesson. Several notebooks may hold it open at once.

    Parameters
    ----------
    path : a `.jsonl` file (see `default_path`); it and its folder are made by the first entry.

    Raises
    ------
    KitError : the file's name does not end in .jsonl.

    Examples
    --------
    >>> import tempfile, kit
    >>> folder = tempfile.TemporaryDirectory()
    >>> workbook = kit.Workbook(f"{folder.name}/disc.jsonl")
    >>> entry = workbook.add("measure", "observation:runs", "The lines never cross.")
    >>> workbook.latest("observation:runs")
    'The lines never cross.'
    >>> workbook
    Workbook(disc.jsonl: one entry)
    >>> workbook.verify()  # nothing was changed after it was saved
    []
    >>> folder.cleanup()
    """

    def __init__(self, path: str | Path):
        self.path = Path(path)
        if self.path.suffix != ".jsonl":
            raise KitError("a workbook's file name ends in .jsonl", file=self.path)
        self._journal = Journal(self.path)
        self._entries: tuple[Entry, ...] = ()
        self._state: tuple[int, int, int] | None = None  # of the file, when it was last read
        self._bad_lines: tuple[str, ...] = ()
        self._bad_tails: tuple[str, ...] = ()
        self._newer = ""  # that a later version of the kit wrote in it, in a sentence: nothing is changed then

    def __repr__(self) -> str:
        try:
            return f"Workbook({self.path.name}: {count_of(len(self.entries), 'entry', 'entries')})"
        except KitError as problem:
            return f"Workbook({self.path.name}: {problem.problem})"

    def _repr_html_(self) -> str:
        """What is saved, newest last; drafts are left out. Texts are a student's, so all is escaped."""
        try:
            saved = [entry for entry in self.entries if not Kind.DRAFT.covers(entry.kind)]
        except KitError as problem:
            return f"<p>{escape(str(problem))}</p>"
        rows = "".join(
            f"<tr><td>{entry.n}</td><td>{escape(entry.stage)}</td><td>{escape(entry.kind.replace('_', ' '))}</td>"
            f"<td>{escape(_short(entry.value))}</td><td>{'sealed' if entry.sealed else ''}</td></tr>"
            for entry in saved
        )
        head = "<tr><th>entry</th><th>stage</th><th>what</th><th>what was entered</th><th></th></tr>"
        found = "".join(f"<p>{escape(sentence)}</p>" for sentence in (*self.damage, *self.verify()))
        words = f"Your workbook {escape(self.path.name)}: {count_of(len(saved), 'saved entry', 'saved entries')}."
        table = f"<table><thead>{head}</thead><tbody>{rows}</tbody></table>" if rows else ""
        return f"<p>{words}</p>{found}{table}"

    def add(self, stage: str, kind: str, value: Any, sealed: bool = False) -> Entry:
        """Append an entry; return it once it is on the disk (written, flushed and synced).

        `value` is anything JSON can hold, or numpy numbers and arrays (see `plain_value`).
        An entry of a kind that was sealed before is a new entry; the sealed one stays, see `first`.

        Raises
        ------
        NotSaved (a `KitError`) : the value is not JSON, the folder cannot be written to, the disk is full,
            or another notebook holds the workbook for more than ten seconds. It carries the value.
        """
        try:
            plain = plain_value(value)
            with self._journal.locked():
                self._read(have_lock=True)
                self._refuse_if_newer()
                entry = make_entry(self._entries[-1] if self._entries else None, stage, kind, plain, sealed)
                self._append([entry])
                return entry
        except (OSError, ValueError, TypeError, NewerKit) as cause:
            raise NotSaved(cause, self.path, stage, kind, value, sealed) from cause

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries that can be read, oldest first; reads the file again if it has changed."""
        self._read()
        return self._entries

    @property
    def damage(self) -> tuple[str, ...]:
        """What could not be read since this workbook was opened, in plain sentences; empty if all could.

        A workbook in which a later version of the kit wrote stays as it is: what can be read shows, nothing is saved.
        """
        self._read()
        return (self._newer,) if self._newer else self._bad_lines + self._bad_tails

    def history(self, kind: str) -> tuple[Entry, ...]:
        """All entries of a kind, oldest first."""
        return tuple(entry for entry in self.entries if entry.kind == kind)

    def latest(self, kind: str, default: Any = None) -> Any:
        """The value saved last under this kind, or `default`."""
        found = self.history(kind)
        return copy.deepcopy(found[-1].value) if found else default

    def first(self, kind: str, default: Any = None) -> Any:
        """The first answer: the value sealed first, or saved first if none was sealed, or `default`."""
        found = self.history(kind)
        sealed = [entry for entry in found if entry.sealed]
        return copy.deepcopy((sealed or found)[0].value) if found else default

    def sealed_before(self, kind: str, later_kind: str) -> bool:
        """Whether `kind` was sealed before the first entry of `later_kind` (or there is none of that yet)."""
        for entry in self.entries:
            if entry.kind == kind and entry.sealed:
                return True
            if entry.kind == later_kind:
                return False
        return False

    @property
    def code(self) -> str | None:
        """The group's code, if one was chosen."""
        return self.latest(Kind.CODE)

    def choose_code(self, code: str | None = None) -> str:
        """Save the group's code, or a random friendly one.

        Raises
        ------
        KitError : the code cannot be used (see `check_code`), or not be saved.
        """
        code = friendly_code() if code is None else check_code(code)
        self.add("start", Kind.CODE, code)
        return code

    @property
    def obstacle(self) -> str:
        """Why nothing can be saved now (a full disk, a folder that is closed), in a sentence; empty if it can."""
        try:
            with self._journal.locked():
                self._journal.try_out()
        except TimeoutError:  # another notebook is saving just now
            return ""
        except OSError as cause:
            why, _ = _why_and_fix(cause)
            return f"Nothing can be saved now: {why} You can read what you saved before. Show this to your teacher."
        return ""

    def verify(self) -> list[str]:
        """What no longer fits, in plain sentences: changed entries, a broken chain. Empty if all is well."""
        return chain_problems(self.entries)

    def export_bytes(self) -> bytes:
        """The whole workbook as one file to download; `restore` puts it back."""
        self._read()
        return self._journal.read()

    def restore(self, data: bytes) -> str:
        """Put a downloaded workbook back; say in a sentence what was done. No entry is ever lost.

        If the download goes on from what is here, the missing entries are appended. If all of it is here
        already, nothing changes. If the two went different ways, the workbook stays and the download is
        kept in a file beside it, and so is a download that is damaged or of a later version of the kit. The hash chain
        is checked: entries that were changed are put back too, but the sentence names them, and `verify` does from
        then on.

        Raises
        ------
        KitError : no entry in `data` can be read, or the disk cannot be written to; nothing has changed then.
        """
        if len(data) > MAX_RESTORE_BYTES:
            raise KitError(f"this file is larger than {MAX_RESTORE_BYTES // 1_000_000} MB")
        theirs, end, bad_lines = parse_lines(data)
        is_newer = has_later_lines(data)
        if not theirs and not is_newer:
            raise KitError("this file is not a workbook", fix="choose the .jsonl file that you downloaded")
        is_damaged = bool(bad_lines) or bool(data[end:].strip())
        try:
            with self._journal.locked():
                self._read(have_lock=True)
                shared = min(len(self._entries), len(theirs))
                goes_on = self._entries[:shared] == theirs[:shared] and not is_newer and not self._newer
                aside = self._journal.keep_beside("other", data).name if is_damaged or not goes_on else ""
                if goes_on:
                    self._append(theirs[shared:])
        except OSError as cause:
            why, fix = _why_and_fix(cause)
            raise KitError(f"The file was NOT put back: {why}", file=self.path, fix=fix) from cause
        if is_newer:
            return f"{NewerKit('file').problem}. It is kept whole as {aside}. The workbook here is as it was."
        if not goes_on:
            return (
                "The file and the workbook here hold different entries. Both are kept: "
                f"the workbook is as it was, and the file is now {aside}."
            )
        added = len(theirs) - shared
        done = [f"Entries put back: {added}." if added else "All its entries were here already."]
        if is_damaged:
            done.append(f"A part of the file could not be read. It is kept whole as {aside}.")
        return " ".join(done + chain_problems(theirs))

    def clear(self, last_hash: str, *, remove: bool = False) -> Path | None:
        """Take the workbook away for the next group. `handin.finish_and_clear` first makes sure that is safe.

        The workbook, and any file kept beside it, moves into the folder `finished`, named after the time;
        with `remove`, the workbook itself is deleted instead. Returns where it is now, if anywhere.

        Raises
        ------
        KitError : the last entry's hash is not `last_hash`, or a file cannot be moved.
        """
        try:
            with self._journal.locked():
                self._read(have_lock=True)
                self._refuse_if_newer()
                if not self._entries or self._entries[-1].hash != last_hash:
                    raise KitError(
                        "The workbook was not cleared: the hand-in does not hold its last entry",
                        file=self.path,
                        fix="make the hand-in again, then finish",
                    )
                finished = self.path.parent / "finished"
                finished.mkdir(exist_ok=True)
                name = f"{self.path.stem}_{datetime.now(UTC):%Y%m%d-%H%M%S-%f}"
                for beside in self._journal.kept_beside():
                    beside.replace(finished / (name + beside.name.removeprefix(self.path.stem)))
                if remove:
                    self.path.unlink()
                    return None
                return self.path.replace(finished / f"{name}.jsonl")
        except OSError as cause:
            why, fix = _why_and_fix(cause)
            raise KitError(f"The workbook was not cleared: {why}", file=self.path, fix=fix) from cause

    def _refuse_if_newer(self) -> None:
        if self._newer:
            raise NewerKit("workbook", file=self.path)

    def _append(self, entries: Sequence[Entry]) -> None:
        if entries:
            self._journal.append(b"".join(entry.line() for entry in entries))
            self._entries = (*self._entries, *entries)
            self._state = self._journal.state()

    def _read(self, have_lock: bool = False) -> None:
        """Bring the entries up to date if the file has changed. Raises `KitError`; under the lock, `OSError`."""
        try:
            state = self._journal.state()
            if state != self._state:
                self._read_again(state, have_lock)
        except OSError as cause:
            if have_lock:
                raise
            raise KitError(f"the workbook cannot be read: {cause.strerror}", file=self.path) from cause

    def _read_again(self, state: tuple[int, int, int] | None, have_lock: bool) -> None:
        data = self._journal.read()
        entries, end, bad_lines = parse_lines(data)
        tail = data[end:]
        self._newer = ""
        if (bad_lines or tail.strip()) and has_later_lines(data):
            self._newer = (
                f"{NewerKit('workbook').problem}. It is kept as it is, and nothing more can be saved in it here. "
                "Tell your teacher."
            )
        elif tail.strip() and not have_lock:
            # Half a line may be one that another notebook is writing at this moment: look again in turn.
            try:
                with self._journal.locked():
                    return self._read_again(self._journal.state(), have_lock=True)
            except OSError:  # nothing can be written here: show what there is, leave the file as it is
                self._report_tail(tail, self.path)
                state = None
        elif tail.strip():
            self._report_tail(tail, self._journal.set_tail_aside(end))
            state = self._journal.state()
        self._entries, self._bad_lines, self._state = entries, bad_lines, state
        return None

    def _report_tail(self, tail: bytes, kept: Path) -> None:
        kind = re.search(rb'"kind": "([^"\\]{1,80})"', tail)
        what = f" It was an entry of the kind “{kind[1].decode(errors='replace')}”." if kind else ""
        sentence = (
            f"The end of the workbook could not be read ({len(tail)} bytes).{what} "
            "Every entry before it is here. If what you entered last is missing, enter it again. "
            f"The damaged bytes are kept in {kept.name}."
        )
        if sentence not in self._bad_tails:
            self._bad_tails += (sentence,)


def _short(value: Any) -> str:
    """A value in at most 80 characters."""
    text = value if isinstance(value, str) else ", ".join(_parts(value))
    return text if len(text) <= 80 else f"{text[:79]}…"


def _parts(value: Any) -> Iterator[str]:
    """The texts and numbers of a value, as they come."""
    if isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from _parts(part)
    elif value not in ("", None):
        yield str(value)


def check_code(text: str) -> str:
    """A group's code, spaces at its ends removed.

    Raises
    ------
    KitError : it is not 3 to 24 letters, digits or hyphens.
    """
    code = text.strip() if isinstance(text, str) else ""
    if not 3 <= len(code) <= 24 or not code.replace("-", "").isalnum():
        raise KitError(
            "a code has 3 to 24 letters, digits or hyphens",
            found=text,
            fix=f"choose one such as {friendly_code()}; do not use your name",
        )
    return code


def friendly_code() -> str:
    """A random code, such as silver-otter-k4mt-7rwd: two words to go by, and eight signs that make it hard to guess.

    It is one of 7.8e12 (43 bits): whoever tries a million a second needs, on average, 45 days for one group's.
    """
    signs = "".join(secrets.choice(CODE_SIGNS) for _ in range(8))
    return f"{secrets.choice(COLOURS)}-{secrets.choice(ANIMALS)}-{signs[:4]}-{signs[4:]}"


def check_lesson(lesson: str) -> str:
    """A lesson's short name, as its folder is called.

    Raises
    ------
    KitError : it holds anything but the letters a to z, digits, - and _.
    """
    if not isinstance(lesson, str) or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}", lesson):
        raise KitError("a lesson's name has only the letters a to z, digits, - and _", found=lesson)
    return lesson


def default_path(lesson: str, folder: str | Path | None = None) -> Path:
    """`workbooks/<lesson>.jsonl` in `folder`, or in the folder the notebook runs in."""
    here = Path.cwd() if folder is None else Path(folder)
    return here / "workbooks" / f"{check_lesson(lesson)}.jsonl"


def _why_and_fix(cause: Exception) -> tuple[str, str]:
    """What happened and what to do, for a student."""
    keep = "Leave this page open, so that your answer stays on it."
    if isinstance(cause, NewerKit):
        return "a newer version of the kit wrote in this workbook. It stays as it is.", f"{keep} Tell your teacher."
    if isinstance(cause, TimeoutError):
        return "another notebook is using the workbook.", f"{keep} Close the other one, then save again."
    if not isinstance(cause, OSError):
        return f"{cause}.", f"{keep} Show this to your teacher: the lesson has a fault."
    if cause.errno in (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return "the disk is full.", f"{keep} Make room on the disk, then save again."
    if cause.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return (
            "this folder cannot be written to.",
            f"{keep} Ask for one that you may write to, then save again.",
        )
    return f"{cause.strerror or cause}.", f"{keep} Copy it to a safe place, then save again."
