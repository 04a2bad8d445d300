"""What goes over the broker: it comes out as it went in, and what is not ours is refused in words."""

from __future__ import annotations

import json
from uuid import uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weighloop.daemon.lab.messages import (
    TABLES,
    Archived,
    Course,
    EventBatch,
    OpenBlock,
    Table,
    check_name,
    decode,
    encode,
    read_topic,
)

NUMBER = st.integers(0, 2**63 - 1)
FLOAT = st.floats(allow_nan=False, allow_infinity=False)
TEXT = st.text(max_size=20)
_EVENT = st.tuples(
    NUMBER,
    st.none() | NUMBER,
    FLOAT,
    TEXT,
    TEXT,
    TEXT,
    TEXT,
    st.none() | TEXT,
    st.none() | st.binary(max_size=16),
)
_RAW = st.tuples(
    NUMBER, st.none() | NUMBER, FLOAT, FLOAT, NUMBER, st.none() | FLOAT, st.none() | FLOAT,
    st.binary(max_size=64), st.none() | st.binary(max_size=16),
)  # fmt: skip


@pytest.mark.parametrize(("table", "row"), [("events", _EVENT), ("raw", _RAW)])
def test_a_batch_comes_out_as_it_went_in(table: Table, row: st.SearchStrategy) -> None:
    @given(st.lists(row, min_size=1, max_size=4), st.lists(st.integers(1, 1000), min_size=5, max_size=5))
    def check(rows: list, steps: list[int]) -> None:
        numbers = [sum(steps[: i + 1]) for i in range(5)]
        batch = EventBatch(table, numbers[0], tuple((n, *r) for n, r in zip(numbers[1:], rows, strict=False)))
        back = decode(table, encode(batch))
        assert back == batch
        assert [list(map(type, r)) for r in back.rows] == [list(map(type, r)) for r in batch.rows]

    check()


@given(NUMBER, st.lists(st.tuples(NUMBER, st.none() | NUMBER, st.binary(max_size=64)), max_size=4))
def test_an_open_block_comes_out_as_it_went_in(after: int, pieces: list) -> None:
    block = OpenBlock(after, tuple(pieces))
    assert OpenBlock.decode(block.encode()) == block


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_anything_else_is_no_open_block(payload: bytes) -> None:
    with pytest.raises(ValueError):
        OpenBlock.decode(payload)


@given(st.sampled_from(TABLES), st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_anything_else_is_refused(table: Table, payload: bytes) -> None:
    with pytest.raises(ValueError):
        decode(table, payload)


@pytest.mark.parametrize(
    "change",
    [
        {"after": -1}, {"after": True}, {"after": 7}, {"rows": []},
        {"rows": [[]]}, {"rows": 3}, {"rows": None},
        {"rows": [[8, 1, None, "x", "u", "k", "t", "{}", None, None]]},
        {"rows": [[2**63, 1, None, 0.0, "u", "k", "t", "{}", None, None]]},
        {"rows": [[8, 1, None, 0.0, "u", "k", "t", "{}", None, "not base64"]]},
    ],
)  # fmt: skip
def test_a_batch_that_is_wrong_in_one_place_is_refused(change: dict) -> None:
    right = {"after": 6, "rows": [[7, 1, None, 0.0, "u", "k", "t", "{}", None, None]]}
    assert decode("events", json.dumps(right).encode()).last == 7
    with pytest.raises(ValueError):
        decode("events", json.dumps(right | change).encode())


@given(NUMBER, NUMBER, TEXT, st.none() | TEXT)
def test_the_archive_s_word_comes_out_as_it_went_in(
    events: int, raw: int, session: str, answers: str | None
) -> None:
    word = Archived(events, raw, session, answers)
    assert Archived.decode(word.encode()) == word


def test_topics_name_bench_store_and_epoch() -> None:
    course = Course("bench-2", str(uuid4()), str(uuid4()))
    assert read_topic(course.topic("events")) == (course, "events")
    for topic in (
        "weighloop/bench-2/online",
        "other/a/b/c/d",
        course.topic("events") + "/more",
        "weighloop/a/b/c/d",
    ):
        with pytest.raises(ValueError):
            read_topic(topic)


@pytest.mark.parametrize("name", ["", "a/b", "+", "#", "bench 2", "-x", "x" * 65, "b\n"])
def test_a_name_that_would_break_topics_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="cannot name a bench"):
        check_name(name)
