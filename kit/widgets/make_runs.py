"""Runs of the group's own: pushed on the bench, read from a live gate, tapped, or added as files.

`MakeRuns` is the page; `AddFiles` is its way for gate logs, which are kept as they are before anything reads them.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd

from ..errors import AmbiguousLog, KitError
from ..lessons.cautions import GATE
from ..lessons.lesson import Lesson
from ..lessons.own_runs import ORIGINS, OwnRuns
from ..lessons.progress import Progress
from ..lessons.waiting import data_gate
from ..logs.columns import conditions_from_name, number_or_word
from ..logs.folder import write_folder
from ..logs.log import preview, read_log
from ..logs.run import Run, split, split_proposal
from ..record.entries import Kind
from ..record.journal import numbered, write_new
from ..record.workbook import Workbook, friendly_code
from ..sources.setup import BenchSetup
from ..wording import condition_place, condition_value, count_of
from .bench import Bench
from .cards import DataSources, ObservationBox
from .live_gate import LiveGateBox
from .page_link import Camera, Microphone
from .parts import (
    FIELD,
    UPLOAD_LIMIT,
    KitBox,
    Status,
    action,
    attempt,
    download_link,
    heading,
    html_table,
    note,
    row_of,
    safety_first,
    upload_of,
)
from .tap_along import TapAlong
from .waiting import when_open

__all__ = [
    "AddFiles",
    "MakeRuns",
    "OwnRunsView",
    "keep_file",
]

UNITS = {
    "as found": None, "seconds": "s", "milliseconds": "ms", "microseconds": "us", "nanoseconds": "ns", "minutes": "min"
}  # fmt: skip
CHOOSE = "choose"

Keep = Callable[[Run], Run]


def keep_file(folder: Path, name: str, data: bytes) -> Path:
    """Write a file's bytes as they are under its own name; where there is another one already, with a number.

    Raises
    ------
    KitError : the folder cannot be written to.
    """
    name = Path(name.replace("\\", "/")).name or "log.csv"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in chain([folder / name], numbered(folder / name)):
            if path.is_file() and path.read_bytes() == data:
                return path
            try:
                write_new(path, data)
            except FileExistsError:
                continue
            return path
    except OSError as problem:
        raise KitError(f"The file was not kept: {problem.strerror}", file=folder / name) from problem
    raise KitError("Too many files have this name", file=folder / name, fix="rename the file")


class AddFiles(KitBox):
    """Upload gate logs, several at once. Every file is first kept as it is in `folder`; nothing is overwritten.

    Parameters
    ----------
    folder : where the files go.
    x, x_label : the condition that is changed: its column, and in words.
    keep : is given each run the group keeps (with its conditions and flags a turn), and returns it as kept; it may
        raise `KitError`.
    keep_clicks : is given (run, note) of clicks that are kept from a recording; returns a sentence. Without it no
        recording is taken. `values` : of the condition, to choose from.

    `add(name, data)` is what an upload does, and can be called.
    """

    def __init__(
        self,
        folder: str | Path,
        x: str,
        x_label: str,
        keep: Keep,
        keep_clicks: Callable[[Run, str], str] | None = None,
        values: Sequence[float | str] = (),
    ):
        self.folder, self.x, self.x_label, self._keep = Path(folder), x, x_label, keep
        self._keep_clicks, self._values = keep_clicks, values
        sounds = ",.wav" if keep_clicks else ""
        self.upload = upload_of("Choose gate logs", f".csv,.tsv,.txt{sounds}", self._take, multiple=True)
        self.message, self.files = Status(), widgets.VBox()
        self.files.add_class("kit-box")
        super().__init__(
            [
                heading("Add gate logs"),
                note("One time a row is enough. See how each file was read. Then say which condition it was."),
                *([note("A recording of a card that clicks once a turn serves too: a WAV file.")] if sounds else []),
                self.upload,
                self.message,
                self.files,
            ]
        )

    def _take(self) -> None:
        files, self.upload.value = self.upload.value, ()

        def add_all() -> str:
            for file in files:
                self.add(file["name"], bytes(file["content"]))
            return f"{count_of(len(files), 'file').capitalize()} read. Look at each below."

        attempt(self.message, add_all)

    def add(self, name: str, data: bytes) -> widgets.Widget:
        """Keep a file as it is and show how it was read."""
        if len(data) > UPLOAD_LIMIT:
            raise KitError("This file is too large to upload", file=name, found=f"{len(data)} bytes")
        path = keep_file(self.folder, name, data)
        is_sound = self._keep_clicks is not None and path.suffix.lower() == ".wav"
        card = self._sound(path) if is_sound else FileCard(path, self.x, self.x_label, self._keep)
        self.files.children = (*self.files.children, card)
        return card

    def _sound(self, path: Path) -> widgets.VBox:
        from .sound_view import ClicksAsRun, SoundView  # most groups have no recording

        assert self._keep_clicks is not None
        view = SoundView(path)
        return widgets.VBox([view, ClicksAsRun(view.recording, self._keep_clicks, self.x, self._values)])


class FileCard(widgets.VBox):
    """One file: its first rows as read, the questions about it, and its runs."""

    def __init__(self, path: Path, x: str, x_label: str, keep: Keep):
        super().__init__()
        self.path, self.x, self.x_label, self._keep = path, x, x_label, keep
        self.read_as = Status()
        self.rows = widgets.HTML()
        self.unit = widgets.Dropdown(options=list(UNITS), description="The times are in", **FIELD)
        self.flags = widgets.BoundedIntText(value=1, min=1, max=100, description="Flags that pass in one turn", **FIELD)
        self.question = widgets.Dropdown(options=[CHOOSE], description="Which is it?", **FIELD)
        self.counts = widgets.BoundedIntText(value=0, min=0, max=10**6, description="Counts in one turn", **FIELD)
        self._answers: dict[str, Any] = {}  # what was answered so far, as parameters of read_log
        self._options: dict[str, dict] = {}
        self.cut = widgets.Checkbox(value=False, indent=False)
        self.conditions: list[widgets.Text] = []
        self.boxes: list[widgets.Checkbox] = []
        self.list, self.message = widgets.VBox(), Status()
        self.keep_button = action("Keep these runs", self._keep_all)
        self.runs: Sequence[Run] = ()
        self._proposal: list[int] = []
        self.children = (
            heading(path.name),
            self.read_as,
            self.rows,
            self.question,
            row_of(self.unit, self.flags, self.counts),
            self.cut,
            self.list,
            self.keep_button,
            self.message,
        )
        self.question.layout.display = self.counts.layout.display = "none"
        self._read()
        for field in (self.unit, self.flags, self.counts, self.cut):
            field.observe(lambda _: self._read(), "value")
        self.question.observe(self._answer, "value")

    def _answer(self, change: dict) -> None:
        """Take an answer to what the file leaves open, and read it again."""
        answer = self._options.get(change["new"])
        if answer is not None:
            self._answers |= answer
            self._read()

    def _ask(self, error: KitError) -> None:
        """Offer the answers to a question about the file; those already given can be changed no more than the file."""
        options = error.options if isinstance(error, AmbiguousLog) else {}
        self._options = {words: how for words, how in options.items() if None not in how.values()}
        self.question.options = [CHOOSE, *self._options]
        self.question.layout.display = "" if self._options else "none"
        if any("counts_per_turn" in how for how in options.values()):
            self.counts.layout.display = ""

    def _read(self) -> None:
        """Read the file by the answers given so far, and show what was made of it."""
        how: dict[str, Any] = self._answers | {
            "unit": UNITS[self.unit.value] or self._answers.get("unit"),
            "flags_per_turn": self.flags.value if self.flags.value > 1 else None,
            "counts_per_turn": self.counts.value or None,
        }
        self.keep_button.disabled = True
        try:
            shown = preview(self.path, **how)
            self.rows.value = html_table(shown.reset_index(names="row"), "The first rows, as they were read")
            self.runs = read_log(self.path, **how)
            self.question.layout.display = "none"
        except KitError as error:
            self._ask(error)
            self.runs, self.list.children = (), ()
            self.cut.layout.display = "none"
            self.read_as.error(error)
            return
        self.read_as.say(f"Read as: {shown.attrs['read_as']}. ({shown.attrs['description']}.)")
        self._propose_cuts()
        self._list_runs()
        self.keep_button.disabled = False

    def _propose_cuts(self) -> None:
        self._proposal = split_proposal(self.runs[0]) if len(self.runs) == 1 else []
        self.cut.layout.display = "" if self._proposal else "none"
        starts = ", ".join(f"{self.runs[0].pass_times_s[i]:.1f} s" for i in self._proposal)
        self.cut.description = f"It speeds up again at {starts}. Take it as {len(self._proposal) + 1} runs"
        if self._proposal and self.cut.value:
            self.runs = split(self.runs[0], self._proposal)

    def _list_runs(self) -> None:
        from_name = conditions_from_name(self.path.stem)
        named = {} if from_name is None else from_name[0]
        self.conditions, self.boxes, lines = [], [], []
        for number, run in enumerate(self.runs, 1):
            known = run.conditions.get(self.x, named.get(self.x, ""))
            long_s = run.pass_times_s[-1] - run.pass_times_s[0]
            box = widgets.Checkbox(
                value=True, indent=False, description=f"Run {number}: {len(run.pass_times_s)} passes in {long_s:.1f} s"
            )
            field = widgets.Text(value=condition_value(known), description=self.x_label, **FIELD)
            self.boxes.append(box)
            self.conditions.append(field)
            lines.append(row_of(box, field))
        self.list.children = tuple(lines)

    def _keep_all(self) -> None:
        lines = zip(self.runs, self.boxes, self.conditions, strict=True)
        chosen = [(run, field.value) for run, box, field in lines if box.value]
        try:
            if not chosen:
                raise KitError("No run is ticked", file=self.path.name)
            ready = [replace(run, conditions=self._conditions(run, text)) for run, text in chosen]
            kept = [self._keep(run) for run in ready]
        except KitError as error:
            self.message.error(f"Not kept. {error.on_page()}")
            return
        self.keep_button.disabled = True
        trials = ", ".join(f"{self.x_label} {run.conditions[self.x]:g}, trial {run.trial}" for run in kept)
        self.message.say(f"Kept: {trials}.")

    def _conditions(self, run: Run, text: str) -> Mapping[str, float | str]:
        value = number_or_word(text.strip(), "," if "," in text else ".")
        if isinstance(value, str):
            raise KitError(f"Say which {self.x_label} it was", found=text or None, fix="write a number, such as 3")
        return {**run.conditions, self.x: value}


# --- the page -----------------------------------------------------------------------------------------------------


class MakeRuns:
    """Ways to make runs for a lesson: each method returns the widget of one way.

    Parameters
    ----------
    lesson : folder that holds `lesson.toml`, or a `Lesson`.
    workbook : by default the lesson's own, beside the notebook.

    `own` holds the runs that were kept.
    """

    stage = "measure"

    def __init__(self, lesson: Lesson | str | Path, workbook: Workbook | None = None):
        self.progress = Progress(lesson, workbook)
        self.lesson, self.workbook = self.progress.lesson, self.progress.workbook
        self._views: list[OwnRunsView | DataSources] = []

    @property
    def own(self) -> OwnRuns:
        """The runs the group made itself."""
        return self.progress.own

    def welcome(self) -> widgets.Widget:
        """What is kept so far, and what to beware of."""
        count = len(self.own.runs)
        kept = f"You have kept {count_of(count, 'run')} of your own." if count else "You have no runs yet."
        gate = safety_first(GATE, words="Do you wire a gate? Read this before")
        return KitBox([note(kept), *safety_first(self.lesson.safety), *gate])

    def plan(self) -> ObservationBox:
        """How many settings and trials, decided before the first run; saved as `observation:trials`."""
        ask = "So many settings, so many runs each, in so many minutes:"
        return ObservationBox(self.workbook, self.stage, "trials", ask, "Save my plan")

    def _of_data(self, build: Callable[[], widgets.Widget]) -> widgets.Widget:
        """What `build` makes, once all is sealed that comes before the first run."""
        return when_open(data_gate(self.lesson, self.workbook, self.stage), build)

    def bench(self) -> widgets.Widget:
        """The simulated apparatus. Pushes made before are there again, kept or not."""
        setup = self.lesson.bench
        if setup is None:
            return note("The kit can't simulate the apparatus of this lesson. Use one of the other ways.")
        return self._of_data(lambda: self._bench(setup))

    def _bench(self, setup: BenchSetup) -> Bench:
        pushes = [entry.value for entry in self.workbook.history(Kind.PUSH)]
        code = pushes[0]["code"] if pushes else self.workbook.code or friendly_code()

        def remember(settings: dict) -> None:
            self.workbook.add(self.stage, Kind.PUSH, {"code": code, **settings})

        start, stop, _ = self.progress.thresholds
        return Bench(
            setup,
            code,
            self._keeper("bench"),
            on_push=remember,
            earlier=pushes,
            kept_runs=self.own.runs,
            start_period_s=start,
            stop_period_s=stop,
        )

    def live_gate(self) -> widgets.Widget:
        """A gate on a wire. The log is on the disk while the run lasts, whether it is kept or not."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_gate")
        return self._of_data(
            lambda: LiveGateBox(folder, self.lesson.x, self.lesson.values, on_keep=self._keeper("gate"))
        )

    def microphone(self) -> widgets.Widget:
        """Clicks of a struck card, heard by the browser."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_clicks")
        return self._of_data(
            lambda: Microphone(folder, self.lesson.x, self.lesson.values, on_keep=self._run_keeper("clicks"))
        )

    def camera(self) -> widgets.Widget:
        """A mark that passes a field of the camera's picture, or of a film."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_camera")
        return self._of_data(
            lambda: Camera(folder, self.lesson.x, self.lesson.values, on_keep=self._run_keeper("camera"))
        )

    def taps(self) -> widgets.Widget:
        """A tap for each turn, for something slow."""
        key = f"taps-{self.lesson.name}"
        return self._of_data(lambda: TapAlong(self.lesson.x, self.lesson.values, on_keep=self._keeper("taps"), key=key))

    def add_files(self) -> widgets.Widget:
        """Gate logs as files, several at once."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_files")
        lesson, clicks = self.lesson, self._run_keeper("clicks")
        return self._of_data(lambda: AddFiles(folder, lesson.x, lesson.x_label, self._keep_file, clicks, lesson.values))

    def runs(self) -> OwnRunsView:
        """All runs that were kept, and how to take them away as files."""
        view = OwnRunsView(self.own, self.lesson)
        self._views.append(view)
        return view

    def sources(self) -> DataSources:
        """Whose runs count in the stages."""
        view = DataSources(self.progress, self.stage)
        self._views.append(view)
        return view

    def _keeper(self, origin: str) -> Callable[..., str]:
        def keep(pass_times_s, conditions, note_: str = "") -> str:
            return self._kept(self.own.add(pass_times_s, conditions, origin, note=note_))

        return keep

    def _run_keeper(self, origin: str) -> Callable[[Run, str], str]:
        def keep(run: Run, note_: str) -> str:
            return self._kept(self.own.keep(run, origin, note_))

        return keep

    def _keep_file(self, run: Run) -> Run:
        kept = self.own.keep(run, "file", f"from the file {run.source}")
        self._kept(kept)
        return kept

    def _kept(self, run: Run) -> str:
        """Show the new run wherever runs are listed, and say which it is."""
        for view in self._views:
            view.refresh()
        return f"Kept: {_case(self.lesson, run)}, trial {run.trial}."


class OwnRunsView(KitBox):
    """The runs a group made: a table, and all of them as one ZIP of gate logs with their list `runs.csv`."""

    def __init__(self, own: OwnRuns, lesson: Lesson):
        self.own, self.lesson = own, lesson
        self.table, self.message, self.links = widgets.HTML(), Status(), widgets.HTML()
        self.save_button = action("Download them as files", lambda: attempt(self.message, self._download))
        super().__init__([heading("Runs you kept"), self.table, self.save_button, self.message, self.links])
        self.refresh()

    def refresh(self) -> None:
        """Show what there is now."""
        rows = [
            {
                "condition": _case(self.lesson, run),
                "trial": run.trial,
                "passes": len(run.pass_times_s),
                "made by": ORIGINS[run.origin],
                "note": run.note,
            }
            for run in sorted(
                self.own.runs, key=lambda run: (condition_place(run.conditions.get(self.lesson.x)), run.trial)
            )
        ]
        self.table.value = html_table(pd.DataFrame(rows)) if rows else "<p>None so far.</p>"
        self.save_button.layout.display = "" if rows else "none"

    def _download(self) -> str:
        runs = self.own.runs
        name = f"runs_{self.lesson.name}.zip"
        self.links.value = download_link(name, zipped(runs), "application/zip")
        return f"{len(runs)} runs are in the file. Your teacher can read them too."


def zipped(runs: list[Run]) -> bytes:
    """Gate logs with their lists as a ZIP: one folder for each set of condition names that occurs."""
    groups: dict[tuple[str, ...], list[Run]] = {}
    for run in runs:
        groups.setdefault(tuple(sorted(run.conditions)), []).append(run)
    data = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for names, group in groups.items():
            for path in write_folder(group, Path(folder, "_".join(names))):
                archive.write(path, path.relative_to(folder).as_posix())
    return data.getvalue()


def _case(lesson: Lesson, run: Run) -> str:
    """The conditions of a run in words: what is changed first, then what else was unusual."""
    words = [f"{lesson.x_label} {condition_value(run.conditions.get(lesson.x, '?'))}"]
    words += [f"{name} {condition_value(value)}" for name, value in run.conditions.items() if name != lesson.x]
    return ", ".join(words)
