"""A simulated class on this machine's own network: python3 -m kit test --load --students 30 --server warm."""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from kit.server.forked import Nursery
from tests.load.student import HUB, LESSON, Student, proportional_mib

MOST_STUDENTS = 60
ALL = "all"  # one page after the other, each left open
PAGES = {"1": "1_predict.ipynb", "2": "2_measure.ipynb", "3": "3_average.ipynb", "4": "4_trend.ipynb",
         "5": "5_explain.ipynb", "6": "6_investigate.ipynb"}  # fmt: skip


async def measure(options: argparse.Namespace, place: Path) -> list[dict]:
    """One row a page; each page is opened by all students within the given time, on servers that are up or not."""
    lessons = place / "lessons"
    subprocess.run(["sh", str(HUB / "for_students"), str(lessons)], check=True, stdout=subprocess.DEVNULL)
    nursery = None if options.ordinary else Nursery.instance()
    if nursery:
        nursery.start()  # with the hub
        await asyncio.wrap_future(nursery.ready)
    rows = []
    for stage in options.stage:
        students = [Student(place / stage / f"group-{number}", lessons, nursery) for number in range(options.students)]
        try:
            if options.server == "warm":
                for some in range(0, len(students), 4):
                    await asyncio.gather(*(student.log_in() for student in students[some : some + 4]))
                await asyncio.sleep(5)  # what a server does by itself after its start
            row = {"stage": stage, **await arrive(students, stage, options)}
            if nursery:  # a share of what all have in common
                shared = proportional_mib(nursery.pid) / len(students)
                row["memory_mib"] = [memory + shared for memory in row["memory_mib"]]
            rows.append(row)
            print(as_line(rows[-1]), flush=True)
        finally:
            for student in students:
                student.log_out()
    if nursery:
        nursery.stop()
    return rows


async def arrive(students: list[Student], stage: str, options: argparse.Namespace) -> dict:
    """Everybody comes, evenly spread over the time; failures are counted, not hidden."""

    async def come(number: int, student: Student):
        await asyncio.sleep(options.within * number / len(students))
        clicked = time.monotonic()
        if options.server == "cold":
            await student.log_in()
        waited = time.monotonic() - clicked
        for name in PAGES.values() if stage == ALL else [PAGES[stage]]:
            page = await student.open(name)
        page.whole_s = time.monotonic() - clicked - waited
        return page, waited

    came = await asyncio.gather(*(come(*pair) for pair in enumerate(students)), return_exceptions=True)
    there = [result for result in came if not isinstance(result, BaseException)]
    for problem in came:
        if isinstance(problem, BaseException):
            print(f"not there: {problem!r}", file=sys.stderr)
    row = {
        "students": len(students),
        "failed": len(students) - len(there),
        "first_s": [waited + page.first_s for page, waited in there if page.first_s is not None],
        "whole_s": [waited + page.whole_s for page, waited in there],
        "memory_mib": [student.memory_mib() for student in students],
    }
    if stage == "2" and there:
        pages = [(student, result[0]) for student, result in zip(students, came, strict=True) if result in there]

        async def drag(student: Student, page) -> list[float]:
            return await student.drag_threshold(page, [0.25 + 0.001 * step for step in range(20)])

        row["moves_s"] = [time for moves in await asyncio.gather(*(drag(*pair) for pair in pages)) for time in moves]
    return row


def as_line(row: dict) -> str:
    """What a person reads: median and 95th percentile."""

    def two(name: str, digits: int = 1) -> str:
        values = sorted(row.get(name, []))
        if not values:
            return "–"
        most = values[min(len(values) - 1, int(0.95 * len(values)))]
        return f"{statistics.median(values):.{digits}f} / {most:.{digits}f}"

    return (
        f"| {row['stage']} | {row['students']} | {row['failed']} | {two('first_s')} | {two('whole_s')} | "
        f"{two('moves_s', 2)} | {two('memory_mib', 0)} |"
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python3 -m kit test --load", description=__doc__)
    parser.add_argument("--students", type=int, default=30, choices=range(1, MOST_STUDENTS + 1), metavar="N")
    parser.add_argument("--server", choices=("warm", "cold"), default="warm", help="up before the class comes, or not")
    parser.add_argument("--within", type=float, default=60, metavar="S", help="everybody comes within so many seconds")
    parser.add_argument(
        "--stage",
        action="append",
        choices=[*PAGES, ALL],
        help="a page, or all, one after the other and left open; may be repeated (default: 1 to 6)",
    )
    parser.add_argument(
        "--ordinary", action="store_true", help="each server and kernel a program of its own, to compare"
    )
    parser.add_argument("--json", metavar="FILE", help="write all times here too")
    options = parser.parse_args(arguments)
    options.stage = options.stage or list(PAGES)
    print(f"{LESSON}: {options.students} students within {options.within:g} s, servers {options.server}")
    print("p50 / p95 of: first card (s), whole page (s), move of a threshold (s), memory (MiB)")
    print("| stage | students | failed | first | whole | move | memory |")
    print("|---|---|---|---|---|---|---|", flush=True)
    with tempfile.TemporaryDirectory(prefix="load-", ignore_cleanup_errors=True) as place:
        rows = asyncio.run(measure(options, Path(place)))
    if options.json:
        Path(options.json).write_text(json.dumps(rows, indent=1), encoding="utf-8")
    return 1 if any(row["failed"] for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
