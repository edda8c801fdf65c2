"""The last stage's steps: claims put to the test, sound at equal speed, a claim of one's own."""

from __future__ import annotations

import secrets
from functools import cached_property

import ipywidgets as widgets
import numpy as np
import pandas as pd

from ..errors import KitError
from ..lessons.claim_runs import ClaimRuns, gate_and_clicks, run_name
from ..lessons.progress import Progress
from ..record.entries import QUANTITIES, Kind
from ..record.summary import table_rows
from ..record.workbook import Workbook
from ..stats.averages import pooled_scatter
from ..wording import count_of, plus_minus
from .cards import ExplanationCard, save_entries
from .claim_tester import ClaimTester
from .own_claim import OwnClaimCard, TrialPlanner
from .parts import Status, action, heading, html_table, note, stack_of
from .sound_view import SoundView
from .views import AgreementView, PlotView

__all__ = ["InvestigateSteps"]

_MOST_WORLDS = 20_000  # are brought back when a page is opened again


class InvestigateSteps:
    """Steps of the stage "investigate"; mixed into `Stage`, which gives `lesson`, `progress`, `workbook`, `stage`."""

    progress: Progress
    workbook: Workbook
    stage: str

    def claim_runs(self, claim_id: str) -> ClaimRuns:
        """The runs behind a claim, and their numbers."""
        if claim_id not in self._claim_runs:
            self._claim_runs[claim_id] = ClaimRuns(self.progress, claim_id, tuple(self._claim_runs.values()))
        return self._claim_runs[claim_id]

    @cached_property
    def _claim_runs(self) -> dict[str, ClaimRuns]:
        return {}

    @cached_property
    def _defended(self) -> dict[str, ExplanationCard]:
        """The cards on the page: a new finding is offered to them as evidence at once."""
        return {}

    def claim(self, claim_id: str, at: float | None = None) -> widgets.Widget:
        """A claim against its runs and against shuffled worlds; `at`: only under this one condition.

        What was put down, and how many worlds were looked at, is saved and comes back.
        """
        answered = self.claim_runs(claim_id)
        kind = Kind.CLAIM_TEST.of(claim_id if at is None else f"{claim_id}@{at:g}")
        kept = self.workbook.latest(kind)
        seed = kept["seed"] if kept else secrets.randbelow(2**31)  # kept, so that the same worlds come back
        tester = ClaimTester(answered.claim(), answered.table(at), seed=seed)
        say = Status()
        if kept:
            tester.fix(kept["expect"], kept["matters"])
            if kept["worlds"]:
                tester.shuffle(min(kept["worlds"], _MOST_WORLDS))
            if kept["grade"]:
                tester.ask()

        def save(_):
            entry = {
                "expect": tester.claim.expect,
                "matters": tester.claim.matters,
                "seed": seed,
                "worlds": len(tester.worlds),
                "grade": tester.verdict.grade if tester.verdict else "",
                "sentence": tester.verdict.sentence if tester.verdict else "",
            }
            if entry != self.workbook.latest(kind) and save_entries(say, self.workbook, self.stage, {kind: entry}):
                say.say("Saved." if entry["grade"] else "Saved: your claim stands as you put it down.")
                for defended, card in self._defended.items():
                    card.offer(tuple(self._claim_evidence(defended)))

        tester.observe(save, ["claim", "worlds", "verdict"])
        return stack_of("kit-box", note(answered.described(at)), tester, say)

    def defend(self, claim_id: str) -> ExplanationCard:
        """Claim, evidence, reasoning and rebuttal for one claim, saved as `claim:ID`."""
        card = ExplanationCard(
            self.workbook, self.stage, tuple(self._claim_evidence(claim_id)), kind=Kind.CLAIM.of(claim_id)
        )
        self._defended[claim_id] = card
        return card

    def _claim_evidence(self, claim_id: str):
        """What the tests said that the group has made, of this claim and of the steps to it."""
        steps = [c.id for c in self.progress.lesson.claims if claim_id in (c.id, c.step_to)]
        for entry in self._latest_of(Kind.CLAIM_TEST):
            name, _, at = entry.kind.partition(":")[2].partition("@")
            if name in steps and entry.value["sentence"]:
                size = entry.value["sentence"].split(". ", 1)[-1]
                yield (f"At {at} {self.progress.x}: " if at else "") + size

    def _latest_of(self, kind: Kind):
        return {entry.kind: entry for entry in self.workbook.entries if kind.covers(entry.kind)}.values()

    # --- sound ----------------------------------------------------------------------------------------------------

    def recordings(self, claim_id: str) -> widgets.Widget:
        """Every recording of a claim's runs, one at a time: to listen to and to look at."""
        return self._after_answering(claim_id, "Show the recordings", lambda: self._recordings(claim_id))

    def _after_answering(self, claim_id: str, words: str, build) -> widgets.Widget:
        """What `build` makes, at once if the claim's question was answered, else by a button once it is."""
        asked = self.progress.lesson.claim(claim_id).ask_first
        if not asked or self.workbook.latest(Kind.PREDICTION.of(asked)):
            return build()
        say = Status()
        place = stack_of("kit-box")

        def show():
            if self.workbook.latest(Kind.PREDICTION.of(asked)):
                place.children = (build(),)
            else:
                say.error("Not yet: first answer the question at the head of this part. Then press again.")

        place.children = (action(words, show), say)
        return place

    def _recordings(self, claim_id: str) -> widgets.Widget:
        answered = self.claim_runs(claim_id)
        if not answered.recorded:
            return stack_of("kit-box", note("There are no recordings of these runs."))
        loudest = max(float(np.abs(answered.recording(run).samples()).max()) for run in answered.recorded)
        place = stack_of("")
        which = widgets.Dropdown(
            options=[(run_name(run), i) for i, run in enumerate(answered.recorded)],
            description="Recording:",
            style={"description_width": "initial"},
            layout={"width": "auto"},
        )

        def show(_=None):
            run = answered.recorded[which.value]
            view = SoundView(answered.recording(run), run, offset_s=run.sound_start_s, loudest=loudest)
            place.children, before = (view,), place.children
            for old in before:
                old.close()

        which.observe(show, "value")
        show()
        return stack_of("kit-box", which, place)

    def same_speed(self, claim_id: str, **setting) -> widgets.Widget:
        """Levels of two settings at equal speed: `same_speed("loud", magnets=1, hub=("greased", "dry"))`."""
        return self._after_answering(
            claim_id, "Show the levels at the same speed", lambda: self._same_speed(claim_id, setting)
        )

    def _same_speed(self, claim_id: str, setting: dict) -> widgets.Widget:
        from ..plots.investigate import equal_speed_figure

        found = self.claim_runs(claim_id).at_same_speed(**setting)
        table, (first, second) = found.table, found.names
        shown = table.assign(**{c: table[c].map("{:.1f}".format) for c in table.columns if c.endswith("_dB")})
        shown["turns_per_s"] = table["turns_per_s"].map("{:.2f}".format)
        shown.columns = ["turns a second", f"{first} (dB)", f"{second} (dB)", "difference (dB)"]
        figure = equal_speed_figure(table, first, second)
        levels = table[["first_dB", "second_dB"]].to_numpy()
        figure.update_yaxes(range=[levels.min() - 5, levels.max() + 5])  # half a decibel must not fill the plot
        view = PlotView(name="the comparison")
        view.show(figure, found.sentence, shown)
        return stack_of("kit-box", view, note(found.sentence))

    def clicks(self) -> widgets.Widget:
        """One run timed twice: by the gate, and by a phone that heard a card click once a turn."""
        table, gate, recording, words = gate_and_clicks(self.progress)
        shown = pd.DataFrame(
            {
                "timed by": ["the gate", "the clicks"],
                "coasting time": [_value(row, "duration_s", "s") for _, row in table.iterrows()],
                "number of turns": [_value(row, "turns", "") for _, row in table.iterrows()],
            }
        )
        view = SoundView(recording, gate, offset_s=gate.sound_start_s)
        return stack_of("kit-box", widgets.HTML(html_table(shown, run_name(gate))), note(words), view)

    # --- methods and plans ----------------------------------------------------------------------------------------

    def two_methods(self, quantity: str = "duration_s") -> widgets.Widget:
        """The earlier counts by hand against the gate: do both measure the same thing? Then the differences."""
        counts = self.progress.lesson.hand_counts()
        if counts is None:
            return stack_of("kit-box", note("This lesson has no earlier counts by hand."))
        x = self.progress.x
        pairs = self.progress.averages(quantity)[[x, "mean"]].merge(counts[[x, quantity]])
        words, unit = QUANTITIES[quantity]
        view = AgreementView(pairs[x], pairs[quantity], pairs["mean"], x_name=x, unit=unit)
        say, kind = Status(), Kind.SAME_THING.of(quantity)
        view.same_thing = self.workbook.latest(kind, "")
        view.observe(
            lambda change: change["new"] and save_entries(say, self.workbook, self.stage, {kind: change["new"]}),
            "same_thing",
        )
        return stack_of("kit-box", heading(f"{words.capitalize()}: by hand minus by gate"), view, say)

    def own_claim(self) -> OwnClaimCard:
        """A blank plan for a claim of the group's own."""
        counted = self.progress.counted
        scatter, _ = pooled_scatter(counted["duration_s"], counted[self.progress.x])
        return OwnClaimCard(self.workbook, self.stage, scatter, self.progress.lesson.safety)

    def planner(self) -> widgets.Widget:
        """How sure the curve of stage 4 gets in how many minutes, in which order, and a sheet to print."""
        say, kind = Status(), Kind.RUN_PLAN
        try:
            trend = self.progress.trends("duration_s")[0]
            planner = TrialPlanner(
                trend, self.progress.x, self.progress.lesson.values, cautions=self.progress.lesson.safety
            )
        except (KitError, IndexError) as error:
            return stack_of("kit-box", note(str(error)))
        kept = self.workbook.latest(kind)
        if kept:
            planner.set_up(kept["settings"])
            planner.show_order(pd.DataFrame(kept["order"]))

        def save(change):
            if change["new"] is not None:
                entry = {"settings": planner.settings, "order": table_rows(change["new"])}
                if save_entries(say, self.workbook, self.stage, {kind: entry}):
                    say.say(f"Saved: {count_of(len(change['new']), 'run')} in an order drawn by lot.")

        planner.observe(save, "order")
        return stack_of("kit-box", planner, say)


def _value(row: pd.Series, quantity: str, unit: str) -> str:
    uncertainty = {"duration_s": "duration_u_s", "turns": "turns_u"}[quantity]
    return plus_minus(row[quantity], row[uncertainty], unit) if row["status"] == "counted" else row["status"]
