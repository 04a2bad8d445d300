"""What the bench is asked to do, one thing after the other: hands take their time, levers act at once."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Any

from .person import CannotDo, Story

Done = Callable[[dict[str, Any]], None]


@dataclass
class Act:
    """Something a person does: ``answer`` is None until it is done."""

    wake: float
    story: Story | None = field(default=None, repr=False)
    answer: dict[str, Any] | None = None
    then: Done | None = field(default=None, repr=False)


class Acts:
    """The queue of what hands are at and have before them."""

    def __init__(self) -> None:
        self._queue: list[Act] = []

    def begin(
        self, request: dict[str, Any], known: dict[str, Callable[..., Any]], now: float, then: Done | None
    ) -> Act:
        """Start what ``request`` asks for of what is ``known``; a bad request is answered, not raised."""
        act = Act(wake=now, then=then)
        parameters = {k: v for k, v in request.items() if k != "do"}
        name = request.get("do")
        try:
            if not isinstance(name, str) or name not in known:
                raise CannotDo(f"{name!r} is not something to do; one of {', '.join(known)}")
            try:
                inspect.signature(known[name]).bind(**parameters)
            except TypeError as error:
                raise CannotDo(f"{name}: {error}") from None
            result = known[name](**parameters)
        except (CannotDo, TypeError, ValueError) as error:
            _answer(act, {"ok": False, "why": str(error)})
            return act
        if isinstance(result, Generator):
            act.story = result
            self._queue.append(act)
        else:
            _answer(act, {"ok": True, **(result if isinstance(result, dict) else {})})
        return act

    def go_on(self, now: float) -> None:
        """Let the person go on with what they are at until they are busy again, or done."""
        if not self._queue or self._queue[0].wake > now:
            return
        act, answer = self._queue[0], None
        try:
            while act.story is not None and act.wake <= now:
                act.wake = now + next(act.story)
        except StopIteration:
            answer = {"ok": True}
        except CannotDo as error:
            answer = {"ok": False, "why": str(error)}
        if answer is not None:
            self._queue.remove(act)
            if self._queue:
                self._queue[0].wake = now
            _answer(act, answer)


def _answer(act: Act, answer: dict[str, Any]) -> None:
    act.answer = answer
    if act.then is not None:
        act.then(answer)
