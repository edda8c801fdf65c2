"""Kernels forked from a process that has the libraries loaded behave as kernels that were started, and end alike."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import KernelManager
from jupyter_client.provisioning import KernelProvisionerFactory

from kit.server import provisioner
from kit.server import warmed as server_warmed
from kit.server.forked import FORKS, Forked, Warmed
from kit.server.provisioner import WarmProvisioner

pytestmark = [
    pytest.mark.slow,  # each starts the process anew or a kernel or two
    pytest.mark.skipif(not FORKS, reason="kernels are forked on Linux only"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),  # Jupyter's own
]


@pytest.fixture(scope="module")
def shared() -> Iterator[Warmed]:
    """One process for all tests that leave it as it was."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(Path(provisioner.__file__).parents[2]))
        yield (warmed := Warmed())
    warmed.stop()


@pytest.fixture
def warmed(shared, monkeypatch) -> Warmed:
    KernelProvisionerFactory.instance()  # which fills its list: done within a test, what is installed would be undone
    monkeypatch.setitem(KernelProvisionerFactory.provisioners, "spin-down-kit-warm", _Entry)
    monkeypatch.setattr(Warmed, "_instance", shared)
    return shared


@pytest.fixture
def lean(warmed, tmp_path, monkeypatch) -> Iterator[Warmed]:
    """One of its own that loads no library before it forks: for what does not depend on that."""
    program = "import sys\nfrom kit.server import warmed\nwarmed.load = lambda: None\nwarmed.main(*sys.argv[1:])\n"
    (tmp_path / "lean_warmed.py").write_text(program)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), str(Path(provisioner.__file__).parents[2])]))
    monkeypatch.setattr(Warmed, "module", "lean_warmed")
    monkeypatch.setattr(Warmed, "_instance", lean := Warmed())
    yield lean
    lean.stop()


class _Entry:
    """An installed entry point, whether or not this project is installed."""

    load = staticmethod(lambda: WarmProvisioner)


@contextmanager
def kernel(tmp_path: Path) -> Iterator[tuple[KernelManager, Callable[[str], Any]]]:
    """A running kernel, and what an expression is in it."""
    manager = KernelManager(kernel_name="python3", transport="ipc", connection_file=str(tmp_path / "kernel.json"))
    manager._kernel_spec = KernelSpec(
        argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
        metadata={"kernel_provisioner": {"provisioner_name": "spin-down-kit-warm"}},
    )
    manager.start_kernel(cwd=str(tmp_path))
    client = manager.client()
    client.start_channels()
    client.wait_for_ready(60)

    def ask(expression: str) -> Any:
        reply = client.execute("", user_expressions={"it": expression}, reply=True, timeout=60)
        found = reply["content"]["user_expressions"]["it"]
        if found["status"] == "error":
            return found["ename"]
        return eval(found["data"]["text/plain"])

    try:
        yield manager, ask
    finally:
        client.stop_channels()
        if manager.has_kernel:
            manager.shutdown_kernel(now=True)


def until(holds: Callable[[], bool], limit_s: float = 30.0) -> bool:
    deadline = time.monotonic() + limit_s
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.05)
    return holds()


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_a_forked_kernel_is_a_kernel_like_any_other(warmed, tmp_path):
    with kernel(tmp_path) as (manager, ask):
        assert isinstance(manager.provisioner.process, Forked)
        assert ask("__import__('os').getppid()") == warmed.pid
        assert ask("sorted({'pandas', 'plotly', 'kit.widgets.stage'} & set(__import__('sys').modules))") == [
            "kit.widgets.stage",
            "pandas",
            "plotly",
        ]
        assert ask("__import__('os').getcwd()") == str(tmp_path)
        assert ask("__import__('sys').argv[0]") == "ipykernel_launcher"
        assert ask("__import__('plotly.io').io.renderers.default") == "plotly_mimetype"
        assert ask("'jupyter.widget' in get_ipython().kernel.comm_manager.targets")
        # an interrupt reaches the cell that runs, and the kernel answers afterwards
        assert ask("[__import__('os').kill(__import__('os').getpid(), 2), __import__('time').sleep(30)]") == (
            "KeyboardInterrupt"
        )
        assert ask("1 + 1") == 2
        # started again it is a new process, and shut down it is gone
        before = manager.provisioner.pid
        manager.restart_kernel(now=True)
        assert manager.provisioner.pid != before and until(lambda: not runs(before))
    assert until(lambda: not runs(manager.provisioner.pid if manager.provisioner else before))


def test_two_kernels_share_no_chance_no_names_and_no_files(warmed, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    asked = (
        "__import__('numpy').random.random()",
        "__import__('random').random()",
        "next(__import__('tempfile')._get_candidate_names())",
        "str(__import__('uuid').uuid4())",
        "__import__('zmq').Context.instance()._pid == __import__('os').getpid()",
        "__import__('kit').__name__",
    )
    with kernel(tmp_path / "a") as (_, ask_a), kernel(tmp_path / "b") as (_, ask_b):
        one, other = [[ask(expression) for expression in asked] for ask in (ask_a, ask_b)]
        assert all(a != b for a, b in zip(one[:4], other[:4], strict=True))
        assert one[4] and other[4]
        files = "{str(f.readlink()) for f in __import__('pathlib').Path('/proc/PID/fd').iterdir() if f.is_symlink()}"
        sockets = {name for name in ask_a(files.replace("PID", "self")) if name.startswith("socket:")}
        assert not sockets & ask_b(files.replace("PID", "self"))
        assert not sockets & eval(files.replace("PID", str(warmed.pid)))


def test_a_dead_parent_takes_no_kernel_with_it_and_is_replaced(lean, tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with kernel(tmp_path / "a") as (manager, ask):
        first = lean.pid
        os.kill(first, signal.SIGKILL)
        assert until(lambda: not runs(first))
        assert ask("6 * 7") == 42
        assert manager.is_alive()
        with kernel(tmp_path / "b") as (second, _):
            assert isinstance(second.provisioner.process, Forked)
            assert lean.pid != first
        # one whose parent is gone is still watched, and can be ended
        os.kill(manager.provisioner.pid, signal.SIGKILL)
        assert until(lambda: not manager.is_alive())


def test_where_nothing_can_be_forked_a_kernel_starts_as_always(lean, tmp_path):
    broken = tmp_path / "sitecustomize.py"
    broken.write_text("import threading, time\nthreading.Thread(target=time.sleep, args=(60,), daemon=True).start()\n")
    with kernel(tmp_path) as (manager, ask):
        assert not isinstance(manager.provisioner.process, Forked)
        assert ask("6 * 7") == 42


def test_kernels_end_with_a_server_that_is_killed(lean, tmp_path):
    server = """
import asyncio, sys, time
from pathlib import Path
from jupyter_client import KernelManager
from kit.server.forked import Warmed
import os
Warmed.module = "lean_warmed"
async def main():
    kernel = await Warmed.instance().fork(
        {"connection_file": sys.argv[1], "env": dict(os.environ), "cwd": os.getcwd()}
    )
    print(kernel.pid, Warmed.instance().pid, flush=True)
    time.sleep(60)
from jupyter_client.connect import write_connection_file
write_connection_file(sys.argv[1], transport="ipc", ip=sys.argv[1] + "-ipc")
asyncio.run(main())
"""
    process = subprocess.Popen(
        [sys.executable, "-c", server, str(tmp_path / "kernel.json")],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    with process:
        pids = [int(word) for word in process.stdout.readline().split()]
        assert all(runs(pid) for pid in pids)
        process.kill()
        assert until(lambda: not any(runs(pid) for pid in pids))


@pytest.mark.parametrize(
    "command",
    [
        ["/usr/bin/another-python", "-m", "ipykernel_launcher", "-f", "x.json"],
        [sys.executable, "-m", "another_kernel", "-f", "x.json"],
        [sys.executable, "-m", "ipykernel_launcher", "-f", "x.json", "--debug"],
    ],
)
def test_other_kernels_are_left_to_others(command):
    assert provisioner._connection_file(command) is None
    assert (
        provisioner._connection_file([sys.executable, "-Xfrozen_modules=off", "-m", "ipykernel_launcher", "-f", "x"])
        == "x"
    )


def test_a_stream_is_flushed_only_when_something_was_written():
    done = []
    stream = SimpleNamespace(write=lambda text: done.append(text) or len(text), flush=lambda: done.append("flushed"))
    server_warmed._flush_if_written(stream)
    stream.flush()
    assert done == []
    print("a", "b", file=stream, flush=True)
    stream.flush()
    assert "".join(done) == "a b\nflushed"
    assert stream.write("more") == 4
    stream.flush()
    assert done[-2:] == ["more", "flushed"]


def test_what_a_cell_needed_in_between_is_given_back(monkeypatch):
    """Blocks freed below one that is kept stay with the process, unless it is told to return them."""
    monkeypatch.setattr(server_warmed, "IDLE_S", 0.01)
    registered: dict[str, Callable[..., None]] = {}
    server_warmed._give_back(SimpleNamespace(events=SimpleNamespace(register=registered.__setitem__)))

    def resident_mib() -> float:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20

    async def idle() -> None:
        for _ in range(3):  # cells in a row
            registered["post_run_cell"](None)
        await asyncio.sleep(0.2)

    blocks = [bytes(2000) for _ in range(20_000)]
    kept = blocks.pop()
    blocks.clear()
    before = resident_mib()
    asyncio.run(idle())
    assert before - resident_mib() > 20
    assert len(kept) == 2000
