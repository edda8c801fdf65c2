"""A mark that passes a field of a picture: the browser's camera, or a film of one's own; a run made of the passes.

camera.js measures how bright the field is, frame by frame; the samples arrive as lines and are kept as such, and
`kit.sources.camera` finds the passes in them (sampled.js shows them on the page meanwhile).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ..logs.run import Run
from ..sources.camera import SampleReader
from .page_link import PageLink, PageRun
from .parts import FIELD, front_end

__all__ = ["Camera"]


class PageCamera(PageLink):
    """The camera's part of the page."""

    _esm = front_end("make.js", "page_parts.js", "page_link.js", "sampled.js", "camera.js")
    _css = front_end("parts.css", "page_link.css")


class Camera(PageRun):
    """Time a disc by a mark that passes a field of the picture: place it, start, watch the plot, keep the run.

    Parameters
    ----------
    folder : where the samples and the passes go. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (run, note) for a run that is kept; returns a sentence to show, or raises KitError. The run's
        `timing_u_s` is the standard uncertainty of its passes.

    The page begins a run: only a click there may ask the browser for the camera.
    """

    KIND, SAID = "camera", "The page watches, and Python keeps how bright the field is."

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
        self._per_turn = widgets.BoundedIntText(value=1, min=1, max=12, description="Marks in a turn", **FIELD)
        super().__init__(folder, x, values, on_keep=on_keep)

    def _reading(self) -> dict[str, Any]:
        self._reader = SampleReader()
        return {"reader": self._reader}

    def _hand_over(self, run: Run) -> str:
        run = replace(run, timing_u_s=self._reader.timing_u_s)
        return self._on_keep(run, self._note.value.strip()) if self._on_keep else ""
