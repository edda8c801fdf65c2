"""Sound beside speed: clocks brought together, clicks per turn, level at equal speed."""

import numpy as np
import pytest

from kit.errors import KitError
from kit.logs.run import Run
from kit.sound.clicks import find_clicks
from kit.sound.level import level, mean_level
from kit.sound.recording import read_sound, write_wav
from kit.sound.with_run import (
    align,
    clicks_per_turn,
    compare_at_equal_speed,
    level_against_speed,
    level_at_speeds,
    level_by_speed,
)

RATE_HZ = 16_000
TONE = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)


def coasting(seconds=25, start_period_s=0.2, growth=1.03):
    period = start_period_s * growth ** np.arange(200)
    times = np.cumsum(period)
    return Run(times[times < seconds])


@pytest.fixture
def ticking(tmp_path):
    """A run, and a recording that started 2.5 s before its log, with a click at 0.3 of every turn."""
    run, rate = coasting(), 22_050
    rng = np.random.default_rng(7)
    turns = np.arange(run.pass_times_s.size - 1) + 0.3
    clicks_s = np.interp(turns, np.arange(run.pass_times_s.size), run.pass_times_s) + 2.5
    sound = 0.003 * rng.standard_normal(int(30 * rate))
    burst = np.exp(-np.arange(200) / 40) * np.sin(2 * np.pi * 3000 * np.arange(200) / rate)
    for t in clicks_s:
        sound[int(t * rate) : int(t * rate) + 200] += 0.1 * burst
    return run, read_sound(write_wav(tmp_path / "ticks.wav", sound, rate))


class TestSoundBesideSpeed:
    def test_clocks_are_brought_together(self, ticking):
        run, recording = ticking
        found = align(find_clicks(recording), run)
        # the place of the click in the turn is not known, so the offset is known but for part of a turn
        slowest_turn_s = np.diff(run.pass_times_s).max()
        assert abs(found.offset_s + 2.5) < slowest_turn_s
        assert found.togetherness > 0.95
        assert found.chance < 1e-6

    def test_random_clicks_belong_to_no_turn(self, ticking):
        run, recording = ticking
        clicks = find_clicks(recording)
        rng = np.random.default_rng(3)
        scattered = type(clicks)(np.sort(rng.uniform(0, 30, 50)), np.zeros(50), clicks.band_hz, recording)
        found = align(scattered, run, earliest_s=-3, latest_s=3)
        assert found.chance > 0.001
        assert "may not belong to the turning" in found.sentence

    def test_no_overlap(self, ticking):
        run, recording = ticking
        with pytest.raises(KitError, match="Too few clicks"):
            align(find_clicks(recording), run, earliest_s=100, latest_s=101)

    def test_one_click_a_turn(self, ticking):
        run, recording = ticking
        table = clicks_per_turn(find_clicks(recording), run, offset_s=-2.5)
        assert table.attrs["per_turn"] == pytest.approx(1.0, abs=0.03)
        assert len(table) == run.pass_times_s.size - 1
        with pytest.raises(KitError, match="do not overlap"):
            clicks_per_turn(find_clicks(recording), run, offset_s=500)

    def test_equal_speed_removes_what_only_speed_makes(self, tmp_path):
        # two coastings with the same sound at the same speed, one of them slowing three times as fast
        rng, rate, tables = np.random.default_rng(4), 16_000, []
        for growth in (1.02, 1.06):
            run = coasting(growth=growth)
            t = np.arange(int(run.pass_times_s[-1] * rate)) / rate
            middle = (run.pass_times_s[1:] + run.pass_times_s[:-1]) / 2
            speed = np.interp(t, middle, 1 / np.diff(run.pass_times_s))
            sound = 0.01 * speed * rng.standard_normal(t.size)  # 6 dB louder at twice the speed
            recording = read_sound(write_wav(tmp_path / f"{growth}.wav", sound, rate))
            tables.append(level_against_speed(level(recording), run))
        plain = mean_level(tables[1]["level_dB"]) - mean_level(tables[0]["level_dB"])
        equal = compare_at_equal_speed(*tables)
        assert abs(equal.attrs["mean_dB"]) < 0.3 < abs(plain)
        by_speed = level_by_speed(tables[0], [1.5, 1.7, 3.0, 3.4])
        assert by_speed["level_dB"].iloc[-1] - by_speed["level_dB"].iloc[0] == pytest.approx(6, abs=0.5)

    def test_one_number_a_recording_for_a_claim(self, ticking):
        run, recording = ticking
        table = level_against_speed(level(recording), run, offset_s=-2.5)
        one = level_at_speeds(table, 1.5, 3.0)
        assert one == pytest.approx(level_by_speed(table, [1.5, 2.0, 2.5, 3.0])["level_dB"].mean())
        with pytest.raises(KitError, match="was not at all these speeds"):
            level_at_speeds(table, 1.5, 9.0)

    def test_calibrated_and_uncalibrated_are_not_compared(self, ticking):
        run, recording = ticking
        table = level_against_speed(level(recording), run, offset_s=-2.5)
        other = table.copy()
        other.attrs["reference"] = "20 µPa"
        with pytest.raises(KitError, match="two kinds can't be compared"):
            compare_at_equal_speed(table, other)
