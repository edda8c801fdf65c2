"""What a lesson of one's own begins with: own logs, or a description of the apparatus; and the page that opens after.

Each beginning gathers runs into a folder of its own and proposes a lesson (`kit.lessons.own_logs`). Its fields have
names, so that what was entered can be kept and put back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as widgets
import traitlets as t

from ..errors import KitError
from ..lessons.cautions import BY_WHAT_IS_THERE
from ..lessons.draft import numbers_typed
from ..lessons.lesson import HAND_COUNTS, Lesson
from ..lessons.own_logs import SPINS, Gathered, gather, gather_invented, propose, table_of
from ..sources.described import bench_described
from ..wording import number_typed
from .make_runs import UNITS, keep_file
from .parts import (
    FIELD,
    Status,
    action,
    attempt,
    front_end,
    heading,
    note,
    pair_of,
    row_of,
    text_area,
    text_line,
    upload_of,
)

__all__ = ["FILES", "NoDataYet", "OpenPage", "OwnLogs", "fill"]

FILES = "files"  # where chosen files are kept, below the drafts


class OpenPage(anywidget.AnyWidget):
    """Opens a page in a new tab of the browser: `show` is given its way from the notebook that is open."""

    _esm = front_end("open_page.js")
    page = t.Unicode().tag(sync=True)

    def show(self, path: str) -> None:
        """Open it; once more each time."""
        number = int(self.page.partition("|")[2] or 0) + 1
        self.page = f"{path}|{number}"


class _Begin(widgets.VBox):
    """What both beginnings ask: what was changed, what spins, what to beware of. `on_proposed` is called when done."""

    def __init__(self, drafts: Path, on_proposed: Callable[[], None]):
        self.drafts, self._on_proposed = drafts, on_proposed
        self.gathered: Gathered | None = None
        self.proposal: tuple[Lesson, dict[str, dict]] | None = None
        self.changed = text_line("What was changed, in one word (its column), such as sponges")
        self.words = text_line("How students read it, such as number of wet sponges")
        self.unit = text_line("Its unit (empty for a plain number)")
        self.spins = widgets.Combobox(
            options=SPINS, value=SPINS[0], description="What spins", ensure_option=False, **FIELD
        )
        self.ticks = {
            name: widgets.Checkbox(value=False, indent=False, description=name, layout={"width": "auto"})
            for name in BY_WHAT_IS_THERE
        }
        self.message = Status()
        self.propose_button = action("Propose a lesson", lambda: attempt(self.message, self.propose))
        super().__init__()

    @property
    def named(self) -> dict[str, Any]:
        """Every field by its name."""
        ticks = {f"tick {name}": box for name, box in self.ticks.items()}
        return {"changed": self.changed, "words": self.words, "unit": self.unit, "spins": self.spins, **ticks}

    def _asked(self) -> list[widgets.Widget]:
        return [
            pair_of(self.changed, self.words),
            pair_of(self.unit, self.spins),
            note("Tick what is there. Each adds its cautions to every page."),
            row_of(*self.ticks.values()),
            self.propose_button,
            self.message,
        ]

    def _new_place(self) -> Path:
        """A folder that is not there yet: what was read before stays where it is."""
        number = next(n for n in range(1, 10_000) if not (self.drafts / f"runs-{n}").exists())
        return self.drafts / f"runs-{number}"

    def gather(self) -> Gathered:
        """The runs. Raises KitError as `kit.lessons.own_logs` does."""
        raise NotImplementedError

    def propose(self) -> str:
        """Make a proposal of what is known now. What was typed in the proposal before is kept."""
        gathered = self.gathered or self.gather()
        ticked = [name for name, box in self.ticks.items() if box.value]
        given = (
            self.changed.value.strip(),
            self.unit.value.strip(),
            self.words.value.strip(),
            self.spins.value.strip(),
        )
        changed, unit, words, spins = given
        self.proposal = propose(gathered, changed, unit, words, spins or SPINS[0], ticked)
        self.changed.value = self.proposal[0].x
        self.gathered = gathered  # to fill a name in is no reason to read again
        self._on_proposed()
        return "Proposed. Look it through below, and change what you like."


class OwnLogs(_Begin):
    """Own logs: a folder is named or files are chosen; what is found shows; which run is which can be mended."""

    def __init__(self, drafts: Path, on_proposed: Callable[[], None]):
        super().__init__(drafts, on_proposed)
        self.folder = text_line("Folder of your logs")
        self.upload = upload_of("Or choose files", ".csv,.tsv,.txt", self._take, multiple=True)
        self.times_in = widgets.Dropdown(
            options=list(UNITS), description="Times are in, if the logs do not say", **FIELD
        )
        self.flags = widgets.BoundedIntText(value=1, min=1, max=100, description="Flags that pass in one turn", **FIELD)
        self.read_button = action("Read them", lambda: attempt(self.message_read, self.read))
        self.message_read = Status()
        self.table = text_area("Which run is which (one log a line; mend it here, then read again)", rows=8)
        self.hand = text_area("Counts by hand, if any: value, seconds, turns; one a line", rows=2)
        self.children = (
            self.folder,
            self.upload,
            row_of(self.times_in, self.flags),
            self.read_button,
            self.message_read,
            self.table,
            self.hand,
            heading("What was changed?"),
            *self._asked(),
        )
        self._table_of = ""  # the folder that the table is about
        for field in (self.table, self.times_in, self.flags, self.folder, self.changed):
            field.observe(lambda _: self._anew(), "value")

    @property
    def named(self) -> dict[str, Any]:
        """Every field by its name."""
        own = {
            "folder": self.folder,
            "times_in": self.times_in,
            "flags": self.flags,
            "table": self.table,
            "hand": self.hand,
        }
        return {**own, **super().named}

    def _anew(self) -> None:
        self.gathered = None

    def _take(self) -> None:
        files, self.upload.value = self.upload.value, ()

        def keep_all() -> str:
            place = self.drafts / FILES
            for file in files:
                keep_file(place, file["name"], bytes(file["content"]))
            self.folder.value = str(place)
            return self.read()

        attempt(self.message_read, keep_all)

    def read(self) -> str:
        """Read the logs and say what was found. A table for the same folder stays as the teacher left it."""
        folder = self.folder.value.strip()
        if not folder:
            raise KitError("Name the folder of your logs, or choose files", fix="type, for example: ../../my_logs")
        if self._table_of != folder or not self.table.value.strip():
            self.table.value = table_of(Path(folder).expanduser(), self.changed.value.strip())
            self._table_of = folder
        self.gathered = self.gather()
        if not self.changed.value.strip() and len(self.gathered.changing) == 1:
            read, self.changed.value = self.gathered, self.gathered.changing[0]
            self.gathered = read  # the name that the logs give needs no further reading
        return "\n".join(self.gathered.sentences)

    def gather(self) -> Gathered:
        """The logs as the table lists them."""
        unit = UNITS[self.times_in.value]
        how: dict[str, Any] = {"unit": unit} if unit else {}
        if self.flags.value > 1:
            how["flags_per_turn"] = self.flags.value
        folder = Path(self.folder.value.strip()).expanduser()
        return gather(folder, self._new_place(), self.changed.value.strip(), self.table.value, how)

    def propose(self) -> str:
        """As for all; counts by hand are written beside the runs."""
        if not self.folder.value.strip():
            raise KitError("There are no runs yet", fix="name the folder of your logs and read them first")
        said = super().propose()
        lines = [line for line in self.hand.value.splitlines() if line.strip()]
        if lines and self.gathered and self.proposal:
            counts = [numbers_typed(line, "A count by hand") for line in lines]
            if any(len(count) != 3 for count in counts):
                raise KitError("A count by hand needs three numbers", fix="type, for example: 2, 25.1, 43")
            rows = [f"{self.proposal[0].x},duration_s,turns", *(",".join(f"{n:g}" for n in count) for count in counts)]
            (self.gathered.folder / HAND_COUNTS).write_text("\n".join(rows) + "\n", encoding="utf-8")
        return said

    def put_back(self, values: Mapping[str, object]) -> None:
        """Fill in what was entered before."""
        fill(self.named, values)
        self._table_of = self.folder.value.strip()


class NoDataYet(_Begin):
    """No data yet: the bench makes them from what a teacher knows, and every page says that they are invented."""

    def __init__(self, drafts: Path, on_proposed: Callable[[], None]):
        super().__init__(drafts, on_proposed)
        self.conditions = text_line("Values of what is changed", "1, 2, 3, 4, 6")
        self.speed = text_line("Turns a second when the hand lets go, about", "4.5")
        self.few = text_line("With the first value it coasts to rest in about (s)", "60")
        self.many = text_line("With the last value, in about (s)", "15")
        self.flags = widgets.BoundedIntText(value=1, min=1, max=100, description="Flags that pass in one turn", **FIELD)
        self.noise = text_line("One run differs from the next by about (%)", "3")
        self.children = (
            note(
                "The bench invents runs like those you describe. Every page says so, until your own runs replace them."
            ),
            pair_of(self.conditions, self.speed),
            pair_of(self.few, self.many),
            pair_of(self.noise, self.flags),
            *self._asked(),
        )
        for field in self.named.values():
            field.observe(lambda _: self._anew(), "value")

    @property
    def named(self) -> dict[str, Any]:
        """Every field by its name."""
        own = {"values": self.conditions, "speed": self.speed, "few": self.few, "many": self.many}
        return {**own, "flags": self.flags, "noise": self.noise, **super().named}

    def _anew(self) -> None:
        self.gathered = None

    def gather(self) -> Gathered:
        """Invented runs of the apparatus described."""
        x = self.changed.value.strip()
        if not x:
            raise KitError("Say what is changed, in one word", fix="type, for example: sponges")
        values = tuple(sorted(numbers_typed(self.conditions.value, "Values")))
        if len(values) < 2:
            raise KitError(
                "A bench needs at least two values", found=self.conditions.value, fix="type, for example: 1, 2, 4"
            )
        table = bench_described(
            number_typed(self.speed.value, "The speed", "4.5"),
            values[0],
            number_typed(self.few.value, "The time with the first value", "60"),
            values[-1],
            number_typed(self.many.value, "The time with the last value", "15"),
            scatter=number_typed(self.noise.value, "The difference from run to run", "3") / 100,
            flags=self.flags.value,
        )
        return gather_invented(self._new_place(), x, values, table)

    def put_back(self, values: Mapping[str, object]) -> None:
        """Fill in what was entered before."""
        fill(self.named, values)


def fill(named: Mapping[str, Any], values: Mapping[str, object]) -> None:
    """Set fields by their names; a value that a field no longer takes is passed over."""
    for name, value in values.items():
        if name in named:
            try:
                named[name].value = value
            except t.TraitError:
                continue
