"""Cases of one kind in this process, watched for time and memory. What came out is a `Tally`.

Processor time is watched, not the clock on the wall: a busy machine is no hang. A case that hangs where no signal is
heard (within a library's own code) is ended, with its process, by `faulthandler`.
"""

from __future__ import annotations

import faulthandler
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from kit.errors import KitError
from tests.fuzz.kinds import KINDS, Broken, cases, check_run, promise

__all__ = ["LONGEST_S", "MOST_MB", "Tally", "fuzz"]

LONGEST_S = 2.0
MOST_MB = 500
DEAF_S = 120  # on the wall, for a case that hears no signal
WRITTEN = "written logs"


class Hang(BaseException):
    """A case took too long. No `except Exception` of the code under test must swallow it."""


@dataclass
class Tally:
    """What came of the cases of one kind."""

    kind: str
    cases: int = 0
    read: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    peak_mb: float = 0.0
    failures: dict[str, list] = field(default_factory=dict)  # what happened where: [how often, case, traceback]

    def run(self, name: str, check: Callable[[], None], keep: Callable[[str], str]) -> None:
        """One case: counted, timed, and its failure kept."""
        self.cases += 1
        start = time.process_time()
        faulthandler.dump_traceback_later(DEAF_S, exit=True)
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
        try:
            check()
        except KitError:
            self.refused += 1
        except (Exception, Hang) as failure:
            signal.setitimer(signal.ITIMER_PROF, 0)
            what = _where(failure)
            if what not in self.failures:
                self.failures[what] = [0, keep(name), traceback.format_exc()[-3000:]]
            self.failures[what][0] += 1
        else:
            self.read += 1
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            faulthandler.cancel_dump_traceback_later()
        self.slowest_s = max(self.slowest_s, time.process_time() - start)


def fuzz(kind: str, count: int, seed: int, keep_in: Path) -> Tally:
    """Run `count` cases of a kind; the files of a failure are kept in a folder below `keep_in`.

    Sets signal handlers and, for good, a limit on this process's memory: call it in a process made for it.
    """
    _limit_memory()
    signal.signal(signal.SIGPROF, _too_long)
    tally = Tally(kind)
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("error")
        folder = Path(name) / "case"

        def keep(case: str) -> str:
            kept = keep_in / f"{kind} {case}".replace(" ", "_")
            shutil.copytree(folder, kept, dirs_exist_ok=True)
            return str(kept)

        if kind == WRITTEN:
            _run_written(tally, folder, count, seed, keep)
        else:
            for number, files, random in cases(KINDS[kind], count, seed):
                _fill(folder, files.items())
                tally.run(f"{seed}-{number}", lambda random=random: KINDS[kind].check(folder, random), keep)
    tally.peak_mb = peak_mb()
    return tally


def peak_mb() -> float:
    """Most memory this program ever held, MB. Linux counts in `ru_maxrss` what the parent held before it started us."""
    status = Path("/proc/self/status")
    if status.exists():
        return int(re.search(r"VmHWM:\s+(\d+) kB", status.read_text())[1]) / 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)


def _run_written(tally: Tally, folder: Path, count: int, seed: int, keep) -> None:
    """Logs that hypothesis writes by rules: every one is read, and holds the passes that were written."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded

    from tests.fuzz.written import written_logs

    @seeded(seed)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(written_logs())
    def each(log):
        _fill(folder, [("log.csv", log.data)])
        tally.run(f"{seed}-{tally.cases}", lambda: _check_written(folder / "log.csv", log), keep)

    each()


def _check_written(path: Path, log) -> None:
    from kit.logs.log import read_log

    try:
        runs = read_log(path)
    except KitError as problem:
        raise Broken(f"a sound log was refused ({log.about}): {problem}") from problem
    promise(len(runs) == len(log.runs), f"as many runs as were written ({log.about})")
    for run, times in zip(runs, log.runs, strict=True):
        check_run(run)
        promise(tuple(run.pass_times_s.tolist()) == times, f"the passes that were written ({log.about})")


def _fill(folder: Path, files: Iterable[tuple[str, bytes]]) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    for name, data in files:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def _limit_memory() -> None:
    """No more address space than what is used now and MOST_MB: what asks for more gets a MemoryError."""
    statm = Path("/proc/self/statm")
    if statm.exists():  # Linux; elsewhere the peak is still told
        used = int(statm.read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + MOST_MB * 2**20, resource.getrlimit(resource.RLIMIT_AS)[1]))


def _too_long(*_) -> None:
    raise Hang(f"more than {LONGEST_S:g} s")


def _where(failure: BaseException) -> str:
    """The kind of failure and the innermost place in the kit: equal failures get equal texts."""
    frames = traceback.extract_tb(failure.__traceback__)
    inner = [frame for frame in frames if f"{Path('kit')}/" in frame.filename and "tests" not in frame.filename]
    place = f"{Path(inner[-1].filename).name}:{inner[-1].lineno}" if inner else "the check"
    said = str(failure).split(" (")[0][:90] if isinstance(failure, Broken) else ""
    return f"{type(failure).__name__} at {place} {said}".rstrip()
