"""What a microphone beside the virtual apparatus would have recorded: rolling, a dry hub, a card that clicks.

Noise is shaped in the spectrum and grows in step with the speed. A dry hub adds a hiss between 1 and 6 kHz that swells
once a turn, and ticks at fixed places of the turn; both together make the whole `DRY_LOUDER_DB` louder, A-weighted, at
every speed. Everything is invented, and quiet: no sample passes half of full scale.
"""

from __future__ import annotations

import numpy as np

from .bench import Spin
from .sound_level import weighting_dB

__all__ = ["DRY_LOUDER_DB", "RATE_HZ", "recorded"]

RATE_HZ = 16_000  # the least that holds 1 to 6 kHz well
DRY_LOUDER_DB = 9.0
TICKS_AT = (0.05, 0.31, 0.44, 0.68, 0.87)  # places of the turn at which a dry hub ticks
CARD_AT = 0.3  # where the card is struck, in turns after the flag has passed the gate
_ROLLING = 0.002  # root mean square of the rolling noise at one turn a second, as a part of full scale
_TICKS_SHARE = 0.5  # of the power that a dry hub adds
_CARD = 0.25  # a click's first swing, as a part of full scale
_LOUDEST = 0.5


def recorded(
    spin: Spin,
    start_s: float,
    stop_s: float,
    random: np.random.RandomState,
    *,
    dry_hub: bool = False,
    card: bool = False,
    gain_dB: float = 0.0,
) -> np.ndarray:
    """The sound of a coasting run between two moments of the log's clock, (n,) within ±1 at `RATE_HZ`.

    `gain_dB`: how much nearer or farther the microphone was this time. The clock of the recorder is taken as exact.
    """
    time_s = start_s + np.arange(int((stop_s - start_s) * RATE_HZ)) / RATE_HZ
    speed, turns = spin.coasting_at(time_s)
    rolling = _ROLLING * _noise(time_s.size, _rolling_gain, random)
    sound = rolling * speed
    if dry_hub:
        hiss = _noise(time_s.size, _hiss_gain, random) * (1 + 0.6 * np.cos(2 * np.pi * turns))
        ticks = _struck(turns, TICKS_AT, swing_hz=3_400, decay_s=0.0012, random=random)
        added = _a_weighted_power(rolling) * (10 ** (DRY_LOUDER_DB / 10) - 1)
        for part, share in ((hiss, 1 - _TICKS_SHARE), (ticks, _TICKS_SHARE)):
            sound = sound + part * np.sqrt(share * added / _a_weighted_power(part)) * speed
    if card:
        sound = sound + _CARD * _struck(turns, (CARD_AT,), swing_hz=2_500, decay_s=0.0015, random=random)
    return np.clip(sound * 10 ** (gain_dB / 20), -_LOUDEST, _LOUDEST)


def _noise(n: int, gain, random) -> np.ndarray:
    """Gaussian noise of mean square 1 with a shaped spectrum."""
    spectrum = np.fft.rfft(random.standard_normal(n))
    shaped = np.fft.irfft(spectrum * gain(np.fft.rfftfreq(n, 1 / RATE_HZ)), n)
    return shaped / np.sqrt(np.mean(shaped**2))


def _rolling_gain(f: np.ndarray) -> np.ndarray:
    """Rumble whose power falls off as 1/f above 300 Hz, with little below 60 Hz."""
    return 1 / np.sqrt(np.sqrt(1 + (f / 300) ** 2) * (1 + (60 / np.maximum(f, 1)) ** 4))


def _hiss_gain(f: np.ndarray) -> np.ndarray:
    """Flat from 1 to 6 kHz, soft at the edges."""
    return 1 / np.sqrt((1 + (1_000 / np.maximum(f, 1)) ** 8) * (1 + (f / 6_000) ** 16))


def _struck(turns: np.ndarray, places, swing_hz: float, decay_s: float, random) -> np.ndarray:
    """A decaying swing every time the turning comes to one of these places; strengths scatter by a tenth."""
    sound = np.zeros(turns.size)
    t = np.arange(round(8 * decay_s * RATE_HZ)) / RATE_HZ
    for place in places:
        for turn in np.arange(np.ceil(turns[0] - place), turns[-1] - place):
            at = np.interp(turn + place, turns, np.arange(turns.size))
            first = int(np.ceil(at))
            late_s = (first - at) / RATE_HZ  # it begins between two samples
            burst = np.exp(-(t + late_s) / decay_s) * np.sin(2 * np.pi * swing_hz * (t + late_s))
            here = sound[first : first + t.size]
            here += burst[: here.size] * (1 + 0.1 * random.standard_normal())
    return sound


def _a_weighted_power(sound: np.ndarray) -> float:
    """A-weighted mean square."""
    f = np.fft.rfftfreq(sound.size, 1 / RATE_HZ)
    power = np.abs(np.fft.rfft(sound)) ** 2
    return float(2 * np.sum(power[1:] * 10 ** (weighting_dB(f[1:]) / 10)) / sound.size**2)
