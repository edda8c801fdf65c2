"""How often the kit is wrong: python3 -m kit test --faults [--count N] [--json FILE].

Three tables, as Markdown: what it makes of logs with faults (`tests/reference/faults/atlas.py`), how often ± 2 u holds
the truth on clean logs (`coverage.py` beside it), how often a verdict on curves claims something false
(`tests/benchmarks/false_verdicts.py`). `--count` is the number of runs for each fault, rate and length; 58 make 10,000.
With `--fault` or `--turns` the first table only, one row for each rate and length. `--seed` makes other logs,
`--sisters` puts every log among the other runs of its table, not only those that are clean or silent by themselves.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks import false_verdicts
from tests.reference.faults import atlas, coverage

__all__ = ["as_markdown", "measured"]

COUNT = 6  # a few minutes
CLEAN = 60  # clean runs for each of `--count`
INTERRUPTED = 130
SHOWN = ("right", "marked", "noted", "refused", "silent")
COVERED = ("duration in 2u %", "turns in 2u %")


def measured(count: int, jobs: int, seed: int = 0, sisters: bool = False) -> dict:
    """All three tables and every run of the first, as JSON holds them."""
    cells = [replace(cell, sisters=sisters) for cell in atlas.all_cells(seed=seed)]
    _say(f"counting {len(cells)} kinds of runs with a fault, {sum(cell.share(count) for cell in cells):,} in all ...")
    rows = atlas.runs(cells, count, jobs)
    _say("counting clean runs ...")
    clean = coverage.some_cells(CLEAN * count)
    clean = [replace(cell, seed=seed) for cell in clean]
    covered = coverage.runs(clean, -(-CLEAN * count // len(clean)), jobs)
    _say("judging curves ...")
    cells = false_verdicts.shares_of_cells(max(count // 2, 1), jobs)
    return {
        "count": count,
        "runs": rows.to_dict("records"),
        "coverage": {by: table.to_dict("records") for by, table in coverage_tables(covered).items()},
        "verdicts": {"tables": max(count // 2, 1), "cells": [[*cell, found] for cell, found in cells.items()]},
    }


def coverage_tables(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Coverage by rule and by what varied: by modulation with one flag, which can't see it, apart from more; by all
    else of even wheels only, so that one thing at a time is told.
    """
    even = rows[rows["modulation"] == "even"]
    flags = np.where(rows["flags"] == "1", ", one flag", ", more flags")
    named = np.where(rows["modulation"] == "even", "even", rows["modulation"] + flags)
    tables = {"rule": coverage.table(rows, "rule")}
    for by in ("jitter", "flags", "law", "length", "release_s"):
        if len(even[by].unique()) > 1:
            tables[by] = coverage.table(even, by)
    if len(set(named)) > 1:
        tables["modulation"] = coverage.table(rows.assign(modulation=named), "modulation")
    return tables


def as_markdown(found: Mapping, short: bool = False) -> str:
    """The tables of `measured`, and what they come to; `short`: of the last two the most important lines."""
    rows, covered = pd.DataFrame(found["runs"]), found["coverage"]
    if short:
        covered = {by: table for by, table in covered.items() if by in ("rule", "jitter", "modulation")}
    return "\n\n".join(
        (fault_table(rows), fault_words(rows), coverage_table(covered), verdict_table(found["verdicts"], short))
    )


def fault_table(rows: pd.DataFrame) -> str:
    """One line a fault: per cent of each outcome of a run by itself, of silent ones by length, and among sisters."""
    lengths = sorted(rows["length"].unique())
    heads = ("fault", "runs", *SHOWN, *(f"at {turns:,.0f} turns" for turns in lengths), "silent among sisters")
    whole = atlas.summary(rows, ["fault"]).set_index("fault")
    silent = atlas.summary(rows, ["fault", "length"]).set_index(["fault", "length"])["silent"]
    lines = []
    for fault, line in whole.iterrows():
        cells = [line[name] for name in SHOWN] + [silent.get((fault, turns), np.nan) for turns in lengths]
        cells.append(100 * (rows[rows["fault"] == fault]["among"] == "silent").mean())
        name = f"{fault} (leaves no trace)" if atlas.FAULTS[str(fault)].hidden else fault
        lines.append((name, f"{line['n']:.0f}", *map(_share, cells)))
    return _markdown(heads, lines)


def fault_words(rows: pd.DataFrame) -> str:
    """What the atlas comes to, in a sentence or two."""
    shown = rows[[name != "none" and not atlas.FAULTS[name].hidden for name in rows["fault"]]]
    clean = rows[rows["fault"] == "none"]
    said = f"{len(rows):,} runs. "
    if len(shown):
        said += (
            f"Of {len(shown):,} with a fault that leaves a trace {_silent(shown, 'among')}, each in a table of three "
            f"conditions with three trials; by themselves {_silent(shown, 'outcome')}. "
        )
    if len(clean):
        said += (
            f"Of {len(clean)} clean runs {_troubled(clean, 'among', 'among_said')} among their sisters; "
            f"{_troubled(clean, 'outcome', 'said')} alone. "
        )
    crashes = (rows["outcome"] == "crash").sum()
    return f"{said}{f'{crashes} ended in a traceback.' if crashes else 'None ended in a traceback.'}"


def _troubled(clean: pd.DataFrame, outcome: str, said: str) -> str:
    """What is made of clean runs that should not be: doubts, wrong counts; notes, which doubt nothing, apart."""
    doubted = clean[said].str.contains(atlas.DOUBTFUL)
    noted = (clean[outcome] == "marked") & ~doubted
    wrong = ~clean[outcome].isin(["right", "marked"]) & ~doubted
    return f"{doubted.sum()} were doubtful, {wrong.sum()} wrong or refused and {noted.sum()} had a note"


def _silent(shown: pd.DataFrame, column: str) -> str:
    """How many are silently wrong, in per cent, and by which faults."""
    silent = shown[column] == "silent"
    by_fault = ", ".join(f"{fault}: {many}" for fault, many in shown[silent]["fault"].value_counts().items())
    return f"{silent.sum():,} were silently wrong, {100 * silent.mean():.2f} %{f' ({by_fault})' if by_fault else ''}"


def coverage_table(tables: Mapping[str, Sequence[Mapping]]) -> str:
    """Clean runs: how often ± 2 u held the truth by each rule, then by what varied with the rule that is used."""
    heads = (
        "clean runs (by jitter, flags, law: even wheels)",
        "runs",
        "counted",
        "duration within 2 u",
        "turns within 2 u",
        "2 u of the duration",
    )
    lines = []
    for by, table in tables.items():
        for row in table:
            if by != "rule" and row["rule"] != "best":
                continue
            name = f"rule {row['rule']}" if by == "rule" else f"{by.removesuffix('_s')} {_value(row[by])}"
            cells = [_share(row[column]) for column in ("counted %", *COVERED)]
            lines.append((name, f"{row['n']:.0f}", *cells, f"{row['duration 2u/value %']:.2g}"))
    return _markdown(heads, lines)


def verdict_table(verdicts: Mapping, short: bool = False) -> str:
    """Per cent of verdicts that claim something false, by curve and world; below, in which words."""
    cells = {tuple(cell[:4]): cell[4] for cell in verdicts["cells"]}

    def mean(name: str, world: str, place: int | None = None, value=None) -> str:
        chosen = [c[name] for key, c in cells.items() if key[3] == world and (place is None or key[place] == value)]
        return _share(100 * float(np.mean(chosen)))

    heads = ("false verdicts", *false_verdicts.WORLDS)
    lines = []
    for place, title in ((0, ""), (1, "scatter "), (2, "runs "))[: 1 if short else 3]:
        for value in dict.fromkeys(key[place] for key in cells):
            lines.append((f"{title}{value}", *(mean("false", world, place, value) for world in false_verdicts.WORLDS)))
    words = {"false": "all", "set-ups": "leaves open that set-ups differed", "named": "names a run as far off"}
    for name in ("false", *(() if short else false_verdicts.WRONG), "set-ups", "named"):
        told = words.get(name, f"of these: {name}")
        lines.append((told, *(mean(name, world) for world in false_verdicts.WORLDS)))
    return _markdown(heads, lines) + f"\n\n{verdicts['tables'] * len(cells):,} tables of trials."


def _markdown(heads: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    ruler = "|---|" + "---:|" * (len(heads) - 1)
    return "\n".join([f"| {' | '.join(heads)} |", ruler, *(f"| {' | '.join(map(str, line))} |" for line in lines)])


def _share(per_cent: float) -> str:
    """Whole per cent; small ones with a digit, so that 0 is none at all."""
    if np.isnan(per_cent):
        return "–"
    return f"{per_cent:.1f}" if 0 < per_cent < 9.95 or 99 < per_cent < 100 else f"{per_cent:.0f}"


def _value(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _say(what: str) -> None:
    print(what, file=sys.stderr, flush=True)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python3 -m kit test --faults", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=COUNT, help=f"runs for each fault, rate and length ({COUNT})")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every run and the tables here too")
    parser.add_argument("--fault", action="append", choices=list(atlas.FAULTS), help="only this one; may be repeated")
    parser.add_argument("--turns", type=float, nargs="+", help="only these lengths")
    parser.add_argument("--rule", default="best", help="counting rule (%(default)s)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes (one a processor)")
    parser.add_argument("--seed", type=int, default=0, help="other logs than those of the table in DEVELOPERS.md")
    parser.add_argument("--sisters", action="store_true", help="every log among the other runs of its table: slow")
    chosen = parser.parse_args(arguments)
    try:
        return _made(chosen)
    except KeyboardInterrupt:  # the command that began this says so
        return INTERRUPTED


def _made(chosen: argparse.Namespace) -> int:
    started = time.monotonic()
    if chosen.fault or chosen.turns or chosen.rule != "best":
        cells = atlas.all_cells(chosen.fault, chosen.turns or atlas.LENGTHS, chosen.rule, chosen.seed)
        cells = [replace(cell, sisters=chosen.sisters) for cell in cells]
        rows = atlas.runs(cells, chosen.count, chosen.jobs)
        with pd.option_context("display.max_rows", None, "display.width", 200):
            print(atlas.summary(rows).round(1).to_string(index=False))
        print(fault_words(rows))
        found = {"count": chosen.count, "runs": rows.to_dict("records")}
    else:
        found = measured(chosen.count, chosen.jobs, chosen.seed, chosen.sisters)
        print(as_markdown(found))
    _say(f"{time.monotonic() - started:.0f} s")
    if chosen.json:
        chosen.json.write_text(json.dumps(found, indent=0, default=float, ensure_ascii=False), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
