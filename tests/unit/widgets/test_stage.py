"""The stages and their cards, driven in-process by the same clicks and traits a browser sends."""

from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.logs.run import Run
from kit.record.handin import read_handin
from kit.record.workbook import Workbook
from kit.widgets.stage import Stage

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(DEMO)


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def stage(lesson, workbook):
    return lambda name: Stage(lesson, name, workbook)


def texts(widget):
    """All text on the page of a widget."""
    found = [str(getattr(widget, name, "")) for name in ("value", "description", "text", "paragraphs")]
    return " ".join([*found, *(texts(child) for child in getattr(widget, "children", ()))])


def answer(card, choice, reason="it drags more", confidence="67–80 %"):
    card.choice.value, card.reason.value, card.confidence.value = choice, reason, confidence
    card.save_button.click()


class TestPrediction:
    def test_sealed_then_answered_again_with_the_first_kept(self, stage, workbook):
        card = stage("predict").prediction("two-magnets")
        answer(card, "half")
        assert "sealed" in card.message.text
        answer(card, "between", "the spindle drags too")
        saved = workbook.history("prediction:two-magnets")
        assert [(e.value["choice"], e.value["moment"], e.sealed) for e in saved] == [
            ("half", "first", True),
            ("between", "after discussion", False),
        ]
        assert workbook.first("prediction:two-magnets")["choice"] == "half"
        assert "About 19 s" in texts(card)

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"choice": None}, "choose an answer"),
            ({"reason": "  "}, "write a reason"),
            ({"confidence": None}, "how sure"),
        ],
    )
    def test_nothing_is_saved_until_all_is_there(self, stage, workbook, change, message):
        card = stage("predict").prediction("two-magnets")
        answer(card, **({"choice": "half"} | change))
        assert message in card.message.text
        assert workbook.history("prediction:two-magnets") == ()

    def test_what_was_typed_but_not_sealed_comes_back(self, stage):
        stage("predict").prediction("turns").reason.value = "they turn less"
        assert stage("predict").prediction("turns").reason.value == "they turn less"

    def test_after_sealing_the_draft_does_not_come_back(self, stage):
        answer(stage("predict").prediction("turns"), "half", "they turn less")
        assert stage("predict").prediction("turns").reason.value == ""

    def test_a_last_answer_at_the_end(self, stage, workbook):
        answer(stage("predict").prediction("two-magnets"), "half")
        answer(stage("explain").final_answer("two-magnets"), "between")
        assert workbook.latest("prediction:two-magnets")["moment"] == "end"

    def test_markup_in_an_answer_is_shown_as_text(self, stage):
        card = stage("predict").prediction("turns")
        answer(card, "half", "<img src=x onerror=alert(1)>")
        assert "<img" not in texts(card)

    def test_a_folder_that_cannot_be_written_says_not_saved(self, stage, workbook):
        card = stage("predict").prediction("turns")
        workbook.path.mkdir()
        answer(card, "half", "a reason")
        assert "cannot be read" in card.message.text
        assert card.message.problem
        assert card.reason.value == "a reason"


class TestPredictedCurve:
    def test_sealed_only_when_complete_and_laid_over_the_data_later(self, stage, workbook):
        curve = stage("predict").predicted_curve("duration_s")
        curve.seal_button.click()
        assert "set a value for 1, 2, 3" in curve.message.text
        curve.curve.set_state({"values": [40.0, 20.0, 13.0, 10.0, 7.0, 5.0, 3.0]})
        curve.seal_button.click()
        assert workbook.first("predicted_curve:duration_s")["values"][0] == 40.0
        assert curve.curve.locked
        later = stage("explain").look_back_curve("duration_s")
        assert len(later.curve.measured) == 7
        assert "On average your values lie" in later.message.text

    def test_without_a_curve_the_data_show_alone(self, stage):
        assert "have not set" in stage("explain").look_back_curve("duration_s").message.text


def test_writing_is_saved_and_there_again(stage, workbook):
    box = stage("measure").observation("runs")
    box.text.value = "the lines fan out"
    box.save_button.click()
    assert workbook.latest("observation:runs") == "the lines fan out"
    assert stage("measure").observation("runs").text.value == "the lines fan out"


def test_thresholds_pass_on_to_the_next_stage(stage, workbook):
    picker, keep, say = stage("measure").thresholds().children
    picker.set_state({"start_period_s": 0.3})
    keep.click()
    assert "Saved" in say.text
    later = stage("average")
    assert later.progress.thresholds.start_period_s == 0.3
    assert later.results["duration_s"].max() < 38
    assert stage("measure").thresholds().children[0].start_period_s == 0.3


def test_a_refused_repair_passes_on(stage):
    first = stage("measure")
    picker, keep, _ = first.thresholds().children
    run = next(i for i, r in enumerate(picker.runs) if r.repairs)
    source, before = picker.runs[run].source, picker.runs[run].repairs[0].accepted
    picker.set_state({"refused_repairs": [[run, 0]]})
    keep.click()
    curves = {curve.run.source: curve.run for curve in stage("average").progress.curves}
    assert before
    assert not curves[source].repairs[0].accepted


def test_a_trial_set_aside_stays_aside_until_taken_back(stage, workbook):
    table = stage("average").trials().children[0]
    table.set_aside(0, "a sleeve touched the disc")
    later = stage("trend")
    assert (later.results["set_aside"] != "").sum() == 1
    assert len(later.progress.counted) == 20
    again = stage("average").trials().children[0]
    again.take_back(0)
    assert len(stage("trend").progress.counted) == 21
    assert len(workbook.history("set_aside")) == 2


def test_explanation_offers_live_values(stage, workbook):
    card = stage("explain").explanation()
    card.inserts[0].click()
    assert "±" in card.boxes["evidence"].value
    card.boxes["claim"].value = "More magnets, shorter time."
    card.save_button.click()
    assert "Still empty: reasoning, rebuttal" in card.message.text
    assert workbook.latest("explanation")["claim"] == "More magnets, shorter time."


@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("measure", lambda s: s.runs_table()),
        ("average", lambda s: s.hand_counts()),
        ("trend", lambda s: s.trend("turns")),
        ("trend", lambda s: s.sensitivity()),
        ("explain", lambda s: s.same_shape()),
        ("explain", lambda s: s.collapse()),
        ("explain", lambda s: s.explore()),
        ("explain", lambda s: s.two_routes()),
        ("average", lambda s: s.comparisons()),
        ("explain", lambda s: s.time_to_rest()),
        ("explain", lambda s: s.look_back("two-magnets")),
        ("predict", lambda s: s.welcome()),
    ],
)
def test_every_step_shows_something(stage, name, call):
    assert len(texts(call(stage(name)))) > 40


def test_no_student_text_says_correct(stage):
    steps = [stage("explain").look_back("two-magnets"), stage("predict").prediction("turns"), stage("trend").trend()]
    assert "correct" not in " ".join(texts(step) for step in steps).lower()


def test_unknown_stage(lesson, workbook):
    with pytest.raises(KitError, match="no such stage"):
        Stage(lesson, "guess", workbook)


def test_reasons_of_the_data_folder_count_too(lesson, workbook):
    progress = Progress(lesson, workbook)
    run = progress.runs[0]
    progress.lesson_runs[0] = Run(run.pass_times_s, run.conditions, source=run.source, set_aside="flag bent")
    assert progress.set_aside == {run.source: "flag bent"}


class TestHandIn:
    def test_the_whole_way_from_an_answer_to_a_cleared_machine(self, stage, workbook, tmp_path):
        answer(stage("predict").prediction("two-magnets"), "between")
        box = stage("explain").hand_in()
        box.folder = tmp_path
        box.clear_button.click()
        assert "not made yet" in box.cleared.text
        box.code.value = "amber-otter-1"
        box.make_button.click()
        assert "Your hand-in is made" in box.message.text
        found = read_handin(box.made)
        assert found.code == "amber-otter-1"
        assert len(found.results) == 21
        assert found.predictions[0].first.choice == "between"
        assert "download=" in box.links.value
        box.clear_button.click()
        assert "cleared" in box.cleared.text
        assert workbook.entries == ()

    def test_a_workbook_is_downloaded_and_put_back(self, stage, workbook, lesson, tmp_path):
        answer(stage("predict").prediction("turns"), "quarter")
        data = workbook.export_bytes()
        elsewhere = Workbook(tmp_path / "other.jsonl")
        box = Stage(lesson, "explain", elsewhere).hand_in()
        box.file.save_button.click()
        assert "still empty" in box.file.message.text
        box.file.put_back.set_state(
            {"value": [{"name": "w.jsonl", "type": "", "size": len(data), "last_modified": 0, "content": data}]}
        )
        assert elsewhere.latest("prediction:turns")["choice"] == "quarter"

    def test_a_code_that_is_no_code(self, stage, tmp_path):
        box = stage("explain").hand_in()
        box.folder = tmp_path
        box.code.value = "Jane <b>Doe</b>"
        box.make_button.click()
        assert box.message.problem
        assert list(tmp_path.glob("handin*")) == []
