"""What it takes until something is there: `import kit`, the first widget of a fresh kernel, a whole page."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from kit.launcher import PROJECT, project_environment
from kit.lessons.analyse import analyse
from kit.server.forked import Nursery
from tests.benchmarks.race import Job, Row, times_of
from tests.load.student import HUB, Student

__all__ = ["ITEMS"]

CODE = {
    "ours": "import kit",
    "widget": "from kit.logs.folder import read_folder\nfrom kit.widgets import ThresholdPicker\n"
    "ThresholdPicker(read_folder('datasets_demo/coasting_disc')[:3], 0.25, 1.0)",
    "analyse": "import kit\nkit.analyse('datasets_demo/coasting_disc').summary()",
    "usual": "import pandas",
    "figure": "import plotly.graph_objects as go\ngo.FigureWidget(go.Scatter(x=[1, 2], y=[1, 2]))",
    "floor": "pass",
}
TIMED = "import time\nstart = time.perf_counter()\n{}\nprint(time.perf_counter() - start)"


def start(small: bool) -> list[Row]:
    """Each in a Python of its own, in turn."""
    samples: dict[str, list[float]] = {name: [] for name in CODE}
    for _ in range(1 if small else 3):
        for name, code in CODE.items():
            samples[name].append(_fresh(code))
    took = {name: median(times) for name, times in samples.items()}
    return [
        Row("import kit", took["ours"], "ms", took["usual"], "import pandas", goal="≤ 100 ms"),
        Row(
            "imports and a threshold picker of 3 runs, fresh kernel",
            took["widget"],
            "ms",
            took["figure"],
            "a FigureWidget of two points",
            goal="≤ 1,000 ms",
            note="until the kernel has it; until it is seen: item browser",
        ),
        Row("analyse the demo lesson, 21 runs, a fresh Python", took["analyse"], "ms", goal="≤ 1,000 ms"),
        Row(
            "  of which computing",
            times_of({"again": Job("", lambda: analyse(PROJECT / "datasets_demo/coasting_disc").summary())})["again"],
            "ms",
            goal="≤ 400 ms",
        ),
    ]


def _fresh(code: str) -> float:
    environment = {**os.environ, **project_environment()}
    command = [sys.executable, "-c", TIMED.format(code)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=PROJECT, env=environment)
    return 1000 * float(done.stdout.split()[-1])


def kernel(small: bool) -> list[Row]:
    """A page from the click to its last cell, its kernel forked or started, each on a server of its own."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        took = asyncio.run(_pages(Path(place), 1 if small else 3))
    goal = "≤ 1,000 ms"
    return [
        Row("stage 2 on a running server, to the first widget", took["forked", "first"], "ms", took["started", "first"],
            "a kernel started anew", goal=goal),
        Row("stage 2 on a running server, to the last cell", took["forked", "whole"], "ms", took["started", "whole"],
            "a kernel started anew", goal=goal),
    ]  # fmt: skip


async def _pages(place: Path, times: int) -> dict[tuple[str, str], float]:
    lessons = place / "lessons"
    subprocess.run(["sh", str(HUB / "for_students"), str(lessons)], check=True, stdout=subprocess.DEVNULL)
    nursery = Nursery.instance()
    nursery.start()
    await asyncio.wrap_future(nursery.ready)
    students = {"forked": Student(place / "a", lessons, nursery), "started": Student(place / "b", lessons, None)}
    samples: dict[tuple[str, str], list[float]] = {}
    try:
        for student in students.values():
            await student.log_in()
        await asyncio.sleep(5)  # as long before the lesson as you like: the libraries are loaded
        for _ in range(times):
            for way, student in students.items():
                page = await student.open("2_measure.ipynb")
                for name, seconds in (("first", page.first_s), ("whole", page.whole_s)):
                    samples.setdefault((way, name), []).append(1000 * (seconds or float("nan")))
                await student.close(page)
    finally:
        for student in students.values():
            student.log_out()
        nursery.stop()
    return {key: median(found) for key, found in samples.items()}


ITEMS = {"start": start, "kernel": kernel}
