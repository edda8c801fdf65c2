"""The commands about lessons: make one, check it, copy it for students, read a sealed key."""

from __future__ import annotations

import argparse
import sys
from getpass import getpass
from pathlib import Path
from shlex import quote

from .command_parts import BAD_INPUT, COMPUTING, DONE, PATHS, set_up, writing
from .errors import KitError

__all__ = ["LESSON_COMMANDS"]


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
        "--remake",
        action="store_true",
        help="make the notebooks of FOLDER anew from its lesson.toml; old ones are kept",
    )
    command.set_defaults(run=make_lesson)
    return command


def make_lesson(chosen: argparse.Namespace) -> int:
    """Make a lesson, or its notebooks anew, and say what to do next."""
    set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary
    from .lessons.make import new_lesson, remake

    if chosen.remake and chosen.path:
        raise KitError("The path of a lesson that is there stands in its lesson.toml", fix="change it there: path = …")
    with writing(chosen.folder) as folder:
        if chosen.remake:
            changed = remake(folder)
            print(f"{len(changed)} notebooks were made anew." if changed else "The notebooks were up to date.")
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
    if not chosen.folder.is_dir():  # said before anything is installed
        raise KitError("There is no such folder", file=chosen.folder, fix="check the name and where you are")
    set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary

    findings = check_lesson(chosen.folder)
    for finding in findings:
        print(f"{'PROBLEM' if finding.serious else 'warning'}  {finding}")
    print(summary(findings))
    return BAD_INPUT if any(finding.serious for finding in findings) else DONE


LESSON_COMMANDS = (_add_new_lesson, _add_check_lesson, _add_student_copy, _add_open_key)
