"""Timing by hand on the page: one tap a turn, a dot to practise with, taps that are not lost with the kernel.

tap_along.js takes the times and keeps them until this module says that they are saved. What becomes of taps is
`kit.sources.taps`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import anywidget
import numpy as np
import traitlets as t

from ..errors import KitError
from ..logs.run import Run
from ..motion.speed import speed_curve
from ..sources.taps import Steadiness, describe_taps, steadiness, tapped_run
from ..wording import condition_value, name_of
from .parts import front_end

__all__ = ["TapAlong"]


class TapAlong(anywidget.AnyWidget):
    """Time a slow disc by tapping once a turn.

    Parameters
    ----------
    x : name of the condition that is changed; `values`: the values to choose from.
    on_keep : called with (pass_times_s, conditions, note) when a run is saved; returns a sentence to show, or raises
        KitError.
    key : name under which the page remembers taps that are not saved yet; give two widgets on one page two names.

    `taps_ms` are the taps that are not saved yet, on the browser's clock. `practice` is the last `Steadiness` found
    with the blinking dot, or None.
    """

    _esm = front_end("make.js", "page_parts.js", "live_plot.js", "tap_along.js")
    _css = front_end("parts.css", "live_gate.css", "tap_along.css")

    taps_ms = t.List(t.Float()).tag(sync=True)
    choice = t.Int(0).tag(sync=True)
    note = t.Unicode().tag(sync=True)
    _choices = t.List(t.Unicode()).tag(sync=True)
    _label = t.Unicode().tag(sync=True)
    _key = t.Unicode().tag(sync=True)

    def __init__(
        self,
        x: str = "",
        values: Sequence[float | str] = (),
        *,
        on_keep: Callable[[np.ndarray, dict, str], str] | None = None,
        key: str = "taps",
    ):
        self._x, self._values, self._on_keep = x, list(values), on_keep
        self.practice: Steadiness | None = None
        words = [condition_value(v) for v in values]
        super().__init__(_choices=words, _label=name_of(x), _key=key)
        self.on_msg(self._asked)

    @property
    def conditions(self) -> dict[str, float | str]:
        """The condition chosen on the page."""
        return {self._x: self._values[self.choice]} if self._x and self._values else {}

    @property
    def run(self) -> Run:
        """The taps so far as a run, its first tap at 0 s. Raises KitError for fewer than two."""
        taps = np.array(self.taps_ms)
        return tapped_run((taps - taps[:1]) / 1e3, self.conditions)

    def keep(self) -> tuple[str, ...]:
        """Save the taps by `on_keep`, forget them here, return what to tell. Raises KitError if they are refused."""
        run = self.run
        said = self._on_keep(run.pass_times_s, self.conditions, self.note.strip()) if self._on_keep else ""
        curve = speed_curve(run)
        self.taps_ms, self.note = [], ""
        return (*([said] if said else []), *describe_taps(run, curve.timing_sd_s if curve.usable else None))

    def _asked(self, _, message: dict, __) -> None:
        answer: dict[str, object] = {"asked": message.get("asked"), "problem": False, "saved": False, "sentences": []}
        try:
            if "save" in message:
                self.taps_ms = [float(v) for v in message["save"]]
                self.note, self.choice = str(message.get("note", "")), int(message.get("choice", 0))
                answer |= {"sentences": list(self.keep()), "saved": True}
            elif "practice" in message:
                taps_s, beat_s = np.array(message["practice"], dtype=float) / 1e3, message["beat_ms"] / 1e3
                self.practice = found = steadiness(taps_s, beat_s)
                answer["sentences"] = list(found.sentences)
            else:
                return
        except KitError as error:
            answer |= {"sentences": [error.on_page()], "problem": True}
        self.send(answer)
