"""The teacher's key: the idea behind each choice, and which choice the data support. Read, found, sealed and opened.

A key lies in the clear on the teacher's own machine only:

    teacher_key.toml        in the folder `teacher` of a lesson that was made, or beside a bare lesson's lesson.toml
    .teacher_key.toml       beside a built-in lesson: a notebook server lists and serves no file whose name begins so
    teacher_key.sealed      in a copy for students, if the teacher wants it there: readable with her pass phrase only

Sealing is left to known parts: scrypt (RFC 7914, of Python's hashlib) makes a key of 256 bits from the pass phrase, and
AES-GCM (NIST SP 800-38D, of the package `cryptography`) encrypts with it and notices every change.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
from pathlib import Path

from ..errors import KitError
from .keys import Keys, Notes, parse_toml, read_toml_text
from .lesson import Lesson, Reading, or_first_problem

__all__ = [
    "HIDDEN_KEY",
    "KEY_FILE",
    "SEALED_KEY",
    "SHORTEST_PHRASE",
    "find_key",
    "load_key",
    "open_key",
    "read_key",
    "seal_key",
]

KEY_FILE, HIDDEN_KEY, SEALED_KEY = "teacher_key.toml", ".teacher_key.toml", "teacher_key.sealed"

FORMAT = "kit-sealed-key-1"
SHORTEST_PHRASE = 16  # characters: four words drawn by lot have more. A sealed file can be tried at leisure
SCRYPT = {"n": 2**15, "r": 8, "p": 1}  # 32 MB and about a tenth of a second for each try
SALT_BYTES, NONCE_BYTES, KEY_BYTES = 16, 12, 32
LARGEST_BYTES = 1_000_000


def find_key(folder: str | Path) -> Path | None:
    """The key in the clear in a lesson's folder, or in one of its teacher; None where there is none."""
    for name in (KEY_FILE, HIDDEN_KEY):
        if (path := Path(folder) / name).is_file():
            return path
    return None


def load_key(folder: str | Path, lesson: Lesson) -> dict[str, dict]:
    """The teacher's key: {question id: {"supported": choice id, "ideas": {choice id: text}}}.

    Raises
    ------
    KitError : no key file there, or one that names a question or choice the lesson does not have.
    """
    return or_first_problem(read_key(folder, lesson))


def read_key(folder: str | Path, lesson: Lesson, text: str | None = None) -> Reading[dict[str, dict]]:
    """Read a key and note all its problems at once; the value is what `load_key` returns.

    Parameters
    ----------
    folder : where it lies, or the file itself.
    text : what stands in it; by default it is read.

    Raises
    ------
    KitError : there is no such file, or it is no TOML.
    """
    path = Path(folder)
    path = find_key(path) or path / KEY_FILE if path.is_dir() else path
    notes = Notes()
    key: dict[str, dict] = {}
    tables = Keys(parse_toml(read_toml_text(path) if text is None else text, path), path, notes).tables("questions")
    for table in tables:
        named = table.text("id", example='id = "two-magnets"')
        supported = table.text("supported", example='supported = "half"   # the id of a choice')
        ideas = table.mapping("ideas", example='same = "the idea"')
        try:
            question = lesson.ask(named)
        except KitError as error:
            table.note("id", _in_file(error, path))
            continue
        for place, choice in [("supported", supported), *((f"ideas.{choice}", choice) for choice in ideas)]:
            try:
                question.choice(choice)
            except KitError as error:
                table.note(place, _in_file(error, path))
        key[question.id] = {"supported": supported, "ideas": ideas}
    return Reading(key, tuple(notes.problems), tuple(notes.unknown()))


def _in_file(error: KitError, path: Path) -> KitError:
    return KitError(error.problem, file=path, found=error.found, fix=error.fix)


# --- sealed with a pass phrase ---------------------------------------------------------------------------------------


def seal_key(text: str, phrase: str, lesson: str) -> str:
    """The text of a sealed file. Two files of one key and phrase have nothing in common.

    Parameters
    ----------
    text : what stands in the key.
    lesson : the lesson's name; a file that is moved to another lesson does not open there.

    Raises
    ------
    KitError : the pass phrase is too short.
    """
    salt, nonce = secrets.token_bytes(SALT_BYTES), secrets.token_bytes(NONCE_BYTES)
    sealed = _cipher(_checked(phrase), salt).encrypt(nonce, text.encode(), _context(lesson))
    parts = {"salt": salt, "nonce": nonce, "sealed": sealed}
    record = {"format": FORMAT, **{name: base64.b64encode(part).decode() for name, part in parts.items()}}
    return json.dumps(record, indent=1) + "\n"


def open_key(path: str | Path, phrase: str, lesson: str) -> str:
    """The text of a key from its sealed file.

    Raises
    ------
    KitError : no sealed file, one that was changed or belongs to another lesson, or not this pass phrase.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise KitError("This file is too large for a sealed key", file=path)
        record = json.loads(path.read_text(encoding="utf-8"))
        if record["format"] != FORMAT:
            raise KitError("This sealed key has a form that this kit does not know", file=path, found=record["format"])
        salt, nonce, sealed = (base64.b64decode(record[name], validate=True) for name in ("salt", "nonce", "sealed"))
    except OSError as error:
        raise KitError(f"The sealed key cannot be read: {error.strerror}", file=path) from None
    except (ValueError, KeyError, TypeError):
        raise KitError("This is not a sealed key", file=path, fix="take the file from the copy for students") from None
    from cryptography.exceptions import InvalidTag

    try:
        return _cipher(" ".join(phrase.split()), salt).decrypt(nonce, sealed, _context(lesson)).decode()
    except (InvalidTag, ValueError):
        raise KitError(
            "The key does not open",
            file=path,
            fix="type the pass phrase that was chosen when this copy was made; or the file was changed",
        ) from None


def _checked(phrase: str) -> str:
    """The phrase with single blanks, as it is typed again later."""
    phrase = " ".join(phrase.split())
    if len(phrase) < SHORTEST_PHRASE or len(set(phrase)) < 6:
        raise KitError(
            "This pass phrase is too easy to guess",
            found=f"{len(phrase)} characters",
            fix=f"take {SHORTEST_PHRASE} characters or more: four words that do not belong together will do",
        )
    return phrase


def _cipher(phrase: str, salt: bytes):
    """AES-GCM with the key that scrypt makes. `cryptography` is loaded by whoever seals or opens, and nobody else."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    memory = 2 * 128 * SCRYPT["n"] * SCRYPT["r"]
    return AESGCM(hashlib.scrypt(phrase.encode(), salt=salt, maxmem=memory, dklen=KEY_BYTES, **SCRYPT))


def _context(lesson: str) -> bytes:
    """What is bound to the sealed text without being secret."""
    return f"{FORMAT}:{lesson}".encode()
