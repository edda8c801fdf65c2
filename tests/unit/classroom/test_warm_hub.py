"""Sessions started before a lesson, against a made-up hub that answers as JupyterHub's REST API is documented to."""

from __future__ import annotations

import json
import os
import socket
import threading
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from kit import commands
from kit.classroom import warm_hub
from kit.errors import KitError

TOKEN = "0123456789abcdef" * 4
SCOPES = ["admin:users", "servers", "start:servers", "read:users"]


class FakeHub(ThreadingHTTPServer):
    """Accounts by what happens to them: `slow` gets ready at the third look, `falls` fails, `once` fails once."""

    def __init__(self):
        super().__init__(("127.0.0.1", 0), Handler)
        self.scopes, self.asked, self.looks, self.tries = SCOPES, [], {}, {}
        self.running = {"up"}
        self.most, self.now, self.lock = 0, set(), threading.Lock()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"

    def handle_error(self, request, client_address):
        pass  # somebody hung up


class Handler(BaseHTTPRequestHandler):
    def log_message(self, *args):
        pass

    def say(self, status, said=None, events=False, **headers):
        body = json.dumps(said or {}).encode()
        if events:
            body = b'data: {"progress": 0, "message": "Server requested"}\n\ndata: ' + body + b"\n\n"
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def answer(self):
        hub: FakeHub = self.server
        hub.asked.append((self.command, self.path))
        if self.headers.get("Authorization") != f"token {TOKEN}":
            return self.say(403, {"status": 403, "message": "Missing or invalid credentials."})
        path = self.path.removeprefix("/hub/api")
        if path == "/user":
            return self.say(200, {"kind": "service", "name": "before-lesson", "scopes": hub.scopes})
        _, _, name, *rest = path.split("/")
        if self.command == "POST" and not rest:
            if name == "nobody":
                return self.say(400, {"message": "Failed to create user nobody: 'unknown'"})
            return self.say(409 if name in hub.running else 201, {"name": name})
        if rest == ["server"]:
            with hub.lock:
                hub.tries[name] = hub.tries.get(name, 0) + 1
                hub.now.add(name)
                hub.most = max(hub.most, len(hub.now))
            if name in hub.running:
                return self.say(400, {"message": f"{name} is already running"})
            if name == "busy" and hub.tries[name] == 1:
                return self.say(429, {"message": "Too many users trying to log in right now"}, Retry_After="0")
            if name == "once" and hub.tries[name] == 1:
                return self.say(500, {"message": "Spawner failed to start"})
            return self.say(202 if name in ("slow", "falls") else 201)
        if rest == ["server", "progress"]:
            return self.say(200, {"progress": 100, "failed": True, "message": "Spawn failed: no disk"}, events=True)
        hub.looks[name] = hub.looks.get(name, 0) + 1
        ready = name != "falls" and (name != "slow" or hub.looks[name] >= 3)
        pending = None if ready or (name == "falls" and hub.looks[name] % 2 == 0) else "spawn"
        if ready:
            with hub.lock:
                hub.now.discard(name)
        return self.say(200, {"name": name, "servers": {"": {"ready": ready, "pending": pending}}})

    do_GET = do_POST = answer


@pytest.fixture
def hub(monkeypatch):
    monkeypatch.setattr(warm_hub, "PAUSE_S", 0.001)
    monkeypatch.setattr(warm_hub, "AGAIN_S", 0.001)
    server = FakeHub()
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    yield server
    server.shutdown()
    server.server_close()


@pytest.fixture
def token(tmp_path):
    file = tmp_path / "token"
    file.write_text(TOKEN + "\n")
    return file


def run(hub, token, *arguments):
    return commands.main(["warm-hub", "--hub", hub.url, "--token-file", str(token), *arguments])


def test_each_session_has_a_line_that_says_what_became_of_it(hub, token, capsys):
    assert run(hub, token, "new", "slow", "up", "once", "busy", "new") == 0
    *lines, last = capsys.readouterr().out.splitlines()
    said = dict(line.split(": ", 1) for line in lines)
    assert len(lines) == 5 and said["up"] == "was running"  # one that is named twice is started once
    assert all(said[name].startswith("started (") for name in ("new", "slow", "once", "busy"))
    assert last == "Of 5: 4 started, 1 was running."
    assert hub.tries["once"] == hub.tries["busy"] == 2
    assert hub.most <= 2


def test_what_does_not_start_is_named_with_the_hubs_reason_and_ends_with_1(hub, token, capsys):
    assert run(hub, token, "nobody", "falls", "new", "--at-once", "1") == 1
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0].startswith("nobody: failed: the hub takes no such account (Failed to create user nobody")
    assert "What to do: check the name" in lines[0]
    assert lines[1].startswith(
        "falls: failed: it did not start: Spawn failed: no disk (3 times). What to do: look into"
    )
    assert lines[2].startswith("new: started") and lines[3] == "Of 3: 1 started, 2 failed."
    assert hub.tries == {"falls": 3, "new": 1}
    assert TOKEN not in out + err


def test_a_wrong_token_is_said_before_anything_is_asked_for(hub, tmp_path, capsys):
    (tmp_path / "wrong").write_text("f" * 64)
    assert run(hub, tmp_path / "wrong", "new") == 1
    said = capsys.readouterr().err
    assert "The hub does not know this token" in said and "--token-file" in said and "f" * 20 not in said
    assert hub.asked == [("GET", "/hub/api/user")]


def test_a_token_that_may_too_little_is_said_with_what_is_missing(hub, token, capsys):
    hub.scopes = ["admin:users", "read:users"]
    assert run(hub, token, "new") == 1
    assert "The hub lets this token do too little: servers." in capsys.readouterr().err


def test_where_no_hub_is_the_message_says_where_it_was_looked_for(hub, token, capsys):
    assert commands.main(["warm-hub", "x", "--hub", "http://127.0.0.1:9", "--token-file", str(token)]) == 1
    said = capsys.readouterr().err
    assert "http://127.0.0.1:9: No hub answers (Connection refused)" in said and "systemctl status jupyterhub" in said
    assert TOKEN not in said


@pytest.mark.parametrize("answer", [(302, {}, "http://127.0.0.1:9/"), (200, {"version": "x"}, ""), (404, {}, "")])
def test_what_is_no_hub_gets_no_second_question_and_no_redirection_is_followed(answer, hub, token, monkeypatch, capsys):
    status, said, place = answer
    monkeypatch.setattr(Handler, "do_GET", lambda self: self.say(status, said, Location=place))
    assert run(hub, token, "new") == 1
    assert "What answers there is no hub" in capsys.readouterr().err


def test_what_speaks_another_language_is_no_hub(token, capsys):
    with socket.create_server(("127.0.0.1", 0)) as other:

        def talk():
            line, _ = other.accept()
            with line:
                line.sendall(b"220 mail.school ESMTP\r\n")
                line.recv(10_000)

        threading.Thread(target=talk, daemon=True).start()
        address = f"http://127.0.0.1:{other.getsockname()[1]}"
        assert commands.main(["warm-hub", "x", "--hub", address, "--token-file", str(token)]) == 1
    assert f"{address}: No hub answers" in capsys.readouterr().err


@pytest.mark.parametrize(
    "content", ["", "short", "two words, not one", "ключ" * 10, "line one is long enough\nline two"]
)
def test_a_file_without_a_token_is_refused_and_not_shown(content, tmp_path, capsys):
    (tmp_path / "token").write_text(content, encoding="utf-8")
    assert commands.main(["warm-hub", "x", "--token-file", str(tmp_path / "token")]) == 1
    said = capsys.readouterr().err
    assert "What is there is no token" in said and (not content or content[:5] not in said)


def test_the_token_comes_from_the_file_that_was_named_else_from_the_hub_else_from_the_usual_place(token, monkeypatch):
    given = {"JUPYTERHUB_API_TOKEN": "e" * 32}
    assert warm_hub.token_in(token, given) == TOKEN
    assert warm_hub.token_in(None, given) == "e" * 32
    monkeypatch.setattr(warm_hub, "TOKEN_FILE", str(token))
    assert warm_hub.token_in(None, {}) == TOKEN


@pytest.mark.parametrize(
    ("typed", "used"),
    [
        ("http://127.0.0.1:8081", "http://127.0.0.1:8081"),
        ("127.0.0.1:8000/", "http://127.0.0.1:8000"),
        ("https://hub.school/jupyter/hub/api", "https://hub.school/jupyter"),
        ("https://hub.school/hub/", "https://hub.school"),
    ],
)
def test_an_address_may_be_typed_in_several_ways(typed, used):
    assert warm_hub.Hub(typed, TOKEN).address == used


@pytest.mark.parametrize("typed", ["", "ftp://hub", "http://", "http://hub:port", "hub school", "http://a?b"])
def test_what_is_no_address_is_refused(typed):
    with pytest.raises(KitError, match="This is no address of a hub"):
        warm_hub.Hub(typed, TOKEN)


@pytest.mark.skipif(os.name != "posix", reason="groups of a Unix machine")
def test_a_class_is_a_group_of_the_machine():
    import grp
    import pwd

    me = pwd.getpwuid(os.getuid())
    assert me.pw_name in warm_hub.class_of(grp.getgrgid(me.pw_gid).gr_name)  # by its first group
    with pytest.raises(KitError, match="no such group on this machine"):
        warm_hub.class_of("class-of-nobody")


def test_a_class_is_a_file_of_names(tmp_path):
    file = tmp_path / "names.txt"
    file.write_text("\ufeff# class 3b\ngroup-1\n\n group-2  # they sit at the window\n", encoding="utf-8")
    assert warm_hub.names_in(file) == ["group-1", "group-2"]
    file.write_text("group-1\ngroup-2, group-3\n", encoding="utf-8")
    with pytest.raises(KitError, match=r"row 2: This is no account's name\. Found: 'group-2, group-3'"):
        warm_hub.names_in(file)
    file.write_text("# nobody yet\n", encoding="utf-8")
    with pytest.raises(KitError, match="There is no name in the file"):
        warm_hub.names_in(file)
    with pytest.raises(KitError, match="The names can't be read"):
        warm_hub.names_in(tmp_path / "none")


def test_it_waits_until_five_minutes_before_the_lesson_and_no_longer(hub, token, monkeypatch, capsys):
    morning = datetime(2026, 11, 26, 9, 40, 30)
    assert warm_hub.seconds_until("09:55", now=morning) == 9.5 * 60
    assert warm_hub.seconds_until("9:45", now=morning) < 0 > warm_hub.seconds_until("00:00", now=morning)
    for wrong in ("24:00", "soon", "9", "9:5:5"):
        with pytest.raises(KitError, match="This is no time of day"):
            warm_hub.seconds_until(wrong)
    waited = []
    monkeypatch.setattr("kit.commands_class.time.sleep", lambda s: waited.append((s, len(hub.asked))))
    monkeypatch.setattr(warm_hub, "seconds_until", lambda clock: 570.0)
    assert run(hub, token, "new", "--at", "09:55") == 0
    assert waited == [(570.0, 1)]  # the hub was asked once before, whether it will do
    assert "1 session will start in 10 min" in capsys.readouterr().out


def test_nobody_named_is_wrong_usage(capsys):
    with pytest.raises(SystemExit) as ended:
        commands.main(["warm-hub"])
    assert ended.value.code == 2 and "say whose sessions" in capsys.readouterr().err
