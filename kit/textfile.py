"""A file as text: that it is there, that it is text, and in which encoding."""

from __future__ import annotations

import re
from pathlib import Path

from kit.errors import KitError

__all__ = ["decode", "lines_of", "read_bytes"]

LARGEST_FILE = 500_000_000  # bytes


def read_bytes(path: str | Path) -> bytes:
    """The file's content. KitError if it is missing, unreadable, empty or absurdly large."""
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise KitError(
                "This file is too large for a gate log",
                file=path,
                found=f"{size / 1e6:.0f} MB",
                fix="split it into runs",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise KitError("There is no such file", file=path, fix="check the name and the folder") from None
    except IsADirectoryError:
        raise KitError("This is a folder, not a file", file=path, fix="use read_folder") from None
    except OSError as error:
        raise KitError("This file cannot be opened", file=path, found=error.strerror or str(error)) from error
    if not data.strip():
        raise KitError("This file is empty", file=path, fix="export the log again")
    return data


def decode(data: bytes, file: str, encoding: str | None = None) -> tuple[str, str]:
    """(text, encoding): UTF-8 with or without BOM, UTF-16, else the Western 8-bit code. KitError if no text."""
    start = data[:4000]
    if encoding is None:
        if data.startswith(b"\xef\xbb\xbf"):
            encoding = "utf-8-sig"
        elif data.startswith((b"\xff\xfe", b"\xfe\xff")):
            encoding = "utf-16"
        elif start[1::2].count(0) > 0.4 * len(start) and 0 not in start[::2]:
            encoding = "utf-16-le"
        elif start[::2].count(0) > 0.4 * len(start) and 0 not in start[1::2]:
            encoding = "utf-16-be"
        else:
            try:
                return _text_only(data.decode("utf-8"), file), "utf-8"
            except UnicodeDecodeError:
                encoding = "cp1252" if not set(data) & {0x81, 0x8D, 0x8F, 0x90, 0x9D} else "latin-1"
    try:
        return _text_only(data.decode(encoding), file), encoding
    except (UnicodeError, LookupError) as error:
        raise KitError(
            "The characters of this file cannot be read",
            file=file,
            found=str(error),
            fix="save it as UTF-8 text",
        ) from error


def _text_only(text: str, file: str) -> str:
    strange = re.search(r"[\x00-\x08\x0e-\x19\x1b-\x1f]", text[:100_000])  # later ones are found as bad cells
    if strange:
        raise KitError(
            "This is not a text file",
            file=file,
            row=text.count("\n", 0, strange.start()) + 1,
            found=f"character code {ord(strange[0])}",
            fix="export the log as text (.csv, .tsv or .txt)",
        )
    return text


def lines_of(text: str) -> list[str]:
    """The rows, as a text editor counts them."""
    return re.split(r"\r\n|\r|\n", text)
