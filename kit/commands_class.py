"""The commands about a class: sessions started before a lesson, hand-ins taken while it goes on, and what they show."""

from __future__ import annotations

import argparse
import time
from contextlib import suppress
from pathlib import Path

from . import launcher
from .command_parts import BAD_INPUT, COMPUTING, DONE, port_number, set_up, whole, writing
from .errors import KitError
from .record.handin import local_path

__all__ = ["CLASS_COMMANDS"]


# --- class-overview ------------------------------------------------------------------------------------


def _add_class_overview(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "class-overview",
        help="what a class's hand-ins show, as one page for the teacher",
        description="Read all hand-ins of a class. A file that can't be read is named, and the others count.",
    )
    command.add_argument(
        "folder",
        metavar="FOLDER",
        help="the hand-ins: a folder, a ZIP of one, or an address such as s3://bucket/class-3b",
    )
    command.add_argument("--report", required=True, metavar="FILE.html", help="write the page here")
    command.add_argument("--lesson", type=Path, metavar="FOLDER", help="the lesson, for its questions in words")
    command.add_argument(
        "--key", type=Path, metavar="FILE", help="teacher_key.toml, if it is not in the lesson's folder"
    )
    command.add_argument("--csv", type=Path, metavar="FOLDER", help="write the tables here too, for a spreadsheet")
    command.add_argument("--summary", metavar="FILE.html", help="write one page for printing here too")
    command.set_defaults(run=overview_class)
    return command


def overview_class(chosen: argparse.Namespace) -> int:
    """Write a class's report, and its tables if asked; say which files don't count, and why."""
    folder = local_path(chosen.folder)
    with suppress(PermissionError):  # that is worded by what reads the folder
        if folder and not folder.exists():  # said before anything is installed
            raise KitError("There is no such folder or ZIP", file=folder, fix="check the name and where you are")
    needed = (*COMPUTING, "jinja2")
    if folder:
        set_up(chosen, only=needed)
    else:
        set_up(chosen, extras=("object-store",), only=(*needed, "fsspec", *_adapters(chosen.folder)))
    from .classroom.overview import read_class
    from .classroom.page import write_class_report, write_class_summary
    from .classroom.sections import handed_in_words
    from .classroom.tables import write_class_csv

    overview = read_class(chosen.folder, chosen.lesson, chosen.key)
    print(handed_in_words(overview))
    for refused in overview.refused:
        print(f"  {refused.file}: {refused.why}")
    print(f"The page is in {write_class_report(overview, chosen.report)}.")
    if chosen.summary:
        print(f"One page to print is in {write_class_summary(overview, chosen.summary)}.")
    if chosen.csv:
        with writing(chosen.csv) as folder:
            print(f"{len(write_class_csv(overview, folder))} tables are in {folder}.")
    return DONE


# --- class-desk ----------------------------------------------------------------------------------------


def _add_class_desk(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "class-desk",
        help="take hand-ins on the school's network, and show the class what it thinks",
        description="A small server for one class. Students' pages send hand-ins to it. Your own page, behind your key,"
        " says who has sealed and shows what you choose. A folder keeps its class code, key and port.",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="where hand-ins are kept; made if it is not there")
    command.add_argument("--lesson", type=Path, metavar="FOLDER", help="the lesson, for its questions in words")
    command.add_argument("--key", type=Path, metavar="FOLDER", help="where teacher_key.toml is (default: the lesson's)")
    command.add_argument("--groups", type=whole, metavar="N", help="how many groups there are")
    command.add_argument("--port", type=port_number, metavar="N", help="serve on this port (default: as before)")
    command.add_argument("--host", default="", metavar="ADDRESS", help="listen only here (default: all networks)")
    command.add_argument(
        "--address", default="", metavar="NAME", help="this machine's name, as students should type it"
    )
    command.add_argument("--new-code", action="store_true", help="a new class code and a new key, for another class")
    command.set_defaults(run=serve_class_desk)
    return command


def serve_class_desk(chosen: argparse.Namespace) -> int:
    """Serve a class desk until Ctrl-C."""
    set_up(chosen, only=(*COMPUTING, "jinja2", "tornado", "segno"))
    from .classroom.serve import run_desk

    kept = {"groups": chosen.groups} if chosen.groups else {}
    where = {"host": chosen.host, "port": chosen.port or 0, "shown_as": chosen.address}
    with suppress(KeyboardInterrupt):
        run_desk(
            chosen.folder, chosen.lesson, chosen.key, launcher.PROJECT / "datasets_demo", chosen.new_code, kept, where
        )
    print("\nStopped. What was handed in stays in the folder.", flush=True)
    return DONE


# --- warm-hub ------------------------------------------------------------------------------------------


def _add_warm_hub(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "warm-hub",
        help="on a school's hub: start the sessions of a class before the lesson",
        description="Start the sessions of a class through the hub's API, so that nobody waits for a server. One line "
        "says what became of each. See notebooks/teacher/school_server.md.",
    )
    command.add_argument("names", nargs="*", metavar="NAME", help="an account")
    command.add_argument("--class", dest="group", metavar="GROUP", help="all accounts in this group of the machine")
    command.add_argument("--names", dest="file", type=Path, metavar="FILE", help="accounts in this file, one a line")
    command.add_argument("--at", metavar="HH:MM", help="when the lesson begins: wait until five minutes before")
    command.add_argument("--hub", metavar="ADDRESS", help="where the hub is (default: on this machine)")
    command.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help="the token of the service before-lesson (default: /etc/jupyterhub/before_lesson.token)",
    )
    command.add_argument("--at-once", type=whole, default=2, metavar="N", help="so many at a time (default: 2)")
    command.set_defaults(run=warm_class, usage_error=command.error)
    return command


def warm_class(chosen: argparse.Namespace) -> int:
    """Start a class's sessions; 1 if one did not start."""
    from .classroom.warm_hub import HUB, Hub, class_of, names_in, seconds_until, token_in, warm

    if not (chosen.names or chosen.group or chosen.file):
        chosen.usage_error("say whose sessions: NAME, --class GROUP or --names FILE")
    names = [*chosen.names]
    names += class_of(chosen.group) if chosen.group else []
    names += names_in(chosen.file) if chosen.file else []
    hub = Hub(chosen.hub or HUB, token_in(chosen.token_file))
    hub.check()  # before the wait: there is time to mend it
    if chosen.at:
        wait_s = seconds_until(chosen.at)
        if wait_s > 0:
            sessions = "1 session" if len(set(names)) == 1 else f"{len(set(names))} sessions"
            print(f"{sessions} will start in {wait_s / 60:.0f} min, five minutes before the lesson.", flush=True)
            time.sleep(wait_s)
        else:
            print(f"It is later than five minutes before {chosen.at}: starting now.", flush=True)
    outcomes = warm(hub, names, chosen.at_once, lambda outcome: print(outcome, flush=True))
    states = [outcome.state for outcome in outcomes]
    counts = {state: states.count(state) for state in ("started", "was running", "failed")}
    print(f"Of {len(outcomes)}: " + ", ".join(f"{count} {state}" for state, count in counts.items() if count) + ".")
    return BAD_INPUT if counts["failed"] else DONE


def _adapters(address: str) -> tuple[str, ...]:
    """What fsspec itself needs for an address, as far as the extra `object-store` brings it."""
    return ("s3fs",) if address.startswith(("s3://", "s3a://")) else ()


CLASS_COMMANDS = (_add_class_overview, _add_class_desk, _add_warm_hub)
