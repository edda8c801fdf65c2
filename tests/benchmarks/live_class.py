"""From a group's click to the teacher's screen, with a class that sends to a real desk in a process of its own."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import numpy as np

from kit.classroom.receive import load_settings
from kit.launcher import PROJECT, project_environment
from kit.record.sending import Outbox, Place
from tests.benchmarks.race import Row
from tests.served_desk import answer, document_of, group_of

__all__ = ["ITEMS"]


def seal_to_screen(small: bool) -> list[Row]:
    """Each of 40 groups seals and sends; until both the teacher's page and the shown part know of it."""
    groups = 4 if small else 40
    rows = []
    for words, over_s in (("all at one instant", 0.0), ("over 20 s", 1.0 if small else 20.0)):
        with tempfile.TemporaryDirectory() as folder:
            waited_s = _class_sends(Path(folder), groups, over_s)
        p50, p95 = (float(np.percentile(waited_s, p)) for p in (50, 95))
        rows += [
            Row(f"seal to screen, {groups} groups, {words}: p50", 1000 * p50, "ms", goal="≤ 2 s"),
            Row("  p95", 1000 * p95, "ms", goal="≤ 2 s", note="desk, 2 pages that ask and all groups on this machine"),
        ]
    return rows


def _class_sends(folder: Path, groups: int, over_s: float) -> list[float]:
    """How long each group waited, s: from before its answer is sealed until its answer is in what the page is given."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "kit", "class-desk", str(folder / "desk"), "--host", "127.0.0.1"]
    command += ["--port", str(port), "--lesson", str(PROJECT / "datasets_demo" / "coasting_disc")]
    desk = subprocess.Popen(command, cwd=PROJECT, env=project_environment(), stdout=subprocess.PIPE, text=True)
    try:
        for line in desk.stdout or ():
            if "Hand-ins are kept" in line:
                break
        settings = load_settings(folder / "desk")
        teacher = _Teacher(port, settings.key)
        began, seen = {}, {}
        over = threading.Event()
        watching = [
            threading.Thread(target=_watch, args=(_Teacher(port, settings.key), query, found, over))
            for query, found in (
                ("page=teacher&part=reasons&question=two-magnets", seen),
                ("page=screen", {}),
            )
        ]
        place = Place(f"http://127.0.0.1:{port}/{settings.code}")
        books = [group_of(folder, f"group-{k:02}") for k in range(groups)]
        for book in books[:1]:  # so that there is something to show, and all is loaded
            answer(book, "two-magnets", "half")
            Outbox(book).put(document_of(book))
            Outbox(book).send(place, {})
        teacher.ask("GET", "/teacher/live?after=0")
        teacher.ask("POST", "/teacher/act", json.dumps({"do": "show", "part": "first", "question": "two-magnets"}))
        for thread in watching:
            thread.start()

        def work(k: int) -> None:
            time.sleep(over_s * k / groups)
            began[books[k].code] = time.monotonic()
            answer(books[k], "two-magnets", "between", reason=f"reason of group-{k:02}.")
            Outbox(books[k]).put(document_of(books[k]))
            while Outbox(books[k]).send(place, {}).waiting:
                time.sleep(0.5)

        working = [threading.Thread(target=work, args=(k,)) for k in range(1, groups)]
        for thread in working:
            thread.start()
        for thread in working:
            thread.join()
        deadline = time.monotonic() + 30
        while len(seen) < groups - 1 and time.monotonic() < deadline:
            time.sleep(0.01)
        over.set()
        return [
            seen[f"reason of {code}."] - start if f"reason of {code}." in seen else 30.0
            for code, start in began.items()
        ]
    finally:
        desk.kill()
        desk.wait()
        if desk.stdout:
            desk.stdout.close()


class _Teacher:
    """Asks as the teacher's page does."""

    def __init__(self, port: int, key: str):
        self._line = http.client.HTTPConnection("127.0.0.1", port, timeout=40)
        self._line.request("GET", f"/teacher?key={quote(key)}")
        got = self._line.getresponse()
        got.read()
        self._cookie = (got.getheader("Set-Cookie") or "").partition(";")[0]

    def ask(self, method: str, path: str, body: str | None = None) -> dict:
        """One question and its answer."""
        self._line.request(method, path, body, {"Cookie": self._cookie, "Content-Type": "application/json"})
        return json.loads(self._line.getresponse().read())


def _watch(teacher: _Teacher, query: str, seen: dict[str, float], over: threading.Event) -> None:
    """Ask for news again and again, and note when each group's reason is there for the first time."""
    version = 0
    while not over.is_set():
        try:
            news = teacher.ask("GET", f"/teacher/live?{query}&after={version}")
        except (OSError, http.client.HTTPException, ValueError):  # the desk was stopped at the end
            return
        now, version = time.monotonic(), news["version"]
        for part in news["html"].split("reason of ")[1:]:
            seen.setdefault(f"reason of {part.partition('.')[0]}.", now)


ITEMS: dict[str, Callable[[bool], list[Row]]] = {"seal-to-screen": seal_to_screen}
