"""The bench: set it up, give it a push, watch and hear it turn, keep the gate's log. Simulated, and it says so.

bench.js is the page, bench_drawing.js its drawing, bench_motion.js the motion and the lamp's rules. A push costs one
message each way: the whole run comes at once, and the page plays it by itself. Every number comes from
`kit.sources.push`; what the page asks for stands in `_asked`, and each answer in a trait of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import anywidget
import numpy as np
import traitlets as t

from ..errors import KitError
from ..logs.run import Run, with_repairs
from ..motion.threshold import ALREADY_SLOWER, NEVER_SLOW_ENOUGH, measure
from ..sources.bench import Spin
from ..sources.faults import surprise
from ..sources.push import MAX_TILT_DEG, SIMULATED, WEAKEST, motion_samples, push, run_seed, simulated_log
from ..sources.setup import FAULTS, BenchSetup
from ..wording import count_of
from .parts import front_end

__all__ = ["Bench", "motion_for_page"]


SURPRISE = "surprise"

#: Called to keep a run: pass times (s), conditions, note. What it returns, if a text, is shown.
OnKeep = Callable[[np.ndarray, Mapping[str, float | str], str], object]


class Bench(anywidget.AnyWidget):
    """A simulated apparatus with a gate: each push makes a run of the student's own.

    Parameters
    ----------
    setup : the bench, from `lesson.bench` or `kit.sources.setup.bench_setup`.
    code : the student's code. Together with a run's number it seeds the scatter: code and number make a run again.
    on_keep : called as on_keep(pass_times_s, conditions, note) when a run is kept. A text it returns is shown, and so
        is a KitError it raises; then the run is not kept. None: runs can't be kept, only downloaded.
    on_push : called after each push with its settings, a dict that `earlier` takes again.
    earlier : settings of earlier pushes, in order: `number, value, tilt_deg, dry_hub, strength, fault`. Their runs are
        made again, byte for byte, and the numbering goes on after them.
    kept_runs : runs kept before, from here or from elsewhere; those of this bench are known by their pass times.
    start_period_s, stop_period_s : the lesson's thresholds: a line in the plot, and a hint after a run too slow for it.

    `fault` is what goes wrong with the next pushes, of `setup.faults`: "" for nothing, "surprise" for one of them or
    none. `spins` holds all runs by number, `kept` the numbers of those kept. Without the widget:
    `kit.sources.push.push`.

    Raises
    ------
    KitError : an earlier push that this bench cannot make.
    """

    _esm = front_end(
        "make.js", "make_svg.js", "page_parts.js", "bench_motion.js", "bench_drawing.js", "bench_plot.js", "bench.js"
    )
    _css = front_end("parts.css", "bench.css")

    value = t.Float().tag(sync=True)
    tilt_deg = t.Float(0.0).tag(sync=True)
    dry_hub = t.Bool(False).tag(sync=True)
    strength = t.Float(0.85).tag(sync=True)
    fault = t.Unicode("").tag(sync=True)

    _setup = t.Dict().tag(sync=True)
    # The latest requests: {"do": "push", "keep" or "log", "id", "number", "note"}. A list, because a page merges what
    # it sends while the kernel is busy: a single value would lose all requests but the last.
    _asked = t.List(t.Dict()).tag(sync=True)
    _spin = t.Dict().tag(sync=True)  # the motion and the log of the latest push
    _runs = t.List(t.Dict()).tag(sync=True)  # one row a run
    _log = t.Dict().tag(sync=True)  # a log to download
    _said = t.Dict().tag(sync=True)  # what came of the last request

    def __init__(
        self,
        setup: BenchSetup,
        code: str = "",
        on_keep: OnKeep | None = None,
        *,
        on_push: Callable[[dict], object] | None = None,
        earlier: Iterable[Mapping[str, object]] = (),
        kept_runs: Iterable[Run] = (),
        start_period_s: float | None = None,
        stop_period_s: float | None = None,
    ):
        self.setup, self.code = setup, code
        self.spins: dict[int, Spin] = {}
        self.kept: set[int] = set()
        self._settings: dict[int, dict] = {}
        self._answered: set[str] = set()
        self._on_keep, self._on_push = on_keep, on_push
        self._thresholds = start_period_s, stop_period_s
        values = setup.apparatus.values
        super().__init__(value=float(values[0]), _setup=self._told(on_keep is not None))
        for settings in earlier:
            self._make(**{name: settings[name] for name in _SETTINGS if name in settings})
        known = {run.pass_times_s.tobytes() for run in kept_runs}
        self.kept |= {n for n, spin in self.spins.items() if spin.run.pass_times_s.tobytes() in known}
        self._runs = self._rows()

    def push(self) -> Spin:
        """Give it a push as it is set up now. The page, if there is one, plays it."""
        number = max(self.spins, default=0) + 1
        fault = self.fault
        if fault == SURPRISE:  # settled now: what a teacher offers later must not change a run made today
            fault = surprise(self.setup.faults, run_seed(self.setup, f"{self.code} {SURPRISE}", number))
        spin = self._make(number, self.value, self.tilt_deg, self.dry_hub, self.strength, fault)
        with self.hold_sync():
            self._spin = self._shown(number, secret=self.fault == SURPRISE)
            self._runs = self._rows()
            self._said = {}
        if self._on_push:
            self._on_push(dict(self._settings[number]))
        return spin

    def keep(self, number: int, note: str = "") -> str:
        """Keep run `number`; return what to say. Raises KitError if there is no such run or it can't be kept."""
        spin = self._spin_of(number)
        if self._on_keep is None:
            raise KitError("Runs of this bench can't be kept", fix="download the log instead")
        if number in self.kept:
            raise KitError("This run is kept already", found=number)
        conditions = dict(spin.run.conditions)
        answer = self._on_keep(spin.run.pass_times_s, conditions, "; ".join(filter(None, (spin.run.note, note))))
        self.kept.add(number)
        self._runs = self._rows()
        return answer if isinstance(answer, str) and answer else f"Run {number} is kept."

    def log(self, number: int) -> str:
        """The log of run `number` as a CSV text."""
        return simulated_log(self._spin_of(number))

    # --- from the page ---------------------------------------------------------------------------------------------

    @t.validate("value", "tilt_deg", "strength")
    def _within(self, proposal):
        """The page checks what is typed; what it cannot mean is refused here, by the old value staying."""
        top = max(self.setup.apparatus.values)
        low, high = {"value": (0, top), "tilt_deg": (0, MAX_TILT_DEG), "strength": (WEAKEST, 1)}[proposal["trait"].name]
        if not low <= proposal["value"] <= high:
            raise t.TraitError(f"{proposal['trait'].name} must lie between {low:g} and {high:g}")
        return proposal["value"]

    @t.validate("fault")
    def _offered(self, proposal):
        if proposal["value"] not in ("", *self.setup.faults, *([SURPRISE] if self.setup.faults else [])):
            raise t.TraitError("fault must be one that the bench offers")
        return proposal["value"]

    @t.observe("_asked")
    def _answer(self, change) -> None:
        for request in change["new"]:
            if request["id"] not in self._answered:
                self._answered.add(request["id"])
                self._do(request)

    def _do(self, request: Mapping) -> None:
        wanted, told = request["do"], {"id": request["id"]}
        try:
            if wanted == "push":
                self.push()
            elif wanted == "keep":
                self._said = {**told, "text": self.keep(int(request["number"]), request.get("note", "").strip())}
            elif wanted == "log":
                number = int(request["number"])
                name = f"{self.setup.apparatus.name}_bench_run-{number:02d}.csv"
                self._log = {**told, "name": name, "text": self.log(number)}
        except KitError as error:
            self._said = {**told, "text": error.on_page(), "problem": True}

    # --- for the page ----------------------------------------------------------------------------------------------

    def _make(self, number, value, tilt_deg=0.0, dry_hub=False, strength=0.85, fault="") -> Spin:
        settings = dict(zip(_SETTINGS, (number, value, tilt_deg, dry_hub, strength, fault), strict=True))
        same = {"number": 0, "strength": 0.0, "fault": ""}
        trial = 1 + sum({**old, **same} == {**settings, **same} for old in self._settings.values())
        self.spins[number] = push(self.setup, code=self.code, trial=trial, **settings)
        self._settings[number] = settings
        return self.spins[number]

    def _spin_of(self, number: int) -> Spin:
        if number not in self.spins:
            raise KitError("The bench has no such run", found=number, fix=f"runs so far: {len(self.spins)}")
        return self.spins[number]

    def _told(self, can_keep: bool) -> dict:
        kind, start = self.setup.apparatus, self._thresholds[0]
        return {
            "drawing": self.setup.drawing,
            # the drawings of the kit's own lessons show what is changed; of any other, words say it
            "drawn_label": self.setup.x_label if self.setup.drawing in ("wheel", "rotor", "plain") else "",
            "label": self.setup.x_label[:1].upper() + self.setup.x_label[1:],
            "values": list(kind.values),
            "top": max(kind.values),
            "whole": self.setup.whole,
            "controls": list(self.setup.controls),
            "faults": [[name, FAULTS[name]] for name in self.setup.faults],
            "surprise": SURPRISE,
            "max_tilt_deg": MAX_TILT_DEG,
            "weakest": WEAKEST,
            "start_period_s": start,
            "simulated": SIMULATED,
            "can_keep": can_keep,
        }

    def _shown(self, number: int, secret: bool = False) -> dict:
        spin, settings = self.spins[number], self._settings[number]
        fault = settings["fault"]
        told = f" In this run: {FAULTS[fault]}." if fault else ""
        if secret:
            told = " Did something go wrong? Look at the plot. The run's note and its log tell you."
        return {
            "number": number,
            "tilt_deg": settings["tilt_deg"],
            "dry_hub": settings["dry_hub"],
            **motion_for_page(spin, settings["value"]),
            "outcome": self._outcome(spin, disturbed=bool(fault)) + told,
        }

    def _outcome(self, spin: Spin, disturbed: bool = False) -> str:
        """What to say when it has come to rest; of a run that something disturbed, not what its push was like."""
        run = spin.run
        spun_s = float(run.pass_times_s[-1] - run.pass_times_s[0])
        text = (
            f"Run {run.order}: the gate logged {count_of(len(run.pass_times_s), 'pass', 'passes')} in {spun_s:.0f} s."
        )
        start, stop = self._thresholds
        if start is None or disturbed:
            return text
        status = measure([with_repairs(run)], start, stop)["status"].iloc[0]
        if status == ALREADY_SLOWER:
            return f"{text} This push was too weak: no turn was as quick as {start:g} s, where counting starts."
        if status == NEVER_SLOW_ENOUGH:
            return f"{text} The last pass came before a turn took as long as {stop:g} s, where counting stops."
        return text

    def _rows(self) -> list[dict]:
        return [
            {
                "number": number,
                "value": s["value"],
                "tilt_deg": s["tilt_deg"],
                "hub": "dry" if s["dry_hub"] else "greased",
                "strength": s["strength"],
                "trial": self.spins[number].run.trial,
                "passes": len(self.spins[number].run.pass_times_s),
                "kept": number in self.kept,
            }
            for number, s in sorted(self._settings.items())
        ]


def motion_for_page(spin: Spin, value: float) -> dict:
    """A run as bench_motion.js plays it: the motion's samples and the gate's passes, in s since the push."""
    end_s, speeds, angles = motion_samples(spin)
    at_gate_s = spin.run.pass_times_s if spin.at_gate_s is None else spin.at_gate_s
    return {
        "value": value,
        "push_s": spin.motion.push_s,
        "push_turns": spin.motion.push_turns,
        "first_turns": spin.first_pass_turns,
        "end_s": end_s,
        "speeds": speeds.astype("<f8").tobytes(),
        "angles": angles.astype("<f8").tobytes(),
        "passes": (spin.run.pass_times_s - spin.pushed_at_s).astype("<f8").tobytes(),
        "at_gate": (at_gate_s - spin.pushed_at_s).astype("<f8").tobytes(),
    }


_SETTINGS = ("number", "value", "tilt_deg", "dry_hub", "strength", "fault")
