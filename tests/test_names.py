"""One name, one meaning: no class name in two rooms, no builtin shadowed."""

from __future__ import annotations

import ast
import builtins
from collections import defaultdict
from collections.abc import Iterator

from tests.test_import_rule import MODULES, room_of, tree_of

#: Records of the wire keep their names (``daemon/protocol``), and so does the door ``weighloop.Run``.
ON_THE_WIRE = {"Run", "Devices"}
#: Textual's own name for a widget's key.
ALLOWED = {"id"}
BUILTINS = {name for name in dir(builtins) if not name.startswith("_")} - ALLOWED


def test_no_class_name_stands_in_two_rooms() -> None:
    rooms: dict[str, set[str]] = defaultdict(set)
    for path in MODULES.values():
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                rooms[node.name].add(room_of(path))
    twice = {name: found for name, found in rooms.items() if len(found) > 1}
    assert set(twice) <= ON_THE_WIRE, twice


def bound(tree: ast.AST) -> Iterator[str]:
    """The names that a module, its functions and its classes bind, but for the members of classes."""
    members = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef)
        for each in node.body
        for child in ([each] if isinstance(each, ast.FunctionDef) else ast.walk(each))
        if isinstance(each, ast.FunctionDef | ast.AnnAssign | ast.Assign)
    }
    for node in ast.walk(tree):
        if id(node) in members:
            continue
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.name
        elif isinstance(node, ast.arg):
            yield node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        elif isinstance(node, ast.alias):
            yield node.asname or node.name.split(".")[0]


def test_no_builtin_is_shadowed() -> None:
    found = {
        (str(path), name) for path in MODULES.values() for name in bound(tree_of(path)) if name in BUILTINS
    }
    assert not found
