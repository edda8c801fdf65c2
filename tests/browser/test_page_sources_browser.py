"""What the page measures itself, in a real Chromium: a gate on a cable (the port is played, nothing else), clicks heard
by its microphone and a mark seen by its camera (both play files)."""

from __future__ import annotations

import ast
import json
import re
from base64 import b64encode

import numpy as np
import pytest
from playwright.sync_api import expect

from kit import find_clicks, read_log, read_sound
from kit.launcher import PROJECT
from kit.logs.sampled import passes_from_samples
from kit.sound.clicks import click_settings
from kit.sound.recording import write_wav
from kit.widgets.page_link import PageCamera, PageMicrophone
from tests.browser.in_page import call_in_page, seal_before
from tests.reference.rendered import Exact, brightness_of, sound_of, write_video

PASSES = PROJECT / "datasets_demo" / "coasting_disc" / "passes"
BESIDE = "import os; os.chdir('coasting_disc') if os.path.isdir('coasting_disc') else None"  # the workbook
MAKE = """
from kit.widgets import MakeRuns

make = MakeRuns("../../datasets_demo/coasting_disc")
make.live_gate()
"""
HERE = "a cable at the machine my browser runs on"
# The one thing that is not real: what the browser gives for a chosen cable.
FAKE_PORT = """() => {
    window.asked = 0;
    navigator.serial.requestPort = async () => {
        window.asked += 1;
        if (window.refuse) throw new DOMException("no port selected", "NotFoundError");
        let give = null;
        const port = {
            readable: new ReadableStream({ start: (c) => { give = c; } }),
            open: async (how) => { window.opened = how; },
            close: async () => { window.portClosed = true; },
        };
        window.board = (text) => give.enqueue(new TextEncoder().encode(text));
        window.pull = () => { port.readable = null; give.error(new DOMException("lost", "NetworkError")); };
        window.portClosed = false;
        return port;
    };
}"""
# Messages to the kernel are swallowed, as on a network that is gone; then the connection itself breaks.
CUT = """() => {
    const kernel = jupyterapp.shell.currentWidget.sessionContext.session.kernel;
    window.wire = kernel._ws;
    window.wire.send = () => {};
}"""
MEND = """() => window.wire.close()"""  # JupyterLab connects anew by itself


def lines(magnets: int, trial: int) -> list[str]:
    times_s = read_log(PASSES / f"magnets-{magnets:02d}_trial-{trial}.csv")[0].pass_times_s
    return ["# unit us\n", *(f"{round(1e6 * t)}\n" for t in times_s)]


def with_a_cable(page):
    """The live gate's box, its cable played, and chosen."""
    page.evaluate(FAKE_PORT)
    box = page.locator(".kit-box").filter(has_text="Listen to:").first
    box.get_by_label("Listen to:").select_option(label=HERE)
    return box


def a_run(box, page, magnets: int, text: str) -> None:
    """Choose, start, let the board print, stop, keep."""
    box.get_by_label("magnets").select_option(str(magnets))
    box.get_by_role("button", name="Choose the cable and listen").click()
    expect(box).to_contain_text("The page listens")
    page.evaluate("text => window.board(text)", text)
    box.get_by_role("button", name="End this run now").last.click()
    box.get_by_role("button", name="Put it among my runs").click()
    expect(box).to_contain_text(f"Kept: number of magnets {magnets}, trial")


def test_from_the_question_for_the_cable_to_a_trend_of_twelve_runs(desk, kernel_says):
    desk.clear()  # a workbook without the runs of other tests
    seal_before(desk.copy)
    page = desk.show(BESIDE, MAKE)
    box = with_a_cable(page)
    expect(box).to_contain_text("Your browser asks which cable it may read.")
    assert page.evaluate("window.asked") == 0

    page.evaluate("window.refuse = true")
    box.get_by_role("button", name="Choose the cable and listen").click()
    expect(box).to_contain_text("No cable was chosen, so nothing is read.")
    page.evaluate("window.refuse = false")

    for magnets in (1, 2, 4, 8):
        for trial in (1, 2, 3):
            a_run(box, page, magnets, "".join(lines(magnets, trial)))
    assert page.evaluate("[window.opened.baudRate, window.portClosed]") == [115200, True]
    assert kernel_says(page, "make.own.counts()") == "{'gate': 12}"
    kernel_says(page, "make.progress.use_sources('measure', 'gate')")
    found = kernel_says(page, "(len(make.progress.runs), [t.model for t in make.progress.trends('duration_s')][:3])")
    assert found.startswith("(12, [")
    assert "shifted inverse" in found


def test_a_connection_that_breaks_loses_and_doubles_nothing(desk, kernel_says):
    page = desk.show("from kit.widgets import LiveGateBox", "box = LiveGateBox('cable_logs')\nbox")
    box = with_a_cable(page)
    text = lines(1, 2)[:23]  # still in full swing: a disc that had slowed would be taken to rest while nothing comes
    box.get_by_role("button", name="Choose the cable and listen").click()
    expect(box).to_contain_text("The page listens")
    page.evaluate("text => window.board(text)", "".join(text[:8]) + text[8][:3])
    expect(box).to_contain_text("passes7")
    page.evaluate(CUT)
    page.evaluate("text => window.board(text)", text[8][3:] + "".join(text[9:20]))
    expect(box).to_contain_text("Python does not answer. 12 lines wait on this page.")
    page.evaluate(MEND)
    expect(box).to_contain_text("passes19")
    page.evaluate("text => window.board(text)", "".join(text[20:]))
    expect(box).to_contain_text("passes22")
    page.evaluate("window.pull()")
    expect(box).to_contain_text("The connection broke (the browser lost the cable). All that came before is kept.")
    assert kernel_says(page, "box.gate.raw_path.read_bytes()") == repr("".join(text).encode())
    times = json.loads(kernel_says(page, "box.gate.pass_times_s.tolist()"))
    assert np.allclose(times, read_log(PASSES / "magnets-01_trial-2.csv")[0].pass_times_s[:22], atol=1e-6)


def test_a_page_that_is_gone_for_a_kernel_that_began_anew_leaves_the_run_to_the_next(desk, kernel_says):
    cells = ("from kit.widgets import LiveGateBox", "box = LiveGateBox('cable_logs', 'magnets', [1, 8])\nbox")
    page = desk.show(*cells)
    box = with_a_cable(page)
    box.get_by_label("magnets").select_option("8")
    box.get_by_role("button", name="Choose the cable and listen").click()
    expect(box).to_contain_text("The page listens")
    text = "".join(lines(8, 2))
    page.evaluate("text => window.board(text)", text)
    expect(box).to_contain_text("passes24")
    page.evaluate(
        """async () => {
            const panel = jupyterapp.shell.currentWidget;
            await panel.sessionContext.session.kernel.restart();
            await jupyterapp.commands.execute('notebook:run-all-cells');
        }"""
    )
    expect(box).to_contain_text("the page was closed or loaded anew")
    assert kernel_says(page, "box.gate.raw_path.read_bytes()") == repr(text.encode())
    assert kernel_says(page, "box._run_conditions") == "{'magnets': 8}"


# --- clicks ---------------------------------------------------------------------------------------------

HEARD = (
    "from kit.widgets import Microphone",
    """kept = []
box = Microphone('click_logs', 'magnets', [1, 8], on_keep=lambda run, note: kept.append(run) or 'Kept.')
box""",
)
IN_PIECES = """(settings, sound, piece) => {
    const bytes = Uint8Array.from(atob(sound), (c) => c.charCodeAt(0)), finder = new ClickFinder(settings), found = [];
    const samples = Float32Array.from(new Int16Array(bytes.buffer), (x) => x / 32768);
    for (let at = 0; at < samples.length; at += piece) found.push(...finder.push(samples.subarray(at, at + piece)));
    return [...found, ...finder.finish()];
}"""


def test_the_page_finds_the_same_clicks_in_the_same_samples(chromium, tmp_path):
    rng, times_s = np.random.default_rng(8), 0.2 + Exact("linear", 9).passes_s(0.3)
    for rate, snr_dB, piece in ((16_000, 10, 128), (44_100, 8, 4_410), (48_000, 20, 100_000)):
        sound = sound_of(rng, times_s, snr_dB, rate)
        sound[: rate // 8] = sound[rate : rate + rate // 10] = sound[-rate // 2 :] = 0  # asleep, too busy, off
        recording = read_sound(write_wav(tmp_path / "clicks.wav", sound, rate))
        here = find_clicks(recording)
        samples = b64encode((recording.samples() * 32_768).astype("<i2").tobytes()).decode()
        there = call_in_page(chromium, str(PageMicrophone._esm), IN_PIECES, click_settings(rate), samples, piece)
        assert len(here.times_s) >= len(times_s) - 1
        assert len(there) == len(here.times_s)
        assert np.allclose([s for s, _ in there], here.times_s, atol=2e-6)
        assert np.allclose([dB for _, dB in there], here.strength_dB, atol=0.01)


def test_how_loud_it_is_in_words(chromium):
    words = call_in_page(chromium, str(PageMicrophone._esm), "(peaks) => peaks.map(levelWords)", [0.001, 0.1, 0.98])
    assert [text.split(":")[0] for text in words] == ["too quiet", "fine", "too loud"]


@pytest.mark.flaky(reruns=3)  # in real time: a busy machine drops sound and frames
def test_clicks_are_heard_and_only_their_times_are_kept(desk, kernel_says, fake_devices):
    exact = Exact("squared", 12)
    times_s = 0.8 + exact.passes_s()
    rng = np.random.default_rng(2)
    tail = 0.01 * rng.standard_normal(20 * 48_000)  # what the browser plays after a file's end is no silence
    write_wav(fake_devices / "sound.wav", np.r_[sound_of(rng, times_s, 26), tail], 48_000)
    page = desk.show(*HEARD)
    page.context.clear_permissions()  # what a try before this one has left
    box = page.locator(".kit-box").filter(has_text="Clicks in one turn").first
    box.get_by_role("button", name="Let it listen").click()  # nobody has allowed it
    expect(box).to_contain_text("You said no, so nothing is heard.")
    page.context.grant_permissions(["microphone"])
    box.get_by_label("magnets").select_option("8")
    box.get_by_role("button", name="Let it listen").click()
    expect(box).to_contain_text("It listens.")
    expect(box.locator(".live-number").first).to_have_text(f"clicks{len(times_s)}", timeout=30_000)
    expect(box.locator(".mic-words")).to_have_text("fine")
    box.get_by_role("button", name="End this run now").click()
    box.get_by_role("button", name="Put it among my runs").click()
    expect(box).to_contain_text("Kept.")
    expect(box.get_by_role("button", name="Download the sound")).to_be_hidden()
    found = np.array(json.loads(kernel_says(page, "kept[0].pass_times_s.tolist()")))
    assert len(found) == len(times_s)
    off_s = np.abs(np.diff(found) - np.diff(times_s))
    assert np.median(off_s) < 5e-4
    assert off_s.max() < 0.05  # a busy machine may drop a buffer of the file it plays
    assert kernel_says(page, "dict(kept[0].conditions)") == "{'magnets': 8}"
    first = kernel_says(page, "box.gate.raw_path.read_text().splitlines()[:1]")
    assert "clicks by a microphone" in first
    page.context.clear_permissions()


def test_a_recording_that_is_added_becomes_a_run_by_its_clicks(desk, kernel_says, tmp_path):
    desk.clear()  # a workbook without the runs of other tests
    seal_before(desk.copy)
    page = desk.show(BESIDE, MAKE.replace("live_gate", "add_files"))
    times_s = 0.4 + Exact("linear", 20).passes_s()
    sound = write_wav(tmp_path / "phone.wav", sound_of(np.random.default_rng(3), times_s, 26, 22_050), 22_050)
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose gate logs").click()
    chooser.value.set_files(sound)
    box = page.locator(".kit-box").filter(has_text="These clicks as a run").last
    box.get_by_label("magnets").select_option("8")
    box.get_by_role("button", name="Keep the clicks as a run").click()
    expect(box).to_contain_text("Kept: number of magnets 8, trial 1.")
    found = kernel_says(page, "[(r.origin, r.pass_times_s.round(3).tolist()) for r in make.own.runs]")
    [(origin, found_s)] = ast.literal_eval(found)
    assert origin == "clicks"
    assert np.allclose(found_s, times_s, atol=0.002)


# --- a mark ---------------------------------------------------------------------------------------------

SEEN = (
    "from kit.widgets import Camera",
    """kept = []
box = Camera('camera_logs', 'magnets', [1, 8], on_keep=lambda run, note: kept.append(run) or 'Kept.')
box""",
)


def test_the_page_finds_the_same_passes_in_the_same_samples(chromium):
    rng = np.random.default_rng(3)
    for how in ({"field": 0.2, "mark": 0.35}, {"mark": 0.6}, {"field": 0.1, "noise": 6.0, "dropped": 0.05}):
        times_s, levels = brightness_of(rng, Exact("linear", 20), **how)
        here, beam = passes_from_samples(times_s, levels, ramps=True)
        script, arguments = str(PageCamera._esm), (times_s.tolist(), levels.tolist())
        there = call_in_page(chromium, script, "passesFromSamples", *arguments)
        assert len(here) >= 18
        assert np.allclose(there["passes"], here, atol=1e-9)
        assert np.isclose(there["fastest"], beam.fastest_turns_per_s)
        assert there["blocked"] == beam.blocked
    assert call_in_page(chromium, str(PageCamera._esm), "passesFromSamples", list(range(99)), [100.0] * 99) is None


@pytest.mark.flaky(reruns=3)  # in real time: a busy machine drops sound and frames
def test_a_mark_is_seen_by_the_camera_and_no_picture_leaves_the_page(desk, kernel_says, fake_devices):
    exact = Exact("linear", 8, first=2.5, last=0.8)
    still = np.full(75, 200.0)  # two and a half seconds, to press the button
    _, moving = brightness_of(np.random.default_rng(4), exact, field=0.2, mark=0.35, phase=0.4)
    write_video(fake_devices / "video.y4m", np.r_[still, moving, np.full(150, moving[-1])])
    page = desk.show(*SEEN)
    page.context.clear_permissions()  # what a try before this one has left
    box = page.locator(".kit-box").filter(has_text="Marks in a turn").first
    box.get_by_role("button", name="Open the camera").click()  # nobody has allowed it
    expect(box).to_contain_text("You said no, so nothing is seen.")
    page.context.grant_permissions(["camera"])
    box.get_by_role("button", name="Open the camera").click()
    expect(box).to_contain_text(re.compile("The field's brightness is 21[3-6] of 255."))  # 200 of 16 … 235
    box.get_by_role("button", name="Watch the mark").click()
    true_s = exact.passes_s(0.6)  # the mark's front edge stands 0.4 turns past the field
    expect(box.locator(".live-number").first).to_have_text(f"marks{len(true_s)}", timeout=30_000)
    expect(box).to_contain_text("turns a second can be told apart")
    box.get_by_role("button", name="End this run now").click()
    expect(box).to_contain_text("The mark is darker than the rest")
    box.get_by_role("button", name="Put it among my runs").click()
    expect(box).to_contain_text("Kept.")
    found = np.array(json.loads(kernel_says(page, "kept[0].pass_times_s.tolist()")))
    assert len(found) == len(true_s)
    off_s = np.abs(np.diff(found) - np.diff(true_s))
    assert np.median(off_s) < 0.02
    assert 0.0001 < float(kernel_says(page, "kept[0].timing_u_s")) < 0.012
    raw = "box.gate.raw_path.read_text().splitlines()"
    assert kernel_says(page, f"({raw}[1], max(map(len, {raw}[2:])) < 30)") == "('time (us);brightness', True)"
    page.context.clear_permissions()


MAKE_A_FILM = """async () => { // a wide mark that passes once in 0.8 s, drawn and recorded by the browser itself
    const canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
    Object.assign(canvas, { width: 160, height: 120 });
    const recorder = new MediaRecorder(canvas.captureStream(30), { mimeType: "video/webm" }), parts = [];
    recorder.ondataavailable = (e) => parts.push(e.data);
    const begun = performance.now();
    const draw = () => {
        const angle = ((performance.now() - begun) / 800) % 1;
        const dark = Math.min(1, Math.max(0, 3 - Math.abs(angle - 0.5) * 10));
        pen.fillStyle = `rgb(${[0, 1, 2].map(() => 210 - 150 * dark).join()})`;
        pen.fillRect(0, 0, 160, 120);
        if (recorder.state !== "inactive") requestAnimationFrame(draw);
    };
    recorder.start();
    draw();
    await new Promise((done) => setTimeout(done, 5000));
    recorder.stop();
    await new Promise((done) => { recorder.onstop = done; });
    const files = new DataTransfer(), input = document.querySelector(".kit-page input[type=file]");
    files.items.add(new File(parts, "film.webm", { type: "video/webm" }));
    input.files = files.files;
    input.dispatchEvent(new Event("change"));
}"""


@pytest.mark.flaky(reruns=3)  # in real time: a busy machine drops sound and frames
def test_a_film_of_ones_own_is_read_by_its_own_times(desk, kernel_says):
    page = desk.show(*SEEN)
    box = page.locator(".kit-box").filter(has_text="Marks in a turn").first
    box.get_by_role("button", name="Open the camera").wait_for()
    page.evaluate(MAKE_A_FILM)
    expect(box).to_contain_text("Place the field where the mark passes, then press")
    box.get_by_label("The film shows it slower by").fill("4")
    box.get_by_role("button", name="Watch the mark").click()
    expect(box).to_contain_text("You stopped it.", timeout=30_000)
    turns_s = json.loads(kernel_says(page, "__import__('numpy').diff(box.gate.pass_times_s).tolist()"))
    assert len(turns_s) >= 4
    assert np.allclose(turns_s, 0.2, atol=0.012)  # a busy machine records a frame late


# --- twelve runs by clicks, twelve by a mark ------------------------------------------------------------
# Only the devices are played, faster than time: sound goes to the page's audio worklet through a context that renders
# as fast as it can, and pictures come frame by frame with their times. All that follows is the page's own.

FAKE_MICROPHONE = """() => {
    const Real = window.AudioContext;
    navigator.mediaDevices.getUserMedia = async () => {
        if (window.refuse) throw new DOMException("no", "NotAllowedError");
        return new Real().createMediaStreamDestination().stream;
    };
    window.load = (rate, sound) => {
        const bytes = Uint8Array.from(atob(sound), (c) => c.charCodeAt(0));
        window.heard = [rate, Float32Array.from(new Int16Array(bytes.buffer), (x) => x / 32768)];
    };
    window.AudioContext = function () {
        const [rate, samples] = window.heard, context = new OfflineAudioContext(1, samples.length, rate);
        const buffer = new AudioBuffer({ length: samples.length, sampleRate: rate });
        buffer.copyToChannel(samples, 0);
        context.createMediaStreamSource = () => ({ connect: (node) => {
            const source = new AudioBufferSourceNode(context, { buffer });
            source.connect(node);
            source.start();
            context.startRendering();
        } });
        context.close = async () => {};
        return context;
    };
}"""
FAKE_CAMERA = """() => {
    navigator.mediaDevices.getUserMedia = async () => {
        if (window.refuse) throw new DOMException("no", "NotAllowedError");
        const canvas = document.createElement("canvas");
        canvas.getContext("2d").fillRect(0, 0, 10, 10);
        const stream = canvas.captureStream(30);
        window.keepDrawing = setInterval(() => canvas.getContext("2d").fillRect(0, 0, 10, 10), 100);
        return stream;
    };
    let grey = 0, next = null, count = 0;
    HTMLVideoElement.prototype.requestVideoFrameCallback = (f) => { next = f; return 1; };
    OffscreenCanvasRenderingContext2D.prototype.drawImage = function () {
        this.fillStyle = `rgb(${grey}, ${grey}, ${grey})`;
        this.fillRect(0, 0, this.canvas.width, this.canvas.height);
    };
    window.play = (times, levels) => times.forEach((t, i) => {
        grey = Math.round(levels[i]);
        next(1000 * t, { mediaTime: t, presentedFrames: ++count });
    });
}"""


def runs_to_make() -> list[tuple[int, Exact]]:
    """(magnets, a run): drag ∝ speed, so much of it that the turns go with 1/(magnets + 2)."""
    rng = np.random.default_rng(12)
    return [
        (magnets, Exact("linear", 150 / (magnets + 2) * (1 + 0.01 * rng.standard_normal()), first=5.0, last=0.7))
        for magnets in (1, 2, 4, 8)
        for _ in range(3)
    ]


def refused_at_first(desk, source: str, fake: str, per_turn: str, asks: str, refused: str) -> tuple:
    """The page for making runs with a source whose device is played, and its box: no once, from then on yes."""
    desk.clear()  # a workbook without the runs of other tests
    seal_before(desk.copy)
    page = desk.show(BESIDE, MAKE.replace("live_gate", source))
    page.evaluate(fake)
    box = page.locator(".kit-box").filter(has_text=per_turn).first
    page.evaluate("window.refuse = true")
    box.get_by_role("button", name=asks).click()
    expect(box).to_contain_text(refused)
    page.evaluate("window.refuse = false")
    return page, box


def is_kept(box, counted: str) -> None:
    expect(box.locator(".live-number").first).to_have_text(counted)
    box.get_by_role("button", name="End this run now").click()
    box.get_by_role("button", name="Put it among my runs").click()
    expect(box).to_contain_text("Kept: number of magnets")


def trend_of_twelve(page, kernel_says, origin: str) -> np.ndarray:
    """Durations of the twelve runs less those that are true, s."""
    assert kernel_says(page, "make.own.counts()") == repr({origin: 12})
    kernel_says(page, f"make.progress.use_sources('measure', '{origin}')")
    best = kernel_says(page, "[t.model for t in make.progress.trends('duration_s')][:2]")
    assert "shifted inverse" in best
    table = "__import__('kit').measure(make.progress.runs, 0.25, 1.0, rule='best')"
    found = json.loads(kernel_says(page, f"{table}.sort_values(['magnets', 'trial']).duration_s.round(5).tolist()"))
    return np.array(found) - [exact.duration_s(0.25, 1.0) for _, exact in runs_to_make()]


def test_from_the_question_for_the_microphone_to_a_trend_of_twelve_runs(desk, kernel_says):
    page, box = refused_at_first(
        desk, "microphone", FAKE_MICROPHONE, "Clicks in one turn", "Let it listen", "You said no, so nothing is heard."
    )
    rng = np.random.default_rng(5)
    for magnets, exact in runs_to_make():
        times_s = 0.4 + exact.passes_s()
        sound = np.int16(32_767 * sound_of(rng, times_s, 20, 16_000))
        page.evaluate("([rate, sound]) => window.load(rate, sound)", [16_000, b64encode(sound.tobytes()).decode()])
        box.get_by_label("magnets").select_option(str(magnets))
        box.get_by_role("button", name="Let it listen").click()
        is_kept(box, f"clicks{len(times_s)}")
    assert np.max(np.abs(trend_of_twelve(page, kernel_says, "clicks"))) < 0.005


def test_from_the_question_for_the_camera_to_a_trend_of_twelve_runs(desk, kernel_says):
    page, box = refused_at_first(
        desk, "camera", FAKE_CAMERA, "Marks in a turn", "Open the camera", "You said no, so nothing is seen."
    )
    box.get_by_role("button", name="Open the camera").click()
    expect(box).to_contain_text("Place the field where the mark passes")
    rng, begun_s = np.random.default_rng(6), 0.0
    for magnets, exact in runs_to_make():
        times_s, levels = brightness_of(rng, exact, field=0.2, mark=0.35, phase=0.4, noise=0.7)
        box.get_by_label("magnets").select_option(str(magnets))
        box.get_by_role("button", name="Watch the mark").click()
        expect(box).to_contain_text("It watches.")
        page.evaluate("film => window.play(...film)", [(times_s + begun_s).tolist(), levels.tolist()])
        seen = len(passes_from_samples(times_s, np.round(levels))[0])
        assert 0 <= len(exact.passes_s(0.6)) - seen <= 1  # the film may end within the last
        is_kept(box, f"marks{seen}")
        begun_s += times_s[-1] + 1  # the camera's clock goes on
    off_s = np.abs(trend_of_twelve(page, kernel_says, "camera"))
    assert np.median(off_s) < 1 / 20 / 30
    assert off_s.max() < 0.02
