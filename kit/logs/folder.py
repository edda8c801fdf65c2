"""A folder of gate logs: what `runs.csv` says about each file, or what the file names say."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path, PurePosixPath

from ..errors import KitError
from ..record.journal import write_new
from .columns import conditions_from_name, number_or_word
from .dialect import decode, read_bytes
from .log import is_log, read_runs
from .run import Run

__all__ = [
    "list_rows",
    "read_folder",
    "write_folder",
]

LIST_NAME = "runs.csv"

NAMED_LIKE = "magnets-3_trial-2.csv"

NOT_CONDITIONS = (
    "file",
    "trial",
    "order",
    "origin",
    "flags_per_turn",
    "sound",
    "sound_start_s",
    "set_aside",
    "note",
)


def read_folder(folder: str | Path, **how) -> list[Run]:
    """All runs of a folder.

    With a `runs.csv`: one row a run, columns `file`, `trial`, optional `order` (place in the session), `origin` (how
    the run was made), `flags_per_turn`, `sound` (a recording), `sound_start_s` (when it begins, on the log's clock),
    `set_aside` (the reason), `note`; every other column is a condition (a float where it is a number). Files it does
    not name are not read. Without it, every .csv, .tsv and .txt file in the folder must be named like
    `magnets-3_trial-2.csv` or `tilt-1.5_magnets-3_trial-1.txt`, all with the same conditions.

    Parameters
    ----------
    folder : the folder.
    how : parameters of `read_log` that hold for every file, such as `decimal=","` or `repairs=False`.

    Returns
    -------
    Runs in the order of `runs.csv`, or sorted by condition and trial.

    Raises KitError for a missing folder or file, a file or trial named twice, and a name or cell that
    does not fit.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise KitError("There is no such folder", file=folder, fix="check the path")
    runs = list(_listed(folder, how) if (folder / LIST_NAME).is_file() else _named(folder, how))
    if not runs:
        raise KitError(
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


def _named(folder: Path, how: dict) -> Iterator[Run]:
    logs = sorted(p for p in folder.iterdir() if p.name[0] not in ".~" and is_log(p) and p.is_file())
    found: list[Run] = []
    for path in logs:
        meaning = conditions_from_name(path.stem)
        if meaning is None:
            raise KitError(
                "This file name does not say which run it is",
                file=path,
                fix=f"name it like {NAMED_LIKE}, move it out of the folder, or list the runs in {LIST_NAME}",
            )
        conditions, trial = meaning
        runs = read_runs(path, conditions=conditions, trial=trial, **how)
        for run in runs:
            if found and run.conditions.keys() != found[0].conditions.keys():
                raise KitError(
                    "The files do not name the same conditions",
                    file=path,
                    found=f"{list(run.conditions)} here, {list(found[0].conditions)} in {found[0].source}",
                    fix="name all of them alike",
                )
            found.append(run)
    yield from sorted(found, key=lambda run: ([(isinstance(v, str), v) for v in run.conditions.values()], run.trial))


def _listed(folder: Path, how: dict) -> Iterator[Run]:
    listing = folder / LIST_NAME
    seen: dict[str, int] = {}
    trials: dict[tuple, int] = {}
    for row, cells, decimal in list_rows(listing):

        def wrong(problem: str, column: str, fix: str, row: int = row, cells: dict = cells) -> KitError:
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
        if not _is_file(folder / inside):
            raise wrong("This file is missing", "file", "check the name, or take the row out")
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
        start_s = number_or_word(cells.get("sound_start_s", "") or "0", decimal)
        if isinstance(start_s, str) or not isfinite(start_s):
            raise wrong(
                "sound_start_s must be a number of seconds", "sound_start_s", "write seconds, or leave it empty"
            )
        given = {**how, **{k: v for k, v in numbers.items() if v is not None}}
        for run in read_runs(folder / inside, source=name, conditions=conditions, **given):
            kept = {name: cells.get(name, "") for name in ("origin", "sound", "set_aside", "note")}
            yield replace(run, order=order, sound_start_s=start_s, **kept)


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


# --- Runs a group makes itself: on the bench, at the gate, by tapping, from files. Kept in the workbook like all else.


def write_folder(runs: Sequence[Run], folder: str | Path) -> list[Path]:
    """Write runs as gate logs with their list `runs.csv`, as `kit.read_folder` reads them; return the paths.

    Raises
    ------
    KitError : no runs, runs that do not name the same conditions, a file that is there already (nothing is
        overwritten), or a folder that cannot be written to.
    """
    folder = Path(folder)
    if not runs:
        raise KitError("There are no runs to write", file=folder)
    names = list(runs[0].conditions)
    rows, logs = [], {}
    for number, run in enumerate(runs, 1):
        if set(run.conditions) != set(names):
            raise KitError(
                "These runs do not name the same conditions",
                file=folder,
                found=f"{list(run.conditions)} in {run.source}, {names} in {runs[0].source}",
                fix="write them into two folders",
            )
        log = f"passes/{number:03d}.csv"
        logs[log] = "time_s\n" + "".join(f"{float(t)!r}\n" for t in run.pass_times_s)
        row = {"file": log} | {name: _cell(run.conditions[name]) for name in names} | {"trial": run.trial}
        row |= {"order": run.order or number, "origin": run.origin, "flags_per_turn": run.flags_per_turn}
        rows.append(row | {"set_aside": run.set_aside, "note": run.note})
    listing = io.StringIO()
    writer = csv.DictWriter(listing, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    files = {**logs, "runs.csv": listing.getvalue()}  # the list last: without it the logs are not read
    for name in files:
        if (folder / name).exists():
            raise KitError("This file is there already and is not replaced", file=folder / name, fix="use a new folder")
    try:
        (folder / "passes").mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            write_new(folder / name, text.encode())
    except OSError as problem:
        raise KitError(
            f"The runs were not written: {problem.strerror}", file=folder, fix="use another folder"
        ) from problem
    return [folder / name for name in files]


def _cell(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.15g}"
