"""A file of numbers as a table: by pandas' C parser, and cell by cell only where something does not fit."""

from __future__ import annotations

import re
import warnings
from bisect import bisect
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from io import BytesIO
from itertools import islice
from typing import Literal

import numpy as np
import pandas as pd

from ..errors import AmbiguousLog, KitError
from .dialect import HEAD, Dialect, find_dialect, is_number, is_remark, lines_of, split_row

__all__ = ["Table", "read_table"]

# pandas rounds each number correctly by default only since 3.1; before, it had to be asked
EXACT: Literal["round_trip"] | None = None if tuple(map(int, pd.__version__.split(".")[:2])) >= (3, 1) else "round_trip"

NO_VALUES = ("nan", "na", "n/a", "null", "none", "inf", "-inf", "-", "nil", "off", "err", "error")
FEWEST_ROWS = 3  # of a block of numbers that may be a run


@dataclass(frozen=True, eq=False)
class Table:
    """A file as read: columns numbered from 0, numbers as float64 (nan: empty cell), words as str."""

    frame: pd.DataFrame
    dialect: Dialect
    file: str
    text: str = field(repr=False)

    def row(self, position: int) -> int:
        """Row of the file, as an editor counts, of the table's row at this position."""
        for i, (row, _) in enumerate(_data_rows(self.text, self.dialect)):
            if i == position:
                return row
        raise IndexError(position)


def read_table(data: bytes, file: str, *, part: int | None = None, **given: str | None) -> Table:
    """The whole table, or one part of it. Raises KitError, naming row and column, if a cell does not fit."""
    dialect, text = find_dialect(data, file, **given)
    as_it_stands = dialect.encoding == "utf-8" and not dialect.written.said  # then pandas takes the file's own bytes
    frame = _by_pandas(data if as_it_stands else text.encode(), dialect) if part is None else None
    if frame is None:
        text, said = _without_words_between(text, dialect, file, part)
        if said:
            written = replace(dialect.written, said=(*dialect.written.said, *said))
            dialect = replace(dialect, written=written)
            frame = _by_pandas(text.encode(), dialect)
    if frame is None:
        frame = _cell_by_cell(text, dialect, file)
    if dialect.delimiter == " " and frame.isna().to_numpy().any():
        position, j = np.argwhere(frame.isna().to_numpy())[0]
        table = Table(frame, dialect, file, text)
        raise KitError(
            "This row has fewer numbers than the others, and blanks cannot show which one is missing",
            file=file,
            row=table.row(position),
            column=dialect.column(int(j)),
            fix="save the file with tabs, commas or semicolons between the columns",
        )
    return Table(frame, dialect, file, text)


def _without_words_between(text: str, dialect: Dialect, file: str, part: int | None) -> tuple[str, list[str]]:
    """The text without rows of words below its numbers: the heading once more, or words that close the log.

    Words between two blocks of numbers that do not run on make two runs: then `part` says which one is meant.
    """
    lines = lines_of(text)
    first = dialect.first_row - 1
    above = {tuple(split_row(line, dialect.delimiter)) for line in lines[:first] if not is_remark(line)}
    words: list[int] = []  # rows of words
    numbers: list[int] = []
    for i, line in enumerate(lines[first:], start=first):
        if not is_remark(line):
            (words if _only_words(split_row(line, dialect.delimiter)) else numbers).append(i)
    if not words or not numbers:
        if part not in (None, 1):
            raise KitError("There is no such part in this file", file=file, found=part, fix="leave part= out")
        return text, []
    said, starts = [], [numbers[0]]
    for i in words:
        place = bisect(numbers, i)
        if place == len(numbers):
            said.append(f"row {i + 1} left out: {lines[i].strip(' ;,')[:40]!r}")
            continue
        last, now = numbers[max(place - 1, 0)], numbers[place]
        if tuple(split_row(lines[i], dialect.delimiter)) in above and _runs_on(lines[last], lines[now], dialect):
            said.append(f"row {i + 1} left out: the heading again")
        elif now not in starts:
            starts.append(now)
    if len(starts) > 1:
        places = [bisect(numbers, i - 1) for i in starts] + [len(numbers)]
        if min(np.diff(places)) < FEWEST_ROWS:
            return text, []  # a slip among the numbers: it is told where
        if part is None:
            raise AmbiguousLog(
                f"Words divide this file into {len(starts)} parts: several runs, one below the other?",
                file=file,
                row=starts[1],
                found=lines[starts[1] - 1].strip(),
                options={f"the run from row {row + 1} on": {"part": k} for k, row in enumerate(starts, 1)},
            )
        said.append(f"part {part} of {len(starts)}")
    if part is not None:
        if not 1 <= part <= len(starts):
            raise KitError("There is no such part in this file", file=file, found=part, fix=f"say 1 to {len(starts)}")
        ends = [*starts[1:], len(lines)]
        kept = range(starts[part - 1], ends[part - 1])
        return _blanked(lines, [i for i in range(first, len(lines)) if i not in kept or i in words], dialect), said
    return _blanked(lines, words, dialect), said


def _blanked(lines: list[str], rows: list[int], dialect: Dialect) -> str:
    """The text with these rows empty: all others keep their place."""
    empty = set(rows)
    return "\n".join("" if i in empty else line for i, line in enumerate(lines))


def _only_words(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    wordy = [cell for cell in filled if re.search(r"[^\W\d_]{3}", cell) and cell.lower() not in NO_VALUES]
    return bool(wordy) and not any(re.match(r"[+-]?[.,]?\d", cell) for cell in filled)


def _runs_on(before: str, after: str, dialect: Dialect) -> bool:
    """Whether no number steps back from one row to the other."""
    pairs = zip(split_row(before, dialect.delimiter), split_row(after, dialect.delimiter), strict=False)
    values = [
        [float(cell.replace(",", ".")) for cell in pair]
        for pair in pairs
        if all(is_number(cell, dialect.decimal) for cell in pair)
    ]
    return all(a <= b for a, b in values)


def _by_pandas(data: bytes, dialect: Dialect) -> pd.DataFrame | None:
    """The table in a text of UTF-8, or None if something does not fit."""
    ends = (end.end() for end in re.finditer(rb"\r\n|\r|\n", data[: 4 * HEAD]))  # a character has up to four bytes
    first = next(islice(ends, dialect.first_row - 2, None)) if dialect.first_row > 1 else 0
    if b"\r" in data[first : first + HEAD] and b"\n" not in data[first : first + HEAD]:
        data = data.replace(b"\r", b"\n")  # pandas can lose a row between bare carriage returns
    comment = dialect.comment.encode()
    has_remarks = data.find(comment, first) >= 0
    if has_remarks and re.compile(rb"^[ \t]+" + comment, re.MULTILINE).search(data, first):
        return None  # pandas takes indented remarks for empty rows
    body = BytesIO(data)  # shares the bytes
    body.seek(first)
    width = dialect.width
    types = {j: str if word else np.float64 for j, word in enumerate(dialect.is_text)}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                body,
                header=None,
                names=range(width + 1),  # one more: a filled cell there means a row that is too long
                index_col=False,
                sep={" ": r"\s+", "": "\t"}.get(dialect.delimiter, dialect.delimiter),
                decimal=dialect.decimal,
                comment=dialect.comment if has_remarks else None,
                skipinitialspace=b" " in data,
                keep_default_na=False,
                na_values=[""],
                dtype={**types, width: np.float64},
                engine="c",
                float_precision=EXACT,
            )
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning):
        return None
    numbers = (frame[j].to_numpy() for j, word in enumerate(dialect.is_text) if not word)
    if frame[width].notna().any() or any(np.isinf(column).any() for column in numbers):
        return None
    return frame[list(range(width))]


def _data_rows(text: str, dialect: Dialect) -> Iterator[tuple[int, str]]:
    """(row number, row without remark) of each row of data."""
    for i, line in enumerate(lines_of(text)[dialect.first_row - 1 :]):
        content = line.split(dialect.comment)[0].strip(" " if dialect.delimiter == "\t" else None)
        if content or (line.strip() and not line.strip().startswith(dialect.comment)):
            yield i + dialect.first_row, content


def _cell_by_cell(text: str, dialect: Dialect, file: str) -> pd.DataFrame:
    """The table, slowly; a KitError for the first cell that does not fit."""
    columns: list[list] = [[] for _ in range(dialect.width)]
    for row, line in _data_rows(text, dialect):
        cells = split_row(line, dialect.delimiter)
        if len(cells) > dialect.width:
            raise KitError(
                f"This row has {len(cells)} cells where the others have {dialect.width}",
                file=file,
                row=row,
                column=dialect.width + 1,
                found=cells[dialect.width],
                fix="remove what is too much; if it is a remark, begin it with #",
            )
        for j, column in enumerate(columns):
            cell = cells[j] if j < len(cells) else ""
            if dialect.is_text[j]:
                column.append(cell or None)
            elif not cell:
                column.append(np.nan)
            elif is_number(cell, dialect.decimal) and np.isfinite(value := float(cell.replace(",", "."))):
                column.append(value)
            else:
                raise KitError(
                    "This is not a number",
                    file=file,
                    row=row,
                    column=dialect.column(j),
                    found=cell,
                    fix=_advice(cell, dialect),
                )
    return pd.DataFrame(
        {j: pd.Series(c, dtype=object if dialect.is_text[j] else np.float64) for j, c in enumerate(columns)}
    )


def _advice(cell: str, dialect: Dialect) -> str:
    other = "," if dialect.decimal == "." else "."
    if is_number(cell, other):
        return f"write every number with '{dialect.decimal}' as the decimal sign, as the other rows do"
    if cell.lower() in ("nan", "na", "n/a", "null", "none", "inf", "-inf", "-"):
        return "take this row out; where a run is over, leave the cell empty"
    return "mend the cell or take the row out; if it is a remark, begin it with #"
