"""A share of the fuzzing (`tests/fuzz`), and that it would notice what it looks for."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

from kit.launcher import PROJECT, project_environment
from tests.sweeps import size

SHARE = size(600, 2000)
pytestmark = pytest.mark.skipif(os.name != "posix", reason="time and memory are limited as POSIX systems do")


def run(*arguments):
    environment = {**os.environ, **project_environment()}
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, check=False, cwd=PROJECT, env=environment
    )


@pytest.mark.slow
def test_a_share_of_broken_files_is_refused_in_words_or_read_soundly(tmp_path):
    done = run("-m", "tests.fuzz", f"--count={SHARE}", "--seed=7", "--processes=0", f"--keep={tmp_path}")
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr[-2000:]
    counted = {
        line[:14].strip(): [int(n.replace(",", "")) for n in line[14:].split()[:4]] for line in table(done.stdout)
    }
    assert abs(sum(cases for cases, *_ in counted.values()) - SHARE) < 10
    for kind, (cases, read, refused, failed) in counted.items():
        assert cases == read + refused and failed == 0, kind
        assert read > 0, kind  # not everything is beyond recognition
    for kind in ("gate logs", "lesson files", "hand-ins", "workbooks"):
        assert counted[kind][2] > 0  # and not everything is harmless


def table(text):
    return [line for line in text.splitlines() if re.match(r"[a-z -]+ +[\d,]+ +[\d,]+ +[\d,]+ +\d", line)]


CONTROL = """
import json, sys, warnings
from dataclasses import asdict
from pathlib import Path
from kit.errors import KitError
from tests.fuzz import kinds, worker
worker.LONGEST_S = 0.3

def check(folder, random):
    which = (folder / "case").read_text()
    if which == "hang":
        while True:
            pass
    if which == "memory":
        bytearray(700 * 2**20)
    if which == "traceback":
        {}["no such key"]
    if which == "warning":
        warnings.warn("something is odd", RuntimeWarning)
    if which == "promise":
        kinds.promise(False, "times increase")
    if which == "refused":
        raise KitError("no")

names = ["hang", "memory", "traceback", "warning", "promise", "refused", "read"]
made = iter(names)
kinds.KINDS["control"] = kinds.Kind("control", 1, lambda random: {"case": next(made).encode()}, check)
print(json.dumps(asdict(worker.fuzz("control", len(names), 1, Path(sys.argv[1])))))
"""


@pytest.mark.slow
def test_hangs_memory_tracebacks_warnings_and_broken_promises_would_be_noticed(tmp_path):
    """Negative control: a reader with every fault there is."""
    done = run("-c", CONTROL, tmp_path)
    assert done.returncode == 0, done.stderr
    tally = json.loads(done.stdout)
    assert (tally["cases"], tally["read"], tally["refused"]) == (7, 1, 1)
    found = {what.split(" at ")[0]: kept for what, (_, kept, _) in tally["failures"].items()}
    expected = {"Hang", "KeyError", "RuntimeWarning", "Broken"}
    assert set(found) == (expected | {"MemoryError"} if sys.platform == "linux" else expected)
    assert all((PROJECT / kept / "case").read_text() for kept in found.values())  # each can be looked at
