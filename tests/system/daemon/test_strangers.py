"""Odd calls, clients that only take, keys that only watch. JSON-RPC 2.0 Specification, 4 and 5.1."""

from __future__ import annotations

import json
import socket
import stat
import time
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.daemon import Served
from tests.support.examples import examples
from weighloop.daemon.protocol import ERROR_NOT_IN_CONTROL, LONGEST_TEXT, METHODS
from weighloop.daemon.server.client import Client, ClientError, NoDaemon
from weighloop.daemon.server.connection import ANSWERS_WAITING
from weighloop.daemon.server.server import MOST_STRANGERS


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("daemon")) as daemon:
        yield daemon


class Plain:
    """A connection that sends whatever it likes."""

    def __init__(self, served: Served) -> None:
        self.line = socket.socket(socket.AF_UNIX)
        self.line.settimeout(20)
        self.line.connect(str(served.place))
        self.file = self.line.makefile("rb")
        self.file.readline()  # the greeting

    def ask(self, line: bytes) -> dict[str, Any]:
        self.line.sendall(line + b"\n")
        while "id" not in (answer := json.loads(self.file.readline())):
            pass  # an event: one of the odd calls was a subscription
        assert answer["jsonrpc"] == "2.0"
        return answer

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        return self.ask(json.dumps({"jsonrpc": "2.0", "id": 1, "method": method, "params": params}).encode())


@pytest.fixture(scope="module")
def plain(served: Served) -> Iterator[Plain]:
    end = Plain(served)
    end.call("control.take", name="stranger", force=True)
    yield end
    end.file.close()
    end.line.close()


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        (b'{"id": NaN, "method": "status"}', -32700, "NaN"),
        (b'{"id": 1, "method": "runs.get", "params": {"run": -Infinity}}', -32700, "-Infinity"),
        (b'{"id": 1e999, "method": "status"}', -32600, "id"),
        (b'{"id": true, "method": "status"}', -32600, "id"),
        (b'{"id": {"a": []}, "method": "status"}', -32600, "id"),
        (b'{"id": ' + b"9" * 5000 + b', "method": "status"}', -32700, "not JSON"),
        (b'{"id": 1, "method": ' + b"[" * 100_000, -32700, "nested too deep"),
        (b'{"id": 1, "method": ["status"]}', -32600, "a request"),
        (b'{"id": 1, "method": "status", "params": []}', -32602, "by name"),
        (b'{"id": 1, "method": "status", "params": 0}', -32602, "by name"),
        (b'{"id": 1, "method": "' + b"x" * 100_000 + b'"}', -32601, "xxx ..."),
        (b"null", -32600, "a request"),
        (b"\x00", -32700, "not JSON"),
    ],
    ids=lambda value: value[:30].decode("latin-1") if isinstance(value, bytes) else None,
)
def test_what_is_no_request_is_said_and_the_connection_stays(
    plain: Plain, line: bytes, code: int, words: str
) -> None:
    answer = plain.ask(line)
    assert answer["error"]["code"] == code
    assert words in answer["error"]["message"]
    assert len(answer["error"]["message"]) < 1000
    assert plain.call("status")["result"]["well"]


@pytest.mark.parametrize(
    ("method", "params", "words"),
    [
        ("runs.get", {"run": 2**63}, "run is 9223372036854775808; expected a whole number"),
        ("readings.overview", {"run": 2**64, "slots": 5}, "run is"),
        ("readings.overview", {"run": 1, "slots": 1.5}, "slots is 1.5; expected a whole number"),
        ("run.set_aside", {"point": -(2**70), "why": None}, "point is"),
        ("run.set_aside", {"point": [1], "why": None}, "point is a list of 1"),
        ("run.plan", {"bench_text": "", "points": True}, "points is true; expected a whole number"),
        ("run.plan", {"bench_text": "", "points": 5, "target_u_kg": [1]}, "expected a number or null"),
        ("run.start", {"bench_text": "", "points": 5, "queue": "x"}, 'queue is "x"; expected true or false'),
        ("run.start", {"bench_text": "", "points": 5, "name": {"a": 1}}, "name is an object of 1 keys"),
        ("run.start", {"bench_text": "", "points": 5, "loops": 2**65}, "loops is"),
        ("run.confirm", {"choice": 3}, "choice is 3; expected a text or null"),
        ("run.confirm", {"choice": None, "code": ["turn-over"]}, "code is a list of 1"),
        ("run.note", {"text": "a\ud800b"}, "U+D800 at character 2"),
        ("run.note", {"text": "\x1b]0;x\x07"}, "U+001B at character 1"),
        ("run.note", {"text": "x" * (LONGEST_TEXT + 1)}, "10001 characters"),
        ("run.hold", {"why": 0}, "why is 0; expected a text or null"),
        ("control.take", {"name": [], "force": False}, "name is a list of 0"),
        ("control.take", {"name": "a", "force": 1}, "force is 1; expected true or false"),
        ("subscribe", {"topics": [["live"]]}, "topics is a list of 1"),
        ("subscribe", {"topics": "live"}, 'topics is "live"; expected a list of live'),
        ("authenticate", {"token": 12}, "token is 12; expected a text"),
    ],
)
def test_a_parameter_of_another_type_is_refused_in_words(
    plain: Plain, method: str, params: dict[str, Any], words: str
) -> None:
    error = plain.call(method, **params)["error"]
    assert error["code"] == -32602
    assert words in error["message"]


ODD = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(2**62, 2**70)
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(
        ["\ud800", "\x00", "\u202e", "9" * 400, "0001-01-01T00:00:00+23:59", "2026-01-01T00:00Z"]
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


@st.composite
def calls(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    method = draw(st.sampled_from([name for name in METHODS if name not in ("shutdown", "control.renounce")]))
    given_ = {key: draw(ODD) for key in METHODS[method][1] if draw(st.booleans())}
    return method, given_


@settings(max_examples=examples(400))
@given(call=calls())
def test_no_call_is_a_fault_in_the_daemon(plain: Plain, call: tuple[str, dict[str, Any]]) -> None:
    answer = plain.call(call[0], **call[1])
    assert "result" in answer or answer["error"]["code"] in (-32700, -32602, 1, 2, 3), (call, answer)


def test_who_pipelines_without_reading_takes_a_bounded_place(served: Served) -> None:
    """Requests whose answers repeat what was asked: the answers of a second were 240 MB once."""
    end = Plain(served)
    server = served.daemon.server
    assert server is not None
    before = set(server.connections)
    request = b'{"id": "' + b"x" * 1_000_000 + b'", "method": "runs.list"}\n'
    end.line.settimeout(1.0)
    with pytest.raises(TimeoutError):
        end.line.sendall(request * 100)
    (connection,) = [c for c in before if c._waiting]
    assert connection._waiting <= ANSWERS_WAITING + len(request)
    end.file.close()
    end.line.close()


def test_a_connection_that_renounced_only_watches(served: Served) -> None:
    with served.client(control=True) as client:
        client.call("control.renounce")
        assert client.call("snapshot")["controller"] is None
        for method in ("control.take", "run.hold", "shutdown"):
            with pytest.raises(ClientError, match="only watches") as refused:
                client.call(method)
            assert refused.value.code == ERROR_NOT_IN_CONTROL


@pytest.fixture(scope="module")
def on_tcp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("tcp"), tcp=("127.0.0.1", 0)) as daemon:
        yield daemon


def test_each_role_has_a_key_of_its_own(on_tcp: Served) -> None:
    act, watch = on_tcp.place.with_suffix(".tcp"), on_tcp.place.with_suffix(".watch.tcp")
    assert stat.S_IMODE(watch.stat().st_mode) == 0o600
    assert json.loads(act.read_text())["token"] != json.loads(watch.read_text())["token"]
    with Client.connect(watch) as client:
        assert client.call("snapshot")["run"] is None
        for method in ("control.take", "run.note", "shutdown"):
            with pytest.raises(ClientError, match="only watches"):
                client.call(method)
        # One key said is the one that counts: the other cannot be said after it.
        client.call("authenticate", token=json.loads(act.read_text())["token"])
        with pytest.raises(ClientError, match="only watches"):
            client.call("control.take", name="x", force=True)
    with Client.connect(act) as client:
        assert client.call("control.take", name="x", force=True)


def test_strangers_are_few_and_say_little(on_tcp: Served) -> None:
    known = json.loads(on_tcp.place.with_suffix(".tcp").read_text())
    address = (known["host"], known["port"])
    strangers = [socket.create_connection(address, 10) for _ in range(MOST_STRANGERS)]
    try:
        for line in strangers:
            assert b"greeting" in line.makefile("rb").readline()
        with pytest.raises(NoDaemon, match="takes no further client"):
            Client.connect(on_tcp.place.with_suffix(".tcp"))
        strangers[0].sendall(b"x" * 20_000 + b"\n")  # longer than any key
        assert ended(strangers[0])
        end = time.monotonic() + 60
        while True:
            try:
                Client.connect(on_tcp.place.with_suffix(".tcp")).close()
                break
            except NoDaemon:
                assert time.monotonic() < end
                time.sleep(0.02)
    finally:
        for line in strangers:
            line.close()


def ended(line: socket.socket) -> bool:
    try:
        return line.recv(100) == b""
    except ConnectionResetError:
        return True


@pytest.mark.parametrize(("act", "files"), [(False, 1), (True, 2)])
def test_from_afar_one_only_watches_unless_asked(
    tmp_path_factory: pytest.TempPathFactory, act: bool, files: int
) -> None:
    with Served(tmp_path_factory.mktemp("afar"), tcp=("0.0.0.0", 0), act_from_afar=act) as daemon:
        assert len(list(daemon.place.parent.glob("*.tcp"))) == files
        assert daemon.place.with_suffix(".watch.tcp").exists()
