"""The protocol page says what the code does.

``python -m tests.daemon.server.test_protocol_page`` renews its tables.

JSON-RPC 2.0 Specification (jsonrpc.org), section 5.1, for the standard's error codes.
"""

from __future__ import annotations

import ast
import re
import sys
from typing import get_args

from tests.support import ROOT
from weighloop.daemon import protocol
from weighloop.daemon.server.connection import QUEUE

FOLDER = ROOT / "daemon"
PAGE = FOLDER / "PROTOCOL.md"
RECORDS = (
    *("Snapshot", "Device", "Devices", "Live", "Run", "RunLine", "Step", "Point", "Action"),
    *("LogLine", "StoreIdentity"),
)
STANDARD = {
    -32700: "not JSON",
    -32600: "no request: not an object, or without a method",
    -32601: "no such method",
    -32602: "wrong parameters",
    -32603: "a fault in the daemon; it is in its log",
}
OWN = {
    protocol.ERROR_NOT_POSSIBLE: "not possible now: no run, held, a balance that is not heard, no such run",
    protocol.ERROR_BAD_INPUT: "wrong input: a bench file with faults (all of them), a number out of range",
    protocol.ERROR_NOT_IN_CONTROL: "not in control, without a key, or with one that only watches",
}


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def methods() -> str:
    lines = [
        "| method | what it does | parameters | result | needs control |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, (what, params, result, control) in protocol.METHODS.items():
        given = "; ".join(f"`{key}` {kind}" for key, kind in params.items())
        cells = (f"`{name}`", what, given, result, "yes" if control else "")
        lines.append("| " + " | ".join(map(_cell, cells)) + " |")
    return "\n".join(lines)


def topics() -> str:
    lines = ["| topic | data | replaceable |", "| --- | --- | --- |"]
    for topic in protocol.TOPICS:
        replaceable = "yes" if topic in protocol.REPLACEABLE else ""
        lines.append(f"| `{topic}` | {protocol.TOPIC_DATA[topic]} | {replaceable} |")
    return "\n".join(lines)


def records() -> str:
    lines = ["| record | what | fields |", "| --- | --- | --- |"]
    for name in RECORDS:
        record = getattr(protocol, name)
        what = " ".join(record.__doc__.split()).replace("``", "`")
        kinds = (f"`{k}` {getattr(v, '__forward_arg__', v)}" for k, v in record.__annotations__.items())
        lines.append(f"| {name} | {_cell(what)} | " + ", ".join(map(_cell, kinds)) + " |")
    return "\n".join(lines)


def actions() -> str:
    """The codes with the comments that stand beside them in the source."""
    source = (FOLDER / "protocol.py").read_text(encoding="utf-8")
    said = dict(re.findall(r'^    "([a-z-]+)",  # (.*)$', source, re.MULTILINE))
    codes = get_args(protocol.ActionCode)
    return "\n".join(["| code | meaning |", "| --- | --- |", *(f"| `{c}` | {said[c]} |" for c in codes)])


def errors() -> str:
    known = STANDARD | OWN
    return "\n".join(
        ["| code | meaning |", "| --- | --- |", *(f"| {code} | {known[code]} |" for code in known)]
    )


def with_tables(text: str) -> str:
    """The page with its tables made again."""
    for make in (methods, topics, records, actions, errors):
        before, begin, rest = text.partition(f"<!-- {make.__name__} -->\n")
        _, end, after = rest.partition("<!-- end -->")
        assert begin, make
        assert end, make
        text = before + begin + make() + "\n" + end + after
    return re.sub(r"<!-- queue -->(?:\d+)?", f"<!-- queue -->{QUEUE}", text)


def test_the_tables_are_those_of_the_code() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert text == with_tables(text), "renew them: python -m tests.daemon.server.test_protocol_page"


def test_the_parameters_named_are_those_that_are_read() -> None:
    named = {key for _, params, _, _ in protocol.METHODS.values() for key in params}
    read: set[str] = set()
    for file in ("server/handlers.py", "server/starting.py", "server/server.py"):
        for node in ast.walk(ast.parse((FOLDER / file).read_text(encoding="utf-8"))):
            match node:
                case ast.Call(ast.Attribute(ast.Name("params"), "get"), [ast.Constant(key), *_]):
                    read.add(str(key))
                case ast.Subscript(ast.Name("params"), ast.Constant(key)):
                    read.add(str(key))
                case ast.Call(ast.Name("_whole"), [ast.Name("params"), ast.Constant(key)]):
                    read.add(str(key))
                case ast.Call(ast.Attribute(_, "_word"), [_, ast.Constant(str(key))]):
                    read.add(key)
    assert read == named


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    print(f"{PAGE}: tables made again", file=sys.stderr)
