"""The reference of the public names, made from their docstrings: `notebooks/teacher/reference.md`.

    python -m tests.api

A test makes it again and compares.
"""

from __future__ import annotations

import inspect
import re

import kit
from kit.launcher import PROJECT

PAGE = PROJECT / "notebooks" / "teacher" / "reference.md"
SECTIONS = {
    "Gate logs and runs": "logs",
    "Counting and slowing down": "motion",
    "Averages, trends, claims, planning": "stats",
    "The whole analysis": "analysis report",
    "Sound": "sound",
    "Where runs come from": "sources",
    "What a group enters": "record",
    "Lessons": "lessons paper",
    "A class": "classroom plots",
    "Errors": "errors",
}
HEAD = """# Reference of `kit`

All public names, with what they take, give and raise. Every number on a page can be had with one of them. This page is
made from the docstrings (`python -m tests.api`): change those, not the page.
"""


def page() -> str:
    """The whole page as Markdown."""
    parts = [HEAD]
    for title, rooms in SECTIONS.items():
        names = [name for name in kit.__all__ if room_of(name) in rooms.split()]
        if names:
            parts += [f"## {title}\n", *(entry(name) for name in sorted(names, key=str.lower))]
    return "\n".join(parts)


def room_of(name: str) -> str:
    return getattr(kit, name).__module__.split(".")[1]


def entry(name: str) -> str:
    """One name: signature, then the docstring as it stands; of a class also what its public methods do."""
    thing = getattr(kit, name)
    lines = [f"### `kit.{name}`\n", f"```text\n{name}{signature(thing)}\n\n{inspect.getdoc(thing)}\n```\n"]
    if inspect.isclass(thing):
        lines += [f"- `.{member}`: {first_sentence(value)}" for member, value in public_members(thing)]
        lines.append("")
    return "\n".join(lines)


def signature(thing: object) -> str:
    if inspect.isclass(thing) and issubclass(thing, Exception):
        return ""
    text = str(inspect.signature(thing))
    return re.sub(r"<factory>", "…", text.replace("kit.", "").replace("'", ""))


def public_members(thing: type) -> list[tuple[str, object]]:
    found = []
    for member, value in vars(thing).items():
        value = getattr(value, "func", value)  # a cached property
        value = getattr(value, "__func__", value)
        if not member.startswith("_") and (callable(value) or isinstance(value, property)) and inspect.getdoc(value):
            found.append((member + ("()" if inspect.isfunction(value) and not is_cached(thing, member) else ""), value))
    return found


def is_cached(thing: type, member: str) -> bool:
    return type(vars(thing)[member]).__name__ == "cached_property"


def first_sentence(value: object) -> str:
    return " ".join((inspect.getdoc(value) or "").split("\n\n")[0].split())


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
    print(PAGE)
