"""The daemon's clients: one that waits (scripts, notebooks) and one for asyncio (screens).

Example::

    from weighloop.daemon.server.client import Client

    with Client.connect() as daemon:
        daemon.call("control.take", name="notebook", force=False)
        number = daemon.call("run.start", bench_text=open("bench.toml").read(), points=20,
                             target_u_kg=None, name=None)
        for event in daemon.events(["point", "run"]):
            if event["topic"] == "point":
                print(event["data"]["gap_m"], event["data"]["value_kg"])
            elif event["data"]["state"] == "finished":
                break
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections import deque
from collections.abc import AsyncIterator, Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, cast

from ...analysis.errors import WeighloopError
from .. import paths as places
from ..protocol import PROTOCOL_VERSION, TOPICS, JsonObject

#: Longest line either side sends, bytes.
LONGEST = 64 * 1024 * 1024
#: A call is answered within this time, s.
PATIENCE = 60.0


class ClientError(WeighloopError):
    """The daemon said no; ``code`` is the protocol's."""

    def __init__(self, message: str, code: int = 0) -> None:
        self.code = code
        super().__init__(message)


class NoDaemon(ClientError, ConnectionError):
    """The daemon cannot be reached, or has gone."""


def _none_at(place: object, error: OSError | ClientError) -> NoDaemon:
    """That nothing can be reached at ``place``; what to do where nobody listens there."""
    if isinstance(error, ConnectionRefusedError | FileNotFoundError):
        return NoDaemon(f"no daemon answers at {place}; start one with `weighloop daemon`")
    return NoDaemon(f"no daemon answers at {place}: {error}")


def find(path: str | Path | None) -> tuple[str | tuple[str, int], str | None]:
    """The address behind ``path``, and the token to say first, if any.

    ``path`` is a Unix socket, a file with port and token (where there are no Unix sockets, or for
    TCP), or None for the user's own daemon.
    """
    place = Path(path) if path is not None else places.socket_path()
    if place.is_file():
        try:
            known = json.loads(place.read_text(encoding="utf-8"))
            return (str(known["host"]), int(known["port"])), str(known["token"])
        except (OSError, ValueError, KeyError, TypeError):
            raise NoDaemon(f"{place} does not say where the daemon is; start the daemon again") from None
    if not place.exists():
        raise NoDaemon(f"no daemon at {place}; start one with `weighloop daemon`")
    return str(place), None


def _request(number: int, method: str, params: JsonObject) -> bytes:
    body = {"jsonrpc": "2.0", "id": number, "method": method, "params": params}
    return json.dumps(body, allow_nan=False).encode() + b"\n"


def _result(answer: JsonObject) -> Any:
    if "error" in answer:
        raise ClientError(answer["error"]["message"], answer["error"]["code"])
    return answer["result"]


def _check_greeting(message: JsonObject) -> JsonObject:
    greeting = message.get("params") if message.get("method") == "greeting" else None
    if greeting is None and isinstance(message.get("error"), dict):
        raise NoDaemon(f"the daemon takes no further client: {message['error'].get('message')}")
    if greeting is None:
        raise NoDaemon("what answers there is no Weighloop daemon")
    if greeting["protocol"] != PROTOCOL_VERSION:
        raise NoDaemon(
            f"the daemon speaks protocol {greeting['protocol']}, this program {PROTOCOL_VERSION}: "
            "start the daemon again after an update"
        )
    return greeting


def _opened(address: str | tuple[str, int], timeout: float) -> socket.socket:
    """A connected socket. Raises OSError."""
    if not isinstance(address, str):
        return socket.create_connection(address, timeout)
    line = socket.socket(socket.AF_UNIX)
    line.settimeout(timeout)
    try:
        line.connect(address)
    except OSError:
        line.close()
        raise
    return line


class Client:
    """One connection; calls wait for their answer. Not for several threads at once."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._file = line.makefile("rb")
        self._number = 0
        self._events: deque[JsonObject] = deque()
        self.greeting: JsonObject = {}

    @classmethod
    def connect(cls, path: str | Path | None = None, timeout: float = PATIENCE) -> Client:
        """Connect to a daemon. Raises ClientError, in words, when there is none."""
        address, token = find(path)
        line: socket.socket | None = None
        try:
            line = _opened(address, timeout)
            client = cls(line)
            client.greeting = _check_greeting(client._next())
            if token is not None:
                client.call("authenticate", token=token)
        except (OSError, ClientError) as error:
            if line is not None:
                line.close()
            if isinstance(error, ClientError):
                raise
            raise _none_at(path or address, error) from None
        return client

    def call(self, method: str, **params: Any) -> Any:
        """One call of the protocol; returns its result or raises ClientError."""
        self._number += 1
        try:
            self._line.sendall(_request(self._number, method, params))
        except OSError as error:
            raise NoDaemon(f"the daemon has gone: {error}") from None
        while True:
            message = self._next()
            if message.get("id") == self._number:
                return _result(message)
            if message.get("method") == "event":
                self._events.append(message["params"])

    def events(self, topics: Iterable[str] = TOPICS) -> Iterator[JsonObject]:
        """Subscribe and yield ``{"seq", "topic", "missed", "data"}`` indefinitely; calls may come between."""
        self.call("subscribe", topics=list(topics))
        while True:
            if self._events:
                yield self._events.popleft()
                continue
            message = self._next(wait=True)
            if message.get("method") == "event":
                yield message["params"]

    def _next(self, wait: bool = False) -> JsonObject:
        patience = self._line.gettimeout()
        try:
            if wait:
                self._line.settimeout(None)
            line = self._file.readline(LONGEST)
        except OSError as error:
            raise NoDaemon(f"the daemon does not answer: {error}") from None
        finally:
            if wait and self._line.fileno() >= 0:
                self._line.settimeout(patience)
        if not line.endswith(b"\n"):
            raise NoDaemon("the daemon has closed the connection")
        return cast(JsonObject, json.loads(line))

    def close(self) -> None:
        """Leave; a run goes on without us."""
        self._file.close()
        self._line.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class AsyncClient:
    """The same for asyncio; calls may be made while ``events`` is read."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._number = 0
        self._calls: dict[int, asyncio.Future[Any]] = {}
        # Bounded by the daemon's own queue for us: it coalesces while we do not read.
        self._events: asyncio.Queue[JsonObject | None] = asyncio.Queue()
        self._task: asyncio.Task[None] | None = None
        self._why = "the daemon has closed the connection"
        self.greeting: JsonObject = {}

    @classmethod
    async def connect(cls, path: str | Path | None = None) -> AsyncClient:
        """Connect to a daemon. Raises ClientError, in words, when there is none."""
        address, token = find(path)
        try:
            if isinstance(address, str):
                reader, writer = await asyncio.open_unix_connection(address, limit=LONGEST)
            else:
                reader, writer = await asyncio.open_connection(*address, limit=LONGEST)
        except OSError as error:
            raise _none_at(path or address, error) from None
        client = cls(reader, writer)
        try:
            client.greeting = _check_greeting(json.loads(await reader.readline() or b"{}"))
            client._task = asyncio.create_task(client._read())
            if token is not None:
                await client.call("authenticate", token=token)
        except (ClientError, OSError, ValueError) as error:
            await client.close()
            raise error if isinstance(error, ClientError) else NoDaemon(str(error)) from None
        return client

    async def call(self, method: str, **params: Any) -> Any:
        """One call of the protocol; returns its result or raises ClientError."""
        if self._task is None or self._task.done():
            raise NoDaemon(self._why)
        self._number += 1
        number = self._number
        future: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        self._calls[number] = future
        try:
            self._writer.write(_request(number, method, params))
            await self._writer.drain()
            return _result(await asyncio.wait_for(future, PATIENCE))
        except TimeoutError:
            raise NoDaemon(f"the daemon did not answer {method} within {PATIENCE:.0f} s") from None
        except OSError as error:
            raise NoDaemon(f"the daemon has gone: {error}") from None
        finally:
            self._calls.pop(number, None)

    async def events(self, topics: Iterable[str] = TOPICS) -> AsyncIterator[JsonObject]:
        """Subscribe and yield events; raises ClientError when the daemon goes."""
        await self.call("subscribe", topics=list(topics))
        while True:
            event = await self._events.get()
            if event is None:
                raise NoDaemon(self._why)
            yield event

    async def _read(self) -> None:
        try:
            while line := await self._reader.readline():
                message = json.loads(line)
                if message.get("method") == "event":
                    self._events.put_nowait(message["params"])
                    continue
                future = self._calls.get(message.get("id"))
                if future is not None and not future.done():
                    future.set_result(message)
        except (OSError, ValueError) as error:
            self._why = f"the daemon has gone: {error}"
        finally:
            for future in self._calls.values():
                if not future.done():
                    future.set_exception(NoDaemon(self._why))
            self._events.put_nowait(None)

    async def close(self) -> None:
        """Leave; a run goes on without us."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()
