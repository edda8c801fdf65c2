"""The commands about lessons: make one, check it, copy it for students, print it, pack it, read a sealed key."""

from __future__ import annotations

import argparse
import sys
from getpass import getpass
from pathlib import Path
from shlex import quote

from .command_parts import BAD_INPUT, COMPUTING, DONE, PATHS, UNITS, must_be_there, set_up, whole, writing
from .errors import KitError
from .launcher import PROJECT

__all__ = ["LESSON_COMMANDS", "unpacked"]

OF_OWN_LOGS = ("changed", "unit", "words", "spins", "title", "cautions", "times_in", "flags")


def _add_new_lesson(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "new-lesson",
        help="make a lesson of your own, complete and ready to change",
        description="Make a lesson: a folder `student` to hand out, with lesson file, data and notebooks, and a folder "
        "`teacher` with the key and notes. Change lesson.toml and the data, then run it again with --remake.",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="where: a new folder, or an empty one")
    command.add_argument("--path", metavar="PATH", help=f"how much time there is: {', '.join(PATHS)}")
    how = command.add_mutually_exclusive_group()
    how.add_argument("--like", metavar="LESSON", default="coasting_disc", help="begin from this lesson (%(default)s)")
    how.add_argument(
        "--from-logs",
        type=Path,
        metavar="LOGS",
        help="make it from your own logs: a folder of them; on a terminal you are asked for what is missing",
    )
    how.add_argument(
        "--remake",
        action="store_true",
        help="make the notebooks of FOLDER anew from its lesson.toml; old ones are kept",
    )
    how.add_argument(
        "--fit-bench",
        action="store_true",
        help="fit the virtual bench of FOLDER to its own runs, and write it into its lesson.toml",
    )
    own = command.add_argument_group("with --from-logs")
    own.add_argument("--changed", metavar="NAME", help="what was changed: the column's name, such as sponges")
    own.add_argument("--unit", help='its unit, such as mm; "" for a plain number')
    own.add_argument("--words", help='how students read it, such as "number of wet sponges"')
    own.add_argument("--spins", metavar="WHAT", help="what spins: wheel, disc, turntable, rotor or another word")
    own.add_argument("--title", help="the lesson's title")
    own.add_argument("--cautions", metavar="LIST", help="what to beware of besides, such as liquids,noise")
    own.add_argument("--times-in", choices=UNITS, help="unit of the times in logs whose headings give none")
    own.add_argument("--flags", type=whole, metavar="N", help="flags that pass the gate in one turn, if not said")
    command.set_defaults(run=make_lesson, usage_error=command.error)
    return command


def _given(chosen: argparse.Namespace) -> dict[str, object]:
    """Those of the options for own logs that were given."""
    return {name: value for name in OF_OWN_LOGS if (value := getattr(chosen, name)) is not None}


def make_lesson(chosen: argparse.Namespace) -> int:
    """Make a lesson, or its notebooks anew, and say what to do next."""
    given = _given(chosen)
    if given and not chosen.from_logs:
        chosen.usage_error("--changed, --unit, --words, --spins, --title, --cautions and the like go with --from-logs")
    if chosen.from_logs:
        must_be_there(chosen.from_logs)
    set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary
    from .lessons.make import new_lesson, remake
    from .lessons.own_lesson import ask_and_make, fit_bench

    if chosen.path and (chosen.remake or chosen.fit_bench):
        raise KitError("The path of a lesson that is there stands in its lesson.toml", fix="change it there: path = …")
    with writing(chosen.folder) as folder:
        if chosen.remake:
            changed = remake(folder)
            print(f"{len(changed)} notebooks were made anew." if changed else "The notebooks were up to date.")
        elif chosen.fit_bench:
            print(f"The bench now behaves like the runs: {fit_bench(folder)}")
        else:
            if chosen.from_logs:
                ask = input if sys.stdin.isatty() else None
                place = ask_and_make(folder, chosen.from_logs, given, ask, path=chosen.path or "")
            else:
                place = new_lesson(folder, chosen.like, path=chosen.path or "")
            print(f"The lesson is in {folder}. Change {place.data / 'lesson.toml'}, then:")
            for command in (f"check-lesson {quote(str(folder))}", f"new-lesson {quote(str(folder))} --remake"):
                print(f"    python3 -m kit {command}")
    print(summary(check_lesson(folder)))
    return DONE


def _add_student_copy(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "student-copy",
        help="copy lessons for students, without guide and key",
        description="Copy lessons for students: pages and data, no guide, no key. With --with-key the key goes in "
        "sealed; a pass phrase is asked for, without which nobody can read it.",
    )
    command.add_argument("lessons", nargs="+", metavar="LESSON", help="a built-in lesson, or a folder that holds one")
    command.add_argument(
        "--out", type=Path, required=True, metavar="FOLDER", help="where: a new folder, or an empty one"
    )
    command.add_argument("--path", metavar="PATH", help=f"how much time there is: {', '.join(PATHS)}")
    command.add_argument("--with-key", action="store_true", help="put the key in, sealed with a pass phrase")
    command.set_defaults(run=copy_for_students)
    return command


def copy_for_students(chosen: argparse.Namespace) -> int:
    """Make a copy for students and say how they open it."""
    set_up(chosen, only=(*COMPUTING, *(["cryptography"] if chosen.with_key else [])))
    from .lessons.copies import student_copy

    phrase = _phrase(twice=True) if chosen.with_key else None
    with writing(chosen.out) as folder:
        made = student_copy(chosen.lessons, folder, path=chosen.path or "", phrase=phrase)
    print(f"{len(made)} lessons are in {folder}. Students open them with:")
    print(f"    python3 -m kit open {quote(str(folder))}")
    if phrase is not None:
        print("The keys are sealed in it. Without the pass phrase nobody can read them, and nobody can recover it.")
    return DONE


def _add_open_key(commands) -> argparse.ArgumentParser:
    command = commands.add_parser("open-key", help="read the sealed key in a copy for students, with its pass phrase")
    command.add_argument("folder", type=Path, metavar="FOLDER", help="a lesson's folder in the copy")
    command.set_defaults(run=show_key)
    return command


def show_key(chosen: argparse.Namespace) -> int:
    """Print a sealed key."""
    set_up(chosen, only=(*COMPUTING, "cryptography"))
    from .lessons.make import find_lesson
    from .lessons.teacher_key import SEALED_KEY, open_key

    data = find_lesson(chosen.folder).data
    print(open_key(data / SEALED_KEY, _phrase(), data.name))
    return DONE


def _phrase(twice: bool = False) -> str:
    """A pass phrase, typed unseen in a terminal (twice, where a slip would lock the key), or read from a pipe."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().strip()
    phrase = getpass("Pass phrase: ")
    if twice and getpass("Once more: ") != phrase:
        raise KitError("The two pass phrases differ", fix="run the command again")
    return phrase


def _add_check_lesson(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "check-lesson",
        help="is a lesson ready for a class? All problems at once",
        description="Check a lesson's file, key, data and notebooks, and that students get nothing of the key. "
        "Exit code 0: ready, perhaps with warnings; 1: something must be mended.",
    )
    command.add_argument(
        "folder", type=Path, metavar="FOLDER", help="one that new-lesson made, or that holds lesson.toml"
    )
    command.set_defaults(run=check_one_lesson)
    return command


def check_one_lesson(chosen: argparse.Namespace) -> int:
    """Print all findings about a lesson, problems first."""
    must_be_there(chosen.folder)
    set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary

    findings = check_lesson(chosen.folder)
    for finding in findings:
        print(f"{'PROBLEM' if finding.serious else 'warning'}  {finding}")
    print(summary(findings))
    return BAD_INPUT if any(finding.serious for finding in findings) else DONE


def _add_print(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "print",
        help="a lesson's pages for paper: worksheet, run sheet, answer slips, the class's page",
        description="Write a lesson's pages to print, as files that a browser prints. Nothing of the key is on them.",
    )
    command.add_argument("lesson", metavar="LESSON", help="a lesson of the kit, such as felt_brake, or a folder")
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the pages go")
    command.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="(default: %(default)s)")
    command.set_defaults(run=print_one_lesson)
    return command


def print_one_lesson(chosen: argparse.Namespace) -> int:
    """Write a lesson's pages to print, and say where they are."""
    set_up(chosen, only=(*COMPUTING, "jinja2"))
    from .paper import print_lesson

    paths = print_lesson(chosen.lesson, chosen.out, chosen.paper)
    print(f"{len(paths)} pages are in {chosen.out}: {', '.join(path.name for path in paths)}.")
    print("Open each in a browser and print it.")
    return DONE


def _add_pack_lesson(commands) -> argparse.ArgumentParser:
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
    command.set_defaults(run=pack_one_lesson)
    return command


def pack_one_lesson(chosen: argparse.Namespace) -> int:
    """Write a lesson into one file and say how it is opened."""
    must_be_there(chosen.folder)
    set_up(chosen, only=COMPUTING)
    from .lessons.pack import pack_lesson

    packed = pack_lesson(chosen.folder, chosen.out, chosen.author, chosen.licence)
    print(f"The lesson is packed, with its key, so give it to teachers only: {packed}")
    if not chosen.licence:
        print('No licence was named now. To name one: --licence "CC BY 4.0"')
    print(f"A colleague opens it with: python3 -m kit open {quote(packed.name)}")
    return DONE


def unpacked(file: Path) -> Path:
    """The folder of a packed lesson, put below `lessons`, and what its maker says of it on the terminal."""
    from .lessons.pack import open_pack

    found = open_pack(file, PROJECT / "lessons")
    print(f"{found.title}, by {found.author or 'somebody unnamed'}; licence: {found.licence or 'none is given'}.")
    print(f"The lesson is in {found.folder}.")
    if found.own_code:
        print("Boxes of code by its author are shown as text: read them, and copy into a box what you trust.")
    return found.folder


LESSON_COMMANDS = (
    _add_new_lesson,
    _add_check_lesson,
    _add_student_copy,
    _add_open_key,
    _add_pack_lesson,
    _add_print,
)
