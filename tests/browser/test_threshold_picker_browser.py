"""The threshold picker in a real page: dragged, typed, moved by keys; what is on the page is what the kernel says."""

from __future__ import annotations

import ast
import re

import pytest
from playwright.sync_api import expect

NOTEBOOK = """
import numpy as np
from kit.logs.run import Run, with_repairs
from kit.widgets import ThresholdPicker

def a_run(magnets, trial):
    drag, turns_per_s = 0.02 * (magnets + 0.5), 4.3 + 0.3 * trial + 0.1 * magnets
    times = -np.log1p(-drag * np.arange(0.0, 0.95 * turns_per_s / drag) / turns_per_s) / drag
    if (magnets, trial) == (2, 1):
        times = np.sort(np.append(times, times[12] + 0.004))
    return with_repairs(Run(times, {"magnets": magnets}, trial=trial))

picker = ThresholdPicker([a_run(m, k) for m in (1, 2, 4, 8) for k in (1, 2, 3)], 0.28, 1.0)
picker
"""
SETTLED = "() => document.querySelector('.kit-picker .pick-scroll').ariaBusy === 'false'"


@pytest.fixture
def page(desk):
    page = desk.show(NOTEBOOK)
    page.locator(".kit-picker").evaluate("node => node.scrollIntoView()")
    settle(page)
    return page


def settle(page) -> None:
    page.wait_for_function(SETTLED)


def slider(page, which: str):
    return page.get_by_role("slider", name=f"{which} counting when one turn takes")


def value_of(page, which: str) -> float:
    return float(slider(page, which).get_attribute("aria-valuenow"))


def durations(page) -> list[str]:
    return page.locator(".pick-table tbody tr").evaluate_all("rows => rows.map(r => r.children[3].textContent)")


def test_a_dragged_line_takes_the_results_with_it(page, kernel_says):
    before = durations(page)
    box = slider(page, "Start").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 9):
        page.mouse.move(x + 3 * step, y - 4 * step)
    page.mouse.up()
    settle(page)
    start = value_of(page, "Start")
    assert start > 0.28
    assert float(kernel_says(page, "picker.start_period_s")) == start
    expect(page.get_by_role("textbox", name="Start counting when one turn takes")).to_have_value(f"{start:.3f}")
    shown = durations(page)
    assert len(shown) == 12
    assert all(new != old for new, old in zip(shown, before, strict=True))
    expected = kernel_says(page, "[row['duration'] for row in picker._answer['rows']]")
    assert repr(shown) == expected


# The first message that says a line has come to rest never leaves the page.
LOSES_ONE = """() => {
  const send = WebSocket.prototype.send;
  let lost = false;
  WebSocket.prototype.send = function (message) {
    const text = typeof message === "string" ? message : new TextDecoder().decode(message);
    if (lost || !text.includes('"_dragging":false')) return send.call(this, message);
    lost = true;
  };
}"""
ANSWERED = "[*map(picker._answer.get, ('start_period_s', 'summary')), *(r['duration'] for r in picker._answer['rows'])]"
CELLS = "nodes => nodes.map(node => [...node.querySelectorAll('tbody tr')].map(row => row.children[3].textContent))"


def test_two_views_end_in_full_where_a_line_is_held_still_and_where_letting_go_was_not_heard(desk, kernel_says):
    page = desk.show(NOTEBOOK.removesuffix("picker\n") + "display(picker)\npicker\n")
    views, tables = page.locator(".kit-picker"), page.locator(".kit-picker .pick-scroll:has(table)")
    expect(views).to_have_count(2)
    views.first.evaluate("node => node.scrollIntoView()")
    box = slider(views.first, "Start").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 9):
        page.mouse.move(x, y - 4 * step)

    def ends_in_full() -> str:
        for i in range(2):
            expect(tables.nth(i)).to_have_attribute("aria-busy", "false", timeout=10_000)
            expect(slider(views.nth(i), "Start")).to_have_attribute("aria-valuenow", f"{start():g}")
        asked, said, *expected = ast.literal_eval(kernel_says(page, ANSWERED))
        assert asked == start()
        assert views.evaluate_all(CELLS) == [expected] * 2
        for i in range(2):
            expect(views.nth(i).locator(".pick-summary")).to_have_text(said)
        return said

    def start() -> float:
        return value_of(views.first, "Start")

    expect(tables.first).to_have_attribute("aria-busy", "true")
    held, said = start(), ends_in_full()  # the button is still down
    page.evaluate(LOSES_ONE)
    page.mouse.move(x, y - 60)
    page.mouse.up()
    for i in range(2):  # the figures come all the same, and a screen reader hears no word of them yet
        expect(views.nth(i)).not_to_have_class(re.compile("pick-waiting"))
        expect(tables.nth(i)).to_have_attribute("aria-busy", "true")
        expect(views.nth(i).locator(".pick-summary")).to_have_text(said)
    assert ends_in_full() != said
    assert start() > held


def test_the_table_says_what_is_below_and_the_rules_stand_two_by_two(page):
    table, more = page.locator(".pick-scroll").first, page.locator(".pick-more").first
    expect(more).to_have_text(re.compile(r"^[2-9] more rows below ↓$"))
    ends = """(box) => [...box.querySelectorAll("tbody tr")]
        .filter((row) => row.getBoundingClientRect().bottom - 13 > {}).length"""
    bar = "box.querySelector('.pick-more').getBoundingClientRect().top"
    assert (more.text_content() or "").startswith(f"{table.evaluate(ends.format(bar))} more")
    page.locator(".pick-table tbody tr").first.focus()
    page.keyboard.press("End")
    expect(more).to_be_empty()
    assert table.evaluate(ends.format("box.getBoundingClientRect().bottom")) == 0
    places = page.locator(".pick-rules .pick-choice").evaluate_all(
        "all => all.map((one) => [one.offsetLeft, one.offsetTop])"
    )
    assert [len(set(across)) for across in zip(*places, strict=True)] == [2, 2]


def test_keys_move_a_line_and_leave_the_notebook_alone(page, kernel_says):
    line = slider(page, "Start")
    line.focus()
    cells = page.locator(".jp-Cell").count()
    for key, value in (
        ("ArrowUp", 0.281),
        ("Shift+ArrowUp", 0.291),
        ("PageUp", 0.341),
        ("ArrowDown", 0.34),
        ("Shift+ArrowDown", 0.33),
        ("PageDown", 0.28),
    ):
        page.keyboard.press(key)
        assert value_of(page, "Start") == value, key
    for key in ("a", "b", "d", "d", "x"):  # these add, delete and cut cells while a notebook listens
        page.keyboard.press(key)
    page.keyboard.press("End")
    assert value_of(page, "Start") == 0.99
    page.keyboard.press("Home")
    assert value_of(page, "Start") == float(line.get_attribute("aria-valuemin"))
    settle(page)
    assert line.evaluate("node => node === document.activeElement")
    expect(page.locator(".jp-Cell")).to_have_count(cells)
    assert float(kernel_says(page, "picker.start_period_s")) == value_of(page, "Start")


def test_numbers_are_typed_with_a_point_or_a_comma_and_nonsense_is_answered(page, kernel_says):
    field = page.get_by_role("textbox", name="Start counting when one turn takes")
    field.fill("0,2754")
    field.press("Enter")
    settle(page)
    assert kernel_says(page, "picker.start_period_s") == "0.2754"
    for text, answer in (("fast", "Type a number of seconds above zero"), ("1.5", "less than the stop, 1 s")):
        field.fill(text)
        field.press("Enter")
        expect(page.get_by_role("alert").filter(has_text=answer)).to_contain_text(answer)
        expect(field).to_have_value(text)
        expect(field).to_have_attribute("aria-invalid", "true")
    assert kernel_says(page, "picker.start_period_s") == "0.2754"


def test_the_two_buttons_and_the_last_pass(page, kernel_says):
    page.get_by_role("button", name="Fastest start that all runs share").click()
    page.get_by_role("button", name="Slowest stop that all runs reach").click()
    settle(page)
    assert (
        kernel_says(page, "(picker.start_period_s, picker.stop_period_s) == tuple(picker._common.values())") == "True"
    )
    page.get_by_role("radio", name="or at the last pass of each log").check()
    settle(page)
    assert kernel_says(page, "picker.stop_period_s") == "None"
    expect(page.get_by_text("The last pass isn't rest.")).to_be_visible()
    expect(slider(page, "Stop")).to_have_count(0)  # hidden from everyone
    page.get_by_role("radio", name="Stop counting when one turn takes").check()
    settle(page)
    assert kernel_says(page, "picker.stop_period_s == picker._common['stop']") == "True"


def test_rule_and_repairs_are_chosen_on_the_page(page, kernel_says):
    page.get_by_role("radio", name="Whole turns").check()
    page.get_by_text("Repairs in the logs: 1, of which you refused 0").click()
    box = page.get_by_role("checkbox", name="bounce left out")
    expect(box).to_be_checked()
    box.uncheck()
    page.get_by_text("Repairs in the logs: 1, of which you refused 1").wait_for()
    settle(page)
    assert kernel_says(page, "(picker.rule, picker.refused_repairs)") == "('whole turns', [[3, 0]])"


def test_python_moves_the_lines_too(page, kernel_says):
    kernel_says(page, "picker.set_trait('stop_period_s', 0.8)")
    page.wait_for_function("() => document.querySelector('.pick-line-stop').ariaValueNow === '0.8'")
    settle(page)
    expect(slider(page, "Stop")).to_have_attribute("aria-valuetext", "0.800 seconds for one turn")


def test_a_run_is_found_by_pointing_and_by_keys(page):
    rows = page.locator(".pick-table tbody tr")
    rows.first.focus()
    reading = page.locator(".pick-reading")
    expect(reading).to_have_text(re.compile("^magnets 1, trial 1: "))
    page.keyboard.press("ArrowDown")
    expect(reading).to_have_text(re.compile("^magnets 1, trial 2: "))
    rows.nth(7).hover()
    expect(reading).to_have_text(re.compile("^magnets 4, trial 2: "))
    # the plot's last label stands beside the curve of one magnet: point at the curve's middle, between the lines
    plot = page.locator(".pick-plot").bounding_box()
    lines = [slider(page, which).bounding_box() for which in ("Start", "Stop")]
    middle = sum(box["y"] + box["height"] / 2 for box in lines) / 2
    for x in range(int(plot["x"] + plot["width"]) - 60, int(plot["x"]), -6):
        page.mouse.move(x, middle)
        page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        if reading.inner_text().startswith("magnets 1,"):
            break
    else:
        pytest.fail("no run answered to the pointer")
    expect(page.locator("tr.pick-bright")).to_have_count(1)


def test_everything_can_be_reached_and_hit(page):
    sizes = page.locator(
        ".kit-picker :is([role=slider], button, input, summary, .pick-choice, tbody tr):not([hidden])"
    ).evaluate_all(
        "nodes => nodes.filter(n => n.offsetParent)"
        ".map(n => [(n.closest('label') ?? n).getBoundingClientRect(), n.outerHTML])"
    )
    assert len(sizes) > 20
    too_small = [html[:80] for box, html in sizes if min(box["width"], box["height"]) < 24]
    assert too_small == []
    unnamed = page.locator(".kit-picker").evaluate(
        "root => [...root.querySelectorAll('input, button, [role=slider], [role=img]')]"
        ".filter(n => !(n.ariaLabel || n.closest('label') || n.textContent.trim())).map(n => n.outerHTML)"
    )
    assert unnamed == []
    expect(page.locator("canvas[role=img]")).to_have_attribute("aria-label", re.compile("12 of 12 runs counted"))


def test_a_page_at_four_times_the_size_needs_no_sideways_scrolling(page):
    page.evaluate("jupyterapp.commands.execute('application:toggle-left-area')")
    page.set_viewport_size({"width": 400, "height": 700})
    page.wait_for_function("() => document.querySelector('.kit-picker').clientWidth < 400")
    box = page.locator(".kit-picker").bounding_box()
    assert page.locator(".kit-picker").evaluate("node => node.scrollWidth <= node.clientWidth + 1")
    for which in ("Start", "Stop"):
        line = slider(page, which).bounding_box()
        assert box["x"] < line["x"] and line["x"] + line["width"] < box["x"] + box["width"]
