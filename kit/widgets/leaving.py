"""On a shared machine a page that is left by its link to the next one makes room, if nothing in it would be lost.

Six pages open hold six kernels, each of tens of megabytes. leaving.js notices the link and what was used on the page;
this module knows what is saved.
"""

from __future__ import annotations

from pathlib import Path

import anywidget
from ipykernel.kernelapp import IPKernelApp

from ..record.workbook import Workbook
from .parts import front_end

__all__ = ["Leaving", "all_saved", "saved_by"]

WORDS = (
    "This page was closed to make room for others. What you saved is kept. To use the page again, start it: "
    "menu Kernel, Restart Kernel and Run All Cells."
)


class Leaving(anywidget.AnyWidget):
    """Ends this page's kernel after the student went on, unless something is unsaved or running. It shows nothing."""

    _esm = front_end("leaving.js")
    _css = front_end("leaving.css")

    def __init__(self, workbook: Workbook, stage: str):
        super().__init__()
        self._workbook, self._stage = workbook, stage
        self._saved_when_used: int | None = None  # how many entries there were when the page was last used
        self.on_msg(self._told)

    def _told(self, _widget, content, _buffers) -> None:
        if "used" in content:
            self._saved_when_used = saved_by(self._workbook, self._stage)
        elif IPKernelApp.initialized() and all_saved(self._workbook, self._stage, self._saved_when_used):
            kernel = Path(IPKernelApp.instance().connection_file).stem.removeprefix("kernel-")
            self.send({"kernel": kernel, "words": WORDS})


def saved_by(workbook: Workbook, stage: str) -> int:
    """How many entries come from this page: others may write at the same time."""
    return sum(entry.stage == stage for entry in workbook.entries)


def all_saved(workbook: Workbook, stage: str, saved_when_used: int | None) -> bool:
    """Whether the page added an entry since it was last used, when it had added so many; None: it was not used."""
    return not workbook.obstacle and (saved_when_used is None or saved_by(workbook, stage) > saved_when_used)
