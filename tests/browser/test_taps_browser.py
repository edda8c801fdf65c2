"""Tapping along and the live gate in a real page: real keys, a run that grows on the screen, a kernel that is gone."""

from __future__ import annotations

import json

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.browser.in_page import INK

TAPS = """
from kit.widgets.tap_along import TapAlong

kept = []
tapping = TapAlong("magnets", [1, 2, 4], on_keep=lambda *run: kept.append(run) or f"Saved as run {len(kept)}.")
tapping
"""
GATE = """
import numpy as np
from kit.sources.gate import PretendGate
from kit.widgets.live_gate import LiveGateBox

kept = []
box = LiveGateBox("live_logs", "magnets", [1, 2, 4], on_keep=lambda *run: kept.append(run) or "Kept.",
    sources={"a pretend gate": lambda: PretendGate(np.cumsum(np.geomspace(0.25, 1.5, 40)), speed=20)})
box
"""
# what the browser itself says of the events that reach the widget
LISTEN = """() => {
    window.stamps = [];
    document.querySelector('.kit-tap').addEventListener('keydown',
        (e) => { if (e.key === ' ') window.stamps.push(e.timeStamp); }, true);
}"""


@pytest.fixture
def taps_page(desk):
    page = desk.show(TAPS)
    page.locator(".kit-tap").wait_for()
    return page


def button(page, name: str):
    return page.locator(".kit-box").get_by_role("button", name=name)


def tap(page, gaps_ms) -> None:
    """Press the space bar, wait, press again."""
    page.keyboard.press("Space")
    for gap in gaps_ms:
        page.wait_for_timeout(gap)
        page.keyboard.press("Space")


def taps_in_python(page, kernel_says, count: int) -> list[float]:
    for _ in range(600):
        taps = json.loads(kernel_says(page, "tapping.taps_ms"))
        if len(taps) == count:
            return taps
        page.wait_for_timeout(50)
    raise AssertionError(f"Python has {len(taps)} taps, not {count}")


def test_space_bar_taps_have_the_browsers_times_and_are_saved_after_one_is_taken_back(taps_page, kernel_says):
    page = taps_page
    page.evaluate(LISTEN)
    page.get_by_label("magnets").select_option("2")
    page.locator(".tap-pad").focus()
    gaps = [300, 330, 370, 420, 480, 550, 640]
    tap(page, [*gaps, 100])
    taps = np.array(taps_in_python(page, kernel_says, 9))
    stamps = np.array(page.evaluate("() => window.stamps"))
    assert np.diff(taps) == pytest.approx(np.diff(stamps), abs=0.01)
    assert (np.diff(taps) >= np.array([*gaps, 100]) - 5).all()
    button(page, "Take back the last tap").click()
    page.get_by_role("status").filter(has_text="The last tap is taken back. 8 left.").wait_for()
    assert taps_in_python(page, kernel_says, 8) == taps[:8].tolist()
    page.get_by_label("Note").fill("slow table")
    page.keyboard.press("Space")  # in a text field it is a blank
    button(page, "Save this run").click()
    page.get_by_role("status").filter(has_text="Saved as run 1.").wait_for()
    times, conditions, note = (
        json.loads(kernel_says(page, "list(kept[0][0])").replace("np.float64(", "").replace(")", "")),
        kernel_says(page, "kept[0][1]"),
        kernel_says(page, "kept[0][2]"),
    )
    assert times == pytest.approx(((taps - taps[0]) / 1000)[:8])
    assert (conditions, note) == ("{'magnets': 2}", "'slow table'")
    assert taps_in_python(page, kernel_says, 0) == []
    expect(button(page, "Save this run")).to_be_disabled()


def test_taps_outlive_the_kernel_and_can_be_downloaded(taps_page):
    page = taps_page
    page.locator(".tap-pad").focus()
    tap(page, [250, 250])
    page.evaluate("async () => { await jupyterapp.shell.currentWidget.sessionContext.shutdown(); }")
    tap(page, [250])
    page.keyboard.press("Backspace")
    button(page, "Save this run").click()
    page.get_by_role("status").filter(has_text="Python does not answer. Your taps are still on this page.").wait_for()
    with page.expect_download() as waited:
        button(page, "Download the taps").click()
    lines = waited.value.path().read_text().splitlines()
    assert lines[:2] == ["# tapped by hand, once a turn", "time (s)"]
    assert len(lines) == 2 + 4
    # the notebook is opened anew with a fresh kernel: the taps are there again
    page.evaluate("() => jupyterapp.shell.currentWidget.sessionContext.startKernel()")
    page.evaluate("async () => { await jupyterapp.commands.execute('notebook:run-all-cells'); }")
    page.get_by_role("status").filter(has_text="4 taps from before are here again.").wait_for()


def test_a_run_is_not_thrown_away_by_one_slip_and_a_pointer_taps_as_well(taps_page, kernel_says):
    page = taps_page
    page.locator(".tap-pad").click()
    page.wait_for_timeout(200)
    page.locator(".tap-pad").click()
    taps_in_python(page, kernel_says, 2)
    button(page, "Start over").click()
    page.get_by_role("status").filter(has_text="That throws away 2 taps.").wait_for()
    assert len(taps_in_python(page, kernel_says, 2)) == 2
    button(page, "Start over").click()
    taps_in_python(page, kernel_says, 0)


def test_practice_gives_the_persons_own_scatter(taps_page, kernel_says):
    page = taps_page
    page.get_by_label("The dot blinks every").select_option("0.6 s")
    button(page, "Practise with a blinking dot").click()
    page.evaluate(
        """() => { // a steady machine taps with every blink
            const dot = document.querySelector('.tap-dot'), pad = document.querySelector('.tap-pad');
            new MutationObserver(() => { if (dot.classList.contains('tap-on'))
                pad.dispatchEvent(new KeyboardEvent('keydown', { key: ' ', bubbles: true, cancelable: true })); })
                .observe(dot, { attributes: true });
        }"""
    )
    page.get_by_role("status").filter(has_text="The spread of your taps is").wait_for()
    assert float(kernel_says(page, "tapping.practice.sd_ms")) < 60
    assert kernel_says(page, "tapping.taps_ms") == "[]"  # practice is no run


def test_a_live_run_grows_on_the_page_ends_and_is_kept(desk, kernel_says):
    page = desk.show(GATE)
    canvas = page.locator(".live-canvas")
    canvas.wait_for()
    page.get_by_text("4", exact=True)
    empty = canvas.evaluate(INK)
    button(page, "Listen to the gate").click()
    page.wait_for_function("() => +document.querySelector('.live-number strong').textContent > 5")
    middle = canvas.evaluate(INK)
    assert middle != empty
    page.get_by_role("status").filter(has_text="so it has stopped turning.").wait_for()
    expect(page.locator(".live-number strong").first).to_have_text("40")
    assert canvas.evaluate(INK) != middle
    button(page, "Put it among my runs").click()
    page.get_by_role("status").filter(has_text="Kept.").wait_for()
    assert kernel_says(page, "len(kept[0][0])") == "40"
