"""How a file of numbers is written: its encoding, delimiter, decimal sign, header and units.

A sample of rows is tried with a few candidate dialects; the one in which most cells are numbers is taken, and the
whole file is then left to pandas' C parser. Only when that fails is the file walked cell by cell, to say where.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ..errors import KitError
from .units import level_unit, name_and_unit, speed_unit, time_unit
from .written import Written, in_plain_columns, preamble_facts

__all__ = ["Dialect", "decode", "find_dialect", "is_number", "is_remark", "lines_of", "read_bytes", "split_row"]

LARGEST_FILE = 500_000_000  # bytes
OTHER_UNITS = {"", "-", "–", "1", "0/1", "deg", "°", "mm", "cm", "m", "g", "kg", "n"}
MOST_COLUMNS = 1000
HEAD, TAIL = 100_000, 20_000  # characters looked at to find the dialect
SAMPLE_ROWS = 40
COMMENT_MARKS = ("#", "%", "//", "!")
NUMBER = {
    ".": re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(\d+(,\d+)?|,\d+)([eE][+-]?\d+)?"),
}
NUMBERS_ALONE = re.compile(r"[+\-.,;\seE\d]+")
BROKEN_NUMBER = re.compile(r"[+-]?\d+[.,]\d")


def read_bytes(path: str | Path) -> bytes:
    """The file's content. Raises KitError if it is missing, unreadable, empty or absurdly large."""
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise KitError(
                "This file is too large for a gate log",
                file=path,
                found=f"{size / 1e6:.0f} MB",
                fix="split it into runs",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise KitError("There is no such file", file=path, fix="check the name and the folder") from None
    except IsADirectoryError:
        raise KitError("This is a folder, not a file", file=path, fix="use read_folder") from None
    except OSError as error:
        raise KitError("This file cannot be opened", file=path, found=error.strerror or str(error)) from error
    if not data or data.isspace():
        raise KitError("This file is empty", file=path, fix="export the log again")
    return data


def decode(data: bytes, file: str, encoding: str | None = None) -> tuple[str, str]:
    """(text, encoding): UTF-8 with or without BOM, UTF-16, else the Western 8-bit code. Raises KitError if no text."""
    start = data[:4000]
    if encoding is None:
        if data.startswith(b"\xef\xbb\xbf"):
            encoding = "utf-8-sig"
        elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
            encoding = "utf-16"
        elif start[1::2].count(0) > 0.4 * len(start) and 0 not in start[::2]:
            encoding = "utf-16-le"
        elif start[::2].count(0) > 0.4 * len(start) and 0 not in start[1::2]:
            encoding = "utf-16-be"
        else:
            try:
                return _text_only(data.decode("utf-8"), file), "utf-8"
            except UnicodeDecodeError:
                encoding = "cp1252" if not set(data) & {0x81, 0x8D, 0x8F, 0x90, 0x9D} else "latin-1"
    try:
        return _text_only(data.decode(encoding), file), encoding
    except (UnicodeError, LookupError) as error:
        raise KitError(
            "The characters of this file cannot be read", file=file, found=str(error), fix="save it as UTF-8 text"
        ) from error


def _text_only(text: str, file: str) -> str:
    strange = re.search(r"[\x00-\x08\x0e-\x19\x1b-\x1f]", text[:100_000])  # later ones are found as bad cells
    if strange:
        raise KitError(
            "This is not a text file",
            file=file,
            row=text.count("\n", 0, strange.start()) + 1,
            found=f"character code {ord(strange[0])}",
            fix="export the log as text (.csv, .tsv or .txt)",
        )
    return text


def lines_of(text: str) -> list[str]:
    """The rows, as a text editor counts them."""
    return re.split(r"\r\n|\r|\n", text)


@dataclass(frozen=True)
class Dialect:
    """How a table of numbers is written down. Rows count from 1, as a text editor counts them."""

    encoding: str
    delimiter: str  # "," ";" tab, " " for any run of blanks, "" for one column
    decimal: str  # "." or ","
    comment: str  # one character: what follows it in a row is a remark
    first_row: int  # the first row of data
    names: tuple[str, ...]  # one a column; "" where there is no header
    units: tuple[str, ...]  # as written, "" where none is given
    is_text: tuple[bool, ...]  # columns that hold words
    written: Written = field(default_factory=Written)  # what else was found out

    @property
    def width(self) -> int:
        return len(self.names)

    def column(self, j: int) -> str | int:
        """How to call column j in a message: its name, or its number from 1."""
        return self.names[j] if j < self.width and self.names[j] else j + 1


def is_number(cell: str, decimal: str) -> bool:
    return NUMBER[decimal].fullmatch(cell) is not None


def split_row(line: str, delimiter: str) -> list[str]:
    """Cells of one row, without blanks around them and without empty cells at its end."""
    if delimiter == "":
        cells = [line]
    elif delimiter == " ":
        cells = line.split()
    else:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:  # a cell of more than 131,072 characters
            cells = [line]
    cells = [cell.strip().strip('"').strip() for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def find_dialect(
    data: bytes, file: str, *, encoding: str | None = None, delimiter: str | None = None, decimal: str | None = None
) -> tuple[Dialect, str]:
    """How `data` is written, and its text. What is given is taken as given; the rest is found out.

    A single column of numbers with one comma each, such as 0,52, could be one number or two cells. Two cells it
    is if the header has two names, if the second part is only ever 0 or 1, or if both parts increase down the
    column; else the comma is the decimal sign.

    Raises
    ------
    KitError : no candidate makes a table with a column of numbers.
    """
    if decimal not in (None, ".", ","):
        raise KitError("The decimal sign can be a point or a comma", found=decimal)
    text, encoding = decode(data, file, encoding)
    text, written = in_plain_columns(text, lines_of)
    head = lines_of(text[:HEAD])
    tail = lines_of(text[-TAIL:])
    if len(text) > HEAD:
        head = head[:-1]
    if len(text) > TAIL:
        tail = tail[1:]
    comment = next((line.strip()[0] for line in head + tail if line.strip()[:1] in ("#", "%")), "#")
    of_head = [line for line in head if not is_remark(line)]
    of_tail = [line for line in tail if not is_remark(line)] if len(text) > HEAD else []
    rows = of_head + of_tail
    sample = [_content(line, comment) for line in rows[:SAMPLE_ROWS] + rows[SAMPLE_ROWS:][-SAMPLE_ROWS:]]
    # a tab at the end of a row is an empty cell if there are tabs within rows, else a slip
    tabs = any("\t" in line for line in sample)
    tabs = tabs and sum(line.rstrip(" ").endswith("\t") for line in of_head) > 0.3 * len(of_head)
    if not sample:
        raise KitError("There are no rows of numbers in this file", file=file, fix="export the log again")

    delimiter, decimal = _best_candidate(sample, head, "\t" if tabs and delimiter is None else delimiter, decimal)
    is_text = _text_columns(rows, delimiter, decimal, comment)
    if not is_text or all(is_text):
        raise KitError(
            "There is no column of numbers in this file",
            file=file,
            found=sample[0],
            fix="check that this is a gate log; say delimiter= and decimal= if they are unusual",
        )
    if len(is_text) > MOST_COLUMNS:
        raise KitError("This file has too many columns", file=file, found=len(is_text), fix="one run a column or fewer")
    first = _first_data_line(head, delimiter, decimal, comment, is_text)
    if first is None:
        raise KitError(
            "The numbers do not begin near the top of this file", file=file, fix="remove the text above them"
        )
    _refuse_rows_above(head[:first], file)
    names, units = _header(head[:first], delimiter, len(is_text))
    counts_per_turn, step_s = preamble_facts(head[:first])
    written = replace(written, counts_per_turn=counts_per_turn, step_s=step_s)
    return Dialect(encoding, delimiter, decimal, comment, first + 1, names, units, is_text, written), text


def _refuse_rows_above(above: list[str], file: str) -> None:
    """One row of numbers above the data may name the columns; of several, none must be passed over in silence."""
    rows = [
        i
        for i, line in enumerate(above, start=1)
        if not is_remark(line) and NUMBERS_ALONE.fullmatch(line) and re.search(r"\d", line)
    ]
    if len(rows) > 1:
        raise KitError(
            "This row has other columns than most rows below it",
            file=file,
            row=rows[0],
            found=above[rows[0] - 1].strip(),
            fix="give every row as many delimiters, also where a run has ended; or say delimiter=",
        )


def is_remark(line: str) -> bool:
    line = line.strip()
    return not line or line.startswith(COMMENT_MARKS)


def _content(line: str, comment: str) -> str:
    """The row without a remark behind it; tabs at its start stay, they stand for empty cells."""
    return line.split(comment)[0].strip(" ").rstrip()


def _best_candidate(sample: list[str], head: list[str], delimiter: str | None, decimal: str | None) -> tuple[str, str]:
    """(delimiter, decimal) with the largest share of numbers in its rows; of equal ones the first listed."""
    usual = [sign for sign in ("\t", ";", ",", " ") if sum(sign in line for line in sample) > 0.3 * len(sample)]
    delimiters = usual[:1] if usual[:1] in (["\t"], [";"]) else [*usual, ""]  # tabs and semicolons are rare in text
    if delimiter is not None:
        delimiters = [delimiter]
    quoted = delimiter is not None or any('"' in line for line in sample)
    candidates = [(d, p) for d in delimiters for p in ([decimal] if decimal else [".", ","]) if d != p or quoted]

    def share(candidate: tuple[str, str]) -> float:
        rows = [split_row(line, candidate[0]) or [""] for line in sample]
        return sum(sum(is_number(cell, candidate[1]) for cell in row) / len(row) for row in rows)

    best = max(candidates, key=share)
    if best == ("", ",") and (",", ".") in candidates and _title_width(head) > 1:
        return ",", "."  # two columns of whole numbers, one of them longer than the other
    pairs = [line for line in sample if "," in line and NUMBER[","].fullmatch(line)]
    if best == (",", ".") and ("", ",") in candidates and len(pairs) >= 0.9 * share(best) > 0:
        return ("", ",") if _comma_is_decimal(pairs, head) else best
    return best


def _comma_is_decimal(pairs: list[str], head: list[str]) -> bool:
    """Whether rows such as 0,52 hold one number (rules in `find_dialect`)."""
    if _title_width(head) == 2:
        return False
    left, right = zip(*(line.split(",") for line in pairs), strict=True)
    only_states = set(right) == {"0", "1"}
    both_increase = len(pairs) > 3 and all(
        (np.diff([float(x or "nan") for x in side]) > 0).all() for side in (left, right)
    )
    return not (only_states or both_increase)


def _title_width(head: list[str]) -> int:
    """How many cells, divided by commas, the last row has that is no number; 0 if there is none."""
    title = [line for line in head if line.strip(" #%!/") and not NUMBER[","].fullmatch(line.strip())]
    return len(split_row(title[-1], ",")) if title else 0


def _text_columns(lines: list[str], delimiter: str, decimal: str, comment: str) -> tuple[bool, ...]:
    """One bool a column: does it mostly hold words? Rows without any number are preamble.

    Only the form of a row matters, so rows that differ in their digits alone are looked at together.
    """
    forms = Counter(re.sub(r"\d+", "0", "\n".join(lines)).split("\n"))
    rows = [(split_row(_content(form, comment), delimiter), count) for form, count in forms.items()]
    numeric = [(row, [is_number(cell, decimal) for cell in row], count) for row, count in rows]
    numeric = [(row, flags, count) for row, flags, count in numeric if any(flags)]
    if not numeric:
        return ()
    widths: Counter[int] = Counter()  # how many rows have so many cells
    pure: Counter[int] = Counter()  # those without words among them
    for row, flags, count in numeric:
        widths[len(row)] += count
        if all(flag or not cell for cell, flag in zip(row, flags, strict=True)):
            pure[len(row)] += count
    usual = widths.most_common(1)[0][0]
    # at least two rows must reach the last column: one alone is a row with a cell too many
    width = sorted(pure.elements())[-2:][0] if 2 * pure.total() >= widths.total() else usual
    words, numbers = np.zeros(width), np.zeros(width)
    for row, flags, count in numeric:
        for j, (cell, flag) in enumerate(zip(row[:width], flags, strict=False)):
            numbers[j] += count * flag
            words[j] += count * (bool(cell) and not flag)
    is_text = (words > numbers).tolist()
    for row, flags, _ in numeric:  # remarks in a last column of their own
        fits = all(f or not c or t for c, f, t in zip(row, flags, is_text, strict=False))
        if fits and len(row) > len(is_text) and not any(flags[width:]):
            is_text += [True] * (len(row) - len(is_text))
    return tuple(is_text)


def _first_data_line(
    head: list[str], delimiter: str, decimal: str, comment: str, is_text: tuple[bool, ...]
) -> int | None:
    """Index of the first line whose cells are numbers where the columns are."""
    previous = None
    for i, line in enumerate(head):
        if is_remark(line):
            continue
        cells = split_row(_content(line, comment), delimiter)
        numeric = [is_number(cell, decimal) for cell in cells]
        fits = all(flag or not cell or word for cell, flag, word in zip(cells, numeric, is_text, strict=False))
        if fits and any(flag and not word for flag, word in zip(numeric, is_text, strict=False)):
            # a broken number just above is a bad row, not a header
            if previous is not None and any(BROKEN_NUMBER.match(c) for c in split_row(head[previous], delimiter)):
                return previous
            return i
        previous = i
    return None


def _header(above: list[str], delimiter: str, width: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(names, units) from the rows above the data: a row of names, perhaps a row of units, perhaps as a remark."""
    above = [line.strip(" ") for line in above if line.strip()]
    units: list[str] = []
    if above and not is_remark(above[-1]):
        last = [cell.strip("()[]") for cell in _title_cells(above[-1], delimiter)]
        if all(map(_is_unit, last)):
            units = last
            above.pop()
    titles = [_title_cells(line, delimiter) for line in above if not is_remark(line)][-1:]
    remarks = [_title_cells(line.lstrip("#%!/ "), delimiter) for line in above if is_remark(line)][-1:]
    if width == 1:  # a remark is a title only if it has a unit
        remarks = [cells for cells in remarks if len(cells) == 1 and name_and_unit(cells[0])[1]]
        rows = remarks + titles if above and is_remark(above[-1]) else titles + remarks
    elif delimiter == " " and above and is_remark(above[-1]):
        rows = remarks + titles  # any sentence has blanks: the row next to the data counts
    else:
        rows = titles + remarks
    names = [""] * width
    best = next((cells for cells in rows if len(cells) == width), None)
    if best is None and titles and 1 < len(titles[0]) < width and delimiter != " ":
        best = titles[0]
    if best is not None:
        split = [name_and_unit(cell) for cell in best]
        names = [name for name, _ in split]
        units = [a or b for (_, a), b in zip(split, [*units, *[""] * width], strict=False)]
    fill = [""] * width
    return tuple((names + fill)[:width]), tuple((units + fill)[:width])


def _is_unit(cell: str) -> bool:
    known = cell.lower() in OTHER_UNITS or time_unit(cell) or level_unit(cell)
    return bool(known) or speed_unit(cell) is not None


def _title_cells(line: str, delimiter: str) -> list[str]:
    if delimiter == " " and "(" in line + "[":
        return re.findall(r"[^\s(\[]+(?:\s*[(\[][^)\]]{0,200}[)\]])?", line)  # 'time (s)' is one cell
    return split_row(line, delimiter)
