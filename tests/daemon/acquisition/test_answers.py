"""What a level must show before it is taken, move by move."""

from __future__ import annotations

import random

from weighloop.daemon.acquisition.answers import STEP_STANDS, UNKNOWN, Answers

U = 3e-7
MG = 1e-6


def feed(answers: Answers, start: float, end: float, level: float) -> None:
    """Ten readings a second on a level whose last digit changes."""
    for n in range(round(start * 10), round(end * 10)):
        answers.feed(n / 10, level + (n % 2) * MG)


def answered_once(answers: Answers) -> None:
    """A level at 1 g, a move from 10 s to 12 s, and from then on 2 g."""
    feed(answers, 0.0, 5.0, 1e-3)
    answers.taken(1e-3, U)
    answers.moving(10.0, by_hand=False)
    feed(answers, 5.0, 10.0, 1e-3)
    feed(answers, 10.0, 12.0, 1.5e-3)
    answers.stands(12.0)


def test_a_level_is_seen_for_a_while_before_it_counts() -> None:
    answers = Answers(MG)
    answered_once(answers)
    feed(answers, 12.0, 15.0, 2e-3)
    assert answers.judge(2e-3, U, 12.0 + 0.9 * UNKNOWN, 12.0, 1e-4).code == "wait"
    assert answers.judge(2e-3, U, 12.0 + 1.1 * UNKNOWN, 12.0, 1e-4).code == "take"
    assert answers.delay == 0.0


def test_a_step_with_nothing_moved_is_asked_about() -> None:
    """As something falls on the pan: which level holds is not for the program to say."""
    answers = Answers(MG)
    answered_once(answers)
    feed(answers, 12.0, 16.0, 2e-3)
    feed(answers, 16.0, 30.0, 2.2e-3)
    assert answers.judge(2.2e-3, U, 20.0, 16.0, 0.0).code == "wait"
    verdict = answers.judge(2.2e-3, U, 16.5 + STEP_STANDS, 16.0, 0.0)
    assert verdict.code == "moved-alone"
    assert "to 2.200 g with nothing moved" in verdict.why


def test_a_level_that_stays_where_the_gap_must_change_it_is_asked_about() -> None:
    answers = Answers(MG)
    feed(answers, 0.0, 5.0, 1e-3)
    answers.taken(1e-3, U)
    answers.moving(10.0, by_hand=False)
    answers.stands(12.0)
    feed(answers, 10.0, 30.0, 1e-3)
    assert answers.judge(1e-3, U, 16.0, 12.0, 1e-4).code == "wait"
    assert answers.judge(1e-3, U, 25.0, 12.0, 1e-4).code == "unanswered"
    assert answers.judge(1e-3, U, 25.0, 12.0, 0.0).code == "take"  # far out nothing need be seen
    answers.taken(1e-3, U)
    assert answers.unvouched == 2


def test_the_next_clear_answer_vouches_for_those_before_it() -> None:
    answers = Answers(MG)
    answered_once(answers)
    assert answers.unvouched == 1
    feed(answers, 12.0, 16.0, 2e-3)
    assert answers.judge(2e-3, U, 16.0, 12.0, 1e-4).code == "take"
    answers.taken(2e-3, U)
    assert answers.unvouched == 0


def test_a_knock_and_a_damaged_line_are_no_noise_of_the_balance() -> None:
    """They would make another balance of one that comes back while the bench is knocked."""
    rng = random.Random(4)
    still, knocked = Answers(MG), Answers(MG)
    for n in range(60):
        value = rng.gauss(1e-3, 3 * MG)
        still.feed(n / 10, value)
        knock = 5e-3 * 0.3 ** (n - 43) * (-1) ** n if 43 <= n < 47 else 0.0
        knocked.feed(n / 10, 0.7 if n == 56 else value + knock)
    assert still.noise is not None
    assert knocked.noise is not None
    assert 1.5 * MG < still.noise < 6 * MG
    assert still.noise / 2 < knocked.noise < 2 * still.noise
