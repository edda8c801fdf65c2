import csv
from math import isnan

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom.overview import read_class
from kit.classroom.statistics import wilson_interval
from kit.classroom.tables import (
    NO_BAND,
    OTHER,
    choices_by_confidence,
    class_gain,
    confidence_table,
    explanations,
    missing_stages,
    moves,
    pooled_data,
    pooled_means,
    reasons,
    reference_spread,
    reference_table,
    safe_cell,
    write_class_csv,
    write_csv,
)
from kit.errors import KitError
from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson
from kit.record.entries import MOMENTS

LESSON = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
SURE, FAIR, UNSURE = "more than 9 in 10", "6 to 9 in 10", "less than 6 in 10"


@pytest.fixture
def classroom(hand_in, tmp_path):
    """Read a class from {code: steps}."""

    def read(groups, lesson=LESSON):
        for code, steps in groups.items():
            hand_in.write(tmp_path, f"{code}.json", hand_in.document(code, *steps))
        return read_class(tmp_path, lesson)

    return read


@pytest.fixture
def five(classroom, hand_in):
    """Five groups whose every number can be counted by hand."""
    a = hand_in.answer
    return classroom(
        {
            "g-1": [
                a("two-magnets", "half", confidence=SURE, reason="Twice the Brake"),
                a("two-magnets", "between", "after discussion", SURE),
                a("turns", "quarter", confidence=FAIR),
                a("turns", "quarter", "after discussion", SURE),
            ],
            "g-2": [
                a("two-magnets", "half", confidence=FAIR, reason="brake, two times"),
                a("two-magnets", "between", "after discussion", FAIR),
                a("turns", "half", confidence=UNSURE),
                a("turns", "quarter", "after discussion", FAIR),
            ],
            "g-3": [
                a("two-magnets", "between", confidence=UNSURE, reason="the spindle"),
                a("two-magnets", "half", "after discussion", UNSURE),
                a("turns", "same", confidence=SURE),
            ],
            "g-4": [
                a("two-magnets", "sideways", confidence="", reason="a choice nobody offered"),
                a("two-magnets", "same", "after discussion", UNSURE),
            ],
            "g-5": [
                a("two-magnets", "half", confidence=SURE),
                a("two-magnets", "half", "after discussion", SURE),
                ("explain", "explanation", {"claim": "C", "evidence": "E", "reasoning": "the spindle", "rebuttal": ""}),
            ],
        }
    )


def test_choices_by_confidence(five):
    table = choices_by_confidence(five, "two-magnets")
    assert table.index.tolist() == ["same", "half", "less-than-half", "between", "fixed-step", OTHER]
    assert table.columns.tolist() == [SURE, FAIR, UNSURE, NO_BAND, "all"]
    assert table.loc["half"].tolist() == [2, 1, 0, 0, 3]
    assert table.loc["between"].tolist() == [0, 0, 1, 0, 1]
    assert table.loc[OTHER].tolist() == [0, 0, 0, 1, 1]
    assert table["all"].sum() == 5
    assert choices_by_confidence(five, "turns", "end")["all"].sum() == 0


def test_who_moved(five):
    found = moves(five, "two-magnets")
    assert found.counts.loc["half", ["same", "half", "between"]].tolist() == [0, 1, 2]
    assert found.counts.loc["between", "half"] == found.counts.loc[OTHER, "same"] == 1
    assert (found.answered, found.stayed) == (5, 1)
    assert (found.to_supported.gained, found.to_supported.lost) == (2, 1)
    assert found.to_supported.p_exact == 1
    assert found.any_direction.movers == 4
    assert found.sentence == (
        "1 of 5 groups kept the answer, 4 changed it. 2 moved to what the data support, 1 away from it. If each change "
        "were a coin toss, changes this one-sided would come up in 100 % of classes (McNemar, exact)."
    )
    turns = moves(five, "turns")
    assert (turns.answered, turns.only_before, turns.only_after) == (2, 1, 0)


def test_without_a_key_only_the_test_of_all_choices_is_made(five):
    without = read_class(five.source)
    found = moves(without, "two-magnets")
    assert found.to_supported is None and "Stuart–Maxwell" in found.sentence
    assert not confidence_table(without)["n"].any() and class_gain(without).gain is None


def test_one_choice_alone_has_no_moves_to_test(classroom, hand_in):
    steps = [hand_in.answer("turns", "half"), hand_in.answer("turns", "half", "after discussion")]
    found = moves(classroom({"g-1": steps}, lesson=None), "turns")
    assert (found.stayed, found.any_direction.dof) == (1, 0)
    assert found.sentence == "1 of 1 groups kept the answer, 0 changed it."


def test_confidence_bands_hold_counts_shares_and_intervals(five):
    table = confidence_table(five)
    assert table["confidence"].tolist() == [SURE, FAIR, UNSURE]
    assert table["n"].tolist() == [3, 2, 2] and table["supported"].tolist() == [0, 1, 1]
    assert table.loc[1, ["share", "low", "high"]].tolist() == [0.5, *wilson_interval(1, 2)]
    assert table.attrs["questions"] == 2
    squares = [0.95**2] * 3 + [0.75**2, (1 - 0.75) ** 2] + [0.45**2, (1 - 0.45) ** 2]
    assert table.attrs["brier"] == pytest.approx(np.mean(squares))
    assert confidence_table(five, "end").attrs["brier"] is None


def test_gain_is_of_the_class_and_of_matched_answers(five):
    found = class_gain(five)
    # pairs: two-magnets of five groups (1 supported before, 2 after), turns of two groups (1 before, 2 after)
    assert (found.questions, found.pairs, found.supported_before, found.supported_after) == (2, 7, 2, 4)
    assert found.gain == pytest.approx((4 / 7 - 2 / 7) / (1 - 2 / 7))
    assert "2 of 7 answers before and in 4 after (2 questions): normalised gain of the class +0.40" in found.sentence


def test_gain_is_blank_for_one_question_and_where_nothing_can_be_gained(classroom, hand_in):
    a = hand_in.answer
    one = classroom({"g-1": [a("turns", "half"), a("turns", "quarter", "after discussion")]})
    assert class_gain(one).gain is None and "too few to state a gain" in class_gain(one).sentence
    both = [a(q, c, m) for q, c in (("turns", "quarter"), ("two-magnets", "between")) for m in list(MOMENTS)[:2]]
    full = classroom({"g-1": both})
    assert class_gain(full).gain is None and "nothing left to gain" in class_gain(full).sentence
    assert class_gain(full, after="end").sentence == "No question with a key was answered at both moments."


def test_reasons_are_grouped_and_searched(five):
    table = reasons(five, "two-magnets")
    assert table["choice"].tolist() == ["half", "half", "half", "between", OTHER]
    assert table["confidence"].tolist() == [SURE, SURE, FAIR, UNSURE, ""]
    assert reasons(five, "two-magnets", search="BRAKE tw")["group"].tolist() == ["g-1", "g-2"]
    assert reasons(five, "two-magnets", search="nothing like it").empty
    assert explanations(five, "SPINDLE")["group"].tolist() == ["g-5"]
    assert explanations(five, "x").empty


def test_what_is_missing(five):
    table = missing_stages(five).set_index("group")
    assert table.loc["g-5", "missing"] == "one answer (first answer)"
    assert table.loc["g-3", "missing"] == "explain"
    assert table.loc["g-1", ["predict", "explain", "investigate"]].tolist() == [4, 0, 0]


def test_wrong_questions_and_moments_are_refused(five):
    with pytest.raises(KitError, match="Nobody answered this question"):
        choices_by_confidence(five, "sound")
    with pytest.raises(KitError, match=r"no such moment.*Found: 'later'.*first, after discussion, end"):
        reasons(five, "turns", "later")


# --- measurements --------------------------------------------------------------------------------------------------


@pytest.fixture
def measured(classroom, hand_in):
    """Three groups at the reference, 2 magnets; the third counted from another threshold."""
    usual = ("measure", "threshold", {"start_period_s": 0.25, "stop_period_s": 1.0, "rule": "interpolated"})
    other = ("measure", "threshold", {"start_period_s": 0.4, "stop_period_s": 1.0, "rule": "interpolated"})
    return classroom(
        {
            "g-1": [usual, hand_in.results((2, 20.0, 40.0), (2, 22.0, 44.0), (4, 12.0, 24.0))],
            "g-2": [usual, hand_in.results((2, 24.0, 48.0), (2, 26.0, None), (8, 6.0, 12.0))],
            "g-3": [other, hand_in.results((2, 10.0, 20.0), (2, 11.0, 22.0))],
            "g-4": [usual],
        }
    )


def test_pooled_data_counts_each_group_once(measured):
    table = pooled_data(measured)
    assert table[["x", "groups", "runs"]].to_numpy().tolist() == [[2, 3, 6], [4, 1, 1], [8, 1, 1]]
    row = table.iloc[0]
    assert (row["median"], row["mean"], row["low"], row["high"]) == pytest.approx((21.0, 56.5 / 3, 10.5, 25.0))
    assert row["sd"] == pytest.approx(np.std([21.0, 25.0, 10.5], ddof=1)) and isnan(table["sd"].iloc[1])
    assert pooled_data(measured, "turns")["runs"].tolist() == [5, 1, 1]  # one run has no turns
    assert pooled_means(measured).groupby("group")["usual"].first().to_dict() == {
        "g-1": True,
        "g-2": True,
        "g-3": False,
    }


def test_the_reference_compares_groups(measured):
    table = reference_table(measured)
    assert table["group"].tolist() == ["g-3", "g-1", "g-2"]
    assert table["percent"].tolist() == pytest.approx([-50.0, 0.0, 100 * 4 / 21])
    spread = reference_spread(measured)
    logs = [np.log([20, 22]), np.log([24, 26]), np.log([10, 11])]
    assert spread.within == pytest.approx(np.sqrt(np.mean([np.var(pair, ddof=1) for pair in logs])))
    assert table["u"].tolist() == pytest.approx((spread.within * table["mean"] / np.sqrt(2)).tolist())
    assert reference_spread(measured, usual_only=True).groups == 2
    assert reference_spread(measured, usual_only=True).between < spread.between / 3


def test_without_results_the_tables_are_empty(five):
    assert pooled_data(five).empty and reference_table(five).empty and reference_spread(five) is None


def test_csv_files_hold_every_table(measured, five, tmp_path):
    paths = {path.stem: path for path in write_class_csv(five, tmp_path / "out")}
    tables = {name: pd.read_csv(path) for name, path in paths.items()}
    assert set(tables) == {
        "answers", "choices", "moves", "confidence", "explanations", "claims", "sketches", "runs", "pooled", "groups",
        "refused",
    }  # fmt: skip
    assert tables["moves"].query("question == 'two-magnets' and after == 'after discussion'")["groups"].sum() == 5
    assert tables["choices"].query("moment == 'first'")["all"].sum() == 8
    assert tables["answers"]["reason"].iloc[0] == "Twice the Brake"
    assert tables["groups"]["group"].tolist()[:1] == ["g-1"]
    write_class_csv(measured, tmp_path / "out")  # replaced by later ones
    assert pd.read_csv(paths["runs"])["magnets"].tolist() == [2, 2, 4, 2, 2, 8, 2, 2]


# --- cells that a spreadsheet must not take for formulas ---------------------------------------------

FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠", "|")
TEXTS = st.text(alphabet="=+-@\t\r\n;\"' ,a1|＝", max_size=12) | st.text(max_size=20)


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("+49 30", "'+49 30"),
        ("-3", "'-3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t'=1"),
        ("\r", "'\r"),
        ("  =1", "'  =1"),
        ("fine;=1", "fine;'=1"),
        ("two\n=lines", "two\n'=lines"),
        ("half - or less", "half - or less"),
        ("38/2=19", "38/2=19"),
        ("", ""),
    ],
)
def test_what_could_start_a_formula_is_quoted(text, safe):
    assert safe_cell(text) == safe


def test_numbers_stay_numbers():
    assert safe_cell(-3.5) == -3.5 and safe_cell(None) is None


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(TEXTS, TEXTS), min_size=1, max_size=4), TEXTS)
def test_no_cell_starts_a_formula_whatever_the_separator(tmp_path_factory, rows, name):
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    write_csv(pd.DataFrame(rows, columns=[name, "b"]), path)
    text = path.read_bytes().decode("utf-8-sig")
    cells = [cell for row in csv.reader(text.splitlines(keepends=True)) for cell in row]
    cells += [cell for line in text.splitlines() for cell in line.replace("\t", ";").replace('"', "").split(";")]
    assert not [cell for cell in cells if cell.startswith(FORMULA)]


def test_the_file_says_its_encoding_and_keeps_negative_numbers(tmp_path):
    path = write_csv(pd.DataFrame({"=x": [-1.5], "wörter": ["ü"]}), tmp_path / "t.csv")
    assert path.read_bytes() == "\ufeff'=x,wörter\r\n-1.5,ü\r\n".encode()
