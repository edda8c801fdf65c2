"""All runs on one curve, and turns/duration beside what each kind of drag alone would give."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd

from ..drag_figures import collapse_figure, ratio_figure
from ..drag_text import (
    collapse_numbers,
    collapse_words,
    describe_collapse,
    describe_ratio,
    nearest_law,
    ratio_numbers,
    ratio_words,
)
from ..errors import KitError
from ..explain import RatioTest, collapse, law_curves, ratio_test
from ..passes import Run
from .parts import Say, choice_of
from .plot_view import PlotView

__all__ = ["CollapseView"]

VIEWS = (
    ("all runs on one curve", "collapse"),
    ("what is left over", "left over"),
    ("turns ÷ duration", "ratio"),
    ("turns ÷ duration, close up", "close"),
)


class CollapseView(widgets.VBox):
    """Show that runs of different strength of drag fall on one curve, and which kind of drag that curve belongs to.

    Parameters
    ----------
    runs : the runs of one lesson.
    results : their results table, as `kit.threshold.measure` makes it for the two thresholds; runs set aside or not
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
        self._plot, self._say = PlotView(), Say()
        super().__init__([self._choice, self._plot, self._say])
        self.add_class("kit-box")
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
