"""One model or several fitted to trials: parameters with 95 % intervals, AICc, lack of fit, prediction error."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..errors import KitError
from .least_squares import Fit, Means, best_fit, condition_means, linearise, profile
from .trend_models import MODELS, Model, get_model

__all__ = [
    "CONFIDENCE",
    "Band",
    "LackOfFit",
    "Parameter",
    "Prediction",
    "Trend",
    "Trends",
    "TrialData",
    "above_zero",
    "bootstrap_band",
    "fit_trend",
    "fit_trends",
    "numbers",
]

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Parameter:
    """A fitted number with its standard error (linear theory) and its 95 % profile interval."""

    value: float
    se: float  # nan where the data do not fix it
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


@dataclass(frozen=True, eq=False)
class Trend:
    """One model fitted to one quantity. Made by `kit.stats.trend.fit_trend`; call it like a plain function of x.

    The fitting scale is ln y for errors="relative", y for "absolute", y/u for "given". `residuals`, `scatter`,
    `loo_error` and `r_squared` are on that scale, so a scatter of 0.02 means 2 %, 0.02 units of y, or 0.02 u.
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

    def __call__(self, x):
        return self.value(x)

    @property
    def _model(self) -> Model:
        return get_model(self.model)

    @property
    def theta(self) -> np.ndarray:
        """(parameters,) the values alone, in the model's order."""
        return np.array([parameter.value for parameter in self.parameters.values()])

    @property
    def formula(self) -> str:
        return self._model.formula

    @property
    def statement(self) -> str:
        """What the curve says, in a sentence."""
        return self._model.statement

    @property
    def x_range(self) -> tuple[float, float]:
        return float(self.x.min()), float(self.x.max())

    @property
    def residual_scale(self) -> str:
        return {"relative": "ln y", "absolute": "y", "given": "y/u"}[self.errors]

    @property
    def lack_of_fit_p(self) -> float | None:
        return None if self.lack_of_fit is None else self.lack_of_fit.p

    def defined_at(self, x) -> np.ndarray:
        """Whether the curve has a value at x: an inverse or a power has none at 0."""
        return self._model.defined_at(x, self.theta)

    def value(self, x):
        """The curve at x (a number, or an array of any shape). Raises KitError where it has no value."""
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
        Assumes independent normal scatter on the fitting scale and the model to hold. Raises KitError where the
        curve has no value. A relative interval is nan where the curve is not above 0.
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
            one_run = self.scatter**2 if self.errors != "given" else float(np.mean(self.u**2))
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
        numbers = [_rounded(parameter.value, parameter.se) for parameter in self.parameters.values()]
        return f"{y} = {self._model.text(x, *numbers)}"


class Trends(list):
    """Trends, best first, and the models that could not be fitted: `not_applicable` maps their names to reasons."""

    def __init__(self, trends: Iterable[Trend], not_applicable: dict[str, str] | None = None):
        super().__init__(trends)
        self.not_applicable = dict(not_applicable or {})

    def named(self, model: str) -> Trend:
        """The trend of that model. Raises KitError, with the reason, if it is not among them."""
        for trend in self:
            if trend.model == model:
                return trend
        raise KitError(f"The model '{model}' was not fitted", fix=self.not_applicable.get(model))

    def table(self) -> pd.DataFrame:
        """One row a parameter: model, parameter, value, se, low, high (95 %), and its model's aicc and weight."""
        import pandas as pd

        rows = [
            (trend.model, name, p.value, p.se, p.low, p.high, trend.aicc, trend.weight)
            for trend in self
            for name, p in trend.parameters.items()
        ]
        return pd.DataFrame(rows, columns=["model", "parameter", "value", "se", "low", "high", "aicc", "weight"])


def _rounded(value: float, se: float) -> str:
    if not (math.isfinite(se) and se > 0) or value == 0:
        text = f"{value:.4g}"
    else:
        decimals = 1 - math.floor(math.log10(se))
        if 1e-4 <= abs(value) < 1e7:
            text = f"{round(value, decimals):.{min(max(decimals, 0), 12)}f}"
        else:
            text = f"{value:.{min(max(math.floor(math.log10(abs(value))) + decimals, 0), 15)}e}"
    return text.replace("-", "−")


# --- One model or several fitted to trials: parameters with 95 % intervals, AICc, lack of fit, prediction error.

ERRORS = ("relative", "absolute", "given")

CONFIDENCE = 0.95

NEAR_LOGARITHM = 0.01  # |p| ln(x_max / x_min) below this: A·x^p + C is a + b·ln x, with A and C running away


def fit_trend(x, y, model: str, *, errors: str = "relative", u=None) -> Trend:
    """Fit one model by least squares on the scale that `errors` names.

    x, y : (N,) one value a trial. model : a name in `MODELS`. u : (N,) standard uncertainties of y, for
    errors="given" only. Intervals are 95 % profile intervals: where the sum of squares, all other parameters
    refitted, is S_min (1 + t²/ν), with ν = N - parameters (given: S_min + 1.96²).

    Raises KitError for data that can't be fitted, with the reason: a model is never fitted to a part of them.
    """
    data = TrialData.checked(x, y, errors, u)
    chosen = get_model(model)
    reason = chosen.not_applicable(data.x)
    if reason:
        raise KitError(f"The model '{model}' can't be fitted to these data: {reason}", fix="Use another model")
    return _fit(chosen, data)


def fit_trends(x, y, *, errors: str = "relative", u=None, models: Sequence[str] | None = None) -> Trends:
    """Fit several models (the kit's eight unless `models` names some) and sort them by AICc, best first.

    Returns a list of `Trend` with evidence weights, exp(-ΔAICc/2) over their sum (Burnham & Anderson 2002, Model
    Selection and Multimodel Inference, 2.9). Its `not_applicable` maps models that could not be fitted to reasons.
    """
    data = TrialData.checked(x, y, errors, u)
    chosen = MODELS if models is None else [get_model(name) for name in models]
    if not chosen:
        raise KitError("There is no model to fit", fix="Name at least one, or leave `models` out")
    reasons = {model.name: model.not_applicable(data.x) for model in chosen}
    trends = [_fit(model, data) for model in chosen if reasons[model.name] is None]
    trends.sort(key=lambda trend: (trend.aicc, len(trend.parameters)))
    aicc = np.array([trend.aicc for trend in trends])
    weights = np.zeros(len(trends))
    if np.any(np.isfinite(aicc)):
        weights = np.exp(-(aicc - aicc[0]) / 2)
        weights /= weights.sum()
    return Trends(
        [replace(trend, weight=float(weight)) for trend, weight in zip(trends, weights, strict=True)],
        {name: reason for name, reason in reasons.items() if reason},
    )


@dataclass(frozen=True, eq=False)
class TrialData:
    """Checked data on the fitting scale: z = ln y or y, weight 1 or 1/u², and their condition means."""

    x: np.ndarray
    y: np.ndarray
    u: np.ndarray | None
    errors: str
    z: np.ndarray
    weight: np.ndarray
    means: Means
    condition: np.ndarray  # (N,) position of each trial's condition in means.x

    @classmethod
    def checked(cls, x, y, errors: str, u=None) -> TrialData:
        if errors not in ERRORS:
            raise KitError("This kind of errors is not known", found=errors, fix="Use one of: " + ", ".join(ERRORS))
        x, y = numbers(x, "x"), numbers(y, "y")
        if len(x) != len(y):
            raise KitError(
                f"x and y must have one value a trial each; x has {len(x)}, y has {len(y)}", fix="Give pairs"
            )
        if len(x) < 2:
            raise KitError("A trend needs at least two trials", found=len(x), fix="Measure more")
        if (u is not None) != (errors == "given"):
            raise KitError(
                'Uncertainties u belong to errors="given", and to no other kind',
                found=errors,
                fix='Give u and errors="given" together, or neither',
            )
        if errors == "relative":
            above_zero(y, "y", 'Set the trial aside with a reason, or use errors="absolute"')
        if u is not None:
            u = numbers(u, "u")
            if len(u) != len(x):
                raise KitError(f"u must have one value a trial; it has {len(u)}, x has {len(x)}", fix="Give one each")
            above_zero(u, "u", "Give a standard uncertainty above 0 for every trial")
        z = np.log(y) if errors == "relative" else y
        weight = np.ones(len(x)) if u is None else u**-2.0
        means, condition = condition_means(x, z, weight, log=errors == "relative")
        return cls(x, y, u, errors, z, weight, means, condition)


def numbers(values, name: str) -> np.ndarray:
    try:
        array = np.array(values, float)
    except (TypeError, ValueError):
        raise KitError(f"{name} must be a list of numbers", found=values, fix="Give one number a trial") from None
    if array.ndim != 1:
        raise KitError(f"{name} must be one list of numbers", found=array.shape, fix="Give one number a trial")
    if not np.all(np.isfinite(array)):
        at = int(np.flatnonzero(~np.isfinite(array))[0])
        raise KitError(f"Value {at + 1} of {name} is no finite number", found=array[at], fix="Leave that trial out")
    return array


def above_zero(values: np.ndarray, name: str, fix: str) -> None:
    if np.any(values <= 0):
        at = int(np.flatnonzero(values <= 0)[0])
        raise KitError(f"Value {at + 1} of {name} is not above 0", found=float(values[at]), fix=fix)


def _fit(model: Model, data: TrialData) -> Trend:
    from scipy.special import stdtrit

    means, given, count = data.means, data.errors == "given", len(model.parameters)
    fit = best_fit(model, means)
    theta = fit.theta[:, 0]
    ss = float(fit.ss[0] + means.within[0])
    dof = len(data.x) - count
    variance = ss / dof if dof else np.nan
    factor = float(stdtrit(np.inf if given else dof, (1 + CONFIDENCE) / 2)) if given or dof else np.nan
    at_bound, note = _bound(model, data.x, fit)
    covariance = _covariance(model, means, fit.theta, at_bound and fit.at_end[0] != 0)
    if not np.all(np.isfinite(covariance)) and not at_bound:
        at_bound, note = True, "These data do not fix all the parameters: other values fit just as well."
    covariance = covariance * (1.0 if given else variance)
    se = np.sqrt(np.diag(covariance))
    low, high = _intervals(model, means, fit, factor * se, factor**2 * (1.0 if given else variance))
    curve = model.value(data.x, *theta)
    residuals = (data.z - (np.log(curve) if data.errors == "relative" else curve)) * np.sqrt(data.weight)
    mean = np.average(data.z, weights=data.weight)
    spread = float(np.sum(data.weight * (data.z - mean) ** 2))
    return Trend(
        model=model.name,
        errors=data.errors,
        parameters={
            name: Parameter(float(theta[i]), float(se[i]), float(low[i]), float(high[i]))
            for i, name in enumerate(model.parameters)
        },
        covariance=covariance,
        residuals=residuals,
        scatter=float(np.sqrt(variance)),
        dof=dof,
        factor=factor,
        aicc=_aicc(data, max(ss, float(means.noise[0])), count),
        weight=None,
        lack_of_fit=_lack_of_fit(data, ss, count),
        loo_error=_leave_one_out(model, data, theta),
        r_squared=1 - ss / spread if spread > 0 else np.nan,
        x=data.x,
        y=data.y,
        u=data.u,
        at_bound=at_bound,
        note=note,
    )


def _bound(model: Model, x, fit: Fit) -> tuple[bool, str]:
    """Whether the best curve lies at an end of what the model can do, and what to say then."""
    end, shape = int(fit.at_end[0]), model.shape_index
    note = ""
    if end and model.at_ends:
        note = model.at_ends[end > 0]
    elif end:
        note = f"{model.shape[0]} ran to its limit: the best curve is a step at one end of the data."
    elif model.name == "power law plus constant" and _is_logarithm(x, fit.theta[shape, 0]):
        note = "p came out so near 0 that A and C run away: the curve is a constant plus a logarithm of x."
    elif not fit.settled[0]:
        note = "The search for the best curve did not settle: take these numbers as a rough guide."
    return bool(note), note


def _is_logarithm(x, p: float) -> bool:
    return bool(abs(p) * np.log(x.max() / x.min()) < NEAR_LOGARITHM)


def _covariance(model: Model, means: Means, theta, shape_at_end: bool) -> np.ndarray:
    """(JᵀWJ)⁻¹ by QR of the scaled Jacobian; nan where it is singular or a parameter sits at a bound."""
    _, jacobian = linearise(model, means.x, theta, means.log)
    columns = np.stack([np.broadcast_to(g, means.y.shape)[0] for g in jacobian], axis=1)
    columns = columns * np.sqrt(means.weight[0])[:, None]
    size = np.sqrt(np.sum(columns**2, axis=0))
    count = len(size)
    if shape_at_end or not np.all(np.isfinite(size) & (size > 0)):
        return np.full((count, count), np.nan)
    r = np.linalg.qr(columns / size, mode="r")
    if np.min(np.abs(np.diag(r))) < 1e-12:
        return np.full((count, count), np.nan)
    inverse = np.linalg.inv(r) / size[:, None]
    return inverse @ inverse.T


def _intervals(model: Model, means: Means, fit: Fit, half_width, rise: float) -> tuple[np.ndarray, np.ndarray]:
    """Profile limits of all parameters of the one data set in `fit`."""
    theta = fit.theta[:, 0]
    if not np.isfinite(rise):  # no degrees of freedom: nothing is known
        return np.full(len(theta), -np.inf), np.full(len(theta), np.inf)
    if rise <= 1e4 * means.noise[0]:  # the curve goes through the data but for rounding
        half_width = np.nan_to_num(half_width, nan=np.inf)
        return theta - half_width, theta + half_width
    if model.is_linear(means.log) and np.all(np.isfinite(half_width)):  # the profile is a parabola: no search
        low, high = theta - half_width, theta + half_width
        if means.log:  # of ln A
            a = model.parameters.index(model.heights[0])
            low[a], high[a] = theta[a] * np.exp(np.array([-1, 1]) * half_width[a] / theta[a])
        return low, high
    low, high = profile(model, means, fit, half_width[:, None], np.array([rise]))
    if model.shape_floor is not None:  # the curve has a value at every condition
        shape = model.shape_index
        low[shape] = np.maximum(low[shape], np.max(model.shape_floor(means.x)))
    return low[:, 0], high[:, 0]


def _aicc(data: TrialData, ss: float, count: int) -> float:
    """-2 ln L + 2k + 2k(k+1)/(N-k-1) of the y as given; infinite where there are too few data for it.

    Hurvich & Tsai 1989, Biometrika 76, 297. The likelihood is that of y on every scale, so the AICc of relative
    and absolute fits can be compared.
    """
    n = len(data.y)
    if data.errors == "given":
        k, fit_term = count, ss + float(np.sum(np.log(2 * np.pi * data.u**2)))
    else:
        k, fit_term = count + 1, n * (np.log(2 * np.pi * ss / n) + 1) if ss > 0 else -np.inf
        if data.errors == "relative":
            fit_term += 2 * float(np.sum(data.z))  # dz = dy / y
    if n - k - 1 <= 0:
        return float("inf")
    return float(fit_term + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def _lack_of_fit(data: TrialData, ss: float, count: int) -> LackOfFit | None:
    from scipy.special import chdtrc, fdtrc

    n, conditions, within = len(data.y), len(data.means.x), float(data.means.within[0])
    if data.errors == "given":
        return LackOfFit(ss, float(chdtrc(n - count, ss)), n - count, None) if n > count else None
    dof, dof_scatter = conditions - count, n - conditions
    noise = float(data.means.noise[0])
    if dof < 1 or dof_scatter < 1 or ss <= noise:
        return None
    misfit, scatter = max(ss - within, 0.0) / dof, within / dof_scatter
    statistic = misfit / scatter if within > noise else np.inf
    return LackOfFit(float(statistic), float(fdtrc(dof, dof_scatter, statistic)), dof, dof_scatter)


def _leave_one_out(model: Model, data: TrialData, near: np.ndarray) -> float:
    """Root mean square error, over all trials, of predicting a condition from all the others (refits start `near`)."""
    means, conditions = data.means, len(data.means.x)
    if model.not_applicable(means.x[1:]) or conditions < 2:
        return float("nan")
    predicted = np.empty(conditions)
    inner = np.arange(1, conditions - 1)
    # The first and last condition are taken off the array: the search must not use their x as an end.
    for left_out, kept in ((np.array([0]), slice(1, None)), (np.array([conditions - 1]), slice(None, -1))):
        part = Means(means.x[kept], means.y[:, kept], means.weight[:, kept], means.within, means.log)
        predicted[left_out] = _predicted(model, best_fit(model, part, near).theta, means.x[left_out])
    if len(inner):
        weight = means.weight * (np.arange(conditions) != inner[:, None])
        part = Means(means.x, np.repeat(means.y, len(inner), axis=0), weight, means.within, means.log)
        predicted[inner] = _predicted(model, best_fit(model, part, near).theta, means.x[inner])
    with np.errstate(all="ignore"):
        curve = np.log(predicted) if means.log else predicted
    error = (data.z - curve[data.condition]) * np.sqrt(data.weight)
    return float(np.sqrt(np.mean(error**2))) if np.all(np.isfinite(error)) else float("inf")


def _predicted(model: Model, theta, x) -> np.ndarray:
    """(R,) each data set's curve at its own x; nan where it has no value."""
    with np.errstate(all="ignore"):
        return np.where(model.defined_at(x, theta), model.value(x, *theta), np.nan)


# --- Which curve do the conditions' results follow, how surely, and what does it predict?


class Band(NamedTuple):
    """95 % limits of a curve at each x of a grid."""

    low: np.ndarray
    high: np.ndarray


def bootstrap_band(trend: Trend, x_grid, n: int = 10_000, seed: int = 0) -> Band:
    """95 % band of the curve itself, from n refits of data simulated about it (parametric bootstrap).

    The scatter is the trend's own, pooled over all conditions; since it is itself known from few degrees of
    freedom only, each refit draws it anew (scatter · sqrt(ν / χ²_ν)). For a straight line the band is then
    Student's. Refits start from the trend's curve. Efron & Tibshirani 1993, An Introduction to the Bootstrap, 6.5.
    """
    data = TrialData.checked(trend.x, trend.y, trend.errors, trend.u)
    model, means = get_model(trend.model), data.means
    x_grid = np.asarray(x_grid, float)
    curve = trend.value(means.x)
    trend.value(x_grid)  # a clear error now if the curve has no value there
    rng = np.random.default_rng(seed)
    scatter = np.ones((n, 1))
    if trend.errors != "given":
        if not trend.dof:
            raise KitError("There are as many parameters as trials, so no scatter is left", fix="Measure more")
        scatter = trend.scatter * np.sqrt(trend.dof / rng.chisquare(trend.dof, (n, 1)))
    simulated = (np.log(curve) if means.log else curve) + scatter * rng.standard_normal((n, len(means.x))) / np.sqrt(
        means.weight
    )
    refits = Means(means.x, simulated, means.weight, np.zeros(1), means.log)
    theta = best_fit(model, refits, near=trend.theta).theta
    with np.errstate(all="ignore"):
        curves = model.value(x_grid[:, None], *theta[:, None, :])
        # Beyond the data a refit's pole may lie at x: its curve has gone to infinity there.
        curves = np.where(model.defined_at(x_grid[:, None], theta[:, None, :]), curves, np.inf)
    tail = (1 - CONFIDENCE) / 2
    return Band(*np.quantile(curves, [tail, 1 - tail], axis=1, method="nearest"))
