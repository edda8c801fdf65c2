"""The hub's side: sessions that are forked from one process with everything loaded, for all users of a machine."""

from __future__ import annotations

import os
import pwd
from pathlib import Path
from typing import Any

from jupyterhub.spawner import LocalProcessSpawner
from jupyterhub.utils import random_port
from traitlets import Any as AnyValue

from .forked import FORKS, Nursery

__all__ = ["WarmSpawner"]


class WarmSpawner(LocalProcessSpawner):
    """Starts `jupyterhub-singleuser` of the hub's own Python, as its parent class does, in a fifth of the time.

    ``Spawner.cmd`` is that program, or a script that prepares a home and then starts what ``KIT_SESSION_COMMAND``
    names, as ``binder/hub/session`` does. Where a session can't be forked, it is started as always.
    """

    port: Any  # of the parent class
    proc: Any = AnyValue(None, allow_none=True)  # a Popen, or as much of one as the parent class uses

    def __init__(self, **traits: Any):
        super().__init__(**traits)
        Nursery.instance().start()  # it has loaded by the time this user, the first perhaps, has chosen to start

    async def start(self) -> tuple[str, int]:
        """As the parent class does."""
        self.proc = await self._fork() if self._can_fork() else None
        if self.proc is None:
            return await super().start()
        self.pid = self.proc.pid
        return self.ip or "127.0.0.1", self.port

    def _can_fork(self) -> bool:
        other = ("JUPYTERHUB_SINGLEUSER_APP", "JUPYTERHUB_SINGLEUSER_EXTENSION")  # another server than ours
        return FORKS and not (self.shell_cmd or self.popen_kwargs) and not any(name in self.get_env() for name in other)

    async def _fork(self) -> Any:
        if self.port == 0:
            self.port = random_port()
        account = pwd.getpwnam(self.user.name)
        user = {
            "uid": account.pw_uid,
            "gid": account.pw_gid,
            "groups": os.getgrouplist(account.pw_name, account.pw_gid),
        }
        request = {
            "command": list(self.cmd),
            "arguments": self.get_args(),
            "main": "jupyterhub.singleuser:main",
            "env": self.get_env(),
            "cwd": account.pw_dir,
            "user": None if account.pw_uid == os.getuid() else user,
            "prepare": Path(self.cmd[0]).name != "jupyterhub-singleuser",
        }
        session = await Nursery.instance().fork(request)
        if session is not None:
            self.log.info("Spawning a session for %s, forked as process %i", self.user.name, session.pid)
        return session
