"""Small and large damage to the bytes of a file, as accidents and malice do it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from random import Random

__all__ = ["mutated"]

MOST_BYTES = 300_000
NUMBER = re.compile(rb"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")
WORD = re.compile(rb"[A-Za-z_]{2,}")
NUMBERS = (
    b"0", b"-0", b"-1", b"1", b"0.0", b"1e-320", b"1e308", b"1e309", b"-1e999", b"1e5000", b"9" * 25, b"9" * 400,
    b"9" * 5000, b"0." + b"0" * 400 + b"1", b"nan", b"NaN", b"inf", b"-Infinity", b"4294967296",
    b"100000000", b"3000", b"1_000", b"0x1F", b"1.2.3", b"1,2,3", b"12:30:05", b"1e", b".", b"-", b"+",
    b"\xd9\xa3", b"\xe2\x88\x921", b"true", b"null", b"",
)  # fmt: skip
WORDS = (
    b"time", b"time_s", b"period", b"state", b"trial", b"run", b"file", b"order", b"flags_per_turn", b"set_aside",
    b"note", b"ms", b"us", b"s", b"min", b"values", b"id", b"stage", b"choices", b"schema", b"version", b"entries",
    b"hash", b"previous", b"value", b"__class__", b"..", b"../../etc/passwd", b"/dev/zero", b"C:\\x", b"=1+1",
    b"<script>alert(1)</script>", b"\xc3\xa4\xc3\xb6", b"\xf0\x9f\x8e\xa1", b"\\ud800", b"\\u0000", b"%s", b"{0}",
)  # fmt: skip
SCRAPS = (
    b"\0", b"\0\0\0\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x80", b"\x1a", b"\x0c", b"\xc2\x85", b"\xe2\x80\xa8", b'"',
    b"'", b'"""', b"\r", b"\r\n", b"\n\n\n", b"\t", b";", b",", b",,,,", b"   ", b"#", b"# ", b"%", b"//", b"!", b"=",
    b"[", b"]", b"{", b"}", b"[[", b"]]", b":", b"\\", b"\\u12", b"e", b"-", b".",
)  # fmt: skip
CODES = ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1", "cp1252", "cp037", "utf-7")
Change = Callable[[bytes, Sequence[bytes], Random], bytes]


def mutated(data: bytes, others: Sequence[bytes], random: Random) -> bytes:
    """`data` after one change or a few; `others` are the corpus, from which pieces may be taken."""
    for _ in range(random.choice((1, 1, 1, 2, 2, 3, 5, 8))):
        data = random.choice(CHANGES)(data, others, random)[:MOST_BYTES]
    return data


def _place(data: bytes, random: Random) -> int:
    return random.randint(0, len(data))


def _span(data: bytes, random: Random) -> tuple[int, int]:
    start = _place(data, random)
    return start, min(len(data), start + random.choice((1, 1, 2, 4, 16, 64, 1000)))


def flip_bits(data, others, random):
    if not data:
        return data
    changed = bytearray(data)
    for _ in range(random.choice((1, 1, 2, 8))):
        changed[random.randrange(len(changed))] ^= 1 << random.randrange(8)
    return bytes(changed)


def random_bytes(data, others, random):
    at = _place(data, random)
    return data[:at] + random.randbytes(random.choice((1, 2, 8, 100))) + data[at:]


def cut_off(data, others, random):
    return data[: _place(data, random)]


def behead(data, others, random):
    return data[_place(data, random) :]


def leave_out(data, others, random):
    start, stop = _span(data, random)
    return data[:start] + data[stop:]


def repeat_span(data, others, random):
    start, stop = _span(data, random)
    return data[:stop] + data[start:stop] * random.choice((1, 2, 30)) + data[stop:]


def splice(data, others, random):
    other = random.choice(others)
    return data[: _place(data, random)] + other[_place(other, random) :]


def insert_piece(data, others, random):
    other, at = random.choice(others), _place(data, random)
    start, stop = _span(other, random)
    return data[:at] + other[start:stop] + data[at:]


def insert_scrap(data, others, random):
    at = _place(data, random)
    return data[:at] + random.choice(SCRAPS) + data[at:]


def another_number(data, others, random):
    return _replace_one(NUMBER, NUMBERS, data, random)


def another_word(data, others, random):
    return _replace_one(WORD, WORDS, data, random)


def nudge_number(data, others, random):
    found = list(NUMBER.finditer(data))
    if not found:
        return data
    chosen = random.choice(found)
    digits = bytearray(chosen[0])
    digits[random.randrange(len(digits))] = random.choice(b"0123456789.,-e")
    return data[: chosen.start()] + bytes(digits) + data[chosen.end() :]


def _replace_one(pattern, replacements, data, random):
    found = list(pattern.finditer(data))
    if not found:
        return data
    chosen = random.choice(found)
    return data[: chosen.start()] + random.choice(replacements) + data[chosen.end() :]


def lines_about(data, others, random):
    """A line doubled, dropped, moved, emptied, or all in another order."""
    lines = data.split(b"\n")
    i, j = random.randrange(len(lines)), random.randrange(len(lines))
    how = random.randrange(6)
    if how == 0:
        lines.insert(j, lines[i])
    elif how == 1:
        del lines[i]
    elif how == 2:
        lines[i], lines[j] = lines[j], lines[i]
    elif how == 3:
        lines[i] = b""
    elif how == 4:
        lines.reverse()
    else:
        random.shuffle(lines)
    return b"\n".join(lines)


def other_sign(data, others, random):
    """Another delimiter, decimal sign or bracket, everywhere or from some place on."""
    signs = (b",", b";", b"\t", b" ", b".", b'"', b"'", b"=", b":", b"[", b"{", b"\n", b"\r\n", b"\r", b"|", b"")
    old, new = random.choice(signs[:-1]), random.choice(signs)
    at = random.choice((0, _place(data, random)))
    return data[:at] + data[at:].replace(old, new)


def other_encoding(data, others, random):
    text = data.decode("utf-8", "replace")
    return text.encode(random.choice(CODES), "replace")


def nest(data, others, random):
    """Very many brackets, somewhere."""
    at, depth = _place(data, random), random.choice((5, 60, 500, 100_000))
    opening, closing = random.choice(((b"[", b"]"), (b'{"a":', b"}"), (b"(", b")"), (b"{a=", b"}")))
    return data[:at] + opening * depth + random.choice((b"", b"1" + closing * depth)) + data[at:]


def very_long(data, others, random):
    """A cell, a line or the whole file again and again."""
    how, times = random.randrange(3), random.choice((20, 500, 5000))
    if how == 0:
        at = _place(data, random)
        return data[:at] + random.choice((b"1,", b"a ", b"9", b"x", b"\t", b"0.5;")) * times + data[at:]
    if how == 1:
        lines = data.split(b"\n")
        i = random.randrange(len(lines))
        times = min(times, MOST_BYTES // (len(lines[i]) + 1) + 1)
        return b"\n".join([*lines[:i], *[lines[i]] * times, *lines[i:]])
    return data * random.choice((2, 3, 20))


def nothing_much(data, others, random):
    return random.choice((b"", b"\n", b" ", b"\0", b"1", b"a", b"{}", b"[]", b"#", b"PK\x05\x06" + b"\0" * 18))


CHANGES: tuple[Change, ...] = (
    flip_bits, flip_bits, random_bytes, cut_off, behead, leave_out, repeat_span, splice, splice, insert_piece,
    insert_scrap, insert_scrap, insert_scrap, another_number, another_number, another_number, another_word,
    another_word, nudge_number, nudge_number, nudge_number, lines_about, lines_about, other_sign, other_encoding, nest,
    very_long, nothing_much,
)  # fmt: skip
