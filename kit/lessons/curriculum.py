"""What a lesson practises, in the words of two published frameworks, and what it asks beforehand. For the guide.

Both are named from memory and not looked up again: NGSS Lead States, Next Generation Science Standards (2013),
Appendix F (science and engineering practices 1 to 8) and performance expectation MS-PS2-2; Department for Education
(England), Science programmes of study: key stage 4 (2014), “Working scientifically”, parts 1 to 4.
"""

from __future__ import annotations

__all__ = ["CURRICULUM"]

_ROWS = (
    ("Predict", "1 Asking questions", "1 The development of scientific thinking"),
    ("Measure", "3 Planning and carrying out investigations", "2 Experimental skills and strategies"),
    ("Average", "4 Analyzing and interpreting data", "3 Analysis and evaluation; 4 Units, symbols"),
    ("Find the trend", "4; 5 Using mathematics and computational thinking", "3 Analysis and evaluation"),
    ("Explain", "6 Constructing explanations; 7 Engaging in argument from evidence", "1; 3"),
    ("Investigate", "3; 7; 8 Obtaining, evaluating, and communicating information", "2; 3"),
)

#: A cell of the guide, in Markdown.
CURRICULUM = "\n".join(
    [
        "## What it practises, and what it asks beforehand",
        "",
        "| stage | NGSS (2013), Appendix F: practice | England, key stage 4 (2014): working scientifically, part |",
        "|---|---|---|",
        *(f"| {stage} | {ngss} | {england} |" for stage, ngss, england in _ROWS),
        "",
        "Nearest in content: NGSS MS-PS2-2 (how a change in motion depends on forces and mass). Both frameworks "
        "are named from memory, in short: look up the wording and what your own school uses.",
        "",
        "Students should be able to read a value off a graph, to average three numbers, and to know what half as long "
        "means. They need no formula beforehand, and no programming.",
    ]
)
