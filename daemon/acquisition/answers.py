"""Whether the balance was seen to answer a move: else a level is not of this gap, however still it stands.

A line may be late (a slow filter, a buffering adapter, a network), a display may stand still, a lift may
say that it is there and not have moved. What shows it is the answer to the move itself: begun after the move
began, ended after it ended, a level that changed where the gap's change must be seen, and the noise this
bench has. Far out, where no move shows, the next clear answer vouches for the readings before it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from ..text import grams
from .settings import (
    ALWAYS,
    BEYOND,
    BY_HAND,
    CLEAR,
    DEAD_AFTER,
    DELAYS_KEPT,
    FEWEST_SEEN,
    IMPOSSIBLE,
    LATEST,
    LEAST,
    LESSER_TWO_THIRDS,
    NOISE_SPAN,
    SEEN,
    SHOWS,
    STEP_DIGITS,
    STEP_STANDS,
    STEP_U,
    SURE_DIGITS,
    SURE_U,
    UNKNOWN,
    WAIT,
)

Code = Literal["take", "wait", "unanswered", "late", "dead", "moved-alone"]


@dataclass(frozen=True)
class AnswerVerdict:
    """What to do with a level the filter accepts; ``why`` in words where the run is to be held.

    ``doubtful``: how many of the readings before it may be of the same fault.
    """

    code: Code
    why: str = ""
    doubtful: int = 0


class Answers:
    """Hears every reading and every move. Masses in kg, times in s by the clock. One thread only.

    ``delay`` is what the balance was seen to be late, None before it was seen. ``rate``: where the clock runs
    faster than life the machine's own hiccups count as many times, and no patience is shorter than they.
    """

    def __init__(self, resolution: float, rate: float = 1.0) -> None:
        self._resolution, self._rate = resolution, rate
        self.forget()

    def forget(self) -> None:
        """Another balance, or one put right: what was learnt of it does not hold."""
        self._delays: deque[float] = deque(maxlen=DELAYS_KEPT)
        self._before: tuple[float, float] | None = None  # the last level taken, and its uncertainty
        self._noise: list[float] = []  # share of readings that differ from the one before, by level
        self._began: float | None = None
        self._ended = 0.0
        self._seen = self._clear = False  # whether the level judged last answers, and clearly so
        self._unvouched: list[float] = []  # when those stood that were taken since the last clear answer
        #: Whether the readings taken last answered at all.
        self._answered_of_late: deque[bool] = deque(maxlen=DELAYS_KEPT)
        self._by_hand = False
        self._changed = 0.0  # when a reading last differed from the one before
        self._trace: deque[tuple[float, float]] = deque(maxlen=20_000)

    @property
    def unvouched(self) -> int:
        """How many readings were taken since the balance last clearly answered."""
        return len(self._unvouched)

    @property
    def doubtful(self) -> int:
        """How many of the readings taken last may be of a load before, where the balance is late.

        Of hands only their word is known: an answer seen in time may be that of what they did before, so a
        clear one vouches for nothing before it that was not seen to answer.
        """
        of_late = self._answered_of_late
        if not (self._by_hand and False in of_late):
            return self.unvouched
        return max(self.unvouched, len(of_late) - of_late.index(False))

    @property
    def delay(self) -> float | None:
        """How late the balance answers, s; None before a move was clearly seen."""
        return max(self._delays) if self._delays else None

    @property
    def seen(self) -> bool:
        """Whether the level judged last is another one than the one before what was done."""
        return self._seen

    @property
    def noise(self) -> float | None:
        """The standard deviation of single readings, by those of the level's last moment, kg.

        By the lesser two thirds of the differences between neighbours: a knock or a damaged line is no noise.
        """
        last = self._trace[-1][0] if self._trace else 0.0
        values = [v for _, v in self._after(max(self._ended, last - NOISE_SPAN))]
        if len(values) < 6:
            return None
        squares = sorted((b - a) ** 2 for a, b in pairwise(values))
        lesser = squares[: math.ceil(2 / 3 * len(squares))]
        return math.sqrt(sum(lesser) / len(lesser) / LESSER_TWO_THIRDS / 2)

    def moving(self, time: float, *, by_hand: bool) -> None:
        """The lift is sent somewhere, or a person is asked to do something."""
        if self._began is None:
            self._trace.clear()
            self._by_hand = False
        self._began, self._by_hand = time, self._by_hand or by_hand

    def stands(self, time: float) -> None:
        """What was asked for is done; a reading begins."""
        self._ended = time

    def feed(self, time: float, value: float | None) -> None:
        """One reading, as it came."""
        if value is None:
            return
        if not self._trace or value != self._trace[-1][1]:
            self._changed = time
        self._trace.append((time, value))

    def taken(self, value: float, u: float) -> None:
        """The level was taken as a reading."""
        share = self._share(self._ended)
        if share is not None:
            self._noise = [*self._noise[-20:], share]
        self._unvouched = [] if self._clear else [*self._unvouched, self._ended]
        self._answered_of_late.append(self._seen or self._before is None)
        self._before, self._began = (value, u), None

    def judge(self, value: float, u: float, now: float, since: float, least: float) -> AnswerVerdict:
        """May the level that the filter accepts at ``now``, and that stands since ``since``, be taken?

        ``least``: the least change against the reading before that must be there; 0 where none need be seen.
        """
        self._seen = self._clear = False
        stood = now - max(since, self._ended)
        if self._by_hand:
            stood /= BY_HAND
        delay = self.delay
        wanted = UNKNOWN if delay is None else max(delay + BEYOND, LEAST)
        if stood < wanted or len(self._after(max(since, self._ended))) < FEWEST_SEEN:
            return AnswerVerdict("wait")
        alive = self._alive(now, since)
        if alive.code != "take" or self._before is None:
            return alive
        old, u_old = self._before
        width = max(SURE_U * math.hypot(u, u_old), SURE_DIGITS * self._resolution)
        change = abs(value - old)
        if change <= width and not self._passed(old, width) and least > SEEN * width:
            return self._unanswered(value, now)
        self._seen = self._began is not None and change > SHOWS * width
        self._clear = self._began is not None and change > CLEAR * width
        if self._by_hand:
            return self._shown_after_the_word(value, width, stood)
        answered = self._answered(value, old, width, now) if self._clear else AnswerVerdict("take")
        if answered.code != "take":
            return answered
        return self._stepped(value, u, now, since, old, width)

    # -- parts -----------------------------------------------------------------------------------

    def _since_it_stood_still(self) -> int:
        return sum(stood > self._changed for stood in self._unvouched)

    def _after(self, since: float) -> list[tuple[float, float]]:
        return [(t, v) for t, v in self._trace if t >= since]

    def _share(self, since: float) -> float | None:
        """The share of readings that differ from the one before; None for too few."""
        values = [v for _, v in self._after(since)]
        if len(values) < 8:
            return None
        return sum(a != b for a, b in pairwise(values)) / (len(values) - 1)

    def _alive(self, now: float, since: float) -> AnswerVerdict:
        """A level of one digit repeated is waited out where this bench always had noise."""
        start = max(since, self._ended)
        values = [v for _, v in self._after(start)]
        if len(set(values)) != 1 or len(self._noise) < ALWAYS or min(self._noise) <= 0.05:
            return AnswerVerdict("take")
        chance = (1.0 - min(self._noise)) ** (len(values) - 1)
        if chance < IMPOSSIBLE and now - start > DEAD_AFTER:
            why = f"the display has not changed by a digit for {now - self._changed:.0f} s, as it always did"
            return AnswerVerdict("dead", f"{why}: is the balance alive?", self._since_it_stood_still())
        return AnswerVerdict("wait")

    def _passed(self, old: float, width: float) -> bool:
        """Whether the readings went elsewhere during the move, and came back to the same level."""
        if self._began is None:
            return False
        trace = [v for t, v in self._after(self._began) if t <= self._ended + LATEST]
        away = [v for v in trace if abs(v - old) > 3 * width]
        return len(away) >= 3

    def _unanswered(self, value: float, now: float) -> AnswerVerdict:
        if now - self._ended < max(WAIT, 2 * self._rate):
            return AnswerVerdict("wait")
        why = f"the balance shows {grams(value)} as before the move, and nothing of the move was seen"
        ask = "look whether its display is alive, whether what it shows is late, and whether the gap changed"
        return AnswerVerdict("unanswered", f"{why}: {ask}", self.doubtful)

    def _answered(self, value: float, old: float, width: float, now: float) -> AnswerVerdict:
        """The move was clearly seen: when did the answer begin, when did it end?"""
        assert self._began is not None
        near = max(width, 0.02 * abs(value - old))
        trace = self._after(self._began)
        begun = next((t for t, v in trace if abs(v - old) > near), now)
        ended = max((t for t, v in trace if abs(v - value) > near), default=begun)
        late = max(0.0, min(begun - self._began, ended - self._ended))
        if late > max(LATEST, self._rate):
            self._delays.clear()
            return AnswerVerdict(
                "late",
                f"the balance shows the move {late:.1f} s late, {LATEST:g} s are allowed: a slow filter, an "
                "adapter that keeps readings back, a network: put the adapter right",
                self.unvouched,
            )
        early = ended < self._ended - 0.35 * (self._ended - self._began) - 0.3
        if early and self._changed < self._ended and now - self._ended < DEAD_AFTER:
            return AnswerVerdict("wait")
        if early and self._changed < self._ended:
            why = "the display stood still before the move had ended: is the balance alive?"
            return AnswerVerdict("dead", why, self._since_it_stood_still())
        self._delays.append(late)
        return AnswerVerdict("take")

    def _shown_after_the_word(self, value: float, width: float, stood: float) -> AnswerVerdict:
        """A person did something and said so: the level of that moment is the one that is read, or soon gives
        way to it. What comes in afterwards is late, or was done after the word."""
        at_the_word = [v for t, v in self._trace if -0.7 <= t - self._ended <= 0.3]
        if not at_the_word:
            return AnswerVerdict("take")
        then = sorted(at_the_word)[len(at_the_word) // 2]
        if abs(value - then) <= CLEAR * width:
            return AnswerVerdict("take")
        near = max(width, 0.02 * abs(value - then))
        late = max((t for t, v in self._trace if abs(v - then) <= near), default=self._ended) - self._ended
        if late > max(LATEST, self._rate):
            return AnswerVerdict(
                "late",
                f"the balance showed what was done {late:.1f} s after it was said to be done: say it when it "
                f"is, or, where the balance is late ({LATEST:g} s are allowed), put its adapter right",
                self.doubtful,
            )
        return AnswerVerdict("take" if stood >= UNKNOWN + 2 * late else "wait")

    def _stepped(
        self, value: float, u: float, now: float, since: float, old: float, width: float
    ) -> AnswerVerdict:
        """Did a level that could have been taken give way to this one, with nothing moved?"""
        settled = self._ended + (self.delay or LATEST)
        stretch = [(t, v) for t, v in self._after(settled) if since - 1.7 <= t <= since - 0.2]
        earlier = sorted(v for _, v in stretch)
        if self._by_hand or len(earlier) < 5 or earlier[-1] - earlier[0] > 2 * width:
            return AnswerVerdict("take")
        if stretch[-1][0] - stretch[0][0] < 1.3:
            return AnswerVerdict("take")  # too short to have been taken
        level = earlier[len(earlier) // 2]
        stepped = abs(level - value) > max(STEP_DIGITS * self._resolution, STEP_U * u)
        if not stepped or abs(level - old) <= width:
            return AnswerVerdict("take")
        if now - since < STEP_STANDS:
            return AnswerVerdict("wait")
        why = f"the balance went from {grams(level)} to {grams(value)} with nothing moved"
        return AnswerVerdict("moved-alone", f"{why}: was the bench touched, did something fall on the pan?")
