"""Ask a process that has everything loaded for a child, and treat it as one of one's own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
from concurrent.futures import Future
from threading import Lock, Thread
from typing import Any

from traitlets.config import SingletonConfigurable

__all__ = ["FORKS", "Forked", "Nursery", "Warmed"]

PATIENCE_S = 20.0  # then it is started in the ordinary way; less, and a rush would make itself worse
FORKS = sys.platform == "linux"  # macOS's libraries do not survive a fork, Windows has none
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
QUIET = {"PYDEVD_DISABLE_FILE_VALIDATION": "1"}


class Forked:
    """A process that is no child of this one, with as much of `subprocess.Popen` as Jupyter uses."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int, ended: Future[int]):
        self.pid, self._ended = pid, ended

    def __enter__(self) -> Forked:
        return self

    def __exit__(self, *_: object) -> None:
        self.wait()

    def poll(self) -> int | None:
        """The exit code, or None while it runs."""
        return self._ended.result() if self._ended.done() else None

    def wait(self, timeout: float | None = None) -> int:
        """The exit code, as soon as there is one."""
        return self._ended.result(timeout)

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended: its number may belong to another process by now."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)


class Warmed(SingletonConfigurable):
    """The process of `module`, started again when it is found dead."""

    module = "kit.server.warmed"

    def __init__(self, **traits: Any):
        super().__init__(**traits)
        self._lock = Lock()  # one request at a time; answers are read by a thread of their own
        self._process: subprocess.Popen[bytes] | Forked | None = None
        self._socket: socket.socket | None = None
        self._alive: list[int] = []  # open as long as this process lives, however it ends
        self.ready: Future[bool] = Future()  # False where nothing can be forked
        self._asked: dict[str, tuple[Future[int], Future[int]]] = {}  # id → its process, its exit code
        self._failed = 0

    def environment(self) -> dict[str, str]:
        """What the process is started with; its children get their own."""
        return {**os.environ, **ONE_THREAD, **QUIET}

    def start(self) -> None:
        """Begin to load the libraries, unless that is done or has failed twice."""
        with self._lock:
            if not FORKS or self._failed > 1 or (self._process is not None and self._process.poll() is None):
                return
            ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            life, alive = os.pipe()
            process = subprocess.Popen(
                [sys.executable, "-m", self.module, str(theirs.fileno()), str(life)],
                stdin=subprocess.DEVNULL,
                pass_fds=(theirs.fileno(), life),
                env=self.environment(),
                start_new_session=True,
            )
            theirs.close()
            os.close(life)
            self._alive.append(alive)
            self._take(process, ours)

    def adopt(self, pid: int, connection: socket.socket, alive: int) -> None:
        """Take a child of this process that serves already, until ``alive`` is closed."""
        ended = Future[int]()
        Thread(target=_wait_for, args=(pid, ended), daemon=True).start()
        with self._lock:
            self._alive.append(alive)
            self._take(Forked(pid, ended), connection)

    def _take(self, process: subprocess.Popen[bytes] | Forked, connection: socket.socket) -> None:
        self.ready, self._asked = Future(), {}
        self._process, self._socket = process, connection
        arguments = (process, connection, self.ready, self._asked)
        Thread(target=self._listen, args=arguments, daemon=True, name="warmed").start()

    def _listen(self, process: Any, server: socket.socket, ready: Future[bool], asked: dict) -> None:
        useful = False
        with contextlib.suppress(OSError):
            while received := server.recv(4096):
                message = json.loads(received)
                if "ready" in message:
                    ready.set_result(True)
                elif "pid" in message:
                    asked[message["id"]][0].set_result(message["pid"])
                    useful = True
                else:
                    asked.pop(message["id"])[1].set_result(message["exit"])
        self._failed += not useful
        if not ready.done():
            ready.set_result(False)
        for pid, ended in asked.values():  # it died; its children live on, as those of somebody else
            if pid.done():
                Thread(target=_wait_for, args=(pid.result(), ended), daemon=True).start()
            else:
                pid.set_exception(ConnectionError("the process with the libraries has ended"))
        with self._lock:
            latest = self._socket is server
            if latest:
                self._process = None  # else it would seem to run while it is waited for, and the next not be started
        if latest:
            with contextlib.suppress(OSError, TimeoutError, subprocess.TimeoutExpired):
                process.wait(60)
                self.start()  # while nobody waits

    async def fork(self, request: dict[str, Any]) -> Forked | None:
        """A child that becomes what the request says, or None where none can be had in a while."""
        self.start()
        if self._socket is None:
            return None
        name, process, ended = os.urandom(8).hex(), Future[int](), Future[int]()
        try:
            if not await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(self.ready)), 2 * PATIENCE_S):
                return None
            file = os.memfd_create("request")  # in memory, and nowhere else: the child alone reads it
            try:
                os.write(file, json.dumps(request).encode())
                os.lseek(file, 0, os.SEEK_SET)
                with self._lock:
                    self._asked[name] = process, ended
                    socket.send_fds(self._socket, [json.dumps({"id": name}).encode()], [file])
            finally:
                os.close(file)
            return Forked(await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(process)), PATIENCE_S), ended)
        except (OSError, TimeoutError):
            process.add_done_callback(_unwanted)
            return None

    @property
    def pid(self) -> int:
        """The process with everything loaded; 0 where there is none."""
        return self._process.pid if self._process is not None else 0

    def stop(self) -> None:
        """End it; its children stay."""
        connection, self._socket = self._socket, None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if connection is not None:
            connection.close()


class Nursery(Warmed):
    """The hub's process that has loaded all a session needs, and knows nothing of the hub."""

    module = "kit.server.sessions"

    def environment(self) -> dict[str, str]:
        """Where programs and libraries are, and nothing else: the hub's secrets are in the rest."""
        kept = ("PATH", "PYTHONPATH", "LD_LIBRARY_PATH", "LANG", "LC_ALL", "VIRTUAL_ENV")
        known = {name: os.environ[name] for name in kept if name in os.environ}
        return {**known, **ONE_THREAD, **QUIET, "PYTHONNOUSERSITE": "1", "HOME": "/nonexistent"}


def _unwanted(process: Future[int]) -> None:
    """A child that came too late: another one was started in its place."""
    if not process.cancelled() and process.exception() is None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.result(), signal.SIGKILL)


def _wait_for(pid: int, ended: Future[int]) -> None:
    """Wait for a process that may be no child of ours; then its exit code can't be known."""
    code = 1
    try:
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    except ChildProcessError:
        with contextlib.suppress(OSError):
            import select

            handle = os.pidfd_open(pid)
            try:
                select.select([handle], [], [])
            finally:
                os.close(handle)
    ended.set_result(code)
