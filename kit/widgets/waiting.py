"""A place on the page that waits: it says what is missing, and opens by itself once that is in the workbook."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import ipywidgets as widgets

from ..errors import KitError
from ..lessons.waiting import Gate, Wanted
from .parts import KitBox, Status, action, attempt, note, row_of

__all__ = ["LOOK_EVERY_S", "OnRequest", "Waiting", "when_open"]

LOOK_EVERY_S = 1.0  # how often a waiting place that is on the page looks whether the workbook has changed


def when_open(gate: Gate, build: Callable[[], widgets.Widget], may_lift: bool = True) -> widgets.Widget:
    """What `build` makes: at once where nothing is missing, else in a `Waiting`."""
    if gate.missing():
        return Waiting(gate, build, may_lift)
    made = build()
    gate.passed()
    return made


class OnRequest(KitBox):
    """A button; what `build` makes, in its place, once it is pressed. `content` is what was made, None before."""

    def __init__(self, build: Callable[[], widgets.Widget]):
        self.content: widgets.Widget | None = None
        self._build, self._say = build, Status()
        super().__init__([action("Show this part", self.ask), self._say])

    def ask(self) -> None:
        """Make it and show it, once. What can't be made says why."""
        if self.content is None:
            try:
                self.content = self._build()
            except KitError as error:
                self._say.error(error)
                return
            self.children = (self.content,)


class Waiting(KitBox):
    """What `build` makes, as soon as the gate is open; until then, what it waits for.

    Parameters
    ----------
    gate : what must be in the workbook first. Another notebook may write it there.
    may_lift : offer the teacher to open it without.

    While it is on a page and waits, it looks every second whether the file has changed; `look()` looks at once.
    `content` is what was made, None before.
    """

    def __init__(self, gate: Gate, build: Callable[[], widgets.Widget], may_lift: bool = True):
        self.gate, self._build = gate, build
        self.content: widgets.Widget | None = None
        self.waits = True
        self._task: asyncio.Task | None = None
        self._said: tuple[Wanted, ...] = ()
        self._say = Status()
        self._lifting: tuple[widgets.Widget, ...] = ()
        if may_lift:
            self._lift_button = action("My teacher opens this without an answer", self._offer_to_lift)
            self._lifting = (self._lift_button,)
        super().__init__([self._say, *self._lifting])
        self.look()
        self._view_count = 0  # from now on the page says on how many places this is shown
        self.observe(lambda _: self._watch(), "_view_count")

    def look(self) -> bool:
        """Open if nothing is missing any more; returns whether it is open."""
        if not self.waits:
            return True
        try:
            missing = self.gate.missing()
        except KitError as error:  # the workbook can't be read now: the next look may find it mended
            self._say.error(error)
            return False
        if missing:
            if missing != self._said:  # what else was said meanwhile stays
                self._said = missing
                self._say.say(*(f"This waits for {wanted.words}" for wanted in missing), "Then it opens by itself.")
            return False
        self.waits = False
        try:
            self.content = self._build()
        except KitError as error:
            self._say.error(error)
            self._show()
            return True
        self.gate.passed()
        self._say.say("Open now.")
        self._show(self.content)
        return True

    def _show(self, *below: widgets.Widget) -> None:
        self.children = (self._say, *below)

    def close(self) -> None:
        """Stop looking, too."""
        self.waits = False
        super().close()

    def _watch(self) -> None:
        """Look from time to time while it waits and is on a page."""
        if not self.waits or not self._view_count or (self._task is not None and not self._task.done()):
            return
        try:
            self._task = asyncio.get_running_loop().create_task(self._look_again())
        except RuntimeError:  # no kernel around it, so nothing that could look: whoever made it may call look()
            return

    async def _look_again(self) -> None:
        while self.waits and self._view_count and not self.look():
            await asyncio.sleep(LOOK_EVERY_S)

    # --- lifted by a teacher --------------------------------------------------------------------------------------

    def _offer_to_lift(self) -> None:
        self._show(
            note("Is your teacher with you? Your workbook notes that this was opened without an answer, and when."),
            row_of(
                action("Open this part", lambda: self._lift(everything=False)),
                action("Open all parts for this group", lambda: self._lift(everything=True)),
                action("Leave it closed", self._leave_closed),
            ),
        )

    def _lift(self, everything: bool) -> None:
        if attempt(self._say, lambda: self.gate.lift(everything)):
            self.look()

    def _leave_closed(self) -> None:
        self._show(*self._lifting)
