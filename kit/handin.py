"""The hand-in: the one JSON file a group gives the teacher. Its schema is published in `handin_schema.json`.

It holds no names. It carries every entry of the workbook with its hash, and the `Summary` of them for
whoever does not want to know about entries.

A hand-in that is read is a stranger's file: it is refused with a `KitError`, or it is safe to compute with.
Its texts may still hold markup or spreadsheet formulas: whoever shows or exports them has to escape them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .entries import Entry, chain_problems, read_entry
from .errors import KitError
from .journal import replace_file
from .strictjson import MAX_DEPTH, strict_json
from .summary import Summary, summarise
from .workbook import Workbook, check_code, check_lesson

__all__ = ["HandIn", "finish_and_clear", "handin_document", "make_handin", "read_handin", "write_handin"]

SCHEMA, VERSION = "kit-handin", 2
SINCE = {"claims": 2}  # keys that came with a later version
MAX_BYTES = 5_000_000
HEADER = ("schema", "version", "code", "lesson", "made", "damage")


@dataclass(frozen=True)
class HandIn(Summary):
    """What one group did: the summary of its entries, and these."""

    code: str
    lesson: str
    made: str  # UTC, ISO 8601
    entries: tuple[Entry, ...]
    warnings: tuple[str, ...]  # plain sentences: what was changed after it was saved, what was damaged
    unchanged: bool  # every entry is as it was saved, and in its place


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
    """The JSON object of a hand-in that was made at the UTC time `made`. Raises `ValueError` as `summarise` does.

    It is of the lowest version that holds it all, so that a kit that knows no claims reads what has none.
    """
    summary = _as_json(summarise(entries))
    version = max(since if summary[key] else 1 for key, since in SINCE.items())
    header = dict(zip(HEADER, (SCHEMA, version, code, lesson, made, list(damage)), strict=True))
    known = {key: value for key, value in summary.items() if SINCE.get(key, 1) <= version}
    return header | known | {"entries": [entry.record() for entry in entries]}


def write_handin(handin: Mapping[str, Any], path: str | Path) -> Path:
    """Write a hand-in to `path`, or into the folder `path` as `handin_LESSON_CODE.json`; return where it is.

    An earlier hand-in there is replaced only if the new one holds all its entries. Otherwise it stays, and
    the new one's name gets a number (two groups may have chosen the same code).

    Raises
    ------
    KitError : the file cannot be written, or is too large to be read again.
    """
    path = Path(path)
    if path.is_dir():
        path = path / f"handin_{handin['lesson']}_{handin['code']}.json"
    data = json.dumps(handin, ensure_ascii=False, allow_nan=False).encode()
    if len(data) > MAX_BYTES:
        raise KitError(f"the hand-in is larger than {MAX_BYTES / 1e6:g} MB", file=path)
    target, number = path, 1
    while target.exists() and not _holds_all(handin, target):
        number += 1
        target = path.with_name(f"{path.stem}_{number}{path.suffix}")
    try:
        replace_file(target, data)
    except OSError as problem:
        why = f"The hand-in was NOT written: {problem.strerror}"
        raise KitError(why, file=target, fix="choose another folder, then hand in again") from problem
    return target


def read_handin(source: str | Path | bytes, max_bytes: int = MAX_BYTES, *, name: str = "hand-in") -> HandIn:
    """Read a hand-in from a file or from its bytes (then `name` stands for it in messages).

    The summary is made afresh from the entries. Where entries were changed after they were saved, or the
    summary in the file says something else, `warnings` tells.

    Raises
    ------
    KitError : naming the file, for anything that is not a hand-in of this version in every detail.
    """
    if not isinstance(source, bytes):
        name, source = str(source), _read_at_most(Path(source), max_bytes)
    if len(source) > max_bytes:
        raise KitError(f"this file is larger than {max_bytes / 1e6:g} MB", file=name)
    try:
        return _from_document(strict_json(source, MAX_DEPTH + 4))
    except KitError as problem:  # about the code or the lesson's name, which do not know the file
        raise KitError(problem.problem, file=name, found=problem.found) from problem
    except ValueError as problem:
        why = f"this file is not a hand-in: {problem}"
        raise KitError(why, file=name, fix="ask the group to hand in again") from problem


def finish_and_clear(workbook: Workbook, handin_path: str | Path, *, remove: bool = False) -> Path | None:
    """Clear a shared machine for the next group, once the hand-in file holds every entry of the workbook.

    The hand-in is read back from the disk and compared entry by entry, values and hashes. Only then, and
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
            file=handin_path,
            fix="make the hand-in again, then finish",
        )
    return workbook.clear(handin.entries[-1].hash, remove=remove)


def _as_json(summary: Summary) -> dict[str, Any]:
    """Dataclasses as objects, tuples as lists: as they come back from a file."""
    plain = {name: list(value) if isinstance(value, tuple) else value for name, value in vars(summary).items()}
    return plain | {"predictions": [asdict(prediction) for prediction in summary.predictions]}


def _read_at_most(path: Path, max_bytes: int) -> bytes:
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
        raise ValueError(f"it was made by a newer kit (version {found['version']}, known here: {VERSION})")
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


def _holds_all(handin: Mapping[str, Any], path: Path) -> bool:
    """Whether the hand-in has, at its beginning, every entry of the one at `path`."""
    try:
        earlier = [entry.record() for entry in read_handin(path).entries]
    except KitError:  # not a hand-in: whatever it is, it stays
        return False
    return earlier == handin["entries"][: len(earlier)]
