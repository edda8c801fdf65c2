"""A claim of the group's own: a blank plan to fill in, how many trials it takes, and the order to run them in."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..lesson_claims import OWN
from ..planning import trials_for
from ..run_sheet import run_order
from ..summary import table_rows
from ..wording import count_of, percent
from ..workbook import Workbook
from .cards import keep_drafts, save_entries, text_area
from .parts import Say, action, heading, note, row_of
from .trial_planner import order_html

__all__ = ["PLAN", "OwnClaimCard"]

#: The parts of a plan and how each is asked for.
PLAN = {
    "claim": "Your claim: one sentence that a measurement could speak against.",
    "changed": "What do you change? Name two settings.",
    "held": "What do you hold the same, and how?",
    "against": "What would you have to see to give the claim up?",
}
_ORDER, _KIND = "run_order:own", f"claim:{OWN}"
_MOST_TRIALS = 12
_FIELD = {"style": {"description_width": "initial"}, "layout": {"width": "auto"}}


class OwnClaimCard(widgets.VBox):
    """Plan a claim of one's own: what is claimed, changed, held, what would speak against it, how many trials.

    Parameters
    ----------
    workbook, stage : where the plan goes, as an entry of kind `claim:own`; the drawn order as `run_order:own`.
    scatter : of single trials of this apparatus so far, as a fraction; NaN if it is not known.
    cautions : sentences for the printed sheet.
    seed : makes the drawn order repeatable; None draws afresh.

    `order` is the drawn order (None until there is one).
    """

    order = t.Instance(pd.DataFrame, allow_none=True, read_only=True)

    def __init__(
        self,
        workbook: Workbook,
        stage: str = "investigate",
        scatter: float = float("nan"),
        cautions: Sequence[str] = (),
        seed: int | None = None,
    ):
        super().__init__()
        self.add_class("kit-box")
        self.workbook, self.stage = workbook, stage
        self._scatter, self._cautions, self._seed = scatter, tuple(cautions), seed
        self.message = Say()
        saved = workbook.latest(_KIND, {})
        self.boxes = {part: text_area(ask, saved.get(part, "")) for part, ask in PLAN.items()}
        for part, box in self.boxes.items():
            keep_drafts(box, workbook, stage, f"draft:{_KIND}:{part}", self.message, saved_as=_KIND)
        self.settings = tuple(
            widgets.Text(value=saved.get(name, ""), description=words, **_FIELD)
            for name, words in (("first", "First setting:"), ("second", "Second setting:"))
        )
        self.matters = widgets.BoundedFloatText(
            float(saved.get("matters_percent", 5)),
            min=0.1,
            max=100,
            step=1,
            description="A difference would matter from (%):",
            **_FIELD,
        )
        self.trials = widgets.BoundedIntText(
            int(saved.get("trials", 4)), min=1, max=_MOST_TRIALS, description="Trials of each setting:", **_FIELD
        )
        self._enough, self._sheet = Say(), widgets.HTML()
        self.save_button = action("Save my plan", self._save)
        self.draw_button = action("Draw the order of my runs", self._draw)
        self.matters.observe(lambda _: self._say_how_many(), "value")
        self._say_how_many()
        self.children = (
            *(self.boxes[part] for part in ("claim", "changed")),
            row_of(*self.settings),
            *(self.boxes[part] for part in ("held", "against")),
            heading("How many trials?"),
            row_of(self.matters, self.trials),
            self._enough,
            row_of(self.save_button, self.draw_button),
            self.message,
            note("Draw the order once you know your two settings. You can print it as a sheet to write on."),
            self._sheet,
        )
        kept = workbook.latest(_ORDER)
        if kept:
            self._show_order(pd.DataFrame(kept))

    def _save(self) -> bool:
        written = {part: box.value.strip() for part, box in self.boxes.items()}
        if not written["claim"]:
            self.message.refuse("Not saved yet: write down your claim first.")
            return False
        plan = written | {
            "first": self.settings[0].value.strip(),
            "second": self.settings[1].value.strip(),
            "matters_percent": f"{self.matters.value:g}",
            "trials": str(self.trials.value),
        }
        if not save_entries(self.message, self.workbook, self.stage, {_KIND: plan}):
            return False
        empty = [part for part, text in written.items() if not text]
        self.message.say("Saved." + (f" Still empty: {', '.join(empty)}." if empty else ""))
        return True

    def _draw(self) -> None:
        names = [field.value.strip() for field in self.settings]
        if not all(names) or names[0] == names[1]:
            self.message.refuse("There is no order yet: name two different settings first.")
            return
        if not self._save():
            return
        try:
            order = run_order([name for name in names for _ in range(self.trials.value)], seed=self._seed)
        except KitError as error:
            self.message.refuse(error)
            return
        if save_entries(self.message, self.workbook, self.stage, {_ORDER: table_rows(order)}):
            self._show_order(order)
            self.message.say(f"Saved: {count_of(len(order), 'run')} in an order drawn by lot.")

    def _show_order(self, order: pd.DataFrame) -> None:
        self.set_trait("order", order)
        self._sheet.value = order_html(order, "setting", self._cautions)

    def _say_how_many(self) -> None:
        if not self._scatter > 0:
            self._enough.say("How much single trials scatter is not known yet: make three trials and look.")
            return
        scatter = f"Single trials of your runs scatter by {percent(self._scatter)}."
        enough = trials_for(self.matters.value / 100, self._scatter, most=_MOST_TRIALS)
        if enough is None:
            self._enough.say(scatter, f"Even {_MOST_TRIALS} trials of each setting would often miss such a difference.")
        else:
            self._enough.say(scatter, f"{count_of(enough, 'trial')} of each setting find it 8 times in 10.")
