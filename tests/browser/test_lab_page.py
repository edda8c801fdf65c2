"""The fixtures themselves: a notebook runs in a real page, a click reaches the kernel, a failing cell is noticed."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

BUTTON = """
import ipywidgets

clicks = 0
button = ipywidgets.Button(description="Count a pass")
shown = ipywidgets.HTML("none yet")

def on_click(_):
    global clicks
    clicks += 1
    shown.value = f"passes: {clicks}"

button.on_click(on_click)
ipywidgets.VBox([button, shown])
"""


def test_nothing_of_the_test_before_is_left_on_the_desk(desk, kernel_says):
    """Page and kernel stay; what is on the page, in the kernel and in the browser's store is as if just opened."""
    desk.show(BUTTON).get_by_role("button", name="Count a pass").click()
    page = desk.show(BUTTON)
    page.get_by_text("none yet", exact=True).wait_for()
    kernel_says(page, "globals().update(left=1)")
    page.evaluate("localStorage.left = 1")
    page.set_viewport_size({"width": 400, "height": 300})
    assert desk.show("1 + 1") is page
    expect(page.get_by_role("button", name="Count a pass")).to_have_count(0)
    assert page.viewport_size == {"width": 1366, "height": 768}
    assert page.evaluate("localStorage.left") is None
    there = "[name in globals() for name in ('left', 'clicks', 'button')]"
    assert kernel_says(page, there) == "[False, False, False]"
    assert kernel_says(page, "'ipywidgets' in __import__('sys').modules") == "True"  # the same kernel


def test_a_failing_cell_fails_the_test_that_opened_it(lab_page, make_notebook, desk):
    cells = "1 + 1", "raise ValueError('the gate was not logged')"
    for show in (lambda: desk.show(*cells), lambda: lab_page(make_notebook("failing.ipynb", *cells))):
        with pytest.raises(pytest.fail.Exception, match=r"cell 2 failed: ValueError: the gate was not logged"):
            show()


def test_a_click_in_the_page_reaches_the_kernel_and_comes_back(lab_page, make_notebook):
    page = lab_page(make_notebook("button.ipynb", BUTTON), viewport=(1024, 600))
    assert page.viewport_size == {"width": 1024, "height": 600}
    for n in (1, 2):
        page.get_by_role("button", name="Count a pass").click()
        page.get_by_text(f"passes: {n}", exact=True).wait_for()


def test_a_notebook_finds_the_kit_and_its_data(lab_page, make_notebook):
    imports = "from pathlib import Path\nfrom kit import KitError"
    page = lab_page(
        make_notebook("find_kit.ipynb", imports, "print(KitError.__name__, Path('../datasets_demo').is_dir())")
    )
    page.get_by_text("KitError True", exact=True).wait_for()


def test_run_all_before_the_kernel_is_there_runs_all_once_it_is(chromium, lab, lesson_copy, make_notebook):
    """JupyterLab itself drops the cells then. The answer with the kernel is held back until after the click.

    The page is a new one: no question about news is in the way either, and none goes to the server about building.
    """
    notebook = make_notebook("early.ipynb", "import time", "print('ran', 'to the end')")
    held, asked, holding = [], [], [True]
    page = chromium.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.route(
        "**/api/sessions*",
        lambda route: held.append(route) if holding and route.request.method == "POST" else route.continue_(),
    )
    page.goto(f"{lab.address(f'{lesson_copy.name}/{notebook}')}&reset")
    page.wait_for_function("window.jupyterapp?.shell.currentWidget?.context?.isReady")
    page.wait_for_function("jupyterapp.commands.isEnabled('notebook:run-all-cells')")
    assert not page.evaluate("jupyterapp.shell.currentWidget.sessionContext.isReady")
    page.evaluate("() => { jupyterapp.commands.execute('notebook:run-all-cells') }")  # not waited for
    expect(page.get_by_text("ran to the end", exact=True)).to_have_count(0)
    holding.clear()
    for route in held:
        route.continue_()
    expect(page.get_by_text("ran to the end", exact=True)).to_be_visible()
    expect(page.locator(".jp-Dialog")).to_have_count(0)  # nobody is asked for the kernel that was on its way
    expect(page.get_by_text("Would you like to get notified about official Jupyter news?")).to_have_count(0)
    assert any("/lab/api/" in url for url in asked)
    assert not any("/lab/api/build" in url for url in asked)
    page.close()
