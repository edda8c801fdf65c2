"""Units as people write them in headings: of time, of speed of turning, of what a sensor sees; and the one not written.

The unit of times whose heading gives none is the one in which a rotor spun by hand would make such gaps. It is decided
for all files of a folder at once. Where two units are possible, or the only one is unusual, it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import pi

import numpy as np

from ..errors import AmbiguousLog, KitError

__all__ = [
    "TIME_UNITS",
    "UNITS",
    "UNIT_WORDS",
    "level_unit",
    "name_and_unit",
    "speed_unit",
    "time_unit",
    "unit_of_gaps",
    "unit_of_steps",
]

UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6}  # how many make a second; what clocks usually count in
TIME_UNITS = {**UNITS, "ns": 1e9, "min": 1 / 60, "h": 1 / 3600}

UNIT_WORDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), "ms"),
    **dict.fromkeys(("us", "usec", "µs", "μs", "micros", "microsecond", "microseconds"), "us"),
}
_MORE_WORDS = {
    **dict.fromkeys(("sek", "sekunde", "sekunden", "seconde", "secondes", "segundo", "segundos", "secondi"), "s"),
    **dict.fromkeys(("millisekunden", "millisecondes", "milisegundos", "millisecondi"), "ms"),
    **dict.fromkeys(("mikrosekunden", "microsecondes", "microsegundos", "microsecondi"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanos", "nanosecond", "nanoseconds", "nanosekunden"), "ns"),
    **dict.fromkeys(("minute", "minutes", "minuten", "minuti", "minutos"), "min"),
    **dict.fromkeys(("hours", "hour", "hrs", "stunden"), "h"),
}
_ONLY_AS_UNITS = {"min": "min", "min.": "min", "mins": "min", "h": "h", "hr": "h"}  # "min" also means the least
_TIME_WORDS = {**UNIT_WORDS, **_MORE_WORDS, **_ONLY_AS_UNITS}

LONGEST_NAME = 200  # characters of a header's cell in which a unit is looked for

_TURN = r"(?:turns?|rev|revs|revolutions?|rotations?|rounds?|u|umdr|umdrehung(?:en)?|tours?|tr|giri|giro|vueltas?|r)"
_SECOND, _MINUTE = r"(?:s|sec|second|sek|sekunde|seconde|secondo|segundo)", r"(?:min|minute|minuto|minuut)"
_SPEEDS = (  # turns a second that one of the unit makes; kinds of speed are also known by what they are called
    (rf"rpm|{_TURN}/{_MINUTE}|1/{_MINUTE}", 1 / 60),
    (rf"hz|hertz|rps|tps|{_TURN}/{_SECOND}", 1.0),
    (rf"(?:rad|radians?)/{_SECOND}", 1 / (2 * pi)),
    (rf"dps|(?:°|deg|degrees?|grad)/{_SECOND}", 1 / 360),
)
_LEVELS = r"m?v|volts?|lx|lux|%|counts|adu|a\.?u\.?|bit|digits?"


def time_unit(word: str) -> str | None:
    """'µs' → 'us', 'minutes' → 'min'; None if it is no unit of time."""
    return _TIME_WORDS.get(word.strip().lower())


def speed_unit(words: str) -> float | None:
    """How many turns a second one of this unit is: 'rpm' → 1/60, 'rad/s' → 1/(2π); None if it is no unit of speed."""
    text = re.sub(r"\s*\b(?:per|pro|par|por|al|a)\b\s*", "/", words.strip().lower().replace("²", "2"))
    text = re.sub(r"\s*(?:\^?-1|⁻¹)$", "^-1", text)
    text = re.sub(r"^(.*?)[\s·*.]*\b(\w+)\^-1$", lambda m: f"{m[1] or 1}/{m[2]}", text).replace(" ", "")
    return next((turns for form, turns in _SPEEDS if re.fullmatch(form, text)), None)


def level_unit(word: str) -> bool:
    """Whether this is a unit of what a beam's sensor shows: volts, lux, per cent."""
    return re.fullmatch(_LEVELS, word.strip().lower()) is not None


def name_and_unit(cell: str) -> tuple[str, str]:
    """'Pass time (ms)' → ('Pass time', 'ms'); also 'time_s', 't/s', 't [s]', 'ms'. The unit as written."""
    cell = cell.strip()
    if len(cell) > LONGEST_NAME:
        return cell, ""
    bracket = re.fullmatch(r"(.*?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]", cell)
    if bracket:
        return bracket[1], bracket[2]
    word = re.fullmatch(r"(?:(.*?)[\s_/,]+)?(?:in )?(\w+)", cell)
    if word and word[2].lower() in UNIT_WORDS | _MORE_WORDS:
        return (word[1] or "").removesuffix(" in"), word[2]
    after = re.fullmatch(r"(.+?)(?:\s+in\s+|\s*/\s*|_)(min|h)", cell)
    if after and re.fullmatch(r"t|time|times|zeit|temps|tiempo|tempo|elapsed", after[1].lower()):
        return after[1], after[2]
    speed = re.fullmatch(r"(.+?)(?:\s+in\s+|[\s_,]+)(\S+)", cell)
    if speed and speed_unit(speed[2].replace("_", "/")) is not None:
        return speed[1], speed[2].replace("_", "/")
    return cell, ""


# --- the unit that is not written

SHORTEST_GAP_S, LONGEST_GAP_S = 0.002, 20.0  # usual gaps that are possible: a disc of many slots, a slow turntable
SHORTEST_USUAL_S, SLOWEST_START_S = 0.005, 1.5  # what is usual: the fastest gap of a push by hand
SHORTEST_RUN_S, LONGEST_RUN_S = 1.0, 7200.0
MAYBE_MINUTES_S = 0.02  # gaps this short, read as seconds, are turn periods if they are minutes
PLURALS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "min": "minutes"}


def unit_of_gaps(gaps: Sequence[np.ndarray], file: str) -> str:
    """The unit of the gaps between passes of one or more runs.

    Raises
    ------
    AmbiguousLog : several are possible, or the one that is possible would be an unusually slow run of whole numbers.
    KitError : none is possible.
    """
    gaps = [np.asarray(g, float) for g in gaps]
    gaps = [g[g > 0] for g in gaps if (g > 0).any()]
    if not gaps:
        return "s"
    usual = float(np.median([np.median(g) for g in gaps]))
    fast = float(min(np.percentile(g, 10) for g in gaps))
    longest = float(max(g.sum() for g in gaps))
    whole = all((g % 1 == 0).all() for g in gaps)
    seconds = {unit: usual / per for unit, per in UNITS.items()}
    possible = [
        unit
        for unit, per in UNITS.items()
        if SHORTEST_GAP_S <= seconds[unit] <= LONGEST_GAP_S and SHORTEST_RUN_S <= longest / per <= LONGEST_RUN_S
    ]
    likely = [
        unit
        for unit, per in UNITS.items()
        if SHORTEST_USUAL_S <= seconds[unit] <= LONGEST_GAP_S and fast / per <= SLOWEST_START_S
    ]
    if not whole and seconds["s"] <= LONGEST_GAP_S:  # decimals are how seconds are written
        if seconds["s"] < MAYBE_MINUTES_S and longest * 60 > SHORTEST_RUN_S and len(gaps[0]) > 4 and not likely:
            raise _question(usual, ["s", "min"], file)
        if not possible or possible == ["s"]:
            return "s"
    if len(likely) == 1 and set(possible) <= set(likely):
        return likely[0]
    options = list(dict.fromkeys([*likely, *possible]))
    if not options:
        if seconds["us"] > LONGEST_GAP_S:
            raise KitError(
                "The gaps between passes are absurdly long",
                file=file,
                found=f"usually {usual:g}",
                fix="check the column, and write its unit in the header",
            )
        return next(unit for unit in UNITS if seconds[unit] <= LONGEST_GAP_S)
    near = [unit for unit in UNITS if 1e-4 < seconds[unit] <= 10 * LONGEST_GAP_S]
    raise _question(usual, list(dict.fromkeys([*options, *near])), file)


def unit_of_steps(steps: Sequence[np.ndarray], file: str) -> str:
    """The unit of the times of a table's rows: seconds if they have decimals, else asked."""
    usual = float(np.median(np.concatenate(list(steps)))) if steps else 0.0
    if usual % 1 and 0.001 <= usual <= 5:
        return "s"
    raise _question(usual, ["s", "ms", "us"], file)


def _question(usual: float, units: list[str], file: str) -> AmbiguousLog:
    def shown(unit: str) -> str:
        return f"{PLURALS[unit]}: usually {usual / TIME_UNITS[unit]:.3g} s from row to row"

    return AmbiguousLog(
        "The unit of the times is not written, and their size does not decide it",
        file=file,
        options={shown(unit): {"unit": unit} for unit in units},
    )
