""" "How this number is made": the boxes stop where a number of the page is another one, and say what they lack.

That they arrive at the page's numbers for every lesson, and do nothing before the data may show, is tested with the
pages' other cells in `tests/unit/widgets/test_waiting.py`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import kit
from kit.launcher import PROJECT
from kit.lessons.cells import MADE_STAGES
from kit.lessons.cells_inside import claim_inside, inside_cells
from kit.lessons.lesson import load_lesson
from kit.lessons.own_runs import OwnRuns
from kit.motion.drag_fit import DragFit
from kit.record.workbook import Workbook
from kit.stats.claims import Verdict
from kit.widgets import Stage
from tests.sealed import seal_predictions

pytestmark = pytest.mark.usefixtures("runs_read_once")


@pytest.fixture(scope="module")
def lesson():
    return load_lesson(PROJECT / "datasets_demo" / "felt_brake")


@pytest.fixture
def workbook(tmp_path, lesson):
    workbook = Workbook(tmp_path / "group.jsonl")
    seal_predictions(workbook, lesson)
    return workbook


def boxes_of(lesson, stage):
    return [text for kind, text in inside_cells(lesson, stage) if kind == "code"]


def run(lesson, workbook, stage):
    """Run a stage's boxes from the top; what they have named by then."""
    names = {"stage": Stage(lesson, stage, workbook)}
    for box in boxes_of(lesson, stage):
        exec(box, names)
    return names


def other_table(table, **factors):
    return table.assign(**{name: table[name] * factor for name, factor in factors.items()})


def other_trend(trend):
    moved = {name: replace(found, value=found.value * 1.001) for name, found in trend.parameters.items()}
    return replace(trend, parameters=moved, aicc=trend.aicc + 0.01)


def change_what_the_page_shows(stage, patch, names):
    """Move each number a little: those that a box asks for anew where they come from, those it knows in its names."""
    count, test, between, p = kit.measure, kit.ratio_test, DragFit.between, Verdict.p_value.fget
    if stage == "measure":
        patch.setattr("kit.motion.threshold.measure", lambda *a, **k: other_table(count(*a, **k), duration_s=1.001))
        results = other_table(names["stage"].results, turns=1.001)
        patch.setattr(Stage, "results", property(lambda _: results))
    if stage == "average":
        averages = other_table(names["stage"].averages(), sd=1.01)
        patch.setattr(Stage, "averages", lambda *_: averages)
        names["page"] = other_table(names["page"], u=1.01, t=1.1, pooled_u=1.01)
    if stage == "trend":
        trends = list(map(other_trend, names["stage"].trends()))
        patch.setattr(Stage, "trends", lambda *_: trends)
        names["page"] = {trend.model: trend for trend in trends}
    if stage == "explain":
        patch.setattr("kit.motion.explain.ratio_test", lambda table, *a: test(other_table(table, turns=1.001), *a))
        patch.setattr(
            DragFit, "between", lambda *a: (found := between(*a))._replace(duration_s=found.duration_s * 1.001)
        )
    if stage == "investigate":
        patch.setattr(Verdict, "p_value", property(lambda self: p(self) + 0.1))


@pytest.mark.slow
@pytest.mark.parametrize("stage", MADE_STAGES[1:])
def test_a_number_that_is_not_the_pages_stops_its_box(stage, lesson, workbook, monkeypatch):
    names = run(lesson, workbook, stage)
    change_what_the_page_shows(stage, monkeypatch, names)
    tested = [box for box in boxes_of(lesson, stage) if "assert" in box]
    assert len(tested) == {"measure": 2, "average": 4, "trend": 2, "explain": 2, "investigate": 1}[stage]
    for box in tested:
        with pytest.raises(AssertionError):
            exec(box, dict(names))


@pytest.mark.slow
def test_where_nothing_counts_the_boxes_say_so(lesson, workbook, capsys):
    workbook.add("measure", "threshold", {"start_period_s": 0.001, "stop_period_s": 1.0, "rule": "interpolated"})
    for stage in MADE_STAGES[1:5]:
        run(lesson, workbook, stage)
        assert set(capsys.readouterr().out.splitlines()) == {"No run counts yet."}


@pytest.mark.slow
def test_where_only_one_part_lacks_something_the_page_says_what(lesson, workbook, capsys):
    for source in {run.source for run in lesson.runs() if run.conditions["pads"] == lesson.reference}:
        workbook.add("average", "set_aside", {"source": source, "trial": 1, "reason": "touched"})
    run(lesson, workbook, "explain")
    assert "No run counts at number of pads 4" in capsys.readouterr().out


@pytest.mark.slow
def test_runs_that_are_timed_unequally_well_and_another_rule(lesson, workbook):
    """Taps beside a gate's log: then averages are weighted, and the boxes arrive at those."""
    own, chance = OwnRuns(workbook), np.random.default_rng(3)
    for pads in (4.0, 6.0):
        for trial, jitter_s in enumerate((0.0002, 0.0002, 0.04)):
            law = kit.DragLaw(a=0.2 * pads * (1 + 0.002 * trial), b=0.05)
            times_s = law.time_at_angle(2 * np.pi * np.arange(45), 31.0)
            times_s = times_s[np.isfinite(times_s)]
            own.add(times_s + jitter_s * chance.normal(size=len(times_s)), {"pads": pads}, "file")
    progress = Stage(lesson, "measure", workbook).progress
    progress.use_sources("measure", "file")
    workbook.add("measure", "threshold", {"start_period_s": 0.25, "stop_period_s": None, "rule": "law"})
    assert progress.averages().attrs["weighted"]
    for stage in MADE_STAGES[1:5]:
        assert {"measure": "as_here", "average": "plain", "trend": "times", "explain": "fit"}[stage] in run(
            lesson, workbook, stage
        ), "the last box has done its work"


def test_the_claim_that_is_shown_needs_no_recordings():
    lesson = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
    assert claim_inside(lesson).id == "level"
    assert list(inside_cells(replace(lesson, claims=()), "investigate")) == []
    relation = replace(lesson.claim("level"), kind="relation", by="magnets", settings=None, within=("tilt_deg",))
    text = "\n".join(boxes_of(replace(lesson, claims=(relation,)), "investigate"))
    assert 'runs["magnets"].groupby(group).rank()' in text
