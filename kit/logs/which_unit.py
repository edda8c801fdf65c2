"""The unit of times whose heading gives none: the one in which a rotor spun by hand would make such gaps.

It is decided for all files of a folder at once. Where two units are possible, or the only one is unusual, it is asked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import AmbiguousLog, KitError
from .units import TIME_UNITS, UNITS

__all__ = ["unit_of_gaps", "unit_of_steps"]

SHORTEST_GAP_S, LONGEST_GAP_S = 0.002, 20.0  # usual gaps that are possible: a disc of many slots, a slow turntable
SHORTEST_USUAL_S, SLOWEST_START_S = 0.005, 1.5  # what is usual: the fastest gap of a push by hand
SHORTEST_RUN_S, LONGEST_RUN_S = 1.0, 7200.0
MAYBE_MINUTES_S = 0.02  # gaps this short, read as seconds, are turn periods if they are minutes
WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "min": "minutes"}


def unit_of_gaps(gaps: Sequence[np.ndarray], file: str) -> str:
    """The unit of the gaps between passes of one or more runs.

    Raises
    ------
    AmbiguousLog : several are possible, or the one that is possible would be an unusually slow run of whole numbers.
    KitError : none is possible.
    """
    gaps = [np.asarray(g, float) for g in gaps]
    gaps = [g[g > 0] for g in gaps if (g > 0).any()]
    if not gaps:
        return "s"
    usual = float(np.median([np.median(g) for g in gaps]))
    fast = float(min(np.percentile(g, 10) for g in gaps))
    longest = float(max(g.sum() for g in gaps))
    whole = all((g % 1 == 0).all() for g in gaps)
    seconds = {unit: usual / per for unit, per in UNITS.items()}
    possible = [
        unit
        for unit, per in UNITS.items()
        if SHORTEST_GAP_S <= seconds[unit] <= LONGEST_GAP_S and SHORTEST_RUN_S <= longest / per <= LONGEST_RUN_S
    ]
    likely = [
        unit
        for unit, per in UNITS.items()
        if SHORTEST_USUAL_S <= seconds[unit] <= LONGEST_GAP_S and fast / per <= SLOWEST_START_S
    ]
    if not whole and seconds["s"] <= LONGEST_GAP_S:  # decimals are how seconds are written
        if seconds["s"] < MAYBE_MINUTES_S and longest * 60 > SHORTEST_RUN_S and len(gaps[0]) > 4 and not likely:
            raise _question(usual, ["s", "min"], file)
        if not possible or possible == ["s"]:
            return "s"
    if len(likely) == 1 and set(possible) <= set(likely):
        return likely[0]
    options = list(dict.fromkeys([*likely, *possible]))
    if not options:
        if seconds["us"] > LONGEST_GAP_S:
            raise KitError(
                "The gaps between passes are absurdly long",
                file=file,
                found=f"usually {usual:g}",
                fix="check the column, and write its unit in the header",
            )
        return next(unit for unit in UNITS if seconds[unit] <= LONGEST_GAP_S)
    near = [unit for unit in UNITS if 1e-4 < seconds[unit] <= 10 * LONGEST_GAP_S]
    raise _question(usual, list(dict.fromkeys([*options, *near])), file)


def unit_of_steps(steps: Sequence[np.ndarray], file: str) -> str:
    """The unit of the times of a table's rows: seconds if they have decimals, else asked."""
    usual = float(np.median(np.concatenate(list(steps)))) if steps else 0.0
    if usual % 1 and 0.001 <= usual <= 5:
        return "s"
    raise _question(usual, ["s", "ms", "us"], file)


def _question(usual: float, units: list[str], file: str) -> AmbiguousLog:
    def shown(unit: str) -> str:
        return f"{WORDS[unit]}: usually {usual / TIME_UNITS[unit]:.3g} s from row to row"

    return AmbiguousLog(
        "The unit of the times is not written, and their size does not decide it",
        file=file,
        options={shown(unit): {"unit": unit} for unit in units},
    )
