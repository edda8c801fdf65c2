"""What a school's hub is given: the copy for students, the session that renews it, and the settings."""

import json
import os
import shutil
import subprocess
import sys
import types
from pathlib import Path

import pytest

from kit import launcher

HUB = launcher.PROJECT / "binder" / "hub"
pytestmark = pytest.mark.skipif(os.name != "posix" or not shutil.which("sh"), reason="scripts of a Unix shell")


@pytest.fixture
def project(tmp_path):
    """A small project with the scripts, a lesson, and what students must not get."""
    project = tmp_path / "project"
    shutil.copytree(HUB, project / "binder" / "hub")
    for name, text in {
        "notebooks/start_here.ipynb": "{}",
        "notebooks/disc/1_predict.ipynb": "first",
        "notebooks/disc/workbooks/disc.jsonl": "the teacher's own trial",
        "notebooks/teacher/class_overview.ipynb": "{}",
        "datasets_demo/disc/lesson.toml": "lesson",
        "datasets_demo/disc/teacher_key.toml": "the key",
        "datasets_demo/class_handins/handin_x.json": "{}",
    }.items():
        path = project / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return project


@pytest.fixture
def session(project, tmp_path):
    """Make the students' copy, then start a session in a home; returns what the session's program was given."""
    home, lessons = tmp_path / "home", tmp_path / "lessons"
    home.mkdir()
    program = tmp_path / "program"
    program.write_text('#!/bin/sh\necho "$PWD|${JUPYTER_RUNTIME_DIR:-}|$*"\n')
    program.chmod(0o755)

    def start(home=home):
        subprocess.run(["sh", project / "binder/hub/for_students", lessons], check=True, capture_output=True)
        environment = os.environ | {
            "HOME": str(home),
            "KIT_FOR_STUDENTS": str(lessons),
            "KIT_SESSION_COMMAND": str(program),
        }
        environment.pop("JUPYTER_RUNTIME_DIR", None)
        command = ["sh", project / "binder/hub/session", "--port=1"]
        return subprocess.run(command, env=environment, check=True, capture_output=True, text=True)

    return types.SimpleNamespace(start=start, home=home, lessons=lessons)


def test_students_get_lessons_and_neither_key_nor_teachers_folder(session):
    said = session.start()
    place, runtime, arguments = said.stdout.rstrip("\n").split("|")
    assert (place, arguments, said.stderr) == (f"{session.home}/spin-down", "--port=1", "")
    assert runtime and not runtime.startswith(str(session.home))  # this home's name is too long for sockets in it
    got = {path.relative_to(session.home).as_posix() for path in session.home.rglob("*") if path.is_file()}
    assert got == {
        "spin-down/.release",
        "spin-down/notebooks/start_here.ipynb",
        "spin-down/notebooks/disc/1_predict.ipynb",
        "spin-down/datasets_demo/disc/lesson.toml",
    }


def test_of_the_real_project_no_key_and_no_teachers_page_is_copied(tmp_path):
    lessons = tmp_path / "lessons"
    subprocess.run(["sh", HUB / "for_students", lessons], check=True, capture_output=True)
    names = {path.relative_to(lessons).as_posix() for path in lessons.rglob("*")}
    assert "notebooks/coasting_disc/1_predict.ipynb" in names and "datasets_demo/coasting_disc/lesson.toml" in names
    assert not [name for name in names if "teacher" in name or "key" in name or "handin" in name]
    assert not any("supported" in path.read_text("utf-8") for path in lessons.rglob("*.toml"))


def test_a_new_release_renews_lessons_and_loses_nothing_of_the_student(session, project):
    session.start()
    mine = session.home / "spin-down" / "notebooks" / "disc"
    (mine / "1_predict.ipynb").write_text("first, run by me")
    (mine / "workbooks").mkdir()
    (mine / "workbooks" / "disc.jsonl").write_text("what I entered")
    (mine / "own.ipynb").write_text("my own")
    session.start()  # nothing new: what I changed stays in its place
    assert (mine / "1_predict.ipynb").read_text() == "first, run by me"
    (project / "notebooks" / "disc" / "1_predict.ipynb").write_text("second")
    session.start()
    assert (mine / "1_predict.ipynb").read_text() == "second"
    (kept,) = (session.home / "spin-down" / "earlier").rglob("*.ipynb")
    assert kept.read_text() == "first, run by me"
    assert (mine / "workbooks" / "disc.jsonl").read_text() == "what I entered"
    assert (mine / "own.ipynb").read_text() == "my own"


def test_in_a_full_home_the_session_starts_with_its_files_elsewhere(session, tmp_path):
    home = tmp_path / "full"
    home.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k,mode=0777", "tmpfs", str(home)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a small file system")
    try:
        said = session.start(home)
    finally:
        subprocess.run(["umount", str(home)], check=True)
    assert "the home of root is full" in said.stderr
    where, runtime, _ = said.stdout.split("|")
    assert where.startswith(str(home)) and runtime and not runtime.startswith(str(home))
    Path(runtime).parent.rmdir()


class Settings(dict):
    """Takes whatever a configuration sets, and nothing else is asked of it here."""

    __getattr__ = dict.__getitem__

    def __missing__(self, name):
        self[name] = Settings()
        return self[name]

    def __setattr__(self, name, value):
        self[name] = value


def test_the_hubs_settings_agree_with_each_other(tmp_path, monkeypatch):
    text = (HUB / "jupyterhub_config.py").read_text("utf-8")
    token = tmp_path / "token"
    token.write_text("abc\n")
    handins = tmp_path / "handins"
    text = text.replace("/etc/jupyterhub/before_lesson.token", str(token)).replace("/srv/handins", str(handins))
    c = Settings()
    names = {"get_config": lambda: c}
    exec(compile(text, "jupyterhub_config.py", "exec"), names)
    environment = c.Spawner.environment
    culler, before = c.JupyterHub.services
    assert f"--timeout={60 * int(environment['KIT_IDLE_MINUTES'])}" in culler["command"]
    assert sys.executable in culler["command"] and before["api_token"] == "abc"
    roles = {role["name"]: set(role["scopes"]) for role in c.JupyterHub.load_roles}
    assert roles["cull-idle"] >= {"list:users", "read:users:activity", "read:servers", "delete:servers"}
    unit = (HUB / "jupyterhub.service").read_text("utf-8").splitlines()
    assert c.JupyterHub.cleanup_servers is False and {"KillMode=process", "OOMPolicy=continue"} <= set(unit)
    assert c.Spawner.http_timeout >= 120 and c.Spawner.start_timeout >= 120
    assert (launcher.PROJECT / c.Spawner.default_url.removeprefix("/lab/tree/")).is_file()
    import grp
    import pwd

    me = pwd.getpwuid(os.getuid())
    spawner = types.SimpleNamespace(user=types.SimpleNamespace(name=me.pw_name))
    assert environment["KIT_HANDIN_FOLDER"](spawner) == ""
    mine = handins / grp.getgrgid(me.pw_gid).gr_name
    mine.mkdir(parents=True)
    assert environment["KIT_HANDIN_FOLDER"](spawner) == str(mine)


def test_with_a_key_the_hub_has_a_desk_that_its_sessions_may_reach(tmp_path):
    from kit.classroom.desk import hub_of
    from kit.record.sending import where_to_send
    from kit.record.workbook import Workbook

    text = (HUB / "jupyterhub_config.py").read_text("utf-8").replace("/etc/jupyterhub/", f"{tmp_path}/")
    (tmp_path / "before_lesson.token").write_text("abc\n")
    (tmp_path / "class_desk.key").write_text("the key\n")
    c = Settings()
    exec(compile(text, "jupyterhub_config.py", "exec"), {"get_config": lambda: c})
    desk = c.JupyterHub.services[-1]
    assert desk["environment"] == {"KIT_DESK_KEY": "the key"}
    roles = {role["name"]: set(role["scopes"]) for role in c.JupyterHub.load_roles}
    scope = f"access:services!service={desk['name']}"  # what the desk asks for, see kit.classroom.desk
    assert scope in roles["user"] and "self" in roles["user"] and scope in c.Spawner.server_token_scopes
    hub = hub_of(
        {
            "JUPYTERHUB_API_URL": "http://127.0.0.1:8081/hub/api",
            "JUPYTERHUB_SERVICE_PREFIX": f"/services/{desk['name']}/",
            "JUPYTERHUB_SERVICE_NAME": desk["name"],
            "JUPYTERHUB_SERVICE_URL": desk["url"],
        }
    )
    place = where_to_send(Workbook(tmp_path / "x.jsonl"), {"KIT_CLASS_DESK": c.Spawner.environment["KIT_CLASS_DESK"]})
    assert place.address.endswith(f"{hub.prefix}send") and place.set_by_school


def test_kernels_use_sockets_that_are_files_and_so_never_meet_a_taken_port(tmp_path):
    """The hub's own settings file, read by the program that starts kernels."""
    settings = json.loads((HUB / "jupyter_server_config.json").read_text("utf-8"))
    from jupyter_client import KernelManager
    from traitlets.config import Config

    manager = KernelManager(config=Config(settings), connection_file=str(tmp_path / "kernel-1.json"))
    assert manager.transport == "ipc"
    assert "tcp" not in manager.get_connection_info()["transport"]


def test_the_guide_names_only_files_that_are_there():
    import re

    guide = (launcher.PROJECT / "notebooks" / "teacher" / "school_server.md").read_text("utf-8")
    named = set(re.findall(r"(?:binder|datasets_demo)/[\w./-]+\w", guide))
    assert len(named) > 5
    assert [name for name in named if not (launcher.PROJECT / name).exists()] == []
