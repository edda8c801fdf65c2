"""Your own count: a run counted by eye and watch, while a gate logs it; kept as this group's pair of two methods."""

from __future__ import annotations

from collections.abc import Callable

import anywidget
import ipywidgets as widgets
import traitlets as t

from ..errors import KitError
from ..lessons.by_hand import (
    LEFT_OUT,
    STRETCHES,
    THRESHOLDS,
    WHOLE_LOG,
    CountedPair,
    count_by_thresholds,
    count_of_taps,
    kept_pairs,
    own_agreement,
    pair_sentences,
    pairs_table,
)
from ..lessons.own_runs import ORIGINS
from ..lessons.progress import Progress
from ..logs.run import Run, with_repairs
from ..record.entries import Kind
from ..record.workbook import friendly_code
from ..sources.bench import Spin
from ..sources.push import SIMULATED, push
from ..sources.setup import BenchSetup
from ..wording import case_of, number_typed
from .bench import motion_for_page
from .parts import (
    KitBox,
    Status,
    action,
    attempt,
    choice_of,
    front_end,
    heading,
    html_table,
    note,
    pair_of,
    row_of,
    text_line,
)

__all__ = ["OwnCount"]

FIRST_NUMBER = 501  # runs pushed for counting are numbered apart from those that a group keeps
_DRAFT = Kind.DRAFT.of(Kind.OWN_COUNT)
REAL = ("gate", "file")  # origins of runs that somebody can have watched


class _Player(anywidget.AnyWidget):
    """The run on the page, the pad and the watch. `counted`: the taps of a count that is not kept yet."""

    _esm = front_end("make.js", "make_svg.js", "page_parts.js", "bench_motion.js", "bench_drawing.js", "own_count.js")
    _css = front_end("parts.css", "bench.css", "tap_along.css", "own_count.css")

    counted = t.Dict().tag(sync=True)  # {"number", "taps_s"}, in s since the push
    _setup = t.Dict().tag(sync=True)
    _spin = t.Dict().tag(sync=True)


class OwnCount(KitBox):
    """Count one run yourself, on the bench or on the real thing, and see what the gate logged meanwhile.

    Parameters
    ----------
    progress : the lesson with the group's workbook; counts are saved there as entries `own_count`.
    stage : the stage they are made in.
    on_kept : called after a count was kept or left out.

    `pairs` are the counts that are not left out, by number; `player` is the bench, None where a lesson has none.
    """

    def __init__(self, progress: Progress, stage: str, on_kept: Callable[[], object] | None = None):
        self.progress, self.workbook, self.stage = progress, progress.workbook, stage
        self._on_kept = on_kept
        self._spin: Spin | None = None
        self._pushed: dict = {}  # what makes its run again
        self.say, self.table, self.together = Status(), widgets.HTML(), Status()
        setup = progress.lesson.bench
        self.player = _Player(_setup=self._told(setup)) if setup is not None else None
        self.real = self._real_thing()
        self.which = text_line("Which count is to be left out? (number)")
        self.reason = text_line("What happened?")
        self.leave_button = action("Leave it out", lambda: attempt(self.say, self._leave_out))
        self._leave = row_of(pair_of(self.which, self.reason), self.leave_button)
        played = [self.player] if self.player is not None else []
        super().__init__([*played, self.say, self.table, self.together, self._leave, self.real])
        if self.player is not None:
            self._bring_back(self.player)
            self.player.on_msg(self._asked)
            self.player.observe(lambda _: self._keep_draft(), "counted")
        self._list()

    @property
    def pairs(self) -> dict[int, CountedPair]:
        """The counts that are not left out, by number."""
        return kept_pairs(self.workbook)

    # --- on the bench ----------------------------------------------------------------------------------------------

    def _told(self, setup: BenchSetup) -> dict:
        lesson = self.progress.lesson
        return {
            "drawing": setup.drawing,
            "label": lesson.x_label[:1].upper() + lesson.x_label[1:],
            "values": list(lesson.values),
            "reference": lesson.reference,
            "simulated": SIMULATED,
        }

    def push(self, value: float) -> None:
        """Give the bench a push at this condition; the page plays the run.

        Raises
        ------
        KitError : a condition that the bench does not have.
        """
        setup = self.progress.lesson.bench
        if setup is None or self.player is None:
            raise KitError("This lesson has no virtual bench")
        number = FIRST_NUMBER + len(self.workbook.history(Kind.OWN_COUNT))
        while self._spin is not None and number <= (self._spin.run.order or 0):  # a run that was not kept
            number += 1
        self._play({"value": float(value), "code": self.workbook.code or friendly_code(), "number": number})

    def _play(self, pushed: dict) -> None:
        """Make a run and send it to the page; the same value, code and number make the same run for ever."""
        setup = self.progress.lesson.bench
        assert setup is not None and self.player is not None
        self._spin = push(setup, pushed["value"], code=pushed["code"], number=pushed["number"])
        self._pushed = pushed
        self.player._spin = {"number": pushed["number"], **motion_for_page(self._spin, pushed["value"])}

    def _keep_draft(self) -> None:
        """Taps that are not kept yet are on the disk too, with what makes their run again."""
        counted = self.player.counted if self.player is not None else {}
        if counted.get("taps_s") and self._pushed and counted.get("number") == self._pushed["number"]:
            attempt(self.say, lambda: self._draft({**self._pushed, "taps_s": counted["taps_s"]}))
        elif not counted and self.workbook.latest(_DRAFT):
            attempt(self.say, lambda: self._draft({}))

    def _draft(self, value: dict) -> None:
        self.workbook.add(self.stage, _DRAFT, value)

    def _bring_back(self, player: _Player) -> None:
        draft = self.workbook.latest(_DRAFT)
        if draft:
            self._play({name: draft[name] for name in ("value", "code", "number")})
            player.counted = {"number": draft["number"], "taps_s": draft["taps_s"]}

    def keep(self, turns: float | None) -> CountedPair:
        """Keep the count that was tapped last, with this number of turns, and show the gate's.

        Raises
        ------
        KitError : nothing was tapped, or it is no count.
        """
        player, spin = self.player, self._spin
        counted = player.counted if player is not None else {}
        if player is None or spin is None or counted.get("number") != spin.run.order:
            raise KitError("There is no count to keep", fix="give it a push and count")
        if turns is None:
            raise KitError("Say how many turns you counted")
        run = with_repairs(spin.run)
        taps_s = [float(tap) + spin.pushed_at_s for tap in counted["taps_s"]]
        value = float(run.conditions[self.progress.x])
        pair = count_of_taps(run, value, taps_s, turns, f"bench, run {run.order}")
        self._keep(pair)
        player.counted = {}
        return pair

    def _asked(self, _, message: dict, __) -> None:
        if "push" in message:
            attempt(self.say, lambda: self.push(message["push"]))
        elif "keep" in message:
            turns = message["keep"].get("turns")
            attempt(self.say, lambda: (self.keep(turns), None)[1])

    # --- on the real thing -----------------------------------------------------------------------------------------

    def _real_thing(self) -> widgets.Widget:
        x = self.progress.x
        runs = [r for r in self.progress.own.runs if r.origin in REAL and isinstance(r.conditions.get(x), int | float)]
        if not runs:
            words = "Did you count a real run that your gate logged? Keep its log on page 2b."
            return note(f"{words} Then you can type your count here.")
        self._runs: list[Run] = runs
        options = [
            (f"{case_of(x, run.conditions[x])}, trial {run.trial}, {ORIGINS[run.origin]}", i)
            for i, run in enumerate(runs)
        ]
        self.run = widgets.Dropdown(options=options, description="Which run was it?")
        self.run.style.description_width, self.run.layout.width = "initial", "auto"
        self.stretch = choice_of("What did you count?", [(STRETCHES[s], s) for s in (THRESHOLDS, WHOLE_LOG)])
        self.turns, self.time = text_line("Turns you counted"), text_line("Time on your watch (s)")
        self.u = text_line("± (s), if you know it")
        keep = action("Keep this count", lambda: attempt(self.say, self._keep_typed))
        fields = pair_of(self.turns, self.time, self.u)
        return KitBox([heading("A real run that you counted"), self.run, self.stretch, fields, keep])

    def _keep_typed(self) -> None:
        run, (start, stop, rule) = self._runs[self.run.value], self.progress.thresholds
        turns = number_typed(self.turns.value, "The count of turns", "24")
        time_s = number_typed(self.time.value, "The time on your watch", "18.4")
        u_s = number_typed(self.u.value, "The ±", "0.3") if self.u.value.strip() else None
        x = float(run.conditions[self.progress.x])
        self._keep(count_by_thresholds(run, x, turns, time_s, u_s, start, stop, self.stretch.value, rule))
        self.turns.value = self.time.value = self.u.value = ""

    # --- what is kept ----------------------------------------------------------------------------------------------

    def _keep(self, pair: CountedPair) -> None:
        self.workbook.add(self.stage, Kind.OWN_COUNT, pair.entry())
        self._changed()
        self.say.say("Saved.", *pair_sentences(pair))

    def _leave_out(self) -> str:
        chosen, pairs = self.which.value.strip(), self.pairs
        if not chosen.isdecimal() or int(chosen) not in pairs:
            known = ", ".join(map(str, pairs)) or "none"
            raise KitError("There is no such count to leave out", found=chosen or None, fix=f"choose one of: {known}")
        if not self.reason.value.strip():
            raise KitError("Say what happened", fix="for example: I lost count when somebody spoke")
        entry = {"count": int(chosen), "reason": self.reason.value.strip()}
        self.workbook.add(self.stage, LEFT_OUT, entry)
        self.which.value = self.reason.value = ""
        self._changed()
        return f"Count {chosen} is left out. It stays in your workbook, with the reason."

    def _changed(self) -> None:
        self._list()
        if self._on_kept:
            self._on_kept()

    def _list(self) -> None:
        table = pairs_table(self.workbook, self.progress.lesson.x_label)
        self.table.value = html_table(table, "Your own counts, beside the gate's") if len(table) else ""
        found = own_agreement(self.pairs.values())
        self.together.say(f"Time, you − gate, of all your counts together: {found.sentence}" if found else "")
        self._leave.layout.display = "" if self.pairs else "none"
