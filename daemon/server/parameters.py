"""The parameters of a call against the types that ``protocol.METHODS`` declares for them.

A type is the beginning of a parameter's text there: ``str``, ``int``, ``float``, ``bool``,
``list of Topic`` or ``list of object``, with ``or null`` where null is meant, and what it is for behind a
colon.
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Callable
from typing import Any, Final

from ..protocol import LONGEST_TEXT, METHODS, TOPICS

#: Whole numbers are those that the store can keep.
_LARGEST: Final = 2**63 - 1
#: The texts that may be as long as a request: whole files.
_LONG: Final = frozenset(("bench_text", "programmes"))
#: What a control character does in a terminal that shows it is not ours to try; these three are text.
_WHITE: Final = frozenset("\t\n\r")
#: So much of what was sent stands in an error's message.
_SHOWN: Final = 60


class WrongParameter(ValueError):
    """A parameter that is not of its declared type, in words."""


def checked(method: str, params: dict[str, Any]) -> dict[str, Any]:
    """The known ones of ``params``, each of its declared type. Raises WrongParameter.

    Names that the method does not know are passed over; one that is left out is the handler's business.
    """
    found: dict[str, Any] = {}
    for key, declared in METHODS[method][1].items():
        if key not in params:
            continue
        kind, _, meaning = declared.partition(":")
        kind = kind.partition(",")[0].strip()
        basic = kind.removesuffix(" or null")
        value = params[key]
        if value is None and basic != kind:
            found[key] = None
            continue
        words, fits = _KINDS[basic]
        right = words + (" or null" if basic != kind else "") + (f" ({meaning.strip()})" if meaning else "")
        if not fits(value):
            raise WrongParameter(f"{method}: {key} is {shown(value)}; expected {right}")
        if isinstance(value, str) and (fault := _text_fault(key, value)) is not None:
            raise WrongParameter(f"{method}: {key} {fault}")
        found[key] = value
    return found


def shown(value: Any) -> str:
    """The beginning of a value as JSON: what a person sent, however long or odd it is."""
    text = json.dumps(value) if isinstance(value, str | int | float | bool | None) else _outline(value)
    return text if len(text) <= _SHOWN else text[:_SHOWN] + " ..."


def _outline(value: Any) -> str:
    return f"a list of {len(value)}" if isinstance(value, list) else f"an object of {len(value)} keys"


def _text_fault(key: str, text: str) -> str | None:
    """Why a text cannot be kept and shown again, or None."""
    if key not in _LONG and len(text) > LONGEST_TEXT:
        return f"has {len(text)} characters; at most {LONGEST_TEXT} are kept"
    for place, c in enumerate(text, 1):
        if unicodedata.category(c) == "Cs" or (unicodedata.category(c) == "Cc" and c not in _WHITE):
            return f"has U+{ord(c):04X} at character {place}, which is no character of a text; leave it out"
    return None


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -_LARGEST <= value <= _LARGEST


def _is_number(value: Any) -> bool:
    return (isinstance(value, float) and math.isfinite(value)) or _is_whole(value)


def _are_topics(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(topic, str) and topic in TOPICS for topic in value)


def _are_objects(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(entry, dict) for entry in value)


_KINDS: Final[dict[str, tuple[str, Callable[[Any], bool]]]] = {
    "str": ("a text", lambda value: isinstance(value, str)),
    "int": ("a whole number", _is_whole),
    "float": ("a number", _is_number),
    "bool": ("true or false", lambda value: isinstance(value, bool)),
    "list of object": ("a list of objects", _are_objects),
    "list of Topic": (f"a list of {', '.join(TOPICS)}", _are_topics),
}
