"""Where a group stands in a lesson: what the workbook remembers, applied to the lesson's data and the group's own runs.

Every number the notebooks show comes from here, and can be had without a widget:

    progress = Progress("datasets_demo/coasting_disc")
    progress.results, progress.averages("turns"), progress.trends("duration_s")
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from html import escape
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from ..analysis import Analysis
from ..errors import KitError
from ..logs.run import Run
from ..motion.drag_fit import DragFit, coasting_passes, fit_drags
from ..motion.speed import Curves, SpeedCurve, speed_curves
from ..motion.threshold import common_stop
from ..record.entries import QUANTITIES, Kind
from ..record.summary import table_rows
from ..record.workbook import Workbook, default_path
from ..stats.averages import Agreement, Measured, compare_methods, pooled_scatter
from ..stats.shape import SameShape
from ..stats.trend import Trend
from ..wording import condition_place, condition_value, count_of, join_words, plus_minus
from .lesson import Lesson, load_lesson
from .own_runs import LESSON, ORIGINS, OwnRuns

__all__ = ["USUAL", "Progress", "Thresholds", "by_condition"]

#: How an apparatus stands unless a run says otherwise. A run made in another way answers another question.
USUAL: dict[str, float | str] = {"tilt_deg": 0.0, "hub": "greased"}


class Thresholds(NamedTuple):
    """The agreed choice of where counting starts and stops."""

    start_period_s: float
    stop_period_s: float | None
    rule: str


class Progress:
    """A lesson together with the workbook of the group that works on it.

    Parameters
    ----------
    lesson : a `Lesson`, or the folder that holds `lesson.toml`.
    workbook : a `Workbook`; by default the lesson's own beside the notebooks (`workbooks/<lesson>.jsonl`).

    Raises
    ------
    KitError : a lesson that cannot be read.

    Examples
    --------
    >>> import tempfile, kit
    >>> folder = tempfile.TemporaryDirectory()
    >>> workbook = kit.Workbook(f"{folder.name}/disc.jsonl")
    >>> progress = kit.Progress("datasets_demo/coasting_disc", workbook)
    >>> progress
    Progress(The coasting disc: 21 runs, 0 entries saved, counted from 0.25 to 1 s a turn)
    >>> progress.thresholds.rule
    'interpolated'
    >>> folder.cleanup()
    """

    def __init__(self, lesson: Lesson | str | Path, workbook: Workbook | None = None):
        self.lesson = lesson if isinstance(lesson, Lesson) else load_lesson(lesson)
        self.workbook = workbook or Workbook(default_path(self.lesson.name))
        self._curves_as_read: dict[str, SpeedCurve] = {}  # smoothed once, however often they are asked for
        self._refused_curves: dict[tuple, SpeedCurve] = {}
        self._curves = speed_curves(())
        self._analysed: tuple[tuple, Analysis] | None = None  # by what, and what came out

    def __repr__(self) -> str:
        saved = count_of(len(self.workbook.entries), "entry", "entries")
        return (
            f"Progress({self.lesson.title}: {count_of(len(self.runs), 'run')}, {saved} saved, counted {self._counted})"
        )

    def _repr_html_(self) -> str:
        """Where the group stands: whose runs count and how, what is set aside, what is saved."""
        aside = [f"{source}: {reason}" for source, reason in self.set_aside.items()]
        origins = [{LESSON: "the lesson", **ORIGINS}[source] for source in self.sources]
        rows = {
            "runs": f"{len(self.runs)}, from {join_words(origins)}",
            "counted": f"{self._counted}, {self.thresholds.rule}",
            "set aside": "; ".join(aside) or "none",
            "saved": f"{count_of(len(self.workbook.entries), 'entry', 'entries')} in {self.workbook.path.name}",
        }
        body = "".join(f"<tr><th>{escape(head)}</th><td>{escape(text)}</td></tr>" for head, text in rows.items())
        return f"<p><b>{escape(self.lesson.title)}</b></p><table><tbody>{body}</tbody></table>"

    @property
    def _counted(self) -> str:
        start, stop, _ = self.thresholds
        return f"from {start:g} s a turn to the last pass" if stop is None else f"from {start:g} to {stop:g} s a turn"

    @property
    def x(self) -> str:
        """The column of the results that says what was changed."""
        return self.lesson.x

    @cached_property
    def lesson_runs(self) -> list[Run]:
        """The lesson's runs as read, every found repair accepted."""
        return [replace(run, origin=LESSON) for run in self.lesson.runs()]

    @cached_property
    def own(self) -> OwnRuns:
        """The runs the group made itself."""
        return OwnRuns(self.workbook)

    @property
    def sources(self) -> tuple[str, ...]:
        """Whose runs count: `LESSON` and keys of `ORIGINS`. The lesson's, unless the group chose."""
        return tuple(self.workbook.latest(Kind.SOURCES, [LESSON]))

    def use_sources(self, stage: str, *sources: str) -> None:
        """Choose whose runs count, from now on and in every stage.

        Raises
        ------
        KitError : no source, an unknown one, or one that has no runs yet.
        """
        made = self.own.counts()
        for source in sources:
            if source != LESSON and source not in made:
                fix = "make a run first" if source in ORIGINS else f"use {', '.join((LESSON, *ORIGINS))}"
                raise KitError("There are no runs from this source", found=source, fix=fix)
        if not sources:
            raise KitError("Choose at least one source of runs")
        self.workbook.add(stage, Kind.SOURCES, list(sources))

    @property
    def runs(self) -> list[Run]:
        """The runs of the chosen sources as read, every found repair accepted."""
        sources = self.sources
        lessons = self.lesson_runs if LESSON in sources else []
        return [*lessons, *(run for run in self.own.runs if run.origin in sources)]

    @property
    def curves(self) -> Curves:
        """Speed curves of all runs, with the group's refused repairs applied."""
        curves = self.curves_of(self.runs)
        if self._curves != curves:  # the same ones keep what has been worked out of them together
            self._curves = curves
        return self._curves

    def curves_of(self, runs: Sequence[Run]) -> Curves:
        """Speed curves of some runs of the lesson or of the group, with the group's refused repairs applied."""
        refused = self.workbook.latest(Kind.REFUSED_REPAIRS, {})
        return speed_curves(
            [
                self._with_refused(curve, refused[curve.run.source]) if refused.get(curve.run.source) else curve
                for curve in self._as_read(runs)
            ]
        )

    @property
    def lesson_curves(self) -> tuple[SpeedCurve, ...]:
        """Speed curves of the lesson's own runs as read, whichever runs count: the same for all groups."""
        return self._as_read(self.lesson_runs)

    def _as_read(self, runs: Sequence[Run]) -> tuple[SpeedCurve, ...]:
        new = [run for run in runs if run.source not in self._curves_as_read]
        self._curves_as_read |= {curve.run.source: curve for curve in speed_curves(new)} if new else {}
        return tuple(self._curves_as_read[run.source] for run in runs)

    def _with_refused(self, curve: SpeedCurve, indices) -> SpeedCurve:
        key = (curve.run.source, tuple(indices))
        if key not in self._refused_curves:
            run = curve.run.accepting(*range(len(curve.run.repairs))).refusing(*indices)
            self._refused_curves[key] = speed_curves([run])[0]
        return self._refused_curves[key]

    @property
    def thresholds(self) -> Thresholds:
        """The group's thresholds, or the lesson's suggestion while the group has chosen none."""
        chosen = self.workbook.latest(Kind.THRESHOLD)
        if chosen is None:
            return Thresholds(self.lesson.start_period_s, self.lesson.stop_period_s, self.lesson.rule)
        return Thresholds(chosen["start_period_s"], chosen["stop_period_s"], chosen["rule"])

    @property
    def moved_words(self) -> str:
        """What to mind where the group counts between other speeds than the lesson's questions and hand counts do.

        Empty while it counts as the lesson suggests; the rule does not matter here.
        """
        lesson, (start, stop, _) = self.lesson, self.thresholds
        if (start, stop) == (lesson.start_period_s, lesson.stop_period_s):
            return ""
        yours, asked = _stretch(start, stop), _stretch(lesson.start_period_s, lesson.stop_period_s)
        return (
            f"You count from {yours}. The lesson itself counts from {asked}, so its times and turns are of another "
            "stretch. Compare how they change, not how large they are."
        )

    @property
    def set_aside(self) -> dict[str, str]:
        """Reasons of the runs now set aside, by source: the data folder's own and the group's.

        A run whose apparatus did not stand as usual is set aside too, until the group takes it back.
        """
        reasons = {run.source: run.set_aside or self._unusual(run) for run in self.runs}
        for entry in self.workbook.history(Kind.SET_ASIDE):
            reasons[entry.value["source"]] = entry.value["reason"]
        return {source: reason for source, reason in reasons.items() if reason}

    def _unusual(self, run: Run) -> str:
        found = [
            f"{name} {run.conditions[name]}" for name in USUAL if run.conditions.get(name, USUAL[name]) != USUAL[name]
        ]
        return f"made under other conditions: {', '.join(found)}" if found else ""

    @property
    def analysis(self) -> Analysis:
        """The runs analysed by the group's own choices; made again only when one of these, or the runs, changed."""
        curves, thresholds, reasons = self.curves, self.thresholds, self.set_aside
        choices = (curves, thresholds, tuple(sorted(reasons.items())))
        if self._analysed is None or self._analysed[0] != choices:
            made = Analysis(curves, *thresholds, x=self.x, set_aside=reasons, title=self.lesson.title)
            self._analysed = choices, made
        return self._analysed[1]

    @property
    def results(self) -> pd.DataFrame:
        """Duration and turns of every run by the group's thresholds, as `kit.measure` returns them."""
        return self.analysis.results.copy()  # a table to keep and change, without harm to the analysis

    @property
    def counted(self) -> pd.DataFrame:
        """The results that enter averages and trends."""
        return self.analysis.counted

    def averages(self, quantity: str = "duration_s") -> pd.DataFrame:
        """One row a condition, as `kit.average` returns it."""
        return self.analysis.averages(quantity).copy()

    def trends(self, quantity: str = "duration_s") -> list[Trend]:
        """Trends of the counted trials, best first; none where nothing can be fitted."""
        return self.analysis.trends(quantity)

    def measured(self) -> list[Measured]:
        """The averages of both quantities, each with its standard uncertainty from the pooled scatter."""
        return [
            Measured(f"{words}, {self.lesson.x_words} {row[self.x]:g}", row["mean"], row["pooled_u"], unit)
            for quantity, (words, unit) in QUANTITIES.items()
            for _, row in self.averages(quantity).iterrows()
            if row["pooled_u"] > 0
        ]

    # --- what the stages show: tables in words and sentences, each to be had without a widget ----------------------

    @property
    def runs_that_count(self) -> list[Run]:
        """The runs that are not set aside, with the group's repairs."""
        aside = self.set_aside
        return [curve.run for curve in self.curves if curve.run.source not in aside]

    @property
    def two_periods_s(self) -> tuple[float, float]:
        """Start and stop turn period, s, for what needs two speeds, such as a drag law.

        The group's thresholds. Where it counts to the last pass: the lesson's stop, or the slowest that all runs reach.
        """
        start, stop, _ = self.thresholds
        return start, stop or self.lesson.stop_period_s or common_stop(self.curves)

    def runs_table(self) -> pd.DataFrame:
        """One row a run: condition, trial, passes logged, what was found odd in them, where it comes from."""
        runs = sorted(self.runs, key=lambda run: (condition_place(run.conditions.get(self.x)), run.trial))
        return pd.DataFrame(
            {
                self.lesson.x_label: [condition_value(run.conditions.get(self.x, "")) for run in runs],
                "trial": [run.trial for run in runs],
                "passes logged": [len(run.pass_times_s) for run in runs],
                "logged twice": [_passes_in(run, "bounce") for run in runs],
                "something else": [_passes_in(run, "foreign") for run in runs],
                "missed": [_passes_in(run, "missed") for run in runs],
                "origin": [run.origin for run in runs],
                "file": [run.source for run in runs],
                "note": [run.set_aside or run.note for run in runs],
            }
        )

    def sensitivity(self) -> pd.DataFrame:
        """The same runs counted with thresholds near the group's own, see `kit.Analysis.sensitivity`."""
        return self.analysis.sensitivity()

    def sensitivity_table(self) -> pd.DataFrame:
        """`sensitivity()` rounded, with headings in words."""
        table = self.sensitivity()
        return pd.DataFrame(
            {
                "start (s a turn)": table["start_period_s"].map("{:.3g}".format),
                "stop (s a turn)": ["last pass" if pd.isna(s) else f"{s:.3g}" for s in table["stop_period_s"]],
                "runs counted": table["counted"],
                "average coasting time (s)": table["mean_duration_s"].map("{:.2f}".format),
                "average turns": table["mean_turns"].map("{:.1f}".format),
                "exponent p, time": _intervals(table, "duration_p"),
                "exponent p, turns": _intervals(table, "turns_p"),
            }
        )

    def hand_against_gate(self, quantity: str = "duration_s") -> Agreement | None:
        """The lesson's earlier counts by hand against the gate's averages, pair by pair; None if there are none."""
        counts = self.lesson.hand_counts()
        if counts is None:
            return None
        pairs = self.averages(quantity)[[self.x, "mean"]].merge(counts[[self.x, quantity]])
        x, by_hand, by_gate = (pairs[name].tolist() for name in (self.x, quantity, "mean"))
        return compare_methods(x, by_hand, by_gate, QUANTITIES[quantity][1])

    def same_shape(self) -> SameShape:
        """Do coasting time and turns follow one shape?

        Raises
        ------
        KitError : they can't be compared, and why.
        """
        found = self.analysis.same_shape
        if found is None:
            raise KitError(self.analysis.conclusion("same_shape"))
        return found

    def speeds_table(self) -> pd.DataFrame:
        """One row a counted run: condition, trial, turns divided by coasting time."""
        counted = by_condition(self.counted, self.x)
        return pd.DataFrame(
            {
                self.lesson.x_label: counted[self.x].map(condition_value),
                "trial": counted["trial"],
                "turns a second": (counted["turns"] / counted["duration_s"]).map("{:.3f}".format),
            }
        )

    def reference_run(self, condition: float | None = None) -> Run:
        """The first run that counts at a condition, by default the lesson's reference.

        Raises
        ------
        KitError : there is none.
        """
        wanted = self.lesson.reference if condition is None else condition
        found = [run for run in self.runs_that_count if run.conditions.get(self.x) == wanted]
        if not found:
            raise KitError(
                f"No run counts at {self.lesson.x_words} {wanted:g}",
                fix="use a source of runs that has one, or take one back that was set aside",
            )
        return found[0]

    def reference_drags(self, condition: float | None = None) -> list[DragFit]:
        """The drag laws fitted to the passes of `reference_run(condition)`, best first.

        Raises
        ------
        KitError : there is no such run, or it has too few passes.
        """
        run = self.reference_run(condition)
        return fit_drags(*coasting_passes(run), run.flags_per_turn)

    def trial_spread(self) -> float:
        """Spread of the coasting times of single trials, as a fraction, pooled over all conditions; NaN if unknown."""
        counted = self.counted
        return pooled_scatter(counted["duration_s"].tolist(), counted[self.x].tolist())[0]

    def averages_table(self) -> pd.DataFrame:
        """One row a condition: both averages, each ± its standard uncertainty, the spread of all conditions pooled."""
        duration, turns = self.averages("duration_s"), self.averages("turns")
        return pd.DataFrame(
            {
                self.lesson.x_label: duration[self.x].map(condition_value),
                "coasting time": _with_u(duration, "s"),
                "number of turns": _with_u(turns, ""),
            }
        )

    def evidence_sentences(self) -> list[str]:
        """Values to argue with: both averages at the first and the last condition, and the best trend of the time."""
        said = []
        for quantity, (words, unit) in QUANTITIES.items():
            averages = self.averages(quantity)
            for row in (averages.iloc[0], averages.iloc[-1]):
                value = plus_minus(row["mean"], row["pooled_u"], unit)
                said.append(f"{self.lesson.x_words} {condition_value(row[self.x])}: {words} {value}")
        for trend in self.trends("duration_s")[:1]:
            said.append(f"coasting time: {trend.model}, {trend.equation()}")
        return said

    def teacher_rows(self) -> dict[str, list[dict]]:
        """What a hand-in says of the results: `results` and `averages` as rows, `fits` the best trend of each."""
        best = [(quantity, trend) for quantity in QUANTITIES for trend in self.trends(quantity)[:1]]
        return {
            Kind.RESULTS: table_rows(self.results),
            Kind.AVERAGES: table_rows(self.averages("duration_s")),
            Kind.FITS: [
                {"quantity": quantity, "model": trend.model, "equation": trend.equation()} for quantity, trend in best
            ],
        }


def _passes_in(run: Run, kind: str) -> int:
    """How many passes the repairs of one kind are about."""
    return sum(repair.passes for repair in run.repairs if repair.kind == kind)


def by_condition(results: pd.DataFrame, x: str) -> pd.DataFrame:
    """A table of runs in the order in which people read it: by condition, then by trial."""
    places = [(condition_place(value), trial) for value, trial in zip(results[x], results["trial"], strict=True)]
    return results.iloc[sorted(range(len(results)), key=places.__getitem__)].reset_index(drop=True)


def _stretch(start_s: float, stop_s: float | None) -> str:
    return f"{start_s:g} s a turn to {'the last pass' if stop_s is None else f'{stop_s:g} s a turn'}"


def _intervals(table: pd.DataFrame, name: str) -> list[str]:
    bounds = table[[name, f"{name}_low", f"{name}_high"]].itertuples(index=False)
    return [f"{value:.3f} ({low:.3f} to {high:.3f})".replace("-", "−") for value, low, high in bounds]


def _with_u(averages: pd.DataFrame, unit: str) -> list[str]:
    return [plus_minus(mean, u, unit) for mean, u in zip(averages["mean"], averages["pooled_u"], strict=True)]
