"""Each sentence of the page of promises names a test, and the test is there."""

from __future__ import annotations

import re

from tests.support import ROOT

PAGE = ROOT / "hardware_notes" / "trust.md"


def test_each_promise_names_a_test_that_exists() -> None:
    promises = re.findall(r"^\d+\. .*$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(promises) >= 10
    for promise in promises:
        named = re.findall(r"`(tests/\S+\.py)::(test_\w+)`", promise)
        assert named, promise
        for file, test in named:
            assert f"def {test}(" in (ROOT / file).read_text(encoding="utf-8"), promise
