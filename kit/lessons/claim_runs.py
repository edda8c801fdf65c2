"""The runs behind a lesson's claim, measured by the group's own thresholds and, where recorded, by their sound.

    answered = ClaimRuns(progress, "level")
    answered.results, answered.claim(), answered.verdict(at=8)

What the last stage shows of them, tables and sentences, is made here too: none of it needs a widget.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.folder import read_folder
from ..logs.run import Run, with_repairs
from ..motion.speed import SpeedCurve, speed_curves
from ..motion.threshold import measure
from ..record.entries import Entry, Kind
from ..sound.clicks import CLOCK_U, run_from_clicks
from ..sound.level import level
from ..sound.recording import Recording, read_sound
from ..sound.with_run import compare_at_equal_speed, level_against_speed, level_at_speeds
from ..stats.claims import Claim, Verdict, compares_by_error, examine
from ..wording import case_of, count_of, join_words, number, plus_minus
from .lesson import OWN, SOUND_LEVEL
from .progress import USUAL, Progress, Thresholds

__all__ = ["ClaimRuns", "GateAndClicks", "OwnClaimRuns", "SameSpeed", "claim_evidence", "gate_and_clicks", "run_name"]

_BANDS = 4  # of speed, in a comparison at equal speed
_ORDER = "order"


@dataclass(frozen=True, eq=False)
class SameSpeed:
    """Recordings of two settings compared at the same speed."""

    table: pd.DataFrame  # as `kit.sound.with_run.compare_at_equal_speed` makes it, means over the recordings
    names: tuple[str, str]  # the two settings in words
    louder_dB: float  # second minus first
    louder_u_dB: float  # its standard uncertainty; NaN with a single recording
    durations_s: tuple[float, float]  # mean durations of the recorded runs

    @property
    def sentence(self) -> str:
        """What they show, in words."""
        first, second = self.names
        difference = plus_minus(abs(self.louder_dB), self.louder_u_dB, "dB")
        if abs(self.louder_dB) < 2 * self.louder_u_dB:
            sound = (
                f"At the same speed, {first} and {second} sound alike within what was measured ({difference} apart)."
            )
        else:
            way = "louder" if self.louder_dB > 0 else "quieter"
            sound = f"At the same speed, {second} is {difference} {way} than {first}."
        times = " and ".join(
            f"{number(s, 3)} s with {name}" for s, name in zip(self.durations_s, self.names, strict=True)
        )
        return f"{sound} Coasting time: {times}."

    @property
    def numbers(self) -> pd.DataFrame:
        """The table rounded, with headings in words: speed, both levels, their difference."""
        first, second = self.names
        table = self.table
        return pd.DataFrame(
            {
                "turns a second": table["turns_per_s"].map("{:.2f}".format),
                f"{first} (dB)": table["first_dB"].map("{:.1f}".format),
                f"{second} (dB)": table["second_dB"].map("{:.1f}".format),
                "difference (dB)": table["difference_dB"].map("{:.1f}".format),
            }
        )

    @property
    def levels_dB(self) -> tuple[float, float]:
        """The lowest and the highest level in the table."""
        levels = self.table[["first_dB", "second_dB"]].to_numpy()
        return float(levels.min()), float(levels.max())


class ClaimRuns:
    """One claim of a lesson, with the runs that answer it.

    Parameters
    ----------
    progress : where the group stands; its thresholds count here too.
    claim_id : id of one of the lesson's claims.
    others : runs of other claims, so that a folder which serves several is read once.
    """

    since = 0  # the entry from which on tests of it count: all

    def __init__(self, progress: Progress, claim_id: str, others: Iterable[ClaimRuns] = ()):
        self.progress, self.claim_id = progress, claim_id
        self.about = progress.lesson.claim(claim_id)
        self.folder = progress.lesson.folder / self.about.data
        self._source = next((other for other in others if other.folder == self.folder), None)
        self._results: tuple[Thresholds, pd.DataFrame] | None = None  # by what, and what came out

    @cached_property
    def curves(self) -> tuple[SpeedCurve, ...]:
        """Speed curves of all runs of the claim's folder."""
        return (
            self._source.curves if self._source else speed_curves(read_folder(self.folder, **self.progress.lesson.logs))
        )

    @property
    def runs(self) -> list[Run]:
        """The runs, in the order of the folder's list."""
        return [curve.run for curve in self.curves]

    @property
    def recorded(self) -> list[Run]:
        """Those runs that have a recording, sorted by their conditions."""
        found = [run for run in self.runs if run.sound]
        return sorted(found, key=lambda run: ([(isinstance(v, str), v) for v in run.conditions.values()], run.trial))

    @property
    def results(self) -> pd.DataFrame:
        """One row a run, as `measure` returns them, with `order`, and `sound_level_dB` if the claim needs it.

        Runs without a recording are left out where the claim is about sound.
        """
        table = self._measured().copy()
        if self.about.hears:
            table[SOUND_LEVEL] = [self._level_of(run) for run in self.runs]
            table = table[[bool(run.sound) for run in self.runs]].reset_index(drop=True)
        return table

    def _measured(self) -> pd.DataFrame:
        """The folder's runs by the group's thresholds, with `order`: measured again only where these have changed."""
        if self._source:
            return self._source._measured()
        thresholds = self.progress.thresholds
        if self._results is None or self._results[0] != thresholds:
            table = measure(self.curves, *thresholds)
            if all(run.order for run in self.runs):
                table[_ORDER] = [run.order for run in self.runs]
            self._results = thresholds, table
        return self._results[1]

    def claim(self) -> Claim:
        """The claim as `kit.stats.claims` takes it: per cent for what is above zero by nature, dB as they are."""
        about = self.about
        scale = "absolute" if about.quantity == SOUND_LEVEL else "relative"
        return Claim(
            about.statement, about.quantity, about.by, about.settings, within=about.within, scale=scale, order=_ORDER
        )

    def table(self, at: float | None = None) -> pd.DataFrame:
        """The results, or only those under one condition of the column that the claim holds fixed."""
        results = self.results
        if at is None:
            return results
        (column,) = self.about.within
        found = results[results[column] == at]
        if found.empty:
            raise KitError(
                "No run was made there", column=column, found=at, fix=f"one of {sorted(results[column].unique())}"
            )
        return found.reset_index(drop=True)

    def verdict(self, at: float | None = None) -> Verdict:
        """What the data say, without a screen."""
        return examine(self.claim(), self.table(at))

    @property
    def studentised(self) -> bool:
        """Whether the verdict compares shuffled worlds by their own standard errors. Raises as `verdict`."""
        return compares_by_error(self.claim(), self.table())

    def described(self, at: float | None = None) -> str:
        """How the runs were made, in a sentence or two, with no result in it."""
        table = self.table(at)
        about = self.about
        columns = [*about.within, *([about.by] if about.settings else [])]
        columns = columns or [name for name in self.runs[0].conditions if name in table.columns]
        parts = [
            join_words([case_of(column, value) for value in sorted(table[column].unique(), key=_words_last)])
            for column in columns
        ]
        mixed = " Their order was drawn by lot." if _ORDER in table else " Nobody noted their order."
        heard = " Each was recorded." if about.hears else ""
        return f"{count_of(len(table), 'run')}: {'; '.join(parts)}.{heard}{mixed}"

    # --- sound ----------------------------------------------------------------------------------------------------

    def recording(self, run: Run) -> Recording:
        """The recording of a run."""
        return read_sound(self.folder / run.sound)

    def loudest(self) -> float:
        """The largest sample in all recordings, as a share of full scale: what a common gain must allow for."""
        return max((float(np.abs(self.recording(run).samples()).max()) for run in self.recorded), default=0.0)

    def level(self, run: Run) -> pd.DataFrame:
        """Level and speed of a recorded run at the same moments."""
        return level_against_speed(level(self.recording(run)), run, run.sound_start_s)

    @cached_property
    def _levels(self) -> dict[str, pd.DataFrame]:
        return {run.source: self.level(run) for run in self.recorded}

    def _level_of(self, run: Run) -> float:
        return level_at_speeds(self._levels[run.source], *self._speeds()) if run.sound else float("nan")

    def _speeds(self) -> tuple[float, float]:
        if self.about.same_speed is None:
            raise KitError("This claim compares no recordings", found=self.about.id, fix="give it a same_speed")
        return self.about.same_speed

    def at_same_speed(self, **setting) -> SameSpeed:
        """Levels at equal speed under two settings: `at_same_speed(magnets=1, hub=("greased", "dry"))`.

        The one condition given as a pair differs, all others are held. Every recording of a setting counts equally.
        The uncertainty is from the scatter between recordings, taken as independent: one number a recording.
        """
        pairs = [name for name, value in setting.items() if isinstance(value, list | tuple)]
        if len(pairs) != 1 or len(setting[pairs[0]]) != 2:
            raise KitError("One condition must be a pair", found=setting, fix='for example hub=("greased", "dry")')
        (name,) = pairs
        slow, fast = self._speeds()
        edges = [slow + (fast - slow) * i / _BANDS for i in range(_BANDS + 1)]
        sides = [self._recorded_under(setting | {name: value}) for value in setting[name]]
        compared = [
            compare_at_equal_speed(self._levels[a.source], self._levels[b.source], edges)
            for a in sides[0]
            for b in sides[1]
        ]
        mean = pd.concat(compared).groupby("turns_per_s", as_index=False).mean()
        mean.attrs.update(compared[0].attrs)
        levels = [[self._level_of(run) for run in side] for side in sides]
        u_first, u_second = (np.std(v, ddof=1) / np.sqrt(len(v)) if len(v) > 1 else np.nan for v in levels)
        u = float(np.hypot(u_first, u_second))
        by_run = self._measured().set_index("source")["duration_s"]
        durations = [by_run[[run.source for run in side]] for side in sides]
        first, second = (case_of(name, value) for value in setting[name])
        return SameSpeed(
            mean,
            (first, second),
            float(np.mean(levels[1]) - np.mean(levels[0])),
            u,
            (float(durations[0].mean()), float(durations[1].mean())),
        )

    def _recorded_under(self, conditions: dict) -> list[Run]:
        found = [run for run in self.recorded if all(run.conditions.get(k) == v for k, v in conditions.items())]
        if not found:
            raise KitError("No run was recorded like this", found=conditions, fix=str(self.recorded[0].conditions))
        return found


# --- a claim of the group's own ------------------------------------------------------------------------------------


class OwnClaimRuns:
    """The runs a group made for a claim of its own, whichever way it made them, with the setting that each had.

    `settings` are the two that the group's plan names, empty texts as long as it names none. `labels` says by run which
    of them it had, "" for a run that has no part in it: as the group said, and before that as `suggested` has it.

    Raises
    ------
    KitError : a workbook that cannot be read.
    """

    claim_id = OWN

    def __init__(self, progress: Progress):
        self.progress = progress
        plan = progress.workbook.latest(Kind.CLAIM.of(OWN), {})
        self.statement = plan.get("claim", "")
        self.settings: tuple[str, str] = (plan.get("first", ""), plan.get("second", ""))
        self.matters = float(plan.get("matters_percent", 0)) or None  # per cent, as planned
        self.runs: list[Run] = progress.own.runs
        said = self.said[-1].value if self.said else {}
        self.quantity: str = said.get("quantity", "duration_s")
        self.labels: dict[str, str] = self.suggested | said.get("runs", {})

    @property
    def said(self) -> list[Entry]:
        """What the group said of its runs, as long as its plan has named these two settings; the latest last."""
        entries = self.progress.workbook.history(Kind.CLAIM_RUNS.of(OWN))
        return [entry for entry in entries if tuple(entry.value["settings"]) == self.settings]

    @property
    def suggested(self) -> dict[str, str]:
        """By run, which setting it seems to have had: its conditions name it, or it was made in the drawn order."""
        names = dict.fromkeys([name for run in self.runs for name in run.conditions])
        for name in names:
            values = {run.source: run.conditions.get(name, USUAL.get(name, "")) for run in self.runs}
            found = {source: next((s for s in self.settings if _is(s, v)), "") for source, v in values.items()}
            if all(self.settings) and set(self.settings) <= set(found.values()):
                return found
        drawn = self.progress.workbook.history(Kind.RUN_ORDER.of(OWN))[-1:]
        later = [run for run in self.runs if drawn and _entry_of(run) > drawn[0].n]
        order = [row["x"] for row in drawn[0].value] if drawn else []
        made = {run.source: setting for run, setting in zip(later, order, strict=False) if setting in self.settings}
        return {run.source: made.get(run.source, "") for run in self.runs}

    def say(self, stage: str, labels: Mapping[str, str], quantity: str) -> None:
        """Keep which run had which setting, and what is to be compared.

        Raises
        ------
        KitError : a workbook that cannot be written to.
        """
        value = {"settings": list(self.settings), "quantity": quantity, "runs": dict(labels)}
        if not self.said or self.said[-1].value != value:
            self.progress.workbook.add(stage, Kind.CLAIM_RUNS.of(OWN), value)
        self.quantity, self.labels = quantity, dict(labels)

    @property
    def since(self) -> int:
        """Number of the entry from which on tests are of this claim: what was put down before was of another one."""
        same = [entry for entry in self.said if entry.value["quantity"] == self.quantity]
        return same[0].n if same else 0

    @property
    def chosen(self) -> list[Run]:
        """The runs that have a part in it, in the order in which they were kept."""
        return [run for run in self.runs if self.labels.get(run.source)]

    def table(self, at: float | None = None) -> pd.DataFrame:
        """One row a run, as `measure` returns them, with `setting`, and `order` where it is known.

        What the group set aside stays so; a run whose apparatus did not stand as usual counts here.
        """
        runs = self.chosen
        if not runs:
            raise KitError("No run has a setting yet", fix="say of each run which of the two settings it had")
        table = measure(self.progress.curves_of(runs), *self.progress.thresholds)
        reasons = {e.value["source"]: e.value["reason"] for e in self.progress.workbook.history(Kind.SET_ASIDE)}
        table["set_aside"] = [reasons.get(run.source, run.set_aside) for run in runs]
        table["setting"] = [self.labels[run.source] for run in runs]
        if all(run.origin != "file" for run in runs):  # files are not added in the order in which they were made
            table[_ORDER] = range(1, len(runs) + 1)
        return table

    def claim(self) -> Claim:
        """The claim as `kit.stats.claims` takes it: runs are compared only where all else agrees."""
        names = dict.fromkeys([name for run in self.chosen for name in run.conditions])
        within = []
        for name in names:
            found: dict[float | str, set[str]] = {}
            for run in self.chosen:
                found.setdefault(run.conditions.get(name, USUAL.get(name, "")), set()).add(self.labels[run.source])
            if len(found) > 1 and any(len(settings) > 1 for settings in found.values()):
                within.append(name)
        return Claim(
            self.statement,
            self.quantity,
            "setting",
            self.settings,
            within=tuple(within),
            matters=self.matters,
            order=_ORDER,
        )

    def described(self, at: float | None = None) -> str:
        """How many runs had which setting, in a sentence or two, with no result in it."""
        table = self.table()
        counts = [f"{(table['setting'] == setting).sum()} with {setting}" for setting in self.settings]
        order = " Their order is the one in which you kept them." if _ORDER in table else " Nobody noted their order."
        return f"{count_of(len(table), 'run')}: {join_words(counts)}.{order}"


def _is(setting: str, value: float | str) -> bool:
    """Whether a setting as it was typed is a condition's value: "dry", or "3 degrees" for 3."""
    if isinstance(value, str):
        return setting.casefold() == value.casefold()
    number = re.match(r"[-+]?\d+(?:[.,]\d+)?", setting)
    return number is not None and float(number[0].replace(",", ".")) == value


def _entry_of(run: Run) -> int:
    """The number of the entry that keeps a run of the group's own."""
    return int(run.source.rpartition("-")[2])


def run_name(run: Run) -> str:
    """A run in words: "1 magnet, hub dry, trial 2"."""
    return ", ".join([*(case_of(k, v) for k, v in run.conditions.items()), f"trial {run.trial}"])


def claim_evidence(progress: Progress, claim_id: str) -> list[str]:
    """What the group's own tests said of a claim, and of the steps to it, as the workbook holds it."""
    steps = [claim.id for claim in progress.lesson.claims if claim_id in (claim.id, claim.step_to)]
    tested = {e.kind: e.value for e in progress.workbook.entries if Kind.CLAIM_TEST.covers(e.kind)}  # the latest each
    said = []
    for kind, value in tested.items():
        name, _, at = kind.partition(":")[2].partition("@")
        if name in steps and value["sentence"]:
            size = value["sentence"].split(". ", 1)[-1]
            said.append((f"At {at} {progress.x}: " if at else "") + size)
    return said


class GateAndClicks(NamedTuple):
    """One run timed twice: by the gate, and by a recorder that heard a card click once a turn."""

    table: pd.DataFrame  # two rows as `measure` makes them: the gate, the clicks
    gate: Run
    recording: Recording
    sentence: str  # what they say

    @property
    def numbers(self) -> pd.DataFrame:
        """Both timings with their standard uncertainties, in words."""
        rows = self.table.to_dict("records")
        return pd.DataFrame(
            {
                "timed by": ["the gate", "the clicks"],
                "coasting time": [_value(row, "duration_s", "duration_u_s", "s") for row in rows],
                "number of turns": [_value(row, "turns", "turns_u", "") for row in rows],
            }
        )


def gate_and_clicks(progress: Progress) -> GateAndClicks:
    """The lesson's run that a clicking card recorded as well, measured by the gate and by the clicks.

    Raises
    ------
    KitError : the lesson has no such recording.
    """
    lesson = progress.lesson
    folder = lesson.folder / lesson.clicks_data
    gate = next((run for run in read_folder(folder, **lesson.logs) if run.sound), None) if lesson.clicks_data else None
    if gate is None:
        raise KitError("This lesson has no recording of a clicking card", file=folder)
    recording = read_sound(folder / gate.sound)
    heard = with_repairs(run_from_clicks(recording, conditions=gate.conditions, trial=gate.trial))
    table = measure([gate, heard], *progress.thresholds)
    # the recorder's clock runs a little fast or slow: no number of clicks averages that away
    table.loc[1, "duration_u_s"] = np.hypot(table["duration_u_s"][1], CLOCK_U * table["duration_s"][1])
    if (table["status"] != "counted").any():
        sentence = "With these thresholds one of the two does not cover the whole stretch."
        return GateAndClicks(table, gate, recording, sentence)
    time_s, turns = table["duration_s"].diff().iloc[1], table["turns"].diff().iloc[1]
    times_u = abs(time_s) / np.hypot(*table["duration_u_s"])
    sentence = (
        f"The clicks give {_signed(1000 * time_s)} ms and {_signed(turns)} turns compared with the gate. "
        f"In time that is {number(times_u, 2)} times the standard uncertainty of the difference. {heard.note}"
    )
    return GateAndClicks(table, gate, recording, sentence)


def _value(row: Mapping, quantity: str, uncertainty: str, unit: str) -> str:
    return plus_minus(row[quantity], row[uncertainty], unit) if row["status"] == "counted" else row["status"]


def _signed(value: float) -> str:
    return ("+" if value > 0 else "") + number(value, 2)


def _words_last(value) -> tuple[bool, float | str]:
    return isinstance(value, str), value
