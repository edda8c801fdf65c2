"""Where counting starts and stops, chosen on one plot of all runs: drag, type or press keys, and every result follows.

threshold_picker.js is the page, threshold_plot.js its drawing; this module measures and answers. They share only the
synced traits below, and each value has one owner: the person's choices are `start_period_s`, `stop_period_s`, `rule`,
`log_period` and `refused_repairs`; all else follows from them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import anywidget
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..logs.run import Repair, Run
from ..motion.speed import Curves, SpeedCurve, speed_curves
from ..motion.threshold import (
    COUNTED,
    NEVER_SLOW_ENOUGH,
    RULE_NAMES,
    Results,
    check_thresholds,
    common_start,
    common_stop,
    count_runs,
)
from ..stats.averages import DOUBTFUL, pooled_scatter
from ..wording import as_repeated, condition_value, join_words, name_of, number, plus_minus, unit_of
from .parts import BadChoice, front_end

__all__ = ["ThresholdPicker"]

_ASKED = ("start_period_s", "stop_period_s", "rule")
MAX_POINTS = 240  # a run's line on the screen: more points than this would fall on the same pixels

_RULE_WORDS = {
    "best": (
        "The sharpest that fits",
        "By a law of drag if all runs follow one closely, else by a smooth curve between passes. It assumes what that "
        "rule assumes.",
    ),
    "interpolated": (
        "Between passes",
        "A smooth curve through the passes tells when a turn takes exactly this long. "
        "It assumes that nothing speeds it up.",
    ),
    "whole turns": (
        "Whole turns",
        "Counting starts and stops with the first pass after a turn that is long enough, as you would see in the log. "
        "It assumes nothing, but can be off by about one turn.",
    ),
    "law": (
        "By a law of drag",
        "One law is fitted to the whole run: constant rubbing, drag that grows with speed, drag that grows with speed "
        "squared. It is the sharpest way. It assumes that the run follows such a law.",
    ),
}
_REPAIR_WORDS = {"bounce": "bounce left out", "foreign": "foreign pass left out", "missed": "missed pass filled in"}


class _Table(t.TraitType[pd.DataFrame, Results]):
    """Set to `Results`, read as their table, which is made when somebody reads or observes it.

    A drag counts many times a second. Each count is news: traitlets would compare two tables cell by cell.
    """

    def get(self, obj: t.HasTraits, cls: type | None = None) -> pd.DataFrame:
        """The table of the last count."""
        return obj._trait_values[str(self.name)].table

    def set(self, obj: t.HasTraits, value: Results) -> None:
        """Keep a count, and tell those who observe the table."""
        name = str(self.name)
        before = obj._trait_values.get(name)
        obj._trait_values[name] = value
        if obj._trait_notifiers.get(name) or obj._trait_notifiers.get(t.All):
            obj._notify_trait(name, before and before.table, value.table)


class ThresholdPicker(anywidget.AnyWidget):
    """Choose the start and stop thresholds on a plot of turn period against time.

    Parameters
    ----------
    runs : the runs of one lesson, or the curves that `kit.speed_curves` made of them.
    start_period_s : turn period at which counting starts, s; None: the fastest start that all runs share.
    stop_period_s : turn period at which it stops, s; None: the last pass of each log, which is not rest.
    rule : name of a counting rule, a key of `kit.motion.threshold.RULE_NAMES`.
    rules : names of the rules to offer; None: all.

    Every choice is a trait to set, read or `observe`. `results` is the table of `kit.measure` for the
    present choices, in full precision; `picker.observe(f, "results")` calls `f` after each change. Without a widget:
    `measure(runs, start_period_s, stop_period_s, rule)` gives the same table.

    Raises
    ------
    KitError : no runs, none with enough passes for a threshold, thresholds that are not 0 < start < stop, an unknown
        rule, or a repair that does not exist.
    """

    _esm = front_end("make.js", "page_parts.js", "threshold_plot.js", "threshold_picker.js")
    _css = front_end("threshold_picker.css")

    start_period_s = t.Float().tag(sync=True, echo_update=False)  # dragged: what the page sent need not come back
    stop_period_s = t.Float(None, allow_none=True).tag(sync=True, echo_update=False)
    rule = t.Unicode().tag(sync=True)
    log_period = t.Bool(True).tag(sync=True)
    refused_repairs = t.List(t.List(t.Int())).tag(sync=True)  # pairs: position of the run, position of its repair
    results = _Table(read_only=True)

    _rules = t.List(t.Dict()).tag(sync=True)
    _columns = t.List(t.Unicode()).tag(sync=True)
    _runs = t.List(t.Dict()).tag(sync=True)
    _common = t.Dict().tag(sync=True)
    _answer = t.Dict().tag(sync=True)  # the last count in full
    _dragging = t.Bool().tag(sync=True, echo_update=False)  # then figures alone are sent; the rest when the line rests

    def __init__(
        self,
        runs: Sequence[Run | SpeedCurve],
        start_period_s: float | None = None,
        stop_period_s: float | None = None,
        rule: str = "interpolated",
        rules: Sequence[str] | None = None,
    ):
        if len(runs) == 0:
            raise KitError("There are no runs to show", fix="read a folder of gate logs first")
        self._curves = speed_curves(runs)  # before super(): the observers below need it
        self._styles = _styles(self._curves)
        self._counted_for: tuple = ()
        self._counted: Results
        self._told: Results | None = None  # the count that `_answer` tells in full
        super().__init__(
            start_period_s=common_start(self._curves) if start_period_s is None else start_period_s,
            stop_period_s=stop_period_s,
            rule=rule,
            refused_repairs=self._refused_now(),
            _rules=[_rule_choice(name) for name in (rules or RULE_NAMES)],
            _columns=[_heading(name) for name in _condition_names(self._curves)],
            _runs=[_drawing(c, *style) for c, style in zip(self._curves, self._styles, strict=True)],
            _common=_common(self._curves),
        )
        self._count()
        self.on_msg(self._asked_again)

    @property
    def runs(self) -> tuple[Run, ...]:
        """The runs with the repairs as they are now accepted or refused."""
        return tuple(curve.run for curve in self._curves)

    @property
    def curves(self) -> tuple[SpeedCurve, ...]:
        """The same runs, smoothed: `measure` takes them without smoothing again."""
        return tuple(self._curves)

    @t.validate("start_period_s", "stop_period_s")
    def _check_period(self, proposal):
        chosen = {"start_period_s": self.start_period_s, "stop_period_s": self.stop_period_s}
        chosen[proposal["trait"].name] = proposal["value"]
        _same_error_for_traitlets(check_thresholds, **chosen)
        return proposal["value"]

    @t.validate("rule")
    def _check_rule(self, proposal):
        if proposal["value"] not in RULE_NAMES:
            raise BadChoice(
                "This counting rule is not known",
                found=proposal["value"],
                fix=f"use one of: {', '.join(RULE_NAMES)}",
            )
        return proposal["value"]

    @t.validate("refused_repairs")
    def _check_repairs(self, proposal):
        for pair in proposal["value"]:
            known = len(pair) == 2 and 0 <= pair[0] < len(self._curves)
            if not known or not 0 <= pair[1] < len(self._curves[pair[0]].run.repairs):
                raise BadChoice(
                    "There is no such repair",
                    found=pair,
                    fix="give pairs: position of the run, position of its repair",
                )
        return sorted(proposal["value"])

    @t.observe("start_period_s", "stop_period_s", "rule", "_dragging")
    def _count(self, change=None) -> None:
        """Measure every run and answer the page. Called once per trait, so a set of changes is measured only once."""
        asked = (self.start_period_s, self.stop_period_s, self.rule, *self._curves)
        news = asked != self._counted_for
        if news:
            self._counted_for = asked
            self._counted = count_runs(self._curves, self.start_period_s, self.stop_period_s, self.rule)
        results, lines = self._counted, dict(zip(_ASKED, asked, strict=False))
        if self._dragging:
            if news:
                self.send(lines | _figures(results))
        elif results is not self._told:
            self._told = results
            self._answer = lines | {
                "number": self._answer.get("number", 0) + 1,  # so it is news where a line is back in its place, too
                "rows": _all_shown(results),
                "summary": _summary(results),
            }
        if news:
            self.set_trait("results", results)

    def _asked_again(self, _, chosen, buffers) -> None:
        """Answer a page that waits in vain, to what it has chosen: a message was lost, either way."""
        self.set_state({name: chosen[name] for name in _ASKED} | {"_dragging": False})
        self.send_state("_answer")

    @t.observe("refused_repairs")
    def _repair(self, change=None) -> None:
        """Smooth again only the runs whose repairs have changed, then measure."""
        if self.refused_repairs == self._refused_now():
            return
        drawings, curves = list(self._runs), list(self._curves)
        for i, curve in enumerate(curves):
            wanted = [[i, k] not in self.refused_repairs for k in range(len(curve.run.repairs))]
            if wanted != [r.accepted for r in curve.run.repairs]:
                run = curve.run.accepting(*(k for k, keep in enumerate(wanted) if keep))
                run = run.refusing(*(k for k, keep in enumerate(wanted) if not keep))
                curves[i] = speed_curves([run])[0]
                drawings[i] = _drawing(curves[i], *self._styles[i])
        self._curves, self._runs = speed_curves(curves), drawings
        self._common = _common(self._curves)
        self._count()

    def _refused_now(self) -> list[list[int]]:
        return [
            [i, k] for i, curve in enumerate(self._curves) for k, r in enumerate(curve.run.repairs) if not r.accepted
        ]


def _same_error_for_traitlets(check, *args, **kwargs):
    try:
        return check(*args, **kwargs)
    except KitError as error:
        raise BadChoice(error.problem, found=error.found, fix=error.fix) from error


def _rule_choice(name: str) -> dict:
    """A rule's label and the sentence about what it assumes; one without words of its own is shown by its name."""
    label, assumes = _RULE_WORDS.get(name, (name[:1].upper() + name[1:], ""))
    return {"name": name, "label": label, "assumes": assumes}


def _common(curves) -> dict[str, float]:
    """Thresholds that every run shares; empty where no run is left that could have one."""
    try:
        return {"start": common_start(curves), "stop": common_stop(curves)}
    except KitError:
        return {}


def _condition_names(curves) -> list[str]:
    return list(dict.fromkeys(name for curve in curves for name in curve.run.conditions))


def _heading(column: str) -> str:
    unit = unit_of(column)
    return f"{name_of(column)} ({unit})" if unit else name_of(column)


def _styles(curves) -> list[tuple[int, list[str]]]:
    """For each run: the number of its condition (it chooses colour and mark), and its cells in the table."""
    names = _condition_names(curves)
    values = [tuple(curve.run.conditions.get(name, "") for name in names) for curve in curves]
    in_order = sorted(set(values), key=lambda value: [(isinstance(v, str), v) for v in value])
    return [(in_order.index(value), [condition_value(v) for v in value]) for value in values]


def _drawing(curve: SpeedCurve, group: int, cells: list[str]) -> dict:
    """What the page draws of one run: names, its line, the measured turns, its repairs."""
    run = curve.run
    parts = [
        f"{name_of(name)} {condition_value(value)} {unit_of(name)}".rstrip() for name, value in run.conditions.items()
    ]
    condition = ", ".join(parts) or run.source or "run"
    since = curve.times_s - curve.times_s[0] if len(curve.times_s) else curve.times_s
    measured = _measured_turns(curve)
    line = _thinned(since, curve.period_s) if curve.usable else _thinned(*measured)
    return {
        "name": f"{condition}, trial {run.trial}",
        "condition": condition,
        "group": group,
        "cells": cells,
        "trial": int(run.trial),
        "set_aside": run.set_aside,
        "line": _packed(line),
        "measured": _packed(_thinned(*measured)),
        "repairs": [_repair_shown(r, curve) for r in run.repairs],
    }


def _measured_turns(curve: SpeedCurve) -> tuple[np.ndarray, np.ndarray]:
    """Middle (s since the launch ended) and period (s) of the turn each pass closed, as logged: nothing smoothed."""
    closes = curve.turns >= curve.turns[0] + 1 if len(curve.turns) else np.zeros(0, dtype=bool)
    times_s, turns = curve.times_s[closes], curve.turns[closes]
    if not closes.any():
        return times_s, times_s
    period_s = times_s - np.interp(turns - 1, curve.turns, curve.times_s)
    return times_s - period_s / 2 - curve.times_s[0], period_s


def _thinned(time_s, period_s) -> tuple[np.ndarray, np.ndarray]:
    """At most MAX_POINTS of the points (n,), evenly along the drawn line: the screen can show no more."""
    if len(time_s) <= MAX_POINTS:
        return time_s, period_s
    rise = np.log(np.maximum(period_s, 1e-9))
    steps = np.abs(np.diff(time_s)) / np.ptp(time_s) + np.abs(np.diff(rise)) / max(np.ptp(rise), 1e-9)
    along = np.r_[0, np.cumsum(steps)]
    chosen = np.unique(np.searchsorted(along, np.linspace(0, along[-1], MAX_POINTS)).clip(0, len(along) - 1))
    return time_s[chosen], period_s[chosen]


def _packed(points) -> bytes:
    """Times, then periods, as 32-bit floats: for drawing only."""
    return np.concatenate(points).astype("<f4").tobytes()


def _repair_shown(repair: Repair, curve: SpeedCurve) -> dict:
    count = f"{repair.passes} missed passes" if repair.kind == "missed" and repair.passes > 1 else ""
    what = f"{count} filled in" if count else _REPAIR_WORDS.get(repair.kind, repair.kind)
    since = repair.time_s - curve.times_s[0] if len(curve.times_s) else 0.0
    on_curve = curve.usable and since >= 0
    return {
        "kind": repair.kind,
        "time_s": float(since),
        "period_s": float(np.interp(repair.time_s, curve.times_s, curve.period_s)) if on_curve else None,
        "words": f"{what} at {repair.time_s:.3f} s on the log's clock: {repair.reason}",
        "accepted": repair.accepted,
    }


def _as_repeated(results: Results) -> dict[str, list[str]]:
    """Durations and turns rounded to what trials repeat: by the spread pooled over all conditions, as a fraction."""
    conditions = results.curves.once(_condition_numbers)
    counted = results.counts.counted & results.curves.once(_in_use)
    shown = {}
    for name in ("duration", "turns"):
        values = results.counts.turns if name == "turns" else results.counts.duration_s
        use = counted & (values > 0)
        spread = pooled_scatter(values[use], conditions[use])[0] if use.any() else np.nan
        shown[name] = [as_repeated(value, spread * value) for value in values.tolist()]
    return shown


def _condition_numbers(curves: Curves) -> np.ndarray:
    return np.unique([str(sorted(curve.run.conditions.items())) for curve in curves], return_inverse=True)[1]


def _in_use(curves: Curves) -> np.ndarray:
    return np.array([curve.run.set_aside == "" for curve in curves])


def _launched_s(curves: Curves) -> np.ndarray:
    return np.array([curve.times_s[0] if len(curve.times_s) else 0.0 for curve in curves])


def _figures(results: Results) -> dict[str, list]:
    """Columns of what a drag changes at once. `status` is None where it takes the doubts to say it."""
    since_s = np.round([results.counts.start_s, results.counts.stop_s] - results.curves.once(_launched_s), 4).tolist()
    start, stop = [[None if np.isnan(s) else s for s in of] for of in since_s]
    counted = results.counts.counted.tolist()
    status = [
        None if c and not curve.run.set_aside else _status(results, i)
        for i, (c, curve) in enumerate(zip(counted, results.curves, strict=True))
    ]
    return _as_repeated(results) | {"start": start, "stop": stop, "counted": counted, "status": status}


def _status(results: Results, i: int) -> str:
    """A run's status in words, but for doubts."""
    status, more_than_s = results.counts.status[i], results.counts.more_than_s[i]
    words = [status]
    if status == NEVER_SLOW_ENOUGH and more_than_s > 0:
        words = [f"{NEVER_SLOW_ENOUGH}: it lasted more than {number(more_than_s, 3)} s"]
    if set_aside := results.curves[i].run.set_aside:
        words = [f"set aside: {set_aside}"] + (words if status != COUNTED else [])
    return "; ".join(words)


def _all_shown(results: Results) -> list[dict]:
    """The rows of the table in words; `exact` says how well the gate timed a run. Full numbers stay in `results`."""
    counts, columns = results.counts, _figures(results)
    doubtful = [outcome == DOUBTFUL for outcome in results.outcomes]
    columns["status"] = [
        said if said is not None else f"doubtful, counts: {results.doubts[i]}" if doubtful[i] else COUNTED
        for i, said in enumerate(columns["status"])
    ]
    figures = zip(counts.duration_s, counts.duration_u_s, counts.turns, counts.turns_u, strict=True)
    exact = [f"{plus_minus(s, s_u, 's')}, {plus_minus(turns, turns_u)} turns" for s, s_u, turns, turns_u in figures]
    columns |= {"exact": exact, "note": results.notes, "doubtful": doubtful}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _summary(results: Results) -> str:
    """The results in a sentence or two, for eyes and for a screen reader."""
    counts = results.counts
    kept = results.curves.once(_in_use)
    counted = counts.counted & kept
    runs = len(results.curves)
    parts = [f"{counted.sum()} of {runs} {'run' if runs == 1 else 'runs'} counted"]
    parts += [f"{n} {status}" for status, n in Counter(counts.status[kept & ~counted]).most_common()]
    doubts = sum(of == DOUBTFUL and in_use for of, in_use in zip(results.outcomes, kept, strict=True))
    if doubts:
        parts.append(f"{doubts} of these doubtful")
    if not kept.all():
        parts.append(f"{(~kept).sum()} set aside")
    text = join_words(parts) + "."
    if counted.sum() > 1:
        durations_s, turns = counts.duration_s[counted], counts.turns[counted]
        text += (
            f" Coasting times from {number(durations_s.min(), 3)} to {number(durations_s.max(), 3)} s, "
            f"turns from {number(turns.min(), 3)} to {number(turns.max(), 3)}."
        )
    return f"{text} {results.rule_why}".strip()
