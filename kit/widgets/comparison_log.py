"""Comparison cycles: compare two values, decide what to do, say why; then compare again. Every cycle is kept."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd

from ..errors import KitError
from ..record.entries import Kind
from ..record.workbook import Workbook
from ..stats.averages import DECISIONS, Comparison, Measured, compare
from ..wording import number, number_typed, plus_minus
from .cards import keep_drafts, save_entries
from .parts import KitBox, Status, action, choice_of, html_table, note, row_of, text_area

__all__ = ["ComparisonLog"]

OWN = "A value of our own"


class ComparisonLog(KitBox):
    """Compare two values, decide, say why. Saved as entries of kind `comparison`, one for each cycle.

    Parameters
    ----------
    offered : values from the data. A value of the group's own, such as another group's, can be typed as well.
    workbook, stage : where the cycles go.

    `comparison` is what stands on the screen, or None while there is nothing to compare.
    """

    def __init__(self, offered: Sequence[Measured], workbook: Workbook, stage: str):
        super().__init__()
        self.workbook, self.stage = workbook, stage
        self.comparison: Comparison | None = None
        self.sides = (_Side("First value", offered, 0), _Side("Second value", offered, 1))
        self.result, self.message, self.cycles = Status(), Status(), widgets.HTML()
        self.decision = choice_of("What do you do next?", [(words, kept) for kept, words in DECISIONS.items()])
        self.decision.value = None
        self.why = text_area("Why?")
        keep_drafts(self.why, workbook, stage, Kind.DRAFT.of(Kind.COMPARISON), self.message, saved_as=Kind.COMPARISON)
        self.save_button = action("Keep this comparison", self._save)
        self.children = (
            note(
                "Choose two values. The ± of an average comes from the spread of all conditions together. "
                "t′ is the difference, divided by its uncertainty. Then decide what to do. Do it, and compare again."
            ),
            *self.sides,
            self.result,
            self.decision,
            self.why,
            self.save_button,
            self.message,
            self.cycles,
        )
        for side in self.sides:
            side.on_change(self._judge)
        self._judge()
        self._list_cycles()

    def offer(self, offered: Sequence[Measured]) -> None:
        """Offer these values from now on; what is chosen and typed stays."""
        for side in self.sides:
            side.offer(offered)
        self._judge()

    def _judge(self) -> None:
        self.comparison = None
        try:
            first, second = (side.measured() for side in self.sides)
            self.comparison = compare(first, second)
        except KitError as error:
            self.result.say(f"Nothing to compare yet. {error.on_page()}")
        else:
            self.result.say(self.comparison.sentence)

    def _save(self) -> None:
        if self.comparison is None:
            self.message.error("Not saved yet: choose two values to compare first.")
            return
        try:
            entry = self.comparison.entry(self.decision.value or "", self.why.value)
        except KitError as error:
            self.message.error(f"Not saved yet. {error.on_page()}")
            return
        if save_entries(self.message, self.workbook, self.stage, {Kind.COMPARISON: entry}):
            self.decision.value, self.why.value = None, ""
            self._list_cycles()
            self.message.say("Kept. Now do what you decided, then compare again.")

    def _list_cycles(self) -> None:
        rows = [cycle_row(i, entry.value) for i, entry in enumerate(self.workbook.history(Kind.COMPARISON), 1)]
        table = pd.DataFrame(rows)
        self.cycles.value = html_table(table, "Your comparisons so far") if rows else ""


def cycle_row(number_: int, cycle: dict) -> dict[str, str]:
    """One saved cycle as a row of words."""
    first, second = (
        f"{cycle[side]}: {plus_minus(cycle[f'{side}_value'], cycle[f'{side}_u'], cycle['unit'])}"
        for side in ("first", "second")
    )
    return {
        "cycle": str(number_),
        "first": first,
        "second": second,
        "t′": number(cycle["t_prime"], 2),
        "decision": DECISIONS.get(cycle["decision"], cycle["decision"]),
        "why": cycle["why"],
    }


class _Side(widgets.VBox):
    """One of the two values: chosen from the data, or typed."""

    def __init__(self, words: str, offered: Sequence[Measured], place: int):
        options = [(str(measured), i) for i, measured in enumerate(offered)]
        self._offered = offered
        self.choice = widgets.Dropdown(
            options=[*options, (OWN, None)], value=min(place, len(offered) - 1) if offered else None, description=words
        )
        self.choice.style.description_width, self.choice.layout.width = "initial", "auto"
        self.label = widgets.Text(description="What is it?", placeholder="2 magnets, group B")
        self.value = widgets.Text(description="Value", placeholder="29.8")
        self.u = widgets.Text(description="± (standard uncertainty)", placeholder="0.4")
        self.unit = widgets.Text(description="Unit", placeholder="s")
        self._typed = (self.label, self.value, self.u, self.unit)
        for field in self._typed:
            field.style.description_width = "initial"
            field.continuous_update = False
        self._own = row_of(*self._typed)
        super().__init__([self.choice, self._own])
        self._show()
        self.choice.observe(lambda _: self._show(), "value")

    def offer(self, offered: Sequence[Measured]) -> None:
        """Offer other values; the one that is chosen stays chosen if it is among them."""
        place = self.choice.value
        chosen = None if place is None else self._offered[place]
        self._offered = offered
        kept = None if chosen is None else next((i for i, m in enumerate(offered) if m == chosen), None)
        self.choice.options = [*((str(measured), i) for i, measured in enumerate(offered)), (OWN, None)]
        self.choice.value = kept if kept is not None or place is None else 0 if offered else None

    def _show(self) -> None:
        self._own.layout.display = "none" if self.choice.value is not None else ""

    def on_change(self, react) -> None:
        for field in (self.choice, *self._typed):
            field.observe(lambda _: react(), "value")

    def measured(self) -> Measured:
        """The value of this side; KitError, saying what is missing, while there is none."""
        if self.choice.value is not None and self.choice.value < len(self._offered):
            return self._offered[self.choice.value]
        value, u = (number_typed(field.value, field.description) for field in (self.value, self.u))
        return Measured(self.label.value.strip(), value, u, self.unit.value.strip())
