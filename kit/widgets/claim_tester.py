"""Hold a claim against the runs: say what you expect, shuffle the labels, see what luck alone would show.

`ClaimTester` takes any claim and table; `KeptClaim` is one of a lesson, with a workbook that remembers what was done.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from dataclasses import replace

import ipywidgets as widgets
import numpy as np
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..lessons.claim_runs import ClaimRuns, OwnClaimRuns
from ..plots.investigate import describe_worlds, effect_of, world_figure, worlds_figure, worlds_table
from ..record.entries import Kind
from ..record.workbook import Workbook
from ..stats.claims import Claim, Verdict, check_answerable, examine
from ..stats.shuffling import deal, ranks, slope
from ..wording import axis_title, case_of, count_of, name_of, number, unit_of
from .cards import save_entries
from .parts import (
    FIELD,
    Details,
    KitBox,
    PlotView,
    Status,
    action,
    attempt,
    choice_of,
    heading,
    html_table,
    note,
    row_of,
)

__all__ = ["ClaimTester", "KeptClaim"]

MOST_AT_ONCE = 1_000
VIEWS = {"measured": "the runs as measured", "last": "the last shuffled world", "all": "all worlds so far"}
ENOUGH = 100  # worlds to look at before the kit says what it counts
_MOST_WORLDS = 20_000  # are brought back when a page is opened again
_DIRECTIONS = {  # of a difference, and of a relation
    False: {"any": "is different", "more": "is more", "less": "is less"},
    True: {"any": "changes", "more": "rises", "less": "falls"},
}


class ClaimTester(KitBox):
    """A claim, the shuffled worlds that a student builds up beside the measured one, and what the data say.

    Parameters
    ----------
    claim : what is claimed, see `kit.stats.claims.Claim`. Its `expect` and `matters` are what the fields start with.
    results : a table of runs, one row a run, such as `kit.measure` makes.
    seed : makes the shuffles repeatable; None draws afresh.

    First the student says what to expect and from where on an effect would matter; "This is my claim" fixes that, and
    only then do the runs show. `claim` is the claim as fixed (None before), `worlds` the effects of the worlds shuffled
    so far, `verdict` what `kit.stats.claims.examine` found (None until it is asked for, after 100 worlds); all can be
    observed.

    Raises
    ------
    KitError : the table cannot answer this claim (see `kit.stats.claims.examine`).
    """

    claim = t.Instance(Claim, allow_none=True, read_only=True)
    worlds = t.Tuple()
    verdict = t.Instance(Verdict, allow_none=True, read_only=True)

    def __init__(self, claim: Claim, results: pd.DataFrame, seed: int | None = None):
        self._asked, self._results = claim, results
        self._last: list[np.ndarray] | None = None  # the labels of the last shuffled world
        check_answerable(claim, results)  # before anything shows
        self._examined: Verdict | None = None
        self._rng = np.random.default_rng(seed)
        self._build()
        super().__init__([heading(claim.statement), self._before, self._say, self._after])

    # --- for code and for buttons alike ---------------------------------------------------------------------------

    def fix(self, expect: str | None = None, matters: float | None = None) -> None:
        """Put the claim down: what is expected ("any", "more", "less") and from where on an effect would matter.

        Raises KitError if it is put down already.
        """
        if self.claim is not None:
            raise KitError("This claim is already put down", fix="open a new one to claim something else")
        claim = replace(
            self._asked, expect=expect or self._expect.value, matters=matters or self._matters.value or None
        )
        self._examined = examine(claim, self._results)
        self._expect.value, self._matters.value = claim.expect, claim.matters or 0.0
        self._before.children = (note(self._claimed(claim)),)
        self._after.layout.display = ""
        self.set_trait("claim", claim)
        self._show_world(None)
        self._show_pile()
        self._say.say("Your claim is put down. These are your runs.", self._next_step())

    def shuffle(self, times: int = 1) -> None:
        """Draw further shuffled worlds and add them to the pile; the last one is shown run by run.

        Raises KitError before the claim is put down.
        """
        if self.claim is None:
            raise KitError("First put your claim down", fix='press "This is my claim"')
        new = []
        for _ in range(times):
            self._last = deal(self._found.scores, self._rng)
            new.append(self._statistic(self._last))
        self.worlds = (*self.worlds, *new)
        self._view.value = "last" if times == 1 else "all"  # one world is looked at run by run, many are counted
        self._switch()
        self._ask.disabled = len(self.worlds) < ENOUGH
        self._say.say(describe_worlds(self._found, self.worlds), self._next_step())

    def ask(self) -> Verdict:
        """What the data say, counted over all shuffled worlds. Raises KitError before 100 worlds were looked at."""
        if len(self.worlds) < ENOUGH:
            raise KitError(f"First look at {ENOUGH} shuffled worlds", found=len(self.worlds))
        self._verdict_box.layout.display = ""
        self._table.value = html_table(_rounded(self._found), "Condition by condition")
        self._not_shown.show(self._found.not_shown)
        self._answer.say(self._found.sentence, self._found.drift.sentence)
        self.set_trait("verdict", self._found)
        return self._found

    # --- what is on the page --------------------------------------------------------------------------------------

    @property
    def _found(self) -> Verdict:
        """The claim examined: that takes time and memory, so not before the claim is put down or it is asked for."""
        self._examined = self._examined or examine(self.claim or self._asked, self._results)
        return self._examined

    @staticmethod
    def _claimed(claim: Claim) -> str:
        """The claim as it was put down, in one sentence."""
        direction = _DIRECTIONS[claim.is_relation][claim.expect]
        words = f"You claim: {_circumstance(claim)} {direction}."
        unit = "%" if claim.scale == "relative" else unit_of(claim.quantity)
        return words + (f" It would matter from {number(claim.matters, 3)} {unit} on." if claim.matters else "")

    def _build(self) -> None:
        claim = self._asked
        self._expect = choice_of(
            f"I expect: {_circumstance(claim)}",
            [
                (f"{words}{', either way' * (key == 'any')}", key)
                for key, words in _DIRECTIONS[claim.is_relation].items()
            ],
        )
        self._expect.value = claim.expect
        unit = "%" if claim.scale == "relative" else unit_of(claim.quantity)
        self._matters = widgets.BoundedFloatText(
            claim.matters or 0.0,
            min=0,
            max=1e9,
            description=f"It would matter from this much on ({unit or 'own unit'}; 0: I can't say)",
            **FIELD,
        )
        self._put_down = action("This is my claim", lambda: attempt(self._say, self.fix))
        self._before = widgets.VBox([row_of(self._expect), row_of(self._matters, self._put_down)])
        self._say, self._answer = Status(), Status()
        self._world, self._pile = PlotView(400, "this world"), PlotView(400, "all worlds so far")
        self._pile.layout.display = "none"
        self._many = widgets.BoundedIntText(1, min=1, max=MOST_AT_ONCE, description="How many more worlds?", **FIELD)
        self._deal = action("Hand the labels round", lambda: attempt(self._say, lambda: self.shuffle(self._many.value)))
        self._view = choice_of("Look at", [(words, key) for key, words in VIEWS.items()])
        self._view.observe(lambda _: self._switch(), "value")
        self._ask = action("What do the data say?", lambda: attempt(self._say, self.ask), disabled=True)
        self._table, self._not_shown = widgets.HTML(), Details(summary="What these data do not show")
        self._verdict_box = widgets.VBox([self._answer, self._table, self._not_shown])
        self._verdict_box.layout.display = "none"
        self._after = widgets.VBox(
            [
                row_of(self._many, self._deal, self._ask),
                self._view,
                self._world,
                self._pile,
                self._verdict_box,
            ]
        )
        self._after.layout.display = "none"
        self._say.say("If the labels meant nothing, they could be handed round. First say what you expect.")

    def _switch(self) -> None:
        """One picture at a time: the measured runs, the last shuffled world, or all worlds so far."""
        view = self._view.value
        self._world.layout.display = "none" if view == "all" else ""
        self._pile.layout.display = "" if view == "all" else "none"
        if view == "all":  # drawn after it is on the page: a plot made out of sight has no width
            self._show_pile()
        else:
            self._show_world(self._last if view == "last" else None)

    def _statistic(self, scores: Sequence[np.ndarray]) -> float:
        """What `kit.stats.claims.examine` counts: mean difference, or Spearman's rank correlation, of one world."""
        found = self._found
        if not found.claim.is_relation:
            return slope(scores, found.compared)
        x, y = ranks(scores), ranks(found.compared)
        spread_x, spread_y = (sum(np.sum((r - r.mean()) ** 2) for r in part) for part in (x, y))
        return slope(x, y) * float(np.sqrt(spread_x / spread_y)) if spread_y else 0.0

    def _show_world(self, scores) -> None:
        found, claim = self._found, self._found.claim
        statistic = found.shuffled.measured if scores is None else self._statistic(scores)
        kind = "the measured world" if scores is None else "this shuffled world"
        what = "rank correlation" if claim.is_relation else "difference"
        unit = "" if claim.is_relation else ("%" if claim.scale == "relative" else unit_of(claim.quantity))
        effect = float(effect_of(found, statistic))
        words = f"In {kind} the {what} is {number(effect, 3)} {unit}".rstrip() + "."
        given = found.scores if scores is None else scores
        rows = [
            (
                _case(found, i),
                case_of(claim.by, a if claim.settings is None else claim.settings[int(a)]),
                v,
            )
            for i, (part, values) in enumerate(zip(given, found.compared, strict=True))
            for a, v in zip(part, np.exp(values) if claim.scale == "relative" else values, strict=True)
        ]
        table = pd.DataFrame(rows, columns=["condition", "label", axis_title(claim.quantity)])
        self._world.show(world_figure(found, scores), words, table.round(4))

    def _show_pile(self) -> None:
        found = self._found
        table = worlds_table(found, self.worlds)
        self._pile.show(worlds_figure(found, self.worlds), describe_worlds(found, self.worlds), table)

    def _next_step(self) -> str:
        left = ENOUGH - len(self.worlds)
        if left > 0:
            return f"Look at {count_of(left, 'more world', 'more worlds')}, then ask what the data say."
        return "You can now ask what the data say."


def _circumstance(claim: Claim) -> str:
    about = name_of(claim.quantity)
    if claim.settings is None:
        return f"as {name_of(claim.by)} rises, {about}"
    first, second = (case_of(claim.by, setting) for setting in claim.settings)
    return f"with {second} instead of {first}, {about}"


def _case(found: Verdict, i: int) -> str:
    row = found.table.iloc[i]
    return ", ".join(case_of(name, row[name]) for name in found.claim.within) or "all runs"


def _rounded(found: Verdict) -> pd.DataFrame:
    """The verdict's table with headings in words and numbers in three digits."""
    unit = unit_of(found.claim.quantity)
    heads = {
        "n": "runs",
        "slope": f"change for each step of 1 ({unit})" if unit else "change for each step of 1",
        "rank_correlation": "rank correlation",
        "n_first": "runs, first",
        "n_second": "runs, second",
        "mean_first": f"average, first ({unit})" if unit else "average, first",
        "mean_second": f"average, second ({unit})" if unit else "average, second",
        "difference": f"difference ({unit})" if unit else "difference",
        "difference_u": "its uncertainty",
        "per_cent": "per cent",
        "t_prime": "t′",
        "band": "by itself",
    }
    if found.claim.settings is not None:
        for place, setting in zip(("first", "second"), found.claim.settings, strict=True):
            words = case_of(found.claim.by, setting)
            heads = {key: text.replace(f", {place}", f", {words}") for key, text in heads.items()}
    table = found.table.copy()
    for name in found.claim.within:
        table[name] = [value if isinstance(value, str) else f"{value:g}" for value in table[name]]
    for name in table.columns:
        if name == "band":
            table[name] = table[name].str.partition(":")[0]  # what to do next stands in the sentences
        if name.startswith("n") or name in found.claim.within or name == "band":
            continue
        table[name] = [number(v, 3) for v in table[name]]
    return table.rename(columns={name: axis_title(name) for name in found.claim.within} | heads)


class KeptClaim(KitBox):
    """A claim of a lesson put to the test, for a group: what it put down and looked at is saved, and comes back.

    Parameters
    ----------
    runs : the claim's runs.
    workbook, stage : where it is kept, as entries of kind `claim_test:<claim>`, or `claim_test:<claim>@<at>`.
    at : only under this one condition of what the claim holds fixed.
    on_kept : called after each entry.

    `tester` is the `ClaimTester` on the page.

    Raises
    ------
    KitError : no run was made at `at`, or the runs cannot answer this claim.
    """

    def __init__(
        self,
        runs: ClaimRuns | OwnClaimRuns,
        workbook: Workbook,
        stage: str,
        at: float | None = None,
        on_kept: Callable[[], object] = lambda: None,
    ):
        self.workbook, self.stage, self._on_kept = workbook, stage, on_kept
        self.kind = Kind.CLAIM_TEST.of(runs.claim_id if at is None else f"{runs.claim_id}@{at:g}")
        tests = [entry.value for entry in workbook.history(self.kind) if entry.n > runs.since]
        kept = tests[-1] if tests else None
        self._seed = kept["seed"] if kept else secrets.randbelow(2**31)  # kept, so that the same worlds come back
        self.tester, self._kept_words = ClaimTester(runs.claim(), runs.table(at), seed=self._seed), Status()
        super().__init__([note(runs.described(at)), self.tester, self._kept_words])
        if kept:
            self.tester.fix(kept["expect"], kept["matters"])
            if kept["worlds"]:
                self.tester.shuffle(min(kept["worlds"], _MOST_WORLDS))
            if kept["grade"]:
                self.tester.ask()
        self.tester.observe(lambda _: self._save(), ["claim", "worlds", "verdict"])

    def _save(self) -> None:
        claim, verdict = self.tester.claim, self.tester.verdict
        if claim is None:
            return
        entry = {
            "expect": claim.expect,
            "matters": claim.matters,
            "seed": self._seed,
            "worlds": len(self.tester.worlds),
            "grade": verdict.grade if verdict else "",
            "sentence": verdict.sentence if verdict else "",
        }
        if entry != self.workbook.latest(self.kind) and save_entries(
            self._kept_words, self.workbook, self.stage, {self.kind: entry}
        ):
            self._kept_words.say("Saved." if verdict else "Saved: your claim stands as you put it down.")
            self._on_kept()
