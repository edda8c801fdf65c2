"""Pages from templates: one way to fill them, by which every text in them is escaped."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["templates"]


def templates(folder: str | Path) -> Environment:
    """The templates of a folder, ready to be filled: `templates(folder).get_template("page.html.j2").render(…)`.

    What is put into a template is text and comes out escaped, unless the template itself says `safe`, which is for the
    kit's own drawings, style and scripts. A name that a template asks for and does not get is an error. Whoever keeps
    the result keeps the templates it has read; nothing is kept beyond it.
    """
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
