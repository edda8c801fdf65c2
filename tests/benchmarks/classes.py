"""A class's hand-ins."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from kit.classroom.overview import read_class
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
    return [
        row,
        Row("  the same folder unchanged", row.ours, "ms", goal="≤ 1.15 × scan", note="read anew: no index kept"),
    ]


ITEMS = {"hand-ins": hand_ins}
