"""What a list of runs asks for: each entry's own words, and those of the call where it has none."""

from __future__ import annotations

import pytest

from weighloop.daemon.server.connection import RpcError
from weighloop.daemon.server.starting import entries_of


def test_gaps_and_an_answer_take_each_other_s_place() -> None:
    asked = {"bench_text": "", "until": "HcJ 1 %", "runs": [{"points": 5}, {"name": "WP-07-2"}]}
    gaps, answer = entries_of(asked)
    assert (gaps["points"], gaps["until"]) == (5, None)
    assert (answer.get("points"), answer["until"], answer["name"]) == (None, "HcJ 1 %", "WP-07-2")
    (own,) = entries_of({"bench_text": "", "points": 22, "runs": [{"until": "Mr 2 %"}]})
    assert (own["points"], own["until"]) == (None, "Mr 2 %")


def test_a_wrong_entry_is_named() -> None:
    with pytest.raises(RpcError, match=r"entry 2.*'gaps' is unknown"):
        entries_of({"bench_text": "", "points": 5, "runs": [{}, {"gaps": 3}]})
