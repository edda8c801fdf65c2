"""Small pieces that several widgets share: a line that is announced, a described plot's words, a table."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from pathlib import Path

import anywidget
import ipywidgets as widgets
import pandas as pd
import traitlets as t

__all__ = [
    "Details",
    "Status",
    "action",
    "choice_of",
    "heading",
    "html_table",
    "joined_scripts",
    "note",
    "row_of",
    "safety_first",
    "side_of",
    "stack_of",
]

_STYLE = Path(__file__).with_name("parts.css")


class Status(anywidget.AnyWidget):
    """Sentences about the result of the last action. Screen readers announce them; `problem` marks a refusal.

    `text`: one paragraph a line. It is shown as text, whatever it holds.
    """

    _esm = Path(__file__).with_name("status.js")
    _css = _STYLE

    text = t.Unicode().tag(sync=True)
    problem = t.Bool(False).tag(sync=True)

    def say(self, *sentences: str) -> None:
        """Show what happened."""
        self.problem = False
        self.text = "\n".join(s for s in sentences if s)

    def error(self, reason: object) -> None:
        """Show why something was not done, and what to do."""
        self.problem = True
        self.text = str(reason)


class Details(anywidget.AnyWidget):
    """Something to unfold: paragraphs, then a table, all shown as plain text.

    It stays open while its content changes.
    """

    _esm = Path(__file__).with_name("details.js")
    _css = _STYLE

    summary = t.Unicode().tag(sync=True)
    paragraphs = t.List(t.Unicode()).tag(sync=True)
    columns = t.List(t.Unicode()).tag(sync=True)
    rows = t.List(t.List(t.Unicode())).tag(sync=True)

    def show(self, paragraphs: Sequence[str], table: pd.DataFrame | None = None) -> None:
        """Replace the content. The table's cells are shown by `str`: round them first."""
        self.paragraphs = list(paragraphs)
        with self.hold_sync():
            self.columns = [] if table is None else [str(c) for c in table.columns]
            self.rows = [] if table is None else [[str(c) for c in row] for row in table.itertuples(index=False)]


def joined_scripts(*names: str) -> str:
    """Scripts of this folder as one, in the order given: a page is a single module, and there is no build step."""
    return "\n".join(Path(__file__).with_name(name).read_text("utf-8") for name in names)


def html_table(table: pd.DataFrame, caption: str = "", mark: int | None = None) -> str:
    """A table as HTML with header cells, every text escaped; the first column names its row, row `mark` stands out."""
    head = "".join(f'<th scope="col">{html.escape(str(name))}</th>' for name in table.columns)
    body = ""
    for i, row in enumerate(table.itertuples(index=False)):
        first, *rest = (html.escape(str(cell)) for cell in row)
        cells = f'<th scope="row">{first}</th>' + "".join(f"<td>{cell}</td>" for cell in rest)
        body += f'<tr class="kit-marked">{cells}</tr>' if i == mark else f"<tr>{cells}</tr>"
    title = f"<caption>{html.escape(caption)}</caption>" if caption else ""
    return (
        f'<div class="kit-scroll" tabindex="0" role="group" aria-label="{html.escape(caption or "Table")}">'
        f'<table class="kit-table">{title}<thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def heading(text: str) -> widgets.HTML:
    """A small heading, one level below those of the notebook's sections."""
    return widgets.HTML(f"<h3>{html.escape(text)}</h3>")


def note(text: str) -> widgets.HTML:
    """A paragraph of plain text."""
    return widgets.HTML(f"<p>{html.escape(text)}</p>")


def safety_first(cautions: Sequence[str]) -> list[Details]:
    """A lesson's cautions to unfold; nothing where it has none."""
    if not cautions:
        return []
    folded = Details(summary="Safety first: read this before anything spins")
    folded.show(list(cautions))
    return [folded]


def choice_of(question: str, options: Sequence[tuple[str, object]]) -> widgets.ToggleButtons:
    """A question with a few buttons, one of which is always chosen. `options`: pairs (words, value)."""
    buttons = widgets.ToggleButtons(options=list(options), description=question)
    buttons.style.description_width = "initial"
    buttons.style.button_width = "auto"
    buttons.add_class("kit-choice")
    return buttons


def row_of(*children: widgets.Widget) -> widgets.Box:
    """Things beside each other, as long as there is room."""
    return _boxed("kit-row", children)


def side_of(*children: widgets.Widget) -> widgets.Box:
    """Stacks beside each other, as long as there is room."""
    return _boxed("kit-side", children)


def stack_of(names: str, *children: widgets.Widget) -> widgets.VBox:
    """Things below each other, with class names for the style sheet."""
    stack = widgets.VBox(list(children))
    for name in names.split():
        stack.add_class(name)
    return stack


def _boxed(name: str, children) -> widgets.Box:
    box = widgets.Box(list(children))
    box.add_class(name)
    return box


def action(words: str, on_click: Callable[[], object], **options) -> widgets.Button:
    """A button as wide as its words."""
    layout = widgets.Layout(width="auto", align_self="flex-start")
    button = widgets.Button(description=words, layout=layout, **options)
    button.on_click(lambda _: on_click())
    return button
