"""The words of a workbook stand once; JSON of strangers is read strictly."""

import ast
import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.record.entries import (
    BANDS,
    MOMENTS,
    QUANTITIES,
    Band,
    Kind,
    Moment,
    make_entry,
    plain_value,
    strict_json,
)

KIT = Path(__file__).parents[3] / "kit"

# --- words ---------------------------------------------------------------------------------------------------------


def test_what_is_stored_is_spelt_as_it_always_was():
    """Workbooks on students' machines hold these words: none may change. Written down from version 0.1.0."""
    assert [kind.value for kind in Kind] == [
        "code", "data_notice", "draft", "prediction", "predicted_curve", "observation", "run", "push", "sources",
        "threshold", "refused_repairs", "set_aside", "results", "averages", "fits", "comparison", "same_thing",
        "explanation", "claim", "claim_test", "run_plan", "run_order",
        "first_pass", "hand_graph", "own_count", "claim_runs", "shown", "lifted", "sent",  # since 0.2.0
    ]  # fmt: skip
    assert [moment.value for moment in Moment] == ["first", "after discussion", "end"]
    assert [band.value for band in Band] == ["less than 6 in 10", "6 to 9 in 10", "more than 9 in 10"]
    assert list(QUANTITIES) == ["duration_s", "turns"]
    former = ["below 67 %", "67–80 %", "above 80 %", "quite sure"]  # the first three from version 0.1.0
    assert [Band.of(stored) for stored in former] == [*Band, ""]


def test_words_for_people_stand_beside_what_is_stored():
    assert list(MOMENTS) == [moment.value for moment in Moment]
    assert list(BANDS) == [band.value for band in Band]
    assert [quantity.title for quantity in QUANTITIES.values()] == ["Coasting time (s)", "Number of turns"]
    assert {type(key) for table in (MOMENTS, BANDS, QUANTITIES) for key in table} == {str}


def test_a_kind_with_a_topic():
    assert Kind.OBSERVATION.of("runs") == "observation:runs"
    assert Kind.DRAFT.of(Kind.CLAIM.of("level"), "evidence") == "draft:claim:level:evidence"
    assert Kind.CLAIM.covers("claim") and Kind.CLAIM.covers("claim:level")
    assert not Kind.CLAIM.covers("claim_test:level") and not Kind.CLAIM.covers("draft:claim:level")


def test_an_enumerated_kind_and_value_are_stored_as_plain_text():
    plain = make_entry(None, "predict", "prediction", {"moment": "end"}, False, time="2031-05-17T08:30:00.000+00:00")
    entry = make_entry(None, "predict", Kind.PREDICTION, plain_value({"moment": Moment.END}), False, time=plain.time)
    assert entry == plain and entry.line() == plain.line()
    assert type(entry.kind) is str and type(entry.value["moment"]) is str


ONLY_KINDS = {"claim_test", "run_plan"}  # words that are nothing else as well, such as a name of a trait or a module
ASKS = {"latest", "history", "first", "sealed_before"}  # methods of a workbook that take kinds


def spelt(source: str) -> list[str]:
    """The words of a workbook that a module spells itself."""
    tree = ast.parse(source)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            word, colon, _ = node.value.partition(":")
            unmistakable = {*ONLY_KINDS, Moment.DISCUSSED.value, *(band.value for band in Band)}
            begins_a_kind = colon and re.fullmatch(r"[\w@-]*", node.value[len(word) + 1 :]) and word in set(Kind)
            if node.value in unmistakable or begins_a_kind:
                found.append(node.value)
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            kinds = list(node.args) if name in ASKS else node.args[1:2] if name == "add" else []
            if name == "save_entries":
                kinds = [key for part in node.args[3:] if isinstance(part, ast.Dict) for key in part.keys]
            texts = [kind.value for kind in kinds[:1] if isinstance(kind, ast.Constant)]
            found += [text for text in texts if text in set(Kind)]
    return found


@pytest.mark.parametrize("path", sorted(KIT.rglob("*.py")), ids=lambda path: path.relative_to(KIT).as_posix())
def test_no_other_module_spells_the_words_of_a_workbook(path):
    if path != KIT / "record" / "entries.py":
        assert spelt(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        'workbook.latest("threshold")',
        'book.history("run")',
        'self.workbook.add(stage, "sources", [])',
        'save_entries(say, workbook, stage, {"set_aside": entry})',
        'kind = f"prediction:{question}"',
        'kind = "draft:comparison"',
        'kind = "run_plan"',
        'moment = "after discussion"',
        'sure = {"6 to 9 in 10": "fairly sure"}',
    ],
)
def test_the_search_finds_a_word_however_it_is_spelt(source):
    """Negative control of the test above."""
    assert len(spelt(source)) == 1


# --- JSON ----------------------------------------------------------------------------------------------------------


@pytest.mark.slow
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
