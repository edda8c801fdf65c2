"""By eye and by hand in a real page: a row of a log, a drawn graph, a count of one's own, by mouse and by keyboard."""

from __future__ import annotations

import itertools
import json
import re

import pytest
from playwright.sync_api import expect

CELL = """
from kit import Workbook
from kit.widgets import Stage

stage = Stage("../datasets_demo/coasting_disc", "{stage}", Workbook("{name}.jsonl"), wait=False)
shown = stage.{call}
shown
"""
# where the numbers below the axis of a graph stand, by their text
TICKS = """() => Object.fromEntries([...document.querySelectorAll('.kit-curve-tick')].map(
    (tick) => [tick.textContent, Number(tick.getAttribute('x'))]))"""


CLOSE = """
from kit import Workbook
from kit.widgets import PredictedCurve

PredictedCurve([40, 20, 20.25, 20.5, 21, 30], Workbook("close.jsonl"), "predict", "duration_s", x_label="plate (°C)",
    y_label="coasting time (s)", unit="s", y_max=50)
"""


@pytest.fixture(autouse=True, scope="module")
def patient():
    """What a page does on a busy machine may take longer than the 5 s that are waited for otherwise."""
    expect.set_options(timeout=30_000)
    yield
    expect.set_options(timeout=5_000)


@pytest.fixture
def show(desk):
    """Show one step of a stage; a second time it is made anew and finds what the workbook has."""

    def show_it(stage: str, call: str):
        name = call.partition("(")[0]
        return desk.show(CELL.format(stage=stage, call=call, name=name))

    return show_it


def status(page, words: str):
    return page.get_by_role("status").filter(has_text=words)


def button(page, name: str | re.Pattern):
    return page.locator(".kit-box").get_by_role("button", name=name)


def test_two_members_choose_a_row_one_by_mouse_one_by_keys_and_both_are_there_again(show):
    page = show("measure", "by_eye()")
    button(page, re.compile("^Pass 23, ")).click()
    expect(status(page, "member 1 starts at pass 23")).to_be_visible()
    expect(page.locator(".eye-row[aria-pressed=true]")).to_have_count(0)  # the next one does not see it
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    expect(button(page, re.compile("^Pass 25, "))).to_be_focused()
    page.keyboard.press("Enter")
    expect(status(page, "member 2 starts at pass 25")).to_be_visible()
    expect(page.locator(".eye-kit")).to_have_count(0)
    button(page, "Show what our clicks do").click()
    expect(status(page, "The 2 clicks go from pass 23 to pass 25.")).to_be_visible()
    again = show("measure", "by_eye()")
    expect(again.locator(".eye-kit")).to_contain_text("The kit starts here, at 8.57")
    expect(again.locator(".eye-table tr", has=again.locator("[aria-label^='Pass 25,']"))).to_contain_text("member 2")
    expect(again.locator("tr", has_text="between pass 22 and 23")).to_be_visible()


def test_a_graph_is_put_on_and_drawn_by_mouse_and_keys_and_then_lies_beside_fitted_curves(show, kernel_says):
    page = show("trend", "graph_by_hand()")
    graph = page.locator(".kit-hand-graph")
    drawing = graph.locator("svg").first
    drawing.scroll_into_view_if_needed()
    box = drawing.bounding_box()
    at = page.evaluate(TICKS)
    assert at["4"] - at["2"] == pytest.approx(2 * (at["2"] - at["1"]))  # a number line: no even steps
    assert at["12"] - at["8"] == pytest.approx(4 * (at["2"] - at["1"]))

    page.mouse.click(box["x"] + at["1"], box["y"] + 0.3 * box["height"])
    first = graph.get_by_label("my point at number of magnets 1", exact=True)
    expect(first).not_to_have_value("")
    point = graph.get_by_role("slider", name="number of magnets 2", exact=True)
    point.focus()
    page.keyboard.press("ArrowUp")
    expect(point).to_have_attribute("aria-valuetext", re.compile("^22.9"))  # a hundredth of 45 s above the middle
    for x, value in {"1": 38.98, "3": 16.91, "4": 13.12, "6": 9.06, "8": 6.98, "12": 4.76}.items():
        graph.get_by_label(f"my point at number of magnets {x}", exact=True).fill(str(value))
    page.keyboard.press("Tab")

    graph.get_by_label("Draw the curve").check()
    page.mouse.move(box["x"] + at["1"], box["y"] + 0.2 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + at["4"], box["y"] + 0.6 * box["height"], steps=4)
    page.mouse.up()
    drawn = graph.get_by_label("my curve at number of magnets 2", exact=True)
    expect(drawn).not_to_have_value("")
    for x, value in {"6": "9", "8": "7", "12": "5"}.items():  # the same by keys alone
        graph.get_by_label(f"my curve at number of magnets {x}", exact=True).fill(value)
    page.keyboard.press("Tab")
    expect(graph.get_by_label("my curve at number of magnets 12", exact=True)).to_have_value("5")

    again = show("trend", "graph_by_hand()")  # nothing was saved by the button yet: the draft is there
    graph = again.locator(".kit-hand-graph")
    expect(graph.get_by_label("my point at number of magnets 12", exact=True)).to_have_value("4.76")
    expect(graph.get_by_label("my curve at number of magnets 8", exact=True)).to_have_value("7")
    button(again, "Save my graph and show the fitted curves").click()
    expect(graph.locator(".kit-graph-legend")).to_contain_text("fitted curve A")
    expect(graph.locator("svg").first.locator(".kit-graph-fitted")).to_have_count(2)
    expect(graph.get_by_label("my point at number of magnets 12", exact=True)).to_be_disabled()
    assert kernel_says(again, "shown.beside.shape") == "(7, 6)"


def test_a_run_is_counted_by_the_space_bar_survives_a_new_page_and_is_kept_beside_the_gate(show, kernel_says):
    page = show("average", "own_count()")
    count = page.locator(".kit-count")
    count.get_by_label("Number of magnets").select_option("1")  # the longest run: a busy machine has time
    button(page, "Give it a push").click()
    expect(count.get_by_text("Pushed. As soon as")).to_be_visible()
    expect(count.locator(".bench-pushing")).to_have_count(0)  # the hand has let go
    for _ in range(5):
        page.keyboard.press("Space")
        page.wait_for_timeout(180)
    expect(count.locator(".bench-readouts strong").first).to_have_text("4")
    button(page, "I have stopped counting").click()
    expect(count.get_by_label("turns I counted")).to_have_value("4")
    expect(page.get_by_text("The gate counted")).to_have_count(0)

    again = show("average", "own_count()")
    expect(again.get_by_label("turns I counted")).to_have_value("4")
    taps = json.loads(kernel_says(again, "shown.player.counted['taps_s']"))
    button(again, "Keep it and show what the gate logged").click()
    expect(status(again, "You counted 4 turns in")).to_be_visible()
    expect(button(again, "Keep it and show")).to_have_count(0)
    pair = json.loads(kernel_says(again, "shown.pairs[1].entry()").replace("'", '"').replace("None", "null"))
    assert pair["duration_s"] == pytest.approx(taps[-1] - taps[0])
    assert pair["gate_duration_s"] == pytest.approx(pair["duration_s"], rel=0.5)
    expect(again.get_by_role("group", name="Your own counts, beside the gate's")).to_contain_text("first tap")


def test_conditions_that_lie_close_keep_their_place_and_are_reached_where_their_number_has_no_room(desk):
    page = desk.show(CLOSE)
    page.locator(".kit-curve-tick").first.wait_for()
    at = page.evaluate(TICKS)
    assert {"20", "40", "30"} <= set(at) and len(at) < 6
    assert at["40"] - at["30"] == pytest.approx(at["30"] - at["20"])
    boxes = [tick.bounding_box() for tick in page.locator(".kit-curve-tick").all()]
    boxes.sort(key=lambda box: box["x"])
    assert all(a["x"] + a["width"] < b["x"] for a, b in itertools.pairwise(boxes))
    hidden = page.get_by_role("slider", name="plate (°C) 20.25", exact=True)
    hidden.focus()
    page.keyboard.press("Home")
    page.keyboard.press("PageUp")
    expect(hidden).to_have_attribute("aria-valuetext", "5 s")
    expect(page.locator(".kit-curve-here")).to_have_text("plate (°C) 20.25: 5 s")
    page.get_by_label("plate (°C) 20.5, coasting time (s)", exact=True).fill("17.256")
    page.keyboard.press("Tab")
    expect(page.get_by_role("slider", name="plate (°C) 20.5", exact=True)).to_have_attribute(
        "aria-valuetext", "17.256 s"
    )
    line = page.locator(".kit-curve-line")
    expect(line).to_have_attribute("d", re.compile(r"^M[\d.]+,[\d.]+L[\d.]+,[\d.]+$"))  # by rising condition
