"""The class desk without its server: hand-ins that come in, who waits for news, what the teacher's pages show.

A hand-in is on the disk before it is confirmed. What can be asked for, and by whom, is in `kit.classroom.serve`.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import socket
import time
from base64 import b64encode
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from hashlib import sha256
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from tornado.httpclient import AsyncHTTPClient, HTTPClientError
from tornado.httpserver import HTTPServer

from ..errors import KitError
from ..plots.pages import templates
from ..record.entries import MOMENTS
from .live import Chosen, LiveClass, standing
from .receive import DeskSettings, Receiver, load_settings
from .sections import HERE, STYLE
from .statistics import stuart_maxwell

__all__ = ["Desk", "Hub", "hub_of", "near_address"]

LOOK_EVERY_S = 1.0  # at the folder, for hand-ins that came another way
POLL_S = 20.0  # how long a page's question for news waits
# (how many at once, how many a second): many groups may share one address, as behind a hub or a router
SENDS, USER_SENDS, WRONG = (240.0, 6.0), (40.0, 1.0), (12.0, 0.2)


class Buckets:
    """How often each asker may ask: so many at once, and so many a second after that."""

    def __init__(self, most: float, per_s: float):
        self._most, self._per_s = most, per_s
        self._left: dict[str, tuple[float, float]] = {}

    def take(self, who: str, cost: float = 1.0) -> bool:
        """Whether the asker may; counts it if so."""
        now = time.monotonic()
        if len(self._left) > 5000:  # those that are full again say nothing
            full = self._most / self._per_s
            self._left = {name: kept for name, kept in self._left.items() if now - kept[1] < full}
        left, then = self._left.get(who, (self._most, now))
        left = min(self._most, left + (now - then) * self._per_s)
        allowed = left >= min(cost, self._most)
        self._left[who] = (left - cost if allowed else left, now)
        return allowed


class Desk:
    """A desk that can be served. `address` is what students type; `teacher_address` opens the teacher's page.

    Parameters
    ----------
    live : the class, whose folder takes the hand-ins.
    hub : the hub whose service this is, if it is one.
    """

    def __init__(self, live: LiveClass, settings: DeskSettings | None = None, hub: Hub | None = None):
        self.live, self.hub = live, hub
        self.settings = settings or load_settings(live.folder)
        self.prefix = hub.prefix if hub else "/"
        self.address = self.teacher_address = ""
        self.in_flight = 0
        self.sends, self.user_sends, self.wrong = Buckets(*SENDS), Buckets(*USER_SENDS), Buckets(*WRONG)
        self._receiver = Receiver(live.folder)
        self._keeping, self._reading, self._drawing = (ThreadPoolExecutor(1) for _ in range(3))
        self._came = asyncio.Event()
        self._news = asyncio.Condition()
        self.server: HTTPServer | None = None
        self._following: asyncio.Task | None = None

    # --- hand-ins -----------------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Follow the folder from now on."""
        self._drawing.submit(_load_what_is_slow)
        self._following = asyncio.create_task(self._follow())

    async def stop(self) -> None:
        """Take no more; what came in whole is kept first."""
        if self._following:
            self._following.cancel()
        if self.server:
            self.server.stop()
            await self.server.close_all_connections()
        for work in (self._keeping, self._reading, self._drawing):
            work.shutdown(wait=True)

    async def keep(self, data: bytes) -> dict[str, Any]:
        """Keep a hand-in; the answer to whoever sent it."""
        loop = asyncio.get_running_loop()
        kept = await loop.run_in_executor(self._keeping, self._receiver.keep, data)
        self._came.set()
        return {"id": kept.id, "kept": "new" if kept.new else "already", "group": kept.group}

    async def _follow(self) -> None:
        """Read the folder again whenever something came, and now and then in any case."""
        loop = asyncio.get_running_loop()
        while True:
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(self._came.wait(), LOOK_EVERY_S)
            self._came.clear()
            try:
                changed = await loop.run_in_executor(self._reading, self.live.read)
            except (KitError, OSError):  # the folder is out of reach now: what was read stays on the page
                continue
            if changed:
                await self.tell()
            await asyncio.sleep(0.05)

    async def tell(self) -> None:
        """Wake all pages that wait for news."""
        async with self._news:
            self._news.notify_all()

    async def news(self, after: int) -> None:
        """Wait until the class is newer than version `after`, or for a while."""
        with contextlib.suppress(asyncio.TimeoutError):
            async with self._news:
                await asyncio.wait_for(self._news.wait_for(lambda: self.live.version != after), POLL_S)

    async def drawn(self, draw, *arguments) -> Any:
        """What `draw` returns, made in another thread: hand-ins are taken meanwhile."""
        return await asyncio.get_running_loop().run_in_executor(self._drawing, draw, *arguments)

    # --- what the pages show -----------------------------------------------------------------------------------------

    def where_to_send(self) -> dict[str, str]:
        """The address as text and QR code, for the projector."""
        return {"text": "" if self.hub else self.address, "chart": "" if self.hub else qr_code(self.address)}

    def screen_view(self) -> dict[str, Any]:
        """What is on the projector now."""
        live, shown = self.live, self.live.shown
        version = live.version
        html = live.html(shown, self.where_to_send()) if shown else ""
        return {"html": html, "scrolled": live.scrolled, **self._menus(version, shown)}

    def _menus(self, version: int, shown: Chosen | None) -> dict[str, Any]:
        questions = [{"id": question.id, "text": question.text} for question in self.live.overview.questions]
        parts = self.live.choices()
        return {
            "version": version,
            "shown": asdict(shown) if shown else None,
            "parts": parts,
            "questions": questions,
        }

    def teacher_view(self, chosen: Chosen) -> dict[str, Any]:
        """Who has sealed, who is missing, what could be shown, and a look at it before the class sees it."""
        live = self.live
        version, overview = live.version, live.overview
        stands = standing(overview, live.groups)
        html = live.html(chosen, self.where_to_send())
        return {
            **self._menus(version, live.shown),
            "groups": live.groups,
            "standing": str(live.parts.standing(stands)),
            "html": html,
        }

    def page(self, template: str, **values) -> tuple[str, str]:
        """A page of the desk and the content policy that lets its own script run, and no other."""
        script = (HERE / "desk.js").read_text("utf-8")
        digest = b64encode(sha256(script.encode()).digest()).decode()
        style = STYLE.read_text("utf-8") + (HERE / "desk.css").read_text("utf-8")
        html = (
            templates(HERE)
            .get_template(template)
            .render(style=style, script=script, prefix=self.prefix, moments=MOMENTS, **values)
        )
        policy = (
            f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; connect-src 'self'; "
            "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        )
        return html, policy


# --- small parts ---------------------------------------------------------------------------------------------------


def _load_what_is_slow() -> None:
    """What the first part to be shown would have to wait for."""
    stuart_maxwell(np.array([[1, 2], [0, 1]]))
    qr_code("http://127.0.0.1/")


def qr_code(text: str) -> str:
    """A QR code as an SVG drawing, black on white whatever is around it."""
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out, kind="svg", xmldecl=False, svgns=True, scale=8, border=4, dark="#000", light="#fff", omitsize=True
    )
    return out.getvalue().decode()


def near_address() -> str:
    """This machine's address in its network. Nothing is sent for that; 127.0.0.1 where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("10.255.255.255", 1))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


# --- as a service of a school's hub ----------------------------------------------------------------------------------
#
# Who asks is told by the hub, from the token that a session carries: it answers `GET /user` for a token with whose it
# is and what it may do (its REST API). A desk takes hand-ins from tokens that may reach this service. So no account's
# name is needed in a hand-in, and none is kept.

WAIT_S = 5.0
MAX_ANSWER = 1_000_000


@dataclass(frozen=True)
class Hub:
    """The hub that started this desk."""

    api_url: str
    prefix: str  # of the desk's addresses, with a slash at both ends
    service: str  # the desk's name there
    bind: str  # where the hub's proxy expects the desk, http://HOST:PORT

    @property
    def host(self) -> str:
        """Where to listen."""
        return urlsplit(self.bind).hostname or "127.0.0.1"

    @property
    def port(self) -> int:
        """On which port."""
        return urlsplit(self.bind).port or 0

    async def who(self, token: str) -> str:
        """Whose token it is, if it may reach this desk; empty if not.

        Raises
        ------
        OSError : the hub does not answer.
        """
        if not token or not token.isascii() or len(token) > 300:
            return ""
        client = AsyncHTTPClient(force_instance=True, max_body_size=MAX_ANSWER)
        try:
            answer = await client.fetch(
                f"{self.api_url.rstrip('/')}/user",
                headers={"Authorization": f"token {token}"},
                request_timeout=WAIT_S,
                connect_timeout=WAIT_S,
                follow_redirects=False,
            )
            found = json.loads(answer.body)
        except HTTPClientError as problem:
            if problem.code in (401, 403, 404):
                return ""
            raise OSError("the hub does not answer") from None
        except ValueError:
            raise OSError("the hub does not answer as it should") from None
        finally:
            client.close()
        if not isinstance(found, dict) or not isinstance(found.get("name"), str):
            return ""
        allowed = {"access:services", f"access:services!service={self.service}"}
        scopes = found.get("scopes")
        return found["name"] if isinstance(scopes, list) and allowed & {s for s in scopes if isinstance(s, str)} else ""


def hub_of(environment: Mapping[str, str] = os.environ) -> Hub | None:
    """The hub, if this process is one of its services; None elsewhere, and in a student's session."""
    names = ("JUPYTERHUB_API_URL", "JUPYTERHUB_SERVICE_PREFIX", "JUPYTERHUB_SERVICE_NAME", "JUPYTERHUB_SERVICE_URL")
    api_url, prefix, service, bind = (environment.get(name, "") for name in names)
    if not (api_url and service and bind and prefix.startswith("/services/")):
        return None
    return Hub(api_url, f"/{prefix.strip('/')}/", service, bind)
