"""Logs written by rules: any run in any form that says what it is. What is read has to be what was written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

__all__ = ["WrittenLog", "written_logs"]

PER_SECOND = {"s": 1, "ms": 1000, "us": 1_000_000}


@dataclass(frozen=True)
class WrittenLog:
    """The bytes of a file, and the pass times of each run in it, s."""

    data: bytes
    runs: tuple[tuple[float, ...], ...]
    about: str


@st.composite
def written_logs(draw) -> WrittenLog:
    """One or more runs, in the long, wide or single form, of times, states or periods, in a dialect of its own."""
    unit = draw(st.sampled_from(("s", "ms", "us")))
    layout = draw(st.sampled_from(("single", "wide", "long")))
    content = draw(st.sampled_from(("times", "periods", "states"))) if layout == "single" else "times"
    delimiter, decimal = draw(
        st.sampled_from(((",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", "."), (" ", ".")))
    )
    runs = [_clock(draw, unit) for _ in range(1 if layout == "single" else draw(st.integers(2, 3)))]
    if layout == "wide" and delimiter == " ":
        runs = [run[: min(map(len, runs))] for run in runs]  # blanks cannot show an empty cell
    title, rows, passes = _table(layout, content, unit, runs)
    lines = [f"# {draw(st.sampled_from(('made by a logger', 'gate 2', 'ü')))}"] if draw(st.booleans()) else []
    text = [delimiter.join(cells).replace(".", decimal) for cells in rows]
    ending = draw(st.sampled_from(("\n", "\r\n", "\r")))
    whole = ending.join([*lines, delimiter.join(title), *text]) + draw(st.sampled_from(("", ending, 3 * ending)))
    encoding = draw(st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "cp1252")))
    about = f"{layout}, {content}, {unit}, {delimiter!r}, {decimal!r}, {encoding}, {ending!r}"
    return WrittenLog(whole.encode(encoding), tuple(passes), about)


def _clock(draw, unit: str) -> list[str]:
    """Times as written: strictly increasing, at most six decimals of a second; even steps are asked about."""
    count = draw(st.integers(8, 40))
    start = draw(st.integers(0, 10**8))
    gaps = draw(st.lists(st.integers(50_000, 2_000_000), min_size=count, max_size=count, unique=True))
    micro = np.cumsum([start, *gaps]).tolist()
    places = {"s": 6, "ms": 3, "us": 0}[unit]
    return [f"{value // 10**places}.{value % 10**places:0{places}}" if places else str(value) for value in micro]


def _table(layout: str, content: str, unit: str, runs: list[list[str]]):
    """(title, rows of cells, pass times of each run in s)."""
    seconds = [tuple(float(cell) / PER_SECOND[unit] for cell in run) for run in runs]
    if layout == "wide":
        longest = max(map(len, runs))
        title = [f"magnets-{k}_trial-1" for k in range(1, len(runs) + 1)]
        rows = [[run[i] if i < len(run) else "" for run in runs] for i in range(longest)]
        return [f"{name} ({unit})" for name in title], rows, seconds
    if layout == "long":
        rows = [[str(k), cell] for k, run in enumerate(runs, start=1) for cell in run]
        return ["trial", f"time_{unit}"], rows, seconds
    (run,) = runs
    if content == "states":
        rows = [[cell, "1" if i % 2 else "0"] for i, cell in enumerate(run)]
        return [f"time_{unit}", "state"], rows, [seconds[0][1::2]]
    if content == "periods":
        ticks = [round(float(cell) * 10**6 / PER_SECOND[unit]) for cell in run]
        places = {"s": 6, "ms": 3, "us": 0}[unit]
        periods = [f"{gap / 10**places:.{places}f}" for gap in np.diff(ticks)]
        added = np.concatenate(([0.0], np.cumsum([float(cell) for cell in periods]))) / PER_SECOND[unit]
        return [f"period_{unit}"], [[cell] for cell in periods], [tuple(added.tolist())]
    return [f"time_{unit}"], [[cell] for cell in run], seconds
