"""JSON-RPC 2.0 over an owner-only Unix socket, or over TCP with a token.

No client can slow the daemon: each has a bounded queue of its own, in which a newer live reading
takes the place of an older one; what was dropped or replaced is counted and told.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import logging
import os
import secrets
import socket
from collections import deque
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from ..clock import utc_now
from ..protocol import ERROR_NOT_IN_CONTROL, METHODS, PROTOCOL_VERSION, REPLACEABLE, TOPICS, Topic

log = logging.getLogger(__name__)

#: Events that wait for one client beside the replaceable ones; older ones are dropped and counted.
QUEUE = 500
#: Longest request, bytes: a bench file fits many times over.
LONGEST_REQUEST = 4 * 1024 * 1024
#: Bytes handed to the system for one client before we wait for it.
WRITE_AHEAD = 256 * 1024

Handler = Callable[["Connection", dict[str, Any]], Awaitable[Any]]


class RpcError(Exception):
    """An answer that is an error: ``code`` of the standard or of the protocol."""

    def __init__(self, code: int, message: str) -> None:
        self.code = code
        super().__init__(message)


class Connection:
    """One client."""

    def __init__(self, server: Server, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.server, self._reader, self._writer = server, reader, writer
        self.trusted = server.token is None
        self.topics: frozenset[str] = frozenset()
        self.name = "a client"
        self._answers: deque[bytes] = deque()
        self._events: deque[tuple[Topic, bytes]] = deque()
        self._seq = 0
        self._missed = 0
        self._wake = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()

    async def serve(self, greeting: dict[str, Any]) -> None:
        """Until the client goes."""
        self._say({"jsonrpc": "2.0", "method": "greeting", "params": greeting})
        sender = asyncio.create_task(self._send())
        try:
            while line := await self._reader.readline():
                await self._room.wait()  # who asks without reading the answers is not read either
                if line.strip():
                    await self._answer(line)
        except (OSError, ValueError, asyncio.LimitOverrunError) as error:
            log.info("a client was let go: %s", error)
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

    def _say(self, message: dict[str, Any]) -> None:
        self._answers.append(json.dumps(message, allow_nan=False).encode() + b"\n")
        if len(self._answers) > 100:
            self._room.clear()
        self._wake.set()

    async def _send(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._answers or self._events:
                if self._answers:
                    self._writer.write(self._answers.popleft())
                    self._room.set()
                else:
                    topic, data = self._events.popleft()
                    self._seq += 1
                    head = f'{{"seq": {self._seq}, "topic": "{topic}", "missed": {self._missed}, "data": '
                    self._missed = 0
                    head = f'{{"jsonrpc": "2.0", "method": "event", "params": {head}'
                    self._writer.write(b"".join((head.encode(), data, b"}}\n")))
                await self._writer.drain()

    async def _answer(self, line: bytes) -> None:
        number: Any = None
        try:
            try:
                request = json.loads(line)
            except ValueError:
                raise RpcError(-32700, "this is not JSON; one object a line is expected") from None
            if not isinstance(request, dict) or not isinstance(request.get("method"), str):
                raise RpcError(-32600, "a request is an object with jsonrpc, id, method and params")
            number = request.get("id")
            params = request.get("params") or {}
            if not isinstance(params, dict):
                raise RpcError(-32602, "params are an object, by name")
            result = await self.server.dispatch(self, request["method"], params)
            answer: dict[str, Any] = {"jsonrpc": "2.0", "id": number, "result": result}
        except RpcError as error:
            answer = {"jsonrpc": "2.0", "id": number, "error": {"code": error.code, "message": str(error)}}
        except Exception as error:
            log.exception("a request failed")
            message = f"a fault in the daemon: {error}"
            answer = {"jsonrpc": "2.0", "id": number, "error": {"code": -32603, "message": message}}
        self._say(answer)


class Server:
    """Listens and hands requests to ``handlers`` by method name."""

    def __init__(
        self,
        handlers: dict[str, Handler],
        program: str,
        *,
        token: str | None = None,
        control_changed: Callable[[str | None], None] = lambda name: None,
        watched: Callable[[bool], None] = lambda live: None,
    ) -> None:
        self.handlers, self.program, self.token = handlers, program, token
        self.connections: set[Connection] = set()
        self.controller: Connection | None = None
        self._control_changed, self._watched = control_changed, watched
        self._servers: list[asyncio.Server] = []
        self._places: list[Path] = []
        self._tasks: set[asyncio.Task[None]] = set()

    async def listen_unix(self, path: Path) -> None:
        """An owner-only socket. Raises OSError where the place cannot be used."""
        path.parent.mkdir(parents=True, exist_ok=True)
        # Made beside its place and moved there when it listens: who sees it can connect, and only the owner.
        fresh = path.with_name(path.name + "~")
        fresh.unlink(missing_ok=True)
        line = socket.socket(socket.AF_UNIX)
        before = os.umask(0o177)
        try:
            line.bind(str(fresh))
        finally:
            os.umask(before)
        os.chmod(fresh, 0o600)
        server = await asyncio.start_unix_server(self._accept, sock=line, limit=LONGEST_REQUEST)
        fresh.replace(path)  # the store's lock says that no other daemon is alive
        self._servers.append(server)
        self._places.append(path)

    async def listen_tcp(self, host: str, port: int, place: Path) -> None:
        """TCP, never without a token; where to find it is written to the owner-only file ``place``."""
        if self.token is None:
            self.token = secrets.token_urlsafe(32)
        server = await asyncio.start_server(self._accept, host, port, limit=LONGEST_REQUEST)
        bound = server.sockets[0].getsockname()[1]
        place.parent.mkdir(parents=True, exist_ok=True)
        place.unlink(missing_ok=True)
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(handle, "w", encoding="utf-8") as file:
            json.dump({"host": host, "port": bound, "token": self.token}, file)
        self._servers.append(server)
        self._places.append(place)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.transport.set_write_buffer_limits(high=WRITE_AHEAD)
        connection = Connection(self, reader, writer)
        local = writer.get_extra_info("socket").family.name == "AF_UNIX"
        connection.trusted = local or self.token is None
        self.connections.add(connection)
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
        greeting = {
            "protocol": PROTOCOL_VERSION,
            "program": self.program,
            "utc": utc_now(),
            "needs_token": not connection.trusted,
        }
        try:
            await connection.serve(greeting)
        except asyncio.CancelledError:
            pass
        finally:
            self.connections.discard(connection)
            self._topics_changed()
            if self.controller is connection:
                self._set_controller(None)
            if task is not None:
                self._tasks.discard(task)

    def publish(self, topic: Topic, data: Any) -> None:
        """To all who subscribed; in the loop's thread."""
        if any(topic in c.topics for c in self.connections):
            text = json.dumps(data, allow_nan=False).encode()
            for connection in self.connections:
                connection.publish(topic, text)

    async def dispatch(self, connection: Connection, method: str, params: dict[str, Any]) -> Any:
        """One call. Raises RpcError."""
        known = METHODS.get(method)
        if known is None:
            raise RpcError(-32601, f"there is no method {method!r}; there are {', '.join(METHODS)}")
        _, _, _, needs_control = known
        if method == "authenticate":
            return self._authenticate(connection, params)
        if not connection.trusted:
            raise RpcError(ERROR_NOT_IN_CONTROL, "say the token first: authenticate")
        if needs_control and self.controller is not connection:
            who = f"{self.controller.name} has it" if self.controller else "nobody has it: control.take"
            raise RpcError(ERROR_NOT_IN_CONTROL, f"{method} needs the control role; {who}")
        match method:
            case "subscribe":
                topics = params.get("topics", list(TOPICS))
                if not isinstance(topics, list) or not set(topics) <= set(TOPICS):
                    raise RpcError(-32602, f"topics is a list of {', '.join(TOPICS)}")
                connection.topics = frozenset(topics)
                self._topics_changed()
                return True
            case "control.take":
                return self._take(
                    connection, str(params.get("name") or "a client"), bool(params.get("force"))
                )
            case "control.release":
                self._set_controller(None)
                return True
            case _:
                return await self.handlers[method](connection, params)

    def _authenticate(self, connection: Connection, params: dict[str, Any]) -> bool:
        said = params.get("token")
        if self.token is not None and not (
            isinstance(said, str) and hmac.compare_digest(said.encode(), self.token.encode())
        ):
            raise RpcError(ERROR_NOT_IN_CONTROL, "this is not the token")
        connection.trusted = True
        return True

    def _take(self, connection: Connection, name: str, force: bool) -> bool:
        if self.controller not in (None, connection) and not force:
            assert self.controller is not None
            raise RpcError(ERROR_NOT_IN_CONTROL, f"{self.controller.name} is in control; take it with force")
        connection.name = name
        self._set_controller(connection)
        return True

    def _topics_changed(self) -> None:
        self._watched(any("live" in c.topics for c in self.connections))

    def _set_controller(self, connection: Connection | None) -> None:
        self.controller = connection
        self._control_changed(connection.name if connection is not None else None)

    async def close(self) -> None:
        """Stop listening and let every client go."""
        for server in self._servers:
            server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for place in self._places:
            with contextlib.suppress(OSError):
                place.unlink(missing_ok=True)
