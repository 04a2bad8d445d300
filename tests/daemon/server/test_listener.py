"""Where callers wait when the process has no file handle left, and who is a neighbour."""

from __future__ import annotations

import asyncio
import errno
import logging
import os
import socket

import pytest

from weighloop.daemon.server import listener


class Short(socket.socket):
    """A socket whose callers cannot be let in the first times."""

    times = 40

    def accept(self) -> tuple[socket.socket, object]:
        if self.times > 0:
            self.times -= 1
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
        return super().accept()


def test_a_shortage_of_file_handles_is_told_once_and_ends(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(listener, "RETRY_EVERY", 0.001)

    async def knock() -> None:
        line = Short(socket.AF_INET, socket.SOCK_STREAM)
        line.bind(("127.0.0.1", 0))
        line.listen()
        inside = asyncio.Event()

        async def let_in(caller: socket.socket) -> None:
            caller.close()
            inside.set()

        task = asyncio.create_task(listener.accept_all(line, let_in))
        with socket.create_connection(line.getsockname(), 10):
            await asyncio.wait_for(inside.wait(), 60)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    with caplog.at_level(logging.INFO):
        asyncio.run(knock())
    said = [record for record in caplog.records if "no further client" in record.message]
    assert len(said) == 1
    assert said[0].exc_info is None


@pytest.mark.parametrize(
    ("host", "own"),
    [
        *[("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("localhost", True)],
        *[("0.0.0.0", False), ("::", False), ("192.168.1.5", False), ("bench.example", False)],
    ],
)
def test_loopback_is_known(host: str, own: bool) -> None:
    assert listener.is_loopback(host) == own
