"""A lesson that a teacher makes: a folder with everything in it, one half to hand out, one half to keep.

    FOLDER/student/NAME/       lesson.toml and the data: runs.csv, passes/, …
    FOLDER/student/1_…ipynb    the stages; the folder `student` is complete and can be handed out alone
    FOLDER/teacher/            teacher_key.toml, the guide, and the stages with notes for the teacher

NAME is the folder's own name. It is what hand-ins call the lesson.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

from .errors import KitError
from .lesson import KEY_FILE, LESSON_FILE, Lesson, load_key, load_lesson
from .lesson_text import key_text, lesson_text
from .pages import MADE_STAGES, notebook_name, student_pages
from .teacher_pages import teacher_notebooks

__all__ = ["LessonPlace", "data_files", "find_lesson", "new_lesson", "remake", "student_notebooks"]

STUDENT, TEACHER, EARLIER = "student", "teacher", "earlier"
DEMOS = Path(__file__).parents[1] / "datasets_demo"
NOT_DATA = (LESSON_FILE, KEY_FILE, "*.ipynb", "handin_*.json", "workbooks", ".*", "__pycache__")


@dataclass(frozen=True)
class LessonPlace:
    """Where the parts of a lesson lie. `student` and `teacher` are None for a bare folder of `lesson.toml` and data."""

    data: Path  # holds lesson.toml
    student: Path | None = None
    teacher: Path | None = None

    @property
    def key_folder(self) -> Path:
        """Where the teacher's key belongs."""
        return self.teacher or self.data


def find_lesson(folder: str | Path) -> LessonPlace:
    """The lesson in a folder: one that `new_lesson` made, its `student` folder alone, or a bare lesson.

    Raises
    ------
    KitError : no lesson there, or several.
    """
    folder = Path(folder)
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
) -> LessonPlace:
    """Make a complete lesson: lesson file and data, the students' notebooks, the teacher's notebooks and key.

    Parameters
    ----------
    folder : where; must not exist yet, or be empty.
    like : the lesson to begin from: name of a demo lesson, or a folder that holds one. Its data are copied.
    lesson, key : what to write instead of the model's own lesson file and key.

    Raises
    ------
    KitError : the folder holds something already or can't be made, or there is no such model. Then nothing is left
        behind.
    """
    folder, model = Path(folder).absolute(), find_lesson(_model(like))
    name = _short_name(folder)
    lesson = lesson or load_lesson(model.data)
    key = _key_of(model, lesson) if key is None else key
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise KitError("This folder is not empty, and nothing is written over", file=folder, fix="choose a new name")
    texts = {LESSON_FILE: lesson_text(lesson), KEY_FILE: key_text(key, lesson)}  # may refuse: before anything is made
    there_before = folder.exists()
    data, teacher = folder / STUDENT / name, folder / TEACHER
    try:
        data.mkdir(parents=True)
        teacher.mkdir()
        _write(data / LESSON_FILE, texts[LESSON_FILE])
        _write(teacher / KEY_FILE, texts[KEY_FILE])
        for path in data_files(model.data):
            copy = data / path.relative_to(model.data)
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
    return LessonPlace(data, folder / STUDENT, teacher)


def remake(folder: str | Path) -> list[Path]:
    """Make the notebooks of a lesson anew from its lesson file and key; return those that changed.

    A notebook that is replaced is kept below `earlier`. Workbooks and everything else stay as they are.

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
    changed = [path for path, text in wanted.items() if not path.is_file() or path.read_bytes() != text.encode()]
    _keep([path for path in changed if path.is_file()], Path(folder))
    for path in changed:
        _write(path, wanted[path])
    return changed


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


def _model(like: str | Path) -> Path:
    """A demo lesson by its name, or any lesson's folder."""
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
