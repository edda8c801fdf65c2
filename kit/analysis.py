"""The main job in one object: runs in; curves, results, averages, trends and what they say out.

    analysis = kit.analyse("datasets_demo/coasting_disc")
    analysis.results, analysis.averages("turns"), analysis.trends("duration_s")[0].equation()

Each step is computed when it is first asked for, and kept. The command, the report, a group's progress through a lesson
and the notebooks all use this one object; nothing prepares, measures, averages or fits beside it.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from html import escape
from pathlib import Path

import pandas as pd

from .errors import KitError
from .logs.run import Run
from .motion.drag_fit import DragFit, coasting_passes, fit_drags
from .motion.speed import SpeedCurve, speed_curves
from .motion.threshold import BEST, best_rule, common_start, common_stop, measure
from .stats.averages import COUNTED, DOUBTFUL, average, counting
from .stats.shape import SameShape, same_shape
from .stats.trend import Trend, fit_trend, fit_trends
from .stats.verdict import NextCondition, Verdict, next_condition, verdict
from .wording import condition_value, count_of, evidence, join_words, plus_minus

__all__ = ["QUANTITIES", "SCHEMA", "Analysis", "sensitivity"]

SCHEMA = "kit-analysis-1"
QUANTITIES = ("duration_s", "turns")
SAME_SHAPE = "same_shape"
MOST_WAYS = 5  # of reading the logs that a summary lists


class Analysis:
    """Runs of one apparatus, analysed by one choice of thresholds.

    Parameters
    ----------
    runs : runs, or the curves that `kit.speed_curves` made of them (then nothing is smoothed again).
    start_period_s : turn period at which counting starts, s; "auto" is the fastest start every run reaches.
    stop_period_s : turn period at which it stops, s; "auto" is the slowest every run reaches, "last" or None the last
        pass, which is not rest.
    rule : counting rule, see `kit.measure`; "best": the drag law if all runs follow it closely, else the smooth curve.
    x : the condition that was changed; by default the only number that differs between runs.
    set_aside : reasons by source, in place of those that the runs bring.
    title : what it is about, for a heading.
    not_read : what is wrong with logs that could not be read, a sentence each; a summary names them.

    Attributes
    ----------
    curves : speed curve of every run. start_period_s, stop_period_s (None: the last pass), x, title : as chosen.
    rule, rule_why : the counting rule that is used, and where the choice was left to the kit, a sentence about it.

    Raises
    ------
    KitError : no runs, thresholds that are not 0 < start < stop, an unknown rule, or an x that no run has. That a trend
        can't be fitted is no error: `trends` is then empty, and `conclusion` says why.

    Examples
    --------
    >>> import kit
    >>> runs = [kit.Run([0.0, 0.3, 0.7, 1.2, 1.8, 2.5, 3.3], {"pads": float(n)}, trial=1) for n in (1, 2)]
    >>> analysis = kit.Analysis(runs, start_period_s=0.4, stop_period_s=0.6)
    >>> analysis
    Analysis(2 runs, 2 counted, by pads, from 0.4 to 0.6 s a turn)
    >>> analysis.results["status"].tolist()
    ['counted', 'counted']
    """

    def __init__(
        self,
        runs: Sequence[Run | SpeedCurve],
        start_period_s: float | str = "auto",
        stop_period_s: float | str | None = "auto",
        rule: str = "best",
        x: str | None = None,
        *,
        set_aside: Mapping[str, str] | None = None,
        title: str = "",
        not_read: Sequence[str] = (),
    ):
        self.not_read = tuple(not_read)
        self.curves = speed_curves(runs)
        self.x = x or _changed(self.runs)
        self.start_period_s = (
            common_start(self.curves) if start_period_s == "auto" else _seconds(start_period_s, "start")
        )
        if stop_period_s in (None, "last"):
            self.stop_period_s = None
        else:
            self.stop_period_s = (
                common_stop(self.curves) if stop_period_s == "auto" else _seconds(stop_period_s, "stop")
            )
        self.rule, self.rule_why = self.curves.once(best_rule) if rule == BEST else (rule, "")
        self.title = title
        self._reasons = set_aside
        self._fitted: dict[str, tuple[list[Trend], str]] = {}
        self._doubt_said: dict[str, list[str]] = {}
        if self.x not in self.results.columns:
            known = ", ".join(self.runs[0].conditions)
            raise KitError("No run has this condition", found=self.x, fix=f"choose one of: {known}")

    # --- the steps ------------------------------------------------------------------------------------------------

    @property
    def runs(self) -> list[Run]:
        """The runs, with the repairs that are accepted."""
        return [curve.run for curve in self.curves]

    @cached_property
    def results(self) -> pd.DataFrame:
        """One row a run: duration and turns with their uncertainty, status, note, doubt, as `kit.measure` has them."""
        table = measure(self.curves, self.start_period_s, self.stop_period_s, self.rule)
        if self._reasons is None:
            return table
        return table.assign(set_aside=[self._reasons.get(source, "") for source in table["source"]])

    @property
    def counted(self) -> pd.DataFrame:
        """The results that enter averages and trends: counted, and not set aside."""
        return self.results[counting(self.results)]

    @cached_property
    def _averages(self) -> dict[str, pd.DataFrame]:
        return {quantity: average(self.results, self.x, quantity) for quantity in QUANTITIES}

    def averages(self, quantity: str = "duration_s") -> pd.DataFrame:
        """One row a condition, as `kit.average` returns it.

        Raises
        ------
        KitError : no run is counted.
        """
        return self._averages[quantity]

    def _fit(self, quantity: str) -> tuple[list[Trend], str]:
        """Trends, and the reason why there are none."""
        if quantity not in self._fitted:
            counted = self.counted
            try:
                self._fitted[quantity] = fit_trends(counted[self.x], counted[quantity]), ""
            except KitError as error:
                self._fitted[quantity] = [], f"No trend can be fitted. {error}"
        return self._fitted[quantity]

    def trends(self, quantity: str = "duration_s") -> list[Trend]:
        """All curves fitted to one quantity, best first; none where nothing can be fitted."""
        return self._fit(quantity)[0]

    def verdict(self, quantity: str = "duration_s") -> Verdict | None:
        """What may be said about the trends of one quantity; None where there are none."""
        trends = self.trends(quantity)
        return verdict(trends, list(self.counted["source"])) if trends else None

    def conclusion(self, quantity: str = "duration_s") -> str:
        """The verdict in words, or why there is none; of "same_shape": whether duration and turns share one shape."""
        if quantity == SAME_SHAPE:
            found = self._shape
            return found if isinstance(found, str) else found.sentence
        said = self.verdict(quantity)
        words = [self._fit(quantity)[1]] if said is None else list(said.sentences)
        return " ".join([*words, *self._without_doubtful(quantity)])

    @property
    def doubtful(self) -> pd.DataFrame:
        """The results that count although something speaks against them, see their column `doubt`."""
        counted = self.counted
        return counted[counted["outcome"] == DOUBTFUL]

    def _without_doubtful(self, quantity: str) -> list[str]:
        """What becomes of the trend without the doubtful runs: one sentence, or none where no run is doubtful."""
        if quantity not in self._doubt_said:
            doubtful, counted = self.doubtful, self.counted
            self._doubt_said[quantity] = []
            if len(doubtful):
                rest = counted.drop(doubtful.index)
                are, them = ("is", "it") if len(doubtful) == 1 else ("are", "them")
                begin = f"{len(doubtful)} of {count_of(len(counted), 'run')} {are} doubtful; without {them} "
                self._doubt_said[quantity] = [begin + self._trend_of(rest, quantity)]
        return self._doubt_said[quantity]

    def _trend_of(self, rest: pd.DataFrame, quantity: str) -> str:
        """How the best curve of some of the results compares with the best one of all."""
        try:
            best = fit_trends(rest[self.x], rest[quantity])[0]
        except KitError:
            return "no trend can be fitted."
        trends = self.trends(quantity)
        if not trends:
            return f"the curve that fits best is: {best.model}."
        if best.model != trends[0].model:
            return f"another curve fits best: {best.model} instead of {trends[0].model}."
        moved = [
            f"{name} becomes {plus_minus(p.value, _or_zero(p.u))} instead of {plus_minus(was.value, _or_zero(was.u))}"
            for (name, p), was in zip(best.parameters.items(), trends[0].parameters.values(), strict=True)
            if abs(p.value - was.value) > max(_or_zero(p.u), 1e-9 * abs(was.value))
        ]
        if not moved:
            return "the same curve fits best, and its numbers stay within their uncertainty."
        return f"the same curve fits best, but {join_words(moved)}."

    @cached_property
    def _shape(self) -> SameShape | str:
        counted = self.counted
        try:
            return same_shape(counted[self.x], counted["duration_s"], counted["turns"])
        except KitError as error:
            return f"Duration and turns can't be compared. {error}"

    @property
    def same_shape(self) -> SameShape | None:
        """Do duration and turns follow one shape? None where they can't be compared."""
        return None if isinstance(self._shape, str) else self._shape

    @cached_property
    def next_condition(self) -> NextCondition | None:
        """Where the leading curves of the duration differ most, so where to measure next."""
        trends = self.trends("duration_s")
        return next_condition(trends) if trends else None

    @cached_property
    def drag(self) -> list[DragFit | None]:
        """For every run the drag law that fits it best by AICc; None where it has too few passes."""
        return [_best_law(run) for run in self.runs]

    def sensitivity(self, thresholds: Sequence[tuple[float, float | None]] | None = None) -> pd.DataFrame:
        """The same runs counted with other thresholds, see `kit.sensitivity`; by default some near the chosen ones."""
        start, stop = self.start_period_s, self.stop_period_s
        if thresholds is None:
            thresholds = [(start, stop), (start * 1.2, stop), (start * 1.4, stop)]
            if stop is not None:
                thresholds += [(start, nearer) for nearer in (stop * 0.8, stop * 0.6) if nearer > start]
        return sensitivity(self.curves, thresholds, self.x, self.rule)

    # --- what comes out -------------------------------------------------------------------------------------------

    def to_dict(self) -> dict:
        """Everything as plain numbers and texts, SI at full precision, NaN as None: the contract `kit-analysis-1`.

        Keys: `schema, x, threshold, runs, conditions, trends, verdict, next_condition`. Trends are listed best first.
        Averages and their intervals (`low`, `high`, 95 %) are each condition's own; where a quantity can't be fitted,
        its list of trends is empty and `verdict` says why.
        """
        after = self.next_condition
        return {
            "schema": SCHEMA,
            "x": self.x,
            "threshold": {
                "start_period_s": self.start_period_s, "stop_period_s": self.stop_period_s, "rule": self.rule
            } | ({"rule_why": self.rule_why} if self.rule_why else {}),
            "runs": [
                _run(curve, row, law)
                for curve, row, law in zip(self.curves, self.results.to_dict("records"), self.drag, strict=True)
            ],
            "conditions": list(self._conditions()),
            "trends": {quantity: [_trend(trend) for trend in self.trends(quantity)] for quantity in QUANTITIES},
            "verdict": {name: self.conclusion(name) for name in (*QUANTITIES, SAME_SHAPE)},
            "next_condition": None if after is None else _plain(after.x),
        } | ({"not_read": list(self.not_read)} if self.not_read else {})  # fmt: skip

    def to_json(self) -> str:
        """`to_dict` as JSON text."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    def write_json(self, path: str | Path) -> Path:
        """Write `to_json` to a file.

        Raises
        ------
        KitError : the file can't be written.
        """
        path = Path(path)
        try:
            path.write_text(self.to_json(), encoding="utf-8")
        except OSError as error:
            why = f"This can't be written ({error.strerror or error})"
            raise KitError(why, file=path, fix="give a place that exists and that you may write to") from error
        return path

    def write_report(self, path: str | Path) -> Path:
        """Write a printable page with plots, see `kit.write_report`."""
        from .report import write_report

        return write_report(self, path)

    def summary(self) -> str:
        """The analysis in a few lines of plain text, for a terminal."""
        lines = [
            *(f"Not read: {sentence}" for sentence in self.not_read),
            *self._read_as(),
            f"{self._counts()}, from {self.start_period_s:g} s a turn to {self._until()} ({self.rule}).",
            *([self.rule_why] if self.rule_why else []),
        ]
        for row in self.results.to_dict("records"):
            if row["outcome"] == DOUBTFUL and not row["set_aside"]:
                lines.append(f"  {row['source']}: doubtful: {row['doubt']}")
            elif row["set_aside"] or row["status"] != COUNTED:
                lines.append(f"  {row['source']}: {row['set_aside'] or row['status']}")
        lines += ["", f"{self.x:>10}  trials  duration (s)       turns"]
        for value, n, duration, turns in self._rows():
            lines.append(f"{value:>10}  {n:>6}  {duration:<17}  {turns}")
        for quantity in QUANTITIES:
            lines += ["", f"{quantity}:"]
            for trend in self.trends(quantity)[:3]:
                values = ", ".join(f"{k} = {plus_minus(p.value, _or_zero(p.u))}" for k, p in trend.parameters.items())
                lines.append(f"  {trend.model}: {values}  (evidence weight {evidence(trend.weight)})")
            lines.append(f"  {self.conclusion(quantity)}")
        return "\n".join([*lines, "", self.conclusion(SAME_SHAPE)])

    def __repr__(self) -> str:
        stop = "the last pass" if self.stop_period_s is None else f"{self.stop_period_s:g} s a turn"
        return f"Analysis({self._counts()}, by {self.x}, from {self.start_period_s:g} to {stop})"

    def _repr_html_(self) -> str:
        rows = "".join(
            "<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in self._rows()
        )
        said = "".join(f"<p>{escape(self.conclusion(name))}</p>" for name in (*QUANTITIES, SAME_SHAPE))
        head = "".join(f"<th>{escape(name)}</th>" for name in (self.x, "trials", "coasting time (s)", "turns"))
        counted = f"{self._counts()}, from {self.start_period_s:g} s a turn to {self._until()}. {self.rule_why}".strip()
        doubts = "".join(
            f"<li>{escape(row['source'])}: {escape(row['doubt'])}</li>" for row in self.doubtful.to_dict("records")
        )
        counted = f"<p>{escape(counted)}</p>" + (f"<p>Doubtful:</p><ul>{doubts}</ul>" if doubts else "")
        return f"{counted}<table><tr>{head}</tr>{rows}</table>{said}"

    def _read_as(self) -> list[str]:
        """How the logs were understood, a line for each way."""
        ways = Counter(run.read_as for run in self.runs if run.read_as)
        shown = [f"Read as: {way} ({count_of(n, 'run')})" for way, n in ways.most_common(MOST_WAYS)]
        return shown + [f"  and in {len(ways) - MOST_WAYS} other ways"] * (len(ways) > MOST_WAYS)

    def _counts(self) -> str:
        doubtful = f", {len(self.doubtful)} of them doubtful" if len(self.doubtful) else ""
        return f"{len(self.curves)} runs, {len(self.counted)} counted{doubtful}"

    def _until(self) -> str:
        return "the last pass (not rest)" if self.stop_period_s is None else f"{self.stop_period_s:g} s"

    def _rows(self) -> Iterator[tuple[str, int, str, str]]:
        """Condition, trials, average duration and turns with their standard uncertainty, as texts."""
        if self.counted.empty:
            return
        duration, turns = (self.averages(quantity).to_dict("records") for quantity in QUANTITIES)
        for d, n in zip(duration, turns, strict=True):
            times, counts = (plus_minus(part["mean"], _or_zero(part["u"])) for part in (d, n))
            yield condition_value(d[self.x]), int(d["n"]), times, counts

    def _conditions(self) -> Iterator[dict]:
        if self.counted.empty:
            return
        tables = {quantity: self.averages(quantity).to_dict("records") for quantity in QUANTITIES}
        for rows in zip(*tables.values(), strict=True):
            parts = {
                quantity: {name: _plain(row[name]) for name in ("mean", "sd", "u", "low", "high")}
                for quantity, row in zip(tables, rows, strict=True)
            }
            yield {"x": _plain(rows[0][self.x]), "n": int(rows[0]["n"])} | parts


def _changed(runs: Sequence[Run]) -> str:
    """The only numeric condition that differs between runs."""
    names = dict.fromkeys(name for run in runs for name in run.conditions)
    changing = [
        name
        for name in names
        if len({run.conditions.get(name) for run in runs}) > 1
        and all(isinstance(run.conditions.get(name), int | float) for run in runs)
    ]
    if len(changing) == 1:
        return changing[0]
    if not changing:
        raise KitError("No numeric condition differs between the runs", fix="say in runs.csv what was changed")
    raise KitError("Several conditions differ between the runs", found=", ".join(changing), fix="name one with --x")


def _seconds(value: float | str | None, which: str) -> float:
    try:
        return float(value)  # type: ignore[arg-type]  # what float() can't take is refused below
    except (TypeError, ValueError):
        raise KitError(f"The {which} threshold must be a number of seconds", found=value, fix="such as 0.25") from None


def _best_law(run: Run) -> DragFit | None:
    try:
        return fit_drags(*coasting_passes(run), run.flags_per_turn)[0]
    except KitError:
        return None


def _run(curve: SpeedCurve, row: dict, law: DragFit | None) -> dict:
    run = curve.run
    repairs = {"bounce": 0, "foreign": 0, "missed": 0}
    for repair in run.repairs:
        if repair.accepted:
            repairs[repair.kind] += repair.passes
    numbers = ("duration_s", "duration_u_s", "turns", "turns_u", "more_than_s")
    drag = law and {"law": law.name, "a": law.law.a, "b": law.law.b, "c": law.law.c}
    return (
        {
            "source": run.source,
            "conditions": {k: _plain(v) for k, v in run.conditions.items()},
            "trial": run.trial,
            "flags_per_turn": run.flags_per_turn,
            "read_as": run.read_as,
        }
        | {name: _plain(row[name]) for name in numbers}
        | {name: row[name] for name in ("status", "outcome", "doubt", "set_aside", "note")}
        | {"repairs": repairs, "timing_sd_s": _plain(curve.timing_sd_s), "drag": drag}
    )


def _trend(trend: Trend) -> dict:
    parameters = {
        name: {"value": _plain(p.value), "se": _plain(p.u), "low": _plain(p.low), "high": _plain(p.high)}
        for name, p in trend.parameters.items()
    }
    return {
        "model": trend.model,
        "parameters": parameters,
        "aicc": _plain(trend.aicc),
        "weight": _plain(trend.weight),
        "lack_of_fit_p": None if trend.lack_of_fit is None else _plain(trend.lack_of_fit.p),
        "loo_error": _plain(trend.loo_error),
    }


def _plain(value):
    """A number JSON can hold: a Python int or float, None for what is not finite; texts as they are."""
    if isinstance(value, str) or value is None:
        return value
    value = float(value)
    return value if math.isfinite(value) else None


def _or_zero(u: float) -> float:
    return u if math.isfinite(u) else 0.0


# --- How much the answer depends on the threshold that was agreed.


def sensitivity(
    runs: Sequence[Run | SpeedCurve],
    thresholds: Sequence[tuple[float, float | None]],
    x: str,
    rule: str = "interpolated",
) -> pd.DataFrame:
    """How duration, turns and the exponent of a power law move with the choice of thresholds.

    Parameters
    ----------
    runs : runs or prepared curves.
    thresholds : pairs of start and stop turn period, s; a stop of None counts to the last pass.
    x : the condition that was changed; its values must be above zero.

    Returns
    -------
    DataFrame, one row a pair: `start_period_s, stop_period_s, counted` (runs), `mean_duration_s, mean_turns` over the
    runs that every choice can count, so that rows compare, and for both quantities the fitted exponent p of A·x^p
    with its 95 % interval: `duration_p, duration_p_low, duration_p_high, turns_p, …` (NaN where it can't be fitted).

    Raises
    ------
    KitError : no thresholds, or one that is not 0 < start < stop.

    Examples
    --------
    >>> import kit
    >>> runs = kit.read_folder("datasets_demo/felt_brake")
    >>> table = kit.sensitivity(runs, [(0.25, 1.0), (0.4, 1.0)], "pads")
    >>> table["counted"].tolist()
    [15, 15]
    """
    if not thresholds:
        raise KitError("There are no thresholds to compare", fix="give at least one pair of start and stop")
    curves = speed_curves(runs)
    tables = [measure(curves, start, stop, rule) for start, stop in thresholds]
    counted = [counting(table) for table in tables]
    shared = pd.concat(counted, axis=1).all(axis=1)
    rows = []
    for (start, stop), table, counts in zip(thresholds, tables, counted, strict=True):
        row = {
            "start_period_s": start,
            "stop_period_s": stop,
            "counted": int(counts.sum()),
            "mean_duration_s": table.loc[shared, "duration_s"].mean(),
            "mean_turns": table.loc[shared, "turns"].mean(),
        }
        for name, column in (("duration", "duration_s"), ("turns", "turns")):
            row |= _exponent(name, table.loc[counts, x], table.loc[counts, column])
        rows.append(row)
    return pd.DataFrame(rows)


def _exponent(name: str, x: pd.Series, y: pd.Series) -> dict:
    keys = (f"{name}_p", f"{name}_p_low", f"{name}_p_high")
    if x.nunique() < 3:
        return dict.fromkeys(keys, float("nan"))
    p = fit_trend(x, y, "power law").parameters["p"]
    return dict(zip(keys, (p.value, p.low, p.high), strict=True))
