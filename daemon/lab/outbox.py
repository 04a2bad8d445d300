"""What a forwarder sends next: above what the archive says it has, and never far ahead of that."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from .messages import BATCH, TABLES, Archived, Table

#: Rows on their way at most, by table: what can be lost with a broker, and is sent again.
WINDOW: dict[Table, int] = {"events": 2000, "raw": 32}
#: No word of progress for so long, s: what was sent is taken for lost.
PATIENCE = 5.0
#: With nothing on its way the archive is asked again so often, s: it may have been restored from a backup.
ASK_AGAIN = 30.0


@dataclass
class Outbox:
    """The forwarder's only memory: it is built from the archive's word and can be thrown away at any time.

    ``now`` is any clock in s that only rises. Nothing is believed before the archive has answered the
    question of this outbox, and then only what the same session of the archive says.
    """

    nonce: str = ""
    session: str | None = None
    held: dict[Table, int] = field(default_factory=dict)
    sent: dict[Table, int] = field(default_factory=dict)
    on_way: dict[Table, list[tuple[int, int]]] = field(default_factory=dict)
    progress: float = 0.0
    asked: float = float("-inf")
    again: int = 0

    def question(self, now: float) -> str:
        """A fresh question for the archive; its answer is where to begin."""
        self.nonce, self.asked = secrets.token_hex(8), now
        return self.nonce

    def forget(self) -> None:
        """Believe nothing any more: the connection, the archive or the store is another."""
        self.session, self.asked = None, float("-inf")

    def must_ask(self, now: float) -> bool:
        """Whether the archive has to be asked now."""
        if self.session is None:
            return now - self.asked >= PATIENCE
        return not self.busy() and now - max(self.asked, self.progress) >= ASK_AGAIN

    def heard(self, word: Archived, now: float) -> None:
        """The archive said what it has."""
        if word.answers == self.nonce and self.nonce:
            self.session = word.session
        elif word.session != self.session:
            self.forget()  # it began again: it may hold less than it did
            return
        new = {"events": word.events, "raw": word.raw}
        first = not self.held
        for table in TABLES:
            before = self.held.get(table, 0)
            if first or new[table] < before or new[table] > self.sent[table]:
                self._from(table, new[table])
            self.on_way[table] = [one for one in self.on_way[table] if one[0] > new[table]]
            if new[table] != before:
                self.progress = now
        self.held = {table: new[table] for table in TABLES}

    def room(self, table: Table, now: float) -> tuple[int, int] | None:
        """After which row to send, and how many at most; None where there is nothing to send now."""
        if self.session is None:
            return None
        if self.busy() and now - self.progress > PATIENCE:
            for one in TABLES:
                self.again += sum(count for _, count in self.on_way[one])
                self._from(one, self.held[one])
            self.progress = now
        free = WINDOW[table] - sum(count for _, count in self.on_way[table])
        return (self.sent[table], min(free, BATCH[table])) if free > 0 else None

    def note_sent(self, table: Table, last: int, count: int, now: float) -> None:
        """``count`` rows up to ``last`` are on their way."""
        if not self.busy():
            self.progress = now
        self.sent[table] = last
        self.on_way[table].append((last, count))

    def busy(self) -> bool:
        """Whether anything is on its way."""
        return any(self.on_way.get(table) for table in TABLES)

    def _from(self, table: Table, row: int) -> None:
        self.sent[table], self.on_way[table] = row, []
