"""A balance on a serial port: lines in, readings out, re-zero on request.

A balance only speaks, so it comes back by itself after any loss. Its readings count once it is
known to be one: a few lines in a row that fit the dialect, after every opening of the port.
"""

from __future__ import annotations

import threading
from collections import deque

from ..clock import Clock
from ..device import BalanceListener, BalanceReading, DeviceLost, DeviceRefused, DeviceState, DeviceTimeout
from ..serial.port import LEAST_DEADLINE, READ_TIMEOUT, Deadline, SerialLine, real_seconds
from .dialect import Dialect
from .framing import Answer, LineStream, Reading, RefusedLine

#: Fitting lines in a row before a port counts as this balance.
GOOD_LINES = 3
#: How long to listen before anything is expected, s by the clock, while the interval is not known.
FIRST_PATIENCE = 3.0
#: A request without an answer is repeated after this time, s by the clock, or two periods if longer.
ANSWER_PATIENCE = 1.0
#: Silence shorter than this, s of the machine's time, is what operating systems do.
LEAST_SILENCE = 0.3
#: The same where the clock runs faster than life: the far end is a program then, and a machine that stalls
#: for a moment is no cable that came off.
LEAST_SILENCE_OF_A_TWIN = 1.5
#: The shortest read of a balance that is always asked, and of one that mostly speaks by itself: what it says
#: ends the read, s of the machine's time.
LEAST_READ, LEAST_READ_UNASKED = 0.002, 0.02
#: How often, and after how long, s by the clock, a balance is asked for its serial number.
IDENTITY_TRIES, IDENTITY_PATIENCE = 4, 1.5
#: Arrivals from which the interval is learnt.
LEARN_FROM = 16


class SerialBalance:
    """One balance. The listener is called from the port's thread.

    ``port`` is a device name or any pyserial URL; ``interval`` (s) overrides what the dialect
    says or the driver learns about the time between two lines.
    """

    def __init__(
        self,
        port: str,
        dialect: Dialect,
        listener: BalanceListener,
        clock: Clock,
        *,
        interval: float | None = None,
    ) -> None:
        self.port, self.dialect = port, dialect
        self.state = DeviceState.ABSENT
        self.why = "not started"
        self.last_heard: float | None = None
        self.lines = 0  # lines that fitted
        self.refused = 0  # lines that did not
        self._listener, self._clock, self._given_interval = listener, clock, interval
        self._stream = LineStream(dialect)
        self._good = 0
        self._refusal: RefusedLine | None = None
        self._opened_at = clock.now()
        self._dated_last: float | None = None  # of the last line, fitting or not
        self._arrivals: deque[float] = deque(maxlen=LEARN_FROM)
        self._asking = dialect.ask is not None and dialect.ask.when == "always"
        self._asked_at: float | None = None
        self._awaiting = False  # a request has not been answered yet
        self._asks = self._lines_while_asking = 0
        self.serial: str | None = None  # its serial number, once it said so since the port was opened
        self._identity_asks, self._identity_at = 0, clock.now()
        self._answered = threading.Condition()
        self._answers: list[Answer] = []
        patience = READ_TIMEOUT
        if dialect.ask is not None:  # ask in time, also on a clock faster than life
            least = LEAST_READ if self._asking else LEAST_READ_UNASKED
            patience = min(patience, real_seconds(clock, (interval or dialect.ask.period) / 2, least))
        self._line = SerialLine(port, dialect.settings, self, clock, read_timeout=patience)

    def start(self) -> None:
        """Open the port and keep it open until ``close``."""
        self._line.start()

    def close(self) -> None:
        """Release the port."""
        self._line.close()
        with self._answered:
            self._answered.notify_all()
        self._enter(DeviceState.ABSENT, "closed")

    def request(self) -> None:
        """Ask for one reading now. Raises DeviceRefused where the dialect knows no request."""
        if self.dialect.ask is None:
            raise DeviceRefused(f"a {self.dialect.name} balance cannot be asked; it sends by itself")
        self._line.write(self.dialect.ask.request)

    def rezero(self, deadline: float = 5.0) -> bool:
        """Send the re-zero command; blocks until it is acknowledged, at most ``deadline`` s.

        True: acknowledged. False: sent, but this dialect has no acknowledgement, so only the
        readings can show it. Raises DeviceRefused (the balance said no, or cannot), DeviceTimeout
        (no answer, or the balance is not heard) or DeviceLost.
        """
        if self.dialect.rezero is None:
            raise DeviceRefused(f"dialect {self.dialect.name} has no re-zero command; use the balance's key")
        if not self._line.is_open:
            raise DeviceLost(f"{self.port} is not open: {self.why}")
        if self.state is not DeviceState.READY:
            raise DeviceTimeout(f"the balance is not heard ({self.why}); re-zero was not sent")
        with self._answered:
            self._answers.clear()
            self._line.write(self.dialect.rezero)
            if not self.dialect.acknowledges:
                return False
            end = Deadline(self._clock, deadline)
            while not self._answers and (left := end.left()) > 0:
                if not self._line.is_open:
                    raise DeviceLost(f"{self.port} was lost while re-zeroing: {self.why}")
                self._answered.wait(min(left, LEAST_DEADLINE))
            if not self._answers:
                raise DeviceTimeout(f"no answer to re-zero within {deadline:g} s")
            answer = self._answers[0]
        if answer.meaning == "rezero-refused":
            said = answer.raw.strip().decode("ascii", "replace")
            raise DeviceRefused(
                f"The balance refused to re-zero (it answered {said!r}): it is unsteady or away from zero."
            )
        return True

    @property
    def interval(self) -> float | None:
        """Expected seconds between two lines, None while not known."""
        if self._given_interval is not None:
            return self._given_interval
        learnt = None
        if len(self._arrivals) >= 4:
            learnt = (self._arrivals[-1] - self._arrivals[0]) / (len(self._arrivals) - 1)
        if self._asking and self.dialect.ask is not None:
            return max(self.dialect.ask.period, learnt or 0.0)
        return self.dialect.interval or learnt

    @property
    def identified(self) -> bool:
        """Whether the balance has said which one it is, or will not."""
        if self.dialect.identity is None or self.serial is not None:
            return True
        return self._identity_asks >= IDENTITY_TRIES and self._identity_overdue(self._clock.now())

    @property
    def missed(self) -> int:
        """Lines missing from the balance's own numbering since the port was opened."""
        return self._stream.missed

    # ---- what the line calls, from its thread ----

    def opening(self, why: str) -> None:
        if self.state not in (DeviceState.LOST, DeviceState.ABSENT) or self.lines == 0:
            self._enter(DeviceState.OPENING, why)

    def opened(self, device: str) -> None:
        self._stream = LineStream(self.dialect)
        self._good, self._refusal = 0, None
        self._asked_at, self._awaiting = None, False
        self.serial, self._identity_asks = None, 0
        self._arrivals.clear()
        self._opened_at = self._clock.now()
        self._enter(DeviceState.IDENTIFYING, f"{device} is open; listening for a {self.dialect.name} balance")

    def received(self, data: bytes, now: float) -> None:
        items = self._stream.feed(data)
        for at, item in zip(self._dated(len(items), now), items, strict=True):
            if isinstance(item, RefusedLine):
                self.refused += 1
                self._good, self._refusal = 0, item
                self._listener.refused(at, item.raw, item.why)
                continue
            self.lines += 1
            self._good += 1
            self.last_heard = now
            if self.state is not DeviceState.READY and self._good >= GOOD_LINES:
                self._line.remember_identity()
                self._enter(DeviceState.READY, f"speaks {self.dialect.name}")
            if isinstance(item, Reading):
                self._arrivals.append(at)
                if self.state is DeviceState.READY:
                    self._listener.reading(BalanceReading(at, item.value, item.mark, item.raw, item.sequence))
            elif item.meaning == "identity":
                self.serial = item.text
            elif item.meaning.startswith("rezero"):
                with self._answered:
                    self._answers.append(item)
                    self._answered.notify_all()
            self._note_answer()

    def _dated(self, count: int, now: float) -> list[float]:
        """When lines that were read in one go arrived: one after another, in the balance's own rhythm.

        A machine that was busy, or a network that bundles, hands many lines over at once. Taken as of one
        moment they would look like a level that stands still.
        """
        if count == 0:
            return []
        since = max(self._opened_at, self._dated_last or self._opened_at)
        step = (now - since) / count
        if (interval := self.interval) is not None:
            step = min(step, interval)
        self._dated_last = now
        return [now - step * after for after in reversed(range(count))]

    def tick(self, now: float) -> None:
        self._ask(now)
        self._ask_identity(now)
        quiet_since = max(self._opened_at, self.last_heard or self._opened_at)
        interval = self.interval
        patience = FIRST_PATIENCE if interval is None else 2 * interval
        if self.state is DeviceState.IDENTIFYING:
            patience = max(patience, FIRST_PATIENCE)
        patience = max(patience, self._least_silence())
        if self.state in (DeviceState.READY, DeviceState.IDENTIFYING) and now - quiet_since > patience:
            self._good = 0
            self._enter(DeviceState.SILENT, self._why_silent(now - quiet_since))

    def lost(self, why: str, there: bool) -> None:
        self._enter(DeviceState.LOST if there else DeviceState.ABSENT, why)
        with self._answered:
            self._answered.notify_all()

    def _least_silence(self) -> float:
        """The shortest silence that counts, s by the clock: so long by the machine's."""
        rate = self._clock.rate
        return rate * (LEAST_SILENCE if rate <= 1 else LEAST_SILENCE_OF_A_TWIN)

    # ---- asking ----

    def _ask(self, now: float) -> None:
        ask = self.dialect.ask
        if ask is None:
            return
        period = self._given_interval or ask.period
        if not self._asking:
            last = max(self._opened_at, self.last_heard or self._opened_at)
            least = self._least_silence()
            if now - last < max(2 * (self.interval or 0.5), least):
                return
            self._asking = True  # it does not speak by itself, or has stopped
            self._asks = self._lines_while_asking = 0
        if self._asked_at is not None:
            wait = max(ANSWER_PATIENCE, 2 * period, LEAST_DEADLINE * self._clock.rate)
            if now - self._asked_at < (wait if self._awaiting else period):
                return
        self._asked_at, self._awaiting = now, True
        self._asks += 1
        self._line.write(ask.request)

    def _ask_identity(self, now: float) -> None:
        """Which balance is it? Asked until it says so, a few times."""
        request = self.dialect.identity
        if request is None or self.serial is not None or self.state is not DeviceState.READY:
            return
        due = self._identity_asks == 0 or self._identity_overdue(now)
        if due and self._identity_asks < IDENTITY_TRIES:
            self._identity_asks, self._identity_at = self._identity_asks + 1, now
            self._line.write(request)

    def _identity_overdue(self, now: float) -> bool:
        return now - self._identity_at > max(IDENTITY_PATIENCE, LEAST_DEADLINE * self._clock.rate)

    def _note_answer(self) -> None:
        """A balance that sends by itself need not be asked as well: more lines come than requests go."""
        self._awaiting = False
        if self._asking and self.dialect.ask is not None and self.dialect.ask.when == "silent":
            self._lines_while_asking += 1
            if self._lines_while_asking > 1.5 * self._asks + 5:
                self._asking, self._asked_at = False, None

    # ---- states ----

    def _why_silent(self, seconds: float) -> str:
        if self._refusal is None:
            return f"nothing heard for {seconds:.1f} s"
        return (
            f"nothing sensible heard for {seconds:.1f} s; refused last: {self._refusal.raw[:40]!r} "
            f"({self._refusal.why}): wrong dialect or line settings? 'weighloop ports --listen' finds out"
        )

    def _enter(self, state: DeviceState, why: str) -> None:
        if (state, why) != (self.state, self.why):
            self.state, self.why = state, why
            self._listener.state(state, why)
