"""Which rooms the package has, what each may import, and the picture of them in DEVELOPERS.md, drawn from the imports.

python3 -m tests.rooms
"""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

PROJECT = Path(__file__).parents[1]
PACKAGE = PROJECT / "kit"

# Which rooms there are, and which of them a room may import from besides itself. `errors`, `wording`, `plugins` and
# `former_names` are free to all. A file beside the rooms is a room of its own.
FREE = {"errors", "wording", "plugins", "former_names"}
ROOMS: dict[str, set[str]] = {
    "logs": set(),
    "stats": set(),
    "record": set(),
    "motion": {"logs", "stats"},
    "sound": {"logs", "motion"},
    "sources": {"logs", "motion", "sound"},
    "analysis": {"logs", "motion", "stats", "report"},
    "lessons": {"logs", "motion", "stats", "sound", "sources", "record", "analysis"},
    "plots": {"logs", "motion", "stats", "sound"},
    "classroom": {"stats", "record", "lessons", "plots"},
    "report": {"stats", "plots"},
    "widgets": {
        "logs", "motion", "stats", "sound", "sources", "record", "lessons", "classroom", "plots", "analysis", "report",
        "paper",
    },
    "server": {"logs", "plots", "analysis", "lab"},  # it loads the widgets too, by their names, and uses none
    "launcher": set(),
    "lab": {"launcher"},
    "command_parts": {"launcher"},
    "commands_lessons": {"command_parts", "launcher", "lessons", "paper"},
    "commands_class": {"command_parts", "launcher", "classroom", "record"},
    "paper": {"lessons", "plots", "record", "stats"},
    "__init__": set(),
    "__main__": {"commands"},
}  # fmt: skip
ROOMS["commands"] = set(ROOMS) - {"widgets", "__main__", "__init__"}


def imports_of(path: Path, root: Path) -> set[str]:
    """What of the kit a source file imports anywhere in it, late imports too: 'trend', 'widgets.trial_table.Name'."""
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
    return {name.removeprefix("kit.") for name in found if name.startswith("kit.")}


def name_of(path: Path, root: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def graph_of(root: Path) -> dict[str, set[str]]:
    found = {name_of(path, root): imports_of(path, root) for path in sorted(root.rglob("*.py"))}
    return {name: imported & found.keys() for name, imported in found.items()}


def room_of(module: str) -> str:
    return module.partition(".")[0]


def arrows(root: Path = PACKAGE) -> dict[str, set[str]]:
    """Room → rooms it really imports, without those that a room between them imports already."""
    rooms: dict[str, set[str]] = {}
    for module, imported in graph_of(root).items():
        if room_of(module) in ROOMS and room_of(module) not in ("__init__", "__main__"):
            others = {room_of(name) for name in imported} - FREE - {"__init__", room_of(module)}
            rooms.setdefault(room_of(module), set()).update(others)
    below: dict[str, set[str]] = {}
    for room in TopologicalSorter(rooms).static_order():
        below[room] = set().union(*({other} | below[other] for other in rooms[room]), set())
    return {
        room: {other for other in others if not any(other in below[nearer] for nearer in others - {other})}
        for room, others in rooms.items()
    }


def picture() -> str:
    """The rooms as a drawing in text that a page of Markdown shows: an arrow goes from a room to one it imports."""
    drawn = arrows()
    lines = [f"    {room} --> {other}" for room in sorted(drawn) for other in sorted(drawn[room])]
    return "\n".join(["", "```mermaid", "graph TD", *lines, "```", ""])


if __name__ == "__main__":
    from tests.readme import DEVELOPERS, put

    put(DEVELOPERS, "rooms", picture())
