"""Reading gate logs: finding out how a file is written, and reading it."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from kit.logs.dialect import find_dialect
from kit.logs.log import read_log
from tests.benchmarks.race import Job, Row, race

__all__ = ["ITEMS"]

PREAMBLE = "# gate 3, exported from the logger\n# started at noon\npass;time (ms);\n"
MISTAKEN = (csv.Error, ValueError, IndexError)


def _messy(rows: int) -> str:
    """Semicolons, decimal commas, milliseconds, remarks above, an empty cell at the end of each row."""
    steps = 200 + 0.3 * np.sqrt(np.arange(rows))
    times = np.cumsum(steps).tolist()
    body = "\n".join(f"{k};{time:.3f};" for k, time in enumerate(times, start=1))
    return PREAMBLE + body.replace(".", ",") + "\n"


def read_a_log(small: bool) -> list[Row]:
    """A log of a million rows, beside pandas told everything about it."""
    rows = 20_000 if small else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text(_messy(rows), encoding="utf-8")

        def by_pandas():
            return pd.read_csv(path, sep=";", decimal=",", skiprows=3, header=None, usecols=[0, 1], dtype=np.float64)

        def ours():
            return read_log(path, repairs=False)

        assert np.array_equal(ours()[0].pass_times_s, by_pandas()[1].to_numpy() / 1000)
        data = path.read_bytes()
        read = race(
            f"read a messy log of {rows:,} rows",
            Job("", ours),
            Job("pandas, told the dialect", by_pandas),
            Job("the bytes alone", path.read_bytes),
            "≤ 1.05 × pandas",
            "ours checks every time; repairs not looked for",
        )
        text = data.decode()
        sniff = race(
            "find out how that log is written",
            Job("", lambda: find_dialect(data, "log.csv")),
            Job("csv.Sniffer on the first 100,000 characters", lambda: csv.Sniffer().sniff(text[:100_000])),
            Job("the text from the bytes", data.decode),
            "right on every dialect",
        )
    return [read, sniff]


def dialects(small: bool) -> list[Row]:
    """In how many of the ways to write a log is the delimiter, or the decimal sign, mistaken?"""
    ours = usual = count = 0
    for text, delimiter, decimal in _ways(small):
        count += 1
        found, _ = find_dialect(text.encode(), "log.csv")
        ours += (found.delimiter, found.decimal) != (delimiter, decimal)
        try:
            usual += csv.Sniffer().sniff(text).delimiter != (delimiter or "\n")
        except MISTAKEN:
            usual += 1
    return [
        Row(
            f"dialects mistaken, of {count}",
            ours,
            "files",
            usual,
            "csv.Sniffer, which is asked for the delimiter only",
            goal="0",
        )
    ]


def _ways(small: bool) -> Iterator[tuple[str, str, str]]:
    """Files of three columns (one where the delimiter is empty), with what they are written in."""
    times = np.cumsum(np.linspace(0.21, 0.9, 12 if small else 60))
    for delimiter in ("\t", ";", ",", " ", ""):
        for decimal in (".", ","):
            if delimiter == "," == decimal:
                continue
            for header in ("", "names", "units", "remarks"):
                for digits in (0, 3):
                    columns = [[f"{1000 * t:.{digits}f}" for t in times]]
                    if delimiter:
                        counted, states = ([str(k) for k in range(1, len(times) + 1)], ["1", "0"] * (len(times) // 2))
                        columns = [counted, *columns, states]
                    names = ["no", "time", "state"] if delimiter else ["time"]
                    above = {
                        "": [],
                        "names": [names],
                        "units": [names, ["", "ms", ""] if delimiter else ["ms"]],
                        "remarks": [["# made by a logger"], names],
                    }[header]
                    if digits == 0 and not (delimiter and header != "units"):
                        continue  # whole numbers in one column do not show a decimal sign
                    rows = [*above, *(list(row) for row in zip(*columns, strict=True))]
                    lines = [(delimiter or " ").join(row) for row in rows]
                    text = "\n".join(lines) + "\n"
                    if digits:
                        yield text.replace(".", decimal), delimiter, decimal
                    elif decimal == ".":
                        yield text, delimiter, decimal


ITEMS = {"read-log": read_a_log, "dialects": dialects}
