"""Every stage of the main lesson in a real browser: it runs to the end, and what a student needs is on the page.

With KIT_PICTURES=FOLDER the pictures of the README are taken anew into that folder.
"""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from playwright.sync_api import expect

from tests.browser.in_page import PICTURES, keep_picture, seal_before


def nothing(page) -> None:
    pass


def seal_a_prediction(page) -> None:
    page.get_by_text("About 19 s, half as long.").click()
    page.get_by_label("Why do you think so?").first.fill("twice the magnets")
    page.get_by_text("I am fairly sure").first.click()
    page.get_by_role("button", name="Seal my answer").first.click()
    page.get_by_text("Saved and sealed.").wait_for()


def the_prediction_is_there(page) -> None:
    page.get_by_text("Your first answer (sealed):").wait_for()
    expect(page.get_by_text("twice the magnets").first).to_be_visible()


def move_a_threshold_by_typing(page) -> None:
    field = page.get_by_role("textbox", name="Start counting when one turn takes")
    field.fill("0.4")
    field.press("Enter")
    page.get_by_role("button", name="Use these thresholds").click()
    page.get_by_text("Every run now counts from 0.4 s a turn").wait_for()


def go_further(page) -> None:
    """The section at the end is closed; opened, its parts are made one by one, when they are asked for."""
    show = page.get_by_role("button", name="Show this part")
    expect(show.first).to_be_hidden()
    page.locator(".jp-showHiddenCellsButton").first.click()
    expect(show.first).to_be_visible()
    show.first.click()


def see_how_sure_and_the_turns(page) -> None:
    go_further(page)
    expect(page.get_by_role("columnheader", name="spread of the trials")).to_be_visible()


def write_on_the_second_page(page) -> None:
    move_a_threshold_by_typing(page)
    go_further(page)
    expect(page.get_by_text("Whose runs do you use?")).to_be_visible()


def tick_all_curves(page) -> None:
    fitter = page.locator(".kit-box").filter(has=page.get_by_role("button", name="Tick all")).last
    for curve in ("inverse: A/x", "shifted inverse: A/(x + x₀)"):
        fitter.get_by_label(curve, exact=True).check()
    page.locator(".kit-ranking th").first.wait_for()
    take_picture(page, STAGES["4_trend"])
    page.get_by_role("button", name="Tick all").first.click()
    expect(page.locator(".kit-ranking").first).to_contain_text("exponential")
    look_inside(page)


def take_picture(page, visit) -> None:
    """Of the stage's main widget, for the README."""
    if PICTURES:
        page.evaluate("jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Light' })")
        page.wait_for_timeout(1500)
        cell = page.locator(".jp-CodeCell").filter(has=page.locator(visit.widget)).first
        keep_picture(cell.locator(visit.shows or ".jp-OutputArea-output").first, visit.picture, height=visit.height)


def look_inside(page) -> None:
    """How a number is made is closed, and opens by a click; its boxes have run with all others."""
    said = page.get_by_text(re.compile(r"The shifted inverse has [\d.,]+ times the evidence"))
    expect(said).to_be_hidden()
    page.locator(".jp-showHiddenCellsButton").last.click()
    expect(said).to_be_visible()


def data_wait_and_open_by_themselves_when_another_page_seals(page, visit, copy) -> None:
    """This test's own process stands for the page before: it shares the workbook's file with the kernel, no more."""
    page.get_by_text("This waits for your sealed answer in stage 1").first.wait_for()
    assert page.locator(visit.widget).count() == 0
    seal_before(copy)
    page.locator(visit.widget).first.wait_for()
    expect(page.get_by_text("This waits for").locator("visible=true")).to_have_count(0)  # hidden: how it is made


@dataclass(frozen=True)
class Visit:
    """A stage: its main widget, a picture of it, a field to write in, what a student does, and finds after a reload."""

    widget: str
    picture: str
    field: str
    does: Callable = nothing
    finds: Callable = nothing
    shows: str = ""  # what is on the picture; otherwise all of the output
    height: int | None = None  # of the picture, at most


STAGES = {
    "1_predict": Visit(
        ".kit-curve svg", "predicted_curve", "Why do you think so?", seal_a_prediction, the_prediction_is_there
    ),
    "2_measure": Visit(
        ".pick-plot, canvas",
        "threshold_picker",
        "What do you see?",
        write_on_the_second_page,
        shows=".kit-picker",
        height=705,
    ),
    "3_average": Visit(".kit-plot .js-plotly-plot", "trial_table", "", see_how_sure_and_the_turns),
    "4_trend": Visit(".kit-plot .js-plotly-plot", "trend_fitter", "", tick_all_curves),
    "5_explain": Visit(".kit-curve svg", "explain", "Your claim"),
}


def reload_and_run(page) -> None:
    page.reload()
    page.wait_for_function("window.jupyterapp?.shell.currentWidget?.context?.isReady")
    page.evaluate(
        """async () => {
            const panel = jupyterapp.shell.currentWidget;
            await panel.sessionContext.ready;
            await jupyterapp.commands.execute('notebook:run-all-cells');
        }"""
    )


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_shows_its_widget_takes_what_is_done_and_goes_on_after_a_reload(lab_page, lesson_copy, stage):
    """What was saved is there again, and so is what was typed but never saved by its button.

    How long that takes is printed, not judged. Nothing asks for anything outside this machine.
    """
    visit = STAGES[stage]
    if stage not in ("1_predict", "2_measure"):
        seal_before(lesson_copy)
    page = lab_page(f"notebooks/coasting_disc/{stage}.ipynb", viewport=(1366, 2200))
    if stage == "2_measure":
        data_wait_and_open_by_themselves_when_another_page_seals(page, visit, lesson_copy)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_selector(visit.widget)
    expect(page.locator(".kit-box").nth(1)).to_be_attached()
    if visit.does is not tick_all_curves:
        take_picture(page, visit)
    visit.does(page)
    if visit.field:
        box = page.get_by_label(visit.field).last
        box.fill("half a thought")
        box.press("Tab")  # leaving a field keeps what is in it
    page.wait_for_function("() => jupyterapp.shell.currentWidget.sessionContext.session.kernel.status === 'idle'")
    began = time.monotonic()
    reload_and_run(page)
    page.wait_for_selector(visit.widget)
    if visit.field:
        expect(page.get_by_label(visit.field).last).to_have_value("half a thought")
    print(f"{stage}: {time.monotonic() - began:.1f} s from the reload to the widgets")
    visit.finds(page)
    outside = [url for url in asked if not url.startswith(("http://127.0.0.1", "http://localhost", "data:", "blob:"))]
    assert asked
    assert outside == [], outside


def test_ten_minutes_on_one_page(lab_page):
    """Question, discussion, one run, look back: nothing of the data shows before the second answer."""
    page = lab_page("notebooks/coasting_disc/question_of_the_day.ipynb")
    run = page.locator(".kit-box", has_text="This run was made with 2 magnets")
    seal_a_prediction(page)
    expect(page.get_by_text("This waits for your answer after the discussion.").first).to_be_visible()
    page.get_by_text("Less than 19 s.").click()
    page.get_by_text("I am very sure").first.click()
    page.get_by_role("button", name="Save this answer").click()
    expect(run.first).to_be_visible(timeout=60_000)  # a drag law is fitted first
    expect(page.locator(".js-plotly-plot").first).to_be_visible()
