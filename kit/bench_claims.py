"""The runs behind a lesson's claims, made on the virtual bench: tilted or upright, greased or dry, with recordings.

Every session is a folder of its own with a `runs.csv`: each setting under each condition once a round, every round in
a new random order. Everything is invented, and every file says so or stands beside one that does.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from .bench import APPARATUS, INVENTED, Apparatus, csv_text, log_text, simulate, write_new
from .bench_sound import RATE_HZ, recorded
from .drag import DragLaw
from .errors import KitError
from .sound import write_wav

__all__ = ["SESSIONS", "ClaimSession", "claim_files", "write_claim_data"]

PUSH_TURNS_PER_S = (4.7, 6.0)  # fast enough for a recording to begin before the start threshold
HEARD_BEFORE_S = 0.5  # a recording begins this long before it is as slow as its first speed: the meter has to settle
DISTANCE_DB = 0.5  # how the microphone's place changes the level from run to run, standard deviation


@dataclass(frozen=True)
class Heard:
    """Which runs of a session are recorded, and between which speeds."""

    counts: tuple[int, ...]
    trials: int
    fastest_turns_per_s: float
    slowest_turns_per_s: tuple[float, ...]  # one a count
    card: bool = False


@dataclass(frozen=True)
class ClaimSession:
    """A session that answers one claim: every count with every tilt and every hub, so many trials."""

    folder: str
    counts: tuple[int, ...]
    tilts_deg: tuple[float, ...] = (0.0,)
    hubs: tuple[str, ...] = ("greased",)
    trials: int = 4  # three of each in one condition could never reach 5 % by shuffling
    seed_step: int = 0
    heard: Heard | None = None

    def settings(self) -> list[tuple[int, float, str]]:
        """Every combination of count, tilt and hub."""
        return list(product(self.counts, self.tilts_deg, self.hubs))


_TILT, _HUB = (0.0, 3.0), ("greased", "dry")
SESSIONS: dict[str, tuple[ClaimSession, ...]] = {
    "coasting_disc": (
        ClaimSession("claims/level", (0, 1, 8), tilts_deg=_TILT, seed_step=101),
        ClaimSession("claims/hub", (0, 1, 8), hubs=_HUB, seed_step=102, heard=Heard((1, 8), 3, 4.0, (3.1, 2.4))),
        ClaimSession("claims/card", (6,), trials=1, seed_step=103, heard=Heard((6,), 1, 4.0, (0.75,), card=True)),
    ),
    "felt_brake": (ClaimSession("claims/level", (0, 3), tilts_deg=_TILT, seed_step=101),),
    "card_vanes": (ClaimSession("claims/level", (0, 4), tilts_deg=_TILT, seed_step=101),),
}


def write_claim_data(apparatus: str, folder: str | Path, seed: int) -> list[Path]:
    """Write the sessions behind a lesson's claims below its folder; return the paths.

    The same seed writes the same bytes. Raises KitError as `kit.bench.write_lesson_data` does.
    """
    if apparatus not in SESSIONS:
        raise KitError("The bench has no claims for this apparatus", found=apparatus, fix=f"one of: {list(SESSIONS)}")
    files = {}
    for session in SESSIONS[apparatus]:
        found = claim_files(APPARATUS[apparatus], session, seed)
        files |= {f"{session.folder}/{name}": content for name, content in found.items()}
    return write_new(folder, files)


def claim_files(kind: Apparatus, session: ClaimSession, seed: int) -> dict:
    """The files of one session: name in its folder → text, or a function that writes the recording to a path."""
    random = np.random.RandomState(seed + session.seed_step)
    notice = INVENTED.format(seed=seed + session.seed_step)
    settings = session.settings()
    order = [(settings[i], t) for t in range(1, session.trials + 1) for i in random.permutation(len(settings))]
    columns = [kind.x]
    columns += ["tilt_deg"] if len(session.tilts_deg) > 1 else []
    columns += ["hub"] if len(session.hubs) > 1 else []
    files, rows = {}, []
    for place, ((count, tilt_deg, hub), trial) in enumerate(order, start=1):
        warmth = 1 + kind.warm_up * (place - 1) / max(len(order) - 1, 1)
        law = _scaled(
            kind.law(count, tilt_deg, dry_hub=hub == "dry"),
            np.exp(kind.drag_scatter * random.standard_normal()) / warmth,
        )
        spin = simulate(law, random.uniform(*PUSH_TURNS_PER_S), random)
        known = {kind.x: count, "tilt_deg": f"{tilt_deg:g}", "hub": hub}
        name = "_".join([f"{kind.x}-{count:02d}", *(f"{c[:4]}-{known[c]}" for c in columns[1:]), f"trial-{trial}"])
        name = name.replace("hub-", "")
        files[f"passes/{name}.csv"] = log_text(spin.run, notice)
        sound, start_s = "", ""
        heard = session.heard
        if heard and count in heard.counts and trial <= heard.trials:
            sound = f"sound/{name}.wav"
            begins_s = round(spin.when_as_slow_as(heard.fastest_turns_per_s) - HEARD_BEFORE_S, 3)
            ends_s = spin.when_as_slow_as(heard.slowest_turns_per_s[heard.counts.index(count)])
            samples = recorded(
                spin,
                begins_s,
                ends_s,
                random,
                dry_hub=hub == "dry",
                card=heard.card,
                gain_dB=DISTANCE_DB * random.standard_normal(),
            )
            start_s = f"{begins_s:.3f}"
            files[sound] = _writer(samples)
        conditions = [known[c] for c in columns]
        rows.append([f"passes/{name}.csv", *conditions, trial, place, 1, sound, start_s, "", ""])
    header = ["file", *columns, "trial", "order", "flags_per_turn", "sound", "sound_start_s", "set_aside", "note"]
    files["runs.csv"] = f"# {notice}\n" + csv_text(header, rows)
    return files


def _writer(samples: np.ndarray):
    return lambda path: write_wav(path, samples, RATE_HZ)


def _scaled(law: DragLaw, factor: float) -> DragLaw:
    return DragLaw(law.a * factor, law.b * factor, law.c * factor)
