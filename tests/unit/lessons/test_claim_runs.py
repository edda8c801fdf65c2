"""What the demos' claims show a class, what the workbook remembers of the tests, and one run timed twice."""

from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.claim_runs import ClaimRuns, claim_evidence, gate_and_clicks
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.record.workbook import Workbook

DEMO = Path(__file__).parents[3] / "datasets_demo"


@pytest.fixture(scope="module")
def progress(tmp_path_factory):
    workbook = Workbook(tmp_path_factory.mktemp("work") / "group.jsonl")
    return Progress(load_lesson(DEMO / "coasting_disc"), workbook)


@pytest.fixture(scope="module")
def level(progress):
    return ClaimRuns(progress, "level")


@pytest.fixture(scope="module")
def loud(progress):
    return ClaimRuns(progress, "loud")


class TestTheDemosClaims:
    """What a class will find, by the designed numbers of the scenarios (a claim is supported, or can't be told)."""

    @pytest.mark.slow
    def test_level_matters_where_other_drag_is_small(self, level):
        assert level.verdict().grade == "the data support"
        designed = {0: -15.8, 1: -6.5, 8: -1.6}  # per cent, noise-free
        for magnets, percent in designed.items():
            found = level.verdict(at=magnets)
            assert found.percent.low < percent < found.percent.high
        assert level.verdict(at=0).grade == level.verdict(at=1).grade == "the data support"
        assert level.verdict(at=8).grade == "cannot tell"

    @pytest.mark.slow
    def test_a_dry_hub_costs_time_and_is_heard(self, progress, loud):
        hub = ClaimRuns(progress, "hub", [loud])
        assert hub.curves is loud.curves  # read once
        for magnets, percent in {0: -42.5, 1: -21.5, 8: -4.5}.items():
            found = hub.verdict(at=magnets)
            assert found.percent.low - 3 < percent < found.percent.high + 3
        same = loud.at_same_speed(magnets=1, hub=("greased", "dry"))
        assert same.louder_dB == pytest.approx(9, abs=3 * same.louder_u_dB)
        assert "louder than hub greased" in same.sentence

    @pytest.mark.slow
    def test_eight_magnets_brake_in_silence(self, loud):
        same = loud.at_same_speed(magnets=(1, 8), hub="greased")
        assert abs(same.louder_dB) < 3 * same.louder_u_dB < 3
        assert same.durations_s[0] > 5 * same.durations_s[1]
        assert loud.verdict().grade == "cannot tell"

    @pytest.mark.slow
    @pytest.mark.parametrize(("name", "few", "many"), [("felt_brake", 0, 3), ("card_vanes", 0, 4)])
    def test_the_other_lessons_level_claims(self, name, few, many, tmp_path):
        found = ClaimRuns(Progress(DEMO / name, Workbook(tmp_path / "w.jsonl")), "level")
        assert found.verdict(at=few).grade == "the data support"
        assert found.verdict(at=many).grade == "cannot tell"

    @pytest.mark.slow
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

    @pytest.mark.slow
    def test_what_cannot_be_asked(self, level, loud):
        with pytest.raises(KitError, match=r"No run was made there.*Found: 5"):
            level.table(at=5)
        with pytest.raises(KitError, match="One condition must be a pair"):
            loud.at_same_speed(magnets=1, hub="dry")
        with pytest.raises(KitError, match="No run was recorded like this"):
            loud.at_same_speed(magnets=(1, 2), hub="dry")


class TestTables:
    def test_levels_at_the_same_speed_in_words(self, loud):
        same = loud.at_same_speed(magnets=1, hub=("greased", "dry"))
        names = ["hub greased (dB)", "hub dry (dB)"]
        assert list(same.numbers.columns) == ["turns a second", *names, "difference (dB)"]
        assert same.numbers["difference (dB)"].tolist() == [f"{v:.1f}" for v in same.table["difference_dB"]]
        low, high = same.levels_dB
        shown = same.numbers[names].astype(float).to_numpy()
        assert (shown.min(), shown.max()) == (pytest.approx(low, abs=0.05), pytest.approx(high, abs=0.05))

    def test_both_timings_of_one_run_in_words(self, progress):
        found = gate_and_clicks(progress)
        assert found.numbers["timed by"].tolist() == ["the gate", "the clicks"]
        times = [float(cell.split(" ± ")[0]) for cell in found.numbers["coasting time"]]
        assert times == pytest.approx(found.table["duration_s"].tolist(), abs=0.01)
        assert all(" ± " in cell for cell in found.numbers["number of turns"])

    def test_no_recording_is_louder_than_the_loudest(self, loud):
        quiet = min(loud.recorded, key=lambda run: abs(loud.recording(run).samples()).max())
        assert abs(loud.recording(quiet).samples()).max() < loud.loudest() <= 1

    def test_a_lesson_without_a_clicking_card(self, tmp_path):
        with pytest.raises(KitError, match="no recording of a clicking card"):
            gate_and_clicks(Progress(DEMO / "felt_brake", Workbook(tmp_path / "w.jsonl")))


class TestEvidence:
    def test_the_latest_word_of_each_test_counts_and_steps_count_for_their_claim(self, tmp_path):
        group = Progress(DEMO / "coasting_disc", Workbook(tmp_path / "w.jsonl"))
        assert claim_evidence(group, "level") == []
        for kind, size in (("level@8", "first"), ("hub", "26 %"), ("level@8", "second"), ("level", "")):
            sentence = f"The data support this. It is {size}." if size else ""
            group.workbook.add("investigate", f"claim_test:{kind}", {"sentence": sentence})
        assert claim_evidence(group, "level") == ["At 8 magnets: It is second."]
        assert claim_evidence(group, "loud") == ["It is 26 %."]  # the claim "hub" is a step to "loud"
