"""What the commands of ``python3 -m kit`` share: exit codes, setting up, and how a failure to write is worded."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from . import launcher
from .errors import KitError

__all__ = ["BAD_INPUT", "COMPUTING", "DONE", "PATHS", "set_up", "writing"]

DONE, BAD_INPUT = 0, 1
PATHS = ("question of the day", "one lesson", "two lessons", "project")  # named before anything is installed
COMPUTING = ("numpy", "pandas", "scipy")  # what a command without a screen needs


def set_up(chosen: argparse.Namespace, **needs) -> None:
    """See to it that what the command needs is installed; may start the whole command again in .venv."""
    launcher.ensure(chosen.arguments, use_uv=chosen.uv, **needs)


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
