"""The one page of ten minutes: a lesson's first question, a discussion, one run shown, a look back."""

from __future__ import annotations

from .lesson import Lesson
from .paths import AGAIN, DAY, SEAL, WRITE, Arranged, Cells, Step, arrange

__all__ = ["QUESTION_PAGE", "question_arranged", "question_cells"]

QUESTION_PAGE = "question_of_the_day.ipynb"


def question_arranged(lesson: Lesson) -> Arranged:
    """The cells between the welcome and the end."""
    return arrange(_question_of_the_day(lesson), DAY)


def question_cells(lesson: Lesson, lesson_path: str, home: str) -> list[tuple[str, str]]:
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
