"""The tables of the README and of DEVELOPERS.md, made from real output.

    python3 -m tests.readme                      # README: the analysis of the demo lesson
    python3 -m tests.readme benchmarks.json      # DEVELOPERS: `python3 -m kit test --benchmarks --json …`
    python3 -m tests.readme --faults faults.json # DEVELOPERS: `python3 -m kit test --faults --json …`

Each stands between two remarks, `<!-- made: NAME -->` and `<!-- end -->`. A unit test compares the first with what the
kit gives now. The pictures are made by the browser tests, see DEVELOPERS.md.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[1]
README, DEVELOPERS = PROJECT / "README.md", PROJECT / "DEVELOPERS.md"
LESSON = "datasets_demo/coasting_disc"


def analysis_block() -> str:
    """What `python3 -m kit analyse` prints for the demo lesson's duration, its long sentences folded."""
    import kit

    lines = kit.analyse(PROJECT / LESSON).summary().splitlines()
    start, end = lines.index("duration_s:"), lines.index("turns:")
    lines = [*lines[: start + 2], "  …", *lines[start + 4 : end], "…"]  # the best curve; turns are left out
    return "\n".join(["", "```text", *(part for line in lines for part in _folded(line)), "```", ""])


def benchmarks_block(path: str | Path) -> str:
    """The benchmark table as Markdown."""
    from tests.benchmarks.table import number

    rows = json.loads(Path(path).read_text(encoding="utf-8"))
    lines = ["", "| what | ours | the usual way | usual/ours | ours/floor | goal |", "|---|---:|---|---:|---:|---|"]
    for row in rows:
        usual = f"{number(row['usual'])} ({row['usual_what']})" if row["usual"] is not None else "–"
        lines.append(
            f"| {row['item']} ({row['unit']}) | {number(row['ours'])} | {usual} | {number(row['gain'], '×')} | "
            f"{number(row['above_floor'], '×')} | {row['goal'] or '–'} |"
        )
    return "\n".join([*lines, ""])


def faults_block(path: str | Path) -> str:
    """How often the kit is wrong, as Markdown, below the command that found it."""
    from tests.faults import as_markdown

    found = json.loads(Path(path).read_text(encoding="utf-8"))
    command = f"    python3 -m kit test --faults --count {found['count']} --json FILE"
    return f"\n{command}\n\n{as_markdown(found, short=True)}\n\n"


def block(text: str, name: str) -> str:
    """What stands in a README between the remarks of this name."""
    return re.search(rf"<!-- made: {name} -->\n(.*?)<!-- end -->", text, flags=re.S)[1]


def with_block(text: str, name: str, content: str) -> str:
    """The README with another content between those remarks."""
    return text.replace(f"<!-- made: {name} -->\n{block(text, name)}", f"<!-- made: {name} -->\n{content}")


def _folded(line: str, width: int = 110) -> list[str]:
    from textwrap import wrap

    indent = " " * (len(line) - len(line.lstrip()))
    return wrap(line, width, subsequent_indent=indent + "  ", replace_whitespace=False) if len(line) > width else [line]


def main(arguments: list[str]) -> None:
    """Write the tables anew."""
    if arguments[:1] == ["--faults"]:
        put(DEVELOPERS, "faults", faults_block(arguments[1]))
        return
    put(README, "analysis", analysis_block())
    for path in arguments[:1]:
        put(DEVELOPERS, "benchmarks", benchmarks_block(path))


def put(page: Path, name: str, content: str) -> None:
    """Write a block of a page anew."""
    page.write_text(with_block(page.read_text(encoding="utf-8"), name, content), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
