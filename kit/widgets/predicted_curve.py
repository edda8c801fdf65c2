"""A curve a student expects: one value for each condition, set before measuring and laid over the data later."""

from __future__ import annotations

from collections.abc import Sequence

import anywidget
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..plots.style import number_line
from ..record.entries import Kind
from ..record.workbook import Workbook
from ..wording import DASH, interval, number
from .parts import Details, KitBox, Status, action, front_end

__all__ = ["PredictedCurve", "how_far_off"]


class SketchAxes(t.HasTraits):
    """What axes that somebody draws on know, whatever is drawn (`sketch_axes.js`)."""

    x_values = t.List(t.Float()).tag(sync=True)
    x_range = t.List(t.Float()).tag(sync=True)  # ends of the number line
    measured = t.List(t.Dict()).tag(sync=True)
    y_max = t.Float(1.0).tag(sync=True)
    locked = t.Bool(False).tag(sync=True)
    x_name = t.Unicode().tag(sync=True)
    x_label = t.Unicode().tag(sync=True)
    y_label = t.Unicode().tag(sync=True)
    unit = t.Unicode().tag(sync=True)
    description = t.Unicode().tag(sync=True)


class _Curve(SketchAxes, anywidget.AnyWidget):
    """The points on the page. `values` holds a number or None for each of `x_values`."""

    _esm = front_end("make.js", "make_svg.js", "page_parts.js", "sketch_axes.js", "predicted_curve.js")
    _css = front_end("predicted_curve.css")

    values = t.List(t.Float(allow_none=True)).tag(sync=True)


class PredictedCurve(KitBox):
    """Set what you expect for every condition; seal it; see it beside the data.

    Parameters
    ----------
    x_values : the conditions.
    workbook, stage, quantity : the curve is saved, sealed, as `predicted_curve:<quantity>`.
    x_label, y_label, unit : words for the axes.
    y_max : top of the scale, in `unit`.
    averages : the measured averages (columns: the condition first, `mean, pooled_low, pooled_high`); given, they are
        laid over the sealed curve and the points can't be moved any more.
    """

    def __init__(
        self,
        x_values: Sequence[float],
        workbook: Workbook,
        stage: str,
        quantity: str,
        *,
        x_label: str,
        y_label: str,
        unit: str,
        y_max: float,
        averages: pd.DataFrame | None = None,
    ):
        self.workbook, self.stage, self.kind = workbook, stage, Kind.PREDICTED_CURVE.of(quantity)
        sealed = workbook.first(self.kind)
        known = dict(zip(sealed["x"], sealed["values"], strict=True)) if sealed else {}
        x_values = [float(x) for x in x_values]
        self.curve = _Curve(
            x_values=x_values,
            x_range=list(number_line(x_values)),
            values=[known.get(x) for x in x_values],
            y_max=y_max,
            locked=bool(sealed) or averages is not None,
            x_name=x_label,
            x_label=x_label,
            y_label=y_label,
            unit=unit,
            description=f"What you expect: {y_label} for each {x_label}",
        )
        self.message = Status()
        self.seal_button = action("Seal my curve", self._seal, disabled=bool(sealed))
        super().__init__([self.curve, self.seal_button, self.message])
        if averages is not None:
            self._lay_over(averages, unit)
        elif sealed:
            self.message.say("Your curve is sealed. You will see it again beside the data.")

    @property
    def expected(self) -> dict[float, float | None]:
        """The value set for each condition; None where none is set yet."""
        return dict(zip(self.curve.x_values, self.curve.values, strict=True))

    def _seal(self) -> None:
        missing = [f"{x:g}" for x, value in self.expected.items() if value is None]
        if missing:
            self.message.error(f"Not sealed yet: set a value for {', '.join(missing)} too. A guess is fine.")
            return
        try:
            self.workbook.add(
                self.stage, self.kind, {"x": list(self.expected), "values": list(self.expected.values())}, sealed=True
            )
        except KitError as error:
            self.message.error(error)
            return
        self.curve.locked = True
        self.seal_button.disabled = True
        self.message.say("Saved and sealed. You will see it again beside the data.")

    def _lay_over(self, averages: pd.DataFrame, unit: str) -> None:
        x = averages.columns[0]
        rows = averages[[x, "mean", "pooled_low", "pooled_high"]].set_axis(["x", "mean", "low", "high"], axis=1)
        self.curve.measured = rows.astype(float).to_dict("records")
        numbers = Details(summary="Show the numbers of this plot")
        numbers.show([], self._table(rows, unit))
        self.children = (self.curve, self.message, numbers)
        if all(value is None for value in self.expected.values()):
            self.message.say("You have not set a curve. The squares are the measured averages.")
            return
        off = how_far_off(self.expected, averages)
        self.message.say(
            "Round points and dashes: what you expected. Squares: the measured averages.",
            f"On average your values lie {number(100 * off, 2)} % from the measured ones.",
        )

    def _table(self, rows: pd.DataFrame, unit: str) -> pd.DataFrame:
        expected = [self.expected.get(x) for x in rows["x"]]
        return pd.DataFrame(
            {
                self.curve.x_label: rows["x"].map("{:g}".format),
                f"expected ({unit})": [DASH if value is None else f"{value:g}" for value in expected],
                f"measured average ({unit})": rows["mean"].map("{:.4g}".format),
                "95 % interval": [interval(*ends) for ends in zip(rows["low"], rows["high"], strict=True)],
            }
        )


def how_far_off(expected: dict[float, float | None], averages: pd.DataFrame) -> float:
    """Mean distance of expected values from measured means, as a share of the mean; NaN if none can be compared.

    `averages` as `kit.average` returns it: the condition's column first, and `mean`.
    """
    measured = dict(zip(averages.iloc[:, 0].astype(float), averages["mean"], strict=True))
    shares = [
        abs(value - measured[x]) / measured[x] for x, value in expected.items() if value is not None and x in measured
    ]
    return float(np.mean(shares)) if shares else float("nan")
