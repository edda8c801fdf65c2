"""What it takes until something is there: `import kit`, and the first widget of a fresh kernel."""

from __future__ import annotations

import os
import subprocess
import sys
from statistics import median

from kit.launcher import PROJECT, project_environment
from tests.benchmarks.race import Row

__all__ = ["ITEMS"]

CODE = {
    "ours": "import kit",
    "widget": "from kit.logs.log import read_folder\nfrom kit.widgets import ThresholdPicker\n"
    "ThresholdPicker(read_folder('datasets_demo/coasting_disc')[:3], 0.25, 1.0)",
    "usual": "import pandas",
    "figure": "import plotly.graph_objects as go\ngo.FigureWidget(go.Scatter(x=[1, 2], y=[1, 2]))",
    "floor": "pass",
}
TIMED = "import time\nstart = time.perf_counter()\n{}\nprint(time.perf_counter() - start)"


def start(small: bool) -> list[Row]:
    """Each in a Python of its own, in turn."""
    samples: dict[str, list[float]] = {name: [] for name in CODE}
    for _ in range(1 if small else 5):
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
            goal="≤ 2,000 ms until seen",
            note="until the kernel has it; until it is seen: item browser",
        ),
    ]


def _fresh(code: str) -> float:
    environment = {**os.environ, **project_environment()}
    command = [sys.executable, "-c", TIMED.format(code)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=PROJECT, env=environment)
    return 1000 * float(done.stdout.split()[-1])


ITEMS = {"start": start}
