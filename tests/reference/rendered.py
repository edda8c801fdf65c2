"""Sound and pictures of a disc that slows down exactly as a law says, with all that disturbs them.

What a microphone or a camera would give. It shares nothing with the kit.

One torque at a time, f turns a second, n turns (elementary integrals, by hand):

    constant  df/dt = −k       f² = f0² − 2 k n         t = (f0 − f)/k
    linear    df/dt = −k f     f = f0 − k n             t = ln(f0/f)/k
    squared   df/dt = −k f²    f = f0 exp(−k n)         t = (1/f − 1/f0)/k
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

LAWS = ("constant", "linear", "squared")


@dataclass(frozen=True)
class Exact:
    """A run from `first` to `last` turns a second in so many turns."""

    law: str
    turns: float
    first: float = 4.0
    last: float = 0.8

    @property
    def k(self) -> float:
        f0, f1, n = self.first, self.last, self.turns
        return {"constant": (f0**2 - f1**2) / (2 * n), "linear": (f0 - f1) / n, "squared": np.log(f0 / f1) / n}[
            self.law
        ]

    def speed_after(self, n):
        """Turns a second after n turns."""
        f0, k = self.first, self.k
        if self.law == "constant":
            return np.sqrt(f0**2 - 2 * k * n)
        return f0 - k * n if self.law == "linear" else f0 * np.exp(-k * n)

    def time_at(self, f):
        """When the speed is f, s."""
        f0, k = self.first, self.k
        if self.law == "constant":
            return (f0 - f) / k
        return np.log(f0 / f) / k if self.law == "linear" else (1 / f - 1 / f0) / k

    def angle_at(self, t):
        """Turns at time t."""
        f0, k = self.first, self.k
        if self.law == "constant":
            return f0 * t - k * t**2 / 2
        return f0 / k * -np.expm1(-k * t) if self.law == "linear" else np.log1p(k * f0 * t) / k

    def passes_s(self, phase: float = 0.0) -> np.ndarray:
        """When the mark passes, once a turn."""
        return self.time_at(self.speed_after(np.arange(phase, self.turns, 1.0)))

    def duration_s(self, start_period_s: float, stop_period_s: float) -> float:
        return float(self.time_at(1 / stop_period_s) - self.time_at(1 / start_period_s))


def sound_of(rng, times_s, snr_dB: float, rate: int = 48_000, noise: float = 0.01, others_s=(), tone_hz=3000.0):
    """White noise with a decaying burst at each time; its peak over the noise's rms is `snr_dB`; (n,) within ±1."""
    times_s = np.asarray(times_s)
    sound = noise * rng.standard_normal(int((times_s[-1] + 0.6) * rate))
    k = np.arange(int(0.012 * rate))
    for at, tone, part in [*((t, tone_hz, 1.0) for t in times_s), *((t, 2200.0, 0.8) for t in others_s)]:
        first = int(np.ceil(at * rate))
        t = (first + k) / rate - at
        burst = np.exp(-t / 0.0015) * np.sin(2 * np.pi * tone * t)
        burst *= part * noise * 10 ** (snr_dB / 20) / np.abs(burst).max()
        stop = min(first + k.size, sound.size)
        sound[first:stop] += burst[: stop - first]
    return np.clip(sound, -1, 1)


def brightness_of(
    rng, exact: Exact, *, fps=30.0, mark=0.3, field=0.04, exposure=0.5, rolling=0.1, noise=2.0, dropped=0.0, phase=0.0
):
    """What a camera sees of a dark mark in a small field: (times (n,) s, brightness (n,) on a scale to 255).

    Parameters
    ----------
    mark, field : parts of a turn. exposure : part of a frame. rolling : part of a frame from the field's first row to
        its last one. noise : standard deviation of a field's brightness. dropped : share of frames that are missing.
    """
    end = float(exact.time_at(exact.last))
    times = np.arange(rng.uniform(0, 1 / fps), end, 1 / fps)
    times = times[rng.uniform(size=times.size) >= dropped]
    shutter, rows = np.meshgrid((np.arange(24) + 0.5) / 24 * exposure, (np.arange(6) + 0.5) / 6 * rolling)
    t = np.clip(times[:, None] - (shutter + rows).ravel() / fps, 0, end)
    angle = (exact.angle_at(t) + phase) % 1.0  # of the mark's front edge over the field's first edge
    covered = np.clip(np.minimum(angle, field) - np.maximum(angle - mark, 0), 0, None)
    return times, 200 - 140 * covered.mean(axis=1) / field + noise * rng.standard_normal(times.size)


def write_video(path, brightness, fps=30, width=160, height=120):
    """A film in plain YUV (YUV4MPEG2, 4:2:0): a square in the middle, two fifths of the width, is so bright."""
    side = 2 * width // 5
    left, top = (width - side) // 2, (height - side) // 2
    colour = np.full(width * height // 2, 128, np.uint8).tobytes()
    with Path(path).open("wb") as file:
        file.write(f"YUV4MPEG2 W{width} H{height} F{fps}:1 Ip A1:1 C420jpeg\n".encode())
        for value in brightness:
            picture = np.full((height, width), 90, np.uint8)
            picture[top : top + side, left : left + side] = np.clip(round(float(value)), 0, 255)
            file.write(b"FRAME\n" + picture.tobytes() + colour)
