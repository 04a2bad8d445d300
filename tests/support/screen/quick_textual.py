"""What repeats with every app under test is done once: Textual's own work, not the screen's.

Nothing that a test looks at changes: a style sheet under the same variables gives the same rules, and
a pilot waits for a process that stands still, in shorter looks.
"""

from __future__ import annotations

import os
from typing import Any

import textual._wait as waiting
from textual._compositor import Compositor
from textual.css.model import RuleSet
from textual.css.stylesheet import Stylesheet
from textual.dom import DOMNode
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widget import Widget

_parse = Stylesheet._parse_rules
_parsed: dict[tuple[Any, ...], list[RuleSet]] = {}


def parse_once(self: Stylesheet, css: str, *how: Any, **named: Any) -> list[RuleSet]:
    """Rules of one style sheet; every app, and every view it opens first, asks for those of all widgets."""
    key = (css, *how, *sorted(named.items()), *self._variables.items())
    if key not in _parsed:
        _parsed[key] = _parse(self, css, *how, **named)
    return _parsed[key]


def restyle_what_stands(self: DOMNode, animate: bool = True) -> None:
    """A widget that stands nowhere yet has no style to bring up to date: it gets it as it is put up."""
    if self._parent is not None or isinstance(self, Screen) or not isinstance(self, Widget):
        _restyle(self, animate=animate)


_restyle = DOMNode.update_node_styles
DOMNode.update_node_styles = restyle_what_stands
Stylesheet._parse_rules = parse_once
#: Rules are told apart by identity, a few hundred for every widget: in C as well as in Python.
RuleSet.__hash__ = object.__hash__
#: How long the pilot waits for the widgets, s (Textual: 30): a busy machine may take that long.
Pilot._wait_for_screen.__defaults__ = (180.0,)
#: How long the pilot looks at once whether the process still works, s (Textual: 20 ms), and what share
#: of that it may work and still stand still; there are two or three such looks to every key.
waiting.SLEEP_GRANULARITY = 0.004
waiting.SLEEP_IDLE = 0.001


def render_what_is_looked_at(self: Compositor, full: bool = False, *rest: Any, **named: Any) -> Any:
    """No terminal is there: in the quick loop the screen is drawn only when a test looks at it."""
    if named.get("simplify"):  # a picture
        return _update(self, full, *rest, **named)
    self._dirty_regions.clear()
    return None


_update = Compositor.render_update
if os.environ.get("WEIGHLOOP_QUICK"):
    Compositor.render_update = render_what_is_looked_at
