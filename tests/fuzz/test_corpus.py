"""What fuzzing has found is read again: no input leaves a reader in any other way than in words."""

from __future__ import annotations

import time

import pytest

from .__main__ import read_corpus
from .targets import TARGETS, seeds


@pytest.mark.parametrize("name", TARGETS)
def test_what_was_found_is_answered(name: str) -> None:
    inputs = seeds(name) + read_corpus(name)
    assert len(inputs) > 5
    for data in inputs:
        began = time.process_time()
        TARGETS[name](data)
        assert time.process_time() - began < 10.0, f"{data[:200]!r} holds the reader up"
