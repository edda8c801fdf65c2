"""The teacher's key: out of reach in every copy that students get, sealed where it travels, there for its teacher."""

import http.client
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from urllib.parse import quote

import pytest

from kit import commands, commands_lessons
from kit.errors import KitError
from kit.lab import Lab, free_port
from kit.launcher import PROJECT
from kit.lessons.check import check_lesson
from kit.lessons.copies import student_copy
from kit.lessons.lesson import load_lesson
from kit.lessons.notebooks import DEMO_LESSONS, guide_name
from kit.lessons.teacher_key import HIDDEN_KEY, KEY_FILE, SEALED_KEY, find_key, load_key, open_key, read_key, seal_key
from kit.widgets import TeacherKey

DEMOS = PROJECT / "datasets_demo"
PHRASE = "violet ladder bread tuesday"


def ideas() -> set[str]:
    """What the keys of the built-in lessons say, but for what students read anyway."""
    found = set()
    for name in DEMO_LESSONS:
        lesson = load_lesson(DEMOS / name)
        shown = [choice.text for question in lesson.questions for choice in question.choices]
        found |= {idea for entry in load_key(DEMOS / name, lesson).values() for idea in entry["ideas"].values()}
        found -= set(shown)
    return found


# --- nothing that a student's server can serve tells the key ----------------------------------------------------------


def files_of_the_project(to: Path) -> None:
    """What a clone of the project holds, with a history."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, check=True).stdout.decode()
    for name in filter(None, listed.split("\0")):
        if (PROJECT / name).is_file() and not name.startswith("tests/reference/"):
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(PROJECT / name, to / name)
    (to / ".git").mkdir()
    (to / ".git" / "packed").write_text("\n".join(ideas()), encoding="utf-8")


def for_students(to: Path) -> None:
    student_copy(DEMO_LESSONS, to, phrase=PHRASE)


def on_a_hub(to: Path) -> None:
    subprocess.run(["sh", PROJECT / "binder/hub/for_students", to], check=True, capture_output=True)


def hosted(to: Path) -> None:
    files_of_the_project(to)
    subprocess.run([to / "binder" / "postBuild"], check=True, env={**os.environ, "REPO_DIR": str(to)})


def as_fetched(to: Path) -> None:
    """A lesson as it lies in the project itself, key and all."""
    shutil.copytree(DEMOS / "felt_brake", to)


COPIES = {"copy": for_students, "hub": on_a_hub, "hosted": hosted, "fetched": as_fetched}
GUESSES = (KEY_FILE, HIDDEN_KEY, SEALED_KEY, ".git/packed", f"../{HIDDEN_KEY}", f"..%2f{HIDDEN_KEY}")


class Browser:
    """Asks the server as a student's browser does, over one connection."""

    def __init__(self, lab: Lab):
        self._line = http.client.HTTPConnection(lab.url.removeprefix("http://"), timeout=30)
        self._headers = {"Authorization": f"token {lab.token}"}

    def get(self, path: str) -> bytes | None:
        """What the server gives; None where it refuses."""
        self._line.request("GET", f"/{quote(path, safe='/%.?=')}", headers=self._headers)
        answer = self._line.getresponse()
        content = answer.read()
        return content if answer.status == 200 else None

    def close(self) -> None:
        self._line.close()

    def walk(self, folder: str):
        """(address, content) of every file that is listed below a folder, and of what a student might try by name."""
        listed = json.loads(self.get(f"api/contents/{folder}?content=1") or b'{"content": []}')["content"]
        for entry in listed:
            if entry["type"] == "directory":
                yield from self.walk(entry["path"])
            else:
                yield entry["path"], self.get(f"files/{entry['path']}")
        for guess in GUESSES:
            yield f"{folder}/{guess}", self.get(f"files/{folder}/{guess}")
            yield f"{folder}/{guess}", self.get(f"api/contents/{folder}/{guess}?content=1")


@pytest.fixture
def browser(served):
    """Asks as a student's browser does."""
    asking = Browser(served)
    yield asking
    asking.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """The kit's own JupyterLab on a folder that holds every kind of copy."""
    root, home = tmp_path_factory.mktemp("served"), tmp_path_factory.mktemp("jupyter")
    for name, make in COPIES.items():
        make(root / name)
    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    lab = Lab(root, free_port(0), environment={name: str(home / name.lower()) for name in names})
    try:
        lab.wait_until_it_answers("")
        yield lab
    finally:
        lab.stop()


@pytest.mark.slow
@pytest.mark.parametrize("copy", COPIES)
def test_no_file_that_a_server_gives_tells_the_key(browser, copy):
    """All of a copy is fetched, listed or guessed. As a lesson lies in the project itself, its key is refused too."""
    secret = [idea.encode() for idea in ideas()]
    fetched, told = set(), set()
    for path, content in browser.walk(copy):
        if content is not None:
            fetched.add(path)
            key = path.endswith((".toml", ".ipynb")) and re.search(rb"(?m)^\W*supported *=", content)
            if key or any(idea in content for idea in secret):
                told.add(path)
    assert len(fetched) > 30 and any(path.endswith("runs.csv") for path in fetched)
    assert told == set()


@pytest.mark.slow
def test_the_walk_would_notice(served, browser):
    """Negative control: one idea in a page, one key by its usual name."""
    where = served.root / "leak"
    where.mkdir()
    (where / "page.ipynb").write_text(json.dumps({"cells": [], "idea": min(ideas())}), encoding="utf-8")
    shutil.copy(find_key(DEMOS / "felt_brake"), where / KEY_FILE)
    found = {path for path, content in browser.walk("leak") if content and b'"half"' in content}
    assert found == {f"leak/{KEY_FILE}"}
    assert min(ideas()).encode() in browser.get("files/leak/page.ipynb")


def test_copies_hold_pages_and_data_and_no_guide(tmp_path):
    (made,) = student_copy(["felt_brake"], tmp_path / "copy")
    names = {path.relative_to(tmp_path / "copy").as_posix() for path in (tmp_path / "copy").rglob("*")}
    assert {"start_here.ipynb", "felt_brake/1_predict.ipynb", "felt_brake/felt_brake/runs.csv"} <= names
    assert not [name for name in names if "teacher" in name or "guide" in name or "key" in name]
    assert [finding for finding in check_lesson(made) if finding.serious] == []
    with pytest.raises(KitError, match="nothing is written over"):
        student_copy(["felt_brake"], tmp_path / "copy")


def test_a_copy_that_can_not_be_sealed_leaves_nothing_behind(tmp_path):
    with pytest.raises(KitError, match="too easy to guess"):
        student_copy(["felt_brake"], tmp_path / "copy", phrase="felt")
    bare = tmp_path / "bare"
    shutil.copytree(DEMOS / "felt_brake", bare, ignore=shutil.ignore_patterns(HIDDEN_KEY))
    with pytest.raises(KitError, match="no key that could be sealed"):
        student_copy(["card_vanes", bare], tmp_path / "copy", phrase=PHRASE)
    assert not (tmp_path / "copy").exists()


# --- sealed -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    """A copy of one lesson with its sealed key: the lesson's folder in it."""
    (made,) = student_copy(["felt_brake"], tmp_path_factory.mktemp("sealed"), phrase=PHRASE)
    return made / "felt_brake"


@pytest.mark.slow
def test_the_phrase_opens_the_key_and_nothing_else_does(sealed, tmp_path):
    path, text = sealed / SEALED_KEY, find_key(DEMOS / "felt_brake").read_text("utf-8")
    assert open_key(path, f"  {PHRASE.replace(' ', '   ')} ", "felt_brake") == text
    for phrase, lesson in ((PHRASE + "s", "felt_brake"), ("", "felt_brake"), (PHRASE, "card_vanes")):
        with pytest.raises(KitError, match="The key does not open"):
            open_key(path, phrase, lesson)
    record = json.loads(path.read_text("utf-8"))
    first = "B" if record["sealed"][0] == "A" else "A"
    changed = tmp_path / SEALED_KEY
    changed.write_text(json.dumps({**record, "sealed": first + record["sealed"][1:]}), encoding="utf-8")
    with pytest.raises(KitError, match="or the file was changed"):
        open_key(changed, PHRASE, "felt_brake")
    for hostile in ("", "[]", '{"format": "kit-sealed-key-1"}', '{"format": "kit-sealed-key-2"}', "{" * 100_000):
        changed.write_text(hostile, encoding="utf-8")
        with pytest.raises(KitError, match="sealed key"):
            open_key(changed, PHRASE, "felt_brake")


@pytest.mark.slow
def test_the_file_is_opened_by_the_published_algorithms_alone(sealed):
    """Decrypted here without the kit: scrypt (RFC 7914) and AES-GCM (NIST SP 800-38D) as two libraries have them."""
    from base64 import b64decode

    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    record = json.loads((sealed / SEALED_KEY).read_text("utf-8"))
    salt, nonce, data = (b64decode(record[name]) for name in ("salt", "nonce", "sealed"))
    key = Scrypt(salt=salt, length=32, n=2**15, r=8, p=1).derive(PHRASE.encode())
    assert b'supported = "half"' in AESGCM(key).decrypt(nonce, data, b"kit-sealed-key-1:felt_brake")
    assert seal_key("x", PHRASE, "felt_brake") != seal_key("x", PHRASE, "felt_brake")


@pytest.mark.slow
def test_the_commands_take_the_phrase_from_a_pipe(tmp_path, monkeypatch, capsys):
    import io

    monkeypatch.setattr(commands_lessons, "set_up", lambda *_, **__: None)
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PHRASE}\n"))
    folder = str(tmp_path / "copy")
    assert commands.main(["student-copy", "felt_brake", "--out", folder, "--with-key", "--path", "two lessons"]) == 0
    assert 'path=\\"two lessons\\"' in (tmp_path / "copy/felt_brake/3_average.ipynb").read_text("utf-8")
    assert PHRASE not in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PHRASE}\n"))
    assert commands.main(["open-key", f"{folder}/felt_brake"]) == 0
    assert "Double the force halves the time" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", io.StringIO("something else altogether\n"))
    assert commands.main(["open-key", f"{folder}/felt_brake"]) == 1
    assert "The key does not open" in capsys.readouterr().err


# --- the guide shows it -----------------------------------------------------------------------------------------------


def texts(box) -> str:
    return " ".join([getattr(box, "value", "") or "", *(texts(child) for child in getattr(box, "children", ()))])


def test_the_guide_shows_ideas_only_when_asked(sealed, tmp_path):
    idea = "Double the force halves the time"
    here = TeacherKey(DEMOS / "felt_brake")
    assert idea not in texts(here)
    here.show_ideas()
    assert idea in texts(here) and "support this" in texts(here)
    copy = TeacherKey(sealed)
    copy.phrase.value = "not this one"
    with pytest.raises(KitError, match="does not open"):
        copy.show_ideas()
    copy.phrase.value = PHRASE
    copy.show_ideas()
    assert idea in texts(copy) and copy.phrase.value == ""
    shutil.copytree(sealed, tmp_path / "felt_brake", ignore=shutil.ignore_patterns(SEALED_KEY))
    assert "a copy for students" in texts(TeacherKey(tmp_path / "felt_brake"))


def test_a_key_is_read_from_its_text_too():
    lesson = load_lesson(DEMOS / "felt_brake")
    text = find_key(lesson.folder).read_text("utf-8")
    assert read_key(lesson.folder, lesson, text).value == load_key(lesson.folder, lesson)


@pytest.mark.parametrize("name", DEMO_LESSONS)
def test_a_guide_holds_minutes_questions_ideas_and_a_run_sheet_for_each_lesson(name):
    cells = json.loads((PROJECT / "notebooks" / "teacher" / guide_name(name)).read_text("utf-8"))["cells"]
    text = "\n".join("".join(cell["source"]) for cell in cells)
    for part in (
        "| **minutes in all** | **10** | **45** | **90** |",
        "Ask:",
        "TeacherKey(",
        "run_sheet_html",
        "student-copy",
    ):
        assert part in text
    start = (PROJECT / "notebooks" / "start_here.ipynb").read_text("utf-8")
    assert start.count("For teachers") == 1
