"""What a lesson still holds of another apparatus: left out when a lesson is made, found when it is checked."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from ..errors import KitError
from ..logs.folder import LIST_NAME, list_rows
from ..logs.places import find_logs
from ..motion.speed import SpeedCurve
from ..sources.described import bench_gaps
from ..wording import join_words
from .answers import against, measured_averages
from .check_data import Finding
from .lesson import HAND_COUNTS, LESSON_FILE, Lesson
from .teacher_key import KEY_FILE

__all__ = ["carried_over", "check_foreign", "check_unused"]

# What the lessons that come with the kit are about, by what they change; words that tell them from others.
THINGS = {"magnets": r"magnets?", "pads": r"(?:felt|pads?)", "vanes": r"vanes?"}
INVENTED = re.compile(r"\b(invented|virtual bench)\b", re.IGNORECASE)
IN_LOGS = "virtual bench"  # what every log says that the bench has made
LOOKED_AT = 3  # logs, to see whether they are invented


def carried_over(model: Lesson, lesson: Lesson) -> tuple[Lesson, list[str]]:
    """The lesson without what is about the model's apparatus only, and what was left out, in words.

    A lesson that changes the same thing as its model keeps all. Else claims, bench, notice, hand counts and recordings
    go (their data are the model's), and the texts, questions and cautions that are word for word the model's and speak
    of what it changed.
    """
    if lesson.x == model.x:
        return lesson, []
    its = re.compile(rf"\b{THINGS.get(model.x, re.escape(model.x))}\b", re.IGNORECASE)
    left = [
        name
        for name, there in (
            ("the claims", lesson.claims),
            ("the bench", lesson.apparatus or lesson.bench_table),
            ("the notice about the data", lesson.data_notice and lesson.data_notice == model.data_notice),
            ("the card that clicks", lesson.clicks_data),
            ("the counts by hand", model.has_hand_counts),
        )
        if there
    ]
    texts = {stage: "" if text and text == model.texts[stage] else text for stage, text in lesson.texts.items()}
    safety = tuple(note for note in lesson.safety if not (note in model.safety and its.search(note)))
    questions = tuple(q for q in lesson.questions if q not in model.questions or not its.search(_all_of(q)))
    left += ["texts"] * (texts != dict(lesson.texts)) + ["cautions"] * (safety != lesson.safety)
    left += ["questions"] * (questions != lesson.questions)
    kept = replace(
        lesson,
        claims=(),
        apparatus="",
        bench_table=None,
        clicks_data="",
        texts=texts,
        safety=safety,
        questions=questions,
    )
    if lesson.data_notice == model.data_notice:
        kept = replace(kept, data_notice="")
    return kept, left


def _all_of(question) -> str:
    return " ".join([question.text, *(choice.text for choice in question.choices)])


# --- found when it is checked ----------------------------------------------------------------------------------------


def check_foreign(lesson: Lesson, key: Mapping[str, Mapping], curves: Sequence[SpeedCurve] | None) -> Iterator[Finding]:
    """Warnings about a lesson that holds something of another apparatus.

    Parameters
    ----------
    key : the teacher's key as far as it could be read; may be empty.
    curves : of the lesson's runs; None where they could not be read.
    """
    yield from _check_words(lesson)
    yield from _check_claim_columns(lesson)
    if curves:
        yield from _check_notice(lesson, curves)
        yield from _check_bench(lesson, curves)
        yield from _check_answers(lesson, key, curves)


def _check_words(lesson: Lesson) -> Iterator[Finding]:
    """Texts that speak of what another lesson changes. What the lesson's own title or question names is its own."""
    own = " ".join((lesson.x, lesson.x_words, lesson.title, lesson.question))
    for thing, words in THINGS.items():
        its = re.compile(rf"\b{words}\b", re.IGNORECASE)
        if thing == lesson.x or its.search(own):
            continue
        for key, text in _texts(lesson):
            found = its.search(text)
            if found:
                yield Finding(
                    LESSON_FILE,
                    key,
                    f"This text speaks of what another lesson changes, and yours changes {lesson.x_words or lesson.x}",
                    found=found[0],
                    fix="write it anew, or take it out",
                    serious=False,
                )


def _texts(lesson: Lesson) -> Iterator[tuple[str, str]]:
    yield "expected", lesson.expected
    for i, question in enumerate(lesson.questions, 1):
        yield f"questions[{i}]", _all_of(question)
    for i, claim in enumerate(lesson.claims, 1):
        yield f"claims[{i}]", f"{claim.question} {claim.statement}"
    yield from ((f"texts.{stage}", text) for stage, text in lesson.texts.items())


def _check_claim_columns(lesson: Lesson) -> Iterator[Finding]:
    """Runs behind a claim that know nothing of what the lesson changes are of another apparatus."""
    for i, claim in enumerate(lesson.claims, 1):
        listing = lesson.folder / claim.data / LIST_NAME
        try:
            cells = next((cells for _, cells, _ in list_rows(listing)), {}) if listing.is_file() else {}
        except KitError:
            continue  # said where the data are checked
        if cells and lesson.x and lesson.x not in cells:
            yield Finding(
                LESSON_FILE,
                f"claims[{i}].data",
                f"The runs in {claim.data} do not say which {lesson.x} they had: are they of another apparatus?",
                found=join_words([name for name in cells if name != "file"]),
                fix="take the claim out, or give its runs this column",
                serious=False,
            )


def _check_notice(lesson: Lesson, curves: Sequence[SpeedCurve]) -> Iterator[Finding]:
    says = bool(INVENTED.search(lesson.data_notice))
    made_up = [_is_invented(lesson.folder / curve.run.source) for curve in curves[:LOOKED_AT]]
    if says and not any(made_up):
        yield Finding(
            LESSON_FILE,
            "data_notice",
            "The notice says that the data are invented, and the logs are not of the kit's bench",
            found=lesson.data_notice,
            fix="take the line out if they are your own measurements",
            serious=False,
        )
    if not says and made_up and all(made_up):
        yield Finding(
            LESSON_FILE,
            "data_notice",
            "The logs are invented by the kit's bench, and no page says so",
            fix='write, for example: data_notice = "The data of this lesson are invented."',
            serious=False,
        )


def _is_invented(path: Path) -> bool:
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            return IN_LOGS in file.read(2000)
    except OSError:
        return False


def _check_bench(lesson: Lesson, curves: Sequence[SpeedCurve]) -> Iterator[Finding]:
    try:
        setup = lesson.bench
        if setup is None or lesson.stop_period_s is None:
            return
        apart = bench_gaps(setup, curves, lesson.start_period_s, lesson.stop_period_s)
    except KitError:
        return  # said where the lesson file is checked
    if apart:
        value, (simulated, measured) = max(apart.items(), key=lambda item: abs(item[1][0] / item[1][1] - 1))
        yield Finding(
            LESSON_FILE,
            "bench" if lesson.bench_table is not None else "apparatus",
            "The virtual bench is not like the data, by more than 20 %",
            found=f"{lesson.x} = {value:g}: {simulated:.3g} s on the bench, {measured:.3g} s measured",
            fix="run new-lesson FOLDER --fit-bench, or take apparatus and [bench] out",
            serious=False,
        )


def _check_answers(lesson: Lesson, key: Mapping[str, Mapping], curves: Sequence[SpeedCurve]) -> Iterator[Finding]:
    asked = [question for question in lesson.questions if key.get(question.id, {}).get("supported")]
    averages = measured_averages(lesson, curves) if asked else {}
    for question in asked:
        supported = key[question.id]["supported"]
        why = against(supported, question, lesson, averages)
        if why:
            yield Finding(
                KEY_FILE,
                f"{question.id}.supported",
                "The data of this lesson speak against this answer",
                found=f"{supported}; {why}",
                fix="choose another one, or look at the question and at the data",
                serious=False,
            )


def check_unused(lesson: Lesson, files: Sequence[Path]) -> Iterator[Finding]:
    """A warning where files of the lesson's folder are used by nothing.

    Parameters
    ----------
    files : the lesson's data files, from `kit.lessons.make.data_files`.
    """
    folder = lesson.folder
    used = {folder / LIST_NAME, folder / HAND_COUNTS}
    try:
        place = find_logs(folder)
        used |= set(place.files)
        if place.listing:
            used.add(place.listing)
            for _, cells, _ in list_rows(place.listing):
                used |= {place.folder / cells[name].replace("\\", "/") for name in ("file", "sound") if cells.get(name)}
    except KitError:
        return  # said where the data are checked
    whole = [folder / name for name in (*(claim.data for claim in lesson.claims), lesson.clicks_data) if name]
    names = {path.name for path in used}  # a list beside or above its logs may name them without their folder
    left = [
        path.relative_to(folder).as_posix()
        for path in files
        if path not in used
        and not any(place in path.parents for place in whole)
        and not path.name.upper().startswith(("README", "LICENSE"))
        and not (place.listing and path.name in names)
    ]
    if left:
        yield Finding(
            folder.name,
            "",
            "Files that no page uses are in the lesson's folder",
            found=", ".join(left),
            fix="take them out, or list them in runs.csv",
            serious=False,
        )
