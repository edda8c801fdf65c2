"""A page of JupyterLab begins with its list of files folded, and stays as somebody left it."""

import json
from types import SimpleNamespace

from jupyterlab_server.workspaces_handler import WorkspacesManager

from kit.server import close_side_bar


def test_the_list_is_folded_once_and_then_left_alone(tmp_path):
    server = SimpleNamespace(config={"LabApp": {"workspaces_dir": str(tmp_path / "workspaces")}})
    close_side_bar(server)
    workspaces = WorkspacesManager(str(tmp_path / "workspaces"))
    left = workspaces.load("default")["data"]["layout-restorer:data"]["left"]
    assert left["collapsed"] is True
    workspaces.save("default", json.dumps({"data": {"mine": 1}, "metadata": {"id": "default"}}))
    close_side_bar(server)
    assert workspaces.load("default")["data"] == {"mine": 1}


def test_a_home_that_cannot_be_written_to_is_no_reason_not_to_start(tmp_path):
    (tmp_path / "file").write_text("")
    close_side_bar(SimpleNamespace(config={"LabApp": {"workspaces_dir": str(tmp_path / "file" / "workspaces")}}))
