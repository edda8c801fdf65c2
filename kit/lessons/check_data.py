"""Do a lesson's data hold what its file promises? Runs for every condition, long enough for the thresholds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import isnan
from pathlib import Path

from ..errors import KitError
from ..logs.folder import LIST_NAME, list_rows, read_folder
from ..logs.run import Run
from ..motion.speed import SpeedCurve, speed_curves
from ..motion.threshold import (
    ALREADY_SLOWER,
    COUNTED,
    NEVER_SLOW_ENOUGH,
    RULE_NAMES,
    common_start,
    common_stop,
    measure,
)
from ..wording import condition_value, count_of
from .lesson import LESSON_FILE, SOUND_LEVEL, Lesson

__all__ = [
    "Finding",
    "check_data",
]


@dataclass(frozen=True)
class Finding:
    """A problem of a lesson, or (not `serious`) a warning.

    `file` is named as the teacher sees it, `key` is the key of a TOML file or the column of a table ("" for none),
    `fix` holds an example that would do.
    """

    file: str
    key: str
    problem: str
    fix: str = ""
    found: str = ""
    serious: bool = True

    @classmethod
    def of(cls, error: KitError, file: str = "", key: str = "", serious: bool = True) -> Finding:
        """The same as an error says."""
        found = "" if error.found is None else str(error.found)[:60]
        place = [] if error.row is None else [f"row {error.row}"]
        place += [] if error.column is None else [f"column {error.column}"]
        name = file or (Path(error.file).name if error.file else "")
        return cls(name, key or ", ".join(place), error.problem, error.fix or "", found, serious)

    @property
    def what(self) -> str:
        """What is wrong, and what was found there, in whole sentences."""
        return _closed(self.problem) + (f" Found: {self.found}." if self.found else "")

    def __str__(self) -> str:
        """The finding in one line, for a terminal."""
        place = "".join(f"{part}: " for part in (self.file, self.key) if part)
        return f"{place}{self.what}" + (f" What to do: {_closed(self.fix)}" if self.fix else "")


def _closed(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?", "!", "…")) else sentence + "."


# --- the data --------------------------------------------------------------------------------------------------------

FEWEST_TRIALS = 2  # with one run nobody sees scatter

WISHED_TRIALS = 3

NAMED = 3  # runs or values that a message names


def check_data(
    lesson: Lesson, curves: Sequence[SpeedCurve] | None = None, seen: list[SpeedCurve] | None = None
) -> Iterator[Finding]:
    """What is wrong with the data of a lesson. Parts of the lesson that could not be read are passed over.

    Parameters
    ----------
    curves : what `kit.speed_curves` made of the lesson's runs, if that was done before.
    seen : a list that takes the curves, for further checks.
    """
    if curves is None:
        try:
            curves = speed_curves(lesson.runs())
        except KitError:  # all that can't be read at once, and what the others hold
            refused: list[KitError] = []
            try:
                curves = speed_curves(read_folder(lesson.folder, refused=refused, **lesson.logs))
            except KitError as error:
                refused += [] if error in refused else [error]
            yield from (Finding.of(error, _below(error, lesson.folder)) for error in refused)
            if curves is None:
                return
    if seen is not None:
        seen.extend(curves)
    yield from _check_sound(lesson.folder)
    yield from _check_claims(lesson)
    yield from _check_hand_counts(lesson)
    runs = [curve.run for curve in curves]
    if not lesson.x or not lesson.values:
        return
    wrong = list(_check_column(lesson, runs))
    yield from wrong
    if not wrong:
        yield from _check_trials(lesson, runs)
        yield from _check_thresholds(lesson, curves)


# --- what can be read ------------------------------------------------------------------------------------------------


def _below(error: KitError, folder: Path) -> str:
    """How a finding names the file of an error: as the lesson's folder shows it."""
    path = Path(error.file or "")
    return path.relative_to(folder).as_posix() if folder in path.parents else path.name


def _check_sound(folder: Path) -> Iterator[Finding]:
    listing = folder / LIST_NAME
    if not listing.is_file():
        return
    for row, cells, _ in list_rows(listing):
        name = cells.get("sound", "").replace("\\", "/")
        if name and not (folder / name).is_file():
            yield Finding(
                LIST_NAME,
                f"row {row}, column sound",
                "This recording is missing",
                found=name,
                fix="put it into the folder sound, or leave the cell empty",
            )


def _check_claims(lesson: Lesson) -> Iterator[Finding]:
    """Do the runs behind each claim read, and do they hold what the claim compares?"""
    for number, claim in enumerate(lesson.claims, 1):
        place = f"claims[{number}]."
        try:
            runs = read_folder(lesson.folder / claim.data, **lesson.logs)
        except KitError as error:
            yield Finding.of(error, key=f"{place}data")
            continue
        yield from _check_sound(lesson.folder / claim.data)
        columns = {name for run in runs for name in run.conditions}
        for key, name in [("by", claim.by), *(("within", name) for name in claim.within)]:
            if name not in columns and name != SOUND_LEVEL:
                has = ", ".join(sorted(columns))
                problem = f"The runs in {claim.data} have no such column (they have: {has})"
                fix = f'write, for example: "{min(columns, default="tilt_deg")}"'
                yield Finding(LESSON_FILE, place + key, problem, fix, name)
        there = {run.conditions.get(claim.by) for run in runs}
        missing = [setting for setting in claim.settings or () if claim.by in columns and setting not in there]
        if missing:
            fix = f"settings that the runs have: {_values(sorted(there, key=str))}"
            yield Finding(LESSON_FILE, f"{place}settings", "There are no runs with this setting", fix, _values(missing))
        if claim.hears and sum(bool(run.sound) for run in runs) < 2:
            fix = f"name the recordings in the column sound of {claim.data}/{LIST_NAME}"
            yield Finding(LESSON_FILE, f"{place}data", "This claim needs recordings, and the runs have none", fix)


def _check_hand_counts(lesson: Lesson) -> Iterator[Finding]:
    name = "hand_counts.csv"
    try:
        counts = lesson.hand_counts() if lesson.x else None
    except KitError as error:
        yield Finding.of(error, name)
        return
    if counts is None:
        return
    if len(counts) and not set(counts[lesson.x]) & set(lesson.values):
        yield Finding(
            name,
            f"column {lesson.x}",
            "No condition of the lesson was counted by hand",
            fix=f"write, for example: {lesson.reference:g},9.5,23",
            serious=False,
        )


# --- what the runs hold ----------------------------------------------------------------------------------------------


def _check_column(lesson: Lesson, runs: list[Run]) -> Iterator[Finding]:
    columns = sorted({name for run in runs for name in run.conditions})
    missing = [run.source for run in runs if lesson.x not in run.conditions]
    if missing:
        near = get_close_matches(lesson.x, columns, n=1) or columns[:1]
        fix = f'write, for example: name = "{near[0]}"' if near else "name the column of runs.csv that is changed"
        has = f"columns of conditions in the data: {', '.join(columns)}" if columns else "the data name no condition"
        yield Finding(LESSON_FILE, "changed.name", f"The runs have no such column ({has})", found=lesson.x, fix=fix)
        return
    words = [run for run in runs if not isinstance(run.conditions[lesson.x], float | int)]
    if words:
        yield Finding(
            LIST_NAME,
            f"column {lesson.x}",
            f"{count_of(len(words), 'run')} with a condition that is no number",
            found=str(words[0].conditions[lesson.x]),
            fix="write, for example: 2",
        )


def _check_trials(lesson: Lesson, runs: list[Run]) -> Iterator[Finding]:
    conditions = lesson.values
    trials: dict[float | str, int] = dict.fromkeys(conditions, 0)
    others: dict[float | str, int] = {}
    for run in runs:
        value = run.conditions[lesson.x]
        counts = trials if value in trials else others
        counts[value] = counts.get(value, 0) + (not run.set_aside)
    none = [value for value, n in trials.items() if n == 0]
    if none:
        kept = [value for value in conditions if value not in none]
        fix = f"write, for example: values = [{_values(kept)}]" if kept else "name values that the runs have"
        yield Finding(LESSON_FILE, "changed.values", "There are no runs for these values", found=_values(none), fix=fix)
        if lesson.reference in none and kept:
            yield Finding(
                LESSON_FILE,
                "changed.reference",
                "The reference condition has no runs",
                found=f"{lesson.reference:g}",
                fix=f"write, for example: reference = {kept[0]:g}",
            )
    for fewest, serious in ((FEWEST_TRIALS, True), (WISHED_TRIALS, False)):
        few = [v for v, n in trials.items() if 0 < n < fewest and (serious or n >= FEWEST_TRIALS)]
        if few:
            most = "one trial" if serious else "two trials"
            yield Finding(
                LIST_NAME,
                f"column {lesson.x}",
                f"Only {most}: scatter can't be judged well",
                found=_values(few),
                fix=f"add runs, {WISHED_TRIALS} or more for each value",
                serious=serious,
            )
    if others:
        yield Finding(
            LESSON_FILE,
            "changed.values",
            "There are runs with other values, which no page asks about",
            found=_values(sorted(others)),
            serious=False,
            fix=f"write, for example: values = [{_values(sorted({*conditions, *others}))}]",
        )


def _check_thresholds(lesson: Lesson, curves: Sequence[SpeedCurve]) -> Iterator[Finding]:
    if isnan(lesson.start_period_s) or lesson.rule not in RULE_NAMES:
        return
    curves = [curve for curve in curves if not curve.run.set_aside]
    table = measure(curves, lesson.start_period_s, lesson.stop_period_s, lesson.rule)
    for status in sorted(set(table["status"]) - {COUNTED}):
        missed = table[table["status"] == status]
        lost = sorted(set(table[lesson.x]) - set(table.loc[table["status"] == COUNTED, lesson.x]))
        key, problem, fix = _threshold_words(status, curves)
        where = f"{len(missed)} of {count_of(len(table), 'run')}"
        named = ", ".join(missed["source"][:NAMED]) + (", …" if len(missed) > NAMED else "")
        alone = f"; nothing is left for {lesson.x} = {_values(lost)}" if lost else ""
        yield Finding(
            LESSON_FILE if key else LIST_NAME,
            key,
            f"{where} {problem}{alone}",
            found=named,
            fix=fix,
            serious=bool(lost) or len(missed) * 4 > len(table),
        )
    for quantity, top in lesson.expected_up_to.items():
        longest = table[quantity].max()
        if longest > top:
            yield Finding(
                LESSON_FILE,
                f"sketch_up_to.{quantity}",
                f"The runs go beyond this scale, up to {longest:.3g}",
                found=f"{top:g}",
                fix=f"write, for example: {quantity} = {_round_up(longest)}",
                serious=False,
            )


def _threshold_words(status: str, curves: Sequence[SpeedCurve]) -> tuple[str, str, str]:
    aside = "or set such runs aside in runs.csv, with the reason"
    if status == ALREADY_SLOWER:
        example = f"start_period_s = {common_start(curves):g}   # the fastest that all runs reach"
        return "thresholds.start_period_s", "were never as fast as the start", f"write, for example: {example}; {aside}"
    if status == NEVER_SLOW_ENOUGH:
        example = f"stop_period_s = {common_stop(curves):g}   # the slowest that all runs reach"
        problem = "ended before they were as slow as the stop"
        return "thresholds.stop_period_s", problem, f"write, for example: {example}; {aside}"
    return "", "have too few passes to be counted", f"check these logs, {aside}"


def _values(values) -> str:
    return ", ".join(map(condition_value, values))


def _round_up(value: float) -> int:
    """The next multiple of five with some room above."""
    return int(value * 1.2 / 5 + 1) * 5
