"""What a column of a log may be, by its name and its values: words for times, states, channels; steady steps.

At the end stands what is asked where columns can mean several things, with the answers in words.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from ..errors import AmbiguousLog
from .table import Table
from .units import level_unit, speed_unit, time_unit

__all__ = [
    "ROLE_WORDS",
    "TABLES",
    "States",
    "channels",
    "counts_up",
    "evenly_stepped",
    "is_binary",
    "is_condition",
    "is_steady",
    "neither",
    "quantity",
    "role_by_name",
    "same_steps",
    "state_words",
    "two_edges",
    "what_table",
    "which_column",
]

ROLE_WORDS = {
    "time": "time,times,t,clock,timestamp,time stamp,elapsed,elapsed time,pass,passes,pass time,pass times,"
    "gate time,event,event time,ts,datetime,date time,time of day,total time,zeit,zeiten,uhrzeit,gesamtzeit,zeitpunkt,"
    "laufzeit,temps,heure,tiempo,tiempos,hora,tempo,tempi,ora,tijd,tid,czas,micros,millis",
    "period": "period,periods,turn period,turn periods,turn time,turn times,interval,intervals,gap,gaps,dt,"
    "lap,lap time,rundenzeit,umlaufzeit,periode,periodendauer,période,periodo",
    "state": "state,beam,beam state,gate,blocked,signal,input",
    "trial": "trial,repeat,replicate,run",
    "counter": "no,nr,#,index,row,count,pass no,pass number,i,n,turn,edge,runde,tour,vuelta,giro",
    "flags": "flags,flags per turn",
    "channel": "channel,chan,ch,sensor,port,lane,device,source,gate no,gate name,kanal,"
    "lichtschranke,canal,canale,capteur",
    "date": "date,datum,day,fecha,data,tag",
}
ROLE_OF = {word: role for role, words in ROLE_WORDS.items() for word in words.split(",")}

# (beam free, beam blocked); where the second is False, the words do not say which of them means blocked
_STATES: tuple[tuple[str, str, bool], ...] = (
    ("open", "blocked", True), ("free", "blocked", True), ("clear", "blocked", True), ("unblocked", "blocked", True),
    ("unblock", "block", True), ("clear", "broken", True), ("intact", "broken", True), ("made", "broken", True),
    ("free", "interrupted", True), ("free", "broken", True), ("restored", "broken", True),
    ("restored", "blocked", True),
    ("light", "dark", True), ("bright", "dark", True), ("hell", "dunkel", True), ("frei", "unterbrochen", True),
    ("offen", "unterbrochen", True), ("libre", "coupé", True), ("open", "closed", False), ("offen", "zu", False),
    ("low", "high", False), ("l", "h", False), ("lo", "hi", False), ("off", "on", False), ("aus", "ein", False),
    ("aus", "an", False), ("false", "true", False), ("falsch", "wahr", False), ("faux", "vrai", False),
    ("no", "yes", False), ("nein", "ja", False), ("down", "up", False), ("inactive", "active", False),
    ("falling", "rising", False), ("f", "t", False), ("0", "1", False),
)  # fmt: skip
_BLOCKED_NAMES = re.compile(r"blocked|broken|interrupted|dark|unterbrochen|dunkel|coup|interrotto")
_SPEED_NAMES = re.compile(r"\b(speed|omega|ω|angular velocity|drehzahl|drehrate|rpm|frequency|rotation rate|gyro\w*)\b")
_COUNT_NAMES = re.compile(r"\b(counts?|encoder|pulses?|ticks|steps|position|pos|impulse?s?|zähler\w*|encoder counts)\b")
_LEVEL_NAMES = re.compile(
    r"\b(volts?|voltage|spannung|tension|brightness|illuminance|illumination|light|lux|intensity|helligkeit|level|"
    r"analog\w*|adc|luminosité|a0)\b"
)
_FIRST_EDGE = re.compile(
    r"\bblock|\bbroken|\binterrupt|\bin\b|\bon\b|\benter|\bstart|\bbegin|\bfrom\b|\bdark|\bein\b|\bfall"
)
_SECOND_EDGE = re.compile(
    r"unblock|\bfree|\bclear|\bopen|\bout\b|\boff\b|\bleave|\bexit|\bend|\bstop|\bto\b|\blight|\baus\b|\brise|\brising|restored"
)
_DATE = re.compile(r"\d{1,4}[.\-/]\d{1,2}[.\-/]\d{1,4}\.?")
STEADY = 0.25  # a step that differs by less from the usual one belongs to steady sampling
NO_TREND = 0.1  # the steps of a coasting rotor grow by more than this
FEWEST_STEPS = 7  # in equal steps that can be no accident
MOST_CHANNELS = 16
LARGEST = 1e300  # differences of larger numbers can't be held; they are refused later


class States:
    """Two words of a column of states, as 0 and 1, and whether 1 is known to mean that the beam is blocked."""

    def __init__(self, codes: np.ndarray, words: tuple[str, str], known: bool):
        self.codes, self.words, self.known = codes, words, known


def role_by_name(name: str) -> str | None:
    """The role a column's name gives it; a number at its end does not matter."""
    word = re.sub(r"[\s_.\-]+", " ", name.lower()).strip()
    return ROLE_OF.get(word) or ROLE_OF.get(re.sub(r"\s*\d+$", "", word))


def quantity(name: str, unit: str) -> str | None:
    """ "speed", "level" or "count": what else than a time stands in a column, by its unit, else by its name."""
    word = re.sub(r"[\s_.\-]+", " ", name.lower()).strip()
    if speed_unit(unit) is not None or (not unit and speed_unit(name) is not None):
        return "speed"
    if time_unit(unit):
        return None
    if re.search(r"\bcounts?\b", unit.lower()) or (_COUNT_NAMES.search(word) and not level_unit(unit)):
        return "count"
    if level_unit(unit) or _LEVEL_NAMES.search(word):
        return "level"
    return "speed" if _SPEED_NAMES.search(word) else None


def state_words(column: pd.Series, name: str) -> States | None:
    """A column of two words that mean states of a beam; None if it is none."""
    words = column.dropna().str.strip().str.lower()
    found = set(words.unique()) if len(words) else set()
    if len(found) != 2:
        return None
    for free, blocked, known in _STATES:
        if found == {free, blocked}:
            shown = {word.lower(): word for word in column.dropna().str.strip().unique()}
            values = column.str.strip().str.lower().map({free: 0.0, blocked: 1.0}).to_numpy(float)
            said = known or (
                blocked in ("true", "yes", "1", "wahr", "ja") and bool(_BLOCKED_NAMES.search(name.lower()))
            )
            return States(values, (shown[free], shown[blocked]), said)
    return None


def channels(column: pd.Series) -> list | None:
    """The values of a column that says which gate a row belongs to: few, mixed; None if it is none."""
    filled = column.dropna()
    values = list(filled.unique())
    return values if 2 <= len(values) <= MOST_CHANNELS and 2 * len(values) <= len(filled) else None


def is_dates(column: pd.Series) -> bool:
    """Whether words are dates."""
    filled = column.dropna()
    return len(filled) > 0 and all(_DATE.fullmatch(str(word)) for word in filled.unique()[:50])


def is_binary(column: pd.Series) -> bool:
    """Only 0 and 1."""
    cells = column.to_numpy()
    return len(cells) > 2 and bool(((cells == 0) | (cells == 1)).all())


def counts_up(column: pd.Series) -> bool:
    """1, 2, 3 … from 0 or 1; or down to it."""
    values = column.dropna().to_numpy()
    if len(values) < 3:
        return False
    return bool(
        (values[0] in (0, 1) and (np.diff(values) == 1).all())
        or (values[-1] in (0, 1) and (np.diff(values) == -1).all())
    )


def is_condition(column: pd.Series) -> bool:
    """Mostly filled, and the same over several rows: a run has three passes at least."""
    filled = column.dropna()
    blocks = int((filled != filled.shift()).sum())
    return 2 * len(filled) > len(column) and 3 * blocks <= len(filled)


def is_steady(times: np.ndarray) -> bool:
    """Steps as a sampler makes them: nearly all alike, and no longer at the end than at the start."""
    if len(times) <= FEWEST_STEPS or _largest(times) > LARGEST:
        return False
    steps = np.diff(times)
    third = len(steps) // 3
    first = np.median(steps[:third])
    if not (first > 0 and abs(np.median(steps[-third:]) / first - 1) < NO_TREND):
        return False
    usual = np.median(steps)
    return bool(usual > 0 and np.mean(np.abs(steps - usual) <= STEADY * usual) > 0.9)


def same_steps(times: np.ndarray) -> bool:
    """Steps that are all the same to the last digit: an index, or a clock that samples."""
    if len(times) <= FEWEST_STEPS or (largest := _largest(times)) > LARGEST:
        return False
    for part in (times[:100], times):  # the first steps tell it of nearly every log
        steps = np.diff(part)
        if not (steps[0] != 0 and np.ptp(steps) <= 1e-9 * abs(steps[0]) + 2e-15 * largest):
            return False
    return True


def _largest(values: np.ndarray) -> float:
    return max(float(values.max()), -float(values.min()))


def two_edges(names: tuple[str, str]) -> bool:
    """Whether two columns are called like the start and the end of one pass: blocked at, free again at."""
    first, second = (re.sub(r"[\s_.\-]+", " ", name.lower()) for name in names)
    starts = _FIRST_EDGE.search(first) and not _SECOND_EDGE.search(first)
    return bool(starts and _SECOND_EDGE.search(second))


# --- what is asked

TABLES = {"speed": "speeds", "count": "counts", "level": "samples"}  # what rows at a steady step hold


def evenly_stepped(table: Table, column: str | int) -> AmbiguousLog:
    return AmbiguousLog(
        "Every step in this column is the same: an index, or a clock that samples, and no passes of a wheel that slows",
        file=table.file,
        column=column,
        options={"another column is the time": {"time_column": None}, "passes after all": {"content": "times"}},
    )


def what_table(table: Table, columns: list[int], problem: str) -> AmbiguousLog:
    column = table.dialect.column(columns[0])
    return AmbiguousLog(
        f"{problem}. What is in column {column}?",
        file=table.file,
        column=column,
        options={
            "speeds of turning, with the unit in the heading": {"content": "speeds", "value_column": column},
            "counts of an encoder": {"content": "counts", "value_column": column, "counts_per_turn": None},
            "samples of a beam": {"content": "samples", "value_column": column},
        },
    )


def neither(table: Table, j: int) -> AmbiguousLog:
    return AmbiguousLog(
        "These numbers rise like neither pass times nor the turn periods of a wheel that slows",
        file=table.file,
        column=table.dialect.column(j),
        options={
            "turn periods after all": {"content": "periods"},
            "another column is the time": {"time_column": None},
        },
    )


def which_column(table: Table, columns: list[int], kinds: dict[int, str | None]) -> AmbiguousLog:
    called = table.dialect.column
    return AmbiguousLog(
        "Several columns could be meant: which one counts?",
        file=table.file,
        found=", ".join(str(called(j)) for j in columns),
        options={
            f"column {called(j)}": {"value_column": called(j)}
            | ({"content": TABLES[kind]} if (kind := kinds.get(j)) else {})
            for j in columns
        },
    )
