"""All trials beside their averages: see the spread, set a trial aside with its cause, take it back."""

from __future__ import annotations

import anywidget
import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..plots.trials import (
    describe_trials,
    next_run,
    trial_numbers,
    trials_figure,
    trials_numbers,
    unusual_trials,
    what_trials_show,
    with_and_without,
)
from ..stats.averages import COUNTED, DOUBTFUL, average, doubtful
from ..wording import as_repeated, axis_title, case_of, count_of, interval, name_of, number, rounded_by, unit_of
from .parts import (
    Details,
    KitBox,
    PlotView,
    Status,
    attempt,
    choice_of,
    front_end,
    heading,
    row_of,
    side_of,
    stack_of,
)

__all__ = ["TrialTable"]

_FOURTH = (
    ("Choose an answer", ""),
    ("Yes, exactly", "exactly"),
    ("No, but near it", "near"),
    ("It could land anywhere", "anywhere"),
)


class _Grid(anywidget.AnyWidget):
    """The table itself: what the cells say comes from Python, which trial is chosen comes from the page."""

    _esm = front_end("make.js", "trial_grid.js")
    _css = front_end("parts.css")

    caption = t.Unicode().tag(sync=True)
    columns = t.List(t.Unicode()).tag(sync=True)
    rows = t.List(t.Dict()).tag(sync=True)
    selected = t.Int(None, allow_none=True).tag(sync=True)  # position of a trial in the results


class TrialTable(KitBox):
    """Every trial as a dot, the average of each condition with its interval, and the same as a table.

    Parameters
    ----------
    results : a results table as `kit.measure` makes it; columns that are missing (`trial`, `status`,
        `set_aside`, `source`) are filled in. It is copied, never changed.
    x : the column that was changed.
    quantity : "duration_s" or "turns", or any other numeric column.

    `results` is the table with its `set_aside` column as it now stands, `averages` what `kit.average` makes
    of it for the quantity shown; both can be observed. `fourth_run` is the answer to "Would one more run land
    exactly here?". A trial is set aside by choosing it and saying what happened; it stays in the table and, hollow
    with a cross, in the plot. Doubtful trials have a question mark in the table and are hollow in the plot.

    Raises
    ------
    KitError : a missing column, no trial that counts.
    """

    results = t.Instance(pd.DataFrame, read_only=True)
    averages = t.Instance(pd.DataFrame, read_only=True)
    fourth_run = t.Unicode()

    def __init__(self, results: pd.DataFrame, x: str = "magnets", quantity: str = "duration_s"):
        self.x = x
        table = _completed(results, x)
        average(table, x, quantity)  # refuses what cannot be averaged, before anything shows
        self._build(table, quantity)
        super().__init__(
            [
                row_of(self._quantity, self._scale, self._basis),
                side_of(
                    stack_of("kit-main", self._plot),
                    stack_of("kit-rail", self._grid, self._form, self._say),
                ),
                self._fourth_question(int(table.groupby(x).size().mode().iloc[0])),
                self._lesson,
            ]
        )
        self.set_trait("results", table)
        self._refresh()
        for choice in (self._quantity, self._scale, self._basis):
            choice.observe(lambda _: self._refresh(), "value")
        self._grid.observe(lambda _: self._ask(), "selected")
        self._aside.on_click(lambda _: attempt(self._say, self._set_chosen_aside))
        self._back.on_click(lambda _: attempt(self._say, self._take_chosen_back))
        for field in (self._condition, self._answer):
            field.observe(lambda _: self._fourth(), "value")

    # --- for code and for buttons alike ---------------------------------------------------------------------

    @property
    def quantity(self) -> str:
        """The column that is shown."""
        return self._quantity.value

    def set_aside(self, position: int, reason: str) -> None:
        """Leave one trial out of the averages, for a physical cause that somebody saw.

        Parameters
        ----------
        position : row of `results`.
        reason : what was seen or heard.

        Raises
        ------
        KitError : no reason in words, no such row, or no trial would be left.
        """
        reason = " ".join(reason.split())
        if sum(c.isalpha() for c in reason) < 3:
            raise KitError(
                "Without a cause the trial stays in",
                fix='say what you saw or heard, such as "a sleeve touched the disc"',
            )
        self._change(position, reason)

    def take_back(self, position: int) -> None:
        """Count a trial again that was set aside."""
        self._change(position, "")

    def update(self, results: pd.DataFrame) -> None:
        """Show another table of the same runs, measured anew; what was set aside here stays so.

        Runs are recognised by `source`, condition and trial.
        """
        table = _completed(results, self.x)
        keys = ["source", self.x, "trial"]
        reasons = self.results.loc[self.results["set_aside"] != "", [*keys, "set_aside"]].drop_duplicates(keys)
        kept = table[keys].merge(reasons, how="left", on=keys)["set_aside"].fillna("").to_numpy()
        table["set_aside"] = np.where(kept != "", kept, table["set_aside"])
        average(table, self.x, self.quantity)
        self.set_trait("results", table)
        self._grid.selected = None
        self._refresh()

    def _change(self, position: int, reason: str) -> None:
        if not 0 <= position < len(self.results):
            raise KitError("There is no such trial", found=position, fix=f"rows go from 0 to {len(self.results) - 1}")
        table = self.results.copy()
        table["set_aside"] = [reason if i == position else other for i, other in enumerate(table["set_aside"])]
        average(table, self.x, self.quantity)  # refuses to leave no trial at all
        self.set_trait("results", table)
        self._refresh()

    # --- what is on the page --------------------------------------------------------------------------------

    def _build(self, table: pd.DataFrame, quantity: str) -> None:
        quantities = list(dict.fromkeys([quantity, *(q for q in ("duration_s", "turns") if q in table.columns)]))
        self._quantity = choice_of("Quantity", [(name_of(q).capitalize(), q) for q in quantities])
        self._quantity.value = quantity
        self._scale = choice_of("View", [("values", False), ("per cent from the average", True)])
        self._basis = choice_of("95 % bars from", [("each condition's own trials", False), ("shared spread", True)])
        self._plot = PlotView(name="this plot")
        self._grid, self._say = _Grid(), Status()
        self._chosen = widgets.HTML()
        self._reason = widgets.Text(
            description="What happened in this run?",
            placeholder="what you saw or heard",
            style={"description_width": "initial"},
            layout={"width": "100%"},
            continuous_update=False,  # sent whole when it is left, so that no press of a button overtakes it
        )
        self._aside = widgets.Button(description="Set aside")
        self._back = widgets.Button(description="Take back")
        self._form = widgets.VBox([self._chosen, self._reason, row_of(self._aside, self._back)])
        self._form.layout.display = "none"
        self._lesson = Details(summary="What these trials can and cannot show")

    def _fourth_question(self, trials: int) -> widgets.Widget:
        self._condition = widgets.Dropdown(
            description="Would one more run with", style={"description_width": "initial"}
        )
        self._condition.layout.width = "auto"
        self._answer = widgets.Dropdown(options=_FOURTH, description="land exactly on the average?")
        self._answer.style.description_width = "initial"
        self._answer.layout.width = "auto"
        self._fourth_say = Status()
        return widgets.VBox(
            [
                heading(f"Would {'a fourth' if trials == 3 else 'one more'} run land exactly here?"),
                row_of(self._condition, self._answer),
                self._fourth_say,
            ]
        )

    def _refresh(self) -> None:
        """Everything on the page from `results`."""
        try:
            averages = average(self.results, self.x, self.quantity)
        except KitError as error:
            self._say.error(error)
            return
        self.set_trait("averages", averages)
        self._spread = float((averages["pooled_sd"] / averages["mean"]).median())  # of single trials, as a fraction
        zoom, pooled = self._scale.value, self._basis.value
        self._plot.show(
            trials_figure(self.results, averages, self.x, self.quantity, pooled=pooled, zoom=zoom),
            describe_trials(self.results, averages, self.x, self.quantity),
            trials_numbers(self.results, averages, self.x, self.quantity),
        )
        self._fill_grid(averages, pooled)
        self._lesson.show(what_trials_show(averages))
        self._offer(list(averages[self.x]))
        self._ask()
        self._say.say(
            self._count_words(),
            *self._doubts(),
            *with_and_without(self.results, self.x, self.quantity),
            *self._unusual(),
        )
        self._fourth()

    def _offer(self, conditions: list) -> None:
        """Conditions to ask about; the one chosen stays chosen while it is there."""
        chosen = self._condition.value
        if [value for _, value in self._condition.options] != conditions:
            self._condition.options = [(case_of(self.x, value), value) for value in conditions]
            self._condition.value = chosen if chosen in conditions else conditions[0]

    def _fill_grid(self, averages: pd.DataFrame, pooled: bool) -> None:
        unit, table = unit_of(self.quantity), self.results
        trial, numbers = table["trial"], sorted(table["trial"].unique())
        if table.duplicated([self.x, "trial"]).any():  # numbered anew, so that no run is hidden behind another
            trial = table.groupby(self.x).cumcount() + 1
            numbers = sorted(trial.unique())
        low, high = ("pooled_low", "pooled_high") if pooled else ("low", "high")
        rows = []
        for condition in sorted(table[self.x].dropna().unique(), key=lambda v: (isinstance(v, str), v)):
            trials = []
            for wanted in numbers:
                found = np.flatnonzero((table[self.x] == condition) & (trial == wanted))
                trials.append(self._cell(int(found[0])) if len(found) else None)
            mean = averages[averages[self.x] == condition]
            figures = ["–", "–"]
            if len(mean):
                row = mean.iloc[0]
                reach = interval(row[low], row[high]) if np.isfinite(row[low]) else "–"
                figures = [rounded_by(row["mean"], row["u"]), reach]
            label = condition if isinstance(condition, str) else f"{condition:g}"
            rows.append({"condition": label, "trials": trials, "figures": figures})
        with self._grid.hold_sync():
            self._grid.caption = f"{axis_title(self.quantity)}. Press a trial to set it aside or take it back."
            self._grid.columns = [
                axis_title(self.x),
                *(f"Trial {n}" for n in numbers),
                f"Average{f' ({unit})' if unit else ''}",
                "95 % interval",
            ]
            self._grid.rows = rows

    def _cell(self, position: int) -> dict:
        row = self.results.iloc[position]
        name = f"{case_of(self.x, row[self.x])}, trial {row['trial']}"
        if row["status"] != COUNTED or pd.isna(row[self.quantity]):
            more = row.get("more_than_s", np.nan)
            longer = self.quantity == "duration_s" and more > 0
            text = f"> {number(more, 3)}" if longer else "–"
            return {"row": None, "text": text, "words": f"{name}: {row['status']}", "aside": False}
        value = f"{self._rounded(row[self.quantity])} {unit_of(self.quantity)}".rstrip()
        words = f"{name}: {value}" + (f", set aside: {row['set_aside']}" if row["set_aside"] else "")
        doubt = row["doubt"] if row["outcome"] == DOUBTFUL else ""
        words += f", doubtful: {doubt}" if doubt else ""
        text = value.split()[0] + (" ?" if doubt else "")
        return {"row": position, "text": text, "words": words, "aside": bool(row["set_aside"])}

    def _rounded(self, value: float) -> str:
        """One trial's value, as far as trials repeat."""
        return as_repeated(value, abs(self._spread * value))

    def _count_words(self) -> str:
        aside = int((self.results["set_aside"] != "").sum())
        lost = int(((self.results["status"] != COUNTED) & (self.results["set_aside"] == "")).sum())
        n = int(self.averages["n"].sum())
        words = f"{count_of(n, 'trial').capitalize()} {'counts' if n == 1 else 'count'}"
        words += f", {count_of(aside, 'trial')} set aside" if aside else ""
        words += f", {count_of(lost, 'run')} could not be measured" if lost else ""
        return words + "."

    def _doubts(self) -> list[str]:
        """A sentence for each doubtful trial that counts."""
        rows = self.results[doubtful(self.results)].to_dict("records")
        said = [
            f"{case_of(self.x, row[self.x])}, trial {row['trial']}, is doubtful (?): {row['doubt']}" for row in rows
        ]
        more = ["It counts all the same. Set it aside only if you saw or heard what went wrong."] if said else []
        return [*(words[:1].upper() + words[1:] for words in said), *more]

    def _unusual(self) -> list[str]:
        return unusual_trials(self.results, self.x, self.quantity)

    def _ask(self) -> None:
        """The form below the grid: for the trial that is chosen, or not there."""
        position = self._grid.selected
        if position is None or not 0 <= position < len(self.results):
            self._form.layout.display = "none"
            return
        cell = self._cell(position)
        name = cell["words"].partition(", set aside: ")[0].partition(", doubtful: ")[0]
        aside = cell["aside"]
        self._chosen.value = heading(name[:1].upper() + name[1:]).value
        self._reason.value = self.results["set_aside"].iloc[position] if aside else ""
        self._reason.disabled = aside
        self._back.layout.display = "" if aside else "none"
        self._aside.layout.display = "none" if aside else ""
        self._form.layout.display = ""

    def _set_chosen_aside(self) -> None:
        if self._grid.selected is not None:
            self.set_aside(self._grid.selected, self._reason.value)
            self._grid.selected = None

    def _take_chosen_back(self) -> None:
        if self._grid.selected is not None:
            self.take_back(self._grid.selected)
            self._grid.selected = None

    def _fourth(self) -> None:
        """Answer only after the student has: first a guess, then the scatter, never a mark."""
        self.fourth_run = self._answer.value
        if not self._answer.value or self._condition.value is None:
            self._fourth_say.say("")
            return
        values = self.results.loc[
            (self.results[self.x] == self._condition.value) & self.results[self.quantity].notna(),
            self.quantity,
        ]
        unit = unit_of(self.quantity)
        dots = f"Your {count_of(len(values), 'run')} landed at {', '.join(map(self._rounded, values))} {unit}".rstrip()
        try:
            self._fourth_say.say(f"{dots}.", next_run(self.averages, self._condition.value).sentence)
        except KitError as error:
            self._fourth_say.say(f"{dots}.", error.on_page())


def _completed(results: pd.DataFrame, x: str) -> pd.DataFrame:
    """A copy with the columns this widget needs, in fresh order of rows."""
    if x not in results.columns:
        raise KitError("The table has no such column", column=x, fix=f"choose one of: {list(results.columns)}")
    table = results.reset_index(drop=True).copy()
    if "trial" not in table.columns:
        table["trial"] = trial_numbers(table, x)
    for name, default in (("status", COUNTED), ("set_aside", ""), ("source", ""), ("doubt", ""), ("outcome", COUNTED)):
        if name not in table.columns:
            table[name] = default
    table["set_aside"] = table["set_aside"].fillna("").astype(str)
    return table
