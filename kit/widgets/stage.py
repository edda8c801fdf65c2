"""One stage of a lesson on the page: each method returns the widget of one step, tied to the group's workbook.

Nothing is computed here: numbers, tables and sentences come from `kit.lessons.progress` and `kit.lessons.claim_runs`,
which need no page. What only one step shows is imported by that step, so that a page loads no more than it shows.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import ipywidgets as widgets
import pandas as pd

from ..errors import KitError
from ..lessons.keys import level_of
from ..lessons.lesson import STAGES, Lesson
from ..lessons.progress import Progress
from ..lessons.waiting import Gate, data_gate, question_gate, text_gate
from ..record.entries import QUANTITIES, Kind, Moment
from ..record.hosting import handin_folder, idle_notice
from ..record.summary import table_rows
from ..record.workbook import Workbook
from ..wording import count_of
from .cards import (
    DataSources,
    ExplanationCard,
    ObservationBox,
    PredictionCard,
    answer_html,
    save_entries,
)
from .parts import KitBox, PlotView, Status, action, heading, html_table, note, safety_first
from .waiting import when_open

if TYPE_CHECKING:  # what a step shows is loaded by that step
    from ..lessons.claim_runs import ClaimRuns
    from ..stats.trend import Trend
    from .hand_in import HandInBox
    from .predicted_curve import PredictedCurve

__all__ = ["Stage"]

SPINS = ("measure", "investigate")  # stages in which a group may spin something: their cautions are not folded


class Stage:
    """A lesson's stage for the group that works on it.

    Parameters
    ----------
    lesson : folder that holds `lesson.toml`, or a `Lesson`.
    stage : "predict", "measure", "average", "trend", "explain" or "investigate".
    workbook : by default the lesson's own, beside the notebook.
    wait : whether steps that show data wait for what the lesson wants sealed first (`kit.lessons.waiting`).
        A teacher's pages do not wait.

    What was entered before is there again when a stage is opened. The numbers behind the widgets are
    `stage.results`, `stage.averages(...)` and `stage.trends(...)`; the tables and sentences are methods of
    `stage.progress`.

    Raises
    ------
    KitError : a folder that holds no lesson, or no such stage.
    """

    def __init__(self, lesson: Lesson | str | Path, stage: str, workbook: Workbook | None = None, wait: bool = True):
        if stage not in STAGES:
            raise KitError("There is no such stage", found=stage, fix=f"use one of: {', '.join(STAGES)}")
        self.stage = stage
        self.progress = Progress(lesson, workbook)
        self.lesson, self.workbook = self.progress.lesson, self.progress.workbook
        self._wait = wait
        self._claim_runs: dict[str, ClaimRuns] = {}  # a folder that serves several claims is read once
        self._defended: dict[str, ExplanationCard] = {}  # a new finding is offered to these cards at once

    def _of_data(self, build: Callable[[], widgets.Widget], claim_id: str = "") -> widgets.Widget:
        """What `build` makes of data, once all is sealed that comes before them."""
        return self._once_open(data_gate(self.lesson, self.workbook, self.stage, claim_id), build)

    def _once_open(self, gate: Gate, build: Callable[[], widgets.Widget]) -> widgets.Widget:
        return when_open(gate, build) if self._wait else build()

    # --- numbers --------------------------------------------------------------------------------------------------

    @property
    def results(self) -> pd.DataFrame:
        """Duration and turns of every run by the group's thresholds."""
        return self.progress.results

    def averages(self, quantity: str = "duration_s") -> pd.DataFrame:
        """One row a condition: average, spread and uncertainty."""
        return self.progress.averages(quantity)

    def trends(self, quantity: str = "duration_s") -> list[Trend]:
        """Fitted trends, best first."""
        return self.progress.trends(quantity)

    # --- every stage ----------------------------------------------------------------------------------------------

    def welcome(self) -> widgets.Widget:
        """Where the group is, what to beware of, what is saved."""
        number = STAGES.index(self.stage) + 1
        saved, stops = len(self.workbook.entries), idle_notice()
        state = "Your workbook is empty."
        if saved:
            are = "is" if saved == 1 else "are"
            state = f"Welcome back. {count_of(saved, 'entry', 'entries').capitalize()} {are} saved in your workbook."
        elif not stops:
            state += " What you save in it stays when you close this page."
        parts: list[widgets.Widget] = [note(f"Stage {number} of {len(STAGES)}. {state}")]
        parts += [note(sentence) for sentence in (*self.workbook.damage, self.workbook.obstacle) if sentence]
        if stops:
            from .hand_in import WorkbookFile

            parts += [note(stops), WorkbookFile(self.workbook, self.lesson.name)]
        if self.lesson.data_notice:
            parts.append(note(self.lesson.data_notice))
        return KitBox([*parts, *safety_first(self.lesson.safety, folded=self.stage not in SPINS)])

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

    def prediction(self, question_id: str) -> widgets.Widget:
        """The `PredictionCard` of one question: first answer, sealed; then another one after the discussion.

        It waits for another question to be sealed, if the lesson says so.
        """
        question = self.lesson.ask(question_id)
        gate = question_gate(self.lesson, self.workbook, question, self.stage)
        return self._once_open(gate, lambda: PredictionCard(question, self.workbook, self.stage))

    def final_answer(self, question_id: str) -> PredictionCard:
        """The same question once more, at the end."""
        return PredictionCard(self.lesson.ask(question_id), self.workbook, self.stage, moment=Moment.END)

    def predicted_curve(self, quantity: str = "duration_s") -> PredictedCurve:
        """Points to set: what the group expects for every condition."""
        return self._curve(quantity)

    def look_back_curve(self, quantity: str = "duration_s") -> widgets.Widget:
        """The curve the group expected, with the measured averages over it."""
        return self._of_data(lambda: self._curve(quantity, self.averages(quantity)))

    def _curve(self, quantity: str, averages: pd.DataFrame | None = None) -> PredictedCurve:
        from .predicted_curve import PredictedCurve

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
        return self._of_data(lambda: KitBox([widgets.HTML(html_table(self.progress.runs_table()))]))

    def results_table(self) -> widgets.Widget:
        """Coasting time and turns of every run, to look at. To compute with them, take `results`."""
        return self._of_data(lambda: _table(self.results))

    def sources(self) -> DataSources:
        """Whose runs count: the lesson's, the group's own, or both."""
        return DataSources(self.progress, self.stage)

    def thresholds(self) -> widgets.Widget:
        """The plot on which the group agrees where counting starts and stops."""
        return self._of_data(self._thresholds)

    def _thresholds(self) -> widgets.Widget:
        from .threshold_picker import ThresholdPicker

        start, stop, rule = self.progress.thresholds
        picker = ThresholdPicker(self.progress.curves, start, stop, rule)
        say = Status()

        def save() -> None:
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
        return KitBox([picker, keep, say])

    # --- average --------------------------------------------------------------------------------------------------

    def trials(self, quantity: str = "duration_s") -> widgets.Widget:
        """Every trial, the averages, and a way to set a trial aside with a reason."""
        return self._of_data(lambda: self._trials(quantity))

    def _trials(self, quantity: str) -> widgets.Widget:
        from .trial_table import TrialTable

        table = TrialTable(self.progress.results, self.lesson.x, quantity)
        say = Status()

        def save(change) -> None:
            before, after = change["old"], change["new"]
            for was, now in zip(before.itertuples(), after.itertuples(), strict=True):
                if was.set_aside != now.set_aside:
                    entry = {"source": now.source, "trial": int(now.trial), "reason": now.set_aside}
                    save_entries(say, self.workbook, self.stage, {Kind.SET_ASIDE: entry})

        table.observe(save, "results")
        return KitBox([table, say])

    def hand_counts(self) -> widgets.Widget:
        """Earlier counts by hand against the gate's averages, for both quantities."""
        return self._of_data(self._hand_counts)

    def averages_table(self, quantity: str = "duration_s") -> widgets.Widget:
        """Averages with their uncertainty, to look at. To compute with them, take `averages()`."""
        return self._of_data(lambda: _table(self.averages(quantity)))

    def _hand_counts(self) -> widgets.Widget:
        from .views import agreement_plot

        parts: list[widgets.Widget] = []
        for quantity, (words, unit) in QUANTITIES.items():
            found = self.progress.hand_against_gate(quantity)
            if found is None:
                return KitBox([note("This lesson has no earlier counts by hand.")])
            plot = agreement_plot(found, unit, self.lesson.x_label, ("hand", "gate"))
            parts += [heading(f"{words.capitalize()} ({unit}): by hand minus by gate"), plot, note(found.sentence)]
        return KitBox(parts)

    def comparisons(self) -> widgets.Widget:
        """Compare two averages, decide what to do, say why; all cycles so far."""
        from .comparison_log import ComparisonLog

        return self._of_data(lambda: ComparisonLog(self.progress.measured(), self.workbook, self.stage))

    # --- trend ----------------------------------------------------------------------------------------------------

    def trend(self, quantity: str = "duration_s") -> widgets.Widget:
        """Choose curves, look at what they leave over, predict a new condition. The level decides about the menu."""
        from .trend_fitter import TrendFitter

        menu = "shown" if level_of(self.lesson.level).offers_curves else "hidden"
        return self._of_data(lambda: TrendFitter(self.progress.results, x=self.lesson.x, quantity=quantity, menu=menu))

    def sensitivity(self) -> widgets.Widget:
        """The same runs counted with other thresholds: how far coasting time, turns and the exponent move."""

        def build() -> widgets.Widget:
            table = self.progress.sensitivity_table()
            return KitBox([widgets.HTML(html_table(table, "The first row is your choice."))])

        return self._of_data(build)

    # --- explain --------------------------------------------------------------------------------------------------

    def same_shape(self) -> widgets.Widget:
        """Turns divided by coasting time, against what was changed."""
        from ..plots.trials import mean_speed_figure

        def build() -> widgets.Widget:
            found, view = self.progress.same_shape(), PlotView(name="turns a second")
            view.show(mean_speed_figure(self.results, self.lesson.x), found.sentence, self.progress.speeds_table())
            return KitBox([view, note(found.sentence)])

        return self._of_data(build)

    def collapse(self) -> widgets.Widget:
        """All runs on one curve, and the ratio of turns to coasting time beside what each kind of drag implies."""
        from .views import CollapseView

        def build() -> widgets.Widget:
            runs, periods_s = self.progress.runs_that_count, self.progress.two_periods_s
            return CollapseView(runs, self.results, self.lesson.x, *periods_s)

        return self._of_data(build)

    def explore(self) -> widgets.Widget:
        """Sliders for three kinds of drag beside the measured runs."""
        from .slowdown_explorer import SlowdownExplorer

        return self._of_data(
            lambda: SlowdownExplorer(self.progress.curves, self.lesson.x, *self.progress.two_periods_s)
        )

    def two_routes(self) -> widgets.Widget:
        """What the spindle alone is worth, found from the trend and found from the slowing down."""
        from .views import TwoRoutes

        def build() -> widgets.Widget:
            runs, periods_s = self.progress.runs_that_count, self.progress.two_periods_s
            return TwoRoutes(self.results, runs, self.lesson.x, *periods_s)

        return self._of_data(build)

    def time_to_rest(self) -> widgets.Widget:
        """One run at the reference condition: its speed, the laws, and a model's estimate of when it rests."""
        from ..plots.drag_figures import speed_figure
        from ..plots.drag_text import describe_speed, rest_words, speed_numbers

        def build() -> widgets.Widget:
            best = self.progress.reference_drags()[:1]
            view = PlotView(name="the speed of this run")
            view.show(speed_figure(self.progress.reference_run(), best), describe_speed(best), speed_numbers(best))
            return KitBox([view, note(rest_words(best[0]))])

        return self._of_data(build)

    def cause(self) -> widgets.Widget:
        """What the lesson says about the cause, once the group has written what it thinks itself."""
        gate = text_gate(self.lesson, self.workbook, self.stage)
        return self._once_open(gate, lambda: KitBox([note(self.lesson.texts["explain"].strip())]))

    def look_back(self, question_id: str) -> widgets.Widget:
        """The group's answers to a question beside what was measured."""
        question = self.lesson.ask(question_id)
        answers = [entry.value for entry in self.workbook.history(Kind.PREDICTION.of(question_id))]
        shown = [widgets.HTML(answer_html(question, answer)) for answer in answers]
        if not shown:
            shown = [note("You have not answered this question yet. You can do that in stage 1.")]
        caption = "Averages ± standard uncertainty, from the spread of all conditions together"

        def build() -> widgets.Widget:
            return KitBox([widgets.HTML(html_table(self.progress.averages_table(), caption))])

        measured = self._of_data(build)
        return KitBox([heading(question.text), *shown, heading("What was measured"), measured])

    def explanation(self) -> widgets.Widget:
        """Claim, evidence, reasoning and rebuttal, with values from the data to put in."""
        return self._of_data(
            lambda: ExplanationCard(self.workbook, self.stage, tuple(self.progress.evidence_sentences()))
        )

    def hand_in(self) -> HandInBox:
        """The file for the teacher, with the results by the group's own choices."""
        from .hand_in import HandInBox

        return HandInBox(self.workbook, self.lesson.name, self.stage, self.progress.teacher_rows, handin_folder())

    # --- investigate: claims put to the test ------------------------------------------------------------------------

    def claim_runs(self, claim_id: str) -> ClaimRuns:
        """The runs behind a claim, and their numbers."""
        from ..lessons.claim_runs import ClaimRuns

        if claim_id not in self._claim_runs:
            self._claim_runs[claim_id] = ClaimRuns(self.progress, claim_id, tuple(self._claim_runs.values()))
        return self._claim_runs[claim_id]

    def claim(self, claim_id: str, at: float | None = None) -> widgets.Widget:
        """A claim against its runs and against shuffled worlds; `at`: only under this one condition.

        What was put down, and how many worlds were looked at, is saved and comes back.
        """
        from .claim_tester import KeptClaim

        def build() -> widgets.Widget:
            return KeptClaim(self.claim_runs(claim_id), self.workbook, self.stage, at, self._offer_evidence)

        return self._of_data(build, claim_id)

    def defend(self, claim_id: str) -> ExplanationCard:
        """Claim, evidence, reasoning and rebuttal for one claim, saved as `claim:ID`."""
        self._defended[claim_id] = ExplanationCard(self.workbook, self.stage, kind=Kind.CLAIM.of(claim_id))
        self._offer_evidence()
        return self._defended[claim_id]

    def _offer_evidence(self) -> None:
        from ..lessons.claim_runs import claim_evidence

        for claim_id, card in self._defended.items():
            card.offer(tuple(claim_evidence(self.progress, claim_id)))

    # --- investigate: sound -----------------------------------------------------------------------------------------

    def recordings(self, claim_id: str) -> widgets.Widget:
        """Every recording of a claim's runs, one at a time: to listen to and to look at."""
        from .sound_view import Recordings

        return self._of_data(lambda: Recordings(self.claim_runs(claim_id)), claim_id)

    def same_speed(self, claim_id: str, **setting) -> widgets.Widget:
        """Levels of two settings at equal speed: `same_speed("loud", magnets=1, hub=("greased", "dry"))`."""
        from ..plots.investigate import equal_speed_figure

        def build() -> widgets.Widget:
            found, view = self.claim_runs(claim_id).at_same_speed(**setting), PlotView(name="the comparison")
            figure = equal_speed_figure(found.table, *found.names)
            low, high = found.levels_dB
            figure.update_yaxes(range=[low - 5, high + 5])  # half a decibel must not fill the plot
            view.show(figure, found.sentence, found.numbers)
            return KitBox([view, note(found.sentence)])

        return self._of_data(build, claim_id)

    def clicks(self) -> widgets.Widget:
        """One run timed twice: by the gate, and by a phone that heard a card click once a turn."""
        from ..lessons.claim_runs import gate_and_clicks, run_name
        from .sound_view import SoundView

        def build() -> widgets.Widget:
            found = gate_and_clicks(self.progress)
            table = widgets.HTML(html_table(found.numbers, run_name(found.gate)))
            view = SoundView(found.recording, found.gate, offset_s=found.gate.sound_start_s)
            return KitBox([table, note(found.sentence), view])

        return self._of_data(build)

    # --- investigate: methods and plans -----------------------------------------------------------------------------

    def two_methods(self, quantity: str = "duration_s") -> widgets.Widget:
        """The earlier counts by hand against the gate: do both measure the same thing? Then the differences."""
        return self._of_data(lambda: self._two_methods(quantity))

    def _two_methods(self, quantity: str) -> widgets.Widget:
        from .views import AgreementView

        found = self.progress.hand_against_gate(quantity)
        if found is None:
            return KitBox([note("This lesson has no earlier counts by hand.")])
        words, unit = QUANTITIES[quantity]
        pairs = [found.pairs[name].tolist() for name in ("x", "first", "second")]
        view = AgreementView(*pairs, x_name=self.lesson.x, unit=unit)
        say, kind = Status(), Kind.SAME_THING.of(quantity)
        view.same_thing = self.workbook.latest(kind, "")

        def save(change) -> None:
            if change["new"]:
                save_entries(say, self.workbook, self.stage, {kind: change["new"]})

        view.observe(save, "same_thing")
        return KitBox([heading(f"{words.capitalize()}: by hand minus by gate"), view, say])

    def own_claim(self) -> widgets.Widget:
        """A blank plan for a claim of the group's own."""
        from .own_claim import OwnClaimCard

        def build() -> widgets.Widget:
            return OwnClaimCard(self.workbook, self.stage, self.progress.trial_spread(), self.lesson.safety)

        return self._of_data(build)

    def planner(self) -> widgets.Widget:
        """How sure the curve of stage 4 gets in how many minutes, in which order, and a sheet to print."""
        return self._of_data(self._planner)

    def _planner(self) -> widgets.Widget:
        from .own_claim import TrialPlanner

        say, kind = Status(), Kind.RUN_PLAN
        try:
            trends = self.trends("duration_s")
            if not trends:
                return KitBox([note("No curve fits your runs yet, so there is nothing to plan with.")])
            planner = TrialPlanner(trends[0], self.lesson.x, self.lesson.values, cautions=self.lesson.safety)
        except KitError as error:
            return KitBox([note(error.on_page())])
        kept = self.workbook.latest(kind)
        if kept:
            planner.set_up(kept["settings"])
            planner.show_order(pd.DataFrame(kept["order"]))

        def save(change) -> None:
            if change["new"] is not None:
                entry = {"settings": planner.settings, "order": table_rows(change["new"])}
                if save_entries(say, self.workbook, self.stage, {kind: entry}):
                    say.say(f"Saved: {count_of(len(change['new']), 'run')} in an order drawn by lot.")

        planner.observe(save, "order")
        return KitBox([planner, say])


def _table(table: pd.DataFrame) -> KitBox:
    """Numbers as they are, to three places, and nothing where there is none."""
    rounded = table.round(3).astype(object)
    return KitBox([widgets.HTML(html_table(rounded.where(table.notna(), "")))])
