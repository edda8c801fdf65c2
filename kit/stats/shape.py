"""Whether turns follow duration: one shape for both, tested on the ratio of every run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from .averages import t_factor
from .least_squares import best_fit, condition_means, linearise
from .trend import CONFIDENCE, above_zero, numbers
from .trend_models import get_model
from .trend_result import Parameter

__all__ = ["SameShape", "same_shape"]

ROUNDING = 1e-12  # a ratio that changes by less does not change

SMALL_CHANGE = 0.10  # of turns/duration over the range of x: up to this it is "nearly one shape"


@dataclass(frozen=True)
class SameShape:
    """Do duration and turns follow one shape? Tested on ln(turns/duration) of every run."""

    words: str  # "one shape", "nearly one shape", "different shapes" or "cannot tell"
    sentence: str
    change: Parameter  # of turns/duration from the smallest x to the largest, as a fraction
    slope: Parameter  # of ln(turns/duration) against x
    f: float | None  # F across conditions; None without repeats
    p: float | None
    dof: tuple[int, int] | None
    exponent_difference: Parameter | None  # turns minus duration, power law; None where x is not above 0
    x0_difference: Parameter | None  # turns minus duration, shifted inverse; None where that has no inner optimum
    chance: float  # p of the one test made of slope and F


def same_shape(x, duration_s, turns) -> SameShape:
    """Compare the shapes of two quantities measured on the same runs, (N,) each.

    A run's drag scatters its duration and its turns alike, so two separate fits would seem far less sure of the
    difference than the data are. So the test uses each run's own ratio: ln(turns/duration) against x, a straight
    line with its 95 % interval (Student's t), and an F test across conditions where there are repeats. Differences
    of p and of x0 allow for the shared scatter: their standard error is that of the difference of the two
    estimates as linear functions of the same runs. Independent runs and normal scatter of the ratio are assumed.

    Words, by fixed rules. It is one test at 5 %: of the p of the slope and that of F the smaller is doubled
    (Bonferroni; without repeats the slope's alone counts). Found means that this is below 0.05.
      nothing found, interval of the change within ±10 %   "one shape"
      found, but the change is at most 10 %                 "nearly one shape"
      found, and the change is more than 10 %               "different shapes"
      nothing found, interval wider than ±10 %              "cannot tell"
    The change is that of the line over the range of x; where only F finds something, that between the averages.

    >>> import kit
    >>> found = kit.same_shape([1, 1, 2, 2, 4, 4], [38.0, 37.0, 23.4, 23.0, 13.2, 12.9],
    ...                        [84.1, 81.7, 51.6, 50.7, 29.0, 28.5])
    >>> found.words
    'one shape'

    Raises
    ------
    KitError : not one value each for every run, one that is not above 0, or fewer than three runs at two conditions.
    """
    from scipy.special import fdtrc, stdtr

    x, duration_s, turns = numbers(x, "x"), numbers(duration_s, "duration_s"), numbers(turns, "turns")
    if not len(x) == len(duration_s) == len(turns):
        raise KitError("x, duration_s and turns must have one value a run each", fix="Give the same runs in all")
    if len(x) < 3 or len(np.unique(x)) < 2:
        raise KitError("Shapes can be compared with three runs at two conditions or more", fix="Measure more")
    for values, name in ((duration_s, "duration_s"), (turns, "turns")):
        above_zero(values, name, "Set the run aside with a reason")
    ratio, n = np.log(turns / duration_s), len(x)
    factor = t_factor(n - 2, CONFIDENCE)
    slope = _slope(x, ratio, factor)
    span = float(np.ptp(x))
    change = Parameter(
        float(np.expm1(slope.value * span)),
        float(np.exp(slope.value * span) * slope.u * span),
        float(np.expm1(slope.low * span)),
        float(np.expm1(slope.high * span)),
    )
    means, _ = condition_means(x, ratio, np.ones(n), log=False)
    f = p = dof = None
    between, apart = len(means.x) - 1, n - len(means.x)
    if apart > 0 and means.within[0] > means.noise[0]:
        f = float(np.sum(means.weight * (means.y - ratio.mean()) ** 2) / between / (means.within[0] / apart))
        p, dof = float(fdtrc(between, apart, f)), (between, apart)
    p_slope = 2 * float(stdtr(n - 2, -abs(slope.value) / slope.u)) if slope.u > 0 else float(slope.value == 0)
    if abs(slope.value) * span <= ROUNDING:
        p_slope = 1.0
    chance = p_slope if p is None else min(1.0, 2 * min(p_slope, p))
    found = chance < 0.05
    steady = found and (p is None or p_slope <= max(p, 0.025))
    size = abs(change.value) if steady or not found else float(np.expm1(np.ptp(means.y)))
    if found:
        words = "nearly one shape" if size <= SMALL_CHANGE else "different shapes"
    else:
        words = "one shape" if max(abs(change.low), abs(change.high)) <= SMALL_CHANGE else "cannot tell"
    return SameShape(
        words=words,
        sentence=_shape_sentence(words, x, change, size, steady, chance),
        change=change,
        slope=slope,
        f=f,
        p=p,
        dof=dof,
        exponent_difference=_slope(np.log(x), ratio, factor) if np.min(x) > 0 else None,
        x0_difference=_x0_difference(x, duration_s, turns, factor),
        chance=chance,
    )


def _slope(x, z, factor: float) -> Parameter:
    """Slope of a straight line through z against x, by ordinary least squares."""
    across = x - x.mean()
    value = float(across @ z / (across @ across))
    residuals = z - z.mean() - value * across
    u = float(np.sqrt(residuals @ residuals / (len(x) - 2) / (across @ across)))
    return Parameter(value, u, value - factor * u, value + factor * u)


def _x0_difference(x, duration_s, turns, factor: float) -> Parameter | None:
    model = get_model("shifted inverse")
    z = np.log([duration_s, turns])
    fit = best_fit(model, condition_means(x, z, np.ones(len(x)), log=True)[0])
    if np.any(fit.at_end) or not np.all(fit.settled):
        return None
    curve, gradient = linearise(model, x, fit.theta, log=True)
    residuals = z - curve
    # d x0 / d ln y of every run, for each quantity: the second row of the pseudo-inverse of its Jacobian.
    weights = np.linalg.pinv(np.stack([np.broadcast_to(g, z.shape) for g in gradient], axis=-1))[:, 1]
    scatter = residuals @ residuals.T / (len(x) - 2)
    signs = np.array([-1.0, 1.0])
    variance = np.sum(np.outer(signs, signs) * scatter * (weights @ weights.T))
    value, u = float(fit.theta[1, 1] - fit.theta[1, 0]), float(np.sqrt(max(variance, 0.0)))
    return Parameter(value, u, value - factor * u, value + factor * u)


def _shape_sentence(words: str, x, change: Parameter, size: float, steady: bool, chance: float) -> str:
    span = f"from x = {x.min():g} to x = {x.max():g}"
    interval = f"{100 * change.low:+.1f} % to {100 * change.high:+.1f} %".replace("-", "−")
    p = "p < 0.001" if chance < 0.001 else f"p = {chance:.2g}"
    if words == "one shape":
        none = "and no change is among that" if change.low <= 0 <= change.high else "a hint of a change, but no more"
        return (
            f"Turns and duration follow one shape as far as these runs show: {span} their ratio changes by "
            f"{interval}, {none} ({p})."
        )
    if words == "cannot tell":
        return f"These runs cannot tell: {span} the ratio of turns to duration may change by {interval} ({p})."
    how = f"{span} their ratio changes by {100 * change.value:+.1f} % ({interval})".replace("-", "−")
    if not steady:
        how = f"their ratio differs by up to {100 * size:.1f} % between conditions, but not steadily with x"
    if words == "nearly one shape":
        return f"Turns and duration follow nearly one shape, but a small difference shows: {how} ({p})."
    return f"Turns and duration follow different shapes: {how} ({p})."
