"""Where this copy runs: on the student's own machine, or hosted, where an idle stop comes and files may go.

A school or a hosting service says so by environment variables; nothing is looked up anywhere.

| variable | set by | meaning |
|---|---|---|
| `BINDER_LAUNCH_HOST` | a service that builds a copy for everyone who asks | an idle stop throws the files away |
| `JUPYTERHUB_SERVICE_PREFIX` | a server with accounts, as in a school | an idle stop; files usually stay |
| `KIT_IDLE_MINUTES` | the school, if it likes | after how many idle minutes the machine stops |
| `KIT_HANDIN_FOLDER` | the school, if it likes | where hand-ins go: a folder or an address |
| `KIT_CLASS_DESK` | the school, if it likes | the address of the class desk, with the class's code |
"""

from __future__ import annotations

import os
from collections.abc import Mapping

__all__ = ["class_desk", "handin_folder", "hub_token", "idle_notice", "is_hosted", "is_thrown_away"]

THROWN_AWAY = "BINDER_LAUNCH_HOST"
WITH_ACCOUNTS = "JUPYTERHUB_SERVICE_PREFIX"


def is_hosted(environment: Mapping[str, str] = os.environ) -> bool:
    """Whether this copy runs on a machine that stops by itself."""
    return bool(environment.get(THROWN_AWAY) or environment.get(WITH_ACCOUNTS))


def is_thrown_away(environment: Mapping[str, str] = os.environ) -> bool:
    """Whether it is a copy for everyone who asks: far from any school's network, and its files do not stay."""
    return bool(environment.get(THROWN_AWAY))


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


def class_desk(environment: Mapping[str, str] = os.environ) -> str | None:
    """The address of the class desk that the school has set; None: the group types one, or there is none."""
    return environment.get("KIT_CLASS_DESK") or None


def hub_token(environment: Mapping[str, str] = os.environ) -> str:
    """With what a session on a hub says who it is; only for a desk that the school itself has set. Empty elsewhere."""
    return environment.get("JUPYTERHUB_API_TOKEN", "") if environment.get(WITH_ACCOUNTS) else ""
