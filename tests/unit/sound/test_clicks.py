"""Clicks: found in noise, not found where there are none; a run made of them and its timing uncertainty."""

import numpy as np
import pandas as pd
import pytest

from kit import Run, measure
from kit.errors import KitError
from kit.sound.clicks import find_clicks, level_and_clicks, run_from_clicks, timing_scatter
from kit.sound.level import level
from kit.sound.recording import read_sound, write_wav
from tests.reference.rendered import LAWS, Exact, sound_of

NOISE = 0.01  # rms, white


def slowing_times(duration_s=20.0, start_period_s=0.2, growth=1.01):
    """Moments of a click once a turn, the turn period growing by a constant factor."""
    period_s = start_period_s * growth ** np.arange(2000)
    times_s = 0.5 + np.cumsum(period_s)
    return times_s[times_s < duration_s - 0.5]


def clicking(rng, times_s, snr_dB, *, rate=44_100, tone_hz=3000, decay_s=0.0015, echo=0.0):
    """White noise with decaying bursts, peak over rms of the noise `snr_dB`; `echo` adds half a second of reverb."""
    n = int((times_s[-1] + 0.5) * rate)
    sound = NOISE * rng.standard_normal(n)
    k = np.arange(int(8 * decay_s * rate))
    amplitude = NOISE * 10 ** (snr_dB / 20)
    for time_s in times_s:
        first = int(np.ceil(time_s * rate))
        t = (first + k) / rate - time_s
        burst = np.exp(-t / decay_s) * np.sin(2 * np.pi * tone_hz * t)
        sound[first : first + k.size] += amplitude * burst / np.abs(burst).max()
        tail = np.arange(min(rate // 2, n - first - 200))
        if echo and tail.size:
            reverb = echo * amplitude * rng.standard_normal(tail.size) * np.exp(-6.9 * tail / tail.size)
            sound[first + 200 : first + 200 + tail.size] += reverb
    return sound


def scores(true_s, found_s, within_s=0.005):
    """Precision, recall, and errors of the matched ones; each true click may be matched once."""
    nearest = np.abs(found_s[:, None] - true_s[None, :]).argmin(axis=1) if found_s.size else np.empty(0, dtype=int)
    error_s = found_s - true_s[nearest]
    matched = np.unique(nearest[np.abs(error_s) < within_s])
    return matched.size / max(found_s.size, 1), matched.size / true_s.size, error_s[np.abs(error_s) < within_s]


def detect(tmp_path, sound, rate=44_100, **kw):
    return find_clicks(read_sound(write_wav(tmp_path / "clicks.wav", sound, rate)), **kw)


@pytest.mark.parametrize("rate", [16_000, 44_100, 96_000])
def test_clear_clicks_are_found_to_a_tenth_of_a_millisecond(tmp_path, rate):
    true_s = slowing_times()
    clicks = detect(tmp_path, clicking(np.random.default_rng(1), true_s, 24, rate=rate), rate)
    precision, recall, error_s = scores(true_s, clicks.times_s)
    assert precision == recall == 1
    assert error_s.std() < 1e-4
    assert abs(error_s.mean()) < 3e-4


@pytest.mark.parametrize(
    "kind",
    [{}, {"echo": 0.3}, {"tone_hz": 1500}, {"tone_hz": 5000, "decay_s": 0.0007}, {"decay_s": 0.005}],
    ids=["plain", "in a room", "dull", "sharp", "long"],
)
def test_at_12_dB_hardly_one_is_missed_or_invented(tmp_path, kind):
    rng = np.random.default_rng(2)
    true_s = slowing_times(40)
    precision, recall, _ = scores(true_s, detect(tmp_path, clicking(rng, true_s, 12, **kind)).times_s)
    assert precision >= 0.99
    assert recall >= 0.99


def test_noise_that_sets_in_after_digital_silence_is_no_click(tmp_path):
    """A microphone that wakes up, a machine too busy for a while, a switch: silence there says nothing of the noise."""
    sound = NOISE * np.random.default_rng(4).standard_normal(6 * 44_100)
    for start, stop in ((0, 0.35), (1.0, 1.2), (2.5, 3.4), (5.2, 6.0)):
        sound[int(start * 44_100) : int(stop * 44_100)] = 0
    assert detect(tmp_path, sound).times_s.size == 0


@pytest.mark.slow
def test_the_curve_falls_gently_below_that(tmp_path):
    rng = np.random.default_rng(3)
    true_s = slowing_times(60)
    f1 = {}
    for snr_dB in (10, 6, 2):
        results = [scores(true_s, detect(tmp_path, clicking(rng, true_s, snr_dB)).times_s)[:2] for _ in range(3)]
        precision, recall = np.mean(results, axis=0)
        assert precision > 0.9  # what it reports stays true even where it misses much
        f1[snr_dB] = 2 * precision * recall / (precision + recall)
    assert f1[10] >= 0.99
    assert f1[6] >= 0.95
    assert f1[2] < 0.8  # the negative control: it is a matter of noise


def test_noise_alone_gives_none(tmp_path):
    rng = np.random.default_rng(4)
    sound = NOISE * rng.standard_normal(60 * 44_100)
    assert detect(tmp_path, sound).times_s.size <= 1


def test_noise_that_swells_and_a_voice_band_hum_give_none(tmp_path):
    rng = np.random.default_rng(5)
    t = np.arange(20 * 44_100) / 44_100
    sound = NOISE * (1 + 0.9 * np.sin(2 * np.pi * 0.3 * t)) * rng.standard_normal(t.size)
    sound += 0.2 * np.sin(2 * np.pi * 200 * t)
    assert detect(tmp_path, sound).times_s.size <= 1


def test_silence_and_very_short_recordings_give_none(tmp_path):
    assert detect(tmp_path, np.zeros(44_100)).times_s.size == 0
    assert detect(tmp_path, np.zeros(20)).times_s.size == 0


def test_many_clicks_a_turn(tmp_path):
    # 24 pegs at 4 turns a second: a click every ten milliseconds
    true_s = 0.5 + np.arange(400) * 0.0104
    clicks = detect(tmp_path, clicking(np.random.default_rng(6), true_s, 24), min_gap_s=0.006)
    precision, recall, _ = scores(true_s, clicks.times_s, within_s=0.002)
    assert min(precision, recall) > 0.97


def test_of_two_close_rises_the_stronger_counts(tmp_path):
    rng = np.random.default_rng(7)
    weak, strong = (clicking(rng, np.array([at, 3.0]), snr) for at, snr in ((1.0, 26), (1.012, 36)))
    assert detect(tmp_path, weak + strong).times_s[0] == pytest.approx(1.012, abs=5e-4)


def test_strength_follows_the_click(tmp_path):
    rng = np.random.default_rng(8)
    true_s = slowing_times(10)
    weak, strong = (detect(tmp_path, clicking(rng, true_s, snr)).strength_dB.mean() for snr in (20, 30))
    assert strong - weak == pytest.approx(10, abs=1)


@pytest.mark.parametrize("rate", [11_025, 48_000])
def test_level_and_clicks_together_are_what_each_says_alone(tmp_path, rate):
    sound = clicking(np.random.default_rng(4), slowing_times(), 20, rate=rate)
    recording = read_sound(write_wav(tmp_path / "stereo.wav", np.stack([sound, 0.5 * sound], axis=1), rate))
    levels, clicks = level_and_clicks(recording)
    pd.testing.assert_frame_equal(levels, level(recording), rtol=0, atol=1e-5)  # dB
    alone = find_clicks(recording)
    assert clicks.times_s == pytest.approx(alone.times_s, abs=1e-7)
    assert clicks.strength_dB == pytest.approx(alone.strength_dB, abs=0.01)  # guards of 0.1 and 0.03 s


def test_a_band_beyond_the_recording(tmp_path):
    with pytest.raises(KitError, match="band does not fit"):
        detect(tmp_path, np.zeros(8000), 8000, band_hz=(5000, 9000))


class TestRunFromClicks:
    def test_is_a_run_like_any_other(self, tmp_path):
        true_s = slowing_times()
        path = write_wav(tmp_path / "card.wav", clicking(np.random.default_rng(9), true_s, 20), 44_100)
        run = run_from_clicks(read_sound(path), conditions={"magnets": 2}, trial=3)
        assert run.pass_times_s == pytest.approx(true_s, abs=5e-4)
        assert (run.conditions["magnets"], run.trial, run.source, run.sound) == (2, 3, "card.wav", "card.wav")
        # what matters for a duration is that every click is late by the same
        assert np.ptp(run.pass_times_s - true_s) < 4e-4

    def test_states_its_timing_uncertainty(self, tmp_path):
        rng = np.random.default_rng(10)
        true_s = slowing_times(30)
        path = write_wav(
            tmp_path / "card.wav", clicking(rng, true_s + 0.002 * rng.standard_normal(true_s.size), 20), 44_100
        )
        run = run_from_clicks(read_sound(path))
        assert timing_scatter(run.pass_times_s) == pytest.approx(0.002, rel=0.35)
        assert "standard uncertainty of each 2" in run.note or "standard uncertainty of each 1." in run.note
        assert "clock 0.01 %" in run.note

    def test_only_the_part_asked_for(self, tmp_path):
        true_s = slowing_times()
        path = write_wav(tmp_path / "card.wav", clicking(np.random.default_rng(11), true_s, 20), 44_100)
        run = run_from_clicks(read_sound(path), start_s=5, stop_s=15)
        assert run.pass_times_s[0] > 5
        assert run.pass_times_s[-1] < 15

    def test_no_clicks(self, tmp_path):
        recording = read_sound(write_wav(tmp_path / "hush.wav", np.zeros(44_100), 44_100))
        with pytest.raises(KitError, match=r"hush.wav.*fewer than three clicks.*microphone closer"):
            run_from_clicks(recording)


@pytest.mark.slow
def test_timing_scatter_is_right_on_average_and_ignores_a_miss():
    rng = np.random.default_rng(12)
    true_s = slowing_times(40)
    found, with_miss = [], []
    for _ in range(1000):
        times_s = true_s + 1e-3 * rng.standard_normal(true_s.size)
        found.append(timing_scatter(times_s))
        with_miss.append(timing_scatter(np.delete(times_s, 40)))
    assert np.mean(found) == pytest.approx(1e-3, rel=0.03)
    assert np.mean(with_miss) == pytest.approx(1e-3, rel=0.08)
    assert np.isnan(timing_scatter(true_s[:5]))


@pytest.mark.slow
def test_a_coasting_time_by_clicks_is_right_to_two_milliseconds_in_a_noisy_room(tmp_path):
    """A small, fixed part of `python3 -m kit test --benchmarks --only microphone`; exact runs, rendered."""
    rng, off, u = np.random.default_rng(9), [], []
    for snr_dB in (10, 20):
        for law in LAWS:
            exact = Exact(law, 30, last=0.6)
            clicks = detect(tmp_path, sound_of(rng, 0.6 + exact.passes_s(rng.uniform()), snr_dB), 48_000)
            row = measure([Run(clicks.times_s).repaired()], 0.3, 1.0, rule="best").iloc[0]
            off.append(row.duration_s - exact.duration_s(0.3, 1.0))
            u.append(row.duration_u_s)
    assert np.median(np.abs(off)) < 0.002
    assert np.max(np.abs(off) / u) < 4
