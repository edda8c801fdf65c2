"""A gate on a wire, read while the disc turns: choose where the wire ends, listen, watch, say what becomes of the run.

The wire may end at the machine that runs Python, or at the one the browser runs on. The reading, the files and all
numbers are `kit.sources.gate`'s in both cases; this module asks and shows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar, Protocol

import ipywidgets as widgets
import numpy as np

from ..errors import KitError
from ..record.hosting import is_hosted
from ..sources.gate import LiveGate, list_ports, open_port
from ..sources.page import PageSource
from .live_run import LivePlot, LiveRun
from .page_link import PageCable
from .parts import FIELD, action, row_of

__all__ = ["LiveGateBox", "LivePlot"]

TYPED = "type a port …"
PAGE = ("page", "")
HERE = "a cable at the machine my browser runs on"
_UNITS = (("as the board says", ""), ("seconds", "s"), ("milliseconds", "ms"), ("microseconds", "us"))


class Source(Protocol):
    """What a gate can be read from, see `kit.sources.gate.LiveGate`."""

    def read(self, n: int) -> bytes: ...

    def close(self) -> None: ...


class LiveGateBox(LiveRun):
    """Read a gate live: port, unit and condition, one button to listen, a plot, and what becomes of the run.

    Parameters
    ----------
    folder : where the logs go, two files a run. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (pass_times_s, conditions, note); returns a sentence to show, or raises KitError.
    sources : further things to listen to, words → function that opens one: a pretend gate, for example.
    flags_per_turn, baud : of the apparatus and of the board.

    `gate` is the run that is on, or the last one. `start()`, `stop()` and `keep()` do what the page offers. Where the
    cable ends at the browser's machine, the page begins the run: only a click there may ask the browser for a cable.
    """

    _listening: ClassVar[dict[str, LiveGate]] = {}  # the last run of each port in this kernel, of whichever box

    def __init__(
        self,
        folder: str | Path,
        x: str = "",
        values: Sequence[float | str] = (),
        *,
        on_keep: Callable[[np.ndarray, dict, str], str] | None = None,
        sources: Mapping[str, Callable[[], Source]] | None = None,
        flags_per_turn: int = 1,
        baud: int = 115200,
    ):
        self._sources, self._baud = dict(sources or {}), baud
        self._chosen = False  # whether a person chose where to listen, so that nothing else does
        self.cable = PageCable(self._begin_on_page, baud=baud)
        super().__init__(folder, x, values, on_keep=on_keep, flags_per_turn=flags_per_turn)
        self.look_for_ports()
        self._port.observe(lambda _: self._choose(), "value")
        self.cable.observe(lambda _: self._page_can(), "able")

    def _parts(self) -> list[widgets.Widget]:
        self._port = widgets.Dropdown(description="Listen to:", options=[(TYPED, ("typed", ""))], **FIELD)
        self._typed = widgets.Text(placeholder="COM3 or /dev/ttyACM0", description="Port:", **FIELD)
        self._port.observe(lambda _: self._show_typed(), "value")
        self._again = action("Look for ports again", self.look_for_ports)
        self._unit = widgets.Dropdown(description="Times in:", options=list(_UNITS), **FIELD)
        return [
            row_of(self._port, self._typed, self._again, self._unit, *([self._value] if self._x else [])),
            self._listen,
            self.cable,
            self.plot,
            self.say,
            self._keeping,
            self._details,
        ]

    # --- for code and for buttons alike ----------------------------------------------------------------------------

    def look_for_ports(self) -> None:
        """List the ports of this machine anew; the choice stays if it is still there."""
        before = self._port.value
        ports = [(words, ("port", name)) for name, words in list_ports()]
        page = [(HERE, PAGE)]
        if is_hosted() and self.cable.able in ("", "yes"):  # nobody's gate is joined to a hosted machine
            ports = page + ports
        elif self.cable.able in ("", "yes"):
            ports = ports + page
        rest = [(TYPED, ("typed", "")), *(page if page[0] not in ports else [])]
        options = [*((words, ("source", words)) for words in self._sources), *ports, *rest]
        self._port.options = options
        typed = before == ("typed", "") and self._typed.value.strip()
        if typed or (before != ("typed", "") and before in [value for _, value in options]):
            self._port.value = before
        else:
            self._port.value = options[0][1]

    def start(self) -> None:
        """Open what is chosen and listen. Raises KitError if that fails, or if a run is on."""
        self._make_way()
        kind, name = self._port.value
        if kind == "page":
            raise KitError("This cable ends at your browser", fix="press “Choose the cable and listen” on the page")
        if kind == "source":
            source = self._sources[name]()
        else:
            name = name or self._typed.value.strip()
            if not name:
                raise KitError("No port is chosen", fix="type its name, such as COM3 or /dev/ttyACM0")
            if name in self._listening:  # a cell that was run twice: two readers would share the bytes between them
                self._listening.pop(name).stop()
            source = open_port(name, self._baud)
        try:
            gate = self._gate_of(source)
        except KitError:
            source.close()
            raise
        if kind != "source":
            self._listening[name] = gate
        self._begin(gate, "It listens. Give it a push; the run ends by itself when it rests.")

    # --- a run that the page begins --------------------------------------------------------------------------------

    def _begin_on_page(self, source: PageSource, remembered: Mapping[str, Any]) -> tuple[LiveGate, dict]:
        self._make_way()
        self._set_conditions(remembered)
        gate = self._gate_of(source, clock=source.clock)
        self._begin(gate, "The page listens, and Python keeps what comes.")
        return gate, self.conditions

    def _gate_of(self, source, **how) -> LiveGate:
        unit = self._unit.value or None
        return LiveGate(
            source, self.folder, name=self._stem("gate"), unit=unit, flags_per_turn=self._flags, **how
        ).start()

    def _show(self, gate) -> None:
        super()._show(gate)
        self.cable.tell()

    def _notes(self) -> list[str]:
        return self.cable.notes

    # --- what is on the page ---------------------------------------------------------------------------------------

    def _choose(self) -> None:
        self._chosen = True

    def _page_can(self) -> None:
        """The page has said whether it can read a cable: where nobody chose yet, what exists is chosen."""
        if self._chosen:
            return
        self.look_for_ports()
        kinds = [value for _, value in self._port.options]
        if self._port.value == PAGE and self.cable.able != "yes":
            self._port.value = next(value for value in kinds if value != PAGE)
        self._chosen = False

    def _show_typed(self) -> None:
        kind = self._port.value[0] if self._port.value else ""
        self._typed.layout.display = "" if kind == "typed" else "none"
        self._listen.layout.display = "none" if kind == "page" else ""
        self.cable.layout.display = "" if kind == "page" else "none"
