"""Sound: how fast ten minutes are levelled and searched for clicks, and in how much memory."""

from __future__ import annotations

import tempfile
import tracemalloc
from pathlib import Path

import numpy as np
from scipy import signal

from kit.sound.clicks import find_clicks, level_and_clicks
from kit.sound.recording import Spectra, read_sound, write_wav
from tests.benchmarks.race import Job, Row, race

__all__ = ["ITEMS"]

RATE_HZ = 44_100


def clicks_and_level(small: bool) -> list[Row]:
    """Clicks and A-weighted level of one recording."""
    duration_s = 2 if small else 600
    with tempfile.TemporaryDirectory() as folder:
        recording = read_sound(_recorded(Path(folder) / "long.wav", duration_s))

        def ours():
            level_and_clicks(recording)

        row = race(
            f"clicks and A-level, {duration_s} s of sound",
            Job("", ours),
            Job("scipy: band-pass, envelope, find_peaks, no level", lambda: _by_scipy(recording)),
            Job("read, one spectrum of every block", lambda: sum(1 for _ in Spectra(recording))),
            "≥ 5,000 × real time",
        )
        speed = Row(
            "  part of the recording's own time it takes",
            row.ours / (10 * duration_s),
            "%",
            row.usual / (10 * duration_s),
            floor=row.floor / (10 * duration_s),
            goal="≤ 0.02 %",
        )
        memory = Row(
            "  memory at its peak", _memory_mib(ours), "MiB", _memory_mib(lambda: _by_scipy(recording)), goal="≤ 32 MiB"
        )
    return [row, speed, memory]


def clicks_found(small: bool) -> list[Row]:
    """1 − F1 of the clicks found in white noise, each click placed at random, within 5 ms."""
    rows = []
    for snr_dB, goal in ((10, "≤ 1"), (6, "≤ 5")):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "clicks.wav"
            duration_s = 10 if small else 120
            times = _noisy_clicks(path, duration_s, snr_dB)
            recording = read_sound(path)
            missed = [100 * (1 - _f1(found, times)) for found in (find_clicks(recording).times_s, _by_scipy(recording))]
        rows.append(
            Row(
                f"clicks at {snr_dB} dB: 100 − F1",
                missed[0],
                "%",
                missed[1],
                "the same scipy detector, 4 × median",
                goal=goal,
            )
        )
    return rows


def _recorded(path: Path, duration_s: float) -> Path:
    """White noise with a click at every turn of a run that slows down."""
    rng = np.random.default_rng(1)
    sound = rng.standard_normal(int(duration_s * RATE_HZ), dtype=np.float32) * np.float32(0.01)
    times = np.cumsum(0.2 * 1.0015 ** np.arange(3000))
    _add_clicks(sound, times, 0.1)
    return write_wav(path, sound, RATE_HZ)


def _noisy_clicks(path: Path, duration_s: float, snr_dB: float) -> np.ndarray:
    rng = np.random.default_rng(int(snr_dB))
    times = np.cumsum(rng.uniform(0.2, 0.6, int(duration_s)))
    times = times[times < duration_s - 0.1]
    sound = (rng.standard_normal(int(duration_s * RATE_HZ)) * 0.01).astype(np.float32)
    _add_clicks(sound, times, 0.01 * 10 ** (snr_dB / 20))
    write_wav(path, sound, RATE_HZ)
    return times


def _add_clicks(sound, times, peak) -> None:
    t = np.arange(500) / RATE_HZ
    burst = np.exp(-t / 0.0015) * np.sin(2 * np.pi * 3000 * t)
    burst *= peak / np.abs(burst).max()
    for at_s in times:
        first = int(at_s * RATE_HZ)
        if first + burst.size < sound.size:
            sound[first : first + burst.size] += burst.astype(np.float32)


def _by_scipy(recording) -> np.ndarray:
    """What one writes first: the whole file, a band-pass, its smoothed square, peaks above four times the median."""
    samples = np.fromfile(recording.path, "<i2", offset=44).astype(np.float32) / 32768
    band = signal.sosfilt(signal.butter(4, (1000, 6000), "bandpass", fs=RATE_HZ, output="sos"), samples)
    width = round(0.0015 * RATE_HZ)
    power = np.cumsum(band * band)
    power = power[width:] - power[:-width]
    peaks, _ = signal.find_peaks(power, height=4 * np.median(power), distance=round(0.02 * RATE_HZ))
    return peaks / RATE_HZ


def _f1(found, times) -> float:
    used = 0
    left = list(found)
    for at in times:
        near = [t for t in left if abs(t - at) < 0.005]
        if near:
            left.remove(min(near, key=lambda t: abs(t - at)))
            used += 1
    return 2 * used / (len(found) + len(times))


def _memory_mib(work) -> float:
    """Peak of the memory that numpy and Python asked for during the work."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 2**20


ITEMS = {"sound": clicks_and_level, "clicks": clicks_found}
