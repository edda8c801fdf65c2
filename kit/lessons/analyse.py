"""From a folder of gate logs to an analysis, by the thresholds that the folder's lesson suggests."""

from __future__ import annotations

from pathlib import Path

from ..analysis import Analysis
from ..errors import KitError
from ..logs.folder import read_folder
from ..logs.places import USUAL, find_logs
from .lesson import LESSON_FILE, load_lesson

__all__ = ["analyse"]


def analyse(
    folder: str | Path,
    start_period_s: float | str | None = None,
    stop_period_s: float | str | None = None,
    rule: str | None = None,
    x: str | None = None,
    *,
    refused: list[KitError] | None = None,
    **how,
) -> Analysis:
    """Read a folder of gate logs and analyse it.

    Parameters
    ----------
    folder : holds `runs.csv`, or logs whose names give their conditions, in it or below (`kit.read_folder`); may hold
        a `lesson.toml`. A file of it does as well.
    start_period_s : turn period at which counting starts, s; "auto" is the fastest start every run reaches. By
        default what the lesson suggests, else "auto".
    stop_period_s : turn period at which it stops, s; "auto" is the slowest every run reaches, "last" the last pass.
        By default what the lesson suggests, else "auto".
    rule : counting rule; by default the lesson's, else "best", see `kit.measure`.
    x : the condition that was changed; by default the lesson's, else the only number that changes.
    refused : a list that takes what is wrong with single logs, so that the others are analysed; by default the first
        such log ends it.
    how : parameters of `kit.read_log` that hold for every log, such as `unit="ms"` or `flags_per_turn=8`, beside those
        of the lesson's table [logs].

    Raises
    ------
    KitError : anything in the folder that can't be used, or a choice that is not possible.

    Examples
    --------
    >>> import kit
    >>> kit.analyse("datasets_demo/coasting_disc")
    Analysis(21 runs, 21 counted, by magnets, from 0.25 to 1 s a turn)
    """
    folder = Path(folder)
    logs = find_logs(folder).folder
    above = [logs.absolute().parent] if logs.absolute().name == USUAL else []
    places = (place for place in (folder, logs, *above) if (place / LESSON_FILE).is_file())
    lesson = next(map(load_lesson, places), None)
    refused_before = len(refused or ())
    runs = read_folder(folder, refused=refused, **{**(lesson.logs if lesson else {}), **how})
    suggested_stop = ("auto" if lesson.stop_period_s is None else lesson.stop_period_s) if lesson else "auto"
    return Analysis(
        runs,
        start_period_s or (lesson.start_period_s if lesson else "auto"),
        stop_period_s or suggested_stop,
        rule or (lesson.rule if lesson else "best"),
        x or (lesson.x if lesson else None),
        title=lesson.title if lesson else "",
        not_read=[error.on_page() for error in (refused or ())[refused_before:]],
    )
