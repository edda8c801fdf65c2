"""Run by hand: how fast ten minutes of sound are read, levelled and searched for clicks, and in how much memory.

    python tests/benchmarks/bench_sound.py

Prints medians of interleaved repeats, as multiples of real time, beside the floor (reading the file and one spectrum
of every block), and the memory each needs beyond what the process held before.
"""

from __future__ import annotations

import tempfile
import time
import tracemalloc
from pathlib import Path
from statistics import median

import numpy as np

from kit.clicks import find_clicks
from kit.sound import Spectra, read_sound, write_wav
from kit.sound_level import level

RATE_HZ, DURATION_S, REPEATS = 44_100, 600, 7

JOBS = {
    "read and transform only (floor)": lambda recording: sum(1 for _ in Spectra(recording)),
    "A-weighted level": level,
    "clicks": find_clicks,
}


def memory_mib(job, recording) -> float:
    """Peak of the memory that numpy and Python asked for during a job, MiB."""
    tracemalloc.start()
    job(recording)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 2**20


def ten_minutes(path: Path) -> Path:
    """White noise with a click at every turn of a run that slows down."""
    rng = np.random.default_rng(1)
    sound = rng.standard_normal(DURATION_S * RATE_HZ, dtype=np.float32) * np.float32(0.01)
    t = np.arange(500) / RATE_HZ
    burst = 0.1 * np.exp(-t / 0.0015) * np.sin(2 * np.pi * 3000 * t)
    for at_s in np.cumsum(0.2 * 1.0015 ** np.arange(3000)):
        first = int(at_s * RATE_HZ)
        if first + burst.size < sound.size:
            sound[first : first + burst.size] += burst.astype(np.float32)
    return write_wav(path, sound, RATE_HZ)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        long = ten_minutes(Path(folder) / "long.wav")
        recording = read_sound(long)
        wall: dict[str, list[float]] = {name: [] for name in JOBS}
        busy: dict[str, list[float]] = {name: [] for name in JOBS}
        for _ in range(REPEATS):
            for name, job in JOBS.items():
                start, start_busy = time.perf_counter(), time.process_time()
                job(recording)
                wall[name].append(time.perf_counter() - start)
                busy[name].append(time.process_time() - start_busy)
        for name, job in JOBS.items():
            print(
                f"{name:32s} {median(wall[name]):6.3f} s = {DURATION_S / median(wall[name]):6.0f} × real time; "
                f"processor {median(busy[name]):6.3f} s = {DURATION_S / median(busy[name]):6.0f} ×; "
                f"memory {memory_mib(job, recording):5.1f} MiB"
            )


if __name__ == "__main__":
    main()
