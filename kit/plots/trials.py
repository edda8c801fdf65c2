"""Trials and their averages, drawn and in words; two methods side by side; turns beside durations.

Tables in, plotly figures and sentences out, and no input is changed. All plots draw with lines and few markers, so that
they stay light.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from ..errors import KitError
from ..stats.averages import Agreement, average, counting, doubtful, grubbs, t_factor
from ..wording import (
    as_repeated,
    axis_title,
    case_of,
    count_of,
    interval,
    join_words,
    name_of,
    number,
    percent,
    plus_minus,
    rounded_by,
    unit_of,
)
from .style import FONT_SIZE, INK, MUTED, PALETTE, new_figure, origin_looks, places, side_by_side

__all__ = [
    "NextRun",
    "agreement_figure",
    "describe_trials",
    "mean_speed_figure",
    "next_run",
    "trials_figure",
    "trials_numbers",
    "unusual_trials",
    "what_trials_show",
    "with_and_without",
]


def trials_figure(
    results: pd.DataFrame,
    averages: pd.DataFrame,
    x: str,
    quantity: str = "duration_s",
    *,
    pooled: bool = False,
    zoom: bool = False,
):
    """Every trial as a dot, the mean of each condition with its 95 % interval.

    Doubtful trials are hollow, and count; those that are set aside stay as well, hollow with a cross.

    Parameters
    ----------
    results, averages : a results table and what `kit.average` made of it.
    x, quantity : the column that was changed and the column shown.
    pooled : show the interval that rests on the scatter of all conditions, not on each condition's own.
    zoom : show per cent from the condition's mean, which makes small scatter visible beside large values.
    """
    unit, name = unit_of(quantity), name_of(quantity)
    y_title = f"{name.capitalize()}: % from the average" if zoom else axis_title(quantity)
    figure = new_figure(axis_title(x), y_title)
    place, ticks, gap = places(results[x])
    figure.update_xaxes(**ticks)
    means = dict(zip(averages[x], averages["mean"], strict=True))

    def shown(values, conditions):
        values = np.asarray(values, float)
        if not zoom:
            return values
        return 100 * (values / np.array([means.get(c, np.nan) for c in conditions]) - 1)

    table = results.assign(_trial=trial_numbers(results, x), _place=results[x].map(place))
    table["_place"] += side_by_side(table, x, gap)
    origins = results["origin"] if "origin" in results.columns else pd.Series("", results.index)
    counts = counting(results) & results[quantity].notna()
    aside = ~counts & results[quantity].notna()
    doubts = doubtful(results)
    for rows, words, marker in (
        *(
            (table[counts & (origins == origin) & ~doubts], words, {"symbol": symbol, "size": 9, "color": color})
            for origin, (words, symbol, color) in origin_looks(origins.tolist()).items()
        ),
        (
            table[counts & doubts],
            "doubtful, counts",
            {"symbol": "diamond-open", "size": 11, "color": PALETTE[0], "line": {"width": 2.5}},
        ),
        (
            table[aside],
            "set aside",
            {"symbol": "circle-x-open", "size": 12, "color": PALETTE[1], "line": {"width": 2.5}},
        ),
    ):
        if len(rows):
            figure.add_scatter(
                x=rows["_place"],
                y=shown(rows[quantity], rows[x]),
                mode="markers",
                name=words,
                marker=marker,
                customdata=[_hover(row, x, quantity, unit) for _, row in rows.iterrows()],
                hovertemplate="%{customdata}<extra></extra>",
            )
    low, high = ("pooled_low", "pooled_high") if pooled else ("low", "high")
    mean = shown(averages["mean"], averages[x])
    figure.add_scatter(
        x=averages[x].map(place) + 0.3 * gap,
        y=mean,
        error_y={
            "type": "data",
            "symmetric": False,
            "array": np.nan_to_num(shown(averages[high], averages[x]) - mean),
            "arrayminus": np.nan_to_num(mean - shown(averages[low], averages[x])),
            "thickness": 2.5,
            "width": 7,
            "color": INK,
        },
        mode="markers",
        name="average, 95 % interval",
        marker={"symbol": "line-ew", "size": 9, "color": INK, "line": {"width": 3, "color": INK}},
        customdata=[interval(a, b, unit) for a, b in zip(averages[low], averages[high], strict=True)],
        hovertemplate="average, 95 % interval %{customdata}<extra></extra>",
    )
    _add_unfinished(figure, table, quantity, zoom)
    if zoom:
        figure.add_hline(y=0, line={"color": MUTED, "width": 1.5})
    else:
        figure.update_yaxes(rangemode="tozero")
    return _legend_on_top(figure)


def agreement_figure(
    agreement: Agreement,
    unit: str = "s",
    first: str = "gate",
    second: str = "hand",
    own: Sequence[tuple[float | str, float, float]] = (),
):
    """Difference of two methods against their mean, with the mean difference, its interval and two kinds of limits.

    `own`: further pairs (condition, first, second) that are no part of `agreement`, such as a group's own counts; they
    are diamonds.
    """
    pairs = agreement.pairs
    figure = new_figure(f"Average of {first} and {second} ({unit})", f"{first.capitalize()} − {second} ({unit})")
    figure.add_hrect(y0=agreement.bias_low, y1=agreement.bias_high, fillcolor=PALETTE[0], opacity=0.14, line_width=0)

    def words_of(y):
        return f"{rounded_by(y, agreement.bias_u)} {unit}"

    lines = [
        (agreement.bias, "average difference", PALETTE[0], "solid", "bottom right"),
        (agreement.next_range[0], "range for the next difference", PALETTE[1], "dash", "bottom right"),
        (agreement.next_range[1], "range for the next difference", PALETTE[1], "dash", "top right"),
        (agreement.limits[0], "limits if there were many pairs", PALETTE[2], "dot", "top right"),
        (agreement.limits[1], "limits if there were many pairs", PALETTE[2], "dot", "bottom right"),
    ]
    for y, words, color, dash, position in lines:
        figure.add_hline(
            y=y,
            line={"color": color, "width": 2.5, "dash": dash},
            annotation={
                "text": f"{words}: {words_of(y)}",
                "font": {"color": color, "size": FONT_SIZE - 1},
            },
            annotation_position=position,
        )
    figure.add_hline(y=0, line={"color": MUTED, "width": 1.5})
    figure.add_scatter(
        x=pairs["mean"],
        y=pairs["difference"],
        mode="markers+text",
        text=[str(v) if isinstance(v, str) else f"{v:g}" for v in pairs["x"]],
        textposition="middle right",
        marker={"size": 11, "color": INK},
        hovertemplate="%{text}: %{y:.3g} " + unit + "<extra></extra>",
        showlegend=False,
    )
    means = [*pairs["mean"], *((a + b) / 2 for _, a, b in own)]
    if own:
        figure.add_scatter(
            x=means[len(pairs) :],
            y=[a - b for _, a, b in own],
            mode="markers+text",
            text=[v if isinstance(v, str) else f"{v:g}" for v, _, _ in own],
            textposition="top center",
            name="own count",
            marker={"size": 14, "symbol": "diamond-open", "color": PALETTE[1], "line": {"width": 3}},
            textfont={"color": PALETTE[1]},
            hovertemplate="own count, %{text}: %{y:.3g} " + unit + "<extra></extra>",
            showlegend=True,  # alone, too
        )
        _legend_on_top(figure)
    span = float(max(means) - min(means)) or 1.0
    figure.update_xaxes(range=[min(means) - 0.06 * span, max(means) + 0.45 * span])
    return figure


def mean_speed_figure(results: pd.DataFrame, x: str):
    """Turns divided by duration, trial by trial: the mean speed between the two thresholds, turns/s.

    If it does not depend on the condition, turns and duration share one shape. Doubtful trials are hollow.
    """
    counts = counting(results) & results["duration_s"].notna() & results["turns"].notna()
    if not counts.any():
        raise KitError("No trial counts", fix="choose other thresholds, or take trials back")
    rows = results[counts].assign(_speed=lambda table: table["turns"] / table["duration_s"])
    place, ticks, gap = places(results[x])
    figure = new_figure(axis_title(x), "Turns ÷ duration (turns/s)", showlegend=False)
    figure.update_xaxes(**ticks)
    figure.add_scatter(
        x=rows[x].map(place) + side_by_side(rows, x, gap),
        y=rows["_speed"],
        mode="markers",
        marker={
            "size": 9,
            "color": PALETTE[0],
            "symbol": ["diamond-open" if doubt else "circle" for doubt in doubtful(results)[rows.index]],
        },
        hovertemplate="%{y:.3f} turns/s<extra></extra>",
    )
    mean = float(rows["_speed"].mean())
    figure.add_hline(
        y=mean,
        line={"color": PALETTE[1], "width": 2.5, "dash": "dash"},
        annotation={
            "text": f"average of all trials: {number(mean)} turns/s",
            "font": {"color": PALETTE[1]},
        },
        annotation_position="bottom right",
    )
    figure.update_yaxes(rangemode="tozero")
    return figure


def trial_numbers(results: pd.DataFrame, x: str) -> pd.Series:
    """The trial's number: its own column, or counted within each condition where there is none."""
    if "trial" in results.columns:
        return results["trial"]
    return results.groupby(x).cumcount() + 1


def _hover(row, x, quantity, unit) -> str:
    words = f"{case_of(x, row[x])}, trial {row['_trial']}: {number(row[quantity])} {unit}".rstrip()
    for reason, name in ((row.get("set_aside"), "set aside"), (row.get("doubt"), "doubtful")):
        if isinstance(reason, str) and reason:
            words += f"<br>{name}: {_escaped(reason)}"
    return words


def _escaped(text: str) -> str:
    """Plotly reads a few HTML tags in labels; what a person typed is shown as typed."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _add_unfinished(figure, table, quantity, zoom) -> None:
    """Runs that ended too early: an arrow at what they reached, never a dot."""
    if quantity != "duration_s" or zoom or "more_than_s" not in table.columns:
        return
    rows = table[table["more_than_s"] > 0]
    if len(rows):
        figure.add_scatter(
            x=rows["_place"],
            y=rows["more_than_s"],
            mode="markers",
            name="ended early: more than this",
            marker={"symbol": "arrow-bar-up-open", "size": 13, "color": PALETTE[3], "line": {"width": 2.5}},
            hovertemplate="more than %{y:.4g} s<extra></extra>",
        )


def _legend_on_top(figure):
    figure.update_layout(legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"}, showlegend=True)
    return figure


# --- what repeated trials can and cannot show, in sentences ---------------------------------------------------------

_SPELLED = dict(enumerate(("Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"), start=2))


class NextRun(NamedTuple):
    """Where one more trial of a condition would land, 19 times in 20."""

    low: float
    high: float
    sentence: str


def next_run(averages: pd.DataFrame, condition, *, pooled: bool = True) -> NextRun:
    """Range for one more trial: mean ± t·s·√(1 + 1/n), the 95 % prediction interval of a single value.

    `averages` as `kit.average` makes it. `pooled` takes s and t from all conditions, else from this one's own
    trials. Assumes that nothing has changed since: the same rig, people and day, and normal scatter.
    """
    x, quantity = averages.attrs["x"], averages.attrs["quantity"]
    rows = averages[averages[x] == condition]
    if rows.empty:
        raise KitError("There is no average at this condition", found=condition, fix="choose one that was measured")
    row = rows.iloc[0]
    sd, t = (row["pooled_sd"], row["pooled_t"]) if pooled else (row["sd"], row["t"])
    reach = t * sd * np.sqrt(1 + 1 / row["n"])
    if not np.isfinite(reach):
        raise KitError("One trial a condition shows no spread", fix="repeat at least one condition")
    low, high = float(row["mean"] - reach), float(row["mean"] + reach)
    basis = "the spread of all conditions" if pooled else "the spread of these trials alone"
    reached = interval(low, high, unit_of(quantity)).replace(" to ", " and ")
    mean = f"{rounded_by(row['mean'], reach / t)} {unit_of(quantity)}".rstrip()
    sentence = (
        f"If nothing changes, one more run with {case_of(x, condition)} would land between {reached}, 19 times in 20. "
        f"This range comes from {basis}. The average is {mean}, yet hardly any run lands exactly there."
    )
    return NextRun(low, high, sentence)


def what_trials_show(averages: pd.DataFrame) -> list[str]:
    """Paragraphs for a student: what the bars mean, what so few trials cannot tell, what shared spread is."""
    few = int(averages["n"].mode().iloc[0])  # of two equally common numbers of trials the smaller one
    dof, scatter = averages.attrs["pooled_dof"], averages.attrs["pooled_scatter"]
    words = [
        "Each dot is one trial. The bar is a 95 % interval for the average. Very many trials would give one average: "
        "out of 20 bars made this way, about 19 hold it."
    ]
    if few == 1:
        words.append("A condition with one trial has no bar of its own: one trial cannot show its own spread.")
    else:
        words.append(
            f"{_SPELLED.get(few, few)} trials cannot show well how much trials spread"
            + (": the spread they give may easily be off by half" if few == 3 else "")
            + f". So the bar must be wide: the average ± {t_factor(few - 1):.2f} × its standard uncertainty. "
            f"With ten trials the factor would be {t_factor(9):.2f}."
        )
    if few <= 3:
        words.append(
            "No test can find an unusual trial among three. Chance alone often puts two close together and one away: "
            "in 36 of 100 threes one gap is more than four times the other. Set a trial aside only if you saw or "
            "heard what went wrong."
        )
    if dof > 0:
        kind = percent(scatter) if averages.attrs["pooled"] == "relative" else number(scatter, 2)
        words.append(
            f"Shared spread: all conditions together show that single trials spread by about {kind}. If every "
            "condition spreads alike, each may use this number, and the bars get shorter: the factor is then "
            f"{t_factor(dof):.2f}. The view in per cent shows whether the dots do spread alike."
        )
    words.append(
        "All this is about repeating with one rig, on one day. A gate that is set wrong shifts every trial alike, and "
        "no number of repeats shows that."
    )
    return words


def with_and_without(results: pd.DataFrame, x: str, quantity: str) -> list[str]:
    """For each condition with a trial set aside: its average with all measured trials, and without those set aside."""
    aside = results["set_aside"].fillna("").astype(str)
    measured = counting(results.assign(set_aside="")) & results[quantity].notna()
    unit, sentences = unit_of(quantity), []
    for condition in results.loc[measured & (aside != ""), x].unique():
        rows = results[measured & (results[x] == condition)]
        everything = average(rows.assign(set_aside=""), x, quantity, "absolute").iloc[0]
        left_out = int((rows["set_aside"] != "").sum())
        trials = count_of(len(rows), "trial")
        words = f"With {case_of(x, condition)}, all {trials} give an average of {_average_words(everything, unit)}; "
        if left_out == len(rows):
            words += "with all of them set aside there is no average."
        else:
            kept = average(rows, x, quantity, "absolute").iloc[0]
            words += f"without {count_of(left_out, 'trial')} set aside it is {_average_words(kept, unit)}."
        sentences.append(words)
    return sentences


def _average_words(row, unit) -> str:
    if row["n"] < 2:
        return f"{_with(number(row['mean']), unit)} (one trial: no interval)"
    mean = _with(rounded_by(row["mean"], row["u"]), unit)
    return f"{mean} (95 %: {interval(row['low'], row['high'], unit)})"


def _with(text: str, unit: str) -> str:
    return f"{text} {unit}".rstrip()


def unusual_trials(results: pd.DataFrame, x: str, quantity: str) -> list[str]:
    """Sentences on trials far from the others, where there are enough trials for Grubbs' test; empty otherwise."""
    sentences = []
    counted = results[counting(results) & results[quantity].notna()]
    for condition in sorted(counted[x].unique()):
        values = counted.loc[counted[x] == condition, quantity].tolist()
        if len(values) > 3:
            found = grubbs(values)
            if found.unusual:
                value = number(values[found.index])
                sentences.append(
                    f"With {case_of(x, condition)}, {value} {unit_of(quantity)}".rstrip()
                    + " lies unusually far from the others. Was there a physical cause? Only then set it aside."
                )
    return sentences


def describe_trials(results: pd.DataFrame, averages: pd.DataFrame, x: str, quantity: str = "duration_s") -> str:
    """What a plot of the trials shows, in two or three sentences."""
    name, unit = name_of(quantity), unit_of(quantity)
    first, last = averages.iloc[0], averages.iloc[-1]
    words = (
        f"{count_of(int(averages['n'].sum()), 'trial').capitalize()} of {name} at "
        f"{count_of(len(averages), 'condition')}, each trial a dot beside the average with its 95 % interval. "
    )
    if len(averages) > 1:
        moves = "falls" if last["mean"] < first["mean"] else "rises"
        words += (
            f"From {case_of(x, first[x])} to {case_of(x, last[x])} the average {moves} from "
            f"{number(first['mean'], 3)} to {number(last['mean'], 3)} {unit}".rstrip()
        ) + ". "
    else:
        words += f"The average is {number(first['mean'], 3)} {unit}".rstrip() + ". "
    scatter = averages.attrs.get("pooled_scatter", np.nan)
    if averages.attrs.get("pooled") == "relative" and np.isfinite(scatter):
        words += f"Single trials spread by about {percent(scatter)} about their average. "
    aside = int((results["set_aside"].fillna("") != "").sum()) if "set_aside" in results.columns else 0
    if aside:
        words += f"{count_of(aside, 'trial').capitalize()} set aside, drawn hollow with a cross. "
    doubts = int(doubtful(results).sum())
    if doubts:
        words += f"{count_of(doubts, 'trial').capitalize()} doubtful, drawn hollow. "
    return words.strip()


def trials_numbers(results: pd.DataFrame, averages: pd.DataFrame, x: str, quantity: str = "duration_s") -> pd.DataFrame:
    """The numbers in a plot of the trials, as text: a row a condition."""
    unit = unit_of(quantity)
    counts = counting(results) & results[quantity].notna()
    rows = []
    for _, row in averages.iterrows():
        trials = results.loc[counts & (results[x] == row[x]), quantity]
        rows.append(
            {
                name_of(x).capitalize(): row[x] if isinstance(row[x], str) else f"{row[x]:g}",
                "Trials": join_words([as_repeated(v, row["pooled_sd"]) for v in trials]),
                "Average ± standard uncertainty": plus_minus(row["mean"], row["u"], unit),
                "95 % interval": interval(row["low"], row["high"], unit) if row["n"] > 1 else "–",
                "95 % interval, shared spread": interval(row["pooled_low"], row["pooled_high"], unit)
                if averages.attrs["pooled_dof"]
                else "–",
            }
        )
    return pd.DataFrame(rows)
