"""What the plots on slowing down show, in plain words and in tables of text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from ..motion.drag import TURN, law_terms
from ..motion.drag_fit import DragFit
from ..motion.drag_joint import JointDrag
from ..motion.explain import RatioTest, collapsed_at, same_number
from ..stats.averages import t_factor
from ..wording import (
    DASH,
    about,
    case_of,
    count_of,
    evidence_share,
    interval,
    join_words,
    name_of,
    number,
    percent,
    plus_minus,
    rounded_by,
    times_u,
)

__all__ = [
    "KINDS",
    "Kind",
    "Route",
    "collapse_numbers",
    "collapse_words",
    "compared_words",
    "describe_collapse",
    "describe_ratio",
    "describe_routes",
    "describe_speed",
    "fitted_words",
    "law_words",
    "laws_table",
    "nearest_law",
    "plain",
    "ratio_numbers",
    "ratio_words",
    "read_routes",
    "rest_words",
    "routes_numbers",
    "routes_words",
    "short_law",
    "speed_numbers",
    "where_it_fails",
]

SHARES = (0.25, 0.5, 0.75)


class Kind(NamedTuple):
    """One kind of drag, in the words and the unit a student meets."""

    term: str  # its coefficient: "a", "b" or "c"
    law: str  # its name in `kit.motion.drag.LAWS`
    words: str
    short: str  # for a legend
    from_si: float  # times the coefficient in SI gives the number in `unit`
    unit: str

    def shown(self, value: float, u: float = np.nan) -> str:
        """A coefficient given in SI, in words: "2.325 ± 0.014 % of the speed lost each second"."""
        return plus_minus(self.from_si * value, self.from_si * u, self.unit)


class Route(NamedTuple):
    """A row of what `kit.motion.explain.routes` returns."""

    quantity: str
    route: str
    value: float
    u: float
    low: float
    high: float


def read_routes(routes: pd.DataFrame) -> list[Route]:
    """The rows of the table of routes, in its order."""
    return [Route(*row) for row in routes[list(Route._fields)].to_numpy().tolist()]


KINDS = (
    Kind("a", "constant", "rubbing that is always the same", "always the same", 1 / TURN, "turns/s lost each second"),
    Kind("b", "∝ speed", "drag that grows with speed", "grows with speed", 100.0, "% of the speed lost each second"),
    Kind(
        "c",
        "∝ speed²",
        "drag that grows with speed squared",
        "grows with speed²",
        100.0 * TURN,
        "% of the speed lost each turn",
    ),
)
_BY_LAW = {kind.law: kind for kind in KINDS}
_BY_TERM = {kind.term: kind for kind in KINDS}
_QUANTITIES = {"duration_s": "duration", "turns": "turns"}


def law_words(law: str) -> str:
    """A law's name in plain words: "constant + ∝ speed" → "rubbing that is always the same + drag that grows ..."."""
    return " + ".join(_BY_TERM[term].words for term in law_terms(law))


def short_law(law: str) -> str:
    """The same, short enough for a legend: "always the same + grows with speed"."""
    return " + ".join(_BY_TERM[term].short for term in law_terms(law))


def plain(sentence: str) -> str:
    """A sentence of `kit.motion.explain` with the kinds of drag in plain words, and very small p values in short."""
    sentence = re.sub(r"∝ speed²|∝ speed\b|\bconstant\b", lambda m: f"“{_BY_LAW[m[0]].words}”", sentence)
    return re.sub(r"p = \d(\.\d)?e-(\d+)", lambda m: m[0] if int(m[2]) < 4 else "p < 0.001", sentence)


# --- the collapse and the ratio test ------------------------------------------------------------------------------


def collapse_words(collapsed: pd.DataFrame, curves: pd.DataFrame, x: str) -> list[str]:
    """What the collapse is for, and which curve the runs lie near, in sentences."""
    nearest, away, apart = _nearest_curve(collapsed, curves, x)
    return [
        "Each run is squeezed to one size: its time becomes a share of its duration, its speed a share of the start "
        "speed. How strong the drag is no longer matters. Only the kind of drag is left.",
        f"The runs lie nearest to the curve of “{_BY_LAW[nearest].words}”: on average {percent(away)} of the start "
        f"speed away from it. Between conditions they are at most {percent(apart)} apart.",
    ]


def describe_collapse(collapsed: pd.DataFrame, curves: pd.DataFrame, x: str, left_over: str | None = None) -> str:
    """What the collapse plot shows, in two or three sentences. `left_over`: the law whose curve was taken off."""
    nearest, away, apart = _nearest_curve(collapsed, curves, x)
    runs = collapsed[["source", "trial"]].drop_duplicates()
    start = f"{count_of(len(runs), 'run').capitalize()} at {count_of(collapsed[x].nunique(), 'condition')}: "
    if left_over:
        off = _deviation(collapsed, curves, left_over)
        return (
            f"{start}how far each run's share of speed lies from the curve of {_BY_LAW[left_over].words}, "
            f"against the share of its time. It lies between {number(100 * off.min(), 2)} and "
            f"{number(100 * off.max(), 2)} % of the start speed away from that curve."
        )
    return (
        f"{start}share of the start speed against share of the duration, beside one curve for each kind of drag. "
        "The curve of constant rubbing is straight; the other two fall steeply first. "
        f"All runs lie nearest to {_BY_LAW[nearest].words}, on average {percent(away)} away, "
        f"and at most {percent(apart)} apart from each other."
    )


def collapse_numbers(collapsed: pd.DataFrame, curves: pd.DataFrame, x: str) -> pd.DataFrame:
    """The numbers in the collapse plot, as text: speed shares at three moments, by condition and by law."""
    table = collapsed_at(collapsed, x, SHARES)
    rows = [[case_of(x, value), *shares] for value, shares in zip(table.index, table.to_numpy(), strict=True)]
    for law in curves["law"].unique():
        curve = curves[curves["law"] == law]
        rows.append([f"law: {_BY_LAW[law].words}", *np.interp(SHARES, curve["time_share"], curve["speed_share"])])
    columns = ["Runs", *(f"speed left after {share:.0%} of the time" for share in SHARES)]
    cells = [[name, *(f"{100 * v:.1f} %" if np.isfinite(v) else DASH for v in shares)] for name, *shares in rows]
    return pd.DataFrame(cells, columns=columns)


def ratio_words(test: RatioTest) -> list[str]:
    """What the ratio test says, in plain words."""
    return [
        plain(test.sentence),
        plain(test.same_kind),
        "As long as the kind of drag stays, turns are the duration times one and the same mean speed, however strong "
        "the drag is. That is why both fall in the same shape.",
    ]


def describe_ratio(test: RatioTest) -> str:
    """What the plot of turns/duration shows, in two or three sentences."""
    first, last = test.conditions.iloc[0], test.conditions.iloc[-1]
    speeds = join_words(f"{_BY_LAW[law].words}, {speed:.3f}" for law, speed in test.mean_speeds.items())
    return (
        f"Turns divided by duration for {count_of(len(test.runs), 'run')}: from {first['ratio']:.3f} turns/s at "
        f"{case_of(test.x, first[test.x])} to {last['ratio']:.3f} at {case_of(test.x, last[test.x])}. "
        f"Level lines mark what each kind of drag alone would give: {speeds} turns/s. "
        "The axis does not start at zero, so that small differences show."
    )


def ratio_numbers(test: RatioTest) -> pd.DataFrame:
    """The numbers in the plot of turns/duration, as text: a row a condition."""
    return pd.DataFrame(
        [
            {
                name_of(test.x).capitalize(): f"{row[test.x]:g}" if not isinstance(row[test.x], str) else row[test.x],
                "Runs": f"{row['n']:g}",
                "Turns/duration ± standard uncertainty (turns/s)": plus_minus(row["ratio"], row["u"]),
                "95 % interval": interval(row["low"], row["high"]) if np.isfinite(row["u"]) else DASH,
                "Nearest kind of drag": _BY_LAW[row["nearest"]].words,
            }
            for _, row in test.conditions.iterrows()
        ]
    )


def _deviation(collapsed, curves, law) -> np.ndarray:
    curve = curves[curves["law"] == law]
    return (
        collapsed["speed_share"] - np.interp(collapsed["time_share"], curve["time_share"], curve["speed_share"])
    ).to_numpy()


def nearest_law(collapsed: pd.DataFrame, curves: pd.DataFrame) -> str:
    """The single kind of drag whose curve is nearest to all runs (root mean square)."""
    return min(curves["law"].unique(), key=lambda law: _rms(collapsed, curves, law))


def _rms(collapsed, curves, law) -> float:
    return float(np.sqrt(np.mean(_deviation(collapsed, curves, law) ** 2)))


def _nearest_curve(collapsed, curves, x) -> tuple[str, float, float]:
    """The nearest law, the runs' rms distance from it, and the largest gap between conditions."""
    nearest, at = nearest_law(collapsed, curves), collapsed_at(collapsed, x, np.linspace(0.1, 0.9, 9))
    return nearest, _rms(collapsed, curves, nearest), float((at.max() - at.min()).max())


# --- the laws fitted to all runs ----------------------------------------------------------------------------------


def fitted_words(joint: JointDrag) -> list[str]:
    """The best law of all runs together, with 95 % intervals, in sentences."""
    factor, one = t_factor(joint.dof), case_of(joint.x, 1).removeprefix("1 ")
    words = [
        f"Of the seven laws tried, the passes of all runs speak most for this one: {law_words(joint.law)}. "
        f"Its share of the evidence is {evidence_share(joint.laws['weight'].iloc[0])}."
    ]
    for line in joint.lines.to_dict("records"):
        kind, slope, slope_u = _BY_TERM[line["coefficient"]], line["slope"], line["slope_u"]
        alone = _with_interval(kind, line["at_zero"], line["at_zero_u"], factor)
        if slope > factor * slope_u:
            added = f"Each {one} adds {_with_interval(kind, slope, slope_u, factor)}."
        else:
            most = number(kind.from_si * (slope + factor * slope_u), 2)
            added = f"The data give no sign that {name_of(joint.x)} change it (each {one} at most {most} {kind.unit})."
        words.append(f"{kind.words.capitalize()}: the apparatus alone has {alone}. {added}")
    words.append(
        f"From run to run the drag differs by about {percent(joint.run_scatter)}. "
        "All this holds for the speeds and conditions you measured, not beyond."
    )
    if joint.left_out:
        words.append(f"Left out: {'; '.join(joint.left_out)}.")
    return words


def laws_table(joint: JointDrag) -> pd.DataFrame:
    """All laws on the same runs, best first, as text."""
    gaps = joint.laws["aicc"] - joint.laws["aicc"].iloc[0]
    return pd.DataFrame(
        {
            "Law: drag that ...": [short_law(law) for law in joint.laws["law"]],
            "Less supported by (Δ)": [number(gap, 3) if gap < 1e4 else "more than 10000" for gap in gaps],
            "Evidence": [evidence_share(weight) for weight in joint.laws["weight"]],
        }
    )


def compared_words(quantity: str, model: float, mean: float, u: float) -> str:
    """How a model's value compares with the measured mean, graded at 1 and at 3 standard uncertainties of the mean."""
    if not np.isfinite(model):
        return f"{quantity.capitalize()}: the model never gets to the stop threshold."
    share = model / mean - 1
    if abs(share) < 0.0005:
        place = "the model gives the average measured"
    else:
        place = f"the model lies {percent(abs(share))} {'above' if share > 0 else 'below'} the average measured"
    if not (np.isfinite(u) and u > 0):
        return f"{quantity.capitalize()}: {place}."
    apart = abs(model - mean) / u
    words = "The data can't tell the two apart." if apart < 1 else "More runs could tell the two apart."
    if apart > 3:
        words = "The data speak against the model here."
    return f"{quantity.capitalize()}: {place} ({times_u(apart)}). {words}"


def _with_interval(kind: Kind, value: float, u: float, factor: float) -> str:
    low, high = max(0.0, value - factor * u), value + factor * u
    value, low, high, u = (kind.from_si * v for v in (value, low, high, u))
    return f"{rounded_by(value, u)} {kind.unit} (95 %: {interval(low, high)})"


# --- two routes to one number -------------------------------------------------------------------------------------

_MEANING = {  # by a word of the verdict of `same_number`
    "agree within": "So two quite different ways lead to one number. One way only used how long runs last; the "
    "other only how the speed falls inside each run. That supports the law, for the conditions you measured.",
    "cannot tell yet": "More runs would narrow both intervals. Until then, claim neither that they agree nor that they "
    "differ.",
    "differ by": "Then something behind one of the routes does not hold. The law may lack a kind of drag, some turns "
    "may be miscounted, or the apparatus changed during the session. Look at what the curves leave over.",
}
_SAME_RUNS = (
    "Both routes use the same runs. A run with a bit more drag moves both numbers the same way, so they should lie "
    "closer together than their intervals suggest. This tests the law. It does not test the runs."
)


def routes_words(routes: pd.DataFrame, x: str, changing: str) -> list[str]:
    """What the two routes to x₀ say, whether they agree, and what that means.

    `routes`: what `kit.motion.explain.routes` returns; `changing`: the name of the kind of drag that was added.
    """
    words, verdicts = [], []
    for quantity in ("duration_s", "turns"):
        trend, fits = _route(routes, quantity, "trend"), _route(routes, quantity, "drag fits")
        verdict = same_number(trend.value, trend.u, fits.value, fits.u)
        words.append(
            f"{_QUANTITIES[quantity].capitalize()}: the trend says that the apparatus alone drags like "
            f"{plus_minus(trend.value, trend.u)} {name_of(x)}. The drag fits say {plus_minus(fits.value, fits.u)}. "
            f"{verdict}"
        )
        verdicts.append(next((key for key in _MEANING if key in verdict), None))
    worst = next((key for key in ("differ by", "cannot tell yet", "agree within") if key in verdicts), None)
    meaning = [_MEANING[worst]] if worst else []
    fits, alone = _route(routes, "duration_s", "drag fits"), _route(routes, "", "one kind alone")
    kind = _BY_LAW[changing].words
    more = (
        "Other kinds of drag in the apparatus slow it too, and the x₀ of the trend counts them all."
        if fits.value > alone.value + alone.u
        else "That is close to x₀: other kinds of drag play a small part."
    )
    return [
        *words,
        *meaning,
        _SAME_RUNS,
        f"Of “{kind}” alone, the apparatus has as much as {plus_minus(alone.value, alone.u)} {name_of(x)} "
        f"(95 %: {interval(alone.low, alone.high)}). {more}",
    ]


def where_it_fails(nothing: dict, routes: pd.DataFrame, x: str, law: str) -> list[str]:
    """Where an inverse must fail: with nothing added, and where kinds of drag mix.

    `nothing`: what `kit.motion.explain.at_nothing_added` returns; `law`: the law all runs share.
    """
    none = case_of(x, 0)
    known = [
        f"{words} {number(nothing[key], 3)} s"
        for key, words in (("trend", "A/(x + x₀) says"), ("law", "the drag law says"), ("measured", "you measured"))
        if np.isfinite(nothing[key])
    ]
    first = f"Take {name_of(x)} away. A pure inverse A/x has no value at {none}: it would never stop. "
    first += f"The apparatus does stop. At {none}, {join_words(known)}." if known else "No route has a value there."
    if np.isfinite(nothing["measured"]) or not known:
        sentences = [first]
    else:
        sentences = [f"{first} None of this was measured: it is a good run to plan."]
    duration, turns = _route(routes, "duration_s", "drag fits"), _route(routes, "turns", "drag fits")
    if len(law_terms(law)) > 1:
        sentences.append(
            f"Here kinds of drag mix: {law_words(law)}. Then no single x₀ serves everything: by the drag fits it is "
            f"{rounded_by(duration.value, duration.u)} for duration and {rounded_by(turns.value, turns.u)} for turns. "
            "This gap comes from the law itself. More runs would not close it."
        )
    else:
        sentences.append("One kind of drag is enough here, so A/(x + x₀) holds for duration and for turns alike.")
    return sentences


def describe_routes(routes: pd.DataFrame, x: str) -> str:
    """What the plot of the two routes shows, in two or three sentences."""
    parts = []
    for quantity in ("duration_s", "turns"):
        trend, fits = _route(routes, quantity, "trend"), _route(routes, quantity, "drag fits")
        overlap = "overlap" if trend.low <= fits.high and fits.low <= trend.high else "do not overlap"
        parts.append(
            f"for {_QUANTITIES[quantity]} {rounded_by(trend.value, trend.u)} by the trend and "
            f"{rounded_by(fits.value, fits.u)} by the drag fits, whose 95 % intervals {overlap}"
        )
    alone = _route(routes, "", "one kind alone")
    return (
        f"The drag of the apparatus alone, counted in {name_of(x)}: {'; '.join(parts)}. "
        f"The one kind of drag that {name_of(x)} add gives {rounded_by(alone.value, alone.u)}."
    )


def routes_numbers(routes: pd.DataFrame, x: str) -> pd.DataFrame:
    """The numbers in the plot of the two routes, as text."""
    return pd.DataFrame(
        {
            "Route": [_route_name(row) for row in read_routes(routes)],
            f"Drags like so many {name_of(x)}": [plus_minus(row.value, row.u) for row in read_routes(routes)],
            "95 % interval": [interval(row.low, row.high) for row in read_routes(routes)],
        }
    )


def _route_name(row: Route) -> str:
    if row.route == "one kind alone":
        return "the added kind of drag alone"
    return f"{row.route}, {_QUANTITIES[row.quantity]}"


def _route(routes: pd.DataFrame, quantity: str, route: str) -> Route:
    return next(row for row in read_routes(routes) if (row.quantity, row.route) == (quantity, route))


# --- one run: its speed, and the way to rest ----------------------------------------------------------------------


def rest_words(fit: DragFit) -> str:
    """The time from the last pass to rest, marked as what it is: an estimate of a model."""
    rest = fit.time_to_rest()
    if not np.isfinite(rest.time_s):
        return (
            f"By this law ({law_words(fit.name)}) it would never quite come to rest. A real spindle does, so the law "
            "lacks something at low speed. Nothing was measured after the last pass."
        )
    return (
        f"The model's estimate: at rest {about(rest.time_s, rest.time_u_s, 's')} after the last pass, and "
        f"{about(rest.turns, rest.turns_u)} turns further. Nothing was measured there, and a spindle may grip "
        "differently when slow. So this never enters a duration."
    )


def describe_speed(fits: Sequence[DragFit]) -> str:
    """What the plot of one run's speed shows, in two or three sentences. `fits`: best first, not empty."""
    best = fits[0]
    first, last = best.speed(best.times_s[[0, -1]]) / TURN
    words = (
        f"The speed falls from {number(first, 3)} to {number(last, 3)} turns/s in "
        f"{number(best.times_s[-1] - best.times_s[0], 3)} s. "
        f"The best law of those shown is {law_words(best.name)}. "
    )
    if len(fits) > 1:
        words += f"Also shown: {'; '.join(law_words(fit.name) for fit in fits[1:])}. "
    return f"{words}After the last pass the curve is dashed. {rest_words(best)}"


def speed_numbers(fits: Sequence[DragFit]) -> pd.DataFrame:
    """The laws in the plot of one run's speed, as text: coefficients with 95 % intervals, misfit, time to rest."""
    rows = []
    for fit in fits:
        rest = fit.time_to_rest()
        values = []
        for term, (low, high) in fit.intervals().items():
            kind, at = _BY_TERM[term], fit.parameters.index(term)
            value, u = kind.from_si * getattr(fit.law, term), kind.from_si * float(np.sqrt(fit.covariance[at, at]))
            values.append(f"{rounded_by(value, u)} ({interval(kind.from_si * low, kind.from_si * high)}) {kind.unit}")
        rows.append(
            {
                "Law": law_words(fit.name),
                "Drag (95 % interval)": "; ".join(values),
                "Passes off the law by (ms)": number(1e3 * fit.timing_sd_s, 2),
                "Evidence": evidence_share(fit.weight),
                "Model's estimate: last pass to rest": plus_minus(rest.time_s, rest.time_u_s, "s")
                if np.isfinite(rest.time_s)
                else "never quite",
            }
        )
    return pd.DataFrame(rows)
