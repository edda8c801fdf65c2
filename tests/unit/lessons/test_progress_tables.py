"""The tables and sentences that the stages show, without a widget: held against the tables they are made from."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kit.errors import KitError
from kit.lessons.by_hand import CountedPair, pairs_table
from kit.lessons.lesson import load_lesson
from kit.lessons.progress import Progress
from kit.lessons.tables import averages_in_words, results_in_words, timing_in_words
from kit.record.workbook import Workbook
from kit.report import _runs_shown
from kit.widgets.make_runs import OwnRunsView
from kit.widgets.threshold_picker import ThresholdPicker
from kit.widgets.views import agreement_plot
from kit.wording import plus_minus

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(DEMO)


@pytest.fixture(scope="module")
def progress(lesson, tmp_path_factory):
    """A group that has chosen nothing yet. Tests that save something take `fresh`."""
    return Progress(lesson, Workbook(tmp_path_factory.mktemp("work") / "group.jsonl"))


@pytest.fixture
def fresh(lesson, progress, tmp_path):
    group = Progress(lesson, Workbook(tmp_path / "group.jsonl"))
    vars(group).update(lesson_runs=progress.lesson_runs, _curves_as_read=progress._curves_as_read)
    return group


def choose(group, start, stop):
    chosen = {"start_period_s": start, "stop_period_s": stop, "rule": "interpolated"}
    group.workbook.add("measure", "threshold", chosen)


def leading_number(cell):
    return float(cell.split(" ")[0])


@pytest.mark.slow
def test_tables_of_runs_are_in_order_of_condition_then_trial_whatever_the_order_of_the_runs(fresh):
    """One rule for all that a student, or a teacher, reads run by run. The lesson's runs were made in a drawn order."""

    def places(table):
        trials = next((table[name] for name in ("trial", "Trial") if name in table), range(len(table)))
        conditions = next(table[name] for name in ("number of magnets", "Magnets", "condition") if name in table)
        numbers = [float(re.search(r"[\d.]+", str(text))[0]) for text in conditions]
        return list(zip(numbers, map(int, trials), strict=True))

    results = fresh.results
    made = list(zip(results["magnets"], results["trial"], strict=True))
    assert made != sorted(made), "else this test could not fail"
    for magnets in (12.0, 2.0, 1.0, 2.0):  # of the group's own, and counted by it
        fresh.own.add(np.cumsum(np.linspace(0.2, 1.2, 40)), {"magnets": magnets}, "gate")
        count = CountedPair(magnets, "run", "same passes", 20, 10, None, 20, 10, None)
        fresh.workbook.add("average", "own_count", count.entry())
    picker = ThresholdPicker(fresh.curves, 0.25, 1.0)
    tables = {
        "runs": fresh.runs_table(),
        "results": results_in_words(fresh),
        "timing": timing_in_words(fresh),
        "speeds": fresh.speeds_table(),
        "kept": pd.DataFrame(
            re.findall(r">number of magnets (\d+)<.*?>(\d+)<", OwnRunsView(fresh.own, fresh.lesson).table.value, re.S),
            columns=["condition", "trial"],
        ),
        "own counts": pairs_table(fresh.workbook, fresh.lesson.x_label),
        "hand and gate": agreement_plot(
            fresh.hand_against_gate("duration_s"), "s", "number of magnets", ("hand", "gate"), [(2.0, 23.0, 23.1)]
        ).table,
        "thresholds": pd.DataFrame(  # which the page shows in the order of `group`, then `trial`
            [(drawn["group"], drawn["trial"], *drawn["cells"]) for drawn in picker._runs],
            columns=["group", "trial", "condition"],
        ).sort_values(["group", "trial"]),
        "report": _runs_shown(results, "magnets"),
    }
    assert {name: places(table) for name, table in tables.items() if places(table) != sorted(places(table))} == {}
    assert all(len(places(table)) > 3 for table in tables.values())


def test_every_run_is_listed_once_in_order_of_condition_and_trial(progress):
    table = progress.runs_table()
    assert sorted(table["file"]) == sorted(run.source for run in progress.runs)
    order = list(zip(table[progress.lesson.x_label].astype(float), table["trial"], strict=True))
    assert order == sorted(order)
    of_run = {run.source: run for run in progress.runs}
    for _, row in table.iterrows():
        run = of_run[row["file"]]
        assert row["passes logged"] == len(run.pass_times_s)
        assert row["logged twice"] + row["missed"] == sum(
            r.passes for r in run.repairs if r.kind in ("bounce", "missed")
        )
    assert table["logged twice"].sum() > 0  # the demo data hold some, or the line above would say little


class TestSensitivity:
    def test_the_choice_comes_first_and_shorter_stretches_give_less(self, progress):
        table = progress.sensitivity()
        start, stop, _ = progress.thresholds
        assert (table["start_period_s"][0], table["stop_period_s"][0]) == (start, stop)
        assert len(table) == 5
        assert (table["mean_duration_s"][1:] < table["mean_duration_s"][0]).all()
        assert (table["mean_turns"][1:] < table["mean_turns"][0]).all()

    def test_a_count_to_the_last_pass_has_no_other_stop(self, fresh):
        choose(fresh, 0.25, None)
        assert len(fresh.sensitivity()) == 3
        assert fresh.sensitivity_table()["stop (s a turn)"].tolist() == ["last pass"] * 3

    def test_the_words_round_the_numbers(self, progress):
        numbers, words = progress.sensitivity(), progress.sensitivity_table()
        shown = words["average coasting time (s)"].astype(float)
        assert np.allclose(shown, numbers["mean_duration_s"], atol=0.005)
        for cell, row in zip(words["exponent p, turns"], numbers.to_dict("records"), strict=True):
            plain = f"{row['turns_p']:.3f} ({row['turns_p_low']:.3f} to {row['turns_p_high']:.3f})"
            assert cell == plain.replace("-", "−")


class TestHandAgainstGate:
    @pytest.mark.parametrize("quantity", ["duration_s", "turns"])
    def test_each_pair_is_one_condition(self, progress, quantity):
        found = progress.hand_against_gate(quantity)
        averages = progress.averages(quantity).set_index(progress.x)["mean"]
        counts = progress.lesson.hand_counts().set_index(progress.x)[quantity]
        assert len(found.pairs) >= 3
        for pair in found.pairs.itertuples():
            assert (pair.first, pair.second) == (counts[pair.x], averages[pair.x])
        assert found.bias == pytest.approx((found.pairs["first"] - found.pairs["second"]).mean())

    def test_a_lesson_without_counts_by_hand(self, progress, monkeypatch):
        monkeypatch.setattr(type(progress.lesson), "hand_counts", lambda self: None)
        assert progress.hand_against_gate() is None


def test_turns_a_second_are_turns_over_coasting_time(progress):
    counted, table = progress.counted.sort_values(["magnets", "trial"]), progress.speeds_table()
    speeds = (counted["turns"] / counted["duration_s"]).to_numpy()
    assert np.allclose(table["turns a second"].astype(float), speeds, atol=0.0005)
    change = progress.same_shape().change
    assert change.low < change.value < change.high


class TestRunsThatCount:
    def test_a_run_set_aside_counts_no_more(self, fresh):
        every = [run.source for run in fresh.runs_that_count]
        fresh.workbook.add("average", "set_aside", {"source": every[0], "trial": 1, "reason": "a sleeve touched"})
        assert [run.source for run in fresh.runs_that_count] == every[1:]

    def test_the_groups_repairs_are_in_them(self, fresh):
        run = next(run for run in fresh.runs_that_count if run.repairs)
        fresh.workbook.add("measure", "refused_repairs", {run.source: [0]})
        again = next(other for other in fresh.runs_that_count if other.source == run.source)
        assert (run.repairs[0].accepted, again.repairs[0].accepted) == (True, False)

    def test_two_speeds_even_where_the_count_goes_to_the_last_pass(self, fresh):
        assert fresh.two_periods_s == fresh.thresholds[:2]
        choose(fresh, 0.4, None)
        assert fresh.two_periods_s == (0.4, fresh.lesson.stop_period_s)


class TestReference:
    def test_its_drag_laws_come_best_first(self, progress):
        run = progress.reference_run()
        assert run.conditions[progress.x] == progress.lesson.reference
        fits = progress.reference_drags()
        assert [fit.aicc for fit in fits] == sorted(fit.aicc for fit in fits)

    def test_without_a_run_there_it_says_what_to_do(self, fresh):
        for run in fresh.runs:
            if run.conditions[fresh.x] == fresh.lesson.reference:
                fresh.workbook.add("average", "set_aside", {"source": run.source, "trial": 1, "reason": "no good"})
        with pytest.raises(KitError, match="No run counts at number of magnets 2"):
            fresh.reference_run()


def test_the_spread_of_single_trials_is_that_of_their_logarithms(progress):
    counted = progress.counted
    logs = np.log(counted["duration_s"].to_numpy(float))
    groups = pd.Series(logs).groupby(counted[progress.x].to_numpy())
    by_hand = np.sqrt(sum(((g - g.mean()) ** 2).sum() for _, g in groups) / (len(logs) - len(groups)))
    assert progress.trial_spread() == pytest.approx(by_hand, rel=1e-9)


def test_averages_in_words(progress):
    table, averages = progress.averages_table(), progress.averages("duration_s")
    assert len(table) == len(averages)
    for cell, row in zip(table["coasting time"], averages.to_dict("records"), strict=True):
        assert leading_number(cell) == pytest.approx(row["mean"], abs=row["pooled_u"])
        assert " ± " in cell
        assert cell.endswith(" s")


def test_evidence_names_both_ends_of_both_quantities_and_the_best_curve(progress):
    said = progress.evidence_sentences()
    assert len(said) == 5
    assert said[0].startswith("number of magnets 1: coasting time ")
    assert said[1].startswith("number of magnets 12: coasting time ")
    assert said[3].startswith("number of magnets 12: number of turns ")
    best = progress.trends("duration_s")[0]
    assert said[4] == f"coasting time: {best.model}, {best.equation()}"


class TestForTheTeacher:
    def test_all_runs_and_the_best_curve_of_each_quantity(self, progress):
        rows = progress.teacher_rows()
        assert len(rows["results"]) == len(progress.runs)
        assert [row["duration_s"] for row in rows["results"]] == progress.results["duration_s"].tolist()
        assert [fit["quantity"] for fit in rows["fits"]] == ["duration_s", "turns"]
        assert rows["fits"][1]["model"] == progress.trends("turns")[0].model

    def test_without_a_curve_the_rest_is_still_handed_in(self, progress, monkeypatch):
        monkeypatch.setattr(Progress, "trends", lambda self, quantity="duration_s", models=None: [])
        assert progress.teacher_rows()["fits"] == []
        assert progress.evidence_sentences()[-1].startswith("number of magnets 12: number of turns")


def test_a_students_table_is_sorted_in_words_and_rounded_to_what_trials_repeat(progress):
    table, results = results_in_words(progress), progress.results
    assert list(table) == ["number of magnets", "trial", "coasting time (s)", "number of turns", "what is odd"]
    shown = [(float(n), int(k)) for n, k in zip(table["number of magnets"], table["trial"], strict=True)]
    assert shown == sorted(shown) and len(shown) == len(results)
    assert not any("_" in name for name in (*table, *timing_in_words(progress), *averages_in_words(progress, "turns")))
    first = results[(results["magnets"] == 1) & (results["trial"] == 1)].iloc[0]
    assert table["coasting time (s)"].iloc[0] == f"{first['duration_s']:.1f}"  # trials differ by half a second
    assert timing_in_words(progress)["coasting time"].iloc[0] == plus_minus(
        first["duration_s"], first["duration_u_s"], "s"
    )  # the gate alone: thousandths
