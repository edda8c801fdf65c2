"""Set up the project's own environment on a machine that has only Python, and start again inside it.

Only the standard library is used here, so that a bare interpreter can run it. The environment is the
folder ``.venv`` beside ``pyproject.toml``. A stamp in it says what it was made from; the stamp is written
last, so an interrupted set-up is noticed and done again.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NoReturn

from .errors import KitError

__all__ = [
    "PROJECT",
    "ensure",
    "environment_extras",
    "missing_distributions",
    "project_environment",
    "seconds_since_start",
    "venv_python",
]

PROJECT = Path(__file__).resolve().parent.parent
LOCK = Path("binder", "lock.txt")
DISTRIBUTION = "spin-down-inquiry-kit"
STAMP = "kit-stamp.json"
_BEGAN = "KIT_BEGAN"  # when the command was given, s since the epoch: handed on over a restart
_AGAIN = "KIT_STARTED_AGAIN"  # set inside .venv, so that a damaged one can't start itself for ever
_BEGAN_S = float(os.environ.get(_BEGAN) or time.time())

# What pip or uv say, and what it means for the person in front of the screen. The first that fits is shown.
_FAILURES = (
    (
        r"No space left on device|Errno 28|not enough space|WinError 112",
        "the disk is full",
        "free about 1 GB and run the command again",
    ),
    (
        r"CERTIFICATE_VERIFY_FAILED|SSLError|SSLCertVerification",
        "a secure connection to the package index could not be made",
        "ask whoever runs this network whether a proxy or filter stands between, then run the command again",
    ),
    (
        r"name resolution|getaddrinfo|NewConnectionError|ConnectTimeout|ReadTimeout|Read timed out|ProxyError"
        r"|Network is unreachable|dns error|error sending request|Connection refused|Max retries exceeded",
        "the package index could not be reached",
        "check the internet connection (the set-up needs it once), then run the command again",
    ),
    (
        r"Permission denied|Access is denied|Errno 13",
        "a file or folder may not be written",
        "move the project to a folder of your own and run the command again",
    ),
)


def ensure(
    arguments: Sequence[str],
    extras: Iterable[str] = (),
    *,
    only: Iterable[str] | None = None,
    use_uv: bool = False,
    project: Path = PROJECT,
) -> None:
    """Return if this interpreter has what the command needs; else start ``arguments`` again inside ``.venv``.

    ``.venv`` is made or brought up to date first, where needed. With ``only``, just these distributions
    are asked for in this interpreter (an analysis needs no JupyterLab); an environment that must be made
    always gets everything. Raises KitError where the set-up fails, with the cause and what to do.
    """
    extras = set(extras)
    if not (project / "pyproject.toml").is_file() and _is_installed():
        return  # pip put it where it is, with all it needs: any folder will do
    venv = project / ".venv"
    inside = Path(sys.prefix).resolve() == venv.resolve()
    current = is_current(project, extras)
    missing = missing_distributions(project, extras, only)
    if not missing and (current or not inside):
        return
    if not current:
        set_up(project, extras, use_uv=use_uv)
    elif os.environ.get(_AGAIN):
        raise KitError(
            f"The environment {venv} is damaged: {', '.join(missing)} can't be found in it",
            fix=f"remove the folder {venv} and run the command again",
        )
    _start_again(venv_python(venv), arguments, project)


def venv_python(venv: Path, windows: bool = os.name == "nt") -> Path:
    """The interpreter inside a virtual environment."""
    return venv / "Scripts" / "python.exe" if windows else venv / "bin" / "python"


def project_environment(project: Path = PROJECT) -> dict[str, str]:
    """Environment variables with which any Python started from here finds ``kit`` (kernels too)."""
    inherited = {name: value for name, value in os.environ.items() if name not in (_BEGAN, _AGAIN)}
    path = [str(project), *filter(None, inherited.get("PYTHONPATH", "").split(os.pathsep))]
    return {**inherited, "PYTHONPATH": os.pathsep.join(dict.fromkeys(path))}


def seconds_since_start() -> float:
    """Seconds since the command was given, whatever set-up and restart lay between."""
    return time.time() - _BEGAN_S


# --- what is there -------------------------------------------------------------------------------------


def missing_distributions(
    project: Path = PROJECT, extras: Iterable[str] = (), only: Iterable[str] | None = None
) -> list[str]:
    """Names of required distributions this interpreter lacks, or has in too old a release."""
    wanted = None if only is None else {_plain(name) for name in only}
    missing = []
    for requirement in requirements(project, extras):
        name, minimum = _name_and_minimum(requirement)
        if wanted is not None and _plain(name) not in wanted:
            continue
        try:
            installed = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            missing.append(name)
            continue
        if _release(installed) < _release(minimum):
            missing.append(name)
    return missing


def _is_installed() -> bool:
    """Whether pip installed this kit as a package, apart from the project's folder."""
    try:
        files = importlib.metadata.files(DISTRIBUTION) or ()
    except importlib.metadata.PackageNotFoundError:
        return False
    return any(Path(file.locate()).resolve() == Path(__file__).resolve() for file in files)


def requirements(project: Path = PROJECT, extras: Iterable[str] = ()) -> list[str]:
    """The requirement lines of ``pyproject.toml``, those of the extras included."""
    import tomllib  # here and not above: older Pythons have none, and must get as far as being told so

    table = tomllib.loads(_pyproject(project).read_text(encoding="utf-8"))["project"]
    optional = table.get("optional-dependencies", {})
    return [*table["dependencies"], *(line for extra in sorted(extras) for line in optional[extra])]


def fingerprint(project: Path = PROJECT) -> str:
    """A hash of everything an environment is made from."""
    digest = hashlib.sha256()
    for path in (_pyproject(project), project / LOCK):
        digest.update(path.read_bytes() if path.is_file() else b"")
        digest.update(b"\0")
    return digest.hexdigest()


def is_current(project: Path = PROJECT, extras: Iterable[str] = ()) -> bool:
    """Whether ``.venv`` was finished, from today's files, with at least these extras."""
    stamp = _read_stamp(project / ".venv")
    return (
        stamp.get("made_from") == fingerprint(project)
        and set(extras) <= set(stamp.get("extras", ()))
        and venv_python(project / ".venv").is_file()
    )


def environment_extras(venv: Path) -> set[str]:
    """The extras that were installed into an environment (none if it is unfinished)."""
    return set(_read_stamp(venv).get("extras", ()))


def _read_stamp(venv: Path) -> dict:
    try:
        stamp = json.loads((venv / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _write_stamp(venv: Path, stamp: dict) -> None:
    """Write the stamp whole or not at all."""
    draft = venv / f"{STAMP}.{os.getpid()}"
    draft.write_text(json.dumps(stamp), encoding="utf-8")
    draft.replace(venv / STAMP)


def _pyproject(project: Path) -> Path:
    path = project / "pyproject.toml"
    if not path.is_file():
        raise KitError(
            f"There is no project here: {path} is missing",
            fix="run the command in the project's own folder, the one that holds pyproject.toml",
        )
    return path


def _name_and_minimum(requirement: str) -> tuple[str, str]:
    """Name and lowest release of a requirement line: 'numpy>=1.26' -> ('numpy', '1.26')."""
    requirement = requirement.partition(";")[0]
    name = re.split(r"[^A-Za-z0-9._-]", requirement.strip(), maxsplit=1)[0]
    minimum = re.search(r">=\s*([0-9.]+)", requirement)
    return name, minimum.group(1) if minimum else "0"


def _release(version: str) -> tuple[int, ...]:
    """'1.26.4rc1' -> (1, 26, 4): enough to compare with a lowest release."""
    return tuple(int(number) for number in re.findall(r"\d+", re.split(r"[^\d.]", version, maxsplit=1)[0]))


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


# --- setting up ----------------------------------------------------------------------------------------


def set_up(project: Path, extras: Iterable[str] = (), *, use_uv: bool = False) -> None:
    """Make ``.venv`` (or bring it up to date) and install the project with its pinned requirements."""
    venv, python = project / ".venv", venv_python(project / ".venv")
    uv = _find_uv() if use_uv else None
    stamp = _read_stamp(venv)
    extras = sorted(set(extras) | environment_extras(venv))
    began = time.monotonic()
    _say(f"Setting up in {venv}. This happens once, needs the internet and takes a minute or so.")
    try:
        # An environment whose set-up was interrupted may hold half a package: begin it again.
        unfinished = stamp.get("made_from") == "unfinished"
        if unfinished or not python.is_file():
            _check_venv_module(uv)
            if venv.exists():
                shutil.rmtree(venv)
            _run_step("making the environment", _venv_command(venv, uv), project)
        _write_stamp(venv, {"made_from": "unfinished"})
        _run_step("installing what the kit needs", _install_command(python, extras, uv), project)
        _write_stamp(venv, {"made_from": fingerprint(project), "extras": extras})
    except OSError as error:
        raise KitError(
            f"The environment {venv} can't be written: {error.strerror or error}",
            fix="move the project to a folder of your own with about 1 GB free, and run the command again",
        ) from error
    _say(f"Set up in {time.monotonic() - began:.0f} s.")


def _venv_command(venv: Path, uv: str | None) -> list[str]:
    python = getattr(sys, "_base_executable", sys.executable)  # the one that stays if we run inside .venv
    return [uv, "venv", "--seed", "--python", python, str(venv)] if uv else [python, "-m", "venv", str(venv)]


def _install_command(python: Path, extras: Sequence[str], uv: str | None) -> list[str]:
    target = f".[{','.join(extras)}]" if extras else "."
    if uv:
        tool = [uv, "pip", "install", "--python", str(python), "--quiet"]
    else:
        # Python compiles what is used when it is first used: of all that is installed, a small part.
        quiet = ["--disable-pip-version-check", "--no-input", "--progress-bar", "off", "--no-compile"]
        tool = [str(python), "-m", "pip", "install", *quiet]
    return [*tool, "-c", LOCK.as_posix(), "-e", target]


def _find_uv() -> str:
    uv = shutil.which("uv")
    if uv is None:
        raise KitError("The program uv was asked for, but is not on this machine", fix="leave out --uv")
    return uv


def _check_venv_module(uv: str | None) -> None:
    """Some systems ship Python without what makes environments; say which package is missing."""
    if uv or (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        return
    package = f"python{sys.version_info.major}.{sys.version_info.minor}-venv"
    raise KitError(
        "This Python can't make an environment: its modules venv and ensurepip are kept in a package of their own",
        fix=f"install it, on Debian and Ubuntu with: sudo apt install {package}. Then run the command again",
    )


def _run_step(label: str, command: Sequence[str], project: Path) -> None:
    """Run one command quietly, showing the seconds go by; its output is kept for the case that it fails."""
    began = time.monotonic()
    live = sys.stderr.isatty()
    print(f"  {label} ...", end="", file=sys.stderr, flush=True)
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(command, cwd=project, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT)
        try:
            while (code := _wait(process, 1.0)) is None:
                if live:
                    seconds = time.monotonic() - began
                    print(f"\r  {label} ... {seconds:.0f} s", end="", file=sys.stderr, flush=True)
        finally:
            if process.poll() is None:
                process.terminate()
                process.wait()
        start = f"\r  {label} ..." if live else ""
        print(f"{start} {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
        if code:
            log.seek(0)
            raise _failure(label, log.read().decode("utf-8", "replace"))


def _wait(process: subprocess.Popen, seconds: float) -> int | None:
    try:
        return process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        return None


def _failure(label: str, output: str) -> KitError:
    """Word a failed step: its last lines, the likely cause, what to do."""
    lines = [line.rstrip() for line in output.splitlines() if line.strip() and "[notice]" not in line]
    _say("The last lines of the output were:", *(f"    {line}" for line in lines[-8:]))
    for pattern, cause, fix in _FAILURES:
        if re.search(pattern, output):
            return KitError(f"Setting up stopped while {label}: {cause}", fix=fix)
    return KitError(
        f"Setting up stopped while {label}",
        fix="read the lines above, then run the command again; if it stops again, remove the folder .venv first",
    )


def _start_again(python: Path, arguments: Sequence[str], project: Path) -> NoReturn:
    command = [str(python), "-m", "kit", *arguments]
    environment = {**project_environment(project), _AGAIN: "1", _BEGAN: repr(_BEGAN_S)}
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name != "nt":
        os.execve(command[0], command, environment)
    # Windows can't replace a running program. Ctrl-C reaches both; only the inner one is to act on it.
    signal.signal(signal.SIGINT, lambda *_: None)
    raise SystemExit(subprocess.Popen(command, env=environment).wait())


def _say(*lines: str) -> None:
    print(*lines, sep="\n", file=sys.stderr, flush=True)
