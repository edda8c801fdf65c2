import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.record.entries import plain_value, strict_json


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "not JSON .*line 1"),
        (b'{"a": 1\n,}', "not JSON .*line 2"),
        ('{"a": "ä"}'.encode("latin-1"), "not UTF-8"),
        ('{"a": 1}'.encode("utf-16"), "not UTF-8"),
        (b"NaN", "NaN, which is no number"),
        (b'{"a": [-Infinity]}', "-Infinity, which is no number"),
        (b"[1e999]", "too large"),
        (b"1" * 19, "more than 18 digits"),
        (b"-" + b"1" * 1_000_000, "more than 18 digits"),
        (b'{"a": 1, "b": 2, "a": 1}', "the key 'a' is given twice"),
        (
            b"{" + b",".join(b'"%d":1' % k for k in range(300_000)) + b',"299999":1}',
            "'299999' is given twice",
        ),
        (rb'"\ud83d"', "half a character"),
        (rb'{"\udc00": 1}', "half a character"),
        (b"[" * 61 + b"1" + b"]" * 61, "nested too deeply"),
        (b"[" * 1_000_000, "nested too deeply"),
        (b'{"a":' * 1_000_000, "nested too deeply"),
    ],
)
def test_what_is_refused_and_why(data, reason):
    with pytest.raises(ValueError, match=reason):
        strict_json(data)


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"\xef\xbb\xbf[1]", [1]),
        (b"-" + b"9" * 18, -(10**18) + 1),
        (rb'"\ud83d\ude00"', "😀"),
        (b"0." + b"3" * 1_000_000, 1 / 3),
        (b"[" * 60 + b"1" + b"]" * 60, json.loads("[" * 60 + "1" + "]" * 60)),
    ],
)
def test_what_is_read(data, value):
    assert strict_json(data) == value


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_no_bytes_raise_anything_but_a_sentence(data):
    try:
        strict_json(data)
    except ValueError as problem:
        assert str(problem).startswith("it ") or "given twice" in str(problem)


def test_plain_value_refuses_a_list_that_contains_itself():
    loop = []
    loop.append(loop)
    with pytest.raises(ValueError, match=r"JSON cannot hold|nested too deeply"):
        plain_value(loop)
