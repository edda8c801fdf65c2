"""The notebooks of a lesson, made from its lesson file: same lesson in, same bytes out.

What a stage gives and what it leaves to the students follows the lesson's level of inquiry (table in `levels.py`).
Each stage is a short list of cells. Text is Markdown in plain words; code cells are one or two lines, so that a
student who only clicks can run them, and a student who programs can see where every number comes from.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path

from .errors import KitError
from .lesson import STAGES, Lesson, load_lesson
from .levels import level_of
from .pages_investigate import investigate_cells
from .pages_make_runs import make_runs_cells

__all__ = [
    "make_runs_notebook",
    "notebook_name",
    "notebook_text",
    "regenerate",
    "stage_cells",
    "stage_notebook",
    "start_notebook",
    "student_pages",
    "write_notebooks",
]

TITLES = {
    "predict": "Predict",
    "measure": "Measure",
    "average": "Average",
    "trend": "Find the trend",
    "explain": "Explain",
    "investigate": "Investigate",
}
MAKE_RUNS = "2b_make_runs.ipynb"  # right after the stage "measure" in every list of files
DEMO_LESSONS = ("coasting_disc", "felt_brake", "card_vanes")
MADE_STAGES = STAGES


def notebook_name(stage: str) -> str:
    """File name of a stage's notebook, such as `2_measure.ipynb`."""
    return f"{STAGES.index(stage) + 1}_{stage}.ipynb"


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


def student_pages(lesson: Lesson, lesson_path: str, home: str = "../start_here.ipynb") -> dict[str, str]:
    """File name -> text of all the students' notebooks: one a stage, and the page for runs of their own."""
    stages = {notebook_name(stage): stage_notebook(lesson, stage, lesson_path, home) for stage in MADE_STAGES}
    return stages | {MAKE_RUNS: make_runs_notebook(lesson, lesson_path)}


def make_runs_notebook(lesson: Lesson, lesson_path: str) -> str:
    """The text of the page on which a group makes runs of its own."""
    return notebook_text("runs", make_runs_cells(lesson, lesson_path, notebook_name("measure")))


def regenerate(project: str | Path) -> list[Path]:
    """Write the notebooks of the demo lessons, and the start page, anew; return their paths."""
    project = Path(project)
    written = []
    lessons = []
    for name in DEMO_LESSONS:
        lesson = load_lesson(project / "datasets_demo" / name)
        path = f"../../datasets_demo/{name}"
        written += write_notebooks(lesson, project / "notebooks" / name, path, overwrite=True)
        lessons.append(lesson)
    start = project / "notebooks" / "start_here.ipynb"
    start.write_text(start_notebook(lessons), encoding="utf-8", newline="\n")
    return [*written, start]


def start_notebook(lessons: list[Lesson]) -> str:
    """The text of the start page: what this is, where to begin, how it works."""
    links = "\n".join(
        f"- **[{lesson.title}]({lesson.name}/{notebook_name('predict')})**: {lesson.question}" for lesson in lessons
    )
    opening = (
        "# Start here\n\n"
        "Something spins. You let go. It slows down and stops. "
        "**How long does that take, and on what does it depend?**\n\n"
        f"{links}\n\n"
        "Click the title to begin. Each lesson has stages: predict, measure, average, find the trend, explain, "
        "investigate."
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
    check = 'import kit\n\nprint(f"The kit is ready (version {kit.__version__}).")'
    return notebook_text("start", [("markdown", opening), ("markdown", how), ("code", check)])


def stage_notebook(lesson: Lesson, stage: str, lesson_path: str, home: str = "../start_here.ipynb") -> str:
    """The text of one stage's notebook (nbformat 4.5, no outputs)."""
    return notebook_text(stage, stage_cells(lesson, stage, lesson_path, home))


def stage_cells(lesson: Lesson, stage: str, lesson_path: str, home: str) -> list[tuple[str, str]]:
    """The cells of one stage's notebook: pairs of kind and text."""
    number = STAGES.index(stage) + 1
    asks = f"**{lesson.question}**" if level_of(lesson.level).gives_question else f"To start from: {lesson.question}"
    opening = f"# {number} · {TITLES[stage]}: {lesson.title}\n\n{asks}"
    start = f'from kit.widgets import Stage\n\nstage = Stage("{lesson_path}", "{stage}")\nstage.welcome()'
    return [("markdown", opening), ("code", start), *_CELLS[stage](lesson), ("markdown", _next_step(stage, home))]


def _next_step(stage: str, home: str) -> str:
    later = MADE_STAGES[MADE_STAGES.index(stage) + 1 :]
    if not later:
        return f"---\nThis is the end of the lesson. [Back to the start]({home})."
    link = f"[{TITLES[later[0]]}]({notebook_name(later[0])})"
    return f"---\n**Next:** {link}. What you entered here is saved and waits for you there."


Cells = Iterator[tuple[str, str]]


def _predict(lesson: Lesson) -> Cells:
    if lesson.texts["predict"]:
        yield "markdown", lesson.texts["predict"].strip()
    level = level_of(lesson.level)
    if level.tells_relation:
        yield (
            "markdown",
            f"## What is known\n\n{lesson.expected.strip()}\n\n"
            "You will check it: does it hold for this apparatus, and how well? Use it for your predictions.",
        )
    if not level.gives_question:
        yield (
            "markdown",
            "## Your own question\n\n"
            "What do you want to find out about it? Ask a question that a measurement can answer: what do you change, "
            "what do you measure?",
        )
        yield "code", "stage.own_question()"
    yield (
        "markdown",
        "## Your prediction\n\n"
        "Do this before you see any data. Choose an answer. Say why in your own words. Say how sure you are. "
        "Then seal it: a sealed answer stays as it is, so that you can compare it with what you see later. "
        "It is not marked.\n\n"
        "After that, talk with others. Then answer again. Your first answer is kept.",
    )
    for question in lesson.asked("predict"):
        yield "code", f'stage.prediction("{question.id}")'
    yield (
        "markdown",
        "## Sketch what you expect\n\n"
        f"What coasting time do you expect for each {lesson.x_words}? Set a value for each. A guess is fine.",
    )
    yield "code", 'stage.predicted_curve("duration_s")'


_STEPS = (
    "## Step by step\n\n"
    "1. Read the table of runs. Look for rows in which the gate logged a pass twice or missed one.\n"
    "2. Look at the plot of all runs. Each line is one run that slows down.\n"
    "3. Leave both lines where they are. All runs are counted between these two speeds.\n"
    "4. Press *Use these thresholds*.\n"
    "5. Write down what you see. Then go on."
)
_WHERE_TO_COUNT = (
    "## Where does counting start?\n\n"
    "Nobody spins it twice alike. So a fair count can't start when the hand lets go. "
    "Instead, agree on one speed: counting **starts** when one turn takes a certain time, and **stops** when "
    "one turn takes a longer time. These two times are called thresholds.\n\n"
    "The plot shows how long one turn takes while each run slows down. Move the two lines. "
    "The table below follows."
)
_WHERE_TO_COUNT_YOURSELF = (
    "## Where does counting start?\n\n"
    "Nobody spins it twice alike. What does your plan say about that?\n\n"
    "The plot shows how long one turn takes while each run slows down. Counting starts at one line and stops at the "
    "other. Move them to where your plan wants them, and be ready to say why."
)


def _measure(lesson: Lesson) -> Cells:
    level = level_of(lesson.level)
    if not level.gives_procedure:
        yield (
            "markdown",
            "## Your plan\n\n"
            "How can you find out? Write your plan before you look at any run. What do you change? What must stay the "
            "same? How often do you repeat it? When do you start counting, so that it is fair, and when do you stop?",
        )
        yield "code", "stage.plan()"
    if lesson.texts["measure"]:
        yield "markdown", lesson.texts["measure"].strip()
    if level.numbers_steps:
        yield "markdown", _STEPS
    yield (
        "markdown",
        "## The runs\n\n"
        "Each row is one run. The gate sometimes logs one pass twice, or misses one. The kit looks for both. "
        "It tells you what it found, and you can refuse it below.\n\n"
        f"You can also [make runs of your own]({MAKE_RUNS}), and then choose here whose runs you use.",
    )
    yield "code", "stage.sources()"
    yield "code", "stage.runs_table()"
    yield "markdown", _WHERE_TO_COUNT if level.gives_procedure else _WHERE_TO_COUNT_YOURSELF
    yield "code", "stage.thresholds()"
    yield "markdown", "## What do you see?\n\nWrite down what you see before you calculate anything. No reasons yet."
    yield "code", 'stage.observation("runs")'
    yield "markdown", "## The results as a table\n\nThe next stages use these numbers."
    yield "code", "stage.results"


def _average(lesson: Lesson) -> Cells:
    yield (
        "markdown",
        "## Three trials, one average\n\n"
        "Add the three values and divide by three: that is the average. But look at the dots too. "
        "They never fall on one spot. **Would a fourth run land exactly on the average?**\n\n"
        "If something went wrong in a run, and you know what, you can set it aside. You must say what happened. "
        "The run stays in the record.",
    )
    yield "code", 'stage.trials("duration_s")'
    yield (
        "markdown",
        "## How sure is an average?\n\n"
        "`u` is the standard uncertainty of the average. `low` and `high` are the ends of a 95 % interval. "
        "With three trials alone this interval is wide. The columns that begin with `pooled` use the scatter of all "
        'conditions together. (`stage.averages("turns")` gives the same for the turns.)',
    )
    yield "code", 'stage.averages("duration_s").round(3)'
    yield (
        "markdown",
        "## Counted by hand, counted by the gate\n\n"
        "Somebody had counted the same thing before, with a stopwatch and by eye, once for each condition. "
        "Do the two ways agree?",
    )
    yield "code", "stage.hand_counts()"
    yield "code", 'stage.observation("methods")'
    yield (
        "markdown",
        "## Are two of your averages really different?\n\n"
        "Two averages never agree to the last digit. Compare their difference with their uncertainty. "
        "Then decide: measure better, measure again, change your idea, or leave it. Every comparison is kept.",
    )
    yield "code", "stage.comparisons()"


def _how_it_changes(lesson: Lesson) -> str:
    level = level_of(lesson.level)
    if level.tells_relation:
        return (
            "## Does it hold?\n\n"
            f"This is what you were told: {lesson.expected.strip()}\n\n"
            "Here several curves are compared with the data at once. Does the curve that belongs to it leave no "
            "pattern in what is left over (the residuals)? Does another one do as well?"
        )
    advice = "Look at what is left over (the residuals): a good curve leaves no pattern."
    return "## Not whether, but how\n\nYou have seen that the coasting time changes. Now ask **how** it changes. " + (
        f"Choose curves that might fit. {advice}" if level.gives_procedure else "How can you tell? Say why first."
    )


def _trend(lesson: Lesson) -> Cells:
    yield "markdown", _how_it_changes(lesson)
    yield "code", 'stage.trend("duration_s")'
    yield "markdown", "## The number of turns\n\nDo the turns follow the same kind of curve?"
    yield "code", 'stage.trend("turns")'
    yield (
        "markdown",
        "## Does your choice of threshold matter?\n\n"
        "The same runs, counted with other thresholds. If the exponent `p` hardly moves, your answer does not hang on "
        "the choice.",
    )
    yield "code", "stage.sensitivity()"
    yield "code", 'stage.observation("trend")'


def _explain(lesson: Lesson) -> Cells:
    if lesson.texts["explain"]:
        yield "markdown", lesson.texts["explain"].strip()
    yield (
        "markdown",
        "## One shape for both?\n\n"
        "Divide the turns by the coasting time for each run. What you get is the mean speed. "
        "Does it depend on what you changed?",
    )
    yield "code", "stage.same_shape()"
    yield (
        "markdown",
        "## All runs on one curve\n\n"
        "Measure the speed as a share of its start, and the time as a share of its end. "
        "If the *kind* of drag stays the same, all runs fall on one curve. Then turns and time must follow one shape. "
        "Each kind of drag has a curve of its own.",
    )
    yield "code", "stage.collapse()"
    yield (
        "markdown",
        "## Build the slowing down yourself\n\n"
        "Three things can slow it: rubbing that is always the same, drag that grows with speed, drag that grows with "
        "speed squared. Move the sliders until your curve lies on the measured runs. Then let the kit fit it.",
    )
    yield "code", "stage.explore()"
    yield (
        "markdown",
        "## Two ways to one number\n\n"
        f"Even with no {lesson.x} at all it would slow down. How many {lesson.x} is that worth? The trend gives one "
        "answer. The slowing down of the single runs gives another one, by another way. Do they agree within their "
        "uncertainty? If they do not, that is a finding, not a failure.",
    )
    yield "code", "stage.two_routes()"
    yield (
        "markdown",
        "## When does it stand still?\n\n"
        "The gate cannot see the end: after the last pass there is less than one turn. A model can estimate it. "
        "An estimate is not a measurement.",
    )
    yield "code", "stage.time_to_rest()"
    yield "markdown", "## Your prediction and the data, side by side"
    for question in lesson.asked("predict"):
        yield "code", f'stage.look_back("{question.id}")'
    yield "code", 'stage.look_back_curve("duration_s")'
    yield (
        "markdown",
        "## Your explanation\n\n"
        "State a claim. Give the evidence, with its uncertainty. Say why the evidence supports the claim. "
        "Then be your own critic: what could somebody say against it?",
    )
    yield "code", "stage.explanation()"
    yield "markdown", "## Answer once more\n\nAnswer the first question again with what you know now."
    for question in lesson.asked("predict")[:1]:
        yield "code", f'stage.final_answer("{question.id}")'
    yield "markdown", "## For your teacher"
    yield "code", "stage.hand_in()"


_CELLS = {
    "predict": _predict,
    "measure": _measure,
    "average": _average,
    "trend": _trend,
    "explain": _explain,
    "investigate": investigate_cells,
}


def notebook_text(stage: str, cells: Iterable[tuple[str, str]]) -> str:
    """A notebook (nbformat 4.5, no outputs) of cells, pairs of kind and text; `stage` begins the cells' ids."""
    document = {
        "cells": [
            {"cell_type": kind, "id": f"{stage}-{i:02d}", "metadata": {}, "source": text.splitlines(keepends=True)}
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


if __name__ == "__main__":
    for path in regenerate(Path(__file__).parents[1]):
        print(path)
