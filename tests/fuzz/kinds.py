"""What is fuzzed, and what each reader promises of whatever it does not refuse."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

import numpy as np

from kit.classroom.overview import read_class
from kit.classroom.page import class_report
from kit.errors import KitError
from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson
from kit.lessons.teacher_key import load_key
from kit.logs.log import preview, read_log
from kit.logs.run import Run, counted_passes, split_proposal
from kit.motion.drag_fit import fit_run
from kit.motion.threshold import common_start, measure
from kit.record.handin import read_handin
from kit.record.workbook import Workbook
from tests.fuzz import seeds
from tests.fuzz.mutate import mutated

__all__ = ["KINDS", "Broken", "Kind"]

DEMO = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
SELDOM = 25  # what costs much more than reading is done with one case in so many


class Broken(Exception):
    """A reader did not keep a promise."""


def promise(kept: object, what: str) -> None:
    if not kept:
        raise Broken(what)


@dataclass(frozen=True)
class Kind:
    """One kind of file."""

    name: str
    share: float  # of all cases
    make: Callable[[Random], dict[str, bytes]]  # the files of one case, by name
    check: Callable[[Path, Random], None]  # reads them in a folder; KitError if they are refused


# --- gate logs -----------------------------------------------------------------------------------------


def _make_log(random: Random) -> dict[str, bytes]:
    corpus = seeds.logs()
    return {"magnets-2_trial-1.csv": mutated(random.choice(corpus), corpus, random)}


def _check_log(folder: Path, random: Random) -> None:
    path = folder / "magnets-2_trial-1.csv"
    if random.randrange(SELDOM) == 0:
        try:
            preview(path)
        except KitError as problem:
            promise(str(problem), "a problem is worded")
    runs = read_log(path)
    promise(runs, "a file that is read holds a run")
    for run in runs:
        check_run(run)
    again = read_log(path) if random.randrange(4) == 0 else runs
    promise(len(runs) == len(again), "the same runs again")
    for run, same in zip(runs, again, strict=True):
        promise(np.array_equal(run.pass_times_s, same.pass_times_s), "the same passes again")
        promise(
            (run.conditions, run.trial, run.repairs) == (same.conditions, same.trial, same.repairs), "the same again"
        )
    if random.randrange(SELDOM) == 0 and max(len(run.pass_times_s) for run in runs) < 500:
        _check_analysis(runs[:3])


def check_run(run: Run) -> None:
    """What every run promises, and its counted passes."""
    times, turns = counted_passes(run)
    promise(np.isfinite(run.pass_times_s).all(), "times are finite")
    promise((np.diff(run.pass_times_s) > 0).all(), "times increase")
    promise(np.isin(times, run.pass_times_s).all(), "no time is invented")
    promise(len(times) < 2 or (np.diff(turns) > 0).all(), "the angle grows from pass to pass")
    promise(all(not (isinstance(v, float) and math.isnan(v)) for v in run.conditions.values()), "conditions are values")


def _check_analysis(runs: list[Run]) -> None:
    """Whatever was read can be measured, or is refused in words."""
    for run in runs:
        promise(all(0 < i < len(run.pass_times_s) for i in split_proposal(run)), "cuts lie within the run")
        try:
            fit_run(run)
        except KitError as problem:
            promise(str(problem), "a problem is worded")
    start_s = common_start(runs)
    for rule in ("interpolated", "whole turns"):
        results = measure(runs, start_s, 2 * start_s, rule)
        counted = results[results["status"] == "counted"]
        promise(np.isfinite(counted[["duration_s", "turns"]].to_numpy(float)).all(), "counted results are numbers")
        promise((counted["duration_s"] >= 0).all(), "no duration is below 0")


# --- lessons -------------------------------------------------------------------------------------------


def _make_lesson(random: Random) -> dict[str, bytes]:
    files = dict(seeds.lesson_files())
    name = random.choice(("lesson.toml",) * 4 + ("teacher_key.toml", "runs.csv", "runs.csv", "hand_counts.csv"))
    return {**files, name: mutated(files[name], tuple(files.values()), random)}


def _check_lesson(folder: Path, random: Random) -> None:
    lesson = load_lesson(folder)
    promise(lesson == load_lesson(folder), "the same lesson again")
    numbers = (*lesson.values, lesson.reference, lesson.start_period_s, *lesson.expected_up_to.values())
    promise(all(math.isfinite(number) for number in numbers), "numbers are finite")
    promise(lesson.reference in lesson.values, "the reference is one of the values")
    promise(lesson.start_period_s > 0, "the start is above 0")
    promise(lesson.stop_period_s is None or lesson.stop_period_s > lesson.start_period_s, "the stop is later")
    promise(all(len(q.choices) > 1 for q in lesson.questions), "a question has choices")
    load_key(folder, lesson)
    counts = lesson.hand_counts()
    if counts is not None:
        columns = counts[[lesson.x, "duration_s", "turns"]].to_numpy()
        promise(columns.dtype.kind in "if" and np.isfinite(columns).all(), "hand counts are numbers")
    for run in lesson.runs():
        check_run(run)


# --- hand-ins, classes, workbooks ----------------------------------------------------------------------


def _make_handin(random: Random) -> dict[str, bytes]:
    corpus = seeds.handins()
    return {"handin.json": mutated(random.choice(corpus), corpus, random)}


def _check_handin(folder: Path, random: Random) -> None:
    path = folder / "handin.json"
    handin = read_handin(path)
    promise(handin == read_handin(path.read_bytes()), "the same from its bytes")
    promise(handin.unchanged or handin.warnings, "what was changed is told")
    promise([entry.n for entry in handin.entries] or handin.warnings, "entries, or a warning")
    json.dumps([entry.record() for entry in handin.entries], allow_nan=False)


def _make_class(random: Random) -> dict[str, bytes]:
    """A sound hand-in beside a ZIP or a hand-in that is not sound."""
    files = {"0_sound.json": seeds.handins()[0]}
    if random.randrange(3):
        return {**files, "class.zip": mutated(random.choice(seeds.zips()), seeds.zips(), random)}
    return {**files, **{f"{k}.json": _make_handin(random)["handin.json"] for k in range(random.randint(1, 4))}}


def _check_class(folder: Path, random: Random) -> None:
    overview = read_class(folder, DEMO)
    promise("0_sound.json" in {g.file for g in overview.groups} | {r.file for r in overview.refused}, "no file is lost")
    sound = json.loads(seeds.handins()[0])["code"]
    promise(any(group.code.startswith(sound) for group in overview.groups), "the sound one counts")
    promise(all(refused.why for refused in overview.refused), "a refusal has a reason")
    if random.randrange(SELDOM) == 0:
        promise(class_report(overview).rstrip().endswith("</html>"), "a whole page is made")


def _make_workbook(random: Random) -> dict[str, bytes]:
    corpus = seeds.workbooks()
    return {"disc.jsonl": mutated(random.choice(corpus), corpus, random), "other.jsonl": random.choice(corpus)}


def _check_workbook(folder: Path, random: Random) -> None:
    """Nothing in the file is lost, whatever it is; and work goes on."""
    data = (folder / "disc.jsonl").read_bytes()
    book = Workbook(folder / "disc.jsonl")
    before, told = book.entries, (*book.damage, *book.verify())
    promise(before or told or not data.strip(), "what cannot be read is told")
    book.add("2_measure", "reading", {"after": 1})
    promise(Workbook(book.path).entries[:-1] == before, "every entry is still there")
    kept = b"".join(path.read_bytes() for path in folder.glob("disc*"))
    promise(all(line in kept for line in data.split(b"\n")), "every byte is still there")
    book.restore((folder / "other.jsonl").read_bytes())
    Workbook(folder / "new.jsonl").restore(data)


KINDS = {
    kind.name: kind
    for kind in (
        Kind("gate logs", 0.50, _make_log, _check_log),
        Kind("lesson files", 0.16, _make_lesson, _check_lesson),
        Kind("hand-ins", 0.30, _make_handin, _check_handin),
        Kind("classes", 0.02, _make_class, _check_class),
        Kind("workbooks", 0.02, _make_workbook, _check_workbook),
    )
}


def cases(kind: Kind, count: int, seed: int) -> Iterator[tuple[int, dict[str, bytes], Random]]:
    """Number, files and random numbers of each case: a case can be made again from kind, seed and number alone."""
    for number in range(count):
        random = Random(f"{kind.name} {seed} {number}")
        yield number, kind.make(random), random
