"""One stage of a lesson on the page: each method returns the widget of one step, tied to the group's workbook.

Nothing is computed here: numbers, tables and sentences come from `kit.lessons.progress` and `kit.lessons.claim_runs`,
which need no page. What only one step shows is imported by that step, so that a page loads no more than it shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import ipywidgets as widgets
import pandas as pd

from ..errors import KitError
from ..lessons.by_hand import own_measured
from ..lessons.keys import level_of
from ..lessons.lesson import STAGES, Lesson, load_lesson
from ..lessons.paths import DAY, path_of, spread_values
from ..lessons.progress import Progress
from ..lessons.tables import averages_in_words, one_run_words, results_in_words, timing_in_words
from ..lessons.waiting import Gate, data_gate, question_gate, run_gate, text_gate
from ..record.entries import QUANTITIES, Kind, Moment
from ..record.hosting import handin_folder, idle_notice
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
from .parts import Details, KitBox, PlotView, Status, action, heading, html_table, note, safety_first
from .stage_investigate import Investigating
from .waiting import OnRequest, when_open

if TYPE_CHECKING:  # what a step shows is loaded by that step
    from ..lessons.claim_runs import ClaimRuns
    from ..stats.averages import Measured
    from ..stats.trend import Trend
    from .hand_in import HandInBox, SendBox
    from .predicted_curve import PredictedCurve

__all__ = ["Stage"]

View = TypeVar("View", bound=widgets.Widget)

HOW_TIMED = (
    "The gate times one run far better than runs repeat. So behind the ± here stands the gate alone: how well it fixed "
    "the two moments of this one run. Another run with the same setting differs by much more."
)

SPINS = ("measure", "investigate")  # stages in which a group may spin something: their cautions are not folded


class Stage(Investigating):
    """A lesson's stage for the group that works on it.

    Parameters
    ----------
    lesson : folder that holds `lesson.toml`, or a `Lesson`.
    stage : "predict", "measure", "average", "trend", "explain" or "investigate".
    workbook : by default the lesson's own, beside the notebook.
    path : how much time there is, see `kit.lessons.paths`; by default as the lesson says.
    wait : whether steps that show data wait for what the lesson wants sealed first (`kit.lessons.waiting`).
        A teacher's pages do not wait.

    What was entered before is there again when a stage is opened. The numbers behind the widgets are
    `stage.results`, `stage.averages(...)` and `stage.trends(...)`; the tables and sentences are methods of
    `stage.progress`.

    Raises
    ------
    KitError : a folder that holds no lesson, or no such stage.
    """

    def __init__(
        self,
        lesson: Lesson | str | Path,
        stage: str,
        workbook: Workbook | None = None,
        wait: bool = True,
        path: str = "",
    ):
        if stage not in STAGES:
            raise KitError("There is no such stage", found=stage, fix=f"use one of: {', '.join(STAGES)}")
        self.stage = stage
        lesson = lesson if isinstance(lesson, Lesson) else load_lesson(lesson)
        self.progress = Progress(replace(lesson, path=path_of(path or lesson.path).name), workbook)
        self.lesson, self.workbook = self.progress.lesson, self.progress.workbook
        self._wait = wait
        self._claim_runs: dict[str, ClaimRuns] = {}  # a folder that serves several claims is read once
        self._take_counts: list[Callable[[], object]] = []  # what a new count of the group's own renews
        self._senders: list[SendBox] = []  # what a group chooses in one of them, all of them show
        self._defended: dict[str, ExplanationCard] = {}  # a new finding is offered to these cards at once

    def _of_data(self, build: Callable[[], widgets.Widget], claim_id: str = "") -> widgets.Widget:
        """What `build` makes of data, once all is sealed that comes before them."""
        return self._once_open(data_gate(self.lesson, self.workbook, self.stage, claim_id), build)

    def _once_open(self, gate: Gate, build: Callable[[], widgets.Widget]) -> widgets.Widget:
        return when_open(gate, build) if self._wait else build()

    def may_look(self, claim_id: str = "") -> bool:
        """Whether code may work with this page's data, or with those of one of its claims; if not, print why not.

        They may be looked at once all is sealed that comes before them, as on the rest of the page, and once there are
        enough of them. `if stage.may_look():` begins each box of the section "How this number is made".
        """
        from ..lessons.cells_inside import not_enough

        gate = data_gate(self.lesson, self.workbook, self.stage, claim_id)
        missing = gate.missing() if self._wait else ()
        if missing:
            print(*(f"This waits for {wanted.words}" for wanted in missing), "Then run this box again.", sep="\n")
            return False
        lacking = not_enough(self.progress, self.stage, self.claim_runs(claim_id) if claim_id else None)
        if lacking:
            print(lacking)
        elif self._wait:
            gate.passed()
        return not lacking

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
        where = "" if self.lesson.path == DAY else f"Stage {number} of {len(STAGES)}. "
        parts: list[widgets.Widget] = [note(where + state)]
        parts += [note(sentence) for sentence in (*self.workbook.damage, self.workbook.obstacle) if sentence]
        if stops:
            from .hand_in import WorkbookFile
            from .leaving import Leaving

            parts += [note(stops), WorkbookFile(self.workbook, self.lesson.name), Leaving(self.workbook, self.stage)]
        if self.lesson.data_notice:
            parts.append(note(self.lesson.data_notice))
        return KitBox([*parts, *safety_first(self.lesson.safety, folded=self.stage not in SPINS)])

    def later(self, build: Callable[[], widgets.Widget]) -> widgets.Widget:
        """What `build` makes, once the group asks for it: so that what is optional costs nothing before."""
        return OnRequest(build)

    def observation(self, topic: str, ask: str | None = None) -> ObservationBox:
        """A box for what the group sees, or for its answer to another question, in its own words."""
        other = () if ask is None else (ask, "Save what I wrote")
        return ObservationBox(self.workbook, self.stage, topic, *other)

    def own_question(self) -> ObservationBox:
        """A box for the question that the group asks itself, in an open lesson."""
        return ObservationBox(self.workbook, self.stage, "question", "Your question:", "Save my question")

    def plan(self) -> ObservationBox:
        """A box for how the group wants to find out, where the lesson gives no procedure."""
        return ObservationBox(self.workbook, self.stage, "plan", "Your plan:", "Save my plan")

    def send(self, moment: str) -> SendBox:
        """Hand in what the workbook holds so far; `moment`: "answers", "sketch", "results", "end" or "claims"."""
        from .hand_in import SendBox

        may_hold_data = self.stage != "predict" and not data_gate(self.lesson, self.workbook, self.stage).missing()
        rows = self.progress.teacher_rows if may_hold_data else dict
        desk, beside = self.lesson.class_desk, self._senders
        box = SendBox(self.workbook, self.lesson.name, self.stage, moment, rows, of_lesson=desk, beside=beside)
        self._senders.append(box)
        return box

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
        return self._of_data(lambda: self._if_moved(self._curve(quantity, self.averages(quantity))))

    def _if_moved(self, part: widgets.Widget) -> widgets.Widget:
        """The part, and above it what to mind if the group counts between other speeds than the lesson does."""
        words = self.progress.moved_words
        return KitBox([note(words), part]) if words else part

    def _curve(self, quantity: str, averages: pd.DataFrame | None = None) -> PredictedCurve:
        from .predicted_curve import PredictedCurve

        words, unit = QUANTITIES[quantity]
        sealed = self.workbook.first(Kind.PREDICTED_CURVE.of(quantity))
        every = self.lesson.values  # noqa: PD011
        fewer = sealed["x"] if sealed else spread_values(every, self.lesson.path)
        return PredictedCurve(
            fewer if averages is None else every,
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

        def build() -> widgets.Widget:
            timing = Details(summary="How exactly was each run timed?")
            timing.show([HOW_TIMED], timing_in_words(self.progress))
            return KitBox([widgets.HTML(html_table(results_in_words(self.progress))), timing])

        return self._of_data(build)

    def sources(self) -> DataSources:
        """Whose runs count: the lesson's, the group's own, or both."""
        return DataSources(self.progress, self.stage)

    def by_eye(self, class_folder: str | Path | None = None) -> widgets.Widget:
        """One start found by eye in a real log by each member, then what the clicks do.

        Parameters
        ----------
        class_folder : folder, ZIP or address with the hand-ins of the class, to see where the others clicked.
        """
        from .by_eye import lesson_by_eye

        return self._of_data(lambda: lesson_by_eye(self.progress, self.stage, class_folder))

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
        """Earlier counts by hand against the gate's averages, for both quantities, and the group's own beside them."""
        from .methods import EarlierCounts

        return self._of_data(lambda: self._with_counts(EarlierCounts(self.progress), lambda view: view.refresh()))

    def averages_table(self, quantity: str = "duration_s") -> widgets.Widget:
        """Averages with their uncertainty, to look at. To compute with them, take `averages()`."""
        return self._of_data(lambda: KitBox([widgets.HTML(html_table(averages_in_words(self.progress, quantity)))]))

    def comparisons(self) -> widgets.Widget:
        """Compare two averages, decide what to do, say why; all cycles so far."""
        from .comparison_log import ComparisonLog

        def offered() -> list[Measured]:
            return [*self.progress.measured(), *own_measured(self.progress)]

        return self._of_data(
            lambda: self._with_counts(
                ComparisonLog(offered(), self.workbook, self.stage), lambda log: log.offer(offered())
            )
        )

    def own_count(self) -> widgets.Widget:
        """Count a run by eye and watch while a gate logs it; the pair joins the comparison of methods on this page."""
        from .own_count import OwnCount

        def kept() -> None:
            for renew in self._take_counts:
                renew()

        return self._of_data(lambda: OwnCount(self.progress, self.stage, kept))

    def _with_counts(self, view: View, renew: Callable[[View], object]) -> View:
        """A view that takes in the group's own counts, now and when another one is kept."""
        self._take_counts.append(lambda: renew(view))
        return view

    # --- trend ----------------------------------------------------------------------------------------------------

    def graph_by_hand(self, quantity: str = "duration_s") -> widgets.Widget:
        """Empty axes for the averages and a curve drawn by eye; then the fitted curves beside it."""
        from .hand_graph import lesson_hand_graph

        return self._of_data(lambda: lesson_hand_graph(self.progress, self.stage, quantity))

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

    def one_run(self, question_id: str) -> widgets.Widget:
        """One run that answers a question, once the group has answered it again after the discussion."""
        from ..plots.drag_figures import speed_figure
        from ..plots.drag_text import describe_speed, speed_numbers

        question = self.lesson.ask(question_id)

        def build() -> widgets.Widget:
            run = self.progress.reference_run(question.run_shown)
            fits = self.progress.reference_drags(question.run_shown)[:1]
            view = PlotView(name="the speed of this run")
            view.show(speed_figure(run, fits, estimate=False), describe_speed(fits), speed_numbers(fits))
            return self._if_moved(KitBox([note(one_run_words(self.progress, run)), view]))

        return self._once_open(run_gate(self.lesson, self.workbook, question), build)

    def look_back(self, question_id: str, measured: bool = True) -> widgets.Widget:
        """The group's answers to a question, beside what was measured if that is wanted."""
        question = self.lesson.ask(question_id)

        def answers() -> list[widgets.Widget]:
            given = [entry.value for entry in self.workbook.history(Kind.PREDICTION.of(question_id))]
            shown = [widgets.HTML(answer_html(question, answer)) for answer in given]
            return shown or [note("You have not answered this question yet. You can do that in stage 1.")]

        if not measured:  # on the page on which they are given: once there are two
            gate = run_gate(self.lesson, self.workbook, question)
            return self._once_open(gate, lambda: KitBox([heading("Your answers"), *answers()]))
        caption = "Averages ± standard uncertainty, from the spread of all conditions together"

        def build() -> widgets.Widget:
            return self._if_moved(KitBox([widgets.HTML(html_table(self.progress.averages_table(), caption))]))

        table = self._of_data(build)
        return KitBox([heading(question.text), *answers(), heading("What was measured"), table])

    def explanation(self) -> widgets.Widget:
        """Claim, evidence, reasoning and rebuttal, with values from the data to put in."""
        return self._of_data(
            lambda: ExplanationCard(self.workbook, self.stage, tuple(self.progress.evidence_sentences()))
        )

    def hand_in(self) -> HandInBox:
        """The file for the teacher, with the results by the group's own choices."""
        from .hand_in import HandInBox

        name, desk = self.lesson.name, self.lesson.class_desk
        return HandInBox(self.workbook, name, self.stage, self.progress.teacher_rows, handin_folder(), desk)
