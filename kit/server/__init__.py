"""What the kit adds to a Jupyter server: kernels that are ready at once, and a page with room for the lesson.

`warmed` is a process with the kit's libraries loaded, from which kernels are forked; `provisioner` is the server's side
of it. Where that can't be had, kernels start as always.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

SIDE_BAR = "KIT_SIDE_BAR"  # set to open: pages start with the list of files beside them, as JupyterLab usually does


def _jupyter_server_extension_points() -> list[dict[str, str]]:
    return [{"module": "kit.server"}]


def _link_jupyter_server_extension(server: Any) -> None:
    """Add the kit's part of the page (`labextensions`), before JupyterLab asks where such parts lie."""
    here = str(Path(__file__).with_name("labextensions"))
    for lab in server.extension_manager.extension_apps.get("jupyterlab", ()):
        lab.extra_labextensions_path = [*lab.extra_labextensions_path, here]


def _load_jupyter_server_extension(server: Any) -> None:
    """Load the libraries while nobody waits yet, unless this server starts its kernels in another way."""
    # Nobody builds JupyterLab anew here. Asked whether to, the server starts two programs of Node.js for every page.
    server.web_app.settings.setdefault("page_config_data", {}).update(buildCheck=False, buildAvailable=False)

    from jupyter_client.provisioning import KernelProvisionerFactory

    from .forked import Warmed

    if KernelProvisionerFactory.instance(parent=server).default_provisioner_name == "spin-down-kit-warm":
        Warmed.instance(parent=server).start()
    send_at_once(server)
    if os.environ.get(SIDE_BAR) != "open":
        close_side_bar(server)


def send_at_once(server: Any) -> None:
    """Let no message of a kernel wait for the page to acknowledge the one before: that takes 40 ms of every answer.

    A kernel says "busy", answers, and says "idle". TCP holds back such small packets (Nagle), unless it is told not to.
    """
    settings = server.web_app.settings
    ordinary = settings.get("kernel_websocket_connection_class")
    if ordinary is None:
        return

    class AtOnce(ordinary):  # type: ignore[misc, valid-type]
        """As it was, with packets sent as they come."""

        def connect(self) -> Any:
            """Connect the page to its kernel."""
            self.websocket_handler.set_nodelay(True)
            return super().connect()

    settings["kernel_websocket_connection_class"] = AtOnce


def close_side_bar(server: Any) -> None:
    """Let JupyterLab begin with its list of files folded: it takes a fifth of a small screen.

    Only where nobody has used this JupyterLab yet; a click opens the list, and it stays as it was left.
    """
    from jupyterlab.commands import get_workspaces_dir
    from jupyterlab_server.workspaces_handler import WorkspacesManager

    folder = server.config.get("LabApp", {}).get("workspaces_dir") or get_workspaces_dir()
    with suppress(OSError):  # a home that is full: the page then has its list
        workspaces = WorkspacesManager(folder)
        if not workspaces.list_workspaces():
            workspaces.save(
                "default", json.dumps({"data": {"layout-restorer:data": FOLDED}, "metadata": {"id": "default"}})
            )


FOLDED = {
    "main": {"dock": None, "current": None},
    "down": {"size": 0, "widgets": []},
    "left": {"collapsed": True, "visible": True, "widgets": []},
    "right": {"collapsed": True, "visible": True, "widgets": []},
    "relativeSizes": [0, 1, 0],
    "top": {"simpleVisibility": True},
}
