"""A lesson of own logs from a terminal: questions for what was not said, then the lesson; and its bench fitted anew."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from ..errors import KitError
from ..motion.speed import speed_curves
from ..sources.described import bench_fitted
from .cautions import BY_WHAT_IS_THERE
from .lesson import LESSON_FILE, load_lesson, read_lesson
from .lesson_text import bench_text
from .make import LessonPlace, find_lesson, new_lesson
from .own_logs import SPINS, Gathered, gather, propose

__all__ = ["ask_and_make", "cautions_named", "fit_bench"]


def ask_and_make(
    folder: Path, logs: Path, given: Mapping[str, object], ask: Callable[[str], str] | None = None, path: str = ""
) -> LessonPlace:
    """Make a lesson of logs. What is found is printed.

    Parameters
    ----------
    given : `changed`, `unit`, `words`, `spins`, `title`, `cautions` (names with commas between), `times_in`, `flags`;
        None for what was not said.
    ask : asks a question and returns the answer, as `input` does; None where nobody can answer. Then what is missing
        gets what can be told from the logs.
    path : how much time there is, see `kit.lessons.paths`.

    Raises
    ------
    KitError : as `kit.lessons.own_logs.gather` and `propose`, naming the option that would help.
    """
    said = {name: value for name, value in given.items() if value is not None}
    how = {"unit": said.get("times_in"), "flags_per_turn": said.get("flags")}
    with tempfile.TemporaryDirectory() as place:
        gathered = gather(
            logs,
            Path(place) / "logs",
            str(said.get("changed", "")),
            how={name: value for name, value in how.items() if value is not None},
        )
        print(*gathered.sentences, sep="\n")
        if ask is not None:
            said = _asked(said, gathered, ask)
        changed = str(said.get("changed", ""))
        if not changed and len(gathered.changing) != 1:
            raise KitError(
                "It is not clear what was changed from run to run",
                found=", ".join(gathered.changing) or "no number that differs",
                fix="say it with --changed, for example: --changed sponges",
            )
        lesson, key = propose(
            gathered,
            changed,
            str(said.get("unit", "")),
            str(said.get("words", "")),
            str(said.get("spins", "")) or SPINS[0],
            cautions_named(str(said.get("cautions", ""))),
            str(said.get("title", "")),
        )
        return new_lesson(folder, lesson=lesson, key=key, data=gathered.folder, path=path)


def _asked(said: dict[str, object], gathered: Gathered, ask: Callable[[str], str]) -> dict[str, object]:
    """What was said, with answers to what was not; an empty answer takes what stands in brackets."""
    first = gathered.changing[0] if gathered.changing else ""
    questions = (
        ("changed", f"What was changed from run to run, in one word? [{first}] ", first),
        ("unit", "Its unit, such as mm? Nothing for a plain number. [] ", ""),
        ("words", "How do students read it, such as number of wet sponges? [as its name] ", ""),
        ("spins", f"What spins? {', '.join(SPINS)} or another word. [{SPINS[0]}] ", SPINS[0]),
        ("cautions", f"Is any of this there? {', '.join(BY_WHAT_IS_THERE)}. Names with commas between. [] ", ""),
    )
    answers = {name: ask(words).strip() or default for name, words, default in questions if name not in said}
    return {**said, **answers}


def cautions_named(text: str) -> list[str]:
    """Names of `BY_WHAT_IS_THERE` as typed with commas between.

    Raises
    ------
    KitError : one that is not known.
    """
    names = [" ".join(name.split()).casefold() for name in text.split(",") if name.strip()]
    for name in names:
        if name not in BY_WHAT_IS_THERE:
            raise KitError("There is no such caution", found=name, fix=f"use some of: {', '.join(BY_WHAT_IS_THERE)}")
    return names


# --- a bench like the data -------------------------------------------------------------------------------------------


def fit_bench(folder: str | Path) -> str:
    """Fit the bench of a lesson to its own runs and write it into its lesson file, in place of the one there.

    Returns
    -------
    The drag of the bench, in words.

    Raises
    ------
    KitError : no lesson there, or runs that don't tell how their drag grows. Then nothing is changed.
    """
    place = find_lesson(folder)
    path = place.data / LESSON_FILE
    lesson = load_lesson(place.data)
    fitted = bench_fitted(speed_curves(lesson.runs()), lesson.x)
    kept = {name: value for name, value in (lesson.bench_table or {}).items() if name in ("drawing", "controls")}
    table = {**fitted, **kept}
    text = path.read_text(encoding="utf-8-sig")
    # a known apparatus would give the bench again what the runs do not have
    text = re.sub(r"(?m)^(# The virtual bench's name for the apparatus.*\n)?apparatus\s*=.*\n", "", text)
    text = re.sub(
        r"(?ms)^(# The virtual bench that simulates[^\n]*\n)?\[bench\].*?(?=^\[|^# [^\n]*\n(#[^\n]*\n)*\[|\Z)", "", text
    )
    text = text.rstrip("\n") + "\n" + "\n".join(bench_text(replace(lesson, bench_table=table))) + "\n"
    reading = read_lesson(path, text)
    for _, error in reading.problems:
        raise error
    path.write_text(text, encoding="utf-8", newline="\n")
    shown = {name: fitted[name] for name in ("drag_alone", "drag_each", "scatter")}
    return ", ".join(f"{name} {value}" for name, value in shown.items())
