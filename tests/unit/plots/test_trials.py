"""Plots: what is drawn is what the tables say, in a style that does not depend on seeing colours."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import plotly.io as pio
import pytest

from kit.errors import KitError
from kit.logs.run import Run
from kit.motion.speed import speed_curves
from kit.plots.style import CONFIG, DASHES, MUTED, PALETTE, PAPER, SYMBOLS, new_figure, series
from kit.plots.trend_figures import curve_grid, log_ticks, loglog_figure, model_series, residuals_figure, trend_figure
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
from kit.plots.trials import agreement_figure, mean_speed_figure, periods_figure, same_shape_figure, trials_figure
from kit.stats.averages import average, compare_methods
from kit.stats.trend import bootstrap_band, fit_trends
from kit.stats.trend_models import MODELS
from kit.stats.verdict import log_log_line
from kit.wording import interval


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


def traces(figure) -> dict:
    return {trace.name: trace for trace in figure.data}


def notes(figure) -> list[str]:
    return [annotation.text for annotation in figure.layout.annotations]


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    part = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


# --- style --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("colour", [*PALETTE, MUTED])
def test_a_label_may_wear_its_lines_colour(colour):
    assert (luminance(PAPER) + 0.05) / (luminance(colour) + 0.05) >= 4.5


def test_series_differ_in_colour_and_dash_and_symbol():
    assert len(set(PALETTE)) == len(set(DASHES)) == len(set(SYMBOLS)) == 8
    looks = [tuple(series(i).values()) for i in range(56)]
    assert len(set(looks)) == 56  # a second round of colours wears other dashes


def test_every_model_has_a_look_of_its_own():
    assert len({tuple(model_series(m.name).values()) for m in MODELS}) == len(MODELS)
    assert model_series("a new one") not in [model_series(m.name) for m in MODELS]


def test_a_figure_takes_the_template_and_changes_nothing_global():
    before = pio.templates.default, list(pio.templates)
    figure = new_figure("Magnets", "Duration (s)")
    assert figure.layout.template.layout.meta == {"template": "kit"}
    assert figure.layout.template.layout.font.size >= 14
    assert (figure.layout.xaxis.title.text, figure.layout.yaxis.title.text) == ("Magnets", "Duration (s)")
    assert (pio.templates.default, list(pio.templates)) == before
    assert len(figure.to_json()) < 5_000  # plotly's own template alone takes more


def test_nothing_offers_to_upload():
    assert CONFIG["displaylogo"] is False
    assert CONFIG["plotlyServerURL"] == ""
    assert "sendChartToCloud" in CONFIG["modeBarButtonsToRemove"]


# --- trials -------------------------------------------------------------------------------------------------


def test_every_trial_is_a_dot_and_every_mean_has_its_interval(results, averages):
    drawn = traces(trials_figure(results, averages, "magnets"))
    assert sorted(drawn["each trial"].y) == sorted(results["duration_s"])
    bars = drawn["mean, 95 % interval"]
    assert list(bars.y) == list(averages["mean"])
    assert np.allclose(bars.y + bars.error_y.array, averages["high"])
    assert np.allclose(bars.y - bars.error_y.arrayminus, averages["low"])


def test_shared_scatter_gives_other_bars(results, averages):
    bars = traces(trials_figure(results, averages, "magnets", pooled=True))["mean, 95 % interval"]
    assert np.allclose(bars.y + bars.error_y.array, averages["pooled_high"])


def test_a_trial_set_aside_stays_hollow_with_its_reason_as_typed(results):
    results.loc[4, "set_aside"] = "<b>sleeve</b> & cord"
    averages = average(results, "magnets")
    drawn = traces(trials_figure(results, averages, "magnets"))
    assert len(drawn["each trial"].y) == 17
    assert list(drawn["set aside"].y) == [results.loc[4, "duration_s"]]
    assert drawn["set aside"].marker.symbol == "circle-open"
    assert "&lt;b&gt;sleeve&lt;/b&gt; &amp; cord" in drawn["set aside"].customdata[0]


def test_zoom_shows_per_cent_from_the_mean(results, averages):
    figure = trials_figure(results, averages, "magnets", zoom=True)
    dots = np.array(traces(figure)["each trial"].y)
    assert np.allclose(dots.reshape(6, 3).mean(axis=1), 0)
    first = results["duration_s"].iloc[0] / averages["mean"].iloc[0]
    assert dots[0] == pytest.approx(100 * (first - 1))
    assert "%" in figure.layout.yaxis.title.text


def test_a_run_that_ended_early_is_an_arrow_not_a_dot(results):
    results.loc[0, ["duration_s", "status", "more_than_s"]] = [np.nan, "never slow enough", 31.5]
    drawn = traces(trials_figure(results, average(results, "magnets"), "magnets"))
    assert list(drawn["ended early: more than this"].y) == [31.5]
    assert 31.5 not in drawn["each trial"].y


def test_conditions_may_be_words():
    table = pd.DataFrame({"floor": ["oak", "oak", "wool", "wool"], "turns": [10.0, 10.4, 8.0, 8.2]})
    figure = trials_figure(table, average(table, "floor", "turns"), "floor", "turns")
    assert list(figure.layout.xaxis.ticktext) == ["oak", "wool"]
    assert len(traces(figure)["each trial"].y) == 4


def test_one_condition_with_one_trial_can_be_drawn():
    table = pd.DataFrame({"magnets": [3.0], "duration_s": [16.6]})
    figure = trials_figure(table, average(table, "magnets"), "magnets")
    assert list(traces(figure)["mean, 95 % interval"].error_y.array) == [0.0]
    json.loads(figure.to_json())


# --- runs, two methods, duration beside turns ---------------------------------------------------------------


def make_run(magnets: int, trial: int, **fields) -> Run:
    drag, speed = 0.02 * (magnets + 0.5), 4.5 + 0.2 * trial  # 1/s, turns/s
    times = -np.log1p(-drag * np.arange(0.0, 0.95 * speed / drag) / speed) / drag
    return Run(times, {"magnets": float(magnets), "room": 1.0}, trial=trial, **fields)


def test_runs_of_a_condition_share_a_style_and_are_named_once():
    curves = speed_curves([make_run(n, k) for n in (1, 4) for k in (1, 2)])
    figure = periods_figure(curves, 0.3, 1.0)
    assert [t.line.dash for t in figure.data] == ["solid", "solid", "dash", "dash"]
    assert [text for text in notes(figure) if "magnet" in text] == ["1 magnet", "4 magnets"]
    assert "counting starts: 0.3 s a turn" in notes(figure)
    assert [shape.y0 for shape in figure.layout.shapes] == [0.3, 1.0]
    assert max(len(t.x) for t in figure.data) <= 300


def test_the_line_of_a_run_follows_its_curve():
    (curve,) = speed_curves([make_run(2, 1)])
    (line,) = periods_figure([curve]).data
    assert np.isin(np.array(line.y), curve.period_s).all()
    assert line.x[0] == 0


def test_runs_without_a_curve_are_refused():
    with pytest.raises(KitError, match="No run has enough passes"):
        periods_figure(speed_curves([Run(np.array([0.0, 1.0, 2.0]), {"magnets": 1.0})]))


def test_agreement_shows_bias_and_both_ranges(averages):
    found = compare_methods([1, 2, 3], [10.0, 8.1, 5.2], [9.8, 8.0, 5.1])
    figure = agreement_figure(found, first="hand", second="gate")
    levels = {shape.y0 for shape in figure.layout.shapes if shape.y0 == shape.y1}
    assert {found.bias, *found.limits, *found.next_range, 0} <= levels
    assert list(figure.data[-1].y) == list(found.pairs["difference"])
    assert figure.layout.yaxis.title.text == "Hand − gate (s)"


def test_same_shape_scales_both_to_one_condition(results, averages):
    turns = average(results, "magnets", "turns")
    drawn = traces(same_shape_figure(averages, turns, "magnets", reference=2.0))
    assert drawn["duration"].y[1] == drawn["turns"].y[1] == 1
    assert drawn["turns"].y[0] == pytest.approx(turns["mean"].iloc[0] / turns["mean"].iloc[1])
    assert drawn["duration"].marker.symbol != drawn["turns"].marker.symbol
    with pytest.raises(KitError, match="no average of duration at the reference"):
        same_shape_figure(averages, turns, "magnets", reference=5.0)


def test_mean_speed_is_turns_by_duration(results):
    figure = mean_speed_figure(results, "magnets")
    assert np.allclose(sorted(figure.data[0].y), sorted(results["turns"] / results["duration_s"]))
    results["set_aside"] = "all of them"
    with pytest.raises(KitError, match="No trial counts"):
        mean_speed_figure(results, "magnets")


# --- trends -------------------------------------------------------------------------------------------------

NAMES = {"x_name": "magnets", "quantity": "duration_s"}


def test_curves_pass_through_their_trends_and_are_dotted_where_not_tested(fitted):
    x, y, trends = fitted
    figure = trend_figure(x, y, trends[:2], **NAMES)
    assert "not tested" in notes(figure)
    pieces = [t for t in figure.data if t.name == trends[0].model]
    assert len(pieces) == 3
    inside = next(t for t in pieces if min(t.x) == 1 and max(t.x) == 8)
    assert np.allclose(inside.y, trends[0].value(np.array(inside.x)))
    assert all(t.line.dash == "2px 7px" for t in pieces if t is not inside)
    shaded = [(s.x0, s.x1) for s in figure.layout.shapes if s.type == "rect"]
    assert shaded == [(0.0, 1.0), (8.0, 9.75)]


def test_every_curve_is_named_at_its_end_without_overlap(fitted):
    x, y, trends = fitted
    figure = trend_figure(x, y, trends, **NAMES)
    labels = [a for a in figure.layout.annotations if a.showarrow]
    assert {a.text.removeprefix("<b>").removesuffix("</b>") for a in labels} == {t.model for t in trends}
    top = figure.layout.yaxis.range[1]
    at = sorted(a.y / top * 328 - a.ay for a in labels)  # pixels above the axis
    assert np.diff(at).min() >= 20
    assert at[0] > 0


def test_a_curve_without_a_value_at_zero_is_drawn_where_it_has_one(fitted):
    x, y, trends = fitted
    figure = trend_figure(x, y, [trends.named("inverse")], **NAMES)
    left = next(t for t in figure.data if t.name == "inverse" and min(t.x) == 0)
    assert np.isnan(left.y[0])
    assert np.isfinite(left.y[1:]).all()


def test_band_and_predictions_are_drawn_as_given(fitted):
    x, y, trends = fitted
    best = trends[0]
    grid = curve_grid(best)
    band = bootstrap_band(best, grid, n=200)
    single = best.predict(12.0, "single run")
    figure = trend_figure(x, y, trends[:1], band=(grid, *band), predictions=[(12.0, best, single)], **NAMES)
    filled = next(t for t in figure.data if t.fill == "toself")
    assert np.allclose(filled.y, np.r_[band.high, band.low[::-1]])
    mark = next(t for t in figure.data if t.marker.symbol == "diamond-open")
    assert (mark.x[0], mark.y[0]) == (12.0, single.value)
    assert figure.layout.xaxis.range[1] > 12


def test_residuals_stand_beside_r_squared_three_at_most(fitted):
    _, y, trends = fitted
    figure = residuals_figure(trends, **NAMES)
    titles = [text for text in notes(figure) if "R² =" in text]
    assert [text.split("<br>")[0] for text in titles] == [t.model for t in trends[:3]]
    dots = next(t for t in figure.data if t.mode == "markers")
    assert np.allclose(np.array(dots.y) / 100 + 1, y / trends[0].value(trends[0].x))
    assert sum(shape.y0 == shape.y1 == 0 for shape in figure.layout.shapes) == 3
    with pytest.raises(KitError, match="no curve to compare"):
        residuals_figure([])


def test_r_squared_is_never_rounded_up_to_one():
    x = np.repeat(np.arange(1.0, 6.0), 2)
    y = 10 / x * np.exp(0.001 * np.cos(7 * np.arange(10)))
    worst = 10 + 0.001 * np.cos(7 * np.arange(10))
    (close,) = fit_trends(x, y, models=["inverse"])
    (level,) = fit_trends(x, worst, models=["constant"])
    assert 0.99995 < close.r_squared < 1
    assert [notes(residuals_figure([t]))[0].split("= ")[1] for t in (close, level)] == ["0.9999", "0.0000"]


def test_absolute_errors_leave_residuals_in_the_datas_unit(fitted):
    x, y, _ = fitted
    (trend,) = fit_trends(x, y, errors="absolute", models=["straight line"])
    figure = residuals_figure([trend], **NAMES)
    assert figure.layout.yaxis.title.text == "Distance from the curve (s)"
    assert np.allclose(figure.data[1].y, y - trend.value(x))


def test_r_squared_appears_in_no_other_plot(fitted):
    x, y, trends = fitted
    others = [trend_figure(x, y, trends, **NAMES), loglog_figure(x, y, trends, **NAMES)]
    assert not any("R²" in figure.to_json() or "R\\u00b2" in figure.to_json() for figure in others)


def test_a_power_law_is_straight_on_logarithmic_axes(fitted):
    x, y, trends = fitted
    figure = loglog_figure(x, y, [trends.named("power law")], **NAMES)
    line = max((t for t in figure.data if t.name == "power law"), key=lambda t: len(t.x))
    slope = np.diff(np.log(line.y)) / np.diff(np.log(line.x))
    assert np.allclose(slope, trends.named("power law").parameters["p"].value)
    assert figure.layout.xaxis.type == figure.layout.yaxis.type == "log"


def test_the_line_through_logarithms_is_shown_beside_other_curves(fitted):
    x, y, trends = fitted
    line = log_log_line(x, y)
    said = "straight line through the logarithms"
    assert said in notes(loglog_figure(x, y, [trends.named("inverse")], line=line, **NAMES))
    assert said not in notes(loglog_figure(x, y, [trends.named("power law")], line=line, **NAMES))


def test_zero_has_no_place_on_logarithmic_axes():
    with pytest.raises(KitError, match=r"Logarithmic axes have no zero.*smallest magnets 0"):
        loglog_figure([0.0, 1.0], [2.0, 1.0], [], **NAMES)


@pytest.mark.parametrize(("low", "high"), [(0.9, 11.0), (6.0, 44.0), (0.01, 300.0), (4.9, 5.6)])
def test_logarithmic_ticks_are_few_and_inside(low, high):
    ticks = log_ticks(low, high)
    assert all(low <= v <= high for v in ticks["tickvals"])
    assert 1 <= len(ticks["tickvals"]) <= 14


def test_points_without_a_curve_can_be_shown(results, averages):
    figure = trend_figure(results["magnets"], results["duration_s"], [], averages=averages, **NAMES)
    assert sorted(traces(figure)["each trial"].y) == sorted(results["duration_s"])


# --- the words beside the plots of trends -------------------------------------------------------------------


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
    assert "misfit found (p < 0.001)" in table["Misfit to the means"].tolist()
    assert table["Parameters (95 % interval)"].iloc[0].replace("\u00a0", " ").startswith("A = ")
    assert "R²" not in "".join(table.columns)


def test_without_repeats_no_misfit_is_claimed():
    x = np.arange(1.0, 8.0)
    (trend,) = fit_trends(x, 10 / x * np.exp(0.01 * np.sin(x)), models=["inverse"])
    assert ranking_table([trend])["Misfit to the means"].tolist() == ["not testable without repeats"]
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
    assert words.startswith(f"Duration falls from {first:.1f} to {last:.2f} s between 1 magnet and 8 magnets.")
    assert trends[1].model in words
    assert "No curve is shown" in describe_trend([], "magnets", "duration_s", (x, y))
    assert "Power law: the means lie from" in describe_residuals([trends.named("power law")], "magnets")
    table = residuals_numbers(trends[:2], "magnets")
    assert table.shape == (18, 3)


def test_numbers_beside_the_curves_are_the_curves_values(fitted, averages):
    _, _, trends = fitted
    table = trend_numbers(trends[:1], averages, "magnets", "duration_s")
    assert float(table[trends[0].model].iloc[0]) == pytest.approx(trends[0].value(1.0), rel=1e-3)
    assert table["Magnets"].tolist() == ["1", "2", "3", "4", "6", "8"]
