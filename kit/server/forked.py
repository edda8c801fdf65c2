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

__all__ = ["FORKS", "Forked", "Warmed"]

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
    """The process of `kit.server.warmed`, started again when it is found dead."""

    what = "kernels"

    def __init__(self, **traits: Any):
        super().__init__(**traits)
        self._lock = Lock()  # one request at a time; answers are read by a thread of their own
        self._process: subprocess.Popen[bytes] | Forked | None = None
        self._socket: socket.socket | None = None
        self._life: int | None = None  # ends with this process, however it ends
        self._ready: Future[bool] = Future()
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
                [sys.executable, "-m", "kit.server.warmed", self.what, str(theirs.fileno()), str(life)],
                stdin=subprocess.DEVNULL,
                pass_fds=(theirs.fileno(), life),
                env=self.environment(),
                start_new_session=True,
            )
            theirs.close()
            os.close(life)
            self._take(process, ours, alive)

    def adopt(self, pid: int, connection: socket.socket, alive: int) -> None:
        """Take a child of this process that serves already."""
        ended = Future[int]()
        Thread(target=_wait_for, args=(pid, ended), daemon=True).start()
        with self._lock:
            self._take(Forked(pid, ended), connection, alive)

    def _take(self, process: subprocess.Popen[bytes] | Forked, connection: socket.socket, alive: int) -> None:
        self._ready, self._asked = Future(), {}
        self._process, self._socket = process, connection
        if self._life is None:
            self._life = alive
        Thread(target=self._listen, args=(connection, self._ready, self._asked), daemon=True, name="warmed").start()

    def _listen(self, server: socket.socket, ready: Future[bool], asked: dict) -> None:
        with contextlib.suppress(OSError):
            while received := server.recv(4096):
                message = json.loads(received)
                if "ready" in message:
                    ready.set_result(True)
                elif "pid" in message:
                    asked[message["id"]][0].set_result(message["pid"])
                else:
                    asked.pop(message["id"])[1].set_result(message["exit"])
        if not ready.done():
            self._failed += 1
            ready.set_result(False)
        for pid, ended in asked.values():  # it died; its children live on, as those of somebody else
            if pid.done():
                Thread(target=_wait_for, args=(pid.result(), ended), daemon=True).start()
            else:
                pid.set_exception(ConnectionError("the process with the libraries has ended"))

    async def fork(self, request: dict[str, Any]) -> Forked | None:
        """A child that becomes what the request says, or None where none can be had in a while."""
        self.start()
        if self._socket is None:
            return None
        name, process, ended = os.urandom(8).hex(), Future[int](), Future[int]()
        try:
            if not await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(self._ready)), 2 * PATIENCE_S):
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

    def stop(self) -> None:
        """End it; its children stay."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if self._socket is not None:
            self._socket.close()
            self._socket = None


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
