"""The page of promises names, for each, tests that exist."""

from __future__ import annotations

import ast
import re

from tests.support import ROOT

PAGE = (ROOT / "hardware_notes" / "trust.md").read_text(encoding="utf-8")


def test_every_promise_has_a_test() -> None:
    promises = re.split(r"(?m)^(?=[0-9]+\. )", PAGE)[1:]
    assert [int(promise.split(".")[0]) for promise in promises] == list(range(1, len(promises) + 1))
    assert len(promises) == 10
    for promise in promises:
        named = re.findall(r"`(tests/\S+?\.py)::(\w+)`", promise)
        assert named, promise
        for file, test in named:
            tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
            functions = [n.name for n in tree.body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
            assert test in functions, (file, test)
