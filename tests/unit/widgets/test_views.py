"""The plots that answer a question, driven in-process: their figures, words and numbers are those of the tables."""

import pandas as pd
import pytest

from kit.errors import KitError
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import collapse, ratio_test, routes
from kit.motion.threshold import measure
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.widgets.views import AgreementView, CollapseView, TwoRoutes

DISC = APPARATUS["coasting_disc"]
MAGNETS = [1, 2, 3, 4, 6, 8]
HAND_S = [38.9, 23.8, 17.1, 13.5, 9.4, 7.3]
GATE_S = [37.97, 23.11, 16.61, 12.97, 9.01, 6.91]


def lesson_of(seed: int):
    """Runs of the disc, and their results between two thresholds."""
    runs = session(DISC, seed=seed, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8))
    return runs, measure(runs, 0.25, 1.0)


@pytest.fixture(scope="module")
def first_lesson():
    return lesson_of(6)


@pytest.fixture(scope="module")
def second_lesson():
    return lesson_of(7)


@pytest.fixture(scope="module")
def second_page(second_lesson) -> TwoRoutes:
    runs, results = second_lesson
    return TwoRoutes(results, runs, "magnets", 0.25, 1.0)


class TestAgreement:
    """Two methods: first the question, then the differences."""

    from kit.errors import KitError
    from kit.widgets.views import AgreementView

    def test_nothing_shows_before_the_question_is_answered(self):
        view = AgreementView(MAGNETS, HAND_S, GATE_S)
        assert view._shown.layout.display == "none"
        view._question.set_state({"index": 2})
        assert view.same_thing == "no"
        assert view._shown.layout.display == ""
        assert "different stretches of the same run" in view._say.text
        assert "Average difference" in view._say.text
        assert len(view._plot.table) == 6

    def test_the_answer_can_be_changed_and_restored(self):
        view = AgreementView(MAGNETS, HAND_S, GATE_S)
        view.same_thing = "unknown"
        assert view._question.value == "unknown"
        view.same_thing = "yes"
        assert "one of the methods" in view._say.text

    def test_too_few_pairs(self):
        with pytest.raises(KitError, match="Fewer than three pairs"):
            AgreementView([1, 2], [3, 4], [3, 4])


class TestCollapse:
    """Its views show the figures and words of the tables it holds."""

    from kit.errors import KitError
    from kit.motion.explain import collapse, ratio_test
    from kit.motion.threshold import measure
    from kit.sources.bench import APPARATUS, Gate
    from kit.sources.demo_data import session
    from kit.widgets.views import CollapseView

    @pytest.fixture
    def lesson(self, first_lesson):
        return first_lesson

    @pytest.fixture
    def view(self, lesson) -> CollapseView:
        return CollapseView(*lesson, "magnets", 0.25, 1.0)

    def test_it_shows_all_runs_on_one_curve_first(self, view, lesson):
        assert view.view == "collapse"
        assert len(view.collapsed) == len(collapse(lesson[0], 0.25, 1.0))
        assert "drag that grows with speed" in view._say.text
        assert view._plot.description.startswith("12 runs at 4 conditions")
        assert len(view._plot.table) == 4 + 3

    def test_every_view_has_a_figure_a_description_a_table_and_words(self, view):
        seen = set()
        for name in ("collapse", "left over", "ratio", "close"):
            view.view = name
            seen.add(view._plot.figure.to_json())
            assert view._plot.description.endswith(".")
            assert len(view._plot.table)
            assert view._say.text
        assert len(seen) == 4

    def test_what_is_left_over_is_measured_from_the_nearest_law(self, view):
        view.view = "left over"
        assert "from the curve of drag that grows with speed" in view._plot.description
        assert view._plot.figure.layout.yaxis.range[1] < 5  # per cent

    def test_the_ratio_test_is_told_in_plain_words(self, view, lesson):
        view.view = "ratio"
        test = ratio_test(lesson[1], "magnets", 0.25, 1.0)
        assert view.test.ratio == test.ratio
        assert "It lies close to the kind “drag that grows with speed” (2.164 turns/s)" in view._say.text
        assert "The kind of drag, or the mixture, changes with magnets" in view._say.text

    def test_a_click_on_a_button_changes_the_view(self, view):
        view._choice.set_state({"index": 2})
        assert view.view == "ratio"
        assert "Turns divided by duration" in view._plot.description

    def test_runs_set_aside_in_the_table_stay_out_of_every_plot(self, lesson):
        runs, results = lesson
        aside = results.assign(set_aside=["hand touched it", *[""] * (len(results) - 1)])
        view = CollapseView(runs, aside, "magnets", 0.25, 1.0)
        assert results["source"].iloc[0] not in set(view.collapsed["source"])
        assert len(view.test.runs) == len(runs) - 1

    def test_a_table_without_sources_takes_all_runs(self, lesson):
        runs, results = lesson
        view = CollapseView(runs, results.drop(columns="source"), "magnets", 0.25, 1.0)
        assert view.collapsed["source"].nunique() == len(runs)

    def test_unknown_views_and_counts_to_the_last_pass_are_refused(self, view, lesson):
        with pytest.raises(KitError, match="no such view"):
            view.view = "everything"
        with pytest.raises(KitError, match="can't be laid on one curve"):
            CollapseView(*lesson, "magnets", 0.25, None)


class TestTwoRoutes:
    """Its numbers are those of the tables, its words those of the verdict."""

    from kit.errors import KitError
    from kit.motion.drag_joint import joint_fit
    from kit.motion.explain import routes
    from kit.motion.threshold import measure
    from kit.sources.bench import APPARATUS, Gate
    from kit.sources.demo_data import session
    from kit.widgets.views import TwoRoutes

    @pytest.fixture
    def lesson(self, second_lesson):
        return second_lesson[::-1]

    @pytest.fixture
    def page(self, second_page) -> TwoRoutes:
        return second_page

    def test_it_shows_the_two_routes_of_the_tables(self, page, lesson):
        results, runs = lesson
        pd.testing.assert_frame_equal(page.routes, routes(results, joint_fit(runs, "magnets"), 0.25, 1.0))
        plot = page.children[0]
        assert "drag of the apparatus alone, counted in magnets" in plot.description
        assert len(plot.table) == 5
        assert [trace.x[0] for trace in plot.figure.data] == page.routes["value"].tolist()

    def test_it_says_whether_they_agree_what_that_means_and_where_an_inverse_fails(self, page):
        _, agree, title, fails, law = page.children
        assert "The two routes agree within their uncertainties." in agree.text
        assert "lead to one number" in agree.text and "same runs" in agree.text
        assert "fails" not in agree.text and "inverse must fail" in title.value
        assert "At 0 magnets, A/(x + x₀) says" in fails.text and "no single x₀ serves everything" in fails.text
        assert law.paragraphs[0].startswith("Of the seven laws tried")
        assert len(law.rows) == 7

    def test_a_fit_made_before_is_not_made_again(self, lesson, monkeypatch):
        import kit.widgets.views as module

        joint = joint_fit(lesson[1], "magnets")
        monkeypatch.setattr(module, "joint_fit", lambda *_: pytest.fail("fitted again"))
        assert TwoRoutes(*lesson, "magnets", 0.25, 1.0, joint).joint is joint

    def test_routes_that_differ_are_called_so(self, lesson):
        """Negative control: durations that another apparatus made."""
        results, runs = lesson
        other = results.assign(duration_s=results["duration_s"] * (1 + 0.3 / results["magnets"]))
        said = TwoRoutes(other, runs, "magnets", 0.25, 1.0).children[1].text
        assert "differ by more than their uncertainties" in said
        assert "does not hold" in said

    def test_what_cannot_be_compared_is_refused_in_words(self, lesson):
        results, runs = lesson
        with pytest.raises(KitError, match="no drag law can foretell"):
            TwoRoutes(results, runs, "magnets", 0.25, None)
        two = [run for run in runs if run.conditions["magnets"] < 3]
        with pytest.raises(KitError, match="three conditions above 0"):
            TwoRoutes(results, two, "magnets", 0.25, 1.0)
