"""A class: the hand-ins of all its groups, read one at a time, and of each only what the overview needs.

    overview = read_class("datasets_demo/class_handins", "datasets_demo/coasting_disc")
    overview.answers, overview.runs, overview.refused

Hand-ins are strangers' files. One that cannot be read is named in `refused`, and the others count. Texts are kept as
the groups wrote them, apart from characters that act instead of being seen; whoever shows them has to escape them.
What the numbers say is in `kit.classroom.tables`.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import isfinite, nan
from pathlib import Path

import pandas as pd

from ..errors import KitError
from ..lessons.by_hand import clicks_of
from ..lessons.lesson import STAGES, Choice, Lesson, Question, load_lesson
from ..lessons.make import find_lesson
from ..lessons.teacher_key import find_key, load_key
from ..record.entries import QUANTITIES, Band, Kind, Moment
from ..record.handin import HandIn, read_handin, shown_place
from ..stats.averages import COUNTED
from ..wording import count_of
from .handins import LET_IN, NOT_ALLOWED, ClassFile, class_files, clean_text

__all__ = ["ClassReader", "GivenAnswer", "Group", "Overview", "Refused", "Show", "read_class"]

MAX_TEXT, MAX_ID, MAX_ANSWERS, MAX_RUNS, MAX_WARNINGS = 2_000, 80, 60, 500, 20
MAX_POINTS, MAX_CLAIMS = 40, 20  # of a sketch; of a group
MAX_PASS = 10_000  # a first pass by eye beyond it is a slip
LARGEST = 1e6  # s, turns or whatever was changed: beyond it, a number is a slip or a joke
NOT_CHANGED = {"trial", "duration_s", "duration_u_s", "turns", "turns_u", "start_s", "stop_s", "more_than_s", "order"}


@dataclass(frozen=True)
class GivenAnswer:
    """One answer of one group."""

    question: str
    moment: str  # a key of MOMENTS
    choice: str
    confidence: str  # a key of BANDS, or empty
    reason: str


@dataclass(frozen=True)
class Group:
    """What the overview keeps of one hand-in."""

    file: str
    code: str  # with a number behind it where two groups chose the same
    made: str
    answers: tuple[GivenAnswer, ...]
    entries: Mapping[str, int]  # how many entries each stage has, drafts left out
    start_period_s: float  # NaN if the group chose no thresholds
    stop_period_s: float  # NaN if counting stops at the last pass
    runs: tuple[tuple[float, float, float], ...]  # what was changed, duration_s, turns (NaN if unknown)
    runs_left_out: int  # set aside by the group, or not counted
    explanation: Mapping[str, str]
    claims: tuple[tuple[str, Mapping[str, str]], ...]  # id and what was written: claim, evidence, reasoning, rebuttal
    sketches: Mapping[str, tuple[tuple[float, float], ...]]  # quantity: (what was changed, expected), as sealed first
    first_passes: tuple[tuple[str, float, int], ...]  # by eye: run, start_period_s, pass; one for each member
    sent: tuple[str, ...]  # the moments at which the group handed in, in their order
    lifted: tuple[str, ...]  # what a teacher opened without the answers it waited for
    shown: tuple[str, ...]  # parts whose data the group has seen
    notice: str
    warnings: tuple[str, ...]
    unchanged: bool  # every entry is as it was saved
    chain: tuple[str, ...] = field(repr=False)  # the entries' hashes


@dataclass(frozen=True)
class Refused:
    """A file that does not count, and why."""

    file: str
    why: str


@dataclass(frozen=True)
class Overview:
    """A class as its hand-ins show it. The tables behind it are made when they are first used."""

    source: str
    lesson: Lesson | None
    lesson_name: str
    supported: Mapping[str, str]  # question: the choice that the data support; empty without the teacher's key
    ideas: Mapping[str, Mapping[str, str]]  # question: choice: the idea behind it
    groups: tuple[Group, ...]
    refused: tuple[Refused, ...]

    @cached_property
    def answers(self) -> pd.DataFrame:
        """One row an answer: group, question, moment, choice, confidence, reason."""
        columns = ["group", "question", "moment", "choice", "confidence", "reason"]
        rows = [
            (group.code, a.question, a.moment, a.choice, a.confidence, a.reason)
            for group in self.groups
            for a in group.answers
        ]
        return pd.DataFrame(rows, columns=columns)

    @cached_property
    def runs(self) -> pd.DataFrame:
        """One row a counted run: group, x (what was changed), duration_s, turns, start_period_s, stop_period_s."""
        columns = ["group", "x", "duration_s", "turns", "start_period_s", "stop_period_s"]
        rows = [(g.code, *run, g.start_period_s, g.stop_period_s) for g in self.groups for run in g.runs]
        return pd.DataFrame(rows, columns=columns)

    @cached_property
    def questions(self) -> tuple[Question, ...]:
        """The lesson's questions that somebody answered; without a lesson, what the hand-ins suggest."""
        seen = Counter(answer.question for group in self.groups for answer in group.answers)
        if self.lesson:
            return tuple(question for question in self.lesson.questions if question.id in seen)
        return tuple(self._guessed_question(name) for name, _ in seen.most_common(10))

    def _guessed_question(self, name: str) -> Question:
        chosen = Counter(a.choice for group in self.groups for a in group.answers if a.question == name)
        choices = sorted(choice for choice, _ in chosen.most_common(10))
        return Question(name, STAGES[0], name or "the question", tuple(Choice(c, c) for c in choices))

    @property
    def x_label(self) -> str:
        """What was changed, in words."""
        return self.lesson.x_label if self.lesson else "what was changed"

    @property
    def notices(self) -> tuple[str, ...]:
        """What the hand-ins say about where their data come from, each sentence once."""
        return tuple(dict.fromkeys(group.notice for group in self.groups if group.notice))

    @property
    def warnings(self) -> pd.DataFrame:
        """One row a warning about a hand-in that counts: group, file, warning."""
        rows = [(group.code, group.file, warning) for group in self.groups for warning in group.warnings]
        return pd.DataFrame(rows, columns=["group", "file", "warning"])

    def ask(self, question_id: str) -> Question:
        """The question with this id.

        Raises
        ------
        KitError : nobody answered it.
        """
        for question in self.questions:
            if question.id == question_id:
                return question
        raise KitError("Nobody answered this question", found=question_id, fix=f"ids: {[q.id for q in self.questions]}")


@dataclass(frozen=True)
class Show:
    """What is asked of a section: the class, and how to look at it."""

    overview: Overview
    question: str = ""  # id; for sections about one question
    marked: bool = False  # whether to mark what the data support
    moment: str = Moment.FIRST  # of the reasons
    search: str = ""  # words in reasons and explanations


def read_class(
    source: str | Path, lesson: Lesson | str | Path | None = None, key_folder: str | Path | None = None
) -> Overview:
    """Read a folder or ZIP of hand-ins. At any moment only one file is in memory, and of each a small part is kept.

    Parameters
    ----------
    source : folder (subfolders and ZIPs in it are read too), ZIP, single hand-in, or the address of one of these
        (s3://bucket/class-3b).
    lesson : a `Lesson` or its folder, or one that `kit.new_lesson` made. Without one, the lesson most hand-ins name is
        taken, and questions go by their ids. Hand-ins of other lessons are refused.
    key_folder : where `teacher_key.toml` is, or the file; by default in the lesson's folder or in its teacher's half,
        if it is there.

    A group may hand in twice: of two hand-ins the one that holds every entry of the other, unchanged, counts. Two
    groups that chose the same code are told apart by a number.

    Raises
    ------
    KitError : no such folder, a lesson that cannot be read, or not a single hand-in that can be used.

    Examples
    --------
    >>> import kit
    >>> overview = kit.read_class("datasets_demo/class_handins/handin_coasting_disc_demo-amber-crane-103.json")
    >>> [group.code for group in overview.groups], len(overview.refused)
    (['demo-amber-crane-103'], 0)
    >>> overview.answers["moment"].unique().tolist()
    ['first', 'after discussion', 'end']
    """
    return ClassReader(source, lesson, key_folder).read_some()


class ClassReader:
    """Reads a class again and again, as hand-ins come in. A file of the same size and times is not read anew, and one
    whose bytes are as before is not judged anew.

    Parameters as for `read_class`.
    """

    def __init__(
        self, source: str | Path, lesson: Lesson | str | Path | None = None, key_folder: str | Path | None = None
    ):
        self.source = source
        if isinstance(lesson, str | Path):
            place = find_lesson(lesson)
            lesson = load_lesson(place.data)
            key_folder = key_folder or (place.key_folder if find_key(place.key_folder) else None)
        self.lesson = lesson
        self._key = _key(lesson, key_folder)
        self._judged: dict[tuple[str, bytes], tuple[str, Group] | Refused] = {}
        self._index: dict[tuple, tuple[str, bytes]] = {}  # by the mark of a plain file
        self._overview: Overview | None = None

    def read_some(self) -> Overview:
        """As `read`.

        Raises
        ------
        KitError : as `read`; and if there is not a single hand-in that can be used.
        """
        overview = self.read()
        if not overview.groups:
            refused = overview.refused
            closed = refused and all(NOT_ALLOWED in file.why.lower() for file in refused)
            raise KitError(
                "You are not allowed to read the files here" if closed else "There is no hand-in here that can be used",
                file=shown_place(self.source),
                found=f"{refused[0].file}: {refused[0].why}" if refused and not closed else None,
                fix=LET_IN if closed else "put the groups' .json files into one folder",
            )
        return overview

    def read(self) -> Overview:
        """The class as it is now; without groups, if there is nothing that can be used yet.

        Raises
        ------
        KitError : no such folder.
        """
        judged: dict[tuple[str, bytes], tuple[str, Group] | Refused] = {}
        index: dict[tuple, tuple[str, bytes]] = {}
        for file in class_files(self.source, self._index):
            if file.mark in self._index:
                key = self._index[file.mark]
            else:
                key = file.name, hashlib.sha256(file.problem.encode() if file.data is None else file.data).digest()
            judged[key] = self._judged.get(key) or _judge(file, self.lesson)
            if file.mark:
                index[file.mark] = key
        if self._overview is not None and list(judged) == list(self._judged):
            self._index = index
            return self._overview
        self._judged, self._index = judged, index  # what is not there any more is forgotten
        self._overview = self._as_overview(judged)
        return self._overview

    def _as_overview(self, judged: Mapping[tuple[str, bytes], tuple[str, Group] | Refused]) -> Overview:
        read = [found for found in judged.values() if not isinstance(found, Refused)]
        refused = [found for found in judged.values() if isinstance(found, Refused)]
        name = self.lesson.name if self.lesson else _most_common(lesson_name for lesson_name, _ in read)
        refused += [
            Refused(g.file, f"This hand-in is for another lesson, {other}.") for other, g in read if other != name
        ]
        groups, earlier = _without_earlier([group for lesson_name, group in read if lesson_name == name])
        return Overview(
            source=shown_place(self.source),
            lesson=self.lesson,
            lesson_name=name,
            supported={question: answer["supported"] for question, answer in self._key.items()},
            ideas={question: answer["ideas"] for question, answer in self._key.items()},
            groups=_numbered(groups),
            refused=tuple(refused + earlier),
        )


def _judge(file: ClassFile, lesson: Lesson | None) -> tuple[str, Group] | Refused:
    """A file as the lesson's name and what is kept of it, or why it does not count."""
    try:
        handin = _handin(file)
    except KitError as problem:
        return Refused(file.name, clean_text(_why(problem), 400))
    return handin.lesson, _group(file.name, handin, lesson)


def _handin(file: ClassFile) -> HandIn:
    if file.data is None:
        raise KitError(file.problem, file=file.name, fix=file.fix or None)
    return read_handin(file.data, name=file.name)


def _why(problem: KitError) -> str:
    """The problem without the file, which is named beside it."""
    text = str(problem).removeprefix(f"{problem.file}: ")
    return text[:1].upper() + text[1:]


def _key(lesson: Lesson | None, key_folder: str | Path | None) -> dict[str, dict]:
    if lesson is None:
        return {}
    folder = lesson.folder if key_folder is None else Path(key_folder)
    return load_key(folder, lesson) if key_folder or find_key(folder) else {}


def _most_common(names: Iterable[str]) -> str:
    counts = Counter(names)
    return max(sorted(counts), key=counts.__getitem__, default="")


# --- one hand-in -------------------------------------------------------------------------------------------------


def _group(file: str, handin: HandIn, lesson: Lesson | None) -> Group:
    """What the overview needs of a hand-in, every part bounded in size."""
    answers, unknown = _answers(handin, lesson)
    runs, left_out, unusable = _runs(handin, lesson.x if lesson else None)
    threshold = handin.threshold or {}
    warnings = [clean_text(warning, 200) for warning in handin.warnings[:MAX_WARNINGS]]
    if len(handin.warnings) > MAX_WARNINGS:
        warnings.append(f"… and {len(handin.warnings) - MAX_WARNINGS} more like these.")
    if unknown:
        warnings.append(f"Left out: {count_of(unknown, 'answer')} to questions that this lesson does not ask.")
    if unusable:
        warnings.append(f"{count_of(unusable, 'row')} of results can't be used: a number is missing or impossible.")
    drafted = (entry.stage for entry in handin.entries if not Kind.DRAFT.covers(entry.kind))
    notice = next((e.value for e in handin.entries if e.kind == Kind.DATA_NOTICE and isinstance(e.value, str)), "")
    return Group(
        file=file,
        code=handin.code,
        made=clean_text(handin.made, 40),
        answers=tuple(answers),
        entries={stage: n for stage, n in Counter(drafted).items() if stage in STAGES},
        start_period_s=_number(threshold.get("start_period_s")),
        stop_period_s=_number(threshold.get("stop_period_s")),
        runs=tuple(runs),
        runs_left_out=left_out,
        explanation=_argued(handin.explanation or {}),
        claims=tuple((clean_text(one["id"], MAX_ID), _argued(one)) for one in handin.claims[:MAX_CLAIMS]),
        sketches={
            curve["quantity"]: points for curve in handin.predicted_curves if (points := _sketch(curve)) is not None
        },
        first_passes=_first_passes(handin),
        sent=_topics(handin, Kind.SENT),
        lifted=_topics(handin, Kind.LIFTED),
        shown=_topics(handin, Kind.SHOWN),
        notice=clean_text(notice, 300),
        warnings=tuple(warnings),
        unchanged=handin.unchanged,
        chain=tuple(entry.hash for entry in handin.entries),
    )


def _argued(texts: Mapping[str, str]) -> dict[str, str]:
    parts = ("claim", "evidence", "reasoning", "rebuttal")
    return {part: clean_text(texts[part], MAX_TEXT) for part in parts if part in texts}


def _sketch(curve: Mapping) -> tuple[tuple[float, float], ...] | None:
    """The points of a curve that was sealed, as far as they are numbers that can be meant; None if there is none."""
    x, values = (curve["first"].get(key) for key in ("x", "values"))
    if curve["quantity"] not in QUANTITIES or not isinstance(x, list) or not isinstance(values, list):
        return None
    points = [(_number(a), _number(b)) for a, b in zip(x[:MAX_POINTS], values, strict=False)]
    return tuple(sorted(point for point in points if isfinite(point[0]) and point[1] >= 0)) or None


def _first_passes(handin: HandIn) -> tuple[tuple[str, float, int], ...]:
    """Each member's last click on a run before the clicks were shown, as far as it can be one."""
    values = [e.value for e in handin.entries if e.kind == Kind.FIRST_PASS and isinstance(e.value, dict)]
    asked = {
        (value["source"], _number(value.get("start_period_s")))
        for value in values
        if isinstance(value.get("source"), str) and isfinite(_number(value.get("start_period_s")))
    }
    return tuple(
        (clean_text(source, MAX_ID), period_s, chosen)
        for source, period_s in sorted(asked)[:MAX_CLAIMS]
        for chosen in clicks_of(handin.entries, source, period_s, MAX_PASS).values()
    )


def _topics(handin: HandIn, kind: Kind) -> tuple[str, ...]:
    """What entries of a kind are about: the topic behind the colon, or what a lifted part is called."""
    topics = [
        entry.value.get("what", "")
        if kind == Kind.LIFTED and isinstance(entry.value, dict)
        else entry.kind.partition(":")[2]
        for entry in handin.entries
        if kind.covers(entry.kind)
    ]
    return tuple(clean_text(topic, MAX_ID) for topic in topics if isinstance(topic, str) and topic)[:MAX_ANSWERS]


def _answers(handin: HandIn, lesson: Lesson | None) -> tuple[list[GivenAnswer], int]:
    """The group's answers, and how many there are to questions that the lesson does not ask."""
    asked = {question.id for question in lesson.questions} if lesson else None
    answers: list[GivenAnswer] = []
    unknown, given_before = 0, set()
    for prediction in handin.predictions:
        given = {prediction.first.moment or Moment.FIRST.value: prediction.first}
        given |= {Moment.DISCUSSED.value: prediction.after_discussion} if prediction.after_discussion else {}
        given |= {Moment.END.value: prediction.at_end} if prediction.at_end else {}
        question = clean_text(prediction.question, MAX_ID)
        for moment, answer in given.items():
            strange = asked is not None and question not in asked
            if strange or (question, moment) in given_before or len(answers) == MAX_ANSWERS:
                unknown += 1
                continue
            given_before.add((question, moment))
            answers.append(
                GivenAnswer(
                    question,
                    moment,
                    clean_text(answer.choice, MAX_ID),
                    Band.of(answer.confidence),
                    clean_text(answer.reason, MAX_TEXT),
                )
            )
    return answers, unknown


def _runs(handin: HandIn, x: str | None) -> tuple[list[tuple[float, float, float]], int, int]:
    """Counted runs, how many rows the group left out, and how many cannot be used."""
    runs, left_out, unusable = [], 0, max(len(handin.results) - MAX_RUNS, 0)
    for row in handin.results[:MAX_RUNS]:
        if row.get("status") not in (None, "", COUNTED) or row.get("set_aside") not in (None, ""):
            left_out += 1
            continue
        name = x or next((n for n, v in row.items() if n not in NOT_CHANGED and isfinite(_number(v))), "")
        changed, duration_s, turns = (_number(row.get(key)) for key in (name, "duration_s", "turns"))
        if not (isfinite(changed) and duration_s > 0 and not turns <= 0):
            unusable += 1
            continue
        runs.append((changed, duration_s, turns))
    return runs, left_out, unusable


def _number(value: object) -> float:
    """A number of a size that can be meant, as a float; else NaN."""
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST:
        return float(value)
    return nan


# --- several hand-ins of one group ---------------------------------------------------------------------------------


def _without_earlier(groups: list[Group]) -> tuple[list[Group], list[Refused]]:
    """Leave out a hand-in whose entries are all in another one.

    Only an unchanged chain counts as holding another: its hashes then vouch for every entry before them. So nobody
    can push a group out of the overview with a file that only looks like a later hand-in of theirs.
    """
    holder: dict[int, int] = {}
    alike: dict[str, list[int]] = {}  # hand-ins that begin with the same entry
    for place, group in enumerate(groups):
        if group.unchanged:
            alike.setdefault(group.chain[0], []).append(place)
    for places in alike.values():
        if len(places) == 1:
            continue
        holds: dict[str, int] = {}  # an entry's hash: a hand-in that counts and holds it
        for place in sorted(places, key=lambda p: -len(groups[p].chain)):  # the fullest first
            if groups[place].chain[-1] in holds:
                holder[place] = holds[groups[place].chain[-1]]
            else:
                holds |= dict.fromkeys(groups[place].chain, place)
    kept = [group for place, group in enumerate(groups) if place not in holder]
    earlier = [
        Refused(groups[place].file, f"Everything in it is also in {groups[other].file}, which counts.")
        for place, other in holder.items()
    ]
    return kept, earlier


def _numbered(groups: Iterable[Group]) -> tuple[Group, ...]:
    """Give the second group with the same code a number. Codes hold no spaces or brackets, so that none collide."""
    used: Counter[str] = Counter()
    named = []
    for group in groups:
        used[group.code] += 1
        if used[group.code] > 1:
            warning = "Another group chose the same code, or handed in two different workbooks: both count."
            code = f"{group.code} ({used[group.code]})"
            group = replace(group, code=code, warnings=(*group.warnings, warning))
        named.append(group)
    return tuple(named)
