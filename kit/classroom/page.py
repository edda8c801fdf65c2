"""A class overview as one HTML page: no network, no foreign script, everything folded until the teacher opens it."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from pathlib import Path

from ..errors import KitError
from ..lessons.lesson import Question
from ..plots.pages import templates
from ..record.entries import MOMENTS
from .live import summary_of
from .overview import Overview, Show
from .sections import HERE, SECTIONS, STYLE, Section, handed_in_words

__all__ = ["class_report", "class_summary", "write_class_report", "write_class_summary"]


def write_class_report(overview: Overview, path: str | Path) -> Path:
    """Write `class_report` to a file and return where it is.

    Raises
    ------
    KitError : the file can't be written.

    Examples
    --------
    >>> import kit, tempfile
    >>> from pathlib import Path
    >>> overview = kit.read_class("datasets_demo/class_handins/handin_coasting_disc_demo-amber-crane-103.json")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = kit.write_class_report(overview, Path(folder, "class.html")).read_text("utf-8")
    >>> "one hand-in read" in page
    True
    """
    return _written(class_report(overview), path)


def write_class_summary(overview: Overview, path: str | Path) -> Path:
    """Write `class_summary` to a file and return where it is.

    Raises
    ------
    KitError : the file can't be written.
    """
    return _written(class_summary(overview), path)


def _written(page: str, place: str | Path) -> Path:
    path = Path(place)
    try:
        path.write_text(page, encoding="utf-8", newline="\n")
    except OSError as problem:
        why = f"The report can't be written ({problem.strerror or problem})"
        raise KitError(why, file=path, fix="give a place that exists and that you may write to") from problem
    return path


def class_summary(overview: Overview, groups: int = 0) -> str:
    """The class on one page, to print: answers before and after, the reference, sketches over the data.

    `groups`: how many there are, 0 if nobody said.
    """
    lesson = overview.lesson
    return (
        templates(HERE)
        .get_template("summary.html.j2")
        .render(
            title=lesson.title if lesson else overview.lesson_name,
            asked=lesson.question if lesson else "",
            s=summary_of(overview, groups),
            style=STYLE.read_text("utf-8") + (HERE / "desk.css").read_text("utf-8"),
        )
    )


def class_report(overview: Overview, for_teacher: bool = True) -> str:
    """The whole page as text. Whatever was handed in, its content policy allows no other script and loads nothing.

    `for_teacher`: with the ideas behind the choices, folded, which are never printed; False leaves them out.
    """
    lesson = overview.lesson
    script = (HERE / "page.js").read_text("utf-8")
    first, *last = [_part(section, overview) for section in SECTIONS if not section.per_question]
    return (
        templates(HERE)
        .get_template("page.html.j2")
        .render(
            title=lesson.title if lesson else overview.lesson_name,
            asked=lesson.question if lesson else "",
            notices=overview.notices,
            handed_in=handed_in_words(overview),
            first=[first],
            questions=[_question(overview, question, for_teacher) for question in overview.questions],
            last=last,
            style=STYLE.read_text("utf-8") + (HERE / "page.css").read_text("utf-8"),
            script=script,
            digest=b64encode(sha256(script.encode()).digest()).decode(),
        )
    )


def _question(overview: Overview, question: Question, for_teacher: bool) -> dict:
    """A question: its parts, and what is for the teacher's eyes alone (empty without the teacher's key)."""
    texts = {choice.id: choice.text for choice in question.choices}
    supported = overview.supported.get(question.id) if for_teacher else None
    return {
        "text": question.text,
        "parts": [_part(section, overview, question.id) for section in SECTIONS if section.per_question],
        "ideas": [(texts[choice], idea) for choice, idea in overview.ideas.get(question.id, {}).items() if for_teacher],
        "supported": question.choice(supported).text if supported else "",
    }


def _part(section: Section, overview: Overview, question: str = "") -> dict:
    """A section, and what it shows: the reasons of all moments at which there are any, everything else once."""
    shows = [Show(overview, question)]
    if section.id == "reasons":
        given = overview.answers.loc[overview.answers["question"] == question, "moment"]
        shows = [Show(overview, question, moment=moment) for moment in MOMENTS if (given == moment).any()]
    return {
        "title": section.title,
        "cover": section.cover,
        "macro": section.macro,
        "searchable": section.searchable,
        "contents": [section.content(show) for show in shows],
    }
