"""The package as a whole: importing it is light, and its modules import one way only."""

from __future__ import annotations

import ast
import functools
import graphlib
import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

import kit
from kit.launcher import PROJECT, project_environment

PACKAGE = PROJECT / "kit"

# Which rooms there are, which modules they hold, and which other rooms they may import from. A module's own name
# counts before a pattern, and an earlier pattern before a later.
COMPUTING = {"sound", "passes", "counting", "drag", "trials", "trend", "claims", "planning", "sensitivity", "explain"}
ROOMS: dict[str, tuple[set[str], set[str]]] = {
    "words": ({"errors", "strictjson", "wording", "spreadsheet", "plugins"}, set()),
    "figures": ({"figures", "figure_style", "*_figures"}, {"words", *COMPUTING}),
    "passes": (
        {"passes", "oddities", "gatelog", "dialect", "textfile", "logcolumns", "logforms", "logreaders", "runfolder"},
        {"words"},
    ),
    "counting": ({"speed", "threshold", "threshold_*"}, {"words", "passes", "drag"}),
    "drag": ({"drag", "drag_*", "miscounts"}, {"words", "passes"}),
    "trials": ({"trials", "trials_*"}, {"words"}),
    "trend": ({"trend", "trend_*"}, {"words"}),
    "claims": (
        {
            "claims",
            "claims_*",
            "drift",
            "effects",
            "shuffling",
            "comparison",
            "change_tests",
            "proportions",
            "between_groups",
        },
        {"words", "trials"},
    ),
    "planning": ({"planning", "planning_*", "run_sheet"}, {"words", "trials", "trend"}),
    "sound": ({"sound", "sound_*", "clicks"}, {"words", "passes", "counting"}),
    "bench": ({"bench", "bench_*"}, {"words", "passes", "drag", "sound"}),
    "capture": ({"capture", "capture_*", "taps"}, {"words", "passes"}),
    "sensitivity": ({"sensitivity"}, {"words", "passes", "counting", "trials", "trend"}),
    "explain": ({"explain", "slowdown", "drag_text"}, {"words", "passes", "counting", "drag", "trials", "trend"}),
    "workbook": ({"workbook", "entries", "journal", "summary", "handin", "handin_*"}, {"words"}),
    "hosting": ({"hosting"}, set()),
    "own runs": ({"own_runs"}, {"words", "passes", "capture", "workbook"}),
    "lesson": (
        {"lesson", "lesson_claims", "lesson_keys", "lesson_text", "lesson_new", "levels"}
        | {"pages", "pages_*", "teacher_pages"},
        {"words", "passes", "bench"},
    ),
    "lesson check": (
        {"lesson_check", "lesson_check_*", "lesson_draft", "lesson_finding"},
        {"words", "passes", "counting", "trials", "lesson"},
    ),
    "progress": ({"progress", "progress_*"}, {"words", "lesson", "workbook", "own runs", *COMPUTING}),
    "classroom": (
        {"classroom", "class_*"},
        {"words", "workbook", "lesson", "trials", "claims", "figures"},
    ),
    "demo class": ({"demo_class", "demo_class_*"}, {"words", "workbook", "lesson", "classroom", "drag", "bench"}),
    "analysis": ({"analysis"}, {"words", "lesson", *COMPUTING}),
    "report": (
        {"report", "report_*"},
        {"words", "figures", "analysis", "lesson", "workbook", "classroom", *COMPUTING},
    ),
    "start": ({"launcher", "lab"}, {"words"}),
}
WIDGETS_MAY_IMPORT = set(ROOMS) - {"start"}
COMMANDS_MAY_IMPORT = set(ROOMS)


def imports_of(path: Path, root: Path) -> set[str]:
    """The kit modules a source file imports anywhere in it, late imports too: 'trend', 'widgets.trial_table'."""
    package = path.relative_to(root.parent).parts[:-1]
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join([*base, *filter(None, [node.module])])
            found.add(module)
            found |= {f"{module}.{alias.name}" for alias in node.names}
    known = {name_of(source, root) for source in root.rglob("*.py")}
    return {name.removeprefix("kit.") for name in found if name.startswith("kit.")} & known


def name_of(path: Path, root: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def graph_of(root: Path) -> dict[str, set[str]]:
    return {name_of(path, root): imports_of(path, root) for path in sorted(root.rglob("*.py"))}


def room_of(module: str) -> str | None:
    rooms = [(room, modules) for room, (modules, _) in ROOMS.items()]
    named = [room for room, modules in rooms if module in modules]
    matched = [room for room, modules in rooms if any(fnmatch(module, pattern) for pattern in modules)]
    return next(iter(named + matched), None)


def wrong_ways(module: str, imported: set[str]) -> list[str]:
    """Those of a module's imports that its room does not allow. Commands and widgets have no room: none may."""
    if module == "__init__":
        return [f"the contents page imports {name}" for name in imported]
    if module == "__main__":
        return [f"__main__ imports {name}, not only commands" for name in imported - {"commands"}]
    if module.startswith("widgets"):
        allowed, others = WIDGETS_MAY_IMPORT, {name for name in imported if not name.startswith("widgets")}
    elif module == "commands":
        allowed, others = COMMANDS_MAY_IMPORT, imported
    else:
        room = room_of(module)
        if room is None:
            return [f"{module} has no room: add it to ROOMS"]
        allowed, others = {room, *ROOMS[room][1]}, imported
    return [f"{module} imports {name}" for name in others - {"__init__"} if room_of(name) not in allowed]


# --- imports go one way --------------------------------------------------------------------------------

GRAPH = graph_of(PACKAGE)


@pytest.mark.parametrize("module", GRAPH)
def test_a_module_imports_only_what_its_room_allows(module):
    assert wrong_ways(module, GRAPH[module]) == []


def test_there_are_no_cycles():
    assert len(list(graphlib.TopologicalSorter(GRAPH).static_order())) >= len(GRAPH)


def test_no_room_is_part_of_a_cycle_of_rooms():
    rooms = {room: allowed for room, (_, allowed) in ROOMS.items()}
    assert len(list(graphlib.TopologicalSorter(rooms).static_order())) == len(ROOMS)


def test_the_checks_notice_a_wrong_import_however_it_is_written(tmp_path):
    """Negative control: a package with every kind of slip in it."""
    root = tmp_path / "kit"
    (root / "widgets").mkdir(parents=True)
    sources = {
        "__init__": "",
        "errors": "",
        "trials": "def late():\n    from . import trend\n",
        "trend": "from kit.trials import x\n",
        "passes": "import kit.widgets.picker\n",
        "speed": "from kit import trend\n",
        "stray": "",
        "widgets/__init__": "",
        "widgets/picker": "from .. import commands\nfrom ..trials import x\nfrom .other import y\n",
        "widgets/other": "",
        "commands": "",
    }
    for name, source in sources.items():
        (root / f"{name}.py").write_text(source, encoding="utf-8")
    graph = graph_of(root)
    found = {module: wrong_ways(module, imported) for module, imported in graph.items()}
    assert {module: slips for module, slips in found.items() if slips} == {
        "trials": ["trials imports trend"],
        "trend": ["trend imports trials"],
        "passes": ["passes imports widgets.picker"],
        "speed": ["speed imports trend"],
        "stray": ["stray has no room: add it to ROOMS"],
        "widgets.picker": ["widgets.picker imports commands"],
    }
    with pytest.raises(graphlib.CycleError):
        list(graphlib.TopologicalSorter(graph).static_order())


# --- importing is light --------------------------------------------------------------------------------


def python(program: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-c", program], env=project_environment(), capture_output=True, text=True, check=False
    )


@functools.cache
def loaded_by(statement: str) -> set[str]:
    """Top-level names of what a statement loads into a fresh interpreter, the standard library left out."""
    done = python(
        f"import sys; before = set(sys.modules); {statement}\n"
        "new = {name.partition('.')[0] for name in set(sys.modules) - before}\n"
        "print(*sorted(new - set(sys.stdlib_module_names)))"
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "statement", ["import kit", "import kit.commands", "import kit.lab", "from kit import KitError"]
)
def test_importing_loads_nothing_that_must_be_installed(statement):
    assert loaded_by(statement) == {"kit"}


def test_a_name_loads_its_module_when_it_is_used():
    assert {"kit", "numpy"} <= loaded_by("from kit import Run")  # the control of the test above


@pytest.mark.parametrize("name", ["plotly", "ipywidgets", "anywidget", "jupyterlab"])
def test_an_analysis_loads_nothing_that_draws(name):
    assert name not in loaded_by("import kit; kit.analyse")


# --- the contents page ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", kit.__all__)
def test_every_name_on_the_contents_page_is_there_and_public(name):
    value = getattr(kit, name)
    assert callable(value)
    assert value.__module__.startswith("kit.")
    assert value.__doc__


def test_the_contents_page_lists_names_once_and_none_hides_a_module():
    assert list(kit.__all__) == sorted(set(kit.__all__))
    assert set(kit.__all__) <= set(dir(kit))
    assert not set(kit.__all__) & {module.partition(".")[0] for module in GRAPH}


def test_an_unknown_name_is_an_ordinary_attribute_error():
    with pytest.raises(AttributeError, match=r"^module 'kit' has no attribute 'spin'$"):
        kit.spin  # noqa: B018


@pytest.mark.parametrize("how", ["sys.modules['numpy'] = None", "sys.path.insert(0, broken)"])
def test_a_package_that_is_missing_or_broken_is_named_with_what_to_do(how, tmp_path):
    (tmp_path / "numpy.py").write_text("raise ImportError('its library file is missing')\n", encoding="utf-8")
    done = python(f"import sys; broken = {str(tmp_path)!r}; {how}; import kit; kit.Run")
    assert done.returncode == 1
    last = done.stderr.strip().splitlines()[-1]
    assert last.startswith("ImportError: kit.Run needs a package that can't be loaded here (")
    assert "What to do: run `python3 -m kit open`" in last


def test_a_module_of_our_own_that_is_missing_is_not_blamed_on_the_installation():
    done = python("import sys; sys.modules['kit.passes'] = None; import kit; kit.Run")
    assert done.returncode == 1
    assert "What to do" not in done.stderr
    assert "kit.passes" in done.stderr.strip().splitlines()[-1]
