"""The sound view: what is heard can be seen, the player holds only a part, the reference is named."""

import io
import wave

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.run import Run
from kit.sound.recording import read_sound, write_wav
from kit.widgets.sound_view import LONGEST_S, ClicksAsRun, SoundView

RATE_HZ = 22_050


@pytest.fixture
def ticking(tmp_path):
    """A run and its recording: one click a turn, the recording started 1.5 s before the log."""
    rng = np.random.default_rng(7)
    times = np.cumsum(0.2 * 1.03 ** np.arange(60))
    run = Run(times[times < 25])
    clicks_s = np.interp(np.arange(run.pass_times_s.size - 1) + 0.3, np.arange(run.pass_times_s.size), run.pass_times_s)
    sound = 0.003 * rng.standard_normal(30 * RATE_HZ)
    burst = np.exp(-np.arange(200) / 40) * np.sin(2 * np.pi * 3000 * np.arange(200) / RATE_HZ)
    for t in clicks_s + 1.5:
        sound[int(t * RATE_HZ) : int(t * RATE_HZ) + 200] += 0.1 * burst
    return run, write_wav(tmp_path / "hub.wav", sound, RATE_HZ)


def choose(view, index):
    view._view.set_state({"index": index})


def test_level_clicks_and_speed_are_seen(ticking):
    run, path = ticking
    view = SoundView(path, run, offset_s=-1.5)
    names = [trace.name for trace in view._plot.figure.data]
    assert names == ["level", "clicks", "speed"]
    assert "clicks found" in view._plot.description
    assert view._plot.table["clicks"].sum() == view.clicks.times_s.size
    assert "Not calibrated" in view._say.text


def test_the_player_holds_only_a_part(ticking):
    view = SoundView(ticking[1])
    with wave.open(io.BytesIO(view._audio.value)) as player:
        assert player.getnframes() / player.getframerate() == pytest.approx(10, abs=0.01)
    view._start.set_state({"value": 25.0})
    view._length.set_state({"value": 20.0})
    view._listen._handle_button_msg(None, {"event": "click"}, None)
    assert view.listening == pytest.approx((25.0, 5.0))
    assert view.listening[1] <= LONGEST_S
    with pytest.raises(KitError, match="no such moment"):
        view.listen(31, 1)


def test_spectrogram(ticking):
    view = SoundView(ticking[1])
    choose(view, 1)
    assert view._plot.figure.data[0].type == "heatmap"
    assert "kHz" in view._plot.description
    assert len(view._plot.figure.to_json()) < 1_500_000


def test_clicks_in_every_turn_need_a_run(ticking):
    run, path = ticking
    assert len(SoundView(path)._view.options) == 2
    view = SoundView(path, run, offset_s=-1.5)
    choose(view, 2)
    assert "whole turns heard" in view._say.text
    assert view._plot.table["clicks"].mean() == pytest.approx(1, abs=0.05)


def test_the_offset_is_found_from_the_clicks(ticking):
    run, path = ticking
    view = SoundView(path, run, offset_s="clicks")
    assert view.offset_s == pytest.approx(-1.5, abs=0.5)
    assert "same place of the turn" in view._say.text
    with pytest.raises(KitError, match="number of seconds"):
        SoundView(path, offset_s="clicks")


def test_silence_and_clipping_are_said(tmp_path):
    silent = SoundView(write_wav(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ))
    assert "silent" in silent._say.text
    loud = SoundView(write_wav(tmp_path / "loud.wav", 2 * np.sin(np.arange(RATE_HZ)), RATE_HZ))
    assert "too loud for the recorder" in loud._say.text


def test_the_clicks_of_a_recording_become_a_run_once(ticking):
    run, path = ticking
    kept = []
    box = ClicksAsRun(read_sound(path), lambda *what: kept.append(what) or "Kept.", "magnets", [1, 8], {"hub": "dry"})
    box._value.value, box._per_turn.value, box._note.value = 8, 2, " a door "
    box._from.value, box._to.value = 4.0, 20.0
    box._button.click()
    assert box.say.text == "Kept."
    [(heard, note)] = kept
    assert (dict(heard.conditions), heard.flags_per_turn) == ({"hub": "dry", "magnets": 8}, 2)
    assert 4 <= heard.pass_times_s[0] < heard.pass_times_s[-1] <= 20
    clicks_s = np.interp(np.arange(run.pass_times_s.size - 1) + 0.3, np.arange(run.pass_times_s.size), run.pass_times_s)
    there = clicks_s[(clicks_s + 1.5 > 4) & (clicks_s + 1.5 < 20)] + 1.5
    assert heard.pass_times_s == pytest.approx(there, abs=0.002)
    assert note.startswith("a door From the recording hub.wav. Timed by clicks")
    box._button.click()
    assert "kept already" in box.say.text
    box._to.value = 4.1
    box._button.click()
    assert "fewer than three clicks" in box.say.text
    assert len(kept) == 1
