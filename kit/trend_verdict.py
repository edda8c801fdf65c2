"""What fitted trends allow us to say, in graded words by fixed rules, and where to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .errors import KitError
from .trend_result import Trend

__all__ = ["NextCondition", "Verdict", "next_condition", "verdict"]

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


# --- where to measure next ----------------------------------------------------------------------------------


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
    """
    usable = sorted((t for t in trends if np.isfinite(t.aicc)), key=lambda t: t.aicc)
    leading = [t for t in usable if t.aicc - usable[0].aicc <= CLEAR and not t.at_bound]
    if len(leading) < 2:
        leading = usable[:2]
    if len(leading) < 2:
        return None
    x = _candidates(leading[0].x) if candidates is None else np.asarray(candidates, float).ravel()
    best = None
    for i, first in enumerate(leading):
        for second in leading[i + 1 :]:
            here = x[first.defined_at(x) & second.defined_at(x)]
            if not len(here):
                continue
            score = _disagreement(first, second, here)
            at = int(np.argmax(score))
            if np.isfinite(score[at]) and (best is None or score[at] > best[0]):
                best = float(score[at]), float(here[at]), first, second
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
        scatter = first.scatter if first.errors == "absolute" else np.sqrt(np.mean(first.u**2))
        return np.abs(one.value - other.value) / np.sqrt(one.u**2 + other.u**2 + scatter**2)
    positive = (one.value > 0) & (other.value > 0)
    with np.errstate(all="ignore"):
        u = np.sqrt((one.u / one.value) ** 2 + (other.u / other.value) ** 2 + first.scatter**2)
        score = np.abs(np.log(one.value / other.value)) / u
    return np.where(positive & np.isfinite(score), score, -np.inf)
