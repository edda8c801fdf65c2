"""How many runs, where, and in which order: a plan within the lesson's minutes, and a sheet to print."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Mapping, Sequence

import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..plan_figures import SYMBOL, describe_plan, plan_figure
from ..planning import Pilot, width_against_minutes
from ..run_sheet import run_order, run_sheet_html
from ..trend import Trend
from ..wording import axis_title, case_of, join_words, number
from .parts import Say, action, heading, html_table, note, row_of, side_of, stack_of
from .plot_view import PlotView

__all__ = ["TrialPlanner", "order_html"]

_FIELD = {"style": {"description_width": "initial"}, "layout": {"width": "auto"}}


class TrialPlanner(widgets.VBox):
    """Plan the next runs: how sure a number gets in how many minutes, which conditions, in which order.

    Parameters
    ----------
    trend : a fitted trend (`kit.trend.fit_trend`), or a `kit.planning.Pilot` where nothing was measured yet.
    x : column name of what is changed, such as "magnets".
    candidates : conditions that can be set; by default those of the trend.
    run_s : duration of a run at a condition, s, as a function of an array; needed if the trend is not one of
        durations in seconds.
    cautions : sentences for the printed sheet.
    seed : makes the drawn order repeatable.

    `plan` is the table of `kit.planning.width_against_minutes` for what the fields say, `order` the drawn order (None
    until it is drawn); both can be observed.

    Raises
    ------
    KitError : no candidates, or a trend that no plan can be made from.
    """

    plan = t.Instance(pd.DataFrame, read_only=True)
    order = t.Instance(pd.DataFrame, allow_none=True, read_only=True)

    def __init__(
        self,
        trend: Trend | Pilot,
        x: str = "magnets",
        candidates: Sequence[float] | None = None,
        *,
        run_s=None,
        minutes: float = 15,
        reset_s: float = 60,
        cautions: Sequence[str] = (),
        seed: int | None = None,
    ):
        self.pilot = trend if isinstance(trend, Pilot) else Pilot.of(trend)
        self.x, self._run_s, self._cautions, self._seed = x, run_s, tuple(cautions), seed
        self._candidates = sorted(set(candidates if candidates is not None else self.pilot.x))
        if not self._candidates:
            raise KitError("There is no condition to plan with", fix="give the conditions that can be set")
        self._build(minutes, reset_s)
        super().__init__(
            [
                row_of(self._parameter, self._minutes, self._reset, self._reference),
                side_of(
                    stack_of("kit-main", self._plot),
                    stack_of("kit-rail kit-narrow", self._say, self._counts, self._draw),
                ),
                self._sheet,
            ]
        )
        self.add_class("kit-box")
        for field in (self._parameter, self._minutes, self._reset):
            field.observe(lambda _: self._replan(), "value")
        self._reference.observe(lambda _: self._forget_order(), "value")
        self._replan()

    # --- for code and for buttons alike ---------------------------------------------------------------------------

    def draw(self) -> pd.DataFrame:
        """Draw the order of the planned runs, and offer the sheet. Raises KitError if no run is planned."""
        reference = None if self._reference.value == "" else self._reference.value
        order = run_order(list(self.plan["x"]), reference=reference, seed=self._seed)
        self.show_order(order)
        return order

    @property
    def settings(self) -> dict[str, float | str]:
        """What the fields say, so that it can be kept and put back with `set_up`."""
        return {
            "parameter": self._parameter.value,
            "minutes": self._minutes.value,
            "reset_s": self._reset.value,
            "reference": self._reference.value,
        }

    def set_up(self, settings: Mapping[str, float | str]) -> None:
        """Put kept settings back; those that are not on offer any more stay as they are."""
        fields = {
            "parameter": self._parameter,
            "minutes": self._minutes,
            "reset_s": self._reset,
            "reference": self._reference,
        }
        for name, field in fields.items():
            offered = [value for _, value in field.options] if isinstance(field, widgets.Dropdown) else None
            if name in settings and (offered is None or settings[name] in offered):
                field.value = settings[name]

    def show_order(self, order: pd.DataFrame) -> None:
        """Show an order, as `kit.run_sheet.run_order` makes it, and offer the sheet."""
        self.set_trait("order", order)
        self._sheet.value = order_html(order, self.x, self._cautions)

    # --- what is on the page --------------------------------------------------------------------------------------

    def _build(self, minutes: float, reset_s: float) -> None:
        names = list(self.pilot.parameters)
        shape = next((n for n in names if n in ("x0", "p", "k")), names[-1])
        options = [(f"{SYMBOL.get(n, n)}, now about {number(v, 3)}", n) for n, v in self.pilot.parameters.items()]
        self._parameter = widgets.Dropdown(options=options, value=shape, description="Make surer:", **_FIELD)
        self._minutes = widgets.BoundedFloatText(minutes, min=1, max=600, step=1, description="Minutes left:", **_FIELD)
        self._reset = widgets.BoundedFloatText(
            reset_s, min=0, max=3600, step=5, description="Seconds between runs:", **_FIELD
        )
        choices = [("none", "")] + [(case_of(self.x, value), value) for value in self._candidates]
        self._reference = widgets.Dropdown(options=choices, value="", description="Reference runs:", **_FIELD)
        self._plot, self._say = PlotView(name="this plan"), Say()
        self._counts, self._sheet = widgets.HTML(), widgets.HTML()
        self._draw = widgets.VBox(
            [
                heading("In which order?"),
                note("Three reference runs, at start, middle and end, show whether the apparatus changes meanwhile."),
                action("Draw the order", lambda: self._try(self.draw)),
            ]
        )

    def _replan(self) -> None:
        self._forget_order()
        try:
            plan = width_against_minutes(
                self.pilot,
                self._candidates,
                self._parameter.value,
                self._minutes.value,
                reset_s=self._reset.value,
                run_s=self._run_s,
            )
        except KitError as error:
            self._say.refuse(error)
            return
        self.set_trait("plan", plan)
        shown = plan.assign(
            x=[case_of(self.x, value) for value in plan["x"]],
            minutes=plan["minutes"].map("{:.1f}".format),
            half_width=[number(v, 3) for v in plan["half_width"]],
        )[["trials", "x", "minutes", "half_width"]]
        shown.columns = ["run", axis_title(self.x), "minutes by then", "± by then"]
        words = describe_plan(plan, self.pilot)
        self._plot.show(plan_figure(plan, self.pilot), words, shown)
        counts = Counter(plan["x"])
        table = pd.DataFrame(
            {
                axis_title(self.x): [case_of(self.x, v) for v in sorted(counts)],
                "runs": [counts[v] for v in sorted(counts)],
            }
        )
        self._counts.value = html_table(table, "Further runs at each condition") if counts else ""
        self._say.say(words, self._warning(counts))

    def _warning(self, counts: Counter) -> str:
        """A best plan trusts the curve: it leaves out the conditions that would show that it bends."""
        left_out = [value for value in self._candidates if value not in {*counts, *self.pilot.x}]
        rarely = [value for value in self._candidates if value not in counts]
        if left_out:
            names = join_words([f"{v:g}" for v in left_out])
            return f"This holds if the curve holds. Nothing tests it at {names}: keep a run for that."
        if rarely:
            return "This holds if the curve holds. One or two runs elsewhere keep testing that."
        return "This holds if the curve holds and the runs scatter as they did."

    def _forget_order(self) -> None:
        self.set_trait("order", None)
        self._sheet.value = ""

    def _try(self, step) -> None:
        try:
            step()
        except KitError as error:
            self._say.refuse(error)


def order_html(order: pd.DataFrame, x: str, cautions: Sequence[str] = ()) -> str:
    """An order of runs as a table, with a link that saves the sheet to print."""
    shown = order.assign(
        x=[value if isinstance(value, str) else case_of(x, value) for value in order["x"]],
        role=["reference: the same at start, middle and end" if r == "reference" else "" for r in order["role"]],
    )
    shown = shown[["order", "x", "trial", "role"]].rename(columns={"order": "run", "x": axis_title(x), "role": "note"})
    if not (order["role"] == "reference").any():
        shown = shown.drop(columns="note")
    coded = base64.b64encode(run_sheet_html(order, x, cautions=cautions).encode()).decode()
    return (
        "<p>Run in this order. It was drawn by lot, so that a slow drift cannot look like an effect.</p>"
        + html_table(shown)
        + f'<p><a style="text-decoration: underline" download="run_sheet.html" '
        f'href="data:text/html;base64,{coded}">Save the sheet to print it</a></p>'
    )
