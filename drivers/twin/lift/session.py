"""A lift's side of the line: bytes to lines, checks, the order of the numbers, answers that are repeated."""

from __future__ import annotations

import re
import zlib
from abc import ABC, abstractmethod

from .parser import Words, taken_apart

_STOP = re.compile(rb"(?:^| )M112(?!\d)")


class CommandRefused(Exception):
    """The controller's reason for an ``er`` line."""


class LiftSession(ABC):
    """Takes bytes by ``feed`` and fills ``out`` with lines; what the words do is the lift's own affair."""

    def __init__(self) -> None:
        self.out: list[bytes] = []
        self.forget_session()

    def forget_session(self) -> None:
        """As after a reset."""
        self.nonce = self.last_number = self.last_check = 0
        self.last_reason = ""
        self.host_silent = 0.0  # s since the last line that could be obeyed
        self._buffer, self._bad = bytearray(), False

    @abstractmethod
    def _halt(self, cause: int) -> None: ...

    @abstractmethod
    def _hold(self) -> None: ...

    @abstractmethod
    def _execute(self, words: Words) -> None:
        """Obey an intact line of this session; raises CommandRefused."""

    @abstractmethod
    def _answer(self, words: Words, reason: str, again: bool) -> None: ...

    def feed(self, data: bytes) -> None:
        """Bytes from the host."""
        for byte in data:
            if byte == 0x89:
                self._halt(1)
            elif byte == 0xFE:
                self._hold()
            elif byte == 0x0A:
                if self._buffer or self._bad:
                    self._line(bytes(self._buffer))
                self._buffer, self._bad = bytearray(), False
            elif not 0x20 <= byte <= 0x7E or len(self._buffer) >= 64:
                self._bad = True
            else:
                self._buffer.append(byte)

    def _say(self, body: str) -> None:
        raw = body.encode("ascii")
        self.out.append(raw + b"*%08X\n" % zlib.crc32(raw))

    def _line(self, raw: bytes) -> None:
        if _STOP.search(raw):
            self._halt(1)
            return
        expected = self.last_number % 65535 + 1 if self.nonce else 0
        body, star, check = raw.rpartition(b"*")
        if self._bad:
            self._say(f"rs N{expected} K{self.nonce} frame")
            return
        if star != b"*" or not re.fullmatch(rb"[0-9A-F]{8}", check) or int(check, 16) != zlib.crc32(body):
            self._say(f"rs N{expected} K{self.nonce} crc")
            return
        words, reason = taken_apart(body.decode("ascii"), int(check, 16))
        opens = not reason and (words.kind, words.code) == ("M", 110) and words.values["K"] > 0
        if not opens and not self.nonce:
            self._say(f"er N{words.number} K0 nosession")
            return
        again = not opens and (words.number, words.check) == (self.last_number, self.last_check)
        if not opens and not again and words.number != expected:
            self._say(f"er N{words.number} K{self.nonce} sequence X{expected}")
            return
        self.host_silent = 0.0
        if again:
            reason = self.last_reason
        else:
            if not reason:
                try:
                    self._execute(words)
                except CommandRefused as refusal:
                    reason = str(refusal)
            self.last_number, self.last_check, self.last_reason = words.number, words.check, reason
        self._answer(words, reason, again)
