"""Forwarder and archive as they are, over a channel that loses, repeats and forgets: nothing is lost."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.daemon.lab.messages import Archived
from weighloop.daemon.lab.outbox import PATIENCE, WINDOW, Outbox


def test_nothing_is_sent_before_the_archive_has_answered_this_very_question() -> None:
    box = Outbox()
    assert box.must_ask(0.0)
    nonce = box.question(0.0)
    box.heard(Archived(40, 2, "old", None), 0.1)
    box.heard(Archived(40, 2, "old", "another question"), 0.1)
    assert box.room("events", 0.2) is None
    box.heard(
        Archived(30, 1, "now", nonce) if (nonce := box.question(0.3)) else Archived(0, 0, "", None), 0.4
    )
    assert box.room("events", 0.5) == (30, 50)
    assert box.room("raw", 0.5) == (1, 4)


def test_an_archive_that_began_again_is_asked_before_more_is_sent() -> None:
    box = Outbox()
    box.heard(Archived(30, 0, "one", box.question(0.0)), 0.0)
    box.heard(Archived(90, 0, "two", None), 1.0)
    assert box.room("events", 1.0) is None
    assert box.must_ask(1.0)
    box.heard(Archived(10, 0, "two", box.question(1.0)), 1.0)
    assert box.room("events", 1.0) == (10, 50)


def test_no_more_than_the_window_is_on_its_way() -> None:
    box = Outbox()
    box.heard(Archived(0, 0, "s", box.question(0.0)), 0.0)
    sent = 0
    while (room := box.room("events", 0.0)) is not None:
        sent = room[0] + room[1]
        box.note_sent("events", sent, room[1], 0.0)
    assert sent == WINDOW["events"]
    assert box.room("events", PATIENCE + 0.1) == (0, 50)  # no word of progress: again from the archive's word
    assert box.again == WINDOW["events"]


@pytest.mark.parametrize("loss", [0.0, 0.1, 0.4])
@settings(max_examples=examples(25))
@given(seed=st.integers(0, 2**32))
def test_everything_arrives_once_whatever_the_channel_does(loss: float, seed: int) -> None:
    """The archive keeps rows by number; its word moves on only where a batch follows what it has."""
    chance = random.Random(seed)
    numbers = sorted(chance.sample(range(1, 6000), 1500))  # a store leaves numbers out
    rows: set[int] = set()
    upto, session, backup = 0, "s0", (set[int](), 0)
    box, now = Outbox(), 0.0
    calm = 400  # after this many rounds the channel is quiet
    for round_ in range(3000):
        now += 0.3
        rough = round_ < calm
        if rough and chance.random() < 0.02:
            backup = (set(rows), upto)
        if rough and chance.random() < 0.01:  # the archive is restored from its backup
            rows, upto, session = set(backup[0]), backup[1], f"s{round_}"
        if rough and chance.random() < 0.02:  # the forwarder is killed and started again
            box = Outbox()
        answers = None
        if box.must_ask(now):
            answers = box.question(now)
        else:
            room = box.room("events", now)
            batch = [n for n in numbers if room and n > room[0]][: room[1] if room else 0]
            if batch and room:
                box.note_sent("events", batch[-1], len(batch), now)
                if rough and chance.random() < loss:
                    continue
                rows |= set(batch)
                if room[0] <= upto:
                    upto = max(upto, batch[-1])
        if not (rough and chance.random() < loss):
            box.heard(Archived(upto, 0, session, answers), now)
        assert {n for n in numbers if n <= upto} <= rows  # the archive's word is always true
        if not rough and upto == numbers[-1]:
            break
    assert rows == set(numbers)
