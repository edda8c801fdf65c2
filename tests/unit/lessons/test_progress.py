"""Runs a group makes itself: kept exactly, counted where chosen, written as a data folder."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import kit
from kit.errors import KitError
from kit.lessons.own_runs import LESSON, OwnRuns
from kit.lessons.progress import Progress
from kit.record.handin import make_handin, read_handin, write_handin
from kit.record.workbook import Workbook
from kit.sources.bench import APPARATUS, simulate_run

DEMO = Path(__file__).parents[3] / "datasets_demo" / "coasting_disc"
TIMES = 0.2 * np.arange(40) ** 1.1


@pytest.fixture
def workbook(tmp_path):
    return Workbook(tmp_path / "group.jsonl")


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(1e-4, 10), min_size=2, max_size=40))
def test_times_come_back_to_the_last_bit(tmp_path_factory, gaps):
    path = tmp_path_factory.mktemp("own") / "group.jsonl"
    times = np.cumsum(gaps)
    kept = OwnRuns(Workbook(path)).add(times, {"magnets": 2.0}, "taps", note="slow")
    (again,) = OwnRuns(Workbook(path)).runs
    assert np.array_equal(again.pass_times_s, times)
    assert (again.origin, again.note, again.conditions, again.source) == ("taps", "slow", {"magnets": 2.0}, kept.source)


def test_how_a_run_was_read_and_what_that_costs_in_certainty_is_kept(workbook):
    n = np.arange(120)
    times = 0.2 * n + 0.002 * n**2
    kept = OwnRuns(workbook).add(times, {"magnets": 2.0}, "file", read_as="speeds in Hz against s", timing_u_s=0.004)
    (again,) = OwnRuns(Workbook(workbook.path)).runs
    assert (again.read_as, again.timing_u_s) == (kept.read_as, kept.timing_u_s) == ("speeds in Hz against s", 0.004)
    sure = replace(again, timing_u_s=0.0)
    wide, narrow = (kit.measure([run], 0.25, 0.5)["duration_u_s"].iloc[0] for run in (again, sure))
    assert wide > 2 * narrow


def test_an_entry_of_before_that_was_kept_stays_readable(workbook):
    OwnRuns(workbook).add(TIMES, {"magnets": 2.0}, "file")
    (entry,) = workbook.entries
    assert set(entry.value) == {"origin", "conditions", "trial", "flags_per_turn", "note", "pass_times_s"}
    (run,) = OwnRuns(Workbook(workbook.path)).runs
    assert (run.read_as, run.timing_u_s) == ("", 0.0)


def test_trials_are_numbered_within_a_condition(workbook):
    own = OwnRuns(workbook)
    kept = [own.add(TIMES, {"magnets": n}, origin) for n, origin in ((1, "bench"), (2, "gate"), (1, "gate"))]
    assert [run.trial for run in kept] == [1, 1, 2]
    assert own.counts() == {"bench": 1, "gate": 2}
    assert len({run.source for run in own.runs}) == 3


@pytest.mark.parametrize(
    ("times", "origin", "message"),
    [(TIMES, "hearsay", "where it comes from"), ([1, 1], "gate", "not later"), ([], "gate", "at least one pass")],
)
def test_what_makes_no_run_is_refused_and_not_saved(workbook, times, origin, message):
    with pytest.raises(KitError, match=message):
        OwnRuns(workbook).add(times, {"magnets": 1}, origin)
    assert workbook.entries == ()


def test_a_damaged_entry_is_named(workbook):
    workbook.add("measure", "run", {"origin": "gate"})
    with pytest.raises(KitError, match="Entry 1 should be a run"):
        _ = OwnRuns(workbook).runs


def test_they_come_back_with_the_workbook_and_go_with_the_hand_in(workbook, tmp_path):
    OwnRuns(workbook).add(TIMES, {"magnets": 1}, "gate")
    elsewhere = Workbook(tmp_path / "elsewhere.jsonl")
    elsewhere.restore(workbook.export_bytes())
    assert np.array_equal(OwnRuns(elsewhere).runs[0].pass_times_s, TIMES)
    path = write_handin(make_handin(workbook, "amber-otter-1", "coasting_disc"), tmp_path)
    assert read_handin(path).entries[0].value["pass_times_s"] == TIMES.tolist()


class TestSources:
    @pytest.fixture
    def progress(self, workbook):
        return Progress(DEMO, workbook)

    def add(self, progress, n=2.0, origin="bench", **conditions):
        run = simulate_run(APPARATUS["coasting_disc"].law(n), 5.0, np.random.RandomState(5))
        return progress.own.add(run.pass_times_s, {"magnets": n, **conditions}, origin)

    def test_only_the_lessons_runs_until_the_group_chooses(self, progress):
        self.add(progress)
        assert {run.origin for run in progress.runs} == {LESSON}
        progress.use_sources("measure", LESSON, "bench")
        results = progress.results
        assert results["origin"].value_counts().to_dict() == {LESSON: len(progress.lesson_runs), "bench": 1}
        mixed = progress.averages().set_index("magnets")
        assert mixed.loc[2.0, "n"] == 4
        progress.use_sources("measure", "bench")
        assert progress.results["source"].tolist() == [progress.own.runs[0].source]

    def test_a_new_run_counts_at_once(self, progress):
        self.add(progress)
        progress.use_sources("measure", "bench")
        assert len(progress.results) == 1
        self.add(progress, 4.0)
        assert progress.results["magnets"].tolist() == [2.0, 4.0]

    def test_a_run_on_a_tilted_bench_stays_out_of_the_averages_with_its_reason(self, progress):
        self.add(progress, tilt_deg=0.0, hub="greased")
        self.add(progress, tilt_deg=3.0, hub="greased")
        progress.use_sources("measure", "bench")
        results = progress.results
        assert results["set_aside"].tolist() == ["", "made under other conditions: tilt_deg 3.0"]
        assert progress.averages()["n"].tolist() == [1]

    @pytest.mark.parametrize(
        ("sources", "message"), [((), "at least one"), (("bench",), "no runs"), (("hearsay",), "no runs")]
    )
    def test_sources_without_runs(self, progress, sources, message):
        with pytest.raises(KitError, match=message):
            progress.use_sources("measure", *sources)
        assert progress.sources == (LESSON,)


def test_in_a_cell_it_says_where_the_group_stands(workbook):
    progress = Progress(DEMO, workbook)
    assert repr(progress).endswith("21 runs, 0 entries saved, counted from 0.25 to 1 s a turn)")
    source = progress.runs[0].source
    workbook.add("average", "set_aside", {"source": source, "trial": 1, "reason": "<i>touched</i>"})
    workbook.add("measure", "threshold", {"start_period_s": 0.4, "stop_period_s": None, "rule": "whole turns"})
    assert "2 entries saved, counted from 0.4 s a turn to the last pass" in repr(progress)
    html = progress._repr_html_()
    assert f"{source}: &lt;i&gt;touched&lt;/i&gt;" in html and "<i>" not in html
    assert "21, from the lesson" in html and "whole turns" in html
