"""A mark that passes a field of a picture: the browser's camera, or a film of one's own; a run made of the passes.

camera.js measures how bright the field is, frame by frame; the samples arrive as lines and are kept as such, and
`kit.sources.camera` finds the passes in them (sampled.js shows them on the page meanwhile).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ..logs.run import Run
from ..sources.camera import SampleReader
from .page_link import PageLink, PageRun
from .parts import front_end

__all__ = ["Camera"]


class PageCamera(PageLink):
    """The camera's part of the page."""

    _esm = front_end("make.js", "page_parts.js", "page_link.js", "sampled.js", "camera.js")
    _css = front_end("parts.css", "page_link.css")


class Camera(PageRun):
    """Time a disc by a mark that passes a field of the picture: place it, start, watch the plot, keep the run.

    Its arguments are those of every `PageRun`. A kept run's `timing_u_s` is the standard uncertainty of its passes.
    """

    KIND, SAID = "camera", "The page watches, and Python keeps how bright the field is."
    PER_TURN = "Marks in a turn"
    _reader: SampleReader

    def _page(self) -> PageLink:
        return PageCamera(self._begin_on_page)

    def _reading(self) -> dict[str, Any]:
        self._reader = SampleReader()
        return {"reader": self._reader}

    def _hand_over(self, run: Run) -> str:
        run = replace(run, timing_u_s=self._reader.timing_u_s)
        return self._on_keep(run, self._note.value.strip()) if self._on_keep else ""
