"""The widgets by eye and by hand, driven in-process by the same clicks, messages and traits that a browser sends."""

from __future__ import annotations

import numpy as np
import pytest

from kit.classroom.handins import class_first_passes
from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.lessons.own_runs import OwnRuns
from kit.lessons.progress import Progress
from kit.record.handin import make_handin, read_handin, write_handin
from kit.record.workbook import Workbook
from kit.widgets.by_eye import ByEye
from kit.widgets.stage import Stage
from kit.widgets.waiting import Waiting
from tests.sealed import seal_predictions
from tests.unit.widgets.test_stage import DEMO, texts


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(DEMO)


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture(scope="module")
def warm(lesson, tmp_path_factory):
    """The lesson's runs read and smoothed once for all tests."""
    progress = Progress(lesson, Workbook(tmp_path_factory.mktemp("warm") / "none.jsonl"))
    assert progress.lesson_curves
    return {"lesson_runs": progress.lesson_runs, "_curves_as_read": dict(progress._curves_as_read)}


@pytest.fixture
def opened(lesson, warm):
    """A stage of the lesson for a workbook."""

    def open_it(name, workbook, wait=False):
        stage = Stage(lesson, name, workbook, wait=wait)
        vars(stage.progress).update(warm)
        return stage

    return open_it


@pytest.fixture
def stage(opened, workbook):
    return lambda name: opened(name, workbook)


def tell(widget, **message):
    """A message from the page."""
    widget._handle_custom_msg(message, [])


@pytest.mark.parametrize(
    ("name", "step"), [("measure", "by_eye"), ("average", "own_count"), ("trend", "graph_by_hand")]
)
def test_nothing_of_them_shows_before_the_predictions_are_sealed(lesson, workbook, opened, name, step):
    place = getattr(opened(name, workbook, wait=True), step)()
    assert isinstance(place, Waiting) and place.content is None
    seal_predictions(workbook, lesson)
    assert place.look() and place.content is not None, place._say.text


# --- by eye ---------------------------------------------------------------------------------------------------------


class TestByEye:
    def test_each_member_clicks_unseen_then_all_see_what_it_does(self, stage, workbook):
        eye = stage("measure").by_eye()
        for chosen in (23, 25, 24):
            tell(eye.table, pick=chosen)
        assert eye.member.value == 4
        assert (eye.table.marks, eye.table.kit_after, eye.table.chosen, eye.effects.value) == ({}, None, None, "")
        eye.show_button.click()
        assert eye.found.table["pass"].tolist() == [23, 24, 25]
        assert eye.table.marks == {"23": "member 1", "24": "member 3", "25": "member 2"}
        assert f"{eye.found.kit_start_s:.3f} s" in eye.table.kit_words
        assert "go from pass 23 to pass 25" in eye.say.text
        assert "between pass 22 and 23" in eye.effects.value

    def test_a_member_may_change_a_click_before_the_look_but_not_after_it(self, stage, workbook):
        eye = stage("measure").by_eye()
        tell(eye.table, pick=23)
        eye.member.value = 1
        tell(eye.table, pick=26)
        assert eye.clicks == {1: 26}
        eye.show_button.click()
        tell(eye.table, pick=30)
        assert eye.clicks == {1: 26}
        assert "pass 30" in eye.say.text and "kept apart" in eye.say.text
        assert [e.value["after_look"] for e in workbook.history("first_pass")] == [False, False, True]

    def test_after_a_reload_the_clicks_are_there_and_unseen_ones_stay_unseen(self, stage):
        tell(stage("measure").by_eye().table, pick=23)
        again = stage("measure").by_eye()
        assert "Member 1 clicked before" in again.say.text
        assert (again.member.value, again.table.marks) == (2, {})
        again.show_button.click()
        assert stage("measure").by_eye().table.marks == {"23": "member 1"}

    def test_without_a_click_nothing_is_shown(self, stage, workbook):
        eye = stage("measure").by_eye()
        eye.show_button.click()
        assert "Nobody has clicked yet" in eye.say.text and eye.say.problem
        tell(eye.table, pick=4000)
        assert "no such pass" in eye.say.text
        tell(eye.table, pick="23")
        assert workbook.entries == ()

    def test_a_click_that_cannot_be_saved_says_so(self, stage, workbook):
        eye = stage("measure").by_eye()
        workbook.path.mkdir()
        tell(eye.table, pick=23)
        assert eye.say.problem and eye.table.chosen is None

    def test_the_classes_clicks_come_from_its_hand_ins(self, lesson, opened, workbook, tmp_path):
        folder = tmp_path / "class"
        folder.mkdir()
        other = Workbook(tmp_path / "other.jsonl")
        theirs = opened("measure", other).by_eye()
        for chosen in (22, 24):
            tell(theirs.table, pick=chosen)
        write_handin(make_handin(other, "coral-toad-2", lesson.name), folder)
        eye = opened("measure", workbook).by_eye(folder)
        tell(eye.table, pick=24)
        eye.show_button.click()
        assert eye.table.marks == {"22": "one other", "24": "member 1, one other"}
        assert "One click of your group, 2 of other groups." in eye.say.text

    def test_a_closed_class_folder_leaves_the_own_clicks(self, lesson, opened, workbook, tmp_path):
        with pytest.raises(KitError):
            class_first_passes(tmp_path / "closed", lesson.name, "", 0.25, 9)
        eye = opened("measure", workbook).by_eye(tmp_path / "closed")
        tell(eye.table, pick=24)
        eye.show_button.click()
        assert eye.table.marks == {"24": "member 1"}

    def test_all_groups_are_given_the_same_run(self, opened, workbook, tmp_path):
        other = Workbook(tmp_path / "other.jsonl")
        OwnRuns(other).add(np.cumsum(np.geomspace(0.2, 1.5, 60)), {"magnets": 2.0}, "gate")
        other.add("measure", "sources", ["gate"])
        one, two = (opened("measure", book).by_eye() for book in (workbook, other))
        assert isinstance(one, ByEye) and one.curve.run.source == two.curve.run.source


# --- a graph by hand ------------------------------------------------------------------------------------------------


class TestHandGraph:
    def draw(self, graph):
        graph.graph.points = [float(text) for text in graph.graph.averages]
        for x, height in zip(graph.graph.x_values, (38.0, 22.0, 17.0, 13.0, 9.0, 7.0, 5.0), strict=True):
            tell(graph.graph, bend=x, height=height)

    def test_what_is_missing_is_said_then_it_lies_beside_two_fitted_curves(self, stage, workbook):
        graph = stage("trend").graph_by_hand()
        graph.save_button.click()
        assert "averages at 1, 2, 3" in graph.say.text and graph.say.problem
        graph.graph.points = [1.0] * 7
        graph.save_button.click()
        assert "no curve yet" in graph.say.text
        assert (graph.graph.fitted, graph.graph.measured) == ([], [])
        self.draw(graph)
        graph.save_button.click()
        assert [curve["name"] for curve in graph.graph.fitted] == ["fitted curve A", "fitted curve B"]
        assert len(graph.graph.measured) == 7 and graph.graph.locked
        assert graph.beside["my curve"].tolist() == pytest.approx([38, 22, 17, 13, 9, 7, 5])
        kept = workbook.latest("hand_graph:duration_s")
        assert len(kept["points"]) == 7 and len(kept["curve"]) == len(kept["curve_x"])

    def test_no_name_of_a_curve_is_given_away(self, stage):
        graph = stage("trend").graph_by_hand()
        self.draw(graph)
        graph.save_button.click()
        names = [trend.model for trend in stage("trend").trends()]
        assert names and not [name for name in names if name in texts(graph)]

    def test_a_cross_far_from_its_average_is_asked_about_and_nothing_is_graded(self, stage):
        graph = stage("trend").graph_by_hand()
        self.draw(graph)
        graph.graph.points = [*graph.graph.points[:6], 9.0]
        graph.save_button.click()
        assert "One cross lies some way from its square, at 12" in graph.say.text
        assert not {"right", "wrong", "correct"} & set(graph.say.text.split())

    @pytest.mark.slow
    def test_a_draft_and_a_saved_graph_come_back(self, stage, workbook):
        self.draw(stage("trend").graph_by_hand())
        again = stage("trend").graph_by_hand()
        assert again.graph.points[0] == float(again.graph.averages[0]) and not again.graph.locked
        again.save_button.click()
        third = stage("trend").graph_by_hand()
        assert third.graph.locked and third.graph.curve == again.graph.curve
        tell(third.graph, bend=1.0, height=3.0)
        assert third.graph.curve == again.graph.curve  # what is saved stays as it is

    def test_it_is_in_the_hand_in(self, stage, workbook, lesson, tmp_path):
        graph = stage("trend").graph_by_hand()
        self.draw(graph)
        graph.save_button.click()
        path = write_handin(make_handin(workbook, "coral-toad-2", lesson.name), tmp_path)
        assert "hand_graph:duration_s" in [entry.kind for entry in read_handin(path).entries]


# --- a count of one's own ------------------------------------------------------------------------------------------


def count_a_run(own, magnets=4.0, first=8, last=30, late_s=0.0):
    """Push, tap once a turn along the gate's own passes, stop. The code fixes the run."""
    if own.workbook.code is None:
        own.workbook.choose_code("amber-otter-1")
    tell(own.player, push=magnets)
    passes = np.frombuffer(own.player._spin["passes"], "<f8")[first : last + 1]
    own.player.counted = {"number": own.player._spin["number"], "taps_s": (passes + late_s).tolist()}
    return last - first


class TestOwnCount:
    @pytest.mark.slow
    def test_a_count_joins_the_comparison_of_methods_and_the_values_to_compare(self, stage, workbook):
        page = stage("average")
        earlier, log, own = page.hand_counts(), page.comparisons(), page.own_count()
        offered = len(log.sides[0].choice.options)
        assert "own count" not in texts(earlier)
        random = np.random.default_rng(3)
        turns = count_a_run(own, late_s=random.normal(0.1, 0.03, 23))
        tell(own.player, keep={"turns": turns})
        pair = own.pairs[1]
        assert (pair.x, pair.turns) == (4, 22)
        assert pair.duration_s == pytest.approx(pair.gate_duration_s, abs=0.2)
        assert "You counted 22 turns" in own.say.text and own.player.counted == {}
        assert "Your own count (number of magnets 4)" in texts(earlier)
        assert len(log.sides[0].choice.options) == offered + 2
        again = stage("average").own_count()
        assert again.pairs == own.pairs and "22" in again.table.value

    def test_it_stands_beside_the_earlier_methods_in_the_last_stage_too(self, stage):
        own = stage("average").own_count()
        tell(own.player, keep={"turns": count_a_run(own)})
        view = stage("investigate").two_methods("turns").children[1]
        view.same_thing = "no"
        assert "Your own count (number of magnets 4) differs by 0 turns" in texts(view)
        cells = list(view._plot.table.iloc[:, 0])
        assert cells[cells.index("4") + 1] == "4, own count"
        assert len(view.agreement.pairs) == len(view._plot.table) - 1

    def test_a_count_not_kept_yet_comes_back_with_its_run(self, stage):
        own = stage("average").own_count()
        turns = count_a_run(own)
        again = stage("average").own_count()
        assert again.player.counted == own.player.counted
        assert bytes(again.player._spin["passes"]) == bytes(own.player._spin["passes"])
        tell(again.player, keep={"turns": turns})
        assert stage("average").own_count().player.counted == {}

    def test_thrown_away_it_does_not_come_back_and_the_next_push_is_another_run(self, stage):
        own = stage("average").own_count()
        count_a_run(own)
        first = bytes(own.player._spin["passes"])
        own.player.counted = {}
        assert stage("average").own_count().player.counted == {}
        count_a_run(own)
        assert bytes(own.player._spin["passes"]) != first

    @pytest.mark.parametrize(("turns", "message"), [(None, "Say how many turns"), (0, "above zero")])
    def test_what_is_no_count_is_not_kept(self, stage, workbook, turns, message):
        own = stage("average").own_count()
        count_a_run(own)
        tell(own.player, keep={"turns": turns})
        assert message in own.say.text and own.say.problem
        assert own.pairs == {} and own.player.counted

    def test_nothing_tapped_is_nothing_to_keep(self, stage):
        own = stage("average").own_count()
        tell(own.player, keep={"turns": 4})
        assert "no count to keep" in own.say.text

    def test_one_is_left_out_with_a_reason_and_stays_in_the_table(self, stage):
        own = stage("average").own_count()
        tell(own.player, keep={"turns": count_a_run(own)})
        own.leave_button.click()
        assert "no such count" in own.say.text
        own.which.value = "1"
        own.leave_button.click()
        assert "Say what happened" in own.say.text
        own.reason.value = "somebody spoke"
        own.leave_button.click()
        assert own.pairs == {} and "somebody spoke" in own.table.value
        assert "own count" not in texts(stage("average").hand_counts())

    def test_a_real_run_is_typed_beside_its_gate_log(self, stage, workbook):
        assert "Keep its log on page 2b" in texts(stage("average").own_count())
        OwnRuns(workbook).add(np.cumsum(np.geomspace(0.2, 1.5, 60)), {"magnets": 3.0}, "gate")
        own = stage("average").own_count()
        own.turns.value, own.time.value = "41", "23,4"
        own._keep_typed()
        assert (own.pairs[1].x, own.pairs[1].turns, own.pairs[1].duration_s) == (3, 41, 23.4)
        assert own.pairs[1].stretch == "thresholds"
        own.turns.value, own.time.value, own.stretch.value = "many", "23", "whole log"
        with pytest.raises(KitError, match="count of turns needs a number"):
            own._keep_typed()
