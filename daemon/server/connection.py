"""One client of the daemon: its requests read one by one, answers and events sent in its own time.

No client can slow the daemon or fill its memory: events wait in a bounded queue, in which a newer live
reading takes the place of an older one (what was dropped or replaced is counted and reported); who does not
read the answers is not read either; who has not said a key may send little.
"""

from __future__ import annotations

import asyncio
import json
import logging
import math
from collections import deque
from collections.abc import Awaitable, Callable
from enum import IntEnum
from typing import Any, Protocol

from ..protocol import REPLACEABLE, Topic

log = logging.getLogger(__name__)

#: Events that wait for one client beside the replaceable ones; older ones are dropped and counted.
QUEUE = 500
#: Bytes of answers that may wait for one client before its next request is read.
ANSWERS_WAITING = 256 * 1024
#: Longest request, bytes: a bench file fits many times over.
LONGEST_REQUEST = 4 * 1024 * 1024
#: The same before a key was said.
LONGEST_OF_A_STRANGER = 4096


class Rights(IntEnum):
    """What a connection may: nothing before its key was said, watch, or also act."""

    NONE = 0
    WATCH = 1
    ACT = 2


class RpcError(Exception):
    """An answer that is an error: ``code`` of the standard or of the protocol."""

    def __init__(self, code: int, message: str) -> None:
        self.code = code
        super().__init__(message)


class LineReader(asyncio.StreamReader):
    """A stream whose longest line can be raised once the other side is known."""

    def __init__(self, limit: int) -> None:
        super().__init__(limit=limit)

    def allow(self, limit: int) -> None:
        """From now on lines may have ``limit`` bytes."""
        self._limit = limit


class Dispatcher(Protocol):
    """Who does what a request asks for."""

    async def dispatch(self, connection: Connection, method: str, params: dict[str, Any]) -> Any:
        """The result of one call. Raises RpcError."""
        ...


Handler = Callable[["Connection", dict[str, Any]], Awaitable[Any]]


class Connection:
    """One client."""

    def __init__(
        self, dispatcher: Dispatcher, reader: LineReader, writer: asyncio.StreamWriter, rights: Rights
    ) -> None:
        self._dispatcher, self._reader, self._writer = dispatcher, reader, writer
        self.rights = rights
        self.topics: frozenset[str] = frozenset()
        self.name = "a client"
        self._answers: deque[bytes] = deque()
        self._waiting = 0  # bytes in _answers
        self._events: deque[tuple[Topic, bytes]] = deque()
        self._seq = 0
        self._missed = 0
        self._wake = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()

    def grant(self, rights: Rights) -> None:
        """Let the client do so much, and send requests of full length."""
        self.rights = rights
        self._reader.allow(LONGEST_REQUEST)

    async def serve(self, greeting: dict[str, Any]) -> None:
        """Until the client goes."""
        self._say(_encoded({"jsonrpc": "2.0", "method": "greeting", "params": greeting}))
        sender = asyncio.create_task(self._send())
        try:
            while line := await self._reader.readline():
                await self._room.wait()
                if line.strip():
                    self._say(await self._answer(line))
        except (OSError, ValueError, asyncio.LimitOverrunError) as error:
            log.debug("a client was disconnected: %s", error)
        finally:
            sender.cancel()
            await asyncio.gather(sender, return_exceptions=True)
            self._writer.close()

    def publish(self, topic: Topic, data: bytes) -> None:
        """Let the client know, in its own time. ``data`` is JSON already, the same bytes for all."""
        if topic not in self.topics:
            return
        if topic in REPLACEABLE:
            for index, (waiting, _) in enumerate(self._events):
                if waiting == topic:
                    del self._events[index]
                    self._missed += 1
                    break
        elif len(self._events) >= QUEUE:
            self._events.popleft()
            self._missed += 1
        self._events.append((topic, data))
        self._wake.set()

    def close(self) -> None:
        """Drop the client; ``serve`` ends."""
        self._writer.close()

    def _say(self, message: bytes) -> None:
        self._answers.append(message)
        self._waiting += len(message)
        if self._waiting > ANSWERS_WAITING:
            self._room.clear()
        self._wake.set()

    async def _send(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._answers or self._events:
                if self._answers:
                    answer = self._answers.popleft()
                    self._writer.write(answer)
                    await self._writer.drain()
                    self._waiting -= len(answer)
                    if self._waiting <= ANSWERS_WAITING:
                        self._room.set()
                    continue
                topic, data = self._events.popleft()
                self._seq += 1
                head = f'{{"seq": {self._seq}, "topic": "{topic}", "missed": {self._missed}, "data": '
                self._missed = 0
                head = f'{{"jsonrpc": "2.0", "method": "event", "params": {head}'
                self._writer.write(b"".join((head.encode(), data, b"}}\n")))
                await self._writer.drain()

    async def _answer(self, line: bytes) -> bytes:
        number: Any = None
        try:
            request = _parsed(line)
            number = request.get("id")
            params = request.get("params")
            result = await self._dispatcher.dispatch(self, request["method"], params or {})
            return _encoded({"jsonrpc": "2.0", "id": number, "result": result})
        except RpcError as error:
            code, message = error.code, str(error)
        except Exception as error:
            log.exception("a request failed")
            code, message = -32603, f"a fault in the daemon: {error}"
        return _encoded({"jsonrpc": "2.0", "id": number, "error": {"code": code, "message": message}})


def _parsed(line: bytes) -> dict[str, Any]:
    """One request, whose ``id``, ``method`` and ``params`` are of the kinds JSON-RPC 2.0 gives them.

    Raises RpcError.
    """
    try:
        request = json.loads(line, parse_constant=_no_number)
    except RecursionError:
        raise RpcError(-32700, "this is nested too deep; a request is one flat object") from None
    except ValueError as error:  # also of bytes that are not UTF-8, and of thousands of digits
        why = str(error) if isinstance(error, _NotANumber) else "one object a line is expected"
        raise RpcError(-32700, f"this is not JSON; {why}") from None
    if not isinstance(request, dict) or not isinstance(request.get("method"), str):
        raise RpcError(-32600, "a request is an object with jsonrpc, id, method and params")
    number = request.get("id")
    if not (number is None or (isinstance(number, str | int | float) and not isinstance(number, bool))):
        raise RpcError(-32600, "id is a number, a text or null")
    if isinstance(number, float) and not math.isfinite(number):
        raise RpcError(-32600, "id is a number beyond all bounds; a small whole number is expected")
    if not isinstance(request.get("params"), dict | None):
        raise RpcError(-32602, "params are an object, by name")
    return request


class _NotANumber(ValueError):
    pass


def _no_number(word: str) -> Any:
    raise _NotANumber(f"{word} is no number of it")


def _encoded(message: dict[str, Any]) -> bytes:
    return json.dumps(message, allow_nan=False).encode() + b"\n"
