"""Which curve do the results follow? Choose curves, look at what they miss, compare, predict, plan the next run."""

from __future__ import annotations

from collections.abc import Iterable

import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..plots.trend_figures import PANELS, curve_grid, loglog_figure, residuals_figure, trend_figure
from ..plots.trend_text import (
    describe_residuals,
    describe_trend,
    formula_of,
    one_curve_words,
    predicted,
    ranking_table,
    residuals_numbers,
    trend_numbers,
)
from ..stats.averages import average, counting, doubtful
from ..stats.trend import Trends, bootstrap_band, fit_trends
from ..stats.trend_models import MODELS, Model, get_model, model_names
from ..stats.verdict import Verdict, log_log_line, next_condition, verdict
from ..wording import count_of, name_of
from .parts import Details, KitBox, PlotView, Status, choice_of, heading, html_table, note, row_of, side_of, stack_of

__all__ = ["TrendFitter"]

MENUS = ("shown", "hidden")
BAND_REFITS = 2_000  # enough for a band on the screen, in less than a tenth of a second
PREDICTED = 3  # curves that say what they predict

_TERMS = (
    "Δ says how much less the data support a curve than the best one here. It is a difference of AICc, which charges "
    "for every extra parameter. Below 2 the data cannot separate two curves. From 2 to 7 there is some preference. "
    "Above 7 it is clear, as long as the better one shows no misfit.",
    "Evidence: out of 100 %, shared among the curves you chose. A curve you did not choose gets nothing.",
    "Misfit: do the averages lie further from the curve than the spread of the trials? A small p says yes. A large p "
    "only says that no misfit was found.",
    "Error when left out: each condition is hidden in turn and the curve is fitted to the others. This is how far off "
    "its prediction for the hidden one is.",
    "R² stands beside the residuals and nowhere else. It can be close to 1 for a curve that bends the wrong way.",
)


class TrendFitter(KitBox):
    """Fit curves to the trials of all conditions and judge between them.

    Parameters
    ----------
    results : a results table as `kit.measure` makes it, or any table with the columns `x` and `quantity`,
        one row a trial. Rows that are set aside or not counted stay out.
    x : the column that was changed; numbers.
    quantity : the column to explain, "duration_s" or "turns".
    menu : "shown": the student ticks curves, none at the start (unless `models` names some); "hidden": no choice,
        the curves of `models` (the kit's eight if not given) are compared at once.
    models : names of models, see `kit.stats.trend_models.model_names`; those of installed packages are offered after
        the kit's own, and one that cannot be loaded is named on the page.
    errors : "relative" or "absolute", see `kit.stats.trend`.

    `models` (the names chosen), `trends` (best first) and `verdict` (None with fewer than two curves) follow every
    action and can be observed; `prediction_at` is the condition asked for, or None.

    Raises
    ------
    KitError : a missing column, conditions that are not numbers, no trial that counts, an unknown menu or model.
    """

    models = t.Tuple()
    trends = t.Instance(Trends, read_only=True)
    verdict = t.Instance(Verdict, allow_none=True, read_only=True)
    prediction_at = t.Float(None, allow_none=True)

    def __init__(
        self,
        results: pd.DataFrame,
        x: str = "magnets",
        quantity: str = "duration_s",
        *,
        menu: str = "shown",
        models: Iterable[str] | None = None,
        errors: str = "relative",
    ):
        if menu not in MENUS:
            raise KitError("This menu is not known", found=menu, fix=f"use one of: {', '.join(MENUS)}")
        own = [m.name for m in MODELS]
        chosen = list(models) if models is not None else [] if menu == "shown" else own
        for name in chosen:
            get_model(name)
        self._offered, self._not_loaded = _load(model_names() if menu == "shown" else dict.fromkeys([*own, *chosen]))
        self.x, self.errors, self.menu = x, errors, menu
        self._take(results, quantity)
        self._build(quantity, chosen)
        super().__init__(
            [
                row_of(self._quantity, self._view, self._band),
                side_of(stack_of("kit-rail kit-narrow", *self._rail()), stack_of("kit-main", self._plot)),
                self._ranking,
                self._words,
                heading("Predict before you measure"),
                row_of(self._at, self._predict),
                self._predicted,
                self._next,
            ]
        )
        self.models = tuple(chosen)
        self._fit()
        self.observe(lambda _: self._tick_boxes(), "models")
        self.observe(lambda _: self._fit(), "models")
        self.observe(lambda _: self._show(), "prediction_at")
        self._quantity.observe(lambda _: self._other_quantity(), "value")
        for choice in (self._view, self._band):
            choice.observe(lambda _: self._show(), "value")
        for box in self._boxes.values():
            box.observe(lambda _: self._read_boxes(), "value")
        self._all.on_click(lambda _: self._choose(name for name, box in self._boxes.items() if not box.disabled))
        self._none.on_click(lambda _: self._choose(()))
        self._predict.on_click(lambda _: self._ask())
        self._at.observe(lambda _: self._ask(), "value")

    @property
    def quantity(self) -> str:
        """The column that is explained."""
        return self._quantity.value

    def update(self, results: pd.DataFrame) -> None:
        """Fit the same curves to another results table."""
        self._take(results, self.quantity)
        self._fit()

    # --- data and fits --------------------------------------------------------------------------------------

    def _take(self, results: pd.DataFrame, quantity: str) -> None:
        """Check a table and keep it; refuses without changing anything."""
        average(results, self.x, quantity)
        if not pd.api.types.is_numeric_dtype(results[self.x]):
            raise KitError("A curve needs conditions that are numbers", column=self.x, found=results[self.x].iloc[0])
        self._results = results.copy()
        self._fits: dict[tuple, Trends] = {}  # made once for each choice of curves
        self._bands: dict[tuple, tuple] = {}

    def _rows(self) -> pd.DataFrame:
        return self._results[counting(self._results) & self._results[self.quantity].notna()]

    def _data(self) -> tuple[np.ndarray, np.ndarray]:
        rows = self._rows()
        return rows[self.x].to_numpy(float), rows[self.quantity].to_numpy(float)

    def _origins(self) -> list[str] | None:
        rows = self._rows()
        return rows["origin"].tolist() if "origin" in rows.columns else None

    def _fit(self) -> None:
        """Fits for the curves chosen; those already made for these data are remembered."""
        key = (self.quantity, frozenset(self.models))
        try:
            if key not in self._fits:
                x, y = self._data()
                ordered = [m.name for m in self._offered if m.name in self.models]
                self._fits[key] = fit_trends(x, y, errors=self.errors, models=ordered) if ordered else Trends([])
        except KitError as error:
            self._say.error(error)
            return
        trends = self._fits[key]
        self.set_trait("trends", trends)
        self.set_trait("verdict", verdict(trends) if len(trends) > 1 else None)
        self._show()

    def _band_of(self, trend) -> tuple | None:
        key = (self.quantity, trend.model)
        if key not in self._bands:
            grid = curve_grid(trend)
            self._bands[key] = (grid, *bootstrap_band(trend, grid, n=BAND_REFITS))
        return self._bands[key]

    # --- what is on the page --------------------------------------------------------------------------------

    def _build(self, quantity: str, chosen: list[str]) -> None:
        found = [q for q in ("duration_s", "turns") if q in self._results.columns]
        self._quantity = choice_of(
            "Quantity", [(name_of(q).capitalize(), q) for q in dict.fromkeys([quantity, *found])]
        )
        self._quantity.value = quantity
        self._view = choice_of(
            "View", [("curves", "curves"), ("what they miss", "residuals"), ("logarithmic axes", "log")]
        )
        self._band = widgets.Checkbox(value=True, description="95 % band of the best curve", indent=False)
        self._boxes = {m.name: self._box(m, m.name in chosen) for m in self._offered}
        self._all, self._none = widgets.Button(description="Tick all"), widgets.Button(description="Clear")
        self._at = widgets.FloatText(value=self._first_guess(), description=f"Predict at {name_of(self.x)} =")
        self._at.style.description_width = "initial"
        self._at.layout.width = "17em"
        self._predict = widgets.Button(description="Predict")
        self._plot, self._ranking = PlotView(name="this plot"), widgets.HTML()
        self._ranking.add_class("kit-ranking")
        self._say, self._predicted, self._next = Status(), Status(), Status()
        self._words = Details(summary="What these words mean")
        says = [f"{m.name}, {formula_of(m.formula)}: {m.statement}" for m in self._offered]
        self._words.show([f"x stands for {name_of(self.x)}, y for the quantity you chose.", *says, *_TERMS])

    def _box(self, model, ticked: bool) -> widgets.Checkbox:
        box = widgets.Checkbox(value=ticked, description=f"{model.name}:  {formula_of(model.formula)}", indent=False)
        reason = model.not_applicable(self._results[self.x].to_numpy(float))
        box.tooltip = reason or model.statement
        box.disabled = reason is not None
        return box

    def _rail(self) -> list[widgets.Widget]:
        menu = [heading("Which curves could it be?"), *self._boxes.values(), row_of(self._all, self._none)]
        shown = menu if self.menu == "shown" else [note(f"{count_of(len(self._boxes), 'curve')} are compared.")]
        return [*shown, heading("What the data say"), self._say]

    def _first_guess(self) -> float:
        """A condition nobody measured yet, to start from: the middle of the widest gap."""
        x = np.unique(self._results[self.x].to_numpy(float))
        gaps = np.diff(x)
        middle = float(x[np.argmax(gaps)] + gaps.max() / 2) if len(gaps) else float(x[0])
        return float(round(middle)) if np.all(x == np.round(x)) else middle

    def _choose(self, names: Iterable[str]) -> None:
        self.models = tuple(names)

    def _read_boxes(self) -> None:
        if not getattr(self, "_ticking", False):
            self._choose(name for name, box in self._boxes.items() if box.value)

    def _tick_boxes(self) -> None:
        self._ticking = True
        try:
            for name, box in self._boxes.items():
                box.value = name in self.models
        finally:
            self._ticking = False

    def _other_quantity(self) -> None:
        try:
            average(self._results, self.x, self.quantity)
        except KitError as error:
            self._say.error(error)
            return
        self._fit()

    def _ask(self) -> None:
        self.prediction_at = None  # so that asking again for the same condition shows it again
        self.prediction_at = float(self._at.value)

    def _show(self) -> None:
        """Everything on the page from `trends`."""
        trends, x, y = self.trends, *self._data()
        averages = average(self._results, self.x, self.quantity)
        view, problem = self._view.value, None
        try:
            self._plot.show(*self._figure(view, trends, x, y, averages))
        except KitError as error:
            problem = error
            self._plot.show(*self._figure("curves", trends, x, y, averages))
        self._band.disabled = view != "curves"
        if problem is not None:
            self._say.error(problem)
        else:
            self._say.say(*self._verdict_words(), *self._not_loaded)
        self._ranking.value = html_table(ranking_table(trends), "Best first", mark=0) if trends else ""
        found = next_condition(trends) if len(trends) > 1 else None
        self._next.say(f"Where to measure next: {formula_of(found.sentence)}" if found else "")
        self._show_prediction(trends)

    def _figure(self, view, trends, x, y, averages):
        names = {"x_name": self.x, "quantity": self.quantity}
        if view == "residuals" and trends:
            shown = trends[:PANELS]
            figure = residuals_figure(shown, **names)
            return figure, describe_residuals(shown, self.x), residuals_numbers(shown, self.x)
        words = describe_trend(trends, self.x, self.quantity, (x, y))
        numbers = trend_numbers(trends, averages, self.x, self.quantity)
        if view == "log":
            line = log_log_line(x, y)
            return loglog_figure(x, y, trends, line=line, **names), f"{words} {line.sentence}", numbers
        band = self._band_of(trends[0]) if trends and self._band.value else None
        at = self.prediction_at
        marks = (
            [] if at is None else [(at, q, q.predict(at, "single run")) for q in trends[:PREDICTED] if q.defined_at(at)]
        )
        figure = trend_figure(
            x,
            y,
            trends,
            x_name=self.x,
            quantity=self.quantity,
            averages=averages,
            band=band,
            predictions=marks,
            origins=self._origins(),
            doubtful=doubtful(self._rows()).tolist(),
        )
        return figure, words, numbers

    def _verdict_words(self) -> list[str]:
        if not self.trends:
            return ["Tick a curve that could run through these points. Then tick another, and compare."]
        if self.verdict is None:
            return one_curve_words(self.trends[0])
        words = [formula_of(sentence) for sentence in self.verdict.sentences]
        if self._view.value == "residuals" and len(self.trends) > PANELS:
            words.append(f"The plot shows the best {PANELS} curves.")
        return words

    def _show_prediction(self, trends) -> None:
        at = self.prediction_at
        if at is None:
            self._predicted.say("")
        elif not np.isfinite(at):
            self._predicted.error("Type a number.")
        elif not trends:
            self._predicted.say("Tick a curve first: only a curve can predict.")
        else:
            self._predicted.say(*predicted(trends[:PREDICTED], at, self.x, self.quantity))


def _load(names: Iterable[str]) -> tuple[list[Model], list[str]]:
    """The models of these names, and what to say of those that an installed package promises but cannot give."""
    models, problems = [], []
    for name in names:
        try:
            models.append(get_model(name))
        except KitError as error:
            problems.append(error.on_page())
    return models, problems
