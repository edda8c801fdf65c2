"""What is common to all that is timed while it happens: a condition, a plot that grows, what becomes of the run.

`LiveRun` is what `LiveGateBox` and the others are built on; live_gate.js is the plot's page, live_plot.js draws it.
"""

from __future__ import annotations

import contextvars
import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import anywidget
import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..logs.run import Run
from ..motion.speed import MIN_PASSES
from ..wording import DASH, condition_value, number
from .parts import FIELD, Details, KitBox, Status, action, attempt, condition_field, front_end, heading

__all__ = ["LivePlot", "LiveRun", "Measuring"]

PULSE_S = 0.2  # the page is told of news so often
MEANT_TO_END_S = 0.7  # a click so soon after a run has ended by itself was meant to end it
LISTEN, END, AGAIN = "Listen to the gate", "End this run now", "Listen to the next run"  # what the one button says


class Measuring(Protocol):
    """A run that is on, or was: see `kit.sources.gate.LiveGate`."""

    log_path: Path

    @property
    def ended(self) -> str: ...

    @property
    def pass_times_s(self) -> np.ndarray: ...

    def report(self) -> tuple[str, ...]: ...

    def run(self, conditions: dict | None = None) -> Run: ...

    def wait(self, timeout_s: float | None = None) -> bool: ...

    def stop(self) -> None: ...


class LivePlot(anywidget.AnyWidget):
    """A plot that grows: `show` sends only new points.

    `numbers`: pairs (name, value) shown large above it. `nothing`: what is said while there is no point.
    """

    _esm = front_end("make.js", "page_parts.js", "live_plot.js", "live_gate.js")
    _css = front_end("live_gate.css")

    numbers = t.List(t.List(t.Unicode())).tag(sync=True)
    nothing = t.Unicode().tag(sync=True)

    def __init__(self, **traits):
        self.times_s, self.periods_s = np.empty(0), np.empty(0)
        super().__init__(**traits)
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


class LiveRun(KitBox):
    """What all have that time a disc while it turns: build it with `_parts`, begin a run with `_begin`.

    Parameters
    ----------
    folder : where the logs go. They stay, whether a run is kept or not.
    x : name of the condition that is changed; `values`: the values to choose from, else a number is asked for.
    on_keep : called with (pass_times_s, conditions, note); returns a sentence to show, or raises KitError.
    flags_per_turn : passes in one turn.

    `NOTHING` is said while there is no turn yet, `NO_RUN` after a run that is none, `PASS` is what is counted.
    `gate` is the run that is on, or the last one. `stop()` and `keep()` do what the page offers: one button listens
    and, while it does, ends the run; below the plot a finished run is taken or left.
    """

    NOTHING, PASS = "Nothing has passed the gate yet.", ("pass", "passes")
    NO_RUN = "That makes no run. Check the gate, and listen again."

    def __init__(
        self,
        folder: str | Path,
        x: str = "",
        values: Sequence[float | str] = (),
        *,
        on_keep: Callable[..., str] | None = None,
        flags_per_turn: int = 1,
    ):
        self.folder, self._x, self._on_keep, self._flags = Path(folder), x, on_keep, flags_per_turn
        self.gate: Measuring | None = None
        self._pulse_thread: threading.Thread | None = None
        self._kept = False
        self._ended_s = -math.inf
        self._value = condition_field(x, values)
        self._listen = action(LISTEN, self._listen_or_end)
        self._listen.add_class("kit-wide")
        self.plot, self.say = LivePlot(nothing=self.NOTHING), Status()
        self._details = Details(summary="Show the turns as numbers")
        self._details.show([], _table((), ()))
        self._note = widgets.Text(description="Note (if anything was odd):", **FIELD)
        self._keep = action("Put it among my runs", lambda: attempt(self.say, self.keep))
        self._keeping = widgets.VBox([heading("What about this run?"), self._note, self._keep])
        self._keeping.add_class("kit-live-end")
        self._keeping.layout.display = "none"
        self._show_numbers()
        super().__init__(self._parts())

    def _parts(self) -> list[widgets.Widget]:
        """What is on the page, from the top down."""
        raise NotImplementedError

    # --- for code and for buttons alike ----------------------------------------------------------------------------

    @property
    def conditions(self) -> dict[str, float | str]:
        """The condition chosen on the page."""
        return {self._x: self._value.value} if self._x else {}

    @property
    def running(self) -> bool:
        """Whether a run is on."""
        return self._pulse_thread is not None and self._pulse_thread.is_alive()

    def start(self) -> None:
        """Begin a run, if that can be done from here."""
        raise NotImplementedError

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
        said = f"The log is {self.gate.log_path}." if self._on_keep is None else self._hand_over(run)
        self._kept = True
        self._keeping.layout.display = "none"
        self.say.say(said)

    # --- for those built on it -------------------------------------------------------------------------------------

    def _hand_over(self, run: Run) -> str:
        return self._on_keep(run.pass_times_s, self._run_conditions, self._note.value.strip()) if self._on_keep else ""

    def _set_conditions(self, remembered: Mapping[str, Any]) -> None:
        """Choose again what a page remembers of a run that it brings back."""
        value = remembered.get(self._x)
        if isinstance(self._value, widgets.Dropdown):
            if value in [known for _, known in self._value.options]:
                self._value.value = value
        elif isinstance(value, int | float):
            self._value.value = value

    def _notes(self) -> list[str]:
        """What else to say of the run that has ended."""
        return []

    def _listen_or_end(self) -> None:
        """A click meant to end a run that has just ended by itself must not begin the next one."""
        if self.running:
            attempt(self.say, self.stop)
        elif time.monotonic() - self._ended_s > MEANT_TO_END_S:
            attempt(self.say, self.start)

    def _make_way(self) -> None:
        """A run that has ended may still be on its way to the page. Raises KitError while one is on."""
        if self.gate is not None and self.gate.ended and self._pulse_thread is not None:
            self._pulse_thread.join(10)
        if self.running:
            raise KitError("A run is on already", fix="end it first")

    def _stem(self, otherwise: str) -> str:
        """Beginning of a log's name: the condition."""
        return "_".join(f"{key}-{condition_value(value)}" for key, value in self.conditions.items()) or otherwise

    def _begin(self, gate: Measuring, said: str) -> None:
        """Show a run that has just begun, until it ends."""
        self.gate, self._kept, self._run_conditions = gate, False, self.conditions
        self._keeping.layout.display = "none"
        self._details.show([], _table((), ()))
        self._listen.description = END
        self.plot.clear()
        self._show_numbers()
        self.say.say(said)
        # the page's messages carry the context of the cell or click that asked for them
        run = contextvars.copy_context().run
        self._pulse_thread = threading.Thread(target=run, args=(self._pulse, gate), name="live page", daemon=True)
        self._pulse_thread.start()

    def _pulse(self, gate: Measuring) -> None:
        """Tell the page what is new, until the run has ended; then what came of it."""
        while not gate.wait(PULSE_S):
            self._show(gate)
        self._show(gate)
        self._listen.description, self._ended_s = AGAIN, time.monotonic()
        periods = _periods(gate.pass_times_s, self._flags)
        if len(gate.pass_times_s) < 2:
            self.say.say(*gate.report(), *self._notes(), self.NO_RUN)
            return
        self._details.show([], _table(*periods))
        self._keeping.layout.display = ""
        what_next = "Put it among your runs, or make the next one: the log stays."
        self.say.say(*gate.report(), *self._notes(), self._too_few(len(gate.pass_times_s)), what_next)

    def _too_few(self, passes: int) -> str:
        """What a run this short lacks; empty if nothing."""
        least = MIN_PASSES + self._flags - 1
        if passes >= least:
            return ""
        return f"That is too short to measure: it takes {least} passes or more. Spin it faster, or let it run longer."

    def _show(self, gate: Measuring) -> None:
        passes = gate.pass_times_s
        times, periods = _periods(passes, self._flags)
        self.plot.show(times, periods)
        self._show_numbers(len(passes), times, periods)

    def _show_numbers(self, passes: int = 0, times=(), periods=()) -> None:
        last = f"{number(periods[-1], 3)} s" if len(periods) else DASH
        since = f"{times[-1]:.1f} s" if len(times) else DASH
        one, many = self.PASS
        self.plot.numbers = [[many, str(passes)], ["last turn took", last], [f"time since the first {one}", since]]


def _periods(times_s: np.ndarray, flags: int) -> tuple[np.ndarray, np.ndarray]:
    """(time since the first pass, duration of the turn that ends there) of each pass that closes a turn."""
    return times_s[flags:] - times_s[:1], times_s[flags:] - times_s[:-flags]


def _table(times, periods) -> pd.DataFrame:
    return pd.DataFrame({"time (s)": [f"{v:.3f}" for v in times], "one turn took (s)": [f"{v:.3f}" for v in periods]})
