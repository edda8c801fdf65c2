"""The command line: arguments, exit codes, messages, and a real start of a lesson."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
from pathlib import Path

import pytest

from kit import commands, lab, launcher
from kit.errors import KitError
from kit.motion import threshold


def kit(*arguments: str, cwd: Path = launcher.PROJECT, **environment: str) -> subprocess.CompletedProcess:
    """Run a command as a user would, without a terminal to ask questions in."""
    return subprocess.run(
        [sys.executable, "-m", "kit", *arguments],
        cwd=cwd,
        env={**launcher.project_environment(), **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


def write_logs(folder: Path, most: int = 4) -> Path:
    """Logs of a disc that one to `most` magnets slow down: turn periods from 0.1 s, each longer by a fixed factor."""
    folder.mkdir(parents=True)
    for magnets in range(1, most + 1):
        for trial in (1, 2):
            period, time_s, lines = 0.1 * (1 + 0.003 * trial), 0.0, ["time_s"]
            while period < 0.8:
                lines.append(f"{time_s:.5f}")
                time_s += period
                period *= 1 + 0.02 * magnets
            (folder / f"magnets-{magnets}_trial-{trial}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


# --- arguments -----------------------------------------------------------------------------------------


def test_a_start_page_and_a_lesson_can_be_asked_for():
    chosen = commands.parser().parse_args(["open"])
    assert (chosen.lesson, chosen.no_browser, chosen.port) == (None, False, None)
    chosen = commands.parser().parse_args(["open", "coasting_disc", "--no-browser", "--port", "9000"])
    assert (chosen.lesson, chosen.no_browser, chosen.port) == ("coasting_disc", True, 9000)


def test_periods_are_seconds_or_a_word():
    chosen = commands.parser().parse_args(["analyse", "f", "--start-period", "0.25", "--stop-period", "last"])
    assert (chosen.start_period, chosen.stop_period, chosen.rule) == (0.25, "last", None)


def test_the_rules_offered_are_the_rules_there_are():
    assert {rule.replace("-", " ") for rule in commands.RULES} == {threshold.BEST, *threshold.RULES}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["spin"], "invalid choice: 'spin'"),
        (["open", "--port", "0"], "'0' is not a port number from 1 to 65535"),
        (["open", "--port", "70000"], "'70000' is not a port number from 1 to 65535"),
        (["test", "--quick", "--browser"], "not allowed with argument"),
        (["test", "--benchmarks", "--fuzz"], "not allowed with argument"),
        (["test", "--only", "sound"], "--only goes with --benchmarks"),
        (["test", "--quick", "--json", "a.json"], "--json goes with --benchmarks, --faults or --load"),
        (["test", "--count", "5"], "--count goes with --fuzz or --faults"),
        (["test", "--fuzz", "--count", "0"], "'0' is not a whole number of at least 1"),
        (["analyse"], "the following arguments are required: FOLDER"),
        (["analyse", "f", "--start-period", "last"], "'last' is neither a number of seconds above 0 nor auto"),
        (["analyse", "f", "--stop-period", "-1"], "'-1' is neither a number of seconds above 0 nor auto or last"),
        (["analyse", "f", "--start-period", "nan"], "'nan' is neither a number"),
        (["analyse", "f", "--rule", "guess"], "invalid choice: 'guess'"),
        (["new-lesson"], "the following arguments are required: FOLDER"),
        (["new-lesson", "f", "--like", "x", "--remake"], "not allowed with argument"),
        (["check-lesson"], "the following arguments are required: FOLDER"),
        (["bench", "coasting_disc"], "the following arguments are required: --out, --seed"),
    ],
)
def test_wrong_usage_ends_with_2_and_says_what_was_wrong(arguments, message, capsys):
    with pytest.raises(SystemExit) as ended:
        commands.main(arguments)
    assert ended.value.code == 2
    assert message in capsys.readouterr().err


# --- exit codes and messages ---------------------------------------------------------------------------


def test_wrong_usage_from_outside():
    done = kit("spin")
    assert done.returncode == 2
    assert "usage: python3 -m kit" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["open", "no_such_lesson"], "open: There is no such lesson. Found: 'no_such_lesson'. What to do: choose one"),
        (["analyse", "no_such_folder"], "analyse: no_such_folder: There is no such folder. What to do: check the name"),
        (["check-lesson", "no_such_folder"], "check-lesson: no_such_folder: There is no such folder. What to do:"),
        (
            ["new-lesson", "x", "--like", "no_such"],
            "new-lesson: There is no such lesson to begin from. Found: 'no_such'.",
        ),
        (["bench", "no_such_apparatus", "--out", "x", "--seed", "1"], "bench: The bench has no such apparatus."),
    ],
)
def test_bad_input_ends_with_1_and_one_message(arguments, message, tmp_path, monkeypatch, capsys):
    """As a program of its own: the test after this one."""
    monkeypatch.chdir(tmp_path)
    assert commands.main(arguments) == 1
    said = capsys.readouterr()
    assert said.err.startswith(message)
    assert "Traceback" not in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_a_broken_log_is_named_without_a_traceback(tmp_path):
    (tmp_path / "magnets-1_trial-1.csv").write_text("time_s\n0.1\n0.2\nbanana\n0.4\n", encoding="utf-8")
    done = kit("analyse", str(tmp_path))
    assert done.returncode == 1
    assert "magnets-1_trial-1.csv, row 4" in done.stderr
    assert "banana" in done.stderr
    assert "What to do:" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_old_python_is_told_so_in_words():
    """Run the first lines of the command as an old interpreter would."""
    source = (launcher.PROJECT / "kit" / "__main__.py").read_text(encoding="utf-8")
    program = f"import sys; sys.version_info = (3, 9, 1); exec({source!r})"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("The kit needs Python 3.11 or newer; this one is 3.9.\nWhat to do: install a newer")


def test_a_package_that_is_broken_is_a_message_and_no_traceback(tmp_path):
    (tmp_path / "pandas.py").write_text("raise ImportError('its library file is missing', name='pandas')\n")
    (tmp_path / "logs").mkdir()
    done = kit("analyse", "logs", cwd=tmp_path)
    assert done.returncode == 1
    assert "A package the kit needs can't be loaded: its library file is missing. What to do: remove" in done.stderr
    assert "Traceback" not in done.stderr


def test_ctrl_c_ends_with_130_and_one_word(monkeypatch, capsys):
    def interrupted(chosen):
        signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr(commands, "run_tests", interrupted)
    assert commands.main(["test"]) == 130
    assert capsys.readouterr().err == "\nStopped.\n"


# --- analyse and bench ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_analyse_prints_a_summary_and_writes_the_whole_as_json(tmp_path):
    logs, out = write_logs(tmp_path / "logs"), tmp_path / "analysis.json"
    done = kit(
        "analyse",
        str(logs),
        "--start-period",
        "0.2",
        "--stop-period",
        "0.6",
        "--rule",
        "interpolated",
        "--json",
        str(out),
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "magnets" in done.stdout
    analysis = json.loads(out.read_text(encoding="utf-8"))
    assert analysis["schema"] == "kit-analysis-1"
    said = analysis["threshold"]
    assert (said["start_period_s"], said["stop_period_s"], said["rule"]) == (0.2, 0.6, "interpolated")
    assert [row["x"] for row in analysis["conditions"]] == [1, 2, 3, 4]


@pytest.mark.slow
def test_one_bad_log_of_many_is_named_and_the_others_are_analysed(tmp_path, capsys):
    folder = write_logs(tmp_path / "logs" / "passes", most=2)
    (folder / "magnets-4_trial-3.csv").write_text("time_s\n0.1\noops\n0.4\n", encoding="utf-8")
    result = tmp_path / "out.json"
    assert commands.main(["analyse", str(folder.parent), "--json", str(result)]) == commands.BAD_INPUT
    out, err = capsys.readouterr()
    assert "4 runs, 4 counted" in out
    assert "Not read: magnets-4_trial-3.csv, row 3" in out
    assert "a log is left out" in err
    assert str(folder / "magnets-4_trial-3.csv") in err
    document = json.loads(result.read_text("utf-8"))
    assert (len(document["runs"]), len(document["not_read"])) == (4, 1)


@pytest.mark.slow
def test_a_file_of_a_folder_stands_for_the_folder(capsys):
    lesson = launcher.PROJECT / "datasets_demo" / "felt_brake"
    for name in ("runs.csv", "lesson.toml"):
        assert commands.main(["analyse", str(lesson / name), "--start-period", "0,25"]) == commands.DONE
        assert "15 runs, 15 counted, from 0.25 s a turn" in capsys.readouterr().out
    assert commands.main(["check-lesson", str(lesson / "lesson.toml")]) == commands.DONE


@pytest.mark.slow
def test_json_to_the_terminal_is_json_and_nothing_else(tmp_path):
    logs = write_logs(tmp_path / "logs")
    done = kit("analyse", str(logs), "--rule", "whole-turns", "--json", "-", PYTHONIOENCODING="latin-1")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["threshold"]["rule"] == "whole turns"


@pytest.mark.slow
def test_a_place_that_cannot_be_written_is_bad_input(tmp_path, capsys):
    logs = write_logs(tmp_path / "logs", most=2)
    place = tmp_path / "no such folder" / "analysis.json"
    assert commands.main(["analyse", str(logs), "--json", str(place)]) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"analyse: {place}: This can't be written (No such file or directory)")
    assert "Traceback" not in said


@pytest.mark.slow
def test_bench_writes_what_it_says_and_never_over_what_is_there(tmp_path, monkeypatch, capsys):
    done = kit("bench", "coasting_disc", "--out", "lesson", "--seed", "5", "--fault", "thread", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    written = [path for path in (tmp_path / "lesson").rglob("*") if path.is_file()]
    assert done.stdout == f"{len(written)} files written to lesson.\n"
    assert (tmp_path / "lesson" / "runs.csv").read_text(encoding="utf-8").count("a loose thread in the beam") == 1
    monkeypatch.chdir(tmp_path)
    assert commands.main(["bench", "coasting_disc", "--out", "lesson", "--seed", "6"]) == 1
    assert "What to do:" in capsys.readouterr().err


# --- test ----------------------------------------------------------------------------------------------


@pytest.fixture
def checks(monkeypatch):
    """Record the programs that `test` would run; those whose name is put into `failing` fail."""
    ran, failing = [], set()

    def run(command, **_):
        ran.append(command[2:])
        return int(bool(failing & set(command)))

    monkeypatch.setattr(launcher, "ensure", lambda *_, **__: None)
    monkeypatch.setattr(lab, "run_apart", run)
    return ran, failing


def test_all_checks_run_in_order_and_a_failure_of_any_is_a_failure_of_the_whole(checks, capsys):
    ran, failing = checks
    assert commands.main(["test"]) == 0
    said = capsys.readouterr().out.splitlines()[-1]
    assert re.fullmatch(r"All passed, \d+ s: setting up took \d+ s, tests \d+ s\.", said)
    assert [command[0] for command in ran] == ["ruff", "ruff", "tests.scripts", "pytest"]
    assert {"tests/unit", "tests/published", "tests/browser", "notebooks", "--nbval-lax", "-n"} <= set(ran[-1])
    failing.add("check")
    assert commands.main(["test"]) == 1
    assert ran[-1][0] == "pytest"  # the tests run all the same
    assert capsys.readouterr().err == "test: not passed: ruff check\n"


def test_parts_of_the_tests_can_be_chosen(checks):
    ran, _ = checks
    commands.main(["test", "--quick"])
    assert ran[-1][-6:] == ["-n", "auto", "tests/unit", "tests/published", "-m", "not slow"]
    ran.clear()
    commands.main(["test", "--browser"])
    assert [(command[0], *command[-3:]) for command in ran] == [("pytest", "-n", "2", "tests/browser")]
    ran.clear()
    commands.main(["test", "--benchmarks", "--only", "sound", "--only", "drag-laws", "--json", "table.json"])
    assert ran == [["tests.benchmarks", "--only", "sound", "--only", "drag-laws", "--json", "table.json"]]
    ran.clear()
    commands.main(["test", "--fuzz", "--count", "500"])
    assert ran == [["tests.fuzz", "--count=500"]]
    ran.clear()
    commands.main(["test", "--faults", "--count", "50", "--json", "faults.json"])
    assert ran == [["tests.faults", "--count=50", "--json", "faults.json"]]


def test_a_program_run_apart_hands_back_its_exit_code():
    assert lab.run_apart([sys.executable, "-c", "raise SystemExit(5)"]) == 5


@pytest.mark.skipif(os.name == "nt", reason="signals as here exist on POSIX only")
def test_a_program_run_apart_may_clean_up_when_we_are_stopped(tmp_path):
    """The inner program tells the outer one to stop, is interrupted by it, and still writes its last words."""
    inner = (
        "import os, pathlib, signal, time\n"
        "try:\n"
        "    os.kill(os.getppid(), signal.SIGTERM)\n"
        "    time.sleep(60)\n"
        "except KeyboardInterrupt:\n"
        "    pathlib.Path('last words').touch()\n"
    )
    with pytest.raises(KeyboardInterrupt), lab.stop_signals():
        lab.run_apart([sys.executable, "-c", inner], cwd=tmp_path)
    assert (tmp_path / "last words").exists()


# --- open ----------------------------------------------------------------------------------------------


@pytest.fixture
def lessons(tmp_path: Path) -> Path:
    for name in ("b/2_measure", "b/1_predict", "a/1_look", ".ipynb_checkpoints/start_here", "start_here"):
        path = tmp_path / "notebooks" / f"{name}.ipynb"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("{}", encoding="utf-8")
    return tmp_path


def test_a_lesson_begins_with_its_first_notebook(lessons):
    assert lab.first_notebook(project=lessons) == "notebooks/start_here.ipynb"
    assert lab.first_notebook("b", project=lessons) == "notebooks/b/1_predict.ipynb"


@pytest.mark.parametrize("lesson", ["c", "", "..", "a/1_look", ".ipynb_checkpoints"])
def test_an_unknown_lesson_is_refused_with_the_known_ones(lessons, lesson):
    with pytest.raises(KitError, match=r"There is no such lesson.*choose one of: a, b\."):
        lab.first_notebook(lesson, project=lessons)


def test_a_missing_start_page_is_named(tmp_path):
    with pytest.raises(KitError, match=r"start_here.ipynb: The first notebook is missing"):
        lab.first_notebook(project=tmp_path)


def test_a_grammar_of_addresses_is_loaded_when_it_is_first_asked_for(tmp_path):
    """By `jsonschema` itself, which imports it: here one that takes no time, and tells that it was loaded."""
    (tmp_path / "rfc3987_syntax.py").write_text("print('loaded')\ndef is_valid_syntax(*words):\n    print(*words)\n")
    program = (
        "from kit.lab import grammar_later\n"
        "grammar_later(), grammar_later()\n"
        "from jsonschema import Draft7Validator as Schema\n"
        "print('imported')\n"
        "print([Schema({'format': 'iri'}, format_checker=Schema.FORMAT_CHECKER).is_valid(n) for n in (1, 'a:ä', 'b:')])"
    )
    environment = {**launcher.project_environment(), "PYTHONUTF8": "1"}
    environment["PYTHONPATH"] = os.pathsep.join([str(tmp_path), environment["PYTHONPATH"]])
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, env=environment, capture_output=True, encoding="utf-8", check=False)
    said = ["imported", "loaded", "iri a:ä", "iri b:", "[True, False, False]"]
    assert (done.stdout.splitlines(), done.stderr) == (said, "")


def test_a_taken_port_is_refused_and_another_is_found():
    with socket.socket() as taken:
        taken.bind((lab.HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(KitError, match=rf"Port {port} can't be used on this machine\. What to do: give another"):
            lab.free_port(port)
        assert lab.free_port() != port
    assert lab.free_port(port) == port


@pytest.mark.slow
def test_a_server_that_cannot_start_says_why(tmp_path):
    server = lab.Lab(tmp_path, lab.free_port(0), options=("--no-such-option",))
    try:
        with pytest.raises(KitError, match=r"(?s)JupyterLab did not start\. Its last lines were:.*no-such-option"):
            server.wait_until_it_answers("x.ipynb")
    finally:
        server.stop()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to a program on Windows as here")
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_open_prints_an_address_that_answers_and_stops_cleanly(end):
    with subprocess.Popen(
        [sys.executable, "-m", "kit", "open", "--no-browser", "--port", str(lab.free_port(0))],
        cwd=launcher.PROJECT,
        env=launcher.project_environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        try:
            shown = []
            for line in process.stdout:
                shown.append(line.strip())
                if "Ctrl-C" in line:
                    break
            address = next((line for line in shown if line.startswith("http://127.0.0.1:")), "\n".join(shown))
            assert "/lab/tree/notebooks/start_here.ipynb?token=" in address
            with lab._open(address, timeout=10) as answer:
                assert answer.status == 200
            with pytest.raises(urllib.error.HTTPError, match="403") as refused:
                lab._open(address.partition("/lab")[0] + "/api/contents", timeout=10)  # no token, no access
            refused.value.close()
            process.send_signal(end)
            assert process.stdout.read().strip() == "Stopping ..."
            assert process.wait(30) == 0
            with pytest.raises(OSError, match="refused"):
                lab._open(address, timeout=10)
        finally:
            process.kill()
