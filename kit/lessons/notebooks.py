"""The notebooks of a lesson, made from its lesson file: same lesson in, same bytes out.

`kit.lessons.cells` holds what stands on the pages of the stages, `kit.lessons.guide` what is for the teacher. Here
cells become notebooks, and here are the pages beside the stages: the start, the question of the day, runs of one's own.
`python3 -m kit.lessons.notebooks` writes those of the demo lessons anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from ..errors import KitError
from .build_it import BUILD_IT, build_it_cells
from .cautions import BEFORE_IT_SPINS
from .cells import CLOSED, made_stages, notebook_name, stage_cells
from .guide import GUIDE, guide_cells, listed, noted_cells
from .lesson import Lesson, load_lesson
from .paths import AGAIN, DAY, MAKE_RUNS, QUESTION_PAGE, SEAL, WRITE, Arranged, Cells, Step, arrange

__all__ = [
    "GUIDE",
    "first_page",
    "guide_name",
    "guide_notebook",
    "make_runs_notebook",
    "notebook_text",
    "question_arranged",
    "question_notebook",
    "regenerate",
    "stage_notebook",
    "start_notebook",
    "student_pages",
    "teacher_notebook",
    "teacher_notebooks",
    "write_notebooks",
]


DEMO_LESSONS = ("coasting_disc", "felt_brake", "card_vanes")


def notebook_text(stage: str, cells: Iterable[tuple[str, str]]) -> str:
    """A notebook (nbformat 4.5, no outputs) of cells, pairs of kind and text; `stage` begins the cells' ids.

    What follows a cell of the kind `CLOSED` is hidden below its heading, until a student opens that.
    """
    document = {
        "cells": [
            {
                "cell_type": "code" if kind == "code" else "markdown",
                "id": f"{stage}-{i:02d}",
                "metadata": {"jp-MarkdownHeadingCollapsed": True} if kind == CLOSED else {},
                "source": text.splitlines(keepends=True),
            }
            | ({"execution_count": None, "outputs": []} if kind == "code" else {})
            for i, (kind, text) in enumerate(cells, 1)
        ],
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return json.dumps(document, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


# --- the students' pages ---------------------------------------------------------------------------------------------


def student_pages(lesson: Lesson, lesson_path: str, home: str = "../start_here.ipynb") -> dict[str, str]:
    """File name -> text of the students' notebooks on the lesson's path.

    One a stage, and the page for runs of their own; on the path of ten minutes one page alone.
    """
    stages = {notebook_name(stage): stage_notebook(lesson, stage, lesson_path, home) for stage in made_stages(lesson)}
    if not stages:
        return {QUESTION_PAGE: question_notebook(lesson, lesson_path, home)}
    return stages | {MAKE_RUNS: make_runs_notebook(lesson, lesson_path)}


def question_notebook(lesson: Lesson, lesson_path: str, home: str = "../start_here.ipynb") -> str:
    """The text of the one page of ten minutes."""
    return notebook_text("question", _question_cells(lesson, lesson_path, home))


def first_page(lesson: Lesson) -> str:
    """File name of the page that a lesson begins with on its path."""
    return notebook_name(made_stages(lesson)[0]) if made_stages(lesson) else QUESTION_PAGE


def stage_notebook(lesson: Lesson, stage: str, lesson_path: str, home: str = "../start_here.ipynb") -> str:
    """The text of one stage's notebook (nbformat 4.5, no outputs)."""
    return notebook_text(stage, stage_cells(lesson, stage, lesson_path, home))


def make_runs_notebook(lesson: Lesson, lesson_path: str) -> str:
    """The text of the page on which a group makes runs of its own."""
    return notebook_text(
        "runs", arrange(_make_runs_cells(lesson, lesson_path, notebook_name("measure")), lesson.path).shown
    )


def start_notebook(lessons: list[Lesson], guides: bool = True) -> str:
    """The text of the start page: what this is, where to begin, how it works.

    Parameters
    ----------
    guides : name the teachers' guides; a copy for students has none.
    """
    links = "\n".join(
        f"- **[{lesson.title}]({lesson.name}/{first_page(lesson)})**: {lesson.question}" for lesson in lessons
    )
    quick = ", ".join(f"[{lesson.title.lower()}]({lesson.name}/{QUESTION_PAGE})" for lesson in lessons)
    quick = f"\n\nOnly ten minutes? Take a question of the day: {quick}." if guides else ""
    where = "*For teachers*: the folder `teacher` has a guide to each, and [how we know](teacher/how_we_know.ipynb)."
    teachers = f"\n\n{where}" if guides else ""
    opening = (
        "# Start here\n\n"
        "Something spins. You let go. It slows down and stops. "
        "**How long does that take, and on what does it depend?**"
    )
    begin = (
        f"## Choose a lesson\n\n{links}\n\n"
        "Click the title to begin. Each lesson has stages: predict, measure, average, find the trend, explain, "
        f"investigate.{quick}{teachers}"
    )
    how = (
        "## How a page works\n\n"
        "Press **Shift + Enter** in a grey box to run it. Or run all boxes at once: menu *Run*, *Run All Cells*. "
        "Then use what appears below it: buttons, lines to drag, fields to write in.\n\n"
        "What you save is kept in your **workbook**, beside these pages. You can close the page and come back. "
        "Use no names: choose a code for your group.\n\n"
        "Is this page on a hosted machine? Then it stops after some minutes without work, and your files may be gone. "
        "**Download your workbook before a break.** Each stage then has a button for it at the top, and one to put it "
        "back.\n\n"
        "You may read and change the grey boxes. Nothing can break: get a fresh copy any time."
    )
    cautions = "## Before anything spins\n\n" + "\n".join(listed(BEFORE_IT_SPINS))
    check = 'import kit\n\nprint(f"The kit is ready (version {kit.__version__}).")'
    return notebook_text(
        "start",
        [("markdown", opening), ("markdown", cautions), ("markdown", begin), ("markdown", how), ("code", check)],
    )


# --- the one page of ten minutes -------------------------------------------------------------------------------------


def question_arranged(lesson: Lesson) -> Arranged:
    """The cells between the welcome and the end."""
    return arrange(_question_of_the_day(lesson), DAY)


def _question_cells(lesson: Lesson, lesson_path: str, home: str) -> list[tuple[str, str]]:
    """The cells of the one page of ten minutes: the lesson's first question, talk, one run, a look back."""
    start = f'from kit.widgets import Stage\n\nstage = Stage("{lesson_path}", "predict", path="{DAY}")\n'
    return [
        ("markdown", f"# Question of the day: {lesson.title}\n\n{lesson.question}"),
        ("code", start + "stage.welcome()"),
        *question_arranged(lesson).shown,
        ("markdown", f"---\nThis is the end. [Back to the start]({home})."),
    ]


def _question_of_the_day(lesson: Lesson) -> Cells:
    if lesson.texts["predict"]:
        yield "markdown", lesson.texts["predict"].strip()
    for question in lesson.asked("predict")[:1]:
        yield Step("the question", on=(DAY,), needs=SEAL + AGAIN)
        yield (
            "markdown",
            "## The question\n\n"
            "Choose an answer, say why, and say how sure you are. Seal it. It is not marked. Then talk with others and "
            "answer again.",
        )
        yield "code", f'stage.prediction("{question.id}")'
        yield Step("one run", on=(DAY,))
        yield "markdown", "## One run\n\nIt shows when you have answered again. What does it say about your answer?"
        yield "code", f'stage.one_run("{question.id}")'
        yield Step("look back", on=(DAY,), needs=WRITE)
        yield "markdown", "## Look back\n\nOne run is not much. How sure are you now, and what would you do next?"
        yield "code", f'stage.look_back("{question.id}", measured=False)'
        yield "code", 'stage.observation("look back", "What do you think now? What would you measure next?")'
    yield Step("hand in", on=(DAY,), needs=1)
    yield "markdown", "## For your teacher"
    yield "code", "stage.hand_in()"


# --- 2b runs of the group's own --------------------------------------------------------------------------------------


def _make_runs_cells(lesson: Lesson, lesson_path: str, measure_page: str) -> Cells:
    """(kind, text) of every cell."""
    yield (
        "markdown",
        f"# 2b · Make your own runs: {lesson.title}\n\n"
        "The lesson has runs already, so you can skip this page. But runs of your own are better: you know how they "
        "were made. Choose one way or several. Each run you keep goes into your workbook.",
    )
    yield "code", f'from kit.widgets import MakeRuns\n\nmake = MakeRuns("{lesson_path}")\nmake.welcome()'
    yield (
        "markdown",
        "## How many runs?\n\n"
        "Decide before you measure. How many minutes do you have? One run takes its coasting time, and about a minute "
        "to set up and to write down. So how many settings can you try, and how many times each? "
        "Keep to it, whatever comes out.",
    )
    yield "code", "make.plan()"
    if lesson.bench is not None:
        yield (
            "markdown",
            "## On the virtual bench\n\n"
            "No apparatus at hand? Here is a simulated one. Set it up. Give it a push. Watch it slow down, or skip to "
            "the end. Then keep the run. Three runs for each setting, at four settings or more, are a good beginning.",
        )
        yield "code", "make.bench()"
    yield (
        "markdown",
        "## With a gate of your own\n\n"
        "Is a light gate joined by a wire to the machine in front of you? Then the kit can read it while the run "
        "lasts, also where Python runs somewhere else. First say where the wire ends. Your school's "
        "safety rules come first. Read the cautions at the top of this page before anything spins.",
    )
    yield "code", "make.live_gate()"
    yield (
        "markdown",
        "## By the clicks of a card\n\n"
        "No gate? Let a card be struck once a turn, and let this machine's microphone listen. Hold it close, and keep "
        "the room quiet. The card brakes a little too: use the same one for all runs. Fix card and microphone, so that "
        "nothing can come loose and reach what spins.",
    )
    yield "code", "make.microphone()"
    yield (
        "markdown",
        "## By a camera\n\n"
        "No card either? Put a broad mark on what turns, and let a camera watch one spot that it passes. A film works "
        "too, and one in slow motion works best. Fix the camera on a stand behind the guard. Keep the light even: no "
        "lamp that flashes.",
    )
    yield "code", "make.camera()"
    yield (
        "markdown",
        "## By tapping\n\n"
        "Does it turn slowly enough to count? Then tap once for each turn: with the space bar, or with the button. "
        "Practise first, so that you know how even your taps are.",
    )
    yield "code", "make.taps()"
    yield (
        "markdown",
        "## From files\n\nDo you have logs of a gate as files? Add them here, several at once if you like.",
    )
    yield "code", "make.add_files()"
    yield (
        "markdown",
        "## What you have, and whose runs count\n\n"
        "Tick whose runs you want to use from now on. You can mix them: every plot shows them with marks of their own.",
    )
    yield "code", "make.runs()"
    yield "code", "make.sources()"
    yield "markdown", f"---\n**Next:** [Measure]({measure_page}). What you kept here is saved and waits for you there."


# --- the teacher's pages ---------------------------------------------------------------------------------------------


def teacher_notebooks(lesson: Lesson, key: Mapping[str, Mapping], lesson_path: str) -> dict[str, str]:
    """File name -> text of all the teacher's notebooks: the guide, one a stage, and the page for own runs.

    Parameters
    ----------
    key : from `load_key`.
    lesson_path : how they reach the lesson's folder, relative to theirs, with forward slashes.
    """
    stages = {notebook_name(stage): teacher_notebook(lesson, key, stage, lesson_path) for stage in made_stages(lesson)}
    build = notebook_text("build-it", build_it_cells([(lesson, lesson_path)]))
    guide = {GUIDE: guide_notebook(lesson, lesson_path), BUILD_IT: build}
    if not stages:
        return {**guide, QUESTION_PAGE: question_notebook(lesson, lesson_path, home=GUIDE)}
    return {**guide, **stages, MAKE_RUNS: make_runs_notebook(lesson, lesson_path)}


def teacher_notebook(lesson: Lesson, key: Mapping[str, Mapping], stage: str, lesson_path: str) -> str:
    """One stage's notebook as the teacher sees it (nbformat 4.5, no outputs)."""
    return notebook_text(f"teacher-{stage}", noted_cells(lesson, key, stage, lesson_path))


def guide_notebook(lesson: Lesson, lesson_path: str, pages: str = "") -> str:
    """The guide (nbformat 4.5, no outputs); its parameters are those of `guide_cells`."""
    return notebook_text("teacher-guide", guide_cells(lesson, lesson_path, pages))


# --- on the disk -----------------------------------------------------------------------------------------------------


def write_notebooks(
    lesson: Lesson, folder: str | Path, lesson_path: str, overwrite: bool = False, home: str = "../start_here.ipynb"
) -> list[Path]:
    """Write the students' notebooks into a folder; return their paths.

    Parameters
    ----------
    lesson_path : how a notebook reaches the lesson's folder, relative to `folder`, with forward slashes.
    overwrite : replace notebooks that are there already. Students' entries live in the workbook, not in them.
    home : the page that the last one leads back to, relative to `folder`.

    Raises
    ------
    KitError : a notebook is there already and `overwrite` is not given.
    """
    folder = Path(folder)
    texts = student_pages(lesson, lesson_path, home)
    for name in texts:
        if (folder / name).exists() and not overwrite:
            raise KitError("This notebook is there already and is not replaced", file=folder / name)
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return [folder / name for name in texts]


def guide_name(lesson: str) -> str:
    """File name of a built-in lesson's guide in `notebooks/teacher`."""
    return f"guide_{lesson}.ipynb"


def regenerate(project: str | Path) -> list[Path]:
    """Write the notebooks of the demo lessons, and the start page, anew; return their paths."""
    project = Path(project)
    written = []
    lessons = []
    for name in DEMO_LESSONS:
        lesson = load_lesson(project / "datasets_demo" / name)
        path = f"../../datasets_demo/{name}"
        written += write_notebooks(lesson, project / "notebooks" / name, path, overwrite=True)
        for page, text in {
            f"{name}/{QUESTION_PAGE}": question_notebook(lesson, path),
            f"teacher/{guide_name(name)}": guide_notebook(lesson, path, pages=f"../{name}/"),
        }.items():
            (project / "notebooks" / page).parent.mkdir(parents=True, exist_ok=True)
            (project / "notebooks" / page).write_text(text, encoding="utf-8", newline="\n")
            written.append(project / "notebooks" / page)
        lessons.append(lesson)
    start = project / "notebooks" / "start_here.ipynb"
    start.write_text(start_notebook(lessons), encoding="utf-8", newline="\n")
    build = project / "notebooks" / "teacher" / BUILD_IT
    paths = [(lesson, f"../../datasets_demo/{lesson.name}") for lesson in lessons]
    build.write_text(notebook_text("build-it", build_it_cells(paths)), encoding="utf-8", newline="\n")
    return [*written, start, build]


if __name__ == "__main__":
    for path in regenerate(Path(__file__).parents[2]):
        print(path)
