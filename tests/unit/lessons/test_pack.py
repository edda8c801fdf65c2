"""A lesson as one file, opened as a stranger's file: what is in it, what is refused, what lands where."""

from __future__ import annotations

import json
import shutil
import stat
import warnings
import zipfile
from pathlib import Path

import pytest

from kit import commands
from kit.classroom.overview import read_class
from kit.errors import KitError
from kit.lessons.check import check_lesson
from kit.lessons.make import new_lesson, remake
from kit.lessons.pack import open_pack, pack_lesson

DEMO = Path(__file__).parents[3] / "datasets_demo"
OWN = [
    {"cell_type": "markdown", "id": "0a1b2c3d", "metadata": {}, "source": ["Our wheel squeaks. **Oil it.**"]},
    {
        "cell_type": "code",
        "execution_count": None,
        "id": "9f8e7d6c",
        "metadata": {},
        "outputs": [],
        "source": ["1 + 1"],
    },
]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A lesson with cells of the teacher's own after the second cell of a page, and with students' entries."""
    folder = tmp_path_factory.mktemp("made") / "brake"
    new_lesson(folder, "felt_brake")
    path = folder / "student" / "1_predict.ipynb"
    document = json.loads(path.read_text("utf-8"))
    document["cells"][2:2] = OWN
    path.write_text(json.dumps(document), "utf-8")
    (folder / "student" / "workbooks").mkdir()
    (folder / "student" / "workbooks" / "brake.jsonl").write_text("secret")
    (folder / "student" / "handin_brake_a.json").write_text("secret")
    return folder


def sources(path: Path) -> list[str]:
    return ["".join(cell["source"]) for cell in json.loads(path.read_text("utf-8"))["cells"]]


@pytest.mark.slow
def test_own_cells_stay_where_they_were_when_the_pages_are_made_anew(made, tmp_path):
    folder = Path(shutil.copytree(made, tmp_path / "brake"))
    path = folder / "student" / "brake" / "lesson.toml"
    path.write_text(path.read_text("utf-8").replace('title = "The felt brake"', 'title = "Squeaking"'), "utf-8")
    remake(folder)
    now = sources(folder / "student" / "1_predict.ipynb")
    assert now[0].startswith("# 1 · Predict: Squeaking")
    assert now[2:4] == ["Our wheel squeaks. **Oil it.**", "1 + 1"]
    assert not [finding for finding in check_lesson(folder) if "1_predict" in finding.file]
    assert remake(folder) == []


@pytest.mark.slow
def test_a_packed_lesson_is_opened_with_all_but_students_entries(made, tmp_path):
    packed = pack_lesson(made, tmp_path / "brake.lesson.zip", "A. Teacher", "CC BY 4.0")
    assert b"secret" not in b"".join(zipfile.ZipFile(packed).read(name) for name in zipfile.ZipFile(packed).namelist())
    opened = open_pack(packed, tmp_path / "lessons")
    assert (opened.title, opened.author, opened.licence, opened.own_code) == (
        "The felt brake",
        "A. Teacher",
        "CC BY 4.0",
        1,
    )
    assert check_lesson(opened.folder) == []
    page = sources(opened.folder / "student" / "1_predict.ipynb")
    assert page[2] == "Our wheel squeaks. **Oil it.**"
    assert page[3].startswith("*Code by the author")  # to read, not to run
    kinds = [cell["cell_type"] for cell in json.loads((opened.folder / "student/1_predict.ipynb").read_text())["cells"]]
    assert kinds[2:4] == ["markdown", "markdown"]
    assert open_pack(packed, tmp_path / "lessons").folder.name == "brake_2"  # nothing is written over
    again = pack_lesson(opened.folder, tmp_path / "again.lesson.zip")  # it keeps its author and licence
    assert open_pack(again, tmp_path / "third").licence == "CC BY 4.0"
    with pytest.raises(KitError, match="there already and is not overwritten"):
        pack_lesson(made, packed)


def spoil(packed: Path, to: Path, change) -> Path:
    """The same pack with a change of its entries: {name: bytes}, or a ZipInfo for a name."""
    with zipfile.ZipFile(packed) as old:
        files = {name: old.read(name) for name in old.namelist()}
    infos = change(files) or {}
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as new, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a name twice is what one of them is about
        for name, data in files.items():
            new.writestr(infos.get(name, name), data)
        for name in infos.get("twice", ()):
            new.writestr(name, b"")
    return to


def _link(files):
    info = zipfile.ZipInfo("student/brake/passes/link.csv")
    info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    files[info.filename] = b"/etc/passwd"
    return {info.filename: info}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.update({"../../evil.csv": b"x"}), "leads elsewhere.*evil.csv"),
        (lambda f: f.update({"/etc/evil.csv": b"x"}), "leads elsewhere"),
        (lambda f: f.update({"student/brake/..\\evil.csv": b"x"}), "leads elsewhere"),
        (lambda f: f.update({"student/.jupyter/custom.csv": b"x"}), "leads elsewhere, or is no plain name"),
        (lambda f: f.update({"C:/evil.csv": b"x"}), "leads elsewhere"),
        (lambda f: f.update({"student/brake/con.csv": b"x"}), "no plain name"),
        (_link, "holds a link"),
        (lambda f: {"twice": ["student/brake/RUNS.CSV"]}, "holds a file twice"),
        (lambda f: f.update({"student/brake/run.py": b"x"}), "no part of a lesson.*run.py"),
        (lambda f: f.update({"student/brake/deep.ipynb": b"{}"}), "no part of a lesson"),
        (lambda f: f.update({"student/other/a.csv": b"1"}), "no part of a lesson"),
        (lambda f: f.update({"student/brake/big.csv": b"0" * 60_000_001}), "too large"),
        (lambda f: f.update({f"student/brake/{n}.csv": b"" for n in range(2001)}), "too many files"),
        (lambda f: f.pop("pack.json") and None, "pack.json is missing"),
        (lambda f: f.update({"pack.json": b'{"schema": "kit-lesson-pack-1", "name": "../x"}'}), "can't be used"),
        (lambda f: f.update({"student/brake/lesson.toml": b"title = 1"}), "lesson.toml: The key schema is missing"),
        (lambda f: f.update({"student/brake/runs.csv": b"file,pads\n../../x.csv,1\n"}), None),
    ],
)
def test_a_hostile_pack_is_refused_and_nothing_is_written(made, tmp_path, change, message):
    packed = pack_lesson(made, tmp_path / "good.zip")
    bad = spoil(packed, tmp_path / "bad.zip", change)
    if message is None:  # a list that leads elsewhere: the folder may be looked at, and the check says it
        opened = open_pack(bad, tmp_path / "lessons")
        assert any("must be in this folder" in finding.problem for finding in check_lesson(opened.folder))
        return
    with pytest.raises(KitError, match=message):
        open_pack(bad, tmp_path / "lessons")
    assert {path.name for path in tmp_path.iterdir()} <= {"good.zip", "bad.zip"}


def test_what_is_no_pack_is_said(tmp_path):
    (tmp_path / "a.zip").write_bytes(b"no zip")
    with pytest.raises(KitError, match="no packed lesson, or it is not whole"):
        open_pack(tmp_path / "a.zip", tmp_path / "lessons")


def test_strange_pages_of_a_pack_are_not_kept(made, tmp_path):
    """Code under a made cell's name, and a page that no lesson has."""
    code = {"cell_type": "code", "id": "predict-03", "metadata": {}, "outputs": [], "source": "import os"}
    page = json.dumps({"cells": [code], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}).encode()
    packed = pack_lesson(made, tmp_path / "good.zip")
    strange = {"student/1_predict.ipynb": page, "student/evil.ipynb": page}
    opened = open_pack(spoil(packed, tmp_path / "bad.zip", lambda f: f.update(strange)), tmp_path / "lessons")
    assert not (opened.folder / "student" / "evil.ipynb").exists()
    assert "import os" not in sources(opened.folder / "student" / "1_predict.ipynb")


@pytest.mark.slow
def test_the_commands_pack_and_show_a_class(made, tmp_path, capsys):
    told = ["pack-lesson", str(made), "--out", str(tmp_path / "b.lesson.zip"), "--licence", "CC BY 4.0"]
    assert commands.main(told) == commands.DONE
    assert "python3 -m kit open b.lesson.zip" in capsys.readouterr().out
    new_lesson(tmp_path / "coasting_disc", "coasting_disc")  # the name that the demo class's hand-ins have
    for folder in ("", "student", "student/coasting_disc"):
        overview = read_class(DEMO / "class_handins", tmp_path / "coasting_disc" / folder)
        assert overview.supported["two-magnets"] == "between"  # the key was found
    shutil.move(tmp_path / "coasting_disc" / "teacher", tmp_path / "away")
    told = [
        str(DEMO / "class_handins"),
        "--lesson",
        str(tmp_path / "coasting_disc"),
        "--report",
        str(tmp_path / "a.html"),
    ]
    assert read_class(DEMO / "class_handins", tmp_path / "coasting_disc").supported == {}
    assert (
        commands.main(["class-overview", *told, "--key", str(tmp_path / "away" / "teacher_key.toml")]) == commands.DONE
    )
