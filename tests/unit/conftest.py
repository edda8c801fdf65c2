"""What several unit tests share: hand-ins as a class would give them, and demo runs that are read but once."""

from __future__ import annotations

import functools
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit.record.entries import make_entry
from kit.record.handin import handin_document

TIME = "2031-05-17T08:30:00.000+00:00"


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
def demo_runs_read_once():
    """The demo logs stay as they are; read for every change of a field, they take longer than all that is tested."""
    demo = Path(__file__).parents[2] / "datasets_demo"
    with pytest.MonkeyPatch.context() as patch:
        for name, module in list(sys.modules.items()):
            if name.partition(".")[0] == "kit" and "read_folder" in vars(module):
                patch.setattr(module, "read_folder", _once_below(demo, module.read_folder))
        yield


def _once_below(folder, read):
    """A function that reads folders, remembering what it read below one of them."""
    remembered = functools.cache(lambda place: tuple(read(place)))

    def read_once(place, **how):
        return list(remembered(place)) if folder in Path(place).parents and not how else read(place, **how)

    return read_once
