"""Fuzz everything the kit reads: python3 -m kit test --fuzz [--count N]."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

from kit.launcher import PROJECT, project_environment
from tests.fuzz.kinds import KINDS
from tests.fuzz.worker import MOST_MB, WRITTEN, Tally, fuzz

PART = 2500  # cases of one process; a leak could hide in more
WRITTEN_SHARE = 0.03


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python3 -m kit test --fuzz", description=__doc__)
    parser.add_argument("--count", type=int, default=100_000, metavar="N", help="cases in all (default 100,000)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="the same number, the same cases (default 1)")
    parser.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="where files that fail are kept (default: a new one)"
    )
    parser.add_argument(
        "--processes", type=int, metavar="N", help="at a time (default: one a processor; 0: all in this one)"
    )
    parser.add_argument("--worker", metavar="KIND", help=argparse.SUPPRESS)  # one part, in this process
    chosen = parser.parse_args(arguments)
    keep = chosen.keep or Path(tempfile.mkdtemp(prefix="kit-fuzz-"))
    if chosen.worker:
        print(json.dumps(asdict(fuzz(chosen.worker, chosen.count, chosen.seed, keep))))
        return 0
    start = time.monotonic()
    tallies = fuzz_everything(chosen.count, chosen.seed, keep, chosen.processes)
    print(report(tallies))
    print(
        f"{time.monotonic() - start:.0f} s. Files that failed are in {keep}." if failed(tallies) else "Nothing failed."
    )
    return 1 if failed(tallies) else 0


def fuzz_everything(count: int, seed: int, keep: Path, processes: int | None = None) -> list[Tally]:
    """All kinds, each in parts of its own process, some at a time."""
    shares = {**{name: kind.share * (1 - WRITTEN_SHARE) for name, kind in KINDS.items()}, WRITTEN: WRITTEN_SHARE}
    parts = []
    for name, share in shares.items():
        left, number = max(1, round(share * count)), 0
        while left > 0:
            parts.append((name, min(left, PART), 1000 * seed + number))
            left, number = left - PART, number + 1
    if processes == 0:
        done = [fuzz(*part, keep) for part in parts]
    else:
        with ThreadPoolExecutor(processes or os.cpu_count()) as pool:
            done = list(pool.map(lambda part: _in_its_own_process(*part, keep), parts))
    return [_together(name, [tally for tally in done if tally.kind == name]) for name in shares]


def failed(tallies: list[Tally]) -> bool:
    """Whether anything failed."""
    return any(tally.failures or tally.peak_mb > MOST_MB for tally in tallies)


def _in_its_own_process(kind: str, count: int, seed: int, keep: Path) -> Tally:
    command = [
        sys.executable,
        "-m",
        "tests.fuzz",
        "--worker",
        kind,
        f"--count={count}",
        f"--seed={seed}",
        f"--keep={keep}",
    ]
    environment = {**os.environ, **project_environment(), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=PROJECT, env=environment)
    if done.returncode:
        return Tally(kind, failures={f"the process ended with {done.returncode}": [1, str(seed), done.stderr[-3000:]]})
    tally = Tally(**json.loads(done.stdout.splitlines()[-1]))
    print(f"{kind}: {tally.cases:,} cases, {len(tally.failures)} kinds of failure", file=sys.stderr, flush=True)
    return tally


def _together(kind: str, parts: list[Tally]) -> Tally:
    whole = Tally(kind)
    for part in parts:
        whole.cases, whole.read, whole.refused = (
            whole.cases + part.cases, whole.read + part.read, whole.refused + part.refused,
        )  # fmt: skip
        whole.slowest_s, whole.peak_mb = max(whole.slowest_s, part.slowest_s), max(whole.peak_mb, part.peak_mb)
        for what, (times, case, trace) in part.failures.items():
            whole.failures.setdefault(what, [0, case, trace])[0] += times
    return whole


def report(tallies: list[Tally]) -> str:
    """A table, and each distinct failure with an example."""
    lines = [f"{'kind':14}{'cases':>9}{'read':>9}{'refused':>9}{'failed':>8}{'slowest':>10}{'peak':>9}"]
    for t in tallies:
        failures = sum(times for times, _, _ in t.failures.values())
        lines.append(
            f"{t.kind:14}{t.cases:>9,}{t.read:>9,}{t.refused:>9,}{failures:>8,}"
            f"{t.slowest_s:>8.2f} s{t.peak_mb:>6.0f} MB"
        )
    lines.append(f"{'all':14}{sum(t.cases for t in tallies):>9,}")
    for t in tallies:
        for what, (times, case, trace) in sorted(t.failures.items(), key=lambda item: -item[1][0]):
            lines += ["", f"{t.kind}: {what}, {times} times, such as {case}", trace]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
