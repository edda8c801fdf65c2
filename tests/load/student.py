"""One student: a session of a server, a page's kernel, and what the page does with both."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from jupyter_server.services.kernels.connection.base import deserialize_msg_from_ws_v1, serialize_msg_to_ws_v1
from tornado.httpclient import AsyncHTTPClient, HTTPClientError, HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect

from kit.launcher import PROJECT
from kit.lessons.lesson import load_lesson
from kit.record.workbook import Workbook, default_path
from kit.server.forked import Forked, Nursery
from tests.browser.in_page import seal_predictions

__all__ = ["HUB", "LESSON", "Page", "Student", "proportional_mib"]

HUB = PROJECT / "binder" / "hub"
LESSON = "coasting_disc"
WIDGET = "application/vnd.jupyter.widget-view+json"
AS_JUPYTERLAB = "v1.kernel.websocket.jupyter.org"  # messages go through the server as they are
PATIENCE_S = 300.0


@dataclass
class Page:
    """An open notebook: its kernel and the channel to it."""

    session: str
    channel: WebSocketClientConnection
    first_s: float | None = None  # from the click to the first widget
    whole_s: float | None = None  # to the end of the last cell
    models: dict[str, dict] = field(default_factory=dict)  # comm → state


class Student:
    """A home with the lessons, a server below it, and a click on a page now and then.

    The server is forked from the hub's process that has everything loaded, or without one is a program of its own.
    """

    def __init__(self, home: Path, lessons: Path, nursery: Nursery | None):
        self.home, self.nursery = home, nursery
        shutil.copytree(lessons, home)
        workbook = Workbook(default_path(LESSON, home / "notebooks" / LESSON))
        seal_predictions(workbook, load_lesson(home / "datasets_demo" / LESSON))
        self.token = uuid.uuid4().hex
        self.server: subprocess.Popen[bytes] | Forked | None = None
        self.url = ""

    async def log_in(self) -> None:
        """Start the server as a hub does, and wait until it answers."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        environment = {
            **os.environ,
            "HOME": str(self.home),
            "JUPYTER_TOKEN": self.token,
            "JUPYTER_PREFER_ENV_PATH": "1",
            "JUPYTER_RUNTIME_DIR": str(self.home / ".runtime"),
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        }
        command = [sys.executable, "-m", "jupyterlab"]
        place = [f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--ServerApp.root_dir={self.home}"]
        quiet = ["--ServerApp.log_level=50", "--LabApp.log_level=50"]
        arguments = ["--no-browser", "--allow-root", *place, *quiet]
        if self.nursery:
            request = {
                "command": command,
                "arguments": arguments,
                "main": "jupyterlab.labapp:main",
                "env": {**environment, "JUPYTER_CONFIG_PATH": str(HUB)},
                "cwd": str(self.home),
                "user": None,
                "prepare": False,
            }
            self.server = await self.nursery.fork(request)
            if self.server is None:
                raise RuntimeError("nothing was forked")
        else:
            self.server = subprocess.Popen([*command, *arguments], cwd=self.home, env=environment)
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline and self.server.poll() is None:
            with suppress(OSError, HTTPClientError):
                await self._ask("GET", "api")
                return
            await asyncio.sleep(0.1)
        raise TimeoutError("a server did not start")

    async def open(self, name: str) -> Page:
        """Click on a page and run all its cells."""
        path = f"notebooks/{LESSON}/{name}"
        clicked = time.monotonic()
        await self._ask("GET", f"lab/tree/{path}")
        notebook = json.loads(await self._ask("GET", f"api/contents/{path}"))["content"]
        body = {"path": path, "name": name, "type": "notebook", "kernel": {"name": "python3"}}
        session = json.loads(await self._ask("POST", "api/sessions", body))
        address = f"{self.url.replace('http', 'ws')}/api/kernels/{session['kernel']['id']}/channels"
        request = HTTPRequest(address, headers=self._rights)
        channel = await websocket_connect(request, max_message_size=1 << 28, subprotocols=[AS_JUPYTERLAB])
        page = Page(session["id"], channel)
        asked = [
            await self._send(page, "execute_request", {"code": "".join(cell["source"]), "store_history": True})
            for cell in notebook["cells"]
            if cell["cell_type"] == "code"
        ]
        await self._hear(page, asked[-1], clicked)
        page.whole_s = time.monotonic() - clicked
        return page

    async def close(self, page: Page) -> None:
        """Leave a page: its kernel ends."""
        page.channel.close()
        await self._ask("DELETE", f"api/sessions/{page.session}")

    async def drag_threshold(self, page: Page, periods_s: Sequence[float]) -> list[float]:
        """Drag the start threshold through these places and let go; how long each message was without an answer (s).

        As the picker's page does: the first move says that a drag has begun, letting go that the line rests. Each
        message waits for the answer to the one before. What is answered when the line rests must be all of it.
        """
        model = next(name for name, state in page.models.items() if "start_period_s" in state)
        states: list[dict] = [{"start_period_s": period_s} for period_s in periods_s]
        states[0]["_dragging"] = True
        waits = []
        for state in [*states, {"_dragging": False}]:
            moved = time.monotonic()
            data = {"method": "update", "state": state, "buffer_paths": []}
            await self._hear(page, await self._send(page, "comm_msg", {"comm_id": model, "data": data}), moved)
            waits.append(time.monotonic() - moved)
        answer = page.models[model]["_answer"]
        if answer["start_period_s"] != periods_s[-1] or not all("note" in row for row in answer["rows"]):
            raise RuntimeError("a drag was not answered in full")
        return waits

    def memory_mib(self) -> float:
        """Proportional memory of the server and all below it: its kernels, and the process they are forked from."""
        return proportional_mib(*_tree(self.server.pid)) if self.server else 0.0

    def log_out(self) -> None:
        """End the server, and with it its kernels."""
        if self.server:
            self.server.terminate()
            try:
                self.server.wait(20)
            except (subprocess.TimeoutExpired, TimeoutError):
                self.server.kill()
                self.server.wait()

    @property
    def _rights(self) -> dict[str, str]:
        return {"Authorization": f"token {self.token}"}

    async def _ask(self, method: str, what: str, body: Any = None) -> bytes:
        request = HTTPRequest(
            f"{self.url}/{what}",
            method=method,
            headers=self._rights,
            body=None if body is None else json.dumps(body),
            request_timeout=PATIENCE_S,
        )
        return (await AsyncHTTPClient().fetch(request)).body

    async def _send(self, page: Page, kind: str, content: dict) -> str:
        number = uuid.uuid4().hex
        header = {
            "msg_id": number,
            "msg_type": kind,
            "username": "",
            "session": self.token,
            "version": "5.3",
            "date": "",
        }
        parts = [json.dumps(part).encode() for part in (header, {}, {}, content)]
        await page.channel.write_message(serialize_msg_to_ws_v1(parts, "shell"), binary=True)
        return number

    async def _hear(self, page: Page, last: str, since: float) -> None:
        """Take messages until the kernel is idle after the last request; note what appears."""
        while True:
            received = await asyncio.wait_for(page.channel.read_message(), PATIENCE_S)
            if received is None:
                raise ConnectionError("a kernel's channel has closed")
            _, (header, parent, _, body, *_) = deserialize_msg_from_ws_v1(received)
            kind, content = json.loads(header)["msg_type"], json.loads(body)
            if kind == "error":
                raise RuntimeError("\n".join(content["traceback"]))
            if kind == "comm_open":
                page.models[content["comm_id"]] = content["data"].get("state", {})
            if kind == "comm_msg" and content["data"].get("method") == "update":
                page.models[content["comm_id"]].update(content["data"]["state"])
            if page.first_s is None and WIDGET in content.get("data", {}):
                page.first_s = time.monotonic() - since
            if kind == "status" and content["execution_state"] == "idle" and json.loads(parent)["msg_id"] == last:
                return


def _tree(root: int) -> set[int]:
    """A process and all below it, those of a session of their own included."""
    parents = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError, ValueError):
            parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
    found, new = set(), {root}
    while new:
        found |= new
        new = {pid for pid, parent in parents.items() if parent in new} - found
    return found


def proportional_mib(*pids: int) -> float:
    """Memory of processes, with what is shared divided among those that share it."""
    kib = 0
    for pid in pids:
        with suppress(OSError):
            text = Path(f"/proc/{pid}/smaps_rollup").read_text()
            kib += int(text.partition("\nPss:")[2].split()[0])
    return kib / 1024
