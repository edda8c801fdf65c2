"""What the page measures itself: how near to an exact run coasting times come by its microphone and its camera.

Sound and pictures are rendered from runs whose coasting time is known in closed form (`tests.reference.rendered`): each
of three drags, some 5 to 50 turns between the thresholds.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from kit import KitError, Run, find_clicks, measure, read_sound
from kit.sound.recording import write_wav
from kit.sources.camera import SampleReader
from kit.widgets.page_link import PageCamera
from tests.benchmarks.race import Row
from tests.browser.conftest import FLAGS, device_flags, find_chromium
from tests.reference.rendered import LAWS, Exact, brightness_of, sound_of, write_video

__all__ = ["ITEMS"]

START_S, STOP_S = 0.3, 1.0
TURNS = (8, 12, 25, 60)  # of the whole run
WIDE = {"field": 0.2, "mark": 0.35, "noise": 0.7}  # a field and a mark as the page advises

SOUNDS = {
    "quiet room, clicks at 20 dB": {"snr_dB": 20.0},
    "room noise, 10 dB": {"snr_dB": 10.0},
    "room noise, 6 dB": {"snr_dB": 6.0},
    "20 dB and a second clicker, twice a second": {"snr_dB": 20.0, "second": True},
}
PICTURES = {
    "half a frame exposed": {},
    "a whole frame exposed": {"exposure": 1.0},
    "a twentieth of a frame exposed": {"exposure": 0.05, "rolling": 0.02},
    "three times the noise": {"noise": 2.0},
    "3 frames of 100 dropped": {"dropped": 0.03},
    "narrow field, sharp edges": {"field": 0.04, "noise": 2.0},
}


def by_microphone(small: bool) -> list[Row]:
    """Durations from clicks."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clicks.wav"

        def run_of(rng, exact, snr_dB, second=False):
            times_s = rng.uniform(0.5, 0.8) + exact.passes_s(rng.uniform())
            others_s = np.arange(rng.uniform(0, 0.5), times_s[-1], 0.5) if second else ()
            write_wav(path, sound_of(rng, times_s, snr_dB, others_s=others_s), 48_000)
            return Run(find_clicks(read_sound(path)).times_s).repaired()

        return _rows("microphone", SOUNDS, run_of, 1e3, "ms", "≤ 2", small)


def by_camera(small: bool) -> list[Row]:
    """Durations from the brightness of a field, at 30 frames a second."""

    def run_of(rng, exact, **how):
        times_s, levels = brightness_of(rng, exact, phase=rng.uniform(), **(WIDE | how))
        reader = SampleReader()
        reader.feed(b"".join(b"%d;%.3f\n" % (round(1e6 * t), b) for t, b in zip(times_s, levels, strict=True)))
        reader.finish()
        return replace(Run(reader.times_s()).repaired(), timing_u_s=reader.timing_u_s)

    return _rows("camera", PICTURES, run_of, 30.0, "frames", "≤ 0.05", small)


def _rows(name: str, cases: dict[str, dict], run_of: Callable[..., Run], scale, unit, goal, small: bool) -> list[Row]:
    rows = []
    for words, how in cases.items():
        rng = np.random.default_rng(11)
        off, u, wrong, tried = [], [], 0, 0
        for turns in TURNS[-1:] if small else TURNS:
            for law in LAWS * (1 if small else 12):
                exact = Exact(law, turns, last=0.6)
                tried += 1
                try:
                    row = measure([run_of(rng, exact, **how)], START_S, STOP_S, rule="best").iloc[0]
                except KitError:  # too few passes
                    continue
                if row["outcome"] == "not counted":
                    continue
                off.append(row["duration_s"] - exact.duration_s(START_S, STOP_S))
                u.append(row["duration_u_s"])
                wrong += row["outcome"] == "counted" and abs(off[-1]) > max(5 * u[-1], 0.01 * row["duration_s"])
        note = f"{len(off)} of {tried} runs counted, {wrong} of them silently wrong"
        if off:
            held = 100 * np.mean(np.abs(off) <= 2 * np.array(u))
            rows.append(
                Row(f"{name}, {words}: error", scale * float(np.median(np.abs(off))), unit, goal=goal, note=note)
            )
            rows.append(Row("  outside ± 2 u", 100 - float(held), "%", goal="3 … 7"))
        else:
            rows.append(Row(f"{name}, {words}: error", None, unit, goal=goal, note=note))
    return rows


PAGE_URL = "http://localhost/page"  # a browser lets only a secure page see
# The camera's part of the page with nothing behind it: what it sends is dropped, but answered.
ALONE = """async (source) => {
    const { render } = new Function(`${source.replace("export default { render };", "")}; return { render };`)();
    const heard = [];
    const model = {
        get: () => ({}), on: (_, f) => heard.push(f), off: () => {},
        send: (m) => m.run && heard.forEach((f) => f({ run: m.run, have: 1e9, saved: 1e9, s: m.s, conditions: {} })),
    };
    render({ model, el: document.body });
    const press = (words) => [...document.querySelectorAll("button")].find((b) => b.textContent === words).click();
    press("Open the camera");
    while (!document.querySelector("video").videoWidth) await new Promise((done) => setTimeout(done, 100));
    press("Watch the mark");
}"""
WATCHED_S = 8.0


def cpu_of_the_page(small: bool) -> list[Row]:
    """Share of a core that the page takes while it watches a fake camera at 30 frames a second (its main thread)."""
    goal, name = "≤ 30", "camera page, main thread busy"
    chromium = find_chromium()
    if chromium is None or small:
        return [Row(name, None, "%", goal=goal, note="not measured: no Chromium, or tiny sizes")]
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        levels = brightness_of(np.random.default_rng(1), Exact("linear", 25), **WIDE)[1]
        write_video(Path(folder) / "video.y4m", levels, width=640, height=480)
        context = playwright.chromium.launch_persistent_context(
            Path(folder) / "home", executable_path=chromium, args=[*FLAGS, *device_flags(Path(folder))]
        )
        context.grant_permissions(["camera"])
        page = context.new_page()
        page.route(PAGE_URL, lambda route: route.fulfill(body="<body></body>", content_type="text/html"))
        page.goto(PAGE_URL)
        page.evaluate(ALONE, str(PageCamera._esm))
        wire = context.new_cdp_session(page)
        wire.send("Performance.enable", {"timeDomain": "threadTicks"})  # time of the processor, not of the clock

        def busy_s() -> float:
            metrics = wire.send("Performance.getMetrics")["metrics"]
            return float(next(m["value"] for m in metrics if m["name"] == "TaskDuration"))

        page.wait_for_timeout(1000)
        before_s, began = busy_s(), time.monotonic()
        page.wait_for_timeout(1000 * WATCHED_S)
        share = 100 * (busy_s() - before_s) / (time.monotonic() - began)
        facts = page.locator(".cam-facts").inner_text()
        context.close()
    return [Row(name, share, "%", goal=goal, note=facts)]


ITEMS = {"microphone": by_microphone, "camera": by_camera, "camera page": cpu_of_the_page}
