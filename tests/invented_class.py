"""An invented class: 28 hand-ins for the coasting disc, made from a seed, so that a teacher can try the overview.

No student wrote any of this, and every hand-in says so. The measurements come from the drag law of the kit's virtual
bench; each group's disc differs a little, and some groups counted between other thresholds than the lesson suggests.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from kit.errors import KitError
from kit.motion.drag import DragLaw
from kit.record.entries import BANDS, Entry, Kind, make_entry
from kit.record.handin import handin_document
from kit.record.workbook import ANIMALS, COLOURS
from kit.sources.bench import APPARATUS, true_stretch

__all__ = [
    "AT_END",
    "CLAIMS",
    "LATER",
    "REASONING",
    "REASONS",
    "REBUTTALS",
    "SEEN",
    "demo_handins",
    "write_demo_class",
]

#: Reasons of the first answers: question: choice: texts.
REASONS = {
    "two-magnets": {
        "same": (
            "Aluminium is not magnetic. We tried it with a can at home and the magnet fell off.",
            "The magnets don't touch the disc so they can't slow it down.",
            "It only depends on how hard you push.",
        ),
        "half": (
            "Two magnets brake twice as much, so it takes half the time.",
            "Double the magnets, half the time. It's like sharing.",
            "If one magnet takes its energy away in 38 s then two need 19 s.",
            "Twice the force means it stops twice as fast.",
            "We think it is inversely proportional because more braking is less time.",
            "Half, because there are now 2 and 38 / 2 = 19.",
            "Each magnet takes the same energy per second, so with two it is used up in half the time.",
            "It is like two people pulling instead of one.",
            "We had this rule in maths: more workers, less time.",
            "One brake, 38 s. Two brakes, 19 s.",
            "The brake doubles. We don't see what else there could be.",
            "Because 2 times 19 is 38.",
            "Everything else stays the same, only the magnets double.",
        ),
        "less-than-half": (
            "Two magnets make each other stronger, like when you stick them together.",
            "The field gets more than double because they add up and also pull on each other.",
            "Braking always gets worse the more there is, like two people on one bike brake.",
        ),
        "between": (
            "It also rubs at the spindle, and that does not get doubled.",
            "Not quite half since the bearing and the air were there before.",
            "It would stop even with no magnets, so the second one is not everything.",
            "The first magnet has the biggest effect, the next ones do less each.",
            "Doubling never works out exactly in real life. So a bit more than half.",
            "We think of a bike: if you pull a second brake it stops sooner but not in half the way.",
        ),
        "fixed-step": (
            "Each magnet takes away the same amount, maybe 10 s each.",
            "It goes down in a straight line like when you take the same step every time.",
            "One magnet takes a bit off, so two take two bits off.",
        ),
    },
    "turns": {
        "same": (
            "We push it the same, so it has the same number of turns in it.",
            "It has to use up its push, only quicker.",
            "The turns come from the start speed and that is the same.",
            "How often it goes round depends on the push, the magnets only change how long it takes.",
            "Less time, but then it also turns faster for that time. It evens out.",
            "We think turns don't care about time.",
        ),
        "half": (
            "It goes down but not as much as the time because it is fast at the start.",
            "Turns are less affected than time. We guessed a half.",
            "The magnets only matter when it is fast, so later turns are normal.",
            "Something between the same and a quarter.",
            "Most turns happen at the start, and those it still makes.",
            "The square root of a quarter is a half. We just had that in maths.",
            "It can't be as bad as for the time.",
        ),
        "quarter": (
            "It slows through the same speeds, only four times quicker, so a quarter.",
            "Turns are speed times time. The average speed stays the same.",
            "If the time is a quarter and it starts and stops at the same speed, the turns are a quarter too.",
            "A quarter of the time gives a quarter of the turns.",
            "Time and turns belong together. If one gets less the other does too, the same.",
            "We drew it: the speed line gets four times steeper, so the area is a quarter.",
            "It starts at the same speed and ends at rest. Only the time between is shorter.",
            "If you film it and play it four times faster you see a quarter of the turns in the time.",
            "Turns = speed x time and we only changed the time.",
            "Less time, less turns, we guess by the same amount.",
            "Because per second it makes the same turns on average.",
        ),
        "sixteenth": (
            "It has a quarter of the time and it is also four times slower, so 1/16.",
            "Less time and less speed: you have to multiply both.",
        ),
    },
}

#: Reasons after the discussion.
LATER = {
    "two-magnets": {
        "same": (
            "We stay with it. Nobody could say how a magnet holds aluminium.",
            "Still the same. Aluminium is not a magnet.",
        ),
        "half": (
            "We still think half. The others said the spindle but that is tiny.",
            "Half, it is the simplest rule.",
            "Nobody could tell us how big the other part is, so we leave it out.",
            "Maybe it is 19 and a little bit. That is half for us.",
            "Two of us wanted to change, two not. We stay.",
            "We did the sum again: 38 / 2.",
            "The ball bearing is so good that it does not count.",
            "Half. The other group only guessed too.",
            "If it was not half there would have to be something else that brakes.",
        ),
        "less-than-half": ("We think the fields add up more.",),
        "between": (
            "The other group said it also rubs without magnets. Then doubling the magnets can't halve it.",
            "With no magnet it would not go on for ever. So one magnet is not the whole brake.",
            "The spindle counts like another bit of magnet, so it's less than double the brake.",
            "There are three brakes: magnet, magnet, spindle. Before there were two. So not half.",
            "We forgot the friction. Only the magnet part doubles.",
            "Someone asked what happens with no magnet. It stops anyway. So it is more than 19 s.",
            "The air and the bearing stay the same when you add a magnet.",
            "It must be longer than half because one part of the brake did not get bigger.",
            "We worked it out with numbers: if the spindle is 1 and a magnet 2, it goes from 3 to 5, not to 6.",
            "A bit more than 19 s. They convinced us with the empty disc.",
            "The disc slows down without magnets too. That was the best argument.",
            "Because the first magnet was not alone, the bearing helped it.",
            "We are still half sure, but the friction argument is good.",
            "Double would need double of everything that brakes.",
        ),
        "fixed-step": ("A straight line is still the best guess.",),
    },
    "turns": {
        "same": (
            "We still say it has the same turns in it.",
            "The push decides. The others could not explain why not.",
            "Same turns, only quicker one after the other.",
            "We stay with the push.",
            "Turns are turns.",
        ),
        "half": (
            "Somewhere in the middle.",
            "We can't decide between the same and a quarter, so a half.",
            "It loses the slow turns at the end, that is about half of them.",
            "Half again, but we are less sure now.",
        ),
        "quarter": (
            "Same start speed, same stop speed, so the average is the same. A quarter of the time: a quarter.",
            "Somebody drew the speed going down. The triangle is four times narrower.",
            "The average speed can't change if start and stop don't.",
            "It is the film trick: play it faster and count.",
            "Turns follow the time because the speeds are all the same ones.",
            "Every speed lasts a quarter as long, so at every speed it makes a quarter of the turns.",
            "We stay with a quarter. Now we can also say why: same speeds.",
            "Add up small pieces: each piece is a quarter as long.",
            "The drawing on the board made it clear.",
            "First we thought the push counts, but the push only sets the start.",
            "Less time at the same speeds.",
            "It has to be the same as for time or the mean speed would change.",
            "A quarter. The others said sixteenth but then it would have to start slower.",
        ),
        "sixteenth": (
            "Both get less, so it multiplies.",
            "Speed a quarter and time a quarter makes a sixteenth.",
            "We stay: slower and shorter.",
            "Someone said the speed is the same but it brakes, so it is not.",
            "It multiplies like with areas.",
        ),
    },
}

#: Reasons at the end, of the question about two magnets.
AT_END = {
    "between": (
        "Our runs came out above half. The spindle brakes like about half a magnet of its own.",
        "We measured it: more than half, in all three trials.",
        "It is clearly over 19 s, by far more than the scatter.",
        "One over magnets did not fit, one over magnets plus a bit did.",
        "Between. The brake without magnets is there all the time.",
        "Our data say about 60 % of the time with one magnet.",
        "The curve would be half if the spindle did nothing. It does something.",
        "Not half. We were sure before and it was not so.",
        "All groups got more than 19 s.",
        "Because time = number / (magnets + about 0.6).",
        "The three dots for two magnets are all above the line for half.",
        "We saw it in the table: going from 1 to 2 magnets is less than halving.",
        "The friction argument from the discussion fits the data.",
        "With many magnets it is nearly halving, with few it is not. So the spindle counts.",
        "Between, and the averages of the others agree with ours.",
        "We set no trial aside and all of them were above 19 s.",
        "The average is 23 s and the uncertainty is small.",
        "You can see the half magnet in the trend.",
    ),
    "half": (
        "Our values are near half. We think the rest is scatter.",
        "Half, if you leave the friction out.",
    ),
    "same": ("It did get shorter, but we are not sure why.",),
    "less-than-half": ("It was not less than half with our disc, but close.",),
    "fixed-step": (
        "The steps get smaller, but at the start it looks straight.",
        "From 1 to 2 to 3 you could draw a line. We had only four conditions.",
    ),
}

SEEN = (
    "At first it goes fast and you can't count. Then it gets slow and the last turns take very long.",
    "All curves look the same but the ones with many magnets are squeezed together.",
    "The more magnets the steeper. With 12 it is over very soon.",
    "The turn period goes up slowly and at the end quickly.",
    "One run has two points where there should be one. The kit marked it.",
)

CLAIMS = (
    "More magnets make it coast for a shorter time, but twice as many do not quite halve it.",
    "The coasting time goes like one over the number of magnets plus a bit.",
    "Time and turns fall in the same way when you add magnets.",
    "The coasting time depends on the magnets and on the spindle together.",
)

REASONING = (
    "Each magnet brakes in step with speed. The spindle brakes as well, so the brake is never zero. "
    "Time is one over the whole brake.",
    "If only the magnets braked, time times magnets would always give the same number. It does not: it grows.",
    "The start and stop speeds are the same for all, so the mean speed is too and turns follow the time.",
)

REBUTTALS = (
    "Somebody could say it was the pushes. But counting starts at the same speed for all.",
    "The bearing may get warm and run easier later. We did not do the runs in order of magnets.",
    "We have only three trials each, so the last digits are not sure.",
    "",
)


# --- An invented class: 28 hand-ins for the coasting disc, made from a seed, so that a teacher can try the overview.

LESSON, GROUPS, SEED = "coasting_disc", 28, 20310517

INVENTED = "Invented hand-in from the kit (seed {seed}): no student wrote this and no disc was spun."

START = datetime(2031, 5, 17, 8, 30, tzinfo=UTC)

#: How often each choice is taken first, and with how much confidence (chances of the bands of BANDS).
FIRST = {
    "two-magnets": {
        "same": (3, (0.5, 0.3, 0.2)),
        "half": (13, (0.15, 0.35, 0.5)),
        "less-than-half": (3, (0.5, 0.4, 0.1)),
        "between": (6, (0.4, 0.4, 0.2)),
        "fixed-step": (3, (0.3, 0.5, 0.2)),
    },
    "turns": {
        "same": (6, (0.3, 0.4, 0.3)),
        "half": (7, (0.5, 0.4, 0.1)),
        "quarter": (11, (0.2, 0.4, 0.4)),
        "sixteenth": (4, (0.5, 0.4, 0.1)),
    },
}

SUPPORTED = {"two-magnets": "between", "turns": "quarter"}

THRESHOLDS = (((0.25, 1.0), 19), ((0.3, 1.0), 5), ((0.25, 0.8), 4))  # s a turn; the first is the lesson's own

ASIDE = ("a sleeve touched the rim", "somebody bumped the table", "the gate was knocked")

CONDITIONS = ((1, 2, 4, 8), (2, 3, 6, 12), (1, 2, 6, 12), (2, 3, 4, 8))


def demo_handins(seed: int = SEED) -> Iterator[tuple[str, dict]]:
    """The invented hand-ins: file name and JSON object of each. The same seed makes the same ones."""
    random = np.random.RandomState(seed)  # its stream never changes (NEP 19)
    firsts = {question: _shuffled(random, FIRST[question]) for question in FIRST}
    thresholds = random.permutation([i for i, (_, n) in enumerate(THRESHOLDS) for _ in range(n)])
    unfinished = dict(
        zip(random.permutation(GROUPS).tolist(), ("predict", "average", "trend", "trend", "no talk"), strict=False)
    )
    say = _Voices(random)
    for number in range(GROUPS):
        colour, animal = COLOURS[random.randint(len(COLOURS))], ANIMALS[random.randint(len(ANIMALS))]
        code = f"demo-{colour}-{animal}-{number + 101}"
        first = {question: firsts[question][number] for question in FIRST}
        book = _Book(random, START + timedelta(seconds=int(random.randint(150))))
        _work(book, random, say, first, THRESHOLDS[thresholds[number]][0], unfinished.get(number, ""), seed, number)
        yield f"handin_{LESSON}_{code}.json", handin_document(book.entries, code, LESSON, book.now())


def write_demo_class(folder: str | Path, seed: int = SEED) -> list[Path]:
    """Write the invented class into a folder; return the paths. The same seed writes the same bytes.

    Raises
    ------
    KitError : a file there has the same name and other bytes; it is not overwritten.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = {folder / name: json.dumps(handin, ensure_ascii=False).encode() for name, handin in demo_handins(seed)}
    for path, data in files.items():
        if path.exists() and path.read_bytes() != data:
            raise KitError("This file is there already and is not overwritten", file=path, fix="name a new folder")
    for path, data in files.items():
        path.write_bytes(data)
    return list(files)


class _Voices:
    """Draws texts at random, each once before any comes again."""

    def __init__(self, random: np.random.RandomState):
        self._random = random
        self._left: dict[tuple[str, ...], list[str]] = {}

    def __call__(self, texts: tuple[str, ...]) -> str:
        left = self._left.setdefault(texts, [])
        if not left:
            left.extend(self._random.permutation(texts).tolist())
        return left.pop()


class _Book:
    """Entries of one group, each saved a little later than the one before."""

    def __init__(self, random: np.random.RandomState, start: datetime):
        self.entries: list[Entry] = []
        self._random, self._time = random, start

    def now(self) -> str:
        self._time += timedelta(milliseconds=int(self._random.randint(20_000, 150_000)))
        return self._time.isoformat(timespec="milliseconds")

    def add(self, stage: str, kind: str, value, sealed: bool = False) -> None:
        before = self.entries[-1] if self.entries else None
        self.entries.append(make_entry(before, stage, kind, value, sealed, time=self.now()))


def _work(
    book: _Book, random, say: _Voices, first: dict[str, str], thresholds, unfinished: str, seed: int, number: int
) -> None:
    """One group's lesson, up to the stage it did not finish."""
    book.add("predict", Kind.DATA_NOTICE, INVENTED.format(seed=seed))
    later = _predict(book, random, say, first, talks=unfinished != "no talk")
    if unfinished == "predict":
        return
    start_s, stop_s = thresholds
    chosen = {"start_period_s": start_s, "stop_period_s": stop_s, "rule": "interpolated"}
    book.add("measure", "threshold", chosen)
    book.add("measure", "observation:runs", say(SEEN))
    rows = _measured(random, CONDITIONS[number % len(CONDITIONS)], thresholds)
    if random.uniform() < 0.25:
        row = rows[random.randint(len(rows))]
        row["set_aside"] = _one(random, ASIDE)
        entry = {"source": row["source"], "trial": row["trial"], "reason": row["set_aside"]}
        book.add("average", "set_aside", entry)
    book.add("average", "results", rows)
    if unfinished == "average":
        return
    book.add("average", "observation:methods", "By hand they got a bit more time than the gate, nearly everywhere.")
    if unfinished == "trend":
        return
    book.add(
        "trend",
        "observation:trend",
        "The dots lie on a bent curve, not on a line. One over magnets is close but not on.",
    )
    mean = {
        x: np.mean([r["duration_s"] for r in rows if r["magnets"] == x and not r["set_aside"]])
        for x in {r["magnets"] for r in rows}
    }
    evidence = ", ".join(f"{x} magnets: {mean[x]:.1f} s" for x in sorted(mean)[:3]).replace("1 magnets", "1 magnet")
    explanation = {
        "claim": say(CLAIMS),
        "evidence": f"{evidence}. Each from three trials that differ by about 2\u00a0%.",
        "reasoning": say(REASONING),
        "rebuttal": say(REBUTTALS),
    }
    book.add("explain", "explanation", explanation)
    before = later["two-magnets"]
    choice = SUPPORTED["two-magnets"] if random.uniform() < 0.7 else before
    book.add("explain", "prediction:two-magnets", _answer(random, choice, say(AT_END[choice]), (0.1, 0.4, 0.5), "end"))


def _predict(book: _Book, random, say: _Voices, first: dict[str, str], talks: bool) -> dict[str, str]:
    """First answers, sealed; then, for those who talk, later ones. Returns the answers that stand at the end of it."""
    for question, choice in first.items():
        reason = say(REASONS[question][choice])
        answer = _answer(random, choice, reason, FIRST[question][choice][1], "first")
        book.add("predict", f"prediction:{question}", answer, sealed=True)
    if not talks:
        return first
    later = {}
    for question, choice in first.items():
        choices = list(FIRST[question])
        chance = random.uniform()
        if choice == SUPPORTED[question]:
            later[question] = choice if chance < 0.9 else _one(random, choices)
        else:
            moved = SUPPORTED[question] if chance < 0.36 else _one(random, choices)
            later[question] = moved if chance < 0.48 else choice
        reason = say(LATER[question][later[question]])
        sure = (0.15, 0.4, 0.45) if later[question] == SUPPORTED[question] else (0.35, 0.45, 0.2)
        answer = _answer(random, later[question], reason, sure, "after discussion")
        book.add("predict", f"prediction:{question}", answer)
    return later


def _answer(random, choice: str, reason: str, sure: tuple[float, float, float], moment: str) -> dict[str, str]:
    band = list(BANDS)[int(np.searchsorted(np.cumsum(sure), random.uniform() * 0.999))]
    return {"choice": choice, "reason": reason, "confidence": band, "moment": moment}


def _measured(random, conditions: tuple[int, ...], thresholds: tuple[float, float]) -> list[dict]:
    """Three trials of each condition on this group's own disc, as rows of a results table."""
    kind = APPARATUS[LESSON]
    magnets_gap, spindle = np.exp(0.025 * random.standard_normal(2))  # this group's disc against the design
    rows = []
    for x in conditions:
        for trial in (1, 2, 3):
            factor = np.exp(kind.drag_scatter * random.standard_normal())
            bare, whole = kind.law(0), kind.law(x)
            parts = zip((bare.a, bare.b, bare.c), (whole.a, whole.b, whole.c), strict=True)
            law = DragLaw(*(factor * (spindle * own + magnets_gap * (all_ - own)) for own, all_ in parts))
            duration_s, turns = true_stretch(law, *thresholds)
            rows.append(
                {
                    "magnets": x,
                    "trial": trial,
                    "duration_s": round(duration_s, 2),
                    "turns": round(turns, 1),
                    "status": "counted",
                    "set_aside": "",
                    "source": f"passes/magnets-{x:02d}_trial-{trial}.csv",
                }
            )
    return rows


def _shuffled(random, choices: dict[str, tuple]) -> list[str]:
    """Each choice as often as it says, in random order."""
    return random.permutation([choice for choice, (n, _) in choices.items() for _ in range(n)]).tolist()


def _one(random, texts):
    return texts[random.randint(len(texts))]
