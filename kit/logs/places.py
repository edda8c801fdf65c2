"""Where a folder's logs are: in it, in `passes/` or further below, with `runs.csv` beside or above them, or without."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import KitError
from .log import is_log

__all__ = ["LIST_NAME", "NAMED_LIKE", "NOT_LOGS", "USUAL", "Place", "find_logs", "logs_below"]

LIST_NAME = "runs.csv"
NAMED_LIKE = "magnets-3_trial-2.csv"
NOT_LOGS = (LIST_NAME, "hand_counts.csv")
USUAL = "passes"  # where logs lie if there are others elsewhere
DEEPEST = 4  # folders below the one that is named
MOST_FILES = 20_000  # looked at: somebody may name a whole disk


@dataclass(frozen=True)
class Place:
    """Logs that belong together. `listing` is their `runs.csv`; without one, `files` are the logs."""

    folder: Path
    listing: Path | None = None
    files: tuple[Path, ...] = ()
    only: Path | None = None  # of the list, what lies here alone: a folder, or one file
    alone: bool = False  # the one file was named itself, so it need not say which run it is


def find_logs(given: str | Path) -> Place:
    """The logs that somebody means who names a folder, or a file: a log, `runs.csv` or `lesson.toml`.

    Looked for are, in this order: `runs.csv` in the folder; `runs.csv` in the folder above, if it lists logs of this
    one; logs in the folder; logs in `passes/`; logs anywhere below; one `runs.csv` anywhere below. Logs below that have
    a `runs.csv` of their own beside them are another set, and left alone.

    Raises
    ------
    KitError : no such folder, no logs there, or several lists to choose from.
    """
    given = Path(given)
    if given.is_file():
        return _of_file(given)
    if not given.is_dir():
        raise KitError("There is no such folder", file=given, fix="check the name and where you are")
    if (given / LIST_NAME).is_file():
        return Place(given, given / LIST_NAME)
    here = tuple(path for path in logs_below(given, deepest=0))
    if here:
        above = given.absolute().parent / LIST_NAME
        return Place(above.parent, above, only=given.absolute()) if _lists(above, here) else Place(given, None, here)
    lists = _outermost(path for path in _files_below(given) if path.name == LIST_NAME)
    sets = [path.parent for path in lists]
    below = [path for path in logs_below(given) if not any(part in path.parents for part in sets)]
    usual = [path for path in below if given / USUAL in path.parents]
    if below:
        return Place(given, None, tuple(usual or below))
    if len(lists) > 1:
        found = ", ".join(path.parent.relative_to(given).as_posix() for path in lists)
        raise KitError("There are several sets of runs below this folder", file=given, found=found, fix="name one")
    if lists:
        return Place(lists[0].parent, lists[0])
    raise KitError(
        "There are no gate logs in this folder",
        file=given,
        fix=f"put files named like {NAMED_LIKE} there, or a {LIST_NAME}",
    )


def logs_below(folder: Path, deepest: int = DEEPEST) -> Iterator[Path]:
    """Files that could be gate logs, in the folder and so many folders below; no hidden or temporary ones."""
    return (path for path in _files_below(folder, deepest) if is_log(path) and path.name not in NOT_LOGS)


def _files_below(folder: Path, deepest: int = DEEPEST) -> Iterator[Path]:
    left = MOST_FILES
    for here, below, names in os.walk(folder):
        depth = len(Path(here).relative_to(folder).parts)
        below[:] = sorted(name for name in below if name[0] not in ".~" and depth < deepest)
        for name in sorted(names)[:left]:
            if name[0] not in ".~" and (Path(here) / name).is_file():
                yield Path(here) / name
        left -= len(names)
        if left <= 0:
            return


def _of_file(given: Path) -> Place:
    if given.name == LIST_NAME:
        return Place(given.parent, given)
    if given.name == "lesson.toml":
        return find_logs(given.parent)
    if not is_log(given):
        raise KitError(
            "This file is no gate log", file=given, fix="name a folder of logs, or a .csv, .tsv or .txt file"
        )
    for folder in (given.absolute().parent, given.absolute().parent.parent):
        if _lists(folder / LIST_NAME, (given,)):
            return Place(folder, folder / LIST_NAME, only=given.absolute())
    return Place(given.parent, None, (given,), alone=True)


def _lists(listing: Path, files: tuple[Path, ...]) -> bool:
    """Whether a list names one of these files. Read as plain text: whether the list is sound is asked later."""
    try:
        text = listing.read_text(encoding="utf-8", errors="replace") if listing.is_file() else ""
    except OSError:
        return False
    return any(path.name in text for path in files)


def _outermost(lists: Iterator[Path]) -> list[Path]:
    """Lists that have no other one above them."""
    found: list[Path] = []
    for path in sorted(lists, key=lambda path: len(path.parts)):
        if not any(other.parent in path.parents for other in found):
            found.append(path)
    return found
