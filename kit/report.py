"""Pages to print, each one HTML file that needs no network: an analysis with its plots, and a sheet for the runs.

Nothing is measured or fitted here: an analysis comes with its tables and trends, and the words are those of `plots`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from .errors import KitError
from .plots.pages import templates
from .plots.style import CONFIG
from .plots.trend_figures import trend_figure
from .plots.trend_text import describe_trend, ranking_table
from .plots.trials import describe_trials, trials_figure
from .stats.averages import DOUBTFUL, counting, doubtful
from .stats.trend import Trend, bootstrap_band
from .stats.verdict import NextCondition
from .wording import DASH, axis_title, case_of, condition_value, interval, name_of, number, plus_minus, unit_of

__all__ = ["Analysed", "report_html", "run_sheet_html", "write_report"]

HERE = Path(__file__).parent  # where the templates are
QUANTITIES = {"duration_s": "Coasting time", "turns": "Turns"}


class Analysed(Protocol):
    """What the page needs of an analysis; `kit.analyse` returns one that has it all."""

    @property
    def title(self) -> str:
        """What was analysed, such as the lesson's title; may be empty."""

    @property
    def x(self) -> str:
        """The column that was changed."""

    @property
    def start_period_s(self) -> float:
        """Turn period at which counting starts, s."""

    @property
    def stop_period_s(self) -> float | None:
        """Turn period at which counting stops, s; None for the last pass."""

    @property
    def rule(self) -> str:
        """The counting rule."""

    @property
    def results(self) -> pd.DataFrame:
        """One row a run, as `kit.measure` makes it."""

    @property
    def next_condition(self) -> NextCondition | None:
        """Where to measure next."""

    def averages(self, quantity: str) -> pd.DataFrame:
        """One row a condition, as `kit.average` makes it."""

    def trends(self, quantity: str) -> list[Trend]:
        """The curves fitted, best first; none where nothing can be fitted."""

    def conclusion(self, quantity: str) -> str:
        """The verdict on a quantity in sentences, or why there is none; also of "same_shape"."""


def write_report(analysis: Analysed, path: str | Path) -> Path:
    """Write the page of an analysis; return where it is.

    Raises
    ------
    KitError : the page can't be written there.

    Examples
    --------
    >>> import kit, tempfile
    >>> from pathlib import Path
    >>> runs = [kit.Run([0.0, 0.3, 0.7, 1.2, 1.8, 2.5, 3.3], {"pads": float(n)}, trial=1) for n in (1, 2)]
    >>> analysis = kit.Analysis(runs, start_period_s=0.4, stop_period_s=0.6)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = kit.write_report(analysis, Path(folder, "report.html"))
    ...     "Analysis: pads" in page.read_text("utf-8")
    True
    """
    path = Path(path)
    try:
        path.write_text(report_html(analysis), encoding="utf-8")
    except OSError as error:
        raise KitError(f"The report cannot be written: {error.strerror}", file=path, fix="name another place") from None
    return path


def report_html(analysis: Analysed) -> str:
    """The page as text: thresholds, every run with its status, averages, trends and what the data say."""
    after = analysis.next_condition
    page = templates(HERE).get_template("report.html.j2")
    return page.render(
        title=f"Analysis: {analysis.title or name_of(analysis.x)}",
        counted=_counted_words(analysis),
        runs=_runs_shown(analysis.results, analysis.x),
        quantities=list(_quantities(analysis)),
        same_shape=analysis.conclusion("same_shape"),
        next_condition=f"The leading curves differ most at {case_of(analysis.x, after.x)}: measure there next."
        if after
        else "",
    )


def _counted_words(analysis: Analysed) -> str:
    stop = analysis.stop_period_s
    until = "the last pass, which is not rest" if stop is None else f"{stop:g} s a turn"
    why = getattr(analysis, "rule_why", "")
    why = f" {why}" if why else ""
    lost = "".join(f" Not read: {sentence}" for sentence in getattr(analysis, "not_read", ()))
    return f"Counted from {analysis.start_period_s:g} s a turn to {until}, rule: {analysis.rule}.{why}{lost}"


def _quantities(analysis: Analysed) -> Iterator[dict]:
    """Of each quantity: what the data say, its averages and its curves, each as a table with a plot."""
    results, x = analysis.results, analysis.x
    any_counted = bool(counting(results).any())
    script = True  # plotly's own script goes into the page once
    for quantity, title in QUANTITIES.items():
        part: dict = {"title": title, "conclusion": analysis.conclusion(quantity), "averages": None, "curves": None}
        trends = analysis.trends(quantity)
        if any_counted:
            averages = analysis.averages(quantity)
            part["averages"] = _averages_shown(averages, x, quantity)
            figure = trials_figure(results, averages, x, quantity)
            part["trials"] = _plot(figure, describe_trials(results, averages, x, quantity), script)
            script = False
            if trends:
                part["curves"] = ranking_table(trends)
                used = results[counting(results) & results[quantity].notna()]
                figure = _trend_plot(trends, averages, x, quantity, doubtful(used))
                words = describe_trend(trends[:2], x, quantity, (trends[0].x, trends[0].y))
                part["trend"] = _plot(figure, words, script)
        yield part


def _plot(figure, words: str, with_script: bool) -> dict:
    return {
        "figure": figure.to_html(full_html=False, include_plotlyjs=with_script, config=dict(CONFIG)),
        "words": words,
    }


def _trend_plot(trends: list[Trend], averages: pd.DataFrame, x: str, quantity: str, doubts: pd.Series):
    """The two best curves; with the best one's band where there is any scatter to draw one from."""
    best = trends[0]
    band = None
    if best.dof > 0:
        grid = np.linspace(best.x.min(), best.x.max(), 80)
        band = (grid, *bootstrap_band(best, grid, n=2000))
    return trend_figure(
        best.x,
        best.y,
        trends[:2],
        x_name=x,
        quantity=quantity,
        averages=averages,
        band=band,
        doubtful=doubts.tolist(),
    )


def _runs_shown(results: pd.DataFrame, x: str) -> pd.DataFrame:
    """Every run as text, in order of condition and trial."""
    rows = [
        {
            axis_title(x): condition_value(run[x]),
            "Trial": condition_value(run["trial"]) if pd.notna(run["trial"]) else DASH,
            "Coasting time": _duration_words(run),
            "Turns": plus_minus(run["turns"], run["turns_u"]),
            "Status": run["status"] if run.get("outcome") != DOUBTFUL else "counted, but doubtful",
            "Doubtful because": _text(run.get("doubt")) if run.get("outcome") == DOUBTFUL else "",
            "Set aside because": _text(run["set_aside"]),
            "Note": _text(run["note"]),
            "File": _text(run["source"]),
        }
        for run in results.sort_values([x, "trial"]).to_dict("records")
    ]
    return pd.DataFrame(rows)


def _duration_words(run: dict) -> str:
    """The coasting time; of a run that ended before it was slow enough, how long it had lasted at least."""
    more = run.get("more_than_s", float("nan"))
    if not isfinite(run["duration_s"]) and isfinite(more) and more > 0:
        return f"more than {number(more, 3)} s"
    return plus_minus(run["duration_s"], run["duration_u_s"], "s")


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _averages_shown(averages: pd.DataFrame, x: str, quantity: str) -> pd.DataFrame:
    unit = unit_of(quantity)
    rows = [
        {
            axis_title(x): condition_value(row[x]),
            "Trials": row["n"],
            "Average ± standard uncertainty": plus_minus(row["mean"], row["u"], unit),
            "95 % interval": interval(row["low"], row["high"], unit) if row["n"] > 1 else DASH,
        }
        for row in averages.to_dict("records")
    ]
    return pd.DataFrame(rows)


# --- a sheet for the runs ------------------------------------------------------------------------------------------


def run_sheet_html(
    order: pd.DataFrame,
    x: str,
    *,
    title: str = "Run sheet",
    cautions: Sequence[str] = (),
    blank: Sequence[str] = ("file", "what happened"),
) -> str:
    """A page to print, one line a run, with room to write.

    Parameters
    ----------
    order : from `kit.run_order`.
    x : column name of what is changed, such as "magnets" or "level_deg"; its unit is read from the name.
    cautions : sentences printed above the table.
    blank : headings of the empty columns. In the first one, a run at the reference condition is named so.

    Examples
    --------
    >>> import kit
    >>> page = kit.run_sheet_html(kit.run_order([1, 2, 2], seed=1), "magnets", title="Tuesday")
    >>> page.count("<tr><td>"), "<h1>Tuesday</h1>" in page
    (3, True)
    """
    page = templates(HERE).get_template("run_sheet.html.j2")
    return page.render(
        title=title,
        cautions=cautions,
        condition=axis_title(x),
        blank=[text[:1].upper() + text[1:] for text in blank],
        runs=[
            {
                "order": run["order"],
                "x": condition_value(run["x"]),
                "trial": run["trial"],
                "note": "reference" if run["role"] == "reference" else "",
            }
            for run in order.to_dict("records")
        ],
    )
