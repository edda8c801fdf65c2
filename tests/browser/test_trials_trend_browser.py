"""The table of trials and the fitter of trends in a real page: drawn, worked by keys, announced."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

DATA = """
import pandas as pd
from kit.widgets import TrendFitter, TrialTable

spread = [0.99, 1.02, 0.995, 1.0, 0.985, 1.015]
rows = [
    {"magnets": float(n), "trial": k + 1, "duration_s": 59.1 / (n + 0.557) * spread[(n + 2 * k) % 6],
     "turns": 130.8 / (n + 0.56) * spread[(n + 2 * k) % 6]}
    for n in (1, 2, 3, 4, 6, 8) for k in range(3)
]
results = pd.DataFrame(rows)
"""
TRIALS = DATA + "table = TrialTable(results)\ntable"
TREND = DATA + "fitter = TrendFitter(results)\nfitter"
DRAWN = "() => document.querySelector('.kit-plot .js-plotly-plot .trace') !== null"

# Every frame until UNWATCH: is a plot there, how high is the box, how far is the page scrolled?
WATCH = """() => {
    window.frames_seen = [];
    const look = () => {
        if (!window.frames_seen) return;
        window.frames_seen.push([
            document.querySelector('.kit-plot .js-plotly-plot .trace') !== null,
            Math.round(document.querySelector('.kit-plot').firstElementChild.getBoundingClientRect().height),
            document.querySelector('.jp-WindowedPanel-outer').scrollTop,
        ]);
        requestAnimationFrame(look);
    };
    look();
}"""
UNWATCH = "() => { const seen = window.frames_seen; window.frames_seen = null; return seen; }"
TARGETS = """() => [...document.querySelectorAll('.kit-box :is(button, input, select, summary)')]
    .filter((e) => e.offsetParent !== null && !e.closest('.js-plotly-plot'))
    .map((e) => (e.type === 'checkbox' ? e.closest('label') : e))
    .map((e) => [e.textContent.slice(0, 30), e.getBoundingClientRect()])
    .filter(([, box]) => box.width < 24 || box.height < 24)
    .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
NAMELESS = """() => [...document.querySelectorAll('.kit-box :is(button, input, select)')]
    .filter((e) => e.offsetParent !== null && !e.closest('.js-plotly-plot'))
    .filter((e) => !(e.getAttribute('aria-label') || e.textContent.trim() || e.labels?.[0]?.textContent.trim()))
    .map((e) => e.outerHTML.slice(0, 120))"""

FITS = """() => {
    const box = document.querySelector('.kit-box');
    return box.scrollWidth <= box.clientWidth + 1;
}"""


@pytest.fixture
def open_widget(desk):
    """Open a notebook that shows one widget, and wait for its plot."""

    def open_page(source: str):
        page = desk.show(source)
        page.wait_for_function(DRAWN)
        page.locator(".kit-box").evaluate("node => node.scrollIntoView()")
        return page

    return open_page


def wait_for_status(page, words: str) -> None:
    page.locator(".kit-say[role=status]", has_text=words).first.wait_for()


def test_a_trial_is_set_aside_and_taken_back_by_keys(open_widget, kernel_says):
    page = open_widget(TRIALS)
    expect(page.locator(".kit-trial")).to_have_count(18)
    page.evaluate(WATCH)
    page.locator("summary", has_text="Describe this plot").click()
    page.get_by_role("button", name="2 magnets, trial 2").focus()
    page.keyboard.press("Enter")
    reason = page.get_by_label("What happened in this run?")
    reason.wait_for()
    page.keyboard.press("Tab")  # past the other trials of the table, in the order of the page
    reason.focus()
    page.keyboard.type("A sleeve touched <b>the disc</b>")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    wait_for_status(page, "17 trials count, one trial set aside.")
    assert kernel_says(page, "table.results['set_aside'][4]") == "'A sleeve touched <b>the disc</b>'"
    page.locator(".kit-details p", has_text="One trial set aside, drawn hollow with a cross.").wait_for()
    expect(page.locator("details[open]")).to_have_count(1)  # what was unfolded stays so

    page.get_by_role("button", name="set aside: A sleeve touched").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Take back").click()
    wait_for_status(page, "18 trials count.")
    assert kernel_says(page, "(table.results['set_aside'] == '').all()") in ("True", "np.True_")

    seen = page.evaluate(UNWATCH)
    assert len(seen) > 20
    assert all(plot for plot, _, _ in seen)  # no frame without a plot: nothing flickers
    assert len({height for _, height, _ in seen}) == 1  # and nothing jumps


def test_a_refusal_is_announced(open_widget):
    page = open_widget(TRIALS)
    page.get_by_role("button", name="3 magnets, trial 1").click()
    page.get_by_role("button", name="Set aside", exact=True).click()
    wait_for_status(page, "Without a cause the trial stays in")
    expect(page.locator(".kit-say.kit-problem")).to_have_count(1)


def test_curves_are_ticked_compared_and_asked(open_widget, kernel_says):
    page = open_widget(TREND)
    wait_for_status(page, "Tick a curve")
    page.get_by_label("inverse: A/x", exact=True).focus()
    page.keyboard.press("Space")
    wait_for_status(page, "Tick another")
    page.get_by_label("shifted inverse").check()
    wait_for_status(page, "shifted inverse")
    page.locator(".kit-ranking th", has_text="shifted inverse").wait_for()
    assert kernel_says(page, "fitter.verdict.leader") == "'shifted inverse'"

    page.get_by_role("button", name="what they miss").click()
    page.locator(".kit-plot .annotation-text", has_text="R²").first.wait_for()
    page.get_by_role("button", name="logarithmic axes").click()
    page.locator(".kit-plot .xtitle", has_text="logarithmic").wait_for()
    page.get_by_role("button", name="curves").click()
    field = page.get_by_label("Predict at magnets")
    field.fill("12")
    field.press("Enter")
    wait_for_status(page, "Not tested: you measured only from 1 magnet to 8 magnets.")
    assert kernel_says(page, "fitter.prediction_at") == "12.0"


def test_running_the_cell_again_shows_one_plot_again(open_widget, kernel_says):
    page = open_widget(TREND)
    page.evaluate("async () => { await jupyterapp.commands.execute('notebook:run-all-cells'); }")
    page.wait_for_function(DRAWN)
    expect(page.locator(".kit-plot .js-plotly-plot")).to_have_count(1)
    page.get_by_label("power law: ").check()
    wait_for_status(page, "One curve is shown")
    assert kernel_says(page, "fitter.models") == "('power law',)"


@pytest.mark.parametrize("source", [TRIALS, TREND], ids=["trials", "trend"])
def test_everything_has_a_name_and_a_size_to_hit(open_widget, source):
    page = open_widget(source)
    if source is TRIALS:
        page.get_by_role("button", name="1 magnet, trial 1").click()
        page.get_by_label("What happened in this run?").wait_for()
    assert page.evaluate(TARGETS) == []
    assert page.evaluate(NAMELESS) == []


@pytest.mark.parametrize("source", [TRIALS, TREND], ids=["trials", "trend"])
def test_it_fits_a_small_laptop_and_a_narrow_window(open_widget, source):
    page = open_widget(source)
    for width in (1366, 700):
        page.set_viewport_size({"width": width, "height": 768})
        page.wait_for_function(FITS)
