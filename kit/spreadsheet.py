"""CSV files that are safe to open in a spreadsheet: no cell that somebody wrote can start a formula."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

__all__ = ["safe_cell", "write_csv"]

# At the start of a cell; and after a semicolon, tab or line end, where a spreadsheet set to another separator begins a
# new cell, quotes or not. The full-width signs count as formulas in some East Asian editions.
_FORMULA = re.compile(r"(^|[;\t\r\n\"])(?=\s*[=+\-@＝＋－＠|])|^(?=[\t\r\n])")


def safe_cell(value: object) -> object:
    """A text with an apostrophe wherever a formula could start; numbers and everything else as they are."""
    return _FORMULA.sub(r"\1'", value) if isinstance(value, str) else value


def write_csv(table: pd.DataFrame, path: str | Path) -> Path:
    """Write a table as UTF-8 with a byte order mark (spreadsheets need it to see the encoding); return the path.

    Texts are neutralised by `safe_cell`, column names too. Numbers stay numbers, negative ones as well.
    """
    safe = table.astype(object).map(safe_cell)
    safe.columns = [safe_cell(str(name)) for name in table.columns]
    safe.to_csv(path, index=False, encoding="utf-8-sig", lineterminator="\r\n")
    return Path(path)
