"""What is asked about a log whose columns can mean several things, with the answers in words."""

from __future__ import annotations

from ..errors import AmbiguousLog
from .table import Table

__all__ = ["TABLES", "evenly_stepped", "neither", "what_table", "which_column"]

TABLES = {"speed": "speeds", "count": "counts", "level": "samples"}  # what rows at a steady step hold


def evenly_stepped(table: Table, column: str | int) -> AmbiguousLog:
    return AmbiguousLog(
        "Every step in this column is the same: an index, or a clock that samples, and no passes of a wheel that slows",
        file=table.file,
        column=column,
        options={"another column is the time": {"time_column": None}, "passes after all": {"content": "times"}},
    )


def what_table(table: Table, columns: list[int], problem: str) -> AmbiguousLog:
    column = table.dialect.column(columns[0])
    return AmbiguousLog(
        f"{problem}. What is in column {column}?",
        file=table.file,
        column=column,
        options={
            "speeds of turning, with the unit in the heading": {"content": "speeds", "value_column": column},
            "counts of an encoder": {"content": "counts", "value_column": column, "counts_per_turn": None},
            "samples of a beam": {"content": "samples", "value_column": column},
        },
    )


def neither(table: Table, j: int) -> AmbiguousLog:
    return AmbiguousLog(
        "These numbers rise like neither pass times nor the turn periods of a wheel that slows",
        file=table.file,
        column=table.dialect.column(j),
        options={
            "turn periods after all": {"content": "periods"},
            "another column is the time": {"time_column": None},
        },
    )


def which_column(table: Table, columns: list[int], kinds: dict[int, str | None]) -> AmbiguousLog:
    called = table.dialect.column
    return AmbiguousLog(
        "Several columns could be meant: which one counts?",
        file=table.file,
        found=", ".join(str(called(j)) for j in columns),
        options={
            f"column {called(j)}": {"value_column": called(j)}
            | ({"content": TABLES[kind]} if (kind := kinds.get(j)) else {})
            for j in columns
        },
    )
