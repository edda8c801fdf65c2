"""The entries of a workbook: the words they use, their form, and the chain of hashes that links them.

What is stored never changes its spelling, so that old workbooks and hand-ins stay readable; what people read may. Both
stand here once: `Kind`, `Moment`, `Band` and `QUANTITIES`. Plain values; nothing here touches a disk.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, NamedTuple

__all__ = [
    "BANDS",
    "MAX_DEPTH",
    "MOMENTS",
    "QUANTITIES",
    "Band",
    "Entry",
    "Kind",
    "Moment",
    "Quantity",
    "chain_problems",
    "has_later_lines",
    "make_entry",
    "parse_lines",
    "plain_value",
    "read_entry",
    "strict_json",
]

# --- words ---------------------------------------------------------------------------------------------------------


class Kind(StrEnum):
    """What an entry holds. Some kinds carry a topic behind a colon: `Kind.OBSERVATION.of("runs")`.

    The forms of the values stand in `kit.record.summary`.
    """

    CODE = "code"  # the group's code
    DATA_NOTICE = "data_notice"  # where the data of an invented hand-in come from
    DRAFT = "draft"  # :KIND[:PART], what was typed and not yet saved

    PREDICTION = "prediction"  # :QUESTION, one answer
    PREDICTED_CURVE = "predicted_curve"  # :QUANTITY
    OBSERVATION = "observation"  # :TOPIC, in the group's own words

    RUN = "run"  # one that the group made itself
    PUSH = "push"  # what was done on the virtual bench
    SOURCES = "sources"  # whose runs count
    THRESHOLD = "threshold"  # where counting starts and stops
    REFUSED_REPAIRS = "refused_repairs"  # by run: places of the repairs that the group does not accept
    SET_ASIDE = "set_aside"  # a trial, with the reason

    RESULTS = "results"  # duration and turns of every run
    AVERAGES = "averages"
    FITS = "fits"
    COMPARISON = "comparison"  # one cycle: two values, a decision, why
    SAME_THING = "same_thing"  # :QUANTITY, whether two methods measure the same

    EXPLANATION = "explanation"
    CLAIM = "claim"  # :ID, what was written about it
    CLAIM_TEST = "claim_test"  # :ID or :ID@CONDITION, what was put down and how often it was shuffled
    RUN_PLAN = "run_plan"
    RUN_ORDER = "run_order"  # :ID of a claim

    FIRST_PASS = "first_pass"  # where a member starts counting, found by eye; :looked, that the clicks were shown
    HAND_GRAPH = "hand_graph"  # :QUANTITY, averages put on axes and a curve drawn by eye
    OWN_COUNT = "own_count"  # a run counted by the group beside the gate; :left_out, one of them, with the reason
    CLAIM_RUNS = "claim_runs"  # :ID, which setting each run of the group's own claim had

    SHOWN = "shown"  # :STAGE or :STAGE:CLAIM, the first time its data were on the page, and what was not sealed then
    LIFTED = "lifted"  # what a teacher opened without the answers it waited for, and which these are

    SENT = "sent"  # :MOMENT, the group's click to hand in what the workbook holds so far

    def of(self, *topics: str) -> str:
        """This kind with a topic: `Kind.DRAFT.of(Kind.CLAIM, "level")` is "draft:claim:level"."""
        return ":".join([self.value, *topics])

    def covers(self, kind: str) -> bool:
        """Whether an entry's kind is this one, with or without a topic."""
        return kind.partition(":")[0] == self


class Moment(StrEnum):
    """When an answer to a question was given."""

    FIRST = "first"
    DISCUSSED = "after discussion"
    END = "end"


class Band(StrEnum):
    """How sure a group was of an answer, the surest last: right less than 6 times in 10, 6 to 9 times, more often."""

    LOW = "less than 6 in 10"
    MIDDLE = "6 to 9 in 10"
    HIGH = "more than 9 in 10"

    @classmethod
    def of(cls, stored: str) -> str:
        """The band that an answer holds, "" for none; those of older workbooks had other edges and the same words."""
        return {**{band.value: band.value for band in cls}, **_FORMER_BANDS}.get(stored, "")


#: Bands as workbooks of version 0.1.0 hold them, with other edges.
_FORMER_BANDS: dict[str, str] = {
    "below 67 %": Band.LOW.value,
    "67–80 %": Band.MIDDLE.value,
    "above 80 %": Band.HIGH.value,
}


#: Moments as they are stored, and in words.
MOMENTS: dict[str, str] = {
    Moment.FIRST.value: "first answer",
    Moment.DISCUSSED.value: "after the discussion",
    Moment.END.value: "at the end",
}

#: Bands of confidence as they are stored, the surest last, and in words.
BANDS: dict[str, str] = {
    Band.LOW.value: "not sure",
    Band.MIDDLE.value: "fairly sure",
    Band.HIGH.value: "very sure",
}


class Quantity(NamedTuple):
    """What is measured of every run."""

    words: str
    unit: str

    @property
    def title(self) -> str:
        """For the head of a column or plot: "Coasting time (s)", "Number of turns"."""
        name = self.words[:1].upper() + self.words[1:]
        return name if self.words.endswith(self.unit) else f"{name} ({self.unit})"


#: What is measured of every run, by its column of the results.
QUANTITIES: dict[str, Quantity] = {
    "duration_s": Quantity("coasting time", "s"),
    "turns": Quantity("number of turns", "turns"),
}

# --- entries and their chain ---------------------------------------------------------------------------------------

FIELDS = ("n", "time", "stage", "kind", "value", "sealed", "previous", "hash")

_EXACTLY = frozenset(FIELDS)

_HASHES = {"previous": re.compile(r"([0-9a-f]{64})?"), "hash": re.compile(r"[0-9a-f]{64}")}

_CANONICAL = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"))


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


def make_entry(
    before: Entry | None, stage: str, kind: str, value: Any, sealed: bool, *, time: str | None = None
) -> Entry:
    """The entry that follows `before` (None: the very first), made now or at `time`.

    Raises
    ------
    ValueError : it could not be read back, see `read_entry`.
    """
    record = {
        "n": before.n + 1 if before else 1,
        "time": time or datetime.now(UTC).isoformat(timespec="milliseconds"),
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
    """An `Entry` from one JSON object.

    Raises
    ------
    ValueError : a field is missing, unknown or of a wrong type.
    """
    if not isinstance(record, dict) or record.keys() != _EXACTLY:
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
    for name, pattern in _HASHES.items():
        if not isinstance(record[name], str) or not pattern.fullmatch(record[name]):
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


def has_later_lines(data: bytes) -> bool:
    """Whether a line has all the fields of an entry and further ones: a later version of the kit may write such."""
    for line in data.split(b"\n"):
        try:
            record = strict_json(line)
        except ValueError:
            continue
        if isinstance(record, dict) and record.keys() > _EXACTLY:
            return True
    return False


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
    return hashlib.sha256(_CANONICAL.encode(content).encode()).hexdigest()


def _is_utc(text: object) -> bool:
    if not isinstance(text, str) or len(text) > 40:
        return False
    try:
        offset = datetime.fromisoformat(text).utcoffset()
    except ValueError:
        return False
    return offset is not None and not offset


# --- JSON that can be kept, and JSON of strangers -----------------------------------------------------------------

MAX_DEPTH = 60  # levels of lists and objects

MAX_DIGITS = 18  # of a whole number: fits 64 bits, and takes no time to convert


def strict_json(data: bytes, max_depth: int = MAX_DEPTH) -> Any:
    """Read one JSON value from UTF-8 bytes (a byte order mark is allowed), or refuse.

    Raises
    ------
    ValueError : a plain half-sentence about what is wrong: other encodings, bad syntax, NaN and infinity,
        whole numbers of more than 18 digits, a key given twice, half a character (a lone surrogate), or
        more than `max_depth` levels.
    """
    try:
        found = json.loads(
            data.removeprefix(b"\xef\xbb\xbf").decode(),
            object_pairs_hook=_object,
            parse_constant=_refuse_constant,
            parse_int=_whole_number,
        )
        _check_levels(found, max_depth)
        if b"\\u" in data:  # only an escape can smuggle in half a character
            json.dumps(found, ensure_ascii=False).encode()
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    except UnicodeEncodeError:
        raise ValueError("it holds half a character") from None
    except json.JSONDecodeError as problem:
        raise ValueError(f"it is not JSON ({problem.msg}, line {problem.lineno})") from None
    return found


def plain_value(value: Any) -> Any:
    """The value as JSON will give it back: tuples as lists, number keys as text, numpy as plain numbers.

    Half a character, which no UTF-8 file can hold, becomes �.

    Raises
    ------
    ValueError : the value cannot be kept as JSON.
    """
    try:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, default=_from_numpy)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    except TypeError as problem:
        raise ValueError(f"it cannot be kept as JSON ({problem})") from None
    except ValueError as problem:
        raise ValueError(f"it holds a number or a list that JSON cannot hold ({problem})") from None
    whole_characters = text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")
    return strict_json(whole_characters.encode())


def _from_numpy(value: Any) -> Any:
    if hasattr(value, "tolist"):  # numpy numbers and arrays, without importing numpy
        return value.tolist()
    raise TypeError(f"a {type(value).__name__}")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(key for key, times in Counter(key for key, _ in pairs).items() if times > 1)
        raise ValueError(f"the key {twice[:40]!r} is given twice")
    return found


def _refuse_constant(name: str) -> None:
    raise ValueError(f"it holds {name}, which is no number")


def _whole_number(digits: str) -> int:
    if len(digits) > MAX_DIGITS and len(digits.lstrip("-")) > MAX_DIGITS:
        raise ValueError(f"it holds a whole number of more than {MAX_DIGITS} digits")
    return int(digits)


def _check_levels(found: Any, max_depth: int) -> None:
    """Walk level by level, without recursion, so that no nesting can exhaust the stack."""
    level = [[found]]  # only lists and objects are carried along: most values are neither
    for _ in range(max_depth + 1):
        below: list[Any] = []
        for values in level:
            for value in values.values() if type(values) is dict else values:
                kind = type(value)
                if kind is dict or kind is list:
                    below.append(value)
                elif kind is float and not math.isfinite(value):
                    raise ValueError("it holds a number that is too large")
        if not below:
            return
        level = below
    raise ValueError("it is nested too deeply")
