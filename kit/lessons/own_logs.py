"""A lesson from a teacher's own logs: which run is which, and a proposal for everything that can be read off them.

`gather` copies logs into a folder and lists them in `runs.csv`; `propose` makes a lesson and a key of what they hold.
`kit.new_lesson(folder, lesson=…, key=…, data=…)` writes it. Without logs, `gather_invented` asks the bench for some.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path

from ..errors import KitError
from ..logs.columns import conditions_from_name, number_or_word
from ..logs.folder import LIST_NAME, NOT_CONDITIONS, csv_text, list_rows, read_folder, runs_list, write_files
from ..logs.log import log_text, read_log
from ..logs.places import Place, find_logs
from ..logs.run import Run
from ..motion.speed import SpeedCurve, speed_curves
from ..motion.threshold import common_start, common_stop, measure
from ..sources.bench import INVENTED
from ..sources.described import bench_fitted, invented_runs
from ..sources.setup import bench_setup
from ..stats.averages import COUNTED
from ..wording import count_of, join_words
from .answers import first_question, measured_averages
from .cautions import safety_notes
from .lesson import LESSON_FILE, STAGES, Lesson

__all__ = ["SPINS", "Gathered", "gather", "gather_invented", "propose", "table_of"]

SPINS = ("wheel", "disc", "turntable", "rotor")
DRAWN = {"wheel": "wheel", "rotor": "rotor"}  # a disc and a turntable are drawn plain: round
PASSES = "passes"
SET_UP_S = 60  # to set a run up and to write it down
SHORTEST_STAGE = 16  # minutes of the guide for measuring
ROOM = 1.25  # of the sketch's scale above the longest run
_TRIAL = re.compile(r"(?:trial|run|versuch|lauf|try|[tr])[ _-]?(\d+)", re.IGNORECASE)


@dataclass(frozen=True)
class Gathered:
    """Logs that were copied into `folder` and read.

    `refused` says which logs can't be read and why (they were not copied); `notice` what a page has to say of the data.
    """

    folder: Path
    runs: tuple[Run, ...]
    curves: tuple[SpeedCurve, ...]
    refused: tuple[str, ...] = ()
    notice: str = ""
    bench: Mapping[str, object] | None = None
    logs: Mapping[str, object] | None = None

    @property
    def changing(self) -> tuple[str, ...]:
        """Conditions that are numbers and differ between the runs."""
        names = dict.fromkeys(name for run in self.runs for name in run.conditions)
        found = {name: {run.conditions.get(name) for run in self.runs} for name in names}
        numeric = {name for name, values in found.items() if all(isinstance(v, int | float) for v in values)}
        return tuple(name for name in names if name in numeric and len(found[name]) > 1)

    @property
    def sentences(self) -> list[str]:
        """What was found, for a page or a terminal."""
        ways = dict.fromkeys(run.read_as for run in self.runs if run.read_as)
        said = [f"{count_of(len(self.runs), 'run')} read."]
        for name in self.changing:
            trials: dict[float, int] = {}
            for run in self.runs:
                value = float(run.conditions[name])
                trials[value] = trials.get(value, 0) + 1
            said.append(
                f"{name}: " + ", ".join(f"{v:g} ({count_of(n, 'run')})" for v, n in sorted(trials.items())) + "."
            )
        said += [f"Read as: {way}." for way in list(ways)[:3]]
        lost = [f"Not read: {sentence}" for sentence in self.refused]
        return [*said, *lost]


# --- which run is which ----------------------------------------------------------------------------------------------


def table_of(logs: str | Path, changed: str = "") -> str:
    """A proposal for the list `runs.csv` of a folder of logs: from its own list, else from the names of the files.

    Names may be of any form that holds a number for what is changed, and one for the trial if there are several. What a
    name does not say is an empty cell, for the teacher to fill in.

    Raises
    ------
    KitError : no logs there, or a list that can't be read.
    """
    place = find_logs(logs)
    columns, rows = _from_list(place) if place.listing else _from_names(place, changed)
    conditions = [name for name in columns if name not in ("file", "trial")]
    if changed and changed not in conditions:
        numeric = [name for name in conditions if len({row[columns.index(name)] for row in rows}) > 1]
        if len(numeric) == 1:
            columns = [changed if name == numeric[0] else name for name in columns]
    return csv_text(columns, rows)


def _from_list(place: Place) -> tuple[list[str], list[list[str]]]:
    columns: list[str] = []
    rows = []
    for _, cells, decimal in list_rows(place.folder / LIST_NAME):
        columns = columns or list(cells)
        values = {name: number_or_word(text, decimal) if text else "" for name, text in cells.items()}
        texts = {name: text if isinstance(text, str) else f"{text:.15g}" for name, text in values.items()}
        rows.append([cells["file"].replace("\\", "/"), *(texts[name] for name in columns if name != "file")])
    return ["file", *(name for name in columns if name != "file")], rows


def _from_names(place: Place, changed: str) -> tuple[list[str], list[list[str]]]:
    inside = [path.relative_to(place.folder) for path in place.files]
    said = [_said_by(path) for path in inside]
    names = [path.as_posix() for path in inside]
    if all(said) and len({tuple(meaning[0]) for meaning in said if meaning}) == 1:
        columns = list(said[0][0]) if said[0] else []
        rows = [
            [n, *(f"{v}" if isinstance(v, str) else f"{v:g}" for v in m[0].values()), m[1]]
            for n, m in zip(names, said, strict=True)
            if m
        ]
        return ["file", *columns, "trial"], rows
    if all(_say_themselves(path) for path in place.files):
        return ["file"], [[name] for name in names]
    guessed = [_guessed(path, changed) for path in inside]
    return ["file", changed or "changed", "trial"], [[n, *guess] for n, guess in zip(names, guessed, strict=True)]


def _said_by(inside: Path) -> tuple[dict[str, float | str], str] | None:
    """What a name of the usual form says, with what the folders above it say."""
    meaning = conditions_from_name(inside.stem)
    if meaning is None:
        return None
    conditions = dict(meaning[0])
    for part in inside.parts[:-1]:
        above = conditions_from_name(part)
        conditions = {**(above[0] if above else {}), **conditions}
    return (conditions, str(meaning[1] or "")) if conditions else None


def _say_themselves(path: Path) -> bool:
    """Whether a log holds columns of conditions."""
    try:
        return all(run.conditions for run in read_log(path, repairs=False))
    except KitError:
        return False


def _guessed(inside: Path, changed: str) -> tuple[str, str]:
    """The condition and the trial that a name of any form may mean; empty where it does not say."""
    text = inside.with_suffix("").as_posix().rpartition(f"{PASSES}/")[2]
    number = r"(\d+(?:[.,]\d+)?)"
    stem = re.escape(changed[:-1] if changed.endswith("s") else changed)
    near = (
        (re.search(rf"{stem}[a-z]*[ _-]?{number}", text, re.I) or re.search(rf"{number}[ _-]?{stem}", text, re.I))
        if stem
        else None
    )
    rest = text
    if near:
        rest = text[: near.start()] + " " + text[near.end() :]
    said_trial = _TRIAL.search(rest)
    trial = said_trial[1] if said_trial else ""
    if said_trial:
        rest = rest[: said_trial.start()] + " " + rest[said_trial.end() :]
    others = re.findall(number, rest)
    value = near[1] if near else others.pop(0) if others else ""
    trial = trial or (others[0] if len(others) == 1 else "")
    return value.replace(",", "."), trial


# --- gathered into one folder ----------------------------------------------------------------------------------------


def gather(
    logs: str | Path, folder: str | Path, changed: str = "", table: str = "", how: Mapping[str, object] | None = None
) -> Gathered:
    """Copy logs into a new folder with a `runs.csv`, read them, and leave out what can't be read.

    Parameters
    ----------
    logs : a folder of logs, or one log.
    folder : where they are copied to; must not exist yet, or be empty.
    changed : the column of what was changed, if names or list do not say it.
    table : the text of `runs.csv`, in place of what `table_of` proposes; its files as it names them.
    how : parameters of `kit.read_log` that hold for all logs.

    Raises
    ------
    KitError : no logs, none that can be read, or a cell of the table that is empty or no number.
    """
    place, folder, how = find_logs(logs), Path(folder), dict(how or {})
    reader = csv.DictReader(io.StringIO(table or table_of(logs, changed)))
    columns, rows = list(reader.fieldnames or []), list(reader)
    if "file" not in columns or not rows:
        raise KitError(
            "The table of runs needs a column file, and a row for each log", fix="begin with: file,sponges,trial"
        )
    conditions = [name for name in columns if name not in NOT_CONDITIONS]
    if changed and len(conditions) == 1 and changed != conditions[0]:
        columns = [changed if name == conditions[0] else name for name in columns]
        rows = [{**row, changed: row[conditions[0]]} for row in rows]
    for row in rows:
        source = _source(place, row["file"] or "")
        inside = source.relative_to(place.folder)
        row["file"] = (inside if inside.parts[0] == PASSES else Path(PASSES) / inside).as_posix()
        _copy(source, folder / row["file"])
        sound = row.get("sound")
        if sound and (place.folder / sound).is_file():
            _copy(place.folder / sound, folder / sound)
    refused: list[KitError] = []
    _write_list(folder, columns, rows)
    runs = read_folder(folder, refused=refused, **how)
    for error in refused:
        if error.row is not None and Path(error.file or "").name == LIST_NAME:
            raise KitError(
                error.problem, row=error.row, column=error.column, found=error.found, file=LIST_NAME, fix=error.fix
            )
    if 2 * len(refused) > len(rows):
        raise refused[0]  # that is no slip of a single log
    bad = {Path(error.file or "").resolve() for error in refused}
    if bad:
        for path in bad:
            path.unlink(missing_ok=True)
        _write_list(folder, columns, [row for row in rows if (folder / row["file"]).resolve() not in bad])
    return Gathered(folder, tuple(runs), tuple(speed_curves(runs)), tuple(e.on_page() for e in refused), logs=how)


def gather_invented(
    folder: str | Path, x: str, values: Sequence[float], bench: Mapping[str, object], seed: int = 1
) -> Gathered:
    """Invented runs of a described bench (`kit.bench_described`), written into a folder as a gate would have.

    Every log says that it is invented, and so does the lesson made of them.

    Raises
    ------
    KitError : a bench that can't be, or a folder that holds such files already.
    """
    setup = bench_setup("", bench, x=x, values=values)
    assert setup is not None  # there is a table
    made = invented_runs(setup, seed=seed)
    files = {run.source: log_text(run, INVENTED.format(seed=seed), places=5) for run in made}
    write_files(folder, {**files, LIST_NAME: runs_list(made)})
    runs = read_folder(folder)
    notice = (
        "The data of this lesson are invented. They come from the kit's virtual bench, so nothing real was spun. "
        "Runs of your own are better."
    )
    return Gathered(Path(folder), tuple(runs), tuple(speed_curves(runs)), notice=notice, bench=bench)


def _source(place: Place, name: str) -> Path:
    inside = Path(name.replace("\\", "/"))
    if not name or inside.is_absolute() or ".." in inside.parts:
        raise KitError(
            "The table of runs must name a log of the folder", found=name, fix="write its name, such as a.csv"
        )
    for path in (place.folder / inside, place.folder / PASSES / inside):
        if path.is_file():
            return path
    raise KitError("There is no such log", file=LIST_NAME, found=name, fix="check the name, or take the row out")


def _copy(source: Path, to: Path) -> None:
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, to)
    except OSError as error:
        raise KitError(
            f"This can't be written ({error.strerror or error})", file=to, fix="choose another place"
        ) from error


def _write_list(folder: Path, columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> None:
    text = csv_text(columns, [[(row.get(name) or "").strip() for name in columns] for row in rows])
    (folder / LIST_NAME).write_text(text, encoding="utf-8", newline="\n")


# --- a lesson proposed -----------------------------------------------------------------------------------------------


def propose(
    gathered: Gathered,
    changed: str = "",
    unit: str = "",
    words: str = "",
    spins: str = "wheel",
    ticked: Sequence[str] = (),
    title: str = "",
) -> tuple[Lesson, dict[str, dict]]:
    """A lesson of these runs, with its key: thresholds that every run reaches, scales, minutes, a first question.

    Parameters
    ----------
    changed : the condition that was changed; by default the only number that differs.
    unit : its unit, "" for a plain number. words : how students read it.
    spins : what spins, such as one of `SPINS`. ticked : of `kit.lessons.cautions.BY_WHAT_IS_THERE`.

    Raises
    ------
    KitError : what was changed is not clear, is no number, or the runs share no stretch of speeds.
    """
    x = changed or _only(gathered)
    values = _values(gathered, x)
    words = words or _in_words(x, unit, values)
    start, stop = _thresholds(gathered.curves)
    lesson = Lesson(
        folder=gathered.folder,
        title=title or f"The {spins} and the {words}",
        question=f"You spin a {spins} and let it coast. How do its coasting time and its number of turns depend on the "
        f"{words}?",
        x=x,
        x_words=words,
        x_unit=unit,
        values=values,
        reference=values[min(1, len(values) - 1)],
        expected_up_to={"duration_s": 50.0, "turns": 100.0},
        start_period_s=start,
        stop_period_s=stop,
        rule="best",
        level="structured",
        questions=(),
        safety=safety_notes(spins, ticked),
        texts={**dict.fromkeys(STAGES, ""), **_texts(gathered, spins, words)},
        data_notice=gathered.notice,
        bench_table=None,
        logs=dict(gathered.logs or {}),
    )
    averages = measured_averages(lesson, gathered.curves)
    if averages:
        longest = {name: float(table["mean"].max()) for name, table in averages.items()}
        lesson = replace(lesson, expected_up_to={name: _round_up(ROOM * top) for name, top in longest.items()})
    lesson = replace(lesson, minutes=_minutes(gathered), bench_table=_bench(gathered, x, spins))
    asked = first_question(lesson, averages)
    if asked is None:
        return lesson, {}
    return replace(lesson, questions=(asked[0],)), {asked[0].id: asked[1]}


def _only(gathered: Gathered) -> str:
    if len(gathered.changing) == 1:
        return gathered.changing[0]
    found = join_words(list(gathered.changing)) if gathered.changing else "none"
    problem = "Several things differ between the runs" if gathered.changing else "No number differs between the runs"
    raise KitError(problem, found=found, fix="say what was changed, by the name of its column")


def _values(gathered: Gathered, x: str) -> tuple[float, ...]:
    found = {run.conditions.get(x) for run in gathered.runs}
    if None in found:
        has = join_words(list(dict.fromkeys(name for run in gathered.runs for name in run.conditions))) or "none"
        raise KitError(
            "Not every run says what was changed", found=f"{x}; columns there are: {has}", fix="name one of them"
        )
    text = next((value for value in found if isinstance(value, str)), None)
    if text is not None:
        raise KitError(f"What was changed must be a number, and {x} is not", found=text, fix="write, for example: 2")
    return tuple(sorted(float(value) for value in found if isinstance(value, int | float)))


def _in_words(x: str, unit: str, values: Sequence[float]) -> str:
    plain = x.replace("_", " ")
    counted = not unit and all(value.is_integer() for value in values)
    return f"number of {plain}" if counted else plain


def _thresholds(curves: Sequence[SpeedCurve]) -> tuple[float, float]:
    """Thresholds that every run reaches, as round as that allows."""
    start, stop = common_start(curves), common_stop(curves)
    if not start < stop:
        raise KitError(
            "The runs have no stretch of speeds in common",
            found=f"the slowest push begins at {start:g} s a turn, the shortest log ends at {stop:g} s a turn",
            fix="leave out the run that was pushed too gently, or that ends too early",
        )
    rounder = ceil(start * 100 - 1e-9) / 100, int(stop * 100 + 1e-9) / 100
    if rounder[0] >= rounder[1]:
        return start, stop
    counted = measure(curves, *rounder)["status"].to_list().count(COUNTED)
    return rounder if counted >= sum(not curve.run.set_aside and curve.usable for curve in curves) else (start, stop)


def _round_up(value: float) -> float:
    """The next number that is 1, 1.5, 2, 3, 4, 5, 6 or 8 times a power of ten."""
    power = 10.0 ** (len(str(int(value))) - 1 if value >= 1 else -1)
    return float(f"{next(step * power for step in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if step * power >= value):g}")


def _minutes(gathered: Gathered) -> dict[str, float]:
    """Minutes to measure, where a group's runs (its own condition, the reference) take longer than the guide says."""
    longest = sorted(run.pass_times_s[-1] - run.pass_times_s[0] for run in gathered.runs)
    usual = float(longest[len(longest) // 2])
    needed = ceil(6 * (usual + SET_UP_S) / 60)
    return {"measure": float(needed)} if needed > SHORTEST_STAGE else {}


def _bench(gathered: Gathered, x: str, spins: str) -> Mapping[str, object] | None:
    """A bench that behaves like these runs; none where they don't tell how their drag grows."""
    try:
        table = gathered.bench or bench_fitted(gathered.curves, x)
        drawn = {"drawing": DRAWN.get(spins, "plain"), **table}
        bench_setup("", drawn, x=x, values=_values(gathered, x), file=gathered.folder / LESSON_FILE)
    except KitError:
        return None
    return drawn


def _texts(gathered: Gathered, spins: str, words: str) -> dict[str, str]:
    flags = {run.flags_per_turn for run in gathered.runs}
    often = "once in every turn" if flags == {1} else f"{max(flags)} times in every turn"
    return {
        "predict": f"A {spins} turns on a spindle. Somebody spins it by hand and lets go. Then it slows down until it "
        f"stands still. One thing is changed from run to run: the {words}.\n",
        "measure": f"A flag on the {spins} crosses a light gate {often}. The gate writes down the time of each pass. "
        f"{count_of(len(gathered.runs), 'run').capitalize()} were made.\n",
        "investigate": "You know now how it slows down. What else might matter? Put a claim of your own to the test.\n",
    }
