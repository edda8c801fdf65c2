"""Units as people write them in headings: of time, of speed of turning, and of what a sensor sees."""

from __future__ import annotations

import re
from math import pi

__all__ = ["TIME_UNITS", "UNITS", "UNIT_WORDS", "level_unit", "name_and_unit", "speed_unit", "time_unit"]

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
