"""What a teacher reads: the guide of a lesson, and the notes between the cells of its stages.

What a lesson practises is told in the words of two published frameworks, named from memory and not looked up again:
NGSS Lead States, Next Generation Science Standards (2013), Appendix F (science and engineering practices 1 to 8) and
performance expectation MS-PS2-2; Department for Education (England), Science programmes of study: key stage 4 (2014),
“Working scientifically”, parts 1 to 4.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from ..wording import case_of
from .build_it import BUILD_IT
from .cautions import GATE, SOURCES
from .cells import MADE_STAGES, TITLES, made_stages, notebook_name, stage_cells
from .keys import level_of
from .lesson import Lesson, Question
from .paths import ONE, PATHS, QUESTION_PAGE, TWO
from .teacher_key import KEY_FILE

__all__ = ["GUIDE", "guide_cells", "listed", "noted_cells"]

GUIDE = "0_guide.ipynb"

# For each stage: what it is for, what to ask, what can go wrong.
_NOTES = {
    "predict": (
        "A prediction makes students look. What is sealed can't be smoothed over later. It is not marked.",
        (
            "What makes you think so? What would you see if it were so?",
            "After the discussion: who has changed the answer, and which argument did it?",
        ),
        (
            "Do not show the class's answers before the discussion: whoever has seen the majority stops thinking.",
            "Do not say which answer the data support. They will see it.",
        ),
    ),
    "measure": (
        "Students agree on a fair count: from one speed to another, not from the push to the end.",
        (
            "Two groups push differently hard. How can they compare at all?",
            "How far apart were your clicks in the log, and what did that change?",
            "What happens to your results if you move the start line?",
        ),
        (
            "A run that never reaches the start line was pushed too gently: it does not count, and says so.",
            "The last pass is not standstill: up to one turn is missing.",
            "Bounces and missed passes are found by the kit. Let students look at one before they trust that.",
        ),
    ),
    "average": (
        "Trials scatter. An average has an uncertainty; three trials give a wide one.",
        (
            "Would a fourth run land exactly on the average?",
            "May you leave out the trial that looks odd? What would you have to know about it?",
            "You counted a run, and so did the gate. Do they differ, and how could you find out why?",
        ),
        (
            "With three trials the 95 % interval reaches 4.3 standard uncertainties to each side. That is no slip.",
            "No outlier test can work on three values. A trial is set aside only for a cause that somebody saw.",
        ),
    ),
    "trend": (
        "Several curves are weighed against each other; a good one leaves no pattern.",
        (
            "Where did you draw otherwise than the fitted curves, and why?",
            "Which curve would you have to give up first, and which point decides that?",
            "Where would you measure next to tell two curves apart?",
        ),
        (
            "R² close to 1 says little: look at what is left over.",
            "Beyond the measured range a curve is a guess. The plot says so with a dashed line.",
            "“These data can't separate them” is a result.",
        ),
    ),
    "explain": (
        "From the curve to a cause: claim, evidence, reasoning, and what speaks against it.",
        (
            "Why do time and turns follow the same kind of curve?",
            "What could somebody object who does not believe you?",
        ),
        (
            "A law that fits is not the only one that could. Ask what would tell them apart.",
            "One apparatus shows repeatability only. What about another one?",
        ),
    ),
    "investigate": (
        "A claim that somebody makes is put to the test, with evidence on both sides.",
        ("What would you have to see to give the claim up?", "Which other cause could look the same?"),
        ("The order of the runs can look like an effect: mix it by lot.",),
    ),
}

_MEASURED = (
    "print(stage.averages('duration_s').round(2).to_string())\n"
    "for trend in stage.trends('duration_s')[:3]:\n"
    "    print(f'{trend.model}: {trend.equation()}')"
)

_PRACTISED = (
    ("Predict", "1 Asking questions", "1 The development of scientific thinking"),
    ("Measure", "3 Planning and carrying out investigations", "2 Experimental skills and strategies"),
    ("Average", "4 Analyzing and interpreting data", "3 Analysis and evaluation; 4 Units, symbols"),
    ("Find the trend", "4; 5 Using mathematics and computational thinking", "3 Analysis and evaluation"),
    ("Explain", "6 Constructing explanations; 7 Engaging in argument from evidence", "1; 3"),
    ("Investigate", "3; 7; 8 Obtaining, evaluating, and communicating information", "2; 3"),
)

_CURRICULUM = "\n".join(
    [
        "## What it practises, and what it asks beforehand",
        "",
        "| stage | NGSS (2013), Appendix F: practice | England, key stage 4 (2014): working scientifically, part |",
        "|---|---|---|",
        *(f"| {stage} | {ngss} | {england} |" for stage, ngss, england in _PRACTISED),
        "",
        "Nearest in content: NGSS MS-PS2-2 (how a change in motion depends on forces and mass). Both frameworks "
        "are named from memory, in short: look up the wording and what your own school uses.",
        "",
        "Students should be able to read a value off a graph, to average three numbers, and to know what half as long "
        "means. They need no formula beforehand, and no programming.",
    ]
)


def noted_cells(lesson: Lesson, key: Mapping[str, Mapping], stage: str, lesson_path: str) -> Iterator[tuple[str, str]]:
    """One stage's cells as the teacher sees them: the students', with notes in between. `key` is from `load_key`."""
    first, *rest = stage_cells(lesson, stage, lesson_path, home=GUIDE)
    yield first
    yield "markdown", _stage_note(lesson, stage)
    for kind, text in rest:
        if text.startswith("from kit.widgets import Stage"):  # a teacher's pages wait for nothing
            text = text.replace(f'"{stage}"', f'"{stage}", wait=False')
        asked = re.search(r'stage\.prediction\("([^"]+)"\)', text) if kind == "code" else None
        if asked:
            yield "markdown", _question_note(lesson.ask(asked[1]), key.get(asked[1]))
        if text == 'stage.trend("duration_s")':
            yield "markdown", _boxed("What the data support", ["With the lesson's own thresholds, all runs:"])
            yield "code", _MEASURED
        yield kind, text


def _spent(lesson: Lesson, stage: str, path: str) -> tuple[int, str]:
    """Minutes for a stage on a path, and for what; on its own path the lesson may have minutes of its own."""
    minutes, how = PATHS[path].minutes.get(stage, (0, "a lesson of its own, or homework"))
    return (round(lesson.minutes.get(stage, minutes)) if minutes and path == lesson.path else minutes), how


def _stage_note(lesson: Lesson, stage: str) -> str:
    aim, ask, beware = _NOTES[stage]
    minutes, how = _spent(lesson, stage, lesson.path)
    spent = f"{minutes} minutes: {how}." if minutes else f"Time: {how}."
    return _boxed(
        "For the teacher",
        [aim, f"**{spent}**", "Ask:", *listed(ask), "What can go wrong:", *listed(beware)],
    )


def _question_note(question: Question, entry: Mapping | None) -> str:
    if not entry:
        return _boxed("The ideas behind the choices", [f"None are written down yet: add them to `{KEY_FILE}`."])
    lines = []
    for choice in question.choices:
        idea = entry["ideas"].get(choice.id, "(no idea written down)")
        mark = " **← the data of this lesson support this**" if choice.id == entry["supported"] else ""
        lines.append(f"{choice.text} *{idea}*{mark}")
    return _boxed("The ideas behind the choices", listed(lines))


def guide_cells(lesson: Lesson, lesson_path: str, pages: str = "") -> list[tuple[str, str]]:
    """The guide: minutes by path, what to ask, the ideas behind the choices, a run sheet, how to give it out.

    Parameters
    ----------
    lesson_path : how the guide reaches the lesson's folder.
    pages : how it reaches the students' pages of a built-in lesson, such as "../coasting_disc/"; without it the stages
        with notes for the teacher lie beside the guide, and so does the key.
    """
    level = level_of(lesson.level)
    where = (
        "The ideas behind the choices show below, on your own machine. A copy for students holds neither this folder "
        "nor the key."
        "\n\nWhy to trust the numbers of the kit: [how we know](how_we_know.ipynb)."
        if pages
        else "Every notebook in this folder is the students' one, with notes in between. Nothing of these notes, and "
        f"nothing of `{KEY_FILE}`, is in the students' folder."
    )
    yours = (
        f"# For the teacher: {lesson.title}\n\n**{lesson.question}**\n\n"
        f"Level of inquiry: **{level.name}**: {level.words}. {where}"
    )
    safety = "\n\n".join(
        [
            "## Before anything spins",
            "\n".join(listed(lesson.safety)) or "- Write down what to beware of.",
            "If a gate is wired:",
            "\n".join(listed(GATE)),
            *([SOURCES] if any("magnet" in note.casefold() for note in lesson.safety) else []),
        ]
    )
    key_folder = "" if pages else ', key_folder="."'
    ideas = "## The ideas behind the choices\n\nThey show when you press the button: look first who sees your screen."
    start = (
        f"from kit.widgets import {'' if pages else 'LessonCheck, '}Stage, TeacherKey\n\n"
        f'stage = Stage("{lesson_path}", "predict", wait=False)\nTeacherKey("{lesson_path}"{key_folder})'
    )
    return [
        ("markdown", yours),
        ("markdown", _minutes(lesson, pages)),
        ("markdown", _CURRICULUM),
        ("markdown", safety),
        ("markdown", ideas),
        ("code", start),
        *(("markdown", f"## {TITLES[stage]}\n\n{_to_ask(stage)}") for stage in MADE_STAGES if pages),
        *([] if pages else _check_cells()),
        *_sheet_cells(lesson, lesson_path),
        ("markdown", _out_and_back(lesson, built_in=bool(pages))),
        ("code", _overview_code(lesson_path, key_folder)),
    ]


def _minutes(lesson: Lesson, pages: str) -> str:
    """How much time there is: a table of stages and paths, and how to choose one."""
    head = f"| stage | {' | '.join(PATHS)} |\n|---|{'---|' * len(PATHS)}"
    linked = MADE_STAGES if pages else made_stages(lesson)
    rows = [
        f"| {f'[{TITLES[stage]}]({pages}{notebook_name(stage)})' if stage in linked else TITLES[stage]} | "
        + " | ".join(str(_spent(lesson, stage, name)[0] or "–") for name in PATHS)
        + " |"
        for stage in MADE_STAGES
    ]
    sums = [sum(_spent(lesson, stage, name)[0] for stage in path.minutes) for name, path in PATHS.items()]
    total = f"| **minutes in all** | {' | '.join(f'**{minutes}**' for minutes in sums)} |"
    spent = [
        f"- **{path.name}**: {path.words}. "
        + " ".join(f"*{TITLES[stage]}* {minutes}: {how}." for stage, (minutes, how) in path.minutes.items())
        for path in PATHS.values()
    ]
    name = lesson.name if pages else "FOLDER"
    choose = f'Another path: `python3 -m kit open {name} --path "{TWO}"`. ' + (
        f"The pages in `notebooks/{name}` are those of **{ONE}**, with the "
        f"[question of the day]({pages}{QUESTION_PAGE}) beside them."
        if pages
        else f"Or write `path = …` into `lesson.toml` and make the notebooks anew. Now it is **{lesson.path}**."
    )
    what = "What a path leaves out waits at the end of each page, in the closed section *Go further*. "
    code = "*How this number is made*, closed too, is for students who program."
    return "\n".join(["## How much time is there?", "", head, *rows, total, "", *spent, "", f"{choose} {what}{code}"])


def _to_ask(stage: str) -> str:
    aim, ask, beware = _NOTES[stage]
    return "\n\n".join([aim, "Ask:", "\n".join(listed(ask)), "What can go wrong:", "\n".join(listed(beware))])


def _check_cells() -> list[tuple[str, str]]:
    check = (
        "## Is the lesson ready?\n\nRun this after each change of `lesson.toml` or the data. Then make the notebooks "
        "anew: `python3 -m kit new-lesson FOLDER --remake`."
    )
    return [("markdown", check), ("code", 'LessonCheck("..")')]


def _sheet_cells(lesson: Lesson, lesson_path: str) -> list[tuple[str, str]]:
    sheet = (
        "## A sheet for the runs\n\nThe order is drawn by lot, with the reference condition at the start, in the "
        "middle and at the end. Take away the `#` to write the page, then print it from your browser."
    )
    code = (
        "from pathlib import Path\n\nimport kit\n\n"
        f"order = kit.run_order({[float(v) for v in lesson.values]} * 3, reference={lesson.reference}, seed=1)\n"
        f'page = kit.run_sheet_html(order, "{lesson.x}", title="Run sheet", cautions=stage.lesson.safety)\n'
        '# Path("run_sheet.html").write_text(page, encoding="utf-8")\n'
        "order"
    )
    paper = (
        "For groups without a computer there are pages to print: a worksheet with graph paper, a run sheet, answer "
        "slips, a page for the class."
    )
    pages = f'from kit.widgets import PrintPages\n\nPrintPages("{lesson_path}")'
    return [("markdown", sheet), ("code", code), ("markdown", paper), ("code", pages)]


def _out_and_back(lesson: Lesson, built_in: bool) -> str:
    share = (
        "- Do you want to see answers as they come? Start the class desk before the lesson: "
        "`python3 -m kit class-desk handins`. It prints an address that students type once, and one for you. Your page "
        "says who has sealed. The projector shows nothing before you press *Show*.\n"
        f"- If groups share the conditions, every group also makes runs with {case_of(lesson.x, lesson.reference)}. "
        "Else nobody can tell a group's apparatus from its condition.\n"
        f"- At the end each group makes a hand-in, `handin_{lesson.name}_….json`. Put all of them into one folder. "
        "Then run the box below."
    )
    if not built_in:
        return (
            f"How to build the real thing: [build it]({BUILD_IT}).\n\n## Out and back\n\n"
            "- Give students the folder `student`, and only that: as a ZIP, or on a shared drive. It is complete.\n"
            "- They open it with `python3 -m kit open FOLDER`. Lesson file, data and pages are in it. The "
            f"machine needs the kit.\n{share} To give the whole lesson to a colleague: "
            "`python3 -m kit pack-lesson FOLDER`."
        )
    return (
        f"How to build the real thing: [build it]({BUILD_IT}).\n\n## Out and back\n\n"
        f"- Make a copy for students: `python3 -m kit student-copy {lesson.name} --out FOLDER`. It holds pages and "
        "data, no guide and no key. They open it with `python3 -m kit open FOLDER`.\n"
        "- You want the key at hand in that copy? Add `--with-key`. The command asks for a pass phrase and seals "
        "the key with it. Nobody can read it without the phrase. You open it with `python3 -m kit open-key FOLDER`. "
        "Choose a long phrase. A sealed file can be tried at leisure.\n"
        "- The project itself is public. Whoever fetches it from where you did has the keys too, as with the answers "
        f"at the back of a book. For a question that nobody can look up, make a lesson of your own.\n{share}"
    )


def _overview_code(lesson_path: str, key_folder: str) -> str:
    return (
        "from kit import read_class\nfrom kit.widgets import ClassOverview\n\n"
        f'# ClassOverview(read_class("handins", "{lesson_path}"{key_folder}))'
    )


def listed(lines: Iterable[str]) -> list[str]:
    return [f"- {' '.join(line.split())}" for line in lines]


def _boxed(title: str, lines: Sequence[str]) -> str:
    """A block quote: a list stays together, everything else is a paragraph."""
    text = [f"> **{title}**"]
    for before, line in zip(["", *lines], lines, strict=False):
        text += [f"> {line}"] if before.startswith("- ") and line.startswith("- ") else [">", f"> {line}"]
    return "\n".join(text)
