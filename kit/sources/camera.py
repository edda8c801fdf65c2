"""A run from the brightness of a small field in a picture, frame by frame: lines of samples in, passes out.

One frame a line: its time in µs, a semicolon, the mean brightness of the field. A line that begins with # is a remark.
The passes are found by `kit.logs.sampled.passes_from_samples`, each time anew from all samples, since the two levels
are better known the longer it lasts; once no more will come, `sharpened` times them by the shape of all edges.
"""

from __future__ import annotations

import re
from collections import Counter
from decimal import Decimal

import numpy as np

from ..errors import KitError
from ..logs.run import Run
from ..logs.sampled import FEWEST_SAMPLES, Beam, passes_from_samples, sharpened
from ..motion.speed import speed_curve
from ..wording import count_of, number
from .gate_lines import LineReader

__all__ = ["SampleReader", "by_both_edges", "is_sampled", "within_sight"]

_SAMPLE = re.compile(rb"(\d{1,15});(\d{1,6}(?:\.\d{1,6})?)")
HEADING = b"time (us);brightness"  # the page prints it before the first sample
LONG_STEP = 1.5  # times the usual step: a frame was dropped there
BETWEEN = 0.1  # of a frame: passes so unsure mostly fell between two frames
ODD = 2.0  # times its own uncertainty: edges that scatter so much are no two flags of one smooth run


def is_sampled(data: bytes) -> bool:
    """Whether these bytes of a raw file are samples of a field, not lines of a board."""
    return any(line.strip() == HEADING for line in data[:400].splitlines())


def within_sight(pass_times_s: np.ndarray, fastest_turns_per_s: float) -> int:
    """From which pass on turns are slow enough to be seen: what comes before may be miscounted, and does not count."""
    gaps = np.diff(pass_times_s)
    usual = np.array([np.median(gaps[k : k + 3]) for k in range(len(gaps))])  # a pass found twice is no speed
    slow = np.flatnonzero(usual >= 1 / fastest_turns_per_s)
    return int(slow[0]) if len(slow) else len(pass_times_s)


def by_both_edges(moments_s: np.ndarray, u_s: np.ndarray, into: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Passes timed by the front edges of a mark, and helped by its back edges, as if they were a second flag.

    A smooth curve through all edges (`kit.speed_curve` of two unequal flags) tells how late each is. A front edge's
    lateness is averaged with that of the back edges before and after it, in a straight line between them, by their
    uncertainties. So the curve itself matters little: what both kinds of edges do stays. Where the edges scatter about
    it by more than twice what is known of them, each front edge stays as it is.

    Parameters
    ----------
    moments_s, u_s, into : (j,) from `kit.logs.sampled.sharpened`.

    Returns
    -------
    pass_times_s, u_s : (k,) s; the uncertainties allow for an edge that two passes share.
    """
    passes_s, front_u_s = moments_s[into].copy(), u_s[into].copy()
    if (into[1:] == into[:-1]).any() or (np.diff(moments_s) <= 0).any():
        return passes_s, front_u_s
    curve = speed_curve(Run(moments_s, flags_per_turn=2))
    first = len(moments_s) - len(curve.times_s)
    if not curve.usable or len(curve.fitted[0]) < len(curve.times_s) or curve.times_s[-1] != moments_s[-1]:
        return passes_s, front_u_s
    if curve.timing_sd_s > ODD * np.sqrt(np.mean(u_s**2)):
        return passes_s, front_u_s
    late_s = curve.fitted[1]
    at = 1 + np.flatnonzero(into[first + 1 : -1])  # fronts between two back edges
    t, u = moments_s[first:], u_s[first:]
    part = (t[at] - t[at - 1]) / (t[at + 1] - t[at - 1])
    back_s = (1 - part) * late_s[at - 1] + part * late_s[at + 1]
    back_var = ((1 - part) * u[at - 1]) ** 2 + (part * u[at + 1]) ** 2
    weight = u[at] ** 2 / (u[at] ** 2 + back_var)
    which = np.cumsum(into)[first + at] - 1
    passes_s[which] -= weight * (late_s[at] - back_s)
    variance = weight * back_var
    shared = np.mean(weight**2 * part * (1 - part) * back_var) / np.mean(variance)
    front_u_s[which] = np.sqrt(variance * (1 + shared) / (1 - shared))
    return passes_s, front_u_s


class SampleReader:
    """Reads samples of a beam. It can be fed and asked like a `kit.sources.gate_lines.PassReader`.

    `beam` is what was found in the samples so far, None while there are no two clear levels; `fastest_turns_per_s` up
    to which speed these samples can tell turns apart; `timing_u_s` the standard uncertainty of one pass.
    """

    changes_its_mind = True
    unit, unit_known, unit_given, main_channel = "us", True, None, ""

    def __init__(self):
        self.ended = ""
        self.beam: Beam | None = None
        self.left_out = 0  # passes that came too fast
        self._lines = LineReader()
        self._times_us: list[int] = []
        self._levels: list[float] = []
        self._passes_s, self._u_s = np.empty(0), np.empty(0)
        self._kinds: Counter[str] = Counter()
        self._why_not = ""

    @property
    def fastest_turns_per_s(self) -> float:
        """NaN while nothing is known."""
        return self.beam.fastest_turns_per_s if self.beam is not None else float("nan")

    @property
    def timing_u_s(self) -> float:
        """Root mean square over the passes that count; 0 where there are none."""
        return float(np.sqrt(np.mean(self._u_s**2))) if len(self._u_s) else 0.0

    @property
    def dropped(self) -> int:
        """Frames that are missing between others."""
        steps = np.diff(self._times_us)
        if not len(steps):
            return 0
        usual = float(np.median(steps))
        return int(np.sum(np.rint(steps[steps > LONG_STEP * usual] / usual) - 1))

    def feed(self, data: bytes) -> None:
        """Take the next bytes, however they are cut."""
        before = len(self._times_us)
        for line in self._lines.feed(data):
            self._line(line)
        if len(self._times_us) > before:
            self._find()

    def finish(self) -> None:
        """Nothing more will come."""
        self._lines.finish()
        found = None if self.beam is None else sharpened(1e-6 * np.array(self._times_us), self._levels, self.beam)
        if found is not None:
            passes_s, u_s = by_both_edges(*found)
            self._passes_s, self._u_s = passes_s[self.left_out :], u_s[self.left_out :]

    def times_s(self) -> np.ndarray:
        """(n,) passes that count, s."""
        return self._passes_s

    def counts(self) -> list[Decimal]:
        """The same in µs."""
        return [Decimal(round(1e6 * t)) for t in self._passes_s]

    def report(self) -> tuple[str, ...]:
        """How it was found, up to which speed, and what was odd."""
        said = []
        if self.beam is None:
            said.append(self._why_not or "No frame has come.")
        else:
            step_s = self.beam.step_s
            dark = "darker" if self.beam.blocked == "low" else "brighter"
            said.append(
                f"The mark is {dark} than the rest: {self.beam.low:.0f} and {self.beam.high:.0f} of 255, cut "
                f"halfway. With {number(1 / step_s, 3)} frames a second and this mark, turns can be told apart up to "
                f"{number(self.fastest_turns_per_s, 2)} a second."
            )
            sure = f"A pass is known to ± {number(1e3 * self.timing_u_s, 2)} ms (standard uncertainty)."
            if self.timing_u_s > BETWEEN * step_s:
                sure += " Most edges fall between two frames: a wider field, a fifth of a turn, makes it surer."
            said.append(sure)
        if self.left_out:
            said.append(
                f"{count_of(self.left_out, 'pass', 'passes').capitalize()} at the start came faster; not counted."
            )
        if self.dropped:
            said.append(
                f"{count_of(self.dropped, 'frame').capitalize()} dropped on the way; the others keep their times."
            )
        if self._kinds["odd"]:
            said.append(f"{count_of(self._kinds['odd'], 'line').capitalize()} could not be read.")
        if self._kinds["late"]:
            said.append(
                f"{count_of(self._kinds['late'], 'frame').capitalize()} not later than the one before; left out."
            )
        return tuple(said)

    def _line(self, line: bytes | None) -> None:
        if line is None or not line or line.startswith(b"#"):
            self._kinds["odd"] += line is None
            return
        found = _SAMPLE.fullmatch(line.strip())
        if found is None:
            self._kinds["odd"] += not line.startswith(b"time")
            return
        time_us = int(found[1])
        if self._times_us and time_us <= self._times_us[-1]:
            self._kinds["late"] += 1
            return
        self._times_us.append(time_us)
        self._levels.append(float(found[2]))

    def _find(self) -> None:
        if len(self._times_us) < FEWEST_SAMPLES:
            return
        try:
            passes, beam = passes_from_samples(1e-6 * np.array(self._times_us), self._levels, ramps=True)
        except KitError as error:
            self._why_not = f"{error} Place the field where the mark passes, and see that it lights up or darkens."
            return
        self.beam, self.left_out = beam, within_sight(passes, beam.fastest_turns_per_s)
        self._passes_s, self._u_s = passes[self.left_out :], beam.pass_u_s[self.left_out :]
