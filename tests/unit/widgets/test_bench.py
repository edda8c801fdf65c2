"""The Bench widget without a browser: `set_state` is what the page sends."""

from dataclasses import replace

import numpy as np
import pytest
from traitlets import TraitError

from kit.errors import KitError
from kit.sources.push import push
from kit.sources.setup import FAULTS, bench_setup
from kit.widgets import Bench

DISC = bench_setup("coasting_disc", x_words="number of magnets")


@pytest.fixture
def kept():
    return []


@pytest.fixture
def bench(kept):
    def keep(times, conditions, note):
        kept.append((times, conditions, note))
        return f"Kept as run {len(kept)}."

    return Bench(DISC, "amber-otter-1", keep, start_period_s=0.25, stop_period_s=1.0)


def ask(bench, do, **more):
    ask.count = getattr(ask, "count", 0) + 1
    bench.set_state({"_asked": [*bench._asked, {"do": do, "id": f"page-{ask.count}", **more}]})


def floats(data):
    return np.frombuffer(data, dtype="<f8")


def test_a_push_from_the_page_sends_the_whole_run_at_once(bench):
    bench.set_state({"value": 2.0, "strength": 0.9, "tilt_deg": 1.5, "dry_hub": True})
    ask(bench, "push")
    spin = push(DISC, 2, strength=0.9, tilt_deg=1.5, dry_hub=True, code="amber-otter-1", number=1)
    shown = bench._spin
    assert shown["number"] == 1
    np.testing.assert_array_equal(floats(shown["passes"]), spin.run.pass_times_s - spin.pushed_at_s)
    assert len(floats(shown["angles"])) == len(floats(shown["speeds"]))
    assert shown["first_turns"] == spin.first_pass_turns
    assert bench.spins[1].run.pass_times_s.tobytes() == spin.run.pass_times_s.tobytes()
    assert bench._runs[0] == {
        "number": 1,
        "value": 2.0,
        "tilt_deg": 1.5,
        "hub": "dry",
        "strength": 0.9,
        "trial": 1,
        "passes": len(spin.run.pass_times_s),
        "kept": False,
    }


def test_pushes_are_numbered_and_the_same_condition_makes_trials(bench):
    for value, strength in ((1, 0.8), (2, 0.8), (1, 0.9)):
        bench.set_state({"value": float(value), "strength": strength})
        bench.push()
    assert [row["trial"] for row in bench._runs] == [1, 1, 2]
    assert list(bench.spins) == [1, 2, 3]


def test_another_student_gets_another_run(bench):
    bench.push()
    other = Bench(DISC, "amber-otter-2")
    other.push()
    assert other._spin["passes"] != bench._spin["passes"]


def test_keeping_hands_the_log_over_and_says_what_came_of_it(bench, kept):
    bench.set_state({"value": 3.0})
    ask(bench, "push")
    ask(bench, "keep", number=1, note="  went well ")
    times, conditions, note = kept[0]
    assert times.tobytes() == bench.spins[1].run.pass_times_s.tobytes()
    assert conditions == {"magnets": 3.0}
    assert note == "simulated; push 85%; went well"
    assert bench._said["text"] == "Kept as run 1."
    assert bench._runs[0]["kept"]
    assert bench.kept == {1}
    ask(bench, "keep", number=1)
    assert bench._said["problem"]
    assert "kept already" in bench._said["text"]
    assert len(kept) == 1


def test_a_run_that_was_not_kept_is_still_listed_and_can_be_kept_later(bench, kept):
    first = bench.push()
    bench.push()
    assert [row["kept"] for row in bench._runs] == [False, False]
    ask(bench, "keep", number=1)
    assert kept[0][0].tobytes() == first.run.pass_times_s.tobytes()
    assert [row["kept"] for row in bench._runs] == [True, False]


def test_requests_that_come_in_one_message_are_all_answered_once(bench, kept):
    for _ in range(2):
        bench.push()
    both = [{"do": "keep", "id": "p-1", "number": 1}, {"do": "keep", "id": "p-2", "number": 2}]
    bench.set_state({"_asked": both})
    bench.set_state({"_asked": [*both, {"do": "log", "id": "p-3", "number": 2}]})
    assert len(kept) == 2
    assert bench.kept == {1, 2}
    assert bench._log["id"] == "p-3"


def test_a_refusal_is_shown_and_the_run_is_not_lost():
    def refuse(times, conditions, note):
        raise KitError("The disk is full", fix="make room")

    bench = Bench(DISC, "c-1", refuse)
    bench.push()
    ask(bench, "keep", number=1)
    assert bench._said["text"] == "The disk is full. What to do: make room."
    assert bench._said["problem"]
    assert not bench._runs[0]["kept"]


def test_without_a_place_to_keep_runs_the_log_can_still_be_downloaded():
    bench = Bench(DISC)
    bench.push()
    ask(bench, "keep", number=1)
    assert "download the log instead" in bench._said["text"]
    ask(bench, "log", number=1)
    assert bench._log["name"] == "coasting_disc_bench_run-01.csv"
    assert bench._log["text"] == bench.log(1)
    assert bench._log["text"].startswith("# This is a simulation.")
    ask(bench, "log", number=7)
    assert "no such run" in bench._said["text"]


def test_earlier_pushes_are_made_again_and_the_numbers_go_on():
    told = []
    first = Bench(DISC, "amber-otter-1", on_push=told.append)
    for value in (1.0, 2.0):
        first.set_state({"value": value})
        first.push()
    again = Bench(DISC, "amber-otter-1", earlier=told[:2], kept_runs=[first.spins[2].run])
    assert [s.run.pass_times_s.tobytes() for s in again.spins.values()] == [
        s.run.pass_times_s.tobytes() for s in first.spins.values()
    ]
    assert [row["kept"] for row in again._runs] == [False, True]
    assert again._spin == {}  # nothing is played
    again.push()
    assert max(again.spins) == 3
    with pytest.raises(KitError, match="must lie between 0 and 12"):
        Bench(DISC, "amber-otter-1", earlier=[{"number": 1, "value": 99}])


def test_what_is_said_at_rest_tells_a_run_that_cannot_be_counted(bench):
    bench.set_state({"value": 2.0, "strength": 0.4})
    bench.push()
    assert "too weak: no turn was as quick as 0.25 s" in bench._spin["outcome"]
    bench.set_state({"strength": 1.0})
    bench.push()
    assert bench._spin["outcome"].endswith(" s.")
    assert "weak" not in bench._spin["outcome"]
    brake = Bench(bench_setup("felt_brake"), "f", start_period_s=0.25, stop_period_s=5.0)
    brake.set_state({"value": 8.0, "strength": 1.0})
    brake.push()
    assert "The last pass came before a turn took as long as 5 s" in brake._spin["outcome"]


@pytest.mark.parametrize(("name", "value"), [("value", 13.0), ("value", -1.0), ("tilt_deg", 6.0), ("strength", 0.1)])
def test_a_setting_beyond_its_range_is_not_taken(bench, name, value):
    before = getattr(bench, name)
    with pytest.raises(Exception, match="must lie between"):
        bench.set_trait(name, value)
    assert getattr(bench, name) == before


def test_a_push_the_bench_cannot_make_is_said_and_costs_no_number(bench):
    bench.set_state({"value": 2.5})  # only whole magnets
    ask(bench, "push")
    assert bench._said["problem"]
    assert "whole number" in bench._said["text"]
    assert bench._runs == []


def test_the_page_is_told_that_it_is_a_simulation(bench):
    assert bench._setup["simulated"].startswith("This is a simulation.")
    assert bench._setup["label"] == "Number of magnets"


# --- what may go wrong today ---------------------------------------------------------------------------------------


def test_nothing_goes_wrong_unless_it_is_chosen(bench):
    assert bench.fault == ""
    assert bench.push().run.note == "simulated; push 85%"
    assert [name for name, _ in bench._setup["faults"]] == list(FAULTS)


def test_a_fault_that_is_chosen_happens_and_is_named_when_it_is_kept(bench, kept):
    bench.set_state({"value": 2.0, "fault": "hand in push"})
    ask(bench, "push")
    spin = push(DISC, 2, code="amber-otter-1", number=1, fault="hand in push")
    assert bench.spins[1].run.pass_times_s.tobytes() == spin.run.pass_times_s.tobytes()
    assert bench._spin["outcome"].endswith("In this run: a hand in the beam during the push.")
    ask(bench, "keep", number=1)
    assert kept[0][2] == "simulated; push 85%; went wrong: a hand in the beam during the push"
    bench.set_state({"fault": "pushed again"})  # then no turn before the last push counts: this one was not too weak
    ask(bench, "push")
    assert "too weak" not in bench._spin["outcome"]
    assert [row["trial"] for row in bench._runs] == [1, 2]  # the same condition all the same


def test_a_surprise_is_settled_when_it_happens_and_made_again_whatever_is_offered_later():
    told, offered = [], replace(DISC, faults=("thread", "touched"))
    first = Bench(offered, "amber-otter-1", on_push=told.append)
    first.fault = "surprise"
    for _ in range(8):
        first.push()
        assert "Did something go wrong?" in first._spin["outcome"]
        assert not any(words in first._spin["outcome"] for words in FAULTS.values())
    assert {settings["fault"] for settings in told} == {"", "thread", "touched"}
    again = Bench(replace(DISC, faults=()), "amber-otter-1", earlier=told)
    assert [s.run.pass_times_s.tobytes() for s in again.spins.values()] == [
        s.run.pass_times_s.tobytes() for s in first.spins.values()
    ]


def test_the_lamp_follows_the_gate_and_the_plot_the_log(bench):
    bench.set_state({"value": 2.0, "fault": "stall"})
    spin = bench.push()
    np.testing.assert_array_equal(floats(bench._spin["at_gate"]), spin.at_gate_s - spin.pushed_at_s)
    assert (floats(bench._spin["passes"]) != floats(bench._spin["at_gate"])).any()
    bench.set_state({"fault": "touched"})
    bench.push()
    assert bench._spin["passes"] == bench._spin["at_gate"]


def test_only_what_the_teacher_offers_can_be_chosen():
    with pytest.raises(TraitError, match="one that the bench offers"):
        Bench(replace(DISC, faults=("thread",)), "c-1").fault = "stall"
    with pytest.raises(TraitError, match="one that the bench offers"):
        Bench(replace(DISC, faults=()), "c-1").fault = "surprise"
