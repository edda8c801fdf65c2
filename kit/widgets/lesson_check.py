"""Is my lesson ready? The findings of `kit.lesson_check` as a table, with what would do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import ipywidgets as widgets
import pandas as pd

from ..lesson_check import Finding, check_lesson, summary
from .parts import Say, action, html_table

__all__ = ["LessonCheck", "findings_html"]


class LessonCheck(widgets.VBox):
    """Checks a lesson's folder at once and whenever the button is pressed.

    Parameters
    ----------
    folder : one that new-lesson made, or that holds `lesson.toml`.

    `findings` holds the last result. Without a widget: `kit.lesson_check.check_lesson(folder)`.
    """

    def __init__(self, folder: str | Path):
        self.folder = Path(folder)
        self.findings: list[Finding] = []
        self.check_button = action("Check again", self.check, tooltip="After you have changed a file")
        self.message, self.table = Say(), widgets.HTML()
        super().__init__([self.check_button, self.message, self.table])
        self.add_class("kit-box")
        self.check()

    def check(self) -> None:
        """Read everything anew and show what is found."""
        self.findings = check_lesson(self.folder)
        show_findings(self.findings, self.message, self.table)


def show_findings(findings: Sequence[Finding], message: Say, table: widgets.HTML) -> None:
    """Say how many there are, and list them."""
    sentence = summary(list(findings))
    if any(finding.serious for finding in findings):
        message.refuse(sentence)
    else:
        message.say(sentence)
    table.value = findings_html(findings)


def findings_html(findings: Sequence[Finding]) -> str:
    """Findings as a table, every text escaped; nothing where there are none."""
    if not findings:
        return ""
    rows = [
        {
            "where": " ".join(part for part in (finding.file, finding.key) if part),
            "": "problem" if finding.serious else "warning",
            "what": finding.what,
            "what to do": finding.fix,
        }
        for finding in findings
    ]
    return f'<div class="kit-findings">{html_table(pd.DataFrame(rows))}</div>'
