"""The invented data of the demo lessons, made on the virtual bench: runs, those behind claims, recordings.

Every session is a folder with a `runs.csv`: each setting under each condition once a round, every round in a new random
order. The same seed makes the same bytes, and every file says that it is invented or stands beside one that does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

from ..errors import KitError
from ..logs.folder import LIST_NAME, csv_text, runs_list, write_files
from ..logs.log import log_text
from ..logs.run import Run
from ..motion.drag import TURN
from ..sound.level import weighting_dB
from ..sound.recording import write_wav
from .bench import INVENTED, Spin, simulate, true_stretch
from .faults import simulate_with_fault
from .setup import APPARATUS, Apparatus, Gate

__all__ = [
    "DRY_LOUDER_DB",
    "RATE_HZ",
    "SESSIONS",
    "ClaimSession",
    "claim_files",
    "recorded",
    "session",
    "write_claim_data",
    "write_lesson_data",
]


# --- a lesson's own runs ---------------------------------------------------------------------------------------------


def session(
    apparatus: Apparatus,
    seed: int,
    trials: int = 3,
    values: tuple[float, ...] | None = None,
    gate: Gate | None = None,
    faults: Sequence[str] = (),
) -> list[Run]:
    """All runs of a lesson: every condition once a round, each round in a new random order.

    Run-to-run spread multiplies the whole drag by a log-normal factor; over the session the spindle warms, so that
    the last run lasts `apparatus.warm_up` longer than it would have at first. Each of `faults` (keys of
    `kit.sources.setup.FAULTS`) spoils one run, whose note says so. Returned in the order they were made.

    Raises
    ------
    KitError : an unknown fault, or more of them than runs.
    """
    # RandomState: numpy promises never to change its stream, so a seed makes the same bytes for ever (NEP 19)
    random = np.random.RandomState(seed)
    values = apparatus.values if values is None else values
    order = [(value, trial) for trial in range(1, trials + 1) for value in random.permutation(values).tolist()]
    if len(faults) > len(order):
        raise KitError("There are fewer runs than faults", found=len(faults), fix=f"name at most {len(order)}")
    spoiled = dict(zip(np.random.RandomState(seed + 2).permutation(len(order)).tolist(), faults, strict=False))
    runs = []
    for done, (value, trial) in enumerate(order):
        warmth = 1 + apparatus.warm_up * done / max(len(order) - 1, 1)
        factor = np.exp(apparatus.drag_scatter * random.standard_normal()) / warmth
        law = apparatus.law(value).scaled(factor)
        push, fault = random.uniform(*apparatus.push_turns_per_s), spoiled.get(done, "")
        run = simulate_with_fault(fault, law, push, random, gate, seed=seed + 3 + done).run
        source = f"passes/{apparatus.x}-{value:02d}_trial-{trial}.csv"
        runs.append(replace(run, conditions={apparatus.x: float(value)}, trial=trial, source=source, order=done + 1))
    return runs


def write_lesson_data(apparatus: str, folder: str | Path, seed: int, faults: Sequence[str] = ()) -> list[Path]:
    """Write a lesson's invented data: `runs.csv`, `passes/*.csv` and `hand_counts.csv`; return the paths.

    The same seed writes the same bytes. Files that are there already are never overwritten. Each of `faults`, such as
    "hand in push" (`kit.sources.setup.FAULTS`), spoils one run, whose note in `runs.csv` says so.

    Raises
    ------
    KitError : an unknown apparatus or fault, or a file that would be overwritten.

    >>> import kit, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = kit.write_lesson_data("card_vanes", folder, seed=1)
    ...     print(len(paths), paths[0].name, len(kit.read_folder(folder, repairs=False)))
    17 vanes-03_trial-1.csv 15
    """
    if apparatus not in APPARATUS:
        raise KitError("The bench has no such apparatus", found=apparatus, fix=f"choose one of: {', '.join(APPARATUS)}")
    kind = APPARATUS[apparatus]
    runs = session(kind, seed, faults=faults)
    notice = INVENTED.format(seed=seed)
    files = {run.source: log_text(run, notice, places=5) for run in runs}
    files[LIST_NAME] = runs_list(runs)
    files["hand_counts.csv"] = f"# {notice}\n" + _hand_counts(kind, seed)
    return write_files(folder, files)


def _hand_counts(kind: Apparatus, seed: int) -> str:
    """An earlier session by hand, one run a condition: start and stop judged by eye, so a late and uneven click."""
    random = np.random.RandomState(seed + 1)
    rows = []
    for value in kind.values:
        duration_s, turns = true_stretch(kind.law(value), 0.25, 1.0)
        scatter = np.exp(kind.drag_scatter * random.standard_normal())
        late_s = 0.25 + 0.12 * random.standard_normal()
        rows.append(
            [
                value,
                f"{duration_s * scatter + late_s:.1f}",
                int(np.rint(turns * scatter + random.uniform(-0.5, 1))),
            ]
        )
    return csv_text([kind.x, "duration_s", "turns"], rows)


# --- what a microphone would have recorded: rolling, a dry hub, a card that clicks -----------------------------------

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
        hiss = _noise(time_s.size, _hiss_gain, random) * (1 + 0.6 * np.cos(TURN * turns))
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
            burst = np.exp(-(t + late_s) / decay_s) * np.sin(TURN * swing_hz * (t + late_s))
            here = sound[first : first + t.size]
            here += burst[: here.size] * (1 + 0.1 * random.standard_normal())
    return sound


def _a_weighted_power(sound: np.ndarray) -> float:
    """A-weighted mean square."""
    f = np.fft.rfftfreq(sound.size, 1 / RATE_HZ)
    power = np.abs(np.fft.rfft(sound)) ** 2
    return float(2 * np.sum(power[1:] * 10 ** (weighting_dB(f[1:]) / 10)) / sound.size**2)


# --- the runs behind a lesson's claims: tilted or upright, greased or dry, with recordings ---------------------------

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

    The same seed writes the same bytes.

    Raises
    ------
    KitError : an apparatus without claims, or a file that would be overwritten.
    """
    if apparatus not in SESSIONS:
        raise KitError("The bench has no claims for this apparatus", found=apparatus, fix=f"one of: {list(SESSIONS)}")
    files: dict[str, str | Callable[[Path], object]] = {}
    for session in SESSIONS[apparatus]:
        found = claim_files(APPARATUS[apparatus], session, seed)
        files |= {f"{session.folder}/{name}": content for name, content in found.items()}
    return write_files(folder, files)


def claim_files(kind: Apparatus, session: ClaimSession, seed: int) -> dict[str, str | Callable[[Path], object]]:
    """The files of one session: name in its folder → text, or a function that writes the recording to a path."""
    random = np.random.RandomState(seed + session.seed_step)
    notice = INVENTED.format(seed=seed + session.seed_step)
    settings = session.settings()
    order = [(settings[i], t) for t in range(1, session.trials + 1) for i in random.permutation(len(settings))]
    files: dict[str, str | Callable[[Path], object]] = {}
    runs = []
    for place, ((count, tilt_deg, hub), trial) in enumerate(order, start=1):
        warmth = 1 + kind.warm_up * (place - 1) / max(len(order) - 1, 1)
        factor = np.exp(kind.drag_scatter * random.standard_normal()) / warmth
        law = kind.law(count, tilt_deg, dry_hub=hub == "dry").scaled(factor)
        spin = simulate(law, random.uniform(*PUSH_TURNS_PER_S), random)
        conditions: dict[str, float | str] = {kind.x: float(count)}
        name = f"{kind.x}-{count:02d}"
        if len(session.tilts_deg) > 1:
            conditions["tilt_deg"] = tilt_deg
            name += f"_tilt-{tilt_deg:g}"
        if len(session.hubs) > 1:
            conditions["hub"] = hub
            name += f"_{hub}"
        name += f"_trial-{trial}"
        run = replace(spin.run, conditions=conditions, trial=trial, order=place, source=f"passes/{name}.csv")
        files[run.source] = log_text(run, notice, places=5)
        heard = session.heard
        if heard and count in heard.counts and trial <= heard.trials:
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
            run = replace(run, sound=f"sound/{name}.wav", sound_start_s=begins_s)
            files[run.sound] = partial(write_wav, samples=samples, sample_rate_hz=RATE_HZ)
        runs.append(run)
    columns = ("trial", "order", "flags_per_turn", "sound", "sound_start_s", "set_aside", "note")
    files[LIST_NAME] = runs_list(runs, notice, columns)
    return files
