"""JSON with nothing surprising in it: what the workbook writes, and what a stranger's file may hold."""

from __future__ import annotations

import json
import math
from typing import Any

__all__ = ["MAX_DEPTH", "plain_value", "strict_json"]

MAX_DEPTH = 60  # levels of lists and objects
MAX_DIGITS = 18  # of a whole number: fits 64 bits, and takes no time to convert


def strict_json(data: bytes, max_depth: int = MAX_DEPTH) -> Any:
    """Read one JSON value from UTF-8 bytes (a byte order mark is allowed), or refuse.

    Raises
    ------
    ValueError : a plain half-sentence about what is wrong: other encodings, bad syntax, NaN and infinity,
        whole numbers of more than 18 digits, a key given twice, half a character (a lone surrogate), or
        more than `max_depth` levels.
    """
    try:
        found = json.loads(
            data.removeprefix(b"\xef\xbb\xbf").decode(),
            object_pairs_hook=_object,
            parse_constant=_refuse_constant,
            parse_int=_whole_number,
        )
        _check_levels(found, max_depth)
        if b"\\u" in data:  # only an escape can smuggle in half a character
            json.dumps(found, ensure_ascii=False).encode()
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    except UnicodeEncodeError:
        raise ValueError("it holds half a character") from None
    except json.JSONDecodeError as problem:
        raise ValueError(f"it is not JSON ({problem.msg}, line {problem.lineno})") from None
    return found


def plain_value(value: Any) -> Any:
    """The value as JSON will give it back: tuples as lists, number keys as text, numpy as plain numbers.

    Half a character, which no UTF-8 file can hold, becomes �.

    Raises
    ------
    ValueError : the value cannot be kept as JSON.
    """
    try:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, default=_from_numpy)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    except TypeError as problem:
        raise ValueError(f"it cannot be kept as JSON ({problem})") from None
    except ValueError as problem:
        raise ValueError(f"it holds a number or a list that JSON cannot hold ({problem})") from None
    whole_characters = text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")
    return strict_json(whole_characters.encode())


def _from_numpy(value: Any) -> Any:
    if hasattr(value, "tolist"):  # numpy numbers and arrays, without importing numpy
        return value.tolist()
    raise TypeError(f"a {type(value).__name__}")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))
        raise ValueError(f"the key {twice[:40]!r} is given twice")
    return found


def _refuse_constant(name: str) -> None:
    raise ValueError(f"it holds {name}, which is no number")


def _whole_number(digits: str) -> int:
    if len(digits) > MAX_DIGITS and len(digits.lstrip("-")) > MAX_DIGITS:
        raise ValueError(f"it holds a whole number of more than {MAX_DIGITS} digits")
    return int(digits)


def _check_levels(found: Any, max_depth: int) -> None:
    """Walk level by level, without recursion, so that no nesting can exhaust the stack."""
    level = [found]
    for _ in range(max_depth + 1):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                below.extend(value.values())
            elif isinstance(value, list):
                below.extend(value)
            elif isinstance(value, float) and not math.isfinite(value):
                raise ValueError("it holds a number that is too large")
        if not below:
            return
        level = below
    raise ValueError("it is nested too deeply")
