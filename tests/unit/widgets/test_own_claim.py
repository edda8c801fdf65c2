"""The planner on the page: fields change the plan, the order is drawn, the sheet can be saved."""

import base64
import re
from pathlib import Path

import numpy as np
import pytest

from kit.errors import KitError
from kit.lessons.lesson import load_lesson
from kit.record.workbook import Workbook
from kit.stats.claims import SUPPORT
from kit.stats.planning import Pilot
from kit.stats.trend import fit_trend
from kit.widgets import MakeRuns, Stage
from kit.widgets.own_claim import TrialPlanner
from tests.sealed import seal_predictions

PROJECT = Path(__file__).parents[3]

MAGNETS = np.array([1, 2, 3, 4, 6, 8], dtype=float)


@pytest.fixture
def planner():
    rng = np.random.default_rng(1)
    x = np.repeat(MAGNETS, 2)
    trend = fit_trend(x, 59.1 / (x + 0.557) * np.exp(0.02 * rng.standard_normal(x.size)), "shifted inverse")
    return TrialPlanner(trend, "magnets", range(1, 13), minutes=15, cautions=["Count the magnets."], seed=3)


def test_it_opens_with_a_plan_for_the_shape(planner):
    assert planner.plan.attrs["parameter"] == "x0"
    assert planner.plan["minutes"].iloc[-1] <= 15
    assert "± " in planner._say.text
    assert "Nothing tests it at" in planner._say.text


def test_fields_change_the_plan(planner):
    before = len(planner.plan)
    planner._minutes.set_state({"value": 30.0})
    assert len(planner.plan) > before
    planner._parameter.set_state({"index": 0})
    assert planner.plan.attrs["parameter"] == "A"
    planner._reset.set_state({"value": 600.0})
    assert len(planner.plan) < before


def test_too_little_time_is_said(planner):
    planner._minutes.set_state({"value": 1.0})
    planner._reset.set_state({"value": 3600.0})
    assert "Not even one run" in planner._say.text
    with pytest.raises(KitError, match="no run"):
        planner.draw()


def test_the_order_and_the_sheet(planner):
    planner._reference.set_state({"index": 2})
    order = planner.draw()
    assert (order["role"] == "reference").sum() == 3
    assert sorted(order.loc[order["role"] == "run", "x"]) == sorted(planner.plan["x"])
    coded = re.search(r"base64,([^\"]+)", planner._sheet.value).group(1)
    page = base64.b64decode(coded).decode()
    assert page.count("<tr") == len(order) + 1
    assert "Count the magnets." in page


def test_a_new_plan_forgets_the_old_order(planner):
    planner.draw()
    planner._minutes.set_state({"value": 20.0})
    assert planner.order is None
    assert planner._sheet.value == ""


def test_a_guess_before_anything_is_measured():
    planner = TrialPlanner(Pilot("power law", {"A": 40.0, "p": -1.0}, 0.03, 0), "pads", [3, 4, 5, 6, 8])
    assert np.isfinite(planner.plan["half_width"].iloc[-1])


def test_nothing_to_plan_with():
    with pytest.raises(KitError, match="no condition to plan with"):
        TrialPlanner(Pilot("power law", {"A": 40.0, "p": -1.0}, 0.03, 0))


# --- a claim of the group's own, and the runs it makes for it ------------------------------------------------------


@pytest.fixture
def group(tmp_path):
    lesson, workbook = load_lesson(PROJECT / "datasets_demo" / "coasting_disc"), Workbook(tmp_path / "group.jsonl")
    seal_predictions(workbook, lesson)
    workbook.choose_code("amber-otter-1")  # which fixes what scatters on the bench
    return Stage(lesson, "investigate", workbook), MakeRuns(lesson, workbook)


def plan(stage, first, second, statement="A tilted spindle brakes."):
    card = stage.own_claim()
    card.boxes["claim"].value = statement
    for field, setting in zip(card.settings, (first, second), strict=True):
        field.value = setting
    card.save_button.click()
    assert "Saved." in card.message.text
    return card


def put_to_the_test(place):
    """With the page's own buttons: the runs, the claim, worlds, what the data say."""
    place.test_button.click()
    tester = place.test.tester
    tester._put_down.click()
    tester.shuffle(100)
    tester._ask.click()
    return tester.verdict


@pytest.mark.slow
def test_a_claim_of_ones_own_is_tested_with_runs_made_on_the_bench(group):
    stage, make = group
    place = stage.test_own_claim()
    assert place.message.text == "First write your claim above, and save your plan."
    plan(stage, "upright", "")
    place.look_button.click()
    assert "name your two settings" in place.message.text
    plan(stage, "0", "5 degrees")
    place.look_button.click()
    assert "no runs of your own yet" in place.message.text

    tilts, bench = (0, 5, 5, 0, 5, 0, 0, 5), make.bench()
    bench.value = 2
    for number, tilt in enumerate(tilts, 1):
        bench.tilt_deg = tilt
        bench.push()
        bench.keep(number)
    place.look_button.click()
    assert [field.value for field in place.fields.values()] == ["5 degrees" if tilt else "0" for tilt in tilts]
    found = put_to_the_test(place)
    assert found.grade == SUPPORT
    assert found.claim.matters == 5, "as it was planned"
    assert found.percent.value < 0
    assert found.p_value == pytest.approx(2 / 70)  # of 8 over 4 ways, this one and its mirror image
    again = stage.test_own_claim()
    assert again.test.tester.verdict.sentence == found.sentence
    assert stage.workbook.latest("claim_test:own")["sentence"] == found.sentence


@pytest.mark.slow
def test_runs_of_a_gate_have_the_settings_of_the_drawn_order_until_the_group_says_otherwise(group):
    stage, make = group
    card = plan(stage, "dry", "greased", "Grease helps.")
    card.trials.value = 4
    card.draw_button.click()
    turns, chance = np.arange(200), np.random.default_rng(4)
    for setting in card.order["x"]:
        longer = (1.3 if setting == "greased" else 1.0) * np.exp(0.01 * chance.normal())
        make._keeper("gate")(0.2 * turns + 0.004 / longer * turns**2, {"magnets": 2.0})
    place = stage.test_own_claim()
    assert [field.value for field in place.fields.values()] == list(card.order["x"])
    assert put_to_the_test(place).percent.value == pytest.approx(30, abs=3)
    first = next(iter(place.fields.values()))
    first.value = ""  # it has no part in this
    place.test_button.click()
    assert sum(map(len, place.test.tester._found.scores)) == 7
    assert next(iter(stage.test_own_claim().fields.values())).value == ""

    plan(stage, "cold", "warm", "A warm room helps.")  # another claim: nothing of the first one is put down for it
    place.look_button.click()
    assert {field.value for field in place.fields.values()} == {""}
    place.test_button.click()
    assert "No run has a setting yet" in place.message.text
    for field, setting in zip(place.fields.values(), ["cold", "warm"] * 4, strict=True):
        field.value = setting
    place.test_button.click()
    assert place.test.tester.claim is None
