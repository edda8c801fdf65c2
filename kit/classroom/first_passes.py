"""Where a class starts counting by eye: the clicks of all groups on one run, from their hand-ins."""

from __future__ import annotations

from pathlib import Path

from ..errors import KitError
from ..lessons.by_hand import clicks_of
from ..record.handin import HandIn, read_handin
from .handins import class_files

__all__ = ["class_first_passes"]


def class_first_passes(
    folder: str | Path, lesson_name: str, source: str, start_period_s: float, passes: int, own_code: str = ""
) -> list[int]:
    """First passes that the groups of a class chose on one run, one for each member, sorted.

    A group that handed in several times counts once, with its longest hand-in. Files that are no hand-ins of this
    lesson are passed over.

    Parameters
    ----------
    folder : the class's folder, ZIP or address of a store.
    source, start_period_s, passes : the run's file, the turn period (s), how many passes its log has.
    own_code : the code of the group that looks: its own clicks are left out.

    Raises
    ------
    KitError : there is no such folder, or you may not read it.
    """
    groups: dict[str, HandIn] = {}
    for file in class_files(folder):
        try:
            handin = read_handin(file.data) if file.data is not None else None
        except KitError:
            continue
        if handin is None or handin.lesson != lesson_name or (own_code and handin.code == own_code):
            continue
        first = handin.entries[0].hash
        if first not in groups or len(groups[first].entries) < len(handin.entries):
            groups[first] = handin
    found = [clicks_of(handin.entries, source, start_period_s, passes) for handin in groups.values()]
    return sorted(chosen for clicks in found for chosen in clicks.values())
