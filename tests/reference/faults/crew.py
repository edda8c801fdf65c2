"""Work shared out to processes, with a word about how far it is; Ctrl-C ends it at once, without a traceback."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import get_context

__all__ = ["done_by"]

EVERY_S = 20.0  # between two words


def done_by(jobs: int, work: Callable, tasks: Sequence[tuple], sizes: Sequence[float] | None = None) -> Iterator:
    """Yield work(*task) of every task, in order; `sizes`: how much each of them is, for the words (1 unless given)."""
    sizes = [1.0] * len(tasks) if sizes is None else sizes
    started = said = time.monotonic()
    done, every = 0.0, max(sum(sizes), 1e-9)
    if jobs == 1:
        yield from (work(*task) for task in tasks)
        return
    with get_context().Pool(jobs, signal.signal, (signal.SIGINT, signal.SIG_IGN)) as pool:  # leaving it ends them all
        for result, size in zip(pool.imap(_one, [(work, task) for task in tasks]), sizes, strict=True):
            done += size
            if time.monotonic() > said + EVERY_S:
                said = time.monotonic()
                print(f"  {done / every:.0%}, {said - started:.0f} s", file=sys.stderr, flush=True)
            yield result


def _one(job: tuple):
    work, task = job
    return work(*task)
