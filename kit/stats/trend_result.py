"""What a fit gives back: parameters with 95 % intervals, the curve and its predictions, trends side by side."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..errors import KitError
from ..wording import evidence_share, interval, number, percent, plus_minus
from .trend_models import Model, get_model

__all__ = ["LackOfFit", "Parameter", "Prediction", "Trend", "Trends"]

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Parameter:
    """A fitted number with its standard uncertainty (linear theory) and its 95 % profile interval."""

    value: float
    u: float  # nan where the data do not fix it
    low: float  # -inf or inf where the data set no limit
    high: float


@dataclass(frozen=True)
class Prediction:
    """What the curve says at x, with its standard uncertainty and 95 % interval (floats, or arrays shaped like x).

    With errors="relative" `value` is a median: half of the runs should take longer. The interval is then
    symmetric in ln y, and `u` is that of ln y times the value.
    """

    value: float | np.ndarray
    low: float | np.ndarray
    high: float | np.ndarray
    u: float | np.ndarray
    beyond_data: bool | np.ndarray  # True outside the range of x measured: not tested there


@dataclass(frozen=True)
class LackOfFit:
    """Are the averages further from the curve than the repeats' scatter explains? A small p says: yes, a misfit.

    With errors="given": chi-squared against the stated uncertainties (`dof_scatter` None). Otherwise F against the
    scatter of repeats at equal x (Draper & Smith 1998, Applied Regression Analysis, 2.1).
    """

    statistic: float
    p: float
    dof: int
    dof_scatter: int | None


@dataclass(frozen=True, eq=False, repr=False)
class Trend:
    """One model fitted to one quantity. Made by `kit.stats.trend.fit_trend`; call it like a plain function of x.

    The fitting scale is ln y for errors="relative", y for "absolute", y/u for "given". `residuals`, `scatter`,
    `loo_error` and `r_squared` are on that scale, so a scatter of 0.02 means 2 %, 0.02 units of y, or 0.02 u. With
    `setup_scatter` the N values are condition means, and `scatter` is that of one trial at a new set-up.

    >>> import kit
    >>> trend = kit.fit_trend([1, 1, 2, 2, 4, 4, 8, 8], [38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0], "power law")
    >>> trend
    Trend(y = 39.37 × x^(−0.818), power law: 8 trials, spread 4.1 %)
    >>> print(f"{trend(3.0):.1f}, next run {trend.predict(3.0, 'single run').low:.1f} or more")
    16.0, next run 14.4 or more
    """

    model: str
    errors: str  # "relative", "absolute" or "given"
    parameters: dict[str, Parameter]
    covariance: np.ndarray  # (parameters, parameters)
    residuals: np.ndarray  # (N,) one a trial, in the order given
    scatter: float  # residual standard deviation, N - parameters degrees of freedom
    dof: int
    factor: float  # from a standard error to half a 95 % interval: Student's t, or 1.96 for given uncertainties
    aicc: float  # -2 ln L + 2k + 2k(k+1)/(N-k-1), the scatter counted in k unless given
    weight: float | None  # share of the evidence among the models compared; None for a model fitted alone
    lack_of_fit: LackOfFit | None  # None without repeats
    loo_error: float  # rms error in predicting a condition left out; nan if too few, inf if without a value there
    r_squared: float  # beside a residual plot only; it ranks nothing
    x: np.ndarray = field(repr=False)  # (N,) the data, as given
    y: np.ndarray = field(repr=False)
    u: np.ndarray | None = field(default=None, repr=False)
    at_bound: bool = False  # the best curve lies at an end of what the model can do, or is not fixed by the data
    note: str = ""  # what that means here
    setup_scatter: float | None = None  # of whole set-ups, on the fitting scale; None where it was not asked for
    weights: np.ndarray | None = field(default=None, repr=False)  # (N,) of the condition means, then; else all are 1

    def __call__(self, x):
        return self.value(x)

    def __repr__(self) -> str:
        alone = "" if self.weight is None else f", {evidence_share(self.weight)} of the evidence"
        return f"Trend({self.equation()}, {self.model}: {len(self.x)} trials, spread {self._scatter_words()}{alone})"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(name)}</td><td>{escape(plus_minus(p.value, p.u))}</td>"
            f"<td>{escape(interval(p.low, p.high))}</td></tr>"
            for name, p in self.parameters.items()
        )
        head = "".join(f"<th>{title}</th>" for title in ("number", "value ± u", "95 % interval"))
        note = f"<p>{escape(self.note)}</p>" if self.note else ""
        said = f"{self.statement} {len(self.x)} trials spread by {self._scatter_words()} about it."
        return (
            f"<p><b>{escape(self.equation())}</b> ({escape(self.model)}). {escape(said)}</p>"
            f"<table><tr>{head}</tr>{rows}</table>{note}"
        )

    def _scatter_words(self) -> str:
        """How far single trials lie from the curve, in per cent, in the unit of y or in stated uncertainties."""
        if self.errors == "relative":
            return percent(self.scatter)
        return number(self.scatter, 2) + (" u" if self.errors == "given" else "")

    @property
    def _model(self) -> Model:
        return get_model(self.model)

    @property
    def theta(self) -> np.ndarray:
        """(parameters,) the values alone, in the model's order."""
        return np.array([parameter.value for parameter in self.parameters.values()])

    @property
    def formula(self) -> str:
        """The curve as a formula: "A·x^p"."""
        return self._model.formula

    @property
    def statement(self) -> str:
        """What the curve says, in a sentence."""
        return self._model.statement

    @property
    def x_range(self) -> tuple[float, float]:
        """The smallest and the largest condition measured."""
        return float(self.x.min()), float(self.x.max())

    @property
    def lack_of_fit_p(self) -> float | None:
        """The p of the test of lack of fit; None without repeats."""
        return None if self.lack_of_fit is None else self.lack_of_fit.p

    def defined_at(self, x) -> np.ndarray:
        """Whether the curve has a value at x: an inverse or a power has none at 0."""
        return self._model.defined_at(x, self.theta)

    def value(self, x):
        """The curve at x (a number, or an array of any shape).

        Raises
        ------
        KitError : the curve has no value at some x.
        """
        x = np.asarray(x, float)
        if not np.all(self.defined_at(x)):
            raise KitError(
                f"The curve {self.formula} has no value at this x",
                found=float(x[~self.defined_at(x)].flat[0]) if x.ndim else float(x),
                fix="Ask for an x at which it is defined, or use another model",
            )
        value = self._model.value(x, *self.theta)
        return value if x.ndim else float(value)

    def predict(self, x, kind: str = "mean") -> Prediction:
        """The curve at x with its 95 % interval, by linear propagation of the parameters' covariance.

        kind : "mean", where the curve itself may lie, or "single run", where the next run should come out (the
            scatter of one run is added; with errors="given", the root mean square of the uncertainties given).
        Assumes independent normal scatter on the fitting scale and the model to hold. A relative interval is nan where
        the curve is not above 0.

        Raises
        ------
        KitError : the curve has no value at some x, or an unknown kind.
        """
        if kind not in ("mean", "single run"):
            raise KitError("This kind of prediction is not known", found=kind, fix='Use "mean" or "single run"')
        value = np.asarray(self.value(x))
        shaped = np.asarray(x, float)
        columns = [np.broadcast_to(g, shaped.shape) for g in self._model.gradient(shaped, *self.theta)]
        gradient = np.stack(columns, axis=-1)
        variance = np.einsum("...i,ij,...j->...", gradient, self.covariance, gradient)
        one_run = 0.0
        if kind == "single run":
            one_run = self.scatter**2 if self.u is None else float(np.mean(self.u**2))
        if self.errors == "relative":
            with np.errstate(all="ignore"):
                u_log = np.where(value > 0, np.sqrt(variance / value**2 + one_run), np.nan)
                low, high = value * np.exp(-self.factor * u_log), value * np.exp(self.factor * u_log)
            u = value * u_log
        else:
            u = np.sqrt(variance + one_run)
            low, high = value - self.factor * u, value + self.factor * u
        beyond = (shaped < self.x.min()) | (shaped > self.x.max())
        if shaped.ndim:
            return Prediction(value, low, high, u, beyond)
        return Prediction(float(value), float(low), float(high), float(u), bool(beyond))

    def equation(self, y: str = "y", x: str = "x") -> str:
        """The curve with its numbers, rounded to two digits of their standard errors: 'y = 59.10 / (x + 0.557)'."""
        numbers = [_rounded(parameter.value, parameter.u) for parameter in self.parameters.values()]
        return f"{y} = {self._model.text(x, *numbers)}"


class Trends(list):
    """Trends, best first, and the models that could not be fitted: `not_applicable` maps their names to reasons."""

    def __init__(self, trends: Iterable[Trend], not_applicable: dict[str, str] | None = None):
        super().__init__(trends)
        self.not_applicable = dict(not_applicable or {})

    def named(self, model: str) -> Trend:
        """The trend of that model.

        Raises
        ------
        KitError : it is not among them, with the reason.
        """
        for trend in self:
            if trend.model == model:
                return trend
        raise KitError(f"The model '{model}' was not fitted", fix=self.not_applicable.get(model))

    def table(self) -> pd.DataFrame:
        """One row a parameter: model, parameter, value, u, low, high (95 %), and its model's aicc and weight."""
        import pandas as pd

        rows = [
            (trend.model, name, p.value, p.u, p.low, p.high, trend.aicc, trend.weight)
            for trend in self
            for name, p in trend.parameters.items()
        ]
        return pd.DataFrame(rows, columns=["model", "parameter", "value", "u", "low", "high", "aicc", "weight"])


def _rounded(value: float, u: float) -> str:
    if not (math.isfinite(u) and u > 0) or value == 0:
        text = f"{value:.4g}"
    else:
        decimals = 1 - math.floor(math.log10(u))
        if 1e-4 <= abs(value) < 1e7:
            text = f"{round(value, decimals):.{min(max(decimals, 0), 12)}f}"
        else:
            text = f"{value:.{min(max(math.floor(math.log10(abs(value))) + decimals, 0), 15)}e}"
    return text.replace("-", "−")
