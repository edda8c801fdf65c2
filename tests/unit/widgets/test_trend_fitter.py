"""The fitter of trends, used as a page uses it: by ticks, clicks and typed numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.stats.trend import fit_trends
from kit.stats.trend_models import MODELS
from kit.widgets.trend_fitter import TrendFitter


def make_results(seed: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    n = np.repeat([1.0, 2, 3, 4, 6, 8], 3)
    factor = np.exp(0.02 * rng.normal(size=n.size))
    return pd.DataFrame(
        {
            "magnets": n,
            "trial": np.tile([1, 2, 3], 6),
            "duration_s": 59.1 / (n + 0.557) * factor,
            "turns": 130.8 / (n + 0.56) * factor,
            "status": "counted",
            "set_aside": "",
        }
    )


@pytest.fixture
def fitter() -> TrendFitter:
    return TrendFitter(make_results())


def tick(fitter: TrendFitter, *names: str, on: bool = True) -> None:
    for name in names:
        fitter._boxes[name].set_state({"value": on})


def view(fitter: TrendFitter, index: int) -> None:
    fitter._view.set_state({"index": index})


def test_the_student_starts_with_points_and_no_curve(fitter):
    assert fitter.models == ()
    assert list(fitter.trends) == []
    assert fitter.verdict is None
    assert not any(box.value for box in fitter._boxes.values())
    assert fitter._ranking.value == ""
    assert "Tick a curve" in fitter._say.text


def test_one_curve_is_no_comparison(fitter):
    tick(fitter, "inverse")
    assert [t.model for t in fitter.trends] == ["inverse"]
    assert fitter.verdict is None
    assert "Tick another" in fitter._say.text
    assert "misfit is found" in fitter._say.text


def test_curves_are_compared_as_the_numbers_say(fitter):
    tick(fitter, "inverse", "shifted inverse", "power law")
    expected = fit_trends(
        make_results()["magnets"],
        make_results()["duration_s"],
        models=["inverse", "shifted inverse", "power law"],
    )
    assert [t.model for t in fitter.trends] == [t.model for t in expected]
    assert [t.aicc for t in fitter.trends] == pytest.approx([t.aicc for t in expected])
    assert fitter.verdict.leader == "shifted inverse"
    assert "shifted inverse" in fitter._say.text
    assert 'class="kit-marked"><th scope="row">shifted inverse' in fitter._ranking.value
    assert "Where to measure next: At x =" in fitter._next.text
    assert "x0" not in fitter._say.text + fitter._next.text + fitter._ranking.value


def test_unticking_takes_a_curve_away(fitter):
    tick(fitter, "inverse", "power law")
    tick(fitter, "inverse", on=False)
    assert fitter.models == ("power law",)
    assert {t.name for t in fitter._plot.figure.data if t.mode == "lines" and t.name} == {"power law"}


def test_all_and_none(fitter):
    fitter._all.click()
    assert len(fitter.trends) == len(MODELS)
    assert all(box.value for box in fitter._boxes.values())
    fitter._none.click()
    assert fitter.models == ()
    assert not any(box.value for box in fitter._boxes.values())


def test_models_may_be_set_from_code(fitter):
    fitter.models = ("power law", "exponential")
    assert {name for name, box in fitter._boxes.items() if box.value} == {"power law", "exponential"}
    assert len(fitter.trends) == 2


def test_a_hidden_menu_compares_all_at_once():
    fitter = TrendFitter(make_results(), menu="hidden")
    assert len(fitter.trends) == len(MODELS)
    assert fitter.verdict is not None
    few = TrendFitter(make_results(), menu="hidden", models=["inverse", "power law"])
    assert {t.model for t in few.trends} == {"inverse", "power law"}


def test_r_squared_stands_only_beside_the_residuals(fitter):
    tick(fitter, "inverse", "shifted inverse")
    for index, there in ((0, False), (1, True), (2, False)):
        view(fitter, index)
        shown = "".join(a.text or "" for a in fitter._plot.figure.layout.annotations)
        assert ("R²" in shown) is there
    assert "R²" not in fitter._ranking.value + fitter._say.text


def test_more_than_three_curves_in_the_residual_view_are_announced(fitter):
    tick(fitter, "inverse", "shifted inverse", "power law", "exponential")
    view(fitter, 1)
    assert "The plot shows the best 3 curves." in fitter._say.text


def test_the_band_is_shown_on_demand(fitter):
    tick(fitter, "shifted inverse")
    assert any(t.fill == "toself" for t in fitter._plot.figure.data)
    fitter._band.set_state({"value": False})
    assert not any(t.fill == "toself" for t in fitter._plot.figure.data)


def test_logarithmic_axes_refuse_a_zero_and_show_the_curves_instead():
    results = make_results()
    results["magnets"] = results["magnets"] - 1
    fitter = TrendFitter(results, models=["straight line"])
    view(fitter, 2)
    assert fitter._say.problem
    assert "Logarithmic axes have no zero" in fitter._say.text or "above 0" in fitter._say.text
    assert fitter._plot.figure.layout.xaxis.type != "log"
    view(fitter, 0)
    assert not fitter._say.problem


def test_a_curve_that_cannot_be_tried_says_why():
    results = make_results()
    results["magnets"] = results["magnets"] - 1
    fitter = TrendFitter(results)
    assert fitter._boxes["inverse"].disabled
    assert "needs every x above 0" in fitter._boxes["inverse"].tooltip
    fitter._all.click()
    assert "inverse" not in fitter.models


def test_prediction_at_a_new_condition(fitter):
    assert fitter._at.value == 5  # the first gap
    fitter._at.set_state({"value": 12.0})
    assert "Tick a curve first" in fitter._predicted.text
    tick(fitter, "shifted inverse")
    assert fitter.prediction_at == 12
    run = fitter.trends[0].predict(12.0, "single run")
    assert f"between {run.low:.2f} and {run.high:.2f} s" in fitter._predicted.text
    assert "Not tested" in fitter._predicted.text
    mark = next(t for t in fitter._plot.figure.data if t.marker.symbol == "diamond-open")
    assert mark.y[0] == pytest.approx(run.value)


def test_the_button_predicts_at_the_number_that_stands_there(fitter):
    tick(fitter, "shifted inverse")
    fitter._predict.click()
    assert fitter.prediction_at == 5
    assert "Not tested" not in fitter._predicted.text


def test_duration_and_turns(fitter):
    tick(fitter, "shifted inverse")
    first = fitter.trends[0].parameters["A"].value
    fitter._quantity.set_state({"index": 1})
    assert fitter.quantity == "turns"
    assert fitter.trends[0].parameters["A"].value == pytest.approx(2.2 * first, rel=0.03)
    assert fitter._plot.figure.layout.yaxis.title.text == "Turns"


def test_what_is_set_aside_stays_out():
    results = make_results()
    results.loc[0, "set_aside"] = "the gate fell over"
    fitter = TrendFitter(results, models=["inverse"])
    assert len(fitter.trends[0].x) == 17


def test_new_results_keep_the_curves_chosen(fitter):
    tick(fitter, "shifted inverse")
    old = fitter.trends[0].parameters["A"].value
    fitter.update(make_results().assign(duration_s=lambda t: 2 * t["duration_s"]))
    assert fitter.trends[0].parameters["A"].value == pytest.approx(2 * old)


def test_trends_and_verdict_can_be_observed(fitter):
    seen = []
    fitter.observe(lambda change: seen.append(change["name"]), ["trends", "verdict"])
    tick(fitter, "inverse", "power law")
    assert {"trends", "verdict"} <= set(seen)


def test_any_table_with_both_columns_will_do():
    table = pd.DataFrame({"pads": [1, 2, 4, 8], "loudness_dB": [8.0, 4.1, 2.0, 1.0]})
    fitter = TrendFitter(table, "pads", "loudness_dB", models=["inverse", "power law"])
    assert fitter.trends[0].model in ("inverse", "power law")


def test_bad_input_is_refused():
    with pytest.raises(KitError, match="menu is not known"):
        TrendFitter(make_results(), menu="open")
    with pytest.raises(KitError, match="no such trend model"):
        TrendFitter(make_results(), models=["parabola"])
    words = make_results().assign(magnets="few")
    with pytest.raises(KitError, match="conditions that are numbers"):
        TrendFitter(words)
