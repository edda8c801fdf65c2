"""An invented class: 28 hand-ins for the coasting disc, made from a seed, so that a teacher can try the overview.

No student wrote any of this, and every hand-in says so. The measurements come from the drag law of the kit's virtual
bench; each group's disc differs a little, and some groups counted between other thresholds than the lesson suggests.

`python -m tests.invented_class` writes them into `datasets_demo/class_handins`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from kit.errors import KitError
from kit.motion.drag import DragLaw
from kit.record.entries import BANDS, Entry, Kind, make_entry
from kit.record.handin import handin_document
from kit.record.workbook import ANIMALS, COLOURS
from kit.sources.bench import APPARATUS, true_stretch

from .texts import AT_END, CLAIMS, LATER, REASONING, REASONS, REBUTTALS, SEEN

__all__ = ["demo_handins", "write_demo_class"]

LESSON, GROUPS, SEED = "coasting_disc", 28, 20310517
START = datetime(2031, 5, 17, 8, 30, tzinfo=UTC)
INVENTED = "Invented hand-in from the kit (seed {seed}): no student wrote this and no disc was spun."

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

#: Start and stop thresholds, s a turn, and how many groups use them; the first are the lesson's own.
THRESHOLDS = (((0.25, 1.0), 19), ((0.4, 1.0), 5), ((0.25, 0.8), 4))
#: Numbers of magnets that a group measures; groups take them in turn.
CONDITIONS = ((1, 2, 4, 8), (2, 3, 6, 12), (1, 2, 6, 12), (2, 3, 4, 8))
ASIDE = ("a sleeve touched the rim", "somebody bumped the table", "the gate was knocked")
#: Stages after which a few groups stop, and one group that takes no part in the discussion.
UNFINISHED = ("predict", "average", "trend", "trend", "no talk")


@dataclass(frozen=True)
class Group:
    """What is decided about a group before it starts."""

    number: int
    code: str
    first: dict[str, str]  # question: its first choice
    thresholds: tuple[float, float]
    unfinished: str  # one of UNFINISHED, or empty


def demo_handins(seed: int = SEED) -> Iterator[tuple[str, dict]]:
    """The invented hand-ins: file name and JSON object of each. The same seed makes the same ones."""
    random = np.random.RandomState(seed)  # its stream never changes (NEP 19)
    firsts = {question: _shuffled(random, FIRST[question]) for question in FIRST}
    thresholds = random.permutation([i for i, (_, n) in enumerate(THRESHOLDS) for _ in range(n)])
    unfinished = dict(zip(random.permutation(GROUPS).tolist(), UNFINISHED, strict=False))
    say = _Voices(random)
    for number in range(GROUPS):
        colour, animal = _one(random, COLOURS), _one(random, ANIMALS)
        group = Group(
            number,
            f"demo-{colour}-{animal}-{number + 101}",
            {question: firsts[question][number] for question in FIRST},
            THRESHOLDS[thresholds[number]][0],
            unfinished.get(number, ""),
        )
        book = _Book(random, START + timedelta(seconds=int(random.randint(150))))
        book.add("predict", Kind.DATA_NOTICE, INVENTED.format(seed=seed))
        _work(book, random, say, group)
        yield f"handin_{LESSON}_{group.code}.json", handin_document(book.entries, group.code, LESSON, book.now())


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
            raise KitError("This file is there already and is not overwritten", file=path, fix="delete it first")
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


# --- a group's way through the lesson, up to the stage it did not finish ---------------------------------------------


def _work(book: _Book, random: np.random.RandomState, say: _Voices, group: Group) -> None:
    for question, choice in group.first.items():
        answer = _answer(random, choice, say(REASONS[question][choice]), FIRST[question][choice][1], "first")
        book.add("predict", f"prediction:{question}", answer, sealed=True)
    stands = group.first if group.unfinished == "no talk" else _discuss(book, random, say, group.first)
    if group.unfinished == "predict":
        return
    start_s, stop_s = group.thresholds
    book.add("measure", "threshold", {"start_period_s": start_s, "stop_period_s": stop_s, "rule": "interpolated"})
    book.add("measure", "observation:runs", say(SEEN))
    rows = _measured(random, CONDITIONS[group.number % len(CONDITIONS)], group.thresholds)
    if random.uniform() < 0.25:
        row = _one(random, rows)
        row["set_aside"] = _one(random, ASIDE)
        book.add("average", "set_aside", {"source": row["source"], "trial": row["trial"], "reason": row["set_aside"]})
    book.add("average", "results", rows)
    if group.unfinished == "average":
        return
    book.add("average", "observation:methods", "By hand they got a bit more time than the gate, nearly everywhere.")
    if group.unfinished == "trend":
        return
    book.add(
        "trend",
        "observation:trend",
        "The dots lie on a bent curve, not on a line. One over magnets is close but not on.",
    )
    book.add("explain", "explanation", _explanation(say, rows))
    choice = SUPPORTED["two-magnets"] if random.uniform() < 0.7 else stands["two-magnets"]
    book.add("explain", "prediction:two-magnets", _answer(random, choice, say(AT_END[choice]), (0.1, 0.4, 0.5), "end"))


def _discuss(book: _Book, random: np.random.RandomState, say: _Voices, first: dict[str, str]) -> dict[str, str]:
    """Answers after the discussion: many move to what the data support, few away from it. Returns the choices."""
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


def _answer(
    random: np.random.RandomState, choice: str, reason: str, sure: tuple[float, float, float], moment: str
) -> dict[str, str]:
    """An answer with a band of confidence drawn by the chances `sure`."""
    band = list(BANDS)[int(np.searchsorted(np.cumsum(sure), random.uniform() * 0.999))]
    return {"choice": choice, "reason": reason, "confidence": band, "moment": moment}


def _explanation(say: _Voices, rows: list[dict]) -> dict[str, str]:
    mean = {
        x: np.mean([row["duration_s"] for row in rows if row["magnets"] == x and not row["set_aside"]])
        for x in {row["magnets"] for row in rows}
    }
    evidence = ", ".join(f"{x} magnets: {mean[x]:.1f} s" for x in sorted(mean)[:3]).replace("1 magnets", "1 magnet")
    return {
        "claim": say(CLAIMS),
        "evidence": f"{evidence}. Each from three trials that differ by about 2\u00a0%.",
        "reasoning": say(REASONING),
        "rebuttal": say(REBUTTALS),
    }


def _measured(
    random: np.random.RandomState, conditions: tuple[int, ...], thresholds: tuple[float, float]
) -> list[dict]:
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


def _shuffled(random: np.random.RandomState, choices: dict[str, tuple]) -> list[str]:
    """Each choice as often as it says, in random order."""
    return random.permutation([choice for choice, (n, _) in choices.items() for _ in range(n)]).tolist()


def _one(random: np.random.RandomState, items: Sequence):
    return items[random.randint(len(items))]
