"""A lesson that a teacher makes: a folder with everything in it, one half to hand out, one half to keep.

    FOLDER/student/NAME/       lesson.toml and the data: runs.csv, passes/, …
    FOLDER/student/1_…ipynb    the stages; the folder `student` is complete and can be handed out alone
    FOLDER/teacher/            teacher_key.toml, the guide, and the stages with notes for the teacher

NAME is the folder's own name. It is what hand-ins call the lesson.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path

from ..errors import KitError
from .cells import MADE_STAGES, MAKE_RUNS, notebook_name
from .foreign import carried_over
from .lesson import HAND_COUNTS, LESSON_FILE, Lesson, load_lesson
from .lesson_text import key_text, lesson_text
from .notebooks import first_page, student_pages, teacher_notebooks
from .paths import QUESTION_PAGE, path_of
from .teacher_key import KEY_FILE, SEALED_KEY, find_key, load_key

__all__ = [
    "LessonPlace",
    "cells_of",
    "data_files",
    "demo_or_folder",
    "find_lesson",
    "is_own",
    "made_cells",
    "made_names",
    "new_lesson",
    "own_cells",
    "remake",
    "student_notebooks",
    "with_own_cells",
]

STUDENT, TEACHER, EARLIER = "student", "teacher", "earlier"

DEMOS = Path(__file__).parents[2] / "datasets_demo"

NOT_DATA = (LESSON_FILE, KEY_FILE, SEALED_KEY, "*.ipynb", "handin_*.json", "workbooks", ".*", "__pycache__")


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
    path: str = "",
    data: str | Path | None = None,
) -> LessonPlace:
    """Make a complete lesson: lesson file and data, the students' notebooks, the teacher's notebooks and key.

    Parameters
    ----------
    folder : where; must not exist yet, or be empty.
    like : the lesson to begin from: name of a demo lesson, or a folder that holds one. Its data are copied.
    lesson, key : what to write instead of the model's own lesson file and key. Where the lesson changes another thing
        than the model, what is about the model's apparatus is left out (`LessonPlace.left_out`).
    path : how much time there is, see `kit.lessons.paths`; by default as the model says.
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
    lesson = replace(lesson, path=path_of(path or lesson.path).name)
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
        for file in files:
            copy = place / file.relative_to(source)
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(file, copy)
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
    left = [path for side in (place.student, place.teacher) for path in _of_other_paths(side) if path not in wanted]
    _keep([path for path in (*changed, *left) if path.is_file()], Path(folder))
    for path in changed:
        _write(path, wanted[path])
    for path in left:
        path.unlink()
    return changed


def made_names(folder: str | Path) -> set[str]:
    """The notebooks that `remake` makes, by their paths below the folder of a made lesson."""
    lesson = load_lesson(find_lesson(folder).data)
    students = {f"{STUDENT}/{name}" for name in student_notebooks(lesson)}
    return students | {f"{TEACHER}/{name}" for name in teacher_notebooks(lesson, {}, "..")}


def _of_other_paths(folder: Path) -> list[Path]:
    """Pages that the kit makes on some path, as far as they are in a folder."""
    names = (*map(notebook_name, MADE_STAGES), MAKE_RUNS, QUESTION_PAGE)
    return [folder / name for name in names if (folder / name).is_file()]


def student_notebooks(lesson: Lesson, home: str = "") -> dict[str, str]:
    """File name -> text of the students' notebooks beside the lesson's folder; the last leads home, or to the first."""
    return student_pages(lesson, lesson.name, home=home or first_page(lesson))


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
    return load_key(model.key_folder, lesson) if find_key(model.key_folder) else {}


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


# --- cells that a teacher put into a made notebook: known by their ids, kept when it is made anew -----------------


_MADE = re.compile(r"[a-z-]+-\d\d")  # as `notebook_text` numbers them; a front end's own ids are random


def made_cells(text: str) -> list[tuple[str, str]] | None:
    """Kind and text of the cells of a notebook that are not somebody's own; None where it is no notebook."""
    cells = _cells(text)
    return None if cells is None else [(cell["cell_type"], _source(cell)) for cell in cells if not is_own(cell)]


def own_cells(text: str) -> list[dict]:
    """The cells of a notebook that somebody put in, as they are."""
    return [cell for cell in _cells(text) or [] if is_own(cell)]


def with_own_cells(made: str, before: str) -> str:
    """A notebook that was made anew, with the own cells of the one before where they stood.

    An own cell follows the made cell that it followed before: one with the same text, else one with the same id; where
    that is gone it goes to the end.
    """
    old, document = _cells(before) or [], json.loads(made)
    new = document["cells"]
    groups: list[tuple[dict | None, list[dict]]] = [(None, [])]
    for cell in old:
        if is_own(cell):
            groups[-1][1].append(cell)
        else:
            groups.append((cell, []))
    if not any(own for _, own in groups):
        return made
    for after, own in groups:
        if own:
            at = _place_after(new, after)
            new[at:at] = own
    return json.dumps(document, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _place_after(cells: list[dict], after: dict | None) -> int:
    if after is None:
        return 0
    for alike in (lambda cell: _source(cell) == _source(after), lambda cell: cell.get("id") == after.get("id")):
        for i, cell in enumerate(cells):
            if not is_own(cell) and alike(cell):
                while i + 1 < len(cells) and is_own(cells[i + 1]):
                    i += 1
                return i + 1
    return len(cells)


def _cells(text: str) -> list[dict] | None:
    try:
        cells = json.loads(text)["cells"]
        _ = [(cell["cell_type"], _source(cell)) for cell in cells]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return cells


def cells_of(text: str) -> list[dict]:
    """The cells of a notebook; none where it is no notebook."""
    return _cells(text) or []


def is_own(cell: dict) -> bool:
    """Whether somebody put this cell in."""
    return not _MADE.fullmatch(str(cell.get("id", "")))


def _source(cell: dict) -> str:
    return "".join(cell["source"])
