"""What the documents point to is there: links, headings, files, modules, names, commands and their options."""

from __future__ import annotations

import json
import re
from functools import cache
from importlib import import_module
from pathlib import Path
from urllib.parse import unquote

import pytest

import kit
from kit.commands import parser
from kit.lessons.make import new_lesson

PROJECT = Path(__file__).parents[2]
DOCUMENTS = sorted(
    path
    for path in [*PROJECT.glob("*.md"), *PROJECT.glob("notebooks/**/*.md"), *PROJECT.glob("notebooks/**/*.ipynb")]
    if ".ipynb_checkpoints" not in path.parts and "workbooks" not in path.parts
)
LINK = re.compile(r"\]\(\s*<?([^)\s>]+)>?[^)]*\)|(?:href|src)=\"([^\"]+)\"")
ELSEWHERE = ("http://", "https://", "mailto:", "data:", "s3:")
#: Folders of the project: what a path in a document begins with.
FOLDERS = ("kit/", "tests/", "notebooks/", "binder/", "datasets_demo/", ".ci/")


@cache
def text_of(path: Path) -> str:
    """A document's Markdown, without what stands in fenced code; a notebook's Markdown cells."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".ipynb":
        cells = json.loads(text)["cells"]
        text = "\n\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
    return re.sub(r"^```.*?^```", "", text, flags=re.S | re.M)


def headings(path: Path) -> set[str]:
    """The anchors of a document's headings: as a code host makes them, and as JupyterLab does."""
    found = set()
    for words in re.findall(r"^#+ (.+)$", text_of(path), re.M):
        plain = re.sub(r"[`*_]", "", words)
        found |= {re.sub(r"[^\w\- ]", "", plain.lower()).replace(" ", "-"), plain.replace(" ", "-")}
    return found


def dead_links(path: Path) -> list[str]:
    """The links of a document that lead nowhere."""
    dead = []
    for target in (unquote("".join(found)) for found in LINK.findall(text_of(path))):
        if target.startswith(ELSEWHERE):
            continue
        name, _, anchor = target.partition("#")
        place = (path.parent / name).resolve() if name else path
        known = anchor in headings(place) if anchor and place.suffix in (".md", ".ipynb") and place.exists() else True
        if not place.exists() or not known:
            dead.append(target)
    return dead


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.relative_to(PROJECT).as_posix())
def test_every_link_leads_somewhere(path):
    assert dead_links(path) == []


def test_a_link_that_leads_nowhere_is_found(tmp_path):
    page = tmp_path / "page.md"
    page.write_text(
        "# One *word*\n[a](page.md#one-word) [b](page.md#two) [c](gone.md) ![d](https://x.y/z.png)", "utf-8"
    )
    assert dead_links(page) == ["page.md#two", "gone.md"]


def test_links_of_a_made_lesson_lead_somewhere(tmp_path):
    new_lesson(tmp_path / "wheel", like="coasting_disc")
    pages = sorted((tmp_path / "wheel").rglob("*.ipynb"))
    assert len(pages) > 7
    assert {page.name: dead for page in pages if (dead := dead_links(page))} == {}


# --- what stands in backticks -----------------------------------------------------------------------------------------

GUIDES = ("README.md", "DEVELOPERS.md")


def in_backticks(name: str) -> list[str]:
    return re.findall(r"`([^`\n]+)`", text_of(PROJECT / name))


@pytest.mark.parametrize("name", GUIDES)
def test_every_file_and_module_it_names_is_there(name):
    missing = []
    for said in in_backticks(name):
        if said.startswith(FOLDERS) and " " not in said and not re.search(r"[A-Z]{3}|[*…]", said):
            if not any((PROJECT / (said + end)).exists() for end in ("", ".ipynb", ".py")):
                missing.append(said)
        elif re.fullmatch(r"kit(\.\w+)+(\(.*\))?", said):
            try:
                named(said.partition("(")[0])
            except (ImportError, AttributeError):
                missing.append(said)
    assert missing == []


def named(dotted: str) -> object:
    """The module, or the name in a module or class, that a dotted name is of."""
    found: object = kit
    place = "kit"
    for part in dotted.split(".")[1:]:
        try:
            found = getattr(found, part)
        except AttributeError:
            found = import_module(f"{place}.{part}")
        place = f"{place}.{part}"
    return found


def test_every_module_in_the_table_of_rooms_is_there():
    rows = re.findall(r"^\| `(kit/\w+/)` \| (.+?) \| .*\|$", text_of(PROJECT / "DEVELOPERS.md"), re.M)
    assert len(rows) >= 10
    missing = [
        room + module
        for room, what in rows
        for module in re.findall(r"`(\w+)`", what)
        if not (PROJECT / room / f"{module}.py").exists()
    ]
    assert missing == []


@pytest.mark.parametrize("path", [p for p in DOCUMENTS if p.name != "CHANGELOG.md"], ids=lambda path: path.name)
def test_every_command_it_names_is_there_with_its_options(path):
    commands = parser()._subparsers._group_actions[0].choices
    text = path.read_text(encoding="utf-8")
    for command, rest in re.findall(r"python3? -m kit ([a-z][a-z-]*)([^\n`#\"]*)", text):
        assert command in commands, command
        known = commands[command].format_help()
        for option in re.findall(r"(?<!\S)--[a-z-]+", rest):
            assert option in known, f"{command} {option}"
    for module in re.findall(r"python3? -m ((?:tests|kit)(?:\.\w+)+)", text):
        place = PROJECT / module.replace(".", "/")
        assert place.with_suffix(".py").exists() or (place / "__main__.py").exists(), module
