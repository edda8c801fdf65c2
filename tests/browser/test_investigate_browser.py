"""The last stage in a real browser: claims, sound, plans; by keys; and all of it there again after a reload."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.in_page import seal_before

NOTEBOOK = "notebooks/coasting_disc/6_investigate.ipynb"
AGAIN = """async () => {
    const panel = jupyterapp.shell.currentWidget;
    await panel.sessionContext.ready;
    await jupyterapp.commands.execute('notebook:run-all-cells');
}"""
# anywidget's own limit: a script that takes more than two seconds to load, as on a machine busy with other tests.
# Whether what it shows is there is tested by waiting for it.
TOO_BUSY = "Failed to initialize model"
IS_OPEN = "window.jupyterapp?.shell.currentWidget?.context?.isReady"


def cell_of(page, source: str):
    """The code cell that calls this step, scrolled into view."""
    cell = page.locator(".jp-CodeCell", has=page.locator(".jp-InputArea", has_text=source)).first
    cell.scroll_into_view_if_needed()
    return cell


def press(cell, name: str) -> None:
    """Work a button as somebody without a mouse does."""
    button = cell.get_by_role("button", name=name, exact=True)
    button.focus()
    button.press("Enter")


def answer(cell, choice: str) -> None:
    cell.get_by_text(choice, exact=True).click()
    cell.get_by_label("Why do you think so?").fill("the hub rubs")
    cell.get_by_text("I am fairly sure").click()
    press(cell, "Seal my answer")
    cell.get_by_text("Saved and sealed.").wait_for()


@pytest.fixture
def page(lab_page, lesson_copy):
    errors = []
    seal_before(lesson_copy, "coasting_disc", "two-magnets", "turns", "level")
    page = lab_page(NOTEBOOK, viewport=(1366, 2400))  # its errors are judged from here on: none is of a page before
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    assert [error for error in errors if TOO_BUSY not in error] == []


def sound_waits_for_the_prediction_plays_nothing_by_itself_and_is_seen(page):
    recordings = cell_of(page, "stage.recordings(")
    recordings.get_by_text("This waits for your sealed answer on this page").wait_for()
    assert recordings.locator("audio").count() == 0
    answer(cell_of(page, 'stage.prediction("sound")'), "Nearly the same.")
    player = recordings.locator("audio")
    player.wait_for()
    assert player.evaluate("a => a.paused && !a.autoplay && a.controls")
    recordings.get_by_label("Recording:").select_option("1 magnet, hub greased, trial 1")
    recordings.locator(".kit-say[role=status]", has_text="0 clicks found").wait_for()
    press(recordings, "spectrogram")
    recordings.locator(".kit-say[role=status]", has_text="between 1 and 6 kHz").wait_for()
    recordings.locator(".kit-plot .js-plotly-plot .hm").first.wait_for(state="attached")
    same = cell_of(page, 'hub=("greased", "dry")')
    same.get_by_text("louder than hub greased").last.wait_for()


def test_from_the_predictions_to_the_plans_and_all_there_again_after_a_reload(page):
    sound_waits_for_the_prediction_plays_nothing_by_itself_and_is_seen(page)

    claim = cell_of(page, 'stage.claim("level", at=8)')
    press(claim, "This is my claim")
    claim.get_by_text("Your claim is put down.").wait_for()
    many = claim.get_by_label("How many more worlds?")
    many.fill("100")
    many.press("Enter")
    press(claim, "Hand the labels round")
    claim.get_by_text("Of 100 shuffled worlds").first.wait_for()
    press(claim, "What do the data say?")
    claim.get_by_text("These data cannot tell.").first.wait_for()
    claim.locator(".kit-plot .js-plotly-plot .trace:visible").first.wait_for()

    box = cell_of(page, 'stage.defend("level")')
    insert = box.get_by_role("button", name="Insert: At 8 magnets")
    insert.focus()
    insert.press("Enter")
    box.get_by_label("Your claim: one sentence").fill("Tilt matters with few magnets")
    press(box, "Save my answer to this claim")
    box.get_by_text("Saved. Still empty: reasoning, rebuttal.").wait_for()

    plan = cell_of(page, "stage.own_claim()")
    plan.get_by_label("Your claim: one sentence").fill("Wax makes it coast longer")
    plan.get_by_label("First setting:").fill("wax")
    plan.get_by_label("Second setting:").fill("no <b>wax</b>")
    press(plan, "Draw the order of my runs")
    plan.get_by_text("8 runs in an order drawn by lot").wait_for()
    expect(plan.get_by_role("link", name="Save the sheet to print it")).to_be_visible()

    tested = cell_of(page, "stage.test_own_claim()")
    press(tested, "Look for new runs")
    expect(tested.get_by_text("You have no runs of your own yet.")).to_be_visible()

    planner = cell_of(page, "stage.later(lambda: stage.planner())")
    press(planner, "Show this part")
    press(planner, "Draw the order")
    planner.get_by_text("in an order drawn by lot").first.wait_for()
    order = planner.locator("tbody").last.inner_text()

    page.reload()
    page.wait_for_function(IS_OPEN)
    page.evaluate(AGAIN)
    cell_of(page, 'stage.claim("level", at=8)').get_by_text("These data cannot tell.").first.wait_for()
    expect(cell_of(page, 'stage.defend("level")').get_by_label("Your evidence")).to_have_value(
        re.compile("At 8 magnets")
    )
    expect(cell_of(page, "stage.recordings(").locator("audio")).to_have_count(1)
    again = cell_of(page, "stage.own_claim()")
    expect(again.get_by_label("Your claim: one sentence")).to_have_value("Wax makes it coast longer")
    expect(again.locator("tbody tr")).to_have_count(8)
    expect(again.get_by_text("no <b>wax</b>").first).to_be_visible()  # shown as text
    planner = cell_of(page, "stage.later(lambda: stage.planner())")
    press(planner, "Show this part")
    expect(planner.locator("tbody").last).to_have_text(order, use_inner_text=True)
