"""The commands of ``python3 -m kit``: one small function each. Third-party modules load only when needed."""

from __future__ import annotations

import argparse
import io
import math
import os
import sys
import webbrowser
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from shlex import quote
from typing import TextIO

import kit

from . import lab, launcher, lesson_commands
from .errors import KitError
from .record.handin import local_path

__all__ = ["main"]

DONE, BAD_INPUT, INTERRUPTED = 0, 1, 130
UNITS = ("s", "ms", "us", "ns", "min", "h")
RULES = ("best", "interpolated", "whole-turns", "law")
# How pytest is told to run: the order, who does what and the closing line are in tests/whole_suite.py.
PYTEST = ["pytest", "-p", "tests.whole_suite", "--dist", "loadfile", "--durations", "15"]
COMPUTING_TESTS = ["tests/unit", "tests/published"]
NOTEBOOKS = ["notebooks", "--nbval-lax", "--nbval-current-env"]
COMPUTING = ("numpy", "pandas", "scipy")  # what a command without a screen needs


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code: 0 done, 1 bad input, 130 stopped by Ctrl-C (2, by argparse: usage)."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        _written(stream, errors="replace")  # a terminal that has no ω shows a ?, and the command goes on
    chosen = parser().parse_args(arguments, argparse.Namespace(arguments=arguments))
    try:
        with lab.stop_signals():
            return chosen.run(chosen)
    except KitError as error:
        print(f"{chosen.command}: {error}", file=sys.stderr)
        return BAD_INPUT
    except ImportError as error:
        if (error.name or "").partition(".")[0] == "kit":
            raise  # a slip of our own, not something to install
        print(
            f"{chosen.command}: A package the kit needs can't be loaded: {error}. What to do: remove the folder "
            f"{launcher.PROJECT / '.venv'} if there is one, and run the command again.",
            file=sys.stderr,
        )
        return BAD_INPUT
    except BrokenPipeError:  # the reader of our output has gone; the interpreter must not try to flush it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BAD_INPUT
    except KeyboardInterrupt:
        print("\nStopped.", file=sys.stderr)
        return INTERRUPTED


def parser() -> argparse.ArgumentParser:
    """The command line, with each command's function and what it needs to be installed."""
    top = argparse.ArgumentParser(
        prog="python3 -m kit", description="Guided inquiry on spinning apparatus that coasts to rest."
    )
    top.add_argument("--version", action="version", version=f"%(prog)s {kit.__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for add in (
        _add_open,
        _add_test,
        _add_analyse,
        _add_bench,
        _add_new_lesson,
        _add_check_lesson,
        _add_pack_lesson,
        _add_print,
        _add_class_overview,
    ):
        command = add(commands)
        command.add_argument(
            "--uv", action="store_true", help="set up with the program uv, if it is installed (faster than pip)"
        )
    return top


def _set_up(chosen: argparse.Namespace, **needs) -> None:
    """See to it that what the command needs is installed; may start the whole command again in .venv."""
    launcher.ensure(chosen.arguments, use_uv=chosen.uv, **needs)


# --- open ----------------------------------------------------------------------------------------------


def _add_open(commands) -> argparse.ArgumentParser:
    command = commands.add_parser("open", help="open a lesson in JupyterLab, after setting up if needed")
    command.add_argument(
        "lesson",
        nargs="?",
        metavar="LESSON",
        help="a lesson in notebooks, one that new-lesson or pack-lesson made (default: the start page)",
    )
    command.add_argument("--no-browser", action="store_true", help="only print the address")
    command.add_argument("--port", type=_port, metavar="N", help="serve on this port (default: a free one)")
    command.set_defaults(run=open_lesson)
    return command


def open_lesson(chosen: argparse.Namespace) -> int:
    """Serve a lesson until Ctrl-C."""
    packed = Path(chosen.lesson or "")
    if packed.suffix == ".zip" and packed.is_file():
        _set_up(chosen)
        chosen.lesson = str(lesson_commands.unpacked(packed))
    shown, notebook = lab.place_of(chosen.lesson)
    port = lab.free_port(chosen.port)
    _set_up(chosen)
    server = None
    try:
        print("Starting JupyterLab ...", flush=True)
        server = lab.Lab(shown, port)
        server.wait_until_it_answers(notebook)
        address = server.address(notebook)
        print(f"Ready after {launcher.seconds_since_start():.1f} s. The lesson is at:\n\n    {address}\n")
        print("Leave this running while you work. To end, press Ctrl-C here.", flush=True)
        if not chosen.no_browser and not _show(address):
            print("No browser could be opened from here: copy the address into one.", flush=True)
        server.wait()
    except KeyboardInterrupt:
        print("\nStopping ...", flush=True)
    finally:
        if server is not None:
            server.stop()
    return DONE


def _show(address: str) -> bool:
    """Open the address in a browser with a window; one that would take over this terminal is not used."""
    windowless = sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or os.environ.get("WSL_DISTRO_NAME")
    )
    return not windowless and webbrowser.open(address)


# --- test ----------------------------------------------------------------------------------------------


def _add_test(commands) -> argparse.ArgumentParser:
    command = commands.add_parser("test", help="run all checks and tests, after setting up if needed")
    part = command.add_mutually_exclusive_group()
    part.add_argument("--quick", action="store_true", help="only unit tests and published checks, without the slow")
    part.add_argument("--browser", action="store_true", help="only the tests in a real browser")
    part.add_argument("--benchmarks", action="store_true", help="no tests: the table of how fast and how exact")
    part.add_argument(
        "--fuzz", action="store_true", help="no tests: 100,000 broken files, each refused or read soundly"
    )
    command.add_argument(
        "--only", action="append", metavar="NAME", help="with --benchmarks: this item; may be repeated"
    )
    command.add_argument("--json", metavar="FILE", help="with --benchmarks: write the table here too")
    command.add_argument("--count", type=_count, metavar="N", help="with --fuzz: so many cases")
    command.set_defaults(run=run_tests, usage_error=command.error)
    return command


def run_tests(chosen: argparse.Namespace) -> int:
    """Linters, formatter, then every test, on all processors; those in a browser beside the others."""
    if (chosen.only or chosen.json) and not chosen.benchmarks:
        chosen.usage_error("--only and --json go with --benchmarks")
    if chosen.count and not chosen.fuzz:
        chosen.usage_error("--count goes with --fuzz")
    _set_up(chosen, extras=("test",))
    checks = {
        "ruff check": ["ruff", "check", "."],
        "ruff format": ["ruff", "format", "--check", "."],
        "JavaScript": ["tests.scripts"],
        "types": ["mypy"],
    }
    if chosen.benchmarks:
        only = [part for name in chosen.only or () for part in ("--only", name)]
        checks = {"benchmarks": ["tests.benchmarks", *only, *(["--json", chosen.json] if chosen.json else [])]}
    elif chosen.fuzz:
        checks = {"fuzzing": ["tests.fuzz", *([f"--count={chosen.count}"] if chosen.count else [])]}
    elif chosen.browser:
        checks = {"tests in a browser": [*PYTEST, "-n", "2", "tests/browser"]}  # whatever the machine: pages wait a lot
    elif chosen.quick:
        del checks["types"]  # half a minute
        checks["tests"] = [*PYTEST, "-n", "auto", *COMPUTING_TESTS, "-m", "not slow"]
    else:
        one_waits = str(1 + (os.cpu_count() or 1))  # for its browser, most of the time
        checks["tests"] = [*PYTEST, "-n", one_waits, *COMPUTING_TESTS, "tests/browser", *NOTEBOOKS]
    # Small matrix products are several times slower on two threads than on one.
    environment = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", **launcher.project_environment()}
    if environment.pop("PYTHONDONTWRITEBYTECODE", ""):  # a hundred kernels and programs would each compile all modules
        environment["PYTHONPYCACHEPREFIX"] = str(Path(sys.prefix, "bytecode"))
    failed = []
    for name, command in checks.items():
        print(f"== {name}", flush=True)
        if lab.run_apart([sys.executable, "-m", *command], cwd=launcher.PROJECT, env=environment):
            failed.append(name)
    if failed:
        print(f"test: not passed: {', '.join(failed)}", file=sys.stderr)
        return BAD_INPUT
    print(f"{'Done' if chosen.benchmarks else 'All passed'}, {launcher.seconds_since_start():.0f} s.")
    return DONE


# --- analyse -------------------------------------------------------------------------------------------


def _add_analyse(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "analyse",
        help="from a folder of gate logs to a trend, without a screen",
        description="From a folder of gate logs to a trend. What is left out is taken from the folder's lesson.toml. "
        "Without one: auto, auto, and the best rule (the drag law if it holds, else a smooth curve).",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="gate logs, and runs.csv if there is one")
    command.add_argument(
        "--start-period",
        type=_seconds_or("auto"),
        metavar="S|auto",
        help="start counting at this turn period, s; auto: the fastest that all runs reach",
    )
    command.add_argument(
        "--stop-period",
        type=_seconds_or("auto", "last"),
        metavar="S|auto|last",
        help="stop counting at this turn period, s; auto: the slowest that all runs reach; last: at the last pass",
    )
    command.add_argument("--rule", choices=RULES, help="how the moment of a threshold is found")
    command.add_argument("--x", metavar="NAME", help="the condition that was changed, if several differ")
    command.add_argument("--unit", choices=UNITS, help="unit of the times in logs whose headings give none")
    command.add_argument("--flags", type=_count, metavar="N", help="flags that pass the gate in one turn, if not said")
    command.add_argument("--json", metavar="FILE", help="write the whole analysis as JSON (- for the terminal)")
    command.add_argument("--report", metavar="FILE.html", help="write a printable page with plots")
    command.set_defaults(run=analyse_folder)
    return command


def analyse_folder(chosen: argparse.Namespace) -> int:
    """Print a summary of a folder of gate logs, or write the whole analysis as JSON, or both."""
    _must_be_there(chosen.folder)
    _set_up(chosen, only=(*COMPUTING, "plotly", "jinja2") if chosen.report else COMPUTING)
    from kit.lessons.analyse import analyse

    refused: list[KitError] = []
    analysis = analyse(
        chosen.folder,
        start_period_s=chosen.start_period,
        stop_period_s=chosen.stop_period,
        rule=chosen.rule and chosen.rule.replace("-", " "),
        x=chosen.x,
        refused=refused,
        **{k: v for k, v in (("unit", chosen.unit), ("flags_per_turn", chosen.flags)) if v is not None},
    )
    if chosen.report:
        analysis.write_report(chosen.report)
    if chosen.json == "-":
        _written(sys.stdout, encoding="utf-8")  # JSON is, wherever it goes
        sys.stdout.write(analysis.to_json())
    else:
        if chosen.json:
            analysis.write_json(chosen.json)
        print(analysis.summary())
    if refused:
        sys.stdout.flush()
        left_out = "a log is left out" if len(refused) == 1 else f"{len(refused)} logs are left out"
        print(f"analyse: These are the results of the other runs; {left_out}:", file=sys.stderr)
        for error in refused:
            print(f"  {error}", file=sys.stderr)
        return BAD_INPUT
    return DONE


# --- bench ---------------------------------------------------------------------------------------------


def _add_bench(commands) -> argparse.ArgumentParser:
    command = commands.add_parser("bench", help="make a simulated lesson's gate logs")
    command.add_argument("apparatus", metavar="APPARATUS", help="which apparatus, for example coasting_disc")
    command.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    command.add_argument("--seed", type=int, required=True, metavar="N", help="the same number, the same files")
    command.set_defaults(run=make_bench_data)
    return command


def make_bench_data(chosen: argparse.Namespace) -> int:
    """Write a simulated apparatus's logs and say where they are."""
    _set_up(chosen, only=COMPUTING)
    from .sources.demo_data import write_claim_data, write_lesson_data

    with writing(chosen.out) as folder:
        paths = write_lesson_data(chosen.apparatus, folder, chosen.seed)
        paths += write_claim_data(chosen.apparatus, folder, chosen.seed)
    print(f"{len(paths)} files written to {folder}.")
    return DONE


# --- new-lesson and check-lesson ------------------------------------------------------------------------


def _add_new_lesson(commands) -> argparse.ArgumentParser:
    command = commands.add_parser(
        "new-lesson",
        help="make a lesson of your own, complete and ready to change",
        description="Make a lesson: a folder `student` to hand out, with lesson file, data and notebooks, and a folder "
        "`teacher` with the key and notes. Change lesson.toml and the data, then run it again with --remake.",
    )
    command.add_argument("folder", type=Path, metavar="FOLDER", help="where: a new folder, or an empty one")
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
    lesson_commands.add_own_logs(command, UNITS, _count)
    command.set_defaults(run=make_lesson, usage_error=command.error)
    return command


def make_lesson(chosen: argparse.Namespace) -> int:
    """Make a lesson, or its notebooks anew, and say what to do next."""
    if not chosen.from_logs and lesson_commands.given(chosen):
        chosen.usage_error("--changed, --unit, --words, --spins, --title, --cautions and the like go with --from-logs")
    if chosen.from_logs:
        _must_be_there(chosen.from_logs)
    _set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary
    from .lessons.make import new_lesson, remake
    from .lessons.own_lesson import ask_and_make, fit_bench

    with writing(chosen.folder) as folder:
        if chosen.remake:
            changed = remake(folder)
            print(f"{len(changed)} notebooks were made anew." if changed else "The notebooks were up to date.")
        elif chosen.fit_bench:
            print(f"The bench now behaves like the runs: {fit_bench(folder)}")
        else:
            if chosen.from_logs:
                given = lesson_commands.given(chosen)
                place = ask_and_make(folder, chosen.from_logs, given, input if sys.stdin.isatty() else None)
            else:
                place = new_lesson(folder, chosen.like)
            print(f"The lesson is in {folder}. Change {place.data / 'lesson.toml'}, then:")
            for command in (f"check-lesson {quote(str(folder))}", f"new-lesson {quote(str(folder))} --remake"):
                print(f"    python3 -m kit {command}")
    print(summary(check_lesson(folder)))
    return DONE


def _add_check_lesson(commands) -> argparse.ArgumentParser:
    return lesson_commands.add_check(commands, check_one_lesson)


def check_one_lesson(chosen: argparse.Namespace) -> int:
    """Print all findings about a lesson, problems first."""
    _must_be_there(chosen.folder)
    _set_up(chosen, only=COMPUTING)
    from .lessons.check import check_lesson, summary

    findings = check_lesson(chosen.folder)
    for finding in findings:
        print(f"{'PROBLEM' if finding.serious else 'warning'}  {finding}")
    print(summary(findings))
    return BAD_INPUT if any(finding.serious for finding in findings) else DONE


def _add_pack_lesson(commands) -> argparse.ArgumentParser:
    return lesson_commands.add_pack(commands, pack_one_lesson)


def pack_one_lesson(chosen: argparse.Namespace) -> int:
    """Write a lesson into one file and say how it is opened."""
    _must_be_there(chosen.folder)
    _set_up(chosen, only=COMPUTING)
    lesson_commands.pack(chosen)
    return DONE


def _add_print(commands) -> argparse.ArgumentParser:
    return lesson_commands.add_print(commands, print_one_lesson)


def print_one_lesson(chosen: argparse.Namespace) -> int:
    """Write a lesson's pages to print and say where they are."""
    _set_up(chosen, only=(*COMPUTING, "jinja2"))
    lesson_commands.print_pages(chosen)
    return DONE


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
        _set_up(chosen, only=needed)
    else:
        _set_up(chosen, extras=("object-store",), only=(*needed, "fsspec", *_adapters(chosen.folder)))
    from .classroom.overview import read_class
    from .classroom.page import write_class_report
    from .classroom.sections import handed_in_words
    from .classroom.tables import write_class_csv

    overview = read_class(chosen.folder, chosen.lesson, chosen.key)
    print(handed_in_words(overview))
    for refused in overview.refused:
        print(f"  {refused.file}: {refused.why}")
    print(f"The page is in {write_class_report(overview, chosen.report)}.")
    if chosen.csv:
        with writing(chosen.csv) as folder:
            print(f"{len(write_class_csv(overview, folder))} tables are in {folder}.")
    return DONE


# --- helpers -------------------------------------------------------------------------------------------


def _written(stream: TextIO, encoding: str | None = None, errors: str | None = None) -> None:
    """Set how a stream writes its characters; one that was put in the place of the real one stays as it is."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(encoding=encoding, errors=errors)


def _must_be_there(place: Path) -> None:
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


def _seconds_or(*words: str) -> Callable[[str], float | str]:
    """An argument type: a positive number of seconds, or one of the words allowed instead."""

    def read(text: str) -> float | str:
        if text in words:
            return text
        try:
            seconds = float(text.replace(",", "."))
        except ValueError:
            seconds = math.nan
        if not (math.isfinite(seconds) and seconds > 0):
            raise argparse.ArgumentTypeError(
                f"{text!r} is neither a number of seconds above 0 nor {' or '.join(words)}"
            )
        return seconds

    return read


def _adapters(address: str) -> tuple[str, ...]:
    """What fsspec itself needs for an address, as far as the extra `object-store` brings it."""
    return ("s3fs",) if address.startswith(("s3://", "s3a://")) else ()


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 10**9):
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of at least 1")
    return int(text)


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 65536):
        raise argparse.ArgumentTypeError(f"{text!r} is not a port number from 1 to 65535")
    return int(text)
