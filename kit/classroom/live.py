"""A class while the lesson goes on: what the teacher's page and the projector show, from the folder of hand-ins.

The teacher's page says how many have sealed, who is missing and where each group stands. The projector shows nothing
until the teacher presses *Show*, and then one part of the class overview, which follows as more hand-ins come.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from ..errors import KitError
from ..lessons.lesson import Lesson
from ..lessons.waiting import left_for_later
from ..plots.pages import templates
from ..record.entries import MOMENTS, QUANTITIES, Moment
from ..wording import count_of, number, unit_of
from . import tables
from .charts import letter
from .overview import ClassReader, Group, Overview, Show
from .receive import watch
from .sections import HERE, SECTIONS, Section, macros
from .sketches import sketches_and_data

__all__ = ["ADDRESS", "PARTS", "Chosen", "LiveClass", "standing", "summary_of"]

ADDRESS = "address"  # the part that shows the class where to send

#: What may be shown to the class: (id, title). Who handed in is for the teacher alone.
PARTS: dict[str, str] = {ADDRESS: "Where to send"} | {s.id: s.title for s in SECTIONS if s.id != "handed-in"}

_SECTIONS: Mapping[str, Section] = {section.id: section for section in SECTIONS}
MOST_SCREENS = 60


@dataclass(frozen=True)
class Chosen:
    """A part that the teacher chose, and how to show it."""

    part: str
    question: str = ""
    moment: str = Moment.FIRST
    marked: bool = False


class LiveClass:
    """A folder of hand-ins that is read again whenever it has changed.

    Parameters
    ----------
    folder : the hand-ins.
    lesson : a `Lesson` or its folder; None: `find_lesson` is asked with the name that the first hand-ins say.
    find_lesson : the folder of the lesson with a name, or None.
    groups : how many groups there are, 0 if nobody said.
    key_folder : where `teacher_key.toml` is; by default in the lesson's folder.

    `version` grows with every change of what is shown. `read` may run in another thread than the rest.
    """

    def __init__(
        self,
        folder: str | Path,
        lesson: Lesson | str | Path | None = None,
        find_lesson: Callable[[str], Path | None] = lambda name: None,
        groups: int = 0,
        key_folder: str | Path | None = None,
    ):
        self.folder, self._find_lesson, self.groups = Path(folder), find_lesson, groups
        self._key_folder = key_folder
        self._reader = ClassReader(self.folder, lesson, key_folder)
        self._seen: tuple | None = None
        self.parts: Any = templates(HERE).get_template("desk_parts.html.j2").module
        self._sections = macros()
        self.overview = self._reader.read()
        self.version = 1
        self.shown: Chosen | None = None
        self.scrolled = 0  # how far down the projector's page is, in screens
        self.read()

    def read(self) -> bool:
        """Look at the folder again; returns whether anything has changed."""
        seen = watch(self.folder)
        if seen == self._seen:
            return False
        self._seen = seen
        overview = self._reader.read()
        if self._reader.lesson is None and overview.lesson_name:
            found = self._find_lesson(overview.lesson_name)
            if found is not None:
                self._reader = ClassReader(self.folder, found, self._key_folder)
                overview = self._reader.read()
        self.overview = overview
        self.version += 1
        return True

    def show(self, chosen: Chosen | None) -> None:
        """Put a part on the projector, or (None) cover it.

        Raises
        ------
        KitError : there is no such part, question or moment.
        """
        if chosen is not None:
            self._check(chosen)
        self.shown, self.scrolled = chosen, 0
        self.version += 1

    def scroll(self, by: int) -> None:
        """Move the projector's page down (1) or up (-1) by a screen."""
        self.scrolled = min(max(self.scrolled + by, 0), MOST_SCREENS)
        self.version += 1

    def expect(self, groups: int) -> None:
        """So many groups are in the class; 0: nobody knows."""
        self.groups = groups
        self.version += 1

    def _check(self, chosen: Chosen) -> None:
        if chosen.part not in PARTS:
            raise KitError("There is no such part", found=chosen.part)
        if chosen.moment not in MOMENTS:
            raise KitError("There is no such moment", found=chosen.moment)
        if chosen.question and chosen.question not in [q.id for q in self.overview.questions]:
            raise KitError("Nobody answered this question yet", found=chosen.question)

    def html(self, chosen: Chosen, address: Mapping[str, str]) -> str:
        """One part as HTML. `address`: what its first part shows, `text` and `chart` (a QR code)."""
        if chosen.part == ADDRESS:
            return str(self.parts.address(address))
        section = _SECTIONS[chosen.part]
        overview = self.overview
        if section.per_question and not chosen.question:
            return "<p>Nobody has answered a question yet.</p>"
        show = Show(overview, chosen.question, chosen.marked and section.can_mark, chosen.moment)
        return section.html(show, self._sections)

    def choices(self) -> list[dict[str, Any]]:
        """What can be shown now, for the teacher's menus."""
        return [
            {
                "id": part,
                "title": title,
                "per_question": part in _SECTIONS and _SECTIONS[part].per_question,
                "can_mark": part in _SECTIONS and _SECTIONS[part].can_mark and bool(self.overview.supported),
                "has_moments": part == "reasons",
            }
            for part, title in PARTS.items()
        ]


# --- for the teacher alone -----------------------------------------------------------------------------------------


def standing(overview: Overview, groups: int = 0) -> dict[str, Any]:
    """Where each group stands, and who is missing at each step. `groups`: how many there are, 0 if nobody said."""
    steps = _steps(overview)
    rows = [
        {
            "code": group.code,
            "done": [does(group) for _, _, does in steps],
            "notes": _notes(group),
            "made": group.made,
        }
        for group in overview.groups
    ]
    rows.sort(key=lambda row: str(row["code"]))
    whole = max(groups, len(rows))
    counts = []
    for place, (short, words, _) in enumerate(steps):
        missing = [row["code"] for row in rows if not row["done"][place]]
        counts.append({"short": short, "words": words, "n": len(rows) - len(missing), "of": whole, "missing": missing})
    sealed = [row for row in rows if rows and all(row["done"][k] for k in range(_to_seal(overview)))]
    return {
        "sealed": len(sealed) if _to_seal(overview) else 0,
        "heard": len(rows),
        "of": whole,
        "unheard": max(whole - len(rows), 0),
        "not_sealed": [row["code"] for row in rows if row not in sealed] if _to_seal(overview) else [],
        "steps": counts,
        "rows": rows,
        "refused": [(refused.file, refused.why) for refused in overview.refused],
    }


def _to_seal(overview: Overview) -> int:
    """How many answers are to be sealed before the data: those of the first page that its path has time for."""
    later = left_for_later(overview.lesson) if overview.lesson else ()
    return len([q for q in _questions(overview) if q.stage == "predict" and q not in later])


def _questions(overview: Overview):
    """The lesson's questions, those of the first page first; without a lesson, those that somebody answered."""
    asked = overview.lesson.questions if overview.lesson else overview.questions
    seen = {answer.question for group in overview.groups for answer in group.answers}
    first = [question for question in asked if question.stage == "predict"]
    return [*first, *(question for question in asked if question.stage != "predict" and question.id in seen)]


def _steps(overview: Overview) -> list[tuple[str, str, Callable[[Group], bool]]]:
    """(short name, words, whether a group has done it), in the lesson's order."""

    def answered(question: str, moment: str) -> Callable[[Group], bool]:
        return lambda group: any(a.question == question and a.moment == moment for a in group.answers)

    asked = _questions(overview)
    names = {question.id: f"{k}" for k, question in enumerate(asked, 1)}
    steps = [(f"{names[q.id]} sealed", f"question {names[q.id]}: sealed", answered(q.id, Moment.FIRST)) for q in asked]
    steps += [
        (f"{names[q.id]} after", f"question {names[q.id]}: after the discussion", answered(q.id, Moment.DISCUSSED))
        for q in asked
        if q.stage == "predict"
    ]
    steps += [
        ("sketch", "the sketch", lambda group: bool(group.sketches)),
        ("results", "results of runs", lambda group: bool(group.runs)),
        ("explained", "the explanation", lambda group: bool(group.explanation)),
    ]
    steps += [
        (f"{names[q.id]} end", f"question {names[q.id]}: at the end", answered(q.id, Moment.END)) for q in asked[:1]
    ]
    return [*steps, ("claims", "something about a claim", lambda group: bool(group.claims))]


def _notes(group: Group) -> str:
    """What a teacher wants to know of a group besides."""
    words = []
    if group.lifted:
        words.append(f"opened by a teacher: {', '.join(dict.fromkeys(group.lifted))}")
    if group.shown:
        words.append(f"has seen data ({', '.join(dict.fromkeys(part.partition(':')[0] for part in group.shown))})")
    return "; ".join([*words, *group.warnings])


# --- one page to print -----------------------------------------------------------------------------------------------


def summary_of(overview: Overview, groups: int = 0) -> dict[str, Any]:
    """The class on one page: answers before and after, who moved, the reference condition, sketches over the data."""
    questions = []
    for question in overview.questions[:4]:
        table = {moment: tables.choices_by_confidence(overview, question.id, moment)["all"] for moment in MOMENTS}
        moved = tables.moves(overview, question.id)
        texts = {choice.id: choice.text for choice in question.choices}
        asked = [moment for moment in MOMENTS if int(table[moment].sum())]
        questions.append(
            {
                "text": question.text,
                "moments": [MOMENTS[moment] for moment in asked],
                "rows": [
                    (letter(k), texts.get(choice, choice), [int(table[moment].get(choice, 0)) for moment in asked])
                    for k, choice in enumerate([*texts, *([tables.OTHER] if _others(table) else [])])
                ],
                "moved": f"{moved.stayed} of {count_of(moved.answered, 'group')} kept the answer after the discussion."
                if moved.answered
                else "",
            }
        )
    means = {quantity: tables.reference_table(overview, quantity) for quantity in QUANTITIES}
    return {
        "questions": questions,
        "heard": count_of(max(len(overview.groups), 0), "group"),
        "of": groups,
        "reference": [_at_reference(overview, quantity, table) for quantity, table in means.items() if len(table)],
        "condition": f"{overview.lesson.x_label} = {overview.lesson.reference:g}" if overview.lesson else "",
        "sketches": sketches_and_data(Show(overview))["quantities"][:1],
        "explained": sum(bool(group.explanation) for group in overview.groups),
        "claimed": sum(len(group.claims) for group in overview.groups),
        "opened": [group.code for group in overview.groups if group.lifted],
    }


def _others(table: Mapping[str, pd.Series]) -> bool:
    return any(tables.OTHER in counts.index for counts in table.values())


def _at_reference(overview: Overview, quantity: str, table: pd.DataFrame) -> str:
    """One sentence on a quantity at the reference condition."""
    words, unit = QUANTITIES[quantity].words, unit_of(quantity)
    middle = f"{words.capitalize()}: {number(float(table['mean'].median()))} {unit}".strip()
    if len(table) < 2:
        return f"{middle} (one group)."
    spread = tables.reference_spread(overview, quantity)
    low, high = number(float(table["mean"].min())), number(float(table["mean"].max()))
    apart = f"; groups differ by {100 * spread.between:.1f} % (standard deviation)" if spread else ""
    return f"{middle}, the median of {count_of(len(table), 'group')}, from {low} to {high}{apart}."
