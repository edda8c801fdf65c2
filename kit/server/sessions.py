"""A student's whole session, forked from a process of the hub: it becomes the user, and then the server.

    python -m kit.server.sessions FD LIFE

The server's kernels are forked from a process of that user's own, which this one leaves behind, so all sessions share
what the libraries take. See `kit.server.warmed` for what a child may know of the others: nothing.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import signal
import socket
import subprocess
import sys
from importlib import import_module
from typing import Any

from ..lab import grammar_later
from . import warmed
from .forked import Warmed

__all__ = ["become_session", "load"]

LIBRARIES = (
    "jinja2.ext",
    "jupyter_core.migrate",
    "jupyter_server.kernelspecs.handlers",
    "jupyter_server.nbconvert.handlers",
    *(
        f"jupyter_server.services.{name}.handlers"
        for name in (
            "api",
            "config",
            "contents",
            "events",
            "kernels",
            "kernelspecs",
            "nbconvert",
            "security",
            "sessions",
        )
    ),
    "jupyter_server.services.shutdown",
    "jupyter_server.view.handlers",
    "jupyterlab.labapp",
    "notebook_shim.nbserver",
    "jupyterhub.singleuser",
    "kit.server.provisioner",
)
SESSION_COMMAND = "KIT_SESSION_COMMAND"  # what `binder/hub/session` starts in the end
PREPARING_S = 120.0  # lessons are copied, perhaps over a network
SET_DUMPABLE, SET_NAME = 4, 15  # of prctl


def load() -> None:
    """Import what a server needs; what is not there, it does without.

    JupyterHub's part of a session reads the environment while it is imported, so each does that itself.
    """
    grammar_later()
    for name in LIBRARIES:
        with contextlib.suppress(ImportError):
            import_module(name)
    for name in [name for name in sys.modules if name.startswith(("jupyterhub.services", "jupyterhub.singleuser"))]:
        del sys.modules[name]


def become_session(request: dict[str, Any]) -> None:
    """Be the server that is asked for, or else the ordinary program for it.

    The request holds ``command`` (the ordinary program), ``arguments``, ``main`` (the same as ``module:function``),
    ``env``, ``cwd``, ``user`` (None, or ``uid``, ``gid``, ``groups``) and ``prepare`` (whether ``command`` is a script
    that prepares a home and then starts what ``KIT_SESSION_COMMAND`` says).
    """
    if request["user"]:
        become_user(**request["user"])
    environment, arguments = request["env"], request["arguments"]
    _go_to(request["cwd"], environment)
    prepared = prepare(request["command"], environment) if request["prepare"] else environment
    if prepared is None:
        os.execvpe(request["command"][0], [*request["command"], *arguments], environment)
    os.environ.clear()
    os.environ.update(prepared)
    if request["prepare"]:
        _go_to(prepared["PWD"], prepared)
    leave_parent_of_kernels()
    ctypes.CDLL(None).prctl(SET_NAME, b"session")
    module, _, function = request["main"].partition(":")
    sys.argv = [module, *arguments]
    sys.exit(getattr(import_module(module), function)())


def become_user(uid: int, gid: int, groups: list[int]) -> None:
    """Give up this process's rights for a user's, for good."""
    os.setgid(gid)
    os.setgroups(groups)
    os.setuid(uid)
    # A process that changes its user is closed to that user, until it starts another program. Nothing in this one's
    # memory is secret, and the server looks at its own entries below /proc.
    ctypes.CDLL(None).prctl(SET_DUMPABLE, 1)


def prepare(command: list[str], environment: dict[str, str]) -> dict[str, str] | None:
    """Run the script that prepares a home; the environment it would start the server with, its folder as ``PWD``.

    None where it does something else.
    """
    if SESSION_COMMAND in environment:
        return None  # another server than ours
    asking = {**environment, SESSION_COMMAND: "/bin/sh"}
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        told = subprocess.run(
            [*command, "-c", "printf 'PWD=%s\\0' \"$(pwd -P)\" && exec env -0 -u PWD"],
            env=asking,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            timeout=PREPARING_S,
        )
        lines = told.stdout.decode(errors="surrogateescape").split("\0")
        found = dict(line.split("=", 1) for line in lines if "=" in line)
        if told.returncode == 0 and found.pop(SESSION_COMMAND, "") and lines[0].startswith("PWD="):
            return found
    return None


def leave_parent_of_kernels() -> None:
    """Fork off the process that this server's kernels are forked from."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    life, alive = os.pipe()
    process = os.fork()
    if process:
        theirs.close()
        os.close(life)
        Warmed.instance().adopt(process, ours, alive)
        return
    ours.close()
    os.close(alive)
    file = warmed.Parent(theirs, life).serve()
    if file is not None:
        warmed.become_kernel(warmed.begin_anew(file, keep=(life,)), life)
    os._exit(0)


def _go_to(folder: str, environment: dict[str, str]) -> None:
    for place in (folder, environment.get("HOME", "/"), "/"):
        with contextlib.suppress(OSError):
            os.chdir(place)
            return


def main(connection: str, life: str) -> None:
    """Load, serve, and in a child become a session."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.disable()
    load()
    warmed.load()
    file = warmed.serve(connection, life)
    if file is not None:
        become_session(warmed.begin_anew(file))


if __name__ == "__main__":
    main(*sys.argv[1:])
