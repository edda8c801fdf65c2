"""The end of a lesson: one file for the teacher, the workbook as a file, and a clean table for the next group."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Callable, Mapping
from html import escape
from pathlib import Path

import ipywidgets as widgets

from ..errors import KitError
from ..handin import finish_and_clear, make_handin, write_handin
from ..workbook import Workbook
from .parts import Say, action, heading, note

__all__ = ["HandInBox"]

UPLOAD_LIMIT = 9_000_000  # the notebook server drops larger uploads without a word


class HandInBox(widgets.VBox):
    """Choose a code, make the hand-in, take the workbook home or put it back, clear a shared machine.

    Parameters
    ----------
    workbook, lesson : whose entries, and the lesson's name.
    add_results : called before a hand-in is made; returns entries (kind: value) to save with it, such as the results
        table by the group's own thresholds.
    folder : where hand-ins are written; by default beside the notebook.
    """

    def __init__(
        self,
        workbook: Workbook,
        lesson: str,
        stage: str,
        add_results: Callable[[], Mapping[str, object]] = dict,
        folder: str | Path | None = None,
    ):
        self.workbook, self.lesson, self.stage, self._add_results = workbook, lesson, stage, add_results
        self.folder = Path.cwd() if folder is None else Path(folder)
        self.made: Path | None = None
        self.code = widgets.Text(
            value=workbook.code or "", description="Your group's code", placeholder="amber-otter-1"
        )
        self.code.style.description_width = "initial"
        self.message, self.links = Say(), widgets.HTML()
        self.make_button = action("Make my hand-in", lambda: self._try(self._make))
        self.save_button = action("Download my workbook", lambda: self._try(self._download))
        self.put_back = widgets.FileUpload(accept=".jsonl", multiple=False, description="Put a workbook back")
        self.put_back.layout = widgets.Layout(width="auto", align_self="flex-start")
        self.put_back.observe(lambda change: change["new"] and self._try(self._restore), "value")
        self.clear_button = action("Finish and clear this machine", lambda: self._try(self._clear))
        super().__init__(
            [
                heading("Hand in"),
                note("Choose a code for your group. Do not write names. Leave it empty to get a code by chance."),
                self.code,
                self.make_button,
                heading("Your workbook"),
                note(
                    "On a hosted page your files are thrown away after some minutes without work. "
                    "Download your workbook before a break. Put it back later, and go on where you stopped."
                ),
                self.save_button,
                self.put_back,
                note("On a shared machine, clear it for the next group. This works once your hand-in is made."),
                self.clear_button,
                self.message,
                self.links,
            ]
        )
        self.add_class("kit-box")

    def _try(self, step: Callable[[], str]) -> None:
        try:
            self.message.say(step())
        except KitError as error:
            self.message.refuse(error)

    def _make(self) -> str:
        wanted = self.code.value.strip()
        if not wanted or wanted != self.workbook.code:
            self.code.value = self.workbook.choose_code(wanted or None)
        for kind, value in self._add_results().items():
            if value != self.workbook.latest(kind):
                self.workbook.add(self.stage, kind, value)
        handin = make_handin(self.workbook, self.code.value, self.lesson)
        self.made = write_handin(handin, self.folder)
        self._offer(self.made.name, json.dumps(handin, ensure_ascii=False).encode(), "application/json")
        return f"Your hand-in is made: {self.made.name}. Download it below and give it to your teacher."

    def _download(self) -> str:
        data = self.workbook.export_bytes()
        if not data:
            raise KitError("Your workbook is still empty", fix="save something first")
        self._offer(f"workbook_{self.lesson}.jsonl", data, "application/x-ndjson")
        return "Your workbook is ready to download below."

    def _restore(self) -> str:
        (file,) = self.put_back.value
        self.put_back.value = ()
        if file["size"] > UPLOAD_LIMIT:
            raise KitError("This file is too large for a workbook", found=f"{file['size']} bytes")
        sentence = self.workbook.restore(bytes(file["content"]))
        return f"{sentence} Run the pages again to see it."

    def _clear(self) -> str:
        if self.made is None:
            raise KitError("Your hand-in is not made yet", fix="make it first, then clear the machine")
        kept = finish_and_clear(self.workbook, self.made)
        self.links.value = ""
        return f"The workbook is cleared for the next group. It was moved to {kept}. Close these pages now."

    def _offer(self, name: str, data: bytes, kind: str) -> None:
        address = f"data:{kind};base64,{b64encode(data).decode()}"
        self.links.value = f'<a download="{escape(name, quote=True)}" href="{address}">Download {escape(name)}</a>'
