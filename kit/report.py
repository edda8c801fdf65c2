"""A printable page of an analysis: one HTML file that needs no network."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from pathlib import Path

import pandas as pd

from .errors import KitError
from .plots.style import CONFIG
from .plots.trend_figures import trend_figure
from .plots.trend_text import ranking_table
from .plots.trials import trials_figure
from .stats.averages import average, counting
from .stats.trend import bootstrap_band, fit_trends
from .wording import name_of, plus_minus

__all__ = ["report_html", "write_report"]

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #1b2430; background: #fff; }
body { max-width: 62rem; margin: 2rem auto; padding: 0 1rem; }
table { border-collapse: collapse; margin: .5rem 0 1rem; font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: .2rem .7rem; border-bottom: 1px solid #c9ced3; }
@media print { section { break-inside: avoid; } }
"""


def write_report(analysis: dict, path: str | Path) -> Path:
    """Write the page of an analysis (see `kit.analysis.analyse_runs`); raises KitError if it can't be written."""
    path = Path(path)
    try:
        path.write_text(report_html(analysis), encoding="utf-8")
    except OSError as error:
        raise KitError(f"The report cannot be written: {error.strerror}", file=path, fix="name another place") from None
    return path


def report_html(analysis: dict) -> str:
    """The page as text: thresholds, every run with its status, averages, trends and what the data say."""
    body = "".join(f"<section>{part}</section>" for part in _parts(analysis))
    title = escape(f"Analysis: {name_of(analysis['x'])}")
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{_STYLE}</style></head><body><h1>{title}</h1>{body}</body></html>"
    )


def _parts(analysis: dict) -> Iterator[str]:
    threshold, x = analysis["threshold"], analysis["x"]
    stop = threshold["stop_period_s"]
    until = "the last pass, which is not rest" if stop is None else f"{stop:g} s a turn"
    yield _paragraph(f"Counted from {threshold['start_period_s']:g} s a turn to {until}, rule: {threshold['rule']}.")
    results = _results(analysis)
    yield "<h2>Runs</h2>" + _table(_runs_shown(results, x))
    counted = results[counting(results)]
    scripts = True  # plotly's script goes into the page once
    for quantity in ("duration_s", "turns"):
        yield f"<h2>{escape(name_of(quantity).capitalize())}</h2>" + _paragraph(analysis["verdict"][quantity])
        if not analysis["trends"][quantity]:
            continue
        averages = average(results, x, quantity)
        yield _table(_averages_shown(averages, x, quantity))
        yield _figure(trials_figure(results, averages, x, quantity), scripts)
        scripts = False
        trends = fit_trends(counted[x], counted[quantity])
        yield _table(ranking_table(trends).astype(str))
        yield _figure(_trend_figure(trends, averages, counted, x, quantity), scripts)
    yield "<h2>One shape for both?</h2>" + _paragraph(analysis["verdict"]["same_shape"])
    if analysis["next_condition"] is not None:
        yield _paragraph(f"The leading curves differ most at {x} = {analysis['next_condition']:g}: measure there next.")


def _results(analysis: dict) -> pd.DataFrame:
    """The results table again, from the analysis."""
    names = ("trial", "duration_s", "duration_u_s", "turns", "turns_u", "status", "set_aside", "source", "note")
    rows = [run["conditions"] | {name: run[name] for name in names} for run in analysis["runs"]]
    table = pd.DataFrame(rows)
    numbers = ["duration_s", "duration_u_s", "turns", "turns_u"]
    return table.assign(**table[numbers].astype(float))


def _runs_shown(results: pd.DataFrame, x: str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            x: results[x],
            "trial": results["trial"],
            "duration": [
                plus_minus(v, u, "s") for v, u in zip(results["duration_s"], results["duration_u_s"], strict=True)
            ],
            "turns": [plus_minus(v, u) for v, u in zip(results["turns"], results["turns_u"], strict=True)],
            "status": results["status"],
            "set aside because": results["set_aside"],
            "note": results["note"],
            "file": results["source"],
        }
    ).sort_values([x, "trial"])


def _averages_shown(averages: pd.DataFrame, x: str, quantity: str) -> pd.DataFrame:
    unit = "s" if quantity == "duration_s" else ""
    return pd.DataFrame(
        {
            x: averages[x],
            "trials": averages["n"],
            "mean ± standard uncertainty": [
                plus_minus(m, u, unit) for m, u in zip(averages["mean"], averages["u"], strict=True)
            ],
            "95 % interval": [f"{low:.4g} to {high:.4g}" for low, high in averages[["low", "high"]].to_numpy()],
        }
    )


def _trend_figure(trends, averages: pd.DataFrame, counted: pd.DataFrame, x: str, quantity: str):
    import numpy as np

    grid = np.linspace(counted[x].min(), counted[x].max(), 80)
    low, high = bootstrap_band(trends[0], grid, n=2000)
    return trend_figure(
        counted[x],
        counted[quantity],
        trends[:2],
        x_name=x,
        quantity=quantity,
        averages=averages,
        band=(grid, low, high),
    )


def _figure(figure, with_script: bool) -> str:
    return figure.to_html(full_html=False, include_plotlyjs=with_script, config=CONFIG)


def _table(table: pd.DataFrame) -> str:
    return table.to_html(index=False, border=0, escape=True)


def _paragraph(text: str) -> str:
    return f"<p>{escape(text)}</p>"
