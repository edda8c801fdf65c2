"""JupyterHub for the kit, on one machine with an account for each group: see notebooks/teacher/school_server.md."""

import grp
import os
import pwd
import sys
from pathlib import Path

c = get_config()  # noqa: F821 (JupyterHub provides it)

IDLE_MINUTES = 45  # outlasts a lesson, and ends before the next class
HANDINS = Path("/srv/handins")  # in it a folder for each class, called as the group of its accounts

# --- who may come in, and where -------------------------------------------------------------------------------------

c.JupyterHub.bind_url = "http://127.0.0.1:8000"  # on this machine only; see "Let the class in"
# c.JupyterHub.ssl_cert, c.JupyterHub.ssl_key = "/etc/jupyterhub/cert.pem", "/etc/jupyterhub/key.pem"
c.JupyterHub.authenticator_class = "pam"  # the accounts and passwords of this machine
c.LocalAuthenticator.allowed_groups = {"students", "teachers"}
c.PAMAuthenticator.open_sessions = False
c.JupyterHub.db_url = "sqlite:////var/lib/jupyterhub/jupyterhub.sqlite"  # in a folder that only root may enter
c.JupyterHub.cookie_secret_file = "/var/lib/jupyterhub/cookie_secret"
c.JupyterHub.cleanup_servers = False  # sessions outlast a restart of the hub; it knows them again

# --- a session ------------------------------------------------------------------------------------------------------


def handin_folder(spawner) -> str:
    """The hand-in folder of the account's class; without one, hand-ins lie beside the notebook."""
    account = pwd.getpwnam(spawner.user.name)
    for number in os.getgrouplist(account.pw_name, account.pw_gid):
        folder = HANDINS / grp.getgrgid(number).gr_name
        if folder.is_dir():
            return str(folder)
    return ""


c.JupyterHub.spawner_class = "kit.server.spawner.WarmSpawner"  # each session as the user that logged in, at once
c.Spawner.cmd = ["/usr/local/bin/spin-down-session"]
c.Spawner.notebook_dir = "~/spin-down"
c.Spawner.default_url = "/lab/tree/notebooks/start_here.ipynb"
c.Spawner.environment = {
    "KIT_IDLE_MINUTES": str(IDLE_MINUTES),  # told to the students
    "KIT_HANDIN_FOLDER": handin_folder,
    "OMP_NUM_THREADS": "1",  # small sums are slower on several threads
    "OPENBLAS_NUM_THREADS": "1",
    "JUPYTER_PREFER_ENV_PATH": "1",  # the kit's own Python, not one that a student has elsewhere
}
c.Spawner.start_timeout = 180  # s; the usual 60 and 30 refuse sessions when a whole class starts at once
c.Spawner.http_timeout = 180

# --- services: stop what nobody uses, start sessions before a lesson --------------------------------------------------

TOKEN = Path("/etc/jupyterhub/before_lesson.token")
# A service ends with its hub, however that ends: a second one would ask with a token that no longer counts.
WITH_HUB = ["setpriv", "--pdeathsig", "TERM", sys.executable, "-m"]
c.JupyterHub.services = [
    {"name": "cull-idle", "command": [*WITH_HUB, "jupyterhub_idle_culler", f"--timeout={60 * IDLE_MINUTES}"]},
    {"name": "before-lesson", "api_token": TOKEN.read_text(encoding="utf-8").strip()},
]
c.JupyterHub.load_roles = [
    {
        "name": "cull-idle",
        "scopes": ["list:users", "read:users:activity", "read:servers", "delete:servers"],
        "services": ["cull-idle"],
    },
    {"name": "before-lesson", "scopes": ["admin:users", "servers"], "services": ["before-lesson"]},
]

# --- a class desk as one of the hub's services: see "The class desk" in school_server.md ------------------------------

DESK_KEY = Path("/etc/jupyterhub/class_desk.key")  # the teacher's key; without this file there is no desk
DESK_FOLDER = HANDINS / "class-3b"
DESK_LESSON = "/opt/spin-down/datasets_demo/coasting_disc"  # for its questions in words, and its key
if DESK_KEY.is_file():
    may_send = "access:services!service=class-desk"
    at = "http://127.0.0.1:10201"  # where sessions reach it, whatever certificate the hub shows outside
    c.JupyterHub.services.append(
        {
            "name": "class-desk",
            "url": at,
            "command": [*WITH_HUB, "kit", "class-desk", str(DESK_FOLDER), "--lesson", DESK_LESSON],
            "environment": {"KIT_DESK_KEY": DESK_KEY.read_text(encoding="utf-8").strip()},
        }
    )
    c.JupyterHub.load_roles.append({"name": "user", "scopes": ["self", may_send]})
    c.Spawner.server_token_scopes = ["users:activity!user", "access:servers!server", may_send]
    c.Spawner.environment["KIT_CLASS_DESK"] = f"{at}/services/class-desk/send"
