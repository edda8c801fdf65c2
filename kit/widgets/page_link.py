"""A page that measures and a kernel that keeps: how the two talk, and what a page measures by: microphone, camera.

page_link.js is the page's half. The page numbers what it sends by the bytes of the run before it, and keeps all until
the run is over and on the disk here. Every message is answered with what is here and what is saved; where the page
learns of a gap it goes back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as widgets
import traitlets as t

from ..errors import KitError
from ..logs.run import Run
from ..sound.clicks import CLOCK_U, click_settings, timing_scatter
from ..sources.camera import SampleReader
from ..sources.gate import LiveGate
from ..sources.page import ENDS, PageSource
from .live_run import LiveRun, Measuring
from .parts import FIELD, front_end, row_of

__all__ = ["Camera", "Microphone", "PageCable", "PageLink", "PageRun"]


class PageLink(anywidget.AnyWidget):
    """What all pages that measure have in common.

    Parameters
    ----------
    begin : called with the source of a run that the page begins and with what the page remembers of its conditions;
        returns the gate that reads it, and the conditions. A KitError is told to the page, which then stops.

    `able` is "yes" once a page is open that can do it, or why it can't.
    """

    able = t.Unicode("")

    def __init__(self, begin: Callable[[PageSource, Mapping[str, Any]], tuple[LiveGate, dict]], **traits):
        self._begin = begin
        self._run = ""
        self._source: PageSource | None = None
        self._gate: LiveGate | None = None
        self._told = (0, False)
        super().__init__(**traits)
        self.on_msg(self._heard)

    @property
    def notes(self) -> list[str]:
        """What the page noticed in the last run."""
        return self._source.notes if self._source is not None else []

    def tell(self) -> None:
        """Say to the page what is here, what is saved, and whether the run is over, if that is news."""
        if self._gate is not None:
            now = (self._gate.saved_bytes, bool(self._gate.ended))
            if now != self._told:
                self._told = now
                self._answer(self._run, self._source.have if self._source else 0)

    def _answer(self, run: str, have: int, **more: Any) -> None:
        gate = self._gate
        if gate is not None:
            over = bool(gate.ended)
            self.send({"run": run, "have": have, "saved": gate.saved_bytes, "gap": False, "over": over, **more})

    def _heard(self, _, message: dict, buffers: list) -> None:
        run = str(message.get("run", ""))[:40]
        if "able" in message:
            self.able = str(message["able"])
        elif message.get("start") is True:
            self._open(run, message.get("conditions") or {})
        elif run and run == self._run and self._source is not None:
            self._take(self._source, run, message, bytes(buffers[0]) if buffers else b"")
        elif run:
            self.send({"run": run, "unknown": True})  # a kernel that began anew: the page sends all of it again

    def _open(self, run: str, conditions: Mapping[str, Any]) -> None:
        if run == self._run and self._source is not None:
            self._answer(run, self._source.have)
            return
        if self._source is not None and self._gate is not None and not self._gate.ended:
            self._source.end("page", 0)  # of a page that has gone
            self._gate.stop()
        source = PageSource()
        try:
            gate, chosen = self._begin(source, conditions)
        except KitError as error:
            self.send({"run": run, "refused": str(error)})
            return
        self._run, self._source, self._gate, self._told = run, source, gate, (0, False)
        self.send({"run": run, "conditions": chosen, "have": 0, "saved": 0, "gap": False, "over": False})

    def _take(self, source: PageSource, run: str, message: dict, data: bytes) -> None:
        try:
            at = message["at"]
            have = source.take(at, data, float(message.get("clock", message["s"])))
            for words in message.get("notes", [])[len(source.notes) : 20]:
                source.notes.append(str(words)[:300])
            if message.get("end") in ENDS:
                source.end(message["end"], at + len(data))
        except (KitError, KeyError, TypeError, ValueError) as error:
            self.send({"run": run, "refused": f"The page sent something that can't be read ({error})."})
            return
        self._answer(run, have, gap=at > have, s=message["s"])


class PageCable(PageLink):
    """A cable at the student's own machine, by the browser's serial interface."""

    _esm = front_end("make.js", "page_parts.js", "page_link.js", "page_cable.js")
    _css = front_end("parts.css", "page_link.css")

    baud = t.Int(115200).tag(sync=True)


class PageRun(LiveRun):
    """A run that only the page can begin, since only a click there may ask the browser for what it measures with.

    Parameters
    ----------
    folder : where the logs go. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (run, note) for a run that is kept; returns a sentence to show, or raises KitError.

    A source says by `KIND` what its logs are called, by `SAID` what happens now, by `PER_TURN` what comes so many times
    a turn (`MOST` at most), by the words of `LiveRun` what it waits for, and makes its part of the page with `_page`.
    """

    KIND = SAID = PER_TURN = ""
    MOST = 12

    def __init__(
        self,
        folder: str | Path,
        x: str = "",
        values: Sequence[float | str] = (),
        *,
        on_keep: Callable[[Run, str], str] | None = None,
    ):
        self.page = self._page()
        self._per_turn = widgets.BoundedIntText(value=1, min=1, max=self.MOST, description=self.PER_TURN, **FIELD)
        super().__init__(folder, x, values, on_keep=on_keep)

    def _page(self) -> PageLink:
        raise NotImplementedError

    def _parts(self) -> list[widgets.Widget]:
        asked = [self._value] if self._x else []
        return [row_of(*asked, self._per_turn), self.page, self.plot, self.say, self._keeping, self._details]

    def _begin_on_page(self, source: PageSource, remembered: Mapping[str, Any]) -> tuple[LiveGate, dict]:
        self._make_way()
        self._set_conditions(remembered)
        self._flags = self._per_turn.value
        name, how = self._stem(self.KIND), self._reading()
        gate = LiveGate(source, self.folder, name=name, flags_per_turn=self._flags, clock=source.clock, **how).start()
        self._begin(gate, self.SAID)
        return gate, self.conditions

    def _reading(self) -> dict[str, Any]:
        """How the next run is read, where that differs from a gate's lines."""
        return {}

    def _show(self, gate: Measuring) -> None:
        super()._show(gate)
        self.page.tell()

    def _notes(self) -> list[str]:
        return self.page.notes


# --- clicks of a struck card, heard by the microphone of the machine the browser runs on
#
# microphone.js listens and finds the clicks (click_finder.js, the detector of `kit.sound.clicks`); what it finds
# arrives as lines of a gate, and is kept as such.

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
    NOTHING, PASS = "No click heard yet.", ("click", "clicks")
    NO_RUN = "That makes no run. Bring the microphone closer to the card, and listen again."

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


# --- a mark that passes a field of a picture: the browser's camera, or a film of one's own
#
# camera.js measures how bright the field is, frame by frame; the samples arrive as lines and are kept as such, and
# `kit.sources.camera` finds the passes in them (sampled.js shows them on the page meanwhile).


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
    NOTHING, PASS = "No mark seen yet.", ("mark", "marks")
    NO_RUN = "That makes no run. See that the mark passes the field, and watch again."
    _reader: SampleReader

    def _page(self) -> PageLink:
        return PageCamera(self._begin_on_page)

    def _reading(self) -> dict[str, Any]:
        self._reader = SampleReader()
        return {"reader": self._reader}

    def _hand_over(self, run: Run) -> str:
        run = replace(run, timing_u_s=self._reader.timing_u_s)
        return self._on_keep(run, self._note.value.strip()) if self._on_keep else ""
