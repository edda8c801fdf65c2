import copy
import errno
import json
import os
from dataclasses import fields
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import kit.record.handin
from kit.errors import KitError
from kit.record.entries import chain_problems, make_entry
from kit.record.handin import finish_and_clear, make_handin, read_handin, write_handin
from kit.record.summary import Answer, summarise, table_rows
from kit.record.workbook import Workbook

SCHEMA = json.loads((Path(kit.record.handin.__file__).parent / "handin_schema.json").read_text("utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def answer(choice, reason="", confidence="", moment=""):
    return {"choice": choice, "reason": reason, "confidence": confidence, "moment": moment}


@pytest.fixture
def book(tmp_path):
    """A whole lesson: two questions, a discussion, data, a trial set aside and taken back, an explanation."""
    book = Workbook(tmp_path / "workbooks" / "disc.jsonl")
    first = answer("half", "twice as many <b>magnets</b>", "above 80 %", "first")
    book.add("1_predict", "prediction:duration", first, sealed=True)
    book.add("1_predict", "prediction:turns", answer("the same"), sealed=True)
    book.add("1_predict", "predicted_curve:duration", {"x": [1, 2], "y": [38, 19]}, sealed=True)
    book.add("1_predict", "prediction:duration", answer("between", "the spindle", "67 to 80 %"))
    book.add("2_measure", "observation", "it slows down fast at first")
    book.add("2_measure", "threshold", {"start_period_s": 0.3, "stop_period_s": 1.0, "rule": "interpolated"})
    book.add("2_measure", "threshold", {"start_period_s": 0.25, "stop_period_s": 1.0, "rule": "interpolated"})
    book.add("2_measure", "set_aside", {"source": "m2.csv", "trial": 1, "reason": "sleeve touched the rim"})
    book.add("2_measure", "set_aside", {"source": "m2.csv", "trial": 2, "reason": "gate knocked"})
    book.add("2_measure", "set_aside", {"source": "m2.csv", "trial": 1, "reason": ""})
    book.add("3_average", "results", [{"magnets": 1, "trial": 1, "duration_s": 37.9, "note": None}])
    book.add("3_average", "averages", [{"x": 1, "n": 3, "mean": 38.0, "u": 0.2}])
    book.add("4_trend", "fits", [{"model": "inverse", "parameters": {"A": {"value": 38.0}}}])
    book.add("4_trend", "comparison", {"t": 1.4, "decision": "repeat", "why": "few trials"})
    book.add("4_trend", "comparison", {"t": 0.4, "decision": "stop", "why": ""})
    book.add("5_explain", "explanation", {"claim": "more drag", "evidence": "38 s, 23 s", "reasoning": "adds up"})
    book.add("5_explain", "prediction:duration", answer("between", moment="end"))
    return book


@pytest.fixture
def handin_with_claims(book):
    book.add("investigate", "claim_test:level", {"expect": "any", "worlds": 100, "grade": "cannot tell"})
    book.add(
        "investigate", "claim:level", {"claim": "tilt matters", "evidence": "-17 %", "reasoning": "", "rebuttal": ""}
    )
    book.add("investigate", "claim:own", {"claim": "wax helps", "changed": "wax or none"})
    return make_handin(book, "silver-otter-427", "coasting_disc")


@pytest.fixture
def handin(book):
    return make_handin(book, "silver-otter-427", "coasting_disc")


def as_bytes(document):
    return json.dumps(document, ensure_ascii=False).encode()


def resealed(document):
    """The document with its entries' hashes and its summary made afresh: a careful forger's work."""
    document, before = copy.deepcopy(document), None
    for place, record in enumerate(document["entries"]):
        before = make_entry(before, *(record[key] for key in ("stage", "kind", "value", "sealed")))
        document["entries"][place] = before.record()
    return document


# -- making and reading -------------------------------------------------------------------------------


def test_the_summary_says_what_the_group_did(handin):
    found = read_handin(as_bytes(handin))
    assert (found.code, found.lesson, found.warnings) == ("silver-otter-427", "coasting_disc", ())
    assert found.stages == ("1_predict", "2_measure", "3_average", "4_trend", "5_explain")
    duration, turns = found.predictions
    assert (duration.question, turns.question) == ("duration", "turns")
    when = found.entries[0].time
    assert duration.first == Answer(
        "half", "twice as many <b>magnets</b>", "above 80 %", "first", time=when, sealed=True
    )
    assert (duration.after_discussion.choice, duration.after_discussion.reason) == ("between", "the spindle")
    assert duration.at_end.choice == "between" and duration.at_end.moment == "end"
    assert turns.first.choice == "the same" and turns.after_discussion is None is turns.at_end
    curve = {"x": [1, 2], "y": [38, 19]}
    assert found.predicted_curves == ({"quantity": "duration", "first": curve, "latest": curve},)
    assert found.observations == ({"topic": "", "text": "it slows down fast at first"},)
    assert found.threshold == {"start_period_s": 0.25, "stop_period_s": 1.0, "rule": "interpolated"}
    assert found.set_aside == ({"source": "m2.csv", "trial": 2, "reason": "gate knocked"},)
    assert found.results[0]["duration_s"] == 37.9 and found.averages[0]["mean"] == 38.0
    assert found.fits[0]["parameters"]["A"]["value"] == 38.0
    assert [cycle["decision"] for cycle in found.comparisons] == ["repeat", "stop"]
    assert found.explanation["claim"] == "more drag"


def test_all_entries_are_in_it_with_an_unbroken_chain(book, handin):
    found = read_handin(as_bytes(handin))
    assert found.entries == book.entries
    assert chain_problems(found.entries) == []


def test_a_draft_before_the_seal_is_not_the_first_answer(tmp_path):
    book = Workbook(tmp_path / "disc.jsonl")
    book.add("1", "prediction", answer("draft"))
    book.add("1", "prediction", answer("half"), sealed=True)
    (prediction,) = summarise(book.entries).predictions
    assert prediction.first.choice == "half" and prediction.after_discussion is None


def test_it_fits_the_published_schema(handin, tmp_path):
    VALIDATOR.check_schema(SCHEMA)
    VALIDATOR.validate(handin)
    small = Workbook(tmp_path / "small.jsonl")
    small.add("1", "something else", {"any": [1, None]})
    VALIDATOR.validate(make_handin(small, "Füchse-3", "felt_brake"))


def test_the_schema_has_exactly_the_keys_of_a_handin(handin_with_claims):
    handin = handin_with_claims
    later = set(SCHEMA["then"]["required"])
    assert set(SCHEMA["required"]) | later == set(SCHEMA["properties"]) == set(handin)
    names = {field.name for field in fields(kit.record.handin.HandIn)}
    assert set(handin) - {"schema", "version", "damage"} == names - {"warnings", "unchanged"}


def test_claims_are_handed_in_by_their_ids(handin_with_claims):
    VALIDATOR.validate(handin_with_claims)
    assert handin_with_claims["version"] == 2
    assert [claim["id"] for claim in handin_with_claims["claims"]] == ["level", "own"]
    assert read_handin(as_bytes(handin_with_claims)).claims[0]["evidence"] == "-17 %"


def test_without_claims_it_is_of_version_1_and_such_a_file_still_reads(handin):
    assert handin["version"] == 1 and "claims" not in handin
    found = read_handin(as_bytes(handin))
    assert found.claims == () and found.warnings == ()


def test_each_version_has_its_own_keys(handin, handin_with_claims):
    for wrong in (handin | {"version": 2}, handin | {"claims": []}, handin_with_claims | {"version": 1}):
        with pytest.raises(KitError, match="a key is missing or unknown: claims"):
            read_handin(as_bytes(wrong))
        with pytest.raises(jsonschema.ValidationError):
            VALIDATOR.validate(wrong)


def test_an_empty_workbook_has_nothing_to_hand_in(tmp_path):
    with pytest.raises(KitError, match="nothing to hand in yet"):
        make_handin(Workbook(tmp_path / "disc.jsonl"), "abc", "disc")


def test_code_and_lesson_are_checked_when_it_is_made(book):
    with pytest.raises(KitError, match="a code has 3 to 24"):
        make_handin(book, "me", "disc")
    with pytest.raises(KitError, match="a lesson's name"):
        make_handin(book, "abc", "../disc")


def test_a_value_of_another_form_than_its_kind_has_is_named(book):
    book.add("5_explain", "explanation", ["a claim"])
    with pytest.raises(KitError, match=r"entry 18 \(explanation\) is not as it should be: it is an object"):
        make_handin(book, "abc", "disc")


def test_damage_found_in_the_workbook_is_told(book):
    with book.path.open("ab") as file:
        file.write(b"half a li")
    found = read_handin(as_bytes(make_handin(book, "abc", "disc")))
    assert len(found.warnings) == 1 and "could not be read (9 bytes)" in found.warnings[0]


def test_a_table_as_rows(tmp_path):
    table = pd.DataFrame({"magnets": [1, 2], "mean": [1.5, np.nan], "high": [np.inf, 2.0], "status": ["counted", None]})
    rows = table_rows(table)
    assert rows == [
        {"magnets": 1, "mean": 1.5, "high": None, "status": "counted"},
        {"magnets": 2, "mean": None, "high": 2.0, "status": None},
    ]
    assert type(rows[0]["magnets"]) is int
    assert Workbook(tmp_path / "disc.jsonl").add("3", "averages", rows).value == rows


# -- writing ------------------------------------------------------------------------------------------


def test_written_into_a_folder_and_read_back(book, handin, tmp_path):
    path = write_handin(handin, tmp_path)
    assert path == tmp_path / "handin_coasting_disc_silver-otter-427.json"
    assert read_handin(path) == read_handin(as_bytes(handin))
    assert sorted(p.name for p in tmp_path.iterdir()) == [path.name, "workbooks"]


def test_a_later_handin_replaces_the_earlier_one(book, handin, tmp_path):
    path = write_handin(handin, tmp_path)
    book.add("5_explain", "observation", "one more")
    assert write_handin(make_handin(book, handin["code"], handin["lesson"]), tmp_path) == path
    assert len(read_handin(path).entries) == 18


def test_another_group_with_the_same_code_does_not_replace_it(handin, tmp_path):
    first = write_handin(handin, tmp_path)
    other = Workbook(tmp_path / "other.jsonl")
    other.add("1", "observation", "ours")
    second = write_handin(make_handin(other, handin["code"], handin["lesson"]), tmp_path)
    assert second.name == "handin_coasting_disc_silver-otter-427_2.json"
    assert len(read_handin(first).entries) == 17 and len(read_handin(second).entries) == 1


def test_a_file_that_is_no_handin_is_not_replaced(handin, tmp_path):
    mine = tmp_path / "mine.json"
    mine.write_text("my notes")
    assert write_handin(handin, mine).name == "mine_2.json"
    assert mine.read_text() == "my notes"


def test_a_place_that_cannot_be_written_to(handin, tmp_path):
    with pytest.raises(KitError, match=r"NOT written: No such file or directory.*choose another folder"):
        write_handin(handin, tmp_path / "no such folder" / "handin.json")


@pytest.mark.parametrize("raises", [False, True])
def test_a_disk_that_fills_up_keeps_the_earlier_handin_and_leaves_no_half(book, handin, tmp_path, monkeypatch, raises):
    folder = tmp_path / "out"
    folder.mkdir()
    path = write_handin(handin, folder)
    earlier, real = path.read_bytes(), os.write

    def write(descriptor, data):
        written = real(descriptor, data[: len(data) // 2])
        if raises:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return written

    book.add("5_explain", "observation", "one more")
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", write)
        with pytest.raises(KitError, match="The hand-in was NOT written: No space left"):
            write_handin(make_handin(book, handin["code"], handin["lesson"]), folder)
    assert path.read_bytes() == earlier
    assert [entry.name for entry in folder.iterdir()] == [path.name]


def test_a_handin_too_large_to_be_read_again_is_not_written(book, tmp_path):
    book.add("2", "notes", "x" * 5_000_000)
    with pytest.raises(KitError, match="larger than 5 MB"):
        write_handin(make_handin(book, "abc", "disc"), tmp_path)


# -- hostile files ------------------------------------------------------------------------------------


def changed(document, path, value):
    """A copy of the document with the value at `path` exchanged (or taken out, for `...`)."""
    document = copy.deepcopy(document)
    place = document
    for key in path[:-1]:
        place = place[key]
    if value is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return document


BAD = [
    (("schema",), "something", "does not say schema"),
    (("version",), 3, r"newer kit \(version 3"),
    (("version",), True, "version is not a whole number"),
    (("version",), "1", "version is not a whole number"),
    (("code",), "../../etc", "a code has 3 to 24 letters"),
    (("code",), 7, "code is not a short text"),
    (("code",), "x" * 100_000, "code is not a short text"),
    (("lesson",), "<script>", "a lesson's name has only"),
    (("made",), None, "made is not a short text"),
    (("damage",), [1], "damage is not a list of texts"),
    (("entries",), {}, "entries is not a list"),
    (("entries",), [], "entries is not a list with something in it"),
    (("entries", 0), "text", "at entry 1, an entry has exactly the fields"),
    (("entries", 0, "n"), 0, "n is a whole number"),
    (("entries", 0, "n"), True, "n is a whole number"),
    (("entries", 0, "n"), 1.5, "n is a whole number"),
    (("entries", 0, "sealed"), 1, "sealed is true or false"),
    (("entries", 0, "stage"), ["a"], "stage is a text"),
    (("entries", 3, "kind"), "", "at entry 4, kind is a text"),
    (("entries", 0, "time"), "yesterday", "time is a UTC time"),
    (("entries", 0, "time"), "2031-05-17T08:30:00", "time is a UTC time"),
    (("entries", 0, "hash"), "0" * 63, "hash is a hash"),
    (("entries", 0, "previous"), "x", "previous is a hash"),
    (("entries", 0, "student"), "a name", "an entry has exactly the fields"),
    (("name",), "a name", "a key is missing or unknown: name"),
    (("results",), ..., "a key is missing or unknown: results"),
]
BAD_VALUES = [  # of the fixture's entries, by place
    (0, ["half"], "it is an object"),
    (0, {"choice": 3}, "it is an object of texts"),
    (0, {"reason": "none"}, "an answer has a choice"),
    (0, {"choice": "a", "moment": "later"}, "a moment is one of"),
    (2, [1, 2], "it is an object"),
    (4, {"text": 1}, "it is a text"),
    (6, {"start_period_s": {"a": 1}}, "it is an object of texts and numbers"),
    (8, {"source": "a", "trial": "2", "reason": "b"}, "a trial set aside has"),
    (10, {"a": 1}, "it is a list of objects"),
    (10, [{"a": [1]}], "it is a list of rows"),
    (12, ["inverse"], "it is a list of objects"),
    (13, None, "it is an object"),
    (15, {"claim": 1}, "it is an object of texts"),
]


@pytest.mark.parametrize(("path", "value", "reason"), BAD)
def test_wrong_keys_and_types_are_refused_with_the_file_named(handin, tmp_path, path, value, reason):
    file = tmp_path / "group_7.json"
    file.write_bytes(as_bytes(changed(handin, path, value)))
    with pytest.raises(KitError, match=rf"group_7\.json: .*{reason}"):
        read_handin(file)


@pytest.mark.parametrize(("path", "value", "reason"), [bad for bad in BAD if bad[0][-1] != "time"])
def test_the_published_schema_refuses_the_same(handin, path, value, reason):
    assert not VALIDATOR.is_valid(changed(handin, path, value))


@pytest.mark.parametrize(("place", "value", "reason"), BAD_VALUES)
def test_values_of_another_form_are_refused_even_with_fitting_hashes(handin, place, value, reason):
    forged = resealed(changed(handin, ("entries", place, "value"), value))
    with pytest.raises(KitError, match=rf"^g7: this file is not a hand-in: entry {place + 1} .*{reason}"):
        read_handin(as_bytes(forged), name="g7")


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "not JSON"),
        (b"PK\x03\x04 a zip", "not JSON"),
        (b"[]", "does not say schema"),
        (b"null", "does not say schema"),
        (b'{"schema": "kit-handin", "schema": "kit-handin"}', "the key 'schema' is given twice"),
        (b"[" * 2_000_000, "nested too deeply"),
        (b'{"a":' * 900_000, "nested too deeply"),
        (b'{"schema": NaN}', "NaN, which is no number"),
        (b'{"schema": 1e400}', "a number that is too large"),
        (b'{"version": ' + b"9" * 4_000_000 + b"}", "more than 18 digits"),
        ("{}".encode("utf-16"), "not UTF-8 text"),
        (b'{"code": "M\xfcller"}', "not UTF-8 text"),
        (rb'{"code": "\ud800"}', "half a character"),
        (b"\0" * 10_000, "not JSON"),
    ],
)
def test_hostile_bytes_are_refused_with_the_file_named(tmp_path, data, reason):
    file = tmp_path / "group_7.json"
    file.write_bytes(data)
    with pytest.raises(KitError, match=rf"group_7\.json: .*{reason}") as caught:
        read_handin(file)
    assert len(str(caught.value)) < 600 + len(str(file))


def test_size_is_checked_before_anything_is_read(tmp_path):
    file = tmp_path / "large.json"
    with file.open("wb") as large:
        large.truncate(10**11)  # a hole of 100 GB
    with pytest.raises(KitError, match=r"large\.json: this file is larger than 5 MB"):
        read_handin(file)
    with pytest.raises(KitError, match=r"^hand-in: this file is larger than 0\.001 MB"):
        read_handin(b" " * 1001, max_bytes=1000)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_folders_pipes_and_missing_files_do_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.json")
    for path in (tmp_path, tmp_path / "pipe.json", tmp_path / "missing.json"):
        with pytest.raises(KitError, match="there is no such file"):
            read_handin(path)


def test_markup_and_formulas_come_through_as_text(handin):
    for text in ("<script>alert(1)</script>", "=HYPERLINK(1)", "\u202e reversed", "\0"):
        forged = resealed(changed(handin, ("entries", 0, "value", "reason"), text))
        assert read_handin(as_bytes(forged)).predictions[0].first.reason == text


def test_a_changed_prediction_is_told_and_the_entries_count(handin):
    forged = changed(handin, ("entries", 0, "value", "choice"), "between")
    warnings = read_handin(as_bytes(forged)).warnings
    assert warnings == (
        "Sealed entry 1 (prediction:duration) was changed after it was saved.",
        "The summary in the file does not fit the entries. The entries count.",
    )
    forged = changed(handin, ("predictions", 0, "first", "choice"), "between")
    found = read_handin(as_bytes(forged))
    assert found.warnings == ("The summary in the file does not fit the entries. The entries count.",)
    assert found.predictions[0].first.choice == "half"


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats(-1, 1) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@pytest.fixture(scope="module")
def one_handin(tmp_path_factory):
    book = Workbook(tmp_path_factory.mktemp("one") / "disc.jsonl")
    for place, kind in enumerate(("prediction", "observation", "threshold", "set_aside", "results", "fits")):
        value = [answer("half"), "text", {"rule": "law"}, {"source": "a", "trial": 1, "reason": "b"}, [], []][place]
        book.add("1", kind, value, sealed=place == 0)
    return make_handin(book, "abc", "disc")


@settings(deadline=None)
@given(st.data(), JSON_VALUES)
def test_any_value_anywhere_is_read_or_refused_but_never_crashes(one_handin, data, value):
    path = data.draw(
        st.sampled_from(
            [(key,) for key in one_handin]
            + [("entries", place, key) for place in range(6) for key in one_handin["entries"][0]]
        )
    )
    try:
        found = read_handin(as_bytes(changed(one_handin, path, value)), name="g7")
    except KitError as problem:
        assert problem.file == "g7"
    else:
        assert found.code and found.entries


# -- finish and clear ---------------------------------------------------------------------------------


def test_finish_and_clear_moves_the_workbook_once_the_handin_is_there(book, handin, tmp_path):
    path, data = write_handin(handin, tmp_path), book.export_bytes()
    moved = finish_and_clear(book, path)
    assert moved.parent == book.path.parent / "finished" and moved.read_bytes() == data
    assert book.entries == ()


def test_a_removed_workbook_can_be_made_again_from_the_handin(book, handin, tmp_path):
    path, before = write_handin(handin, tmp_path), book.entries
    assert finish_and_clear(book, path, remove=True) is None
    assert not book.path.exists() and list(book.path.parent.glob("**/*.jsonl")) == []
    book.restore(b"".join(entry.line() for entry in read_handin(path).entries))
    assert book.entries == before and book.verify() == []


def test_nothing_is_cleared_without_a_handin_of_all_entries(book, handin, tmp_path):
    with pytest.raises(KitError, match="there is no such file"):
        finish_and_clear(book, tmp_path / "handin.json")
    path = write_handin(handin, tmp_path)
    book.add("5_explain", "observation", "one more")
    with pytest.raises(KitError, match=r"was not cleared: .* make the hand-in again"):
        finish_and_clear(book, path)
    now = make_handin(book, "abc", "disc")
    for path in (
        (("entries", 3), ...),
        (("entries", 3, "value"), {"choice": "other"}),
    ):  # the last entry is in both
        other = write_handin(changed(now, *path), tmp_path / "other.json")
        with pytest.raises(KitError, match="does not hold the same entries"):
            finish_and_clear(book, other)
    assert len(book.entries) == 18
