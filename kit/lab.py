"""Start JupyterLab on a lesson, know when its page answers, and stop it cleanly.

    python -m kit.lab OPTIONS  # JupyterLab itself, as `python -m jupyterlab OPTIONS`, loaded a second sooner

Only the standard library is used here; JupyterLab itself runs in a process of its own.
"""

from __future__ import annotations

import functools
import importlib
import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import quote

from .errors import KitError
from .launcher import PROJECT, project_environment

__all__ = ["Lab", "first_notebook", "free_port", "grammar_later", "place_of", "run_apart", "stop_signals"]

HOST = "127.0.0.1"
UPLOAD_LIMIT_BYTES = 100 * 1024 * 1024  # the default, 10 MB, loses larger uploads without a word

# A session of its own: Ctrl-C in the terminal reaches us alone, and we end the other program in order.
_APART: dict[str, Any]
if sys.platform == "win32":
    _APART, _INTERRUPT = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}, signal.CTRL_BREAK_EVENT
else:
    _APART, _INTERRUPT = {"start_new_session": True}, signal.SIGINT

# No proxy may stand between this machine and itself.
_open = urllib.request.build_opener(urllib.request.ProxyHandler({})).open


def first_notebook(lesson: str | None = None, project: Path = PROJECT) -> str:
    """The notebook to begin with, as a path below the project with forward slashes.

    ``lesson`` is the name of a folder in ``notebooks``; its first notebook by name is taken. Without one,
    it is ``start_here``. Raises KitError where there is no such lesson, naming those that are there.
    """
    notebooks = project / "notebooks"
    if lesson is None:
        found = notebooks / "start_here.ipynb"
        if not found.is_file():
            raise KitError("The first notebook is missing", file=found, fix="get a whole copy of the project")
        return found.relative_to(project).as_posix()
    pages = sorted(notebooks.glob("[!.]*/*.ipynb"), reverse=True)
    lessons = {path.parent.name: path for path in pages}  # the first by name stays
    if lesson not in lessons:
        raise KitError(
            "There is no such lesson", found=lesson, fix=f"choose one of: {', '.join(sorted(lessons)) or 'none yet'}"
        )
    return lessons[lesson].relative_to(project).as_posix()


def place_of(lesson: str | None = None, project: Path = PROJECT) -> tuple[Path, str]:
    """The folder to show, and in it the notebook to begin with, with forward slashes.

    ``lesson`` is the name of a folder in ``notebooks``, or any folder with notebooks, wherever it lies: one that
    ``new-lesson`` made begins with its students' first page. Such a folder is shown alone. Raises KitError as
    `first_notebook` does.
    """
    folder = Path(lesson or "")
    known = [path.name for path in (project / "notebooks").glob("*/")]
    if not lesson or lesson in known or not folder.is_dir():
        return project, first_notebook(lesson, project)
    for pattern in ("student/*.ipynb", "*.ipynb"):
        found = sorted(path for path in folder.glob(pattern) if path.is_file())
        if found:
            return folder.resolve(), found[0].relative_to(folder).as_posix()
    raise KitError(
        "There is no notebook in this folder", file=folder, fix="name one that new-lesson made, or that has notebooks"
    )


def free_port(wanted: int | None = None) -> int:
    """A port nobody listens on: the wanted one (KitError if taken), or 8888 if free, or any."""
    for port in (8888, 0) if wanted is None else (wanted,):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            if os.name != "nt":  # as the server itself does; on Windows this would share a taken port
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((HOST, port))
            except OSError:
                continue
            return probe.getsockname()[1]
    raise KitError(
        f"Port {wanted} can't be used on this machine", fix="give another --port, or leave it out to have one found"
    )


class Lab:
    """A running JupyterLab. Its token is passed on by the environment, where other users can't read it.

    Parameters
    ----------
    root : folder that the page shows, with the notebooks below it.
    port : see `free_port`.
    options : further command-line options of JupyterLab.
    environment : further environment variables.
    """

    def __init__(
        self, root: Path, port: int, *, options: tuple[str, ...] = (), environment: Mapping[str, str] | None = None
    ):
        self.root = root
        self.url = f"http://{HOST}:{port}"
        self.token = secrets.token_hex(24)
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 (open as long as the server runs)
        self.process = subprocess.Popen(
            _command(root, port, options),
            cwd=root,
            env={**_environment(self.token), **(environment or {})},
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=subprocess.STDOUT,
            **_APART,
        )

    def address(self, notebook: str) -> str:
        """The address of a notebook's page, token included."""
        return f"{self.url}/lab/tree/{quote(notebook)}?token={self.token}"

    def wait_until_it_answers(self, notebook: str, limit_s: float = 120.0) -> None:
        """Return when the notebook's page answers; KitError with the server's last lines if it never does."""
        deadline = time.monotonic() + limit_s
        while time.monotonic() < deadline and self.process.poll() is None:
            try:
                with _open(self.address(notebook), timeout=10):
                    return
            except OSError:  # not listening yet, or still busy starting
                time.sleep(0.05)
        raise self.failure("JupyterLab did not start")

    def wait(self) -> None:
        """Return when the server ends by itself; KitError if it ended with an error."""
        _wait(self.process)
        if self.process.returncode:
            raise self.failure("JupyterLab stopped")

    def failure(self, problem: str) -> KitError:
        """What went wrong, with the end of the server's log."""
        self._log.seek(0)
        lines = self._log.read().decode("utf-8", "replace").splitlines()
        tail = "\n".join(f"    {line}" for line in lines[-8:])
        return KitError(f"{problem}. Its last lines were:\n{tail}\n", fix="run the command again")

    def stop(self, patience_s: float = 10.0) -> None:
        """End the server and its kernels: by asking, then by signal, then by force."""
        try:
            self._ask_to_stop()
            for end in (self.process.terminate, self.process.kill):
                try:
                    self.process.wait(patience_s)
                    break
                except subprocess.TimeoutExpired:
                    end()
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait()
            self._log.close()

    def end_kernels(self, folder: str = "") -> None:
        """End the kernels of all notebooks, or of those below a folder of the root; the server stays."""
        for session in json.loads(self._ask("GET", "sessions")):
            if not folder or session["path"].startswith(f"{folder}/"):
                self._ask("DELETE", f"sessions/{session['id']}")

    def _ask(self, method: str, what: str) -> bytes:
        request = urllib.request.Request(
            f"{self.url}/api/{what}", method=method, headers={"Authorization": f"token {self.token}"}
        )
        with _open(request, timeout=10) as answer:
            return answer.read()

    def _ask_to_stop(self) -> None:
        """Shutting down over its own interface works alike on all systems and ends the kernels too."""
        try:
            self._ask("POST", "shutdown")
        except OSError:  # gone already, or not up yet
            if self.process.poll() is None:
                self.process.terminate()


def run_apart(command: Sequence[str], *, patience_s: float = 30.0, **popen) -> int:
    """Run a program to its end and return its exit code; on Ctrl-C let it clean up behind itself first."""
    process = subprocess.Popen(command, **popen, **_APART)
    try:
        return _wait(process)
    except KeyboardInterrupt:
        process.send_signal(_INTERRUPT)
        process.wait(patience_s)
        raise
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def _wait(process: subprocess.Popen) -> int:
    while process.poll() is None:
        time.sleep(0.1)  # short naps, so that Ctrl-C is heard on every system
    return process.returncode


@contextmanager
def stop_signals() -> Iterator[None]:
    """Let a request to end (SIGTERM), a closed terminal (SIGHUP) and SIGINT from a script act as Ctrl-C does."""

    def interrupt(*_):
        raise KeyboardInterrupt

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), interrupt) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _command(root: Path, port: int, options: tuple[str, ...]) -> list[str]:
    settings = {
        "ServerApp.root_dir": str(root),
        "ServerApp.ip": HOST,
        "ServerApp.port": port,
        "ServerApp.port_retries": 0,
        "ServerApp.terminals_enabled": False,
        "ServerApp.tornado_settings": {"websocket_max_message_size": UPLOAD_LIMIT_BYTES},
    }
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        settings["ServerApp.allow_root"] = True  # in a container, where there is no other user
    return [
        sys.executable, "-m", "kit.lab", "--no-browser", *(f"--{key}={value}" for key, value in settings.items()),
        *options,
    ]  # fmt: skip


def _environment(token: str) -> dict[str, str]:
    """The project's settings (no news prompt) come before the user's own, which stay in force."""
    inherited = project_environment()
    paths = [str(PROJECT / "binder"), *filter(None, [inherited.get("JUPYTER_CONFIG_PATH")])]
    return {
        **inherited,
        "JUPYTER_TOKEN": token,
        "JUPYTER_CONFIG_PATH": os.pathsep.join(paths),
        "JUPYTER_PREFER_ENV_PATH": "1",  # this environment's kernel, not one the user has elsewhere
    }


def grammar_later() -> None:
    """Let the grammar of addresses in all alphabets be loaded when it is first asked for, not with `jsonschema`.

    JupyterLab and nbformat import `jsonschema`, which builds that grammar (`rfc3987_syntax`) at once: over a second of
    computing, a third of a start, for the check of a format that none of their schemas has.
    """
    name = "rfc3987_syntax"
    if name in sys.modules or find_spec(name) is None:
        return

    @functools.cache
    def loaded() -> ModuleType:
        del sys.modules[name]
        return importlib.import_module(name)

    sys.modules[name] = ModuleType(name)
    vars(sys.modules[name])["is_valid_syntax"] = lambda *words: loaded().is_valid_syntax(*words)


if __name__ == "__main__":
    grammar_later()
    sys.exit(importlib.import_module("jupyterlab.labapp").main())
