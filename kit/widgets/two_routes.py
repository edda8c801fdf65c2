"""One number by two routes: how much the apparatus alone drags, from the trend and from the drag fits."""

from __future__ import annotations

from collections.abc import Sequence

import ipywidgets as widgets
import pandas as pd

from ..drag_figures import two_routes_figure
from ..drag_joint import JointDrag, joint_fit
from ..drag_text import describe_routes, fitted_words, laws_table, routes_numbers, routes_words, where_it_fails
from ..errors import KitError
from ..passes import Run
from ..slowdown import at_nothing_added, routes
from .parts import Details, Say, heading
from .plot_view import PlotView

__all__ = ["TwoRoutes"]


class TwoRoutes(widgets.VBox):
    """Show n₀ by the trend and by the drag fits, whether they agree, and where an inverse must fail.

    Parameters
    ----------
    results : a results table as `kit.threshold.measure` makes it for the two thresholds.
    runs : the runs of the lesson; the drag laws are fitted to their passes.
    x : the condition that was changed.
    start_period_s, stop_period_s : the thresholds of `results`, s.
    joint : the fit of `kit.drag_joint.joint_fit`, if it was made before.

    `routes` is the table of `kit.slowdown.routes`, `joint` the fit of all runs.

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
        plot, agree, fails, law = PlotView(height_px=340), Say(), Say(), Details(summary="The law behind the drag fits")
        plot.show(two_routes_figure(self.routes, x), describe_routes(self.routes, x), routes_numbers(self.routes, x))
        agree.say(*routes_words(self.routes, x, self.joint.changing_law))
        fails.say(*where_it_fails(nothing, self.routes, x, self.joint.law))
        law.show(fitted_words(self.joint), laws_table(self.joint))
        super().__init__([plot, agree, heading("Where an inverse must fail"), fails, law])
        self.add_class("kit-box")
