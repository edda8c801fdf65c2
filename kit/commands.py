"""The commands of ``python3 -m kit``: one small function each. Third-party modules load only when needed."""

from __future__ import annotations

import argparse
import io
import math
import os
import sys
import webbrowser
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

import kit

from . import lab, launcher
from .command_parts import BAD_INPUT, COMPUTING, DONE, PATHS, UNITS, must_be_there, port_number, set_up, whole, writing
from .commands_class import CLASS_COMMANDS
from .commands_lessons import LESSON_COMMANDS, unpacked
from .errors import KitError

__all__ = ["main"]

INTERRUPTED = 130
RULES = ("best", "interpolated", "whole-turns", "law")
# How pytest is told to run: the order, who does what and the closing line are in tests/whole_suite.py.
PYTEST = ["pytest", "-p", "tests.whole_suite", "--dist", "loadfile", "--durations", "15"]
COMPUTING_TESTS = ["tests/unit", "tests/published"]
NOTEBOOKS = ["notebooks", "--nbval-lax", "--nbval-current-env"]


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
        *LESSON_COMMANDS,
        *CLASS_COMMANDS,
    ):
        command = add(commands)
        command.add_argument(
            "--uv", action="store_true", help="set up with the program uv, if it is installed (faster than pip)"
        )
    return top


# --- open ----------------------------------------------------------------------------------------------


def _add_open(commands) -> argparse.ArgumentParser:
    command = commands.add_parser("open", help="open a lesson in JupyterLab, after setting up if needed")
    command.add_argument(
        "lesson",
        nargs="?",
        metavar="LESSON",
        help="a lesson in notebooks, one that new-lesson or pack-lesson made (default: the start page)",
    )
    command.add_argument("--path", metavar="PATH", help=f"the lesson's pages for this much time: {', '.join(PATHS)}")
    command.add_argument("--no-browser", action="store_true", help="only print the address")
    command.add_argument("--port", type=port_number, metavar="N", help="serve on this port (default: a free one)")
    command.set_defaults(run=open_lesson)
    return command


def open_lesson(chosen: argparse.Namespace) -> int:
    """Serve a lesson until Ctrl-C."""
    packed = Path(chosen.lesson or "")
    if packed.suffix == ".zip" and packed.is_file():
        set_up(chosen)
        chosen.lesson = str(unpacked(packed))
    shown, notebook = lab.place_of(chosen.lesson)
    if chosen.path and not chosen.lesson:
        raise KitError("A path needs a lesson", fix='name one: open coasting_disc --path "two lessons"')
    port = lab.free_port(chosen.port)
    set_up(chosen)
    if chosen.path:
        from .lessons.copies import pages_on_path

        notebook = pages_on_path(chosen.lesson, chosen.path).resolve().relative_to(shown).as_posix()
    server = None
    try:
        print(f"Kit {kit.__version__}: starting JupyterLab ...", flush=True)
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
    part.add_argument(
        "--faults", action="store_true", help="no tests: the tables of how often faulty logs and claims go wrong"
    )
    part.add_argument(
        "--load", action="store_true", help="no tests: a simulated class on one server, and how long it waits"
    )
    command.add_argument("--students", type=whole, metavar="N", help="with --load: so many")
    command.add_argument("--server", choices=("warm", "cold"), help="with --load: up before the class comes, or not")
    command.add_argument(
        "--only", action="append", metavar="NAME", help="with --benchmarks: this item; may be repeated"
    )
    command.add_argument(
        "--json", metavar="FILE", help="with --benchmarks, --faults or --load: write the tables here too"
    )
    command.add_argument(
        "--count",
        type=whole,
        metavar="N",
        help="with --fuzz: so many cases; with --faults: so many runs of each kind",
    )
    command.set_defaults(run=run_tests, usage_error=command.error)
    return command


def run_tests(chosen: argparse.Namespace) -> int:
    """Linters, formatter, then every test, on all processors; those in a browser beside the others."""
    if chosen.only and not chosen.benchmarks:
        chosen.usage_error("--only goes with --benchmarks")
    if chosen.json and not (chosen.benchmarks or chosen.faults or chosen.load):
        chosen.usage_error("--json goes with --benchmarks, --faults or --load")
    if chosen.count and not (chosen.fuzz or chosen.faults):
        chosen.usage_error("--count goes with --fuzz or --faults")
    if (chosen.students or chosen.server) and not chosen.load:
        chosen.usage_error("--students and --server go with --load")
    set_up(chosen, extras=("test",))
    set_up_s = launcher.seconds_since_start()
    checks = {
        "ruff check": ["ruff", "check", "."],
        "ruff format": ["ruff", "format", "--check", "."],
        "JavaScript": ["tests.scripts"],
    }
    size = [f"--count={chosen.count}"] if chosen.count else []
    written = ["--json", chosen.json] if chosen.json else []
    if chosen.benchmarks:
        only = [part for name in chosen.only or () for part in ("--only", name)]
        checks = {"benchmarks": ["tests.benchmarks", *only, *written]}
    elif chosen.faults:
        checks = {"faults": ["tests.faults", *size, *written]}
    elif chosen.fuzz:
        checks = {"fuzzing": ["tests.fuzz", *size]}
    elif chosen.load:
        options = {"--students": chosen.students, "--server": chosen.server}
        asked = [f"{option}={value}" for option, value in options.items() if value]
        checks = {"load": ["tests.load", *asked, *written]}
    elif chosen.browser:
        checks = {"tests in a browser": [*PYTEST, "-n", "2", "tests/browser"]}  # whatever the machine: pages wait a lot
    elif chosen.quick:
        checks["tests"] = [*PYTEST, "-p", "no:nbval", "-n", "auto", *COMPUTING_TESTS, "-m", "not slow"]
    else:
        workers = str(1 + (os.cpu_count() or 1))  # two of them wait for their browsers, most of the time
        checks["tests"] = [*PYTEST, "-n", workers, *COMPUTING_TESTS, "tests/browser", *NOTEBOOKS]
    environment = {
        "OMP_NUM_THREADS": "1",  # small matrix products are several times slower on two threads than on one
        "OPENBLAS_NUM_THREADS": "1",
        "JUPYTER_DEFAULT_PROVISIONER_NAME": "spin-down-kit-warm",  # kernels of notebooks fork from one that is loaded
        **launcher.project_environment(),
    }
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
    took_s = launcher.seconds_since_start()
    no_tests = chosen.benchmarks or chosen.faults or chosen.load
    what = next(iter(checks)) if len(checks) == 1 else "tests"
    print(
        f"{'Done' if no_tests else 'All passed'}, {took_s:.0f} s: "
        f"setting up took {set_up_s:.0f} s, {what} {took_s - set_up_s:.0f} s."
    )
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
    command.add_argument("--flags", type=whole, metavar="N", help="flags that pass the gate in one turn, if not said")
    command.add_argument("--json", metavar="FILE", help="write the whole analysis as JSON (- for the terminal)")
    command.add_argument("--report", metavar="FILE.html", help="write a printable page with plots")
    command.set_defaults(run=analyse_folder)
    return command


def analyse_folder(chosen: argparse.Namespace) -> int:
    """Print a summary of a folder of gate logs, or write the whole analysis as JSON, or both."""
    must_be_there(chosen.folder)
    set_up(chosen, only=(*COMPUTING, "plotly", "jinja2") if chosen.report else COMPUTING)
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
    command.add_argument(
        "--fault", action="append", default=[], metavar="NAME", help="spoil one run by this; may be repeated"
    )
    command.set_defaults(run=make_bench_data)
    return command


def make_bench_data(chosen: argparse.Namespace) -> int:
    """Write a simulated apparatus's logs and say where they are."""
    set_up(chosen, only=COMPUTING)
    from .sources.demo_data import write_claim_data, write_lesson_data

    with writing(chosen.out) as folder:
        paths = write_lesson_data(chosen.apparatus, folder, chosen.seed, chosen.fault)
        paths += write_claim_data(chosen.apparatus, folder, chosen.seed)
    print(f"{len(paths)} files written to {folder}.")
    return DONE


# --- helpers -------------------------------------------------------------------------------------------


def _written(stream: TextIO, encoding: str | None = None, errors: str | None = None) -> None:
    """Set how a stream writes its characters; one that was put in the place of the real one stays as it is."""
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(encoding=encoding, errors=errors)


def _seconds_or(*words: str) -> Callable[[str], float | str]:
    """An argument type: a whole number of seconds, or one of the words allowed instead."""

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
