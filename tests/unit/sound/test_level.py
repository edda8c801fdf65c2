"""Sound level, calibration, third octaves and spectrogram."""

import numpy as np
import pytest

from kit.errors import KitError
from kit.sound.level import calibrate, level, mean_level, spectrogram, third_octaves
from kit.sound.recording import read_sound, write_wav

RATE_HZ = 16_000
TONE = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)


class TestLevel:
    def test_full_scale_sine_is_zero(self, tmp_path):
        t = np.arange(2 * 48_000) / 48_000
        table = level(read_sound(write_wav(tmp_path / "t.wav", 0.998 * np.sin(2 * np.pi * 1000 * t), 48_000)))
        assert table.attrs["equivalent_dB"] == pytest.approx(0, abs=0.03)
        assert table.attrs["reference"] == "full scale"
        assert "Not calibrated" in table.attrs["sentence"]
        assert table.attrs["clipped"] == 0

    def test_digital_silence_is_minus_infinity(self, tmp_path):
        assert np.isneginf(level(read_sound(write_wav(tmp_path / "s.wav", np.zeros(9000), 8000)))["level_dB"]).all()

    def test_clipping_is_reported(self, tmp_path):
        path = write_wav(tmp_path / "c.wav", 3 * TONE, RATE_HZ)
        assert level(read_sound(path)).attrs["clipped"] > 0.3

    def test_blocks_leave_no_seams(self, tmp_path):
        # five seconds at 44.1 kHz are several blocks; a steady tone must stay steady across them
        t = np.arange(5 * 44_100) / 44_100
        table = level(read_sound(write_wav(tmp_path / "t.wav", 0.5 * np.sin(2 * np.pi * 50 * t), 44_100)), "A", "S")
        late = table["level_dB"][(table["time_s"] > 1) & (table["time_s"] < 4.9)]
        expected = 10 * np.log10(1 - np.exp(-table["time_s"][late.index]))  # the S weighting still settling
        assert np.ptp(late - expected) < 0.05

    def test_calibration_tone_sets_the_scale(self, tmp_path):
        t = np.arange(4 * 48_000) / 48_000
        hum = 0.002 * np.sin(2 * np.pi * 50 * t)
        tone = read_sound(write_wav(tmp_path / "cal.wav", 0.1 * np.sin(2 * np.pi * 1000 * t) + hum, 48_000))
        calibration = calibrate(tone, 94.0)
        assert calibration.tone_hz == pytest.approx(1000, abs=1)
        quiet = read_sound(write_wav(tmp_path / "q.wav", 0.01 * np.sin(2 * np.pi * 1000 * t), 48_000))
        table = level(quiet, calibration=calibration)
        assert table.attrs["equivalent_dB"] == pytest.approx(74, abs=0.05)
        assert table.attrs["reference"] == "20 µPa"
        assert "94 dB at 1000 Hz (cal.wav)" in table.attrs["sentence"]

    def test_what_is_no_calibration_tone(self, tmp_path):
        rng = np.random.default_rng(1)
        noise = read_sound(write_wav(tmp_path / "n.wav", 0.1 * rng.standard_normal(64_000), RATE_HZ))
        with pytest.raises(KitError, match="not one clear tone"):
            calibrate(noise)
        swelling = np.linspace(0.1, 0.9, 64_000) * np.sin(2 * np.pi * 1000 * np.arange(64_000) / RATE_HZ)
        with pytest.raises(KitError, match="not steady"):
            calibrate(read_sound(write_wav(tmp_path / "s.wav", swelling, RATE_HZ)))
        with pytest.raises(KitError, match="turn the gain down"):
            calibrate(read_sound(write_wav(tmp_path / "c.wav", 4 * TONE.repeat(4), RATE_HZ)))

    def test_unknown_weightings(self, tmp_path):
        recording = read_sound(write_wav(tmp_path / "t.wav", TONE, RATE_HZ))
        with pytest.raises(KitError, match="three frequency weightings"):
            level(recording, "B")
        with pytest.raises(KitError, match="two time weightings"):
            level(recording, "A", "I")


class TestSpectrum:
    def test_third_octaves_add_up_and_find_the_tone(self, tmp_path):
        t = np.arange(4 * 48_000) / 48_000
        recording = read_sound(write_wav(tmp_path / "t.wav", 0.5 * np.sin(2 * np.pi * 2000 * t), 48_000))
        bands = third_octaves(recording)
        assert bands["middle_hz"][bands["level_dB"].idxmax()] == pytest.approx(1995.26, abs=0.1)
        assert mean_level(bands["level_dB"]) + 10 * np.log10(len(bands)) == pytest.approx(-6.02, abs=0.05)
        assert bands.attrs["flatness"] < 0.01

    def test_noise_is_flat(self, tmp_path):
        noise = 0.1 * np.random.default_rng(2).standard_normal(10 * 48_000)
        bands = third_octaves(read_sound(write_wav(tmp_path / "n.wav", noise, 48_000)))
        assert bands.attrs["flatness"] > 0.9
        rise = np.polyfit(np.arange(20), bands["level_dB"][9:], 1)[0]
        assert rise == pytest.approx(1.0, abs=0.05)  # white noise: 1 dB a third of an octave

    def test_spectrogram(self, tmp_path):
        t = np.arange(2 * RATE_HZ) / RATE_HZ
        tone = np.where(t < 1, np.sin(2 * np.pi * 1000 * t), np.sin(2 * np.pi * 3000 * t))
        times, frequency, level_dB = spectrogram(read_sound(write_wav(tmp_path / "t.wav", tone, RATE_HZ)), columns=50)
        loudest = frequency[level_dB.argmax(axis=0)]
        assert loudest[times < 0.9] == pytest.approx(1000, abs=10)
        assert loudest[times > 1.1] == pytest.approx(3000, abs=10)
        assert level_dB.max() == pytest.approx(0, abs=0.3)
