"""A class's hand-ins."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from kit.classroom.overview import ClassReader, read_class
from tests.benchmarks.race import Job, Row, race
from tests.invented_class import demo_handins

__all__ = ["ITEMS"]


def hand_ins(small: bool) -> list[Row]:
    """A folder of hand-ins read, checked and summed up."""
    count = 10 if small else 1000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        documents = [json.dumps(document, ensure_ascii=False).encode() for _, document in demo_handins()]
        for number in range(count):
            (folder / f"handin_{number:06}.json").write_bytes(documents[number % len(documents)])
        paths = sorted(folder.iterdir())
        size_mb = sum(path.stat().st_size for path in paths) / 1e6
        row = race(
            f"{count:,} hand-ins, {size_mb:.0f} MB",
            Job("", lambda: read_class(folder)),
            Job("json.loads of each, nothing checked", lambda: [json.loads(path.read_bytes()) for path in paths]),
            Job("the bytes alone", lambda: [path.read_bytes() for path in paths]),
            "≤ 1.4 × reading",
            "ours checks every hash and value",
        )
        for path in paths:
            os.utime(path, (0, 0))  # as files of yesterday, not of this moment
        reader = ClassReader(folder)
        reader.read()
        unchanged = race(
            "  the same folder, nothing new in it",
            Job("", reader.read),
            floor=Job("names and sizes alone", lambda: [entry.stat() for entry in os.scandir(folder)]),
            goal="≤ 1.15 × scan and stat",
            note="as a page asks that shows the class",
        )
    return [row, unchanged]


ITEMS = {"hand-ins": hand_ins}
