"""The steps of the last stage, claims put to the test: one part of `Stage`, in a file of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import ipywidgets as widgets

from ..lessons.lesson import Lesson
from ..lessons.progress import Progress
from ..record.entries import Kind
from ..record.workbook import Workbook
from .cards import ExplanationCard
from .parts import KitBox, PlotView, html_table, note

if TYPE_CHECKING:  # what a step shows is loaded by that step
    from ..lessons.claim_runs import ClaimRuns
    from ..logs.run import Run
    from ..stats.trend import Trend

__all__ = ["Investigating"]


class Investigating:
    """What `Stage` offers for claims, sound, methods and plans."""

    stage: str
    lesson: Lesson
    workbook: Workbook
    progress: Progress
    _claim_runs: dict[str, ClaimRuns]  # a folder that serves several claims is read once
    _defended: dict[str, ExplanationCard]  # a new finding is offered to these cards at once

    def _of_data(self, build: Callable[[], widgets.Widget], claim_id: str = "") -> widgets.Widget:
        raise NotImplementedError

    def trends(self, quantity: str = "duration_s") -> list[Trend]:
        raise NotImplementedError

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
        """One run timed twice: by the gate, and by a phone that heard a card click once a turn; the clicks to keep."""
        from ..lessons.claim_runs import gate_and_clicks, run_name
        from .sound_view import ClicksAsRun, SoundView

        def keep(run: Run, words: str) -> str:
            kept = self.progress.own.keep(run, "clicks", words)
            return f"Kept among your own runs: {run_name(kept)}. Whose runs count is chosen on page 2b."

        def build() -> widgets.Widget:
            found = gate_and_clicks(self.progress)
            table = widgets.HTML(html_table(found.numbers, f"A run made for this page: {run_name(found.gate)}"))
            view = SoundView(found.recording, found.gate, offset_s=found.gate.sound_start_s)
            as_run = ClicksAsRun(found.recording, keep, conditions=found.gate.conditions)
            return KitBox([table, note(found.sentence), view, as_run])

        return self._of_data(build)

    # --- investigate: methods and plans -----------------------------------------------------------------------------

    def two_methods(self, quantity: str = "duration_s") -> widgets.Widget:
        """The earlier counts by hand against the gate: do both measure the same thing? Then the differences."""
        from .methods import earlier_counts_again

        return self._of_data(lambda: earlier_counts_again(self.progress, self.stage, quantity))

    def own_claim(self) -> widgets.Widget:
        """A blank plan for a claim of the group's own."""
        from .own_claim import OwnClaimCard

        def build() -> widgets.Widget:
            return OwnClaimCard(self.workbook, self.stage, self.progress.trial_spread, self.lesson.safety)

        return self._of_data(build)

    def test_own_claim(self) -> widgets.Widget:
        """The group's own claim against the runs that it made for it."""
        from .own_claim import OwnClaimTest

        return self._of_data(lambda: OwnClaimTest(self.progress, self.stage))

    def planner(self) -> widgets.Widget:
        """How sure the curve of stage 4 gets in how many minutes, in which order, and a sheet to print."""
        from .own_claim import lesson_planner

        return self._of_data(lambda: lesson_planner(self.progress, self.stage))
