"""A session forked from the hub's process is its user's own, knows nothing of others, and ends as a program does."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import socket
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kit.server.forked import FORKS, Forked, Nursery
from tests.unit.server.test_warmed import runs, until

pytestmark = [
    pytest.mark.slow,  # the process loads all that a server needs
    pytest.mark.skipif(not FORKS, reason="sessions are forked on Linux only"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),  # Jupyter's own
]
PROJECT = Path(__file__).parents[3]
HUBS_SECRET = "the-hub-alone-knows-" + "4711" * 3

# What stands for the server where a test asks what it is given.
LITTLE = """
import json, os, signal, sys, time, threading, random
def facts():
    status = dict(line.split(":", 1) for line in open("/proc/self/status"))
    return {
        "users": [*os.getresuid(), *os.getresgid()], "groups": os.getgroups(), "cwd": os.getcwd(),
        "environment": dict(os.environ), "arguments": sys.argv[1:], "rights": status["CapEff"].strip(),
        "files": [os.readlink(f"/proc/self/fd/{fd}") for fd in os.listdir("/proc/self/fd") if int(fd) > 2
                  and os.path.islink(f"/proc/self/fd/{fd}")],
        "leads": os.getsid(0) == os.getpid(), "interrupt": signal.getsignal(2) is signal.default_int_handler,
        "chance": random.random(), "loaded": sorted({"pandas", "jupyterlab.labapp"} & set(sys.modules)),
    }
def main():
    found = facts()
    with open(os.environ["HOME"] + "/facts.new", "w") as file:
        json.dump(found, file)
    os.rename(file.name, os.environ["HOME"] + "/facts")
    time.sleep(60)
"""


@pytest.fixture(scope="module")
def place() -> Iterator[Path]:
    """A folder that every user may enter, unlike those of pytest."""
    folder = Path(tempfile.mkdtemp(prefix="s-"))
    folder.chmod(0o755)
    (folder / "little_server.py").write_text(LITTLE)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def nursery(place) -> Iterator[Nursery]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join([str(place), str(PROJECT)]))
        patch.setenv("CONFIGPROXY_AUTH_TOKEN", HUBS_SECRET)
        yield (nursery := Nursery())
    nursery.stop()


class Session:
    """One of a group, with a home of its own."""

    def __init__(self, nursery: Nursery, home: Path, user: dict | None = None, **changed: Any):
        self.home = home
        home.mkdir()
        if user:
            os.chown(home, user["uid"], user["gid"])
        environment = {"HOME": str(home), "PATH": os.environ["PATH"], **changed.pop("env", {})}
        request = {
            "command": ["/bin/false"],
            "arguments": ["--one", "two"],
            "main": "little_server:main",
            "env": environment,
            "cwd": str(home),
            "user": user,
            "prepare": False,
            **changed,
        }
        process = asyncio.run(nursery.fork(request))
        assert isinstance(process, Forked)
        self.process, self.environment = process, environment

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait(30)

    def facts(self) -> dict:
        assert until(lambda: (self.home / "facts").exists()), self.process.poll()
        return json.loads((self.home / "facts").read_text())


def in_memory(pid: int, words: str) -> bool:
    """Whether some writable memory of a process holds these words."""
    with Path(f"/proc/{pid}/mem").open("rb", 0) as memory:
        for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
            places, rights, *_ = line.split()
            if rights.startswith("rw"):
                start, end = (int(place, 16) for place in places.split("-"))
                memory.seek(start)
                if words.encode() in memory.read(end - start):
                    return True
    return False


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user")
def test_a_session_belongs_to_its_user_and_to_nobody_else(nursery, place):
    user = {"uid": 12345, "gid": 12346, "groups": [12346, 12347]}
    with Session(nursery, place / "own", user, env={"MINE": "1"}) as session:
        facts = session.facts()
        assert facts["users"] == [12345] * 3 + [12346] * 3
        assert facts["groups"] == [12346, 12347]
        assert int(facts["rights"], 16) == 0
        assert facts["cwd"] == str(session.home)
        assert {k: v for k, v in facts["environment"].items() if k != "LC_CTYPE"} == session.environment
        assert facts["arguments"] == ["--one", "two"]
        assert facts["leads"] and facts["interrupt"]
        assert (session.home / "facts").stat().st_uid == 12345
        # its kernels' process is the user's as well; what is open is what lies between those two
        below = _children(session.process.pid)
        assert [Path(f"/proc/{pid}").stat().st_uid for pid in (session.process.pid, *below)] == [12345] * 2
        theirs = {file for pid in below for file in _files(pid)}
        assert all(kind.startswith(("socket:", "pipe:", "anon_inode:")) for kind in theirs | set(facts["files"]))
        nurserys = {file for file in _files(nursery.pid) if not file.startswith("anon_inode:")}  # those have no number
        assert nurserys and not nurserys & (theirs | set(facts["files"]))
        assert facts["loaded"] == ["jupyterlab.labapp", "pandas"]


def test_what_one_session_is_told_no_other_knows(nursery, place):
    secret = "a-token-of-one-student-" + "0815" * 3
    with Session(nursery, place / "one", env={"JUPYTERHUB_API_TOKEN": secret}) as one:
        first = one.facts()
        with Session(nursery, place / "other") as other:
            second = other.facts()
            assert in_memory(one.process.pid, secret)  # where it is, it is found
            for pid in (nursery.pid, other.process.pid):
                assert not in_memory(pid, secret) and not in_memory(pid, HUBS_SECRET)
            assert first["chance"] != second["chance"]
            assert first["files"] and not set(first["files"]) & set(second["files"])


def test_a_session_ends_as_a_program_does_and_outlives_the_process_it_came_from(nursery, place):
    sessions = [Session(nursery, place / name) for name in ("stopped", "killed", "left")]
    stopped, killed, left = (session.process for session in sessions)
    for session in sessions:
        session.facts()
    stopped.terminate()
    killed.kill()
    assert (stopped.wait(30), killed.wait(30), left.poll()) == (-signal.SIGTERM, -signal.SIGKILL, None)
    first = nursery.pid
    os.kill(first, signal.SIGKILL)
    assert until(lambda: nursery.pid != first)  # another one loads, before anybody asks
    assert runs(left.pid) and left.poll() is None
    left.kill()
    assert left.wait(30) == 1  # that it ended is known, not how
    with Session(nursery, place / "next") as following:
        following.facts()


def test_the_script_that_prepares_a_home_says_where_and_with_what_the_server_runs(nursery, place):
    lessons = place / "lessons"
    (lessons / "notebooks").mkdir(parents=True)
    (lessons / "notebooks" / "start_here.ipynb").write_text("{}")
    (lessons / "RELEASE").write_text("1")
    script = ["/bin/sh", str(PROJECT / "binder" / "hub" / "session")]
    told = {"KIT_FOR_STUDENTS": str(lessons), "WORDS": "two\nlines = 2"}
    with Session(nursery, place / "prepared", command=script, prepare=True, env=told) as session:
        facts = session.facts()
        assert facts["cwd"] == str(session.home / "spin-down")
        assert (session.home / "spin-down" / "notebooks" / "start_here.ipynb").read_text() == "{}"
        assert told.items() <= facts["environment"].items()
        assert "KIT_SESSION_COMMAND" not in facts["environment"]


def test_another_script_is_simply_started(nursery, place):
    script = place / "another"
    lines = ("#!/bin/sh", '[ "$1" = -c ] && exit 2', 'echo "$$ $*" > "$HOME/new"; mv "$HOME/new" "$HOME/ran"', "")
    script.write_text("\n".join(lines))
    script.chmod(0o755)
    with Session(nursery, place / "as_always", command=[str(script)], prepare=True) as session:
        assert until(lambda: (session.home / "ran").exists())
        assert (session.home / "ran").read_text().split() == [str(session.process.pid), "--one", "two"]


def test_a_server_forks_its_kernels_and_takes_them_with_it(nursery, place):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    arguments = ["--no-browser", "--allow-root", f"--ServerApp.port={port}", f"--ServerApp.root_dir={place}"]
    environment = {
        "JUPYTER_TOKEN": "t",
        "JUPYTER_PREFER_ENV_PATH": "1",
        "JUPYTER_CONFIG_PATH": str(PROJECT / "binder" / "hub"),
        "PYTHONPATH": str(PROJECT),
    }
    command = {"command": [sys.executable, "-m", "jupyterlab"], "main": "jupyterlab.labapp:main"}
    with Session(nursery, place / "a", arguments=arguments, env=environment, **command) as session:

        def ask(what: str, body: dict | None = None) -> Any:
            data = None if body is None else json.dumps(body).encode()
            address = f"http://127.0.0.1:{port}/{what}"
            request = urllib.request.Request(address, data, headers={"Authorization": "token t"})
            with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=30) as answer:
                return answer.read().decode()

        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            try:
                ask("api")
                break
            except OSError:
                time.sleep(0.05)
        assert '"baseUrl"' in ask("lab")
        ask("api/sessions", {"path": "a.ipynb", "name": "a", "type": "notebook", "kernel": {"name": "python3"}})
        (parent,) = _children(session.process.pid)
        assert until(lambda: len(_children(parent)) == 1)
        (kernel,) = _children(parent)
        assert "numpy" in Path(f"/proc/{kernel}/maps").read_text()
        session.process.kill()
        assert until(lambda: not runs(kernel) and not runs(parent))


def _children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _files(pid: int) -> list[str]:
    """What a process has open besides its input and output."""
    folder = Path(f"/proc/{pid}/fd")
    return [str(file.readlink()) for file in folder.iterdir() if int(file.name) > 2]
