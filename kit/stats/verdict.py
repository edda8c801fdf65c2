"""What fitted trends allow us to say, in graded words by fixed rules, and where to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from .averages import t_factor
from .least_squares import best_fit, condition_means, linearise
from .trend import CONFIDENCE, above_zero, fit_trend, numbers
from .trend_models import get_model
from .trend_result import Parameter, Trend

__all__ = [
    "LogLogLine",
    "NextCondition",
    "SameShape",
    "Verdict",
    "log_log_line",
    "next_condition",
    "same_shape",
    "verdict",
]

ALIKE, CLEAR = 2.0, 7.0  # differences of AICc

MISFIT = 0.05  # probability of lack of fit below which a misfit is called found

TOO_FEW = "too few trials to compare"

NONE_FITS = "none of those tried fits"

CANNOT_SEPARATE = "these data cannot separate them"

SOME_PREFERENCE = "some preference"

CLEARLY = "clearly preferred of those tried, for the range measured"

SUPPORT, ALIKE_WORDS, AGAINST = "the data support", "cannot tell apart", "speak against"


@dataclass(frozen=True)
class Verdict:
    """What the data say about the models tried. `words` is one of the five phrases of `verdict`."""

    leader: str  # name of the model with the lowest AICc
    words: str
    sentences: tuple[str, ...]
    by_model: dict[str, str]  # model -> "the data support", "cannot tell apart" or "speak against"


def verdict(trends: Sequence[Trend]) -> Verdict:
    """Grade the models of `fit_trends` in words, by these rules and no others.

    Δ is a model's AICc above the lowest. The leading models are those with Δ < 2. A misfit is found where the
    lack-of-fit test gives p < 0.05.

    words, the first that holds:
      fewer than two models have a finite AICc           "too few trials to compare"
      a misfit is found in every leading model           "none of those tried fits"
      the next model has Δ < 2                           "these data cannot separate them"
      the next model has Δ ≤ 7                           "some preference"
      the next model has Δ > 7                           "clearly preferred of those tried, for the range measured"
    by_model:
      Δ > 7, or a misfit found, or AICc not finite while the leader's is   "speak against"
      otherwise, for the leader with no other at Δ < 2                     "the data support"
      otherwise                                                            "cannot tell apart"
    A quiet test is "no misfit found", never a proof; without repeats no misfit can be looked for, and the sentences
    say so. R² and the number of points hit play no part.

    >>> import kit
    >>> y = [38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0]
    >>> trends = kit.fit_trends([1, 1, 2, 2, 4, 4, 8, 8], y, models=["shifted inverse", "inverse"])
    >>> found = kit.verdict(trends)
    >>> found.leader, found.by_model["inverse"]
    ('shifted inverse', 'speak against')

    Raises
    ------
    KitError : there are no trends.
    """
    if not trends:
        raise KitError("There are no trends to judge", fix="Fit at least one model first")
    reasons = getattr(trends, "not_applicable", {})
    trends = sorted(trends, key=lambda trend: (trend.aicc, len(trend.parameters)))
    leader = trends[0]
    finite = [trend for trend in trends if np.isfinite(trend.aicc)]
    if len(finite) < 2:
        words = TOO_FEW
        by_model = dict.fromkeys((trend.model for trend in trends), ALIKE_WORDS)
        return Verdict(leader.model, words, _sentences(trends, words, reasons), by_model)
    leading = [trend for trend in finite if trend.aicc - leader.aicc < ALIKE]
    gap = finite[1].aicc - leader.aicc
    if all(_misfit(trend) for trend in leading):
        words = NONE_FITS
    elif gap < ALIKE:
        words = CANNOT_SEPARATE
    else:
        words = SOME_PREFERENCE if gap <= CLEAR else CLEARLY
    by_model = {}
    for trend in trends:
        if trend.aicc - leader.aicc > CLEAR or _misfit(trend):
            by_model[trend.model] = AGAINST
        elif trend is leader and len(leading) == 1:
            by_model[trend.model] = SUPPORT
        else:
            by_model[trend.model] = ALIKE_WORDS
    return Verdict(leader.model, words, _sentences(trends, words, reasons), by_model)


def _misfit(trend: Trend) -> bool:
    return trend.lack_of_fit is not None and trend.lack_of_fit.p < MISFIT


def _sentences(trends: Sequence[Trend], words: str, reasons: dict[str, str]) -> tuple[str, ...]:
    leader, others = trends[0], trends[1:]
    low, high = leader.x_range
    where = f"for x from {low:g} to {high:g}"
    name = f"{leader.formula} ({leader.model})"
    close = [trend for trend in others if trend.aicc - leader.aicc < ALIKE]
    if words == TOO_FEW:
        first = "There are too few trials to compare these curves. Measure more runs, or more conditions."
    elif words == NONE_FITS:
        first = f"None of the {len(trends)} curves tried fits {where}. {name} comes closest."
    elif words == CANNOT_SEPARATE:
        first = f"These data cannot separate {_listed([leader, *close])} {where}."
    elif words == SOME_PREFERENCE:
        first = f"There is some preference for {name} {where}, but {_listed(others[:1])} is not ruled out."
    else:
        first = f"{name} is clearly preferred of the {len(trends)} curves tried, for the range measured, {where[4:]}."
    sentences = [first]
    if words != TOO_FEW:
        sentences.append(_misfit_sentence(leader))
    if leader.at_bound:
        sentences.append(f"Take care with {name}: {leader.note}")
    sentences += [f"'{model}' was not tried: {reason}." for model, reason in reasons.items()]
    return tuple(sentences)


def _misfit_sentence(trend: Trend) -> str:
    if trend.lack_of_fit is None:
        return "Without repeats no misfit could be looked for. Repeat some runs."
    p = f"p = {trend.lack_of_fit.p:.2g}"
    if _misfit(trend):
        return f"The averages lie further from {trend.formula} than the runs scatter ({p})."
    return f"No misfit found: the averages lie as close to {trend.formula} as the runs scatter ({p})."


def _listed(trends: Iterable[Trend]) -> str:
    names = [f"{trend.formula} ({trend.model})" for trend in trends]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


# --- where to measure next


@dataclass(frozen=True)
class NextCondition:
    """The condition at which the leading models disagree most."""

    x: float
    models: tuple[str, str]  # the two that disagree
    predictions: tuple[float, float]  # what each says there
    disagreement: float  # difference / combined standard uncertainty of the two curves and one new run
    sentence: str


def next_condition(trends: Sequence[Trend], candidates=None) -> NextCondition | None:
    """The x at which one more run would tell the leading models apart best.

    The leading models are those within ΔAICc ≤ 7 of the best that have no note of a bound; if these are fewer than
    two, the two best with a finite AICc. For each candidate x and pair of models the disagreement is
    |difference| / sqrt(u₁² + u₂² + s²), the u those of the two curves, s the scatter of one run about the better
    curve (on ln y for relative errors); the largest wins. Taking u₁ and u₂ as independent understates the
    disagreement a little. Below 1 one more run tells nothing, above 3 it decides.

    candidates : values of x to choose from. Left out: from half the smallest x measured to one and a half times the
    largest, in whole numbers if all x are whole. Models without a value at a candidate are passed over there.
    Returns None if fewer than two models can be compared anywhere.

    >>> import kit
    >>> y = [38.2, 37.8, 23.4, 23.0, 13.2, 12.9]
    >>> trends = kit.fit_trends([1, 1, 2, 2, 4, 4], y, models=["shifted inverse", "inverse plus constant"])
    >>> kit.next_condition(trends, candidates=[3, 6, 8]).x
    8.0
    """
    usable = sorted((t for t in trends if np.isfinite(t.aicc)), key=lambda t: t.aicc)
    leading = [t for t in usable if t.aicc - usable[0].aicc <= CLEAR and not t.at_bound]
    if len(leading) < 2:
        leading = usable[:2]
    if len(leading) < 2:
        return None
    x = _candidates(leading[0].x) if candidates is None else np.asarray(candidates, float).ravel()
    best: tuple[float, float, Trend, Trend] | None = None
    for i, one in enumerate(leading):
        for other in leading[i + 1 :]:
            here = x[one.defined_at(x) & other.defined_at(x)]
            if not len(here):
                continue
            scores = _disagreement(one, other, here)
            place = int(np.argmax(scores))
            if np.isfinite(scores[place]) and (best is None or scores[place] > best[0]):
                best = float(scores[place]), float(here[place]), one, other
    if best is None:
        return None
    score, at, first, second = best
    says = first.value(at), second.value(at)
    if usable[1].aicc - usable[0].aicc > CLEAR:
        meaning = "These two are told apart already; a run there would test that once more."
    elif score < 1:
        meaning = "One more run there would tell little: repeat it several times, or look further out."
    else:
        meaning = "Measure there next." if score <= 3 else "One run there can decide between them."
    return NextCondition(
        x=at,
        models=(first.model, second.model),
        predictions=says,
        disagreement=score,
        sentence=(
            f"At x = {at:g} {first.formula} predicts {says[0]:.3g} and {second.formula} predicts {says[1]:.3g}: "
            f"{score:.1f} times the uncertainty. {meaning}"
        ),
    )


def _candidates(x: np.ndarray) -> np.ndarray:
    low, high = float(x.min()), float(x.max())
    low, high = low - 0.5 * abs(low), high + 0.5 * abs(high)
    if np.all(x == np.round(x)) and high - low <= 1000:
        return np.arange(np.ceil(low), np.floor(high) + 1)
    return np.linspace(low, high, 201)


def _disagreement(first: Trend, second: Trend, x: np.ndarray) -> np.ndarray:
    one, other = first.predict(x), second.predict(x)
    if first.errors != "relative":
        scatter = first.scatter if first.u is None else np.sqrt(np.mean(first.u**2))
        return np.abs(one.value - other.value) / np.sqrt(one.u**2 + other.u**2 + scatter**2)
    positive = (one.value > 0) & (other.value > 0)
    with np.errstate(all="ignore"):
        u = np.sqrt((one.u / one.value) ** 2 + (other.u / other.value) ** 2 + first.scatter**2)
        score = np.abs(np.log(one.value / other.value)) / u
    return np.where(positive & np.isfinite(score), score, -np.inf)


# --- two looks at the shape of a trend: the straight line through logarithms, and whether turns follow duration

ROUNDING = 1e-12  # a ratio that changes by less does not change

SMALL_CHANGE = 0.10  # of turns/duration over the range of x: up to this it is "nearly one shape"


@dataclass(frozen=True)
class LogLogLine:
    """A straight line through ln y against ln x: ln y = intercept + slope · ln x."""

    slope: Parameter
    intercept: Parameter
    scatter: float
    dof: int
    mean_over_median: float
    sentence: str

    def median(self, x):
        """The line read back: half of the runs should lie above it."""
        return np.exp(self.intercept.value) * np.asarray(x, float) ** self.slope.value

    def mean(self, x):
        """What runs average to if ln y scatters normally: above the median by exp(scatter²/2)."""
        return self.median(x) * self.mean_over_median


def log_log_line(x, y) -> LogLogLine:
    """Straight line through the logs of both, by ordinary least squares, and what reading it back hides.

    It is the power law with relative errors, A = e^intercept. Two biases are shown, not corrected in silence. Read
    back, it predicts the median of y; the mean is exp(s²/2) times higher for scatter s of ln y (Finney 1941,
    Suppl. J. R. Stat. Soc. 7, 155). And a curve that is no power law gets a "slope" all the same: look at the
    residuals.

    >>> import kit
    >>> line = kit.log_log_line([1, 1, 2, 2, 4, 4], [40.0, 41.0, 20.4, 20.1, 10.0, 10.2])
    >>> print(f"slope {line.slope.value:.3f} ± {line.slope.u:.3f}")
    slope -1.002 ± 0.009

    Raises
    ------
    KitError : an x or y that is not above 0, or data that can't be fitted.
    """
    trend = fit_trend(x, y, "power law")
    a, p = trend.parameters["A"], trend.parameters["p"]
    factor = float(np.exp(trend.scatter**2 / 2))
    with np.errstate(all="ignore"):
        value, low, high = np.log([a.value, a.low, a.high]).tolist()
        intercept = Parameter(value, a.u / a.value, low, high)
    return LogLogLine(
        slope=p,
        intercept=intercept,
        scatter=trend.scatter,
        dof=trend.dof,
        mean_over_median=factor,
        sentence=(
            "A straight line through logarithms predicts the middle run (the median), not the average. With this "
            f"spread the average lies {100 * (factor - 1):.2g} % above the line."
        ),
    )


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


def same_shape(x, duration_s, turns) -> SameShape:
    """Compare the shapes of two quantities measured on the same runs, (N,) each.

    A run's drag scatters its duration and its turns alike, so two separate fits would seem far less sure of the
    difference than the data are. So the test uses each run's own ratio: ln(turns/duration) against x, a straight
    line with its 95 % interval (Student's t), and an F test across conditions where there are repeats. Differences
    of p and of x0 allow for the shared scatter: their standard error is that of the difference of the two
    estimates as linear functions of the same runs. Independent runs and normal scatter of the ratio are assumed.

    Words, by fixed rules. Found means: p < 0.05, or the interval of the slope leaves out 0.
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
    from scipy.special import fdtrc

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
    steady = not slope.low <= 0 <= slope.high and abs(slope.value) * span > ROUNDING
    found = steady or (p is not None and p < 0.05)
    size = abs(change.value) if steady or not found else float(np.expm1(np.ptp(means.y)))
    if found:
        words = "nearly one shape" if size <= SMALL_CHANGE else "different shapes"
    else:
        words = "one shape" if max(abs(change.low), abs(change.high)) <= SMALL_CHANGE else "cannot tell"
    return SameShape(
        words=words,
        sentence=_shape_sentence(words, x, change, size, steady),
        change=change,
        slope=slope,
        f=f,
        p=p,
        dof=dof,
        exponent_difference=_slope(np.log(x), ratio, factor) if np.min(x) > 0 else None,
        x0_difference=_x0_difference(x, duration_s, turns, factor),
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


def _shape_sentence(words: str, x, change: Parameter, size: float, steady: bool) -> str:
    span = f"from x = {x.min():g} to x = {x.max():g}"
    interval = f"{100 * change.low:+.1f} % to {100 * change.high:+.1f} %".replace("-", "−")
    if words == "one shape":
        return (
            f"Turns and duration follow one shape as far as these runs show: {span} their ratio changes by "
            f"{interval}, and no change is among that."
        )
    if words == "cannot tell":
        return f"These runs cannot tell: {span} the ratio of turns to duration may change by {interval}."
    how = f"{span} their ratio changes by {100 * change.value:+.1f} % ({interval})".replace("-", "−")
    if not steady:
        how = f"their ratio differs by up to {100 * size:.1f} % between conditions, but not steadily with x"
    if words == "nearly one shape":
        return f"Turns and duration follow nearly one shape, but a small difference shows: {how}."
    return f"Turns and duration follow different shapes: {how}."
