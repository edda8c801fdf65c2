"""A lesson that a teacher makes: a folder with everything in it, one half to hand out, one half to keep.

    FOLDER/student/NAME/       lesson.toml and the data: runs.csv, passes/, …
    FOLDER/student/1_…ipynb    the stages; the folder `student` is complete and can be handed out alone
    FOLDER/teacher/            teacher_key.toml, the guide, and the stages with notes for the teacher

NAME is the folder's own name. It is what hand-ins call the lesson.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from fnmatch import fnmatch
from math import isfinite
from pathlib import Path

from ..errors import KitError
from .cells import MADE_STAGES, notebook_name
from .foreign import carried_over
from .keys import LEVEL_NAMES, level_of
from .lesson import HAND_COUNTS, KEY_FILE, LESSON_FILE, SCHEMA, STAGES, Lesson, Question, load_key, load_lesson
from .notebooks import student_pages, teacher_notebooks
from .own_cells import with_own_cells

__all__ = [
    "LessonPlace",
    "bench_text",
    "data_files",
    "demo_or_folder",
    "find_lesson",
    "key_text",
    "lesson_text",
    "made_names",
    "new_lesson",
    "remake",
    "student_notebooks",
    "toml_number",
    "toml_string",
]


STUDENT, TEACHER, EARLIER = "student", "teacher", "earlier"

DEMOS = Path(__file__).parents[2] / "datasets_demo"

NOT_DATA = (LESSON_FILE, KEY_FILE, "*.ipynb", "handin_*.json", "workbooks", ".*", "__pycache__")


@dataclass(frozen=True)
class LessonPlace:
    """Where the parts of a lesson lie. `student` and `teacher` are None for a bare folder of `lesson.toml` and data."""

    data: Path  # holds lesson.toml
    student: Path | None = None
    teacher: Path | None = None
    left_out: tuple[str, ...] = ()  # parts of the model that are about another apparatus, in words

    @property
    def key_folder(self) -> Path:
        """Where the teacher's key belongs; of data alone, the teacher's half beside them if there is one."""
        beside = self.data.absolute().parent.parent / TEACHER
        return self.teacher or (beside if (beside / KEY_FILE).is_file() else self.data)


def find_lesson(folder: str | Path) -> LessonPlace:
    """The lesson in a folder: one that `new_lesson` made, its `student` folder alone, or a bare lesson.

    Raises
    ------
    KitError : no lesson there, or several.
    """
    folder = Path(folder)
    folder = folder.parent if folder.is_file() else folder
    if (folder / LESSON_FILE).is_file():
        return LessonPlace(folder)
    for student in (folder / STUDENT, folder):
        found = sorted(path.parent for path in student.glob(f"[!.]*/{LESSON_FILE}"))
        if len(found) > 1:
            raise KitError(
                "There are several lessons here", file=folder, found=", ".join(p.name for p in found), fix="name one"
            )
        if found and (student is not folder or any(student.glob("*.ipynb"))):
            return LessonPlace(found[0], student, folder / TEACHER if student is not folder else None)
    raise KitError("There is no lesson in this folder", file=folder, fix=f"name the folder that holds {LESSON_FILE}")


def new_lesson(
    folder: str | Path,
    like: str | Path = "coasting_disc",
    *,
    lesson: Lesson | None = None,
    key: Mapping[str, Mapping] | None = None,
    data: str | Path | None = None,
) -> LessonPlace:
    """Make a complete lesson: lesson file and data, the students' notebooks, the teacher's notebooks and key.

    Parameters
    ----------
    folder : where; must not exist yet, or be empty.
    like : the lesson to begin from: name of a demo lesson, or a folder that holds one. Its data are copied.
    lesson, key : what to write instead of the model's own lesson file and key. Where the lesson changes another thing
        than the model, what is about the model's apparatus is left out (`LessonPlace.left_out`).
    data : a folder of logs with their `runs.csv`, to be copied in place of the model's. `lesson` is then needed, and
        nothing of a model is used.

    Raises
    ------
    KitError : the folder holds something already or can't be made, or there is no such model. Then nothing is left
        behind.

    >>> import kit, tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     made = kit.new_lesson(f"{place}/my_brake", like="felt_brake")
    ...     kit.check_lesson(made.data)
    []
    """
    folder = Path(folder).absolute()
    left_out: list[str] = []
    name = _short_name(folder)
    if data is not None and lesson is not None:
        source, files, key = Path(data), data_files(Path(data)), key or {}
    else:
        model = find_lesson(demo_or_folder(like))
        its = load_lesson(model.data)
        lesson, left_out = carried_over(its, lesson or its)
        key = _key_of(model, its) if key is None else key  # of questions that are left, see key_text
        source, files = model.data, data_files(model.data)
        if lesson.x != its.x:
            gone = [HAND_COUNTS, its.clicks_data or HAND_COUNTS, *(claim.data for claim in its.claims)]
            files = [path for path in files if not any((source / part) in (path, *path.parents) for part in gone)]
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise KitError("This folder is not empty, and nothing is written over", file=folder, fix="choose a new name")
    texts = {LESSON_FILE: lesson_text(lesson), KEY_FILE: key_text(key, lesson)}  # may refuse: before anything is made
    there_before = folder.exists()
    place, teacher = folder / STUDENT / name, folder / TEACHER
    try:
        place.mkdir(parents=True)
        teacher.mkdir()
        _write(place / LESSON_FILE, texts[LESSON_FILE])
        _write(teacher / KEY_FILE, texts[KEY_FILE])
        for path in files:
            copy = place / path.relative_to(source)
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copy)
        remake(folder)
    except OSError as error:
        _take_back(folder, there_before)
        raise KitError(
            f"This can't be written ({error.strerror or error})", file=folder, fix="choose a place you may write to"
        ) from error
    except KitError:
        _take_back(folder, there_before)
        raise
    return LessonPlace(place, folder / STUDENT, teacher, tuple(left_out))


def remake(folder: str | Path) -> list[Path]:
    """Make the notebooks of a lesson anew from its lesson file and key; return those that changed.

    Cells that a teacher put in stay where they were. A notebook that is replaced is kept below `earlier`. Workbooks and
    everything else stay as they are.

    Raises
    ------
    KitError : no lesson made by `new_lesson` there, or a lesson file or key with a problem. Then nothing is changed.
    """
    place = find_lesson(folder)
    if place.student is None or place.teacher is None:
        raise KitError(
            "This folder was not made by new-lesson",
            file=folder,
            fix=f"name the one that holds {STUDENT}/ and {TEACHER}/",
        )
    lesson = load_lesson(place.data)
    key = load_key(place.teacher, lesson)
    wanted = {place.student / name: text for name, text in student_notebooks(lesson).items()}
    for name, text in teacher_notebooks(lesson, key, f"../{STUDENT}/{lesson.name}").items():
        wanted[place.teacher / name] = text
    for path, text in wanted.items():
        if path.is_file():
            wanted[path] = with_own_cells(text, path.read_text(encoding="utf-8", errors="replace"))
    changed = [path for path, text in wanted.items() if not path.is_file() or path.read_bytes() != text.encode()]
    _keep([path for path in changed if path.is_file()], Path(folder))
    for path in changed:
        _write(path, wanted[path])
    return changed


def made_names(folder: str | Path) -> set[str]:
    """The notebooks that `remake` makes, by their paths below the folder of a made lesson."""
    lesson = load_lesson(find_lesson(folder).data)
    students = {f"{STUDENT}/{name}" for name in student_notebooks(lesson)}
    return students | {f"{TEACHER}/{name}" for name in teacher_notebooks(lesson, {}, "..")}


def student_notebooks(lesson: Lesson) -> dict[str, str]:
    """File name -> text of the students' notebooks beside the lesson's folder; the last leads back to the first."""
    return student_pages(lesson, lesson.name, home=notebook_name(MADE_STAGES[0]))


def data_files(folder: Path) -> list[Path]:
    """The data of a lesson: all files in its folder but the lesson file, the key, notebooks, students' entries."""
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file()
        and not any(fnmatch(part, pattern) for part in path.relative_to(folder).parts for pattern in NOT_DATA)
    )


def demo_or_folder(like: str | Path) -> Path:
    """The folder of a lesson: of one that comes with the kit by its name, or any lesson's own.

    Raises
    ------
    KitError : there is no such lesson.
    """
    demos = sorted(path.parent.name for path in DEMOS.glob(f"*/{LESSON_FILE}"))
    if str(like) in demos:
        return DEMOS / like
    if Path(like).is_dir():
        return Path(like)
    raise KitError("There is no such lesson to begin from", found=str(like), fix=f"use one of: {', '.join(demos)}")


def _key_of(model: LessonPlace, lesson: Lesson) -> dict[str, dict]:
    return load_key(model.key_folder, lesson) if (model.key_folder / KEY_FILE).is_file() else {}


def _short_name(folder: Path) -> str:
    """What hand-ins and workbooks call the lesson: the folder's name in letters, digits, - and _."""
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", folder.name).strip("_-")[:64]
    if not name:
        raise KitError(
            "A lesson's folder needs a name with letters or digits", found=folder.name, fix="such as my_brake"
        )
    return name


def _take_back(folder: Path, there_before: bool) -> None:
    """Leave nothing half made: all of it was made here, in a folder that was new or empty."""
    shutil.rmtree(folder, ignore_errors=True)
    if there_before:
        folder.mkdir(exist_ok=True)


def _keep(paths: list[Path], folder: Path) -> None:
    """Copies of notebooks that are about to be replaced, in a numbered folder of their own."""
    if not paths:
        return
    taken = [int(path.name) for path in (folder / EARLIER).glob("[0-9]*") if path.name.isdigit()]
    for path in paths:
        copy = folder / EARLIER / str(max(taken, default=0) + 1) / path.relative_to(folder)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, copy)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


# --- the text of a lesson file and of a key --------------------------------------------------------------------------


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
    lines += ["", "# true: data wait until what comes before them is sealed. false: they show to all, at any time."]
    lines += [f"wait_for_predictions = {str(lesson.wait_for_predictions).lower()}"]
    if lesson.data_notice:
        lines += ["", "# What students should know about the data: where they come from, whether they are invented."]
        lines += [f"data_notice = {toml_string(lesson.data_notice)}"]
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
