"""A gate on a wire, read while the disc turns: choose the port, listen, watch, say what becomes of the run.

The reading, the files and all numbers are `kit.sources.gate`'s; this module asks and shows. live_gate.js is the plot's
page, live_plot.js draws it.
"""

from __future__ import annotations

import contextvars
import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import ClassVar, Protocol

import anywidget
import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..sources.gate import LiveGate, list_ports, open_port
from ..wording import DASH, condition_value, name_of, number
from .parts import FIELD, Details, KitBox, Status, action, attempt, front_end, heading, row_of

__all__ = ["LiveGateBox", "LivePlot"]

MEANT_TO_END_S = 0.7  # a click so soon after a run has ended by itself was meant to end it
PULSE_S = 0.2  # the page is told of news so often
TYPED = "type a port …"
LISTEN, END, AGAIN = "Listen to the gate", "End this run now", "Listen to the next run"  # what the one button says
_UNITS = (("as the board says", ""), ("seconds", "s"), ("milliseconds", "ms"), ("microseconds", "us"))


class Source(Protocol):
    """What a gate can be read from, see `kit.sources.gate.LiveGate`."""

    def read(self, n: int) -> bytes: ...

    def close(self) -> None: ...


class LivePlot(anywidget.AnyWidget):
    """A plot that grows: `add` sends only new points. `numbers`: pairs (name, value) shown large above it."""

    _esm = front_end("make.js", "page_parts.js", "live_plot.js", "live_gate.js")
    _css = front_end("live_gate.css")

    numbers = t.List(t.List(t.Unicode())).tag(sync=True)

    def __init__(self):
        self.times_s, self.periods_s = np.empty(0), np.empty(0)
        super().__init__()
        self.on_msg(lambda _, message, __: self._tell(0) if message.get("ask") == "all" else None)

    def clear(self) -> None:
        """Forget all points."""
        self.times_s, self.periods_s = np.empty(0), np.empty(0)
        self._tell(0)

    def show(self, times_s: np.ndarray, periods_s: np.ndarray) -> None:
        """Show these points, all or those before and more: only what is new is sent."""
        known = len(self.times_s)
        grown = known <= len(times_s) and np.array_equal(times_s[:known], self.times_s)
        if grown and known == len(times_s):
            return
        self.times_s, self.periods_s = times_s, periods_s
        self._tell(known if grown else 0)

    def _tell(self, since: int) -> None:
        points = np.concatenate([self.times_s[since:], self.periods_s[since:]])
        self.send({"from": since}, buffers=[points.astype("<f8").tobytes()] if len(points) else [])


class LiveGateBox(KitBox):
    """Read a gate live: port, unit and condition, one button to listen, a plot, and what becomes of the run.

    Parameters
    ----------
    folder : where the logs go, two files a run. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (pass_times_s, conditions, note); returns a sentence to show, or raises KitError.
    sources : further things to listen to, words → function that opens one: a pretend gate, for example.
    flags_per_turn, baud : of the apparatus and of the board.

    `gate` is the run that is on, or the last one. `start()`, `stop()` and `keep()` do what the page offers:
    the button listens and, while it does, ends the run; below the plot a finished run is taken or left.
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
        self.folder, self._x, self._on_keep = Path(folder), x, on_keep
        self._sources, self._flags, self._baud = dict(sources or {}), flags_per_turn, baud
        self.gate: LiveGate | None = None
        self._pulse_thread: threading.Thread | None = None
        self._kept = False
        self._ended_s = -math.inf
        self._build(values)
        super().__init__(
            [
                row_of(self._port, self._typed, self._again, self._unit, *([self._value] if x else [])),
                self._listen,
                self.plot,
                self.say,
                self._keeping,
                self._details,
            ]
        )
        self.look_for_ports()

    # --- for code and for buttons alike ----------------------------------------------------------------------------

    @property
    def conditions(self) -> dict[str, float | str]:
        """The condition chosen on the page."""
        return {self._x: self._value.value} if self._x else {}

    @property
    def running(self) -> bool:
        """Whether a run is on."""
        return self._pulse_thread is not None and self._pulse_thread.is_alive()

    def look_for_ports(self) -> None:
        """List the ports of this machine anew; the choice stays if it is still there."""
        before = self._port.value
        ports = [(words, ("port", name)) for name, words in list_ports()]
        options = [*((words, ("source", words)) for words in self._sources), *ports, (TYPED, ("typed", ""))]
        self._port.options = options
        typed = before == ("typed", "") and self._typed.value.strip()
        if typed or (before != ("typed", "") and before in [value for _, value in options]):
            self._port.value = before
        else:
            self._port.value = options[0][1]

    def start(self) -> None:
        """Open what is chosen and listen. Raises KitError if that fails, or if a run is on."""
        if self.running:
            raise KitError("A run is on already", fix="end it first")
        kind, name = self._port.value
        if kind == "source":
            source = self._sources[name]()
        else:
            name = name or self._typed.value.strip()
            if not name:
                raise KitError("No port is chosen", fix="type its name, such as COM3 or /dev/ttyACM0")
            if name in self._listening:  # a cell that was run twice: two readers would share the bytes between them
                self._listening.pop(name).stop()
            source = open_port(name, self._baud)
        chosen = self.conditions
        stem = "_".join(f"{key}-{condition_value(value)}" for key, value in chosen.items()) or "gate"
        unit = self._unit.value or None
        try:
            self.gate = LiveGate(source, self.folder, name=stem, unit=unit, flags_per_turn=self._flags).start()
        except KitError:
            source.close()
            raise
        if kind != "source":
            self._listening[name] = self.gate
        self._kept = False
        self._run_conditions = chosen
        self._keeping.layout.display = "none"
        self._details.show([], _table((), ()))
        self._listen.description = END
        self.plot.clear()
        self._show_numbers()
        self.say.say("It listens. Give the disc its push; it stops by itself when the disc rests.")
        # the page's messages carry the context of the cell or click that asked for them
        run = contextvars.copy_context().run
        self._pulse_thread = threading.Thread(target=run, args=(self._pulse, self.gate), name="live page", daemon=True)
        self._pulse_thread.start()

    def stop(self) -> None:
        """End the run, if one is on, and show what came of it."""
        if self.gate is not None:
            self.gate.stop()
        if self._pulse_thread is not None:
            self._pulse_thread.join(10)

    def keep(self) -> None:
        """Hand the run over. Raises KitError if there is none, if it was kept before, or if it is refused."""
        if self.gate is None or self.running:
            raise KitError("There is no finished run to keep", fix="start one, and wait until it has ended")
        if self._kept:
            raise KitError("This run is kept already", fix="start the next one")
        run = self.gate.run(self._run_conditions)
        if self._on_keep is None:
            said = f"The log is {self.gate.log_path}."
        else:
            said = self._on_keep(run.pass_times_s, self._run_conditions, self._note.value.strip())
        self._kept = True
        self._keeping.layout.display = "none"
        self.say.say(said)

    # --- what is on the page ---------------------------------------------------------------------------------------

    def _build(self, values) -> None:
        self._port = widgets.Dropdown(description="Listen to:", options=[(TYPED, ("typed", ""))], **FIELD)
        self._typed = widgets.Text(placeholder="COM3 or /dev/ttyACM0", description="Port:", **FIELD)
        self._port.observe(lambda _: self._show_typed(), "value")
        self._again = action("Look for ports again", self.look_for_ports)
        self._unit = widgets.Dropdown(description="Times in:", options=list(_UNITS), **FIELD)
        label = f"{name_of(self._x)}:" if self._x else ""
        if len(values):
            options = [(condition_value(value), value) for value in values]
            self._value = widgets.Dropdown(description=label, options=options, **FIELD)
        else:
            self._value = widgets.FloatText(description=label, **FIELD)
        self._listen = action(LISTEN, self._listen_or_end)
        self._listen.add_class("kit-wide")
        self.plot, self.say, self._details = LivePlot(), Status(), Details(summary="Show the turns as numbers")
        self._details.show([], _table((), ()))
        self._note = widgets.Text(description="Note (if anything was odd):", **FIELD)
        self._keep = action("Put it among my runs", lambda: attempt(self.say, self.keep))
        self._keeping = widgets.VBox([heading("What about this run?"), self._note, self._keep])
        self._keeping.add_class("kit-live-end")
        self._keeping.layout.display = "none"
        self._show_numbers()
        self._show_typed()

    def _listen_or_end(self) -> None:
        """A click meant to end a run that has just ended by itself must not begin the next one."""
        if self.running:
            attempt(self.say, self.stop)
        elif time.monotonic() - self._ended_s > MEANT_TO_END_S:
            attempt(self.say, self.start)

    def _show_typed(self) -> None:
        self._typed.layout.display = "" if self._port.value and self._port.value[0] == "typed" else "none"

    def _pulse(self, gate: LiveGate) -> None:
        """Tell the page what is new, until the run has ended; then what came of it."""
        while not gate.wait(PULSE_S):
            self._show(gate)
        self._show(gate)
        self._listen.description, self._ended_s = AGAIN, time.monotonic()
        periods = _periods(gate.pass_times_s, self._flags)
        if len(gate.pass_times_s) < 2:
            self.say.say(*gate.report(), "That makes no run. Check the gate, and listen again.")
            return
        self._details.show([], _table(*periods))
        self._keeping.layout.display = ""
        self.say.say(*gate.report(), "Put it among your runs, or listen again: the log stays on disk either way.")

    def _show(self, gate: LiveGate) -> None:
        times, periods = _periods(gate.pass_times_s, self._flags)
        self.plot.show(times, periods)
        self._show_numbers(len(gate.pass_times_s), times, periods)

    def _show_numbers(self, passes: int = 0, times=(), periods=()) -> None:
        last = f"{number(periods[-1], 3)} s" if len(periods) else DASH
        since = f"{times[-1]:.1f} s" if len(times) else DASH
        self.plot.numbers = [["passes", str(passes)], ["last turn took", last], ["time since the first pass", since]]


def _periods(times_s: np.ndarray, flags: int) -> tuple[np.ndarray, np.ndarray]:
    """(time since the first pass, duration of the turn that ends there) of each pass that closes a turn."""
    return times_s[flags:] - times_s[:1], times_s[flags:] - times_s[:-flags]


def _table(times, periods) -> pd.DataFrame:
    return pd.DataFrame({"time (s)": [f"{v:.3f}" for v in times], "one turn took (s)": [f"{v:.3f}" for v in periods]})
