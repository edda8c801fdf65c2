"""Contestants timed in turn, and the rows of the table that come out."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import ceil
from statistics import median

__all__ = ["Job", "Row", "race", "times_of"]

LEAST_SAMPLE_S = 0.01  # a quicker job is repeated within a sample
BUDGET_S = 5.0  # of all samples of one race together; slow jobs are sampled less often, but twice at least
MOST_SAMPLES = 9


@dataclass(frozen=True)
class Job:
    """One way to do a piece of work."""

    what: str
    run: Callable[[], object]
    share: float = 1.0  # of the whole work that one call does; the time is scaled up to the whole


@dataclass(frozen=True)
class Row:
    """One line of the table. Figures are in `unit`, less is better; None where there is none."""

    item: str
    ours: float | None
    unit: str = "ms"
    usual: float | None = None  # the obvious general-purpose way
    usual_what: str = ""
    floor: float | None = None  # what cannot be beaten
    floor_what: str = ""
    goal: str = ""
    note: str = ""

    @property
    def gain(self) -> float | None:
        """The usual way's figure over ours: how many times better ours is."""
        return self.usual / self.ours if self.ours and self.usual is not None else None

    @property
    def above_floor(self) -> float | None:
        """Our figure over the floor's."""
        return self.ours / self.floor if self.floor and self.ours is not None else None


def times_of(jobs: Mapping[str, Job]) -> dict[str, float]:
    """Median time (ms) of the whole work for each job, sampled in turn."""
    loops, first = {}, {}
    for name, job in jobs.items():
        job.run()  # what is loaded late is loaded now
        start = time.perf_counter()
        job.run()
        first[name] = time.perf_counter() - start
        loops[name] = max(1, ceil(LEAST_SAMPLE_S / max(first[name], 1e-7)))
    round_s = sum(first[name] * loops[name] for name in jobs)
    samples: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(min(MOST_SAMPLES, max(2, int(BUDGET_S / round_s)))):
        for name, job in jobs.items():
            start = time.perf_counter()
            for _ in range(loops[name]):
                job.run()
            samples[name].append((time.perf_counter() - start) / loops[name])
    return {name: 1000 * median(samples[name]) / job.share for name, job in jobs.items()}


def race(
    item: str, ours: Job, usual: Job | None = None, floor: Job | None = None, goal: str = "", note: str = ""
) -> Row:
    """Time our way, the usual way and the floor in turn."""
    jobs = {name: job for name, job in (("ours", ours), ("usual", usual), ("floor", floor)) if job}
    took = times_of(jobs)
    return Row(
        item,
        took["ours"],
        "ms",
        took.get("usual"),
        usual.what if usual else "",
        took.get("floor"),
        floor.what if floor else "",
        goal,
        note,
    )
