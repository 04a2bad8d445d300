"""What tells that a row is still the one that was committed.

Each row carries a sum over its content. An event carries a second one, its link: over the link of the event
before and its own sum. So a changed digit is found in its own row, and a row that was taken out, put in or
moved is found at the next one. BLAKE2b (RFC 7693), 16 bytes: against accidents, not against a forger.
"""

from __future__ import annotations

from hashlib import blake2b

SIZE = 16
#: The link before the first event.
FIRST_LINK = bytes(SIZE)


def row_sum(*values: str | float | bytes | None) -> bytes:
    """The sum over a row's values, 16 bytes. A float and an int of one value have different sums."""
    total = blake2b(digest_size=SIZE)
    for value in values:
        raw = value if isinstance(value, bytes) else repr(value).encode("utf-8", "backslashreplace")
        total.update(len(raw).to_bytes(8, "little"))
        total.update(raw)
    return total.digest()


def link_sum(before: bytes, own: bytes) -> bytes:
    """The link of an event from the one before it (16 bytes) and its own sum."""
    return blake2b(before + own, digest_size=SIZE).digest()
