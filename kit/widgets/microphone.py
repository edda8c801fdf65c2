"""Clicks of a struck card, heard by the microphone of the machine the browser runs on; a run made of their times.

microphone.js listens and finds the clicks (click_finder.js, the detector of `kit.sound.clicks`); what it finds arrives
as lines of a gate, and is kept as such.
"""

from __future__ import annotations

from typing import Any

import traitlets as t

from ..logs.run import Run
from ..sound.clicks import CLOCK_U, click_settings, timing_scatter
from .page_link import PageLink, PageRun
from .parts import front_end

__all__ = ["Microphone"]

RATES_HZ = (16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000)
REST_S, REST_TURNS = 4.0, 4.0  # a run is over when no click came for so long


class PageMicrophone(PageLink):
    """The microphone's part of the page."""

    _esm = front_end("make.js", "page_parts.js", "page_link.js", "click_finder.js", "microphone.js")
    _css = front_end("parts.css", "page_link.css")

    settings = t.Dict().tag(sync=True)  # of the detector, by sample rate


class Microphone(PageRun):
    """Time a disc by the clicks of a card: start, watch the loudness and the plot, keep the run.

    Its arguments are those of every `PageRun`.
    """

    KIND, SAID = "clicks", "The page listens, and Python keeps the times of the clicks."
    PER_TURN, MOST = "Clicks in one turn", 100

    def _page(self) -> PageLink:
        settings = {str(rate): click_settings(rate) for rate in RATES_HZ}
        return PageMicrophone(self._begin_on_page, settings=settings)

    def _reading(self) -> dict[str, Any]:
        return {"rest_s": REST_S, "rest_turns": REST_TURNS}

    def _notes(self) -> list[str]:
        scatter_s = timing_scatter(self.gate.pass_times_s) if self.gate is not None else float("nan")
        known = [f"The clicks scatter by {1e3 * scatter_s:.2g} ms about an even slowing down."] if scatter_s > 0 else []
        return [*super()._notes(), *known]

    def _hand_over(self, run: Run) -> str:
        clock = f"Timed by clicks; a sound card's clock keeps to {100 * CLOCK_U:g} %."
        note = self._note.value.strip()
        return self._on_keep(run, f"{note} {clock}".strip()) if self._on_keep else ""
