"""One stage of a lesson on the page: each method returns the widget of one step, tied to the group's workbook."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..analysis import sensitivity
from ..errors import KitError
from ..lessons.cells import MADE_STAGES
from ..lessons.keys import level_of
from ..lessons.lesson import STAGES, Lesson
from ..lessons.progress import Progress
from ..motion.threshold import common_stop
from ..record.entries import QUANTITIES, Kind, Moment
from ..record.hosting import handin_folder, idle_notice
from ..record.summary import table_rows
from ..record.workbook import Workbook
from ..stats.averages import compare_methods
from ..stats.verdict import same_shape
from ..wording import condition_value, plus_minus
from .cards import DataSources, ExplanationCard, ObservationBox, PredictionCard, answer_html, save_entries
from .comparison_log import ComparisonLog
from .hand_in import HandInBox, WorkbookFile
from .parts import Status, action, heading, html_table, note, safety_first
from .predicted_curve import PredictedCurve
from .stage_investigate import InvestigateSteps
from .views import PlotView

__all__ = ["Stage"]


class Stage(InvestigateSteps):
    """A lesson's stage for the group that works on it.

    Parameters
    ----------
    lesson : folder that holds `lesson.toml`, or a `Lesson`.
    stage : "predict", "measure", "average", "trend", "explain" or "investigate".
    workbook : by default the lesson's own, beside the notebook.

    What was entered before is there again when a stage is opened. The numbers behind the widgets are
    `stage.results`, `stage.averages(...)` and `stage.trends(...)`.
    """

    def __init__(self, lesson: Lesson | str | Path, stage: str, workbook: Workbook | None = None):
        if stage not in STAGES:
            raise KitError("There is no such stage", found=stage, fix=f"use one of: {', '.join(STAGES)}")
        self.stage = stage
        self.progress = Progress(lesson, workbook)
        self.lesson, self.workbook = self.progress.lesson, self.progress.workbook

    # --- numbers --------------------------------------------------------------------------------------------------

    @property
    def results(self) -> pd.DataFrame:
        """Duration and turns of every run by the group's thresholds."""
        return self.progress.results

    def averages(self, quantity: str = "duration_s") -> pd.DataFrame:
        """One row a condition: average, spread and uncertainty."""
        return self.progress.averages(quantity)

    def trends(self, quantity: str = "duration_s"):
        """Fitted trends, best first."""
        return self.progress.trends(quantity)

    # --- every stage ----------------------------------------------------------------------------------------------

    def welcome(self) -> widgets.Widget:
        """Where the group is, what to beware of, what is saved."""
        number = STAGES.index(self.stage) + 1
        saved = len(self.workbook.entries)
        state = (
            f"Welcome back. {saved} {'entry is' if saved == 1 else 'entries are'} saved in your workbook."
            if saved
            else "Your workbook is empty."
        )
        stops = idle_notice()
        if not saved and not stops:
            state += " What you save in it stays when you close this page."
        parts = [note(f"Stage {number} of {len(MADE_STAGES)}. {state}")]
        parts += [note(sentence) for sentence in self.workbook.damage]
        if stops:
            parts += [note(stops), WorkbookFile(self.workbook, self.lesson.name)]
        if self.lesson.data_notice:
            parts.append(note(self.lesson.data_notice))
        parts += safety_first(self.lesson.safety)
        return _box(*parts)

    def observation(self, topic: str, ask: str = "What do you see?") -> ObservationBox:
        """A box for what the group sees, in its own words."""
        return ObservationBox(self.workbook, self.stage, topic, ask)

    def own_question(self) -> ObservationBox:
        """A box for the question that the group asks itself, in an open lesson."""
        return ObservationBox(self.workbook, self.stage, "question", "Your question:", "Save my question")

    def plan(self) -> ObservationBox:
        """A box for how the group wants to find out, where the lesson gives no procedure."""
        return ObservationBox(self.workbook, self.stage, "plan", "Your plan:", "Save my plan")

    # --- predict --------------------------------------------------------------------------------------------------

    def prediction(self, question_id: str) -> PredictionCard:
        """The card of one question: first answer, sealed; then another one after the discussion."""
        return PredictionCard(self.lesson.ask(question_id), self.workbook, self.stage)

    def final_answer(self, question_id: str) -> PredictionCard:
        """The same question once more, at the end."""
        return PredictionCard(self.lesson.ask(question_id), self.workbook, self.stage, moment=Moment.END)

    def predicted_curve(self, quantity: str = "duration_s") -> PredictedCurve:
        """Points to set: what the group expects for every condition."""
        return self._curve(quantity)

    def _curve(self, quantity: str, averages: pd.DataFrame | None = None) -> PredictedCurve:
        words, unit = QUANTITIES[quantity]
        return PredictedCurve(
            self.lesson.values,
            self.workbook,
            self.stage,
            quantity,
            x_label=self.lesson.x_label,
            y_label=f"{words} ({unit})",
            unit=unit,
            y_max=self.lesson.expected_up_to[quantity],
            averages=averages,
        )

    # --- measure --------------------------------------------------------------------------------------------------

    def runs_table(self) -> widgets.Widget:
        """All runs: passes logged, and what was found odd in them."""
        rows = []
        for run in self.progress.runs:
            bounces = sum(r.passes for r in run.repairs if r.kind == "bounce")
            missed = sum(r.passes for r in run.repairs if r.kind == "missed")
            rows.append(
                {
                    self.lesson.x_label: condition_value(run.conditions.get(self.lesson.x, "")),
                    "trial": run.trial,
                    "passes logged": len(run.pass_times_s),
                    "logged twice": bounces,
                    "missed": missed,
                    "origin": run.origin,
                    "file": run.source,
                    "note": run.set_aside or run.note,
                }
            )
        table = pd.DataFrame(rows).sort_values([self.lesson.x_label, "trial"], key=_as_numbers)
        return _box(widgets.HTML(html_table(table)))

    def sources(self) -> DataSources:
        """Whose runs count: the lesson's, the group's own, or both."""
        return DataSources(self.progress, self.stage)

    def thresholds(self) -> widgets.Widget:
        """The plot on which the group agrees where counting starts and stops."""
        from .threshold_picker import ThresholdPicker

        start, stop, rule = self.progress.thresholds
        picker = ThresholdPicker(self.progress.curves, start, stop, rule)
        say = Status()

        def save():
            chosen = {
                "start_period_s": picker.start_period_s,
                "stop_period_s": picker.stop_period_s,
                "rule": picker.rule,
            }
            refused: dict[str, list[int]] = {}
            for run, repair in picker.refused_repairs:
                refused.setdefault(picker.runs[run].source, []).append(repair)
            if save_entries(say, self.workbook, self.stage, {Kind.THRESHOLD: chosen, Kind.REFUSED_REPAIRS: refused}):
                say.say(f"Saved. Every run now counts from {picker.start_period_s:g} s a turn.")

        keep = action("Use these thresholds", save, tooltip="Save them for the next stages")
        return _box(picker, keep, say)

    # --- average --------------------------------------------------------------------------------------------------

    def trials(self, quantity: str = "duration_s") -> widgets.Widget:
        """Every trial, the averages, and a way to set a trial aside with a reason."""
        from .trial_table import TrialTable

        table = TrialTable(self.progress.results, self.lesson.x, quantity)
        say = Status()

        def save(change):
            before, after = change["old"], change["new"]
            for was, now in zip(before.itertuples(), after.itertuples(), strict=True):
                if was.set_aside != now.set_aside:
                    entry = {"source": now.source, "trial": int(now.trial), "reason": now.set_aside}
                    save_entries(say, self.workbook, self.stage, {Kind.SET_ASIDE: entry})

        table.observe(save, "results")
        return _box(table, say)

    def hand_counts(self) -> widgets.Widget:
        """Earlier counts by hand against the gate's averages, for both quantities."""
        from ..plots.trials import agreement_figure

        counts = self.lesson.hand_counts()
        if counts is None:
            return _box(note("This lesson has no earlier counts by hand."))
        parts = []
        for quantity, (words, unit) in QUANTITIES.items():
            pairs = self.averages(quantity)[[self.lesson.x, "mean"]].merge(counts[[self.lesson.x, quantity]])
            found = compare_methods(pairs[self.lesson.x], pairs[quantity], pairs["mean"], unit)
            shown = pd.DataFrame(
                {
                    self.lesson.x_label: pairs[self.lesson.x].map(condition_value),
                    "by hand": pairs[quantity].map("{:.4g}".format),
                    "gate": pairs["mean"].map("{:.4g}".format),
                    "difference": found.pairs["difference"].map("{:+.2g}".format),
                }
            )
            view = PlotView(name="the differences")
            view.show(agreement_figure(found, unit, first="hand", second="gate"), found.sentence, shown)
            parts += [heading(f"{words.capitalize()} ({unit}): by hand minus by gate"), view, note(found.sentence)]
        return _box(*parts)

    def comparisons(self) -> ComparisonLog:
        """Compare two averages, decide what to do, say why; all cycles so far."""
        return ComparisonLog(self.progress.measured(), self.workbook, self.stage)

    # --- trend ----------------------------------------------------------------------------------------------------

    def trend(self, quantity: str = "duration_s") -> widgets.Widget:
        """Choose curves, look at what they leave over, predict a new condition. The level decides about the menu."""
        from .trend_fitter import TrendFitter

        menu = "shown" if level_of(self.lesson.level).offers_curves else "hidden"
        return TrendFitter(self.progress.results, x=self.lesson.x, quantity=quantity, menu=menu)

    def sensitivity(self) -> widgets.Widget:
        """The same runs counted with other thresholds: how far duration, turns and the exponent move."""
        start, stop, rule = self.progress.thresholds
        pairs = [(start, stop), (start * 1.2, stop), (start * 1.4, stop)]
        if stop is not None:
            pairs += [(start, stop * 0.8), (start, stop * 0.6)]
        table = sensitivity(self.progress.curves, pairs, self.lesson.x, rule)
        shown = pd.DataFrame(
            {
                "start (s a turn)": table["start_period_s"].map("{:.3g}".format),
                "stop (s a turn)": table["stop_period_s"].map(lambda s: "last pass" if pd.isna(s) else f"{s:.3g}"),
                "runs counted": table["counted"],
                "mean coasting time (s)": table["mean_duration_s"].map("{:.2f}".format),
                "mean turns": table["mean_turns"].map("{:.1f}".format),
                "exponent p, time": _intervals(table, "duration_p"),
                "exponent p, turns": _intervals(table, "turns_p"),
            }
        )
        return _box(widgets.HTML(html_table(shown, "The first row is your choice.")))

    # --- explain --------------------------------------------------------------------------------------------------

    def same_shape(self) -> widgets.Widget:
        """Turns divided by coasting time, against what was changed."""
        from ..plots.trials import mean_speed_figure

        counted = self.progress.counted
        found = same_shape(counted[self.lesson.x], counted["duration_s"], counted["turns"])
        speeds = (counted["turns"] / counted["duration_s"]).map("{:.3f}".format)
        numbers = pd.DataFrame(
            {
                self.lesson.x_label: counted[self.lesson.x].map(condition_value),
                "trial": counted["trial"],
                "turns a second": speeds,
            }
        )
        view = PlotView(name="turns a second")
        view.show(mean_speed_figure(self.results, self.lesson.x), found.sentence, numbers)
        return _box(view, note(found.sentence))

    def collapse(self) -> widgets.Widget:
        """All runs on one curve, and the ratio of turns to duration beside what each kind of drag implies."""
        from .views import CollapseView

        start, stop = self._between_two_speeds()
        return CollapseView(self._runs(), self.results, self.lesson.x, start, stop)

    def explore(self) -> widgets.Widget:
        """Sliders for three kinds of drag beside the measured runs."""
        from .slowdown_explorer import SlowdownExplorer

        return SlowdownExplorer(self.progress.curves, self.lesson.x, *self._between_two_speeds())

    def two_routes(self) -> widgets.Widget:
        """What the spindle alone is worth, found from the trend and found from the slowing down."""
        from .views import TwoRoutes

        return TwoRoutes(self.results, self._runs(), self.lesson.x, *self._between_two_speeds())

    def time_to_rest(self) -> widgets.Widget:
        """One run at the reference condition: its speed, the laws, and a model's estimate of when it rests."""
        from ..motion.drag_fit import coasting_passes, fit_drags
        from ..plots.drag_figures import speed_figure
        from ..plots.drag_text import describe_speed, rest_words, speed_numbers

        run = next(r for r in self._runs() if r.conditions[self.lesson.x] == self.lesson.reference)
        fits = fit_drags(*coasting_passes(run), run.flags_per_turn)
        view = PlotView(name="the speed of this run")
        view.show(speed_figure(run, fits[:1]), describe_speed(fits[:1]), speed_numbers(fits[:1]))
        return _box(view, note(rest_words(fits[0])))

    def _runs(self) -> list:
        """Runs that count, with the group's repairs."""
        aside = self.progress.set_aside
        return [curve.run for curve in self.progress.curves if curve.run.source not in aside]

    def _between_two_speeds(self) -> tuple[float, float]:
        """The group's thresholds; where it counted to the last pass, the lesson's stop, since laws need two speeds."""
        start, stop, _ = self.progress.thresholds
        return start, stop or self.lesson.stop_period_s or common_stop(self.progress.curves)

    def hand_in(self) -> HandInBox:
        """The file for the teacher, with the results by the group's own choices."""
        return HandInBox(self.workbook, self.lesson.name, self.stage, self._for_the_teacher, handin_folder())

    def _for_the_teacher(self) -> dict:
        best = [trend for quantity in QUANTITIES for trend in self.trends(quantity)[:1]]
        return {
            Kind.RESULTS: table_rows(self.results),
            Kind.AVERAGES: table_rows(self.averages("duration_s")),
            Kind.FITS: [
                {"quantity": quantity, "model": trend.model, "equation": trend.equation()}
                for quantity, trend in zip(QUANTITIES, best, strict=True)
            ],
        }

    def look_back(self, question_id: str) -> widgets.Widget:
        """The group's answers to a question beside what was measured."""
        question = self.lesson.ask(question_id)
        answers = [entry.value for entry in self.workbook.history(Kind.PREDICTION.of(question_id))]
        shown = [widgets.HTML(answer_html(question, answer)) for answer in answers]
        if not shown:
            shown = [note("You have not answered this question yet. You can do that in stage 1.")]
        return _box(heading(question.text), *shown, heading("What was measured"), self._measured())

    def look_back_curve(self, quantity: str = "duration_s") -> PredictedCurve:
        """The curve the group expected, with the measured averages over it."""
        return self._curve(quantity, self.averages(quantity))

    def _measured(self) -> widgets.Widget:
        duration, turns = self.averages("duration_s"), self.averages("turns")
        table = pd.DataFrame(
            {
                self.lesson.x_label: duration[self.lesson.x].map(condition_value),
                "coasting time": _with_u(duration, "s"),
                "number of turns": _with_u(turns, ""),
            }
        )
        return widgets.HTML(html_table(table, "Averages ± standard uncertainty, scatter of all conditions pooled"))

    def explanation(self) -> ExplanationCard:
        """Claim, evidence, reasoning and rebuttal, with values from the data to put in."""
        return ExplanationCard(self.workbook, self.stage, tuple(self._evidence()))

    def _evidence(self):
        for quantity, (words, unit) in QUANTITIES.items():
            averages = self.averages(quantity)
            for row in (averages.iloc[0], averages.iloc[-1]):
                value = plus_minus(row["mean"], row["pooled_u"], unit)
                yield f"{self.lesson.x_words} {condition_value(row[self.lesson.x])}: {words} {value}"
        for trend in self.trends("duration_s")[:1]:
            yield f"coasting time: {trend.model}, {trend.equation()}"


def _box(*parts: widgets.Widget) -> widgets.VBox:
    box = widgets.VBox(parts)
    box.add_class("kit-box")
    return box


def _as_numbers(column: pd.Series) -> pd.Series:
    return pd.to_numeric(column, errors="coerce")


def _intervals(table: pd.DataFrame, name: str) -> list[str]:
    bounds = table[[name, f"{name}_low", f"{name}_high"]].itertuples(index=False)
    return [f"{value:.3f} ({low:.3f} to {high:.3f})" for value, low, high in bounds]


def _with_u(averages: pd.DataFrame, unit: str) -> list[str]:
    return [plus_minus(m, u, unit) for m, u in zip(averages["mean"], averages["pooled_u"], strict=True)]
