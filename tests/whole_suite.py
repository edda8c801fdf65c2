"""How the whole suite is run: pytest -p tests.whole_suite -n ... tests/unit tests/browser ...

A test in a browser waits for three other programs most of the time, so two workers go through them, a file at a time,
while the others keep the processors busy with what computes. What takes longest begins first. At the end stands one
line with what became of all tests.
"""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest
from xdist.scheduler import LoadScopeScheduling

from kit.lab import grammar_later

grammar_later()  # nbval loads jsonschema, in every worker
BROWSER = "tests/browser/"
NEW = pytest.StashKey[bool]()  # whether this worker is yet to run its first test


class Streams(LoadScopeScheduling):
    """A file's tests stay together. Two workers begin with those in a browser; the others start none.

    One worker runs all notebooks: their kernels fork from a process that each worker would have to load for itself.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        return "notebooks" if file.endswith(".ipynb") else file

    def _assign_work_unit(self, node) -> None:
        with_browser = node in self.nodes[:2]
        files = (file for file in self.workqueue if with_browser or not file.startswith(BROWSER))
        self.workqueue.move_to_end(next(files, next(iter(self.workqueue))), last=False)
        super()._assign_work_unit(node)


def pytest_xdist_make_scheduler(config: pytest.Config, log) -> Streams:
    config.option.loadscopereorder = False  # in the order below
    return Streams(config, log)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    tests_in = Counter(item.path for item in items)

    def turn(item: pytest.Item) -> tuple[int, int, str]:
        stages = "browser" in Path(item.path).parts, item.path in slow, item.path.suffix == ".ipynb", True
        return stages.index(True), -tests_in[item.path], str(item.path)

    items.sort(key=turn)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> None:
    """A worker that computes gives way to the one with the browser: a page that has to wait too long fails."""
    if item.config.stash.setdefault(NEW, True) and hasattr(item.config, "workerinput"):
        item.config.stash[NEW] = False
        if not item.nodeid.startswith(BROWSER) and hasattr(os, "nice"):
            os.nice(5)


def pytest_unconfigure(config: pytest.Config) -> None:
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or hasattr(config, "workerinput"):
        return
    passed, failed, error, skipped, expected = (
        len(reporter.stats.get(outcome, ())) for outcome in ("passed", "failed", "error", "skipped", "xfailed")
    )
    print(f"{passed} passed, {failed + error} failed, {skipped + expected} skipped", flush=True)
