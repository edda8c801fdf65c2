"""A run: the times at which the flag passed the gate, and what had to be repaired in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

__all__ = ["Repair", "Run"]


@dataclass(frozen=True)
class Repair:
    """One oddity found in a run's passes, and what is done about it unless it is refused."""

    kind: str  # "bounce": pass `index` is left out; "missed": `passes` passes are inferred before `index`
    index: int  # position in Run.pass_times_s
    time_s: float
    passes: int
    reason: str
    accepted: bool = True


@dataclass(frozen=True, eq=False)
class Run:
    """One spin-down as the gate logged it. Times stand exactly as read; repairs are a list beside them."""

    pass_times_s: np.ndarray  # (n,) strictly increasing, s
    conditions: Mapping[str, float | str] = field(default_factory=dict)
    flags_per_turn: int = 1
    trial: int = 1
    source: str = ""
    repairs: tuple[Repair, ...] = ()
    set_aside: str = ""  # the reason; empty while the run counts
    sound: str = ""  # file name of a recording, if any
    note: str = ""
