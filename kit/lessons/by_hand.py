"""What a group does by eye and by hand beside the kit: the first pass of a count, a drawn graph, a run counted itself.

Entries of a workbook in, plain values out; the same functions read the hand-ins of a class. A hand-in is a stranger's
file, so what has not the form stated here is passed over.

    first_pass           {"source": file of the run, "start_period_s", "pass": whole number, "member": 1 to 4,
                          "after_look": whether the clicks were on the page already}
    first_pass:looked    {"source", "start_period_s"}
    hand_graph:QUANTITY  {"x": [...], "points": [... or null], "curve_x": [...], "curve": [... or null]}
    own_count            see `CountedPair`
    own_count:left_out   {"count": which one, from 1, "reason": text}
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd

from ..errors import KitError
from ..logs.run import Run, counted_passes
from ..motion.speed import speed_curve
from ..motion.threshold import measure
from ..record.entries import QUANTITIES, Entry, Kind
from ..record.workbook import Workbook
from ..sources.taps import tapped_run
from ..stats.averages import COUNTED, Agreement, Measured, compare_methods
from ..stats.trend import Trend
from ..wording import DASH, condition_place, condition_value, interval, number, plus_minus, short
from .progress import Progress

__all__ = [
    "LEFT_OUT",
    "LOOKED",
    "MEMBERS",
    "SAME_PASSES",
    "STRETCHES",
    "THRESHOLDS",
    "WHOLE_LOG",
    "CountedPair",
    "against_earlier",
    "bent_through",
    "clicks_of",
    "count_by_thresholds",
    "count_of_taps",
    "curve_places",
    "drawn_beside_fitted",
    "kept_pairs",
    "own_agreement",
    "own_measured",
    "pair_sentences",
    "pairs_table",
]

MEMBERS = 4  # of a group, each with a click of its own
LOOKED = Kind.FIRST_PASS.of("looked")
LEFT_OUT = Kind.OWN_COUNT.of("left_out")

# --- once by eye ---------------------------------------------------------------------------------------------------


def clicks_of(entries: Iterable[Entry], source: str, start_period_s: float, passes: int) -> dict[int, int]:
    """Which pass each member of a group chose before the clicks were shown: {member: pass}; the latest counts.

    Parameters
    ----------
    source, start_period_s : the run's file and the turn period (s) it was for.
    passes : how many passes the run has; a click beyond is none.
    """
    found: dict[int, int] = {}
    for entry in entries:
        value = entry.value
        if entry.kind != Kind.FIRST_PASS or not isinstance(value, dict) or value.get("after_look") is not False:
            continue
        member, chosen = value.get("member"), value.get("pass")
        if type(member) is not int or type(chosen) is not int or value.get("source") != source:
            continue
        if value.get("start_period_s") == start_period_s and 1 <= member <= MEMBERS and 1 <= chosen <= passes:
            found[member] = chosen
    return dict(sorted(found.items()))


# --- a graph by hand -----------------------------------------------------------------------------------------------

_STEPS = 8  # places of a drawn curve from one condition to the next


def curve_places(values: Sequence[float], low: float, high: float) -> list[float]:
    """Where a drawn curve is kept: at every condition, at seven places between two, and on to both ends of the axis."""
    stops = sorted({float(value) for value in values} | {float(low), float(high)})
    places = [np.linspace(a, b, _STEPS, endpoint=False) for a, b in pairwise(stops)]
    return [*np.concatenate(places).tolist(), stops[-1]]


def bent_through(
    places: Sequence[float], heights: Sequence[float | None], values: Sequence[float], at: float, height: float | None
) -> list[float | None]:
    """A drawn curve after its height at one condition was typed: it bends smoothly to the conditions beside it.

    Between two conditions that both have a height the curve follows the cubic that overshoots at none of them
    (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17, 238). What was bent like that before is bent anew; what was drawn
    with the pointer further away stays as it is.

    Parameters
    ----------
    places, heights : the curve, as in `curve_places`; None where nothing is drawn.
    values : the conditions.
    at, height : the condition and its new height; None rubs the curve out between it and the next ones.
    """
    x, stops = np.asarray(places, float), np.array(sorted(values), float)
    y = np.array([nan if h is None else h for h in heights], float)
    on = np.array([np.argmin(np.abs(x - stop)) for stop in stops])
    k = int(np.argmin(np.abs(stops - at)))
    before = _smooth(x, stops, y[on])
    y[on[k]] = nan if height is None else height
    after = _smooth(x, stops, y[on])
    for left, (a, b) in enumerate(pairwise(on)):
        within = slice(a + 1, b)
        if k in (left, left + 1) or np.allclose(y[within], before[within], rtol=1e-3):
            y[within] = after[within] if np.isfinite(y[[a, b]]).all() else nan
    return [float(h) if isfinite(h) else None for h in y]


def _smooth(x: np.ndarray, stops: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """The smooth curve through the stops that have a height, at the places x; NaN outside them."""
    from scipy.interpolate import PchipInterpolator

    there = np.isfinite(heights)
    if there.sum() < 2:
        return np.full(len(x), nan)
    heights = PchipInterpolator(stops[there], heights[there], extrapolate=False)(x)
    return np.array([float(f"{height:.5g}") for height in heights])  # more digits would only fill the workbook


def drawn_beside_fitted(
    drawing: dict, averages: pd.DataFrame, trends: Sequence[Trend], names: Sequence[str]
) -> pd.DataFrame:
    """A graph by hand beside what was measured and fitted: one row a condition, numbers with headings in words.

    Parameters
    ----------
    drawing : {"x", "points", "curve_x", "curve"}, as it is kept.
    averages : table of `kit.average`.
    trends, names : fitted curves and what they are called here.

    Returns
    -------
    DataFrame: the condition's own column, "average", "my point", "my curve", and one column a fitted curve; NaN where
    nothing was placed or drawn.
    """
    x = averages.iloc[:, 0].astype(float).to_numpy()
    points = dict(zip(drawing["x"], drawing["points"], strict=True))
    places = np.array(drawing["curve_x"], float)
    heights = np.array([nan if h is None else h for h in drawing["curve"]], float)
    mine = [points.get(value) for value in x]
    table = {
        averages.columns[0]: x,
        "average": averages["mean"].to_numpy(),
        "my point": [nan if value is None else value for value in mine],
        "my curve": np.interp(x, places, heights, left=nan, right=nan),  # NaN beside what was not drawn
    }
    return pd.DataFrame(table | {name: trend(x) for name, trend in zip(names, trends, strict=True)})


# --- a count of one's own ------------------------------------------------------------------------------------------

SAME_PASSES = "same passes"  # the gate's passes next to the first and the last tap
THRESHOLDS = "thresholds"  # what the gate counts between the group's two turn periods
WHOLE_LOG = "whole log"  # from the first pass of the gate to the last one

_FOLLOWS = 0.25  # of a turn: taps that scatter by more about the gate's passes do not follow it turn by turn

STRETCHES = {
    SAME_PASSES: "from your first tap to your last",
    THRESHOLDS: "between the two turn periods",
    WHOLE_LOG: "from the first pass to the last",
}


@dataclass(frozen=True)
class CountedPair:
    """One run counted twice: by the group with eye and watch, and by the gate. Kept as an entry `own_count`."""

    x: float  # the condition
    run: str  # which run it was
    stretch: str  # one of STRETCHES: what the gate's numbers are for
    turns: float
    duration_s: float
    u_s: float | None  # standard uncertainty of the watch's time, if known
    gate_turns: float
    gate_duration_s: float
    gate_u_s: float | None

    def __post_init__(self):
        for name, words in (("turns", "count of turns"), ("duration_s", "time on the watch")):
            if not (isfinite(getattr(self, name)) and getattr(self, name) > 0):
                raise KitError(f"The {words} must be above zero", found=getattr(self, name), fix="count once more")
        if self.u_s is not None and not self.u_s > 0:
            raise KitError("An uncertainty must be above zero", found=self.u_s, fix="leave it empty if you don't know")

    def entry(self) -> dict:
        """What the workbook keeps."""
        return asdict(self)

    def both(self, quantity: str) -> tuple[float, float, float]:
        """The condition, the value by hand and the one by the gate, of "duration_s" or "turns"."""
        return self.x, getattr(self, quantity), getattr(self, f"gate_{quantity}")

    def difference(self, quantity: str) -> float:
        """By hand minus by the gate, in the unit of the quantity ("duration_s" or "turns")."""
        _, by_hand, by_gate = self.both(quantity)
        return by_hand - by_gate


def count_of_taps(run: Run, x: float, taps_s: Sequence[float], turns: float, name: str) -> CountedPair:
    """A run tapped along, one tap a turn, beside the same stretch of the gate's log.

    The watch runs from the first tap to the last. The gate's numbers are those from the pass that belongs to the first
    tap to the pass that belongs to the last. Where the taps follow the gate turn by turn, that is told by all of them:
    the passes to which they are most evenly late. Else (a turn missed or tapped twice, or only a start and a stop) it
    is the pass next in time. The uncertainty of the watch's time is √2 times the scatter of the taps about a smooth
    curve, where there are enough taps for one; that of the gate likewise.

    Parameters
    ----------
    run : the gate's log.
    taps_s : (n,) times of the taps on the log's clock, s.
    turns : how many turns were counted; with one tap a turn, n − 1.

    Raises
    ------
    KitError : fewer than two taps, a count that is not above zero, or taps so close that the gate has no turn in them.
    """
    taps = np.sort(np.asarray(taps_s, dtype=float))
    if len(taps) < 2:
        raise KitError("A count needs two taps or more", found=len(taps), fix="tap at the start and at each turn")
    times_s, angles = counted_passes(run)
    first, last = _passes_of(times_s, angles, taps)
    if last <= first:
        raise KitError("The gate saw no whole turn while you counted", fix="start to count while it still turns")
    by_hand = tapped_run(taps) if len(taps) - 1 == turns else None  # else the taps are only a start and a stop
    gate_u, hand_u = _scatter_s(run), _scatter_s(by_hand)
    return CountedPair(
        float(x),
        name,
        SAME_PASSES,
        float(turns),
        float(taps[-1] - taps[0]),
        hand_u,
        float(angles[last] - angles[first]),
        float(times_s[last] - times_s[first]),
        gate_u,
    )


def _passes_of(times_s: np.ndarray, angles: np.ndarray, taps: np.ndarray) -> tuple[int, int]:
    """The passes (places in the log) that belong to the first and the last tap, see `count_of_taps`."""
    first, last = (int(np.argmin(np.abs(times_s - tap))) for tap in taps[[0, -1]])
    fits = []
    for begin in range(round(angles[first]) - 2, round(angles[first]) + 3):
        turns = begin + np.arange(len(taps))
        if angles[0] <= turns[0] and turns[-1] <= angles[-1]:
            late = taps - np.interp(turns, angles, times_s)
            fits.append((float(late.std()), begin))
    if len(taps) > 3 and fits and min(fits)[0] < _FOLLOWS * np.median(np.diff(taps)):
        begin = min(fits)[1]
        first, last = (int(np.argmin(np.abs(angles - at))) for at in (begin, begin + len(taps) - 1))
    return first, last


def count_by_thresholds(
    run: Run,
    x: float,
    turns: float,
    duration_s: float,
    u_s: float | None,
    start_period_s: float,
    stop_period_s: float | None,
    stretch: str = THRESHOLDS,
    rule: str = "interpolated",
) -> CountedPair:
    """A run of a real apparatus counted with a watch, beside the gate's log of it.

    Parameters
    ----------
    turns, duration_s, u_s : what was counted and read off the watch, and its standard uncertainty if known.
    start_period_s, stop_period_s, rule : how the gate counts, for the stretch "thresholds".
    stretch : "thresholds" or "whole log".

    Raises
    ------
    KitError : values that are not above zero, an unknown stretch, or a log that does not pass both turn periods.
    """
    if stretch == WHOLE_LOG:
        times_s, angles = counted_passes(run)
        u = _scatter_s(run)
        gate = float(angles[-1] - angles[0]), float(times_s[-1] - times_s[0]), u
    elif stretch == THRESHOLDS:
        row = measure([run], start_period_s, stop_period_s, rule).iloc[0]
        if row["status"] != COUNTED:
            raise KitError(f"The gate can't count this run: {row['status']}", fix="compare the whole log")
        gate = float(row["turns"]), float(row["duration_s"]), float(row["duration_u_s"])
    else:
        raise KitError("The stretch is not known", found=stretch, fix=f'use "{THRESHOLDS}" or "{WHOLE_LOG}"')
    return CountedPair(float(x), run.source or "run", stretch, float(turns), float(duration_s), u_s, *gate)


def _scatter_s(run: Run | None) -> float | None:
    """√2 times the scatter of a run's passes or taps about a smooth curve: the uncertainty of one duration from two."""
    curve = None if run is None else speed_curve(run)
    return sqrt(2) * float(curve.timing_sd_s) if curve is not None and curve.usable and curve.timing_sd_s > 0 else None


def kept_pairs(workbook: Workbook, left_out: bool = False) -> dict[int, CountedPair]:
    """The group's own counts by their number, from 1, those left out among them only if asked for."""
    out = reasons_left_out(workbook)
    pairs = {}
    for n, entry in enumerate(workbook.history(Kind.OWN_COUNT), 1):
        try:
            pairs[n] = CountedPair(**entry.value)
        except (TypeError, KitError):  # made by another version: it stays in the workbook
            continue
    return {n: pair for n, pair in pairs.items() if left_out or n not in out}


def reasons_left_out(workbook: Workbook) -> dict[int, str]:
    """Why counts are left out, by their number."""
    values = [entry.value for entry in workbook.history(LEFT_OUT)]
    return {value["count"]: value["reason"] for value in values if isinstance(value, dict) and "count" in value}


def pairs_table(workbook: Workbook, x_label: str) -> pd.DataFrame:
    """All own counts in words, one row each, by condition."""
    out, pairs = reasons_left_out(workbook), kept_pairs(workbook, left_out=True)
    return pd.DataFrame(
        [
            {
                "count": str(n),
                x_label: condition_value(pair.x),
                "turns, by you": short(pair.turns),
                "turns, by the gate": short(pair.gate_turns),
                "time, by you (s)": f"{pair.duration_s:.2f}" if not pair.u_s else plus_minus(pair.duration_s, pair.u_s),
                "time, by the gate (s)": f"{pair.gate_duration_s:.2f}",
                "time, you − gate (s)": f"{pair.difference('duration_s'):+.2f}".replace("-", "−"),
                "what the gate counts": STRETCHES.get(pair.stretch, pair.stretch),
                "left out, because": out.get(n, DASH),
            }
            for n, pair in sorted(pairs.items(), key=lambda item: (condition_place(item[1].x), item[0]))
        ]
    )


def pair_sentences(pair: CountedPair) -> tuple[str, ...]:
    """One count beside the gate's in plain words."""
    off_s, off = pair.difference("duration_s"), pair.difference("turns")
    same = pair.stretch == SAME_PASSES
    counted = f"{short(pair.turns)} turns in {pair.duration_s:.2f} s"
    gate = f"{short(pair.gate_turns)} turns in {pair.gate_duration_s:.2f} s"
    where = "over the same stretch" if same else STRETCHES.get(pair.stretch, pair.stretch)
    said = [f"You counted {counted}. The gate counted {gate}, {where}."]
    if abs(off) < 0.5:
        said.append("Both have the same number of turns.")
    else:
        turns = "one turn" if short(abs(off)) == "1" else f"{short(abs(off))} turns"
        said.append(f"You have {turns} {'more' if off > 0 else 'fewer'} than the gate.")
    apart, more = f"{abs(off_s):.2f}", "more" if off_s > 0 else "less"
    equal = "Your watch and the gate show the same time, to a hundredth of a second."
    said.append(equal if apart == "0.00" else f"Your watch shows {apart} s {more} than the gate.")
    if not same:
        said.append("Do both count the same stretch of the run? If not, part of this is no slip.")
    return tuple(said)


def own_measured(progress: Progress) -> list[Measured]:
    """The times of a group's own counts and of the gate, as values to compare, where both uncertainties are known."""
    found = []
    for n, pair in kept_pairs(progress.workbook).items():
        if pair.u_s and pair.gate_u_s:
            words = f"own count {n}, {progress.lesson.x_words} {condition_value(pair.x)}"
            found.append(Measured(f"{words}, by you", pair.duration_s, pair.u_s, "s"))
            found.append(Measured(f"{words}, by the gate", pair.gate_duration_s, pair.gate_u_s, "s"))
    return found


def own_agreement(pairs: Iterable[CountedPair], quantity: str = "duration_s") -> Agreement | None:
    """What the group's own pairs say of the two methods, of those over the same passes; None for fewer than three."""
    same = [pair.both(quantity) for pair in pairs if pair.stretch == SAME_PASSES]
    if len(same) < 3:
        return None
    x, by_hand, by_gate = zip(*same, strict=True)
    return compare_methods(x, by_hand, by_gate, QUANTITIES[quantity].unit)


def against_earlier(found: Agreement, pairs: Iterable[CountedPair], quantity: str, x_words: str) -> tuple[str, ...]:
    """Where own counts lie beside the range in which the earlier pairs expect one further difference."""
    low, high = found.next_range
    unit = QUANTITIES[quantity].unit
    said = []
    for pair in pairs:
        off = pair.difference(quantity)
        inside = "lies in" if low <= off <= high else "lies outside"
        said.append(
            f"Your own count ({x_words} {condition_value(pair.x)}) differs by {number(off, 2)} {unit} from the gate. "
            f"That {inside} the range for one further pair, {interval(low, high, unit)}."
        )
    return tuple(said)
