"""What the page measures itself: how near to an exact run coasting times come by its microphone and its camera.

Sound and pictures are rendered from runs whose coasting time is known in closed form (`tests.reference.rendered`): each
of three drags, some 5 to 50 turns between the thresholds.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from kit import KitError, Run, find_clicks, measure, read_sound
from kit.sound.recording import write_wav
from kit.sources.camera import SampleReader
from tests.benchmarks.race import Row
from tests.reference.rendered import LAWS, Exact, brightness_of, sound_of

__all__ = ["ITEMS"]

START_S, STOP_S = 0.3, 1.0
TURNS = (8, 12, 25, 60)  # of the whole run
WIDE = {"field": 0.2, "mark": 0.35, "noise": 0.7}  # a field and a mark as the page advises

SOUNDS = {
    "quiet room, clicks at 20 dB": {"snr_dB": 20.0},
    "room noise, 10 dB": {"snr_dB": 10.0},
    "room noise, 6 dB": {"snr_dB": 6.0},
    "20 dB and a second clicker, twice a second": {"snr_dB": 20.0, "second": True},
}
PICTURES = {
    "half a frame exposed": {},
    "a whole frame exposed": {"exposure": 1.0},
    "a twentieth of a frame exposed": {"exposure": 0.05, "rolling": 0.02},
    "three times the noise": {"noise": 2.0},
    "3 frames of 100 dropped": {"dropped": 0.03},
    "narrow field, sharp edges": {"field": 0.04, "noise": 2.0},
}


def by_microphone(small: bool) -> list[Row]:
    """Durations from clicks."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clicks.wav"

        def run_of(rng, exact, snr_dB, second=False):
            times_s = rng.uniform(0.5, 0.8) + exact.passes_s(rng.uniform())
            others_s = np.arange(rng.uniform(0, 0.5), times_s[-1], 0.5) if second else ()
            write_wav(path, sound_of(rng, times_s, snr_dB, others_s=others_s), 48_000)
            return Run(find_clicks(read_sound(path)).times_s).repaired()

        return _rows("microphone", SOUNDS, run_of, 1e3, "ms", "≤ 2", small)


def by_camera(small: bool) -> list[Row]:
    """Durations from the brightness of a field, at 30 frames a second."""

    def run_of(rng, exact, **how):
        times_s, levels = brightness_of(rng, exact, phase=rng.uniform(), **(WIDE | how))
        reader = SampleReader()
        reader.feed(b"".join(b"%d;%.3f\n" % (round(1e6 * t), b) for t, b in zip(times_s, levels, strict=True)))
        reader.finish()
        return replace(Run(reader.times_s()).repaired(), timing_u_s=reader.timing_u_s)

    return _rows("camera", PICTURES, run_of, 30.0, "frames", "≤ 0.05", small)


def _rows(name: str, cases: dict[str, dict], run_of: Callable[..., Run], scale, unit, goal, small: bool) -> list[Row]:
    rows = []
    for words, how in cases.items():
        rng = np.random.default_rng(11)
        off, u, wrong, tried = [], [], 0, 0
        for turns in TURNS[-1:] if small else TURNS:
            for law in LAWS * (1 if small else 12):
                exact = Exact(law, turns, last=0.6)
                tried += 1
                try:
                    row = measure([run_of(rng, exact, **how)], START_S, STOP_S, rule="best").iloc[0]
                except KitError:  # too few passes
                    continue
                if row["outcome"] == "not counted":
                    continue
                off.append(row["duration_s"] - exact.duration_s(START_S, STOP_S))
                u.append(row["duration_u_s"])
                wrong += row["outcome"] == "counted" and abs(off[-1]) > max(5 * u[-1], 0.01 * row["duration_s"])
        note = f"{len(off)} of {tried} runs counted, {wrong} of them silently wrong"
        if off:
            held = 100 * np.mean(np.abs(off) <= 2 * np.array(u))
            rows.append(
                Row(f"{name}, {words}: error", scale * float(np.median(np.abs(off))), unit, goal=goal, note=note)
            )
            rows.append(Row("  outside ± 2 u", 100 - float(held), "%", goal="3 … 7"))
        else:
            rows.append(Row(f"{name}, {words}: error", None, unit, goal=goal, note=note))
    return rows


ITEMS = {"microphone": by_microphone, "camera": by_camera}
