"""Set up a school's hub by the commands of school_server.md, use it as a class does, and kill parts of it.

    python3 .ci/hub.py [ENVIRONMENT]

The commands of the guide run as they stand there, as root, in name spaces of their own: every folder that they write to
lies under a layer in memory, the network is this machine's loopback alone, and all processes end with the check. So
nothing of the machine changes, whatever else runs on it. What needs a network is done before: the environment (one with
the kit in it, such as `.ci/hosted.py` makes; else one is made), JupyterHub, and its proxy from npm.

Then five accounts with passwords log in to the real hub with the real configuration. Where a machine can't do this (no
root, no name spaces, no npm), the check is left out, and the last line says what was not checked.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shlex
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
import uuid
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import hosted
from hosted import BEGAN, PROJECT, expect, fail

GUIDE = PROJECT / "notebooks" / "teacher" / "school_server.md"
LAYERED = ("/etc", "/opt", "/srv", "/home", "/usr/local", "/var/lib", "/root")
# What the guide does with a network or with systemd: done before, or not to be had here.
LEFT_OUT = ("apt-get", "npm install", "python3 -m venv /opt/hub", "/opt/hub/bin/pip install", "systemctl")
HUB = "http://127.0.0.1:8000"
CLASS, GROUPS = "class-3b", [f"group-3b-{number}" for number in (1, 2, 3, 4, 5)]
HANDINS = Path("/srv/handins", CLASS)
CONFIG = Path("/etc/jupyterhub/jupyterhub_config.py")
PAGE = "notebooks/coasting_disc/1_predict.ipynb"
QUIET_S = 20  # a server ends a line whose other end is silent for 30 s; a browser answers by itself
WAIT_S = 60  # for one thing to come true; an idle machine needs a few seconds
LONGEST_S = 900  # for all; an idle machine needs about one minute

# Run in a student's kernel, in the stage's folder.
ENTER = """
stage.workbook.add("predict", "observation:{what}", "{what}, entered by this group")
print("entered: {what}")
"""
HAND_IN = """
import os
from pathlib import Path
from kit.widgets import Stage
box = Stage("../../datasets_demo/coasting_disc", "explain").hand_in()
box.code.value = "same-code"
box.make_button.click()
print(box.message.text)
print("made:", box.made)
"""
LOOK_AROUND = """
import os
from kit.record.hosting import idle_notice
for place in {places}:
    try:
        print(place, "open", os.listdir(place) if os.path.isdir(place) else open(place).read())
    except PermissionError:
        print(place, "closed")
print(idle_notice())
"""
SEND = """
from kit.record.sending import Outbox, where_to_send
from kit.record.handin import make_handin
place = where_to_send(stage.workbook)
outbox = Outbox(stage.workbook)
outbox.put(make_handin(stage.workbook, "same-code", "coasting_disc"))
print(place.address, outbox.send(place))
"""


def say(what: str) -> None:
    print(f"hub [{time.monotonic() - BEGAN:5.1f} s] {what}", flush=True)


# --- outside: what needs a network ------------------------------------------------------------------------------


def check(environment: Path | None = None) -> None:
    """Prepare, then go on in name spaces of its own; says so if this machine can't."""
    if why := cannot():
        say(f"NOT CHECKED: a school's hub (its configuration, sessions, hand-ins, culler, class desk): {why}")
        return
    with tempfile.TemporaryDirectory(prefix="hub-", ignore_cleanup_errors=True) as place:
        place = Path(place)
        place.chmod(0o755)
        if environment is None:
            wanted = (hosted.BINDER / "runtime.txt").read_text(encoding="utf-8").strip().removeprefix("python-")
            environment = hosted.build(place, wanted).parents[1]
        proxy = prepare(place, environment)
        if proxy is None:
            say("NOT CHECKED: a school's hub: its proxy configurable-http-proxy can't be had here by npm")
            return
        hosted.copy_project(place / "copy")
        inside = ["unshare", "--mount", "--pid", "--net", "--fork", "--mount-proc", "--kill-child"]
        collect = ["sh", "-c", '"$@"; exit $?', "sh"]  # process 1 of the name space: what lost its parent ends properly
        command = [environment / "bin" / "python", __file__, "--inside", place, environment, proxy]
        if subprocess.run([*inside, *collect, *command], stdin=subprocess.DEVNULL, timeout=LONGEST_S).returncode:
            sys.exit("hub: the hub of school_server.md does not do what the guide says")


def cannot() -> str:
    """Why this machine can't do it; empty if it can."""
    if os.geteuid() != 0:
        return "this needs root, for accounts and folders with rights"
    tools = [name for name in ("unshare", "useradd", "chpasswd", "setpriv", "mount") if not shutil.which(name)]
    if tools:
        return f"this machine lacks {', '.join(tools)}"
    tried = ["unshare", "--mount", "--pid", "--net", "--fork", "--mount-proc", "sh", "-c", "mount -t tmpfs tmpfs /srv"]
    return "" if subprocess.run(tried, capture_output=True).returncode == 0 else "this machine allows no name spaces"


def prepare(place: Path, environment: Path) -> Path | None:
    """JupyterHub into the environment, and its proxy; returns the folder of the proxy's command."""
    python = environment / "bin" / "python"
    pip = [python, "-m", "pip", "install", "--disable-pip-version-check", "--no-input", "--progress-bar", "off"]
    if not (environment / "bin" / "jupyterhub").exists():
        (line,) = re.findall(r"/opt/hub/bin/pip install -c binder/lock.txt \. (.+)", GUIDE.read_text(encoding="utf-8"))
        environment.chmod(0o755)
        for path in environment.rglob("*"):  # the other check has made it read-only
            if not path.is_symlink():
                path.chmod(path.stat().st_mode | 0o200)
        hosted.run("install JupyterHub", [*pip, "-c", PROJECT / "binder" / "lock.txt", *shlex.split(line)], place)
    if found := shutil.which("configurable-http-proxy"):
        return Path(found).parent
    npm = shutil.which("npm")
    install = [npm, "install", "--no-fund", "--no-audit", "--prefix", place, "configurable-http-proxy"]
    if npm is None or subprocess.run(install, capture_output=True).returncode:
        return None
    return place / "node_modules" / ".bin"


# --- inside: the guide's commands -------------------------------------------------------------------------------


def inside(place: Path, environment: Path, proxy: Path) -> None:
    """All that follows runs alone on a machine that looks like a school's."""
    own_machine(place, environment, proxy)
    commands = guide_commands()
    run_guide(place, commands)
    say(f"The commands of steps 1 to 4 have run: accounts {', '.join(GROUPS)}, their class's folder, the configuration")
    passwords = dict(line.split(":") for line in Path("/root", f"passwords-{CLASS}").read_text().split())
    small_home(GROUPS[4])
    hub = Hub(place, commands)
    students = {name: Student(name, passwords[name]) for name in GROUPS}
    try:
        first_lesson(hub, students)
        full_home(hub, students[GROUPS[4]])
        killed_session(hub, students[GROUPS[0]])
        killed_parents(hub, students)
        killed_hub(hub, students)
        desk(hub, students[GROUPS[3]])
        teachers_page(place, commands)
        stops_what_is_idle(hub)
    except BaseException:
        print(hub.log.read_text(errors="replace")[-6000:], file=sys.stderr)
        raise
    finally:
        hub.kill()
        if keep := os.environ.get("KIT_HUB_LOG"):  # a file for the hub's whole log, to look into
            shutil.copy(hub.log, keep)
    say("The hub of school_server.md does what the guide says.")


def own_machine(place: Path, environment: Path, proxy: Path) -> None:
    """Layers in memory over what is written to, loopback only, and /opt/hub where the guide has it."""
    layers = place / "layers"
    layers.mkdir()
    mount("-t", "tmpfs", "-o", "mode=0755", "tmpfs", layers)
    for folder in LAYERED:
        upper, work = (layers / f"{folder.strip('/').replace('/', '-')}-{kind}" for kind in ("upper", "work"))
        upper.mkdir()
        work.mkdir()
        shutil.copystat(folder, upper)
        mount("-t", "overlay", "overlay", "-o", f"lowerdir={folder},upperdir={upper},workdir={work}", folder)
    Path("/home").chmod(0o755)
    with socket.socket() as any_socket:  # interface lo, up
        fcntl.ioctl(any_socket, 0x8914, struct.pack("16sH14x", b"lo", 0x1 | 0x40))
    Path("/opt/hub").mkdir()
    mount("--bind", environment, "/opt/hub")
    if libraries := os.environ.get(
        "LD_LIBRARY_PATH"
    ):  # a copied interpreter's own: sessions are not given the variable
        Path("/etc/ld.so.conf.d/own_python.conf").write_text(libraries + "\n")
        subprocess.run(["ldconfig"], check=True)
    Path("/etc/systemd/system").mkdir(parents=True, exist_ok=True)
    commands = place / "commands"
    commands.mkdir()
    (commands / "sudo").write_text(
        "#!/bin/sh\ncase \"$*\" in\n" + "".join(f"'{what}'*) echo \"left out: $*\"; exit 0;;\n" for what in LEFT_OUT)
        + 'esac\nexec "$@"\n'
    )  # fmt: skip
    (commands / "sudo").chmod(0o755)
    os.environ["PATH"] = f"{commands}:{proxy}:{os.environ['PATH']}:/usr/sbin:/sbin"
    for name in ("PYTHONPATH", "VIRTUAL_ENV", "JUPYTERHUB_API_TOKEN"):
        os.environ.pop(name, None)


def mount(*arguments) -> None:
    subprocess.run(["mount", *map(str, arguments)], check=True)


def guide_commands() -> dict[str, str]:
    """The guide's blocks of commands below each heading."""
    found: dict[str, str] = {}
    heading = ""
    for line in GUIDE.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        elif line.startswith("    "):
            found[heading] = found.get(heading, "") + line.removeprefix("    ") + "\n"
    return found


def run_guide(place: Path, commands: dict[str, str]) -> None:
    """Steps 1 to 4, one after the other, in the folder of the project; the last line is the hub itself."""
    steps = [text for heading, text in commands.items() if re.match(r"[1-4]\. ", heading)]
    expect(len(steps) == 4, f"the guide has steps 1 to 4: {list(commands)}")
    script = "".join(steps)
    lines = [line for line in script.splitlines() if not line.startswith("cd /var/lib/jupyterhub")]
    done = subprocess.run(
        ["sh", "-eu", "-c", "\n".join(lines)], cwd=place / "copy", capture_output=True, text=True, check=False
    )
    for line in done.stdout.splitlines():
        if line.startswith("left out"):
            print(f"      {line}", flush=True)
    expect(done.returncode == 0, f"the guide's commands run: {done.stdout[-1500:]} {done.stderr[-1500:]}")
    if shutil.which("systemd-analyze"):
        unit = subprocess.run(
            ["systemd-analyze", "verify", "/etc/systemd/system/jupyterhub.service"], capture_output=True, text=True
        )
        expect(
            unit.returncode == 0 and "jupyterhub.service" not in unit.stderr, f"systemd takes the unit: {unit.stderr}"
        )


# --- the hub and its students -----------------------------------------------------------------------------------


class Hub:
    """The hub's process, started by the guide's own line."""

    def __init__(self, place: Path, commands: dict[str, str]):
        (step,) = [text for heading, text in commands.items() if heading.startswith("4. ")]
        (self.command,) = [line for line in step.splitlines() if line.startswith("cd /var/lib/jupyterhub")]
        self.log = place / "hub.log"
        self.process: subprocess.Popen | None = None
        self.token = Path("/etc/jupyterhub/before_lesson.token").read_text().strip()
        self.start()

    def start(self) -> None:
        began = time.monotonic()
        command = self.command.replace("&& ", "&& exec ")
        for _ in range(3):  # as jupyterhub.service says, Restart=on-failure: a hub may meet its culler while it starts
            with self.log.open("ab") as log:
                self.process = subprocess.Popen(["sh", "-c", command], stdout=log, stderr=log, stdin=subprocess.DEVNULL)
            wait_for(lambda: self.process.poll() is not None or answers(f"{HUB}/hub/api/"), "the hub answers")
            if self.process.poll() is None:
                break
            say("The hub ended while it started, and is started again")
        expect(self.process.poll() is None, "the hub has started")
        say(f"The hub answers after {time.monotonic() - began:.1f} s")

    def kill(self) -> None:
        """As kill -9 does."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def warm(self, *arguments: str, code: int = 0) -> str:
        """The kit's command, as a school runs it."""
        done = subprocess.run(
            ["sudo", "/opt/hub/bin/python3", "-m", "kit", "warm-hub", *arguments],
            cwd="/", capture_output=True, text=True, check=False,
        )  # fmt: skip
        expect(done.returncode == code, f"warm-hub ends with {code}: {done.stdout} {done.stderr}")
        expect(self.token not in done.stdout + done.stderr, "warm-hub does not show the token")
        return done.stdout

    def ask(self, method: str, path: str):
        import requests

        answer = requests.request(
            method, f"{HUB}/hub/api{path}", headers={"Authorization": f"token {self.token}"}, timeout=WAIT_S
        )
        return answer.json() if answer.content else {}

    def stop(self, name: str) -> None:
        """One account's session."""
        self.ask("DELETE", f"/users/{name}/server")
        wait_for(lambda: name not in self.running(), f"the session of {name} has stopped")

    def running(self) -> set[str]:
        """Whose sessions run."""
        return {user["name"] for user in self.ask("GET", "/users") if user.get("servers")}

    def refusals(self) -> list[str]:
        """Lines of the log in which a service was refused."""
        lines = self.log.read_text(errors="replace").splitlines()
        return [line for line in lines if re.search(r"\] 403 |HTTP 403|403: Forbidden", line) and "/user/" not in line]


class Student:
    """A browser in which one account is logged in, and a page's kernel."""

    def __init__(self, name: str, password: str):
        self.name, self.password = name, password
        self.kernel, self.channel, self.heard_s = "", None, 0.0

    def log_in(self) -> str:
        """By name and password; returns the address of the page that shows."""
        import requests

        self.web = requests.Session()
        self.web.trust_env = False
        self.web.get(f"{HUB}/hub/login", timeout=WAIT_S)
        form = {"username": self.name, "password": self.password, "_xsrf": self.web.cookies.get("_xsrf", path="/hub/")}
        answer = self.web.post(f"{HUB}/hub/login", data=form, timeout=WAIT_S)
        answer = self.web.get(f"{HUB}/user/{self.name}/", timeout=WAIT_S)
        expect(answer.status_code == 200, f"{self.name} is logged in: {answer.status_code} {answer.url}")
        return answer.url

    def open(self, page: str = PAGE) -> str:
        """Open a page and run all its cells; returns what they printed."""
        notebook = self.ask("GET", f"api/contents/{page}").json()["content"]
        body = {"path": page, "name": "", "type": "notebook", "kernel": {"name": "python3"}}
        self.kernel = self.ask("POST", "api/sessions", json=body).json()["kernel"]["id"]
        self.connect()
        return "".join(self.run("".join(c["source"])) for c in notebook["cells"] if c["cell_type"] == "code")

    def ask(self, method: str, path: str, **body):
        token = next((c.value for c in self.web.cookies if c.name == "_xsrf" and f"/user/{self.name}" in c.path), "")
        answer = self.web.request(
            method, f"{HUB}/user/{self.name}/{path}", headers={"X-XSRFToken": token}, timeout=WAIT_S, **body
        )
        expect(answer.status_code < 300, f"{method} {path} of {self.name} succeeds: {answer.status_code}")
        return answer

    def connect(self) -> None:
        import websocket

        mine = [c for c in self.web.cookies if f"/user/{self.name}/".startswith(c.path)]
        self.heard_s = time.monotonic()
        self.channel = websocket.create_connection(
            f"{HUB.replace('http', 'ws')}/user/{self.name}/api/kernels/{self.kernel}/channels",
            cookie="; ".join(f"{c.name}={c.value}" for c in mine), timeout=WAIT_S, http_no_proxy=["127.0.0.1"],
        )  # fmt: skip

    def run(self, code: str) -> str:
        """Run a cell; returns what it printed and what its widgets say."""
        if time.monotonic() - self.heard_s > QUIET_S:
            self.connect()
        number, said = uuid.uuid4().hex, []
        header = {"msg_id": number, "msg_type": "execute_request", "username": "", "session": number, "version": "5.3"}
        content = {"code": code, "silent": False, "store_history": False, "user_expressions": {}, "allow_stdin": False}
        message = {"header": header, "parent_header": {}, "metadata": {}, "channel": "shell", "content": content}
        self.channel.send(json.dumps(message))
        while True:
            heard = self.channel.recv()
            if isinstance(heard, bytes):
                continue
            heard = json.loads(heard)
            if heard["parent_header"].get("msg_id") != number:
                continue
            kind, content = heard["msg_type"], heard["content"]
            if kind == "error":
                fail(f"a cell of {self.name} fails: {content['ename']}: {content['evalue']}")
            said.append(content.get("text", "") if kind == "stream" else "")
            state = content.get("data", {}).get("state", {}) if kind == "comm_open" else {}
            said.append(f"{state.get('value', '')}\n" if isinstance(state.get("value"), str) else "")
            if kind == "status" and content["execution_state"] == "idle":
                self.heard_s = time.monotonic()
                return "".join(said)

    @property
    def entered(self) -> list[str]:
        """What lies on the disk of that which was entered by `ENTER`."""
        path = Path("/home", self.name, "spin-down/notebooks/coasting_disc/workbooks/coasting_disc.jsonl")
        return re.findall(r'"(\w+), entered by this group"', path.read_text() if path.exists() else "")

    def enter(self, what: str) -> str:
        """Enter something on the page; what the page prints."""
        return self.run(ENTER.format(what=what))

    @property
    def processes(self) -> dict[int, int]:
        """Of the account, each with its parent; those that have ended are left out."""
        import pwd

        mine, found = pwd.getpwnam(self.name).pw_uid, {}
        for folder in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                state, parent = (folder / "stat").read_text().rpartition(")")[2].split()[:2]
                if folder.stat().st_uid == mine and state != "Z":
                    found[int(folder.name)] = int(parent)
        return found

    @property
    def server(self) -> int:
        """The first of the account's processes whose parent is not the account's: a kernel may have lost its own."""
        mine = self.processes
        return min(pid for pid, parent in mine.items() if parent not in mine)


# --- what a class does --------------------------------------------------------------------------------------------


def first_lesson(hub: Hub, students: dict[str, Student]) -> None:
    began = time.monotonic()
    said = hub.warm("--class", CLASS)
    expect(f"Of {len(GROUPS)}: {len(GROUPS)} started." in said, f"warm-hub starts all: {said}")
    say(f"warm-hub has started {len(GROUPS)} sessions in {time.monotonic() - began:.1f} s")
    said = hub.warm(GROUPS[0], "nobody-here", code=1)
    expect(f"{GROUPS[0]}: was running" in said and "nobody-here: failed: the hub takes no such account" in said, said)
    began = time.monotonic()
    together(students.values(), lambda student: student.log_in())
    expect(students[GROUPS[0]].log_in().endswith("/lab/tree/notebooks/start_here.ipynb"), "the start page shows")
    together(students.values(), lambda student: student.open())
    say(f"{len(GROUPS)} have logged in and run stage 1 in {time.monotonic() - began:.1f} s")
    together(students.values(), lambda student: student.enter("first"))
    expect(all(student.entered == ["first"] for student in students.values()), "each group's entry is on the disk")
    made = together(students.values(), lambda student: student.run(HAND_IN))
    files = sorted(HANDINS.iterdir())
    expect(len(files) == len(GROUPS), f"five groups with one code have five hand-ins: {files} {made}")
    expect({oct(file.stat().st_mode & 0o777) for file in files} == {"0o640"}, "hand-ins are for teachers to read")
    kept = {file: file.read_bytes() for file in files}
    # The same account in a second browser: one kernel for both, and both can enter.
    again = Student(GROUPS[0], students[GROUPS[0]].password)
    again.log_in()
    again.open()
    expect(again.kernel == students[GROUPS[0]].kernel, "a second browser of an account shows the same page")
    again.enter("second")
    said = again.run(HAND_IN)
    students[GROUPS[0]].enter("third")
    expect(again.entered == ["first", "second", "third"], f"what both browsers entered is there: {again.entered}")
    after = {file: file.read_bytes() for file in HANDINS.iterdir()}
    (mine,) = [file for file in kept if after[file] != kept[file]]
    expect(after.keys() == kept.keys(), f"handing in again renews a group's own file, and no other: {said}")
    expect(b"first, entered" in after[mine] and b"second, entered" in after[mine], "with all that was in it before")
    say("Five groups with one code, and one account twice: every entry and every hand-in is there")
    places = [str(HANDINS), "/home/group-3b-1", "/var/lib/jupyterhub", "/opt/spin-down", "/root",
              "/etc/jupyterhub/before_lesson.token", "/proc/1/environ"]  # fmt: skip
    seen = students[GROUPS[1]].run(LOOK_AROUND.format(places=places))
    expect(seen.count("closed") == len(places), f"a student can look into none of these: {seen}")
    minutes = re.search(r"after (\d+) minutes", seen)
    culler = [line for line in command_lines() if "jupyterhub_idle_culler" in line]
    expect(len(culler) == 1 and minutes is not None, f"the culler runs, and pages say when: {culler} {seen}")
    expect(f"--timeout={60 * int(minutes[1])}" in culler[0], f"the notice is true: {minutes[0]}, {culler}")
    expect(hub.refusals() == [], f"no service is refused: {hub.refusals()}")
    say("A student can open none of: " + ", ".join(places) + f". Pages say {minutes[1]} minutes, and the culler too")


def small_home(name: str) -> None:
    """A home with little room, as a quota makes it."""
    import pwd

    account = pwd.getpwnam(name)
    options = f"size=60m,mode=0700,uid={account.pw_uid},gid={account.pw_gid}"
    mount("-t", "tmpfs", "-o", options, "tmpfs", f"/home/{name}")


def full_home(hub: Hub, student: Student) -> None:
    """The home gets full in the lesson, and the session starts again in it."""
    home = Path("/home", student.name)
    student.enter("second")
    with suppress(OSError), (home / "filler").open("wb") as filler:
        while True:
            filler.write(bytes(4096))
            filler.flush()
    expect(shutil.disk_usage(home).free == 0, "the home is full")
    # Longer than what may be left of a page on the disk.
    long = ENTER.format(what="third").replace('group"', 'group" + 5000 * " and more"')
    said = student.run(f"try:{textwrap.indent(long, '    ')}\nexcept Exception as problem: print(problem)")
    expect("entered:" not in said and "disk is full" in said, f"a page says that it can't save: {said}")
    hub.stop(student.name)
    hub.warm(student.name)
    student.log_in()
    page = student.open()
    expect("Nothing can be saved now" in page, "a page in a full home says so")
    said = student.run(HAND_IN)
    made = Path(re.search(r"^made: (/.+)$", said, flags=re.M)[1])
    expect(made.parent == HANDINS and b"second, entered" in made.read_bytes(), f"what was saved is handed in: {said}")
    expect(student.entered == ["first", "second"], f"nothing that was saved is lost: {student.entered}")
    say("In a full home the session starts, says so, and hands in what was saved")


def killed_session(hub: Hub, student: Student) -> None:
    """kill -9 of a student's server."""
    before, old = student.entered, set(student.processes)
    os.kill(student.server, signal.SIGKILL)
    began = time.monotonic()
    said = hub.warm(student.name)
    expect(f"{student.name}: started" in said, f"a killed session starts again: {said}")
    student.log_in()
    student.open()
    took_s = time.monotonic() - began
    student.enter("after")
    expect(student.entered == [*before, "after"], f"all entries are there: {student.entered}")
    wait_for(lambda: not old & set(student.processes), "nothing of the killed session is left behind")
    say(f"kill -9 of a student's server: its page is back after {took_s:.1f} s, with all {len(before)} entries")


def killed_parents(hub: Hub, students: dict[str, Student]) -> None:
    """kill -9 of what kernels and sessions are forked from, if they are: none of them ends, and others still start."""
    student, other = students[GROUPS[2]], students[GROUPS[3]]
    parents = {int(student.run("import os; print(os.getppid())")), student.processes[student.server]}
    parents -= {student.server, hub.process.pid, 1}
    for parent in parents:
        os.kill(parent, signal.SIGKILL)
    student.enter("forked")
    expect(student.entered == ["first", "forked"], f"a page whose parent was killed goes on: {student.entered}")
    student.open(PAGE.replace("1_predict", "2_measure"))
    hub.stop(other.name)
    hub.warm(other.name)
    other.log_in()
    other.open()
    say(f"kill -9 of {len(parents)} processes that kernels and sessions are forked from: pages go on, others start")


def killed_hub(hub: Hub, students: dict[str, Student]) -> None:
    """kill -9 of the hub: sessions go on without it, and it knows them again."""
    student = students[GROUPS[1]]
    servers = {name: other.server for name, other in students.items()}
    student.connect()
    hub.kill()
    student.enter("without")
    make_desk_key()
    began = time.monotonic()
    hub.start()
    wait_for(lambda: hub.running() == set(GROUPS), "the hub knows its sessions again")
    expect({name: other.server for name, other in students.items()} == servers, "no session was started anew")
    student.connect()
    student.enter("later")
    expect(student.entered == ["first", "without", "later"], f"the same kernel goes on: {student.entered}")
    took_s = time.monotonic() - began
    say(f"kill -9 of the hub: nobody's session ends, work goes on meanwhile; all is as before {took_s:.1f} s later")


def make_desk_key() -> None:
    """By the guide's commands."""
    text = guide_commands()["The class desk"]
    lines = [line for line in text.splitlines() if "class_desk.key" in line or "systemctl" in line]
    subprocess.run(["sh", "-eu", "-c", "\n".join(lines)], check=True, stdout=subprocess.DEVNULL)


def desk(hub: Hub, student: Student) -> None:
    """The class desk as the hub's service: a session that starts from now on sends to it."""
    import requests

    hub.stop(student.name)
    hub.warm(student.name)
    student.log_in()
    student.open()
    teachers = f"{HUB}/services/class-desk/teacher"
    wait_for(lambda: answers(teachers, 403), "the desk's page asks for the key")
    said = student.run(SEND)
    expect("sent=1" in said, f"a hand-in gets to the desk: {said}")
    key = Path("/etc/jupyterhub/class_desk.key").read_text().strip()
    with requests.Session() as teacher:
        teacher.trust_env = False
        shown = teacher.post(teachers, data={"key": key}, timeout=WAIT_S)
        live = teacher.get(f"{teachers}/live", timeout=WAIT_S)
    expect(shown.status_code == live.status_code == 200, f"the teacher's page opens: {shown.status_code}")
    expect(list((HANDINS / ".moments").glob("*")) != [], "the desk keeps each hand-in that came")
    stranger = requests.post(f"{HUB}/services/class-desk/send", json={}, timeout=WAIT_S)
    expect(stranger.status_code == 403, "who has no session can send nothing")
    say("The class desk as the hub's service: a session sends, the teacher's page opens with the key, a stranger can't")


def teachers_page(place: Path, commands: dict[str, str]) -> None:
    """Step 5, by somebody who is in the group of teachers and has no other rights."""
    import grp
    import pwd

    subprocess.run(["useradd", "--create-home", "--groups", "teachers", "teacher-3b"], check=True)
    account = pwd.getpwnam("teacher-3b")
    (step,) = [text for heading, text in commands.items() if heading.startswith("5. ")]
    teacher = {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": [grp.getgrnam("teachers").gr_gid]}
    done = subprocess.run(
        ["sh", "-eu", "-c", step], cwd=account.pw_dir, env={"PATH": os.environ["PATH"], "HOME": account.pw_dir},
        capture_output=True, text=True, check=False, **teacher,
    )  # fmt: skip
    expect(done.returncode == 0, f"a teacher reads the class's hand-ins: {done.stdout} {done.stderr}")
    report = Path(account.pw_dir, "class-3b.html").read_text(encoding="utf-8")
    expect("same-code" in report, "the groups are in the report")
    expect("could not be" not in done.stdout, f"all that lies there is read: {done.stdout}")
    say(f"The teacher's page, step 5: {' '.join(done.stdout.split())}")


def stops_what_is_idle(hub: Hub) -> None:
    """The hub is killed once more, and begins with a culler that has no patience."""
    hub.kill()
    text = CONFIG.read_text()
    short = re.sub(r"^IDLE_MINUTES = \d+", "IDLE_MINUTES = 0.1", text, flags=re.M).replace("{60 * IDLE_MINUTES}", "6")
    expect(short != text, "the time was shortened")
    CONFIG.write_text(short)
    hub.start()
    wait_for(lambda: answers(f"{HUB}/services/class-desk/teacher", 403), "the desk is there again")
    for what in ("class-desk", "jupyterhub_idle_culler"):
        expect(len([line for line in command_lines() if what in line]) == 1, f"one {what} runs: {command_lines()}")
    wait_for(lambda: not hub.running(), "idle sessions have stopped")
    expect(hub.refusals() == [], f"no service is refused: {hub.refusals()}")
    say("The culler stops what nobody uses, and none of its questions was answered with 403")


# --- helpers --------------------------------------------------------------------------------------------------------


def together(students, do) -> list:
    """All at once, as a class."""
    results: list = [None] * len(students)
    problems: list[BaseException] = []

    def one(number, student):
        try:
            results[number] = do(student)
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=one, args=pair) for pair in enumerate(students)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if problems:
        raise problems[0]
    return results


def answers(address: str, status: int = 200) -> bool:
    import requests

    with suppress(requests.RequestException):
        return requests.get(address, timeout=5).status_code == status
    return False


def command_lines() -> list[str]:
    """Of all processes."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            found.append((folder / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace"))
    return found


def wait_for(holds, what: str) -> None:
    deadline = time.monotonic() + WAIT_S
    while not holds():
        expect(time.monotonic() < deadline, f"{what} within {WAIT_S} s")
        time.sleep(0.2)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--inside"]:
        inside(*map(Path, sys.argv[2:]))
    else:
        check(*map(Path, sys.argv[1:]))
