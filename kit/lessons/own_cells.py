"""Cells that a teacher put into a made notebook: known by their ids, kept when the notebook is made anew."""

from __future__ import annotations

import json
import re

__all__ = ["cells_of", "is_own", "made_cells", "own_cells", "with_own_cells"]

_MADE = re.compile(r"[a-z-]+-\d\d")  # as kit.lessons.notebooks numbers them; a front end's own ids are random


def made_cells(text: str) -> list[tuple[str, str]] | None:
    """Kind and text of the cells of a notebook that are not somebody's own; None where it is no notebook."""
    cells = _cells(text)
    return None if cells is None else [(cell["cell_type"], _source(cell)) for cell in cells if not is_own(cell)]


def own_cells(text: str) -> list[dict]:
    """The cells of a notebook that somebody put in, as they are."""
    return [cell for cell in _cells(text) or [] if is_own(cell)]


def with_own_cells(made: str, before: str) -> str:
    """A notebook that was made anew, with the own cells of the one before where they stood.

    An own cell follows the made cell that it followed before: one with the same text, else one with the same id; where
    that is gone it goes to the end.
    """
    old, document = _cells(before) or [], json.loads(made)
    new = document["cells"]
    groups: list[tuple[dict | None, list[dict]]] = [(None, [])]
    for cell in old:
        if is_own(cell):
            groups[-1][1].append(cell)
        else:
            groups.append((cell, []))
    if not any(own for _, own in groups):
        return made
    for after, own in groups:
        if own:
            at = _place_after(new, after)
            new[at:at] = own
    return json.dumps(document, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _place_after(cells: list[dict], after: dict | None) -> int:
    if after is None:
        return 0
    for alike in (lambda cell: _source(cell) == _source(after), lambda cell: cell.get("id") == after.get("id")):
        for i, cell in enumerate(cells):
            if not is_own(cell) and alike(cell):
                while i + 1 < len(cells) and is_own(cells[i + 1]):
                    i += 1
                return i + 1
    return len(cells)


def _cells(text: str) -> list[dict] | None:
    try:
        cells = json.loads(text)["cells"]
        _ = [(cell["cell_type"], _source(cell)) for cell in cells]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return cells


def cells_of(text: str) -> list[dict]:
    """The cells of a notebook; none where it is no notebook."""
    return _cells(text) or []


def is_own(cell: dict) -> bool:
    """Whether somebody put this cell in."""
    return not _MADE.fullmatch(str(cell.get("id", "")))


def _source(cell: dict) -> str:
    return "".join(cell["source"])
