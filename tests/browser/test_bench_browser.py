"""The bench in a real page: pushed by keyboard, played by the page alone, kept, and calm for those who ask for calm."""

from __future__ import annotations

import json

import numpy as np
import pytest
from playwright.sync_api import expect

from kit.sources.push import motion_samples, push
from kit.sources.setup import bench_setup
from kit.widgets.bench import Bench
from tests.browser.in_page import call_in_page

NOTEBOOK = """
from kit.sources.setup import bench_setup
from kit.widgets.bench import Bench

kept = []
def keep(times, conditions, note):
    kept.append((len(times), conditions, note))
    return f"Kept as run {len(kept)}."

bench = Bench(bench_setup("APPARATUS", x_words="number of things"), "amber-otter-1", keep,
              start_period_s=0.25, stop_period_s=1.0)
bench
"""
LISTEN = """() => {
    window.messages = [];
    const kernel = jupyterapp.shell.currentWidget.sessionContext.session.kernel;
    kernel.anyMessage.connect((_, { direction, msg }) => window.messages.push([direction, msg.header.msg_type]));
}"""
# for three seconds: how many frames, in how many the rotor stood elsewhere, and how often the lamp came on
FRAMES = """() => new Promise((done) => {
    const rotor = document.querySelector('.bench-rotor'), lamp = document.querySelector('.bench-lamp');
    const begun = performance.now(), found = { frames: 0, moved: 0, flashes: 0 };
    let where = rotor.style.transform, lit = lamp.classList.contains('bench-lit');
    (function look() {
        const now_lit = lamp.classList.contains('bench-lit');
        found.frames += 1;
        found.moved += rotor.style.transform !== where;
        found.flashes += now_lit && !lit;
        [where, lit] = [rotor.style.transform, now_lit];
        if (performance.now() - begun < 3000) requestAnimationFrame(look);
        else done({ ...found, seconds: (performance.now() - begun) / 1000 });
    })();
})"""
TURNING = "() => /^[1-9]/.test(document.querySelector('.bench-readouts strong').textContent)"


@pytest.fixture
def open_bench(desk):
    def open_it(apparatus="coasting_disc", last_line="bench"):
        page = desk.show(NOTEBOOK.replace("APPARATUS", apparatus).removesuffix("bench\n") + last_line)
        page.locator(".bench-stage").wait_for()
        page.locator(".kit-bench").evaluate("node => node.scrollIntoView()")
        return page

    return open_it


def readouts(page) -> list[str]:
    return page.locator(".bench-readouts strong").all_inner_texts()


def told(page, kernel_says, expression: str, expected: str) -> bool:
    """Whether the kernel says so within a while: what a page sends waits for the answer to what it sent before."""
    for _ in range(300):
        if kernel_says(page, expression) == expected:
            return True
        page.wait_for_timeout(100)
    return False


def push_it(page) -> None:
    page.get_by_role("button", name="Give it").focus()
    page.keyboard.press("Enter")
    page.wait_for_function(TURNING)


def test_a_push_by_keyboard_is_played_by_the_page_alone_and_kept(open_bench, kernel_says):
    page = open_bench()
    expect(page.get_by_text("This is a simulation. Nothing real turns")).to_be_visible()
    expect(page.get_by_text("Gate lamp: dark")).to_be_visible()
    page.get_by_role("button", name="2", exact=True).focus()
    page.keyboard.press("Space")
    page.evaluate(LISTEN)
    push_it(page)
    assert page.evaluate("window.messages.filter(([way, type]) => way === 'send' && type === 'comm_msg').length") == 1
    page.get_by_text("Gate lamp: stays on: more than two passes a second").wait_for()
    page.evaluate("window.messages.length = 0")
    found = page.evaluate(FRAMES)
    assert page.evaluate("window.messages") == []  # not one message to or from the kernel
    print(f"{found['frames'] / found['seconds']:.1f} frames a second, {found['moved']} of {found['frames']} moved")
    assert found["frames"] > 30  # a smoke alarm only: a busy machine draws fewer
    assert found["moved"] > 0.9 * found["frames"]
    assert found["flashes"] <= 6  # twice a second at most
    # what is shown is the run that Python made, in step with real time
    passes, _, since = readouts(page)
    times = json.loads(kernel_says(page, "(bench.spins[1].run.pass_times_s - bench.spins[1].pushed_at_s).tolist()"))
    assert int(passes) in range(
        np.sum(np.array(times) < float(since[:-2]) - 0.3), np.sum(np.array(times) < float(since[:-2]) + 0.3) + 1
    )
    # it cannot be pushed while it turns; skipping comes to rest
    page.keyboard.press("Enter")  # the push button still has the focus
    expect(page.get_by_text("It is still turning. Wait, or skip to the end.")).to_be_visible()
    page.get_by_role("button", name="Skip to the end").click()
    page.get_by_role("status").filter(has_text="It is at rest. Run 1: the gate logged").wait_for()
    assert readouts(page)[0] == str(len(times))
    expect(page.get_by_text("Gate lamp: dark")).to_be_visible()
    # kept, with a note
    page.get_by_role("textbox", name="A note for this run").fill("first try")
    page.get_by_role("button", name="Keep this run").click()
    page.get_by_role("status").filter(has_text="Kept as run 1.").wait_for()
    page.get_by_role("cell", name="✓ kept").wait_for()
    assert page.get_by_role("button", name="Give it another push").evaluate("node => node === document.activeElement")
    assert kernel_says(page, "kept") == f"[({len(times)}, {{'magnets': 2.0}}, 'simulated; push 85%; first try')]"
    # the numbers behind the plot
    page.get_by_text("The plot in numbers").click()
    expect(page.locator(".kit-details tbody tr")).to_have_count(len(times))
    # a second run, not kept, is listed, can be downloaded and kept later
    page.get_by_role("combobox", name="What may go wrong today?").select_option("a hand in the beam during the push")
    page.get_by_role("radio", name="20 ×").check()
    push_it(page)
    page.get_by_role("status").filter(has_text="It is at rest. Run 2").wait_for()
    expect(page.get_by_role("status").filter(has_text="In this run: a hand in the beam")).to_be_visible()
    expect(page.get_by_role("cell", name="not kept")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("button", name="Download the log of run 2").click()
    assert download.value.suggested_filename == "coasting_disc_bench_run-02.csv"
    assert "simulation" in download.value.path().read_text(encoding="utf-8").splitlines()[0]
    page.get_by_role("button", name="Keep run 2").click()
    page.get_by_role("status").filter(has_text="Kept as run 2.").wait_for()


def test_who_asks_for_less_motion_sees_none_and_readouts_twice_a_second(open_bench):
    page = open_bench("felt_brake")
    page.emulate_media(reduced_motion="reduce")
    still = page.locator(".bench-rotor").get_attribute("style")
    push_it(page)
    changes = page.evaluate(
        """() => new Promise((done) => {
            const found = { lamp: 0, readouts: 0 }, seen = (what) => () => { found[what] += 1; };
            const lamp = new MutationObserver(seen('lamp')), texts = new MutationObserver(seen('readouts'));
            lamp.observe(document.querySelector('.bench-lamp'), { attributes: true });
            texts.observe(document.querySelector('.bench-readouts'), { subtree: true, childList: true });
            setTimeout(() => { lamp.disconnect(); texts.disconnect(); done(found); }, 2200);
        })"""
    )
    expect(page.locator(".bench-rotor")).to_have_attribute("style", still)
    assert 1 <= changes["readouts"] <= 5
    assert changes["lamp"] <= 5
    page.emulate_media(reduced_motion="no-preference")  # changed while it turns: now it is seen to turn
    page.wait_for_function("still => document.querySelector('.bench-rotor').getAttribute('style') !== still", arg=still)


def test_typing_names_sizes_keys_and_a_narrow_window(open_bench, kernel_says):
    page = open_bench("card_vanes", "bench.push()\nbench")  # as a page that is opened again: the last run stands there
    assert readouts(page)[0] == kernel_says(page, "len(bench.spins[1].run.pass_times_s)")
    expect(page.get_by_role("button", name="Keep this run")).to_be_visible()
    expect(page.get_by_role("cell", name="not kept")).to_be_visible()
    field = page.get_by_role("textbox", name="Number of things, as a number")
    for text in ("2,5", "9", "some"):
        field.fill(text)
        field.press("Enter")
        expect(page.get_by_role("alert").filter(has_text="Type a whole number from 0 to 6.")).to_be_visible()
        expect(field).to_have_attribute("aria-invalid", "true")
    field.fill("5")
    field.press("Enter")
    expect(page.locator(".bench-vane")).to_have_count(5)
    assert told(page, kernel_says, "bench.value", "5.0")
    tilt = page.get_by_role("slider", name="Tilt")
    tilt.focus()
    page.keyboard.press("ArrowRight")
    expect(tilt).to_have_attribute("aria-valuetext", "0.5°")
    page.get_by_role("radio", name="dry").check()
    assert told(page, kernel_says, "(bench.tilt_deg, bench.dry_hub)", "(0.5, True)")
    expect(page.get_by_role("checkbox", name="click at each pass")).not_to_be_checked()
    page.get_by_role("checkbox", name="click at each pass").check()
    expect(page.get_by_text("Keep the volume low")).to_be_visible()
    # keys meant for the bench leave the notebook's cells alone
    cells = page.locator(".jp-Cell").count()
    for key in ("a", "b", "d", "d", "x"):
        page.keyboard.press(key)
    expect(page.locator(".jp-Cell")).to_have_count(cells)
    small = page.locator(".kit-bench :is(button, input, select)").evaluate_all(
        "nodes => nodes.map(n => [(n.closest('label') ?? n).getBoundingClientRect(), n.outerHTML.slice(0, 80)])"
        ".filter(([box]) => box.width && Math.min(box.width, box.height) < 24)"
    )
    assert small == []
    unnamed = page.locator(".kit-bench").evaluate(
        "root => [...root.querySelectorAll('input, select, canvas')].filter(n => !(n.ariaLabel || n.closest('label')))"
        ".map(n => n.outerHTML)"
    )
    assert unnamed == []
    page.evaluate("jupyterapp.commands.execute('application:toggle-left-area')")
    page.set_viewport_size({"width": 400, "height": 700})
    page.wait_for_function("() => document.querySelector('.kit-bench').clientWidth < 400")
    assert page.locator(".kit-bench").evaluate("node => node.scrollWidth <= node.clientWidth + 1")


@pytest.mark.parametrize(("name", "value"), [("coasting_disc", 0), ("felt_brake", 5), ("card_vanes", 2)])
def test_the_page_turns_it_as_python_solves_it(chromium, name, value):
    spin = push(bench_setup(name), value)
    end_s, speeds, angles = motion_samples(spin)
    times = np.linspace(0, end_s, 301)
    motion = spin.motion
    sent = {"push_s": motion.push_s, "push_turns": motion.push_turns, "end_s": end_s}
    sent |= {"speeds": speeds.tolist(), "angles": angles.tolist()}
    function = "(motion, times) => times.map((t) => motionAt(motion, t)).map((m) => [m.angle, m.speed])"
    found = call_in_page(chromium, Bench._esm, function, sent, times.tolist())
    speed, angle = motion.state_at(times)
    np.testing.assert_allclose(np.array(found)[:, 0], angle, atol=1e-4)  # 0.04°
    np.testing.assert_allclose(np.array(found)[:, 1], speed, atol=0.02)


@pytest.mark.parametrize("gaps_ms", [[20] * 200, [210] * 40, [300] * 30, [450, 20] * 20, [499, 501] * 15, [700] * 10])
def test_the_lamp_never_flashes_more_than_twice_a_second(chromium, gaps_ms):
    came_on = call_in_page(
        chromium,
        Bench._esm,
        """(gaps) => {
        const lamp = makeLamp(), came_on = [];
        const passes = gaps.reduce((all, gap) => [...all, (all.at(-1) ?? 0) + gap], []);
        let was = false, k = 0;
        for (let now = 0; now < passes.at(-1) + 2000; now += 8) { // as frames come, a little quicker
            let passed = false;
            while (passes[k] <= now) { passed = true; k++; }
            if (passed) lamp.pass(now);
            if (lamp.lit(now) && !was) came_on.push(now);
            was = lamp.lit(now);
        }
        return came_on; }""",
        gaps_ms,
    )
    assert came_on
    assert (np.diff(came_on) >= 500).all()
    if min(gaps_ms) >= 600:
        assert len(came_on) == len(gaps_ms)  # slow enough: one blink a pass
