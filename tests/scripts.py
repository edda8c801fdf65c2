"""Lint the JavaScript of the kit as a browser gets it: python -m tests.scripts

A widget's script may be joined from several files, and only the whole has all names: so each widget's whole script is
checked, and what is found is told with the file and line where it stands. Other scripts are checked alone. The rules
are in .oxlintrc.json. The linter, oxlint, comes with the extra `test`: one program that needs no JavaScript engine.
"""

from __future__ import annotations

import importlib
import json
import pkgutil
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Iterator
from pathlib import Path

import anywidget

import kit.widgets

PROJECT = Path(__file__).resolve().parent.parent
RULES = PROJECT / ".oxlintrc.json"


def whole_scripts() -> dict[str, str]:
    """Every widget's script under the widget's name, as Python sends it; every other `.js` file under its own."""
    for module in pkgutil.iter_modules(kit.widgets.__path__, "kit.widgets."):
        importlib.import_module(module.name)
    mine = [widget for widget in _subclasses(anywidget.AnyWidget) if widget.__module__.partition(".")[0] == "kit"]
    scripts = {widget.__name__: str(widget._esm) for widget in mine if hasattr(widget, "_esm")}
    sent = "\n".join(scripts.values())
    return scripts | {
        name: text for path, text in parts().items() if text not in sent for name in [path.replace("/", "_")[:-3]]
    }


def parts() -> dict[str, str]:
    """The files that scripts are made of: path below the project -> text."""
    return {
        path.relative_to(PROJECT).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted((PROJECT / "kit").rglob("*.js"))
    }


def problems(scripts: dict[str, str], files: dict[str, str]) -> list[str]:
    """What the linter finds in whole scripts, each once, with the file and line it comes from."""
    linter = shutil.which("oxlint", path=sysconfig.get_path("scripts")) or shutil.which("oxlint")
    if linter is None:
        raise SystemExit(
            "The linter oxlint is missing. What to do: install the extra `test`, as python3 -m kit test does."
        )
    with tempfile.TemporaryDirectory() as folder:
        for name, text in scripts.items():
            Path(folder, f"{name}.js").write_text(text, encoding="utf-8")
        said = subprocess.run(
            [linter, "-c", str(RULES), "--format", "json", "."], cwd=folder, capture_output=True, encoding="utf-8"
        )
    try:
        found = json.loads(said.stdout)
    except ValueError:
        raise SystemExit(f"oxlint gave no answer: {said.stdout}{said.stderr}") from None
    if found["number_of_files"] != len(scripts):
        raise SystemExit(f"oxlint looked at {found['number_of_files']} scripts of {len(scripts)}")
    told: dict[tuple[str, int, str], int] = {}  # what is found where -> in how many scripts
    for one in found["diagnostics"]:
        spans = [label["span"] for label in one["labels"]]
        path, line = _place(Path(one["filename"]).stem, spans[0]["line"] if spans else 1, scripts, files)
        key = path, line, f"{one.get('code') or 'syntax'}: {one['message']}"
        told[key] = told.get(key, 0) + 1
    return [
        f"{path}:{line}: {what}"
        for (path, line, what), times in told.items()
        if "no-unused-vars" not in what or times >= _users(path, scripts, files)  # a shared name serves one of many
    ]


def _users(path: str, scripts: dict[str, str], files: dict[str, str]) -> int:
    """How many scripts a file is part of."""
    return sum(files[path] in script for script in scripts.values()) if path in files else 1


def _place(name: str, line: int, scripts: dict[str, str], files: dict[str, str]) -> tuple[str, int]:
    """File and line of a line of a whole script."""
    for path, text in files.items():
        start = scripts[name].find(text)
        first = scripts[name].count("\n", 0, start) + 1
        if start >= 0 and first <= line < first + len(text.splitlines()):
            return path, line - first + 1
    return name, line


def _subclasses(of: type) -> Iterator[type]:
    for one in of.__subclasses__():
        yield one
        yield from _subclasses(one)


def main() -> int:
    scripts, files = whole_scripts(), parts()
    found = problems(scripts, files)
    print(*found or [f"{len(scripts)} scripts of {len(files)} files: nothing found."], sep="\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
