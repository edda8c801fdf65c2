"""Copies of lessons: the pages of another path beside a lesson, and a copy for students that holds no key in the clear.

FOLDER/start_here.ipynb
FOLDER/NAME/1_predict.ipynb …      the pages of one path
FOLDER/NAME/NAME/                  lesson.toml and the data; teacher_key.sealed, if that is wanted
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..errors import KitError
from .lesson import LESSON_FILE, Lesson, load_lesson
from .lesson_text import lesson_text
from .make import DEMOS, LessonPlace, data_files, find_lesson
from .notebooks import first_page, start_notebook, write_notebooks
from .paths import path_of
from .teacher_key import SEALED_KEY, find_key, seal_key

__all__ = ["pages_on_path", "student_copy"]


def pages_on_path(lesson: str | Path, path: str, notebooks: str | Path = DEMOS.parent / "notebooks") -> Path:
    """Write a lesson's pages for one path into a folder of their own beside its usual ones; return the first page.

    Parameters
    ----------
    lesson : name of a built-in lesson, or a folder that holds one.
    path : its name, see `kit.lessons.paths`.
    notebooks : where the pages of built-in lessons lie.

    Pages that are there are made anew; the workbooks beside them stay.

    Raises
    ------
    KitError : no such lesson or path, or a folder that can't be written to.
    """
    chosen = path_of(path)
    place = _place(lesson)
    beside = place.student or Path(notebooks) / place.data.name
    if place.student is None and not _is_built_in(place):
        raise KitError("This folder holds a lesson without pages", file=place.data, fix="make one with new-lesson")
    folder = beside / chosen.slug
    data = f"../{place.data.name}" if place.student else f"../../../datasets_demo/{place.data.name}"
    asked = replace(load_lesson(place.data), path=path)
    home = f"../{first_page(load_lesson(place.data))}" if place.student else "../../start_here.ipynb"
    try:
        write_notebooks(asked, folder, data, overwrite=True, home=home)
    except OSError as error:
        raise KitError(f"The pages can't be written ({error.strerror})", file=folder) from error
    return folder / first_page(asked)


def student_copy(
    lessons: Sequence[str | Path], folder: str | Path, *, path: str = "", phrase: str | None = None
) -> list[Path]:
    """Make a copy of lessons for students: start page, pages and data, no guide, and no key in the clear.

    Parameters
    ----------
    lessons : names of built-in lessons, or folders that hold one.
    folder : where; must not exist yet, or be empty.
    path : how much time there is; by default as each lesson says.
    phrase : seal each lesson's key with this pass phrase and put it into the copy; None: no key at all.

    Returns the folders of the lessons.

    Raises
    ------
    KitError : no such lesson, two of one name, no key to seal, a pass phrase that is too short, a folder that is not
        empty or can't be written to. Then nothing is left behind.
    """
    folder = Path(folder).absolute()
    places = [_place(lesson) for lesson in lessons]
    names = [place.data.name for place in places]
    if not names or len(set(names)) < len(names):
        raise KitError("A copy needs lessons of different names", found=", ".join(names) or None, fix="name each once")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise KitError("This folder is not empty, and nothing is written over", file=folder, fix="choose a new name")
    asked = [_asked(place, path) for place in places]
    sealed = [None if phrase is None else _sealed(place, phrase) for place in places]  # may refuse: nothing is made yet
    there_before = folder.exists()
    try:
        for place, lesson, key in zip(places, asked, sealed, strict=True):
            _copy(place, lesson, key, folder / lesson.name)
        start = start_notebook(asked, guides=False)
        (folder / "start_here.ipynb").write_text(start, encoding="utf-8", newline="\n")
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        if there_before:
            folder.mkdir(exist_ok=True)
        raise KitError(f"This can't be written ({error.strerror or error})", file=folder) from error
    return [folder / name for name in names]


def _place(lesson: str | Path) -> LessonPlace:
    built_in = DEMOS / str(lesson)
    return find_lesson(built_in if re.fullmatch(r"[\w-]+", str(lesson)) and built_in.is_dir() else lesson)


def _is_built_in(place: LessonPlace) -> bool:
    return place.data.resolve().parent == DEMOS


def _asked(place: LessonPlace, path: str) -> Lesson:
    lesson = load_lesson(place.data)
    return replace(lesson, path=path_of(path or lesson.path).name)


def _sealed(place: LessonPlace, phrase: str) -> str:
    found = find_key(place.key_folder)
    if found is None:
        raise KitError("This lesson has no key that could be sealed", file=place.key_folder, fix="leave out --with-key")
    return seal_key(found.read_text(encoding="utf-8-sig"), phrase, place.data.name)


def _copy(place: LessonPlace, lesson: Lesson, key: str | None, folder: Path) -> None:
    data = folder / lesson.name
    data.mkdir(parents=True)
    shutil.copyfile(place.data / LESSON_FILE, data / LESSON_FILE)
    if lesson.path != load_lesson(place.data).path:  # the copy says itself how much time there is
        (data / LESSON_FILE).write_text(lesson_text(lesson), encoding="utf-8", newline="\n")
    for file in data_files(place.data):
        copy = data / file.relative_to(place.data)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, copy)
    if key is not None:
        (data / SEALED_KEY).write_text(key, encoding="utf-8", newline="\n")
    write_notebooks(lesson, folder, lesson.name)
