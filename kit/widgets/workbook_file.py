"""The workbook as a file: take it home before a break, put it back on a machine that has forgotten everything."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from html import escape

import ipywidgets as widgets

from ..errors import KitError
from ..wording import count_of
from ..workbook import Workbook
from .parts import Say, action, row_of

__all__ = ["UPLOAD_LIMIT", "WorkbookFile", "attempt", "download_link"]

UPLOAD_LIMIT = 9_000_000  # the notebook server drops larger uploads without a word


class WorkbookFile(widgets.VBox):
    """Download the workbook, or put a downloaded one back.

    Parameters
    ----------
    workbook : whose entries.
    lesson : its name goes into the name of the file.
    """

    def __init__(self, workbook: Workbook, lesson: str):
        self.workbook, self.lesson = workbook, lesson
        self.message, self.links = Say(), widgets.HTML()
        self.save_button = action("Download my workbook", lambda: attempt(self.message, self._download))
        self.put_back = widgets.FileUpload(accept=".jsonl", multiple=False, description="Put a workbook back")
        self.put_back.layout = widgets.Layout(width="auto", align_self="flex-start")
        self.put_back.observe(lambda change: change["new"] and attempt(self.message, self._restore), "value")
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


def download_link(name: str, data: bytes, kind: str) -> str:
    """A link that carries the file itself, so that it works without asking the server again."""
    address = f"data:{kind};base64,{b64encode(data).decode()}"
    return f'<a download="{escape(name, quote=True)}" href="{address}">Download {escape(name)}</a>'


def attempt(message: Say, step: Callable[[], str]) -> None:
    """Do a step and say what came of it, or why it was not done."""
    try:
        message.say(step())
    except KitError as error:
        message.refuse(error)
