"""How many simulated cases a statistical test goes through: a share in the suite, all of them by hand.

    KIT_SWEEPS=full python -m pytest tests/unit -m slow

Seeds are fixed and the limits are the same for both, so that the share is no weaker check, only a smaller sample: a
limit lies at least two standard errors of the share, √(p(1 − p)/n), from what is meant. What is meant to hold without
exception has no share.
"""

from __future__ import annotations

import os

__all__ = ["size"]


def size(share: int, full: int) -> int:
    """`share` in the suite; `full` where the environment says KIT_SWEEPS=full."""
    return full if os.environ.get("KIT_SWEEPS") == "full" else share
