"""The workbook's entries and the chain of hashes that links them. Plain values; nothing here touches a disk."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from .strictjson import strict_json

__all__ = ["Entry", "chain_problems", "make_entry", "parse_lines", "read_entry"]

FIELDS = ("n", "time", "stage", "kind", "value", "sealed", "previous", "hash")


@dataclass(frozen=True)
class Entry:
    """One saved entry. `hash` covers every other field; `previous` is the hash of the entry before."""

    n: int  # 1, 2, 3, …
    time: str  # UTC, ISO 8601
    stage: str
    kind: str
    value: Any  # any JSON value
    sealed: bool
    previous: str  # "" for the first entry
    hash: str

    def record(self) -> dict[str, Any]:
        """The entry as one JSON object."""
        return {name: getattr(self, name) for name in FIELDS}

    def line(self) -> bytes:
        """The entry as it stands in the file, line end included."""
        return json.dumps(self.record(), ensure_ascii=False).encode() + b"\n"

    def is_as_saved(self) -> bool:
        """Whether the hash still fits the content."""
        return self.hash == _hash(self.record())

    def follows(self, before: Entry | None) -> bool:
        """Whether this entry was saved right after `before` (None: as the very first)."""
        if before is None:
            return self.n == 1 and self.previous == ""
        return self.n == before.n + 1 and self.previous == before.hash


def make_entry(before: Entry | None, stage: str, kind: str, value: Any, sealed: bool) -> Entry:
    """The entry that follows `before`, made now. Raises `ValueError` if it could not be read back from a file."""
    record = {
        "n": before.n + 1 if before else 1,
        "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "stage": stage,
        "kind": kind,
        "value": value,
        "sealed": bool(sealed),
        "previous": before.hash if before else "",
        "hash": "",
    }
    record["hash"] = _hash(record)
    return read_entry(strict_json(Entry(**record).line()))


def read_entry(record: object) -> Entry:
    """An `Entry` from one JSON object. Raises `ValueError`: a field is missing, unknown or of a wrong type."""
    if not isinstance(record, dict) or set(record) != set(FIELDS):
        raise ValueError(f"an entry has exactly the fields {', '.join(FIELDS)}")
    if type(record["n"]) is not int or record["n"] < 1:
        raise ValueError("n is a whole number from 1 up")
    if type(record["sealed"]) is not bool:
        raise ValueError("sealed is true or false")
    for name in ("stage", "kind"):
        if not isinstance(record[name], str) or not 1 <= len(record[name]) <= 80:
            raise ValueError(f"{name} is a text of 1 to 80 characters")
    if not _is_utc(record["time"]):
        raise ValueError("time is a UTC time such as 2031-05-17T08:30:00.000+00:00")
    for name, pattern in (("previous", r"([0-9a-f]{64})?"), ("hash", r"[0-9a-f]{64}")):
        if not isinstance(record[name], str) or not re.fullmatch(pattern, record[name]):
            raise ValueError(f"{name} is a hash of 64 hexadecimal digits")
    return Entry(**record)


def parse_lines(data: bytes) -> tuple[tuple[Entry, ...], int, tuple[str, ...]]:
    """All entries in a workbook's bytes.

    Returns
    -------
    the entries, the position at which the last of them ends (what stands after it is a damaged tail), and
    a sentence on every line before that position which cannot be read.
    """
    entries: list[Entry] = []
    problems: list[str] = []
    position = end = problems_before_end = 0
    for number, line in enumerate(data.split(b"\n"), 1):
        position = min(position + len(line) + 1, len(data))
        if not line.strip():
            continue
        try:
            entries.append(read_entry(strict_json(line)))
            end, problems_before_end = position, len(problems)
        except ValueError as problem:
            problems.append(f"Line {number} of the workbook cannot be read: {problem}. The others are kept.")
    return tuple(entries), end, tuple(problems[:problems_before_end])


def chain_problems(entries: Sequence[Entry]) -> list[str]:
    """What does not fit in a chain of entries, in plain sentences; empty if all is as it was saved."""
    problems = []
    for before, entry in zip([None, *entries], entries, strict=False):
        name = f"ntry {entry.n} ({entry.kind})"
        if not entry.is_as_saved():
            problems.append(f"{'Sealed e' if entry.sealed else 'E'}{name} was changed after it was saved.")
        if not entry.follows(before):
            problems.append(f"Before e{name}, something was taken out, put in or changed.")
    return problems


def _hash(record: dict[str, Any]) -> str:
    """SHA-256 of the canonical JSON: keys sorted, no spaces, UTF-8, the hash itself left out."""
    content = {name: value for name, value in record.items() if name != "hash"}
    canonical = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()


def _is_utc(text: object) -> bool:
    if not isinstance(text, str) or len(text) > 40:
        return False
    try:
        offset = datetime.fromisoformat(text).utcoffset()
    except ValueError:
        return False
    return offset is not None and not offset
