"""The set-up, without a network: what is there, what is missing, when it is made again, how failures are worded."""

from __future__ import annotations

import importlib.metadata
import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from kit import launcher
from kit.errors import KitError

PYPROJECT = """
[project]
name = "a-project"
dependencies = ["{dependencies}"]
[project.optional-dependencies]
test = ["no-such-thing-at-all>=1"]
"""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project that needs only what is here in any case."""
    (tmp_path / "pyproject.toml").write_text(PYPROJECT.format(dependencies="pytest>=1"), encoding="utf-8")
    (tmp_path / "binder").mkdir()
    (tmp_path / "binder" / "lock.txt").write_text("pytest==9.2.0\n", encoding="utf-8")
    return tmp_path


def finished(project: Path, extras=()) -> Path:
    """A .venv as a finished set-up leaves it."""
    python = launcher.venv_python(project / ".venv")
    python.parent.mkdir(parents=True)
    python.touch()
    stamp = {"made_from": launcher.fingerprint(project), "extras": list(extras)}
    (project / ".venv" / launcher.STAMP).write_text(json.dumps(stamp), encoding="utf-8")
    return python


@pytest.fixture
def started_again(monkeypatch) -> list:
    """Record a restart instead of making it."""
    calls = []
    monkeypatch.setattr(launcher, "_start_again", lambda python, arguments, project: calls.append((python, arguments)))
    return calls


@pytest.fixture
def steps(monkeypatch, project: Path) -> list:
    """Record set-up steps instead of running them; the first makes an interpreter, as a real one would."""
    calls = []

    def run(label, command, where):
        calls.append((label, list(command)))
        python = launcher.venv_python(project / ".venv")
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()

    monkeypatch.setattr(launcher, "_run_step", run)
    return calls


# --- paths and requirements ----------------------------------------------------------------------------


def test_interpreter_of_an_environment_on_each_system():
    venv = Path("a folder", ".venv")
    assert launcher.venv_python(venv, windows=False) == venv / "bin" / "python"
    assert launcher.venv_python(venv, windows=True) == venv / "Scripts" / "python.exe"


def test_requirements_come_from_pyproject_with_the_extras_asked_for(project):
    assert launcher.requirements(project) == ["pytest>=1"]
    assert launcher.requirements(project, ["test"]) == ["pytest>=1", "no-such-thing-at-all>=1"]


def test_what_is_missing_is_named(project):
    assert launcher.missing_distributions(project) == []
    assert launcher.missing_distributions(project, ["test"]) == ["no-such-thing-at-all"]
    assert launcher.missing_distributions(project, ["test"], only=["PyTest"]) == []


@pytest.mark.parametrize(
    ("minimum", "missing"), [("0.0.1", []), ("9999", ["pytest"]), ("9999.1", ["pytest"]), ("1,<9999", [])]
)
def test_a_release_that_is_too_old_counts_as_missing(project, minimum, missing):
    text = PYPROJECT.format(dependencies=f"pytest[a]>={minimum} ; python_version > '3'")
    (project / "pyproject.toml").write_text(text, encoding="utf-8")
    assert launcher.missing_distributions(project) == missing


def test_releases_are_compared_by_number_not_by_text():
    assert launcher._release("4.10.0") > launcher._release("4.9")
    assert launcher._release("2.0.0rc1") == (2, 0, 0)


def test_a_folder_without_a_project_is_refused(tmp_path):
    with pytest.raises(KitError, match=r"There is no project here: .*pyproject.toml is missing\. What to do: run the"):
        launcher.requirements(tmp_path)


def test_the_real_project_lists_its_requirements_and_pins_each_of_them():
    locked = {
        line.partition("==")[0].lower().replace("_", "-")
        for line in (launcher.PROJECT / launcher.LOCK).read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    }
    needed = {launcher._name_and_minimum(line)[0] for line in launcher.requirements(extras=["test"])}
    assert {"numpy", "jupyterlab", "pytest", "ruff"} <= needed <= locked


def test_the_lock_holds_only_exact_releases_that_any_system_can_read():
    lines = (launcher.PROJECT / launcher.LOCK).read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if not line.startswith("#")]
    assert len(pins) > 50
    for pin in pins:
        name, _, release = pin.partition("==")
        assert name, pin
        assert launcher._release(release), pin
        assert not {"@", ";", "/", " "} & set(pin), pin


# --- the stamp -----------------------------------------------------------------------------------------


def test_a_finished_environment_is_current_until_its_sources_change(project):
    assert not launcher.is_current(project)
    finished(project)
    assert launcher.is_current(project)
    assert not launcher.is_current(project, ["test"])
    for name in ("pyproject.toml", "binder/lock.txt"):
        path = project / name
        before = path.read_bytes()
        path.write_bytes(before + b"\n# changed\n")
        assert not launcher.is_current(project), name
        path.write_bytes(before)
        assert launcher.is_current(project), name


def test_an_environment_with_more_extras_serves_a_command_that_needs_fewer(project):
    finished(project, ["test"])
    assert launcher.is_current(project)
    assert launcher.is_current(project, ["test"])


@pytest.mark.parametrize("stamp", ["", "{", "[1]", '{"made_from": "unfinished"}', '{"made_from": 3}'])
def test_a_stamp_that_says_nothing_good_means_not_current(project, stamp):
    finished(project)
    (project / ".venv" / launcher.STAMP).write_text(stamp, encoding="utf-8")
    assert not launcher.is_current(project)


def test_an_environment_whose_interpreter_went_away_is_not_current(project):
    finished(project).unlink()
    assert not launcher.is_current(project)


# --- ensure --------------------------------------------------------------------------------------------


def test_an_interpreter_that_has_everything_is_used_as_it_is(project, steps, started_again):
    launcher.ensure(["open"], project=project)
    assert (steps, started_again) == ([], [])
    assert not (project / ".venv").exists()


def test_a_bare_interpreter_makes_the_environment_once_and_starts_again_in_it(project, steps, started_again):
    python = launcher.venv_python(project / ".venv")
    launcher.ensure(["test", "--quick"], ["test"], project=project)
    assert [label for label, _ in steps] == ["making the environment", "installing what the kit needs"]
    assert steps[1][1][:4] == [str(python), "-m", "pip", "install"]
    assert steps[1][1][-4:] == ["-c", "binder/lock.txt", "-e", ".[test]"]
    assert started_again == [(python, ["test", "--quick"])]
    steps.clear()
    launcher.ensure(["test"], ["test"], project=project)  # the second start
    assert steps == []
    assert len(started_again) == 2


def test_an_interrupted_install_is_noticed_and_begun_afresh(project, steps, started_again, monkeypatch):
    run = launcher._run_step

    def interrupted(label, command, where):
        run(label, command, where)
        if label.startswith("installing"):
            (project / ".venv" / "half a package").touch()
            raise KeyboardInterrupt

    monkeypatch.setattr(launcher, "_run_step", interrupted)
    with pytest.raises(KeyboardInterrupt):
        launcher.ensure(["test"], ["test"], project=project)
    assert not launcher.is_current(project)
    monkeypatch.setattr(launcher, "_run_step", run)
    steps.clear()
    launcher.ensure(["test"], ["test"], project=project)
    assert [label for label, _ in steps] == ["making the environment", "installing what the kit needs"]
    assert not (project / ".venv" / "half a package").exists()
    assert launcher.is_current(project, ["test"])


def test_a_changed_project_is_installed_again_into_the_same_environment(project, steps, started_again):
    finished(project, ["test"])
    (project / "binder" / "lock.txt").write_text("pytest==9.2.1\n", encoding="utf-8")
    launcher.set_up(project, [])
    assert [label for label, _ in steps] == ["installing what the kit needs"]
    assert steps[0][1][-1] == ".[test]"  # what was there before stays
    assert launcher.is_current(project, ["test"])


def test_an_environment_that_others_made_is_added_to_and_not_removed(project, steps):
    python = finished(project)
    (project / ".venv" / launcher.STAMP).unlink()
    (project / ".venv" / "theirs").touch()
    launcher.set_up(project, [])
    assert (project / ".venv" / "theirs").exists()
    assert [label for label, _ in steps] == ["installing what the kit needs"]
    assert python.exists()


def test_a_damaged_environment_is_an_error_and_no_endless_restart(project, monkeypatch):
    finished(project, ["test"])
    monkeypatch.setenv("KIT_STARTED_AGAIN", "1")
    with pytest.raises(KitError, match=r"is damaged: no-such-thing-at-all can't be found .* remove the folder"):
        launcher.ensure(["test"], ["test"], project=project)


def test_uv_is_used_when_asked_for_and_missed_when_absent(project, steps, monkeypatch):
    monkeypatch.setattr(launcher.shutil, "which", lambda name: None)
    with pytest.raises(KitError, match=r"uv was asked for, but is not on this machine\. What to do: leave out --uv"):
        launcher.set_up(project, [], use_uv=True)
    monkeypatch.setattr(launcher.shutil, "which", lambda name: "/some/where/uv")
    launcher.set_up(project, [], use_uv=True)
    assert [command[:3] for _, command in steps] == [
        ["/some/where/uv", "venv", "--seed"],
        ["/some/where/uv", "pip", "install"],
    ]


def test_a_python_that_cannot_make_environments_names_the_package_to_install(project, steps, monkeypatch):
    monkeypatch.setattr(launcher.importlib.util, "find_spec", lambda name: None if name == "ensurepip" else object())
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    with pytest.raises(KitError, match=rf"kept in a package of their own.*sudo apt install python{version}-venv"):
        launcher.set_up(project, [])
    assert steps == []


def test_a_project_that_may_not_be_written_is_an_error_with_what_to_do(project, steps):
    (project / ".venv").write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises(KitError, match=r"can't be written: .* What to do: move the project to a folder of your own"):
        launcher.set_up(project, [])


# --- steps ---------------------------------------------------------------------------------------------


def test_a_step_shows_one_line_and_keeps_its_output_to_itself(tmp_path, capfd):
    launcher._run_step("counting", [sys.executable, "-c", "print('noise')"], tmp_path)
    shown = capfd.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("  counting ... ")
    assert shown.err.endswith(" s\n")
    assert "noise" not in shown.err


@pytest.mark.parametrize(
    ("said", "cause"),
    [
        ("OSError: [Errno 28] No space left on device", r"the disk is full\. What to do: free about 1 GB"),
        (
            "NewConnectionError: Failed to establish a new connection: [Errno -3] Temporary failure in name resolution",
            r"could not be reached\. What to do: check the internet connection",
        ),
        (
            "SSLError(SSLCertVerificationError(1, 'certificate verify failed'))",
            r"a secure connection .* could not be made",
        ),
        ("PermissionError: [Errno 13] Permission denied: '/x'", r"may not be written\. What to do: move the project"),
        ("something never seen before", r"What to do: read the lines above"),
    ],
)
def test_a_failed_step_shows_its_last_lines_and_says_what_to_do(tmp_path, capfd, said, cause):
    program = f"import sys; print('early line'); [print(i) for i in range(20)]; print({said!r}); sys.exit(3)"
    with pytest.raises(KitError, match=rf"Setting up stopped while trying.*{cause}"):
        launcher._run_step("trying", [sys.executable, "-c", program], tmp_path)
    shown = capfd.readouterr().err
    assert said in shown
    assert "early line" not in shown


# --- starting again ------------------------------------------------------------------------------------


def test_programs_started_from_here_find_the_kit_first_and_once(monkeypatch):
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["elsewhere", str(launcher.PROJECT)]))
    monkeypatch.setenv("KIT_STARTED_AGAIN", "1")
    environment = launcher.project_environment()
    assert environment["PYTHONPATH"].split(os.pathsep) == [str(launcher.PROJECT), "elsewhere"]
    assert "KIT_STARTED_AGAIN" not in environment


def test_starting_again_hands_on_arguments_exit_code_and_the_time_it_began(tmp_path):
    """Through a real restart: the launcher starts a small package of the same name in another folder."""
    (tmp_path / "kit").mkdir()
    (tmp_path / "kit" / "__init__.py").touch()
    (tmp_path / "kit" / "__main__.py").write_text(
        "import os, sys\nprint(sys.argv[1:], os.environ['KIT_BEGAN'])\nsys.exit(7)\n", encoding="utf-8"
    )
    program = (
        "import sys; from pathlib import Path; from kit import launcher;"
        f"launcher._start_again(Path(sys.executable), ['open', 'a b'], Path({str(tmp_path)!r}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**launcher.project_environment(), "KIT_BEGAN": "1234.5"},
        cwd=tmp_path.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 7, done.stderr
    assert done.stdout.strip() == "['open', 'a b'] 1234.5"


# --- installed by pip as a package, without the project's folder around it ------------------------------------------


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """A place without pyproject.toml; returns how to say which file pip installed."""

    def installed(*paths):
        files = [SimpleNamespace(locate=lambda path=path: path) for path in paths]
        monkeypatch.setattr(importlib.metadata, "files", lambda name: files)

    return tmp_path, installed


def test_what_pip_installed_works_from_any_folder(elsewhere):
    folder, installed = elsewhere
    installed(launcher.__file__)
    launcher.ensure(["class-overview"], project=folder)  # returns: nothing is to be set up


def test_a_copy_that_lost_its_project_still_says_so(elsewhere):
    folder, installed = elsewhere
    installed(folder / "another" / "launcher.py")
    with pytest.raises(KitError, match="There is no project here"):
        launcher.ensure(["class-overview"], project=folder)
