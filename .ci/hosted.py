"""Build and start a hosted copy step by step, as a service that makes an image from `binder/` does, and use it.

    python3 .ci/hosted.py

A fresh environment is made from `binder/` alone. Then, as a user without rights who may write to nothing but the copy
of the project (root turns into one; anybody else already is), `binder/start` starts JupyterLab below an address like
those of hosting services. The start page must answer, every page it links to must be there, a stage must run, and what
was entered must come back from the downloaded workbook after the copy was thrown away, as after an idle stop. Then the
environment becomes that of a school's hub (`hub.py`).

Only pip and npm need the network. The log says what each step took.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import NoReturn

PROJECT = Path(__file__).resolve().parents[1]
BINDER = PROJECT / "binder"
NOBODY = 65534
BASE = "/user/silver-otter/"  # hosting services serve each copy below an address of its own
START_PAGE = "notebooks/start_here.ipynb"
TEACHER_PAGE = "notebooks/teacher/class_overview.ipynb"
STAGE = "notebooks/coasting_disc/2_measure.ipynb"
OFFLINE = r"name resolution|getaddrinfo|NewConnectionError|ConnectTimeout|Read timed out|ProxyError|unreachable"
BEGAN = time.monotonic()

# Run in the stage's folder by the copy's own Python: run the whole stage, then save, or put back, what a group entered.
RUN_A_STAGE = """
import sys, nbformat
from nbclient import NotebookClient
from pathlib import Path
page, last_cell = Path(sys.argv[1]), sys.argv[2]
notebook = nbformat.read(page, 4)
notebook.cells.append(nbformat.v4.new_code_cell(last_cell))
NotebookClient(notebook, timeout=120, store_widget_state=True).execute(cwd=str(page.parent))
states = notebook.metadata.widgets["application/vnd.jupyter.widget-state+json"]["state"].values()
print(" ".join(str(state["state"].get("value", "")) for state in states))
print("".join(output.get("text", "") for output in notebook.cells[-1].outputs))
"""
ENTER = """
stage.workbook.add("measure", "observation:runs", "the lines fan out")
Path({kept!r}).write_bytes(stage.workbook.export_bytes())
print("kept:", len(stage.workbook.entries))
"""
PUT_BACK = """
print("before:", len(stage.workbook.entries))
print(stage.workbook.restore(Path({kept!r}).read_bytes()), stage.observation("runs").text.value)
"""


def main() -> None:
    wanted = (BINDER / "runtime.txt").read_text(encoding="utf-8").strip().removeprefix("python-")
    with tempfile.TemporaryDirectory(prefix="hosted-") as place:
        place = Path(place)
        place.chmod(0o755)
        python = build(place, wanted)
        copy_project(place / "copy")
        copy = place / "copy"
        run("run binder/postBuild in the copy", ["env", f"REPO_DIR={copy}", copy / "binder" / "postBuild"], copy)
        expect(not list(copy.rglob("*teacher_key.toml")), "a hosted copy holds no key")
        user = unprivileged(place)
        check_rights(place, python, user)
        server = start(place, python, user)
        try:
            use_pages(server, user["token"])
        finally:
            server["process"].terminate()
            server["process"].wait(30)
        use_a_stage(place, python, user)
        say("A hosted copy builds, starts, runs a stage, and resumes.")
        import hub  # it uses this module, too

        hub.check(python.parent.parent)


def build(place: Path, wanted: str) -> Path:
    """runtime.txt, then requirements.txt (which names the lock), then postBuild if there is one."""
    interpreter = find_python(wanted, place)
    say(f"binder/runtime.txt asks for Python {wanted}; used: {version_of(interpreter)}, {interpreter}")
    image = place / "image"
    copy_project(image)  # pip builds the package here, and leaves its traces out of the user's copy
    environment = place / "environment"
    run("make the environment", [interpreter, "-m", "venv", environment], image)
    python = environment / "bin" / "python"
    pip = [python, "-m", "pip", "install", "--disable-pip-version-check", "--no-input", "--progress-bar", "off"]
    run("install binder/requirements.txt", [*pip, "-r", "binder/requirements.txt"], image)
    run("check that the releases fit together", [python, "-m", "pip", "check"], image)
    if (image / "binder" / "postBuild").exists():
        run("run binder/postBuild", ["env", f"REPO_DIR={image}", image / "binder" / "postBuild"], image)
    shutil.rmtree(image)  # the package must work without the folder it was built in
    return python


def find_python(wanted: str, place: Path) -> str:
    """A Python of the release that runtime.txt names (else this one), which a user without rights can run."""
    names = [shutil.which(f"python{wanted}"), f"/usr/bin/python{wanted}", f"/usr/local/bin/python{wanted}"]
    found = [name for name in names if name and Path(name).is_file()] or [sys.executable]
    for interpreter in found:
        if can_run(interpreter):
            return interpreter
    # Root's own Python lies where nobody else may look: take a copy of it.
    ask = "import sys; print(sys.base_prefix)"
    prefix = subprocess.run([found[0], "-c", ask], capture_output=True, text=True, check=True).stdout.strip()
    without = shutil.ignore_patterns("site-packages", "test", "__pycache__", "share")
    shutil.copytree(prefix, place / "python", symlinks=True, ignore=without)
    os.environ["LD_LIBRARY_PATH"] = str(place / "python" / "lib")  # its own library, and no other of that release
    copied = str(place / "python" / "bin" / f"python{version_of(found[0]).rpartition('.')[0]}")
    expect(can_run(copied), f"a user without rights can run {copied}, a copy of {found[0]}")
    return copied


def can_run(interpreter: str) -> bool:
    try:
        done = subprocess.run(
            [interpreter, "-c", "import ensurepip, ssl, venv"], capture_output=True, cwd="/", **nobody()
        )
    except OSError:
        return False
    return done.returncode == 0


def nobody() -> dict:
    """Options with which a program runs without rights; nothing where we have none ourselves."""
    return {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}


def copy_project(copy: Path) -> None:
    """The files of the project, none that git ignores, and with them nothing a group has entered here."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=PROJECT,
        capture_output=True,
        check=True,
    )
    for name in filter(None, listed.stdout.decode().split("\0")):
        if (PROJECT / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(PROJECT / name, copy / name)


def unprivileged(place: Path) -> dict:
    """How to run as somebody without rights, who owns the copy; and a clean environment, as a service gives it."""
    copy, home = place / "copy", place / "home"
    home.mkdir()
    own(copy)
    own(home)
    environment = {
        "PATH": f"{place / 'environment' / 'bin'}:/usr/bin:/bin",
        "HOME": str(home),
        "LANG": "C.UTF-8",
        **{name: os.environ[name] for name in ("LD_LIBRARY_PATH",) if name in os.environ},
        "BINDER_LAUNCH_HOST": "https://hosting.example/",
        "JUPYTERHUB_SERVICE_PREFIX": BASE,
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    return {"options": {**nobody(), "env": environment, "cwd": copy}, "token": secrets.token_hex(16)}


def own(folder: Path) -> None:
    """Give a folder to the user without rights, where that is somebody else."""
    if not nobody():
        return
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY)


def check_rights(place: Path, python: Path, user: dict) -> None:
    """The user may write to the copy and to the home folder, and to nothing of the environment."""
    for path in (python.parent.parent, *python.parent.parent.rglob("*")):
        mode = path.lstat().st_mode
        if not stat.S_ISLNK(mode):
            path.chmod(mode & ~0o222)  # as an image is: also for the one who built it, where that is the same user
    ask = "import os, sys, kit\nprint(kit.__file__, *(os.access(path, os.W_OK) for path in sys.argv[1:]))"
    found = subprocess.run(
        [python, "-c", ask, python.parent.parent, place / "copy", place / "home"],
        capture_output=True,
        text=True,
        **{**user["options"], "cwd": place / "home"},
    )
    installed, *may_write = found.stdout.split() or [found.stderr]
    expect(str(python.parent.parent) in installed, f"the installed kit is used, not the folder's: {installed}")
    expect(may_write == ["False", "True", "True"], f"the user may write to the copy and its home only: {may_write}")
    say(f"Unprivileged: the environment is read-only, {installed.partition('site-packages')[2]} comes from it")


def start(place: Path, python: Path, user: dict) -> dict:
    """`binder/start` with the server's command behind it, as the services call it."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = (place / "server.log").open("wb")
    command = [
        "binder/start", "jupyter", "lab", "--no-browser", "--ip=127.0.0.1", f"--port={port}",
        f"--ServerApp.base_url={BASE}", f"--IdentityProvider.token={user['token']}",
    ]  # fmt: skip
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT, **user["options"]
    )
    return {"process": process, "url": f"http://127.0.0.1:{port}{BASE}", "log": place / "server.log"}


def use_pages(server: dict, token: str) -> None:
    began = time.monotonic()
    while True:
        try:
            page = get(server, f"lab/tree/{START_PAGE}", token)
            break
        except (urllib.error.URLError, ConnectionError):
            if server["process"].poll() is not None or time.monotonic() - began > 120:
                fail(f"JupyterLab did not answer:\n{server['log'].read_text(errors='replace')[-2000:]}")
            time.sleep(0.1)
    say(f"The start page answers with 200 after {time.monotonic() - began:.1f} s")
    expect(b"jupyter-config-data" in page, "it is JupyterLab's page")
    get(server, f"lab/tree/{TEACHER_PAGE}", token)
    opened = json.loads(get(server, f"api/contents/{START_PAGE}", token))
    expect(opened["writable"], "the start page can be saved")
    text = json.dumps(opened["content"])
    links = re.findall(r"\]\(([^)#]+\.ipynb)\)", text)
    expect(len(links) >= 3, f"the start page links to the lessons: {links}")
    for link in (*links, TEACHER_PAGE.removeprefix("notebooks/")):
        get(server, f"api/contents/notebooks/{link}?content=0", token)
    settings = get(server, "lab/api/settings/@jupyterlab/apputils-extension:notification", token)
    prompt = json.loads(settings)["schema"]["properties"]["fetchNews"]["default"]
    expect(prompt == "false", f"the project's settings are in force, so no news prompt shows: {prompt}")
    say(f"{len(links) + 2} pages are there, and no prompt stands before them")


def get(server: dict, path: str, token: str) -> bytes:
    request = urllib.request.Request(server["url"] + path, headers={"Authorization": f"token {token}"})
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(request, timeout=30) as answer:
        return answer.read()


def use_a_stage(place: Path, python: Path, user: dict) -> None:
    """Run a stage, enter something, throw the copy away, put the workbook back into a new one."""
    kept = str(place / "home" / "downloaded.jsonl")
    preamble = "from pathlib import Path\n"
    said = run_stage(python, user, preamble + ENTER.format(kept=kept))
    expect("all its files are gone" in said, "the stage says what an idle stop does")
    saved = place / "copy" / "notebooks" / "coasting_disc" / "workbooks" / "coasting_disc.jsonl"
    expect("kept: " in said and saved.stat().st_uid == user["options"].get("user", os.geteuid()), "the entry is saved")
    say("A stage ran headless and wrote a workbook entry")
    shutil.rmtree(place / "copy")
    copy_project(place / "copy")
    own(place / "copy")
    expect(not saved.exists(), "the workbook is gone with the machine")
    said = run_stage(python, user, preamble + PUT_BACK.format(kept=kept))
    expect("the lines fan out" in said.rpartition("put back")[2], "the entry is there again")
    say("A new copy resumed from the downloaded workbook")


def run_stage(python: Path, user: dict, last_cell: str) -> str:
    done = subprocess.run(
        [python, "-c", RUN_A_STAGE, STAGE, last_cell], capture_output=True, text=True, timeout=300, **user["options"]
    )
    if done.returncode:
        fail(f"the stage did not run:\n{done.stderr[-3000:]}")
    return done.stdout


def version_of(interpreter: str) -> str:
    return subprocess.run([interpreter, "--version"], capture_output=True, text=True, check=True).stdout.split()[1]


def run(label: str, command: list, where: Path) -> None:
    began = time.monotonic()
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        command, cwd=where, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    if done.returncode:
        output = done.stdout.decode(errors="replace")
        offline = " The package index could not be reached: this check needs the network for pip."
        fail(f"could not {label}.{offline if re.search(OFFLINE, output) else ''}\n{output[-3000:]}")
    say(f"{label}: {time.monotonic() - began:.0f} s")


def expect(holds: bool, what: str) -> None:
    if not holds:
        fail(f"not so: {what}")


def say(what: str) -> None:
    print(f"hosted [{time.monotonic() - BEGAN:5.1f} s] {what}", flush=True)


def fail(why: str) -> NoReturn:
    sys.exit(f"hosted: {why}")


if __name__ == "__main__":
    main()
