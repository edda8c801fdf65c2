"""Names that moved still work for a release, and say where they are now."""

import ast
import json
import subprocess
import sys
import warnings
from importlib import import_module
from pathlib import Path

import pytest

from kit import former_names
from kit.launcher import project_environment
from kit.server import sessions, warmed

LESSON = Path(__file__).parents[1] / "reference" / "former" / "lesson"


@pytest.mark.parametrize("former", sorted(former_names._MOVED))
def test_each_former_module_leads_to_modules_that_are_there(former):
    for place in former_names._MOVED[former].split():
        assert import_module(f"kit.{place}")


@pytest.mark.parametrize(
    ("former", "name", "now"),
    [
        ("kit.passes", "Run", "kit.logs.run"),
        ("kit.speed", "prepare", "kit.motion.speed"),
        ("kit.figures", "trend_figure", "kit.plots.trend_figures"),
        ("kit.classroom", "read_class", "kit.classroom.overview"),
        ("kit.sound", "read_sound", "kit.sound.recording"),
        ("kit.widgets.plot_view", "PlotView", "kit.widgets.views"),
        ("kit.widgets.teacher_key", "TeacherKey", "kit.widgets.for_teacher"),
    ],
)
def test_a_former_name_is_the_present_one_and_warns(former, name, now):
    with pytest.warns(FutureWarning, match=rf"{former}.{name} has moved and goes in version 0.3.0: use kit\."):
        found = getattr(import_module(former), name)
    assert found is getattr(import_module(now), former_names._RENAMED.get(name, name))


def test_what_never_was_is_still_an_ordinary_error():
    with pytest.raises(AttributeError, match=r"module 'kit.passes' has no attribute 'spin'"):
        import_module("kit.passes").spin  # noqa: B018
    with pytest.raises(ModuleNotFoundError):
        import_module("kit.never_there")


def test_what_is_loaded_beforehand_is_named_by_its_present_place():
    assert not {f"kit.{former}" for former in former_names._MOVED} & {*warmed.LIBRARIES, *sessions.LIBRARIES}


def test_importing_the_kit_makes_up_no_former_module():
    ask = "import sys, kit, kit.logs.run; print([n for n in sys.modules if n in ('kit.passes', 'kit.trials')])"
    done = subprocess.run(
        [sys.executable, "-c", ask], env=project_environment(), capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def imports_of(notebook: Path) -> set[str]:
    """The import statements of a notebook, one line each."""
    cells = json.loads(notebook.read_text("utf-8"))["cells"]
    code = ("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")
    nodes = (node for source in code for node in ast.walk(ast.parse(source)))
    return {ast.unparse(node) for node in nodes if isinstance(node, ast.Import | ast.ImportFrom)}


@pytest.mark.parametrize("notebook", sorted(LESSON.rglob("*.ipynb")), ids=lambda path: path.name)
def test_a_lesson_made_by_the_last_release_finds_all_it_imports(notebook):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        for statement in imports_of(notebook):
            exec(statement, {})


def test_the_former_lesson_is_there():
    assert len(list(LESSON.rglob("*.ipynb"))) > 12
