"""In which order to run: mixed by lot so that a drift cannot pass for an effect, and a sheet to print.

The order is drawn in blocks (Fisher 1935, The Design of Experiments): every condition comes once before any comes
again. A reference condition opens, halves and closes the session: if its results creep, the apparatus did.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from html import escape

import numpy as np
import pandas as pd

from . import wording
from .errors import KitError

__all__ = ["run_order", "run_sheet_html"]


def run_order(plan: Sequence, *, reference=None, seed: int | None = None) -> pd.DataFrame:
    """Draw the order of a session's runs.

    Parameters
    ----------
    plan : condition of every run, in any order; a condition stands there once a trial.
    reference : condition of three further runs at start, middle and end; None for none.
    seed : makes the draw repeatable; None draws afresh.

    Returns
    -------
    DataFrame `order` (from 1), `x`, `trial` (counted per condition, the reference's own runs included), `block`
    (0 for reference runs) and `role` ("run" or "reference").
    """
    plan = list(plan)
    if not plan:
        raise KitError("There is no run to put into order", fix="plan at least one")
    rng = np.random.default_rng(seed)
    left, rows, block = Counter(plan), [], 0
    while left:
        block += 1
        once_each = sorted(left, key=str)  # a fixed order before the draw, whatever order the plan came in
        rows += [(once_each[i], block, "run") for i in rng.permutation(len(once_each))]
        left -= Counter(once_each)
    if reference is not None:
        middle, mark = (len(rows) + 1) // 2, (reference, 0, "reference")
        rows = [mark, *rows[:middle], mark, *rows[middle:], mark]
    seen: Counter = Counter()
    table = []
    for order, (x, block, role) in enumerate(rows, start=1):
        seen[x] += 1
        table.append((order, x, seen[x], block, role))
    return pd.DataFrame(table, columns=["order", "x", "trial", "block", "role"])


def run_sheet_html(
    order: pd.DataFrame,
    x: str,
    *,
    title: str = "Run sheet",
    cautions: Sequence[str] = (),
    blank: Sequence[str] = ("file", "what happened"),
) -> str:
    """A page to print, one line a run, with room to write.

    Parameters
    ----------
    order : from `run_order`.
    x : column name of what is changed, such as "magnets" or "level_deg"; its unit is read from the name.
    cautions : sentences printed above the table.
    blank : headings of the empty columns.
    """
    heads = ["Run", wording.axis_title(x), "Trial", *(text[:1].upper() + text[1:] for text in blank)]
    lines = []
    for row in order.itertuples(index=False):
        value = f"{row.x:g}" if isinstance(row.x, (int, float, np.number)) else str(row.x)
        note = "reference" if row.role == "reference" else ""
        cells = [str(row.order), value, str(row.trial), note, *[""] * (len(blank) - 1)]
        tag = ' class="reference"' if note else ""
        lines.append(f"<tr{tag}>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>")
    return _PAGE.format(
        title=escape(title),
        cautions="".join(f"<p>{escape(sentence)}</p>" for sentence in cautions),
        heads="".join(f'<th scope="col">{escape(head)}</th>' for head in heads),
        lines="\n".join(lines),
    )


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>
body {{ font: 12pt sans-serif; margin: 15mm; color: #000; background: #fff; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ border: 1px solid #555; padding: 2mm 3mm; text-align: left; height: 6mm; }}
td:nth-child(-n+3), th:nth-child(-n+3) {{ width: 12%; text-align: right; }}
tr.reference td {{ font-weight: bold; border-style: double; border-width: 3px; }}
tr {{ break-inside: avoid; }} thead {{ display: table-header-group; }}
</style></head><body>
<h1>{title}</h1>
<p>Run in this order. It was drawn by lot, so that a slow change of the apparatus cannot look like an effect.</p>
{cautions}
<table><thead><tr>{heads}</tr></thead><tbody>
{lines}
</tbody></table>
</body></html>
"""
