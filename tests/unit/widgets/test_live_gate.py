"""The live gate's widget without a page: its buttons, what it says, what it hands over."""

from __future__ import annotations

import numpy as np
import pytest

from kit import KitError, read_log
from kit.launcher import PROJECT
from kit.sources.gate import PretendGate
from kit.widgets.live_gate import LiveGateBox, LivePlot

RUN = read_log(PROJECT / "datasets_demo" / "coasting_disc" / "passes" / "magnets-08_trial-1.csv")[0]
PRETEND = "a pretend gate"


@pytest.fixture
def box(tmp_path):
    kept = []

    def keep(times_s, conditions, note):
        kept.append((times_s, conditions, note))
        return f"Kept as run {len(kept)}."

    sources = {PRETEND: lambda: PretendGate(RUN.pass_times_s, np.inf)}
    box = LiveGateBox(tmp_path, "magnets", [1, 4, 8], on_keep=keep, sources=sources)
    box.kept = kept
    yield box
    box.stop()


def run_to_the_end(box) -> None:
    box._ended_s = -np.inf  # nobody waits here after the run before
    box._listen.click()
    assert box._listen.description == "End this run now"
    for _ in range(400):
        if len(box.gate.pass_times_s) == len(RUN.pass_times_s):
            break
        box.gate.wait(0.01)
    box._listen.click()


def test_a_run_from_start_to_kept(box):
    box._value.value = 8
    run_to_the_end(box)
    assert box.gate.ended == "stopped"
    assert box.say.text.startswith("29 passes logged.\nYou stopped it.")
    assert box.plot.numbers[0] == ["passes", "29"]
    assert box.plot.periods_s == pytest.approx(np.diff(RUN.pass_times_s))
    assert len(box._details.rows) == 28
    box._note.value = " shaky table "
    box._keep.click()
    times, conditions, note = box.kept[0]
    assert np.array_equal(times, RUN.pass_times_s)
    assert (conditions, note) == ({"magnets": 8}, "shaky table")
    assert box.say.text == "Kept as run 1."
    assert box.gate.log_path.name.startswith("magnets-8_")
    with pytest.raises(KitError, match="This run is kept already"):
        box.keep()


def test_a_click_meant_to_end_a_run_that_has_just_ended_begins_no_other(box):
    run_to_the_end(box)
    ended = box.gate
    box._listen.click()
    assert box.gate is ended and not box.running
    assert box._keeping.layout.display == ""  # it is still there to be taken


def test_the_condition_is_the_one_at_the_start(box):
    box._value.value = 4
    run_to_the_end(box)
    box._value.value = 1
    box.keep()
    assert box.kept[0][1] == {"magnets": 4}


def test_a_run_that_is_not_kept_stays_on_disk(box, tmp_path):
    run_to_the_end(box)
    run_to_the_end(box)
    assert len(list(tmp_path.glob("*.csv"))) == len(list(tmp_path.glob("*.raw"))) == 2
    assert box.kept == []


def test_a_refusal_is_shown_and_the_run_can_be_kept_later(box):
    run_to_the_end(box)

    def refuse(*run):
        raise KitError("The folder is full")

    taken, box._on_keep = box._on_keep, refuse
    box._keep.click()
    assert (box.say.text, box.say.problem) == ("The folder is full.", True)
    box._on_keep = taken
    box._keep.click()
    assert len(box.kept) == 1


def test_a_port_must_be_chosen_or_typed(box):
    box._port.value = ("typed", "")
    assert box._typed.layout.display == ""
    box._listen.click()
    assert "No port is chosen" in box.say.text
    box._typed.value = "/dev/no-such-gate"
    box._listen.click()
    assert "This port can't be opened" in box.say.text
    assert not box.running
    box._port.value = ("source", PRETEND)
    assert box._typed.layout.display == "none"


def test_nothing_to_keep_before_a_run_has_ended(box):
    with pytest.raises(KitError, match="There is no finished run to keep"):
        box.keep()


def test_one_pass_makes_no_run_and_says_so(tmp_path):
    box = LiveGateBox(tmp_path, sources={PRETEND: lambda: PretendGate([1.0], np.inf)})
    box.start()
    while len(box.gate.pass_times_s) == 0:
        box.gate.wait(0.01)
    box.stop()
    assert "That makes no run." in box.say.text
    assert box._keeping.layout.display == "none"


def test_only_new_points_are_sent():
    plot, sent = LivePlot(), []
    plot.send = lambda message, buffers=(): sent.append((message["from"], len(buffers[0]) // 16 if buffers else 0))
    times, periods = np.arange(10.0), np.arange(10.0) + 1
    plot.show(times[:4], periods[:4])
    plot.show(times[:4], periods[:4])
    plot.show(times, periods)
    plot._handle_custom_msg({"ask": "all"}, [])
    plot.clear()
    assert sent == [(0, 4), (4, 6), (0, 10), (0, 0)]


def test_a_second_box_on_the_same_port_takes_it_over(tmp_path, monkeypatch):
    monkeypatch.setattr("kit.widgets.live_gate.open_port", lambda *_: PretendGate(RUN.pass_times_s))
    first, second = LiveGateBox(tmp_path), LiveGateBox(tmp_path)
    for box in (first, second):
        box._port.value, box._typed.value = ("typed", ""), "COM3"
        box.start()
    assert first.gate.ended == "stopped"
    assert second.gate.running
    second.stop()


def test_a_folder_that_cannot_be_written_to_leaves_the_port_free(tmp_path, monkeypatch):
    closed = []
    gate = PretendGate(RUN.pass_times_s)
    gate.close = lambda: closed.append(True)
    (tmp_path / "file").write_text("no folder")
    box = LiveGateBox(tmp_path / "file", sources={PRETEND: lambda: gate})
    box._listen.click()
    assert "The log can't be written here" in box.say.text
    assert closed == [True]
