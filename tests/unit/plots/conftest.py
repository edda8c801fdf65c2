"""Tables and trends that the tests of plots draw and describe."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.stats.averages import average
from kit.stats.trend import fit_trends


def make_results(seed: int = 4, scatter: float = 0.02) -> pd.DataFrame:
    """Three trials at each of six conditions, duration and turns both near a shifted inverse."""
    rng = np.random.default_rng(seed)
    rows = []
    for n in (1, 2, 3, 4, 6, 8):
        for trial in (1, 2, 3):
            factor = np.exp(scatter * rng.normal())
            rows.append(
                {
                    "magnets": float(n),
                    "trial": trial,
                    "duration_s": 59.1 / (n + 0.557) * factor,
                    "turns": 130.8 / (n + 0.56) * factor,
                    "status": "counted",
                    "set_aside": "",
                    "source": f"magnets-{n}_trial-{trial}.csv",
                    "more_than_s": np.nan,
                }
            )
    return pd.DataFrame(rows)


@pytest.fixture
def results() -> pd.DataFrame:
    return make_results()


@pytest.fixture
def averages(results):
    return average(results, "magnets")


@pytest.fixture(scope="module")
def fitted():
    table = make_results()
    x, y = table["magnets"].to_numpy(), table["duration_s"].to_numpy()
    return x, y, fit_trends(x, y)
