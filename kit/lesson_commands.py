"""What the commands about lessons of one's own are told and say: options for own logs, packing, unpacking."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from shlex import quote

from .launcher import PROJECT

__all__ = ["add_check", "add_own_logs", "add_pack", "add_print", "given", "pack", "print_pages", "unpacked"]

OF_OWN_LOGS = ("changed", "unit", "words", "spins", "title", "cautions", "times_in", "flags")


def add_own_logs(command: argparse.ArgumentParser, units: Sequence[str], count: Callable[[str], int]) -> None:
    """The options that go with --from-logs."""
    own = command.add_argument_group("with --from-logs")
    own.add_argument("--changed", metavar="NAME", help="what was changed: the column's name, such as sponges")
    own.add_argument("--unit", help='its unit, such as mm; "" for a plain number')
    own.add_argument("--words", help='how students read it, such as "number of wet sponges"')
    own.add_argument("--spins", metavar="WHAT", help="what spins: wheel, disc, turntable, rotor or another word")
    own.add_argument("--title", help="the lesson's title")
    own.add_argument("--cautions", metavar="LIST", help="what to beware of besides, such as liquids,noise")
    own.add_argument("--times-in", choices=units, help="unit of the times in logs whose headings give none")
    own.add_argument("--flags", type=count, metavar="N", help="flags that pass the gate in one turn, if not said")


def given(chosen: argparse.Namespace) -> dict[str, object]:
    """Those of the options of `add_own_logs` that were given."""
    return {name: value for name in OF_OWN_LOGS if (value := getattr(chosen, name)) is not None}


def add_check(commands, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    """The command check-lesson."""
    command = commands.add_parser(
        "check-lesson",
        help="is a lesson ready for a class? All problems at once",
        description="Check a lesson's file, key, data and notebooks, and that students get nothing of the key. "
        "Exit code 0: ready, perhaps with warnings; 1: something must be mended.",
    )
    command.add_argument(
        "folder", type=Path, metavar="FOLDER", help="one that new-lesson made, or that holds lesson.toml"
    )
    command.set_defaults(run=run)
    return command


def add_print(commands, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    """The command print."""
    command = commands.add_parser(
        "print",
        help="a lesson's pages for paper: worksheet, run sheet, answer slips, the class's page",
        description="Write a lesson's pages to print, as files that a browser prints. Nothing of the key is on them.",
    )
    command.add_argument("lesson", metavar="LESSON", help="a lesson of the kit, such as felt_brake, or a folder")
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the pages go")
    command.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="(default: %(default)s)")
    command.set_defaults(run=run)
    return command


def print_pages(chosen: argparse.Namespace) -> None:
    """Write the pages and say what they are."""
    from .paper import print_lesson

    paths = print_lesson(chosen.lesson, chosen.out, chosen.paper)
    print(f"{len(paths)} pages are in {chosen.out}: {', '.join(path.name for path in paths)}.")
    print("Open each in a browser and print it.")


def add_pack(commands, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    """The command pack-lesson."""
    command = commands.add_parser(
        "pack-lesson",
        help="a lesson of yours as one file, to give to a colleague",
        description="Put a lesson that new-lesson made into one file: lesson file, data, key and your own cells. No "
        "student's entries go along. A colleague opens it with: python3 -m kit open FILE",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="one that new-lesson made")
    command.add_argument(
        "--out", type=Path, metavar="FILE", help="the file (default: NAME.lesson.zip beside the folder)"
    )
    command.add_argument("--author", default="", help="who made it, as it should be named")
    command.add_argument("--licence", "--license", default="", help='under which licence, such as "CC BY 4.0"')
    command.set_defaults(run=run)
    return command


def pack(chosen: argparse.Namespace) -> None:
    """Pack a lesson and say how it is opened."""
    from .lessons.pack import pack_lesson

    packed = pack_lesson(chosen.folder, chosen.out, chosen.author, chosen.licence)
    print(f"The lesson is packed, with its key, so give it to teachers only: {packed}")
    if not chosen.licence:
        print('No licence was named now. To name one: --licence "CC BY 4.0"')
    print(f"A colleague opens it with: python3 -m kit open {quote(packed.name)}")


def unpacked(file: Path) -> Path:
    """The folder of a packed lesson, put below `lessons`, and what its maker says of it on the terminal."""
    from .lessons.pack import open_pack

    found = open_pack(file, PROJECT / "lessons")
    print(f"{found.title}, by {found.author or 'somebody unnamed'}; licence: {found.licence or 'none is given'}.")
    print(f"The lesson is in {found.folder}.")
    if found.own_code:
        print("Boxes of code by its author are shown as text: read them, and copy into a box what you trust.")
    return found.folder
