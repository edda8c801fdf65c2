"""What the kit changes of a Jupyter server: the list of files is folded at first, and no message of a kernel waits."""

import json
from types import SimpleNamespace

import pytest
from jupyter_server.services.kernels.connection.channels import ZMQChannelsWebsocketConnection
from jupyterlab_server.workspaces_handler import WorkspacesManager

from kit.server import close_side_bar, send_at_once


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


def test_no_message_waits_for_the_page_to_acknowledge_another():
    settings = {"kernel_websocket_connection_class": ZMQChannelsWebsocketConnection}
    send_at_once(SimpleNamespace(web_app=SimpleNamespace(settings=settings)))
    told = []

    class Handler:
        def set_nodelay(self, value):
            told.append(value)
            raise ConnectionError("enough")  # what else a connection does is Jupyter's

    made = settings["kernel_websocket_connection_class"]
    assert issubclass(made, ZMQChannelsWebsocketConnection)
    with pytest.raises(ConnectionError, match="enough"):
        made.connect(SimpleNamespace(websocket_handler=Handler()))
    assert told == [True]


def test_a_server_without_such_connections_stays_as_it_is():
    settings = {}
    send_at_once(SimpleNamespace(web_app=SimpleNamespace(settings=settings)))
    assert settings == {}
