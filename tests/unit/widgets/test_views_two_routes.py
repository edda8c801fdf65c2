"""The two-routes page: its numbers are those of the tables, its words those of the verdict."""

import pandas as pd
import pytest

from kit.errors import KitError
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import routes
from kit.motion.threshold import measure
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.widgets.views import TwoRoutes

DISC = APPARATUS["coasting_disc"]


@pytest.fixture(scope="module")
def lesson():
    runs = session(DISC, seed=7, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8))
    return measure(runs, 0.25, 1.0), runs


@pytest.fixture(scope="module")
def page(lesson) -> TwoRoutes:
    return TwoRoutes(*lesson, "magnets", 0.25, 1.0)


def test_it_shows_the_two_routes_of_the_tables(page, lesson):
    results, runs = lesson
    pd.testing.assert_frame_equal(page.routes, routes(results, joint_fit(runs, "magnets"), 0.25, 1.0))
    plot = page.children[0]
    assert "drag of the apparatus alone, counted in magnets" in plot.description
    assert len(plot.table) == 5
    assert [trace.x[0] for trace in plot.figure.data] == page.routes["value"].tolist()


def test_it_says_whether_they_agree_what_that_means_and_where_an_inverse_fails(page):
    _, agree, title, fails, law = page.children
    assert "The two routes agree within their uncertainties." in agree.text
    assert "lead to one number" in agree.text and "same runs" in agree.text
    assert "fails" not in agree.text and "inverse must fail" in title.value
    assert "At 0 magnets, A/(x + x₀) says" in fails.text and "no single x₀ serves everything" in fails.text
    assert law.paragraphs[0].startswith("Of the seven laws tried")
    assert len(law.rows) == 7


def test_a_fit_made_before_is_not_made_again(lesson, monkeypatch):
    import kit.widgets.views as module

    joint = joint_fit(lesson[1], "magnets")
    monkeypatch.setattr(module, "joint_fit", lambda *_: pytest.fail("fitted again"))
    assert TwoRoutes(*lesson, "magnets", 0.25, 1.0, joint).joint is joint


def test_routes_that_differ_are_called_so(lesson):
    """Negative control: durations that another apparatus made."""
    results, runs = lesson
    other = results.assign(duration_s=results["duration_s"] * (1 + 0.3 / results["magnets"]))
    said = TwoRoutes(other, runs, "magnets", 0.25, 1.0).children[1].text
    assert "differ by more than their uncertainties" in said
    assert "does not hold" in said


def test_what_cannot_be_compared_is_refused_in_words(lesson):
    results, runs = lesson
    with pytest.raises(KitError, match="no drag law can foretell"):
        TwoRoutes(results, runs, "magnets", 0.25, None)
    two = [run for run in runs if run.conditions["magnets"] < 3]
    with pytest.raises(KitError, match="three conditions above 0"):
        TwoRoutes(results, two, "magnets", 0.25, 1.0)
