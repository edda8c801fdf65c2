"""A disc that slows down by laws you set: sliders for three kinds of drag, the model's curve beside the measured runs.

slowdown_explorer.js is the page, slowdown_plot.js its drawing. The page draws the model's curve by itself, by simple
integration, so that it follows a slider within a frame; every number that is written comes from here, by the closed
forms. Each value has one owner: the choices are `spindle`, `added`, `count`, the two thresholds and `quantity`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import anywidget
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..logs.run import Run
from ..motion.drag import TURN, DragLaw
from ..motion.drag_joint import JointDrag, joint_fit
from ..motion.explain import times_reached, turn_speeds
from ..motion.speed import SpeedCurve, speed_curves
from ..motion.threshold import COUNTED, check_thresholds, common_start, common_stop, measure
from ..plots.drag_text import KINDS, compared_words, fitted_words, laws_table
from ..stats.averages import average, counting
from ..wording import DASH, case_of, count_of, name_of, number, plus_minus
from .parts import BadChoice, Details, KitBox, Status, action, front_end, row_of

__all__ = ["SlowdownExplorer"]

MAX_POINTS = 200  # of a run on the screen
QUANTITIES = ("duration_s", "turns")


class SlowdownPage(anywidget.AnyWidget):
    """The page of a `SlowdownExplorer`: its choices as traits, and what it is told. Coefficients are in SI.

    `spindle`: a, b, c of the apparatus alone; `added`: what each unit of `count` adds to them.
    """

    _esm = front_end("make.js", "page_parts.js", "slowdown_plot.js", "slowdown_explorer.js")
    _css = front_end("slowdown_explorer.css")

    spindle = t.List(t.Float()).tag(sync=True)
    added = t.List(t.Float()).tag(sync=True)
    count = t.Float().tag(sync=True)
    start_period_s = t.Float().tag(sync=True)
    stop_period_s = t.Float().tag(sync=True)
    quantity = t.Unicode("duration_s").tag(sync=True)

    _words = t.Dict().tag(sync=True)
    _kinds = t.List(t.Dict()).tag(sync=True)
    _limits = t.Dict().tag(sync=True)
    _runs = t.List(t.Dict()).tag(sync=True)
    _measured = t.Dict().tag(sync=True)
    _answer = t.Dict().tag(sync=True)

    @t.validate("spindle", "added")
    def _check_drag(self, proposal):
        values = proposal["value"]
        if len(values) != 3 or not all(math.isfinite(v) and v >= 0 for v in values):
            raise BadChoice("Drag needs three numbers ≥ 0", found=values, fix="drag only slows")
        return values

    @t.validate("count")
    def _check_count(self, proposal):
        if not (math.isfinite(proposal["value"]) and proposal["value"] >= 0):
            raise BadChoice("This must be a number ≥ 0", found=proposal["value"], fix="type 0 or more")
        return proposal["value"]

    @t.validate("start_period_s", "stop_period_s")
    def _check_thresholds(self, proposal):
        chosen = {"start_period_s": self.start_period_s, "stop_period_s": self.stop_period_s}
        chosen[proposal["trait"].name] = proposal["value"]
        try:
            check_thresholds(**chosen)
        except KitError as error:
            raise BadChoice(error.problem, found=error.found, fix=error.fix) from error
        return proposal["value"]

    @t.validate("quantity")
    def _check_quantity(self, proposal):
        if proposal["value"] not in QUANTITIES:
            raise BadChoice("There is no such quantity", found=proposal["value"], fix=f"use one of: {QUANTITIES}")
        return proposal["value"]


class SlowdownExplorer(KitBox):
    """Set a law of slowing down and see its speed curve, duration and turns beside the measured runs.

    Parameters
    ----------
    runs : the runs of one lesson, or the curves that `kit.speed_curves` made of them. Those set aside stay out.
    x : the condition that was changed; numbers ≥ 0.
    start_period_s, stop_period_s : turn periods between which is counted, s; None: what all runs share.

    `page` holds the choices as traits (see `SlowdownPage`). `law` is the model's law at the chosen condition,
    `results` the table of `kit.measure` for the chosen thresholds, `joint` the fit of all laws to all runs
    once the button was pressed (or `fit()` called). It starts with a model of one kind, constant rubbing, that
    is right only for the duration of the first condition: something to improve.

    Raises
    ------
    KitError : no run with enough passes, a condition that is not a number ≥ 0, or thresholds not 0 < start < stop.
    """

    def __init__(
        self,
        runs: Sequence[Run | SpeedCurve],
        x: str = "magnets",
        start_period_s: float | None = None,
        stop_period_s: float | None = None,
    ):
        self.x = x
        self.curves = [curve for curve in speed_curves(_checked(runs, x)) if curve.usable and not curve.run.set_aside]
        shared = common_start(self.curves), common_stop(self.curves)
        start, stop = start_period_s or shared[0], stop_period_s or shared[1]
        check_thresholds(start, stop)
        self.joint: JointDrag | None = None
        self._measured_for: tuple | None = None
        self._reached_for: tuple | None = None
        values = sorted({float(curve.run.conditions[x]) for curve in self.curves})
        first = next((value for value in values if value > 0), 0.0)
        self._measure(start, stop)
        simple, reach = self._constant_rubbing(first, start, stop), self._reach(start, stop)
        self.page = SlowdownPage(
            spindle=[0.0, 0.0, 0.0] if first > 0 else [simple, 0.0, 0.0],
            added=[simple / first, 0.0, 0.0] if first > 0 else [0.0, 0.0, 0.0],
            count=first,
            start_period_s=start,
            stop_period_s=stop,
            _words={"x": name_of(x), "one": case_of(x, 1).removeprefix("1 "), "label": name_of(x).capitalize()},
            _kinds=[
                {**kind._asdict(), "spindle_to": top, "added_to": each}
                for kind, top, each in zip(KINDS, *reach, strict=True)
            ],
            _limits={
                "fastest": min(shared[0], start),
                "slowest": max(shared[1], stop),
                "count": values[-1],
                "whole": all(value == round(value) for value in values),
            },
            _runs=[_drawing(curve, x) for curve in self.curves],
            _measured=self._means(),
        )
        self._as_it_was = {name: getattr(self.page, name) for name in ("spindle", "added")}
        self._say, self._laws = Status(), Details(summary="All seven laws, and how much the data support each")
        self._laws.layout.display = "none"
        self._numbers = Details(summary="Show the numbers of both plots")
        self._moments = Details(summary="Show the speed at each time")
        fit = action("Show the law that fits all runs best", self.fit)
        again = action("Set the drag back", self.start_again)
        super().__init__([self.page, row_of(fit, again), self._say, self._laws, self._numbers, self._moments])
        self._answer()
        names = ["spindle", "added", "count", "start_period_s", "stop_period_s"]
        self.page.observe(lambda _: self._answer(), names)

    @property
    def law(self) -> DragLaw:
        """The model's law at the chosen condition."""
        return self.law_at(self.page.count)

    def law_at(self, count: float) -> DragLaw:
        """The model's law at any condition."""
        return DragLaw(*(np.array(self.page.spindle) + count * np.array(self.page.added)))

    @property
    def results(self) -> pd.DataFrame:
        """Duration and turns of every run between the chosen thresholds."""
        return self._results

    def fit(self) -> None:
        """Fit all laws to all runs, set the sliders to the best one, and say what it is, with intervals."""
        try:
            self.joint = self.joint or joint_fit([curve.run for curve in self.curves], self.x)
        except KitError as error:
            self._say.error(error)
            return
        lines = self.joint.lines.set_index("coefficient")
        columns = [[float(lines[name].get(term, 0.0)) for term in "abc"] for name in ("at_zero", "slope")]
        self._set_drag(*columns)
        self._say.say(*fitted_words(self.joint))
        self._laws.show(
            ["Δ is a difference of AICc, which charges for every extra kind of drag. Above 7 it is clear."],
            laws_table(self.joint),
        )
        self._laws.layout.display = None

    def start_again(self) -> None:
        """Set the drag back to where it was at the beginning."""
        self._set_drag(**self._as_it_was)
        self._say.say("The drag is as it was at the start.")
        self._laws.layout.display = "none"

    def _set_drag(self, spindle: list[float], added: list[float]) -> None:
        with self.page.hold_trait_notifications():
            self.page.spindle, self.page.added = spindle, added

    # --- what is measured -------------------------------------------------------------------------------------

    def _measure(self, start: float, stop: float) -> None:
        """Measure every run between two thresholds, unless that was done last."""
        if self._measured_for != (start, stop):
            self._results = measure(self.curves, start, stop)
            self._averages = {}
            if counting(self._results).any():
                self._averages = {q: average(self._results, self.x, q).set_index(self.x) for q in QUANTITIES}
            self._measured_for = (start, stop)

    def _mean(self, quantity: str, count: float) -> tuple[float, float, int]:
        """Mean of a condition, its standard uncertainty (scatter of all conditions), number of runs."""
        table = self._averages.get(quantity)
        if table is None or count not in table.index:
            return math.nan, math.nan, 0
        place = list(table.index).index(count)
        return float(table["mean"].iloc[place]), float(table["pooled_u"].iloc[place]), int(table["n"].iloc[place])

    def _means(self) -> dict:
        """Condition, mean and the ends of its 95 % interval, for the page's second plot."""
        return {
            quantity: [
                [at, mean, *_ends(mean, low, high)]
                for at, mean, low, high in _floats(table, "mean", "pooled_low", "pooled_high")
            ]
            for quantity, table in self._averages.items()
        }

    def _constant_rubbing(self, count: float, start: float, stop: float) -> float:
        """The constant drag that gives the mean duration of a condition, rad/s²; of any condition if it has none."""
        mean = self._mean("duration_s", count)[0]
        if not math.isfinite(mean):
            durations = self._results.loc[self._results["status"] == COUNTED, "duration_s"]
            mean = float(durations.mean()) if len(durations) else 10.0
        return (TURN / start - TURN / stop) / mean

    def _reach(self, start: float, stop: float) -> tuple[list[float], list[float]]:
        """How far the sliders go: half as much again as one kind of drag alone would need for any duration measured."""
        table = self._averages.get("duration_s")
        means = {1.0: 10.0} if table is None else {row[0]: row[1] for row in _floats(table, "mean")}
        fast, slow = TURN / start, TURN / stop
        alone, each = [], []
        for kind in KINDS:
            unit = float(DragLaw(**{kind.term: 1.0}).duration(fast, slow))
            needed = {at: unit / mean for at, mean in means.items()}
            alone.append(1.5 * min(needed.values()))
            each.append(1.5 * max(value / (at or 1.0) for at, value in needed.items()))
        return alone, each

    # --- what the page is told --------------------------------------------------------------------------------

    def _answer(self) -> None:
        page = self.page
        before = self._measured_for
        self._measure(page.start_period_s, page.stop_period_s)
        if before != self._measured_for:
            page._measured = self._means()
        asked = {n: getattr(page, n) for n in ("spindle", "added", "count", "start_period_s", "stop_period_s")}
        if asked == page._answer.get("asked"):
            return
        fast, slow = TURN / page.start_period_s, TURN / page.stop_period_s
        law = self.law
        model = {
            "duration": float(law.duration(fast, slow)),
            "turns": float(law.angle(fast, slow)) / TURN,
            "mean speed": float(law.mean_speed(fast, slow)) / TURN,
        }
        duration, turns = (self._mean(q, page.count) for q in QUANTITIES)
        page._answer = {
            "asked": asked,
            "cards": [
                ["Coasting time", _measured_words(duration, "s"), _model_words(model["duration"], "s")],
                ["Turns", _measured_words(turns, "turns"), _model_words(model["turns"], "turns")],
                ["Turns ÷ coasting time", *self._ratio_words(page.count, model)],
            ],
            "sentences": self._sentences(model, duration, turns),
        }
        self._show_tables(fast, slow)

    def _show_tables(self, fast: float, slow: float) -> None:
        """The numbers of both plots: the means of all conditions, and when this condition passed some speeds."""
        rows = []
        for count in sorted(self._averages.get("duration_s", pd.DataFrame()).index):
            law = self.law_at(count)
            duration, turns = (self._mean(q, count) for q in QUANTITIES)
            rows.append(
                {
                    self.page._words["label"]: f"{count:g}",
                    "coasting time measured": _measured_words(duration, "s"),
                    "coasting time, model": _model_words(float(law.duration(fast, slow)), "s"),
                    "turns measured": plus_minus(turns[0], turns[1]) if turns[2] else "no run",
                    "turns, model": _model_words(float(law.angle(fast, slow)) / TURN, "").strip(),
                }
            )
        self._numbers.show(["After ± stands one standard uncertainty."], pd.DataFrame(rows))
        speeds, reached = self._moments_of(self.page.count, fast / TURN, slow / TURN)
        law = self.law
        self._moments.show(
            [f"{case_of(self.x, self.page.count)}. Measured: the average of its runs."],
            pd.DataFrame(
                {
                    "turns a second": [f"{speed:.3g}" for speed in speeds],
                    "measured after (s)": [_or_dash(time) for time in reached],
                    "model after (s)": [
                        _or_dash(float(law.duration(fast, TURN * s)) if s < speeds[0] else 0.0) for s in speeds
                    ],
                }
            ),
        )

    def _moments_of(self, count: float, fastest: float, slowest: float) -> tuple[np.ndarray, np.ndarray]:
        """Six speeds from one threshold to the other, turns/s, and when the runs of a condition reached them, s."""
        key = (count, fastest, slowest)
        if self._reached_for != key:  # a drag slider changes the law only
            speeds = np.linspace(fastest, slowest, 6)
            curves = [curve for curve in self.curves if curve.run.conditions[self.x] == count]
            self._reached, self._reached_for = (speeds, times_reached(curves, speeds)), key
        return self._reached

    def _ratio_words(self, count: float, model: dict) -> tuple[str, str]:
        counted = self._results[counting(self._results) & (self._results[self.x] == count)]
        ratio = counted["turns"] / counted["duration_s"]
        measured = f"{ratio.mean():.3f} turns/s" if len(ratio) else "no run"
        return measured, f"{model['mean speed']:.3f} turns/s" if math.isfinite(model["mean speed"]) else DASH

    def _sentences(self, model: dict, duration: tuple, turns: tuple) -> list[str]:
        case = case_of(self.x, self.page.count)
        if not duration[2]:
            value = number(model["duration"]) if math.isfinite(model["duration"]) else None
            says = (
                f"The model says {value} s and {number(model['turns'])} turns"
                if value
                else "The model never gets there"
            )
            return [f"No run with {case} was counted. {says}: this is its prediction, not tested."]
        sentences = [compared_words("coasting time", model["duration"], duration[0], duration[1])]
        if math.isfinite(model["duration"]):
            sentences.append(compared_words("turns", model["turns"], turns[0], turns[1]))
        return [f"{case}, {count_of(duration[2], 'run')}.", *sentences]


def _checked(runs, x: str):
    if len(runs) == 0:
        raise KitError("There are no runs to show", fix="read a folder of gate logs first")
    for run in runs:
        run = run.run if isinstance(run, SpeedCurve) else run
        value = run.conditions.get(x)
        if isinstance(value, str) or value is None or not 0 <= value < math.inf:
            raise KitError(
                f"Every run needs a number ≥ 0 for {x}", file=run.source or None, found=value, fix="mend runs.csv"
            )
    return runs


def _drawing(curve: SpeedCurve, x: str) -> dict:
    """One run for the page: its smooth speed (to find where it crosses a threshold) and every turn as measured."""
    since = curve.times_s - curve.times_s[0]
    middle, speed = turn_speeds(curve.times_s, TURN * curve.turns, curve.run.flags_per_turn)
    return {
        "at": float(curve.run.conditions[x]),
        "smooth": _packed(since, 1 / curve.period_s),
        "turns": _packed(middle - curve.times_s[0], speed),
    }


def _packed(times_s, speeds) -> bytes:
    """Times (s), then speeds (turns/s), as 32-bit floats: for drawing only."""
    keep = np.unique(np.linspace(0, len(times_s) - 1, min(len(times_s), MAX_POINTS)).astype(int))
    return np.concatenate([times_s[keep], speeds[keep]]).astype("<f4").tobytes()


def _floats(table: pd.DataFrame, *columns: str) -> list[list[float]]:
    """One row a condition: the condition, then the columns, as plain numbers."""
    return [
        [float(value) for value in row] for row in table.reset_index()[[str(table.index.name), *columns]].to_numpy()
    ]


def _ends(mean: float, low: float, high: float) -> list[float]:
    return [float(low), float(high)] if math.isfinite(low) and math.isfinite(high) else [float(mean), float(mean)]


def _or_dash(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) else DASH


def _measured_words(mean: tuple[float, float, int], unit: str) -> str:
    return plus_minus(mean[0], mean[1], unit) if mean[2] else "no run"


def _model_words(value: float, unit: str) -> str:
    return f"{number(value)} {unit}" if math.isfinite(value) else "never ends"
