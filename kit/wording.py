"""How numbers and their names are written for people, and read as people type them: the same everywhere.

An uncertainty carries two significant digits and its value ends at the same place (GUM 7.2.6). Pure text: nothing
here rounds a number that is computed with.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Context, Decimal
from math import isfinite
from numbers import Real

from .errors import KitError

__all__ = [
    "DASH",
    "about",
    "as_repeated",
    "axis_title",
    "case_of",
    "condition_value",
    "count_of",
    "evidence",
    "evidence_share",
    "interval",
    "join_words",
    "name_of",
    "number",
    "number_typed",
    "percent",
    "plus_minus",
    "rounded_by",
    "short",
    "times_u",
    "unit_of",
]

DASH = "–"  # stands where there is no number

_MINUS = "−"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_EXACT = Context(prec=700)  # enough to write any float out to any other float's last place
_CALLED = {"duration_s": "coasting time"}  # what a lesson calls it
_UNITS = {
    "s": "s",
    "ms": "ms",
    "min": "min",
    "m": "m",
    "cm": "cm",
    "mm": "mm",
    "kg": "kg",
    "g": "g",
    "N": "N",
    "deg": "°",
    "rad": "rad",
    "Hz": "Hz",
    "dB": "dB",
    "percent": "%",
    "C": "°C",
    "V": "V",
    "A": "A",
}


def number(value: float, digits: int = 4) -> str:
    """A number with `digits` significant digits: "37.97", "−0.001235", "1235000".

    Zero is "0"; powers of ten are used only below 0.00001 and from 10⁹ on: "1.200 × 10⁻⁷".
    """
    if not isfinite(value):
        return DASH
    if value == 0:
        return "0"
    power = _exact(value).adjusted()
    if -6 < power < 9:
        return _written(value, _places(value, digits))
    scaled = float(_exact(value).scaleb(-power))
    return f"{_written(scaled, _places(scaled, digits))} × 10{str(power).translate(_RAISED)}"


def number_typed(text: str, what: str, example: str = "0.25") -> float:
    """A number as people type it, with a decimal point or comma: number_typed("0,25", "The start") is 0.25.

    Raises
    ------
    KitError : it is no finite number; the message begins with `what` and shows the `example`.
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise KitError(f"{what} needs a number", found=text, fix=f"type, for example: {example}")
    return value


def plus_minus(value: float, u: float, unit: str = "") -> str:
    """Value ± standard uncertainty, two digits of `u`: plus_minus(37.966, 0.4188, "s") is "37.97 ± 0.42 s".

    Where `u` is zero, not a number or infinite, the value stands alone with four digits.
    """
    if not isfinite(value):
        return DASH
    if not (isfinite(u) and u > 0):
        return _with_unit(number(value), unit)
    places = _places(u, 2)
    return _with_unit(f"{_written(value, places)} ± {_written(u, places)}", unit)


def about(value: float, u: float, unit: str = "") -> str:
    """An estimate of a model, with three digits at the most: about(10.7623, 0.0011, "s") is "about 10.8 s".

    Its uncertainty stands beside it only where it shows in them: what the model leaves out counts for more.
    """
    if not isfinite(value) or not (isfinite(u) and u > 0) or u >= 10.0 ** -_places(value, 3):
        return plus_minus(value, u, unit)
    return f"about {_with_unit(number(value, 3), unit)}"


def times_u(apart: float) -> str:
    """A distance in standard uncertainties: "2.1 standard uncertainties", "less than 0.1 standard uncertainties"."""
    return f"{'less than 0.1' if apart < 0.1 else f'{apart:.1f}'} standard uncertainties"


def rounded_by(value: float, u: float) -> str:
    """The value alone, ended where two digits of its uncertainty end: rounded_by(37.966, 0.4188) is "37.97"."""
    return plus_minus(value, u).partition(" ± ")[0]


def as_repeated(value: float, spread: float) -> str:
    """The value ended where its trials stop agreeing: as_repeated(37.966, 0.42) is "38.0", with 0.13 it is "37.97".

    One digit of the spread of single trials counts, two where the first of them is a 1. Three digits where the spread
    is zero or not known; a dash where there is no value.
    """
    if not isfinite(value):
        return DASH
    if not (isfinite(spread) and spread > 0):
        return number(value, 3)
    rounded = f"{spread:.0e}"
    spread = float(rounded) if rounded[0] == "1" else spread  # 0.9996 is written as 1
    digits = 2 if repr(float(spread)).lstrip("0.").startswith("1") else 1
    return _written(value, _places(spread, digits))


def interval(low: float, high: float, unit: str = "") -> str:
    """An interval, rounded to two digits of half its width: interval(37.14, 38.81, "s") is "37.14 to 38.81 s".

    An end that does not exist reads "no limit".
    """
    half = (high - low) / 2
    places = _places(half, 2) if isfinite(half) and half > 0 else None
    ends = ["no limit" if not isfinite(end) else number(end) if places is None else _written(end, places)
            for end in (low, high)]  # fmt: skip
    return _with_unit(" to ".join(ends), unit)


def percent(fraction: float, digits: int = 2) -> str:
    """A fraction as a percentage: "2.0 %"; below a tenth of a per cent "below 0.1 %"."""
    if not isfinite(fraction):
        return DASH
    if 0 < fraction < 0.001:
        return "below 0.1 %"
    return f"{number(100 * fraction, digits)} %"


def evidence(weight: float | None) -> str:
    """A weight of evidence between 0 and 1: two decimals, never all of it, never none: "0.87", "> 0.99", "< 0.01"."""
    if weight is None or not isfinite(weight):
        return DASH
    if weight < 0.01:
        return "< 0.01"
    return "> 0.99" if weight > 0.99 else f"{weight:.2f}"


def evidence_share(weight: float) -> str:
    """The same in per cent, for tables: "87 %", "> 99 %", "< 1 %"."""
    if not isfinite(weight):
        return DASH
    if weight < 0.01:
        return "< 1 %"
    return "> 99 %" if weight > 0.99 else f"{100 * weight:.0f} %"


def short(value: float) -> str:
    """A count that may hold part of a turn, to one place at most: "21", "20.5"."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0").replace("-", _MINUS)


def count_of(n: int, singular: str, plural: str | None = None) -> str:
    """ "one trial", "3 trials": small enough to read aloud."""
    if n == 1:
        return f"one {singular}"
    return f"{n} {plural or singular + 's'}"


def join_words(words: Iterable[str], last: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def unit_of(column: str) -> str:
    """The unit a column's name ends in ("duration_s" → "s"); empty for counts such as "turns" or "magnets"."""
    *stem, ending = column.split("_")
    return _UNITS.get(ending, "") if stem else ""


def name_of(column: str) -> str:
    """A column's name in words, without its unit: "duration_s" → "coasting time", "level_deg" → "level"."""
    if column in _CALLED:
        return _CALLED[column]
    stem = column.rsplit("_", 1)[0] if unit_of(column) else column
    return re.sub(r"_+", " ", stem).strip()


def axis_title(column: str) -> str:
    """Name and unit for an axis: "duration_s" → "Coasting time (s)", "magnets" → "Magnets"."""
    name, unit = name_of(column), unit_of(column)
    name = name[:1].upper() + name[1:]
    if not unit:
        return name
    return f"{name} ({unit})"


def condition_value(value: float | str) -> str:
    """A condition's value alone, without needless digits: "3", "2.5", "carpet"."""
    return f"{value:g}" if isinstance(value, Real) else str(value)


def condition_place(value: float | str | None) -> tuple[bool, float, str]:
    """Sort key of a condition: numbers in their order, then words, then what is not known.

    Tables of runs that people read are in order of condition, then of trial, whatever the order of the runs was.

    >>> sorted([12.0, "dry", 2.0], key=condition_place)
    [2.0, 12.0, 'dry']
    """
    if value is None or isinstance(value, str) or value != value:
        return True, 0.0, str("~" if value is None or value != value else value)
    return False, float(value), ""


def case_of(column: str, value: float | str) -> str:
    """One condition in words: "3 magnets", "1 magnet", "level 2.5 °", "floor carpet"."""
    name, unit = name_of(column), unit_of(column)
    if isinstance(value, str):
        return f"{name} {value}"
    if unit:
        return f"{name} {value:g} {unit}"
    if value == 1 and name.endswith("s") and not name.endswith("ss"):
        name = name[:-1]
    return f"{value:g} {name}"


def _exact(value: float) -> Decimal:
    return Decimal(repr(float(value)))  # float() first: numpy's numbers have another repr


def _places(value: float, digits: int) -> int:
    """Decimal places (may be negative) that show `digits` significant digits of `value` once it is rounded."""
    quick = f"{abs(value):e}"
    if value and quick[0] != "9":  # then rounding adds no digit
        return digits - 1 - int(quick.partition("e")[2])
    exact = abs(_exact(value))
    if exact == 0:
        return digits - 1
    places = digits - 1 - exact.adjusted()
    if _rounded(exact, places).adjusted() > exact.adjusted():  # 0.0996 becomes 0.10, not 0.100
        places -= 1
    return places


def _rounded(value: Decimal, places: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP, context=_EXACT)


def _written(value: float, places: int) -> str:
    decimals = repr(float(value)).partition(".")[2]
    tie = places == len(decimals) - 1 and decimals.endswith("5")
    if 0 <= places < len(decimals) and not tie and "e" not in decimals:  # Python's own rounding is quicker, and agrees
        text = f"{abs(value):.{places}f}"
        return _MINUS + text if value < 0 and text.strip("0.") else text
    rounded = _rounded(_exact(value), places)
    text = f"{abs(rounded):f}" if places < 0 else f"{abs(rounded):.{places}f}"
    return _MINUS + text if rounded < 0 else text


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit else text
