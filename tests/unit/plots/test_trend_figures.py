"""Plots of trends: what is drawn is what the trends say, and nothing beyond the data looks tested."""

import numpy as np
import pytest

from kit.errors import KitError
from kit.plots.trend_figures import curve_grid, log_ticks, loglog_figure, model_series, residuals_figure, trend_figure
from kit.stats.trend import bootstrap_band, fit_trends
from kit.stats.trend_models import MODELS
from kit.stats.verdict import log_log_line

NAMES = {"x_name": "magnets", "quantity": "duration_s"}


def traces(figure) -> dict:
    return {trace.name: trace for trace in figure.data}


def notes(figure) -> list[str]:
    return [annotation.text for annotation in figure.layout.annotations]


def test_every_model_has_a_look_of_its_own():
    assert len({tuple(model_series(m.name).values()) for m in MODELS}) == len(MODELS)
    assert model_series("a new one") not in [model_series(m.name) for m in MODELS]


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
