"""Every stage of the main lesson in a real browser: it runs to the end, and what a student needs is on the page.

With KIT_PICTURES=FOLDER the pictures of the README are taken anew into that folder.
"""

import os
import time
from pathlib import Path

import pytest

# stage notebook -> (selector of its main widget, name of its picture, a field to write in)
STAGES = {
    "1_predict": (".kit-curve svg", "predicted_curve", "Why do you think so?"),
    "2_measure": (".pick-plot, canvas", "threshold_picker", "What do you see?"),
    "3_average": (".kit-plot .js-plotly-plot", "trial_table", "What do you see?"),
    "4_trend": (".kit-plot .js-plotly-plot", "trend_fitter", "What do you see?"),
    "5_explain": (".kit-plot .js-plotly-plot", "explain", "Your claim"),
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
def test_a_stage_shows_its_widget_and_goes_on_after_a_reload(lab_page, stage):
    """What was typed but never saved by its button is there again; how long that takes is printed, not judged."""
    selector, picture, field = STAGES[stage]
    page = lab_page(f"notebooks/coasting_disc/{stage}.ipynb", viewport=(1366, 2200))
    page.wait_for_selector(selector)
    assert page.locator(".kit-box").count() >= 2
    folder = os.environ.get("KIT_PICTURES")
    if folder:
        page.evaluate("jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Light' })")
        page.wait_for_timeout(1500)
        cell = page.locator(".jp-CodeCell").filter(has=page.locator(selector)).first
        cell.locator(".jp-Cell-outputWrapper").screenshot(path=Path(folder) / f"{picture}.png")
    box = page.get_by_label(field).first
    box.fill("half a thought")
    box.press("Tab")  # leaving a field keeps what is in it
    page.wait_for_function("() => jupyterapp.shell.currentWidget.sessionContext.session.kernel.status === 'idle'")
    began = time.monotonic()
    reload_and_run(page)
    page.wait_for_selector(selector)
    assert page.get_by_label(field).first.input_value() == "half a thought"
    print(f"{stage}: {time.monotonic() - began:.1f} s from the reload to the widgets")


def test_a_prediction_is_there_again_after_a_reload(lab_page):
    page = lab_page("notebooks/coasting_disc/1_predict.ipynb", viewport=(1366, 1600))
    page.get_by_text("About 19 s, half as long.").click()
    page.get_by_label("Why do you think so?").first.fill("twice the magnets")
    page.get_by_text("I am fairly sure").first.click()
    page.get_by_role("button", name="Seal my answer").first.click()
    page.get_by_text("Saved and sealed.").wait_for()
    reload_and_run(page)
    page.get_by_text("Your first answer (sealed):").wait_for()
    assert page.get_by_text("twice the magnets").first.is_visible()


def test_a_student_moves_a_threshold_by_typing_and_finds_it_in_the_next_stage(lab_page):
    page = lab_page("notebooks/coasting_disc/2_measure.ipynb", viewport=(1366, 2200))
    field = page.get_by_role("textbox", name="Start counting when one turn takes")
    field.fill("0.3")
    field.press("Enter")
    page.get_by_role("button", name="Use these thresholds").click()
    page.get_by_text("Every run now counts from 0.3 s a turn").wait_for()


def test_nothing_leaves_the_machine(lab_page):
    page = lab_page("notebooks/coasting_disc/4_trend.ipynb")
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.get_by_role("button", name="Tick all").first.click()
    page.wait_for_timeout(2000)
    page.reload()
    page.wait_for_function("window.jupyterapp?.shell.currentWidget?.context?.isReady")
    outside = [url for url in asked if not url.startswith(("http://127.0.0.1", "http://localhost", "data:", "blob:"))]
    assert asked
    assert outside == [], outside
