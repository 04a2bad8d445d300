"""A daemon answers as the protocol page says."""

from __future__ import annotations

import json
import re
import socket
from pathlib import Path

from tests.daemon.server.test_protocol_page import PAGE
from tests.support.daemon import Served
from weighloop.daemon import protocol
from weighloop.daemon.server.client import ClientError


def test_what_needs_control_is_refused_without_it_and_the_rest_is_not(tmp_path: Path) -> None:
    with Served(tmp_path) as daemon, daemon.client() as client:
        for name, (_, _, _, control) in protocol.METHODS.items():
            try:
                client.call(name)
                code = 0
            except ClientError as error:
                code = error.code
            assert (code == protocol.ERROR_NOT_IN_CONTROL) == control, name
            if name == "control.take":
                client.call("control.release")
            if name == "control.renounce":
                client.close()
                client = daemon.client()
        snapshot = client.call("snapshot")
        assert set(snapshot) == set(protocol.Snapshot.__annotations__)
        assert set(client.greeting) == set(protocol.Greeting.__annotations__)


def test_the_examples_are_answered_as_the_page_says(tmp_path: Path) -> None:
    said = re.findall(r"^    ([<>]) (\{.*\})$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(said) >= 11
    with Served(tmp_path) as daemon, socket.socket(socket.AF_UNIX) as line:
        line.settimeout(10)
        line.connect(str(daemon.place))
        with line.makefile("rwb") as file:
            for way, text in said:
                if way == ">":
                    file.write(text.encode() + b"\n")
                    file.flush()
                    continue
                heard, shown = json.loads(file.readline()), json.loads(text)
                if shown.get("method") == "greeting":
                    assert heard["params"].keys() == shown["params"].keys()
                    assert heard["params"]["protocol"] == shown["params"]["protocol"]
                else:
                    assert heard == shown
