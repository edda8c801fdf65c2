"""One model or several fitted to trials: 95 % intervals, AICc, lack of fit, error of prediction, a bootstrap band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..errors import KitError
from .averages import t_factor
from .least_squares import Fit, Means, aicc, best_fit, condition_means, evidence_weights, linearise, profile
from .trend_models import MODELS, Model, get_model
from .trend_result import LackOfFit, Parameter, Prediction, Trend, Trends

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

ERRORS = ("relative", "absolute", "given")

CONFIDENCE = 0.95

NEAR_LOGARITHM = 0.01  # |p| ln(x_max / x_min) below this: A·x^p + C is a + b·ln x, with A and C running away


def fit_trend(x, y, model: str, *, errors: str = "relative", u=None) -> Trend:
    """Fit one model by least squares on the scale that `errors` names.

    x, y : (N,) one value a trial. model : a name in `MODELS`. u : (N,) standard uncertainties of y, for
    errors="given" only. Intervals are 95 % profile intervals: where the sum of squares, all other parameters
    refitted, is S_min (1 + t²/ν), with ν = N - parameters (given: S_min + 1.96²).

    >>> import kit
    >>> trend = kit.fit_trend([1, 1, 2, 2, 4, 4, 8, 8], [38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0], "power law")
    >>> p = trend.parameters["p"]
    >>> print(f"p = {p.value:.3f} ± {p.u:.3f}, 95 %: {p.low:.2f} to {p.high:.2f}")
    p = -0.818 ± 0.019, 95 %: -0.86 to -0.77

    Raises
    ------
    KitError : data that can't be fitted, with the reason: a model is never fitted to a part of them.
    """
    data = TrialData.checked(x, y, errors, u)
    chosen = get_model(model)
    reason = chosen.not_applicable(data.x)
    if reason:
        raise KitError(f"The model '{model}' can't be fitted to these data: {reason}", fix="Use another model")
    return _fit(chosen, data)


def fit_trends(
    x, y, *, errors: str = "relative", u=None, models: Sequence[str] | None = None, setup_scatter: bool = False
) -> Trends:
    """Fit several models (the kit's eight unless `models` names some) and sort them by AICc, best first.

    Returns a list of `Trend` with evidence weights, exp(-ΔAICc/2) over their sum (Burnham & Anderson 2002, Model
    Selection and Multimodel Inference, 2.9). Its `not_applicable` maps models that could not be fitted to reasons.

    setup_scatter : let every condition be off as a whole, by a normal scatter σ_s of its own beside that of single
        trials, σ: a condition's mean of n trials then has the variance σ_s² + σ²/n. σ² is pooled within conditions;
        σ_s² is chosen for each model so that Σ (mean − curve)²/(σ_s² + σ²/n) is conditions − parameters (Paule &
        Mandel 1982, J. Res. NBS 87, 377; for equal n this is REML). The trends are then fitted to the condition means
        alone: `x`, `y`, `dof` and AICc are theirs. It needs repeats, and conditions set up once for all their trials.

    >>> import kit
    >>> x = [0, 0, 1, 1, 2, 2, 4, 4, 8, 8]
    >>> y = [107.7, 106.0, 38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0]
    >>> trends = kit.fit_trends(x, y, models=["shifted inverse", "exponential", "inverse"])
    >>> print(trends[0].equation("T", "n"))
    T = 59.36 / (n + 0.5562)
    >>> list(trends.not_applicable)
    ['inverse']

    Raises
    ------
    KitError : data that can't be fitted, no model, or one that is not known; scatter of set-ups asked for without
        repeats, or with errors="given".
    """
    data = TrialData.checked(x, y, errors, u)
    chosen = MODELS if models is None else [get_model(name) for name in models]
    if not chosen:
        raise KitError("There is no model to fit", fix="Name at least one, or leave `models` out")
    reasons = {model.name: model.not_applicable(data.x) for model in chosen}
    fit = _fit_with_setups if setup_scatter else _fit
    trends = [fit(model, data) for model in chosen if reasons[model.name] is None]
    trends.sort(key=lambda trend: (trend.aicc, len(trend.parameters)))
    weights = evidence_weights([trend.aicc for trend in trends])
    return Trends(
        [replace(trend, weight=float(weight)) for trend, weight in zip(trends, weights, strict=True)],
        {name: reason for name, reason in reasons.items() if reason},
    )


def _fit_with_setups(model: Model, data: TrialData) -> Trend:
    """One model with a random effect of each condition, see `fit_trends`."""
    freedom, within = len(data.x) - len(data.means.x), float(data.means.within[0])
    if data.errors == "given" or freedom < 1 or within <= data.means.noise[0]:
        raise KitError(
            "Only repeats that scatter can tell what each set-up added",
            found=f"{len(data.x)} trials at {len(data.means.x)} conditions",
            fix='Repeat some conditions, and use errors="relative" or "absolute"',
        )
    variance = within / freedom
    share = _setup_share(model, data.means, variance)
    setups = data.of_setups(share)
    return replace(_fit(model, setups), setup_scatter=float(np.sqrt(share * variance)), weights=setups.weight)


def _setup_share(model: Model, means: Means, variance: float) -> float:
    """σ_s²/σ² by Paule and Mandel's rule, the curve refitted at each try; 0 where the means scatter no more than σ."""
    from scipy.optimize import brentq

    dof = len(means.x) - len(model.parameters)
    if dof < 1:
        return 0.0

    def excess(share):
        weight = 1 / (share + 1 / means.weight)
        fit = best_fit(model, Means(means.x, means.y, weight, np.zeros(1), means.log))
        return float(fit.ss[0]) / variance - dof

    plain = excess(0.0)
    if plain <= 0:
        return 0.0
    if np.ptp(means.weight) == 0:  # equal n: weights change nothing but the scale
        return float(plain / dof / means.weight[0, 0])
    top = (plain + dof) / dof  # variances of means this large leave no excess
    return float(brentq(excess, 0.0, top, xtol=1e-6 * top))


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

    def of_setups(self, share: float) -> TrialData:
        """The condition means as single values. Weight 1 is that of one trial at a new set-up: (σ_s² + σ²)."""
        z, weight = self.means.y[0], (1 + share) / (share + 1 / self.means.weight[0])
        means, condition = condition_means(self.means.x, z, weight, log=self.means.log)
        y = np.exp(z) if self.means.log else z
        return TrialData(self.means.x, y, None, self.errors, z, weight, means, condition)


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
    means, given, count = data.means, data.errors == "given", len(model.parameters)
    fit = best_fit(model, means)
    theta = fit.theta[:, 0]
    ss = float(fit.ss[0] + means.within[0])
    dof = len(data.x) - count
    variance = ss / dof if dof else np.nan
    factor = t_factor(np.inf if given else dof, CONFIDENCE)
    at_bound, note = _bound(model, data.x, fit)
    covariance = _covariance(model, means, fit.theta, at_bound and fit.at_end[0] != 0)
    if not np.all(np.isfinite(covariance)) and not at_bound:
        at_bound, note = True, "These data do not fix all the parameters: other values fit just as well."
    covariance = covariance * (1.0 if given else variance)
    u = np.sqrt(np.diag(covariance))
    low, high = _intervals(model, means, fit, factor * u, factor**2 * (1.0 if given else variance))
    curve = model.value(data.x, *theta)
    residuals = (data.z - (np.log(curve) if data.errors == "relative" else curve)) * np.sqrt(data.weight)
    mean = np.average(data.z, weights=data.weight)
    spread = float(np.sum(data.weight * (data.z - mean) ** 2))
    return Trend(
        model=model.name,
        errors=data.errors,
        parameters={
            name: Parameter(float(theta[i]), float(u[i]), float(low[i]), float(high[i]))
            for i, name in enumerate(model.parameters)
        },
        covariance=covariance,
        residuals=residuals,
        scatter=float(np.sqrt(variance)),
        dof=dof,
        factor=factor,
        aicc=_aicc_of(data, max(ss, float(means.noise[0])), count),
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
    elif model.name == "power law plus constant" and _is_logarithm(x, float(fit.theta[shape, 0].item())):
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


def _aicc_of(data: TrialData, ss: float, count: int) -> float:
    """AICc of the y as given. The likelihood is that of y on every scale, so relative and absolute fits compare."""
    n = len(data.y)
    if data.u is not None:
        return aicc(ss + float(np.sum(np.log(2 * np.pi * data.u**2))), count, n)
    deviance = n * (np.log(2 * np.pi * ss / n) + 1) if ss > 0 else -np.inf
    deviance -= float(np.sum(np.log(data.weight)))  # all 1, but for condition means with scatter of set-ups
    if data.errors == "relative":
        deviance += 2 * float(np.sum(data.z))  # dz = dy / y
    return aicc(deviance, count + 1, n)


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


# --- the band of a curve


class Band(NamedTuple):
    """95 % limits of a curve at each x of a grid."""

    low: np.ndarray
    high: np.ndarray


def bootstrap_band(trend: Trend, x_grid, n: int = 10_000, seed: int = 0) -> Band:
    """95 % band of the curve itself, from n refits of data simulated about it (parametric bootstrap).

    The scatter is the trend's own, pooled over all conditions; since it is itself known from few degrees of
    freedom only, each refit draws it anew (scatter · sqrt(ν / χ²_ν)). For a straight line the band is then
    Student's. Refits start from the trend's curve. Efron & Tibshirani 1993, An Introduction to the Bootstrap, 6.5.

    >>> import kit
    >>> trend = kit.fit_trend([1, 1, 2, 2, 4, 4, 8, 8], [38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0], "power law")
    >>> low, high = kit.bootstrap_band(trend, [3.0, 6.0], n=500)
    >>> print(f"{low[0]:.1f} to {high[0]:.1f} at 3, {low[1]:.1f} to {high[1]:.1f} at 6")
    15.5 to 16.5 at 3, 8.7 to 9.5 at 6

    Raises
    ------
    KitError : the curve has no value at some x, or there are as many parameters as trials.
    """
    data = TrialData.checked(trend.x, trend.y, trend.errors, trend.u)
    if trend.weights is not None:
        data = replace(data, means=replace(data.means, weight=trend.weights[None]))
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
