"""The slowdown explorer in-process: what a browser sends arrives by `set_state`; what it gets are synced traits."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import traitlets

import kit.widgets
from kit.errors import KitError
from kit.logs.run import Run
from kit.motion.drag import TURN, DragLaw
from kit.motion.speed import speed_curves
from kit.motion.threshold import common_start, common_stop, measure
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session
from kit.widgets.slowdown_explorer import MAX_POINTS, SlowdownExplorer, SlowdownPage

FRONT_END = Path(kit.widgets.__file__).parent
DISC = APPARATUS["coasting_disc"]
FAST, SLOW = TURN / 0.25, TURN / 1.0


@pytest.fixture(scope="module")
def curves():
    runs = session(DISC, seed=5, gate=Gate(bounces=0, misses=0), values=(1, 2, 4, 8))
    return speed_curves(runs)


@pytest.fixture
def explorer(curves) -> SlowdownExplorer:
    return SlowdownExplorer(curves, "magnets", 0.25, 1.0)


def cards(explorer) -> dict[str, tuple[str, str]]:
    return {name: (measured, model) for name, measured, model in explorer.page._answer["cards"]}


def button(explorer, words: str):
    found = [b for row in explorer.children for b in getattr(row, "children", ()) if b.description == words]
    return found[0]


# ---- what it starts with ------------------------------------------------------------------------------------------


def test_it_starts_with_constant_rubbing_that_is_right_for_one_duration_only(explorer):
    mean = explorer.results.loc[explorer.results["magnets"] == 1, "duration_s"].mean()
    assert explorer.page.count == 1
    assert explorer.law.terms == "a"
    assert explorer.law.duration(FAST, SLOW) == pytest.approx(mean, rel=1e-12)
    assert cards(explorer)["Turns ÷ coasting time"][1] == "2.500 turns/s"  # the arithmetic mean of 4 and 1 turns/s
    text = " ".join(explorer.page._answer["sentences"])
    assert text.startswith("1 magnet, 3 runs.")
    assert "Coasting time: the model gives the average measured" in text
    assert "The data speak against the model here." in text


def test_without_thresholds_it_takes_what_all_runs_share(curves):
    page = SlowdownExplorer(curves).page
    assert (page.start_period_s, page.stop_period_s) == (common_start(curves), common_stop(curves))


def test_results_are_those_of_measure(explorer, curves):
    np.testing.assert_array_equal(explorer.results["turns"], measure(curves, 0.25, 1.0)["turns"])


def test_runs_are_taken_as_they_are_read_too(curves):
    explorer = SlowdownExplorer([curve.run for curve in curves[:6]], "magnets", 0.25, 1.0)
    assert len(explorer.page._runs) == 6


def test_runs_set_aside_stay_out(curves):
    runs = [replace(curves[0].run, set_aside="the table was bumped"), *(curve.run for curve in curves[1:6])]
    assert len(SlowdownExplorer(runs, "magnets", 0.25, 1.0).curves) == 5


def test_a_lesson_with_nothing_added_only_puts_its_drag_in_the_apparatus():
    runs = session(DISC, seed=1, gate=Gate(bounces=0, misses=0), values=(0,), trials=2)
    explorer = SlowdownExplorer(runs, "magnets", 0.25, 1.0)
    assert explorer.page.spindle[0] > 0 and explorer.page.added == [0, 0, 0]
    assert "0 magnets, 2 runs." in explorer.page._answer["sentences"]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda c: SlowdownExplorer([]), "no runs to show"),
        (lambda c: SlowdownExplorer(c, "pads"), "needs a number ≥ 0 for pads"),
        (lambda c: SlowdownExplorer([replace(c[0].run, conditions={"magnets": "two"})]), "needs a number ≥ 0"),
        (lambda c: SlowdownExplorer([replace(c[0].run, conditions={"magnets": -1})]), "needs a number ≥ 0"),
        (lambda c: SlowdownExplorer([Run(np.array([0.1, 0.3]), {"magnets": 1})]), "No run has enough passes"),
        (lambda c: SlowdownExplorer(c, "magnets", 1.0, 0.25), "stop threshold must be slower"),
    ],
)
def test_bad_arguments(curves, make, message):
    with pytest.raises(KitError, match=message):
        make(curves)


# ---- numbers follow the sliders -----------------------------------------------------------------------------------


def test_the_model_s_numbers_are_the_closed_forms(explorer):
    """n = 4: a = 0.0625, b = 1/128 + 4·3/128 (the bench's disc); duration 12.97 s, turns 28.3 by its design table."""
    explorer.page.set_state({"spindle": [0.0625, 1 / 128, 0.0], "added": [0.0, 3 / 128, 0.0], "count": 4.0})
    law = DragLaw(0.0625, 13 / 128)
    assert explorer.law == law
    assert explorer.page._answer["asked"]["count"] == 4.0
    assert cards(explorer)["Coasting time"][1] == f"{law.duration(FAST, SLOW):.2f} s" == "12.97 s"
    assert float(cards(explorer)["Turns"][1].split()[0]) == pytest.approx(28.3, abs=0.05)


def test_the_measured_numbers_are_those_of_the_condition(explorer):
    explorer.page.count = 8.0
    runs = explorer.results[explorer.results["magnets"] == 8]
    mean, u = cards(explorer)["Coasting time"][0].removesuffix(" s").split(" ± ")
    assert float(mean) == pytest.approx(runs["duration_s"].mean(), abs=float(u))
    assert cards(explorer)["Turns ÷ coasting time"][0] == f"{(runs['turns'] / runs['duration_s']).mean():.3f} turns/s"


def test_an_unmeasured_condition_is_a_prediction(explorer):
    explorer.page.count = 3.0
    assert cards(explorer)["Coasting time"][0] == "no run"
    assert explorer.page._answer["sentences"][0].startswith("No run with 3 magnets was counted. The model says ")
    assert "not tested" in explorer.page._answer["sentences"][0]


def test_without_drag_nothing_ends(explorer):
    explorer.page.set_state({"spindle": [0.0] * 3, "added": [0.0] * 3})
    assert cards(explorer)["Coasting time"][1] == "never ends"
    assert cards(explorer)["Turns ÷ coasting time"][1] == "–"
    assert "never gets to the stop threshold" in explorer.page._answer["sentences"][1]
    explorer.page.count = 3.0
    assert "never gets there" in explorer.page._answer["sentences"][0]


def test_thresholds_measure_every_run_again_and_drag_does_not(explorer, monkeypatch):
    import kit.widgets.slowdown_explorer as module

    asked = []
    real = measure
    monkeypatch.setattr(module, "measure", lambda *args: asked.append(args[1:]) or real(*args))
    explorer.page.spindle = [0.1, 0.0, 0.0]
    assert asked == []
    before = explorer.page._measured
    explorer.page.set_state({"start_period_s": 0.4, "stop_period_s": 0.9})
    assert asked == [(0.4, 0.9)]
    assert explorer.page._measured != before
    assert explorer.results["duration_s"].iloc[0] == real(explorer.curves, 0.4, 0.9)["duration_s"].iloc[0]


def test_thresholds_that_no_run_reaches_leave_only_the_model(explorer):
    explorer.page.set_state({"start_period_s": 0.01, "stop_period_s": 0.02})
    assert explorer.page._measured == {}
    assert cards(explorer)["Turns"][0] == "no run"


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("spindle", [1.0, 2.0], "three numbers"),
        ("spindle", [1.0, -2.0, 0.0], "three numbers ≥ 0"),
        ("added", [float("nan"), 0.0, 0.0], "three numbers ≥ 0"),
        ("count", -1.0, "must be a number ≥ 0"),
        ("count", float("inf"), "must be a number ≥ 0"),
        ("start_period_s", 1.5, "stop threshold must be slower"),
        ("stop_period_s", 0.1, "stop threshold must be slower"),
        ("quantity", "speed", "no such quantity"),
    ],
)
def test_impossible_choices_are_refused_and_taken_back(explorer, name, value, message):
    before, answer = getattr(explorer.page, name), explorer.page._answer
    with pytest.raises(traitlets.TraitError, match=message):
        explorer.page.set_state({name: value})
    with pytest.raises(KitError, match=message):
        setattr(explorer.page, name, value)
    assert getattr(explorer.page, name) == before
    assert explorer.page._answer == answer


# ---- the fit ------------------------------------------------------------------------------------------------------


def test_the_fit_button_sets_the_sliders_and_says_the_law_with_intervals(explorer):
    button(explorer, "Show the law that fits all runs best").click()
    assert explorer.joint.law == "constant + ∝ speed"
    lines = explorer.joint.lines.set_index("coefficient")
    assert explorer.page.spindle == [lines["at_zero"]["a"], lines["at_zero"]["b"], 0.0]
    assert explorer.page.added == [lines["slope"]["a"], lines["slope"]["b"], 0.0]
    said = explorer._say.text
    assert said.startswith("Of the seven laws tried, the passes of all runs speak most for this one: rubbing that is")
    assert said.count("(95 %: ") == 3
    assert not explorer._say.problem
    assert len(explorer._laws.rows) == 7 and explorer._laws.layout.display is None
    for count in (1.0, 2.0, 4.0, 8.0):
        explorer.page.count = count
        assert "speak against" not in " ".join(explorer.page._answer["sentences"])


def test_the_fit_is_made_once_and_can_be_taken_back(explorer, monkeypatch):
    as_it_was = explorer.page.spindle, explorer.page.added
    explorer.fit()
    first = explorer.joint
    button(explorer, "Set the drag back").click()
    assert (explorer.page.spindle, explorer.page.added) == as_it_was
    assert explorer._laws.layout.display == "none"
    explorer.fit()
    assert explorer.joint is first


def test_a_fit_that_cannot_be_made_is_refused_in_words(curves):
    explorer = SlowdownExplorer([c for c in curves if c.run.conditions["magnets"] == 1], "magnets", 0.25, 1.0)
    explorer.fit()
    assert explorer._say.problem
    assert "at least four runs at two conditions" in explorer._say.text
    assert explorer.joint is None


# ---- what the page is sent ----------------------------------------------------------------------------------------


def test_sliders_reach_beyond_what_any_single_kind_of_drag_would_need(explorer):
    for kind in explorer.page._kinds:
        unit = float(DragLaw(**{kind["term"]: 1.0}).duration(FAST, SLOW))
        needed = {n: unit / rows["duration_s"].mean() for n, rows in explorer.results.groupby("magnets")}
        assert kind["spindle_to"] > min(needed.values())
        assert all(kind["added_to"] * n > value for n, value in needed.items())


def test_curves_and_turns_are_sent_as_measured(explorer, curves):
    for drawing, curve in zip(explorer.page._runs, curves, strict=True):
        times, speeds = np.frombuffer(drawing["smooth"], "<f4").reshape(2, -1)
        assert drawing["at"] == curve.run.conditions["magnets"]
        assert len(times) <= MAX_POINTS
        np.testing.assert_allclose(speeds, np.interp(times, curve.times_s - curve.times_s[0], 1 / curve.period_s), 1e-5)
        middle, speeds = np.frombuffer(drawing["turns"], "<f4").reshape(2, -1)
        passes = curve.times_s
        every = 1 / np.diff(passes)
        np.testing.assert_allclose(speeds, every[: len(speeds)], rtol=1e-4)
        np.testing.assert_allclose(middle, (passes[1:] + passes[:-1])[: len(middle)] / 2 - passes[0], rtol=1e-4)


def test_means_are_sent_with_their_intervals(explorer):
    rows = explorer.page._measured["turns"]
    assert [row[0] for row in rows] == [1.0, 2.0, 4.0, 8.0]
    assert all(low < mean < high for _, mean, low, high in rows)


def test_one_run_a_condition_has_no_interval_and_is_still_shown(curves):
    explorer = SlowdownExplorer([c for c in curves if c.run.trial == 1], "magnets", 0.25, 1.0)
    assert all(low == mean == high for _, mean, low, high in explorer.page._measured["turns"])
    assert "±" not in cards(explorer)["Coasting time"][0]
    json.dumps(explorer.page._measured, allow_nan=False)


def test_all_that_is_sent_is_plain_json_and_small(explorer):
    for name in ("_answer", "_measured", "_kinds", "_limits", "_words"):
        json.dumps(getattr(explorer.page, name), allow_nan=False)
    assert len(json.dumps(explorer.page._answer)) < 2_000


def test_names_on_the_page_are_those_of_what_was_changed(explorer):
    assert explorer.page._words == {"x": "magnets", "one": "magnet", "label": "Magnets"}
    assert explorer.page._limits["whole"] and explorer.page._limits["count"] == 8


def test_the_page_asks_nothing_of_the_network_and_names_every_field():
    assert not re.search(r"https?:|fetch\(|import\s|XMLHttpRequest|WebSocket|innerHTML", SlowdownPage._esm)
    assert SlowdownPage._esm.count("aria-label") >= 4


def test_colours_are_those_of_the_box_around_it():
    css = (FRONT_END / "slowdown_explorer.css").read_text("utf-8")
    assert not re.search(r"#[0-9a-f]{3,6}\b", css)  # so light and dark follow parts.css
    used = set(re.findall(r"var\(--kit-([\w]+)\)", css)) | set(re.findall(r'colour\("(\w+)"\)', SlowdownPage._esm))
    parts = (FRONT_END / "parts.css").read_text("utf-8")
    assert used and all(f"--kit-{name}:" in parts for name in used)


def test_both_plots_have_their_numbers_as_tables(explorer):
    assert [row[0] for row in explorer._numbers.rows] == ["1", "2", "4", "8"]
    first = explorer._numbers.rows[0]
    assert first[1:3] == list(cards(explorer)["Coasting time"])
    moments = np.array([[float(cell) for cell in row] for row in explorer._moments.rows])
    assert moments[0].tolist() == [4, 0, 0]
    assert moments[-1, 0] == 1
    assert moments[-1, 2] == pytest.approx(float(explorer.law.duration(FAST, SLOW)), rel=0.01)
    before = [row[1] for row in explorer._moments.rows]
    explorer.page.spindle = [0.0, 0.3, 0.0]
    after = explorer._moments.rows
    assert [row[1] for row in after] == before
    assert float(after[-1][2]) == pytest.approx(float(explorer.law.duration(FAST, SLOW)), rel=0.01)
    explorer.page.count = 3.0
    assert all(row[1] == "–" for row in explorer._moments.rows)  # no run was made there
