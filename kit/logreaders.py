"""Which reader a gate log needs: the kit's own for text, or one that an installed package adds for its file ending."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from kit.errors import KitError
from kit.logforms import read
from kit.passes import Run, with_repairs
from kit.plugins import READERS, added_names, find_added

__all__ = ["TEXT_ENDINGS", "is_log", "read_runs"]

TEXT_ENDINGS = (".csv", ".tsv", ".txt")


def is_log(path: Path) -> bool:
    """Whether a file's ending is that of a gate log, of the kit's own or of a reader that was added."""
    ending = path.suffix.lower()
    return ending in TEXT_ENDINGS or ending.removeprefix(".") in added_names(READERS)


def read_runs(path: str | Path, *, source: str | None = None, **how) -> list[Run]:
    """The runs of one log. `how` are parameters of `kit.gatelog.read_log`; an added reader gets those it may know.

    A reader that a package adds is a function (path, **how) -> one `Run` or several. What is known about the run from
    elsewhere (conditions, trial, flags_per_turn) is filled in here, and repairs are found unless it found some itself.

    Raises KitError as `read_log` does; whatever else an added reader raises is worded, naming its package.
    """
    ending = Path(path).suffix.lower().removeprefix(".")
    added = find_added(READERS, ending) if ending and f".{ending}" not in TEXT_ENDINGS else None
    if added is None:
        return list(read(path, source=source, **how).runs)
    known = {name: how.pop(name, None) for name in ("conditions", "trial", "flags_per_turn")}
    repairs = how.pop("repairs", True)
    try:
        found = added.what(Path(path), **how)
        runs = [found] if isinstance(found, Run) else list(found)
    except KitError:
        raise
    except Exception as problem:  # somebody else's code may fail in any way
        why = (
            f"The reader of .{ending} files in the package {added.package} failed ({type(problem).__name__}: {problem})"
        )
        raise KitError(why, file=path, fix="ask whoever made that package") from problem
    if not runs or not all(isinstance(run, Run) for run in runs):
        why = f"The reader of .{ending} files in the package {added.package} gave no runs"
        raise KitError(why, file=path, fix="it has to return one kit.Run or several")
    shown = source or Path(path).name
    return [_completed(run, shown, repairs, **known) for run in runs]


def _completed(
    run: Run,
    shown: str,
    repairs: bool,
    conditions: Mapping[str, float | str] | None,
    trial: int | None,
    flags_per_turn: int | None,
) -> Run:
    run = replace(
        run,
        conditions={**(conditions or {}), **run.conditions},
        source=run.source or shown,
        trial=trial or run.trial,
        flags_per_turn=flags_per_turn or run.flags_per_turn,
    )
    return with_repairs(run) if repairs and not run.repairs else run
