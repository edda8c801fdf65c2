"""Clicks in a recording, found as sudden rises of a band's power; and a run made of them.

A block's spectrum is cut down to one band and brought back as a complex envelope of few samples (so this costs little
more than the spectrum itself). A click is a moment at which the power of the next few milliseconds exceeds that of the
last few by more than the noise of the moment explains. The threshold follows the noise: it is a multiple of the
lower quartile of the power nearby, chosen so that steady noise alone gives hardly one false click in ten minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import lcm

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run
from .level import Calibration, Squares, bin_width
from .recording import Recording, Spectra

__all__ = ["Clicks", "click_settings", "find_clicks", "level_and_clicks", "run_from_clicks", "timing_scatter"]

BAND_HZ = (1_000.0, 6_000.0)  # where a card or a dry hub clicks; hands, voices and rumble lie mostly below
WINDOW_S = 0.0015  # power before and after is compared over this long
FALSE_ONE_IN_S = 1_000.0
ECHO_DB, ECHO_FALL_DB_PER_S = -4.0, 40.0  # an echo is weaker than this against its click, and dies away at least so
_NEIGHBOURHOOD_S = 0.25  # over which the noise is taken as steady
CLOCK_U = 1e-4  # relative standard uncertainty of a phone's or sound card's clock: they keep to 0.01 %


@dataclass(frozen=True, eq=False)
class Clicks:
    """Clicks found in a recording."""

    times_s: np.ndarray  # (n,) moment at which each click sets in, from the start of the recording
    strength_dB: np.ndarray  # (n,) its power over the noise around it, in the band
    band_hz: tuple[float, float]
    recording: Recording

    def between(self, start_s: float, stop_s: float) -> Clicks:
        """Only the clicks from `start_s` to `stop_s`."""
        kept = (self.times_s >= start_s) & (self.times_s <= stop_s)
        return replace(self, times_s=self.times_s[kept], strength_dB=self.strength_dB[kept])


def find_clicks(
    recording: Recording,
    band_hz: tuple[float, float] = BAND_HZ,
    *,
    min_gap_s: float = 0.02,
    channel: int | None = None,
) -> Clicks:
    """Find the clicks of a recording.

    Parameters
    ----------
    band_hz : where clicks stand out most; its upper end is brought below half the sample rate.
    min_gap_s : of two rises closer than this only the stronger is a click.

    The noise is assumed to be Gaussian and steady over a quarter of a second within the band; clicks to fill less
    than three quarters of the time.

    Raises
    ------
    KitError : a band that does not fit the recording.

    >>> import kit
    >>> recording = kit.read_sound("datasets_demo/coasting_disc/claims/hub/sound/magnets-08_dry_trial-1.wav")
    >>> clicks = kit.find_clicks(recording)
    >>> clicks.times_s.size, f"{clicks.times_s[0]:.3f} s"
    (49, '0.011 s')
    """
    spectra = Spectra(recording, guard_s=0.03, multiple=_steps(recording.sample_rate_hz, band_hz)[0], channel=channel)
    power = _BandPower(spectra, band_hz)
    for _, blocks in spectra:
        power.take(blocks)
    return power.clicks(min_gap_s)


def level_and_clicks(recording: Recording, calibration: Calibration | None = None) -> tuple[pd.DataFrame, Clicks]:
    """What `kit.sound.level.level` and `find_clicks` say of a recording, from one spectrum of each block for both.

    Raises
    ------
    KitError : a sample that is not a number, or a file that became shorter.
    """
    multiple = lcm(bin_width(recording), _steps(recording.sample_rate_hz, BAND_HZ)[0])
    spectra = Spectra(recording, multiple=multiple)
    power, squares = _BandPower(spectra, BAND_HZ), Squares(spectra)
    for samples, blocks in spectra:
        power.take(blocks)
        squares.take(samples, blocks)
    return squares.levels(calibration=calibration), power.clicks()


def run_from_clicks(
    recording: Recording,
    *,
    clicks_per_turn: int = 1,
    conditions: Mapping[str, float | str] | None = None,
    trial: int = 1,
    start_s: float = 0.0,
    stop_s: float = float("inf"),
    band_hz: tuple[float, float] = BAND_HZ,
) -> Run:
    """A run from the recording of something that clicks at every turn, such as a card that a peg strikes.

    The result is like a run from a gate log: false and missed clicks still have to be looked for with
    `Run.repaired`. Its note states the timing uncertainty: the scatter of single clicks, and the relative
    uncertainty of the recorder's clock, which no repetition averages away.

    Parameters
    ----------
    clicks_per_turn : how often it clicks in one turn.
    conditions, trial : as for any run.
    start_s, stop_s : part of the recording to use, without talking before and after.

    Raises
    ------
    KitError : fewer than three clicks.
    """
    clicks = find_clicks(recording, band_hz).between(start_s, stop_s)
    if clicks.times_s.size < 3:
        raise KitError(
            "There are fewer than three clicks in the recording",
            file=recording.path,
            found=clicks.times_s.size,
            fix="hold the microphone closer to the card, or choose another band",
        )
    scatter_s = timing_scatter(clicks.times_s)
    known = f"{1000 * scatter_s:.2g} ms" if np.isfinite(scatter_s) else "unknown"
    note = f"Timed by clicks: standard uncertainty of each {known}, of the clock {100 * CLOCK_U:g} % of a duration."
    return Run(
        pass_times_s=clicks.times_s,
        conditions=dict(conditions or {}),
        flags_per_turn=clicks_per_turn,
        trial=trial,
        source=recording.path.name,
        sound=recording.path.name,
        note=note,
    )


def timing_scatter(times_s: np.ndarray) -> float:
    """Standard deviation of single click times about a smooth run, s; NaN with fewer than six clicks.

    From third differences, in which a steadily changing period drops out: their variance is 20 σ². The median
    absolute one is taken, so that a missed or a false click does not count. Assumes independent normal scatter.
    """
    third = np.diff(times_s, 3)
    return float(np.median(np.abs(third)) / 0.6744898 / np.sqrt(20)) if third.size >= 3 else float("nan")


def click_settings(
    sample_rate_hz: int, band_hz: tuple[float, float] = BAND_HZ, min_gap_s: float = 0.02
) -> dict[str, float]:
    """All numbers of the detector at a sample rate, for one that hears clicks as they come (click_finder.js).

    `fewer` samples make a moment, `reach` moments a window, `piece` moments a piece of noise; `factor` and `quartile`
    are multiples of the mean noise power; `least` is the power of what 16 bits can't resolve.
    """
    fewer, reach = _steps(sample_rate_hz, band_hz)
    rate = sample_rate_hz / fewer
    k = _independent(rate, reach, band_hz)
    return {
        "rate": sample_rate_hz,
        "fewer": fewer,
        "reach": reach,
        "low": band_hz[0],
        "high": _within(sample_rate_hz, band_hz)[1],
        "factor": _threshold(rate, reach, band_hz),
        "quartile": _quartile(k),
        "least": 2.0**-30 / 12,
        "min_gap_s": min_gap_s,
        "echo_dB": ECHO_DB,
        "fall_dB_per_s": ECHO_FALL_DB_PER_S,
        "piece": _piece(rate),
    }


def _within(rate_hz: float, band_hz: tuple[float, float]) -> tuple[float, float]:
    """What a recording of that rate holds of a band. KitError if that is nothing."""
    low, high = band_hz[0], min(band_hz[1], 0.45 * rate_hz)
    if not 0 < low < high:
        raise KitError("The band does not fit the recording", found=band_hz, fix=f"stay below {0.45 * rate_hz:.0f} Hz")
    return low, high


def _steps(rate_hz: float, band_hz: tuple[float, float]) -> tuple[int, int]:
    """One value is kept of so many samples; so many values make a window. Raises as `_within`."""
    low, high = _within(rate_hz, band_hz)
    fewer = 1 << int(np.log2(rate_hz / (high - low)))
    return fewer, max(1, round(WINDOW_S * rate_hz / fewer))


def _piece(rate: float) -> int:
    return max(16, round(_NEIGHBOURHOOD_S * rate))


def _quartile(k: float) -> float:
    """The lower quartile of a mean of k exponential variables, as a part of their mean."""
    from scipy.special import gammaincinv

    return float(gammaincinv(k, 0.25) / k)


class _BandPower:
    """Mean power of a band during WINDOW_S from each moment on, gathered from one group of blocks after the other.

    Parameters
    ----------
    spectra : keeps a whole number of moments of each block (`_steps`).
    """

    def __init__(self, spectra: Spectra, band_hz: tuple[float, float]):
        self.recording, self.band_hz = spectra.recording, band_hz
        fewer, self.reach = _steps(self.recording.sample_rate_hz, band_hz)
        self.rate = self.recording.sample_rate_hz / fewer
        points = Spectra.SIZE // fewer
        low, high = _within(self.recording.sample_rate_hz, band_hz)
        chosen = np.flatnonzero((spectra.frequency_hz >= low) & (spectra.frequency_hz <= high))
        self.lines = slice(chosen[0], chosen[-1] + 1)
        # so scaled, a sine of amplitude 1 has the power ½
        self.gain = (_taper(chosen.size) * np.sqrt(2) * points / Spectra.SIZE).astype(np.float32)
        self.place = np.empty((Spectra.TOGETHER, points), dtype=np.complex64)  # of the band, then of its envelope
        self.guard, self.step = spectra.guard // fewer, spectra.kept // fewer
        self.after = np.empty(-(-self.recording.frames // fewer), dtype=np.float32)
        self.filled = 0

    def take(self, blocks: np.ndarray) -> None:
        """The next spectra."""
        from scipy.fft import ifft

        band = self.place[: len(blocks)]
        np.multiply(blocks[:, self.lines], self.gain, out=band[:, : self.gain.size])
        band[:, self.gain.size :] = 0
        envelope = ifft(band, overwrite_x=True)[:, self.guard :]
        power = envelope.real * envelope.real
        power += envelope.imag * envelope.imag
        means = power[:, : self.step].copy()
        for later in range(1, self.reach):
            means += power[:, later : later + self.step]
        means /= self.reach
        means = means.reshape(-1)
        part = self.after[self.filled : self.filled + means.size]
        part[:] = means[: part.size]
        self.filled += part.size

    def clicks(self, min_gap_s: float = 0.02) -> Clicks:
        """What `find_clicks` returns, after the last block."""
        after, rate, reach, band_hz = self.after, self.rate, self.reach, self.band_hz
        edges, noise = _noise(after, rate, _independent(rate, reach, band_hz), self.recording)
        factor = _threshold(rate, reach, band_hz)
        places, rises = [], []
        minute = round(60 * rate)
        for start in range(0, after.size, minute):  # in pieces: the difference is never there as a whole
            place, rise = _peaks(after, start, start + minute, reach, factor * noise.min())
            enough = after[place] > factor * np.interp(place, edges, noise)
            places.append(place[enough])
            rises.append(rise[enough])
        place, rise = np.concatenate(places), np.concatenate(rises)
        kept = _without_echoes(place, rise[:, 1], rate, min_gap_s)
        place, (before, at, behind) = place[kept], rise[kept].T
        vertex = (before - behind) / (2 * (before - 2 * at + behind))  # top of the parabola, within ± ½
        strength_dB = 10 * np.log10(after[place] / np.interp(place, edges, noise))
        return Clicks((place + vertex) / rate, strength_dB, band_hz, self.recording)


def _peaks(after: np.ndarray, start: int, stop: int, reach: int, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Where power rises most and then exceeds `least`: positions (m,), rises there and at both neighbours (m, 3)."""
    first, last = max(start - 1, reach), min(stop + 1, after.size)
    rise = after[first:last] - after[first - reach : last - reach]
    at = rise[1:-1]
    top = 1 + np.flatnonzero((after[first + 1 : last - 1] > least) & (at >= rise[:-2]) & (at > rise[2:]))
    return first + top, np.stack([rise[top - 1], rise[top], rise[top + 1]], axis=1).astype(float)


def _taper(n: int) -> np.ndarray:
    """Gain across the band: flat, with quarter-wave edges an eighth of the band wide, so that nothing rings in time."""
    f = (np.arange(n) + 0.5) / n
    return np.sin(np.pi / 2 * np.clip(8 * np.minimum(f, 1 - f), 0, 1))


def _independent(rate: float, reach: int, band_hz) -> float:
    """How many independent exponential variables a mean of `reach` powers is worth in steady Gaussian noise."""
    width = min(band_hz[1] - band_hz[0], rate)
    # power spectrum of the filter → correlation of the envelope; its squared modulus is that of the power
    f = (np.arange(512) + 0.5) / 512
    shape = _taper(f.size) ** 2
    lags = np.arange(-reach + 1, reach) / rate
    rho = np.abs(np.exp(2j * np.pi * np.outer(lags, f * width)) @ shape) / shape.sum()
    weight = (reach - np.abs(np.arange(-reach + 1, reach))) / reach**2
    return float(1 / np.sum(weight * rho**2))


def _threshold(rate: float, reach: int, band_hz) -> float:
    """Multiple of the mean noise power that steady noise exceeds once in FALSE_ONE_IN_S (a gamma distribution)."""
    from scipy.special import gammainccinv

    k = _independent(rate, reach, band_hz)
    return float(gammainccinv(k, WINDOW_S / (k * FALSE_ONE_IN_S)) / k)  # k independent moments in every window


def _noise(after: np.ndarray, rate: float, k: float, recording: Recording) -> tuple[np.ndarray, np.ndarray]:
    """Mean noise power, from the lower quartile of short pieces (clicks do not reach it): their middles and values.

    Digital silence for more than a quarter of a piece (a microphone that wakes up, a hole) tells nothing of the noise:
    the piece before stands for it, or at the beginning the first one that has sound. The piece before stands for a last
    one that is too short to tell, too, where the sound is cut off.
    """
    piece = _piece(rate)
    starts = np.arange(0, after.size, piece)
    quartile = [np.partition(p := after[e : e + piece], p.size // 4)[p.size // 4] for e in starts]
    if len(quartile) > 1 and after.size - starts[-1] < piece / 2:
        quartile[-1] = quartile[-2]
    mean = np.array(quartile) / _quartile(k)
    least = recording.resolution**2 / 12  # a recording knows nothing below its last bit
    heard = np.flatnonzero(np.array(quartile) > least)
    if heard.size:
        mean = mean[heard[np.maximum(np.searchsorted(heard, np.arange(mean.size), side="right") - 1, 0)]]
    return starts + piece / 2, np.maximum(mean, least)


def _without_echoes(place: np.ndarray, rise: np.ndarray, rate: float, min_gap_s: float) -> list[int]:
    """Which peaks are clicks: of close ones the strongest, and none that its predecessor's echo may be."""
    kept: list[int] = []
    for i in range(place.size):
        if kept:
            gap_s = (place[i] - place[kept[-1]]) / rate
            if gap_s < min_gap_s:
                if rise[i] > rise[kept[-1]]:
                    kept[-1] = i
                continue
            if rise[i] < rise[kept[-1]] * 10 ** ((ECHO_DB - ECHO_FALL_DB_PER_S * gap_s) / 10):
                continue
        kept.append(i)
    return kept
