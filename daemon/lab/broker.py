"""How the lab's processes reach the broker: MQTT over TCP, with TLS and a user where it asks for them."""

from __future__ import annotations

import logging
import queue
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ...analysis.errors import NotPossible

log = logging.getLogger(__name__)
#: Messages heard and not yet taken: above, they are dropped, and sent again by those who wait for an answer.
MOST_HEARD = 20_000


@dataclass(frozen=True)
class BrokerAddress:
    """Where the broker is and who we are there. ``ca`` is the file of the authority that signed it (TLS)."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str | None = None
    password_file: Path | None = None
    ca: Path | None = None

    def password(self) -> str | None:
        """The first line of the password's file. Raises NotPossible where it cannot be read."""
        if self.password_file is None:
            return None
        try:
            return self.password_file.read_text(encoding="utf-8").partition("\n")[0]
        except (OSError, UnicodeDecodeError) as error:
            raise NotPossible(f"the password file {self.password_file} cannot be read: {error}") from None


class BrokerConnection:
    """A connection that comes back by itself. ``heard`` holds ``(topic, payload)`` in order.

    After each connecting it holds ``("", b"up")``, after each break ``("", b"down")``.
    """

    def __init__(
        self,
        address: BrokerAddress,
        name: str,
        subscribe: Sequence[str],
        online: str | None = None,
    ) -> None:
        self.heard: queue.Queue[tuple[str, bytes]] = queue.Queue(MOST_HEARD)
        self._subscribe, self._online = list(subscribe), online
        self._where = f"{address.host}:{address.port}"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
        self._client.reconnect_delay_set(1, 5)
        if address.user is not None:
            self._client.username_pw_set(address.user, address.password())
        if address.ca is not None:
            try:
                self._client.tls_set_context(ssl.create_default_context(cafile=str(address.ca)))
            except OSError as error:
                raise NotPossible(f"the authority's file {address.ca} cannot be used: {error}") from None
        if online is not None:
            self._client.will_set(online, b"0", 1, retain=True)
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._broken
        self._client.on_message = lambda _c, _u, message: self._put(message.topic, bytes(message.payload))
        self._client.connect_async(address.host, address.port, keepalive=15)
        self._client.loop_start()

    def _connected(self, client: mqtt.Client, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            log.warning("the broker at %s refuses: %s", self._where, reason)
            return
        log.info("connected to the broker at %s", self._where)
        if self._subscribe:
            client.subscribe([(topic, 1) for topic in self._subscribe])
        if self._online is not None:
            client.publish(self._online, b"1", 1, retain=True)
        self._put("", b"up")

    def _broken(self, _c: mqtt.Client, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        log.warning("no connection to the broker at %s: %s", self._where, reason)
        self._put("", b"down")

    def _put(self, topic: str, payload: bytes) -> None:
        try:
            self.heard.put_nowait((topic, payload))
        except queue.Full:
            log.warning("more comes from the broker than can be taken; some of it will be sent again")

    def say(self, topic: str, payload: bytes) -> None:
        """Publish once at least (QoS 1), as soon as there is a connection."""
        self._client.publish(topic, payload, 1)

    def show(self, topic: str, payload: bytes) -> None:
        """Publish for who looks now (QoS 0), kept by the broker for who comes; lost without a connection."""
        if self._client.is_connected():
            self._client.publish(topic, payload, 0, retain=True)

    def close(self) -> None:
        """Say goodbye."""
        if self._online is not None and self._client.is_connected():
            self._client.publish(self._online, b"0", 1, retain=True).wait_for_publish(2)
        self._client.disconnect()
        self._client.loop_stop()
