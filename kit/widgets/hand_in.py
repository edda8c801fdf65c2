"""The end of a lesson: one file for the teacher, the workbook as a file, and a clean table for the next group."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

import ipywidgets as widgets

from ..errors import KitError
from ..record.handin import finish_and_clear, handin_name, make_handin, shown_place, write_handin
from ..record.hosting import idle_notice
from ..record.workbook import Workbook
from ..wording import count_of
from .parts import UPLOAD_LIMIT, KitBox, Status, action, attempt, download_link, heading, note, row_of, upload_of
from .send import SendBox, save_before_handing_in

__all__ = ["HandInBox", "WorkbookFile"]


class WorkbookFile(widgets.VBox):
    """Download the workbook, or put a downloaded one back.

    Parameters
    ----------
    workbook : whose entries.
    lesson : its name goes into the name of the file.
    """

    def __init__(self, workbook: Workbook, lesson: str):
        self.workbook, self.lesson = workbook, lesson
        self.message, self.links = Status(), widgets.HTML()
        self.save_button = action("Download my workbook", lambda: attempt(self.message, self._download))
        self.put_back = upload_of("Put a workbook back", ".jsonl", lambda: attempt(self.message, self._restore))
        super().__init__([row_of(self.save_button, self.put_back), self.message, self.links])

    def _download(self) -> str:
        data = self.workbook.export_bytes()
        if not data:
            raise KitError("Your workbook is still empty", fix="save something first")
        name = f"workbook_{self.lesson}.jsonl"
        self.links.value = download_link(name, data, "application/x-ndjson")
        saved = count_of(len(self.workbook.entries), "entry", "entries")
        return f"Your workbook is ready, with {saved} in it. Click the link to keep it."

    def _restore(self) -> str:
        (file,) = self.put_back.value
        self.put_back.value = ()
        if file["size"] > UPLOAD_LIMIT:
            raise KitError("This file is too large for a workbook", found=f"{file['size']} bytes")
        sentence = self.workbook.restore(bytes(file["content"]))
        return f"{sentence} To see them on the page, run it again: menu Run, Run All Cells."


class HandInBox(KitBox):
    """Choose a code, make the hand-in, take the workbook home or put it back, clear a shared machine.

    Parameters
    ----------
    workbook, lesson : whose entries, and the lesson's name.
    add_results : called before a hand-in is made; returns entries (kind: value) to save with it, such as the results
        table by the group's own thresholds.
    folder : where hand-ins are written: a folder or an address (s3://bucket/class-3b); by default beside the notebook.
        Wherever that is, the group can also download its hand-in.
    class_desk : the address of a class desk that the lesson gives.
    """

    def __init__(
        self,
        workbook: Workbook,
        lesson: str,
        stage: str,
        add_results: Callable[[], Mapping[str, object]] = dict,
        folder: str | Path | None = None,
        class_desk: str = "",
    ):
        self.workbook, self.lesson, self.stage, self._add_results = workbook, lesson, stage, add_results
        self.folder = Path.cwd() if folder is None else folder
        self._gave_folder = folder is not None
        self.made: Path | str | None = None
        self.code = widgets.Text(
            value=workbook.code or "", description="Your group's code", placeholder="amber-otter-1"
        )
        self.code.style.description_width = "initial"
        self.message, self.links, self.cleared = Status(), widgets.HTML(), Status()
        self.make_button = action("Make my hand-in", lambda: attempt(self.message, self._make))
        moment = "claims" if stage == "investigate" else "end"
        self.sender = SendBox(workbook, lesson, stage, moment, add_results, self.code, class_desk)
        self.file = WorkbookFile(workbook, lesson)
        self.clear_button = action("Finish and clear this machine", lambda: attempt(self.cleared, self._clear))
        super().__init__(
            [
                heading("Hand in"),
                note("Choose a code for your group. Do not write names. Leave it empty to get a code by chance."),
                self.code,
                self.sender,
                note("Or make it as a file, to keep and to give to your teacher."),
                self.make_button,
                self.message,
                self.links,
                heading("Your workbook"),
                note(idle_notice() or "Take it with you as a file. On another machine, put it back and go on."),
                self.file,
                heading("On a shared machine"),
                note("Clear it for the next group. This works once your hand-in is made."),
                self.clear_button,
                self.cleared,
            ]
        )

    def _make(self) -> str:
        self.made = None
        self.message.say("")  # whatever happens now, what was said before holds no longer
        self.links.value = ""
        unsaved = save_before_handing_in(self.workbook, self.code, self.stage, self._add_results)
        handin = make_handin(self.workbook, self.code.value, self.lesson)
        # The link comes first: should the place for hand-ins be out of reach, the group still has its file.
        data = json.dumps(handin, ensure_ascii=False).encode()
        self.links.value = download_link(handin_name(handin), data, "application/json")
        self.made = write_handin(handin, self.folder)
        name = str(self.made).replace("\\", "/").rpartition("/")[2]
        if self._gave_folder:
            return f"Your hand-in is made: {name}. Your teacher finds it in {shown_place(self.folder)}.{unsaved}"
        return f"Your hand-in is made: {name}. Download it below and give it to your teacher.{unsaved}"

    def _clear(self) -> str:
        if self.made is None:
            raise KitError("Your hand-in is not made yet", fix="make it first, then clear the machine")
        kept = finish_and_clear(self.workbook, self.made)
        self.links.value = ""
        return f"The workbook is cleared for the next group. It was moved to {kept}. Close these pages now."
