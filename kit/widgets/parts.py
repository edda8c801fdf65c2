"""What several widgets share: boxes, fields and buttons, a line that is announced, words to unfold, a plot, a table.

Also how a front end is put together from its files, and how a refusal reaches the page.
"""

from __future__ import annotations

import html
import json
from base64 import b64encode
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import anywidget
import ipywidgets as widgets
import pandas as pd
import traitlets as t

from ..errors import KitError
from ..plots.style import CONFIG, HEIGHT_PX
from ..wording import condition_value, name_of

if TYPE_CHECKING:  # a page without a plot need not load plotly
    import plotly.graph_objects as go

__all__ = [
    "FIELD",
    "UPLOAD_LIMIT",
    "BadChoice",
    "Details",
    "KitBox",
    "PlotView",
    "Status",
    "action",
    "attempt",
    "choice_of",
    "condition_field",
    "download_link",
    "front_end",
    "heading",
    "html_table",
    "note",
    "pair_of",
    "row_of",
    "safety_first",
    "side_of",
    "stack_of",
    "text_area",
    "text_line",
    "upload_of",
]

#: Options of a field that is as wide as it needs to be, its words in full beside it.
FIELD = {"style": {"description_width": "initial"}, "layout": {"width": "auto"}}

PLOTLY = "application/vnd.plotly.v1+json"  # what JupyterLab draws with its plotly extension

UPLOAD_LIMIT = 9_000_000  # bytes; the notebook server drops larger uploads without a word


def front_end(*names: str) -> str:
    """Files of this folder as one text, in the order given: a page is a single module, and there is no build step."""
    return "\n".join(Path(__file__).with_name(name).read_text("utf-8") for name in names)


# --- words that change --------------------------------------------------------------------------------------------


class Status(anywidget.AnyWidget):
    """Sentences about the result of the last action. Screen readers announce them; `problem` marks a refusal.

    `text`: one paragraph a line. It is shown as text, whatever it holds.
    """

    _esm = front_end("make.js", "status.js")
    _css = front_end("parts.css")

    text = t.Unicode().tag(sync=True)
    problem = t.Bool(False).tag(sync=True)

    def say(self, *sentences: str) -> None:
        """Show what happened."""
        self.problem = False
        self.text = "\n".join(s for s in sentences if s)

    def error(self, reason: object) -> None:
        """Show why something was not done, and what to do."""
        self.problem = True
        self.text = reason.on_page() if isinstance(reason, KitError) else str(reason)


class Details(anywidget.AnyWidget):
    """Something to unfold: paragraphs, then a table, all shown as plain text.

    It stays open while its content changes.
    """

    _esm = front_end("make.js", "details.js")
    _css = front_end("parts.css")

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


class BadChoice(KitError, t.TraitError):
    """A KitError that traitlets also knows, so that a refused value is taken back."""


def attempt(message: Status, step: Callable[[], object]) -> bool:
    """Do a step and say the sentence it returns, if any. A `KitError` is shown. Returns whether the step was done."""
    try:
        said = step()
    except KitError as error:
        message.error(error)
        return False
    if isinstance(said, str):
        message.say(said)
    return True


# --- a plot -------------------------------------------------------------------------------------------------------


class PlotView(widgets.VBox):
    """A plot with its description and its data table for those who cannot, or would rather not, look. One at a time.

    `show(figure, description, table)` replaces what is shown. The place keeps its height meanwhile, so that the page
    does not jump. `figure`, `description` and `table` are what is shown now.

    A plain plotly figure is sent as data (some 10 kB); JupyterLab's own plotly extension draws it. plotly's own
    FigureWidget would send 5 MB of script for each.
    """

    def __init__(self, height_px: int = HEIGHT_PX, name: str = "this plot"):
        self.figure: go.Figure | None = None
        self.description, self.table = "", pd.DataFrame()
        self._height_px = height_px
        self._plot = widgets.Output(layout={"height": f"{height_px + 2}px", "overflow": "hidden"})
        self._details = Details(summary=f"Describe {name} and show the numbers")
        super().__init__([self._plot, self._details], layout={"width": "100%", "min_width": "0"})
        self.add_class("kit-plot")

    def show(self, figure: go.Figure, description: str, table: pd.DataFrame) -> None:
        """Show a figure, one or two sentences that say what it shows, and the numbers in it."""
        figure.update_layout(height=self._height_px)
        self.figure, self.description, self.table = figure, description, table
        bundle = json.loads(figure.to_json())
        self._plot.outputs = (
            {
                "output_type": "display_data",
                "data": {PLOTLY: {**bundle, "config": CONFIG}, "text/plain": description},
                "metadata": {},
            },
        )
        self._details.show([description], table)


# --- text as HTML -------------------------------------------------------------------------------------------------


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


def download_link(name: str, data: bytes, kind: str, words: str = "") -> str:
    """A link that carries the file itself, so that it works without asking the server again. `kind`: its media type."""
    address = f"data:{kind};base64,{b64encode(data).decode()}"
    return f'<a download="{html.escape(name)}" href="{address}">{html.escape(words or f"Download {name}")}</a>'


SAFETY = "Safety first: read this before anything spins"


def safety_first(cautions: Sequence[str], folded: bool = False, words: str = SAFETY) -> list[widgets.Widget]:
    """Cautions as a list that is open, or to unfold where nothing spins; nothing where there are none."""
    if not cautions:
        return []
    if folded:
        below = Details(summary=words)
        below.show(list(cautions))
        return [below]
    items = "".join(f"<li>{html.escape(caution)}</li>" for caution in cautions)
    return [widgets.HTML(f'<p><b>{html.escape(words)}</b></p><ul class="kit-cautions">{items}</ul>')]


# --- boxes --------------------------------------------------------------------------------------------------------


class KitBox(widgets.VBox):
    """Things below each other, in the kit's colours: what a widget of the kit begins with."""

    def __init__(self, children: Sequence[widgets.Widget] = ()):
        super().__init__(list(children))
        self.add_class("kit-box")


def row_of(*children: widgets.Widget) -> widgets.Box:
    """Things beside each other, as long as there is room."""
    return _boxed("kit-row", children)


def side_of(*children: widgets.Widget) -> widgets.Box:
    """Stacks beside each other, as long as there is room."""
    return _boxed("kit-side", children)


def pair_of(*children: widgets.Widget) -> widgets.Box:
    """Two fields beside each other, as long as there is room."""
    return _boxed("kit-pair", children)


def _boxed(name: str, children: Sequence[widgets.Widget]) -> widgets.Box:
    box = widgets.Box(list(children))
    box.add_class(name)
    return box


def stack_of(names: str, *children: widgets.Widget) -> widgets.VBox:
    """Things below each other, with class names for the style sheet."""
    stack = widgets.VBox(list(children))
    for name in names.split():
        stack.add_class(name)
    return stack


# --- fields and buttons -------------------------------------------------------------------------------------------


def choice_of(question: str, options: Sequence[tuple[str, object]]) -> widgets.ToggleButtons:
    """A question with a few buttons, one of which is always chosen. `options`: pairs (words, value)."""
    buttons = widgets.ToggleButtons(options=list(options), description=question)
    buttons.style.description_width = "initial"
    buttons.style.button_width = "auto"
    buttons.add_class("kit-choice")
    return buttons


def text_area(ask: str, value: str = "", rows: int = 3) -> widgets.Textarea:
    """A place to write in, with the question above it."""
    return _to_write_in(widgets.Textarea(description=ask, value=value, rows=rows, continuous_update=False))


def text_line(words: str, value: str = "") -> widgets.Text:
    """A field of one line with its words above it."""
    return _to_write_in(widgets.Text(description=words, value=value, continuous_update=False))


def _to_write_in(field):
    field.layout.width = "100%"
    field.style.description_width = "initial"
    field.add_class("kit-writing")
    return field


def upload_of(words: str, accept: str, on_files: Callable[[], object], multiple: bool = False) -> widgets.FileUpload:
    """A button that takes files from this machine; `on_files` is called when there are some in its `value`."""
    layout = widgets.Layout(width="auto", align_self="flex-start")
    upload = widgets.FileUpload(accept=accept, multiple=multiple, description=words, layout=layout)

    def take(change):
        if change["new"]:
            on_files()

    upload.observe(take, "value")
    return upload


def condition_field(x: str, values: Sequence[float | str] = ()) -> widgets.Dropdown | widgets.FloatText:
    """Where a run's condition is chosen: among `values`, or typed as a number."""
    label = f"{name_of(x)}:" if x else ""
    if len(values):
        options = [(condition_value(value), value) for value in values]
        return widgets.Dropdown(description=label, options=options, **FIELD)
    return widgets.FloatText(description=label, **FIELD)


def action(words: str, on_click: Callable[[], object], **options) -> widgets.Button:
    """A button as wide as its words."""
    layout = widgets.Layout(width="auto", align_self="flex-start")
    button = widgets.Button(description=words, layout=layout, **options)
    button.on_click(lambda _: on_click())
    return button
