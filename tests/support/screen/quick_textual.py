"""What repeats with every app under test is done once: Textual's own work, not the screen's.

Nothing that a test looks at changes: a style sheet under the same variables gives the same rules, and
a pilot waits for a process that stands still, in shorter looks.
"""

from __future__ import annotations

from typing import Any

import textual._wait as waiting
from textual.css.model import RuleSet
from textual.css.stylesheet import Stylesheet

_parse = Stylesheet._parse_rules
_parsed: dict[tuple[Any, ...], list[RuleSet]] = {}


def parse_once(self: Stylesheet, css: str, *how: Any, **named: Any) -> list[RuleSet]:
    """Rules of one style sheet; every app, and every view it opens first, asks for those of all widgets."""
    key = (css, *how, *sorted(named.items()), *self._variables.items())
    if key not in _parsed:
        _parsed[key] = _parse(self, css, *how, **named)
    return _parsed[key]


Stylesheet._parse_rules = parse_once
#: How long the pilot looks at once whether the process still works, s (Textual: 20 ms), and what share
#: of that it may work and still stand still; there are two or three such looks to every key.
waiting.SLEEP_GRANULARITY = 0.004
waiting.SLEEP_IDLE = 0.001
