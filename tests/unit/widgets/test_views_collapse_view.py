"""The collapse view: its views show the figures and words of the tables it holds."""

import pytest

from kit.errors import KitError
from kit.motion.explain import collapse, ratio_test
from kit.motion.threshold import measure
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.widgets.views import CollapseView

DISC = APPARATUS["coasting_disc"]


@pytest.fixture(scope="module")
def lesson():
    runs = session(DISC, seed=6, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8))
    return runs, measure(runs, 0.25, 1.0)


@pytest.fixture
def view(lesson) -> CollapseView:
    return CollapseView(*lesson, "magnets", 0.25, 1.0)


def test_it_shows_all_runs_on_one_curve_first(view, lesson):
    assert view.view == "collapse"
    assert len(view.collapsed) == len(collapse(lesson[0], 0.25, 1.0))
    assert "drag that grows with speed" in view._say.text
    assert view._plot.description.startswith("12 runs at 4 conditions")
    assert len(view._plot.table) == 4 + 3


def test_every_view_has_a_figure_a_description_a_table_and_words(view):
    seen = set()
    for name in ("collapse", "left over", "ratio", "close"):
        view.view = name
        seen.add(view._plot.figure.to_json())
        assert view._plot.description.endswith(".")
        assert len(view._plot.table)
        assert view._say.text
    assert len(seen) == 4


def test_what_is_left_over_is_measured_from_the_nearest_law(view):
    view.view = "left over"
    assert "from the curve of drag that grows with speed" in view._plot.description
    assert view._plot.figure.layout.yaxis.range[1] < 5  # per cent


def test_the_ratio_test_is_told_in_plain_words(view, lesson):
    view.view = "ratio"
    test = ratio_test(lesson[1], "magnets", 0.25, 1.0)
    assert view.test.ratio == test.ratio
    assert "It lies close to the kind “drag that grows with speed” (2.164 turns/s)" in view._say.text
    assert "The mixture of drags changes with magnets" in view._say.text


def test_a_click_on_a_button_changes_the_view(view):
    view._choice.set_state({"index": 2})
    assert view.view == "ratio"
    assert "Turns divided by duration" in view._plot.description


def test_runs_set_aside_in_the_table_stay_out_of_every_plot(lesson):
    runs, results = lesson
    aside = results.assign(set_aside=["hand touched it", *[""] * (len(results) - 1)])
    view = CollapseView(runs, aside, "magnets", 0.25, 1.0)
    assert results["source"].iloc[0] not in set(view.collapsed["source"])
    assert len(view.test.runs) == len(runs) - 1


def test_a_table_without_sources_takes_all_runs(lesson):
    runs, results = lesson
    view = CollapseView(runs, results.drop(columns="source"), "magnets", 0.25, 1.0)
    assert view.collapsed["source"].nunique() == len(runs)


def test_unknown_views_and_counts_to_the_last_pass_are_refused(view, lesson):
    with pytest.raises(KitError, match="no such view"):
        view.view = "everything"
    with pytest.raises(KitError, match="can't be laid on one curve"):
        CollapseView(*lesson, "magnets", 0.25, None)
