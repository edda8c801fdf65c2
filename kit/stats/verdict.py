"""What fitted trends allow us to say, in graded words by fixed rules, and where to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import KitError
from .misfit import far_runs, in_steps, much_less_likely
from .trend import fit_trend, fit_trends
from .trend_result import Parameter, Trend

__all__ = [
    "LogLogLine",
    "NextCondition",
    "Verdict",
    "log_log_line",
    "next_condition",
    "verdict",
]

ALIKE, CLEAR = 2.0, 7.0  # differences of AICc

MISFIT = 0.05  # probability of lack of fit below which a misfit is called found

TOO_FEW = "too few trials to compare"

NEAR_MISFIT = 0.20  # up to here a quiet test is not called quiet

IN_STEPS = 0.05  # probability of residuals as much in order as these, below which the shape is wrong

NONE_FITS = "none of those tried fits"

SET_UPS = "none of those tried fits, or each set-up differed"

CANNOT_SEPARATE = "these data cannot separate them"

SOME_PREFERENCE = "some preference"

CLEARLY = "clearly preferred of those tried, for the range measured"

SUPPORT, ALIKE_WORDS, AGAINST = "the data support", "cannot tell apart", "speak against"


@dataclass(frozen=True)
class Verdict:
    """What the data say about the models tried. `words` is one of the six phrases of `verdict`."""

    leader: str  # name of the model with the lowest AICc
    words: str
    sentences: tuple[str, ...]
    by_model: dict[str, str]  # model -> "the data support", "cannot tell apart" or "speak against"


def verdict(trends: Sequence[Trend], labels: Sequence[str] | None = None) -> Verdict:
    """Grade the models of `fit_trends` in words, by these rules and no others.

    Δ is a model's AICc above the lowest. The leading models are those with Δ < 2. A misfit is found where the
    lack-of-fit test gives p < 0.05.

    words, the first that holds:
      fewer than two models have a finite AICc           "too few trials to compare"
      a misfit is found in every leading model           "none of those tried fits"; where what the averages leave of
                 a leading curve shows no order in x, ", or each set-up differed": trials at one set-up are then
                 closer to each other than set-ups are, which looks the same
      the next model has Δ < 2                           "these data cannot separate them"
      the next model has Δ ≤ 7                           "some preference"
      the next model has Δ > 7                           "clearly preferred of those tried, for the range measured"
    by_model:
      Δ > 7, or a misfit found, or AICc not finite while the leader's is   "speak against"
      otherwise, for the leader with no other at Δ < 2                     "the data support"
      otherwise                                                            "cannot tell apart"
    Where set-ups may have differed, none is supported, and a model is spoken against only if Δ > 7 in fits that allow
    for it too (`fit_trends(..., setup_scatter=True)`), also with -2 ln L in place of AICc.
    A quiet test is "no misfit found", never a proof; without repeats no misfit can be looked for, and the sentences
    say so. R² and the number of points hit play no part. Runs far from their sisters are named, by `labels` (N,) if
    given, and stay in.

    >>> import kit
    >>> y = [38.2, 37.8, 23.4, 23.0, 13.2, 12.9, 6.9, 7.0]
    >>> trends = kit.fit_trends([1, 1, 2, 2, 4, 4, 8, 8], y, models=["shifted inverse", "inverse"])
    >>> found = kit.verdict(trends)
    >>> found.leader, found.by_model["inverse"]
    ('shifted inverse', 'speak against')

    Raises
    ------
    KitError : there are no trends, or not one label a run.
    """
    if not trends:
        raise KitError("There are no trends to judge", fix="Fit at least one model first")
    reasons = getattr(trends, "not_applicable", {})
    trends = sorted(trends, key=lambda trend: (trend.aicc, len(trend.parameters)))
    leader = trends[0]
    finite = [trend for trend in trends if np.isfinite(trend.aicc)]
    set_ups: list[Trend] = []
    if len(finite) < 2:
        words = TOO_FEW
        by_model = dict.fromkeys((trend.model for trend in trends), ALIKE_WORDS)
    else:
        leading = [trend for trend in finite if trend.aicc - leader.aicc < ALIKE]
        words = _words(finite, leading)
        by_model = _by_model(trends, len(leading))
    if words == SET_UPS:
        names = [trend.model for trend in trends]
        set_ups = fit_trends(leader.x, leader.y, errors=leader.errors, models=names, setup_scatter=True)
        against = much_less_likely(set_ups, CLEAR)
        by_model = {name: AGAINST if name in against else ALIKE_WORDS for name in names}
    sentences = [*_sentences(trends, words, set_ups), *(run.sentence for run in far_runs(leader, labels))]
    sentences += [f"'{model}' was not tried: {reason}." for model, reason in reasons.items()]
    return Verdict(leader.model, words, tuple(sentences), by_model)


def _words(finite: Sequence[Trend], leading: Sequence[Trend]) -> str:
    if all(_misfit(trend) for trend in leading):
        repeated = leading[0].lack_of_fit is not None and leading[0].lack_of_fit.dof_scatter is not None
        return SET_UPS if repeated and any(in_steps(trend) >= IN_STEPS for trend in leading) else NONE_FITS
    gap = finite[1].aicc - finite[0].aicc
    if gap < ALIKE:
        return CANNOT_SEPARATE
    return SOME_PREFERENCE if gap <= CLEAR else CLEARLY


def _by_model(trends: Sequence[Trend], leading: int) -> dict[str, str]:
    by_model = {}
    for trend in trends:
        if trend.aicc - trends[0].aicc > CLEAR or _misfit(trend):
            by_model[trend.model] = AGAINST
        elif trend is trends[0] and leading == 1:
            by_model[trend.model] = SUPPORT
        else:
            by_model[trend.model] = ALIKE_WORDS
    return by_model


def _misfit(trend: Trend) -> bool:
    return trend.lack_of_fit is not None and trend.lack_of_fit.p < MISFIT


def _sentences(trends: Sequence[Trend], words: str, set_ups: Sequence[Trend] = ()) -> list[str]:
    leader = trends[0]
    sentences = [_first_sentence(trends, words)]
    if words == SET_UPS:
        sentences = _set_up_sentences(trends, set_ups)
    if words != TOO_FEW:
        sentences.append(_misfit_sentence(leader))
    if leader.at_bound:
        sentences.append(f"Take care with {_named(leader)}: {leader.note}")
    return sentences


def _where(trend: Trend) -> str:
    low, high = trend.x_range
    return f"x from {low:g} to {high:g}"


def _first_sentence(trends: Sequence[Trend], words: str) -> str:
    leader, others = trends[0], trends[1:]
    where, name = f"for {_where(leader)}", _named(leader)
    close = [trend for trend in others if trend.aicc - leader.aicc < ALIKE]
    if words == TOO_FEW:
        return "There are too few trials to compare these curves. Measure more runs, or more conditions."
    if words == NONE_FITS:
        return f"None of the {len(trends)} curves tried fits {where}. {name} comes closest."
    if words == CANNOT_SEPARATE:
        return f"These data cannot separate {_listed([leader, *close])} {where}."
    if words == SOME_PREFERENCE:
        return f"There is some preference for {name} {where}, but {_listed(others[:1])} is not ruled out."
    return f"{name} is clearly preferred of the {len(trends)} curves tried, for the range measured, {_where(leader)}."


def _set_up_sentences(trends: Sequence[Trend], set_ups: Sequence[Trend]) -> list[str]:
    """None passes, or the set-ups differed: by how much, what then may be said, and how to find out."""
    finite = [trend for trend in set_ups if np.isfinite(trend.aicc)]
    size = (finite or set_ups)[0].setup_scatter or 0.0
    much = f"{100 * size:.2g} %" if trends[0].errors == "relative" else f"{size:.2g}"
    by = f" by about {much}" if size > 0 else " a little"
    if len(finite) < 2:
        then = "there are too few conditions to compare these curves."
    else:
        leading = [trend for trend in finite if trend.aicc - finite[0].aicc < ALIKE]
        then = _first_sentence(finite, _words(finite, leading))
        then = f"{then[0].lower()}{then[1:]}" if then.startswith(("These", "There")) else then
    return [
        f"None of the {len(trends)} curves tried passes within the spread of the trials for {_where(trends[0])}, "
        f"or each set-up differed{by}.",
        f"If the set-ups differed, then {then}",
        "To find out, set the apparatus up anew before every trial.",
    ]


def _misfit_sentence(trend: Trend) -> str:
    if trend.setup_scatter is not None:
        return "What each set-up added is part of the spread here, so no misfit could be looked for."
    if trend.lack_of_fit is None:
        return "Without repeats no misfit could be looked for. Repeat some runs."
    chance = trend.lack_of_fit.p
    p = f"(lack-of-fit test: p {'< 0.001' if chance < 0.001 else f'= {chance:.2g}'})"
    if _misfit(trend):
        return f"The averages lie further from {trend.formula} than the runs scatter {p}."
    if chance < NEAR_MISFIT:
        return (
            f"No clear misfit found, but it is close: the averages lie rather far from {trend.formula} for the way the "
            f"runs scatter {p}. Repeat some runs."
        )
    return f"No misfit found: the averages lie as close to {trend.formula} as the runs scatter {p}."


def _named(trend: Trend) -> str:
    return f"{trend.formula} ({trend.model})"


def _listed(trends: Iterable[Trend]) -> str:
    names = [_named(trend) for trend in trends]
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
    x_measured = float(np.min(first.x)), float(np.max(first.x))
    if usable[1].aicc - usable[0].aicc > CLEAR:
        meaning = "These two are told apart already; a run there would test that once more."
    elif score < 1:
        meaning = "One more run there would tell little: repeat it several times, or look further out."
    else:
        meaning = "Measure there next." if score <= 3 else "One run there can decide between them."
    if not x_measured[0] <= at <= x_measured[1]:
        meaning += " It lies outside the range you measured: can your apparatus do it?"
    return NextCondition(
        x=at,
        models=(first.model, second.model),
        predictions=says,
        disagreement=score,
        sentence=(
            f"At x = {at:g}, {first.formula} predicts {says[0]:.3g} and {second.formula} predicts {says[1]:.3g}: "
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


# --- the straight line through logarithms


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
