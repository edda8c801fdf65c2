"""Plans for further runs: those that make a known curve surer, and those that test a claim of the group's own.

Both end in an order drawn by lot, and a sheet to print.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..lessons.claim_runs import OwnClaimRuns, run_name
from ..lessons.lesson import OWN
from ..lessons.own_runs import ORIGINS
from ..lessons.progress import Progress
from ..plots.investigate import SYMBOL, describe_plan, plan_figure
from ..record.entries import QUANTITIES, Kind
from ..record.summary import table_rows
from ..record.workbook import Workbook
from ..report import run_sheet_html
from ..stats.planning import Pilot, run_order, trials_for, width_against_minutes
from ..stats.trend import Trend
from ..wording import axis_title, case_of, count_of, join_words, number, percent
from .cards import keep_drafts, save_entries
from .claim_tester import KeptClaim
from .parts import (
    FIELD,
    KitBox,
    PlotView,
    Status,
    action,
    attempt,
    download_link,
    heading,
    html_table,
    note,
    row_of,
    side_of,
    stack_of,
    text_area,
)

__all__ = ["PLAN", "OwnClaimCard", "OwnClaimTest", "TrialPlanner", "lesson_planner", "order_html"]


class TrialPlanner(KitBox):
    """Plan the next runs: how sure a number gets in how many minutes, which conditions, in which order.

    Parameters
    ----------
    trend : a fitted trend (`kit.stats.trend.fit_trend`), or a `kit.stats.planning.Pilot` where nothing was
    measured yet.
    x : column name of what is changed, such as "magnets".
    candidates : conditions that can be set; by default those of the trend.
    run_s : how long a run lasts at a condition, s, as a function of an array; needed if the trend is not one of
        durations in seconds.
    cautions : sentences for the printed sheet.
    seed : makes the drawn order repeatable.

    `plan` is the table of `kit.stats.planning.width_against_minutes` for what the fields say, `order` the drawn order
    (None until it is drawn); both can be observed.

    Raises
    ------
    KitError : no candidates, or a trend that no plan can be made from.
    """

    plan = t.Instance(pd.DataFrame, read_only=True)
    order = t.Instance(pd.DataFrame, allow_none=True, read_only=True)

    def __init__(
        self,
        trend: Trend | Pilot,
        x: str = "magnets",
        candidates: Sequence[float] | None = None,
        *,
        run_s=None,
        minutes: float = 15,
        reset_s: float = 60,
        cautions: Sequence[str] = (),
        seed: int | None = None,
    ):
        self.pilot = trend if isinstance(trend, Pilot) else Pilot.of(trend)
        self.x, self._run_s, self._cautions, self._seed = x, run_s, tuple(cautions), seed
        self._candidates = sorted(set(candidates if candidates is not None else self.pilot.x))
        if not self._candidates:
            raise KitError("There is no condition to plan with", fix="give the conditions that can be set")
        self._build(minutes, reset_s)
        super().__init__(
            [
                row_of(self._parameter, self._minutes, self._reset, self._reference),
                side_of(
                    stack_of("kit-main", self._plot),
                    stack_of("kit-rail kit-narrow", self._say, self._counts, self._draw),
                ),
                self._sheet,
            ]
        )
        for field in (self._parameter, self._minutes, self._reset):
            field.observe(lambda _: self._replan(), "value")
        self._reference.observe(lambda _: self._forget_order(), "value")
        self._replan()

    # --- for code and for buttons alike ---------------------------------------------------------------------------

    def draw(self) -> pd.DataFrame:
        """Draw the order of the planned runs, and offer the sheet. Raises KitError if no run is planned."""
        reference = None if self._reference.value == "" else self._reference.value
        order = run_order(list(self.plan["x"]), reference=reference, seed=self._seed)
        self.show_order(order)
        return order

    @property
    def settings(self) -> dict[str, float | str]:
        """What the fields say, so that it can be kept and put back with `set_up`."""
        return {
            "parameter": self._parameter.value,
            "minutes": self._minutes.value,
            "reset_s": self._reset.value,
            "reference": self._reference.value,
        }

    def set_up(self, settings: Mapping[str, float | str]) -> None:
        """Put kept settings back; those that are not on offer any more stay as they are."""
        fields = {
            "parameter": self._parameter,
            "minutes": self._minutes,
            "reset_s": self._reset,
            "reference": self._reference,
        }
        for name, field in fields.items():
            offered = [value for _, value in field.options] if isinstance(field, widgets.Dropdown) else None
            if name in settings and (offered is None or settings[name] in offered):
                field.value = settings[name]

    def show_order(self, order: pd.DataFrame) -> None:
        """Show an order, as `kit.stats.planning.run_order` makes it, and offer the sheet."""
        self.set_trait("order", order)
        self._sheet.value = order_html(order, self.x, self._cautions)

    # --- what is on the page --------------------------------------------------------------------------------------

    def _build(self, minutes: float, reset_s: float) -> None:
        names = list(self.pilot.parameters)
        shape = next((n for n in names if n in ("x0", "p", "k")), names[-1])
        options = [(f"{SYMBOL.get(n, n)}, now about {number(v, 3)}", n) for n, v in self.pilot.parameters.items()]
        self._parameter = widgets.Dropdown(options=options, value=shape, description="Make more certain:", **FIELD)
        self._minutes = widgets.BoundedFloatText(minutes, min=1, max=600, step=1, description="Minutes left:", **FIELD)
        self._reset = widgets.BoundedFloatText(
            reset_s, min=0, max=3600, step=5, description="Seconds between runs:", **FIELD
        )
        choices = [("none", "")] + [(case_of(self.x, value), value) for value in self._candidates]
        self._reference = widgets.Dropdown(options=choices, value="", description="Reference runs:", **FIELD)
        self._plot, self._say = PlotView(name="this plan"), Status()
        self._counts, self._sheet = widgets.HTML(), widgets.HTML()
        self._draw = widgets.VBox(
            [
                heading("In which order?"),
                note("Three reference runs, at start, middle and end, show whether the apparatus changes meanwhile."),
                action("Draw the order", lambda: attempt(self._say, self.draw)),
            ]
        )

    def _replan(self) -> None:
        self._forget_order()
        try:
            plan = width_against_minutes(
                self.pilot,
                self._candidates,
                self._parameter.value,
                self._minutes.value,
                reset_s=self._reset.value,
                run_s=self._run_s,
            )
        except KitError as error:
            self._say.error(error)
            return
        self.set_trait("plan", plan)
        shown = plan.assign(
            x=[case_of(self.x, value) for value in plan["x"]],
            minutes=plan["minutes"].map("{:.1f}".format),
            half_width=[number(v, 3) for v in plan["half_width"]],
        )[["trials", "x", "minutes", "half_width"]]
        shown.columns = ["run", axis_title(self.x), "minutes by then", "± by then"]
        words = describe_plan(plan, self.pilot)
        self._plot.show(plan_figure(plan, self.pilot), words, shown)
        counts = Counter(plan["x"])
        table = pd.DataFrame(
            {
                axis_title(self.x): [case_of(self.x, v) for v in sorted(counts)],
                "runs": [counts[v] for v in sorted(counts)],
            }
        )
        self._counts.value = html_table(table, "Further runs at each condition") if counts else ""
        self._say.say(words, self._warning(counts))

    def _warning(self, counts: Counter) -> str:
        """A best plan trusts the curve: it leaves out the conditions that would show that it bends."""
        left_out = [value for value in self._candidates if value not in {*counts, *self.pilot.x}]
        rarely = [value for value in self._candidates if value not in counts]
        if left_out:
            names = join_words([f"{v:g}" for v in left_out])
            return f"This holds if the curve holds. Nothing tests it at {names}: keep a run for that."
        if rarely:
            return "This holds if the curve holds. One or two runs elsewhere keep testing that."
        return "This holds if the curve holds and the runs spread as they did."

    def _forget_order(self) -> None:
        self.set_trait("order", None)
        self._sheet.value = ""


def order_html(order: pd.DataFrame, x: str, cautions: Sequence[str] = ()) -> str:
    """An order of runs as a table, with a link that saves the sheet to print."""
    shown = order.assign(
        x=[value if isinstance(value, str) else case_of(x, value) for value in order["x"]],
        role=["reference: the same at start, middle and end" if r == "reference" else "" for r in order["role"]],
    )
    shown = shown[["order", "x", "trial", "role"]].rename(columns={"order": "run", "x": axis_title(x), "role": "note"})
    if not (order["role"] == "reference").any():
        shown = shown.drop(columns="note")
    sheet = run_sheet_html(order, x, cautions=cautions).encode()
    link = download_link("run_sheet.html", sheet, "text/html", "Save the sheet to print it")
    why = "Run in this order. It was drawn by lot, so that a slow drift cannot look like an effect."
    return f"<p>{why}</p>{html_table(shown)}<p>{link}</p>"


# --- a claim of the group's own ------------------------------------------------------------------------------------

#: The parts of a plan and how each is asked for.
PLAN = {
    "claim": "Your claim: one sentence that a measurement could speak against.",
    "changed": "What do you change? Name two settings.",
    "held": "What do you hold the same, and how?",
    "against": "What would you have to see to give the claim up?",
}

_ORDER, _KIND = Kind.RUN_ORDER.of(OWN), Kind.CLAIM.of(OWN)

_MOST_TRIALS = 12


class OwnClaimCard(KitBox):
    """Plan a claim of one's own: what is claimed, changed, held, what would speak against it, how many trials.

    Parameters
    ----------
    workbook, stage : where the plan goes, as an entry of kind `claim:own`; the drawn order as `run_order:own`.
    spread : gives that of single trials of this apparatus so far, as a fraction, NaN if it is not known. It is called
        when the group asks how many trials are enough.
    cautions : sentences for the printed sheet.
    seed : makes the drawn order repeatable; None draws afresh.

    `order` is the drawn order (None until there is one).
    """

    order = t.Instance(pd.DataFrame, allow_none=True, read_only=True)

    def __init__(
        self,
        workbook: Workbook,
        stage: str = "investigate",
        spread: Callable[[], float] = lambda: float("nan"),
        cautions: Sequence[str] = (),
        seed: int | None = None,
    ):
        super().__init__()
        self.workbook, self.stage = workbook, stage
        self._spread, self._cautions, self._seed = spread, tuple(cautions), seed
        self.message = Status()
        saved = workbook.latest(_KIND, {})
        self.boxes = {part: text_area(ask, saved.get(part, "")) for part, ask in PLAN.items()}
        for part, box in self.boxes.items():
            keep_drafts(box, workbook, stage, Kind.DRAFT.of(_KIND, part), self.message, saved_as=_KIND)
        self.settings = tuple(
            widgets.Text(value=saved.get(name, ""), description=words, **FIELD)
            for name, words in (("first", "First setting:"), ("second", "Second setting:"))
        )
        self.matters = widgets.BoundedFloatText(
            float(saved.get("matters_percent", 5)),
            min=0.1,
            max=100,
            step=1,
            description="A difference would matter from (%):",
            **FIELD,
        )
        self.trials = widgets.BoundedIntText(
            int(saved.get("trials", 4)), min=1, max=_MOST_TRIALS, description="Trials of each setting:", **FIELD
        )
        self._enough, self._sheet = Status(), widgets.HTML()
        self.save_button = action("Save my plan", self._save)
        self.draw_button = action("Draw the order of my runs", self._draw)
        self.how_many_button = action("How many are enough?", lambda: attempt(self._enough, self._say_how_many))
        self.matters.observe(lambda _: self._enough.text and attempt(self._enough, self._say_how_many), "value")
        self.children = (
            *(self.boxes[part] for part in ("claim", "changed")),
            row_of(*self.settings),
            *(self.boxes[part] for part in ("held", "against")),
            heading("How many trials?"),
            row_of(self.matters, self.trials, self.how_many_button),
            self._enough,
            row_of(self.save_button, self.draw_button),
            self.message,
            note("Draw the order once you know your two settings. You can print it as a sheet to write on."),
            self._sheet,
        )
        kept = workbook.latest(_ORDER)
        if kept:
            self._show_order(pd.DataFrame(kept))

    def _save(self) -> bool:
        written = {part: box.value.strip() for part, box in self.boxes.items()}
        if not written["claim"]:
            self.message.error("Not saved yet: write down your claim first.")
            return False
        plan = written | {
            "first": self.settings[0].value.strip(),
            "second": self.settings[1].value.strip(),
            "matters_percent": f"{self.matters.value:g}",
            "trials": str(self.trials.value),
        }
        if not save_entries(self.message, self.workbook, self.stage, {_KIND: plan}):
            return False
        empty = [part for part, text in written.items() if not text]
        self.message.say("Saved." + (f" Still empty: {', '.join(empty)}." if empty else ""))
        return True

    def _draw(self) -> None:
        names = [field.value.strip() for field in self.settings]
        if not all(names) or names[0] == names[1]:
            self.message.error("There is no order yet: name two different settings first.")
            return
        if not self._save():
            return
        try:
            order = run_order([name for name in names for _ in range(self.trials.value)], seed=self._seed)
        except KitError as error:
            self.message.error(error)
            return
        if save_entries(self.message, self.workbook, self.stage, {_ORDER: table_rows(order)}):
            self._show_order(order)
            self.message.say(f"Saved: {count_of(len(order), 'run')} in an order drawn by lot.")

    def _show_order(self, order: pd.DataFrame) -> None:
        self.set_trait("order", order)
        self._sheet.value = order_html(order, "setting", self._cautions)

    def _say_how_many(self) -> None:
        found = self._spread()
        if not found > 0:
            self._enough.say("The spread of single trials is not known yet: make three trials and look.")
            return
        spread = f"Single trials of your runs have a spread of {percent(found)}."
        enough = trials_for(self.matters.value / 100, found, most=_MOST_TRIALS)
        if enough is None:
            self._enough.say(spread, f"Even {_MOST_TRIALS} trials of each setting would often miss such a difference.")
        else:
            self._enough.say(spread, f"{count_of(enough, 'trial')} of each setting find it 8 times in 10.")


_NO_PART = "no part in this"


class OwnClaimTest(KitBox):
    """Hold a claim of the group's own against the runs it made for it, however these were timed.

    Parameters
    ----------
    progress : where the group stands; its plan (`claim:own`) names the two settings, its own runs are offered.
    stage : under which it is kept: which run had which setting as `claim_runs:own`, the test as `claim_test:own`.

    `fields` are the choices, one a run, by run; `test` is the `KeptClaim`, None until it is asked for. `look()` takes
    in what has been planned and made since, also on another page.
    """

    def __init__(self, progress: Progress, stage: str = "investigate"):
        self.progress, self.stage = progress, stage
        self.fields: dict[str, widgets.Dropdown] = {}
        self.test: KeptClaim | None = None
        self.message, self._list, self._below = Status(), widgets.VBox(), KitBox([])
        names = [(quantity.title.capitalize(), name) for name, quantity in QUANTITIES.items()]
        self.quantity = widgets.Dropdown(options=names, description="What do you compare?", **FIELD)
        self.test_button = action("Test my claim with these runs", self._test)
        self.look_button = action("Look for new runs", self.look)
        super().__init__(
            [self._list, self.quantity, row_of(self.test_button, self.look_button), self.message, self._below]
        )
        self.look()
        if self._runs.said:
            self._test()  # what was put down comes back

    def look(self) -> None:
        """Offer the runs there are now, each with the setting it was said, or seems, to have had."""
        self._runs = runs = OwnClaimRuns(self.progress)
        lacking = self._lacking()
        for part in (self._list, self.quantity, self.test_button):
            part.layout.display = "none" if lacking else ""
        self.message.say(lacking)
        if lacking:
            return
        self.quantity.value = runs.quantity
        options = [(_NO_PART, ""), *((setting, setting) for setting in runs.settings)]
        self.fields = {}
        for place, run in enumerate(runs.runs, 1):
            words = f"Run {place}: {run_name(run)}, {ORIGINS[run.origin]}"
            label = runs.labels.get(run.source, "")
            label = label if label in runs.settings else ""
            self.fields[run.source] = widgets.Dropdown(options=options, value=label, description=words, **FIELD)
        self._list.children = (note("Which setting did each run have?"), *self.fields.values())

    def _lacking(self) -> str:
        first, second = self._runs.settings
        if not self._runs.statement:
            return "First write your claim above, and save your plan."
        if not first or not second or first == second:
            return "First name your two settings above, and save your plan."
        if not self._runs.runs:
            return "You have no runs of your own yet. Make them on the page for your own runs, then look again."
        return ""

    def _test(self) -> None:
        self.test = None
        self._below.children = ()
        attempt(self.message, self._tested)

    def _tested(self) -> str:
        self._runs.say(self.stage, {source: field.value for source, field in self.fields.items()}, self.quantity.value)
        self.test = KeptClaim(self._runs, self.progress.workbook, self.stage)
        self._below.children = (self.test,)
        return "Saved."


# --- in a lesson ---------------------------------------------------------------------------------------------------


def lesson_planner(progress: Progress, stage: str) -> KitBox:
    """`TrialPlanner` for the best curve of a group's coasting times; its last order is kept and comes back."""
    lesson, workbook, say = progress.lesson, progress.workbook, Status()
    try:
        trends = progress.trends("duration_s")
        if not trends:
            return KitBox([note("No curve fits your runs yet, so there is nothing to plan with.")])
        planner = TrialPlanner(trends[0], lesson.x, lesson.values, cautions=lesson.safety)
    except KitError as error:
        return KitBox([note(str(error))])
    kept = workbook.latest(Kind.RUN_PLAN)
    if kept:
        planner.set_up(kept["settings"])
        planner.show_order(pd.DataFrame(kept["order"]))

    def save(change) -> None:
        if change["new"] is not None:
            entry = {"settings": planner.settings, "order": table_rows(change["new"])}
            if save_entries(say, workbook, stage, {Kind.RUN_PLAN: entry}):
                say.say(f"Saved: {count_of(len(change['new']), 'run')} in an order drawn by lot.")

    planner.observe(save, "order")
    return KitBox([planner, say])
