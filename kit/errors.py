"""How the kit says that something is wrong: where, what was found, what to do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path, PurePath

__all__ = ["AmbiguousLog", "KitError", "NewerKit"]


class KitError(Exception):
    """Bad input, worded for the person who can mend it.

    Parameters
    ----------
    problem : what is wrong, in a short sentence.
    file, row, column : where. Rows are counted from 1 as a text editor or a
        spreadsheet counts them; a column is its name, or its number from 1.
    found : what stood there, shown as it was (cut at 60 characters).
    fix : what to do, in a short sentence.

    Every part is kept as an attribute, so that a widget can lay it out.

    >>> import kit
    >>> print(kit.KitError("This is no number of flags", file="runs.csv", row=3, found="two", fix="write 2"))
    runs.csv, row 3: This is no number of flags. Found: 'two'. What to do: write 2.
    """

    def __init__(
        self,
        problem: str,
        *,
        file: str | Path | None = None,
        row: int | None = None,
        column: str | int | None = None,
        found: object = None,
        fix: str | None = None,
    ):
        self.problem, self.fix, self.found = problem, fix, found
        self.file = None if file is None else str(file)
        self.row, self.column = row, column
        super().__init__(self._sentence(self.file, self.fix))

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows in place of a traceback: the sentence is for the reader, the code lines are not."""
        return [self._sentence(PurePath(self.file).name if self.file else "", self.fix)]

    def on_page(self) -> str:
        """The sentence for a page: a file by its name alone, not where it lies on the server; fields, not arguments.

        >>> import kit
        >>> error = kit.KitError("It is unclear", file="/srv/class/a.csv", fix="say unit= or content='times'")
        >>> print(error.on_page())
        a.csv: It is unclear. What to do: choose the unit of the times or what the numbers are.
        """
        return self._sentence(PurePath(self.file).name if self.file else "", self._fix_on_page())

    def _sentence(self, file: str | None, fix: str | None) -> str:
        place = [file] if file else []
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {self.column}")
        parts = [(", ".join(place) + ": " if place else "") + _closed(self.problem)]
        if self.found is not None:
            shown = self.found if isinstance(self.found, str) else repr(self.found)
            if len(shown) > 60:
                shown = shown[:57] + "..."
            parts.append(f"Found: {shown!r}." if isinstance(self.found, str) else f"Found: {shown}.")
        if fix:
            parts.append(f"What to do: {_closed(fix)}")
        return " ".join(parts)

    def _fix_on_page(self) -> str:
        """What to do, with the names of fields for the names of parameters."""
        return _ARGUMENT.sub(lambda said: ("choose " if said[1] else "") + _FIELDS[said[2]], self.fix or "")


class AmbiguousLog(KitError):
    """A log that can be read in several ways, or that lacks something: a question, with its answers.

    Parameters
    ----------
    problem, file, row, column, found : as for `KitError`.
    options : answers in words, each with the parameters of `kit.read_log` that say it; a value of None is one to fill
        in, such as how many counts make a turn.

    >>> from kit.errors import AmbiguousLog
    >>> error = AmbiguousLog("What do the numbers mean?", options={"periods": {"content": "periods"}})
    >>> print(error)
    What do the numbers mean? What to do: say content='periods' (periods).
    """

    def _fix_on_page(self) -> str:
        return "choose an answer: " + ", or ".join(self.options)

    def __init__(
        self,
        problem: str,
        *,
        options: Mapping[str, Mapping[str, object]],
        file: str | Path | None = None,
        row: int | None = None,
        column: str | int | None = None,
        found: object = None,
    ):
        self.options = {words: dict(how) for words, how in options.items()}
        ways = [
            ", ".join(f"{name}=" + ("…" if value is None else repr(value)) for name, value in how.items())
            + f" ({words})"
            for words, how in self.options.items()
        ]
        super().__init__(problem, file=file, row=row, column=column, found=found, fix="say " + " or ".join(ways))


class NewerKit(KitError):
    """A workbook or hand-in that a later version of the kit wrote. Whoever meets one keeps it as it is.

    Parameters
    ----------
    what : what was written, such as "hand-in".
    file, found : as for `KitError`.

    >>> from kit.errors import NewerKit
    >>> print(NewerKit("hand-in", file="group.json"))
    group.json: A newer version of the kit made this hand-in. What to do: open it with that version, or a later one.
    """

    def __init__(self, what: str, *, file: str | Path | None = None, found: object = None):
        self.what = what
        super().__init__(
            f"A newer version of the kit made this {what}",
            file=file,
            found=found,
            fix="open it with that version, or a later one",
        )


# Parameters of `read_log` as a fix names them, and what they are called where somebody chooses instead of typing code.
_FIELDS = {
    "unit": "the unit of the times",
    "content": "what the numbers are",
    "time_column": "the column of times",
    "state_column": "the column of beam states",
    "value_column": "the column that counts",
    "delimiter": "what stands between the columns",
    "decimal": "the decimal sign",
    "flags_per_turn": "the flags that pass in one turn",
    "counts_per_turn": "the counts in one turn",
}
_ARGUMENT = re.compile(rf"(say |name it with )?\b({'|'.join(_FIELDS)})=(?:'[^']*')?")


def _closed(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?", "!")) else sentence + "."
