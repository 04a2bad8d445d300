"""How a balance speaks: the shown figure as a line of one of the four dialects, and its commands.

Written from the description of the dialects, not from the host's dialect files: the twin must be
able to disagree with them.
"""

from __future__ import annotations

import zlib

from .balance import BalanceTwin, Shown


class Voice:
    """One dialect. ``hear`` takes bytes from the host, ``line`` says one figure; both return bytes.

    ``talks`` tells whether figures are sent without being asked for.
    """

    name = ""
    talks = True
    #: What is sent at which line speed (baud).
    baud = 9600
    terminators = b"\r\n"

    def __init__(self, balance: BalanceTwin) -> None:
        self.balance = balance
        self.decimals = decimals(balance.maker.resolution)
        self._heard = bytearray()

    def line(self, shown: Shown) -> bytes:
        """The line for one figure; empty where the dialect has nothing to say."""
        raise NotImplementedError

    def command(self, words: bytes) -> bytes:
        """Obey one command line and answer."""
        raise NotImplementedError

    def hear(self, data: bytes) -> bytes:
        """Bytes from the host; returns the answers."""
        answer = b""
        for byte in data:
            if byte in self.terminators:
                if self._heard:
                    answer += self.command(bytes(self._heard))
                self._heard.clear()
            elif len(self._heard) < 64:
                self._heard.append(byte)
        return answer

    def number(self, value: float, width: int) -> str:
        return f"{value:{width}.{self.decimals}f}"


class StatusLine(Voice):
    """``ST,+00012.345,g``: a mark, a sign, a fixed-width number, the unit."""

    name = "status-line"

    def line(self, shown: Shown) -> bytes:
        if shown.value is None:
            # Common practice, no source: the display's nines stand in for the number out of range.
            sign = "+" if shown.mark == "overload" else "-"
            nines = "99999999"[: 8 - self.decimals] + "." + "9" * self.decimals
            return f"OL,{sign}{nines[-9:]},g\r\n".encode("ascii")
        mark = "ST" if shown.mark == "steady" else "US"
        value = shown.value
        sign = "-" if value < 0 else "+"
        return f"{mark},{sign}{abs(value):09.{self.decimals}f},g\r\n".encode("ascii")

    def command(self, words: bytes) -> bytes:
        if words == b"Q":
            return self.line(self.balance.shown)
        if words == b"T":
            self.balance.press_zero()
        return b""


class AskAnswer(Voice):
    """``SI`` -> ``S S     12.345 g``: says nothing that it was not asked for."""

    name = "ask-answer"
    talks = False

    def line(self, shown: Shown) -> bytes:
        if shown.value is None:
            return b"S +\r\n" if shown.mark == "overload" else b"S -\r\n"
        mark = "S" if shown.mark == "steady" else "D"
        return f"S {mark} {self.number(shown.value, 10)} g\r\n".encode("ascii")

    def command(self, words: bytes) -> bytes:
        if words == b"SI":
            self.talks = False
            return self.line(self.balance.shown)
        if words == b"SIR":
            self.talks = True
            return b""
        if words == b"TI":
            if self.balance.shown.value is None:
                return b"TI +\r\n" if self.balance.shown.mark == "overload" else b"TI -\r\n"
            self.balance.press_zero()
            return f"TI S {self.number(0.0, 10)} g\r\n".encode("ascii")
        if words == b"I4":
            return b'I4 A "TWIN-1"\r\n'
        return b"ES\r\n"


class PrintLine(Voice):
    """``+   12.345 g``: sixteen columns with the line's end; no unit while unsteady."""

    name = "print-line"

    def line(self, shown: Shown) -> bytes:
        if shown.value is None:
            # Common practice, no source: a letter in the number's place.
            sign, letter = ("+", "H") if shown.mark == "overload" else ("-", "L")
            return f"{sign}{letter:>9}    \r\n".encode("ascii")
        sign = "-" if shown.value < 0 else "+"
        unit = "g" if shown.mark == "steady" else ""
        return f"{sign}{self.number(abs(shown.value), 9)} {unit:<3}\r\n".encode("ascii")

    def hear(self, data: bytes) -> bytes:
        answer = b""
        for byte in data:
            if self._heard == b"\x1b":
                self._heard.clear()
                answer += self.command(bytes((byte,)))
            elif byte == 0x1B:
                self._heard[:] = b"\x1b"
        return answer

    def command(self, words: bytes) -> bytes:
        if words == b"P":
            return self.line(self.balance.shown)
        if words == b"T":
            self.balance.press_zero()
        return b""


class Counted(Voice):
    """``W <seq> <milligrams> <crc32>``: a load cell's microcontroller; the check covers what is before it.

    It has no word for overload: a load cell beyond its end falls silent, and the count shows the gap.
    """

    name = "counted"
    baud = 57600
    terminators = b"\n"

    def __init__(self, balance: BalanceTwin) -> None:
        super().__init__(balance)
        self.sequence = 0
        self.decimals = max(0, self.decimals - 3)

    def line(self, shown: Shown) -> bytes:
        self.sequence += 1
        if shown.value is None:
            return b""
        body = f"W {self.sequence} {self.number(shown.value * 1000, 0)}".encode("ascii")
        return body + b" %08x\n" % zlib.crc32(body)

    def command(self, words: bytes) -> bytes:
        if words == b"Z":
            self.balance.press_zero()
        return b""


VOICES = {voice.name: voice for voice in (StatusLine, AskAnswer, PrintLine, Counted)}


def decimals(resolution: float) -> int:
    """Decimals a figure in g needs for a resolution in g."""
    return max(0, len(f"{resolution:.6f}".rstrip("0").partition(".")[2]))
