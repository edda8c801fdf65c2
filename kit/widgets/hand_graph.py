"""A graph by hand: put the averages on empty axes, draw a curve by eye, then see it beside the fitted ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil, floor, log10

import anywidget
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..lessons.by_hand import bent_through, curve_places, drawn_beside_fitted
from ..lessons.progress import Progress
from ..plots.style import number_line
from ..record.entries import QUANTITIES, Kind
from ..record.workbook import Workbook
from ..stats.trend import Trend
from ..wording import DASH, condition_value, join_words, number, rounded_by
from .parts import Details, KitBox, Status, action, attempt, front_end, note
from .predicted_curve import SketchAxes

__all__ = ["HandGraph", "lesson_hand_graph"]

FITTED = ("fitted curve A", "fitted curve B")


class _Graph(SketchAxes, anywidget.AnyWidget):
    """The axes on the page. `points`: a height or None for each of `x_values`; `curve`: the same for `curve_x`."""

    _esm = front_end("make.js", "make_svg.js", "page_parts.js", "sketch_axes.js", "hand_graph.js")
    _css = front_end("parts.css", "predicted_curve.css")

    curve_x = t.List(t.Float()).tag(sync=True)
    points = t.List(t.Float(allow_none=True)).tag(sync=True)
    curve = t.List(t.Float(allow_none=True)).tag(sync=True)
    averages = t.List(t.Unicode()).tag(sync=True)  # to put on, as they are written
    fitted = t.List(t.Dict()).tag(sync=True)  # {"name", "xs", "ys"}


class HandGraph(KitBox):
    """Plot by hand, draw by eye, compare with what the kit fits. Nothing is graded.

    Parameters
    ----------
    averages : table of `kit.average`, the condition's column first.
    fits : returns the fitted trends, best first; asked for once the graph is saved. Two of them are drawn, without
        their names, which belong to the step after this one.
    workbook, stage, quantity : the graph is saved as `hand_graph:<quantity>`; what is not yet saved is kept as a draft.
    x_label, y_label, unit : words for the axes.

    `graph` holds what stands on the page; `beside` is the table of all curves, None before they are shown.
    """

    def __init__(
        self,
        averages: pd.DataFrame,
        fits: Callable[[], Sequence[Trend]],
        workbook: Workbook,
        stage: str,
        quantity: str,
        *,
        x_label: str,
        y_label: str,
        unit: str,
    ):
        self.workbook, self.stage, self.kind = workbook, stage, Kind.HAND_GRAPH.of(quantity)
        self._averages, self._fits, self._unit = averages, fits, unit
        self._draft = Kind.DRAFT.of(self.kind)
        self.beside: pd.DataFrame | None = None
        x = averages.iloc[:, 0].astype(float).tolist()
        ends = number_line(x)
        places = curve_places(x, *ends)
        kept, drawing = self._kept(x, places)
        means = zip(averages["mean"], averages["pooled_u"], strict=True)
        self.graph = _Graph(
            x_values=x,
            x_range=list(ends),
            curve_x=places,
            points=drawing["points"],
            curve=drawing["curve"],
            averages=[rounded_by(mean, u) for mean, u in means],
            y_max=_top(averages["mean"].max()),
            locked=kept,
            x_name=x_label,
            x_label=x_label,
            y_label=y_label,
            unit=unit,
            description=f"Empty axes for a graph by hand: {y_label} for each {x_label}",
        )
        self.say, self.numbers = Status(), Details(summary="Show the numbers of this graph")
        self.save_button = action("Save my graph and show the fitted curves", lambda: attempt(self.say, self._save))
        self._ask = note(
            "Put a cross at each average: click where it belongs, or type it. Then draw one smooth curve by eye. "
            "It need not hit every cross."
        )
        super().__init__(
            [
                self._ask,
                self.graph,
                self.save_button,
                self.say,
            ]
        )
        self.graph.on_msg(self._asked)
        if kept:
            self._lay_beside()
        else:
            self.graph.observe(lambda _: self._keep_draft(), ["points", "curve"])

    def bend(self, at: float, height: float | None) -> None:
        """Let the curve pass through a height at one condition, bent smoothly to the conditions beside it."""
        graph = self.graph
        if not graph.locked:
            graph.set_trait("curve", bent_through(graph.curve_x, graph.curve, graph.x_values, at, height))

    # --- from the page ---------------------------------------------------------------------------------------------

    def _asked(self, _, message: dict, __) -> None:
        at, height = message.get("bend"), message.get("height")
        if isinstance(at, int | float) and (height is None or isinstance(height, int | float)):
            self.bend(at, height)

    def _save(self) -> None:
        graph = self.graph
        missing = [f"{x:g}" for x, y in zip(graph.x_values, graph.points, strict=True) if y is None]
        if missing:
            raise KitError(f"The averages at {join_words(missing)} are not on your graph yet")
        if sum(height is not None for height in graph.curve) < 2:
            raise KitError("There is no curve yet", fix='choose "Draw the curve" and draw, or type its heights')
        self.workbook.add(self.stage, self.kind, self._drawing())
        self._lay_beside()

    # --- what is kept ----------------------------------------------------------------------------------------------

    def _drawing(self) -> dict:
        graph = self.graph
        return {"x": graph.x_values, "points": graph.points, "curve_x": graph.curve_x, "curve": graph.curve}

    def _kept(self, x: list[float], places: list[float]) -> tuple[bool, dict]:
        """Whether a graph is saved, and it, or the draft, or empty axes.

        Points are kept by their condition and a curve by its places, so that both return where other runs count now.
        """
        saved = self.workbook.latest(self.kind)
        found = saved or self.workbook.latest(self._draft) or {"x": [], "points": [], "curve_x": [], "curve": []}
        points = dict(zip(found["x"], found["points"], strict=True))
        drawn = [(at, y) for at, y in zip(found["curve_x"], found["curve"], strict=True) if y is not None]
        heights: list[float | None] = [None] * len(places)
        if found["curve_x"] == places:
            heights = list(found["curve"])
        elif len(drawn) > 1:
            at, drawn_y = np.array(drawn, float).T
            heights = _or_none(np.interp(places, at, drawn_y, left=np.nan, right=np.nan))
        return saved is not None, {"points": [points.get(value) for value in x], "curve": heights}

    def _keep_draft(self) -> None:
        try:
            self.workbook.add(self.stage, self._draft, self._drawing())
        except KitError as error:
            self.say.error(error)

    # --- beside the fitted curves ----------------------------------------------------------------------------------

    def _lay_beside(self) -> None:
        graph, averages = self.graph, self._averages
        x = averages.columns[0]
        trends = sorted(list(self._fits())[: len(FITTED)], key=lambda trend: trend.model)  # best first would tell
        rows = averages[[x, "mean", "pooled_low", "pooled_high"]].set_axis(["x", "mean", "low", "high"], axis=1)
        places = np.array(graph.curve_x)
        inside = places[(places >= graph.x_values[0] * 0.5) & (places > 0)]
        with graph.hold_sync():
            graph.locked = True
            graph.measured = rows.astype(float).T.fillna(rows["mean"]).T.to_dict("records")  # one trial: no interval
            graph.fitted = [
                {"name": name, "xs": inside.tolist(), "ys": _or_none(np.asarray(trend(inside), float))}
                for name, trend in zip(FITTED, trends, strict=False)
            ]
        self.beside = drawn_beside_fitted(self._drawing(), averages, trends, FITTED[: len(trends)])
        self.numbers.show([], _in_words(self.beside, graph.x_label, self._unit))
        self.children = (self._ask, graph, self.say, self.numbers)
        self.say.say(*self._words(trends))

    def _words(self, trends: Sequence[Trend]) -> list[str]:
        table = self.beside
        assert table is not None
        graph_x = self.graph.x_values
        off = 100 * (table["my point"] / table["average"] - 1).abs()
        worst = int(off.to_numpy().argmax())
        said = ["Saved. Squares are the averages, crosses are where you put them. Your curve stays as you drew it."]
        if off.iloc[worst] > 5:
            at = condition_value(graph_x[worst])
            said.append(f"One cross lies some way from its square, at {at}. How would you read the scale there?")
        if trends:
            told = join_words(FITTED[: len(trends)])
            said.append(f"The dashed lines are {told}: you find out below what they are.")
            curve = table.dropna(subset=["my curve"])
            apart = [
                (abs(row["my curve"] - row[name]) / row["average"], row)
                for _, row in curve.iterrows()
                for name in FITTED[: len(trends)]
            ]
            if apart:
                share, row = max(apart, key=lambda one: one[0])
                said.append(
                    f"Your curve and a fitted one are furthest apart at {row.index[0]} {condition_value(row.iloc[0])}, "
                    f"by {number(100 * share, 2)} % of the average. Look there. What made you draw it so?"
                )
        return said


def _or_none(values: np.ndarray) -> list[float | None]:
    return [float(y) if np.isfinite(y) else None for y in values]


def _in_words(table: pd.DataFrame, x_label: str, unit: str) -> pd.DataFrame:
    words = {x_label: table.iloc[:, 0].map(condition_value).tolist()}
    for name in table.columns[1:]:
        words[f"{name} ({unit})"] = [DASH if pd.isna(value) else f"{value:.4g}" for value in table[name]]
    return pd.DataFrame(words)


def _top(largest: float) -> float:
    """A round end of the scale a little above the largest average."""
    power = 10.0 ** floor(log10(1.1 * largest))
    return float(ceil(1.1 * largest / power * 2) / 2 * power)


def lesson_hand_graph(progress: Progress, stage: str, quantity: str) -> HandGraph:
    """`HandGraph` for a group's averages of one quantity.

    Raises
    ------
    KitError : no trial counts.
    """
    words, unit = QUANTITIES[quantity]
    return HandGraph(
        progress.averages(quantity),
        lambda: progress.trends(quantity),
        progress.workbook,
        stage,
        quantity,
        x_label=progress.lesson.x_label,
        y_label=words if words.endswith(unit) else f"{words} ({unit})",
        unit=unit,
    )
