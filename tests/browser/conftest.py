"""A real Chromium on a real JupyterLab, for tests that no kernel alone can answer.

    def test_something(lab_page):
        page = lab_page("notebooks/coasting_disc/2_measure.ipynb")
        page.get_by_role("button", name="...").click()

`lab_page` opens a notebook from a temporary copy of the project's notebooks and data, runs it to the end, fails
with the cell's own message if a cell fails, and returns the Playwright page. At the end it fails if the page asked
for anything outside this machine. What a test enters or saves stays in the copy, and every test gets a fresh one.
Without a Chromium these tests are skipped, and say so; with KIT_REQUIRE_BROWSER=1 they fail instead.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from kit.lab import Lab, free_port
from kit.launcher import PROJECT
from tests.browser.in_page import run_to_the_end

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
# Software drawing, and none of the traffic a browser makes on its own account.
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
LOCAL = ("http://127.0.0.1:", "http://localhost:", "ws://127.0.0.1:", "ws://localhost:", "data:", "blob:", "about:")
LAPTOP = (1366, 768)  # the small shared laptop of a school

NOTEBOOK_IS_OPEN = "path => window.jupyterapp?.shell.currentWidget?.context?.path === path"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)


def find_chromium() -> str | None:
    """Path of a Chromium (or a sister of it): the CHROMIUM variable, the search path, the usual places."""
    named = os.environ.get("CHROMIUM")
    found = [named] if named else [shutil.which(name) for name in NAMES]
    return next((path for path in (*found, *PLACES) if path and Path(path).is_file()), None)


@pytest.fixture(scope="session")
def chromium() -> Iterator:
    """A running Chromium, as a Playwright context that all tests share, so that JupyterLab is cached."""
    executable = find_chromium()
    if executable is None:
        message = (
            "no Chromium on this machine: install chromium, or set CHROMIUM to the program's path; "
            "the tests in a browser can't run without it"
        )
        if os.environ.get("KIT_REQUIRE_BROWSER") == "1":
            pytest.fail(message, pytrace=False)
        pytest.skip(message)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=list(FLAGS))
        context = browser.new_context()
        context.set_default_timeout(60_000)
        yield context
        context.close()
        browser.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """One JupyterLab for all tests, with settings and workspaces of its own: nothing of the user's is touched."""
    home = tmp_path_factory.mktemp("jupyter")
    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTERLAB_WORKSPACES_DIR", "IPYTHONDIR")
    server = Lab(
        tmp_path_factory.mktemp("lab"),
        free_port(0),  # any: several tests may run at once
        options=("--expose-app-in-browser",),
        environment={name: str(home / name.lower()) for name in names},
    )
    try:
        server.wait_until_it_answers("")
        yield server
    finally:
        server.stop()


@pytest.fixture
def lesson_copy(lab: Lab) -> Iterator[Path]:
    """A fresh copy of the project's notebooks and demo data, below the folder that JupyterLab shows."""
    with _copy_below(lab) as copy:
        yield copy


@pytest.fixture
def make_notebook(lesson_copy: Path) -> Callable[..., str]:
    """Write a notebook of code cells among the copied ones: make_notebook("x.ipynb", "1 + 1") -> its path."""
    return partial(_write_notebook, lesson_copy)


@pytest.fixture
def lab_page(chromium, lab: Lab, lesson_copy: Path) -> Iterator[Callable]:
    """Open a notebook and run it to the end: lab_page("notebooks/x.ipynb", viewport=(1366, 768), run=True)."""
    with _pages_of(chromium, lab, lesson_copy) as open_page:
        yield open_page


@pytest.fixture(scope="module")
def shared_pages(chromium, lab: Lab) -> Iterator[Callable]:
    """For tests that look at one page in many ways: `with shared_pages() as (open_page, make_notebook):`.

    Both work as `lab_page` and `make_notebook` do. At the end of the block the page is closed and its kernel ended.
    """

    @contextmanager
    def visit():
        with _copy_below(lab) as copy, _pages_of(chromium, lab, copy) as open_page:
            yield open_page, partial(_write_notebook, copy)

    return visit


@contextmanager
def _copy_below(lab: Lab) -> Iterator[Path]:
    copy = Path(tempfile.mkdtemp(dir=lab.root))
    for name in ("notebooks", "datasets_demo"):
        if (PROJECT / name).is_dir():
            shutil.copytree(PROJECT / name, copy / name, ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    yield copy
    lab.end_kernels()


def _write_notebook(copy: Path, name: str, *sources: str) -> str:
    empty = {"cell_type": "code", "execution_count": None, "metadata": {}, "outputs": []}
    cells = [{**empty, "id": f"cell-{i}", "source": source} for i, source in enumerate(sources)]
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    notebook = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    path = copy / "notebooks" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(notebook), encoding="utf-8")
    return path.relative_to(copy).as_posix()


@contextmanager
def _pages_of(chromium, lab: Lab, copy: Path) -> Iterator[Callable]:
    pages, outside = [], []

    def look(request) -> None:
        if not request.url.startswith(LOCAL):
            outside.append(request.url)

    def open_page(notebook: str, viewport: tuple[int, int] = LAPTOP, run: bool = True):
        path = f"{copy.name}/{notebook}"
        page = chromium.new_page()
        pages.append(page)
        page.on("request", look)
        page.on("websocket", look)
        page.set_viewport_size({"width": viewport[0], "height": viewport[1]})
        page.goto(f"{lab.address(path)}&reset")
        page.wait_for_function(NOTEBOOK_IS_OPEN, arg=path)
        if run:
            run_to_the_end(page, notebook)
        return page

    yield open_page
    for page in pages:
        page.close()
    assert not outside, f"asked for something outside this machine: {outside}"


@pytest.fixture
def kernel_says() -> Callable[..., str]:
    """Ask the kernel of an open notebook: kernel_says(page, "1 + 1") -> "2" (what `repr` gives)."""

    def ask(page, expression: str) -> str:
        return page.evaluate(
            """async (code) => {
                const kernel = jupyterapp.shell.currentWidget.sessionContext.session.kernel;
                let said = "";
                const asked = kernel.requestExecute({ code: `print(repr(${code}))`, store_history: false });
                asked.onIOPub = ({ header, content }) => {
                    if (header.msg_type === "stream") said += content.text;
                };
                await asked.done;
                return said.trim();
            }""",
            expression,
        )

    return ask
