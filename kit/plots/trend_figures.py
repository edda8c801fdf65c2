"""Plots of trends: data with curves, what is left over, and the view on logarithmic axes.

A model keeps its colour, dash and symbol in every plot, whichever others are shown. Where nothing was measured the
curves thin out to dots on a shaded ground that says "not tested".
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..errors import KitError
from ..stats.trend_models import MODELS
from ..wording import axis_title, case_of, name_of, number, unit_of
from .style import FONT_SIZE, HEIGHT_PX, INK, MUTED, PAPER, new_figure, origin_looks, series
from .trend_text import left_over

__all__ = [
    "PANELS",
    "log_ticks",
    "loglog_figure",
    "model_series",
    "residuals_figure",
    "trend_figure",
]

PANELS = 3  # models side by side in the residual plot
# Models that are often compared come first: their colours and dashes differ most. The fifth colour is nearly that of
# the data, so it goes to the curve that nobody takes for data.
_FIRST = ("shifted inverse", "power law", "inverse", "inverse plus constant", "constant")
_ORDER = (*_FIRST, *(m.name for m in MODELS if m.name not in _FIRST))
_GRID_POINTS = 160
_LABEL_PX = 21  # height of a line of label text
_PLOT_PX = HEIGHT_PX - 92  # between the margins


def trend_figure(
    x,
    y,
    trends: Sequence,
    *,
    x_name: str = "x",
    quantity: str = "y",
    averages=None,
    band: tuple | None = None,
    predictions: Sequence[tuple] = (),
    origins: Sequence[str] | None = None,
    doubtful: Sequence[bool] | None = None,
):
    """Trials, condition means with 95 % intervals, and curves, each named at its end.

    Parameters
    ----------
    x, y : (n,) every trial that counts.
    trends : fitted trends, best first; the best is drawn heavier.
    x_name, quantity : column names, for the axes.
    averages : table of `kit.average`; its pooled intervals are drawn.
    band : (x, low, high) of the best trend's mean, shaded.
    predictions : triples (x, trend, kit.stats.trend.Prediction) to mark with their intervals.
    origins : (n,) where each trial comes from, if there are several sources.
    doubtful : (n,) which trials are doubtful: they are drawn hollow, all others filled.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    figure = new_figure(axis_title(x_name), axis_title(quantity), showlegend=False, margin={"t": 32})
    low, high, shown = _reach(x, [at for at, _, _ in predictions])
    top = _headroom(y, averages)
    bottom = 0.0 if y.min() >= 0 else float(y.min()) - 0.1 * float(np.ptp(y))
    figure.update_xaxes(range=shown)
    figure.update_yaxes(range=[bottom, top])
    _shade_untested(figure, low, high, shown)
    if band is not None and trends:
        _add_band(figure, band, model_series(trends[0].model)["color"])
    for rank, trend in enumerate(trends):
        _add_curve(figure, trend, shown, (low, high), width=3.5 if rank == 0 else 2.25)
    _add_data(figure, x, y, averages, x_name, quantity, origins, doubtful)
    for at, trend, prediction in predictions:
        _add_prediction(figure, at, trend, prediction, quantity)
    _label_ends(figure, trends, shown, bottom, top)
    return figure


def residuals_figure(trends: Sequence, *, x_name: str = "x", quantity: str = "y"):
    """How far each trial lies from the curve (in per cent of it for relative errors); up to three side by side.

    A curve that fits leaves dots scattered about zero everywhere; a bend in them is what the curve misses. R² stands
    here, beside what it does not show, and nowhere else.
    """
    from plotly.subplots import make_subplots

    if not trends:
        raise KitError("There is no curve to compare with", fix="choose a curve first")
    trends = list(trends)[:PANELS]
    titles = [f"{t.model}<br>R² = {_r_squared(t.r_squared)}" for t in trends]
    panels = make_subplots(1, len(trends), shared_yaxes=True, horizontal_spacing=0.03, subplot_titles=titles)
    figure = new_figure("", "", showlegend=False)
    panels.update_layout(template=figure.layout.template, showlegend=False, margin={"t": 64})
    for column, trend in enumerate(trends, start=1):
        style, (off, sign) = model_series(trend.model), left_over(trend)
        conditions = np.unique(trend.x)
        means = [off[trend.x == c].mean() for c in conditions]
        panels.add_hline(y=0, line={"color": INK, "width": 2}, row=1, col=column, exclude_empty_subplots=False)
        panels.add_scatter(
            x=conditions,
            y=means,
            mode="lines",
            line={"color": style["color"], "dash": style["dash"], "width": 2},
            hoverinfo="skip",
            row=1,
            col=column,
        )
        panels.add_scatter(
            x=trend.x,
            y=off,
            mode="markers",
            marker={"symbol": style["symbol"], "size": 9, "color": style["color"]},
            hovertemplate="%{x}: %{y:+.3g} " + sign + "<extra></extra>",
            row=1,
            col=column,
        )
    panels.update_xaxes(title_text=axis_title(x_name))
    panels.update_yaxes(
        title_text=f"Distance from the curve ({sign or unit_of(quantity) or name_of(quantity)})", row=1, col=1
    )
    for annotation in panels.layout.annotations:
        annotation.font.size = FONT_SIZE
    return panels


def loglog_figure(x, y, trends: Sequence, *, x_name: str = "x", quantity: str = "y", line=None):
    """Data and curves on two logarithmic axes, where a power law is a straight line.

    `line`: what `kit.stats.verdict.log_log_line` returns; it is drawn unless the power law, which is the same
    line, is there.
    Raises KitError where a value is not above zero: it has no place on a logarithmic axis.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.min() <= 0 or y.min() <= 0:
        raise KitError(
            "Logarithmic axes have no zero and no negative values",
            found=f"smallest {name_of(x_name)} {x.min():g}, smallest {name_of(quantity)} {y.min():g}",
            fix="look at the plain plot",
        )
    figure = new_figure(f"{axis_title(x_name)}, logarithmic", f"{axis_title(quantity)}, logarithmic", showlegend=False)
    figure.update_layout(margin={"t": 32})
    low, high, _ = _reach(x)
    shown = (low / 1.15, high * 1.4)
    ends = _values(trends[0], np.array(shown)) if trends else y
    ends = ends[ends > 0]
    y_shown = (float(min([*y, *ends])) / 1.15, float(max([*y, *ends])) * 1.15)
    figure.update_xaxes(type="log", range=np.log10(shown).tolist(), **log_ticks(*shown))
    figure.update_yaxes(type="log", range=np.log10(y_shown).tolist(), **log_ticks(*y_shown))
    _shade_untested(figure, low, high, shown, log=True)
    for rank, trend in enumerate(trends):
        _add_curve(figure, trend, shown, (low, high), width=3.5 if rank == 0 else 2.25, log=True)
    if line is not None and "power law" not in [t.model for t in trends]:
        ends = np.array(shown)
        figure.add_scatter(
            x=ends,
            y=line.median(ends),
            mode="lines",
            line={"color": MUTED, "dash": "longdashdot", "width": 2},
            hovertemplate="straight line through the logarithms<extra></extra>",
        )
        middle = float(np.sqrt(low * high))
        figure.add_annotation(
            x=np.log10(middle),
            y=np.log10(line.median(middle)),
            text="straight line through the logarithms",
            font={"color": MUTED},
            xanchor="left" if line.slope.value < 0 else "right",
            yanchor="bottom",
        )
    _add_data(figure, x, y, None, x_name, quantity)
    _label_ends(figure, trends, shown, *y_shown, log=True)
    return figure


def model_series(model: str) -> dict[str, str]:
    """Colour, dash and symbol of a model, the same in every plot."""
    return series(_ORDER.index(model) if model in _ORDER else len(_ORDER))


def curve_grid(trend, points: int = 80) -> np.ndarray:
    """Places for a band: all that the plot shows of this curve."""
    _, _, shown = _reach(trend.x)
    at = np.linspace(*shown, points)
    return at[trend.defined_at(at)]


def _values(trend, at) -> np.ndarray:
    """The curve at these places, nan where it has no value."""
    value, there = np.full(at.shape, np.nan), trend.defined_at(at)
    value[there] = trend.value(at[there])
    return np.where(np.isfinite(value), value, np.nan)


def _reach(x, more=()) -> tuple[float, float, tuple[float, float]]:
    """Smallest and largest condition measured, and what the axis shows: a quarter more, but not across zero."""
    low, high = float(np.min(x)), float(np.max(x))
    room = 0.25 * (high - low) or 1.0
    first, last = min([low - room, *more]), max([high + room, *(m + 0.2 * room for m in more)])
    if low >= 0:
        first = max(first, 0.0)
    return low, high, (first, last)


def _headroom(y, averages) -> float:
    top = float(np.max(y))
    if averages is not None:
        top = float(np.nanmax([top, averages["pooled_high"].max()]))
    return top + 0.12 * abs(top)


def _shade_untested(figure, low, high, shown, log=False) -> None:
    for left, right, words in ((shown[0], low, False), (high, shown[1], True)):
        if right > left:
            figure.add_vrect(x0=left, x1=right, fillcolor=INK, opacity=0.06, line_width=0, layer="below")
            if words:
                figure.add_annotation(
                    x=np.log10(left * right) / 2 if log else (left + right) / 2,
                    y=1,
                    yref="paper",
                    yanchor="top",
                    text="not tested",
                    font={"color": MUTED},
                )


def _add_band(figure, band, color) -> None:
    at, low, high = (np.asarray(part, float) for part in band)
    figure.add_scatter(
        x=np.r_[at, at[::-1]],
        y=np.r_[high, low[::-1]],
        mode="lines",
        fill="toself",
        fillcolor=_faded(color, 0.22),
        line={"width": 0},
        hoverinfo="skip",
    )


def _add_curve(figure, trend, shown, tested, width, log=False) -> None:
    style = model_series(trend.model)
    space = np.geomspace if log else np.linspace
    for start, stop, inside in ((shown[0], tested[0], False), (*tested, True), (tested[1], shown[1], False)):
        if stop <= start:
            continue
        at = space(start, stop, _GRID_POINTS if inside else _GRID_POINTS // 3)
        value = _values(trend, at)
        if log:
            value = np.where(value > 0, value, np.nan)
        figure.add_scatter(
            x=at,
            y=value,
            mode="lines",
            name=trend.model,
            opacity=1 if inside else 0.8,
            line={
                "color": style["color"],
                "dash": style["dash"] if inside else "2px 7px",
                "width": width if inside else 2,
            },
            hovertemplate=f"{trend.model}{'' if inside else ' (not tested here)'}: %{{y:.4g}}<extra></extra>",
        )


def _add_data(figure, x, y, averages, x_name, quantity, origins=None, doubtful=None) -> None:
    unit = unit_of(quantity)
    origins = np.asarray(origins if origins is not None else [""] * len(x))
    doubts = np.zeros(len(x), bool) if doubtful is None else np.asarray(doubtful, bool)
    looks = origin_looks(origins.tolist())
    parts = [
        (kept, words if not open_ else f"doubtful: {words}", f"{symbol}-open" if open_ else symbol, color, open_)
        for origin, (words, symbol, color) in looks.items()
        for open_ in (False, True)
        if (kept := (origins == origin) & (doubts == open_)).any()
    ]
    for of, words, symbol, color, open_ in parts:
        figure.add_scatter(
            x=x[of],
            y=y[of],
            mode="markers",
            name=words,
            marker={
                "symbol": symbol,
                "size": 10 if open_ else 6,
                "color": color if len(looks) > 1 else INK,
                "line": {"width": 2 if open_ else 0},
            },
            customdata=[
                f"{case_of(x_name, a)}: {number(b)} {unit}".rstrip() for a, b in zip(x[of], y[of], strict=True)
            ],
            hovertemplate="%{customdata}<extra></extra>",
        )
    if len(parts) > 1:
        names = [words for _, words, _, _, _ in parts]
        figure.update_layout(showlegend=True)
        figure.for_each_trace(lambda trace: trace.update(showlegend=(trace.name or "") in names))
    if averages is not None:
        figure.add_scatter(
            x=averages.iloc[:, 0],
            y=averages["mean"],
            error_y={
                "type": "data",
                "symmetric": False,
                "array": (averages["pooled_high"] - averages["mean"]).fillna(0),
                "arrayminus": (averages["mean"] - averages["pooled_low"]).fillna(0),
                "thickness": 2.5,
                "width": 7,
                "color": INK,
            },
            mode="markers",
            name="average, 95 % interval",
            marker={"symbol": "line-ew", "size": 10, "line": {"width": 2.5, "color": INK}},
            hoverinfo="skip",
        )


def _add_prediction(figure, at, trend, prediction, quantity) -> None:
    style = model_series(trend.model)
    figure.add_scatter(
        x=[at],
        y=[prediction.value],
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [np.nan_to_num(prediction.high - prediction.value)],
            "arrayminus": [np.nan_to_num(prediction.value - prediction.low)],
            "thickness": 2.5,
            "width": 8,
            "color": style["color"],
        },
        mode="markers",
        marker={"symbol": "diamond-open", "size": 12, "color": style["color"], "line": {"width": 2.5}},
        hovertemplate=f"{trend.model} predicts %{{y:.4g}} {unit_of(quantity)}<extra></extra>",
    )


def _label_ends(figure, trends, shown, bottom, top, log=False) -> None:
    """Name every curve at its right end, the names moved apart, each with a thin line to its curve."""
    if not trends:
        return
    scale = np.log10 if log else np.asarray
    height = float(scale(top) - scale(bottom))
    ends = []
    for trend in trends:
        y = float(_values(trend, np.array([shown[1]]))[0])
        y = min(max(y, bottom), top) if np.isfinite(y) else bottom
        ends.append((float(scale(y) - scale(bottom)) / height * _PLOT_PX, y, trend))
    ends.sort(key=lambda end: end[0])
    at = _moved_apart([end[0] for end in ends])
    longest = max(len(trend.model) for trend in trends)
    figure.update_layout(margin={"r": 34 + 8 * longest})
    for (px, y, trend), label_px in zip(ends, at, strict=True):
        color = model_series(trend.model)["color"]
        figure.add_annotation(
            x=float(scale(shown[1])),
            y=float(scale(y)),
            ax=20,
            ay=px - label_px,
            text=f"<b>{trend.model}</b>" if trend is trends[0] else trend.model,
            showarrow=True,
            arrowhead=0,
            arrowwidth=1.5,
            arrowcolor=color,
            xanchor="left",
            font={"color": color},
            bgcolor=PAPER,
        )


def _moved_apart(wanted: list[float]) -> list[float]:
    """Positions in rising order, at least one label apart, inside the plot, near where they are wanted."""
    n = len(wanted)
    placed = np.array(wanted, float) - _LABEL_PX * np.arange(n)
    from scipy.optimize import isotonic_regression

    placed = isotonic_regression(placed).x + _LABEL_PX * np.arange(n)
    over = max(0.0, placed[-1] - _PLOT_PX)
    return list(np.maximum(placed - over, 8 + _LABEL_PX * np.arange(n)))


def log_ticks(low: float, high: float) -> dict:
    """Ticks of a logarithmic axis at round numbers, closer where it spans little."""
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    steps = range(1, 10) if np.log10(high / low) < 1 else (1, 2, 3, 5) if np.log10(high / low) < 1.6 else (1, 2, 5)
    values = [k * 10.0**d for d in decades for k in steps]
    values = [v for v in values if low <= v <= high]
    return {"tickvals": values, "ticktext": [f"{v:g}" for v in values]}


def _r_squared(value: float) -> str:
    """Four decimals; one only where it is one."""
    if not np.isfinite(value):
        return "–"
    shown = round(value, 4) + 0.0  # + 0.0: no minus zero
    return "1" if value == 1 else f"{min(shown, 0.9999):.4f}".replace("-", "−")


def _faded(color: str, opacity: float) -> str:
    red, green, blue = (int(color[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity})"
