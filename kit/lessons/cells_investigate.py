"""The cells of the stage "investigate": a lesson's claims one by one, then a claim of the group's own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from .lesson import Lesson, LessonClaim
from .paths import MAKE_RUNS, Cells

__all__ = ["investigate_cells"]


def investigate_cells(lesson: Lesson) -> Cells:
    """(kind, text) of every cell between the welcome and the link to what comes next."""
    if lesson.texts["investigate"]:
        yield "markdown", lesson.texts["investigate"].strip()
    claimed = False
    for claim in lesson.claims:
        if not claim.step_to:
            yield from _one_claim(lesson, claim, explain=not claimed)
            claimed = True
    if lesson.clicks_data:
        yield from _clicks()
    if lesson.claims and lesson.has_hand_counts:
        yield from _two_methods()
    yield from _own_claim()
    yield (
        "markdown",
        "## For your teacher\n\nA new hand-in holds all that the earlier one held, and your claims besides.",
    )
    yield "code", "stage.hand_in()"


def _one_claim(lesson: Lesson, claim: LessonClaim, explain: bool) -> Cells:
    yield "markdown", f"## {claim.question}"
    if claim.ask_first:
        yield "markdown", "First say what you expect. The data wait until you have sealed it."
        yield "code", f'stage.prediction("{claim.ask_first}")'
    if claim.hears:
        yield from _listening(lesson, claim)
    if explain:
        yield (
            "markdown",
            "### Let chance play against the data\n\n"
            "Suppose the labels meant nothing. Then you could hand them round among the runs, and a difference as "
            "large as the measured one would come up often. The kit hands them round for you: each time is one "
            "shuffled world. Look at one world first. Then ask for many. How often does chance alone do as "
            "much?\n\n"
            "Put your claim down first. Say from which size on a difference would matter to you.",
        )
    for step in lesson.claims:
        if step.step_to == claim.id:
            yield "markdown", f"### One step to it: {_lower(step.question)}"
            yield "code", f'stage.claim("{step.id}")'
    if claim.hears:
        yield (
            "markdown",
            f"### The claim itself\n\n*{claim.statement}* Take all recorded runs together. Does it hold?",
        )
    yield "code", f'stage.claim("{claim.id}")'
    if claim.closer_at is not None:
        yield (
            "markdown",
            f"### A closer look\n\nNow take only the runs with {claim.closer_at:g} {claim.within[0]}. Can these few "
            "runs settle it? If they cannot, that is an answer too. It does not mean that there is no effect.",
        )
        yield "code", f'stage.claim("{claim.id}", at={claim.closer_at:g})'
    if claim.hears:
        yield from _counterexample(lesson, claim)
    if claim.ask_first:
        yield "markdown", "### Answer again\n\nAnswer the question once more with what you know now."
        yield "code", f'stage.final_answer("{claim.ask_first}")'
    yield (
        "markdown",
        "### Defend your answer\n\n"
        "State your answer. Give the numbers, with their uncertainty. Say where it holds and where you cannot tell. "
        "Then be your own critic.",
    )
    yield "code", f'stage.defend("{claim.id}")'


def _listening(lesson: Lesson, claim: LessonClaim) -> Cells:
    yield (
        "markdown",
        "### Listen and look\n\n"
        "Nothing plays until you press play. Start with the volume low. All that you can hear you can also see: the "
        "level, the clicks and the frequencies. Choose a recording.",
    )
    yield "code", f'stage.recordings("{claim.id}")'
    if difference := _other_difference(lesson, claim):
        yield (
            "markdown",
            "### At the same speed\n\n"
            "A slower disc is quieter anyway. So compare only moments at which both turn equally fast.",
        )
        yield (
            "code",
            _same_speed(claim, {difference.first: difference.listened_at[0], difference.second: difference.settings}),
        )


def _counterexample(lesson: Lesson, claim: LessonClaim) -> Cells:
    difference = _other_difference(lesson, claim)
    if not difference:
        return
    few, many = difference.listened_at
    yield (
        "markdown",
        "### Look for a case against it\n\n"
        "A claim that says *always* falls by a single case. Is there one here? "
        f"Look at {few:g} and {many:g} {lesson.x}, at the same speed.",
    )
    yield (
        "code",
        _same_speed(claim, {difference.first: difference.listened_at, difference.second: difference.settings[0]}),
    )


class _Difference(NamedTuple):
    """What else was changed on a claim's recorded runs, beside what the lesson changes."""

    first: str  # what the lesson changes
    listened_at: tuple[float, float]
    second: str  # what else was changed
    settings: tuple[float | str, float | str]


def _other_difference(lesson: Lesson, claim: LessonClaim) -> _Difference | None:
    """By the step to this claim that changes something else on the same runs."""
    for step in lesson.claims:
        same_runs = step.step_to == claim.id and step.data == claim.data and step.within == (lesson.x,)
        if same_runs and step.settings and claim.listen_at:
            return _Difference(lesson.x, claim.listen_at, step.by, step.settings)
    return None


def _same_speed(claim: LessonClaim, setting: Mapping[str, object]) -> str:
    return f'stage.same_speed("{claim.id}", {", ".join(f"{name}={_python(value)}" for name, value in setting.items())})'


def _clicks() -> Cells:
    yield (
        "markdown",
        "## A phone as a gate\n\n"
        "A card that is struck once in every turn clicks. A recording of it holds the time of every turn, as a gate "
        "log does. One run was timed both ways. How well do they agree?",
    )
    yield "code", "stage.later(lambda: stage.clicks())"


def _two_methods() -> Cells:
    yield (
        "markdown",
        "## An earlier method against the gate\n\n"
        "In stage 3 you saw counts by hand beside the gate's. Before you blame one of them: do both measure the same "
        "thing?",
    )
    yield "code", 'stage.later(lambda: stage.two_methods("duration_s"))'


def _own_claim() -> Cells:
    yield (
        "markdown",
        "## Your own claim\n\n"
        "Now it is your turn. Think of something that might matter: grease, a heavier rim, how the push is made, "
        "a warm room. Write a claim that a measurement could speak against. Plan the runs before you make them.\n\n"
        "Show the plan to your teacher before you change anything on the apparatus. A heavier rim or a solvent needs a "
        "yes first.",
    )
    yield "code", "stage.own_claim()"
    yield (
        "markdown",
        "### Put your own claim to the test\n\n"
        f"[Make the runs]({MAKE_RUNS}) in the order that you drew: on the bench, with a gate, or in any other way. "
        "Keep each one. Then come back and say which setting each run had.",
    )
    yield "code", "stage.test_own_claim()"
    yield (
        "markdown",
        "## Which runs next?\n\n"
        "Do you want to know your curve of stage 4 better? Choose which of its numbers should become more certain. "
        "Say how many minutes you have. The plan says where the next runs help most. Draw an order and print it.",
    )
    yield "code", "stage.later(lambda: stage.planner())"


def _python(value: object) -> str:
    """A setting, or a pair of them, as Python writes it; whole numbers without a point."""
    if isinstance(value, tuple):
        return f"({', '.join(map(_python, value))})"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
