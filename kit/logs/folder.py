"""A folder of gate logs, read and written: what `runs.csv` says about each file, or what the file names say.

`runs.csv` is read by `list_rows` and written by `runs_list`, and nowhere else.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path, PurePosixPath

import numpy as np

from ..errors import AmbiguousLog, KitError
from .columns import conditions_from_name, number_or_word
from .dialect import decode, read_bytes
from .forms import Look
from .log import log_text, look_at
from .places import LIST_NAME, NAMED_LIKE, Place, find_logs, logs_below
from .run import Run
from .units import unit_of_gaps

__all__ = [
    "LIST_NAME",
    "NOT_CONDITIONS",
    "csv_text",
    "list_rows",
    "read_folder",
    "runs_list",
    "write_files",
    "write_folder",
]

MOST_APART = 300.0  # usual gaps of two logs of one clock; units lie a thousand apart
NOT_CONDITIONS = (
    "file",
    "trial",
    "order",
    "origin",
    "flags_per_turn",
    "sound",
    "sound_start_s",
    "timing_u_s",
    "set_aside",
    "note",
)


def read_folder(folder: str | Path, *, refused: list[KitError] | None = None, **how) -> list[Run]:
    """All runs of a folder.

    With a `runs.csv`: one row a run, columns `file`, `trial`, optional `order` (place in the session), `origin` (how
    the run was made), `flags_per_turn`, `sound` (a recording), `sound_start_s` (when it begins, on the log's clock),
    `timing_u_s` (the standard uncertainty of a pass that its scatter can't show),
    `set_aside` (the reason), `note`; every other column is a condition (a float where it is a number). Files it does
    not name are not read. Without it, every .csv, .tsv and .txt file must be named like `magnets-3_trial-2.csv` or
    `tilt-1.5_magnets-3_trial-1.txt`, all with the same conditions. Logs and list may lie in a folder below, such as
    `passes/`; the list beside the logs or above them (`kit.logs.places.find_logs`).

    Parameters
    ----------
    folder : the folder; or a single log, `runs.csv` or `lesson.toml`.
    refused : a list that takes what is wrong with single logs, so that the others are read; by default the first such
        log ends the reading. A folder with no log that can be read is refused all the same.
    how : parameters of `read_log` that hold for every file, such as `decimal=","` or `repairs=False`. The unit of
        logs that give none is decided for all of them at once.

    Returns
    -------
    Runs in the order of `runs.csv`, or sorted by condition and trial.

    Raises
    ------
    KitError : a missing folder or file, a file or trial named twice, or a name or cell that does not fit.

    >>> import kit
    >>> runs = kit.read_folder("datasets_demo/card_vanes", repairs=False)
    >>> len(runs), runs[0].conditions, runs[0].source
    (15, {'vanes': 4.0}, 'passes/vanes-04_trial-1.csv')
    """
    place = find_logs(folder)
    folder, problems = place.folder, _Problems(refused)
    logs = list((_listed if place.listing else _named)(place, how, problems))
    unit = _one_unit([log for log, _ in logs if isinstance(log, Look)], folder)
    runs = []
    for log, about in logs:
        with problems:
            runs += [replace(run, **about) for run in (log.finish(unit).runs if isinstance(log, Look) else log)]
    runs = runs if place.listing else _in_order(runs, folder)
    if not runs:
        raise problems.first or KitError(
            "There are no gate logs in this folder",
            file=folder,
            fix=f"put files named like {NAMED_LIKE} there, or a {LIST_NAME}",
        )
    seen: dict[tuple, Run] = {}
    for run in runs:
        key = (tuple(sorted(run.conditions.items())), run.trial)
        if key in seen:
            raise KitError(
                "Two runs have the same conditions and the same trial number",
                file=folder,
                found=f"{seen[key].source} and {run.source}",
                fix="give each trial its own number",
            )
        seen[key] = run
    return runs


class _Problems:
    """What is wrong with single logs: raised, or kept in a list so that the others are read."""

    def __init__(self, kept: list[KitError] | None):
        self._kept = kept
        self.first: KitError | None = None

    def __enter__(self) -> None:
        """Do what may fail for one log."""

    def __exit__(self, kind, problem, trace) -> bool:
        if self._kept is None or not isinstance(problem, KitError):
            return False
        self.first = self.first or problem
        self._kept.append(problem)
        return True


Pending = tuple[Look | list[Run], dict]  # a log, and what its list says about its runs


def _one_unit(logs: list[Look], folder: Path) -> str | None:
    """The unit of all logs that give none: one clock made them all. None if every log gives its own."""
    open_ones = [log for log in logs if log.unit is None and log.plan.content != "speeds"]
    gaps = [gap for log in open_ones for gap in log.gaps()]
    if not gaps:
        return None
    try:
        unit = unit_of_gaps(gaps, str(folder))
    except AmbiguousLog as error:
        given = {log.unit for log in logs} - {None}
        if len(given) == 1 and given <= {how.get("unit") for how in error.options.values()}:
            return given.pop()  # as the other logs of the same clock say
        raise
    usual = [(float(np.median(gap)), log) for log in open_ones for gap in log.gaps() if len(gap)]
    low, high = min(usual, key=lambda pair: pair[0]), max(usual, key=lambda pair: pair[0])
    if high[0] > MOST_APART * low[0]:
        raise KitError(
            "The logs of one folder can hardly have one unit, and they do not say which",
            file=folder,
            found=f"usual gaps of {low[0]:.4g} in {low[1].shown}, {high[0]:.4g} in {high[1].shown}",
            fix="write the unit in the heading of each log",
        )
    return unit


def _named(place: Place, how: dict, problems: _Problems) -> Iterator[Pending]:
    for path in place.files:
        log: Look | list[Run] = []
        with problems:
            inside = path.relative_to(place.folder)
            conditions, trial = _from_names(path, inside, alone=place.alone)
            log = look_at(path, source=inside.as_posix(), conditions=conditions, trial=trial, **how)
        yield log, {}


def _from_names(path: Path, inside: Path, alone: bool) -> tuple[dict[str, float | str], int | None]:
    """What the names of a log and of the folders around it say: sponges-2/trial-1.csv. One file alone may say it."""
    meaning = conditions_from_name(path.stem)
    if meaning is None:
        if alone:
            return {}, None
        raise KitError(
            "This file name does not say which run it is",
            file=path,
            fix=f"name it like {NAMED_LIKE}, move it out of the folder, or list the runs in {LIST_NAME}",
        )
    conditions, trial = meaning
    for part in reversed(inside.parts[:-1]):
        above = conditions_from_name(part.strip())
        conditions = {**(above[0] if above and above[1] is None else {}), **conditions}
    return conditions, trial


def _in_order(runs: list[Run], folder: Path) -> list[Run]:
    """Runs that their files' names describe, sorted; a KitError if these do not name the same conditions."""
    for run in runs:
        if run.conditions.keys() != runs[0].conditions.keys():
            raise KitError(
                "The files do not name the same conditions",
                file=folder / run.source,
                found=f"{list(run.conditions)} here, {list(runs[0].conditions)} in {runs[0].source}",
                fix="name all of them alike",
            )
    return sorted(runs, key=lambda run: ([(isinstance(v, str), v) for v in run.conditions.values()], run.trial))


def _listed(place: Place, how: dict, problems: _Problems) -> Iterator[Pending]:
    seen: dict[str, int] = {}
    trials: dict[tuple, int] = {}
    for row, cells, decimal in list_rows(place.folder / LIST_NAME):
        log: Look | list[Run] = []
        about: dict = {}
        with problems:
            log, about = _row(place, row, cells, decimal, how, seen, trials)
        yield log, about


def _row(
    place: Place, row: int, cells: dict[str, str], decimal: str, how: dict, seen: dict[str, int], trials: dict
) -> Pending:
    """What one row of `runs.csv` lists. `seen` and `trials` know the rows before it."""
    folder, listing = place.folder, place.folder / LIST_NAME

    def wrong(problem: str, column: str, fix: str) -> KitError:
        return KitError(problem, file=listing, row=row, column=column, found=cells[column] or None, fix=fix)

    name = cells["file"].replace("\\", "/")
    if not name:
        raise wrong("A run needs a file", "file", "write its name, or take the row out")
    if name in seen:
        raise wrong("This file is named twice", "file", f"take it out here or in row {seen[name]}")
    seen[name] = row
    inside = PurePosixPath(name)
    if inside.is_absolute() or ".." in inside.parts or ":" in name:
        raise wrong("The file must be in this folder or below it", "file", "write the path from this folder")
    path = folder / inside
    if not _is_file(path):
        others = [other for other in logs_below(folder) if other.name == inside.name]
        if len(others) != 1:
            raise wrong("This file is missing", "file", "check the name, or take the row out")
        path, name = others[0], others[0].relative_to(folder).as_posix()  # the list lies above or beside the logs
    if place.only and place.only not in (path.absolute(), *path.absolute().parents):
        return [], {}
    conditions = {}
    for column in cells:
        if column in NOT_CONDITIONS:
            continue
        if not cells[column]:
            raise wrong("This condition is empty", column, "fill it in")
        conditions[column] = number_or_word(cells[column], decimal)
    key = tuple(conditions.items())
    trials[key] = trials.get(key, 0) + 1
    numbers = {}
    for column, default in (("trial", trials[key]), ("order", None), ("flags_per_turn", None)):
        text = cells.get(column, "")
        if text and not (len(text) < 10 and text.isdecimal() and int(text) > 0):
            raise wrong(f"{column} must be a whole number of at least 1", column, "write 1, 2, 3 …")
        numbers[column] = int(text) if text else default
    order = numbers.pop("order") or 0
    seconds = {c: number_or_word(cells.get(c, "") or "0", decimal) for c in ("sound_start_s", "timing_u_s")}
    for column, value in seconds.items():
        if isinstance(value, str) or not isfinite(value) or (column == "timing_u_s" and value < 0):
            raise wrong(f"{column} must be a number of seconds", column, "write seconds, or leave it empty")
    given = {**how, **{k: v for k, v in numbers.items() if v is not None}}
    about = {
        "order": order,
        "origin": cells.get("origin", ""),
        "sound": cells.get("sound", ""),
        "sound_start_s": seconds["sound_start_s"],
        "set_aside": cells.get("set_aside", ""),
    }
    if cells.get("note"):
        about["note"] = cells["note"]  # else what the reader noted itself
    if seconds["timing_u_s"]:
        about["timing_u_s"] = seconds["timing_u_s"]  # the same
    return look_at(path, source=name, conditions=conditions, **given), about


def _is_file(path: Path) -> bool:
    """Whether there is such a file; a name that no file can have is none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def list_rows(listing: Path) -> Iterator[tuple[int, dict[str, str], str]]:
    """(row, {column: cell}, decimal sign) for each filled row of `runs.csv`; commas, semicolons or tabs."""
    text, _ = decode(read_bytes(listing), str(listing))
    text = text.lstrip("\ufeff")
    lines = text.splitlines()
    title_row = next((i for i, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")), None)
    if title_row is None:
        raise KitError("This list of runs is empty", file=listing, fix="write a header row: file, conditions, trial")
    delimiter = max(",;\t", key=lines[title_row].count)
    decimal = "." if delimiter == "," else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    title: list[str] = []
    for cells in _readable(reader, listing):
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        row = reader.line_num
        if not title:
            title = [cell.lower() if cell.lower() in NOT_CONDITIONS else cell for cell in cells]
            while not title[-1]:
                title.pop()
            _check_title(title, listing, row)
            continue
        if any(cells[len(title) :]):
            raise KitError(
                "This row has more cells than the header",
                file=listing,
                row=row,
                column=len(title) + 1,
                found=cells[len(title)],
                fix='put a note that has commas in "quotes"',
            )
        cells += [""] * (len(title) - len(cells))
        yield row, dict(zip(title, cells, strict=False)), decimal


def _readable(reader, listing: Path) -> Iterator[list[str]]:
    """The reader's rows; a KitError where it cannot go on."""
    try:
        yield from reader
    except csv.Error as error:
        raise KitError(
            "This list of runs cannot be read from here on",
            file=listing,
            row=reader.line_num + 1,
            found=str(error),
            fix='look for a lone " in this row',
        ) from error


def _check_title(title: list[str], listing: Path, row: int) -> None:
    if "file" not in title:
        raise KitError(
            "There is no column 'file'",
            file=listing,
            row=row,
            found=", ".join(title),
            fix="name the log of each run there",
        )
    for j, name in enumerate(title):
        if not name or name in title[:j]:
            raise KitError(
                "Each column needs a name of its own",
                file=listing,
                row=row,
                column=j + 1,
                found=name,
                fix="rename it",
            )


# --- writing ---------------------------------------------------------------------------------------------------------


def write_folder(runs: Sequence[Run], folder: str | Path) -> list[Path]:
    """Write runs as gate logs with their list `runs.csv`, as `kit.read_folder` reads them; return the paths.

    The logs are `passes/001.csv` and so on, in the order of the runs. Recordings are not copied.

    Raises
    ------
    KitError : no runs, runs that do not name the same conditions, a file that is there already (nothing is
        overwritten), or a folder that cannot be written to.

    >>> import kit, tempfile
    >>> runs = [kit.Run([0.0, 0.2, 0.41, 0.63], {"magnets": 3}), kit.Run([0.0, 0.3, 0.61], {"magnets": 3}, trial=2)]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = kit.write_folder(runs, folder)
    ...     print([path.name for path in paths])
    ...     print(*kit.read_folder(folder), sep="\\n")
    ['001.csv', '002.csv', 'runs.csv']
    Run(3 magnets, trial 1: 4 passes in 0.630 s)
    Run(3 magnets, trial 2: 3 passes in 0.610 s)
    """
    named = [
        replace(run, source=f"passes/{number:03d}.csv", order=run.order or number) for number, run in enumerate(runs, 1)
    ]
    files = {run.source: log_text(run) for run in named}
    unsure = ("timing_u_s",) if any(run.timing_u_s for run in named) else ()
    columns = ("trial", "order", "origin", "flags_per_turn", *unsure, "set_aside", "note")
    # the list last: without it the logs are not read
    return write_files(folder, {**files, LIST_NAME: runs_list(named, columns=columns)})


def runs_list(
    runs: Sequence[Run],
    notice: str = "",
    columns: Sequence[str] = ("trial", "order", "flags_per_turn", "set_aside", "note"),
) -> str:
    """The text of a `runs.csv`: one row a run, with its file, its conditions, and what else is to be listed.

    Parameters
    ----------
    runs : `source` is the file's path from the folder.
    notice : a remark above the list.
    columns : which of `trial`, `order`, `origin`, `flags_per_turn`, `sound`, `sound_start_s` (to the millisecond),
        `timing_u_s`, `set_aside` and `note` it has.

    Raises
    ------
    KitError : no runs, or runs that do not name the same conditions.
    """
    if not runs:
        raise KitError("There are no runs to write")
    names = list(runs[0].conditions)
    rows = []
    for run in runs:
        if set(run.conditions) != set(names):
            raise KitError(
                "These runs do not name the same conditions",
                found=f"{list(run.conditions)} in {run.source}, {names} in {runs[0].source}",
                fix="write them into two folders",
            )
        rows.append([run.source, *(_cell(run.conditions[name]) for name in names), *(_about(run, c) for c in columns)])
    return (f"# {notice}\n" if notice else "") + csv_text(["file", *names, *columns], rows)


def _cell(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.15g}"


def _about(run: Run, column: str) -> str:
    if column == "sound_start_s":
        return f"{run.sound_start_s:.3f}" if run.sound else ""
    if column == "timing_u_s":
        return f"{run.timing_u_s:.6g}" if run.timing_u_s else ""
    return str(getattr(run, column))


def csv_text(header: Sequence[object], rows: Iterable[Sequence[object]]) -> str:
    """A table with commas, one row a line."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([header, *rows])
    return out.getvalue()


def write_files(folder: str | Path, files: Mapping[str, str | Callable[[Path], object]]) -> list[Path]:
    """Write files below a folder: texts as they are, others by a function of their path; return the paths.

    Raises
    ------
    KitError : one of the files is there already (then nothing is written), or the folder cannot be written to.
    """
    folder = Path(folder)
    for name in files:
        if (folder / name).exists():
            raise KitError(
                "This file is there already and is not overwritten", file=folder / name, fix="name a new folder"
            )
    try:
        for name, content in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(content, str):
                with path.open("x", encoding="utf-8", newline="\n") as file:
                    file.write(content)
            else:
                content(path)
    except OSError as problem:
        why = f"The files were not written: {problem.strerror or problem}"
        raise KitError(why, file=folder, fix="use another folder") from problem
    return [folder / name for name in files]
