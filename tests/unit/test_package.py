"""The package as a whole: importing it is light, and its modules import one way only."""

from __future__ import annotations

import functools
import graphlib
import subprocess
import sys

import pytest

import kit
from kit.launcher import project_environment
from tests.readme import DEVELOPERS, block
from tests.rooms import FREE, PACKAGE, PROJECT, ROOMS, graph_of, picture, room_of

LONGEST = 520  # lines of a module: few and deep, and still read in one sitting


def wrong_ways(module: str, imported: set[str]) -> list[str]:
    """Those of a module's imports that its room does not allow."""
    room = room_of(module)
    if room in FREE:
        allowed = FREE - {room}
    elif room in ROOMS:
        allowed = {room, *FREE, *ROOMS[room]}
    else:
        return [f"{module} has no room: add it to ROOMS"]
    others = {name for name in imported if room_of(name) != "__init__"}
    return sorted(f"{module} imports {name}" for name in others if room_of(name) not in allowed)


# --- imports go one way --------------------------------------------------------------------------------

GRAPH = graph_of(PACKAGE)


@pytest.mark.parametrize("module", GRAPH)
def test_a_module_imports_only_what_its_room_allows(module):
    assert wrong_ways(module, GRAPH[module]) == []


def test_there_are_no_cycles():
    assert len(list(graphlib.TopologicalSorter(GRAPH).static_order())) >= len(GRAPH)


def test_no_room_is_part_of_a_cycle_of_rooms():
    assert len(list(graphlib.TopologicalSorter(ROOMS).static_order())) == len(ROOMS)


def test_every_room_of_the_table_is_there():
    assert set(ROOMS) | FREE == {room_of(module) for module in GRAPH}


@pytest.mark.slow
def test_the_picture_in_the_guide_is_that_of_the_imports():
    found = block(DEVELOPERS.read_text(encoding="utf-8"), "rooms")
    assert found == picture(), "run `python -m tests.rooms`"


def test_no_module_is_long():
    long = {path.name: len(path.read_text("utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    assert {name: lines for name, lines in long.items() if lines > LONGEST} == {}


def test_the_checks_notice_a_wrong_import_however_it_is_written(tmp_path):
    """Negative control: a package with every kind of slip in it."""
    root = tmp_path / "kit"
    sources = {
        "__init__": "",
        "errors": "",
        "stats/__init__": "",
        "stats/averages": "def late():\n    from ..motion import speed\n",
        "logs/__init__": "",
        "logs/run": "import kit.widgets.picker\n",
        "motion/__init__": "",
        "motion/speed": "from kit.stats.averages import x\nfrom ..plots.style import y\n",
        "plots/__init__": "",
        "plots/style": "",
        "stray": "",
        "widgets/__init__": "",
        "widgets/picker": "from .. import commands\nfrom ..stats.averages import x\nfrom .other import y\n",
        "widgets/other": "",
        "commands": "",
    }
    for name, source in sources.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / f"{name}.py").write_text(source, encoding="utf-8")
    graph = graph_of(root)
    found = {module: wrong_ways(module, imported) for module, imported in graph.items()}
    assert {module: slips for module, slips in found.items() if slips} == {
        "stats.averages": ["stats.averages imports motion", "stats.averages imports motion.speed"],
        "logs.run": ["logs.run imports widgets.picker"],
        "motion.speed": ["motion.speed imports plots.style"],
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


@pytest.mark.slow
@pytest.mark.parametrize("name", ["plotly", "ipywidgets", "anywidget", "jupyterlab"])
def test_an_analysis_loads_nothing_that_draws(name):
    assert name not in loaded_by("import kit; kit.analyse")


@pytest.mark.slow
def test_reading_a_lesson_loads_nothing_that_simulates():
    done = python(
        f"import sys, kit; lesson = kit.load_lesson({str(PROJECT / 'datasets_demo/coasting_disc')!r})\n"
        "assert lesson.bench.whole\n"
        "print(*sorted(name for name in sys.modules if name.startswith('kit.sources.')))"
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["kit.sources.setup"]  # what a [bench] table may say, and no motion


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
    done = python("import sys; sys.modules['kit.logs.run'] = None; import kit; kit.Run")
    assert done.returncode == 1
    assert "What to do" not in done.stderr
    assert "kit.logs.run" in done.stderr.strip().splitlines()[-1]
