"""Start the sessions of a class through a hub's API before the lesson, so that nobody waits for a server.

Only the standard library is used: it runs on the hub's machine, or beside it, as it is. What is asked is JupyterHub's
REST API: `GET /user` (whose token it is), `POST /users/NAME` (make an account known), `POST /users/NAME/server`
(start), `GET /users/NAME` (is it ready?) and `GET /users/NAME/server/progress` (why not).
"""

from __future__ import annotations

import http.client
import json
import os
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from ..errors import KitError

__all__ = ["HUB", "TOKEN_FILE", "Hub", "Outcome", "class_of", "names_in", "seconds_until", "token_in", "warm"]

HUB = "http://127.0.0.1:8081"  # the hub itself, behind its proxy and whatever certificate that has
TOKEN_FILE = "/etc/jupyterhub/before_lesson.token"
ANSWER_BYTES = 1_000_000
ASK_S = 30.0  # for one answer; a hub answers a start after ten seconds at the latest, ready or not
PATIENCE_S = 300.0  # for one session, once it is on its way
PAUSE_S = 1.0  # between two looks at a session that is on its way
TRIES = 3
AGAIN_S = 5.0  # before another try
NEEDED = ("admin:users", "servers")  # what the token must allow; see binder/hub/jupyterhub_config.py


# --- which class, which token, when -----------------------------------------------------------------------------


def class_of(group: str) -> list[str]:
    """The accounts of a group of this machine, sorted: its members, and those whose first group it is.

    Raises
    ------
    KitError : there is no such group, nobody is in it, or this machine has none (Windows).
    """
    try:
        import grp
        import pwd
    except ImportError:
        raise KitError("This machine has no groups of accounts", fix="give the names in a file: --names FILE") from None
    try:
        found = grp.getgrnam(group)
    except KeyError:
        fix = "look at /etc/group, or give the names in a file: --names FILE"
        raise KitError("There is no such group on this machine", found=group, fix=fix) from None
    names = {*found.gr_mem, *(account.pw_name for account in pwd.getpwall() if account.pw_gid == found.gr_gid)}
    if not names:
        fix = "put accounts into it: usermod --append --groups " + group + " NAME"
        raise KitError("Nobody is in this group", found=group, fix=fix)
    return sorted(names)


def names_in(file: Path) -> list[str]:
    """The names in a text file, one a line; empty lines and what follows a # are left out.

    Raises
    ------
    KitError : the file can't be read, holds no name, or a line is no name.
    """
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as problem:
        why = getattr(problem, "strerror", None) or "it is no text"
        raise KitError(f"The names can't be read ({why})", file=file, fix="check the file") from None
    names = []
    for row, line in enumerate(lines, 1):
        name = line.partition("#")[0].strip()
        if len(name.split()) > 1 or any(sign in name for sign in ",;:/\\\0"):
            raise KitError("This is no account's name", file=file, row=row, found=name, fix="write one name a line")
        names += [name] if name else []
    if not names:
        raise KitError("There is no name in the file", file=file, fix="write one name a line")
    return names


def token_in(file: Path | None, environment: Mapping[str, str] = os.environ) -> str:
    """The token: from the file, else from the variable that a hub gives its services, else from the usual file.

    Raises
    ------
    KitError : there is none, or it is none. What was found is never shown.
    """
    given = environment.get("JUPYTERHUB_API_TOKEN", "") if file is None else ""
    where: Path | None = None if given else file or Path(TOKEN_FILE)
    try:
        token = given.strip() if where is None else where.read_text(encoding="ascii").strip()
    except PermissionError:
        raise KitError("The token's file may not be read", file=where, fix="run this as root: sudo …") from None
    except OSError as problem:
        fix = "make it as school_server.md says, or name another one with --token-file"
        raise KitError(f"There is no token ({problem.strerror})", file=where, fix=fix) from None
    except UnicodeDecodeError:
        token = ""
    if not (16 <= len(token) <= 300 and all(33 <= ord(sign) < 127 for sign in token)):
        fix = "let the file hold the token alone, as school_server.md makes it"
        raise KitError("What is there is no token", file=where or "JUPYTERHUB_API_TOKEN", fix=fix)
    return token


def seconds_until(clock: str, before_min: float = 5.0, now: datetime | None = None) -> float:
    """Seconds to wait until some minutes before a time of today, such as 09:55; none or less: it is time.

    Raises
    ------
    KitError : it is no time of day.
    """
    now = now or datetime.now()
    try:
        hours, minutes = (int(part) for part in clock.split(":"))
        lesson = now.replace(hour=hours, minute=minutes, second=0, microsecond=0)
    except ValueError:
        raise KitError("This is no time of day", found=clock, fix="write it as 09:55") from None
    return (lesson - timedelta(minutes=before_min) - now).total_seconds()


# --- the hub ----------------------------------------------------------------------------------------------------


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, req, fp, code, msg, headers, newurl):
        return None  # the token goes where it was sent, and nowhere else


@dataclass(frozen=True)
class Answer:
    """What the hub said: the status, and the object in it, if there was one."""

    status: int
    said: Mapping[str, Any]
    wait_s: float = 0.0  # it asks to come again after so long

    @property
    def why(self) -> str:
        """The hub's own words."""
        return str(self.said.get("message") or f"it answers with {self.status}")[:200].rstrip(".")


class Hub:
    """A hub's API, with the rights of a token; the token is in no message."""

    def __init__(self, address: str, token: str):
        """Take an address such as http://127.0.0.1:8081 or https://hub.school/jupyter.

        Raises
        ------
        KitError : it is none.
        """
        try:
            parts = urlsplit(address if "://" in address else f"http://{address}")
            usable = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0 and not parts.query
        except ValueError:
            usable = False
        if not usable or not address.isascii() or any(sign.isspace() for sign in address):
            raise KitError("This is no address of a hub", found=address, fix=f"write it as {HUB}")
        base = parts.path.rstrip("/").removesuffix("/api").removesuffix("/hub")
        self.address = f"{parts.scheme}://{parts.netloc}{base}"
        self._token = token
        handlers = (urllib.request.ProxyHandler({}), _NoRedirect)
        self._opener = urllib.request.build_opener(*handlers)

    def ask(self, method: str, path: str, wait_s: float = ASK_S) -> Answer:
        """One question.

        Raises
        ------
        OSError : nothing answers.
        """
        request = urllib.request.Request(
            f"{self.address}/hub/api{path}",
            data=b"" if method == "POST" else None,
            method=method,
            headers={"Authorization": f"token {self._token}", "Accept": "application/json, text/event-stream"},
        )
        try:
            with self._opener.open(request, timeout=wait_s) as answer:
                return Answer(answer.status, _object(answer.read(ANSWER_BYTES)))
        except urllib.error.HTTPError as refused:
            with refused:
                after = refused.headers.get("Retry-After", "")
                wait = min(float(after), 60.0) if after.isascii() and after.isdigit() else 0.0
                return Answer(refused.code, _object(refused.read(ANSWER_BYTES)), wait)
        except http.client.HTTPException:
            raise OSError("what answers does not speak HTTP, or the line broke off") from None
        except urllib.error.URLError as problem:
            reason = problem.reason
            raise reason if isinstance(reason, OSError) else OSError(str(reason)) from None

    def check(self) -> None:
        """See that there is a hub, and that it lets the token do what is needed, before anybody waits for it.

        Raises
        ------
        KitError : nothing answers, it is no hub, or the token may not.
        """
        try:
            answer = self.ask("GET", "/user")
        except ssl.SSLCertVerificationError:
            fix = f"run this on the hub's own machine, with --hub {HUB}"
            raise KitError("The certificate of the hub is not known here", file=self.address, fix=fix) from None
        except (OSError, ValueError) as problem:
            why = getattr(problem, "strerror", None) or type(problem).__name__
            fix = "see whether it runs (systemctl status jupyterhub), or say where it is with --hub"
            raise KitError(f"No hub answers ({why})", file=self.address, fix=fix) from None
        if answer.status in (401, 403):
            fix = "give the file of the service before-lesson with --token-file; a hub that was running when the file "
            fix += "was made has to be started again"
            raise KitError("The hub does not know this token", file=self.address, fix=fix)
        scopes = answer.said.get("scopes")
        if answer.status != 200 or not isinstance(scopes, list):
            raise KitError("What answers there is no hub", file=self.address, fix="say where it is with --hub")
        held = {str(scope).partition("!")[0] for scope in scopes}
        if missing := [scope for scope in NEEDED if scope not in held]:
            fix = "give its role these scopes, as binder/hub/jupyterhub_config.py does, and start the hub again"
            raise KitError(f"The hub lets this token do too little: {', '.join(missing)}", file=self.address, fix=fix)


def _object(body: bytes) -> Mapping[str, Any]:
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        found = _last_event(body)
    return found if isinstance(found, dict) else {}


def _last_event(body: bytes) -> object:
    """Of a stream of events (a session on its way), the last one."""
    for line in reversed(body.decode("utf-8", "replace").splitlines()):
        if line.startswith("data:"):
            with suppress(ValueError, RecursionError):
                return json.loads(line.removeprefix("data:"))
    return {}


# --- starting ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What became of one session."""

    name: str
    state: str  # started, was running, failed
    took_s: float
    why: str = ""
    fix: str = ""

    def __str__(self) -> str:
        if self.state == "failed":
            return f"{self.name}: failed: {self.why}. What to do: {self.fix}."
        return f"{self.name}: {self.state}" + (f" ({self.took_s:.1f} s)" if self.state == "started" else "")


class _Again(Exception):
    """It did not work, and may the next time: why, and after how long."""

    def __init__(self, why: str, wait_s: float = 0.0):
        super().__init__(why)
        self.wait_s = wait_s or AGAIN_S


def warm(
    hub: Hub, names: Iterable[str], at_once: int = 2, tell: Callable[[Outcome], None] = lambda outcome: None
) -> list[Outcome]:
    """Start the sessions of these accounts, a few at a time; each outcome is told as it is known.

    A session that runs is left as it is. One that fails is tried three times in all.
    """
    outcomes = []
    with ThreadPoolExecutor(at_once) as workers:
        coming = [workers.submit(start, hub, name) for name in dict.fromkeys(names)]
        try:
            for one in as_completed(coming):
                outcomes.append(one.result())
                tell(outcomes[-1])
        finally:
            for one in coming:  # after Ctrl-C: what has not begun does not
                one.cancel()
    return outcomes


def start(hub: Hub, name: str) -> Outcome:
    """Start one account's session and wait until it is ready."""
    began = time.monotonic()
    why, wait_s = "", 0.0
    for again in range(TRIES):
        if again:
            time.sleep(wait_s)
        try:
            return _start_once(hub, name, began)
        except _Again as problem:
            why, wait_s = str(problem), problem.wait_s
        except (OSError, ValueError) as problem:
            why, wait_s = getattr(problem, "strerror", None) or "the line broke off", AGAIN_S
    fix = f"look into the hub's log (journalctl -u jupyterhub | grep {name}), then run this again"
    return Outcome(name, "failed", time.monotonic() - began, f"{why} ({TRIES} times)", fix)


def _start_once(hub: Hub, name: str, began: float) -> Outcome:
    path = f"/users/{quote(name, safe='')}"

    def outcome(state: str, why: str = "", fix: str = "") -> Outcome:
        return Outcome(name, state, time.monotonic() - began, why, fix)

    known = hub.ask("POST", path)  # an account that has never logged in is made known first
    if known.status in (400, 404):
        fix = "check the name; on the hub's machine, `id NAME` says whether there is such an account"
        return outcome("failed", f"the hub takes no such account ({known.why})", fix)
    if known.status not in (201, 409):
        _refused(known)
    answer = hub.ask("POST", f"{path}/server")
    if answer.status == 400 and _server(hub, path).get("ready"):
        return outcome("was running")
    if answer.status not in (201, 202, 400):  # 400: it runs, or is on its way already
        _refused(answer)
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        server = _server(hub, path)
        if server.get("ready"):
            return outcome("started")
        if not server.get("pending"):
            with suppress(OSError, ValueError):
                last = hub.ask("GET", f"{path}/server/progress", 5).said
                if last.get("failed") and last.get("message"):
                    raise _Again(f"it did not start: {str(last['message'])[:200].rstrip('.')}")
            raise _Again("it did not start")
        time.sleep(PAUSE_S)
    raise _Again(f"it was not ready after {PATIENCE_S:g} s")


def _refused(answer: Answer) -> None:
    raise _Again(f"the hub says: {answer.why}", answer.wait_s)


def _server(hub: Hub, path: str) -> Mapping[str, Any]:
    """What the hub knows of the account's session; empty where there is none."""
    answer = hub.ask("GET", path)
    if answer.status != 200:
        _refused(answer)
    servers = answer.said.get("servers")
    found = servers.get("", {}) if isinstance(servers, dict) else {}
    return found if isinstance(found, dict) else {}
