"""One thing to say about a lesson: where, what, and what to write instead."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .errors import KitError

__all__ = ["Finding"]


@dataclass(frozen=True)
class Finding:
    """A problem of a lesson, or (not `serious`) a warning.

    `file` is named as the teacher sees it, `key` is the key of a TOML file or the column of a table ("" for none),
    `fix` holds an example that would do.
    """

    file: str
    key: str
    problem: str
    fix: str = ""
    found: str = ""
    serious: bool = True

    @classmethod
    def of(cls, error: KitError, file: str = "", key: str = "", serious: bool = True) -> Finding:
        """The same as an error says."""
        found = "" if error.found is None else str(error.found)[:60]
        place = [] if error.row is None else [f"row {error.row}"]
        place += [] if error.column is None else [f"column {error.column}"]
        name = file or (Path(error.file).name if error.file else "")
        return cls(name, key or ", ".join(place), error.problem, error.fix or "", found, serious)

    @property
    def what(self) -> str:
        """What is wrong, and what was found there, in whole sentences."""
        return _closed(self.problem) + (f" Found: {self.found}." if self.found else "")

    def __str__(self) -> str:
        """The finding in one line, for a terminal."""
        place = "".join(f"{part}: " for part in (self.file, self.key) if part)
        return f"{place}{self.what}" + (f" What to do: {_closed(self.fix)}" if self.fix else "")


def _closed(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?", "!", "…")) else sentence + "."
