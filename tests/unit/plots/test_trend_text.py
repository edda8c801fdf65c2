"""The words beside the plots of trends: the numbers of the trends, graded by fixed rules."""

import numpy as np
import pytest

from kit.plots.trend_text import (
    compared_with_best,
    describe_residuals,
    describe_trend,
    formula_of,
    one_curve_words,
    predicted,
    ranking_table,
    residuals_numbers,
    trend_numbers,
)
from kit.stats.trend import fit_trends
from kit.wording import interval


def test_formulas_are_written_as_in_a_book():
    assert formula_of("A·x^p + C") == "A·xᵖ + C"
    assert formula_of("A/(x + x0)") == "A/(x + x₀)"
    assert formula_of("A·e^(k·x)") == "A·eᵏˣ"


def test_ranking_grades_by_fixed_rules(fitted):
    _, _, trends = fitted
    table = ranking_table(trends)
    assert list(table["Curve"].str.split(":").str[0]) == [t.model for t in trends]
    assert table["Compared with the best"].iloc[0] == "the best of those tried"
    words = {t.model: compared_with_best(t, trends[0]) for t in trends[1:]}
    for trend in trends[1:]:
        gap = trend.aicc - trends[0].aicc
        expected = "cannot be told apart" if gap < 2 else "somewhat less" if gap <= 7 else "clearly less"
        assert words[trend.model].startswith(expected)
    assert "misfit found (p < 0.001)" in table["Misfit to the averages"].tolist()
    assert table["Parameters (95 % interval)"].iloc[0].replace("\u00a0", " ").startswith("A = ")
    assert "R²" not in "".join(table.columns)


def test_without_repeats_no_misfit_is_claimed():
    x = np.arange(1.0, 8.0)
    (trend,) = fit_trends(x, 10 / x * np.exp(0.01 * np.sin(x)), models=["inverse"])
    assert ranking_table([trend])["Misfit to the averages"].tolist() == ["not testable without repeats"]
    assert len(one_curve_words(trend)) == 1


def test_predictions_say_when_nothing_was_tested_there(fitted):
    _, _, trends = fitted
    inside = predicted(trends[:1], 5.0, "magnets", "duration_s")
    outside = predicted(trends[:1], 12.0, "magnets", "duration_s")
    assert len(inside) == 1
    assert outside[-1] == "Not tested: you measured only from 1 magnet to 8 magnets."
    run = trends[0].predict(5.0, "single run")
    assert interval(run.low, run.high, "s").replace(" to ", " and ") in inside[0]
    assert "no value at 0 magnets" in predicted([trends.named("inverse")], 0.0, "magnets", "duration_s")[0]


def test_descriptions_hold_the_numbers(fitted):
    x, y, trends = fitted
    words = describe_trend(trends[:2], "magnets", "duration_s", (x, y))
    first, last = y[x == 1].mean(), y[x == 8].mean()
    assert words.startswith(f"Coasting time falls from {first:.1f} to {last:.2f} s between 1 magnet and 8 magnets.")
    assert trends[1].model in words
    assert "No curve is shown" in describe_trend([], "magnets", "duration_s", (x, y))
    assert "Power law: the averages lie from" in describe_residuals([trends.named("power law")], "magnets")
    table = residuals_numbers(trends[:2], "magnets")
    assert table.shape == (18, 3)


def test_numbers_beside_the_curves_are_the_curves_values(fitted, averages):
    _, _, trends = fitted
    table = trend_numbers(trends[:1], averages, "magnets", "duration_s")
    assert float(table[trends[0].model].iloc[0]) == pytest.approx(trends[0].value(1.0), rel=1e-3)
    assert table["Magnets"].tolist() == ["1", "2", "3", "4", "6", "8"]
