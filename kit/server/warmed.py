"""The process that others are forked from: it loads what they need, once, and then waits.

    python -m kit.server.warmed FD LIFE

It forks the kernels of one server; `kit.server.sessions`, in the same way, whole servers for a hub. ``FD`` is one end
of a pair of sockets that keep messages apart. ``{"id"}`` asks for a child and brings a file that says what the child is
to be. Answers are ``{"id", "pid"}``, later ``{"id", "exit"}``; first comes ``{"ready": true}``. ``LIFE`` is the reading
end of a pipe that ends with the server or hub, and with it this process and its kernels. Kernels and sessions live on
if this process dies.

Forking is safe in a process of one thread only, so there is never a second one here, and no ZeroMQ context, no event
loop and no open file. `random`, `tempfile` and `uuid` begin anew in a child by themselves; numpy's global generator
does not.

What one child is told, no other may know. So this process never reads it: the file is passed on unread, and nothing of
it is in the memory that later children are copies of. What is given up: all children have the same layout in memory
and the same seed of `hash`, so that whoever finds out those of one session knows those of all. That helps only who
has a flaw to send another's session into. This process itself gets nothing from a student.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
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

__all__ = ["LIBRARIES", "Parent", "become_kernel", "begin_anew", "load", "serve", "threads"]

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
    "kit.lessons.cells_inside",
    *(
        f"kit.widgets.{page}"
        for page in (
            *("bench", "by_eye", "claim_tester", "hand_graph", "hand_in", "make_runs", "methods", "own_claim"),
            *("predicted_curve", "sound_view", "threshold_picker", "trend_fitter", "trial_table", "views"),
        )
    ),
)
IDLE_S = 1.0  # without a cell, before memory is returned


def threads() -> int:
    """How many threads this process has, those of compiled libraries included (Linux)."""
    return sum(1 for _ in Path("/proc/self/task").iterdir())


def load(names: tuple[str, ...] = LIBRARIES) -> None:
    """Import what kernels need, use it once, and keep the garbage collector off what they will share."""
    for name in names:
        import_module(name)
    rehearse()
    # A collection in a child would write to every page that it shares with this process. There is none here either: it
    # would leave holes, and what a child puts into a hole gets it a copy of the whole page.
    gc.freeze()


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
    """Waits for requests, forks, and tells which children have ended."""

    server: socket.socket
    life: int
    children: dict[int, str] = field(default_factory=dict)  # process → id

    def serve(self) -> int | None:
        """Until the server is gone: None. In a child: the open file that says what it is to be."""
        woken, wake = os.pipe()
        os.set_blocking(wake, False)
        os.set_blocking(woken, False)
        signal.set_wakeup_fd(wake)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        self._tell({"ready": True})
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
                    message, files, _, _ = socket.recv_fds(self.server, 4096, 1)
                    if not message:
                        return None
                    child = os.fork()
                    if not child:
                        signal.set_wakeup_fd(-1)
                        os.close(woken)
                        os.close(wake)
                        return files[0]
                    os.close(files[0])
                    name = json.loads(message)["id"]
                    self.children[child] = name
                    self._tell({"id": name, "pid": child})

    def _bury(self) -> None:
        while self.children:
            child, status = os.waitpid(-1, os.WNOHANG)
            if not child:
                return
            self._tell({"id": self.children.pop(child), "exit": os.waitstatus_to_exitcode(status)})

    def _tell(self, message: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):  # the server is gone: noticed where requests are read
            self.server.send(json.dumps(message).encode())


def begin_anew(file: int, keep: tuple[int, ...] = ()) -> dict[str, Any]:
    """In a child: what it was asked for, with nothing left of the process it comes from but the libraries."""
    with os.fdopen(file, "rb") as asked:
        request = json.load(asked)
    low = 3
    for number in (*sorted(keep), 1 << 20):
        os.closerange(low, number)
        low = number + 1
    os.setsid()  # an interrupt is sent to the whole group
    for number in (signal.SIGCHLD, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    gc.enable()

    import numpy as np

    np.random.seed()
    return request


def become_kernel(request: dict[str, Any], life: int) -> None:
    """In a child: be an ordinary kernel, which ends with the server."""
    os.environ.clear()
    os.environ.update(request["env"])
    os.chdir(request["cwd"])
    sys.argv = ["ipykernel_launcher", "-f", request["connection_file"]]
    _end_with(life)

    import ipywidgets
    from ipykernel.kernelapp import IPKernelApp

    app = IPKernelApp.instance(parent_handle=1)  # its own watch over its parent would end it with this one's
    app.initialize(sys.argv[1:])
    app.log.setLevel(app.log_level)  # or each message makes records that no handler writes
    for stream in (sys.stdout, sys.stderr):
        _flush_if_written(stream)
    ipywidgets.register_comm_target()  # at their import there was no kernel yet
    if "plotly.io._renderers" in sys.modules:
        reload(sys.modules["plotly.io._renderers"])  # it has chosen how to show figures, by the shell there was
    _give_back(app.shell)
    app.start()


def _flush_if_written(stream: Any) -> None:
    """Leave out flushes with nothing to send. A kernel asks for two at every message, each of which wakes a thread."""
    write, flush, written = stream.write, stream.flush, False

    def noted(text: str) -> int:
        nonlocal written
        done = write(text)
        written = True
        return done

    def if_written() -> None:
        nonlocal written
        if written:
            written = False  # first: what another thread writes meanwhile is flushed by the next
            flush()

    stream.write, stream.flush = noted, if_written


def _give_back(shell: Any) -> None:
    """Return the memory that cells needed in between, once none has run for a while: a tenth of a page's own."""
    with contextlib.suppress(OSError, AttributeError):  # a C library that has no such thing
        trim = ctypes.CDLL(None).malloc_trim
        waits: list[asyncio.TimerHandle] = []

        def later(*_: object) -> None:
            while waits:
                waits.pop().cancel()
            with contextlib.suppress(RuntimeError):  # no loop around it
                waits.append(asyncio.get_running_loop().call_later(IDLE_S, trim, 0))

        shell.events.register("post_run_cell", later)


def _end_with(life: int) -> None:
    """End this kernel when the server has ended, however that happened."""
    from threading import Thread

    def wait() -> None:
        os.read(life, 1)
        os._exit(1)

    Thread(target=wait, daemon=True, name="ends with the server").start()


def serve(connection: str, life: str) -> int | None:
    """With all loaded: wait for requests, see `Parent.serve`."""
    del sys.path[0]  # the folder this process was started in, which `python -m` puts there
    if threads() > 1:
        raise SystemExit("A library started a thread: nothing can be forked here")
    return Parent(socket.socket(fileno=int(connection)), int(life)).serve()


def main(connection: str, life: str) -> None:
    """Load, serve, and in a child become a kernel."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.disable()
    load()
    file = serve(connection, life)
    if file is not None:
        become_kernel(begin_anew(file, keep=(int(life),)), int(life))


if __name__ == "__main__":
    main(*sys.argv[1:])
