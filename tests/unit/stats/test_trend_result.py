"""How a fitted trend shows itself: one line in a console, a small table in a notebook."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.stats.trend import fit_trend, fit_trends

X = np.repeat([1.0, 2.0, 4.0, 8.0], 3)
Y = 59 / (X + 0.55) * np.exp(np.random.default_rng(2).normal(0, 0.02, len(X)))


def test_a_trend_is_one_line_with_its_equation_and_its_spread():
    trend = fit_trend(X, Y, "shifted inverse")
    assert repr(trend) == f"Trend({trend.equation()}, shifted inverse: 12 trials, spread {100 * trend.scatter:.1f} %)"
    best = fit_trends(X, Y)[0]
    assert repr(best).endswith(f"{100 * best.weight:.0f} % of the evidence)")


@pytest.mark.parametrize(
    ("errors", "u", "spread"),
    [("absolute", None, r"spread 0\.\d\d\)"), ("given", np.full(12, 0.3), r"spread [\d.]+ u\)")],
)
def test_the_spread_is_in_the_unit_it_was_fitted_in(errors, u, spread):
    import re

    trend = fit_trend(X, Y, "shifted inverse", errors=errors, u=u)
    assert re.search(spread, repr(trend))


def test_the_table_of_a_trend_holds_every_number_with_its_interval_and_its_warning():
    trend = fit_trend(X, Y, "shifted inverse")
    page = trend._repr_html_()
    assert page.count("<tr>") == 3 and "<td>A</td>" in page and "<td>x0</td>" in page
    assert "95 % interval" in page and " ± " in page
    assert replace(trend, note="x0 < 0 & more")._repr_html_().endswith("<p>x0 &lt; 0 &amp; more</p>")
