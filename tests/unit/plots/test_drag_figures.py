"""Plots on slowing down: what is drawn is what the tables say."""

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.logs.run import Run
from kit.motion.drag import DragLaw
from kit.motion.drag_fit import coasting_passes, fit_drags, fit_run
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import collapse, law_curves, ratio_test, routes
from kit.motion.threshold import measure
from kit.plots.drag_figures import KIND_LINES, collapse_figure, ratio_figure, speed_figure, two_routes_figure
from kit.plots.drag_text import short_law
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session

DISC = APPARATUS["coasting_disc"]
CURVES = law_curves(0.25, 1.0)


@pytest.fixture(scope="module")
def runs():
    return session(DISC, seed=2, gate=Gate(bounces=0, misses=0))


@pytest.fixture(scope="module")
def results(runs):
    return measure(runs, 0.25, 1.0)


@pytest.fixture(scope="module")
def collapsed(runs):
    return collapse(runs, 0.25, 1.0)


def texts(figure) -> str:
    return " | ".join(a.text for a in figure.layout.annotations)


@pytest.mark.slow
def test_every_run_and_every_law_is_on_the_collapse_plot(runs, collapsed):
    figure = collapse_figure(collapsed, CURVES, "magnets")
    lines = [trace for trace in figure.data if trace.mode == "lines" and trace.name is None]
    assert len(lines) == len(runs)
    assert [t.name for t in figure.data[-3:]] == [
        "rubbing that is always the same",
        "drag that grows with speed",
        "drag that grows with speed squared",
    ]
    np.testing.assert_allclose(figure.data[-3].y, np.linspace(1, 0.25, 61))  # constant drag: a straight line
    named = [t.name for t in figure.data if t.mode == "markers"]
    assert named == [f"{n:g} magnet{'s' if n > 1 else ''}" for n in sorted(collapsed["magnets"].unique())]
    assert len({t.marker.symbol for t in figure.data if t.mode == "markers"}) == len(named)


@pytest.mark.slow
def test_marks_of_different_conditions_do_not_hide_each_other(collapsed):
    places = np.concatenate([t.x for t in collapse_figure(collapsed, CURVES, "magnets").data if t.mode == "markers"])
    assert np.min(np.diff(np.sort(places))) > 0.02


def test_what_is_left_over_is_the_distance_from_the_chosen_curve(collapsed):
    figure = collapse_figure(collapsed, CURVES, "magnets", left_over="∝ speed")
    zero = next(t for t in figure.data if t.name == "drag that grows with speed")
    assert np.all(zero.y == 0)
    run = next(t for t in figure.data if t.mode == "lines" and t.name is None)
    expected = 100 * (np.interp(run.x, *collapsed_line(collapsed)) - 0.25 ** np.asarray(run.x))
    np.testing.assert_allclose(run.y, expected, atol=0.02)  # the curve of drag ∝ speed is r^share, tabled at 61 points
    low, high = figure.layout.yaxis.range
    assert high - low < 5
    assert "stretched" in texts(figure)


def collapsed_line(collapsed):
    first = collapsed[collapsed["magnets"] == 1].sort_values(["source", "trial", "time_share"])
    run = first[(first["source"] == first["source"].iloc[0]) & (first["trial"] == first["trial"].iloc[0])]
    return run["time_share"], run["speed_share"]


def test_an_unknown_law_to_take_off_is_refused(collapsed):
    with pytest.raises(KitError, match="no curve of this law"):
        collapse_figure(collapsed, CURVES, "magnets", left_over="∝ speed³")


def test_a_run_with_thousands_of_turns_is_drawn_with_few_points():
    law = DragLaw(b=5e-4)
    angle = 2 * np.pi * np.arange(int(0.9 * law.angle_to_rest(30.0) / (2 * np.pi)))
    run = Run(law.time_at_angle(angle, 30.0), {"n": 1.0})
    figure = collapse_figure(collapse([run], 0.25, 1.0), CURVES, "n")
    assert len(run.pass_times_s) > 8000
    assert sum(len(t.x) for t in figure.data) < 600


def test_the_ratio_plot_shows_all_runs_and_all_three_mean_speeds(results):
    test = ratio_test(results, "magnets", 0.25, 1.0)
    figure = ratio_figure(test)
    dots, means = figure.data
    np.testing.assert_array_equal(dots.y, test.runs["ratio"])
    np.testing.assert_array_equal(dots.error_y.array, test.runs["ratio_u"])
    np.testing.assert_array_equal(means.y, test.conditions["ratio"])
    assert sorted(shape.y0 for shape in figure.layout.shapes) == sorted(test.mean_speeds.values())
    for text in ("2.500", "2.164", "1.848", "The axis does not start at 0"):
        assert text in texts(figure)
    assert figure.layout.yaxis.range[0] > 1
    assert len({line["dash"] for line in KIND_LINES.values()}) == 3


def test_close_up_the_mean_speeds_outside_are_named_at_the_edge(results):
    test = ratio_test(results, "magnets", 0.25, 1.0)
    figure = ratio_figure(test, close=True)
    low, high = figure.layout.yaxis.range
    assert high - low < 0.2 * np.ptp(list(test.mean_speeds.values()))  # a fifth of what the kinds are apart
    assert [shape.y0 for shape in figure.layout.shapes] == [test.mean_speeds["∝ speed"]]
    assert "↑ rubbing that" in texts(figure) and "↓ drag that" in texts(figure)


def test_two_edge_labels_on_one_side_do_not_overlap():
    law = DragLaw(a=1.0)
    rows = [
        {"n": n, "duration_s": law.duration(25.13, 6.28) / n, "turns": law.angle(25.13, 6.28) / n / 6.2832, "trial": k}
        for n in (1, 2, 3)
        for k in (1, 2)
    ]
    table = pd.DataFrame(rows)
    table["duration_s"] *= 1 + 1e-4 * np.random.default_rng(0).standard_normal(len(table))
    figure = ratio_figure(ratio_test(table, "n", 0.25, 1.0), close=True)
    below = [a for a in figure.layout.annotations if a.text.startswith("↓")]
    assert sorted(a.yshift for a in below) == [0, 42]
    assert next(a for a in below if "squared" in a.text).yshift == 0  # the slowest stands lowest


def test_conditions_in_words_have_places_too():
    table = pd.DataFrame(
        {"floor": ["carpet", "wood"] * 2, "duration_s": [9.0, 10, 9.1, 10.1], "turns": [19.0, 21, 19, 21]}
    )
    figure = ratio_figure(ratio_test(table, "floor", 0.25, 1.0))
    assert figure.layout.xaxis.ticktext == ("carpet", "wood")


def test_both_routes_stand_side_by_side_with_their_intervals(runs, results):
    table = routes(results, joint_fit(runs, "magnets"), 0.25, 1.0)
    figure = two_routes_figure(table, "magnets")
    assert len(figure.data) == 5
    for trace, row in zip(figure.data, table.itertuples(), strict=True):
        assert trace.x[0] == row.value
        assert trace.x[0] + trace.error_x.array[0] == pytest.approx(row.high)
        assert trace.x[0] - trace.error_x.arrayminus[0] == pytest.approx(row.low)
    assert len({(t.marker.color, t.marker.symbol) for t in figure.data}) == 3
    assert figure.layout.xaxis.title.text == "The apparatus alone drags like so many magnets"


def test_an_interval_without_an_end_stays_on_the_plot(runs, results):
    table = routes(results, joint_fit(runs, "magnets"), 0.25, 1.0)
    table.loc[4, "high"] = np.inf
    figure = two_routes_figure(table, "magnets")
    assert np.isfinite(figure.data[4].error_x.array[0])
    assert "no limit" in texts(figure)


def test_one_run_with_its_laws_and_the_way_to_rest(runs):
    run = runs[0]
    fits = fit_drags(*coasting_passes(run))
    figure = speed_figure(run, fits)
    names = [t.name for t in figure.data if t.name]
    expected = [short_law(f.name) for f in fits[:3]]
    assert names == ["each turn, as measured", *expected, "the model's estimate: not measured"]
    estimate = next(t for t in figure.data if t.name == "the model's estimate: not measured")
    assert estimate.line.dash == "dash"
    assert estimate.x[0] == fits[0].times_s[-1]
    laws = [t for t in figure.data if t.name in expected]
    assert all(t.x[-1] == fits[0].times_s[-1] for t in laws)  # no solid line beyond the last pass
    assert "nothing was measured" in texts(figure) and "Model's estimate of rest" in texts(figure)
    rest = next(t for t in figure.data if t.mode == "markers" and t.marker.symbol == "diamond-open")
    assert rest.x[0] == pytest.approx(fits[0].times_s[-1] + fits[0].time_to_rest().time_s)


def test_the_way_to_rest_can_be_left_out_and_a_law_without_rest_says_so(runs):
    run = runs[0]
    only = speed_figure(run, [fit_run(run, "∝ speed")], estimate=False)
    assert [t.name for t in only.data] == ["each turn, as measured", "grows with speed"]
    assert "never quite comes to rest" in texts(speed_figure(run, [fit_run(run, "∝ speed")]))


def test_without_a_fit_there_is_nothing_to_draw(runs):
    with pytest.raises(KitError, match="no fitted law to draw"):
        speed_figure(runs[0], [])
