"""The process kernels are forked from: it loads what the kit's pages need, once, and then waits.

    python -m kit.server.warmed FD LIFE

``FD`` is one end of a socket pair. A line of JSON asks for a kernel: ``{"id", "connection_file", "env", "cwd"}``; lines
answer ``{"id", "pid"}``, later ``{"id", "exit"}``. First comes ``{"ready": true}``. ``LIFE`` is the reading end of a
pipe that ends with the server, and with it this process and its kernels. A kernel lives on if this process dies.

Forking is safe in a process of one thread only, so there is never a second one here, and no ZeroMQ context, no event
loop and no open file. `random`, `tempfile` and `uuid` begin anew in a child by themselves; numpy's global generator
does not.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import selectors
import signal
import socket
import sys
from dataclasses import dataclass, field
from importlib import import_module, reload
from pathlib import Path
from typing import Any

__all__ = ["LIBRARIES", "Parent", "load", "threads"]

LIBRARIES = (
    "ipykernel.kernelapp",
    "ipykernel.zmqshell",
    "ipykernel.debugger",
    "IPython.core.completerlib",
    "IPython.core.debugger",
    "IPython.core.oinspect",
    "IPython.extensions.storemagic",
    "faulthandler",
    "psutil",
    "sqlite3",
    "tornado.platform.asyncio",
    "pandas",
    "scipy.optimize",
    "plotly.graph_objs._figurewidget",
    "anywidget",
    "kit.analysis",
    "kit.lessons.progress",
    "kit.widgets.stage",
    "kit.widgets.bench",
    "kit.widgets.make_runs",
)


def threads() -> int:
    """How many threads this process has, those of compiled libraries included (Linux)."""
    return sum(1 for _ in Path("/proc/self/task").iterdir())


def load(names: tuple[str, ...] = LIBRARIES) -> None:
    """Import what kernels need, use it once, and keep the garbage collector off what they will share."""
    for name in names:
        import_module(name)
    rehearse()
    gc.collect()
    gc.freeze()  # a collection in a child would write to every page that it shares with this process


def rehearse() -> None:
    """Analyse a few made runs and draw them: much is only imported where it is first used."""
    import numpy as np

    from kit.analysis import Analysis
    from kit.logs.run import Run
    from kit.plots.trend_figures import trend_figure
    from kit.plots.trials import mean_speed_figure, trials_figure

    runs = []
    for n in (1, 2, 3, 4):
        slowing, turns = 0.1 * n, np.arange(0.0, 40.0 / n)  # from 4 turns a second, evenly
        for trial in (1, 2, 3):
            times = (4 - np.sqrt(16 - 2 * slowing * turns)) / slowing
            runs.append(Run(times * (1 + 0.002 * trial) + 1e-4 * np.sin(9 * turns), {"n": float(n)}, trial=trial))
    analysis = Analysis(runs)
    averages, counted = analysis.averages(), analysis.counted
    analysis.verdict(), analysis.same_shape, analysis.drag, analysis.next_condition
    for figure in (
        trials_figure(analysis.results, averages, "n", "duration_s"),
        mean_speed_figure(analysis.results, "n"),
        trend_figure(counted["n"], counted["duration_s"], analysis.trends()),
    ):
        figure.to_dict()


@dataclass
class Parent:
    """Waits for requests, forks, and tells which kernels have ended."""

    server: socket.socket
    life: int
    kernels: dict[int, str] = field(default_factory=dict)  # process → id

    def serve(self) -> dict[str, Any] | None:
        """Until the server is gone: None. In a child: what was asked for."""
        woken, wake = os.pipe()
        os.set_blocking(wake, False)
        os.set_blocking(woken, False)
        signal.set_wakeup_fd(wake)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        self._tell({"ready": True})
        waiting = b""
        with selectors.DefaultSelector() as selector:
            for source in (self.server, woken, self.life):
                selector.register(source, selectors.EVENT_READ)
            while True:
                ready = {key.fileobj for key, _ in selector.select()}
                if woken in ready:
                    with contextlib.suppress(BlockingIOError):
                        os.read(woken, 4096)
                    self._bury()
                if self.life in ready:
                    return None
                if self.server in ready:
                    found = self.server.recv(1 << 16)
                    if not found:
                        return None
                    *lines, waiting = (waiting + found).split(b"\n")
                    for line in lines:
                        request = json.loads(line)
                        child = os.fork()
                        if not child:
                            signal.set_wakeup_fd(-1)
                            os.close(woken)
                            os.close(wake)
                            return request
                        self.kernels[child] = request["id"]
                        self._tell({"id": request["id"], "pid": child})

    def _bury(self) -> None:
        while self.kernels:
            child, status = os.waitpid(-1, os.WNOHANG)
            if not child:
                return
            self._tell({"id": self.kernels.pop(child), "exit": os.waitstatus_to_exitcode(status)})

    def _tell(self, message: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):  # the server is gone: noticed where requests are read
            self.server.sendall(json.dumps(message).encode() + b"\n")


def become_kernel(request: dict[str, Any], life: int) -> None:
    """In a child: be an ordinary kernel, with nothing left of the process it comes from."""
    os.setsid()  # an interrupt is sent to the kernel's whole group
    for number in (signal.SIGCHLD, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.environ.clear()
    os.environ.update(request["env"])
    os.chdir(request["cwd"])
    del sys.path[0]  # the folder this process was started in, which `python -m` puts there
    sys.argv = ["ipykernel_launcher", "-f", request["connection_file"]]
    gc.enable()

    import numpy as np

    np.random.seed()
    _end_with(life)

    import ipywidgets
    from ipykernel.kernelapp import IPKernelApp

    app = IPKernelApp.instance(parent_handle=1)  # its own watch over its parent would end it with this one's
    app.initialize(sys.argv[1:])
    ipywidgets.register_comm_target()  # at their import there was no kernel yet
    if "plotly.io._renderers" in sys.modules:
        reload(sys.modules["plotly.io._renderers"])  # it has chosen how to show figures, by the shell there was
    app.start()


def _end_with(life: int) -> None:
    """End this kernel when the server has ended, however that happened."""
    from threading import Thread

    def wait() -> None:
        os.read(life, 1)
        os._exit(1)

    Thread(target=wait, daemon=True, name="ends with the server").start()


def main(arguments: list[str]) -> None:
    """Load, serve, and in a child become a kernel."""
    connection, life = (int(argument) for argument in arguments)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.disable()
    load()
    with socket.socket(fileno=connection) as server:
        if threads() > 1:
            raise SystemExit("A library started a thread: kernels can't be forked here")
        request = Parent(server, life).serve()
    if request is not None:
        become_kernel(request, life)


if __name__ == "__main__":
    main(sys.argv[1:])
