"""A lesson and its key as the text of their files, with remarks that say what each line does."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from math import isfinite

from ..errors import KitError
from .keys import LEVEL_NAMES, level_of
from .lesson import SCHEMA, STAGES, Lesson, Question
from .paths import PATHS

__all__ = ["bench_text", "key_text", "lesson_text", "toml_number", "toml_string"]


def lesson_text(lesson: Lesson) -> str:
    """The text of `lesson.toml`. Read again it gives the same lesson, whatever folder it lies in."""
    return "\n".join(
        [
            *_head(lesson),
            *_numbers(lesson),
            *_logs(lesson),
            *_minutes(lesson),
            *bench_text(lesson),
            *_questions(lesson),
            *_claims(lesson),
            *_words(lesson),
        ]
    )


def key_text(key: Mapping[str, Mapping], lesson: Lesson) -> str:
    """The text of `teacher_key.toml` for the questions of a lesson, with each choice's words beside its idea."""
    lines = [
        "# For the teacher only. Students get no copy of this file.",
        "#   supported   the choice that the data of this lesson support",
        "#   ideas       for each choice: the idea that leads a student to it",
    ]
    for question in lesson.questions:
        if question.id not in key:
            continue
        entry = key[question.id]
        lines += ["", "[[questions]]", f"id = {toml_string(question.id)}   # {_comment(question.text)}"]
        lines += [f"supported = {toml_string(entry['supported'])}", "[questions.ideas]"]
        lines += [f"{_name(choice)} = {toml_string(idea)}" for choice, idea in entry["ideas"].items()]
    return "\n".join(lines) + "\n"


def _head(lesson: Lesson) -> list[str]:
    levels = [f"#   {name:<13} {level_of(name).words}" for name in LEVEL_NAMES]
    lines = [
        "# A lesson. Students get this file: the ideas behind the choices belong into teacher_key.toml.",
        "# Lines that begin with # are remarks for you. After each change run check-lesson, then new-lesson --remake.",
        f"schema = {toml_string(SCHEMA)}",
        "",
        '# The lesson\'s name, on top of every page. For example: title = "How it comes to rest"',
        f"title = {toml_string(lesson.title)}",
        "",
        "# The question of the whole lesson, without its answer.",
        '# For example: question = "How does the coasting time depend on what you change?"',
        f"question = {toml_string(lesson.question)}",
        "",
        "# How much is given:",
        *levels,
        f"level = {toml_string(lesson.level)}",
        "",
        "# Only for confirmation: the relation that students are told and then check.",
        '# For example: expected = "Twice as many, half the coasting time."',
        f"expected = {toml_string(lesson.expected)}" if lesson.expected else '# expected = "…"',
    ]
    paths = [f"#   {path.name:<21} {path.words}" for path in PATHS.values()]
    lines += ["", "# How much time there is:", *paths, f"path = {toml_string(lesson.path)}"]
    lines += ["", "# true: data wait until what comes before them is sealed. false: they show to all, at any time."]
    lines += [f"wait_for_predictions = {str(lesson.wait_for_predictions).lower()}"]
    if lesson.data_notice:
        lines += ["", "# What students should know about the data: where they come from, whether they are invented."]
        lines += [f"data_notice = {toml_string(lesson.data_notice)}"]
    if lesson.class_desk:
        lines += ["", "# The address that the class desk shows, so that no group has to type it."]
        lines += [f"class_desk = {toml_string(lesson.class_desk)}"]
    if lesson.apparatus:
        lines += ["", "# The virtual bench's name for the apparatus. Take this line out if yours is another one."]
        lines += [f"apparatus = {toml_string(lesson.apparatus)}"]
    if lesson.clicks_data:
        lines += ["", "# The folder of a run that a card, clicking once a turn, recorded too."]
        lines += [f"clicks_data = {toml_string(lesson.clicks_data)}"]
    return lines


def _numbers(lesson: Lesson) -> list[str]:
    stop = lesson.stop_period_s
    return [
        "",
        "# What is changed from run to run.",
        "#   name        the column of runs.csv that holds it, one word",
        "#   words       how students read it",
        '#   unit        such as "mm"; "" for a plain number',
        "#   values      every condition, with runs for each",
        "#   reference   the one condition that every group runs, so that groups can be compared",
        "[changed]",
        f"name = {toml_string(lesson.x)}",
        f"words = {toml_string(lesson.x_words)}",
        f"unit = {toml_string(lesson.x_unit)}",
        f"values = [{', '.join(map(toml_number, lesson.values))}]",
        f"reference = {toml_number(lesson.reference)}",
        "",
        "# Where counting starts and stops, in seconds for one turn. Students may choose others.",
        "# All runs must reach both: teacher/prepare_lesson shows how far yours go.",
        '# rule: "best", "interpolated", "whole turns" or "law".',
        "# Without stop_period_s each log counts to its last pass.",
        "[thresholds]",
        f"start_period_s = {toml_number(lesson.start_period_s)}",
        "# stop_period_s = 1.0" if stop is None else f"stop_period_s = {toml_number(stop)}",
        f"rule = {toml_string(lesson.rule)}",
        "",
        "# Top of the scales on which students sketch what they expect. Leave room above the longest run.",
        "[sketch_up_to]",
        f"duration_s = {toml_number(lesson.expected_up_to['duration_s'])}",
        f"turns = {toml_number(lesson.expected_up_to['turns'])}",
    ]


def _logs(lesson: Lesson) -> list[str]:
    if not lesson.logs:
        return []
    lines = ["", "# How the gate logs are read, where they do not say it themselves.", "[logs]"]
    return [*lines, *(f"{key} = {_value(value)}" for key, value in lesson.logs.items())]


def _minutes(lesson: Lesson) -> list[str]:
    if not lesson.minutes:
        return []
    lines = ["", "# Minutes for a stage, where they differ from those of the guide.", "[minutes]"]
    return [*lines, *(f"{stage} = {toml_number(minutes)}" for stage, minutes in lesson.minutes.items())]


def bench_text(lesson: Lesson) -> list[str]:
    if lesson.bench_table is None:
        return []
    lines = ["", "# The virtual bench that simulates this apparatus, see kit/sources/setup.py for all keys.", "[bench]"]
    return [*lines, *(f"{_name(key)} = {_value(value)}" for key, value in lesson.bench_table.items())]


def _questions(lesson: Lesson) -> list[str]:
    lines = [
        "",
        "# Questions with choices. Each choice should stand for an idea that students really have.",
        f"#   stage       where it is asked: {', '.join(STAGES)}",
        "#   shuffle     true: each group sees the choices in an order of its own",
        "#   before      the stage whose data wait until it is sealed; without it, the next data of its own stage",
        "#   after       the id of a question that is sealed first, where this one gives away the answer to it",
        "#   run_shown   the condition of the one run that answers it on the path of ten minutes; else the reference",
        "#   id          a short name without blanks; teacher_key.toml uses it too",
    ]
    for question in lesson.questions:
        lines += _question(question)
    return lines


def _question(question: Question) -> list[str]:
    lines = ["", "[[questions]]", f"id = {toml_string(question.id)}", f"stage = {toml_string(question.stage)}"]
    lines += [f"text = {toml_string(question.text)}"] + (["shuffle = true"] if question.shuffle else [])
    waits = {"before": question.before, "after": question.after}
    lines += [f"{key} = {toml_string(value)}" for key, value in waits.items() if value]
    lines += [] if question.run_shown is None else [f"run_shown = {toml_number(question.run_shown)}"]
    for choice in question.choices:
        lines += ["[[questions.choices]]", f"id = {toml_string(choice.id)}", f"text = {toml_string(choice.text)}"]
    return lines


def _claims(lesson: Lesson) -> list[str]:
    lines = []
    if lesson.claims:
        lines += [
            "",
            "# Claims that the last stage puts to the test, each with a folder of runs of its own below this one.",
        ]
    for claim in lesson.claims:
        said = {key: value for key, value in asdict(claim).items() if value not in (None, "", ())}
        lines += ["", "[[claims]]", *(f"{key} = {_value(value)}" for key, value in said.items())]
    return lines


def _words(lesson: Lesson) -> list[str]:
    lines = ["", "# What to beware of, one sentence each; shown on top of every page.", "[safety]"]
    lines += [f"notes = {_list(lesson.safety)}", ""]
    lines += ["# What a stage begins with (Markdown), for any of the stages named above.", "[texts]"]
    return [*lines, *(f"{stage} = {toml_string(text)}" for stage, text in lesson.texts.items() if text), ""]


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_string(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_name(key)} = {_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, int | float):
        return toml_number(value)
    raise KitError("A lesson can't hold this value", found=value, fix="give a text, a number, a list or a table")


def _list(texts: Sequence[str]) -> str:
    return "[\n" + "".join(f"    {toml_string(text)},\n" for text in texts) + "]" if texts else "[]"


def _name(key: str) -> str:
    """A key of TOML: bare where that is allowed, else in quotes on one line."""
    if re.fullmatch(r"[A-Za-z0-9_-]+", key):
        return key
    return _one_line(key)


def _one_line(key: str) -> str:
    return '"' + "\\n".join(toml_string(part)[1:-1] for part in key.split("\n")) + '"'


def _comment(text: str) -> str:
    """The beginning of a text, fit to stand after a # on one line."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return plain if len(plain) <= 80 else plain[:79].rstrip() + "…"


_ESCAPES = {"\b": r"\b", "\f": r"\f", "\r": r"\r", "\\": r"\\"}

_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\\]")  # all but tab and line feed


def toml_string(text: str) -> str:
    """A TOML string that reads back as this text: on one line, or between triple quotes where it has several.

    Raises
    ------
    KitError : the text holds half a character (a lone surrogate), which no UTF-8 file can hold.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise KitError(
            "This text holds half a character", found=ascii(text), fix=f"type character {error.start + 1} again"
        ) from None
    escaped = _UNPRINTABLE.sub(lambda m: _ESCAPES.get(m[0]) or f"\\u{ord(m[0]):04x}", text)
    if "\n" not in escaped:
        return '"' + escaped.replace('"', '\\"') + '"'
    lone = re.sub(r'"(?="|\Z)', r"\\" + '"', escaped)  # no two quotes may stand side by side, nor one at the end
    return f'"""\n{lone}"""'


def toml_number(value: float) -> str:
    """A finite number as TOML, whole ones without a point.

    Raises
    ------
    KitError : the number is not finite.
    """
    if not isfinite(value):
        raise KitError("A lesson can't hold this number", found=value, fix="give a finite number")
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))
