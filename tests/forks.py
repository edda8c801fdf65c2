"""Programs that a test starts again and again, each a process of its own, without loading the kit again for each.

    with Forks("import sys\nfrom kit.record.workbook import Workbook") as forks:
        child = forks.start("print(Workbook(sys.argv[1]).path)", "disc.jsonl")
        said, problems = child.communicate()

One process loads what they need, once, and forks for each: as a kernel of a warmed server, `kit.server.warmed`. What a
program does after its first line is what a new interpreter would do; a child ends after five minutes in any case.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from types import TracebackType

from kit.launcher import project_environment

__all__ = ["Child", "Forks"]

PARENT = """
import json, os, signal, socket, sys, traceback
parent, names = socket.socket(fileno=int(sys.argv[1])), {"__name__": "__main__"}
exec(sys.argv[2], names)
while asked := socket.recv_fds(parent, 1 << 20, 2):
    message, fds, *_ = asked
    if not message:
        break
    wanted = json.loads(message)
    if "wait" in wanted:
        parent.sendall(b"%d\\n" % os.waitstatus_to_exitcode(os.waitpid(wanted["wait"], 0)[1]))
        continue
    child = os.fork()
    if child:
        for fd in fds:
            os.close(fd)
        parent.sendall(b"%d\\n" % child)
        continue
    parent.close()
    signal.alarm(300)
    os.dup2(fds[0], 1), os.dup2(fds[1], 2), os.closerange(3, 64)
    sys.stdout, sys.stderr = (open(fd, "w", encoding="utf-8", closefd=False) for fd in (1, 2))
    sys.argv, code = ["-c", *wanted["arguments"]], 0
    try:
        exec(wanted["code"], names)
    except BaseException:
        traceback.print_exc()
        code = 1
    sys.stdout.flush(), sys.stderr.flush()
    os._exit(code)
"""


class Child:
    """A forked process, with as much of `subprocess.Popen` as tests use."""

    def __init__(self, forks: Forks, code: str, arguments: tuple[str, ...]):
        self.returncode: int | None = None
        self._forks, self._problems = forks, tempfile.TemporaryFile()  # noqa: SIM115 (read at its end)
        reading, writing = os.pipe()
        self.stdout = os.fdopen(reading, encoding="utf-8")
        asked = json.dumps({"code": code, "arguments": arguments}).encode()
        try:
            self.pid = forks.ask(asked, writing, self._problems.fileno())
        finally:
            os.close(writing)

    def kill(self) -> None:
        """End it at once. Its number belongs to nobody else before `communicate`."""
        os.kill(self.pid, signal.SIGKILL)

    def communicate(self) -> tuple[str, str]:
        """The rest of what it printed and its messages, as soon as it has ended."""
        with self.stdout, self._problems:
            said = self.stdout.read()
            self.returncode = self._forks.ask(json.dumps({"wait": self.pid}).encode())
            self._problems.seek(0)
            return said, self._problems.read().decode()


class Forks:
    """A process that has run the code `loaded`, and its children."""

    def __init__(self, loaded: str, cwd: Path | None = None):
        ours, theirs = socket.socketpair()
        self._socket, self._answers = ours, ours.makefile("rb")
        with theirs:
            command = [sys.executable, "-c", PARENT, str(theirs.fileno()), loaded]
            self._process = subprocess.Popen(
                command, pass_fds=[theirs.fileno()], cwd=cwd, env=project_environment(), stdin=subprocess.DEVNULL
            )

    def ask(self, message: bytes, *fds: int) -> int:
        """The number that answers a message."""
        socket.send_fds(self._socket, [message], fds)
        return int(self._answers.readline())

    def start(self, code: str, *arguments: object) -> Child:
        """Run this code in a process of its own. It knows the names of `loaded`."""
        return Child(self, code, tuple(map(str, arguments)))

    def __enter__(self) -> Forks:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._answers.close()
        self._socket.close()
        self._process.wait()
