"""A class desk that really listens on this machine, a proxy that breaks the line, and a hub's API that is made up."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from kit.classroom.desk import Desk
from kit.classroom.live import LiveClass
from kit.classroom.receive import load_settings
from kit.classroom.serve import start
from kit.launcher import PROJECT
from kit.record.entries import Band, Kind, Moment
from kit.record.handin import make_handin
from kit.record.workbook import Workbook

LESSON = PROJECT / "datasets_demo" / "coasting_disc"


@contextmanager
def served(folder: Path, lesson: Path | None = LESSON, hub=None, port: int = 0, **changed) -> Iterator[Desk]:
    """A desk that listens on 127.0.0.1 until the end of the block, in a thread of its own."""
    ready, made, failed = threading.Event(), [], []

    async def run() -> None:
        stop = asyncio.Event()
        try:
            desk = Desk(LiveClass(folder, lesson, groups=load_settings(folder, **changed).groups), hub=hub)
            await start(desk, "127.0.0.1", port)
        except Exception as problem:
            failed.append(problem)
            ready.set()
            return
        made.append((desk, asyncio.get_running_loop(), stop))
        ready.set()
        await stop.wait()
        await desk.stop()

    thread = threading.Thread(target=lambda: asyncio.run(run()), daemon=True)
    thread.start()
    ready.wait(20)
    if failed:
        raise failed[0]
    desk, loop, stop = made[0]
    try:
        yield desk
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)


class Proxy:
    """Passes bytes on to a desk, and drops the line after so many of them, or before the answer."""

    def __init__(self, address: str):
        _, _, rest = address.partition("://")
        place, _, path = rest.partition("/")
        host, _, port = place.partition(":")
        self._to = (host, int(port))
        self.cut_after: int | None = None  # bytes of what is sent
        self.drop_answer = False
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listening.getsockname()[1]}/{path}"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._pass, args=(line,), daemon=True).start()

    def _pass(self, line: socket.socket) -> None:
        with line, suppress(OSError), socket.create_connection(self._to, 5) as on:
            line.settimeout(5)
            sent, head, length = 0, b"", None
            while length is None or sent < length:
                chunk = line.recv(4096)
                if not chunk:
                    return
                if self.cut_after is not None and sent + len(chunk) > self.cut_after:
                    on.sendall(chunk[: self.cut_after - sent])
                    return
                on.sendall(chunk)
                sent += len(chunk)
                if length is None:
                    head += chunk
                    if b"\r\n\r\n" in head:
                        top, _, _ = head.partition(b"\r\n\r\n")
                        words = [w for w in top.split(b"\r\n") if w.lower().startswith(b"content-length:")]
                        length = len(top) + 4 + int(words[0].split(b":")[1])
            answer = b""
            while chunk := on.recv(4096):
                answer += chunk
                if not self.drop_answer:
                    line.sendall(chunk)

    def close(self) -> None:
        self._listening.close()


@contextmanager
def made_up_hub(users: dict[str, dict]) -> Iterator[str]:
    """The part of a hub's REST API that a service asks: GET /user for a token. Yields the API's address.

    The form of the answers is that of JupyterHub's documentation (REST API, "Who am I?"), from memory.
    """

    class Api(BaseHTTPRequestHandler):
        def do_GET(self):
            kind, _, token = self.headers.get("Authorization", "").partition(" ")
            found = users.get(token) if kind == "token" and self.path == "/hub/api/user" else None
            body = json.dumps(found or {"status": 403, "message": "Missing or invalid credentials."}).encode()
            self.send_response(200 if found else 403)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Api)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/hub/api"
    finally:
        server.shutdown()
        server.server_close()


def answer(
    workbook: Workbook, question: str, choice: str, moment: str = Moment.FIRST, reason: str = "so it is"
) -> None:
    """Save one answer as a card does."""
    value = {"choice": choice, "reason": reason, "confidence": Band.MIDDLE.value, "moment": str(moment)}
    stage = "explain" if moment == Moment.END else "predict"
    workbook.add(stage, Kind.PREDICTION.of(question), value, sealed=moment == Moment.FIRST)


def group_of(folder: Path, code: str) -> Workbook:
    """A group that has chosen its code."""
    workbook = Workbook(folder / code / "workbooks" / "coasting_disc.jsonl")
    workbook.choose_code(code)
    return workbook


def document_of(workbook: Workbook) -> dict:
    """Its hand-in now."""
    return make_handin(workbook, workbook.code, "coasting_disc")
