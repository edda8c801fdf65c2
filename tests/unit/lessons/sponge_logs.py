"""Invented logs of a wheel with wet sponges, as two boxes write them: for tests of a lesson from own logs."""

from __future__ import annotations

from pathlib import Path

import numpy as np

import kit

SPONGES = (1, 2, 3, 4, 6)
TRIALS = (1, 2, 3)


def write_sponge_logs(folder: Path) -> Path:
    """Fifteen logs: one box writes milliseconds with semicolons, the other seconds with tabs and decimal commas."""
    folder.mkdir(parents=True)
    random = np.random.default_rng(5)
    for number, sponges in enumerate(SPONGES):
        for trial in TRIALS:
            law = kit.DragLaw(a=0.12 + 0.02 * sponges, b=0.012 + 0.022 * sponges).scaled(random.normal(1, 0.02))
            angles = 2 * np.pi * np.arange(400)
            times = law.time_at_angle(angles, 2 * np.pi * random.uniform(4.2, 5.0))
            times = times[np.isfinite(times)]
            times = times[: int(np.argmax(np.diff(times) > 1.6)) + 1] + 1.5 + 1e-4 * random.standard_normal()
            if number % 2:
                lines = ["Zeit (s)\tLichtschranke", *(f"{t:.4f}\t1".replace(".", ",") for t in times)]
                name = f"Sponge {sponges} run {trial}.txt"
            else:
                lines = ["gate box 2", "no;time_ms", *(f"{k};{1000 * t:.1f}" for k, t in enumerate(times, 1))]
                name = f"sponges-{sponges}_trial-{trial}.csv"
            (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder
