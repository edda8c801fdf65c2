"""Where this copy runs: on the student's own machine, or hosted, where an idle stop comes and files may go.

A school or a hosting service says so by environment variables; nothing is looked up anywhere.

| variable | set by | meaning |
|---|---|---|
| `BINDER_LAUNCH_HOST` | a service that builds a copy for everyone who asks | an idle stop throws the files away |
| `JUPYTERHUB_SERVICE_PREFIX` | a server with accounts, as in a school | an idle stop; files usually stay |
| `KIT_IDLE_MINUTES` | the school, if it likes | after how many idle minutes the machine stops |
| `KIT_HANDIN_FOLDER` | the school, if it likes | where hand-ins go: a folder or an address |
"""

from __future__ import annotations

import os
from collections.abc import Mapping

__all__ = ["handin_folder", "idle_notice", "is_hosted"]

THROWN_AWAY = "BINDER_LAUNCH_HOST"
WITH_ACCOUNTS = "JUPYTERHUB_SERVICE_PREFIX"


def is_hosted(environment: Mapping[str, str] = os.environ) -> bool:
    """Whether this copy runs on a machine that stops by itself."""
    return bool(environment.get(THROWN_AWAY) or environment.get(WITH_ACCOUNTS))


def idle_notice(environment: Mapping[str, str] = os.environ) -> str:
    """What happens after an idle stop and what to do before one, for a student; empty on a machine of one's own."""
    if not is_hosted(environment):
        return ""
    minutes = environment.get("KIT_IDLE_MINUTES", "")
    when = f"{int(minutes)} minutes" if minutes.isascii() and minutes.isdigit() and int(minutes) > 1 else "some minutes"
    stops = f"This page runs on a hosted machine. It stops after {when} without work."
    if environment.get(THROWN_AWAY):
        return (
            f"{stops} Then all its files are gone. Download your workbook before a break. "
            "Come back later, put the file back, and go on where you stopped."
        )
    return (
        f"{stops} Your workbook should still be there when you come back. "
        "Download it before a break all the same: then you can put it back, whatever happens."
    )


def handin_folder(environment: Mapping[str, str] = os.environ) -> str | None:
    """Where the school wants hand-ins (a folder or an address); None: beside the notebook."""
    return environment.get("KIT_HANDIN_FOLDER") or None
