"""Kernels that are ready at once: a server keeps one process with the kit's libraries loaded, and forks them from it.

`warmed` is that process, `provisioner` the server's side of it. Where it can't be had, kernels start as always.
"""

from __future__ import annotations

from typing import Any


def _jupyter_server_extension_points() -> list[dict[str, str]]:
    return [{"module": "kit.kernels"}]


def _load_jupyter_server_extension(server: Any) -> None:
    """Load the libraries while nobody waits yet, unless this server starts its kernels in another way."""
    from jupyter_client.provisioning import KernelProvisionerFactory

    from .provisioner import Warmed

    if KernelProvisionerFactory.instance(parent=server).default_provisioner_name == "spin-down-kit-warm":
        Warmed.instance(parent=server).start()
