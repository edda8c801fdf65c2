"""Sending a hand-in at any moment of a lesson, and the queue on the disk from which it goes when the network is back.

Where to: the class's folder, any address that fsspec reads, or the class desk (`kit.classroom.desk`), a small server
on the school's network. A desk is asked over plain HTTP: one POST of the hand-in to the address that the teacher shows,
`http://HOST:PORT/CODE`. It answers with the hand-in's `content_id` once that is on its disk. What is in the queue goes
out only when the answer holds this id, and what comes twice is kept once: so nothing is lost and nothing is doubled,
wherever the line breaks.
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import ipaddress
import json
import os
import ssl
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal
from urllib.parse import SplitResult, urlsplit

from ..errors import KitError
from .entries import Kind
from .handin import MAX_BYTES, is_address, shown_place, write_handin
from .hosting import class_desk, handin_folder, hub_token, is_thrown_away
from .journal import write_new
from .workbook import Workbook

__all__ = [
    "Outbox",
    "Place",
    "SentNow",
    "content_id",
    "desk_address",
    "remember_place",
    "send_to_desk",
    "where_to_send",
]

DESK = "spin-down class desk"  # what a desk calls itself in each answer: a login page of some network does not
ANSWER_BYTES = 10_000
WAIT_S = 8.0  # for the desk to take the connection, and for each part of its answer
PLACE_FILE = "send_to.json"  # beside the workbooks: the address that a group typed


def content_id(document: Mapping[str, Any]) -> str:
    """What a hand-in is known by: the SHA-256 of all that is in it, except the time at which the file was made."""
    content = {key: value for key, value in document.items() if key != "made"}
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


# --- where to ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """Where hand-ins go: the desk's address, another address, or a folder; and whether the school has set it."""

    address: str
    set_by_school: bool = False

    @property
    def kind(self) -> Literal["desk", "address", "folder"]:
        """What it is."""
        if self.address.startswith(("http://", "https://")):
            return "desk"
        return "address" if is_address(self.address) else "folder"

    @property
    def shown(self) -> str:
        """The place as it may be shown, without keys."""
        return shown_place(self.address)

    @property
    def words(self) -> str:
        """What it is, for a student."""
        return {"desk": "the class desk", "address": "your class's store", "folder": "your class's folder"}[self.kind]


def where_to_send(workbook: Workbook, environment: Mapping[str, str] = os.environ, of_lesson: str = "") -> Place | None:
    """Where this group's hand-ins go; None: nowhere yet.

    First counts what the school has set, then what the group has typed once, then the address `of_lesson`.

    Raises
    ------
    KitError : what the school or the lesson says is no address of a desk.
    """
    if desk := class_desk(environment):
        return Place(desk_address(desk), set_by_school=True)
    if folder := handin_folder(environment):
        return Place(folder, set_by_school=True)
    try:
        kept = json.loads((workbook.path.parent / PLACE_FILE).read_text("utf-8"))
        return Place(desk_address(kept["address"]))
    except (OSError, ValueError, KeyError, TypeError, KitError):  # not there, or damaged: the group types it again
        return Place(desk_address(of_lesson)) if of_lesson else None


def remember_place(workbook: Workbook, text: str, environment: Mapping[str, str] = os.environ) -> Place:
    """Keep the address that a group typed, beside its workbook; return what it is.

    Raises
    ------
    KitError : it is no address, it can't be reached from a hosted copy, or it can't be written to the disk.
    """
    place = Place(desk_address(text))
    if place.kind == "desk" and is_thrown_away(environment) and _is_near(urlsplit(place.address).hostname or ""):
        raise KitError(
            "This page runs on a hosted machine, which can't reach the network of your school",
            found=place.shown,
            fix="use the address of a store that your teacher gives you, or make your hand-in as a file in stage 5",
        )
    path = workbook.path.parent / PLACE_FILE
    draft = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.unlink(missing_ok=True)
        write_new(draft, json.dumps({"address": place.address}).encode())
        draft.replace(path)
    except OSError as problem:
        raise KitError(f"The address can't be kept ({problem.strerror or problem})", file=path.parent) from problem
    return place


def desk_address(text: str) -> str:
    """An address as it was typed, in its full form: spaces removed, http:// in front of a desk's.

    Raises
    ------
    KitError : it is neither a desk's address with the class's code nor the address of a store.
    """
    address = "".join(text.split()) if isinstance(text, str) else ""
    if "://" not in address:
        address = f"http://{address}"
    scheme, _, rest = address.partition("://")
    example = "write it as your teacher shows it, such as http://192.168.1.20:8765/k7mq-x3rt"
    if scheme.lower() not in ("http", "https"):
        if not rest:
            raise KitError("This is no address", found=text, fix=example)
        return address
    try:
        parts = urlsplit(f"{scheme.lower()}://{rest}")
        usable = bool(parts.hostname and parts.path.strip("/")) and parts.port != 0 and address.isascii()
    except ValueError:
        usable = False
    if not usable or not all(33 <= ord(sign) < 127 for sign in address) or len(address) > 300:
        raise KitError("This is no address of a class desk", found=text, fix=example)
    return f"{parts.scheme}://{parts.netloc}{parts.path.rstrip('/')}"


def _is_near(host: str) -> bool:
    """Whether a host is one of a local network."""
    try:
        return ipaddress.ip_address(host).is_private
    except ValueError:
        return "." not in host or host.endswith(".local")


# --- sent ------------------------------------------------------------------------------------------------------------


class NotNow(KitError):
    """It did not get there, and may do so later."""


class NotTaken(KitError):
    """It got there, and will never be taken as it is."""


def send_to_desk(address: str, data: bytes, token: str = "") -> str:
    """Give the bytes of a hand-in to a class desk; return "new" or, where the desk had it already, "already".

    Parameters
    ----------
    token : of a hub, which says who asks.

    Raises
    ------
    KitError : `NotNow` (try again later) or `NotTaken` (never), saying why. No redirection is followed, no proxy asked.
    """
    parts = urlsplit(address)
    try:
        status, said = _post(parts, data, token)
    except (
        OSError,
        http.client.HTTPException,
        ValueError,
    ) as problem:  # ValueError: a name or token that can't be sent
        why = (
            "the line broke off"
            if isinstance(problem, http.client.HTTPException)
            else "the class desk can't be reached"
        )
        raise NotNow(f"Not sent yet: {why}", file=address, fix="check the address and the network") from None
    if status == 200 and said.get("id") == content_id(json.loads(data)):
        return "already" if said.get("kept") == "already" else "new"
    if said.get("desk") != DESK:
        raise NotNow("Not sent yet: what answers there is no class desk", file=address, fix="check the address")
    why = str(said.get("why", ""))[:300]
    if status == 403:
        fix = "compare the address with the one that your teacher shows now"
        raise NotNow(f"Not sent yet: {why or 'the desk does not know this code'}", file=address, fix=fix)
    if status in (400, 413, 415):
        raise NotTaken(f"The desk does not take it: {why}", file=address, fix="show this to your teacher")
    raise NotNow(f"Not sent yet: {why or f'the desk answers with {status}'}", file=address)


def _post(parts: SplitResult, data: bytes, token: str) -> tuple[int, dict[str, Any]]:
    """The status and the JSON object of the answer; an empty one, where it is none."""
    host, port = parts.hostname or "", parts.port
    line = (
        http.client.HTTPSConnection(host, port, timeout=WAIT_S, context=ssl.create_default_context())
        if parts.scheme == "https"
        else http.client.HTTPConnection(host, port, timeout=WAIT_S)
    )
    headers = {"Content-Type": "application/json", "Connection": "close"}
    with contextlib.closing(line):
        line.request("POST", parts.path, data, headers | ({"Authorization": f"token {token}"} if token else {}))
        answer = line.getresponse()
        body = answer.read(ANSWER_BYTES)
        status = answer.status
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        said = {}
    return status, said if isinstance(said, dict) else {}


@dataclass(frozen=True)
class SentNow:
    """What became of the queue: how many hand-ins got there, how many wait, and why the first of these does."""

    sent: int
    waiting: int
    problem: str = ""
    for_good: bool = False  # one was not taken, and trying again will not help


class Outbox:
    """Hand-ins on their way: a folder `outbox` beside the workbook, one file each, the oldest sent first.

    A file leaves it once its place has confirmed it. So it outlives a kernel, a page and a machine that is switched
    off. What a place refuses for good moves to `outbox/not_taken`.
    """

    def __init__(self, workbook: Workbook):
        self.folder = workbook.path.parent / "outbox"

    def waiting(self) -> list[Path]:
        """What has not been sent yet, oldest first."""
        try:
            return sorted(path for path in self.folder.iterdir() if path.suffix == ".json")
        except OSError:
            return []

    def put(self, document: Mapping[str, Any]) -> Path:
        """Put a hand-in into the queue, on the disk before this returns; what is in it already is not put twice.

        Raises
        ------
        KitError : it is too large.
        OSError : the disk refuses.
        """
        data = _bytes_of(document)
        mark = content_id(document)[:16]
        for path in self.waiting():
            if path.stem.endswith(mark):
                return path
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / f"{time.time_ns():020d}_{mark}.json"
        draft = path.with_suffix(".part")
        write_new(draft, data)
        draft.replace(path)
        return path

    def send(
        self, place: Place, environment: Mapping[str, str] = os.environ, deliver: Callable[..., object] | None = None
    ) -> SentNow:
        """Send what waits, oldest first, until one does not get there."""
        sent, problem, for_good = 0, "", False
        for path in self.waiting():
            try:
                data = path.read_bytes()
            except OSError:  # another page has just sent it
                continue
            try:
                (deliver or _deliver)(place, data, environment)
            except NotTaken as refused:
                problem, for_good = str(refused), True
                self._set_aside(path)
                continue
            except KitError as later:
                return SentNow(sent, len(self.waiting()), str(later), for_good)
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            sent += 1
        return SentNow(sent, len(self.waiting()), problem, for_good)

    def send_past_the_disk(self, document: Mapping[str, Any], place: Place) -> SentNow:
        """Send one hand-in where the disk takes no queue any more.

        Raises
        ------
        KitError : it did not get there; nothing keeps it but the workbook.
        """
        _deliver(place, _bytes_of(document), os.environ)
        return SentNow(1, 0)

    def _set_aside(self, path: Path) -> None:
        with contextlib.suppress(OSError):
            (self.folder / "not_taken").mkdir(exist_ok=True)
            path.replace(self.folder / "not_taken" / path.name)


def _bytes_of(document: Mapping[str, Any]) -> bytes:
    data = json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
    if len(data) > MAX_BYTES:
        raise KitError(f"the hand-in is larger than {MAX_BYTES / 1e6:g} MB", fix="show this to your teacher")
    return data


def _deliver(place: Place, data: bytes, environment: Mapping[str, str]) -> None:
    try:
        document = json.loads(data)
    except ValueError:
        raise NotTaken("A hand-in in the queue is damaged", fix="press Send again: your workbook is complete") from None
    if place.kind == "desk":
        # A hub's token acts for whoever holds it: it goes to no address that somebody merely typed.
        send_to_desk(place.address, data, hub_token(environment) if place.set_by_school else "")
    else:
        write_handin(document, place.address)


def sent_before(workbook: Workbook) -> tuple[str, str] | None:
    """The moment and the UTC time of the latest click on Send; None if there was none."""
    sent = [entry for entry in workbook.entries if Kind.SENT.covers(entry.kind)]
    return (sent[-1].kind.partition(":")[2], sent[-1].time) if sent else None
