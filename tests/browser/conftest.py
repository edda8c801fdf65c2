"""A real Chromium on a real JupyterLab, for tests that no kernel alone can answer.

    def test_something(desk):
        page = desk.show("from kit.widgets import ...", "...")
        page.get_by_role("button", name="...").click()

A page of JupyterLab, a kernel and the imports take seconds each, so a test asks for no more than it needs:

- `desk`, for a widget or a notebook that is looked at in many ways: one kernel for all tests of a file, in a page of
  JupyterLab that opens the notebooks of one file after the other (`window`). Every test gets the cells run anew; all
  variables and widgets of the test before are gone. After a test that failed, page and kernel are new too.
- `shared_pages`, for notebooks that are looked at in many ways, one after the other, in the same page.
- `lab_page`, for a student's way with reloads, saved files and links: a kernel and a copy of notebooks and data of the
  test's own, in the same page; in a page of its own if it is the test's second.

Both fail with the cell's own message if a cell fails, and at the end of the test if the page asked for anything outside
this machine. What a test enters or saves stays in the copy. A test that fails gets one more try, since a machine busy
with other things can starve a page; the report counts it as rerun.
Without a Chromium these tests are skipped, and say so; with KIT_REQUIRE_BROWSER=1 they fail instead.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import cached_property, partial
from pathlib import Path

import pytest

from kit.lab import Lab, free_port
from kit.launcher import PROJECT
from tests.browser.in_page import OPEN_ANOTHER, as_just_opened, run_to_the_end

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

FAILED = pytest.StashKey[bool]()
SPOILED = pytest.StashKey[bool]()  # by a test that failed: the page it may have left in any state

NOTEBOOK_IS_OPEN = "path => window.jupyterapp?.shell.currentWidget?.context?.path === path"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            item.add_marker(pytest.mark.flaky(reruns=1))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator:
    report = yield
    item.stash[FAILED] = report.failed or (report.when != "setup" and item.stash.get(FAILED, False))
    if report.failed:
        item.config.stash[SPOILED] = True
    return report


def find_chromium() -> str | None:
    """Path of a Chromium (or a sister of it): the CHROMIUM variable, the search path, the usual places."""
    named = os.environ.get("CHROMIUM")
    found = [named] if named else [shutil.which(name) for name in NAMES]
    return next((path for path in (*found, *PLACES) if path and Path(path).is_file()), None)


@pytest.fixture(scope="package")
def fake_devices(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder: the browser's microphone plays `sound.wav` in it, once, its camera `video.y4m`, again and again."""
    return tmp_path_factory.mktemp("devices")


def device_flags(folder: Path) -> list[str]:
    """Options of a Chromium whose microphone and camera are files, read when a page begins to use them."""
    return [
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={folder / 'sound.wav'}%noloop",
        f"--use-file-for-fake-video-capture={folder / 'video.y4m'}",
    ]


@pytest.fixture(scope="package")
def chromium(tmp_path_factory: pytest.TempPathFactory, fake_devices: Path) -> Iterator:
    """A running Chromium, as a Playwright context that all tests share, with JupyterLab cached on the disk."""
    executable = find_chromium()
    if executable is None:
        message = (
            "no Chromium on this machine: install chromium, or set CHROMIUM to the program's path; "
            "the tests in a browser can't run without it"
        )
        if os.environ.get("KIT_REQUIRE_BROWSER") == "1":
            pytest.fail(message, pytrace=False)
        pytest.skip(message)
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=60_000)  # as for clicks below: a machine busy with other tests can starve a page

    with sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("chromium"), executable_path=executable, args=[*FLAGS, *device_flags(fake_devices)]
        )
        context.set_default_timeout(60_000)
        yield context  # the empty page it begins with stays: without any the browser would end
        context.close()


@pytest.fixture(scope="package")
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
def lab_page(chromium, window: Window, lesson_copy: Path) -> Iterator[Callable]:
    """Open a notebook and run it to the end: lab_page("notebooks/x.ipynb", viewport=(1366, 768))."""
    pages = Pages(chromium, window, lesson_copy)
    yield pages.open
    pages.close()
    pages.refuse_outside()


@pytest.fixture(scope="package")
def window(chromium, lab: Lab, pytestconfig: pytest.Config) -> Iterator[Window]:
    """A page of JupyterLab that opens one notebook after the other."""
    window = Window(chromium, lab, pytestconfig)
    yield window
    window.close()


@pytest.fixture(scope="module")
def module_desk(window: Window) -> Iterator[Desk]:
    desk = Desk(window)
    yield desk
    desk.clear()


@pytest.fixture
def desk(module_desk: Desk, request: pytest.FixtureRequest) -> Iterator[Desk]:
    """One kernel for all tests of a file: `desk.show("cell", ...)` or `desk.open("notebooks/x.ipynb")`, run anew.

    An error on the page fails the test.
    """
    errors = module_desk.window.errors
    errors.clear()
    yield module_desk
    try:
        assert errors == []
        module_desk.window.refuse_outside()
    finally:
        if request.node.stash.get(FAILED, False) or errors:
            module_desk.clear()


@pytest.fixture(scope="module")
def shared_pages(window: Window) -> Iterator[Callable]:
    """For pages that are looked at in many ways: `with shared_pages(prepare) as (open_page, make_notebook):`.

    `prepare` is given the copy of notebooks and data before a page is opened. Both work as `lab_page` and
    `make_notebook` do. At the end of the block the notebook is closed and its kernel ended.
    """

    @contextmanager
    def visit(prepare: Callable[[Path], object]):
        with _copy_below(window.lab) as copy:
            prepare(copy)

            def open_page(notebook: str):
                page = window.open(f"{copy.name}/{notebook}")
                run_to_the_end(page, notebook)
                return page

            yield open_page, partial(_write_notebook, copy)
            window.leave(spent=True)
            window.refuse_outside()

    return visit


class Pages:
    """Opened pages of one copy of the notebooks: the first is the window."""

    def __init__(self, chromium, window: Window, copy: Path):
        self._chromium, self._window, self._copy = chromium, window, copy
        self._opened: list = []
        self._outside: list[str] = []

    def open(self, notebook: str, viewport: tuple[int, int] = LAPTOP):
        """Open a notebook, in a page of its own if it is the second, and run it to the end."""
        path = f"{self._copy.name}/{notebook}"
        if (self._window.path or "").startswith(f"{self._copy.name}/"):
            page = _new_page(self._chromium, self._window.lab, path, viewport, self._outside)
            self._opened.append(page)
        else:
            page = self._window.open(path, viewport)
        run_to_the_end(page, notebook)
        return page

    def close(self) -> None:
        """Close all pages, and the notebook in the window."""
        while self._opened:
            self._opened.pop().close()
        self._window.leave(spent=True)

    def refuse_outside(self) -> None:
        """Fail if a page asked for anything outside this machine since this was asked last."""
        _refuse(self._outside)
        self._window.refuse_outside()


def _refuse(outside: list[str]) -> None:
    found = outside[:]
    outside.clear()
    assert not found, f"asked for something outside this machine: {found}"


def _new_page(chromium, lab: Lab, path: str, viewport: tuple[int, int], outside: list[str]):
    """A page with a notebook; what it asks for outside this machine is put on the list."""
    page = chromium.new_page()

    def look(request) -> None:
        if not request.url.startswith(LOCAL):
            outside.append(request.url)

    page.on("request", look)
    page.on("websocket", look)
    page.set_viewport_size({"width": viewport[0], "height": viewport[1]})
    page.goto(f"{lab.address(path)}&reset")
    page.wait_for_function(NOTEBOOK_IS_OPEN, arg=path)
    return page


class Window:
    """One page of JupyterLab, made when first needed: loading JupyterLab takes longer than most tests."""

    def __init__(self, chromium, lab: Lab, config: pytest.Config):
        self.lab = lab
        self.errors: list[str] = []
        self._chromium, self._config = chromium, config
        self._outside: list[str] = []
        self.page = None
        self.path: str | None = None  # of the notebook that is open
        self._spent = False

    def open(self, path: str, viewport: tuple[int, int] = LAPTOP, unspent: bool = False):
        """The page, as if just opened, with this notebook and no other.

        It is a new one after a test that failed, and where an `unspent` one is wanted: its errors are this notebook's.
        """
        if self._config.stash.get(SPOILED, False) or (unspent and self._spent):
            self.close()
        if self.page is None:
            self.page = _new_page(self._chromium, self.lab, path, viewport, self._outside)
            self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        else:
            self.page.emulate_media(reduced_motion="null")
            self.page.set_viewport_size({"width": viewport[0], "height": viewport[1]})
            self.page.evaluate(OPEN_ANOTHER, path)
            self.page.wait_for_function(NOTEBOOK_IS_OPEN, arg=path)
        self.path = path
        return self.page

    def leave(self, spent: bool = False) -> None:
        """Close the notebook, so that its kernel can be ended. `spent` if what was open may have errors later on."""
        self._spent |= spent
        if self.path is not None and not self._config.stash.get(SPOILED, False):
            self.page.evaluate(OPEN_ANOTHER, None)
        self.path = None

    def close(self) -> None:
        """Close the page."""
        self._config.stash[SPOILED] = False
        if self.page is not None:
            self.page.close()
        self.page = self.path = None
        self._spent = False

    def refuse_outside(self) -> None:
        """Fail if the page asked for anything outside this machine since this was asked last."""
        _refuse(self._outside)


class Desk:
    """One kernel and one copy of the notebooks, made when first needed, in the window."""

    def __init__(self, window: Window):
        self.window = window
        self._all = ExitStack()

    @cached_property
    def copy(self) -> Path:
        """The folder of notebooks and data."""
        return self._all.enter_context(_copy_below(self.window.lab))

    def show(self, *sources: str):
        """The page with a notebook of these cells, run anew."""
        return self.open(_write_notebook(self.copy, "desk.ipynb", *sources))

    def open(self, notebook: str):
        """The page with this notebook, run anew."""
        path = f"{self.copy.name}/{notebook}"
        if path == self.window.path:
            page = self.window.page
            as_just_opened(page, LAPTOP)
        else:
            self.window.lab.end_kernels(self.copy.name)
            page = self.window.open(path, unspent=True)
        run_to_the_end(page, notebook)
        return page

    def clear(self) -> None:
        """Close the notebook and end its kernel: what comes next gets everything new, the copy too."""
        self.window.leave()
        self._all.close()
        self.__dict__.pop("copy", None)


@contextmanager
def _copy_below(lab: Lab) -> Iterator[Path]:
    copy = Path(tempfile.mkdtemp(dir=lab.root))
    for name in ("notebooks", "datasets_demo"):
        if (PROJECT / name).is_dir():
            shutil.copytree(PROJECT / name, copy / name, ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    yield copy
    lab.end_kernels(copy.name)


def _write_notebook(copy: Path, name: str, *sources: str) -> str:
    empty = {"cell_type": "code", "execution_count": None, "metadata": {}, "outputs": []}
    cells = [{**empty, "id": f"cell-{i}", "source": source} for i, source in enumerate(sources)]
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    notebook = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    path = copy / "notebooks" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(notebook), encoding="utf-8")
    return path.relative_to(copy).as_posix()


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
