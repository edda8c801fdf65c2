"""Once by eye: choose the first pass of a real log from which you would count, then see what the choice does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import anywidget
import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..classroom.handins import class_first_passes
from ..errors import KitError
from ..lessons.by_hand import LOOKED, MEMBERS, clicks_of
from ..lessons.progress import Progress
from ..motion.by_eye import ROWS_AFTER, StartsByEye, log_by_pass, run_for_the_eye, starts_by_eye
from ..motion.speed import SpeedCurve
from ..record.entries import Kind
from ..record.workbook import Workbook
from ..wording import case_of, count_of, join_words
from .cards import save_entries
from .parts import KitBox, Status, action, attempt, choice_of, front_end, html_table, note, row_of

__all__ = ["ByEye", "effects_table", "lesson_by_eye"]

#: Called with the run's file, the turn period (s) and the number of passes; returns the class's first passes.
ClassClicks = Callable[[str, float, int], list[int]]


class _Log(anywidget.AnyWidget):
    """The table. The page tells which pass is picked; what stands beside the rows comes from Python."""

    _esm = front_end("make.js", "page_parts.js", "by_eye.js")
    _css = front_end("parts.css", "by_eye.css")

    caption = t.Unicode().tag(sync=True)
    rows = t.List(t.Dict()).tag(sync=True)  # pass, and time and period as they are shown
    chosen = t.Int(None, allow_none=True).tag(sync=True)
    marks = t.Dict().tag(sync=True)  # pass: who starts there, once the clicks are shown
    kit_after = t.Int(None, allow_none=True).tag(sync=True)
    kit_words = t.Unicode().tag(sync=True)


class ByEye(KitBox):
    """Each member of a group clicks the first pass from which to count; then all see what the clicks do.

    Parameters
    ----------
    curve : the run that is shown.
    start_period_s, stop_period_s : the agreed turn periods; the stop is the kit's for every click.
    workbook, stage : every click is saved at once, as an entry `first_pass`.
    class_clicks : where the clicks of other groups come from, if there is such a place.

    `clicks` holds the pass of each member, `found` what they give (None until it is shown).

    Raises
    ------
    KitError : the run does not pass both turn periods.
    """

    def __init__(
        self,
        curve: SpeedCurve,
        start_period_s: float,
        stop_period_s: float | None,
        workbook: Workbook,
        stage: str,
        class_clicks: ClassClicks | None = None,
    ):
        self.curve, self.workbook, self.stage = curve, workbook, stage
        self._periods, self._class_clicks = (start_period_s, stop_period_s), class_clicks
        self.found: StartsByEye | None = None
        kit = starts_by_eye(curve, [1], start_period_s, stop_period_s)
        log = log_by_pass(curve, kit.kit_after + ROWS_AFTER)
        self._passes = len(log)
        run = ", ".join(case_of(name, value) for name, value in curve.run.conditions.items())
        self.table = _Log(
            caption=f"A gate's log: {run}, trial {curve.run.trial}",
            rows=[
                {"pass": int(row["pass"]), "time": f"{row['time_s']:.3f}", "period": _period(row["period_s"])}
                for _, row in log.iterrows()
            ],
        )
        self.member = choice_of("Who clicks now?", [(f"member {k}", k) for k in range(1, MEMBERS + 1)])
        self.say, self.effects = Status(), widgets.HTML()
        self.show_button = action("Show what our clicks do", lambda: attempt(self.say, self._look))
        super().__init__(
            [
                note(
                    f"Counting starts when one turn takes {start_period_s:g} s. Click the first pass at which you "
                    "would start. Each of you clicks once, without a look at the others."
                ),
                row_of(self.member, self.show_button),
                self.table,
                self.say,
                self.effects,
            ]
        )
        self.table.on_msg(self._asked)
        self.member.observe(lambda _: self._show_chosen(), "value")
        if self._looked():
            attempt(self.say, self._show_all)
        elif self.clicks:
            self._next_member()
            self.say.say(f"{self._who()} clicked before. The others can still click.")

    @property
    def clicks(self) -> dict[int, int]:
        """The pass of each member who clicked before the clicks were shown."""
        return clicks_of(self.workbook.entries, self.curve.run.source, self._periods[0], self._passes)

    def pick(self, chosen: int) -> None:
        """Save a click of the member whose turn it is.

        Raises
        ------
        KitError : the table has no such pass.
        """
        if not 1 <= chosen <= self._passes:
            raise KitError("The table has no such pass", found=chosen, fix=f"choose one from 1 to {self._passes}")
        member, late = self.member.value, self._looked()
        entry = {**self._what(), "pass": int(chosen), "member": member, "after_look": late}
        if not save_entries(self.say, self.workbook, self.stage, {Kind.FIRST_PASS: entry}):
            return
        self.table.chosen = int(chosen)
        if late:
            tried = starts_by_eye(self.curve, [int(chosen)], *self._periods)
            self.say.say(*tried.sentences[:2], "You had seen the clicks by now, so this one is kept apart from them.")
        else:
            self._next_member()
            self.say.say(f"Saved: member {member} starts at pass {chosen}.", "Now the next one, or show the clicks.")

    # --- from the page ---------------------------------------------------------------------------------------------

    def _asked(self, _, message: dict, __) -> None:
        chosen = message.get("pick")
        if type(chosen) is int:
            attempt(self.say, lambda: self.pick(chosen))

    def _look(self) -> None:
        if not self.clicks:
            raise KitError("Nobody has clicked yet", fix="click a row of the table first")
        if not self._looked():
            self.workbook.add(self.stage, LOOKED, self._what())
        self._show_all()

    # --- what is on the page ---------------------------------------------------------------------------------------

    def _what(self) -> dict:
        return {"source": self.curve.run.source, "start_period_s": self._periods[0]}

    def _looked(self) -> bool:
        return any(entry.value == self._what() for entry in self.workbook.history(LOOKED))

    def _who(self) -> str:
        clicked = list(self.clicks)
        return f"{'Members' if len(clicked) > 1 else 'Member'} {join_words(map(str, clicked))}"

    def _next_member(self) -> None:
        """The next one who has not clicked; nobody sees an earlier click."""
        waiting = [k for k in range(1, MEMBERS + 1) if k not in self.clicks]
        if waiting:
            self.member.value = waiting[0]
        self._show_chosen()

    def _show_chosen(self) -> None:
        self.table.chosen = None

    def _show_all(self) -> None:
        mine, others = self.clicks, self._others()
        self.found = found = starts_by_eye(self.curve, [*mine.values(), *others], *self._periods)
        self._mark(found, mine)
        self.effects.value = html_table(effects_table(found), "What each click gives for this run")
        self.show_button.layout.display = self.member.layout.display = "none"
        self.table.chosen = None
        whose = f"{count_of(len(mine), 'click')} of your group" + (
            f", {len(others)} of other groups." if others else "."
        )
        self.say.say(whose[:1].upper() + whose[1:], *found.sentences)

    def _others(self) -> list[int]:
        if self._class_clicks is None:
            return []
        try:
            return self._class_clicks(self.curve.run.source, self._periods[0], self._passes)
        except KitError:  # the class's folder may be closed to students: then the own clicks stand alone
            return []

    def _mark(self, found: StartsByEye, mine: dict[int, int]) -> None:
        """Write beside the rows who starts there, and where the kit does."""
        marks = {}
        for chosen, count in zip(found.table["pass"], found.table["chosen"], strict=True):
            members = [str(member) for member, at in mine.items() if at == chosen]
            others = int(count) - len(members)
            parts = [f"{'members' if len(members) > 1 else 'member'} {join_words(members)}"] if members else []
            parts += [count_of(others, "other", "others")] if others else []
            marks[str(chosen)] = ", ".join(parts)
        with self.table.hold_sync():
            self.table.marks, self.table.kit_after = marks, found.kit_after
            self.table.kit_words = f"The kit starts here, at {found.kit_start_s:.3f} s"


def effects_table(found: StartsByEye) -> pd.DataFrame:
    """What each chosen first pass gives, and the kit, in words: one row each, in the order of the log."""
    rows = [
        {
            "counting starts": f"at pass {row['pass']:.0f}",
            "clicks": f"{row['chosen']:.0f}",
            "coasting time (s)": f"{row['duration_s']:.2f}",
            "against the kit (s)": _signed(row["off_s"], 2),
            "turns": f"{row['turns']:.1f}",
            "against the kit (turns)": _signed(row["off_turns"], 1),
        }
        for _, row in found.table.iterrows()
    ]
    kit = {
        "counting starts": f"between pass {found.kit_after} and {found.kit_after + 1}",
        "clicks": "the kit",
        "coasting time (s)": f"{found.kit_duration_s:.2f}",
        "against the kit (s)": "0",
        "turns": f"{found.kit_turns:.1f}",
        "against the kit (turns)": "0",
    }
    before = int((found.table["pass"] <= found.kit_after).sum())
    return pd.DataFrame([*rows[:before], kit, *rows[before:]])


def _period(value: float) -> str:
    return "–" if pd.isna(value) else f"{value:.4f}"


def _signed(value: float, places: int) -> str:
    return f"{value:+.{places}f}".replace("-", "−")


# --- in a lesson ---------------------------------------------------------------------------------------------------


def lesson_by_eye(progress: Progress, stage: str, class_folder: str | Path | None = None) -> KitBox:
    """`ByEye` for a lesson's own runs and its suggested turn periods, which are the same for all groups.

    Where no run of the lesson passes both turn periods, it says so: what comes after it does not need it.
    """
    lesson = progress.lesson
    start, stop = lesson.start_period_s, lesson.stop_period_s
    try:
        curve = run_for_the_eye(progress.lesson_curves, start, stop, lesson.x, lesson.reference)
    except KitError as error:
        return KitBox([note(str(error))])

    def others(source: str, period_s: float, passes: int) -> list[int]:
        code = progress.workbook.code or ""
        return class_first_passes(class_folder or "", lesson.name, source, period_s, passes, code)

    return ByEye(curve, start, stop, progress.workbook, stage, others if class_folder else None)
