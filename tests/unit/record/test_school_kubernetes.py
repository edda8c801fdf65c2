"""What a hub on many machines is given: settings for JupyterHub's Helm chart that agree with the single machine's."""

from __future__ import annotations

import copy
import re
import types
from pathlib import Path

import pytest
import yaml

from kit import commands, launcher
from kit.classroom.desk import hub_of
from kit.record.sending import where_to_send
from kit.record.workbook import Workbook
from tests.unit.record.test_school_server import HUB, Settings

PLACE = HUB / "kubernetes"
REFERENCE = launcher.PROJECT / "tests" / "reference" / "helm" / "settings.txt"
KINDS = {
    "string": str,
    "integer": int,
    "number": (int, float),
    "boolean": bool,
    "null": type(None),
    "array": list,
    "object": dict,
}


def merged(*files: str) -> dict:
    """Several files of values, as `helm --values` takes them: dictionaries are merged, the rest is replaced."""

    def put(into: dict, more: dict) -> dict:
        for name, value in more.items():
            both = isinstance(value, dict) and isinstance(into.get(name), dict)
            into[name] = put(into[name], value) if both else value
        return into

    found: dict = {}
    for file in files:
        put(found, yaml.safe_load((PLACE / file).read_text("utf-8")))
    return found


VALUES = merged("values.yaml")
OBJECTS = list(yaml.safe_load_all((PLACE / "class.yaml").read_text("utf-8")))


def refused(values: dict) -> list[str]:
    """Those settings that the chart does not have, or that are of a kind it does not take."""
    lines = [line.split() for line in REFERENCE.read_text("utf-8").splitlines() if not line.startswith("#")]
    known = [(re.escape(name).replace(r"\*", "[^.]+"), kinds) for name, *kinds in lines]

    def look(value, name: str) -> list[str]:
        kinds = next((kinds for pattern, kinds in known if re.fullmatch(pattern, name)), None)
        if kinds is not None:
            if kinds[0] == "any" or (kinds[0] == "enum" and value in kinds[1:]):
                return []
            fits = [kind for kind in kinds if kind in KINDS and isinstance(value, KINDS[kind])]
            fits = [kind for kind in fits if not isinstance(value, bool) or kind == "boolean"]
            return [] if fits else [f"{name}: {value!r} is not {kinds}"]
        if isinstance(value, dict):
            return [problem for part, below in value.items() for problem in look(below, f"{name}.{part}".lstrip("."))]
        return [f"{name}: the chart has no such setting"]

    return look(values, "")


@pytest.mark.parametrize("files", [["values.yaml"], ["values.yaml", "object_store.yaml"]])
def test_the_chart_has_all_settings_that_we_set(files):
    assert refused(merged(*files)) == []


def test_a_slip_in_the_settings_is_noticed():
    """Negative control."""
    values = copy.deepcopy(VALUES)
    values["singleuser"]["memory"]["garantee"] = "1G"
    values["cull"]["timeout"] = "45 min"
    values["scheduling"]["userPods"]["nodeAffinity"]["matchNodePurpose"] = "maybe"
    values["prePuller"]["hook"]["enabled"] = 1
    assert [problem.partition(":")[0] for problem in refused(values)] == [
        "singleuser.memory.garantee",
        "prePuller.hook.enabled",
        "scheduling.userPods.nodeAffinity.matchNodePurpose",
        "cull.timeout",
    ]


@pytest.fixture
def machine(tmp_path):
    """The configuration of the hub on one machine, with a class desk."""
    text = (HUB / "jupyterhub_config.py").read_text("utf-8").replace("/etc/jupyterhub/", f"{tmp_path}/")
    (tmp_path / "before_lesson.token").write_text("abc\n")
    (tmp_path / "class_desk.key").write_text("the key\n")
    c = Settings()
    names = {"get_config": lambda: c}
    exec(compile(text, "jupyterhub_config.py", "exec"), names)
    return types.SimpleNamespace(c=c, idle_minutes=names["IDLE_MINUTES"])


def test_both_hubs_are_set_the_same_where_they_can_be(machine):
    student, hub, c = VALUES["singleuser"], VALUES["hub"], machine.c
    assert student["extraEnv"]["KIT_IDLE_MINUTES"] == str(machine.idle_minutes)
    assert VALUES["cull"]["timeout"] == 60 * machine.idle_minutes
    assert student["cmd"] == c.Spawner.cmd
    assert student["defaultUrl"] == c.Spawner.default_url
    assert student["startTimeout"] == c.Spawner.start_timeout
    spawner = hub["config"]["KubeSpawner"]
    assert spawner["notebook_dir"] == c.Spawner.notebook_dir and spawner["http_timeout"] == c.Spawner.http_timeout
    assert spawner["server_token_scopes"] == c.Spawner.server_token_scopes
    roles = {role["name"]: role["scopes"] for role in c.JupyterHub.load_roles}
    assert {name: role["scopes"] for name, role in hub["loadRoles"].items()} == {
        name: scopes
        for name, scopes in roles.items()
        if name != "cull-idle"  # the chart gives its culler its role
    }
    told = set(student["extraEnv"]) | {"KIT_HANDIN_FOLDER"}  # the latter by extraConfig
    assert told == set(c.Spawner.environment)


def test_the_guide_gives_a_session_as_much_as_the_chart_does():
    guide = (launcher.PROJECT / "notebooks" / "teacher" / "school_server.md").read_text("utf-8")
    each = int(VALUES["singleuser"]["memory"]["guarantee"].removesuffix("M"))
    assert f"300 sessions with {each} MB each need {300 * each // 1000} GB" in guide
    assert f"after {VALUES['cull']['timeout'] // 60} minutes without work" in guide


def test_a_session_hands_in_to_its_class_s_folder_of_the_store_and_only_teachers_are_asked():
    (code,) = VALUES["hub"]["extraConfig"].values()
    store = merged("values.yaml", "object_store.yaml")["custom"]["handins"]
    c = Settings()
    for kept, folder in ((store, "s3://school-handins/class-3b"), ("", "")):
        exec(compile(code, "extraConfig", "exec"), {"c": c, "get_config": lambda name, default, kept=kept: kept})
        groups = [types.SimpleNamespace(name=name) for name in ("students", "class-3b")]
        student = types.SimpleNamespace(user=types.SimpleNamespace(groups=groups))
        assert c.KubeSpawner.environment["KIT_HANDIN_FOLDER"](student) == folder
        assert c.KubeSpawner.profile_list(student) == []
    teacher = types.SimpleNamespace(user=types.SimpleNamespace(groups=[types.SimpleNamespace(name="teachers")]))
    default, larger = c.KubeSpawner.profile_list(teacher)
    assert default["default"] and larger["kubespawner_override"]["mem_guarantee"] == "2G"


def found(kind: str) -> dict:
    (one,) = [thing for thing in OBJECTS if thing["kind"] == kind]
    return one


def container_of(spec: dict) -> tuple[dict, dict[str, str]]:
    (container,) = spec["containers"]
    return container, {one["name"]: one.get("value", "") for one in container["env"]}


def test_the_desk_is_where_sessions_and_the_hub_look_for_it(tmp_path):
    spec = found("Deployment")["spec"]["template"]["spec"]
    container, environment = container_of(spec)
    hub = hub_of(environment)
    assert hub is not None and hub.host == "0.0.0.0"
    (port,) = [part["port"] for part in found("Service")["spec"]["ports"]]
    outside = f"http://{found('Service')['metadata']['name']}:{port}"
    assert hub.port == port and VALUES["hub"]["services"][hub.service]["url"] == outside
    sent = VALUES["singleuser"]["extraEnv"]["KIT_CLASS_DESK"]
    assert (
        where_to_send(Workbook(tmp_path / "x.jsonl"), {"KIT_CLASS_DESK": sent}).address == f"{outside}{hub.prefix}send"
    )
    (rule,) = VALUES["singleuser"]["networkPolicy"]["egress"]
    labels = found("Deployment")["spec"]["template"]["metadata"]["labels"]
    assert rule["ports"] == [{"protocol": "TCP", "port": port}]
    assert rule["to"][0]["podSelector"]["matchLabels"].items() <= labels.items()
    assert found("Service")["spec"]["selector"].items() <= labels.items()
    claimed = spec["volumes"][0]["persistentVolumeClaim"]["claimName"]
    assert claimed == found("PersistentVolumeClaim")["metadata"]["name"]
    chosen = commands.parser().parse_args([*container["command"][3:], *container["args"]])
    assert chosen.folder.is_relative_to(container["volumeMounts"][0]["mountPath"])
    copied = str(chosen.lesson).removeprefix("/srv/spin-down/")
    assert (launcher.PROJECT / copied / "lesson.toml").is_file()


def test_the_job_before_a_lesson_is_the_kits_command_with_the_hubs_token():
    spec = found("CronJob")["spec"]["jobTemplate"]["spec"]["template"]["spec"]
    container, _ = container_of(spec)
    chosen = commands.parser().parse_args([*container["command"][3:], *container["args"]])
    assert chosen.run is not None and chosen.file == Path("/class/names")
    (token,) = [one["valueFrom"]["secretKeyRef"]["key"] for one in container["env"]]
    assert token == "hub.services.before-lesson.apiToken" and "before-lesson" in VALUES["hub"]["services"]
    assert list(found("ConfigMap")["data"]) == [chosen.file.name]
    assert spec["volumes"][0]["configMap"]["name"] == found("ConfigMap")["metadata"]["name"]


def test_one_image_is_named_everywhere_and_holds_what_the_settings_start():
    image = VALUES["singleuser"]["image"]
    name = f"{image['name']}:{image['tag']}"
    texts = [(PLACE / file).read_text("utf-8") for file in ("Dockerfile", "class.yaml")]
    texts.append((launcher.PROJECT / "notebooks" / "teacher" / "school_server.md").read_text("utf-8"))
    for text in texts:
        assert set(re.findall(r"registry\.school\.example/[\w./:-]+\w", text)) == {name}
    dockerfile = texts[0]
    for program in (VALUES["singleuser"]["cmd"][0], "/opt/hub", "/srv/spin-down"):
        assert program in dockerfile.partition("FROM docker.io/library/python:3.11-slim\n")[2]
    assert f"--uid {VALUES['singleuser']['uid']}" in dockerfile
    taken = re.findall(r"binder/[\w./-]+\w", dockerfile)
    assert taken and [path for path in taken if not (launcher.PROJECT / path).exists()] == []
    last_stage = dockerfile.rpartition("\nFROM ")[2]
    assert "COPY . " not in last_stage and "COPY --from=build /project" not in last_stage  # the keys are in there
