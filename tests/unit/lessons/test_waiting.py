"""What waits for what: sealed before seen, lifted by a teacher, and never taken away again."""

from dataclasses import replace
from pathlib import Path

import pytest

from kit.lessons.lesson import load_lesson
from kit.lessons.waiting import asked_before, data_gate, question_gate, text_gate
from kit.record.workbook import Workbook
from tests.sealed import seal_predictions

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
DATA_STAGES = ("measure", "average", "trend", "explain", "investigate")


@pytest.fixture(scope="module")
def lesson():
    """With time for all questions of the first stage."""
    return replace(load_lesson(DEMO), path="two lessons")


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


def kinds(gate):
    return [wanted.kind.partition(":")[2] for wanted in gate.missing()]


def with_questions(lesson, **changes):
    """The lesson with some of its questions changed: id -> attributes."""
    changed = (replace(q, **changes.get(q.id.replace("-", "_"), {})) for q in lesson.questions)
    return replace(lesson, questions=tuple(changed))


@pytest.mark.parametrize("stage", DATA_STAGES)
def test_all_predictions_of_the_first_stage_come_before_any_data(lesson, workbook, stage):
    assert kinds(data_gate(lesson, workbook, stage)) == ["two-magnets", "turns"]
    seal_predictions(workbook, lesson, "two-magnets")
    assert kinds(data_gate(lesson, workbook, stage)) == ["turns"]
    seal_predictions(workbook, lesson, "turns")
    assert kinds(data_gate(lesson, workbook, stage)) == []


def test_an_answer_that_is_not_sealed_opens_nothing(lesson, workbook):
    for question in ("two-magnets", "turns"):
        workbook.add("explain", f"prediction:{question}", {"choice": "half"})
    assert kinds(data_gate(lesson, workbook, "measure")) == ["two-magnets", "turns"]


def test_a_question_may_wait_for_later_data(lesson, workbook):
    later = with_questions(lesson, turns={"before": "trend"})
    assert [len(asked_before(later, stage)) for stage in DATA_STAGES] == [1, 1, 2, 2, 2]
    seal_predictions(workbook, later, "two-magnets")
    assert kinds(data_gate(later, workbook, "average")) == []
    assert kinds(data_gate(later, workbook, "trend")) == ["turns"]


def test_a_question_of_a_later_stage_comes_before_the_data_of_that_stage(lesson, workbook):
    later = with_questions(lesson, turns={"stage": "average"})
    assert [len(asked_before(later, stage)) for stage in DATA_STAGES] == [1, 2, 2, 2, 2]


def test_a_claim_waits_for_its_own_question_besides(lesson, workbook):
    assert kinds(data_gate(lesson, workbook, "investigate", "loud")) == ["two-magnets", "turns", "sound"]
    seal_predictions(workbook, lesson, "two-magnets", "turns", "level")
    assert kinds(data_gate(lesson, workbook, "investigate", "level")) == []
    assert kinds(data_gate(lesson, workbook, "investigate", "loud")) == ["sound"]
    assert kinds(data_gate(lesson, workbook, "investigate", "hub")) == []  # it asks nothing first


def test_a_question_waits_for_the_one_whose_answer_it_gives_away(lesson, workbook):
    first, second = lesson.ask("two-magnets"), lesson.ask("turns")
    assert kinds(question_gate(lesson, workbook, first, "predict")) == []
    assert kinds(question_gate(lesson, workbook, second, "predict")) == ["two-magnets"]
    seal_predictions(workbook, lesson, "two-magnets")
    assert kinds(question_gate(lesson, workbook, second, "predict")) == []


def test_the_cause_waits_for_the_groups_own_idea(lesson, workbook):
    assert kinds(text_gate(lesson, workbook, "explain")) == ["cause"]
    workbook.add("explain", "observation:cause", "the magnets pull")
    assert kinds(text_gate(lesson, workbook, "explain")) == []


def test_what_is_missing_is_said_with_its_place(lesson, workbook):
    words = [wanted.words for wanted in data_gate(lesson, workbook, "measure").missing()]
    assert words[0].startswith("your sealed answer in stage 1: “With one magnet")
    here = question_gate(lesson, workbook, lesson.ask("turns"), "predict").missing()[0].words
    assert here.startswith("your sealed answer on this page")


class TestLifted:
    def test_for_a_lesson(self, lesson, workbook):
        open_to_all = replace(lesson, wait_for_predictions=False)
        assert kinds(data_gate(open_to_all, workbook, "investigate", "loud")) == []
        assert kinds(question_gate(open_to_all, workbook, lesson.ask("turns"), "predict")) == []
        assert kinds(text_gate(open_to_all, workbook, "explain")) == []

    def test_for_one_part_now(self, lesson, workbook):
        data_gate(lesson, workbook, "measure").lift()
        assert kinds(data_gate(lesson, workbook, "measure")) == []
        assert kinds(data_gate(lesson, workbook, "average")) == ["two-magnets", "turns"]
        (entry,) = workbook.history("lifted")
        assert entry.value == {"what": "measure", "missing": ["prediction:two-magnets", "prediction:turns"]}

    def test_for_a_group(self, lesson, workbook):
        data_gate(lesson, workbook, "measure").lift(everything=True)
        assert kinds(data_gate(lesson, workbook, "average")) == []
        assert kinds(data_gate(lesson, workbook, "investigate", "loud")) == []
        assert workbook.latest("lifted")["what"] == "everything"


class TestShown:
    def test_the_first_time_is_recorded_once_and_shows_what_was_sealed_before(self, lesson, workbook):
        seal_predictions(workbook, lesson)
        for _ in range(2):
            data_gate(lesson, workbook, "measure").passed()
        assert [entry.value for entry in workbook.history("shown:measure")] == [{"missing": []}]
        assert workbook.sealed_before("prediction:turns", "shown:measure")

    def test_what_was_missing_by_then_is_recorded(self, lesson, workbook):
        data_gate(replace(lesson, wait_for_predictions=False), workbook, "measure").passed()
        seal_predictions(workbook, lesson)
        assert workbook.latest("shown:measure") == {"missing": ["prediction:two-magnets", "prediction:turns"]}
        assert not workbook.sealed_before("prediction:turns", "shown:measure")

    def test_it_is_never_taken_away_when_the_lesson_asks_more(self, lesson, workbook):
        seal_predictions(workbook, lesson, "two-magnets", "turns")
        data_gate(lesson, workbook, "measure").passed()
        more = replace(lesson, questions=(*lesson.questions, replace(lesson.questions[0], id="new")))
        assert kinds(data_gate(more, workbook, "measure")) == []
        assert kinds(data_gate(more, workbook, "average")) == ["new"]

    def test_nor_in_a_workbook_from_before_this_was_recorded(self, lesson, workbook):
        workbook.add("measure", "threshold", {"start_period_s": 0.4, "stop_period_s": 1.0, "rule": "interpolated"})
        assert kinds(data_gate(lesson, workbook, "average")) == []
        assert kinds(data_gate(lesson, workbook, "investigate", "loud")) == ["two-magnets", "turns", "sound"]
        workbook.add("investigate", "claim_test:loud@8", {})
        assert kinds(data_gate(lesson, workbook, "investigate", "loud")) == []

    def test_a_question_or_a_text_leaves_no_such_entry(self, lesson, workbook):
        question_gate(lesson, workbook, lesson.ask("turns"), "predict").passed()
        text_gate(lesson, workbook, "explain").passed()
        assert workbook.entries == ()

    def test_a_workbook_that_cannot_be_written_to_hides_no_data(self, lesson, workbook, monkeypatch):
        def full(*_args, **_more):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(workbook._journal, "append", full)
        data_gate(lesson, workbook, "measure").passed()
        assert workbook.history("shown:measure") == ()
