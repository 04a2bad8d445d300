"""The table that every screen of slips takes and returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from ..errors import Finding
from ..forces.branches import Arrangement
from ..records.bench import Bench
from ..records.readings import Readings
from .physical_limits import Limits, limits_of


@dataclass(frozen=True, eq=False)
class Table:
    """The readings of one run with what is known of them so far.

    ``arranged``: forces, fields and branches, with the rows set aside and the findings up to here;
    ``known_limits``: what M may do on a branch, once that is known.
    """

    readings: Readings
    bench: Bench
    arranged: Arrangement
    known_limits: Limits | None = None

    @property
    def limits(self) -> Limits:
        """The limits; LookupError for a screen that runs before they are known."""
        if self.known_limits is None:
            raise LookupError("this screen needs the limits of a branch: let it run after with_limits")
        return self.known_limits

    def with_limits(self) -> Table:
        """The same with the limits computed from the rows in use now."""
        return replace(self, known_limits=limits_of(self.arranged, self.bench))

    @property
    def follows_zero(self) -> bool:
        """The zero is followed through the whole run: rows under which it wandered or jumped are no slips."""
        return self.arranged.zeros.track is not None

    def set_aside(self, rows: dict[int, str], findings: list[Finding]) -> Table:
        """The same with these rows (index: why) set aside, and with these findings."""
        return replace(self, arranged=self.arranged.set_aside(rows, findings))


#: A screen looks for one kind of slip and sets aside the rows it finds.
Screen = Callable[[Table], Table]
