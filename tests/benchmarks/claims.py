"""Evidence for a claim, beside scipy's general permutation test and bootstrap."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from kit.stats.claims import Claim, examine
from tests.benchmarks.race import Job, Row, race

__all__ = ["ITEMS"]


def a_claim(small: bool) -> list[Row]:
    """Two settings compared within six conditions, four runs each."""
    rng = np.random.default_rng(4)
    conditions = 2 if small else 6
    runs = pd.DataFrame(
        [
            {
                "magnets": m,
                "hub": hub,
                "duration_s": 40 / (m + 0.5) * (0.97 if hub else 1) * np.exp(rng.normal(0, 0.02)),
            }
            for m in range(1, conditions + 1)
            for hub in (0, 1)
            for _ in range(4)
        ]
    )
    claim = Claim("a dry hub shortens it", "duration_s", "hub", settings=(0, 1), within=("magnets",))
    log = np.log(runs["duration_s"].to_numpy()) - np.log(runs.groupby("magnets")["duration_s"].transform("mean"))
    groups = [log[runs["hub"] == hub].to_numpy() for hub in (0, 1)]
    worlds = 99 if small else 9_999

    def by_scipy():
        def difference(a, b, axis=-1):
            return np.mean(b, axis=axis) - np.mean(a, axis=axis)

        with np.errstate(all="ignore"):
            stats.permutation_test(groups, difference, n_resamples=worlds, vectorized=True, rng=1)
            stats.bootstrap(groups, difference, n_resamples=worlds, vectorized=True, rng=1)

    return [
        race(
            f"a claim: {worlds:,} shuffled worlds, effect with interval",
            Job("", lambda: examine(claim, runs)),
            Job("scipy permutation_test and bootstrap, not within conditions", by_scipy),
            note="ours: per cent and own unit, drift looked for, sentences",
        )
    ]


ITEMS = {"claims": a_claim}
