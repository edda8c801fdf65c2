"""The planner on the page: fields change the plan, the order is drawn, the sheet can be saved."""

import base64
import re

import numpy as np
import pytest

from kit.errors import KitError
from kit.stats.planning import Pilot
from kit.stats.trend import fit_trend
from kit.widgets.own_claim import TrialPlanner

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
