"""The stages and their cards, driven in-process by the same clicks and traits a browser sends."""

from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.claim_runs import ClaimRuns
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.logs.run import Run
from kit.record.handin import make_handin, read_handin
from kit.record.workbook import Workbook
from kit.widgets.sound_view import SoundView
from kit.widgets.stage import Stage
from kit.widgets.waiting import Waiting
from tests.forks import Forks
from tests.sealed import seal_predictions

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
pytestmark = pytest.mark.usefixtures("runs_read_once")
ANSWER = {"choice": "same", "reason": "no noise", "confidence": "6 to 9 in 10", "moment": "first"}


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(DEMO)


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.fixture
def stage(lesson, workbook):
    return lambda name: Stage(lesson, name, workbook)


@pytest.fixture
def sealed(lesson, workbook):
    """What comes after the predictions: they are sealed, except the one about sound."""
    seal_predictions(workbook, lesson, "two-magnets", "turns", "level")


def texts(widget):
    """All text on the page of a widget."""
    found = [str(getattr(widget, name, "")) for name in ("value", "description", "text", "paragraphs")]
    return " ".join([*found, *(texts(child) for child in getattr(widget, "children", ()))])


def answer(card, choice, reason="it drags more", confidence="6 to 9 in 10"):
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
        stage("predict").prediction("two-magnets").reason.value = "they turn less"
        assert stage("predict").prediction("two-magnets").reason.value == "they turn less"

    def test_after_sealing_the_draft_does_not_come_back(self, stage):
        answer(stage("predict").prediction("two-magnets"), "half", "they turn less")
        assert stage("predict").prediction("two-magnets").reason.value == ""

    def test_a_last_answer_at_the_end(self, stage, workbook):
        answer(stage("predict").prediction("two-magnets"), "half")
        answer(stage("explain").final_answer("two-magnets"), "between")
        assert workbook.latest("prediction:two-magnets")["moment"] == "end"

    def test_markup_in_an_answer_is_shown_as_text(self, stage):
        card = stage("predict").prediction("two-magnets")
        answer(card, "half", "<img src=x onerror=alert(1)>")
        assert "<img" not in texts(card)

    def test_a_folder_that_cannot_be_written_says_not_saved(self, stage, workbook):
        card = stage("predict").prediction("two-magnets")
        workbook.path.mkdir()
        answer(card, "half", "a reason")
        assert "cannot be read" in card.message.text
        assert card.message.problem
        assert card.reason.value == "a reason"


class TestPredictedCurve:
    def test_sealed_only_when_complete_and_laid_over_the_data_later(self, stage, workbook, lesson):
        seal_predictions(workbook, lesson)
        curve = stage("predict").predicted_curve("duration_s")
        curve.seal_button.click()
        assert "set a value for 1, 3, 4, 6, 12" in curve.message.text  # five of seven, where there are 45 minutes
        curve.curve.set_state({"values": [40.0, 13.0, 10.0, 7.0, 3.0]})
        curve.seal_button.click()
        assert workbook.first("predicted_curve:duration_s")["values"][0] == 40.0
        assert curve.curve.locked
        later = stage("explain").look_back_curve("duration_s")
        assert len(later.curve.measured) == 7
        assert "On average your values lie" in later.message.text

    @pytest.mark.slow
    @pytest.mark.usefixtures("sealed")
    def test_without_a_curve_the_data_show_alone(self, stage):
        assert "have not set" in stage("explain").look_back_curve("duration_s").message.text


def test_writing_is_saved_and_there_again(stage, workbook):
    box = stage("measure").observation("runs")
    box.text.value = "the lines fan out"
    box.save_button.click()
    assert workbook.latest("observation:runs") == "the lines fan out"
    assert stage("measure").observation("runs").text.value == "the lines fan out"


@pytest.mark.slow
@pytest.mark.usefixtures("sealed")
def test_thresholds_pass_on_to_the_next_stage(stage, workbook):
    picker, keep, say = stage("measure").thresholds().children
    picker.set_state({"start_period_s": 0.4})
    keep.click()
    assert "Saved" in say.text
    later = stage("average")
    assert later.progress.thresholds.start_period_s == 0.4
    assert later.results["duration_s"].max() < 38
    assert stage("measure").thresholds().children[0].start_period_s == 0.4


def test_other_thresholds_than_the_lessons_are_said_where_its_times_stand_beside_the_groups(sealed, stage, workbook):
    """The question asks from 4 turns a second on, and the counts by hand begin there: seconds alone would mislead."""

    def pages():
        explain = stage("explain")
        shown = (explain.look_back("two-magnets"), explain.look_back_curve(), stage("average").hand_counts())
        return [texts(widget) for widget in shown]

    assert not any("You count from" in page for page in pages())
    workbook.add("measure", "threshold", {"start_period_s": 0.25, "stop_period_s": 1.0, "rule": "whole turns"})
    assert not any("You count from" in page for page in pages())  # another rule, but the same stretch
    workbook.add("measure", "threshold", {"start_period_s": 0.4, "stop_period_s": None, "rule": "interpolated"})
    for page in pages():
        assert (
            "You count from 0.4 s a turn to the last pass. The lesson itself counts from 0.25 s a turn to 1 s" in page
        )


@pytest.mark.slow
@pytest.mark.usefixtures("sealed")
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


@pytest.mark.slow
@pytest.mark.usefixtures("sealed")
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


@pytest.mark.usefixtures("sealed")
def test_explanation_offers_live_values(stage, workbook):
    card = stage("explain").explanation()
    card.inserts[0].click()
    assert "±" in card.boxes["evidence"].value
    card.boxes["claim"].value = "More magnets, shorter time."
    card.save_button.click()
    assert "Still empty: reasoning, rebuttal" in card.message.text
    assert workbook.latest("explanation")["claim"] == "More magnets, shorter time."


@pytest.mark.slow
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
def test_every_step_shows_something(sealed, stage, name, call):
    assert len(texts(call(stage(name)))) > 40


@pytest.mark.slow
@pytest.mark.usefixtures("sealed")
def test_no_student_text_says_correct(stage):
    steps = [stage("explain").look_back("two-magnets"), stage("predict").prediction("turns"), stage("trend").trend()]
    assert "correct" not in " ".join(texts(step) for step in steps).lower()


LOADED = """
from kit.record.workbook import Workbook
from kit.widgets import Stage
stage = Stage({lesson!r}, {name!r}, Workbook({book!r}))
stage.welcome(), {steps}
print(*sorted(name for name in sys.modules if name.startswith("kit.") or name == "plotly.graph_objects"))
"""


@pytest.fixture(scope="module")
def forks():
    """Processes with what every page loads of others, and nothing of the kit."""
    with Forks("import sys, numpy, pandas, ipywidgets, anywidget") as forks:
        yield forks


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "steps", "loads", "spares"),
    [
        ("predict", "stage.prediction('turns'), stage.predicted_curve()", "kit.widgets.predicted_curve", "plotly"),
        ("measure", "stage.sources(), stage.observation('x')", "kit.widgets.cards", "kit.widgets.threshold_picker"),
        ("average", "stage.observation('x')", "kit.widgets.cards", "kit.widgets.trial_table"),
        ("investigate", "stage.observation('x')", "kit.widgets.cards", "kit.stats.claims"),
    ],
)
def test_a_page_loads_no_more_than_it_shows(forks, tmp_path, name, steps, loads, spares):
    program = LOADED.format(lesson=str(DEMO), name=name, steps=steps, book=str(tmp_path / "w.jsonl"))
    said, problems = forks.start(program).communicate()
    assert problems == ""
    loaded = said.split()
    assert loads in loaded
    for heavy in (spares, "kit.sound", "kit.widgets.views"):
        assert not [module for module in loaded if module.startswith(heavy)]


def test_unknown_stage(lesson, workbook):
    with pytest.raises(KitError, match="no such stage"):
        Stage(lesson, "guess", workbook)


def test_reasons_of_the_data_folder_count_too(lesson, workbook):
    progress = Progress(lesson, workbook)
    run = progress.runs[0]
    progress.lesson_runs[0] = Run(run.pass_times_s, run.conditions, source=run.source, set_aside="flag bent")
    assert progress.set_aside == {run.source: "flag bent"}


class TestHandIn:
    @pytest.mark.slow
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
        answer(stage("predict").prediction("two-magnets"), "between")
        data = workbook.export_bytes()
        elsewhere = Workbook(tmp_path / "other.jsonl")
        box = Stage(lesson, "explain", elsewhere).hand_in()
        box.file.save_button.click()
        assert "still empty" in box.file.message.text
        box.file.put_back.set_state(
            {"value": [{"name": "w.jsonl", "type": "", "size": len(data), "last_modified": 0, "content": data}]}
        )
        assert elsewhere.latest("prediction:two-magnets")["choice"] == "between"

    def test_a_code_that_is_no_code(self, stage, tmp_path):
        box = stage("explain").hand_in()
        box.folder = tmp_path
        box.code.value = "Jane <b>Doe</b>"
        box.make_button.click()
        assert box.message.problem
        assert list(tmp_path.glob("handin*")) == []


# --- the last stage: saved, brought back, withheld until a question is answered ---------------------------------------


@pytest.fixture(scope="module")
def progress(lesson, tmp_path_factory):
    return Progress(lesson, Workbook(tmp_path_factory.mktemp("work") / "group.jsonl"))


@pytest.fixture(scope="module")
def level(progress):
    return ClaimRuns(progress, "level")


@pytest.fixture(scope="module")
def loud(progress):
    return ClaimRuns(progress, "loud")


@pytest.fixture
def investigate(lesson, workbook, progress, level, loud):
    """Opens the stage anew for the same group; the data, which never change, are read once for all tests."""

    def open_again():
        opened = Stage(lesson, "investigate", workbook)
        vars(opened.progress).update(runs=progress.runs, _curves_as_read=progress._curves_as_read)
        for claim_id, known in (("level", level), ("loud", loud)):
            opened._claim_runs[claim_id] = ClaimRuns(opened.progress, claim_id, [known])
        return opened

    return open_again


def the_tester(box):
    return box.tester


def press(widget, words):
    """Click the button with these words, wherever it is."""
    if getattr(widget, "description", "") == words and hasattr(widget, "click"):
        widget.click()
        return True
    return any(press(child, words) for child in getattr(widget, "children", ()))


@pytest.mark.usefixtures("sealed")
class TestClaim:
    @pytest.mark.slow
    def test_it_is_kept_and_comes_back_with_the_same_worlds(self, investigate, workbook):
        tester = the_tester(investigate().claim("level", at=8))
        tester.fix("less", 5.0)
        tester.shuffle(100)
        tester.ask()
        kept = workbook.latest("claim_test:level@8")
        assert (kept["expect"], kept["matters"], kept["worlds"]) == ("less", 5.0, 100)
        assert kept["sentence"] == tester.verdict.sentence
        saved = len(workbook.entries)
        again = the_tester(investigate().claim("level", at=8))
        assert again.worlds == tester.worlds
        assert again.verdict.grade == tester.verdict.grade
        assert len(workbook.entries) == saved  # nothing is saved twice

    @pytest.mark.slow
    def test_a_finding_is_offered_as_evidence_at_once(self, investigate, workbook):
        here = investigate()
        card, box = here.defend("level"), here.claim("level", at=8)
        assert card.inserts == []
        tester = the_tester(box)
        tester.fix()
        tester.shuffle(100)
        tester.ask()
        (insert,) = card.inserts
        insert.click()
        assert card.boxes["evidence"].value.startswith("At 8 magnets: With tilt 3 °")
        card.save_button.click()
        assert workbook.latest("claim:level")["evidence"].startswith("At 8 magnets")
        assert workbook.latest("explanation") is None
        assert investigate().defend("level").boxes["evidence"].value.startswith("At 8 magnets")

    def test_a_step_counts_as_evidence_for_the_claim_it_leads_to(self, investigate, workbook):
        sentence = "The data support this. With hub dry it changes by −26 %."
        workbook.add("investigate", "claim_test:hub", {"sentence": sentence})
        assert investigate().defend("loud").inserts[0].description == "Insert: With hub dry it changes by −26 %."
        assert investigate().defend("level").inserts == []


@pytest.mark.usefixtures("sealed")
class TestSound:
    @pytest.mark.slow
    def test_it_waits_for_the_prediction(self, investigate, workbook):
        recordings = investigate().recordings("loud")
        levels = investigate().same_speed("loud", magnets=(1, 8), hub="greased")
        for step in (recordings, levels):
            assert isinstance(step, Waiting)
            assert "This waits for your sealed answer on this page: “You change from one magnet" in texts(step)
        workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
        assert recordings.look() and levels.look()
        assert "sound alike" in texts(levels) or "louder" in texts(levels) or "quieter" in texts(levels)

    def test_recordings_are_chosen_one_at_a_time_and_played_with_one_gain(self, investigate, workbook):
        workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
        box = investigate().recordings("loud")
        which, place = box.children
        assert len(which.options) == 12
        loud_view = place.children[0]
        assert isinstance(loud_view, SoundView)
        which.set_state({"index": 3})
        (quiet_view,) = place.children
        assert quiet_view is not loud_view
        assert "played with the same gain" in quiet_view._say.text
        assert not quiet_view._audio.autoplay

    def test_the_clicking_card(self, investigate):
        stage = investigate()
        box = stage.clicks()
        assert "the clicks" in texts(box)
        as_run = box.children[-1]
        as_run._button.click()
        [run] = stage.progress.own.runs
        assert (run.origin, dict(run.conditions)) == ("clicks", as_run._known)
        assert "Kept among your own runs: 6 magnets, trial 1" in as_run.say.text


@pytest.mark.slow
@pytest.mark.usefixtures("sealed")
def test_two_methods_answer_is_kept(investigate, workbook):
    investigate().two_methods().children[1].same_thing = "no"
    assert workbook.latest("same_thing:duration_s") == "no"
    assert investigate().two_methods().children[1].same_thing == "no"


@pytest.mark.usefixtures("sealed")
class TestOwnClaim:
    def test_a_plan_is_kept_drawn_and_handed_in(self, investigate, workbook):
        card = investigate().own_claim()
        assert card._enough.text == ""  # the runs are not measured before it is asked for
        card.how_many_button.click()
        assert "Single trials of your runs have a spread of" in card._enough.text
        card.draw_button.click()
        assert "name two different settings" in card.message.text
        card.settings[0].value, card.settings[1].value = "wax", "<b>none</b>"
        card.draw_button.click()
        assert "write down your claim first" in card.message.text
        card.boxes["claim"].value = "Wax makes it coast longer"
        card.trials.value = 5
        card.draw_button.click()
        assert "10 runs in an order drawn by lot" in card.message.text
        assert "&lt;b&gt;none" in card._sheet.value
        assert "<b>none" not in card._sheet.value
        again = investigate().own_claim()
        assert again.order.equals(card.order)
        assert again.trials.value == 5
        handed = make_handin(workbook, "amber-otter-1", "coasting_disc")
        assert handed["claims"][0]["claim"] == "Wax makes it coast longer"

    def test_how_many_trials_a_small_difference_needs(self, investigate):
        card = investigate().own_claim()
        card.how_many_button.click()
        card.matters.value = 10
        few = card._enough.text
        card.matters.value = 0.5
        assert "8 times in 10" in few
        assert "would often miss" in card._enough.text


@pytest.mark.usefixtures("sealed")
def test_the_planners_order_is_kept(investigate, workbook):
    planner = investigate().planner().children[0]
    planner._minutes.value = 20
    planner.draw()
    again = investigate().planner().children[0]
    assert again._minutes.value == 20
    assert again.order.equals(planner.order)


def test_no_text_of_the_last_stage_claims_too_much(investigate, workbook):
    workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
    here = investigate()
    steps = [here.claim("loud"), here.own_claim(), here.planner(), here.clicks(), here.recordings("loud")]
    said = " ".join(texts(step) for step in steps).lower()
    assert not [word for word in ("correct", "wrong", "proved", "true value", "human error") if word in said]


def test_a_hand_in_with_claims_reads_back(investigate, workbook, tmp_path):
    workbook.add(
        "investigate", "claim:level", {"claim": "tilt matters", "evidence": "", "reasoning": "", "rebuttal": ""}
    )
    box = investigate().hand_in()
    box.folder = tmp_path
    box.make_button.click()
    assert read_handin(box.made).claims[0]["id"] == "level"
