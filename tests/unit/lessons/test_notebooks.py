"""Notebooks are made from the lesson files: making them again must change nothing."""

import importlib
import json
import re
from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.cells import MADE_STAGES
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import (
    DEMO_LESSONS,
    regenerate,
    stage_notebook,
    student_pages,
    teacher_notebooks,
    write_notebooks,
)
from kit.lessons.teacher_key import load_key

PROJECT = Path(__file__).parents[3]
HOW_WE_KNOW = "how_we_know"


def test_making_the_demo_notebooks_again_changes_nothing(tmp_path):
    (tmp_path / "datasets_demo").symlink_to(PROJECT / "datasets_demo")
    for path in regenerate(tmp_path):
        kept = PROJECT / path.relative_to(tmp_path)
        assert path.read_bytes() == kept.read_bytes(), (
            f"run `python3 -m kit.lessons.notebooks`: {kept.name} is not up to date"
        )


@pytest.mark.parametrize("path", sorted((PROJECT / "notebooks").rglob("*.ipynb")), ids=lambda p: p.stem)
def test_notebooks_are_committed_bare(path):
    notebook = json.loads(path.read_text(encoding="utf-8"))
    assert "widgets" not in notebook["metadata"]
    for cell in notebook["cells"]:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None
        if cell["cell_type"] == "code" and path.stem != HOW_WE_KNOW:  # whose cells work out what others published
            inside = cell["source"][0].startswith("if stage.may_look(")  # "how this number is made": ten lines below it
            assert len(cell["source"]) <= (11 if inside else 8), "cells stay short"


def test_a_copy_without_the_tests_says_so_on_the_page_that_needs_them(tmp_path, monkeypatch):
    page = json.loads((PROJECT / "notebooks" / "teacher" / f"{HOW_WE_KNOW}.ipynb").read_text("utf-8"))
    (tmp_path / "notebooks" / "teacher").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "notebooks" / "teacher")
    with pytest.raises(KitError, match="The folder tests is not in this copy"):
        exec("".join(page["cells"][1]["source"]), {})


def names_taken(text: str) -> list[tuple[str, str]]:
    """(module, name) of everything of the kit that a notebook's code imports, and what it says of modules in prose."""
    code = "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"])
    found = [
        (m[1], name.strip())
        for m in re.finditer(r"from (kit[\w.]*) import ([\w, ]+)", code)
        for name in m[2].split(",")
    ]
    found += [(m[1], "") for m in re.finditer(r"^import (kit[\w.]*)", code, re.MULTILINE)]
    return found + [
        (m[1], m[2]) for m in re.finditer(r"\b(kit(?:\.[a-z_]+)*)\.(\w+)\b(?! open)", code) if m[2] != "widgets"
    ]


def check_names(text: str) -> None:
    for module, name in names_taken(text):
        assert module in ("kit", "kit.widgets"), f"{module} is no part of the surface"
        assert not name or hasattr(importlib.import_module(module), name), f"{module} has no {name}"


@pytest.mark.parametrize(
    "path", sorted((PROJECT / "notebooks").rglob("*.ipynb")), ids=lambda p: f"{p.parent.name}-{p.stem}"
)
def test_notebooks_use_only_kit_and_its_widgets(path):
    check_names(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_made_lessons_use_only_kit_and_its_widgets(name):
    lesson = load_lesson(PROJECT / "datasets_demo" / name)
    teachers = teacher_notebooks(lesson, load_key(lesson.folder, lesson), "x")
    for text in [*student_pages(lesson, "x").values(), *teachers.values()]:
        assert names_taken(text)
        check_names(text)


@pytest.mark.parametrize(
    "line", ["from kit.sources.gate import LiveGate", "import kit.stats", "see `kit.stats.trend.fit_trend`"]
)
def test_the_check_notices_a_deeper_name(line):
    with pytest.raises(AssertionError, match="no part of the surface"):
        check_names(json.dumps({"cells": [{"source": [line]}]}))


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_the_teachers_key_is_in_no_students_notebook(name):
    lesson = load_lesson(PROJECT / "datasets_demo" / name)
    for stage in MADE_STAGES:
        text = stage_notebook(lesson, stage, "x")
        assert "teacher_key" not in text
        assert "supported" not in text


def test_notebooks_are_not_replaced_unasked(tmp_path):
    lesson = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
    write_notebooks(lesson, tmp_path, "x")
    with pytest.raises(KitError, match="not replaced"):
        write_notebooks(lesson, tmp_path, "x")


# --- what the pages say ---------------------------------------------------------------------------------------------


def text_of_all(lesson):
    pages = student_pages(lesson, "x").values()
    return "\n".join("".join(cell["source"]) for page in pages for cell in json.loads(page)["cells"])


def test_without_hand_counts_no_page_speaks_of_them(tmp_path):
    """The data folder decides: the same lesson without the file, then with it."""
    kept = PROJECT / "datasets_demo" / "coasting_disc" / "lesson.toml"
    (tmp_path / "lesson.toml").write_bytes(kept.read_bytes())
    spoken = (
        "by hand, counted",
        "stopwatch",
        "hand_counts",
        "two_methods",
        'observation("methods")',
        "earlier method",
        "joins the plots above",
    )
    without = text_of_all(load_lesson(tmp_path))
    assert [words for words in spoken if words in without] == []
    (tmp_path / "hand_counts.csv").write_text("magnets,duration_s,turns\n1,38.2,84\n", encoding="utf-8")
    assert [words for words in spoken if words not in text_of_all(load_lesson(tmp_path))] == []


def test_a_lesson_without_a_bench_asks_for_a_count_of_the_real_thing(tmp_path):
    kept = (PROJECT / "datasets_demo" / "coasting_disc" / "lesson.toml").read_text("utf-8")
    for text, pushed in ((kept, True), (kept.replace('apparatus = "coasting_disc"', ""), False)):
        (tmp_path / "lesson.toml").write_text(text, encoding="utf-8")
        page = student_pages(load_lesson(tmp_path), "x")["3_average.ipynb"]
        assert "stage.own_count()" in page
        assert ("Give it a push." in page, "while a gate logs the run" in page) == (pushed, not pushed)


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_what_the_kit_finds_is_first_looked_for_by_eye(name):
    pages = student_pages(load_lesson(PROJECT / "datasets_demo" / name), "x")
    for page, by_hand, by_kit in (
        ("2_measure", "stage.by_eye()", "stage.thresholds()"),
        ("4_trend", "stage.graph_by_hand(", "stage.trend("),
        ("3_average", "stage.own_count()", "stage.comparisons()"),  # both in the section "go further"
    ):
        text = pages[f"{page}.ipynb"]
        assert text.index(by_hand) < text.index(by_kit)


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_the_cause_and_the_counterexample_are_not_told_before_they_are_sought(name):
    lesson = load_lesson(PROJECT / "datasets_demo" / name)
    assert lesson.texts["explain"].split(".")[0].strip() not in text_of_all(lesson)  # `stage.cause()` shows it later
    explain = stage_notebook(lesson, "explain", "x")
    assert explain.index('observation(\\"cause\\"') < explain.index("stage.cause()")
    assert "One case against" not in text_of_all(lesson)


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_the_number_of_trials_is_chosen_by_time_before_the_first_run(name):
    runs = student_pages(load_lesson(PROJECT / "datasets_demo" / name), "x")["2b_make_runs.ipynb"]
    assert runs.index("make.plan()") < min(
        runs.index(f"make.{way}()") for way in ("live_gate", "microphone", "camera", "taps", "add_files")
    )


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_a_first_question_says_between_which_speeds_the_time_runs(name):
    """A disc that takes 38 s between the lesson's speeds turns much longer: the question must say so."""
    lesson = load_lesson(PROJECT / "datasets_demo" / name)
    fast, slow = 1 / lesson.start_period_s, 1 / lesson.stop_period_s
    assert f"to slow from {fast:g} turns a second to {slow:g}" in lesson.questions[0].text
