"""Is a lesson ready for a class? All problems at once, each with its file, its key, and an example that would do."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path

from ..errors import KitError
from ..motion.speed import SpeedCurve
from ..motion.threshold import RULE_NAMES
from .check_data import Finding, check_data
from .foreign import check_foreign, check_unused
from .keys import level_of
from .lesson import LESSON_FILE, Lesson, Reading, read_lesson
from .make import LessonPlace, data_files, find_lesson, made_cells, student_notebooks
from .teacher_key import HIDDEN_KEY, KEY_FILE, find_key, read_key

__all__ = ["Finding", "check_key", "check_lesson", "check_text", "summary"]

SHORT = 12  # characters of an idea too short to search for: "the same" is everywhere
PRIVATE = ("workbooks/*.jsonl", "handin_*.json")
SEARCHED = (".ipynb", ".toml", ".csv", ".tsv", ".txt", ".md", ".json", ".py", ".html")
# What a student should not read: nothing is right or wrong before the data have spoken, and no value is the true one.
LOADED = re.compile(r"\b(correct|wrong|proved|proven|true value|human error)\b", re.IGNORECASE)


def check_lesson(folder: str | Path) -> list[Finding]:
    """Check a lesson: its file, key, data, notebooks, and that nothing of the key is in what students get.

    Parameters
    ----------
    folder : one that `kit.lessons.make.new_lesson` made, its `student` folder alone, or a bare folder of a lesson.

    Returns
    -------
    Findings, problems first. No findings: the lesson is ready. A warning is worth a look; a problem must be mended.

    >>> import kit
    >>> kit.check_lesson("datasets_demo/felt_brake")
    []
    """
    try:
        place = find_lesson(folder)
        reading = read_lesson(place.data)
    except KitError as error:
        return [Finding.of(error)]
    lesson = reading.value
    curves: list[SpeedCurve] = []
    found = [*check_text(reading), *check_data(lesson, seen=curves)]
    found += _check_key_file(place, lesson)
    if not reading.problems:
        found += [
            *check_foreign(lesson, _key_so_far(place, lesson), curves),
            *check_unused(lesson, data_files(lesson.folder)),
        ]
    if place.student and not reading.problems:
        found += [*_check_notebooks(place.student, lesson), *_check_private(place.student)]
    return sorted(found, key=lambda finding: not finding.serious)


def _key_so_far(place: LessonPlace, lesson: Lesson) -> dict[str, dict]:
    try:
        return read_key(place.key_folder, lesson).value
    except KitError:
        return {}


def summary(findings: list[Finding]) -> str:
    """One sentence about the findings."""
    problems = sum(finding.serious for finding in findings)
    warnings = len(findings) - problems
    if not findings:
        return "No problem found. The lesson is ready."
    counts = [f"{n} {word}{'' if n == 1 else 's'}" for n, word in ((problems, "problem"), (warnings, "warning")) if n]
    state = "The lesson is not ready yet" if problems else "The lesson can be used"
    return f"{state}: {' and '.join(counts)}."


# --- the lesson file -----------------------------------------------------------------------------------------------


def check_text(reading: Reading[Lesson]) -> Iterator[Finding]:
    """What can be said of a lesson file without its data. `reading` comes from `kit.lessons.lesson.read_lesson`."""
    lesson = reading.value
    file = LESSON_FILE
    yield from _findings_of(reading, file)
    if not reading.problems and lesson.rule not in RULE_NAMES:
        yield Finding(
            file,
            "thresholds.rule",
            "There is no such rule",
            found=lesson.rule,
            fix=f'write, for example: rule = "interpolated"   # or {", ".join(RULE_NAMES)}',
        )
    yield from _check_names(lesson, file)
    if not lesson.asked("predict"):
        yield Finding(
            file,
            "questions",
            "No question is asked at the stage predict",
            serious=False,
            fix='write [[questions]] with stage = "predict", so that students predict before they see',
        )
    if not lesson.safety:
        yield Finding(
            file,
            "safety.notes",
            "Nothing is said about safety",
            serious=False,
            fix='write, for example: notes = ["Let it come to rest before you touch it."]',
        )
    tells = level_of(lesson.level).tells_relation
    if tells and not lesson.expected.strip():
        yield Finding(
            file,
            "expected",
            "A confirmation lesson tells the relation, and none is written",
            fix='write, for example: expected = "Twice as many magnets, half the coasting time."',
        )
    if lesson.expected.strip() and not tells:
        yield Finding(
            file,
            "expected",
            f"Students of a lesson at the level {lesson.level} can read the answer here",
            fix='take the line out, or write level = "confirmation"',
            serious=False,
        )
    for key, text in _texts(lesson):
        loaded = LOADED.search(text)
        if loaded:
            yield Finding(
                file,
                key,
                "This word judges before the data do, or promises too much",
                found=loaded[0],
                fix='write, for example: "the data support …", "not what the data show"',
                serious=False,
            )


def _check_names(lesson: Lesson, file: str) -> Iterator[Finding]:
    if lesson.x and not re.fullmatch(r"[A-Za-z]\w*", lesson.x):
        yield Finding(
            file,
            "changed.name",
            "This must be one word, the name of a column",
            found=lesson.x,
            fix='write, for example: name = "magnets"',
        )
    for i, question in enumerate(lesson.questions, 1):
        ids = [(f"questions[{i}].id", question.id)]
        ids += [(f"questions[{i}].choices[{j}].id", choice.id) for j, choice in enumerate(question.choices, 1)]
        for key, found in ids:
            if found and not re.fullmatch(r"[A-Za-z0-9_-]+", found):
                yield Finding(
                    file,
                    key,
                    "An id has only letters, digits, - and _",
                    found=found,
                    fix='write, for example: id = "two-magnets"',
                )


def _texts(lesson: Lesson) -> Iterator[tuple[str, str]]:
    yield from (("title", lesson.title), ("question", lesson.question), ("expected", lesson.expected))
    for i, question in enumerate(lesson.questions, 1):
        yield f"questions[{i}].text", question.text
        for j, choice in enumerate(question.choices, 1):
            yield f"questions[{i}].choices[{j}].text", choice.text
    yield from ((f"texts.{stage}", text) for stage, text in lesson.texts.items())


def _findings_of(reading: Reading, file: str) -> Iterator[Finding]:
    yield from (Finding.of(error, file, key) for key, error in reading.problems)
    for unknown in reading.unknown:
        place, _, name = unknown.key.rpartition(".")
        near = get_close_matches(name, unknown.known, n=1, cutoff=0.6)
        if near:
            fix = f"did you mean {near[0]}? Write {near[0]} = …"
        else:
            fix = f"take it out; keys known {'in ' + place if place else 'at the top of the file'}: " + ", ".join(
                unknown.known
            )
        yield Finding(file, unknown.key, "This key is not known", found=_short(unknown.found), fix=fix)


# --- the key -------------------------------------------------------------------------------------------------------


def _check_key_file(place: LessonPlace, lesson: Lesson) -> Iterator[Finding]:
    if find_key(place.key_folder) is None:
        if place.teacher:
            yield Finding(
                f"{place.teacher.name}/{KEY_FILE}",
                "",
                "The teacher's key is missing",
                fix="write it, or copy one from a demo lesson",
                serious=False,
            )
        return
    try:
        reading = read_key(place.key_folder, lesson)
    except KitError as error:
        yield Finding.of(error, KEY_FILE)
        return
    yield from check_key(reading, lesson)
    if place.student:
        yield from _check_leaks(place.student, lesson, reading.value)


def check_key(reading: Reading[dict[str, dict]], lesson: Lesson) -> Iterator[Finding]:
    """What can be said of a key. `reading` comes from `kit.lessons.teacher_key.read_key`."""
    yield from _findings_of(reading, KEY_FILE)
    for question in lesson.questions:
        entry = reading.value.get(question.id)
        if entry is None:
            yield Finding(
                KEY_FILE,
                "questions",
                f"The question {question.id} has no entry in the key",
                serious=False,
                fix=f'write [[questions]] with id = "{question.id}", supported and ideas',
            )
            continue
        for choice in question.choices:
            if not entry["ideas"].get(choice.id, "").strip():
                yield Finding(
                    KEY_FILE,
                    f"{question.id}.ideas.{choice.id}",
                    "No idea is written for this choice",
                    fix=f'write, for example: {choice.id} = "Double the cause halves the effect."',
                    serious=False,
                )


def _check_leaks(student: Path, lesson: Lesson, key: dict[str, dict]) -> Iterator[Finding]:
    """Ideas of the key, or which choice is supported, in a file that students get."""
    shown = _plain(" ".join(text for _, text in _texts(lesson)))
    ideas = {
        _plain(idea): f"{name}.ideas.{choice}" for name, entry in key.items() for choice, idea in entry["ideas"].items()
    }
    ideas = {idea: where for idea, where in ideas.items() if len(idea) >= SHORT and idea not in shown}
    for path in sorted(student.rglob("*")):
        name = path.relative_to(student.parent).as_posix()
        private = any(path.match(pattern) for pattern in PRIVATE) or ".ipynb_checkpoints" in path.parts
        if private or not path.is_file() or path.suffix.lower() not in SEARCHED:
            continue
        text = _content(path)
        plain = _plain(text)
        found = [where for idea, where in ideas.items() if idea in plain]
        if path.name in (KEY_FILE, HIDDEN_KEY) or re.search(r"(?m)^\s*supported\s*=", text):
            found.insert(0, "supported")
        if found:
            yield Finding(
                name,
                found[0],
                "Students can read the teacher's key in this file",
                found=", ".join(found[:3]),
                fix="take it out of the student folder",
            )


def _content(path: Path) -> str:
    """A file's text; of a notebook, what its cells say and what they have put out."""
    text = path.read_text(encoding="utf-8", errors="replace")
    if path.suffix != ".ipynb":
        return text
    try:
        return text + "\n".join(_strings(json.loads(text)))
    except (ValueError, RecursionError):
        return text


def _strings(value) -> Iterator[str]:
    """Every text in a JSON document; a list of lines is one text."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        yield "".join(item for item in value if isinstance(item, str))
        for item in value:
            if not isinstance(item, str):
                yield from _strings(item)
    elif isinstance(value, dict):
        for item in value.values():
            yield from _strings(item)


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


# --- the notebooks -------------------------------------------------------------------------------------------------


def _check_notebooks(student: Path, lesson: Lesson) -> Iterator[Finding]:
    """Students' notebooks say what the lesson file says. Outputs of a notebook that was run do not matter."""
    start = student.parent / "start_here.ipynb"  # of a copy with several lessons
    for name, text in student_notebooks(lesson, "../start_here.ipynb" if start.is_file() else "").items():
        path = student / name
        shown = f"{student.name}/{name}"
        if not path.is_file():
            yield Finding(shown, "", "This notebook is missing", fix="run new-lesson FOLDER --remake")
        elif made_cells(path.read_text(encoding="utf-8", errors="replace")) != made_cells(text):
            yield Finding(
                shown,
                "",
                "This notebook is not what the lesson file says now",
                fix="run new-lesson FOLDER --remake; the notebook as it is now is kept",
            )


def _check_private(student: Path) -> Iterator[Finding]:
    for pattern in PRIVATE:
        for path in sorted(student.glob(pattern)):
            yield Finding(
                path.relative_to(student.parent).as_posix(),
                "",
                "Somebody's entries lie in this folder",
                fix="move this file away before you hand the folder out",
                serious=False,
            )


def _short(value: object) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
