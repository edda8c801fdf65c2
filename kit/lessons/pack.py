"""A made lesson as one file, to give to a colleague; and such a file opened, as a stranger's file is opened.

The file is a ZIP with `pack.json` (what it is, who made it, under which licence) and below `student/NAME/` and
`teacher/` what `kit.new_lesson` writes, without entries of students. Opened, nothing of its notebooks is run, and
kept are the author's own cells alone: notebooks are made anew from the lesson file, and the author's code becomes text.
"""

from __future__ import annotations

import json
import re
import shutil
import stat
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from ..errors import KitError
from .lesson import LESSON_FILE, load_lesson
from .make import STUDENT, TEACHER, cells_of, data_files, find_lesson, is_own, made_names, own_cells, remake
from .teacher_key import KEY_FILE, load_key

__all__ = ["PACK_ENDING", "PACK_SCHEMA", "Opened", "open_pack", "pack_lesson"]

PACK_ENDING, PACK_SCHEMA, ABOUT = ".lesson.zip", "kit-lesson-pack-1", "pack.json"
ENDINGS = (".toml", ".csv", ".tsv", ".txt", ".md", ".wav")  # of data: nothing that a browser or Python would run
AUTHORS = "*Code by the author of this lesson. Read it, and copy it into a box if you trust it:*"
MOST_FILES, MOST_BYTES, MOST_OF_ONE, LONGEST_NAME = 2_000, 300_000_000, 60_000_000, 200
LONGEST_WORDS = 200
TIME = (1980, 1, 1, 0, 0, 0)  # the same lesson, the same bytes


@dataclass(frozen=True)
class Opened:
    """A pack that was opened: where the lesson is, and what its maker says of it."""

    folder: Path
    title: str
    author: str
    licence: str
    own_code: int  # boxes of the author's own code that were turned into text


def pack_lesson(folder: str | Path, out: str | Path | None = None, author: str = "", licence: str = "") -> Path:
    """Write a lesson that `kit.new_lesson` made into one file; return its path.

    Parameters
    ----------
    out : the file, by default NAME.lesson.zip beside the folder. It must not be there yet.
    author, licence : in words, such as "A. Teacher" and "CC BY 4.0". Without them, those that the lesson came with.

    Raises
    ------
    KitError : no lesson made by `new_lesson` there, one with a problem in its file or key, or no place to write.
    """
    place = find_lesson(folder)
    if place.student is None or place.teacher is None:
        raise KitError(
            "Only a lesson made by new-lesson can be packed", file=folder, fix="make one, or name its folder"
        )
    lesson = load_lesson(place.data)
    load_key(place.teacher, lesson)
    before = _about_of(place.teacher / ABOUT)
    about = {
        "schema": PACK_SCHEMA,
        "name": lesson.name,
        "title": lesson.title,
        "author": _words(author or before.get("author", ""), "author"),
        "licence": _words(licence or before.get("licence", ""), "licence"),
    }
    files = {
        f"{STUDENT}/{lesson.name}/{LESSON_FILE}": place.data / LESSON_FILE,
        f"{TEACHER}/{KEY_FILE}": place.teacher / KEY_FILE,
    }
    for path in data_files(place.data):
        files[f"{STUDENT}/{lesson.name}/{path.relative_to(place.data).as_posix()}"] = path
    notebooks = [*sorted(place.student.glob("*.ipynb")), *sorted(place.teacher.glob("*.ipynb"))]
    texts = {f"{path.parent.name}/{path.name}": _only_own(path) for path in notebooks}
    strange = [name for name in files if PurePosixPath(name).suffix.lower() not in ENDINGS]
    if strange:
        raise KitError(
            "A pack does not hold files of this kind", found=strange[0], fix=f"take it out; kinds: {', '.join(ENDINGS)}"
        )
    target = Path(out) if out else Path(folder).absolute().with_name(f"{lesson.name}{PACK_ENDING}")
    try:
        with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED) as pack:
            _put(pack, ABOUT, json.dumps(about, indent=1, ensure_ascii=False).encode())
            for name, path in sorted(files.items()):
                _put(pack, name, path.read_bytes())
            for name, text in sorted(texts.items()):
                if text:
                    _put(pack, name, text.encode())
    except FileExistsError:
        raise KitError(
            "This file is there already and is not overwritten", file=target, fix="name another one"
        ) from None
    except OSError as error:
        raise KitError(
            f"This can't be written ({error.strerror or error})", file=target, fix="choose another place"
        ) from error
    return target


def open_pack(file: str | Path, into: str | Path) -> Opened:
    """Check a packed lesson and put it into a new folder below `into`.

    Nothing is written outside that folder, and nothing is written over: where there is a folder of this name, the new
    one gets a number. Refused are: what is no ZIP or not whole, links, names that lead elsewhere or hide, kinds of
    files that a lesson does not need, too many or too large files (by what really comes out, not by what the file
    says), and a lesson file or key with a problem.

    Raises
    ------
    KitError : saying what was found.
    """
    file, into = Path(file), Path(into).absolute()
    try:
        with zipfile.ZipFile(file) as pack, tempfile.TemporaryDirectory() as place:
            about = _checked(pack, file)
            folder = Path(place) / about["name"]
            code = _unpack(pack, folder, file)
            (folder / TEACHER).mkdir(exist_ok=True)
            remake(folder)
            shutil.rmtree(folder / "earlier", ignore_errors=True)  # the author's notebooks: made anew, so not needed
            for page in set(folder.glob("*/*.ipynb")) - {folder / name for name in made_names(folder)}:
                page.unlink()
            (folder / TEACHER / ABOUT).write_text(json.dumps(about, indent=1, ensure_ascii=False), encoding="utf-8")
            into.mkdir(parents=True, exist_ok=True)
            names = (about["name"], *(f"{about['name']}_{n}" for n in range(2, 1000)))
            target = next(into / name for name in names if not (into / name).exists())
            shutil.copytree(folder, target)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, zipfile.LargeZipFile) as error:
        raise KitError(
            "This is no packed lesson, or it is not whole", file=file, fix="ask for the file again"
        ) from error
    except RuntimeError as error:  # encrypted
        raise KitError("This file is locked with a password", file=file, fix="ask for one that is not") from error
    except OSError as error:
        raise KitError(f"The lesson can't be put there ({error.strerror or error})", file=into) from error
    return Opened(target, about["title"], about["author"], about["licence"], code)


# --- what a stranger's file may hold ---------------------------------------------------------------------------------


def _checked(pack: zipfile.ZipFile, file: Path) -> dict[str, str]:
    """What the pack says of itself, after a look at every name in it."""
    entries = pack.infolist()
    if len(entries) > MOST_FILES:
        raise _refusal(file, "It holds too many files", len(entries))
    if sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise _refusal(file, "It would be too large when unpacked", f"{sum(e.file_size for e in entries)} bytes")
    seen: set[str] = set()
    for entry in entries:
        name, kind = entry.filename, entry.external_attr >> 16
        if kind and not (stat.S_ISREG(kind) or stat.S_ISDIR(kind) or stat.S_IFMT(kind) == 0):
            raise _refusal(file, "It holds a link or something else that is no file", name)
        if not _is_plain(name):
            raise _refusal(file, "A name in it leads elsewhere, or is no plain name", name)
        if name.casefold() in seen:
            raise _refusal(file, "It holds a file twice", name)
        seen.add(name.casefold())
    if ABOUT not in pack.namelist():
        raise _refusal(file, "It is no packed lesson: pack.json is missing", None)
    about = _about(_read(pack, ABOUT, file, 100_000))
    if about is None:
        raise _refusal(file, "Its pack.json can't be used", None)
    for name in pack.namelist():
        parts = PurePosixPath(name).parts
        ending = PurePosixPath(name).suffix.lower()
        page = len(parts) == 2 and parts[0] in (STUDENT, TEACHER) and ending == ".ipynb"
        data = len(parts) > 2 and parts[:2] == (STUDENT, about["name"]) and ending in ENDINGS
        if not (page or data or name.endswith("/") or name in (ABOUT, f"{TEACHER}/{KEY_FILE}")):
            raise _refusal(file, "It holds something that is no part of a lesson", name)
    return about


def _is_plain(name: str) -> bool:
    parts = name.rstrip("/").split("/")
    plain = all(
        part and part[0] != "." and part[-1] not in ". " and not re.search(r'[\\:*?"<>|\x00-\x1f\x7f]', part)
        for part in parts
    )
    reserved = any(re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", part, re.IGNORECASE) for part in parts)
    return plain and not reserved and len(name) <= LONGEST_NAME


def _unpack(pack: zipfile.ZipFile, folder: Path, file: Path) -> int:
    """Write the files; return how many boxes of code in its notebooks were turned into text."""
    left, code = MOST_BYTES, 0
    for name in pack.namelist():
        if name.endswith("/") or name == ABOUT:
            continue
        data = _read(pack, name, file, min(MOST_OF_ONE, left))
        left -= len(data)
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.suffix.lower() == ".ipynb":
            text, boxes = _as_text(data.decode("utf-8", errors="replace"))
            code, data = code + boxes, text.encode()
        path.write_bytes(data)
    return code


def _read(pack: zipfile.ZipFile, name: str, file: Path, most: int) -> bytes:
    """What really comes out of an entry, up to a limit."""
    with pack.open(name) as entry:
        data = entry.read(most + 1)
    if len(data) > most:
        raise _refusal(file, "A file in it is too large", name)
    return data


def _about_of(path: Path) -> dict[str, str]:
    return (_about(path.read_bytes()) if path.is_file() else None) or {}


def _about(data: bytes) -> dict[str, str] | None:
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict) or found.get("schema") != PACK_SCHEMA:
        return None
    kept = {name: found.get(name, "") for name in ("schema", "name", "title", "author", "licence")}
    if not all(isinstance(text, str) and len(text) <= LONGEST_WORDS and text.isprintable() for text in kept.values()):
        return None
    return kept if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}", kept["name"]) else None


def _words(text: str, what: str) -> str:
    text = " ".join(text.split())
    if len(text) > LONGEST_WORDS or not text.isprintable():
        raise KitError(f"The {what} can't be used", found=text, fix=f"at most {LONGEST_WORDS} characters on one line")
    return text


def _refusal(file: Path, why: str, found: object) -> KitError:
    return KitError(f"This file is not opened. {why}", file=file, found=found, fix="ask whoever gave it to you")


# --- own cells of the author -----------------------------------------------------------------------------------------


def _only_own(path: Path) -> str:
    """A notebook of the author's own cells without outputs, each after the cell before it; "" where there are none."""
    text = path.read_text(encoding="utf-8", errors="replace")
    if not own_cells(text):
        return ""
    document = json.loads(text)
    cells = [
        {"cell_type": c["cell_type"], "id": str(c.get("id", "")), "metadata": {}, "source": c["source"]}
        | ({"execution_count": None, "outputs": []} if c["cell_type"] == "code" else {})
        for c in document["cells"]
    ]
    return json.dumps({"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}, ensure_ascii=False)


def _as_text(text: str) -> tuple[str, int]:
    """A stranger's notebook with code of its own turned into text, and how many boxes that were."""
    kept, boxes = [], 0
    for cell in cells_of(text):
        source, kind = "".join(cell["source"]), str(cell["cell_type"])
        if is_own(cell):  # any other cell only tells where these stood: it is made anew
            boxes += kind == "code"
            source = f"{AUTHORS}\n\n{_fenced(source)}" if kind == "code" else source
            kind = "markdown"
        kept.append({"cell_type": kind, "id": str(cell.get("id", "")), "metadata": {}, "source": source})
    return json.dumps({"cells": kept, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}, ensure_ascii=False), boxes


def _fenced(code: str) -> str:
    return "\n".join(f"    {line}" for line in code.splitlines())


def _put(pack: zipfile.ZipFile, name: str, data: bytes) -> None:
    entry = zipfile.ZipInfo(name, TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    pack.writestr(entry, data)
