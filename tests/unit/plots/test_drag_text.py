"""Words and tables for the plots on slowing down."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.motion.drag import LAWS, TURN, DragLaw
from kit.motion.drag_fit import fit_drag, fit_drags
from kit.motion.drag_joint import joint_fit
from kit.motion.explain import at_nothing_added, collapse, law_curves, ratio_test, routes
from kit.motion.threshold import measure
from kit.plots.drag_text import (
    KINDS,
    collapse_numbers,
    collapse_words,
    compared_words,
    describe_collapse,
    describe_ratio,
    describe_routes,
    describe_speed,
    fitted_words,
    law_words,
    laws_table,
    nearest_law,
    plain,
    ratio_numbers,
    ratio_words,
    rest_words,
    routes_numbers,
    routes_words,
    short_law,
    speed_numbers,
    where_it_fails,
)
from kit.sources.bench import APPARATUS, Gate
from kit.sources.demo_data import session

NEVER_SAID = re.compile(r"\b(correct|wrong|proved|proves|true value|human error|confirmed)\b", re.I)


@pytest.fixture(scope="module", params=list(APPARATUS))
def lesson(request):
    """Everything there is to say about one scenario of the bench."""
    apparatus = APPARATUS[request.param]
    runs = session(apparatus, seed=2, gate=Gate(bounces=0, misses=0))
    results, joint = measure(runs, 0.25, 1.0), joint_fit(runs, apparatus.x)
    return {
        "name": request.param,
        "x": apparatus.x,
        "joint": joint,
        "test": ratio_test(results, apparatus.x, 0.25, 1.0),
        "collapsed": collapse(runs, 0.25, 1.0),
        "curves": law_curves(0.25, 1.0),
        "routes": routes(results, joint, 0.25, 1.0),
        "nothing": at_nothing_added(results, joint, 0.25, 1.0),
    }


def a_fit(law: DragLaw, name: str, start: float = 25.0, count: int = 60, jitter_s: float = 2e-4):
    angles = TURN * np.arange(count)
    times = law.time_at_angle(angles, start) + jitter_s * np.random.default_rng(1).standard_normal(count)
    return fit_drag(times, angles, name) if name else fit_drags(times, angles)


def table_of_routes(trend=(0.55, 0.02), fits=(0.56, 0.02), alone=(0.33, 0.02)) -> pd.DataFrame:
    rows = [
        (quantity, route, value, u, value - 2 * u, value + 2 * u)
        for quantity in ("duration_s", "turns")
        for route, (value, u) in (("trend", trend), ("drag fits", fits))
    ]
    rows.append(("", "one kind alone", *alone, alone[0] - 2 * alone[1], alone[0] + 2 * alone[1]))
    return pd.DataFrame(rows, columns=["quantity", "route", "value", "u", "low", "high"])


@pytest.mark.slow
def test_everything_that_is_said_avoids_the_words_the_kit_never_says(lesson):
    x, joint, collapsed, curves = lesson["x"], lesson["joint"], lesson["collapsed"], lesson["curves"]
    said = [
        *collapse_words(collapsed, curves, x),
        describe_collapse(collapsed, curves, x),
        describe_collapse(collapsed, curves, x, "∝ speed"),
        *ratio_words(lesson["test"]),
        describe_ratio(lesson["test"]),
        *fitted_words(joint),
        *routes_words(lesson["routes"], x, joint.changing_law),
        *where_it_fails(lesson["nothing"], lesson["routes"], x, joint.law),
        describe_routes(lesson["routes"], x),
    ]
    for sentence in said:
        assert sentence.endswith(".") and "nan" not in sentence and "  " not in sentence, sentence
        assert not NEVER_SAID.search(sentence), sentence
        assert "∝" not in sentence, sentence  # signs are for those who know them


def test_units_of_the_three_kinds_are_what_a_student_can_picture():
    """10 rad/s: a = 2π rad/s² takes 1 turn/s each second; b and c take their share of the speed."""
    a, b, c = KINDS
    assert a.shown(TURN) == "1.000 turns/s lost each second"
    assert b.shown(0.05, 0.001) == "5.00 ± 0.10 % of the speed lost each second"
    # dω/dθ = −cω: after one turn e^(−2πc) of the speed is left, for small c a share 2πc is lost
    lost = 1 - DragLaw(c=1e-4).speed_at(DragLaw(c=1e-4).time_at_angle(TURN, 10.0), 10.0) / 10.0
    assert c.from_si * 1e-4 == pytest.approx(100 * lost, rel=1e-3)


def test_every_law_has_words():
    for law in LAWS:
        assert law_words(law).count("+") == short_law(law).count("+") == len(LAWS[law]) - 1
    assert short_law("constant + ∝ speed²") == "always the same + grows with speed²"
    assert law_words("∝ speed") == "drag that grows with speed"


def test_sentences_of_explain_are_put_in_plain_words():
    said = plain("It lies between the kinds ∝ speed² and ∝ speed, not constant (p = 4.6e-37), p = 0.012.")
    assert said == (
        "It lies between the kinds “drag that grows with speed squared” and “drag that grows with speed”, not "
        "“rubbing that is always the same” (p < 0.001), p = 0.012."
    )


def test_the_nearest_curve_is_that_of_the_kind_added(lesson):
    kind = {"coasting_disc": "∝ speed", "felt_brake": "constant", "card_vanes": "∝ speed²"}[lesson["name"]]
    assert nearest_law(lesson["collapsed"], lesson["curves"]) == kind
    words = next(k.words for k in KINDS if k.law == kind)
    assert f"“{words}”" in collapse_words(lesson["collapsed"], lesson["curves"], lesson["x"])[1]


def test_collapse_numbers_hold_every_condition_and_every_law(lesson):
    table = collapse_numbers(lesson["collapsed"], lesson["curves"], lesson["x"])
    assert len(table) == lesson["collapsed"][lesson["x"]].nunique() + 3
    constant = table[table["Runs"] == "law: rubbing that is always the same"].iloc[0]
    assert list(constant[1:]) == ["81.2 %", "62.5 %", "43.8 %"]  # a straight line from 1 to 1/4


def test_ratio_numbers_name_the_nearest_kind(lesson):
    table = ratio_numbers(lesson["test"])
    assert len(table) == len(lesson["test"].conditions)
    assert set(table["Nearest kind of drag"]) <= {kind.words for kind in KINDS}


def test_the_fitted_law_is_told_with_intervals(lesson):
    words, joint = fitted_words(lesson["joint"]), lesson["joint"]
    assert law_words(joint.law) in words[0]
    told = [sentence for sentence in words if ": the apparatus alone has" in sentence]
    assert len(told) == len(joint.lines)
    assert all("(95 %: " in sentence for sentence in told)
    added = next(k for k in KINDS if k.term == joint.changing)
    assert "adds" in next(s for s in told if s.lower().startswith(added.words + ":"))
    assert len(laws_table(joint)) == 7


def test_runs_left_out_of_the_fit_are_named(lesson):
    joint = replace(lesson["joint"], left_out=("passes/x.csv: no law fits its passes",))
    assert fitted_words(joint)[-1] == "Left out: passes/x.csv: no law fits its passes."


def test_no_evidence_is_ever_all_or_none(lesson):
    shares = set(laws_table(lesson["joint"])["Evidence"])
    assert not shares & {"100 %", "0 %"}


@pytest.mark.parametrize(
    ("model", "words"),
    [
        (
            10.0,
            "gives the average measured (less than 0.1 standard uncertainties). The data can't tell the two apart.",
        ),
        (10.1, "lies 1.0 % above the average measured (0.5 standard uncertainties). The data can't tell"),
        (9.5, "lies 5.0 % below the average measured (2.5 standard uncertainties). More runs could tell"),
        (11.0, "lies 10 % above the average measured (5.0 standard uncertainties). The data speak against"),
        (np.inf, "the model never gets to the stop threshold."),
    ],
)
def test_a_model_is_compared_in_graded_words(model, words):
    assert words in compared_words("duration", model, 10.0, 0.2)


def test_without_an_uncertainty_nothing_is_graded():
    assert compared_words("turns", 11.0, 10.0, np.nan) == "Turns: the model lies 10 % above the average measured."


@pytest.mark.parametrize(
    ("trend", "verdict", "meaning"),
    [
        ((0.55, 0.02), "agree within", "lead to one number"),
        ((0.63, 0.02), "cannot tell yet", "claim neither that they agree nor that they differ"),
        ((0.75, 0.02), "differ by more", "does not hold"),
    ],
)
def test_what_it_means_that_the_routes_agree_or_not(trend, verdict, meaning):
    words = routes_words(table_of_routes(trend=trend), "magnets", "∝ speed")
    assert verdict in words[0] and verdict in words[1]
    assert meaning in words[2]
    assert "same runs" in words[3]


def test_the_worse_of_two_verdicts_gives_the_meaning():
    table = table_of_routes()
    table.loc[(table["quantity"] == "turns") & (table["route"] == "trend"), "value"] = 0.9
    assert "does not hold" in routes_words(table, "magnets", "∝ speed")[2]


def test_other_kinds_of_drag_in_the_apparatus_are_mentioned_where_they_show():
    assert "counts them all" in routes_words(table_of_routes(), "magnets", "∝ speed")[-1]
    assert "play a small part" in routes_words(table_of_routes(alone=(0.55, 0.02)), "magnets", "∝ speed")[-1]


def test_where_an_inverse_fails():
    nothing = {"trend": 106.0, "law": 107.7, "measured": np.nan}
    mixed = where_it_fails(nothing, table_of_routes(), "magnets", "constant + ∝ speed")
    assert "At 0 magnets, A/(x + x₀) says 106 s and the drag law says 108 s. None of this was measured" in mixed[0]
    assert "Then no single x₀ serves everything" in mixed[1]
    one = where_it_fails({**nothing, "measured": 107.0}, table_of_routes(), "magnets", "∝ speed")
    assert "you measured 107 s." in one[0]
    assert "holds for duration and for turns alike" in one[1]
    never = where_it_fails({"trend": np.inf, "law": np.inf, "measured": np.nan}, table_of_routes(), "pads", "constant")
    assert "No route has a value there." in never[0]


def test_routes_are_described_and_tabled(lesson):
    assert "95 % intervals overlap" in describe_routes(lesson["routes"], lesson["x"])
    apart = table_of_routes(trend=(0.9, 0.01))
    assert "do not overlap" in describe_routes(apart, "magnets")
    table = routes_numbers(lesson["routes"], lesson["x"])
    assert list(table["Route"]) == [
        "trend, duration",
        "drag fits, duration",
        "trend, turns",
        "drag fits, turns",
        "the added kind of drag alone",
    ]


def test_the_way_to_rest_is_marked_as_an_estimate():
    words = rest_words(a_fit(DragLaw(a=0.3, b=0.02), "constant + ∝ speed"))
    assert words.startswith("The model's estimate: at rest ")
    assert "Nothing was measured there" in words and "never enters a duration" in words
    assert "never quite come to rest" in rest_words(a_fit(DragLaw(b=0.05), "∝ speed"))


def test_one_run_is_described_and_tabled():
    fits = a_fit(DragLaw(a=0.3, b=0.02), "")
    assert "The best law of those shown is" in describe_speed(fits[:2]) and "Also shown:" in describe_speed(fits[:2])
    assert "Also shown" not in describe_speed(fits[:1])
    table = speed_numbers(fits)
    assert len(table) == 7
    assert "never quite" in set(table["Model's estimate: last pass to rest"])
    assert table.iloc[0]["Drag (95 % interval)"].endswith("% of the speed lost each second")
