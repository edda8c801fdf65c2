"""What the commands of ``python3 -m kit`` share: exit codes, setting up, and how a failure to write is worded."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from . import launcher
from .errors import KitError

__all__ = [
    "BAD_INPUT",
    "COMPUTING",
    "DONE",
    "PATHS",
    "UNITS",
    "must_be_there",
    "port_number",
    "set_up",
    "whole",
    "writing",
]

DONE, BAD_INPUT = 0, 1
PATHS = ("question of the day", "one lesson", "two lessons", "project")  # named before anything is installed
UNITS = ("s", "ms", "us", "ns", "min", "h")
COMPUTING = ("numpy", "pandas", "scipy")  # what a command without a screen needs


def set_up(chosen: argparse.Namespace, **needs) -> None:
    """See to it that what the command needs is installed; may start the whole command again in .venv."""
    launcher.ensure(chosen.arguments, use_uv=chosen.uv, **needs)


def must_be_there(place: Path) -> None:
    """Say that a folder or file is missing before anything is installed."""
    with suppress(PermissionError):  # that is worded by what reads it
        if not place.exists():
            raise KitError("There is no such folder", file=place, fix="check the name and where you are")


@contextmanager
def writing(path: str | Path) -> Iterator[Path]:
    """Word a failure to write as bad input: the place was given by the user."""
    try:
        yield Path(path)
    except OSError as error:
        raise KitError(
            f"This can't be written ({error.strerror or error})",
            file=path,
            fix="give a place that exists and that you may write to",
        ) from error


def whole(text: str) -> int:
    """An argument type: a whole number of at least 1."""
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 10**9):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of at least 1")
    return int(text)


def port_number(text: str) -> int:
    """An argument type: a port."""
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 65536):
        raise argparse.ArgumentTypeError(f"{text!r} is not a port number from 1 to 65535")
    return int(text)
