"""What several unit tests share: hand-ins as a class would give them, and demo runs that are read but once."""

from __future__ import annotations

import json
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit.logs.folder import read_folder
from kit.logs.run import Run
from kit.motion.speed import speed_curves
from kit.record.entries import make_entry
from kit.record.handin import handin_document

TIME = "2031-05-17T08:30:00.000+00:00"
USERS_OF_RUNS = (
    "kit.analysis",
    "kit.lessons.analyse",
    "kit.lessons.check_data",
    "kit.lessons.claim_runs",
    "kit.lessons.lesson",
    "kit.lessons.progress",
    "kit.widgets.lesson_form",
    "kit.widgets.threshold_picker",
)


def _answer(question, choice, moment="first", confidence="6 to 9 in 10", reason="because"):
    """One answer, as the step of a lesson that saves it."""
    value = {"choice": choice, "reason": reason, "confidence": confidence, "moment": moment}
    return ("explain" if moment == "end" else "predict", f"prediction:{question}", value, moment == "first")


def _results(*rows):
    """Rows (magnets, duration_s, turns), each a counted trial, as the step that saves them."""
    keys = ("magnets", "duration_s", "turns")
    return ("average", "results", [dict(zip(keys, row, strict=True)) | {"trial": 1} for row in rows])


def _document(code, *steps, lesson="coasting_disc"):
    """The hand-in of a group that saved these steps: stage, kind, value, and whether it was sealed."""
    entries = []
    for stage, kind, value, *sealed in steps:
        before = entries[-1] if entries else None
        entries.append(make_entry(before, stage, kind, value, bool(sealed and sealed[0]), time=TIME))
    return handin_document(entries, code, lesson, TIME)


def _write(folder, name, document):
    """Write a document (or bytes) as a file; return its path."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(document if isinstance(document, bytes) else json.dumps(document, ensure_ascii=False).encode())
    return path


@pytest.fixture(scope="session")
def hand_in():
    """Functions that make hand-ins: answer, results (steps of a lesson), document (of steps), write (to a file)."""
    return SimpleNamespace(answer=_answer, results=_results, document=_document, write=_write)


@pytest.fixture(scope="module")
def runs_read_once():
    """Files that are the same to the last byte give the same runs and curves: they are read and smoothed once.

    For tests about what is made of runs: reading and smoothing them each time takes longer than all that is tested.
    """
    once = {read_folder: _once_each(read_folder), speed_curves: _smoothed_once()}
    with pytest.MonkeyPatch.context() as patch:
        for module in map(import_module, USERS_OF_RUNS):
            for real, remembering in once.items():
                if vars(module).get(real.__name__) is real:
                    patch.setattr(module, real.__name__, remembering)
        yield


def _once_each(read):
    """A function that reads folders, remembering what it read by the names and bytes of the files in them."""
    remembered: dict = {}

    def read_once(place, **how):
        files = sorted(path for path in Path(place).rglob("*") if path.is_file())
        held = tuple((path.relative_to(place), path.read_bytes()) for path in files), repr(sorted(how.items()))
        if held not in remembered:
            remembered[held] = tuple(read(place, **how))
        return list(remembered[held])

    return read_once


def _smoothed_once():
    """`speed_curves`, remembering the curve of each run."""
    remembered: dict = {}

    def curve_of(run):
        if not isinstance(run, Run):
            return run  # a curve
        if id(run) not in remembered:
            remembered[id(run)] = run, *speed_curves([run])  # the run is kept: no other gets its id
        return remembered[id(run)][1]

    return lambda runs: speed_curves(list(map(curve_of, runs)))
