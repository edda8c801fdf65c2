"""The threshold picker in-process: what a browser sends arrives by `set_state`; what it would get are synced traits."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pandas as pd
import pytest
import traitlets

import kit.widgets
from kit.errors import KitError
from kit.logs.run import Repair, Run, refuse, with_repairs
from kit.motion.speed import speed_curves
from kit.motion.threshold import BEST, RULES, Results, common_start, common_stop, measure
from kit.plots.style import PALETTE, SYMBOLS
from kit.stats.averages import pooled_scatter
from kit.widgets import ThresholdPicker
from kit.widgets.threshold_picker import MAX_POINTS
from kit.wording import as_repeated

FRONT_END = Path(kit.widgets.__file__).parent


def a_run(magnets: float = 2, trial: int = 1, turns_per_s: float = 5.0, drag: float = 0.06, **more) -> Run:
    """Noise-free passes of a disc with drag ∝ speed: angle(t) = (v/b)(1 − e^(−bt)), so t = −ln(1 − b·angle/v)/b."""
    angle = np.arange(0.0, 0.95 * turns_per_s / drag)
    return Run(-np.log1p(-drag * angle / turns_per_s) / drag, {"magnets": magnets}, trial=trial, **more)


def some_runs() -> list[Run]:
    return [a_run(m, trial, 4.3 + 0.3 * trial + 0.1 * m, 0.02 * (m + 0.5)) for m in (1, 2, 4, 8) for trial in (1, 2, 3)]


@pytest.fixture(scope="module")
def curves():
    return speed_curves(some_runs())


@pytest.fixture
def picker(curves) -> ThresholdPicker:
    return ThresholdPicker(curves, start_period_s=0.28, stop_period_s=1.0)


def line_of(drawing: dict, what: str = "line") -> tuple[np.ndarray, np.ndarray]:
    times_s, periods_s = np.frombuffer(drawing[what], "<f4").reshape(2, -1)
    return times_s, periods_s


# ---- results ------------------------------------------------------------------------------------------------------


def test_results_are_those_of_measure_in_full_precision(picker, curves):
    expected = measure(curves, 0.28, 1.0, "interpolated")
    pd.testing.assert_frame_equal(picker.results, expected, check_exact=True)


def test_duration_and_turns_of_drag_proportional_to_speed(picker):
    """Closed form: T = ln(ω₁/ω₂)/b, angle = (v₁ − v₂)/b."""
    first = picker.results.iloc[0]
    assert first.duration_s == pytest.approx(np.log(1.0 / 0.28) / 0.03, rel=1e-5)
    assert first.turns == pytest.approx((1 / 0.28 - 1) / 0.03, rel=1e-5)


def test_without_thresholds_it_starts_at_the_fastest_shared_start_and_counts_to_the_last_pass(curves):
    picker = ThresholdPicker(curves)
    assert picker.start_period_s == common_start(curves)
    assert picker.stop_period_s is None
    assert (picker.results.status == "counted").all()
    assert all("last pass" in row["note"] for row in picker._answer["rows"])


def test_prepared_curves_are_taken_as_they_are(curves):
    picker = ThresholdPicker(curves, 0.28, 1.0)
    assert all(a is b for a, b in zip(picker.curves, curves, strict=True))


# ---- what the page sends ------------------------------------------------------------------------------------------


def test_a_dragged_line_changes_the_results(picker, curves):
    picker.set_state({"start_period_s": 0.4})
    pd.testing.assert_frame_equal(picker.results, measure(curves, 0.4, 1.0))
    picker.set_state({"stop_period_s": None, "rule": "whole turns"})
    pd.testing.assert_frame_equal(picker.results, measure(curves, 0.4, None, "whole turns"))


def test_the_answer_says_which_question_it_answers(picker):
    picker.set_state({"start_period_s": 0.4, "stop_period_s": 0.9})
    answer = picker._answer
    assert (answer["start_period_s"], answer["stop_period_s"], answer["rule"]) == (0.4, 0.9, "interpolated")
    assert len(answer["rows"]) == len(picker.runs)


def test_a_set_of_changes_is_measured_once_and_observers_hear_of_it(picker):
    heard = []
    picker.observe(lambda change: heard.append(change["new"]), "results")
    picker.set_state({"start_period_s": 0.35, "stop_period_s": 1.2, "rule": "whole turns"})
    assert len(heard) == 1
    assert heard[0] is picker.results


def test_a_table_is_made_only_when_it_is_read_and_the_same_count_is_no_news(picker, monkeypatch):
    made = []
    monkeypatch.setattr(Results, "table", property(lambda counted: made.append(counted) or len(made)))
    picker.set_state({"start_period_s": 0.4})
    assert made == []
    assert picker.results == 1
    heard = []
    picker.observe(heard.append, "results")
    picker.set_state({"start_period_s": 0.4})
    assert heard == []
    picker.set_state({"start_period_s": 0.41})
    assert [change["name"] for change in heard] == ["results"]


@pytest.fixture
def sent(picker, monkeypatch) -> list[dict]:
    """What the picker sends to the page from now on."""
    messages = []
    # ipykernel's, once it is loaded, sends nothing where there is no kernel
    monkeypatch.setattr(picker, "comm", Mock(comm_id="page"))
    monkeypatch.setattr(picker, "_send", lambda message, buffers=None: messages.append(message))
    return messages


def test_a_drag_is_answered_by_figures_alone_and_in_full_when_the_line_rests(picker, sent, curves):
    before = picker._answer
    picker.set_state({"start_period_s": 0.39, "_dragging": True})
    picker.set_state({"start_period_s": 0.4})
    assert [message["method"] for message in sent] == ["custom", "custom"], "and nothing comes back that the page sent"
    assert picker._answer is before
    pd.testing.assert_frame_equal(picker.results, measure(curves, 0.4, 1.0))  # for Python all is there at any time
    figures = sent[-1]["content"]
    picker.set_state({"_dragging": False})
    assert [list(message.get("state", ())) for message in sent] == [[], [], ["_answer"]]
    answer, at_once = picker._answer, ThresholdPicker(curves, 0.4, 1.0)._answer
    assert answer | {"number": 0} == at_once | {"number": 0}
    assert {name: figures[name] for name in ("start_period_s", "stop_period_s", "rule")}.items() <= answer.items()
    for name in ("duration", "turns", "start", "stop", "counted"):
        assert figures[name] == [row[name] for row in answer["rows"]]
    assert len(json.dumps(sent[0])) < 0.4 * len(json.dumps(sent[-1]))


def test_a_line_dragged_back_to_its_place_is_answered_too(picker, sent):
    number, rows = picker._answer["number"], picker._answer["rows"]
    for state in ({"start_period_s": 0.4, "_dragging": True}, {"start_period_s": 0.28}, {"_dragging": False}):
        picker.set_state(state)
    assert sent[-1]["state"]["_answer"]["number"] > number
    assert picker._answer["rows"] == rows


def test_a_page_that_waits_in_vain_is_answered_to_what_it_shows(picker, sent):
    picker.set_state({"start_period_s": 0.4, "_dragging": True})
    chosen = {"start_period_s": 0.41, "stop_period_s": 0.9, "rule": "interpolated"}
    for _ in range(2):  # the first answer may be lost as well
        picker._handle_custom_msg(chosen, [])
        assert chosen.items() <= sent[-1]["state"]["_answer"].items()
    assert not picker._dragging


def test_during_a_drag_a_run_that_does_not_count_says_so_at_once(sent, picker):
    picker.set_state({"stop_period_s": 40.0, "_dragging": True})
    figures = sent[-1]["content"]
    assert set(figures["duration"]) == {"–"}
    assert all(status.startswith("never slow enough: it lasted more than") for status in figures["status"])


def test_both_lines_may_jump_past_each_other_in_one_message(picker):
    picker.set_state({"start_period_s": 1.5, "stop_period_s": 2.0})
    assert (picker.start_period_s, picker.stop_period_s) == (1.5, 2.0)


@pytest.mark.parametrize(
    ("state", "message"),
    [
        ({"start_period_s": 1.5}, "stop threshold must be slower"),
        ({"stop_period_s": 0.28}, "stop threshold must be slower"),
        ({"start_period_s": -0.2}, "start threshold must be a turn period above zero"),
        ({"start_period_s": float("nan")}, "start threshold must be a turn period above zero"),
        ({"rule": "by feel"}, "counting rule is not known"),
        ({"refused_repairs": [[0, 0]]}, "no such repair"),
        ({"refused_repairs": [[99, 0]]}, "no such repair"),
        ({"refused_repairs": [[0]]}, "no such repair"),
    ],
)
def test_impossible_choices_are_refused_and_taken_back(picker, state, message):
    before = picker.results
    name, value = next(iter(state.items()))
    old = getattr(picker, name)
    with pytest.raises(KitError, match=message):
        setattr(picker, name, value)
    with pytest.raises(traitlets.TraitError, match=message):
        picker.set_state(state)
    assert getattr(picker, name) == old
    assert picker.results is before


def test_results_cannot_be_overwritten(picker):
    with pytest.raises(traitlets.TraitError, match="read-only"):
        picker.results = pd.DataFrame()


def test_shared_thresholds_are_sent_for_the_two_buttons(picker, curves):
    assert picker._common == {"start": common_start(curves), "stop": common_stop(curves)}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"runs": []}, "no runs to show"),
        ({"runs": [Run(np.array([0.1, 0.3]))]}, "No run has enough passes"),
        ({"runs": [a_run()], "start_period_s": 0.5, "stop_period_s": 0.4}, "stop threshold must be slower"),
        ({"runs": [a_run()], "rule": "by feel"}, "counting rule is not known"),
    ],
)
def test_bad_arguments(arguments, message):
    with pytest.raises(KitError, match=message):
        ThresholdPicker(**arguments)


# ---- rules --------------------------------------------------------------------------------------------------------


def test_every_known_rule_is_offered_with_what_it_assumes(picker):
    assert [r["name"] for r in picker._rules] == [BEST, *RULES]
    for choice in picker._rules:
        assert choice["label"]
        assert "assumes" in choice["assumes"]


def test_fewer_rules_can_be_offered():
    picker = ThresholdPicker([a_run()], 0.28, 1.0, rules=["whole turns"], rule="whole turns")
    assert [r["label"] for r in picker._rules] == ["Whole turns"]


# ---- repairs ------------------------------------------------------------------------------------------------------


def run_with_a_bounce_and_a_miss() -> Run:
    times = a_run().pass_times_s
    times = np.delete(times, 30)
    times = np.sort(np.append(times, times[12] + 0.004))
    return with_repairs(replace(a_run(), pass_times_s=times))


def test_refusing_a_repair_smooths_only_that_run_again():
    runs = [a_run(1), run_with_a_bounce_and_a_miss(), a_run(4)]
    picker = ThresholdPicker(runs, 0.28, 1.0)
    before, kinds = picker.curves, [r.kind for r in picker.runs[1].repairs]
    assert kinds == ["bounce", "missed"]
    picker.set_state({"refused_repairs": [[1, 1]]})
    assert picker.curves[0] is before[0]
    assert picker.curves[2] is before[2]
    assert [r.accepted for r in picker.runs[1].repairs] == [True, False]
    pd.testing.assert_frame_equal(picker.results, measure([runs[0], refuse(runs[1], 1), runs[2]], 0.28, 1.0))
    assert picker.results.turns[1] != pytest.approx(measure(runs, 0.28, 1.0).turns[1], abs=0.1)
    picker.set_state({"refused_repairs": []})
    pd.testing.assert_frame_equal(picker.results, measure(runs, 0.28, 1.0))


def test_a_refused_repair_and_a_new_threshold_in_one_message():
    run = run_with_a_bounce_and_a_miss()
    picker = ThresholdPicker([run], 0.28, 1.0)
    picker.set_state({"start_period_s": 0.35, "refused_repairs": [[0, 0], [0, 1]]})
    pd.testing.assert_frame_equal(picker.results, measure([refuse(run, 0, 1)], 0.35, 1.0))


def test_repairs_refused_before_stay_refused_and_are_listed():
    picker = ThresholdPicker([refuse(run_with_a_bounce_and_a_miss(), 0)], 0.28, 1.0)
    assert picker.refused_repairs == [[0, 0]]
    bounce, missed = picker._runs[0]["repairs"]
    assert (bounce["accepted"], missed["accepted"]) == (False, True)
    assert re.match(r"bounce left out at \d+\.\d{3} s on the log's clock: ", bounce["words"])
    assert missed["words"].startswith("missed pass filled in at ")


def test_several_missed_passes_are_counted_in_words():
    run = replace(a_run(), repairs=(Repair("missed", 12, float(a_run().pass_times_s[12]), 2, "made up"),))
    assert ThresholdPicker([run], 0.28, 1.0)._runs[0]["repairs"][0]["words"].startswith("2 missed passes filled in at")


def test_refusing_repairs_until_no_run_can_share_a_threshold_is_survived():
    run = replace(a_run(), pass_times_s=a_run().pass_times_s[:7])
    bounces = tuple(Repair("bounce", i, float(run.pass_times_s[i]), 1, "made up", accepted=False) for i in (1, 2, 3))
    picker = ThresholdPicker([replace(run, repairs=bounces)], 0.28, 1.0)
    picker.set_state({"refused_repairs": []})
    assert picker._common == {}
    assert list(picker.results.status) == ["too few passes"]


# ---- what is shown ------------------------------------------------------------------------------------------------


def test_rows_are_rounded_to_what_trials_repeat_and_say_on_request_how_exactly_one_run_was_timed(picker):
    results = picker.results
    spread = pooled_scatter(results["duration_s"], [str(run.conditions) for run in picker.runs])[0]
    for shown, row in zip(picker._answer["rows"], results.itertuples(), strict=True):
        value, u = map(float, shown["exact"].partition(" s,")[0].split(" ± "))
        assert u == pytest.approx(row.duration_u_s, rel=0.06)
        assert abs(value - row.duration_s) <= u / 10
        assert shown["duration"] == as_repeated(row.duration_s, spread * row.duration_s)


def test_runs_that_cannot_be_counted_say_why_in_words():
    short, late = a_run(1), a_run(2)
    runs = [
        replace(short, pass_times_s=short.pass_times_s[:40]),
        replace(late, pass_times_s=late.pass_times_s[-12:]),
        replace(a_run(3), pass_times_s=a_run(3).pass_times_s[:4]),
        replace(a_run(4), set_aside="the table was bumped"),
    ]
    picker = ThresholdPicker(runs, 0.28, 1.0)
    words = [row["status"] for row in picker._answer["rows"]]
    more = picker.results.more_than_s[0]
    assert words[0] == f"never slow enough: it lasted more than {more:.3g} s"
    assert words[1:] == [
        "already slower than the threshold",
        "too few passes",
        "set aside: the table was bumped",
    ]
    assert [row["counted"] for row in picker._answer["rows"]] == [False, False, False, True]
    assert picker._answer["rows"][0]["duration"] == "–"
    assert picker._answer["summary"] == (
        "0 of 4 runs counted, 1 never slow enough, 1 already slower than the threshold, 1 too few passes "
        "and 1 set aside."
    )


def test_summary_in_a_sentence(picker):
    assert re.fullmatch(
        r"12 of 12 runs counted\. Coasting times from 7\.49 to 42\.4 s, turns from 15\.1 to 85\.7\.",
        picker._answer["summary"],
    )


def test_conditions_are_styled_in_the_order_of_their_values():
    runs = [a_run(m) for m in (10, 2, 1, 2)]
    picker = ThresholdPicker(runs, 0.28, 1.0)
    assert [d["group"] for d in picker._runs] == [2, 1, 0, 1]
    assert [d["cells"] for d in picker._runs] == [["10"], ["2"], ["1"], ["2"]]


def test_several_conditions_are_named_with_their_units():
    runs = [
        replace(a_run(), conditions={"magnets": 2, "level_deg": 1.5}),
        replace(a_run(), conditions={"hub": "dry"}),
    ]
    picker = ThresholdPicker(runs, 0.28, 1.0)
    assert picker._columns == ["magnets", "level (°)", "hub"]
    assert [d["name"] for d in picker._runs] == ["magnets 2, level 1.5 °, trial 1", "hub dry, trial 1"]
    assert picker._runs[1]["cells"] == ["", "", "dry"]


def test_lines_start_when_the_push_ends_and_hold_the_smoothed_periods(picker):
    for drawing, curve in zip(picker._runs, picker.curves, strict=True):
        times_s, periods_s = line_of(drawing)
        assert times_s[0] == 0
        np.testing.assert_allclose(
            periods_s, np.interp(times_s, curve.times_s - curve.times_s[0], curve.period_s), 1e-5
        )


def test_measured_turns_are_those_of_the_log(picker):
    times_s = picker.runs[0].pass_times_s
    middles_s, periods_s = line_of(picker._runs[0], "measured")
    np.testing.assert_allclose(periods_s, np.diff(times_s), rtol=1e-4)
    np.testing.assert_allclose(middles_s, (times_s[1:] + times_s[:-1]) / 2 - times_s[0], rtol=1e-5)


def test_every_flag_is_compared_with_itself():
    """Two flags a quarter turn apart: each turn's time must not swing between the flags."""
    once = a_run().pass_times_s
    turns = np.arange(len(once), dtype=float)
    again = np.interp(turns[:-1] + 0.25, turns, once)
    run = Run(np.sort(np.r_[once, again]), flags_per_turn=2)
    _, periods_s = line_of(ThresholdPicker([run], 0.28, 1.0)._runs[0], "measured")
    assert np.all(np.diff(periods_s) > -0.01)


def test_a_long_run_is_drawn_with_few_well_chosen_points():
    long = a_run(drag=5e-5, turns_per_s=5.0)
    assert len(long.pass_times_s) > 90_000
    picker = ThresholdPicker([long], 0.28, 1.0)
    times_s, periods_s = line_of(picker._runs[0])
    assert 100 < len(times_s) <= MAX_POINTS
    curve = picker.curves[0]
    seen = np.interp(curve.times_s - curve.times_s[0], times_s, np.log(periods_s))
    assert np.max(np.abs(seen - np.log(curve.period_s))) < 0.005 * np.ptp(np.log(curve.period_s))  # a pixel or two


@pytest.mark.slow
def test_all_that_is_sent_is_small_and_plain_json():
    runs = [a_run(m, trial, drag=0.0095) for m in range(1, 7) for trial in range(1, 11)]
    picker = ThresholdPicker(runs, 0.28, 1.0)
    json.dumps({name: picker.get_state(name)[name] for name in ("_answer", "_common", "_rules", "_columns")})
    points = sum(len(d["line"]) + len(d["measured"]) for d in picker._runs)
    assert points < 60 * 4 * 4 * MAX_POINTS
    assert len(json.dumps(picker._answer)) < 20_000


# ---- the page's files ---------------------------------------------------------------------------------------------


def test_colours_and_marks_of_the_page_are_those_of_all_figures():
    css = (FRONT_END / "threshold_picker.css").read_text("utf-8")
    light = css[: css.index('[data-jp-theme-light="false"]')]
    assert re.findall(r"--pick-series-\d: (#\w+);", light) == list(PALETTE)
    marks = re.search(r"const MARKS = \[(.*?)\];", ThresholdPicker._esm, re.S).group(1)
    assert marks.count('"M') == len(SYMBOLS)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definitions of contrast ratio and relative luminance)."""

    def luminance(colour):
        parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("theme", "paper"), [(0, "#ffffff"), (1, "#111111")])
def test_words_can_be_read_on_light_and_dark_paper(theme, paper):
    css = (FRONT_END / "threshold_picker.css").read_text("utf-8")
    block = css.split('[data-jp-theme-light="false"]')[theme].split("}")[0]
    colours = dict(re.findall(r"--pick-([\w-]+): (#[0-9a-f]{6});", block))
    assert len(colours) >= 12
    for name, colour in colours.items():
        if name.startswith("series") or name in ("muted", "start", "stop"):
            assert contrast(colour, paper) >= 4.5, name
    assert contrast(colours["edge"], paper) >= 3


def test_the_page_asks_nothing_of_the_network():
    assert not re.search(r"https?:|fetch\(|import\s|XMLHttpRequest|WebSocket", ThresholdPicker._esm)


def test_widgets_are_a_lazy_contents_page():
    code = "import sys, kit.widgets; assert 'anywidget' not in sys.modules; print(dir(kit.widgets))"
    shown = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=FRONT_END.parents[1]
    )
    assert "ThresholdPicker" in shown.stdout
    with pytest.raises(AttributeError, match="no attribute 'Nothing'"):
        kit.widgets.Nothing  # noqa: B018
