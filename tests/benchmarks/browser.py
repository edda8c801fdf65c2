"""A threshold dragged in a real Chromium: from the pointer's event to the repaint; and the first widget seen."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from kit.lab import Lab, free_port
from tests.benchmarks.race import Row
from tests.browser.conftest import FLAGS, LAPTOP, NOTEBOOK_IS_OPEN, find_chromium

__all__ = ["ITEMS"]

FIRST = """
from kit.logs.log import read_log
from kit.launcher import PROJECT
from kit.widgets import ThresholdPicker
logs = sorted((PROJECT / "datasets_demo" / "coasting_disc" / "passes").glob("*_trial-1.csv"))[:3]
ThresholdPicker([run for log in logs for run in read_log(log)], 0.25, 1.0)
"""
DRAGGED = """
from kit.widgets import ThresholdPicker
from tests.benchmarks.simulated import START_S, STOP_S, coasting_runs
ThresholdPicker(coasting_runs({count}, {passes}), START_S, STOP_S)
"""
RUN = """() => Promise.race([
    (async () => {
        const panel = jupyterapp.shell.currentWidget;
        await panel.context.ready;
        await panel.sessionContext.ready;
        await panel.sessionContext.session.kernel.info;
        const start = performance.now();
        jupyterapp.commands.execute('notebook:run-all-cells');
        while (!document.querySelector('.kit-picker .pick-table tbody tr')?.offsetParent)
            await new Promise(requestAnimationFrame);
        return performance.now() - start;
    })(),
    new Promise((_, refuse) => setTimeout(() => refuse(new Error('no widget after two minutes')), 120_000)),
])"""
# Each move is timed twice, from the pointer's event: until the line has been painted, and until the results have.
WATCH = """() => {
    const times = (window.times = { line: [], results: [] });
    const painted = (then) => requestAnimationFrame(() => {
        const { port1, port2 } = new MessageChannel();
        port1.onmessage = then;
        port2.postMessage(0);
    });
    let moved = 0;
    document.querySelector('.pick-line-start').addEventListener('pointermove', ({ timeStamp }) => {
        moved = timeStamp;
        painted(() => times.line.push(performance.now() - timeStamp));
    });
    new MutationObserver(() => {
        const since = moved;
        moved = 0;
        if (since) painted(() => times.results.push(performance.now() - since));
    }).observe(document.querySelector('.pick-table tbody'), { subtree: true, childList: true, characterData: true });
}"""
STEPS = 40
CASES = ((60, 500), (1, 100_000))


def threshold_drag(small: bool) -> list[Row]:
    """p50 and p95 of a drag, and how soon the first widget of a fresh kernel is seen."""
    chromium = find_chromium()
    if chromium is None or small:
        why = "not measured: no Chromium" if chromium is None else "not measured at tiny sizes"
        return [Row("threshold drag in a browser", None, goal="line ≤ 17 ms, results ≤ 100 ms p95", note=why)]
    rows = []
    with tempfile.TemporaryDirectory() as folder, _pages(chromium, Path(folder)) as open_notebook:
        page = open_notebook(FIRST)
        rows.append(Row("first widget of a fresh kernel, until it is seen", page.evaluate(RUN), goal="≤ 1,000 ms"))
        for count, passes in CASES:
            page = open_notebook(DRAGGED.format(count=count, passes=passes))
            page.evaluate(RUN)
            rows += _rows_of(
                _dragged(page), f"{count} runs × {passes:,} passes" if count > 1 else f"1 run × {passes:,} passes"
            )
    return rows


def _rows_of(times: dict[str, list[float]], work: str) -> Iterator[Row]:
    for part, goal in (("line", "≤ 17 ms p95"), ("results", "≤ 100 ms p95")):
        p50, p95 = np.percentile(times[part], [50, 95])
        yield Row(
            f"threshold drag, {work}: {part}, p95",
            float(p95),
            floor=1000 / 60,
            floor_what="one frame",
            goal=goal,
            note=f"p50 {p50:.0f} ms, of {len(times[part])} moves; pointer event to repaint",
        )


def _dragged(page) -> dict[str, list[float]]:
    line = page.locator(".pick-line-start")
    line.scroll_into_view_if_needed()
    page.evaluate(WATCH)
    box = line.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(STEPS):
        page.mouse.move(x, y - 3 - 2 * (step % 20))
        page.wait_for_function("count => window.times.results.length >= count", arg=step + 1)
    page.mouse.up()
    return page.evaluate("() => window.times")


@contextmanager
def _pages(chromium: str, folder: Path):
    """A JupyterLab and a Chromium; what is given opens a page on a new notebook with this one cell."""
    from playwright.sync_api import sync_playwright

    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTERLAB_WORKSPACES_DIR", "IPYTHONDIR")
    home = {name: str(folder / name.lower()) for name in names}
    lab = Lab(folder, free_port(0), options=("--expose-app-in-browser",), environment=home)
    try:
        lab.wait_until_it_answers("")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
            context = browser.new_context(viewport={"width": LAPTOP[0], "height": LAPTOP[1]})
            context.set_default_timeout(120_000)

            def open_notebook(source: str):
                name = f"drag_{time.monotonic_ns()}.ipynb"
                (folder / name).write_text(json.dumps(_notebook(source)), encoding="utf-8")
                page = context.new_page()
                page.goto(f"{lab.address(name)}&reset")
                page.wait_for_function(NOTEBOOK_IS_OPEN, arg=name)
                return page

            yield open_notebook
            browser.close()
    finally:
        lab.stop()


def _notebook(source: str) -> dict:
    cell = {"cell_type": "code", "execution_count": None, "metadata": {}, "outputs": [], "id": "cell", "source": source}
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return {"cells": [cell], "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}


ITEMS = {"browser": threshold_drag}
