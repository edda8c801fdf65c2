"""A page for runs of the group's own: on the bench, at a live gate, by tapping, from files. Kept in the workbook."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..lesson import Lesson
from ..own_runs import ORIGINS, OwnRuns, write_folder
from ..passes import Run
from ..progress import Progress
from ..wording import condition_value
from ..workbook import Workbook, friendly_code
from .add_files import AddFiles
from .bench import Bench
from .data_sources import DataSources
from .live_gate import LiveGateBox
from .parts import Say, action, heading, html_table, note, safety_first, stack_of
from .tap_along import TapAlong
from .workbook_file import attempt, download_link

__all__ = ["MakeRuns", "OwnRunsView"]

PUSH = "push"  # kind of the entries that remember what was done on the bench


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
        kept = (
            f"You have kept {count} run{'s' if count != 1 else ''} of your own." if count else "You have no runs yet."
        )
        return stack_of("kit-box", note(kept), *safety_first(self.lesson.safety))

    def bench(self) -> widgets.Widget:
        """The simulated apparatus. Pushes made before are there again, kept or not."""
        if self.lesson.bench is None:
            return note("The kit can't simulate the apparatus of this lesson. Use one of the other ways.")
        pushes = [entry.value for entry in self.workbook.history(PUSH)]
        code = pushes[0]["code"] if pushes else self.workbook.code or friendly_code()

        def remember(settings: dict) -> None:
            self.workbook.add(self.stage, PUSH, {"code": code, **settings})

        start, stop, _ = self.progress.thresholds
        return Bench(
            self.lesson.bench,
            code,
            self._keeper("bench"),
            on_push=remember,
            earlier=pushes,
            kept_runs=self.own.runs,
            start_period_s=start,
            stop_period_s=stop,
        )

    def live_gate(self) -> LiveGateBox:
        """A gate on a wire. The log is on the disk while the run lasts, whether it is kept or not."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_gate")
        return LiveGateBox(folder, self.lesson.x, self.lesson.values, on_keep=self._keeper("gate"))

    def taps(self) -> TapAlong:
        """A tap for each turn, for something slow."""
        key = f"taps-{self.lesson.name}"
        return TapAlong(self.lesson.x, self.lesson.values, on_keep=self._keeper("taps"), key=key)

    def add_files(self) -> AddFiles:
        """Gate logs as files, several at once."""
        folder = self.workbook.path.with_name(f"{self.workbook.path.stem}_files")
        return AddFiles(folder, self.lesson.x, self.lesson.x_label, self._keep_file)

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

    def _keep_file(self, run: Run) -> Run:
        words = f"from the file {run.source}"
        kept = self.own.add(run.pass_times_s, run.conditions, "file", run.flags_per_turn, words)
        self._kept(kept)
        return kept

    def _kept(self, run: Run) -> str:
        """Show the new run wherever runs are listed, and say which it is."""
        for view in self._views:
            view.refresh()
        return f"Kept: {_case(self.lesson, run)}, trial {run.trial}."


class OwnRunsView(widgets.VBox):
    """The runs a group made: a table, and all of them as one ZIP of gate logs with their list `runs.csv`."""

    def __init__(self, own: OwnRuns, lesson: Lesson):
        self.own, self.lesson = own, lesson
        self.table, self.message, self.links = widgets.HTML(), Say(), widgets.HTML()
        self.save_button = action("Download them as files", lambda: attempt(self.message, self._download))
        super().__init__([heading("Runs you kept"), self.table, self.save_button, self.message, self.links])
        self.add_class("kit-box")
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
            for run in self.own.runs
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
