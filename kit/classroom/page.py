"""A class overview as one HTML page: no network, no foreign script, everything folded until the teacher opens it."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from html import escape
from pathlib import Path

from ..errors import KitError
from ..record.entries import MOMENTS
from .overview import Overview
from .sections import SECTIONS, STYLE, Section, Show, fold, handed_in_words, paragraph

__all__ = ["class_report", "write_class_report"]

STYLES, SCRIPT = (Path(__file__).with_name(f"page.{kind}") for kind in ("css", "js"))
HOW = (
    "Nothing shows before you unfold it: students can look at the projector all the while. Printing unfolds everything."
)


def write_class_report(overview: Overview, path: str | Path) -> Path:
    """Write `class_report` to a file; return where it is. Raises `KitError` if it cannot be written."""
    path = Path(path)
    try:
        path.write_text(class_report(overview), encoding="utf-8", newline="\n")
    except OSError as problem:
        why = f"The report can't be written ({problem.strerror or problem})"
        raise KitError(why, file=path, fix="give a place that exists and that you may write to") from problem
    return path


def class_report(overview: Overview) -> str:
    """The whole page as text. Whatever was handed in, its content policy allows no other script and loads nothing."""
    lesson = overview.lesson
    title = lesson.title if lesson else overview.lesson_name
    script = SCRIPT.read_text("utf-8")
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{_digest(script)}'; form-action 'none'"
    notices = "".join(paragraph(escape(notice), "notice") for notice in overview.notices)
    asked = paragraph(f"<b>{escape(lesson.question)}</b>") if lesson else ""
    once = [section for section in SECTIONS if not section.per_question]
    before, after = once[:1], once[1:]
    body = "".join(_section(section, overview) for section in before)
    body += "".join(_question(overview, i) for i in range(len(overview.questions)))
    body += "<h2>The class as a whole</h2>" + "".join(_section(section, overview) for section in after)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Class overview: {escape(title)}</title>
<style>
{STYLE.read_text("utf-8")}{STYLES.read_text("utf-8")}</style>
</head>
<body>
<header>
<h1>Class overview: {escape(title)}</h1>
{asked}{notices}
{paragraph(escape(handed_in_words(overview)))}
{paragraph(HOW, "quiet screen")}
<button id="fold" type="button">Fold everything</button>
</header>
<main>
{body}
</main>
<script>{script}</script>
</body>
</html>
"""


def _question(overview: Overview, place: int) -> str:
    question = overview.questions[place]
    body = "".join(_section(s, overview, question.id) for s in SECTIONS if s.per_question)
    ideas = overview.ideas.get(question.id, {})
    if ideas:
        texts = {choice.id: choice.text for choice in question.choices}
        rows = "".join(f"<dt>{escape(texts[choice])}</dt><dd>{escape(idea)}</dd>" for choice, idea in ideas.items())
        body += fold(
            'For you, not for the projector <span class="quiet">– the idea behind each choice, and which one the data '
            "support</span>",
            f'<div class="class-view"><dl>{rows}</dl>{_supported(overview, question)}</div>',
            "part",
        )
    return f"<section><h2>{place + 1}. {escape(question.text)}</h2>{body}</section>"


def _supported(overview: Overview, question) -> str:
    supported = overview.supported.get(question.id)
    return paragraph(f"The data support: <b>{escape(question.choice(supported).text)}</b>") if supported else ""


def _section(section: Section, overview: Overview, question: str = "") -> str:
    shows = [Show(overview, question)]
    if section.id == "reasons":
        given = overview.answers.loc[overview.answers["question"] == question, "moment"]
        shows = [Show(overview, question, moment=moment) for moment in MOMENTS if (given == moment).any()]
    search = '<label hidden>Find words: <input type="search"></label>' if section.searchable else ""
    html = "".join(section.html(show) for show in shows)
    summary = f'{section.title} <span class="quiet">– {escape(section.cover)}</span>'
    return fold(summary, f'<div class="class-view">{search}{html}</div>', "part")


def _digest(script: str) -> str:
    return b64encode(sha256(script.encode()).digest()).decode()
