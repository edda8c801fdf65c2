"""Add gate logs as files: see how each was read, answer where the kit is unsure, keep the runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import ipywidgets as widgets

from ..errors import KitError
from ..gatelog import preview, read_log, split, split_proposal
from ..journal import write_new
from ..logcolumns import conditions_from_name, number_or_word
from ..passes import Run
from ..wording import condition_value
from .parts import Say, action, heading, html_table, note, row_of
from .workbook_file import UPLOAD_LIMIT

__all__ = ["AddFiles", "keep_file"]

UNITS = {"as found": None, "seconds": "s", "milliseconds": "ms", "microseconds": "us"}
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
        for number in range(1, 10_000):
            path = folder / (name if number == 1 else f"{Path(name).stem}_{number}{Path(name).suffix}")
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


class AddFiles(widgets.VBox):
    """Upload gate logs, several at once. Every file is first kept as it is in `folder`; nothing is overwritten.

    Parameters
    ----------
    folder : where the files go.
    x, x_label : the condition that is changed: its column, and in words.
    keep : is given each run the group keeps (with its conditions and flags a turn), and returns it as kept; it may
        raise `KitError`.

    `add(name, data)` is what an upload does, and can be called.
    """

    def __init__(self, folder: str | Path, x: str, x_label: str, keep: Keep):
        self.folder, self.x, self.x_label, self._keep = Path(folder), x, x_label, keep
        self.upload = widgets.FileUpload(accept=".csv,.tsv,.txt", multiple=True, description="Choose gate logs")
        self.upload.layout = widgets.Layout(width="auto", align_self="flex-start")
        self.upload.observe(lambda change: change["new"] and self._take(), "value")
        self.message, self.files = Say(), widgets.VBox()
        self.files.add_class("kit-box")
        super().__init__(
            [
                heading("Add gate logs"),
                note("One time a row is enough. See how each file was read. Then say which condition it was."),
                self.upload,
                self.message,
                self.files,
            ]
        )
        self.add_class("kit-box")

    def _take(self) -> None:
        files, self.upload.value = self.upload.value, ()
        try:
            for file in files:
                self.add(file["name"], bytes(file["content"]))
        except KitError as error:
            self.message.refuse(error)
        else:
            self.message.say(f"{len(files)} file{'s' if len(files) > 1 else ''} read. Look at each below.")

    def add(self, name: str, data: bytes) -> FileCard:
        """Keep a file as it is and show how it was read."""
        if len(data) > UPLOAD_LIMIT:
            raise KitError("This file is too large to upload", file=name, found=f"{len(data)} bytes")
        path = keep_file(self.folder, name, data)
        card = FileCard(path, self.x, self.x_label, self._keep)
        self.files.children = (*self.files.children, card)
        return card


class FileCard(widgets.VBox):
    """One file: its first rows as read, the questions about it, and its runs."""

    def __init__(self, path: Path, x: str, x_label: str, keep: Keep):
        super().__init__()
        self.path, self.x, self.x_label, self._keep = path, x, x_label, keep
        self.read_as = Say()
        self.rows = widgets.HTML()
        self.unit = widgets.Dropdown(options=list(UNITS), description="The times are in")
        self.flags = widgets.BoundedIntText(value=1, min=1, max=100, description="Flags that pass in one turn")
        self.cut = widgets.Checkbox(value=False, indent=False)
        self.conditions: list[widgets.Text] = []
        self.boxes: list[widgets.Checkbox] = []
        self.list, self.message = widgets.VBox(), Say()
        self.keep_button = action("Keep these runs", self._keep_all)
        for field in (self.unit, self.flags):
            field.style.description_width = "initial"
        self.runs: Sequence[Run] = ()
        self._proposal: list[int] = []
        self.children = (
            heading(path.name),
            self.read_as,
            self.rows,
            row_of(self.unit, self.flags),
            self.cut,
            self.list,
            self.keep_button,
            self.message,
        )
        self._read()
        for field in (self.unit, self.flags, self.cut):
            field.observe(lambda _: self._read(), "value")

    def _read(self) -> None:
        """Read the file by the answers given so far, and show what was made of it."""
        how = {"unit": UNITS[self.unit.value], "flags_per_turn": self.flags.value if self.flags.value > 1 else None}
        how = {name: value for name, value in how.items() if value is not None}
        self.keep_button.disabled = True
        try:
            shown = preview(self.path, **how)
            self.rows.value = html_table(shown.reset_index(names="row"), "The first rows, as they were read")
            self.runs = read_log(self.path, **how)
        except KitError as error:
            self.runs, self.list.children = (), ()
            self.cut.layout.display = "none"
            self.read_as.refuse(error)
            return
        self.read_as.say(f"Read as: {shown.attrs['description']}.")
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
            field = widgets.Text(value=condition_value(known), description=self.x_label)
            field.style.description_width = "initial"
            self.boxes.append(box)
            self.conditions.append(field)
            lines.append(row_of(box, field))
        self.list.children = tuple(lines)

    def _keep_all(self) -> None:
        chosen = [
            (run, field.value)
            for run, box, field in zip(self.runs, self.boxes, self.conditions, strict=True)
            if box.value
        ]
        try:
            if not chosen:
                raise KitError("No run is ticked", file=self.path.name)
            ready = [replace(run, conditions=self._conditions(run, text)) for run, text in chosen]
            kept = [self._keep(run) for run in ready]
        except KitError as error:
            self.message.refuse(f"Not kept. {error}")
            return
        self.keep_button.disabled = True
        trials = ", ".join(f"{self.x_label} {run.conditions[self.x]:g}, trial {run.trial}" for run in kept)
        self.message.say(f"Kept: {trials}.")

    def _conditions(self, run: Run, text: str) -> Mapping[str, float | str]:
        value = number_or_word(text.strip(), "," if "," in text else ".")
        if isinstance(value, str):
            raise KitError(f"Say which {self.x_label} it was", found=text or None, fix="write a number, such as 3")
        return {**run.conditions, self.x: value}
