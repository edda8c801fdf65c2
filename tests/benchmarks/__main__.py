"""The benchmark table: python3 -m kit test --benchmarks."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks import (
    accuracy,
    browser,
    browser_gate,
    claims,
    classes,
    counting,
    drag,
    false_verdicts,
    live_class,
    reading,
    sound,
    starting,
    trends,
)
from tests.benchmarks.race import Row
from tests.benchmarks.table import as_text

AREAS = (  # those with goals first: what there is no time for is left out from the end
    counting,
    classes,
    reading,
    drag,
    trends,
    sound,
    accuracy,
    claims,
    starting,
    browser,
    live_class,
    browser_gate,
    false_verdicts,
)
ITEMS: dict[str, Callable[[bool], list[Row]]] = {name: item for area in AREAS for name, item in area.ITEMS.items()}


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python3 -m kit test --benchmarks", description=__doc__)
    parser.add_argument("--only", action="append", choices=ITEMS, metavar="NAME", help=f"of {', '.join(ITEMS)}")
    parser.add_argument("--json", metavar="FILE", help="write the rows here too")
    parser.add_argument("--minutes", type=float, default=4.0, help="no further item is begun after so long (4)")
    parser.add_argument("--small", action="store_true", help="tiny sizes: shows that the table can be made, no more")
    chosen = parser.parse_args(arguments)
    started, rows, failed, left_out = time.monotonic(), [], [], []
    for name in chosen.only or ITEMS:
        if time.monotonic() - started > 60 * chosen.minutes:
            left_out.append(name)
            continue
        print(f"measuring {name} ...", end=" ", file=sys.stderr, flush=True)
        begun = time.monotonic()
        try:
            rows += ITEMS[name](chosen.small)
        except Exception:  # the others are measured all the same
            failed.append(name)
            traceback.print_exc()
        print(f"{time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    print(as_text(rows))
    print(
        f"\nMeasured side by side in {time.monotonic() - started:.0f} s; {os.cpu_count()} processors. Less is better."
    )
    if chosen.json:
        table = [asdict(row) | {"gain": row.gain, "above_floor": row.above_floor} for row in rows]
        Path(chosen.json).write_text(json.dumps(table, indent=1, ensure_ascii=False), encoding="utf-8")
    if left_out:
        print(f"Not measured, for want of time (--minutes): {', '.join(left_out)}.", file=sys.stderr)
    if failed:
        print(f"Failed: {', '.join(failed)}.", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
