"""The class desk's server: what can be asked for, and by whom.

What students can do: POST a hand-in to the class's own address, and nothing else. Nothing can be listed or read back.
The teacher's pages need the teacher's key. On a hub, the hub says who asks (`kit.classroom.desk`).
"""

from __future__ import annotations

import asyncio
import hmac
import json
import os
import socket
from collections.abc import Callable, Mapping
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from tornado import web
from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets

from ..errors import KitError
from ..lessons.lesson import LESSON_FILE
from ..record.entries import MOMENTS, Moment
from ..record.handin import MAX_BYTES
from ..record.sending import DESK
from .desk import Desk, Hub, hub_of, near_address
from .live import ADDRESS, Chosen, LiveClass
from .page import class_report, class_summary
from .receive import DeskIsFull, load_settings

__all__ = ["USUAL_PORT", "run_desk", "serve", "start"]

USUAL_PORT = 8765
DRAIN_BYTES = 40_000_000  # of a hand-in that is too large, read and thrown away so that the answer arrives
IN_FLIGHT_BYTES = 60_000_000  # of all hand-ins that are coming in at one moment
COST_BYTES = 100_000  # so much of a hand-in costs as much as one request
COOKIE = "class_desk"
SHORTEST_KEY = 16


async def start(desk: Desk, host: str = "", port: int = 0, shown_as: str = "") -> int:
    """Listen; returns the port. `host`: "" for all networks; `shown_as`: the name or number students type.

    Raises
    ------
    OSError : the port is taken.
    """
    sockets = bind_sockets(port, host or None, family=socket.AF_INET)
    port = sockets[0].getsockname()[1]
    desk.server = HTTPServer(
        application(desk),
        max_body_size=DRAIN_BYTES,
        max_header_size=16_000,
        body_timeout=30.0,
        idle_connection_timeout=60.0,
    )
    desk.server.add_sockets(sockets)
    name = shown_as or (host if host not in ("", "0.0.0.0") else near_address())
    code = "send" if desk.hub else desk.settings.code
    desk.address = f"http://{name}:{port}{desk.prefix}{code}"
    near = host if host not in ("", "0.0.0.0") else "127.0.0.1"
    desk.teacher_address = f"http://{near}:{port}{desk.prefix}teacher?key={desk.settings.key}"
    desk.begin()
    return port


async def serve(desk: Desk, say: Callable[[str], object], host: str = "", port: int = 0, shown_as: str = "") -> None:
    """Serve until cancelled. `port` 0: the one used before, or the usual one, or where that is taken any.

    Raises
    ------
    KitError : nothing can listen there.
    """
    for wanted in [port] if port else dict.fromkeys([desk.settings.port or USUAL_PORT, 0]):
        try:
            found = await start(desk, host, wanted, shown_as)
            break
        except OSError as problem:
            why = problem.strerror or str(problem)
    else:
        raise KitError(f"The desk can't listen on port {port} ({why})", fix="choose another one with --port")
    load_settings(desk.live.folder, port=found)
    if desk.hub is None:
        say(f"Students type this address once (the projector can show it):\n\n    {desk.address}\n")
    say(f"Your own page (keep this to yourself, the key is in it):\n\n    {desk.teacher_address}\n")
    say(f"Hand-ins are kept in {desk.live.folder}. To end, press Ctrl-C here; start it again any time.")
    try:
        await asyncio.Event().wait()
    finally:
        await desk.stop()


def run_desk(
    folder: Path,
    lesson: Path | None,
    key_folder: Path | None,
    known_lessons: Path,
    anew: bool,
    kept: Mapping[str, int],
    where: Mapping[str, Any],
) -> None:
    """Serve the desk of a folder until interrupted; as a hub's service, where the hub expects it.

    Parameters
    ----------
    known_lessons : in it, a lesson is looked for by the name that hand-ins say, if none is given.
    anew, kept : see `load_settings`.
    where : host, port and shown_as, see `serve`.
    """

    def find(name: str) -> Path | None:
        return known_lessons / name if (known_lessons / name / LESSON_FILE).is_file() else None

    hub, settings = hub_of(), load_settings(folder, anew, **kept)
    if own_key := os.environ.get("KIT_DESK_KEY"):  # a hub's service keeps it where its other secrets are
        if len(own_key) < SHORTEST_KEY:
            raise KitError(
                f"KIT_DESK_KEY is shorter than {SHORTEST_KEY} signs", fix="take a longer one, made by chance"
            )
        settings = replace(settings, key=own_key)
    live = LiveClass(folder, lesson, find, settings.groups, key_folder)
    if hub:
        where = {"host": hub.host, "port": hub.port, "shown_as": ""}

    async def run() -> None:
        await serve(Desk(live, settings, hub), say=lambda words: print(words, flush=True), **where)

    asyncio.run(run())


def application(desk: Desk) -> web.Application:
    """All that can be asked for."""
    kept = {"desk": desk}
    pages = [
        ("teacher", TeacherPage),
        ("teacher/screen", ScreenPage),
        ("teacher/live", Live),
        ("teacher/act", Act),
        ("teacher/summary", SummaryPage),
        ("teacher/report", ReportPage),
        (r"([a-z0-9-]{1,60})", Send),
    ]
    routes = [(desk.prefix + path, handler, kept) for path, handler in pages]
    return web.Application(
        routes, default_handler_class=Nothing, default_handler_args=kept, log_function=lambda handler: None
    )


# --- handlers ------------------------------------------------------------------------------------------------------


class _Base(web.RequestHandler):
    desk: Desk

    def initialize(self, desk: Desk) -> None:
        self.desk = desk

    def set_default_headers(self) -> None:
        self.set_header("Server", "desk")
        self.set_header("Cache-Control", "no-store")
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Referrer-Policy", "no-referrer")
        self.set_header("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")

    @property
    def asker(self) -> str:
        return str(self.request.remote_ip)

    def answer(self, status: int, **said) -> None:
        """Say something to a program."""
        self.set_status(status)
        self.set_header("Content-Type", "application/json")
        self.finish(json.dumps({"desk": DESK, **said}, ensure_ascii=False))

    def write_error(self, status_code: int, **kwargs) -> None:
        self.answer(status_code, why="there is nothing here" if status_code == 404 else "this can't be done here")

    def log_exception(self, typ, value, tb) -> None:
        if not isinstance(value, web.HTTPError):
            super().log_exception(typ, value, tb)


class Nothing(_Base):
    """Whatever else is asked for."""

    def prepare(self) -> None:
        raise web.HTTPError(404)


@web.stream_request_body
class Send(_Base):
    """One hand-in, POSTed to the class's address. It is judged before it is read: code, size, how often."""

    def prepare(self) -> None:
        self.parts: list[bytes] = []
        self.refusal: tuple[int, str] | None = None
        self.length = 0
        if self.request.method == "POST":
            self.refusal = self._refusal()
            if self.refusal is None:
                self.length = int(self.request.headers["Content-Length"])
                self.desk.in_flight += self.length

    def _refusal(self) -> tuple[int, str] | None:
        """Status and reason, if this is not to be read."""
        headers, desk = self.request.headers, self.desk
        if desk.hub is None and not self._has_code():
            return (
                (429, "too many wrong codes; wait a minute")
                if not desk.wrong.take(self.asker)
                else (
                    403,
                    "the desk does not know this class code",
                )
            )
        if headers.get("Content-Type", "").partition(";")[0].strip() != "application/json":
            return 415, "a hand-in is JSON"
        length = headers.get("Content-Length", "")
        if not (length.isascii() and length.isdigit()):
            return 411, "its length is missing"
        if int(length) > MAX_BYTES:
            return 413, f"it is larger than {MAX_BYTES / 1e6:g} MB"
        if desk.in_flight + int(length) > IN_FLIGHT_BYTES:
            return 503, "the desk is busy"
        if not desk.sends.take(self.asker, 1 + int(length) / COST_BYTES):
            return 429, "too many at once"
        return None

    def _has_code(self) -> bool:
        return hmac.compare_digest(self.path_args[0].encode(), self.desk.settings.code.encode())

    def data_received(self, chunk: bytes) -> None:
        if self.refusal is None:
            self.parts.append(chunk)

    async def post(self, code: str) -> None:
        if self.refusal is not None:
            self.answer(self.refusal[0], why=self.refusal[1])
            return
        if self.desk.hub is not None:
            if code != "send":
                raise web.HTTPError(404)
            refusal = await self._refused_by_hub(self.desk.hub)
            if refusal:
                self.answer(refusal[0], why=refusal[1])
                return
        try:
            kept = await self.desk.keep(b"".join(self.parts))
        except DeskIsFull as problem:
            self.answer(507, why=problem.problem)
        except KitError as problem:
            self.answer(400, why=problem.problem)
        else:
            self.answer(200, **kept)

    async def _refused_by_hub(self, hub: Hub) -> tuple[int, str] | None:
        kind, _, token = self.request.headers.get("Authorization", "").partition(" ")
        if kind.lower() not in ("token", "bearer"):
            return 403, "the hub's token is missing"
        try:
            user = await hub.who(token.strip())
        except OSError:
            return 503, "the hub does not answer"
        if not user:
            return (403, "the hub does not know you") if self.desk.wrong.take(self.asker) else (429, "wait a minute")
        return None if self.desk.user_sends.take(user) else (429, "too many at once")

    def on_finish(self) -> None:
        self.desk.in_flight -= self.length
        self.length, self.parts = 0, []

    def on_connection_close(self) -> None:
        self.on_finish()

    def get(self, code: str) -> None:
        """For whoever follows the QR code: what to do with the address."""
        if self.desk.hub is not None or not self._has_code():
            status = 404 if self.desk.wrong.take(self.asker) else 429
            raise web.HTTPError(status)
        html, policy = self.desk.page("desk_student.html.j2", address=self.desk.address)
        self.set_header("Content-Security-Policy", policy)
        self.finish(html)


class _ForTeacher(_Base):
    """What needs the teacher's key: once in the address or typed, then by a cookie that no other site can use."""

    def prepare(self) -> None:
        if not self._let_in():
            raise web.HTTPError(403)

    def _let_in(self) -> bool:
        return hmac.compare_digest(self.get_cookie(COOKIE, "").encode(), self._pass().encode())

    def _pass(self) -> str:
        return hmac.new(self.desk.settings.key.encode(), b"teacher", sha256).hexdigest()

    def show_page(self, template: str, **values) -> None:
        html, policy = self.desk.page(template, **values)
        self.set_header("Content-Security-Policy", policy)
        self.finish(html)


class TeacherPage(_ForTeacher):
    """The teacher's own page; without the key, a field for it."""

    def prepare(self) -> None:
        pass

    def get(self) -> None:
        if key := self.get_query_argument("key", ""):
            self._try(key)
        elif self._let_in():
            lesson = self.desk.live.overview.lesson
            self.show_page("desk_teacher.html.j2", title=lesson.title if lesson else "", address=self.desk.address)
        else:
            self.set_status(403)
            self.show_page("desk_key.html.j2", wrong=False)

    def post(self) -> None:
        self._try(self.get_body_argument("key", ""))

    def _try(self, key: str) -> None:
        if hmac.compare_digest(key.strip().encode(), self.desk.settings.key.encode()):
            self.set_cookie(COOKIE, self._pass(), path=self.desk.prefix, httponly=True, samesite="Strict")
            self.redirect(f"{self.desk.prefix}teacher", status=303)
            return
        # Only wrong keys are slowed down: behind a hub all come from one address, and nobody may lock the teacher out.
        if not self.desk.wrong.take(f"key {self.asker}"):
            raise web.HTTPError(429)
        self.set_status(403)
        self.show_page("desk_key.html.j2", wrong=True)


class ScreenPage(_ForTeacher):
    """The projector's page: nothing, until the teacher shows something."""

    def get(self) -> None:
        self.show_page("desk_screen.html.j2")


class Live(_ForTeacher):
    """The news: waits until there are some."""

    async def get(self) -> None:
        desk, after = self.desk, self.get_query_argument("after", "0")
        await desk.news(int(after) if after.isascii() and after.isdigit() and len(after) < 15 else 0)
        if self.get_query_argument("page", "") == "screen":
            view = await desk.drawn(desk.screen_view)
        else:
            asked = {name: self.get_query_argument(name, "") for name in ("part", "question", "moment", "marked")}
            view = await desk.drawn(desk.teacher_view, chosen_of(desk.live, asked))
        self.answer(200, **view)


class Act(_ForTeacher):
    """What the teacher does: show a part, cover it, say how many groups there are."""

    async def post(self) -> None:
        if self.request.headers.get("Content-Type", "").partition(";")[0] != "application/json":
            raise web.HTTPError(415)
        try:
            asked = json.loads(self.request.body[:10_000])
            do = asked["do"]
        except (ValueError, TypeError, KeyError, RecursionError):
            raise web.HTTPError(400) from None
        try:
            if do == "show":
                self.desk.live.show(chosen_of(self.desk.live, asked))
            elif do == "cover":
                self.desk.live.show(None)
            elif do == "scroll" and asked.get("by") in (1, -1):
                self.desk.live.scroll(asked["by"])
            elif do == "groups" and type(asked.get("groups")) is int and 0 <= asked["groups"] <= 1000:
                self.desk.live.expect(asked["groups"])
                load_settings(self.desk.live.folder, groups=asked["groups"])
            else:
                raise web.HTTPError(400)
        except KitError as problem:
            self.answer(400, why=problem.problem)
            return
        await self.desk.tell()
        self.answer(200, version=self.desk.live.version)


class SummaryPage(_ForTeacher):
    """The class on one page, to print."""

    async def get(self) -> None:
        live = self.desk.live
        html = await self.desk.drawn(class_summary, live.overview, live.groups)
        self.set_header("Content-Security-Policy", "frame-ancestors 'none'")  # the page states its own
        self.finish(html)


class ReportPage(_ForTeacher):
    """The whole report, without what is for the teacher's eyes alone."""

    async def get(self) -> None:
        html = await self.desk.drawn(class_report, self.desk.live.overview, False)
        self.set_header("Content-Security-Policy", "frame-ancestors 'none'")  # the page states its own
        self.finish(html)


def chosen_of(live: LiveClass, asked: Mapping[str, Any]) -> Chosen:
    """What a page asked for, as far as it is there; else the first of its kind."""
    questions = [question.id for question in live.overview.questions]
    parts = {part["id"]: part for part in live.choices()}
    part = parts.get(str(asked.get("part")), parts[ADDRESS])
    question = str(asked.get("question", ""))
    question = question if question in questions else (questions[0] if questions else "")
    moment = str(asked.get("moment"))
    marked = str(asked.get("marked", "")).lower() in ("true", "1") and part["can_mark"]
    return Chosen(
        part["id"], question if part["per_question"] else "", moment if moment in MOMENTS else Moment.FIRST, marked
    )
