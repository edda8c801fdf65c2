"""The slowdown explorer in a real page: sliders, fields and keys move the model at once; Python owns the numbers."""

from __future__ import annotations

import json

import numpy as np
import pytest
from playwright.sync_api import expect

from kit.motion.drag import TURN, DragLaw
from kit.widgets.slowdown_explorer import SlowdownPage
from tests.browser.in_page import INK, call_in_page

NOTEBOOK = """
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.motion.threshold import measure
from kit.widgets import CollapseView
from kit.widgets.slowdown_explorer import SlowdownExplorer
from kit.widgets import TwoRoutes

runs = session(APPARATUS["coasting_disc"], 3, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8), trials=2)
explorer = SlowdownExplorer(runs, "magnets", 0.25, 1.0)
explorer
"""
OTHERS = """
results = measure(runs, 0.25, 1.0)
collapse_view = CollapseView(runs, results, "magnets", 0.25, 1.0)
two_routes = TwoRoutes(results, runs, "magnets", 0.25, 1.0)
display(collapse_view, two_routes)
"""
SETTLED = "() => document.querySelector('.slow-cards')?.ariaBusy === 'false'"
ACCENT = "getComputedStyle(document.querySelector('.kit-slow')).getPropertyValue('--kit-accent').trim()"


@pytest.fixture
def page(desk):
    page = desk.show(NOTEBOOK)
    page.locator(".kit-slow").evaluate("node => node.scrollIntoView()")
    settle(page)
    return page


def settle(page) -> None:
    page.wait_for_function(SETTLED)


def slider(page, name: str):
    return page.get_by_role("slider", name=name, exact=True)


def field(page, name: str):
    return page.get_by_role("textbox", name=name)


def picture(page, which: str = "speeds") -> int:
    """A number that changes with what is drawn."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return page.locator(f".slow-{which} canvas").evaluate(INK)


def test_a_slider_moves_the_curve_within_frames_and_the_numbers_follow(page, kernel_says):
    speeds, trend, before = picture(page), picture(page, "trend"), page.locator(".slow-model").all_inner_texts()
    drag = slider(page, "drag that grows with speed: each magnet adds")
    drag.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert picture(page) != speeds  # drawn by the page itself: Python was not asked yet
    assert picture(page, "trend") != trend
    settle(page)
    shown = page.locator(".slow-model").all_inner_texts()
    assert all(now != was for now, was in zip(shown, before, strict=True))
    expected = json.loads(kernel_says(page, "[c[2] for c in explorer.page._answer['cards']]").replace("'", '"'))
    assert [text.removeprefix("model ") for text in shown] == expected
    value = float(kernel_says(page, "explorer.page.added[1]"))
    assert value == pytest.approx(float(drag.input_value()) / 100)
    expect(field(page, "drag that grows with speed: each magnet adds")).to_have_value(drag.input_value())


def test_numbers_are_typed_with_a_point_or_a_comma_and_nonsense_is_answered(page, kernel_says):
    alone = field(page, "rubbing that is always the same: the apparatus alone")
    alone.fill("0,0098")
    alone.press("Enter")
    settle(page)
    assert float(kernel_says(page, "explorer.page.spindle[0]")) == pytest.approx(0.0098 * TURN, rel=1e-12)
    for text in ("some", "-1"):
        alone.fill(text)
        alone.press("Enter")
        expect(page.get_by_role("alert").filter(has_text="Type a number from 0 on.")).to_be_visible()
        expect(alone).to_have_value(text)
        expect(alone).to_have_attribute("aria-invalid", "true")
    start = field(page, "Counting starts when one turn takes")
    start.fill("1.5")
    start.press("Enter")
    expect(page.get_by_text("The start (1.5 s) has to be less than the stop (1 s).")).to_be_visible()
    assert kernel_says(page, "explorer.page.start_period_s") == "0.25"
    # a value beyond the slider's end moves that end
    each = field(page, "drag that grows with speed squared: each magnet adds")
    each.fill("500")
    each.press("Enter")
    settle(page)
    assert float(slider(page, "drag that grows with speed squared: each magnet adds").input_value()) == 500


def test_condition_and_thresholds_change_what_is_measured(page, kernel_says):
    measured = page.locator(".slow-measured").first
    before, drawn = measured.inner_text(), picture(page)
    slider(page, "Magnets").focus()
    page.keyboard.press("ArrowRight")
    settle(page)
    assert kernel_says(page, "explorer.page.count") == "2.0"
    expect(measured).not_to_have_text(before, use_inner_text=True)
    assert picture(page) != drawn
    page.keyboard.press("ArrowRight")
    settle(page)
    expect(measured).to_have_text("measured no run", use_inner_text=True)
    page.get_by_text("No run with 3 magnets was counted.").wait_for()
    page.keyboard.press("ArrowLeft")
    stop = field(page, "Counting stops when one turn takes")
    stop.fill("0.8")
    stop.press("Enter")
    settle(page)
    assert kernel_says(page, "explorer.results['duration_s'].equals(measure(runs, 0.25, 0.8)['duration_s'])") == "True"


def test_the_fit_button_moves_the_sliders_and_says_the_law(page, kernel_says):
    page.get_by_role("button", name="Show the law that fits all runs best").click()
    said = page.get_by_role("status").filter(has_text="Of the seven laws tried")
    said.wait_for()
    expect(said).to_contain_text("(95\u00a0%: ")
    settle(page)
    added = float(kernel_says(page, "explorer.page.added[1]"))
    shown = slider(page, "drag that grows with speed: each magnet adds").input_value()
    assert float(shown) == pytest.approx(100 * added, rel=0.02)  # the slider stands on its nearest step
    assert float(field(page, "drag that grows with speed: each magnet adds").input_value()) == pytest.approx(
        100 * added, rel=1e-3
    )
    page.get_by_role("button", name="Set the drag back").click()
    page.get_by_text("The drag is as it was at the start.").wait_for()
    settle(page)
    assert kernel_says(page, "explorer.page.added[1]") == "0.0"


def test_python_moves_the_sliders_too_and_the_second_plot_shows_turns(page, kernel_says):
    kernel_says(page, "explorer.page.set_trait('count', 8.0)")
    page.wait_for_function("() => document.querySelector('.slow-case input[type=range]').value === '8'")
    settle(page)
    expect(slider(page, "Magnets")).to_have_attribute("aria-valuetext", "8")
    before = picture(page, "trend")
    page.get_by_role("radio", name="turns").check()
    assert picture(page, "trend") != before
    assert kernel_says(page, "explorer.page.quantity") == "'turns'"


def test_everything_can_be_reached_hit_and_is_named(page):
    sizes = page.locator(".kit-slow :is(button, input)").evaluate_all(
        "nodes => nodes.map(n => [(n.closest('label') ?? n).getBoundingClientRect(), n.outerHTML])"
    )
    assert len(sizes) == 2 * 9 + 2
    assert [html[:80] for box, html in sizes if min(box["width"], box["height"]) < 24] == []
    unnamed = page.locator(".kit-slow").evaluate(
        "root => [...root.querySelectorAll('input, canvas')].filter(n => !(n.ariaLabel || n.closest('label')))"
        ".map(n => n.outerHTML)"
    )
    assert unnamed == []
    for canvas in page.locator(".kit-slow canvas").all():
        assert "1 magnet, 2 runs. Coasting time: the model" in canvas.get_attribute("aria-label")
    # keys meant for the widget leave the notebook's cells alone
    cells = page.locator(".jp-Cell").count()
    slider(page, "Magnets").focus()
    for key in ("a", "b", "d", "d", "x"):  # these add, delete and cut cells while a notebook listens
        page.keyboard.press(key)
    expect(page.locator(".jp-Cell")).to_have_count(cells)


def test_plots_take_the_colours_of_the_theme_and_the_page_fits_a_narrow_window(page):
    light = page.evaluate(ACCENT)
    page.evaluate("jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Dark' })")
    page.wait_for_function(f"light => {ACCENT} !== light", arg=light)  # its style sheet may come late
    accent = page.evaluate(ACCENT)
    wanted = [int(accent[i : i + 2], 16) for i in (1, 3, 5)]
    page.wait_for_function(
        """wanted => {
            const canvas = document.querySelector('.slow-speeds canvas');
            const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
            for (let i = 0; i < data.length; i += 4)
                if (data[i + 3] === 255 && wanted.every((v, k) => data[i + k] === v)) return true;
            return false;
        }""",
        arg=wanted,
    )
    # at four times the size nothing has to be scrolled sideways
    page.evaluate("jupyterapp.commands.execute('application:toggle-left-area')")
    page.set_viewport_size({"width": 400, "height": 700})
    page.wait_for_function("() => document.querySelector('.kit-slow').clientWidth < 400")
    page.wait_for_function("() => document.querySelector('.kit-slow').hasAttribute('data-narrow')")
    page.wait_for_function(
        "() => { const { scrollWidth, clientWidth } = document.querySelector('.kit-slow'); "
        "return scrollWidth <= clientWidth + 1; }"
    )


def test_the_collapse_and_the_two_routes_are_drawn_and_described(desk):
    page = desk.show(NOTEBOOK.removesuffix("explorer\n"), OTHERS)
    page.locator(".kit-choice").first.scroll_into_view_if_needed()
    page.get_by_text("If the only drag were").first.wait_for(state="attached")
    page.get_by_role("button", name="turns ÷ coasting time", exact=True).click()
    page.get_by_role("status").filter(has_text="It lies close to the kind").wait_for()
    page.get_by_text("from durations").first.wait_for(state="attached")
    expect(page.get_by_text("The two routes agree within their uncertainties.").first).to_be_visible()


@pytest.mark.parametrize("law", [(0.5, 0, 0), (0, 0.1, 0), (0, 0, 0.01), (0.0625, 0.1, 0), (0.06, 0.01, 0.004)])
def test_the_page_integrates_what_python_solves(chromium, law):
    drag = DragLaw(*law)
    found = call_in_page(
        chromium, SlowdownPage._esm, "(law, from, to) => stretch(inTurns(law), from, to)", law, 4.0, 1.0
    )
    assert found["duration_s"] == pytest.approx(float(drag.duration(4 * TURN, TURN)), rel=1e-7)
    assert found["turns"] == pytest.approx(float(drag.angle(4 * TURN, TURN)) / TURN, rel=1e-7)
    points = call_in_page(chromium, SlowdownPage._esm, "(law) => modelCurve(inTurns(law), 4, 5, -1, 60)", law)
    times, speeds = np.array([p for p in points if 0 <= p[0] <= 60]).T
    inside = speeds > 0.02
    np.testing.assert_allclose(speeds[inside], drag.speed_at(times[inside], 4 * TURN) / TURN, rtol=2e-3)
    assert speeds[0] <= 4 and (np.diff(speeds) <= 1e-12).all()
    earlier = np.array([p for p in points if p[0] < 0])
    np.testing.assert_allclose(
        [float(drag.duration(v * TURN, 4 * TURN)) for v in earlier[:, 1]], -earlier[:, 0], rtol=1e-5
    )


def test_without_drag_the_page_draws_a_level_line(chromium):
    assert call_in_page(chromium, SlowdownPage._esm, "(law) => modelCurve(inTurns(law), 4, 5, -1, 60)", (0, 0, 0)) == [
        [-1, 4],
        [60, 4],
    ]
