"""What a sound is made of: third-octave bands, spectrogram, and how noise-like it is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .errors import KitError
from .sound import Recording
from .sound_level import FULL_SCALE, weighting_dB

__all__ = ["spectrogram", "third_octaves"]


def third_octaves(
    recording: Recording, start_s: float = 0.0, stop_s: float | None = None, weighting: str = "Z"
) -> pd.DataFrame:
    """Level in third-octave bands, relative to full scale.

    Bands lie between 25 Hz and 16 kHz, exact mid-band frequencies 1000·10^(k/10) Hz (IEC 61260-1), edges a tenth of
    a decade apart. The power spectrum is that of Hann-windowed pieces of 0.37 s or so, half overlapping (Welch 1967).

    Returns
    -------
    DataFrame `middle_hz, level_dB` (−inf for an empty band). `.attrs["flatness"]`: geometric over arithmetic mean of
    the power spectrum between 1 and 6 kHz (or what the recording holds of it); near 0 for a few pure tones, 0.56 for
    noise from one piece and near 1 for noise over many.
    """
    rate = recording.sample_rate_hz
    first = int(max(start_s, 0) * rate)
    last = recording.frames if stop_s is None else min(int(stop_s * rate), recording.frames)
    size = 1 << int(np.log2(0.4 * rate))
    if last - first < size:
        raise KitError(f"A spectrum needs at least {size / rate:.2f} s of sound", file=recording.path)
    window = _hann(size)
    pieces, power = 0, np.zeros(size // 2 + 1)
    for at in range(first, last - size + 1, size // 2):
        power += np.abs(np.fft.rfft(recording.samples(at, at + size) * window)) ** 2
        pieces += 1
    power *= 2 / (pieces * size * np.sum(window**2) * FULL_SCALE)  # mean square, shared out over the lines
    f = np.arange(power.size) * rate / size
    weighted = power * 10 ** (weighting_dB(np.maximum(f, f[1]), weighting) / 10)
    middle = 1000 * 10 ** (np.arange(-16, 13) / 10)
    middle = middle[middle * 10**0.05 < rate / 2]
    # a line of the spectrum that straddles an edge is shared between both bands
    cumulated = np.concatenate([[0.0], np.cumsum(weighted)])
    edges = np.concatenate([middle * 10**-0.05, [middle[-1] * 10**0.05]])
    bands = np.diff(np.interp(edges * size / rate + 0.5, np.arange(cumulated.size), cumulated))
    with np.errstate(divide="ignore"):
        table = pd.DataFrame({"middle_hz": middle, "level_dB": 10 * np.log10(bands)})
    table.attrs["flatness"] = _flatness(power[(f >= 1000) & (f <= min(6000, 0.45 * rate))])
    return table


def spectrogram(
    recording: Recording, columns: int = 400, size: int = 2048
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level against time and frequency, for looking at.

    Returns
    -------
    times_s (c,), frequency_hz (size/2 + 1,), level_dB (size/2 + 1, c) of Hann-windowed pieces of `size` samples at
    evenly spaced times, relative to full scale; 200 dB below it where there is digital silence.
    """
    columns = max(1, min(columns, recording.frames // (size // 2) or 1))
    starts = np.linspace(0, max(recording.frames - size, 0), columns).astype(int)
    window = _hann(size)
    pieces = np.stack([recording.samples(s, s + size) for s in starts]) * window
    power = np.abs(np.fft.rfft(pieces, axis=1)).T ** 2 * (4 / window.sum() ** 2)  # a full-scale sine has power 1
    level_dB = 10 * np.log10(np.maximum(power, 1e-20))  # the floor is the bottom of the colour scale
    return (starts + size / 2) / recording.sample_rate_hz, np.fft.rfftfreq(size, 1 / recording.sample_rate_hz), level_dB


def _hann(size: int) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)


def _flatness(power: np.ndarray) -> float:
    if power.size == 0 or power.min() <= 0:
        return 0.0
    return float(np.exp(np.mean(np.log(power))) / np.mean(power))
