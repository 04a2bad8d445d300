"""JSON-RPC 2.0 over an owner-only Unix socket, or over TCP with a key for watching and one for acting."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import secrets
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..clock import utc_now
from ..protocol import ERROR_NOT_IN_CONTROL, METHODS, PROTOCOL_VERSION, TOPICS, Topic
from .connection import (
    LONGEST_OF_A_STRANGER,
    LONGEST_REQUEST,
    Connection,
    Handler,
    LineReader,
    Rights,
    RpcError,
)
from .listener import accept_all, is_loopback, room_for_clients, tcp_socket, unix_socket, write_key
from .parameters import WrongParameter, checked, shown

#: Bytes handed to the system for one client before we wait for it.
WRITE_AHEAD = 256 * 1024
#: Clients served at a time, and of them such that have not said a key yet.
MOST_CLIENTS, MOST_STRANGERS = 200, 16
#: A client that must say a key does so within this time, s.
KEY_WITHIN = 10.0


class Server:
    """Listens and hands requests to ``handlers`` by method name."""

    def __init__(
        self,
        handlers: dict[str, Handler],
        program: str,
        *,
        control_changed: Callable[[str | None], None] = lambda name: None,
        watched: Callable[[bool], None] = lambda live: None,
    ) -> None:
        self.handlers, self.program = handlers, program
        self.connections: set[Connection] = set()
        self.controller: Connection | None = None
        self.most_clients = room_for_clients(MOST_CLIENTS)
        self._keys: dict[Rights, str] = {}
        self._control_changed, self._watched = control_changed, watched
        self._places: list[Path] = []
        self._listening: list[asyncio.Task[None]] = []
        self._tasks: set[asyncio.Task[None]] = set()

    async def listen_unix(self, path: Path) -> None:
        """An owner-only socket, whose clients may act. Raises OSError where the place cannot be used."""
        self._listen(unix_socket(path), Rights.ACT)
        self._places.append(path)

    async def listen_tcp(self, host: str, port: int, place: Path, *, act_from_afar: bool = False) -> None:
        """TCP, never without a key. Where to find it is written, with a key each, to owner-only files.

        ``place`` has the key to act; beside it, with ``.watch`` before the ending of its name, lies the one
        to watch. Beyond loopback there is no key to act unless ``act_from_afar``.
        """
        line = tcp_socket(host, port)
        bound = line.getsockname()[1]
        known_as = socket.gethostname() if host in ("0.0.0.0", "::") else host
        files = {Rights.WATCH: place.with_name(f"{place.stem}.watch{place.suffix}")}
        if act_from_afar or is_loopback(host):
            files[Rights.ACT] = place
        for rights, file in files.items():
            self._keys[rights] = secrets.token_urlsafe(32)
            write_key(file, known_as, bound, self._keys[rights])
            self._places.append(file)
        self._listen(line, Rights.NONE)

    def _listen(self, line: socket.socket, rights: Rights) -> None:
        async def let_in(caller: socket.socket) -> None:
            await self._let_in(caller, rights)

        self._listening.append(asyncio.create_task(accept_all(line, let_in)))

    async def _let_in(self, caller: socket.socket, rights: Rights) -> None:
        strangers = sum(c.rights == Rights.NONE for c in self.connections)
        full = len(self.connections) >= self.most_clients
        if full or (rights == Rights.NONE and strangers >= MOST_STRANGERS):
            with contextlib.suppress(OSError), caller:
                error = {
                    "code": ERROR_NOT_IN_CONTROL,
                    "message": f"{len(self.connections)} clients are served, there is no room for another",
                }
                caller.send(json.dumps({"jsonrpc": "2.0", "id": None, "error": error}).encode() + b"\n")
            return
        loop = asyncio.get_running_loop()
        reader = LineReader(LONGEST_OF_A_STRANGER if rights == Rights.NONE else LONGEST_REQUEST)
        protocol = asyncio.StreamReaderProtocol(reader)
        transport, _ = await loop.connect_accepted_socket(lambda: protocol, caller)
        transport.set_write_buffer_limits(high=WRITE_AHEAD)
        writer = asyncio.StreamWriter(transport, protocol, reader, loop)
        connection = Connection(self, reader, writer, rights)
        self.connections.add(connection)
        task = asyncio.create_task(self._serve(connection))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _serve(self, connection: Connection) -> None:
        stranger = connection.rights == Rights.NONE
        greeting = {
            "protocol": PROTOCOL_VERSION,
            "program": self.program,
            "utc": utc_now(),
            "needs_token": stranger,
        }
        timer = None
        if stranger:
            timer = asyncio.get_running_loop().call_later(KEY_WITHIN, self._drop_stranger, connection)
        try:
            await connection.serve(greeting)
        except asyncio.CancelledError:
            pass
        finally:
            if timer is not None:
                timer.cancel()
            self.connections.discard(connection)
            self._topics_changed()
            if self.controller is connection:
                self._set_controller(None)

    def _drop_stranger(self, connection: Connection) -> None:
        if connection.rights == Rights.NONE:
            connection.close()

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
            raise RpcError(-32601, f"there is no method {shown(method)}; there are {', '.join(METHODS)}")
        try:
            params = checked(method, params)
        except WrongParameter as error:
            raise RpcError(-32602, str(error)) from None
        _, _, _, needs_control = known
        if method == "authenticate":
            return self._authenticate(connection, params)
        if connection.rights == Rights.NONE:
            raise RpcError(ERROR_NOT_IN_CONTROL, "say the key first: authenticate")
        if (needs_control or method == "control.take") and connection.rights < Rights.ACT:
            raise RpcError(
                ERROR_NOT_IN_CONTROL, f"{method} is for those who may act; this client only watches"
            )
        if needs_control and self.controller is not connection:
            who = f"that is {self.controller.name}" if self.controller else "nobody is: control.take"
            raise RpcError(ERROR_NOT_IN_CONTROL, f"{method} is for the client in control; {who}")
        match method:
            case "subscribe":
                connection.topics = frozenset(params.get("topics", TOPICS))
                self._topics_changed()
                return True
            case "control.take":
                return self._take(connection, params.get("name") or "a client", params.get("force", False))
            case "control.release":
                self._set_controller(None)
                return True
            case "control.renounce":
                connection.rights = Rights.WATCH
                if self.controller is connection:
                    self._set_controller(None)
                return True
            case _:
                return await self.handlers[method](connection, params)

    def _authenticate(self, connection: Connection, params: dict[str, Any]) -> bool:
        if connection.rights != Rights.NONE:
            return True
        said = params.get("token", "").encode()
        # Every key is compared, each in constant time.
        fitting = [rights for rights, key in self._keys.items() if hmac.compare_digest(said, key.encode())]
        if not fitting:
            raise RpcError(ERROR_NOT_IN_CONTROL, "this is not the key")
        connection.grant(fitting[0])
        return True

    def _take(self, connection: Connection, name: str, force: bool) -> bool:
        if self.controller not in (None, connection) and not force:
            assert self.controller is not None
            raise RpcError(ERROR_NOT_IN_CONTROL, f"{self.controller.name} is in control")
        connection.name = name
        self._set_controller(connection)
        return True

    def _topics_changed(self) -> None:
        self._watched(any("live" in c.topics for c in self.connections))

    def _set_controller(self, connection: Connection | None) -> None:
        self.controller = connection
        self._control_changed(connection.name if connection is not None else None)

    async def close(self) -> None:
        """Stop listening and disconnect every client."""
        tasks = [*self._listening, *self._tasks]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for place in self._places:
            with contextlib.suppress(OSError):
                place.unlink(missing_ok=True)
