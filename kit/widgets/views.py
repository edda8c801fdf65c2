"""Plots that answer a question: do two methods agree, do all runs follow one curve, do two routes give one number?"""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..logs.run import Run
from ..motion.drag_joint import JointDrag, joint_fit
from ..motion.explain import RatioTest, at_nothing_added, collapse, law_curves, ratio_test, routes
from ..plots.drag_figures import collapse_figure, ratio_figure, two_routes_figure
from ..plots.drag_text import (
    collapse_numbers,
    collapse_words,
    describe_collapse,
    describe_ratio,
    describe_routes,
    fitted_words,
    laws_table,
    nearest_law,
    ratio_numbers,
    ratio_words,
    routes_numbers,
    routes_words,
    where_it_fails,
)
from ..plots.trials import agreement_figure
from ..stats.averages import Agreement, compare_methods
from ..wording import axis_title, condition_place, condition_value, interval, number
from .parts import Details, KitBox, PlotView, Status, choice_of, heading, side_of, stack_of

__all__ = [
    "AgreementView",
    "CollapseView",
    "TwoRoutes",
    "agreement_plot",
]


# --- two methods on the same conditions ---------------------------------------------------------------------------

_ANSWERS = (("Choose an answer", ""), ("Yes", "yes"), ("No", "no"), ("I don't know", "unknown"))

_THEN = {
    "yes": "Then a difference is one of the methods: look at its size, and at whether it grows with the value.",
    "no": "Then part of any difference is no fault: the two count different stretches of the same run.",
    "unknown": "Then find out before you blame a method: from when to when does each of them count?",
}

_READING = (
    "Each point is one condition. Its height is the first method minus the second, its place the average of the two.",
    "The average difference says whether one method reads more on the whole. If its interval holds zero, these pairs "
    "cannot tell the methods apart on average.",
    "The wide range is where the difference of one further pair is expected, 95 times in 100. With few pairs it is "
    "wider than the usual limits of ± 1.96 standard deviations, which are right only for many.",
    "Do the points fan out to the right? Then the difference grows with the value, and per cent would say more.",
)


class AgreementView(KitBox):
    """Compare two methods pair by pair, such as counts by hand and by the gate.

    Parameters
    ----------
    x, first, second : condition of each pair, and what each method gave there, in the same unit.
    x_name : column name of the condition, such as "magnets".
    unit : of both methods.
    names : what the two methods are called.
    own, own_words : pairs (condition, first, second) of the group's own, beside the others, and what to say of them.

    The plot shows once "Do both measure the same thing?" is answered. `same_thing` is that answer ("", "yes", "no",
    "unknown") and can be observed; `agreement` is what `kit.compare_methods` found.

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
        own: Sequence[tuple[float | str, float, float]] = (),
        own_words: Sequence[str] = (),
    ):
        self._own, self._own_words = own, own_words
        self.agreement: Agreement = compare_methods(x, first, second, unit)
        self._unit, self._names, self._x_name = unit, names, x_name
        self._question = choice_of("Do both count the same thing, from the same start to the same stop?", _ANSWERS)
        self._say, self._reading = Status(), Details(summary="How to read it")
        self._reading.show(_READING)
        self._shown = widgets.VBox()
        self._shown.layout.display = "none"
        super().__init__([self._question, self._shown])
        self._question.observe(lambda change: self.set_trait("same_thing", change["new"]), "value")
        self.observe(lambda _: self._show(), "same_thing")

    def _show(self) -> None:
        if not self.same_thing:
            return
        self._question.value = self.same_thing
        found = self.agreement
        if not self._shown.children:
            self._plot = agreement_plot(found, self._unit, axis_title(self._x_name), self._names, self._own)
            rail = stack_of("kit-rail kit-narrow", self._say, self._reading)
            self._shown.children = (side_of(stack_of("kit-main", self._plot), rail),)
        self._say.say(
            _THEN[self.same_thing],
            found.sentence,
            f"One further pair should differ by {interval(*found.next_range, self._unit)}.",
            *self._own_words,
        )
        self._shown.layout.display = ""


def agreement_plot(
    found: Agreement,
    unit: str,
    x_label: str,
    names: tuple[str, str],
    own: Sequence[tuple[float | str, float, float]] = (),
) -> PlotView:
    """The differences of two methods as a plot with its numbers.

    Parameters
    ----------
    names : what the methods are called.
    own : the group's own pairs (condition, first, second), beside the others.
    """
    view = PlotView(name="the differences")
    pairs = [(x, a, b, condition_value(x)) for x, a, b in found.pairs[["x", "first", "second"]].itertuples(index=False)]
    pairs += [(x, a, b, f"{condition_value(x)}, own count") for x, a, b in own]
    pairs.sort(key=lambda pair: condition_place(pair[0]))
    numbers = pd.DataFrame(
        {
            x_label: [words for *_, words in pairs],
            names[0]: [number(a) for _, a, _, _ in pairs],
            names[1]: [number(b) for _, _, b, _ in pairs],
            "difference": [number(a - b, 3) for _, a, b, _ in pairs],
        }
    )
    view.show(agreement_figure(found, unit, *names, own=own), found.sentence, numbers)
    return view


# --- all runs on one curve, and turns ÷ coasting time for each kind of drag ------------------------------------

VIEWS = (
    ("all runs on one curve", "collapse"),
    ("what is left over", "left over"),
    ("turns ÷ coasting time", "ratio"),
    ("turns ÷ coasting time, close up", "close"),
)


class CollapseView(KitBox):
    """Show that runs of different strength of drag fall on one curve, and which kind of drag that curve belongs to.

    Parameters
    ----------
    runs : the runs of one lesson.
    results : their results table, as `kit.measure` makes it for the two thresholds; runs set aside or not
        counted there stay out of all plots.
    x : the condition that was changed.
    start_period_s, stop_period_s : the thresholds of `results`, s. A count to the last pass has no stop speed, so it
        can't be compared: give a stop threshold.

    `collapsed`, `curves` and `test` are the tables and the ratio test shown; `view` is the view chosen, one of
    "collapse", "left over", "ratio" and "close".

    Raises
    ------
    KitError : no stop threshold, no run that reaches both thresholds, or a missing column.
    """

    def __init__(
        self, runs: Sequence[Run], results: pd.DataFrame, x: str, start_period_s: float, stop_period_s: float | None
    ):
        if stop_period_s is None:
            raise KitError(
                "Runs counted to their last pass end at different speeds, so they can't be laid on one curve",
                fix="choose a stop threshold",
            )
        self.x = x
        self.test: RatioTest = ratio_test(results, x, start_period_s, stop_period_s)
        self.collapsed = collapse(_counted(runs, self.test), start_period_s, stop_period_s)
        self.curves = law_curves(start_period_s, stop_period_s)
        self._choice = choice_of("View", VIEWS)
        self._plot, self._say = PlotView(), Status()
        super().__init__([self._choice, self._plot, self._say])
        self._choice.observe(lambda _: self._show(), "value")
        self._show()

    @property
    def view(self) -> str:
        """The view chosen."""
        return self._choice.value

    @view.setter
    def view(self, name: str) -> None:
        if name not in [value for _, value in VIEWS]:
            raise KitError("There is no such view", found=name, fix=f"use one of: {', '.join(v for _, v in VIEWS)}")
        self._choice.value = name

    def _show(self) -> None:
        if self.view in ("collapse", "left over"):
            off = nearest_law(self.collapsed, self.curves) if self.view == "left over" else None
            self._plot.show(
                collapse_figure(self.collapsed, self.curves, self.x, left_over=off),
                describe_collapse(self.collapsed, self.curves, self.x, off),
                collapse_numbers(self.collapsed, self.curves, self.x),
            )
            self._say.say(*collapse_words(self.collapsed, self.curves, self.x))
        else:
            figure = ratio_figure(self.test, close=self.view == "close")
            self._plot.show(figure, describe_ratio(self.test), ratio_numbers(self.test))
            self._say.say(*ratio_words(self.test))


def _counted(runs: Sequence[Run], test: RatioTest) -> list[Run]:
    """The runs that the ratio test counts, where the table names their sources."""
    if "source" not in test.runs.columns or not test.runs["source"].all():
        return list(runs)
    return [run for run in runs if run.source in set(test.runs["source"])]


# --- one number by two routes: how much the apparatus alone drags -------------------------------------------------


class TwoRoutes(KitBox):
    """Show n₀ by the trend and by the drag fits, whether they agree, and where an inverse must fail.

    Parameters
    ----------
    results : a results table as `kit.measure` makes it for the two thresholds.
    runs : the runs of the lesson; the drag laws are fitted to their passes.
    x : the condition that was changed.
    start_period_s, stop_period_s : the thresholds of `results`, s.
    joint : the fit of `kit.joint_fit`, if it was made before.

    `routes` is the table of `kit.motion.explain.routes`, `joint` the fit of all runs.

    Raises
    ------
    KitError : no stop threshold, or too few conditions or runs for a shifted inverse or for the lines of drag.
    """

    def __init__(
        self,
        results: pd.DataFrame,
        runs: Sequence[Run],
        x: str,
        start_period_s: float,
        stop_period_s: float | None,
        joint: JointDrag | None = None,
    ):
        if stop_period_s is None:
            raise KitError(
                "Runs counted to their last pass end at different speeds: no drag law can foretell their x₀",
                fix="choose a stop threshold",
            )
        self.joint = joint or joint_fit(runs, x)
        self.routes = routes(results, self.joint, start_period_s, stop_period_s)
        nothing = at_nothing_added(results, self.joint, start_period_s, stop_period_s)
        plot, agree, fails, law = (
            PlotView(height_px=340),
            Status(),
            Status(),
            Details(summary="The law behind the drag fits"),
        )
        plot.show(two_routes_figure(self.routes, x), describe_routes(self.routes, x), routes_numbers(self.routes, x))
        agree.say(*routes_words(self.routes, x, self.joint.changing_law))
        fails.say(*where_it_fails(nothing, self.routes, x, self.joint.law))
        law.show(fitted_words(self.joint), laws_table(self.joint))
        super().__init__([plot, agree, heading("Where an inverse must fail"), fails, law])
