"""What repeats with every app under test is done once: Textual's own work, not the screen's.

Nothing that a test looks at changes: a style sheet under the same variables gives the same rules, and
a pilot waits for a process that stands still, in shorter looks.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import textual._callback as callbacks
import textual._wait as waiting
import textual.css.stylesheet as stylesheets
from textual import Logger
from textual._compositor import Compositor
from textual.css.model import CombinatorType, RuleSet, Selector
from textual.css.stylesheet import Stylesheet
from textual.dom import DOMNode
from textual.message import Message
from textual.message_pump import MessagePump
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


def matches(selectors: list[Selector], path: list[DOMNode]) -> bool:
    """Whether selectors match the last node of a path; most do not, and most of the others stand alone."""
    last = selectors[-1]
    if not last.check(path[-1]):
        return False
    if len(selectors) == 1 and last.combinator == CombinatorType.DESCENDENT:
        return True
    return _matches(selectors, path)


_matches = stylesheets._check_selectors
stylesheets._check_selectors = matches


def new_rules(cls: type[Stylesheet], node: DOMNode, rules: Any, animate: bool = False) -> None:
    """A widget not yet mounted takes the rules as they are: no setter has anything to draw again."""
    if animate or node._is_mounted:
        _new_rules(node, rules, animate)
        return
    base = node.styles.base
    for name in base._rules.keys() | rules.keys():
        value = rules.get(name)
        if _as_it_is.get((name, id(value)), base) is value:
            base.set_rule(name, value)
        else:
            setattr(base, name, value)
            if base._rules.get(name) is value:
                _as_it_is[name, id(value)] = value
    node.notify_style_update()


#: Values that their setters store unchanged; kept, so that no other has their identity.
_as_it_is: dict[tuple[str, int], Any] = {}
_new_rules = Stylesheet.replace_rules
Stylesheet.replace_rules = classmethod(new_rules)


@cache
def handlers(pump: type, name: str, message: type) -> list[tuple[type, list[Any], Any]] | None:
    """The classes of a pump that handle a message, each with its decorated handlers and the one by name; None
    where it depends on the message's sender."""
    kinds, found = [kind for kind in message.__mro__ if issubclass(kind, Message)], []
    for cls in pump.__mro__:
        by_kind = cls.__dict__.get("_decorated_handlers") or {}
        decorated = [handler for kind in kinds for handler in by_kind.get(kind, [])]
        named = cls.__dict__.get(f"_{name}") or cls.__dict__.get(name)
        if any(selectors for _, selectors in decorated):
            return None
        if getattr(named, "_textual_on", None):
            named = None
        if decorated or named is not None:
            found.append((cls, [method for method, _ in decorated], named))
    return found


def dispatch_methods(self: MessagePump, name: str, message: Message) -> Iterable[tuple[type, Any]]:
    """As Textual's, which looks through all classes with every message."""
    found = handlers(type(self), name, type(message))
    return _dispatch_methods(self, name, message) if found is None else _found(self, message, found)


def _found(
    self: MessagePump, message: Message, found: list[tuple[type, list[Any], Any]]
) -> Iterator[tuple[type, Any]]:
    done = set()
    for cls, decorated, named in found:
        if message._no_default_action:
            break
        for method in decorated:
            if method not in done:
                yield cls, method.__get__(self, cls)
                done.add(method)
        if named is not None:
            yield cls, named.__get__(self, cls)


_dispatch_methods = MessagePump._get_dispatch_methods
MessagePump._get_dispatch_methods = dispatch_methods


def count_parameters(call: Any) -> int:
    """How many parameters a callback has: methods are asked again with every partial call of them."""
    return _of_method(call.__func__) if hasattr(call, "__func__") else _count_parameters(call)


_count_parameters = callbacks._count_parameters
_of_method = cache(lambda function: _count_parameters(function) - 1)
callbacks._count_parameters = count_parameters
#: Nobody reads the log of messages.
Logger.event = property(lambda log: log)
Logger.verbosity = lambda log, verbose: log


def render_what_is_looked_at(self: Compositor, full: bool = False, *rest: Any, **named: Any) -> Any:
    """No terminal is there: in the quick loop the screen is drawn only when a test looks at it."""
    if named.get("simplify"):  # a picture
        return _update(self, full, *rest, **named)
    self._dirty_regions.clear()
    return None


_update = Compositor.render_update
if os.environ.get("WEIGHLOOP_QUICK"):
    Compositor.render_update = render_what_is_looked_at
