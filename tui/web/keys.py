"""A key that is kept from start to start, so that who knows it need not be given another."""

from __future__ import annotations

import os
import re
import secrets
from pathlib import Path

from ...analysis.errors import NotPossible

#: What ``secrets.token_urlsafe(32)`` gives, or longer: 256 bits.
_KEY = re.compile(r"[A-Za-z0-9_-]{43,200}")


def kept_key(place: Path) -> str:
    """The key in the file ``place``, for its owner alone; made where there is none.

    Raises NotPossible for a file that others can read, that holds no key or that cannot be used.
    """
    try:
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    except OSError as error:
        raise NotPossible(f"the key cannot be kept in {place}: {error.strerror}") from None
    else:
        with open(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(32) + "\n")
    try:
        if os.name != "nt" and place.stat().st_mode & 0o077:
            raise NotPossible(f"{place} can be read by others; make it the owner's alone (chmod 600)")
        with place.open(encoding="ascii") as file:
            key = file.readline(300).strip()
    except (OSError, UnicodeDecodeError) as error:
        raise NotPossible(f"the key in {place} cannot be read: {error}") from None
    if not _KEY.fullmatch(key):
        raise NotPossible(f"{place} holds no key; remove it, and one is made")
    return key
