"""How many simulated cases a statistical test goes through: a share in the suite, all of them by hand.

    KIT_SWEEPS=full python -m pytest tests/unit -m slow

Seeds are fixed and the limits are the same for both: no check is weakened, the share only is a smaller sample. Where
the share of cases that come out right is judged, the limit lies at least two standard errors, √(p(1 − p)/n), from what
is meant. A fault that shows once in hundreds of cases is found by the whole, which belongs to each release.
"""

from __future__ import annotations

import os

__all__ = ["size"]


def size(share: int, full: int) -> int:
    """`share` in the suite; `full` where the environment says KIT_SWEEPS=full."""
    return full if os.environ.get("KIT_SWEEPS") == "full" else share
