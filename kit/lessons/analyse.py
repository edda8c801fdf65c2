"""From a folder of gate logs to an analysis, by the thresholds that the folder's lesson suggests."""

from __future__ import annotations

from pathlib import Path

from ..analysis import Analysis
from ..logs.folder import read_folder
from .lesson import LESSON_FILE, load_lesson

__all__ = ["analyse"]


def analyse(
    folder: str | Path,
    start_period_s: float | str | None = None,
    stop_period_s: float | str | None = None,
    rule: str | None = None,
    x: str | None = None,
    **how,
) -> Analysis:
    """Read a folder of gate logs and analyse it.

    Parameters
    ----------
    folder : holds `runs.csv`, or logs whose names give their conditions; may hold a `lesson.toml`.
    start_period_s : turn period at which counting starts, s; "auto" is the fastest start every run reaches. By
        default what the lesson suggests, else "auto".
    stop_period_s : turn period at which it stops, s; "auto" is the slowest every run reaches, "last" the last pass.
        By default what the lesson suggests, else "auto".
    rule : counting rule; by default the lesson's, else "best", see `kit.measure`.
    x : the condition that was changed; by default the lesson's, else the only number that changes.
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
    lesson = load_lesson(folder) if (folder / LESSON_FILE).exists() else None
    runs = read_folder(folder, **{**(lesson.logs if lesson else {}), **how})
    suggested_stop = ("auto" if lesson.stop_period_s is None else lesson.stop_period_s) if lesson else "auto"
    return Analysis(
        runs,
        start_period_s or (lesson.start_period_s if lesson else "auto"),
        stop_period_s or suggested_stop,
        rule or (lesson.rule if lesson else "best"),
        x or (lesson.x if lesson else None),
        title=lesson.title if lesson else "",
    )
