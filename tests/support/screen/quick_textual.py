"""What repeats with every app under test is done once: Textual's own work, not the screen's.

Nothing that a test looks at changes: a style sheet under the same variables gives the same rules, and
a pilot waits for a process that stands still.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable, Iterator
from functools import cache
from types import CodeType
from typing import Any

import textual._callback as callbacks
import textual.app as apps
import textual.css.stylesheet as stylesheets
import textual.pilot as pilots
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

from tests.support.examples import QUICK

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


async def wait_for_idle(min_sleep: float = 0.0, max_sleep: float = 1.0) -> None:
    """Wait until nothing in the process waits for its turn, and no thread of its pool works.

    Textual reads that off the processor time of 20 ms, two or three times to every key.
    """
    loop: Any = asyncio.get_running_loop()
    end, calm = time.monotonic() + max_sleep, 0
    while calm < 3 and time.monotonic() < end:
        pool, before = loop._default_executor, time.process_time()
        taken = pool is not None and pool._idle_semaphore._value < len(pool._threads)
        await asyncio.sleep(0.004 if taken else 0)
        works = loop._ready or (taken and time.process_time() - before > 0.001)
        calm = 0 if works else 3 if taken else calm + 1


pilots.wait_for_idle = apps.wait_for_idle = wait_for_idle


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
    """Rules that a widget was given and still has are not set again; one not yet mounted takes them as they
    are: no setter has anything to draw again."""
    base = node.styles.base
    given, became = base.__dict__.get("_given", (None, None))
    if given is not None and given == rules and base._rules == became:
        node.notify_style_update()
        return
    if animate or node._is_mounted:
        _new_rules(node, rules, animate)
    else:
        for name in base._rules.keys() | rules.keys():
            value = rules.get(name)
            if _as_it_is.get((name, id(value)), base) is value:
                base.set_rule(name, value)
            else:
                setattr(base, name, value)
                if base._rules.get(name) is value:
                    _as_it_is[name, id(value)] = value
        node.notify_style_update()
    base.__dict__["_given"] = rules, base._rules.copy()


#: Values that their setters store unchanged; kept, so that no other has their identity.
_as_it_is: dict[tuple[str, int], Any] = {}
_new_rules = Stylesheet.replace_rules
Stylesheet.replace_rules = classmethod(new_rules)


def apply(self: Stylesheet, node: DOMNode, *, animate: bool = False, cache: Any = None) -> None:
    """The rules of a widget go by the way down to it: by each one's type, name, classes and pseudo-classes.

    What stands beside it (first, last, empty) counts for a few, which are left to Textual.
    """
    way, sheet = node.css_path_nodes, self.rules
    if self.__dict__.get("_of") is not sheet:
        self.__dict__.update(_of=sheet, _seen=_seen.setdefault(tuple(map(id, sheet)), ({}, {})))
    pseudo, found = self.__dict__["_seen"]
    kind = (type(node), node._id, node.classes)
    asked = pseudo.get(kind)
    if asked is None:
        names = self.rules_map.keys() & node._selector_names
        asked = set().union(*(rule.pseudo_classes for name in names for rule in self.rules_map[name]))
        pseudo[kind] = asked
    if not asked.isdisjoint(self._EXCLUDE_PSEUDO_CLASSES_FROM_CACHE) or not isinstance(way[0], apps.App):
        _apply(self, node, animate=animate, cache=cache)
        return
    app, own = way[0], sorted(asked - _OF_THE_APP - _OF_THE_WAY)
    living = not asked.isdisjoint(_OF_THE_WAY)
    key = (
        (type(app), app._id, app.classes, *(app.has_pseudo_class(name) for name in sorted(asked))),
        *(
            (
                type(n),
                n._id,
                n.classes,
                living and getattr(n, "disabled", False),
                *(n.has_pseudo_class(name) for name in own),
            )
            for n in way[1:]
        ),
    )
    if key not in found:
        given: dict[Any, Any] = {}
        _apply(self, node, animate=animate, cache=given)
        found[key] = next(iter(given.values()), None)
        return
    node._has_hover_style = "hover" in asked
    node._has_focus_within = node._has_order_style = node._has_odd_or_even = False
    if found[key] is not None:
        self.replace_rules(node, found[key], animate=animate)
    self._process_component_classes(node)


_OF_THE_APP = {"dark", "light", "inline", "ansi", "nocolor"}
#: What each widget on the way down has of it says whether the last one is.
_OF_THE_WAY = {"disabled", "enabled"}
#: By the rules of a style sheet (which stay in `_parsed`): what may count for a widget, and what it then has.
_seen: dict[tuple[int, ...], tuple[dict[Any, Any], dict[Any, Any]]] = {}
_apply = Stylesheet.apply
Stylesheet.apply = apply


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
    """How many parameters a callback has: it is asked again with every partial call of a method, and with
    every function that is made for one call."""
    if hasattr(call, "__func__"):
        return _of_method(call.__func__)
    code = getattr(call, "__code__", None)
    if code is None or hasattr(call, "__wrapped__"):
        return _count_parameters(call)
    if code not in _of_code:
        _of_code[code] = _count_parameters(call)
    return _of_code[code]


_of_code: dict[CodeType, int] = {}
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
if QUICK:
    Compositor.render_update = render_what_is_looked_at
