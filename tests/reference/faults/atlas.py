"""The kit against the faults: over fault × rate × length, how often it is right, says something, or is silently wrong.

`python3 -m kit test --faults` makes the tables (`tests/faults.py`). `kit_counts` is the only place that knows the kit.
The words of the table are explained in README.md.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from zlib import crc32

import numpy as np
import pandas as pd

from .crew import done_by
from .faults import FAULTS, make_log
from .setups import FLAG_ANGLES, JITTERS, LAWS, Log, random_setup, sister

LENGTHS = (5.0, 12.0, 60.0, 300.0, 5000.0)  # turns between the thresholds
LONG = 1000.0  # turns from which a run costs as much as ten others: a tenth as many are made
OUTCOMES = ("right", "marked", "noted", "refused", "silent", "crash")
DOUBTFUL = "doubtful"  # the kit's word for a count that something speaks against: more than a note
FAR_U, FAR_SHARE = 5.0, 0.01  # further than both is wrong
_SMOOTH_LAWS = LAWS[:5]  # a string remembers the release, so that a second push would start it anew


@dataclass(frozen=True)
class Count:
    """What the kit makes of one log."""

    counted: bool
    said: str  # notes, doubts, or the reason for which there are no figures; "" if it says nothing
    repairs: int = 0  # accepted repairs, which are listed but not a note
    duration_s: float = np.nan
    duration_u_s: float = np.nan
    turns: float = np.nan
    turns_u: float = np.nan


def kit_counts(log: Log, rules=("interpolated",), others=()) -> list[Count]:
    """The kit's counts of one log, by each rule. Everything that depends on the kit's names stands here.

    `others` : the rest of its table, logs with the number of their condition; the log itself is of condition 1.
    """
    import kit

    setup = log.setup
    try:
        table = [
            kit.with_repairs(kit.Run(one.times, {"condition": float(at)}, flags_per_turn=one.declared, trial=trial))
            for trial, (one, at) in enumerate([(log, 1), *others], 1)
        ]
        run, curves = table[0], kit.speed_curves(table)
        rows = [kit.measure(curves, setup.start_period_s, setup.stop_period_s, rule).iloc[0] for rule in rules]
    except kit.KitError as error:
        return [Count(False, str(error).splitlines()[0])] * len(rules)
    counts = []
    for row in rows:
        said = [str(row[c]) for c in ("note", "doubt", "set_aside") if isinstance(row.get(c), str) and row[c]]
        for column in ("status", "outcome"):
            if isinstance(row.get(column), str) and row[column] not in ("", "counted"):  # another word says something
                said.append(row[column])
        counted = row["status"] == "counted" and bool(np.isfinite([row["duration_s"], row["turns"]]).all())
        figures = (float(row[c]) for c in ("duration_s", "duration_u_s", "turns", "turns_u"))
        repairs = sum(repair.accepted for repair in run.repairs)
        counts.append(Count(counted, "; ".join(said), repairs, *figures))
    return counts


def sisters_of(log: Log, rng) -> list[tuple[Log, int]]:
    """The rest of the table that a log stands in, clean: two more trials of its condition, three each of two others.

    Between conditions friction differs by a third or more. A wrong number of flags is declared for all of them.
    """
    return [
        (make_log(sister(log.setup, rng, friction), "none", rng), at)
        for at, friction, trials in ((1, 1.0, 2), (2, 1.4, 3), (3, 0.7, 3))
        for _ in range(trials)
    ]


def far(count: Count, duration_s: float, turns: float) -> bool:
    """Whether a count misses the truth by more than 5 u and more than 1 %, in duration or in turns."""
    pairs = ((count.duration_s, count.duration_u_s, duration_s), (count.turns, count.turns_u, turns))
    return any(abs(value - true) > max(FAR_U * u, FAR_SHARE * true) for value, u, true in pairs)


def outcome(log: Log, count: Count) -> str:
    """One of OUTCOMES but "crash", see README.md."""
    if not count.counted:
        return "refused"
    if far(count, log.duration_s, log.turns):
        return "noted" if count.said else "silent"
    return "marked" if count.said else "right"


@dataclass(frozen=True)
class Cell:
    """One fault at one rate, in runs of one length."""

    fault: str
    rate: str
    turns: float
    jitter: str = ""  # "" any
    flags: str = ""
    law: str = ""
    modulation: str = ""
    release_s: float = 0.0  # turn period at the release; 0: 0.08 to 1.2 s
    rule: str = "best"  # what is used unless one is named
    seed: int = 0  # another one makes other logs
    sisters: bool = False  # every log among the other runs of its table, not clean and silent ones only

    def share(self, n: int) -> int:
        """How many runs of this length are made where n are made of others."""
        return n if self.turns < LONG else max(n // 10, 1)

    def logs(self, n: int):
        """n logs with their number; the same each time, whatever other cells there are."""
        fault, made, attempt = FAULTS[self.fault], 0, 0
        label = f"{self.fault}/{self.rate}/{self.turns}/{self.jitter}/{self.flags}/{self.law}/{self.modulation}"
        label += f"/{self.release_s}" if self.release_s else ""
        while made < n:
            rng = np.random.default_rng([crc32(label.encode()), attempt] + [self.seed] * (self.seed > 0))
            attempt += 1
            laws = _SMOOTH_LAWS if fault.stage == "motion" else LAWS
            wishes = {
                "law": self.law or laws[rng.integers(len(laws))],
                "flags": self.flags or list(FLAG_ANGLES)[rng.choice(6, p=[0.5, 0.15, 0.1, 0.1, 0.1, 0.05])],
                "jitter": self.jitter or JITTERS[rng.choice(5, p=[0.4, 0.15, 0.2, 0.1, 0.15])],
                "modulation": self.modulation or ("even", "friction", "imbalance")[rng.choice(3, p=[0.7, 0.15, 0.15])],
            }
            try:
                setup = random_setup(rng, turns=self.turns, release_period_s=self.release_s or None, **wishes)
                log = make_log(setup, self.fault, rng, **fault.rates[self.rate])
            except ValueError:
                if attempt > 100 * n + 1000:
                    raise
                continue  # these wishes exclude each other (a coarse clock, an unbalanced wheel that would stop)
            made += 1
            yield attempt - 1, log


def run_cell(cell: Cell, n: int) -> list[dict]:
    """One row a run: outcome, what was done, what the kit said, errors in u and in per cent.

    `among` is the outcome among its sisters, `among_said` what is said there. Beside these a run is doubted more, but
    they take away the note that a run is too short to be checked alone. So it is worked out for what is clean, and for
    what is wrong by itself without a doubt, and taken to be the same for the rest (unless `sisters` is True).
    """
    rows = []
    for number, log in cell.logs(n):
        found, count = _judged(log, cell.rule)
        among, there = found, count
        hidden = FAULTS[cell.fault].hidden  # then in all of its table
        undoubted = found in ("silent", "noted") and DOUBTFUL not in count.said
        if cell.sisters or (undoubted and not hidden) or cell.fault == "none":
            rng = np.random.default_rng([crc32(cell.fault.encode()), number, cell.seed, 1])
            among, there = _judged(log, cell.rule, sisters_of(log, rng))
        rows.append(_row(cell, number, log, found, count) | {"among": among, "among_said": there.said})
    return rows


def _judged(log: Log, rule: str, others=()) -> tuple[str, Count]:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            count = kit_counts(log, (rule,), others)[0]
        except Exception as error:  # a crash is a finding, not the end of the atlas
            return "crash", Count(False, f"{type(error).__name__}: {error}")
    return outcome(log, count), count


def _row(cell, number, log, found, count) -> dict:
    literal = found == "silent" and log.literal is not None and not far(count, *log.literal)
    return {
        "fault": cell.fault,
        "rate": cell.rate,
        "length": cell.turns,
        "number": number,
        "outcome": found,
        "repaired": found == "silent" and count.repairs > 0,
        "literal": literal,
        "done": log.done,
        "said": count.said,
        "passes": len(log.times),
        "true_s": log.duration_s,
        "off_s": count.duration_s - log.duration_s,
        "u_s": count.duration_u_s,
        "true_turns": log.turns,
        "off_turns": count.turns - log.turns,
        "u_turns": count.turns_u,
    }


def all_cells(faults=None, lengths=LENGTHS, rule: str = "best", seed: int = 0) -> list[Cell]:
    """Every fault × rate × length, or those of the named faults."""
    return [
        Cell(name, rate, turns, rule=rule, seed=seed)
        for name, fault in FAULTS.items()
        if not faults or name in faults
        for rate in fault.rates
        for turns in lengths
    ]


def runs(cells, n: int, jobs: int = 1) -> pd.DataFrame:
    """One row a run of every cell: n of each, fewer of long ones (`Cell.share`)."""
    longest_first = sorted(cells, key=lambda cell: -cell.turns)  # else one process is left with them at the end
    tasks = [(cell, cell.share(n)) for cell in longest_first]
    made = done_by(jobs, run_cell, tasks, [many * (LONG / 50 if cell.turns >= LONG else 1) for cell, many in tasks])
    by_cell = dict(zip(longest_first, made, strict=True))
    return pd.DataFrame([row for cell in cells for row in by_cell[cell]])


def summary(rows: pd.DataFrame, by=("fault", "rate", "length")) -> pd.DataFrame:
    """Per cent of each outcome in each group of rows; *repaired* and *literal* are parts of *silent*."""
    groups = rows.groupby(list(by), sort=False)
    shares = pd.DataFrame({name: groups["outcome"].agg(lambda o, k=name: 100 * (o == k).mean()) for name in OUTCOMES})
    shares["repaired"] = 100 * groups["repaired"].mean()
    shares["literal"] = 100 * groups["literal"].mean()
    shares.insert(0, "n", groups.size())
    return shares.reset_index()


def table(cells, n: int, jobs: int = 1) -> pd.DataFrame:
    """The atlas: one row a cell, per cent of each outcome."""
    return summary(runs(cells, n, jobs))


def silent_rate(rows: pd.DataFrame) -> float:
    """Share of silently wrong runs among those with a fault that a log can show; each cell has the same weight."""
    shown = rows[[name != "none" and not FAULTS[name].hidden for name in rows["fault"]]]
    return float((shown["outcome"] == "silent").mean()) if len(shown) else float("nan")
