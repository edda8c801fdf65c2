"""The server's side of forked kernels: to Jupyter they are as any kernel."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from jupyter_client.provisioning import LocalProvisioner

from .forked import FORKS, Warmed

__all__ = ["WarmProvisioner"]


class WarmProvisioner(LocalProvisioner):
    """Forks the kernels of this very Python from a process that has loaded the kit; starts all others as always."""

    process: Any = None  # a Popen, or as much of one as its parent class uses

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
        """As its parent class does, at once where it can."""
        file = _connection_file(cmd)
        kernel = None
        if FORKS and file is not None:
            cwd = str(kwargs.get("cwd") or Path.cwd())
            kernel = await Warmed.instance().fork({"connection_file": file, "env": dict(kwargs["env"]), "cwd": cwd})
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
