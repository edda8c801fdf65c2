"""The table of trials, used as a page uses it: by what a browser sends and by clicks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.stats.averages import average
from kit.widgets.trial_table import TrialTable


def make_results() -> pd.DataFrame:
    values = {1.0: [37.47, 39.24, 36.73], 2.0: [22.83, 22.38, 23.22], 4.0: [12.88, 12.80, 13.07]}
    rows = [
        {
            "magnets": n,
            "trial": k + 1,
            "duration_s": v,
            "turns": 2.2 * v,
            "status": "counted",
            "set_aside": "",
            "source": f"magnets-{n:g}_trial-{k + 1}.csv",
            "more_than_s": np.nan,
        }
        for n, group in values.items()
        for k, v in enumerate(group)
    ]
    return pd.DataFrame(rows)


@pytest.fixture
def table() -> TrialTable:
    return TrialTable(make_results())


def choose(table: TrialTable, position: int | None) -> None:
    table._grid.set_state({"selected": position})


def set_aside(table: TrialTable, position: int, reason: str) -> None:
    choose(table, position)
    table._reason.set_state({"value": reason})
    table._aside.click()


def cell(table: TrialTable, row: int, column: int) -> dict:
    return table._grid.rows[row]["trials"][column]


def test_it_starts_with_every_trial(table):
    assert table._grid.columns == ["Magnets", "Trial 1", "Trial 2", "Trial 3", "Average (s)", "95 % interval"]
    assert [row["condition"] for row in table._grid.rows] == ["1", "2", "4"]
    assert cell(table, 1, 2) == {"row": 5, "text": "23.2", "words": "2 magnets, trial 3: 23.2 s", "aside": False}
    assert table._grid.rows[0]["figures"] == ["37.81", "34.6 to 41.0"]
    assert table._say.text == "9 trials count."
    assert table._form.layout.display == "none"
    pd.testing.assert_frame_equal(table.averages, average(make_results(), "magnets"))


def test_a_trial_is_set_aside_with_its_cause_and_stays(table):
    set_aside(table, 4, "  a sleeve   touched the disc ")
    assert table.results["set_aside"].tolist() == ["", "", "", "", "a sleeve touched the disc", "", "", "", ""]
    assert table.averages["n"].tolist() == [3, 2, 3]
    assert cell(table, 1, 1)["aside"] is True
    assert cell(table, 1, 1)["words"].endswith("set aside: a sleeve touched the disc")
    drawn = {trace.name: trace for trace in table._plot.figure.data}
    assert list(drawn["set aside"].y) == [22.38]
    assert "8 trials count, one trial set aside." in table._say.text
    assert "all 3 trials give an average of 22.81 s" in table._say.text
    assert "without one trial set aside it is 23.03 s" in table._say.text
    assert table._grid.selected is None


@pytest.mark.parametrize("reason", ["", "   ", "??", "12"])
def test_without_a_cause_it_stays_in(table, reason):
    set_aside(table, 4, reason)
    assert (table.results["set_aside"] == "").all()
    assert table._say.problem
    assert "Without a cause the trial stays in" in table._say.text
    assert table._grid.selected == 4  # so that a cause can still be given


def test_it_can_be_taken_back(table):
    before = table.averages
    set_aside(table, 4, "a sleeve touched")
    choose(table, 4)
    assert table._reason.value == "a sleeve touched"
    assert (table._aside.layout.display, table._back.layout.display) == ("none", "")
    table._back.click()
    assert (table.results["set_aside"] == "").all()
    pd.testing.assert_frame_equal(table.averages, before)


def test_the_last_trial_cannot_be_set_aside():
    table = TrialTable(make_results().iloc[:1])
    set_aside(table, 0, "the gate fell over")
    assert table.results["set_aside"].tolist() == [""]
    assert "No trial counts" in table._say.text


def test_all_trials_of_one_condition_may_be_set_aside(table):
    for position in (0, 1, 2):
        set_aside(table, position, "the disc was dirty")
    assert table.averages["magnets"].tolist() == [2.0, 4.0]
    assert table._grid.rows[0]["figures"] == ["–", "–"]
    assert "there is no average" in table._say.text


def test_the_input_is_never_changed():
    results = make_results()
    before = results.copy()
    table = TrialTable(results)
    set_aside(table, 0, "the gate fell over")
    pd.testing.assert_frame_equal(results, before)


def test_results_and_averages_can_be_observed(table):
    seen = []
    table.observe(lambda change: seen.append(change["name"]), ["results", "averages"])
    set_aside(table, 0, "the gate fell over")
    assert {"results", "averages"} <= set(seen)


def test_duration_and_turns(table):
    table._quantity.set_state({"index": 1})
    assert table.quantity == "turns"
    assert table._grid.columns[-2] == "Average"
    assert cell(table, 0, 0)["text"] == "82.4"
    assert table.averages["mean"].iloc[0] == pytest.approx(2.2 * 37.8133, rel=1e-4)


def test_views_change_the_plot_and_not_the_numbers(table):
    before = table.averages
    table._scale.set_state({"index": 1})
    assert "%" in table._plot.figure.layout.yaxis.title.text
    table._basis.set_state({"index": 1})
    bars = {trace.name: trace for trace in table._plot.figure.data}["average, 95 % interval"]
    share = table.averages["pooled_high"] / table.averages["mean"] - 1
    assert np.allclose(bars.error_y.array, 100 * share)
    assert table._grid.rows[0]["figures"] == ["37.81", "36.6 to 39.0"]
    pd.testing.assert_frame_equal(table.averages, before)


def test_a_run_that_could_not_be_measured_is_there_and_not_a_button():
    results = make_results()
    results.loc[0, ["duration_s", "turns", "status", "more_than_s"]] = [np.nan, np.nan, "never slow enough", 31.5]
    table = TrialTable(results)
    assert cell(table, 0, 0) == {
        "row": None,
        "text": "> 31.5",
        "words": "1 magnet, trial 1: never slow enough",
        "aside": False,
    }
    assert "one run could not be measured" in table._say.text


def test_ragged_trials_leave_an_empty_cell():
    table = TrialTable(make_results().drop(index=8))
    assert cell(table, 2, 2) is None


def test_two_runs_with_one_trial_number_are_both_there():
    results = make_results()
    results["trial"] = [1, 1, 2, 1, 2, 3, 1, 2, 3]
    table = TrialTable(results)
    shown = {c["row"] for row in table._grid.rows for c in row["trials"] if c}
    assert shown == set(range(9))


def test_a_hand_made_table_will_do():
    table = TrialTable(pd.DataFrame({"floor": ["oak", "oak", "wool"], "turns": [10.0, 10.4, 8.0]}), "floor", "turns")
    assert [row["condition"] for row in table._grid.rows] == ["oak", "wool"]
    assert table.results["trial"].tolist() == [1, 2, 1]


def test_the_fourth_run_is_asked_first_and_told_after(table):
    assert table._fourth_say.text == ""
    table._condition.set_state({"index": 1})
    assert table._fourth_say.text == ""
    table._answer.set_state({"index": 2})
    assert table.fourth_run == "near"
    assert "landed at 22.8, 22.4, 23.2 s" in table._fourth_say.text
    assert "one more run with 2 magnets would land between" in table._fourth_say.text
    assert not any(word in table._fourth_say.text.lower() for word in ("correct", "wrong", "right"))


def test_measured_anew_the_reasons_stay(table):
    set_aside(table, 4, "a sleeve touched")
    again = make_results().assign(duration_s=lambda t: t["duration_s"] * 0.9).sample(frac=1, random_state=1)
    table.update(again)
    (row,) = table.results[table.results["set_aside"] != ""].to_dict("records")
    assert (row["source"], row["set_aside"]) == ("magnets-2_trial-2.csv", "a sleeve touched")
    assert table.averages["mean"].iloc[0] == pytest.approx(0.9 * 37.8133, rel=1e-4)


def test_what_was_set_aside_in_the_log_folder_shows():
    results = make_results()
    results.loc[0, "set_aside"] = "flag came loose"
    table = TrialTable(results)
    assert cell(table, 0, 0)["aside"]
    assert table.averages["n"].iloc[0] == 2


def test_bad_input_is_refused():
    with pytest.raises(KitError, match="no such column"):
        TrialTable(make_results(), x="felt")
    with pytest.raises(KitError, match="no such column"):
        TrialTable(make_results(), quantity="speed")
    with pytest.raises(KitError, match="There is no such trial"):
        TrialTable(make_results()).set_aside(99, "the gate fell over")


def test_a_name_with_markup_is_shown_as_text():
    results = make_results().rename(columns={"magnets": "<b>x</b>"})
    table = TrialTable(results, x="<b>x</b>")
    choose(table, 0)
    assert "<b>" not in table._chosen.value
    assert "innerHTML" not in str(table._grid._esm)
