"""Notebooks are made from the lesson files: making them again must change nothing."""

import json
from pathlib import Path

import pytest

from kit.errors import KitError
from kit.lessons.cells import MADE_STAGES
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS, regenerate, stage_notebook, write_notebooks

PROJECT = Path(__file__).parents[3]


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
        if cell["cell_type"] == "code":
            assert len(cell["source"]) <= 8, "cells stay short"


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
