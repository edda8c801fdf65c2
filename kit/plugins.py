"""What other installed packages add to the kit: readers of gate logs and trend models, by entry points.

Nothing is looked up, let alone loaded, before something is asked for that the kit itself does not know. A package that
can't be loaded is named; it never disturbs what works without it.
"""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points
from typing import NamedTuple

from .errors import KitError

__all__ = ["READERS", "TREND_MODELS", "Added", "added_names", "find_added"]

READERS = "spin_down_kit.readers"
TREND_MODELS = "spin_down_kit.trend_models"


class Added(NamedTuple):
    """What a package adds, and the package's name."""

    what: object
    package: str


def added_names(group: str) -> tuple[str, ...]:
    """The names that installed packages add to a group, sorted. Loads none of them."""
    return tuple(sorted({entry.name for entry in entry_points(group=group)}))


def find_added(group: str, name: str) -> Added | None:
    """What a package adds under this name, loaded now; None if no package does.

    Raises KitError, naming the package, if it can't be loaded or if two packages add the same name.
    """
    found = {(entry.value, _package(entry)): entry for entry in entry_points(group=group, name=name)}
    if not found:
        return None
    if len(found) > 1:
        packages = ", ".join(sorted(package for _, package in found))
        raise KitError(f"Several packages add '{name}' to {group}", found=packages, fix="remove all but one of them")
    ((_, package), entry) = found.popitem()
    try:
        return Added(entry.load(), package)
    except Exception as problem:  # somebody else's code may fail in any way
        why = f"The package {package} adds '{name}', but can't be loaded ({type(problem).__name__}: {problem})"
        raise KitError(why, fix=f"mend or remove it: pip uninstall {package}") from problem


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist else entry.module
