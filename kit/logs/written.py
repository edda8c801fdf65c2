"""Times and tables that are not written as plain columns of numbers, put into such, row for row.

Clock times (h:m:s, ISO 8601), lists on one line, JSON, rows like t=12.3 s, thousands marked in numbers: each row keeps
its place, so that a message still names the row of the file. What is a plain table comes back untouched.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

__all__ = ["Written", "in_plain_columns", "preamble_facts"]

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_CLOCK = re.compile(
    r"(?<![\d.:])(?:(\d{4})-(\d\d)-(\d\d)[T ]\s?)?(\d{1,2}):([0-5]\d)(?::([0-5]\d))?([.,]\d{1,9})?"
    r"(?:\s?([AaPp])\.?[Mm]\.?)?(Z|[+-]\d\d:?\d\d)?(?![\d:])"
)
_PREFIX = re.compile(r"^\s*\[?\d{1,2}:\d\d:\d\d(?:[.,]\d+)?\]?\s*->\s*(?=\S*\d)")  # a terminal's own clock
_PAIR = re.compile(rf"([A-Za-z_]\w*)\s*[=:]\s*({_NUMBER}|\w+)(?:\s*([A-Za-zµμ]+)(?![\w=:]))?")
_THOUSANDS = {
    ",": re.compile(r'(?<=")\s*[+-]?\d{1,3}(?:,\d{3})+\.\d+\s*(?=")|(?<=")\s*[+-]?\d{1,3}(?:,\d{3}){2,}\s*(?=")'),
    ".": re.compile(
        r"(?<![\d.,])[+-]?[1-9]\d{0,2}(?:\.\d{3})+,\d+(?![\d.,])|(?<![\d.,])\d{1,3}(?:\.\d{3}){2,}(?![\d.,])"
    ),
    "'": re.compile(r"(?<![\d.,'])[+-]?\d{1,3}(?:['’]\d{3})+(?:[.,]\d+)?(?![\d'])"),
}
_HALF_DAY_S = 43_200
SAMPLE = 200  # rows looked at to see how a file is written
FEW_ROWS = 4  # a list on one line stands alone but for a heading or two
LONGEST_PREAMBLE = 60  # rows
LONGEST_ROW = 300  # characters of a row in which words are looked for


@dataclass(frozen=True)
class Written:
    """What else was found out about how a file is written."""

    clock: bool = False  # times of day, now in seconds
    counts_per_turn: float | None = None
    step_s: float | None = None  # time from row to row, where the text above the numbers says so
    said: tuple[str, ...] = ()  # what was done, in words


def in_plain_columns(text: str, lines_of: Callable[[str], list[str]]) -> tuple[str, Written]:
    """The text as a plain table, and what was found out. Only the first rows decide whether anything is to be done."""
    whole = [line for line in lines_of(text[:100_000])[: 4 * SAMPLE] if line.strip()][:SAMPLE]
    head = [line[:LONGEST_ROW] for line in whole]
    start = text.lstrip("\ufeff \t\r\n")[:1]
    if start in ("[", "{"):
        table = _from_json(text)
        if table is not None:
            return table, Written(said=("JSON",))
    if head and sum(_PREFIX.match(line) is not None for line in head) > 0.5 * len(head):
        text = "\n".join(_PREFIX.sub("", line) for line in lines_of(text))
        return text, Written(said=("the computer's own clock before each -> left out",))
    if _most(head, lambda line: line.count("|") > 0):
        return "\n".join(map(_without_pipes, lines_of(text))), Written(said=("columns between |",))
    if len(head) <= FEW_ROWS:
        table = _from_one_line(whole)
        if table is not None:
            return table, Written(said=("a list on one line",))
    if _most(head, lambda line: len(_PAIR.findall(line)) > 0 and not _PAIR.sub("", line).strip(" ,;|\t")):
        table = _from_pairs(lines_of(text))
        if table is not None:
            return table, Written(said=("rows of name=value",))
    said = []
    sign = _thousands_sign(head)
    if sign:
        text = _THOUSANDS[sign].sub(lambda m: re.sub(f"[{sign}’]", "", m[0]), text)
        said.append("marks of thousands left out")
    if _most(head, _CLOCK.search):
        return _clock_in_seconds(lines_of(text), head), Written(clock=True, said=(*said, "clock times"))
    return text, Written(said=tuple(said))


def _without_pipes(line: str) -> str:
    """Cells between | put between tabs; a ruled line is no data."""
    if re.fullmatch(r"[\s|:+\-=]*", line):
        return ""
    return re.sub(r"\s*\|\s*", "\t", line.strip().strip("|").strip()) if "|" in line else line


def _most(head: list[str], fits: Callable[[str], object]) -> bool:
    rows = [bool(fits(line)) for line in head]
    return sum(rows) >= 3 and sum(rows) > 0.6 * len(rows)


def _thousands_sign(head: list[str]) -> str | None:
    """The sign between thousands: one that would otherwise make no number of many cells."""
    for sign, form in _THOUSANDS.items():
        # 1.234,5 is one number only where something else than the comma divides columns
        rows = head if sign != "." else [line for line in head if ";" in line or "\t" in line]
        if sum(form.search(line) is not None for line in rows) >= max(2, 0.2 * len(head)):
            return sign
    return None


def _from_one_line(head: list[str]) -> str | None:
    """'times_ms = [1.0, 2.0]' → a heading and one number a row; None unless one row holds nearly all numbers."""
    counts = [len(re.findall(_NUMBER, line)) for line in head]
    if not counts or max(counts) < 5 or sum(counts) - max(counts) > 1:
        return None
    line = head[counts.index(max(counts))]
    titles = [other.strip() for other in head if other is not line]
    named = re.fullmatch(r"\s*(?:([^\d=:\[\](){};,][^=:\[\](){};,]*?)\s*[=:]\s*)?[\[({]?(.*?)[\])}]?\s*[;,]?\s*", line)
    if named is None:
        return None
    comma = "," in named[2] and (re.search(r"\d\s*,\s", named[2]) or "." in named[2])
    sign = ";" if ";" in named[2] else "," if comma else None
    cells = [cell.strip(' "') for cell in (named[2].split(sign) if sign else named[2].split())]
    cells = [cell for cell in cells if cell]
    if len(cells) < 5 or not all(re.fullmatch(_NUMBER, cell) for cell in cells):
        return None
    name = (named[1] or "").strip() or (titles[-1] if titles else "")
    return "\n".join([*([name] if name else []), *cells, ""])


def _from_json(text: str) -> str | None:
    """A list of numbers or of objects, or one object a row, as a table with commas; None if it is none of these."""
    try:
        found = json.loads(text)
    except ValueError:
        try:
            found = [json.loads(line) for line in text.splitlines() if line.strip()]
        except (ValueError, RecursionError):
            return None
    except RecursionError:
        return None
    name = ""
    if isinstance(found, dict):
        lists = {key: value for key, value in found.items() if isinstance(value, list) and len(value) > 2}
        if lists and len({len(value) for value in lists.values()}) == 1:
            found = [dict(zip(lists, row, strict=True)) for row in zip(*lists.values(), strict=True)]
    if not isinstance(found, list) or not found:
        return None
    if all(isinstance(row, dict) for row in found):
        names = list(dict.fromkeys(key for row in found for key in row))
        rows = [[row.get(key) for key in names] for row in found]
        return "\n".join(",".join(map(_json_cell, row)) for row in [names, *rows]) + "\n"
    if all(isinstance(row, list) for row in found):
        return "\n".join(",".join(map(_json_cell, row)) for row in found) + "\n"
    if any(isinstance(row, dict | list) for row in found):
        return None
    return "\n".join([*([name] if name else []), *map(_json_cell, found), ""])


def _json_cell(value: object) -> str:
    text = "" if value is None else repr(value) if isinstance(value, float) else str(value)
    return '"' + text.replace('"', "'") + '"' if re.search(r'[,"\n]', text) else text


def _from_pairs(lines: list[str]) -> str | None:
    """Rows of name=value as a table with semicolons; a heading takes the row above the first of them."""
    found = [[(name, value, unit) for name, value, unit in _PAIR.findall(line)] for line in lines]
    names = list(dict.fromkeys(name for row in found for name, _, _ in row))
    first = next((i for i, row in enumerate(found) if row), 0)
    if len(names) > 50:
        return None
    units = {name: unit for row in found[first : first + SAMPLE] for name, _, unit in row if unit}
    heading = ";".join(f"{name} ({units[name]})" if name in units else name for name in names)
    rows = []
    for row in found[first:]:
        values = {name: value for name, value, _ in row}
        rows.append(";".join(values.get(name, "") for name in names) if values else "")
    return "\n".join([*[""] * max(first - 1, 0), heading, *rows])


# --- clock times -----------------------------------------------------------------------------------------------------


def _clock_in_seconds(lines: list[str], head: list[str]) -> str:
    """Every clock time as seconds from the midnight before the first one; past the next midnight they run on."""
    comma_is_decimal = any(sign in line for line in head for sign in ";\t") or not any(
        line.count(",") > (_CLOCK.search(line) or [""])[0].count(",") for line in head
    )
    first_day: list[int] = []
    before: dict[int, float] = {}  # last time in each place of a row, and the days added there
    days: dict[int, int] = {}

    def seconds(match: re.Match, place: int) -> str:
        year, month, day, first, second, third, fraction, half, zone = match.groups()
        if third is None and fraction is None and year is None:
            hours, minutes, secs = (int(first), int(second), 0) if int(first) < 24 else (0, int(first), int(second))
        elif third is None:
            hours, minutes, secs = (0, int(first), int(second)) if year is None else (int(first), int(second), 0)
        else:
            hours, minutes, secs = int(first), int(second), int(third)
        if half:
            hours = hours % 12 + 12 * (half in "Pp")
        whole = 3600 * hours + 60 * minutes + secs
        if zone and zone != "Z":
            sign = -1 if zone[0] == "-" else 1
            whole -= sign * (3600 * int(zone[1:3]) + 60 * int(zone[-2:]))
        if year:
            try:
                today = date(int(year), int(month), int(day)).toordinal()
            except ValueError:
                return match[0]
            first_day[:] = first_day or [today]
            whole += 86_400 * (today - first_day[0])
        else:
            if whole < before.get(place, whole) - _HALF_DAY_S:
                days[place] = days.get(place, 0) + 1
            before[place] = whole
            whole += 86_400 * days.get(place, 0)
        if fraction and fraction[0] == "," and not comma_is_decimal:
            return f"{whole}{fraction}"  # the comma divides columns
        return f"{whole}{fraction or ''}"

    def row(line: str) -> str:
        count = -1

        def next_one(match: re.Match) -> str:
            nonlocal count
            count += 1
            return seconds(match, count)

        return _CLOCK.sub(next_one, line)

    return "\n".join(row(line) if ":" in line else line for line in lines)


# --- what the text above the numbers says ----------------------------------------------------------------------------

_PER_TURN = (
    re.compile(r"(\d{1,9})\s*(?:counts|pulses|ticks|lines|slots|steps|impulse|impulses|cpr|ppr)?\s*"
               r"(?:per|a|/|pro|par|por)\s*(?:turn|rev|revolution|rotation|umdrehung|tour|giro|vuelta)", re.IGNORECASE),
    re.compile(r"(?:counts|pulses|ticks|lines|steps|impulse)\s*(?:per|a|/|pro)\s*(?:turn|rev|revolution|rotation|"
               r"umdrehung)\s*[=:]?\s*(\d{1,9})", re.IGNORECASE),
    re.compile(r"(\d{1,9})\s*(?:cpr|ppr)\b|\b(?:cpr|ppr)\s*[=:]?\s*(\d{1,9})", re.IGNORECASE),
)  # fmt: skip
_RATE = re.compile(
    r"(?:sampl\w*|rate|frequency|abtastrate)[^\d\n]{0,30}?(\d+(?:[.,]\d+)?)\s*(k?)(?:hz\b|samples\s*(?:per|/|a)\s*s|/\s*s\b)",
    re.IGNORECASE,
)
_STEP = re.compile(
    r"(?:interval|step|period|every|dt|abstand)[^\d\n]{0,20}?(\d+(?:[.,]\d+)?)\s*(ms|us|µs|s)\b", re.IGNORECASE
)


def preamble_facts(above: list[str]) -> tuple[float | None, float | None]:
    """(counts per turn, time from row to row in s), where the text above the numbers or a heading says so."""
    text = "\n".join(line[:LONGEST_ROW] for line in above[-LONGEST_PREAMBLE:])
    per_turn = next((m for form in _PER_TURN if (m := form.search(text))), None)
    counts = float(next(part for part in per_turn.groups() if part)) if per_turn else None
    step_s = None
    rate, step = _RATE.search(text), _STEP.search(text)
    if rate and float(rate[1].replace(",", ".")) > 0:
        step_s = 1 / (float(rate[1].replace(",", ".")) * (1000 if rate[2] else 1))
    elif step and float(step[1].replace(",", ".")) > 0:
        step_s = float(step[1].replace(",", ".")) / {"s": 1.0, "ms": 1e3}.get(step[2].lower(), 1e6)
    return counts or None, step_s
