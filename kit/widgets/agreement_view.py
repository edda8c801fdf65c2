"""Two methods on the same conditions: first ask whether they measure the same thing, then look at the differences."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..figures import agreement_figure
from ..trials import Agreement, compare_methods
from ..wording import axis_title, interval, number
from .parts import Details, Say, choice_of, side_of, stack_of
from .plot_view import PlotView

__all__ = ["AgreementView"]

_ANSWERS = (("Choose an answer", ""), ("Yes", "yes"), ("No", "no"), ("I don't know", "unknown"))
_THEN = {
    "yes": "Then a difference is one of the methods: look at its size, and at whether it grows with the value.",
    "no": "Then part of any difference is no fault: the two count different stretches of the same run.",
    "unknown": "Then find out before you blame a method: from when to when does each of them count?",
}
_READING = (
    "Each point is one condition. Its height is the first method minus the second, its place the mean of the two.",
    "The mean difference says whether one method reads more on the whole. If its interval holds zero, these pairs "
    "cannot tell the methods apart on average.",
    "The wide range is where the difference of one further pair is expected, 95 times in 100. With few pairs it is "
    "wider than the usual limits of ± 1.96 standard deviations, which are right only for many.",
    "Do the points fan out to the right? Then the difference grows with the value, and per cent would say more.",
)


class AgreementView(widgets.VBox):
    """Compare two methods pair by pair, such as counts by hand and by the gate.

    Parameters
    ----------
    x, first, second : condition of each pair, and what each method gave there, in the same unit.
    x_name : column name of the condition, such as "magnets".
    unit : of both methods.
    names : what the two methods are called.

    The plot shows once "Do both measure the same thing?" is answered. `same_thing` is that answer ("", "yes", "no",
    "unknown") and can be observed; `agreement` is what `kit.trials.compare_methods` found.

    Raises
    ------
    KitError : fewer than three pairs, or values that are no numbers.
    """

    same_thing = t.Unicode()

    def __init__(
        self,
        x: Sequence,
        first: Sequence[float],
        second: Sequence[float],
        *,
        x_name: str = "magnets",
        unit: str = "s",
        names: tuple[str, str] = ("by hand", "by the gate"),
    ):
        self.agreement: Agreement = compare_methods(x, first, second, unit)
        self._unit, self._names, self._x_name = unit, names, x_name
        self._question = choice_of("Do both count the same thing, from the same start to the same stop?", _ANSWERS)
        self._say, self._plot, self._reading = (
            Say(),
            PlotView(name="the differences"),
            Details(summary="How to read it"),
        )
        self._reading.show(_READING)
        self._shown = widgets.VBox(
            [side_of(stack_of("kit-main", self._plot), stack_of("kit-rail kit-narrow", self._say, self._reading))]
        )
        self._shown.layout.display = "none"
        super().__init__([self._question, self._shown])
        self.add_class("kit-box")
        self._question.observe(lambda change: self.set_trait("same_thing", change["new"]), "value")
        self.observe(lambda _: self._show(), "same_thing")

    def _show(self) -> None:
        if not self.same_thing:
            return
        self._question.value = self.same_thing
        found, (first, second) = self.agreement, self._names
        table = pd.DataFrame(
            {
                axis_title(self._x_name): [v if isinstance(v, str) else f"{v:g}" for v in found.pairs["x"]],
                first: [number(v) for v in found.pairs["first"]],
                second: [number(v) for v in found.pairs["second"]],
                "difference": [number(v, 3) for v in found.pairs["difference"]],
            }
        )
        self._plot.show(agreement_figure(found, self._unit, first, second), found.sentence, table)
        self._say.say(
            _THEN[self.same_thing],
            found.sentence,
            f"One further pair should differ by {interval(*found.next_range, self._unit)}.",
        )
        self._shown.layout.display = ""
