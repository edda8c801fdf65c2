"""The server's side: start the process with everything loaded, ask it for kernels, and treat them as any kernel."""

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
from pathlib import Path
from threading import Lock, Thread
from typing import Any

from jupyter_client.provisioning import LocalProvisioner
from traitlets.config import SingletonConfigurable

__all__ = ["ForkedKernel", "WarmProvisioner", "Warmed"]

PATIENCE_S = 5.0  # then a kernel is started in the ordinary way
FORKS = sys.platform == "linux"  # macOS's libraries do not survive a fork, Windows has none
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class ForkedKernel:
    """A kernel that is no child of this process, with as much of `subprocess.Popen` as a provisioner uses."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int, ended: Future[int]):
        self.pid, self._ended = pid, ended

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

    def __init__(self, **traits: Any):
        super().__init__(**traits)
        self._lock = Lock()  # one request at a time; answers are read by a thread of their own
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._life: int | None = None  # ends with this process, however it ends
        self._ready: Future[bool] = Future()
        self._asked: dict[str, tuple[Future[int], Future[int]]] = {}  # id → its process, its exit code
        self._failed = 0

    def start(self) -> None:
        """Begin to load the libraries, unless that is done or has failed twice."""
        with self._lock:
            if not FORKS or self._failed > 1 or (self._process is not None and self._process.poll() is None):
                return
            if self._life is None:
                self._reading, self._life = os.pipe()
            ours, theirs = socket.socketpair()
            self._ready, self._asked = Future(), {}
            self._process = subprocess.Popen(
                [sys.executable, "-m", "kit.server.warmed", str(theirs.fileno()), str(self._reading)],
                stdin=subprocess.DEVNULL,
                pass_fds=(theirs.fileno(), self._reading),
                env={**os.environ, **ONE_THREAD},
                start_new_session=True,
            )
            theirs.close()
            self._socket = ours
            Thread(target=self._listen, args=(ours, self._ready, self._asked), daemon=True, name="warmed").start()

    def _listen(self, server: socket.socket, ready: Future[bool], asked: dict) -> None:
        with contextlib.suppress(OSError), server.makefile("rb") as lines:
            for line in lines:
                message = json.loads(line)
                if "ready" in message:
                    ready.set_result(True)
                elif "pid" in message:
                    asked[message["id"]][0].set_result(message["pid"])
                else:
                    asked.pop(message["id"])[1].set_result(message["exit"])
        if not ready.done():
            self._failed += 1
            ready.set_result(False)
        for pid, ended in asked.values():  # it died; its kernels live on, as children of somebody else
            if pid.done():
                Thread(target=_wait_for, args=(pid.result(), ended), daemon=True).start()
            else:
                pid.set_exception(ConnectionError("the process with the libraries has ended"))

    async def fork(self, name: str, connection_file: str, env: dict[str, str], cwd: str) -> ForkedKernel | None:
        """A kernel, or None where none can be had in a while."""
        self.start()
        if self._socket is None:
            return None
        process, ended = Future[int](), Future[int]()
        try:
            if not await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(self._ready)), 6 * PATIENCE_S):
                return None
            request = {"id": name, "connection_file": connection_file, "env": env, "cwd": cwd}
            with self._lock:
                self._asked[name] = process, ended
                self._socket.sendall(json.dumps(request).encode() + b"\n")
            return ForkedKernel(await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(process)), PATIENCE_S), ended)
        except (OSError, TimeoutError):
            process.add_done_callback(_unwanted)
            return None

    def stop(self) -> None:
        """End it; its kernels stay."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _unwanted(process: Future[int]) -> None:
    """A kernel that came too late: another one was started in its place."""
    if not process.cancelled() and process.exception() is None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.result(), signal.SIGKILL)


def _wait_for(pid: int, ended: Future[int]) -> None:
    """Wait for a process that is no child of ours; its exit code can't be known."""
    with contextlib.suppress(OSError):
        import select

        handle = os.pidfd_open(pid)
        try:
            select.select([handle], [], [])
        finally:
            os.close(handle)
    ended.set_result(1)


class WarmProvisioner(LocalProvisioner):
    """Forks the kernels of this very Python from a process that has loaded the kit; starts all others as always."""

    process: Any = None  # a Popen, or as much of one as its parent class uses

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
        """As its parent class does, at once where it can."""
        file = _connection_file(cmd)
        kernel = None
        if FORKS and file is not None:
            name, cwd = f"{self.kernel_id}-{os.urandom(4).hex()}", str(kwargs.get("cwd") or Path.cwd())
            kernel = await Warmed.instance().fork(name, file, dict(kwargs["env"]), cwd)
        if kernel is None:
            return await super().launch_kernel(cmd, **kwargs)
        self.process, self.pid, self.pgid = kernel, kernel.pid, kernel.pid
        self.cwd = kwargs.get("cwd", Path.cwd())
        return self.connection_info


def _connection_file(command: list[str]) -> str | None:
    """The file named in the command of an ordinary kernel of this Python; None for every other command."""
    python, *rest = command
    same = Path(python).parent.resolve() == Path(sys.executable).parent.resolve()
    rest = [part for part in rest if not part.startswith("-X")]
    if same and rest[:3] == ["-m", "ipykernel_launcher", "-f"] and len(rest) == 4:
        return rest[3]
    return None
