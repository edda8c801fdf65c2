"""The last stage's steps, driven in-process: saved, brought back, withheld until a question is answered."""

from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.claim_runs import ClaimRuns, gate_and_clicks
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.record.handin import make_handin, read_handin
from kit.record.workbook import Workbook
from kit.widgets.sound_view import SoundView
from kit.widgets.stage import Stage

DEMO = Path(__file__).parents[3] / "datasets_demo"
ANSWER = {"choice": "same", "reason": "no noise", "confidence": "67–80 %", "moment": "first"}


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(DEMO / "coasting_disc")


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


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
def stage(lesson, workbook, progress, level, loud):
    """Opens the stage anew for the same group; the data, which never change, are read once for all tests."""

    def open_again():
        opened = Stage(lesson, "investigate", workbook)
        vars(opened.progress).update(runs=progress.runs, _curves_as_read=progress._curves_as_read)
        for claim_id, known in (("level", level), ("loud", loud)):
            opened._claim_runs[claim_id] = ClaimRuns(opened.progress, claim_id, [known])
        return opened

    return open_again


def claim_tester(box):
    return box.children[1]


def texts(widget):
    found = [str(getattr(widget, name, "")) for name in ("value", "description", "text", "paragraphs")]
    return " ".join([*found, *(texts(child) for child in getattr(widget, "children", ()))])


def press(widget, words):
    """Click the button with these words, wherever it is."""
    if getattr(widget, "description", "") == words and hasattr(widget, "click"):
        widget.click()
        return True
    return any(press(child, words) for child in getattr(widget, "children", ()))


class TestTheDemosClaims:
    """What a class will find, by the designed numbers of the scenarios (a claim is supported, or can't be told)."""

    def test_level_matters_where_other_drag_is_small(self, level):
        assert level.verdict().grade == "the data support"
        designed = {0: -15.8, 1: -6.5, 8: -1.6}  # per cent, noise-free
        for magnets, percent in designed.items():
            found = level.verdict(at=magnets)
            assert found.percent.low < percent < found.percent.high
        assert level.verdict(at=0).grade == level.verdict(at=1).grade == "the data support"
        assert level.verdict(at=8).grade == "cannot tell"

    def test_a_dry_hub_costs_time_and_is_heard(self, progress, loud):
        hub = ClaimRuns(progress, "hub", [loud])
        assert hub.curves is loud.curves  # read once
        for magnets, percent in {0: -42.5, 1: -21.5, 8: -4.5}.items():
            found = hub.verdict(at=magnets)
            assert found.percent.low - 3 < percent < found.percent.high + 3
        same = loud.at_same_speed(magnets=1, hub=("greased", "dry"))
        assert same.louder_dB == pytest.approx(9, abs=3 * same.louder_u_dB)
        assert "louder than hub greased" in same.sentence

    def test_eight_magnets_brake_in_silence(self, loud):
        same = loud.at_same_speed(magnets=(1, 8), hub="greased")
        assert abs(same.louder_dB) < 3 * same.louder_u_dB < 3
        assert same.durations_s[0] > 5 * same.durations_s[1]
        assert loud.verdict().grade == "cannot tell"

    @pytest.mark.parametrize(("name", "few", "many"), [("felt_brake", 0, 3), ("card_vanes", 0, 4)])
    def test_the_other_lessons_level_claims(self, name, few, many, tmp_path):
        found = ClaimRuns(Progress(DEMO / name, Workbook(tmp_path / "w.jsonl")), "level")
        assert found.verdict(at=few).grade == "the data support"
        assert found.verdict(at=many).grade == "cannot tell"

    def test_what_is_said_beforehand_holds_no_result(self, level, loud):
        assert level.described(8) == "8 runs: 8 magnets; tilt 0 ° and tilt 3 °. Their order was drawn by lot."
        assert loud.described().startswith(
            "12 runs: 1 magnet and 8 magnets; hub dry and hub greased. Each was recorded."
        )

    def test_the_clicks_agree_with_the_gate(self, progress):
        table, gate, _, words = gate_and_clicks(progress)
        duration, turns = table["duration_s"].diff().iloc[1], table["turns"].diff().iloc[1]
        assert abs(duration) < 0.004
        assert abs(turns) < 0.02
        assert gate.conditions["magnets"] == 6
        assert "compared with the gate" in words

    def test_what_cannot_be_asked(self, level, loud):
        with pytest.raises(KitError, match=r"No run was made there.*Found: 5"):
            level.table(at=5)
        with pytest.raises(KitError, match="One condition must be a pair"):
            loud.at_same_speed(magnets=1, hub="dry")
        with pytest.raises(KitError, match="No run was recorded like this"):
            loud.at_same_speed(magnets=(1, 2), hub="dry")


class TestClaim:
    def test_it_is_kept_and_comes_back_with_the_same_worlds(self, stage, workbook):
        tester = claim_tester(stage().claim("level", at=8))
        tester.fix("less", 5.0)
        tester.shuffle(100)
        tester.ask()
        kept = workbook.latest("claim_test:level@8")
        assert (kept["expect"], kept["matters"], kept["worlds"]) == ("less", 5.0, 100)
        assert kept["sentence"] == tester.verdict.sentence
        saved = len(workbook.entries)
        again = claim_tester(stage().claim("level", at=8))
        assert again.worlds == tester.worlds
        assert again.verdict.grade == tester.verdict.grade
        assert len(workbook.entries) == saved  # nothing is saved twice

    def test_a_finding_is_offered_as_evidence_at_once(self, stage, workbook):
        here = stage()
        card, box = here.defend("level"), here.claim("level", at=8)
        assert card.inserts == []
        tester = claim_tester(box)
        tester.fix()
        tester.shuffle(100)
        tester.ask()
        (insert,) = card.inserts
        insert.click()
        assert card.boxes["evidence"].value.startswith("At 8 magnets: With tilt 3 °")
        card.save_button.click()
        assert workbook.latest("claim:level")["evidence"].startswith("At 8 magnets")
        assert workbook.latest("explanation") is None
        assert stage().defend("level").boxes["evidence"].value.startswith("At 8 magnets")

    def test_a_step_counts_as_evidence_for_the_claim_it_leads_to(self, stage, workbook):
        sentence = "The data support this. With hub dry it changes by −26 %."
        workbook.add("investigate", "claim_test:hub", {"sentence": sentence})
        assert stage().defend("loud").inserts[0].description == "Insert: With hub dry it changes by −26 %."
        assert stage().defend("level").inserts == []


class TestSound:
    def test_it_waits_for_the_prediction(self, stage, workbook):
        for step, words in (
            (stage().recordings("loud"), "Show the recordings"),
            (stage().same_speed("loud", magnets=(1, 8), hub="greased"), "Show the levels at the same speed"),
        ):
            assert press(step, words)
            assert "first answer the question" in texts(step)
        workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
        assert press(step, words)
        assert "sound alike" in texts(step) or "louder" in texts(step) or "quieter" in texts(step)

    def test_recordings_are_chosen_one_at_a_time_and_played_with_one_gain(self, stage, workbook):
        workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
        box = stage().recordings("loud")
        which, place = box.children
        assert len(which.options) == 12
        loud_view = place.children[0]
        assert isinstance(loud_view, SoundView)
        which.set_state({"index": 3})
        (quiet_view,) = place.children
        assert quiet_view is not loud_view
        assert "played with the same gain" in quiet_view._say.text
        assert not quiet_view._audio.autoplay

    def test_the_clicking_card(self, stage):
        assert "the clicks" in texts(stage().clicks())


def test_two_methods_answer_is_kept(stage, workbook):
    stage().two_methods().children[1].same_thing = "no"
    assert workbook.latest("same_thing:duration_s") == "no"
    assert stage().two_methods().children[1].same_thing == "no"


class TestOwnClaim:
    def test_a_plan_is_kept_drawn_and_handed_in(self, stage, workbook):
        card = stage().own_claim()
        assert "Single trials of your runs scatter by" in card._enough.text
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
        again = stage().own_claim()
        assert again.order.equals(card.order)
        assert again.trials.value == 5
        handed = make_handin(workbook, "amber-otter-1", "coasting_disc")
        assert handed["claims"][0]["claim"] == "Wax makes it coast longer"

    def test_how_many_trials_a_small_difference_needs(self, stage):
        card = stage().own_claim()
        card.matters.value = 10
        few = card._enough.text
        card.matters.value = 0.5
        assert "8 times in 10" in few
        assert "would often miss" in card._enough.text


def test_the_planners_order_is_kept(stage, workbook):
    planner = stage().planner().children[0]
    planner._minutes.value = 20
    planner.draw()
    again = stage().planner().children[0]
    assert again._minutes.value == 20
    assert again.order.equals(planner.order)


def test_no_student_text_says_correct(stage, workbook):
    workbook.add("investigate", "prediction:sound", ANSWER, sealed=True)
    here = stage()
    steps = [here.claim("loud"), here.own_claim(), here.planner(), here.clicks(), here.recordings("loud")]
    said = " ".join(texts(step) for step in steps).lower()
    assert not [word for word in ("correct", "wrong", "proved", "true value", "human error") if word in said]


def test_a_hand_in_with_claims_reads_back(stage, workbook, tmp_path):
    workbook.add(
        "investigate", "claim:level", {"claim": "tilt matters", "evidence": "", "reasoning": "", "rebuttal": ""}
    )
    box = stage().hand_in()
    box.folder = tmp_path
    box.make_button.click()
    assert read_handin(box.made).claims[0]["id"] == "level"
