"""How loud, and of what: frequency- and time-weighted sound level by IEC 61672-1:2013; third octaves, spectrogram.

Weighting is done on spectra with the analytic gain of the standard's Annex E, so it is as good at 8 kHz as at 80 Hz.
Without calibration 0 dB is the level of a sine that just fills the recorder's range ("full scale"): such levels may
be compared with one another only if recorder, place and gain stayed the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import KitError
from .recording import Recording, Spectra

__all__ = [
    "TIME_CONSTANTS_S",
    "Calibration",
    "calibrate",
    "level",
    "mean_level",
    "spectrogram",
    "third_octaves",
    "weighting_dB",
]

TIME_CONSTANTS_S = {"F": 0.125, "S": 1.0}
FULL_SCALE = 0.5  # mean square of a sine that just fills the range
CLIPPED = 0.999  # samples beyond this part of full scale have probably been cut
_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)  # IEC 61672-1 Annex E, equations E.1 to E.6
_BIN_S = 0.001  # squares are summed over this long before the time weighting; short against 0.125 s


def weighting_dB(frequency_hz: np.ndarray, weighting: str = "A") -> np.ndarray:
    """Frequency weighting A, C or Z in dB, 0 at 1 kHz (IEC 61672-1:2013 Annex E).

    Raises
    ------
    KitError : another weighting.
    """
    with np.errstate(divide="ignore"):
        return 20 * np.log10(_gain(np.asarray(frequency_hz, dtype=float), weighting))


def _gain(f: np.ndarray, weighting: str) -> np.ndarray:
    if weighting == "Z":
        return np.ones_like(f)
    if weighting not in ("A", "C"):
        raise KitError("There are three frequency weightings", found=weighting, fix='use "A", "C" or "Z"')

    def shape(f):
        f1, f2, f3, f4 = _POLES_HZ
        c = f**2 * f4**2 / ((f**2 + f1**2) * (f**2 + f4**2))
        return c if weighting == "C" else c * f**2 / np.sqrt((f**2 + f2**2) * (f**2 + f3**2))

    return shape(f) / shape(1000.0)


@dataclass(frozen=True)
class Calibration:
    """What must be added to a level relative to full scale to get decibels of sound pressure."""

    offset_dB: float
    tone_hz: float
    tone_dB: float
    source: str

    @property
    def sentence(self) -> str:
        """Where the decibels come from, for the screen."""
        return f"Calibrated with a tone of {self.tone_dB:g} dB at {self.tone_hz:.0f} Hz ({self.source})."


def level(
    recording: Recording,
    weighting: str = "A",
    time_weighting: str = "F",
    *,
    step_s: float = 0.02,
    calibration: Calibration | None = None,
    channel: int | None = None,
) -> pd.DataFrame:
    """Sound level against time.

    Parameters
    ----------
    weighting : "A", "C" or "Z".
    time_weighting : "F" (125 ms) or "S" (1 s).
    step_s : how often the level is read off.
    calibration : from `calibrate`; without it levels are relative to full scale.
    channel : of a stereo recording; None takes the mean of the samples of all.

    Returns
    -------
    DataFrame `time_s, level_dB` (−inf in digital silence) with `.attrs`: `reference` ("full scale" or "20 µPa"),
    `sentence` (the same for the screen), `weighting`, `time_weighting`, `equivalent_dB` (level of the mean square
    over the whole recording), `maximum_dB` and `clipped` (share of samples that fill the range: if not 0, the true
    level was higher).

    Raises
    ------
    KitError : another weighting or time weighting, or a step below a millisecond.
    """
    if time_weighting not in TIME_CONSTANTS_S:
        raise KitError("There are two time weightings", found=time_weighting, fix='use "F" or "S"')
    if not step_s >= _BIN_S:
        raise KitError(f"Levels can be read off every {_BIN_S} s at most", found=step_s)
    spectra = Spectra(recording, multiple=bin_width(recording), channel=channel)
    squares = Squares(spectra, weighting)
    for samples, blocks in spectra:
        squares.take(samples, blocks)
    return squares.levels(time_weighting, step_s, calibration)


def bin_width(recording: Recording) -> int:
    """Samples over which squares are summed: about 1 ms."""
    return max(1, round(_BIN_S * recording.sample_rate_hz))


class Squares:
    """Mean squares of the weighted samples in short bins, gathered from one group of blocks after the other.

    Parameters
    ----------
    spectra : keeps a whole number of `bin_width` of each block.
    """

    def __init__(self, spectra: Spectra, weighting: str = "A"):
        self.spectra, self.weighting = spectra, weighting
        self.width = bin_width(spectra.recording)
        self.gain = _gain(spectra.frequency_hz, weighting).astype(np.float32)
        self.squares: list[np.ndarray] = []
        self.clipped = 0  # samples

    def take(self, samples: np.ndarray, blocks: np.ndarray) -> None:
        """The next that `spectra` yields. Of the blocks nothing is left: whoever else needs them takes them before."""
        if max(samples.max(), -samples.min()) >= CLIPPED:
            self.clipped += int(np.count_nonzero(np.abs(samples) >= CLIPPED))
        weighted = self.spectra.filtered(blocks, self.gain).reshape(len(blocks), -1, self.width)
        self.squares.append(np.einsum("bij,bij->bi", weighted, weighted).reshape(-1))

    def levels(
        self, time_weighting: str = "F", step_s: float = 0.02, calibration: Calibration | None = None
    ) -> pd.DataFrame:
        """The table that `level` returns."""
        recording = self.spectra.recording
        squares = np.concatenate(self.squares)[: max(1, recording.frames // self.width)].astype(float)
        squares /= self.width * FULL_SCALE
        bin_s = self.width / recording.sample_rate_hz
        weighted = _exponential(squares, bin_s / TIME_CONSTANTS_S[time_weighting])
        every = max(1, round(step_s / bin_s))
        shown = weighted[every - 1 :: every]
        offset = calibration.offset_dB if calibration else 0.0
        table = pd.DataFrame(
            {"time_s": (np.arange(shown.size) + 1) * (every * bin_s), "level_dB": _decibels(shown) + offset}
        )
        table.attrs.update(
            reference="20 µPa" if calibration else "full scale",
            sentence=calibration.sentence if calibration else "Not calibrated: 0 dB is a sine that fills the range.",
            weighting=self.weighting,
            time_weighting=time_weighting,
            equivalent_dB=float(_decibels(squares.mean()) + offset),
            maximum_dB=float(_decibels(weighted.max()) + offset),
            clipped=self.clipped / recording.frames,
        )
        return table


def mean_level(levels_dB, weights=None) -> float:
    """Energy mean of levels: 10 lg of the mean of 10^(L/10)."""
    return float(10 * np.log10(np.average(10 ** (np.asarray(levels_dB, dtype=float) / 10), weights=weights)))


def calibrate(recording: Recording, tone_dB: float = 94.0, channel: int | None = None) -> Calibration:
    """Find the offset to sound pressure from a recording of a calibrator's tone.

    Raises
    ------
    KitError : the recording is not one steady tone (nine tenths of its power within a third of an octave, level
        steady to 1 dB), or it is clipped.
    """
    spectra = Spectra(recording, channel=channel)
    power = sum(np.sum(np.abs(blocks) ** 2, axis=0) for _, blocks in spectra)
    f = spectra.frequency_hz
    power[f < 20] = 0  # a calibrator is far above the rumble of the room
    tone_hz = float(f[np.argmax(power)])
    near = np.abs(np.log2(np.maximum(f, f[1]) / tone_hz)) < 1 / 6
    if power[near].sum() < 0.9 * power.sum():
        raise KitError("The recording is not one clear tone", file=recording.path, fix="hold the calibrator closer")
    table = level(recording, "Z", "F", channel=channel)
    if table.attrs["clipped"] > 0:
        raise KitError("The tone fills the recorder's range", file=recording.path, fix="turn the gain down")
    settled = table["level_dB"][table["time_s"] > 1.0]
    if settled.empty or settled.max() - settled.min() > 1.0:
        raise KitError("The tone is not steady", file=recording.path, fix="record at least three seconds of it")
    return Calibration(tone_dB - mean_level(settled), tone_hz, tone_dB, recording.path.name)


def _exponential(squares: np.ndarray, ratio: float) -> np.ndarray:
    """Exponential averaging, bin by bin: y ← y·q + (1 − q)·x, q = e^(−bin/τ), starting from silence.

    Worked out for a thousand bins at once: y_k = q^k·(y_0 + (1 − q)·Σ x_j·q^−j); q^−1000 stays below e^8.
    """
    q = np.exp(-ratio)
    growth = q ** np.arange(1, 1001)
    out, last = np.empty_like(squares), 0.0
    for start in range(0, squares.size, growth.size):
        x = squares[start : start + growth.size]
        g = growth[: x.size]
        out[start : start + x.size] = y = g * (last + (1 - q) * np.cumsum(x / g))
        last = y[-1]
    return out


def _decibels(mean_square) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return 10 * np.log10(mean_square)


# --- what a sound is made of: third-octave bands, spectrogram, and how noise-like it is ------------------------------


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

    Raises
    ------
    KitError : the part is too short for a spectrum.
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
