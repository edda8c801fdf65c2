"""The class desk as a server that really listens: what it takes, what it refuses, and what nobody can read."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from urllib.parse import urlsplit

import pytest

from kit.classroom.desk import Buckets, Hub, hub_of
from kit.classroom.receive import DeskIsFull, Receiver, load_settings
from kit.classroom.serve import run_desk
from kit.errors import KitError
from kit.launcher import PROJECT, project_environment
from kit.record.entries import Kind, Moment
from kit.record.handin import MAX_BYTES, read_handin
from kit.record.sending import Outbox, Place, content_id
from tests.served_desk import answer, document_of, group_of, made_up_hub, served

JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    with served(tmp_path_factory.mktemp("desk"), groups=4) as desk:
        yield desk


@pytest.fixture
def ask(desk):
    """Ask the desk: ask("GET", "/path", body, headers) -> status, headers, text."""

    def asked(method, path, body=None, headers=None):
        line = http.client.HTTPConnection("127.0.0.1", urlsplit(desk.address).port, timeout=10)
        try:
            line.request(method, path, body, headers or {})
            got = line.getresponse()
            return got.status, dict(got.getheaders()), got.read().decode()
        finally:
            line.close()

    return asked


@pytest.fixture
def teacher(ask, desk):
    """Ask as the teacher, with the cookie that the key gives."""
    status, headers, _ = ask("GET", f"/teacher?key={desk.settings.key}")
    assert status == 303
    cookie = headers["Set-Cookie"].partition(";")[0]
    assert "HttpOnly" in headers["Set-Cookie"] and "SameSite=Strict" in headers["Set-Cookie"]

    def asked(method, path, body=None, headers=None):
        return ask(method, path, body, {"Cookie": cookie, **(headers or {})})

    return asked


def files(desk):
    return sorted(p.name for p in desk.live.folder.rglob("*") if p.is_file() and p.name != ".class_desk.json")


# --- what comes in ---------------------------------------------------------------------------------------------------


def test_a_later_hand_in_replaces_the_former_and_each_moment_is_kept(tmp_path):
    group = group_of(tmp_path, "amber-otter-1")
    receiver = Receiver(tmp_path / "desk")
    documents = []
    for moment, question in (("answers", "two-magnets"), ("sketch", "turns")):
        answer(group, question, "half")
        group.add("predict", Kind.SENT.of(moment), {"to": "desk"})
        documents.append(document_of(group))
    for document in (*documents, documents[0]):  # the first one once more, late
        receiver.keep(json.dumps(document).encode())
    (latest,) = (tmp_path / "desk").glob("handin_*.json")
    assert read_handin(latest).entries == group.entries
    kept = sorted(p.name.rpartition("_")[0] for p in (tmp_path / "desk" / ".moments").rglob("*.json"))
    assert kept == ["00003_answers", "00005_sketch"]
    if os.name == "posix":
        assert (tmp_path / "desk" / ".moments").stat().st_mode & 0o077 == 0
    assert not Receiver(tmp_path / "desk").keep(json.dumps(documents[0]).encode()).new  # also after a restart


def test_an_earlier_one_that_comes_late_does_not_replace_the_later(tmp_path):
    group = group_of(tmp_path, "amber-otter-1")
    answer(group, "two-magnets", "half")
    early = document_of(group)
    answer(group, "turns", "half")
    receiver = Receiver(tmp_path / "desk")
    for document in (document_of(group), early):
        assert receiver.keep(json.dumps(document).encode()).new
    (latest,) = (tmp_path / "desk").glob("handin_*.json")
    assert len(read_handin(latest).entries) == 3


def test_a_full_desk_says_so_and_keeps_what_it_has(tmp_path, monkeypatch):
    group = group_of(tmp_path, "amber-otter-1")
    receiver = Receiver(tmp_path / "desk")
    receiver.keep(json.dumps(document_of(group)).encode())
    monkeypatch.setattr("kit.classroom.receive.MOST_BYTES", 10)
    answer(group, "turns", "half")
    with pytest.raises(DeskIsFull):
        receiver.keep(json.dumps(document_of(group)).encode())
    assert len(list((tmp_path / "desk").glob("handin_*.json"))) == 1


def hostile():
    deep = b"[" * 5000 + b"]" * 5000
    yield "not JSON", b"{", JSON, 400
    yield "no hand-in", b'{"a": 1}', JSON, 400
    yield "nested", b'{"schema": "kit-handin", "version": 1, "entries": ' + deep + b"}", JSON, 400
    yield "infinite", b'{"schema": "kit-handin", "version": 1e999}', JSON, 400
    yield "not text", bytes(range(256)), JSON, 400
    yield "empty", b"", JSON, 400
    yield "of a form", b"a=1", {"Content-Type": "application/x-www-form-urlencoded"}, 415
    yield "of another site's page", b"{}", {"Content-Type": "text/plain"}, 415
    yield "too large", b" " * (MAX_BYTES + 1), JSON, 413


@pytest.mark.parametrize(("name", "data", "headers", "status"), [pytest.param(*case, id=case[0]) for case in hostile()])
def test_hostile_input_is_refused_with_a_reason_and_leaves_nothing(ask, desk, name, data, headers, status):
    before = files(desk)
    found, _, said = ask("POST", f"/{desk.settings.code}", data, headers)
    assert found == status and json.loads(said)["why"]
    assert files(desk) == before


def test_names_in_a_hand_in_lead_nowhere(ask, desk, tmp_path):
    document = document_of(group_of(tmp_path, "amber-otter-1"))
    before = files(desk)
    for key in ("code", "lesson"):
        for name in ("../../evil", "/etc/evil", "a\\..\\b", "evil\x00", ".hidden"):
            assert ask("POST", f"/{desk.settings.code}", json.dumps(document | {key: name}), JSON)[0] == 400
    assert files(desk) == before


def test_without_a_length_nothing_is_read(ask, desk):
    assert ask("POST", f"/{desk.settings.code}", iter([b"{}"]), JSON)[0] == 411


def test_half_a_hand_in_leaves_nothing(desk, tmp_path):
    before, data = files(desk), json.dumps(document_of(group_of(tmp_path, "amber-otter-1"))).encode()
    with socket.create_connection(("127.0.0.1", urlsplit(desk.address).port)) as line:
        head = f"POST /{desk.settings.code} HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
        line.sendall(f"{head}Content-Length: {len(data)}\r\n\r\n".encode() + data[: len(data) // 2])
        deadline = time.monotonic() + 10
        while not desk.in_flight and time.monotonic() < deadline:
            time.sleep(0.01)
        assert desk.in_flight == len(data)
    while desk.in_flight and time.monotonic() < deadline:
        time.sleep(0.01)
    assert desk.in_flight == 0 and files(desk) == before


# --- who may ask, and how often --------------------------------------------------------------------------------------


def test_students_can_list_and_read_nothing_back(ask, desk, tmp_path):
    outbox, group = Outbox(group_of(tmp_path, "coral-lynx-2")), group_of(tmp_path, "coral-lynx-2")
    answer(group, "two-magnets", "between", reason="the secret reason")
    outbox.put(document_of(group))
    assert outbox.send(Place(desk.address), {}).sent == 1
    (name,) = [name for name in files(desk) if name.startswith("handin_") and "coral-lynx-2" in name]
    code = desk.settings.code
    places = ["/", f"/{name}", f"/{code}/{name}", "/.moments/", "/.class_desk.json", f"/{code}/../{name}", "/%2e%2e/"]
    places += ["/teacher", "/teacher/live", "/teacher/screen", "/teacher/summary", "/teacher/report", f"/{code}", "/x"]
    for place in places:
        for method in ("GET", "HEAD", "PUT", "DELETE", "OPTIONS", "PROPFIND"):
            status, _, text = ask(method, place)
            assert status != 200 or place == f"/{code}", (method, place)
            assert "coral-lynx-2" not in text and "secret" not in text and desk.settings.key not in text


def test_the_teachers_pages_need_the_key(ask, desk, teacher):
    for path in ("/teacher", "/teacher/live", "/teacher/screen", "/teacher/summary", "/teacher/report"):
        for cookie in ("", "class_desk=", f"class_desk={desk.settings.key}", "class_desk=\xff"):
            assert ask("GET", path, headers={"Cookie": cookie} if cookie else {})[0] == 403, (path, cookie)
    assert ask("GET", "/teacher?key=guess")[0] == 403
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert ask("POST", "/teacher", f"key={desk.settings.key}", form)[0] == 303
    status, headers, page = teacher("GET", "/teacher")
    assert status == 200 and desk.settings.key not in page
    assert "default-src 'none'" in headers["Content-Security-Policy"] and headers["Cache-Control"] == "no-store"


def test_another_sites_page_cannot_act_for_the_teacher(teacher, desk):
    assert teacher("POST", "/teacher/act", '{"do": "cover"}', {"Content-Type": "text/plain"})[0] == 415
    for asked in ("", "[]", '{"do": "dance"}', '{"do": "groups", "groups": 1e9}', '{"do": "groups", "groups": true}'):
        assert teacher("POST", "/teacher/act", asked, JSON)[0] == 400


def test_wrong_codes_and_keys_are_slowed_down(tmp_path):
    with served(tmp_path) as desk:
        port = urlsplit(desk.address).port

        def status(method, path):
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
            line.request(method, path, b"{}" if method == "POST" else None, JSON)
            found = line.getresponse().status
            line.close()
            return found

        assert {status("POST", "/wwww-wwww") for _ in range(15)} == {403, 429}
        assert {status("GET", "/teacher?key=guess") for _ in range(15)} == {403, 429}
        assert status("GET", f"/teacher?key={desk.settings.key}") == 303  # nobody can lock the teacher out


@pytest.mark.slow
def test_many_hand_ins_at_once_are_slowed_down_and_none_is_lost(tmp_path):
    group = group_of(tmp_path, "amber-otter-1")
    for _ in range(3):
        group.add("measure", "observation:runs", "x")
        Outbox(group).put(document_of(group))
    with served(tmp_path / "desk") as desk:
        desk.sends = Buckets(1.2, 4.0)
        outbox, place = Outbox(group), Place(desk.address)
        became = outbox.send(place, {})
        assert became.waiting > 0 and "too many at once" in became.problem
        while outbox.waiting():
            time.sleep(0.05)
            outbox.send(place, {})
        assert len(list((tmp_path / "desk" / ".moments").rglob("*.json"))) == 3


def test_a_bucket_fills_again(monkeypatch):
    now = [0.0]
    monkeypatch.setattr("kit.classroom.desk.time.monotonic", lambda: now[0])
    bucket = Buckets(2, 0.5)
    assert [bucket.take("a") for _ in range(3)] == [True, True, False] and bucket.take("b")
    now[0] = 2.0
    assert [bucket.take("a") for _ in range(2)] == [True, False]


def test_a_short_key_from_the_environment_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv("KIT_DESK_KEY", "magnet")
    with pytest.raises(KitError, match="shorter than 16 signs"):
        run_desk(tmp_path, None, None, tmp_path, False, {}, {})


def test_code_and_key_stay_for_a_folder_until_new_ones_are_wanted(tmp_path):
    first = load_settings(tmp_path, groups=12)
    assert load_settings(tmp_path) == first
    anew = load_settings(tmp_path, anew=True)
    assert anew.groups == 12 and not {anew.code, anew.key} & {first.code, first.key}
    if os.name == "posix":
        assert (tmp_path / ".class_desk.json").stat().st_mode & 0o777 == 0o600
    (tmp_path / ".class_desk.json").write_text("{")
    assert len(load_settings(tmp_path).key) >= 18


# --- on a hub --------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_on_a_hub_the_hub_says_who_may_send(tmp_path, monkeypatch):
    mine = {"name": "group-3b-1", "kind": "user", "scopes": ["access:services!service=class-desk", "read:users:name"]}
    other = {"name": "guest", "kind": "user", "scopes": ["access:servers!server=guest/"]}
    with made_up_hub({"good": mine, "weak": other, "odd": {"name": 7, "scopes": "access:services"}}) as api_url:
        environment = {
            "JUPYTERHUB_API_URL": api_url,
            "JUPYTERHUB_SERVICE_PREFIX": "/services/class-desk/",
            "JUPYTERHUB_SERVICE_NAME": "class-desk",
            "JUPYTERHUB_SERVICE_URL": "http://127.0.0.1:10201",
        }
        hub = hub_of(environment)
        assert (hub.host, hub.port) == ("127.0.0.1", 10201)
        group = group_of(tmp_path, "amber-otter-1")
        with served(tmp_path / "desk", hub=hub) as desk:
            assert urlsplit(desk.address).path == "/services/class-desk/send"
            outbox, place = Outbox(group), Place(desk.address, set_by_school=True)
            outbox.put(document_of(group))
            session = {"JUPYTERHUB_SERVICE_PREFIX": "/user/group-3b-1/"}
            for token in ("", "weak", "odd", "unknown", "good\r\nX: 1"):
                became = outbox.send(place, session | {"JUPYTERHUB_API_TOKEN": token})
                assert (became.sent, became.waiting) == (0, 1), token
            assert outbox.send(place, session | {"JUPYTERHUB_API_TOKEN": "good"}).sent == 1
            kept = "".join(path.read_text() for path in (tmp_path / "desk").glob("handin_*.json"))
            assert kept and "group-3b-1" not in kept  # no account's name is kept
            desk.user_sends = Buckets(1.0, 0.001)
            desk.user_sends.take("group-3b-1")
            group.add("measure", "observation:runs", "x")
            outbox.put(document_of(group))
            assert "too many at once" in outbox.send(place, session | {"JUPYTERHUB_API_TOKEN": "good"}).problem
            line = http.client.HTTPConnection("127.0.0.1", urlsplit(desk.address).port, timeout=10)
            line.request("GET", "/services/class-desk/teacher")
            assert line.getresponse().status == 403
            line.close()


def test_a_hub_that_does_not_answer_lets_nobody_in_and_nothing_is_lost(tmp_path):
    group = group_of(tmp_path, "amber-otter-1")
    hub = Hub("http://127.0.0.1:9/hub/api", "/services/class-desk/", "class-desk", "http://127.0.0.1:0")
    with served(tmp_path / "desk", hub=hub) as desk:
        Outbox(group).put(document_of(group))
        session = {"JUPYTERHUB_SERVICE_PREFIX": "/user/x/", "JUPYTERHUB_API_TOKEN": "good"}
        became = Outbox(group).send(Place(desk.address, set_by_school=True), session)
        assert became.waiting == 1 and "the hub does not answer" in became.problem


def test_a_students_session_is_no_service():
    session = {"JUPYTERHUB_API_URL": "http://x/hub/api", "JUPYTERHUB_SERVICE_PREFIX": "/user/amber/"}
    assert hub_of(session) is None and hub_of({}) is None


# --- what the teacher sees -------------------------------------------------------------------------------------------


def test_the_teacher_sees_who_has_sealed_and_the_projector_nothing_until_show(tmp_path):
    with served(tmp_path / "desk", groups=4) as desk:
        line = http.client.HTTPConnection("127.0.0.1", urlsplit(desk.address).port, timeout=30)
        line.request("GET", f"/teacher?key={desk.settings.key}")
        got = line.getresponse()
        got.read()
        cookie = {"Cookie": got.getheader("Set-Cookie").partition(";")[0]}

        def teacher(method, path, body=None):
            line.request(method, path, body, cookie | JSON)
            answered = line.getresponse()
            return json.loads(answered.read())

        for code, both in (("amber-otter-1", True), ("coral-lynx-2", False)):
            group = group_of(tmp_path, code)
            answer(group, "turns", "half")  # for which 45 minutes have no time
            if both:
                answer(group, "two-magnets", "half", reason="<script>alert(1)</script>")
                answer(group, "two-magnets", "between", Moment.DISCUSSED)
            version = desk.live.version
            Outbox(group).put(document_of(group))
            assert Outbox(group).send(Place(desk.address), {}).sent == 1
            teacher("GET", f"/teacher/live?after={version}")  # waits for the news
        news = teacher("GET", "/teacher/live?after=0&part=reasons&question=two-magnets")
        assert "<b>1</b> of 4 groups have sealed" in news["standing"] and "Not heard from yet: 2" in news["standing"]
        assert 'Not sealed yet: <span class="code">coral-lynx-2</span>' in news["standing"]
        assert "&lt;script&gt;" in news["html"] and "<script" not in news["html"]
        screen = teacher("GET", "/teacher/live?after=0&page=screen")
        assert screen["html"] == "" and screen["shown"] is None
        assert "standing" not in screen and "coral-lynx-2" not in json.dumps(screen)
        teacher("POST", "/teacher/act", json.dumps({"do": "show", "part": "first", "question": "two-magnets"}))
        screen = teacher("GET", "/teacher/live?after=0&page=screen")
        assert "one group answered" in screen["html"] and "coral-lynx-2" not in screen["html"]
        teacher("POST", "/teacher/act", json.dumps({"do": "show", "part": "address"}))
        shown = teacher("GET", "/teacher/live?after=0&page=screen")["html"]
        assert desk.address in shown and "<svg" in shown
        teacher("POST", "/teacher/act", json.dumps({"do": "cover"}))
        assert teacher("GET", "/teacher/live?after=0&page=screen")["html"] == ""
        line.close()


def test_a_file_put_into_the_folder_shows_too(tmp_path, monkeypatch):
    monkeypatch.setattr("kit.classroom.desk.LOOK_EVERY_S", 0.02)
    with served(tmp_path / "desk") as desk:
        version = desk.live.version
        (tmp_path / "desk" / "by_hand.json").write_text(json.dumps(document_of(group_of(tmp_path, "amber-otter-1"))))
        deadline = time.monotonic() + 10
        while desk.live.version == version and time.monotonic() < deadline:
            time.sleep(0.02)
        assert [group.code for group in desk.live.overview.groups] == ["amber-otter-1"]


# --- killed ----------------------------------------------------------------------------------------------------------


def started(folder, port):
    command = [sys.executable, "-m", "kit", "class-desk", str(folder), "--host", "127.0.0.1", "--port", str(port)]
    process = subprocess.Popen(
        command, cwd=PROJECT, env=project_environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    for line in process.stdout:
        if "Hand-ins are kept" in line:
            return process
    raise AssertionError("the desk did not start")


def killed(process):
    process.kill()
    process.wait()
    process.stdout.close()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs kill -9")
def test_a_desk_killed_again_and_again_loses_nothing_and_doubles_nothing(tmp_path):
    """Six groups send ten times each, with lines that break, while the desk is killed (-9) three times."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    folder = tmp_path / "desk"
    desk = started(folder, port)
    place = Place(f"http://127.0.0.1:{port}/{load_settings(folder).code}")
    made: dict[str, list[str]] = {}
    broke_off: list[str] = []
    over = threading.Event()

    def work(code):
        group = group_of(tmp_path, code)
        for number in range(10):
            group.add("measure", "observation:runs", f"look {number}")
            document = document_of(group)
            made.setdefault(code, []).append(content_id(document))
            Outbox(group).put(document)
            if Outbox(group).send(place, {}).waiting:
                broke_off.append(code)
            time.sleep(0.05)
        while Outbox(group).waiting() and not over.is_set():
            Outbox(group).send(place, {})
            time.sleep(0.05)

    groups = [threading.Thread(target=work, args=(f"group-{k}",)) for k in range(6)]
    for thread in groups:
        thread.start()
    for _ in range(3):
        time.sleep(0.25)
        killed(desk)
        desk = started(folder, port)
    for thread in groups:
        thread.join(60)
    over.set()
    killed(desk)
    assert broke_off  # else this test shows nothing
    kept = [p.stem.rpartition("_")[2] for p in (folder / ".moments").rglob("*.json")]
    assert sorted(kept) == sorted(mark for marks in made.values() for mark in marks)
    latest = [read_handin(path) for path in folder.glob("handin_*.json")]
    assert sorted(handin.code for handin in latest) == sorted(made) and len(latest) == 6
    assert {len(handin.entries) for handin in latest} == {11}
    assert all(handin.unchanged for handin in latest)
