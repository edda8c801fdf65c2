"""What waits for what: data for the predictions a lesson wants sealed first, a question for another one, a text for
what the group writes itself.

One mechanism for all: a `Gate` knows what is still missing, by the workbook on the disk, so that what is sealed on one
page opens the next one. A teacher can lift it, and that is recorded. So is the moment at which data were shown first
(entries of the kind `shown`): whether a prediction was sealed before can be read from the order of the entries.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import NamedTuple

from ..errors import KitError
from ..record.entries import Kind, Moment
from ..record.workbook import Workbook
from .lesson import STAGES, Lesson, Question
from .paths import DAY, ONE

__all__ = ["Gate", "Wanted", "asked_before", "data_gate", "left_for_later", "question_gate", "run_gate", "text_gate"]

EVERYTHING = "everything"  # what a teacher lifts for a group, beside one part of it

# Only data lead to these entries. A workbook from before `shown` was recorded holds them where data were shown.
_LED_TO_BY_DATA = (Kind.THRESHOLD, Kind.REFUSED_REPAIRS, Kind.SET_ASIDE, Kind.COMPARISON, Kind.SAME_THING)


class Wanted(NamedTuple):
    """An entry that must be there first: its kind, its words, whether it must be sealed, of which moment it must be."""

    kind: str
    words: str
    sealed: bool = True
    moment: str = ""


@dataclass(frozen=True)
class Gate:
    """What must be in the workbook before one part of a lesson shows. Made by the functions below.

    `what` is how the workbook calls the part; `shows_data` says whether its opening is recorded. A gate that is
    `lifted_for_all` by the lesson holds nothing back.
    """

    workbook: Workbook
    stage: str
    what: str
    wanted: tuple[Wanted, ...]
    shows_data: bool = False
    lifted_for_all: bool = False

    def missing(self) -> tuple[Wanted, ...]:
        """What is still missing. Nothing, where it was lifted, and for what was shown before: that stays."""
        missing = () if self.lifted_for_all else self._not_there()
        return () if not missing or self._lifted() or self._shown_before() else missing

    def lift(self, everything: bool = False) -> None:
        """Open it without what is missing, because a teacher says so; recorded with the time.

        Parameters
        ----------
        everything : open all that waits, in all stages, for this group.

        Raises
        ------
        KitError : the workbook cannot be written to.
        """
        missing = [wanted.kind for wanted in self._not_there()]
        value = {"what": EVERYTHING if everything else self.what, "missing": missing}
        self.workbook.add(self.stage, Kind.LIFTED, value)

    def passed(self) -> None:
        """Record that data are shown now, once for each part, and what was not sealed by then."""
        kind = Kind.SHOWN.of(self.what)
        if self.shows_data and self.wanted and not self.workbook.history(kind):
            missing = [wanted.kind for wanted in self._not_there()]
            with contextlib.suppress(KitError):  # a workbook that can't be written to hides no data
                self.workbook.add(self.stage, kind, {"missing": missing})

    def _not_there(self) -> tuple[Wanted, ...]:
        saved = self.workbook.entries
        sealed, there = {e.kind for e in saved if e.sealed}, {e.kind for e in saved}
        later = {(e.kind, e.value.get("moment")) for e in saved if isinstance(e.value, dict)}

        def is_there(wanted: Wanted) -> bool:
            if wanted.moment:
                return (wanted.kind, wanted.moment) in later
            return wanted.kind in (sealed if wanted.sealed else there)

        return tuple(wanted for wanted in self.wanted if not is_there(wanted))

    def _lifted(self) -> bool:
        lifted = [entry.value for entry in self.workbook.history(Kind.LIFTED)]
        return any(isinstance(value, dict) and value.get("what") in (EVERYTHING, self.what) for value in lifted)

    def _shown_before(self) -> bool:
        kinds = [entry.kind for entry in self.workbook.entries] if self.shows_data else []
        if Kind.SHOWN.of(self.what) in kinds:
            return True
        _, _, claim = self.what.partition(":")
        if claim:
            return any(kind.partition("@")[0] == Kind.CLAIM_TEST.of(claim) for kind in kinds)
        return not any(Kind.SHOWN.covers(kind) for kind in kinds) and any(kind in _LED_TO_BY_DATA for kind in kinds)


def asked_before(lesson: Lesson, stage: str) -> tuple[Question, ...]:
    """The questions to seal before the data of a stage show: those that say so by `before`, and by default all of
    the stage itself and of the stages before it. A question that a claim asks first waits for that claim alone, and
    one that the lesson's path leaves to "go further" is not waited for.
    """
    at_a_claim = {claim.ask_first for claim in lesson.claims}
    left = left_for_later(lesson)
    found = []
    for question in lesson.questions:
        if question in left:
            continue
        if not question.before and question.stage == "investigate" and question.id in at_a_claim:
            continue
        if STAGES.index(question.before or question.stage) <= STAGES.index(stage):
            found.append(question)
    return tuple(found)


def left_for_later(lesson: Lesson) -> tuple[Question, ...]:
    """The questions of the first stage that there is no time for on the lesson's path: all after its first one, but for
    those that say themselves `before` which data they come.
    """
    if lesson.path not in (DAY, ONE):
        return ()
    return tuple(question for question in lesson.asked("predict")[1:] if not question.before)


def run_gate(lesson: Lesson, workbook: Workbook, question: Question) -> Gate:
    """The gate before the one run that is shown on the path of ten minutes: until the group has answered again."""
    first, kind = _sealed(question, question.stage), Kind.PREDICTION.of(question.id)
    again = Wanted(kind, "your answer after the discussion.", moment=Moment.DISCUSSED.value)
    what = f"{question.stage}:one run:{question.id}"
    return Gate(workbook, question.stage, what, (first, again), True, not lesson.wait_for_predictions)


def data_gate(lesson: Lesson, workbook: Workbook, stage: str, claim_id: str = "") -> Gate:
    """The gate before the data of a stage, or before those of one of its claims.

    Raises
    ------
    KitError : the lesson has no such claim.
    """
    asked = asked_before(lesson, stage)
    first = lesson.claim(claim_id).ask_first if claim_id else ""
    if first and first not in [question.id for question in asked]:
        asked = (*asked, lesson.ask(first))
    wanted = tuple(_sealed(question, stage) for question in asked)
    what = f"{stage}:{claim_id}" if claim_id else stage
    return Gate(workbook, stage, what, wanted, shows_data=True, lifted_for_all=not lesson.wait_for_predictions)


def question_gate(lesson: Lesson, workbook: Workbook, question: Question, stage: str) -> Gate:
    """The gate before a question that gives away the answer to another one."""
    wanted = (_sealed(lesson.ask(question.after), stage),) if question.after else ()
    what = Kind.PREDICTION.of(question.id)
    return Gate(workbook, stage, what, wanted, lifted_for_all=not lesson.wait_for_predictions)


def text_gate(lesson: Lesson, workbook: Workbook, stage: str) -> Gate:
    """The gate before a text that gives a cause: first the group writes what it thinks."""
    wanted = (
        Wanted(Kind.OBSERVATION.of("cause"), "your own idea of the cause: write it above and save it.", sealed=False),
    )
    return Gate(workbook, stage, f"{stage}:text", wanted, lifted_for_all=not lesson.wait_for_predictions)


def _sealed(question: Question, stage: str) -> Wanted:
    where = "on this page" if question.stage == stage else f"in stage {STAGES.index(question.stage) + 1}"
    return Wanted(Kind.PREDICTION.of(question.id), f"your sealed answer {where}: “{question.text}”")
