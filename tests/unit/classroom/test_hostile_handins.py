"""Files that mean harm, or are only broken: each is refused or harmless, its name is given, and the others count."""

from __future__ import annotations

import json
import os
import struct
import sys
import zipfile
import zlib
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.classroom import handins as handin_folder
from kit.classroom.handins import class_files, clean_text
from kit.classroom.live import LiveClass, standing
from kit.classroom.overview import Show, read_class
from kit.classroom.page import class_report, class_summary
from kit.classroom.sections import SECTIONS, macros
from kit.classroom.tables import write_class_csv
from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson
from kit.plots.pages import templates
from kit.record.entries import MOMENTS

LESSON = load_lesson(PROJECT / "datasets_demo" / "coasting_disc")
SCRIPT = "</textarea></script><script>alert(1)</script><img src=x onerror=alert(2)><svg onload=alert(3)>\"'><b>"
FORMULA = '=HYPERLINK("http://example.org?x="&A1)'


@pytest.fixture
def good(hand_in, tmp_path):
    """A folder in which two good hand-ins stand first and last."""
    for name, code in (("00_good.json", "good-1"), ("zz_good.json", "good-2")):
        steps = (hand_in.answer("turns", "half", reason=code), hand_in.results((2, 23.0, 50.0)))
        hand_in.write(tmp_path, name, hand_in.document(code, *steps))
    return tmp_path


def refused(folder):
    """Read the class; the good ones must be there. Returns {file: why} of the others."""
    overview = read_class(folder, LESSON)
    assert {"good-1", "good-2"} <= {group.code for group in overview.groups}
    return {entry.file: entry.why for entry in overview.refused}


def small(hand_in):
    return json.dumps(hand_in.document("abc", hand_in.answer("turns", "half"))).encode()


# --- broken and oversized files ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "it is not JSON"),
        (b"\x00\x01\x02", "it is not JSON"),
        ("{}".encode("utf-16"), "it is not UTF-8 text"),
        ('{"schema": "kit-handin", "code": "Müller"}'.encode("latin-1"), "it is not UTF-8 text"),
        (b'{"schema": "kit-handin", "code": "\\ud800"}', "it holds half a character"),
        (b"[" * 3_000_000, "it is nested too deeply"),
        (b'{"a":' * 500_000 + b"1" + b"}" * 500_000, "it is nested too deeply"),
        (b'{"schema": "kit-handin", "version": ' + b"9" * 4_000_000 + b"}", "more than 18 digits"),
        (b'{"schema": "kit-handin", "version": 1e999}', "too large"),
        (b'{"schema": "kit-handin", "version": 1, "version": 1}', "is given twice"),
        (b"[1, 2, 3]", "does not say schema"),
        (b'"<script>alert(1)</script>"', "does not say schema"),
        (b'{"schema": "kit-handin", "version": 99}', "A newer version of the kit made this hand-in"),
    ],
)
def test_broken_files_are_named_with_what_is_wrong(good, data, why):
    (good / "bad.json").write_bytes(data)
    assert why in refused(good)["bad.json"]


def test_a_file_of_100_mb_is_refused_without_reading_it(good):
    with (good / "huge.json").open("wb") as file:
        file.truncate(100_000_000)
    assert refused(good)["huge.json"].startswith("This file is larger than 5 MB")
    huge = next(file for file in class_files(good) if file.name == "huge.json")
    assert len(huge.data) == handin_folder.MAX_BYTES + 1


WRONG = [
    ("code", 7), ("code", ["a"]), ("code", "a b c"), ("code", "<b>abc</b>"), ("lesson", "../../etc"), ("made", None),
    ("entries", {}), ("entries", []), ("entries", [1]), ("damage", "x"), ("predictions", 3), ("schema", None),
]  # fmt: skip


@pytest.mark.parametrize(("key", "value"), WRONG)
def test_wrong_types_are_refused_or_told(good, hand_in, key, value):
    document = hand_in.document("abc", hand_in.answer("turns", "half")) | {key: value}
    hand_in.write(good, "bad.json", document)
    overview = read_class(good, LESSON)
    told = {entry.file for entry in overview.refused} | {group.file for group in overview.groups if group.warnings}
    assert told == {"bad.json"}


@pytest.mark.parametrize(
    ("stage", "kind", "value"),
    [
        ("predict", "prediction:turns", {"choice": ["half"], "reason": "r", "confidence": "", "moment": "first"}),
        ("predict", "prediction:turns", {"choice": "half", "reason": {"a": 1}, "confidence": "", "moment": "first"}),
        ("predict", "prediction:turns", "half"),
        ("average", "results", [{"magnets": {"a": 1}}]),
        ("average", "results", {"magnets": 1}),
        ("explain", "explanation", ["claim"]),
        ("measure", "threshold", [0.25]),
    ],
)
def test_entries_of_a_wrong_form_are_refused(good, hand_in, stage, kind, value):
    document = hand_in.document("abc", hand_in.answer("turns", "half"))
    document["entries"] += [{**document["entries"][0], "n": 2, "stage": stage, "kind": kind, "value": value}]
    hand_in.write(good, "bad.json", document)
    assert "is not as it should be" in refused(good)["bad.json"]


def test_numbers_that_cannot_be_meant_are_left_out_and_counted(good, hand_in):
    rows = [(2, 1e300, 5), (2, -1, 5), (2, 0, 5), (True, 3, 5), ("2", 3, 5), (2, None, 5), (1e99, 3, 5), (2, 3.0, -1)]
    hand_in.write(good, "odd.json", hand_in.document("odd", hand_in.results(*rows, (2, 22.5, 49.0))))
    overview = read_class(good, LESSON)
    assert overview.runs.loc[overview.runs["group"] == "odd", "duration_s"].tolist() == [22.5]
    assert "8 rows of results can't be used" in overview.warnings["warning"].item()
    assert class_report(overview)


def test_what_is_kept_of_a_hand_in_is_bounded(good, hand_in):
    steps = [hand_in.answer(f"q{k}" if k else "turns", "half", reason="long " * 20_000) for k in range(12)]
    rows = [(2, 20.0 + k / 1000, 40.0) for k in range(3000)]
    hand_in.write(good, "big.json", hand_in.document("big", *steps, hand_in.results(*rows)))
    overview = read_class(good)
    group = next(group for group in overview.groups if group.code == "big")
    assert all(len(answer.reason) < 2100 and answer.reason.endswith("(cut here)") for answer in group.answers)
    assert len(group.runs) == 500 and "2500 rows of results" in group.warnings[0]


# --- ZIPs ----------------------------------------------------------------------------------------------------------


def test_names_that_climb_out_of_a_zip_write_nothing_and_are_named(good, hand_in):
    names = ["../../climb.json", "/etc/root.json", "C:\\windows\\disk.json", "..\\..\\back.json", "a/../../b.json"]
    with zipfile.ZipFile(good / "class.zip", "w") as archive:
        for name in names:
            archive.writestr(name, small(hand_in))
    before = sorted(path.name for path in good.parent.rglob("*"))
    why = refused(good)
    assert len(why) == 5 and set(why.values()) == {"Its name climbs out of the ZIP. What to do: find out who made it."}
    assert all(name.startswith("class.zip / ") for name in why)
    assert sorted(path.name for path in good.parent.rglob("*")) == before


@pytest.mark.slow
def test_a_zip_bomb_costs_neither_memory_nor_the_class(good, hand_in, monkeypatch):
    with zipfile.ZipFile(good / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("one.json", b" " * 300_000_000)
        for k in range(40):
            archive.writestr(f"many_{k}.json", b" " * 5_000_000)
        archive.writestr("inner.zip", b"PK")
    why = refused(good)
    assert why["bomb.zip / one.json"].startswith("It is larger than 5 MB")
    assert why["bomb.zip"].startswith("It unpacks to more than 50 times its size: the rest was not read")
    assert len(why) < 20  # not all forty were unpacked


def test_a_zip_that_lies_about_sizes_is_read_no_further_than_allowed(good, hand_in):
    path = good / "liar.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("lie.json", b" " * 60_000_000)
    data = bytearray(path.read_bytes())
    for signature, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        data[data.index(signature) + offset : data.index(signature) + offset + 4] = struct.pack("<L", 1000)
    path.write_bytes(data)
    (why,) = refused(good).values()
    assert "larger than 5 MB" in why or "damaged" in why or "not JSON" in why


def test_one_damaged_entry_does_not_take_the_others_with_it(good, hand_in):
    path = good / "class.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.json", b"A" * 1000)
        archive.writestr("b.json", small(hand_in))
    data = bytearray(path.read_bytes())
    data[data.index(b"AAAA") + 5] ^= 0xFF
    path.write_bytes(data)
    assert refused(good)["class.zip / a.json"].startswith("It is damaged")
    assert "abc" in {group.code for group in read_class(good, LESSON).groups}


@pytest.mark.parametrize("data", [b"", b"PK", b"PK\x05\x06" + b"\xff" * 18, b"PK\x03\x04" + b"\0" * 500, b"Rar!" * 99])
def test_what_is_no_zip_is_named(good, data):
    (good / "class.zip").write_bytes(data)
    assert refused(good)["class.zip"].startswith("This ZIP cannot be read")


def test_a_zip_with_an_endless_list_of_contents_is_not_opened(good, monkeypatch):
    monkeypatch.setattr(handin_folder, "MAX_DIRECTORY_BYTES", 10_000)
    with zipfile.ZipFile(good / "class.zip", "w") as archive:
        for k in range(300):
            archive.writestr(f"{k}.json", b"")
    assert "it lists too many files" in refused(good)["class.zip"]


def test_locked_and_strangely_packed_entries_are_named(good, hand_in):
    with zipfile.ZipFile(good / "class.zip", "w") as archive:
        archive.writestr("odd.json", small(hand_in), zipfile.ZIP_LZMA)
        archive.writestr("inner.zip", b"PK")
        archive.writestr("notes.txt", b"")
        archive.writestr("locked.json", b"abc")
    data = bytearray((good / "class.zip").read_bytes())
    place = data.rindex(b"PK\x01\x02")
    data[place + 8] |= 1  # says that it is encrypted
    (good / "class.zip").write_bytes(data)
    why = refused(good)
    assert why["class.zip / odd.json"].startswith("It is packed in an unusual way")
    assert why["class.zip / inner.zip"].startswith("A ZIP inside a ZIP is not opened")
    assert why["class.zip / notes.txt"].startswith("Its name does not end in .json")
    assert why["class.zip / locked.json"].startswith("It is locked with a password")


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_zip_with_any_bytes_changed_never_stops_the_reading(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("zip") / "class.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("a.json", "ü/b.json", "c.txt"):
            archive.writestr(name, b'{"schema": 1}' * 20)
    content = bytearray(path.read_bytes())
    for place in data.draw(st.lists(st.integers(0, len(content) - 1), max_size=6)):
        content[place] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    for file in class_files(path):
        assert file.data is not None or file.problem


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes in folders")
def test_links_pipes_and_folders_named_json_are_named_not_followed(good):
    os.mkfifo(good / "pipe.json")
    (good / "link.json").symlink_to("/dev/zero")
    (good / "loop").symlink_to(good)
    (good / "folder.json").mkdir()
    why = refused(good)
    assert set(why) == {"pipe.json", "link.json"}
    assert all("is a link or a device" in text for text in why.values())


@pytest.mark.skipif(sys.platform == "win32" or (hasattr(os, "geteuid") and os.geteuid() == 0), reason="root reads all")
def test_a_file_that_may_not_be_read_is_named(good):
    (good / "secret.json").write_bytes(b"{}")
    (good / "secret.json").chmod(0)
    assert refused(good)["secret.json"].startswith("It cannot be read")


def test_a_closed_folder_is_named_unless_it_is_hidden_as_what_a_desk_keeps_is(good, monkeypatch):
    for name in (".moments", "closed"):
        (good / name).mkdir()
    real = os.scandir

    def scandir(path):
        if Path(path).name in (".moments", "closed"):  # as for somebody who is not root
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    assert set(refused(good)) == {"closed"}


def test_more_files_than_anybody_teaches_end_somewhere(good, monkeypatch):
    monkeypatch.setattr(handin_folder, "MAX_FILES", 2)
    files = list(class_files(good))
    assert [file.name for file in files] == ["00_good.json", "zz_good.json"]
    (good / "zzz.json").write_bytes(b"")
    assert list(class_files(good))[-1].problem == "only 2 files are read"


# --- what is shown and exported --------------------------------------------------------------------------------------


FOREIGN = {"img", "iframe", "object", "embed", "link", "form", "textarea", "a", "base"}  # not one of them is ours


class Outline(HTMLParser):
    """The elements and attributes of a page, as a browser would find them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.handlers, self.scripts = set(), [], 0
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.scripts += tag == "script"
        self.handlers += [name for name, _ in attributes if name.startswith("on") or name in ("href", "src", "action")]


@pytest.fixture
def hostile(good, hand_in):
    """A class in which one group put markup and formulas into every text there is."""
    texts = SCRIPT + FORMULA
    steps = [
        ("predict", "data_notice", texts),
        hand_in.answer("turns", "half", confidence=texts, reason=texts),
        hand_in.answer("two-magnets", texts, reason=FORMULA),
        hand_in.answer("two-magnets", "half", "after discussion", reason="\u202e" + texts),
        (
            texts[:80],
            f"prediction:{texts[:60]}",
            {"choice": texts, "reason": texts, "confidence": "", "moment": "first"},
        ),
        ("measure", f"observation:{texts[:60]}", texts),
        ("measure", "set_aside", {"source": texts, "trial": 1, "reason": texts}),
        ("average", "results", [{"magnets": texts, "duration_s": texts, texts: texts, "status": texts}]),
        ("explain", "explanation", dict.fromkeys(("claim", "evidence", "reasoning", "rebuttal", texts), texts)),
        ("investigate", "claim:own", dict.fromkeys(("claim", "evidence", texts), texts)),
        ("investigate", f"claim:{SCRIPT}"[:70], dict.fromkeys(("claim", "rebuttal"), texts)),
        ("predict", "predicted_curve:duration_s", {"x": [1, texts, 2], "values": [5, 1e300, texts]}, True),
        ("predict", "lifted", {"what": texts, "missing": [texts]}),
    ]
    document = hand_in.document("evil", *steps) | {"damage": [texts, FORMULA], "made": SCRIPT[:64]}
    hand_in.write(good, "evil <script>alert(4)<!-- & '=1'.json".replace("<!--", "x"), document)
    (good / "=cmd|' <img src=x onerror=alert(5)>.json").write_bytes(b"{}")
    return good


@pytest.mark.slow
@pytest.mark.parametrize("lesson", [LESSON, None])
def test_no_text_of_a_group_becomes_an_element(hostile, lesson):
    overview = read_class(hostile, lesson)
    assert "evil" in {group.code for group in overview.groups}
    pages, drawing = [class_report(overview)], macros()
    for section in SECTIONS:
        for question in overview.questions if section.per_question else [None]:
            for moment in MOMENTS:
                show = Show(overview, question.id if question else "", marked=True, moment=moment)
                found = Show(overview, show.question, moment=moment, search="<img src=x onerror=a>")
                pages += [section.html(show, drawing), section.html(found, drawing)]
    live = LiveClass(hostile, lesson, groups=3)
    pages += [class_summary(overview, 3), str(live.parts.standing(standing(overview, 3)))]
    for page in pages:
        outline = Outline(page)
        assert not outline.tags & FOREIGN
        assert outline.handlers == []
        assert outline.scripts == (1 if page is pages[0] else 0)
        assert "\u202e" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in pages[0]


def test_a_template_that_did_not_escape_would_be_noticed(hostile, monkeypatch):
    """Negative control: the same class through the same templates with escaping switched off."""

    def careless(folder):
        environment = templates(folder)
        environment.autoescape = False
        return environment

    monkeypatch.setattr("kit.classroom.page.templates", careless)
    outline = Outline(class_report(read_class(hostile, LESSON)))
    assert outline.tags & FOREIGN and outline.handlers and outline.scripts > 1


def test_the_page_allows_no_script_but_its_own(hostile):
    from base64 import b64encode
    from hashlib import sha256

    page = class_report(read_class(hostile, LESSON))
    own = page.split("<script>")[1].split("</script>")[0]
    assert f"script-src 'sha256-{b64encode(sha256(own.encode()).digest()).decode()}'" in page
    assert "default-src 'none'" in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "").replace(
        "http://example.org", ""
    )


def test_no_cell_of_the_csv_files_starts_a_formula(hostile, tmp_path):
    import csv

    paths = write_class_csv(read_class(hostile, LESSON), tmp_path / "tables")
    assert len(paths) == 11
    for path in paths:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row in csv.DictReader(file):
                for name, cell in row.items():
                    risky = cell.startswith(("=", "+", "-", "@", "\t", "\r"))
                    assert not risky or float(cell) < 0, (path.name, name, cell)


def test_names_with_acting_characters_are_cleaned():
    assert clean_text("a\u202eb\x1b[31m\x00c\n\td", 40) == "a�b�[31m�c\n\td"
    assert clean_text("x" * 50, 10) == "x" * 10 + " … (cut here)"
    assert clean_text("👩‍🔬 naïve Ω", 40) == "👩‍🔬 naïve Ω"


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_refused_with_a_sentence(tmp_path_factory, hand_in, data):
    folder = tmp_path_factory.mktemp("class")
    hand_in.write(folder, "a.json", small(hand_in))
    (folder / "b.json").write_bytes(data)
    (folder / "c.json").write_bytes(zlib.compress(data))
    overview = read_class(folder, LESSON)
    assert [entry.file for entry in overview.refused] == ["b.json", "c.json"]
    assert all(entry.why.endswith(".") for entry in overview.refused)
