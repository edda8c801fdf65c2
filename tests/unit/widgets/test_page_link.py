"""The kernel's half of a run that the page measures: what it answers, whatever the page sends."""

from __future__ import annotations

import numpy as np
import pytest

from kit import KitError
from kit.sources.page import PageSource
from kit.widgets.live_gate import HERE, PAGE, LiveGateBox
from kit.widgets.page_link import Camera, Microphone
from tests.reference.rendered import Exact, brightness_of

WHOLE = b"# unit ms\n1000\n1210\n1430\n1660\n"


@pytest.fixture
def box(tmp_path):
    box = LiveGateBox(tmp_path, "magnets", [1, 4, 8], on_keep=lambda *run: f"Kept {len(run[0])}, {run[1]}.")
    box.answers = []
    box.cable.send = lambda message, buffers=(): box.answers.append(message)
    yield box
    box.stop()


def says(box, buffer: bytes | None = None, **message) -> dict:
    """What the page says; what is answered to it."""
    count = len(box.answers)
    box.cable._handle_custom_msg(message, [] if buffer is None else [memoryview(buffer)])
    return next((a for a in box.answers[count:] if "saved" in a or len(a) == 2), {})


@pytest.mark.parametrize(
    ("source", "words", "many"), [(Microphone, "No click heard", "clicks"), (Camera, "No mark seen", "marks")]
)
def test_a_source_says_what_it_waits_for(tmp_path, source, words, many):
    box = source(tmp_path)
    assert box.plot.nothing == f"{words} yet."
    assert [name for name, _ in box.plot.numbers] == [many, "last turn took", f"time since the first {many[:-1]}"]
    assert "gate" not in box.NO_RUN


def test_a_run_with_a_gap_a_double_and_a_page_that_starts_twice(box):
    box._value.value = 4
    assert says(box, run="a", at=0, s=0.1) == {"run": "a", "unknown": True}
    assert says(box, run="a", start=True)["conditions"] == {"magnets": 4}
    says(box, run="a", start=True)
    assert says(box, WHOLE[:14], run="a", at=0, s=0.2)["have"] == 14
    gap = says(box, WHOLE[20:], run="a", at=20, s=0.4)
    assert (gap["have"], gap["gap"]) == (14, True)
    says(box, WHOLE[:20], run="a", at=0, s=0.3)
    says(box, WHOLE[20:], run="a", at=20, s=0.4, notes=["A byte was damaged."])
    says(box, b"", run="a", at=len(WHOLE), s=0.9, end="stopped")
    box._pulse_thread.join(10)
    assert box.answers[-1] | {"have": 0, "s": 0} == {
        "run": "a",
        "have": 0,
        "saved": len(WHOLE),
        "gap": False,
        "over": True,
        "s": 0,
    }
    assert "4 passes logged.\nYou stopped it." in box.say.text
    assert "A byte was damaged." in box.say.text
    assert "it takes 6 passes or more" in box.say.text
    assert box.gate.raw_path.read_bytes() == WHOLE
    box._keep.click()
    assert box.say.text == "Kept 4, {'magnets': 4}."


def test_a_page_that_comes_back_brings_its_condition(box):
    says(box, run="b", start=True, conditions={"magnets": 8})
    assert box.conditions == {"magnets": 8}


def test_a_page_that_has_gone_makes_way_for_the_next(box):
    says(box, run="a", start=True)
    first = box.gate
    says(box, run="c", start=True)
    assert first.ended
    assert box.gate is not first
    assert box.running


def test_a_refusal_reaches_the_page(box, tmp_path):
    (tmp_path / "file").write_text("no folder")
    box.folder = tmp_path / "file"
    assert "The log can't be written here" in says(box, run="a", start=True)["refused"]
    box.folder = tmp_path
    says(box, run="a", start=True)
    assert "can't be read" in says(box, run="a", at="x", s=0.2)["refused"]


def test_where_to_listen_is_chosen_by_what_exists(tmp_path, monkeypatch):
    boxes = {}
    for name, ports, hosted in (
        ("own", [("COM3", "COM3")], False),
        ("none", [], False),
        ("hosted", [("S0", "S0")], True),
    ):
        monkeypatch.setattr("kit.widgets.live_gate.list_ports", lambda ports=ports: ports)
        monkeypatch.setattr("kit.widgets.live_gate.is_hosted", lambda hosted=hosted: hosted)
        boxes[name] = LiveGateBox(tmp_path)
    chosen = {name: box._port.value for name, box in boxes.items()}
    assert chosen == {"own": ("port", "COM3"), "none": PAGE, "hosted": PAGE}
    assert boxes["none"]._listen.layout.display == "none"
    with pytest.raises(KitError, match="This cable ends at your browser"):
        boxes["none"].start()
    monkeypatch.setattr("kit.widgets.live_gate.is_hosted", lambda: False)
    monkeypatch.setattr("kit.widgets.live_gate.list_ports", lambda: [])
    boxes["none"].cable._handle_custom_msg({"able": "This browser can't read a cable."}, [])
    assert boxes["none"]._port.value == ("typed", "")
    assert HERE in dict(boxes["none"]._port.options)  # still there, to read why not
    boxes["own"]._port.value = PAGE
    boxes["own"].cable._handle_custom_msg({"able": "yes"}, [])
    assert boxes["own"]._port.value == PAGE


def test_a_source_of_a_page_knows_no_more_than_it_was_sent():
    source = PageSource()
    assert (source.read(10), source.clock(), source.have) == (b"", 0.0, 0)


def test_clicks_are_kept_as_a_run_with_what_a_sound_cards_clock_can_do(tmp_path):
    kept = []
    box = Microphone(tmp_path, "magnets", [1, 8], on_keep=lambda *what: kept.append(what) or "Kept.")
    box.page.send = lambda *_: None
    box._per_turn.value, box._note.value = 2, " a door fell shut "
    times_us = [round(1e6 * t) for t in np.cumsum(np.linspace(0.1, 0.5, 30))]
    lines = b"# clicks by a microphone, 48000 samples a second; unit us\n" + b"".join(b"%d\n" % t for t in times_us)
    box.page._handle_custom_msg({"run": "m", "start": True}, [])
    message = {"run": "m", "at": 0, "s": 9.0, "end": "stopped", "notes": ["For a moment nothing at all was heard."]}
    box.page._handle_custom_msg(message, [memoryview(lines)])
    box._pulse_thread.join(10)
    assert "For a moment nothing at all was heard." in box.say.text
    assert "The clicks scatter by" in box.say.text
    box._keep.click()
    [(run, note)] = kept
    assert (len(run.pass_times_s), run.flags_per_turn, dict(run.conditions)) == (30, 2, {"magnets": 1})
    assert note == "a door fell shut Timed by clicks; a sound card's clock keeps to 0.01 %."


def test_a_cameras_run_carries_how_sure_its_passes_are(tmp_path):
    kept = []
    box = Camera(tmp_path, "magnets", [1, 8], on_keep=lambda run, note: kept.append(run) or "Kept.")
    box.page.send = lambda *_: None
    times_s, levels = brightness_of(np.random.default_rng(1), Exact("linear", 12), field=0.2, mark=0.35)
    data = b"".join(b"%d;%.3f\n" % (round(1e6 * t), b) for t, b in zip(times_s, levels, strict=True))
    box.page._handle_custom_msg({"run": "c", "start": True}, [])
    box.page._handle_custom_msg({"run": "c", "at": 0, "s": 9.0, "clock": 4.0, "end": "stopped"}, [memoryview(data)])
    box._pulse_thread.join(10)
    assert "turns can be told apart up to" in box.say.text
    box._keep.click()
    assert 0.0002 < kept[0].timing_u_s < 0.002
    assert len(kept[0].pass_times_s) == 12
