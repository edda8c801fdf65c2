"""What stands on each page of a lesson, as cells: Markdown in plain words, and code of one or two lines.

A student who only clicks can run the code; a student who programs can see where every number comes from. What a stage
gives and what it leaves to the students follows the lesson's level of inquiry (the table of levels in `keys.py`). A
`Step` says of the cells after it on which paths through the lesson they stand, and where they wait in "go further".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from .cells_inside import INSIDE, inside_cells
from .cells_investigate import investigate_cells
from .keys import level_of
from .lesson import STAGES, Lesson
from .paths import AGAIN, DAY, MAKE_RUNS, ONE, PROJECT, SEAL, TWO, WRITE, Arranged, Cells, Step, arrange, spread_values
from .waiting import left_for_later

__all__ = [
    "CLOSED",
    "MADE_STAGES",
    "MAKE_RUNS",
    "TITLES",
    "arranged",
    "made_stages",
    "notebook_name",
    "stage_cells",
]

TITLES = {
    "predict": "Predict",
    "measure": "Measure",
    "average": "Average",
    "trend": "Find the trend",
    "explain": "Explain",
    "investigate": "Investigate",
}

MADE_STAGES = STAGES

CLOSED = "closed"  # the kind of the cell that a closed section begins with, up to the next heading of its level

LONGER = (TWO, PROJECT)


def notebook_name(stage: str) -> str:
    """File name of a stage's notebook, such as `2_measure.ipynb`."""
    return f"{STAGES.index(stage) + 1}_{stage}.ipynb"


def made_stages(lesson: Lesson) -> tuple[str, ...]:
    """The stages that have a page on the lesson's path; none where it is one page alone."""
    return () if lesson.path == DAY else MADE_STAGES


def stage_cells(lesson: Lesson, stage: str, lesson_path: str, home: str) -> list[tuple[str, str]]:
    """The cells of one stage's notebook on the lesson's path: pairs of kind and text; what is optional comes late."""
    number = STAGES.index(stage) + 1
    asks = f"**{lesson.question}**" if level_of(lesson.level).gives_question else f"To start from: {lesson.question}"
    opening = f"# {number} · {TITLES[stage]}: {lesson.title}\n\n{asks}"
    start = f'from kit.widgets import Stage\n\nstage = Stage("{lesson_path}", "{stage}"{_path_said(lesson)})\n'
    found = arranged(lesson, stage)
    own = [("markdown", opening), ("code", start + "stage.welcome()"), *found.shown]
    return [*own, *_closed(found.further), *_inside(lesson, stage), ("markdown", _next_step(lesson, stage, home))]


def arranged(lesson: Lesson, stage: str) -> Arranged:
    """The cells of a stage on the lesson's path, between the welcome and the link to what comes next."""
    return arrange([*_asked_first(lesson, stage), *_CELLS[stage](lesson)], lesson.path)


def _path_said(lesson: Lesson) -> str:
    """What a page says of its path, where that is not the usual one."""
    return "" if lesson.path == ONE else f', path="{lesson.path}"'


def _closed(cells: list[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """The section "go further": closed, its headings one level lower, its widgets made when they are asked for.

    It must not come last: JupyterLab goes to the last cell after it has run all, and opens the section it is in.
    """
    if not cells:
        return
    yield CLOSED, "## Go further\n\nDo you have time left? Press *cells hidden*. The rest needs none of it."
    for kind, text in cells:
        if kind == "markdown":
            yield kind, re.sub(r"(?m)^#(#+) ", r"##\1 ", text)
        else:
            yield kind, f"stage.later(lambda: {text})"


def _inside(lesson: Lesson, stage: str) -> Iterator[tuple[str, str]]:
    """How the page's numbers are made, closed and late: a number that differs stops "Run All" after all other cells."""
    cells = list(inside_cells(lesson, stage))
    yield from [(CLOSED, INSIDE), *cells] if cells else []


def _asked_first(lesson: Lesson, stage: str) -> Cells:
    """The questions of a stage that come before its data; those of the first stage, and of claims, have places."""
    at_a_claim = {claim.ask_first for claim in lesson.claims} if stage == "investigate" else set()
    asked = [question for question in lesson.asked(stage) if question.id not in at_a_claim]
    if asked and stage != "predict":
        yield Step("questions before the data", needs=SEAL * len(asked))
        yield "markdown", "## Before you see the data\n\nSay what you expect. The data wait until you have sealed it."
        for question in asked:
            yield "code", f'stage.prediction("{question.id}")'


def _next_step(lesson: Lesson, stage: str, home: str) -> str:
    last = "investigate" if lesson.path == PROJECT else "explain"
    if stage in (last, "investigate"):
        more = ""
        if stage != "investigate":
            more = f" You want more? [{TITLES['investigate']}]({notebook_name('investigate')}) puts claims to the test."
        return f"## The end\n\nThis is the end of the lesson. [Back to the start]({home}).{more}"
    later = STAGES[STAGES.index(stage) + 1]
    link = f"[{TITLES[later]}]({notebook_name(later)})"
    return f"## Next\n\nGo on with {link}. What you entered here is saved and waits for you there."


# --- by eye and by hand, before the kit does it ----------------------------------------------------------------------


def _once_by_eye() -> Cells:
    yield (
        "markdown",
        "## Once by eye\n\n"
        "One push is harder than another. So a fair count starts at the same speed in every run. You can say how fast "
        "it is by how long one turn takes.\n\n"
        "Here is the log of one run. Beside each pass stands how long the turn took that ends there. At which pass "
        "would you start to count? Each of you clicks a row. Then see how far apart you are, and what that does.",
    )
    yield "code", "stage.by_eye()"


def _own_count(lesson: Lesson) -> Cells:
    bench = (
        "Give it a push. As soon as your eye can follow it, tap once a turn. Your watch runs from your first tap to "
        "your last. Too fast to follow? Then show it as a slow film. "
        if lesson.bench is not None
        else "Count the turns and time them while a gate logs the run. "
    )
    earlier = " Your pair joins the plots above." if lesson.has_hand_counts else ""
    yield (
        "markdown",
        f"## Count one run yourself\n\nCan you trust the gate? Check it once. {bench}"
        f"Keep your count, and only then see what the gate logged of the same run. Do the two agree?{earlier}",
    )
    yield "code", "stage.own_count()"


def _first_by_hand() -> Cells:
    yield (
        "markdown",
        "## First by hand\n\n"
        "Put your averages on the axes. Then draw one smooth curve by eye. After that you see it beside curves that "
        "the kit fits. Nothing is marked.",
    )
    yield "code", 'stage.graph_by_hand("duration_s")'


# --- 1 predict -------------------------------------------------------------------------------------------------------


def _predict(lesson: Lesson) -> Cells:
    if lesson.texts["predict"]:
        yield "markdown", lesson.texts["predict"].strip()
    level = level_of(lesson.level)
    if level.tells_relation:
        yield (
            "markdown",
            f"## What is known\n\n{lesson.expected.strip()}\n\n"
            "You will check it: does it hold for this apparatus, and how well? Use it for your predictions.",
        )
    if not level.gives_question:
        yield Step("your own question", needs=WRITE)
        yield (
            "markdown",
            "## Your own question\n\n"
            "What do you want to find out about it? Ask a question that a measurement can answer: what do you change, "
            "what do you measure?",
        )
        yield "code", "stage.own_question()"
    left, asked = left_for_later(lesson), lesson.asked("predict")
    yield Step("predict", needs=(SEAL + AGAIN) * (len(asked) - len(left)))
    yield (
        "markdown",
        "## Your prediction\n\n"
        "Do this before you see any data. Choose an answer. Say why in your own words. Say how sure you are. "
        "Then seal it: a sealed answer stays as it is, so that you can compare it with what you see later. "
        "It is not marked.\n\n"
        "After that, talk with others. Then answer again. Your first answer is kept.",
    )
    for question in asked:
        if question not in left:
            yield "code", f'stage.prediction("{question.id}")'
    yield Step("send", needs=1)
    yield "code", 'stage.send("answers")'
    yield Step("sketch", needs=len(spread_values(lesson.values, lesson.path)) + 1)
    yield (
        "markdown",
        "## Sketch what you expect\n\n"
        f"What coasting time do you expect for each {lesson.x_words}? Set a value for each. A guess is fine.",
    )
    yield "code", 'stage.predicted_curve("duration_s")'
    for question in left:
        yield Step(f"question {question.id}", on=(), further=(ONE,), needs=SEAL + AGAIN)
        yield "markdown", "## One more question"
        yield "code", f'stage.prediction("{question.id}")'


# --- 2 measure -------------------------------------------------------------------------------------------------------

_STEPS = (
    "## Step by step\n\n"
    "1. Read the table of runs. Look for rows in which the gate logged a pass twice or missed one.\n"
    "2. Find by eye where one run starts to count. Each of you clicks a row.\n"
    "3. Look at the plot of all runs. Each line is one run that slows down.\n"
    "4. Leave both lines where they are. All runs are counted between these two speeds.\n"
    "5. Press *Use these thresholds*.\n"
    "6. Write down what you see. Then go on."
)

_WHERE_TO_COUNT = (
    "## Where does counting start?\n\n"
    "Nobody spins it twice alike. So a fair count can't start when the hand lets go. "
    "Instead, agree on two speeds. Counting **starts** at the faster one and **stops** at the slower one. "
    "You say how fast it is by how long one turn takes. These two times are called thresholds.\n\n"
    "The plot shows how long one turn takes while each run slows down. Move the two lines. "
    "The table below follows."
)

_WHERE_TO_COUNT_YOURSELF = (
    "## Where does counting start?\n\n"
    "Nobody spins it twice alike. What does your plan say about that?\n\n"
    "The plot shows how long one turn takes while each run slows down. Counting starts at one line and stops at the "
    "other. Move them to where your plan wants them, and be ready to say why."
)


def _measure(lesson: Lesson) -> Cells:
    level = level_of(lesson.level)
    if not level.gives_procedure:
        yield Step("plan", needs=WRITE)
        yield (
            "markdown",
            "## Your plan\n\n"
            "How can you find out? Write your plan before you look at any run. What do you change? What must stay the "
            "same? How often do you repeat it? When do you start counting, so that it is fair, and when do you stop?",
        )
        yield "code", "stage.plan()"
    yield Step("runs")
    if lesson.texts["measure"]:
        yield "markdown", lesson.texts["measure"].strip()
    if level.numbers_steps:
        yield "markdown", _STEPS
    yield Step("own runs", on=LONGER, further=(ONE,))
    yield (
        "markdown",
        f"## Whose runs?\n\nYou can [make runs of your own]({MAKE_RUNS}), and then choose here whose runs you use.",
    )
    yield "code", "stage.sources()"
    yield Step("runs")
    yield (
        "markdown",
        "## The runs\n\n"
        "Each row is one run. The gate sometimes logs one pass twice, or misses one. The kit looks for both. "
        "It tells you what it found, and you can refuse it below.",
    )
    yield "code", "stage.runs_table()"
    yield Step("once by eye", needs=2)
    yield from _once_by_eye()
    yield Step("where counting starts and stops", needs=1)
    yield "markdown", _WHERE_TO_COUNT if level.gives_procedure else _WHERE_TO_COUNT_YOURSELF
    yield "code", "stage.thresholds()"
    yield Step("what you see", needs=WRITE)
    yield "markdown", "## What do you see?\n\nWrite down what you see before you calculate anything. No reasons yet."
    yield "code", 'stage.observation("runs")'
    yield Step("what was hardest", on=LONGER, further=(ONE,), needs=WRITE)
    yield "markdown", "## What was hard to do?\n\nWhoever measures next should know."
    yield (
        "code",
        'stage.observation("hardest", "What was hardest to start? What was least stable, so that its runs differ?")',
    )
    yield Step("results", on=LONGER, further=(ONE,))
    yield "markdown", "## The results as a table\n\nThe next stages use these numbers."
    yield "code", "stage.results_table()"
    yield "code", 'stage.send("results")'


# --- 3 average -------------------------------------------------------------------------------------------------------


def _average(lesson: Lesson) -> Cells:
    yield Step("trials", needs=1)
    yield (
        "markdown",
        "## Three trials, one average\n\n"
        "One number can stand for all three trials: their average. The dots above it and the dots below it balance. "
        "But look at the dots too. "
        "They never fall on one spot. **Would a fourth run land exactly on the average?**\n\n"
        "If something went wrong in a run, and you know what, you can set it aside. You must say what happened. "
        "The run stays in the record.",
    )
    yield "code", 'stage.trials("duration_s")'
    yield Step("how sure", on=LONGER, further=(ONE,))
    yield (
        "markdown",
        "## How sure is an average?\n\n"
        "Behind the ± stands the standard uncertainty of the average. The average of very many trials should lie "
        "in the 95 % interval, 19 times in 20. With three trials alone this interval is wide. The last column uses the "
        'spread of all conditions together. (`stage.averages_table("turns")` gives the same for the turns.)',
    )
    yield "code", 'stage.averages_table("duration_s")'
    if lesson.has_hand_counts:
        yield Step("two methods", on=LONGER, further=(ONE,), needs=WRITE)
        yield (
            "markdown",
            "## Counted by hand, counted by the gate\n\n"
            "Somebody had measured the same thing before without a gate, once for each condition. The time came from a "
            "stopwatch, the turns from a film played slowly. Do the two ways agree?",
        )
        yield "code", "stage.hand_counts()"
        yield "code", 'stage.observation("methods")'
    yield Step("own count", on=LONGER, further=(ONE,), needs=2)
    yield from _own_count(lesson)
    yield Step("comparisons", on=LONGER, further=(ONE,), needs=5)
    yield (
        "markdown",
        "## Are two of your averages really different?\n\n"
        "Two averages never agree to the last digit. Compare their difference with their uncertainty. "
        "Then decide: measure better, measure again, change your idea, or leave it. Every comparison is kept.",
    )
    yield "code", "stage.comparisons()"


# --- 4 trend ---------------------------------------------------------------------------------------------------------


def _trend(lesson: Lesson) -> Cells:
    yield Step("graph by hand", needs=len(lesson.values) + 3)  # the points, a curve in one stroke, and to keep it
    yield from _first_by_hand()
    yield Step("how it changes", needs=1)
    yield "markdown", _how_it_changes(lesson)
    yield "code", 'stage.trend("duration_s")'
    yield Step("turns", on=LONGER, further=(ONE,), needs=1)
    yield "markdown", "## The number of turns\n\nDo the turns follow the same kind of curve?"
    yield "code", 'stage.trend("turns")'
    yield Step("other thresholds", on=LONGER, further=(ONE,))
    yield (
        "markdown",
        "## Does your choice of threshold matter?\n\n"
        "The same runs, counted with other thresholds. If the exponent `p` hardly moves, your answer does not depend "
        "on the choice.",
    )
    yield "code", "stage.sensitivity()"
    yield Step("what you see in it", on=LONGER, further=(ONE,), needs=WRITE)
    yield "code", 'stage.observation("trend")'


def _how_it_changes(lesson: Lesson) -> str:
    level = level_of(lesson.level)
    if level.tells_relation:
        return (
            "## Does it hold?\n\n"
            f"This is what you were told: {lesson.expected.strip()}\n\n"
            "Here several curves are compared with the data at once. Does the curve that belongs to it leave no "
            "pattern in what is left over (the residuals)? Does another one do as well?"
        )
    advice = "Look at what is left over (the residuals): a good curve leaves no pattern."
    return "## Not whether, but how\n\nYou have seen that the coasting time changes. Now ask **how** it changes. " + (
        f"Choose curves that might fit. {advice}" if level.gives_procedure else "How can you tell? Say why first."
    )


# --- 5 explain -------------------------------------------------------------------------------------------------------


def _explain(lesson: Lesson) -> Cells:
    yield Step("one shape", on=LONGER, further=(ONE,))
    yield (
        "markdown",
        "## One shape for both?\n\n"
        "Divide the turns by the coasting time for each run. What you get is the average speed. "
        "Does it depend on what you changed?",
    )
    yield "code", "stage.same_shape()"
    yield Step("one curve", on=(PROJECT,), further=(ONE, TWO))
    yield (
        "markdown",
        "## All runs on one curve\n\n"
        "Divide each speed by the speed at the start threshold. Divide each time by the whole coasting time. "
        "If the *kind* of drag stays the same, all runs fall on one curve. Then turns and time must follow one shape. "
        "Each kind of drag has a curve of its own.",
    )
    yield "code", "stage.collapse()"
    yield Step("build it yourself", on=LONGER, further=(ONE,), needs=3)
    yield (
        "markdown",
        "## Build the slowing down yourself\n\n"
        "Three things can slow it: rubbing that is always the same, drag that grows with speed, drag that grows with "
        "speed squared. Move the sliders until your curve lies on the measured runs. Then let the kit fit it.",
    )
    yield "code", "stage.explore()"
    yield Step("two ways to one number", on=(PROJECT,), further=(ONE, TWO))
    yield (
        "markdown",
        "## Two ways to one number\n\n"
        f"Even with no {lesson.x} at all it would slow down. How many {lesson.x} is that worth? The trend gives one "
        "answer. The slowing down of the single runs gives another one, by another way. Do they agree within their "
        "uncertainty? If they do not, that is a finding, not a failure.",
    )
    yield "code", "stage.two_routes()"
    yield Step("standstill", on=(PROJECT,), further=(ONE, TWO))
    yield (
        "markdown",
        "## When does it stand still?\n\n"
        "The gate cannot see the end: after the last pass there is less than one turn. A model can estimate it. "
        "An estimate is not a measurement.",
    )
    yield "code", "stage.time_to_rest()"
    yield Step("cause", on=LONGER, further=(ONE,), needs=WRITE)
    yield (
        "markdown",
        "## What is the cause?\n\n"
        "What could make it slow down in just this way? Write what you think. It need not be right. "
        "You can change it later.",
    )
    yield "code", 'stage.observation("cause", "What do you think is the cause?")'
    if lesson.texts["explain"]:
        yield "markdown", "Then compare it with what others have found."
        yield "code", "stage.cause()"
    yield Step("look back")
    yield "markdown", "## Your prediction and the data, side by side"
    for question in [q for q in lesson.asked("predict") if q not in left_for_later(lesson)]:
        yield "code", f'stage.look_back("{question.id}")'
    yield "code", 'stage.look_back_curve("duration_s")'
    yield Step("explanation", needs=5)
    yield (
        "markdown",
        "## Your explanation\n\n"
        "State a claim. Give the evidence, with its uncertainty. Say why the evidence supports the claim. "
        "Then be your own critic: what could somebody say against it?",
    )
    yield "code", "stage.explanation()"
    yield Step("answer once more", needs=AGAIN)
    yield "markdown", "## Answer once more\n\nAnswer the first question again with what you know now."
    for question in lesson.asked("predict")[:1]:
        yield "code", f'stage.final_answer("{question.id}")'
    yield Step("hand in", needs=1)
    yield "markdown", "## For your teacher"
    yield "code", "stage.hand_in()"
    for question in left_for_later(lesson):
        yield Step(f"look back at {question.id}", on=(), further=(ONE,))
        yield "markdown", "## The other question, and the data"
        yield "code", f'stage.look_back("{question.id}")'


# --- which stage has which cells --------------------------------------------------------------------------------------

_CELLS: dict[str, Callable[[Lesson], Cells]] = {
    "predict": _predict,
    "measure": _measure,
    "average": _average,
    "trend": _trend,
    "explain": _explain,
    "investigate": investigate_cells,
}
