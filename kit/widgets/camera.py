"""A mark that passes a field of a picture: the browser's camera, or a film of one's own; a run made of the passes.

camera.js measures how bright the field is, frame by frame; the samples arrive as lines and are kept as such, and
`kit.sources.camera` finds the passes in them (sampled.js shows them on the page meanwhile).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ..logs.run import Run
from ..sources.camera import SampleReader
from ..sources.gate import LiveGate
from ..sources.page import PageSource
from .live_run import LiveRun
from .page_link import PageLink
from .parts import FIELD, front_end, row_of

__all__ = ["Camera"]


class PageCamera(PageLink):
    """The camera's part of the page."""

    _esm = front_end("make.js", "page_parts.js", "page_link.js", "sampled.js", "camera.js")
    _css = front_end("parts.css", "page_link.css")


class Camera(LiveRun):
    """Time a disc by a mark that passes a field of the picture: place it, start, watch the plot, keep the run.

    Parameters
    ----------
    folder : where the samples and the passes go. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (run, note) for a run that is kept; returns a sentence to show, or raises KitError. The run's
        `timing_u_s` is the standard uncertainty of its passes.

    The page begins a run: only a click there may ask the browser for the camera.
    """

    def __init__(
        self,
        folder: str | Path,
        x: str = "",
        values: Sequence[float | str] = (),
        *,
        on_keep: Callable[[Run, str], str] | None = None,
    ):
        self.page = PageCamera(self._begin_on_page)
        self._reader = SampleReader()
        super().__init__(folder, x, values, on_keep=on_keep)

    def _parts(self) -> list[widgets.Widget]:
        self._marks = widgets.BoundedIntText(value=1, min=1, max=12, description="Marks in a turn", **FIELD)
        asked = [self._value] if self._x else []
        return [row_of(*asked, self._marks), self.page, self.plot, self.say, self._keeping, self._details]

    def _begin_on_page(self, source: PageSource, remembered: Mapping[str, Any]) -> tuple[LiveGate, dict]:
        self._make_way()
        self._set_conditions(remembered)
        self._flags, self._reader = self._marks.value, SampleReader()
        gate = LiveGate(
            source,
            self.folder,
            name=self._stem("camera"),
            flags_per_turn=self._flags,
            clock=source.clock,
            reader=self._reader,
        ).start()
        self._begin(gate, "The page watches, and Python keeps how bright the field is.")
        return gate, self.conditions

    def _show(self, gate) -> None:
        super()._show(gate)
        self.page.tell()

    def _notes(self) -> list[str]:
        return self.page.notes

    def _hand_over(self, run: Run) -> str:
        run = replace(run, timing_u_s=self._reader.timing_u_s)
        return self._on_keep(run, self._note.value.strip()) if self._on_keep else ""
