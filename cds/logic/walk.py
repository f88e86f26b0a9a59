"""Every node of a criterion, in reading order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from cds.logic.criteria import State
from cds.logic.scene import StateDef
from cds.parameters import Absent, Parameter


def walk(node: Any, with_order: bool = False) -> Iterator[tuple[Any, bool]]:
    """Every node, expression and order filter below one (it first), and whether an order is in hand there."""
    if isinstance(node, tuple):
        for part in node:
            yield from walk(part, with_order)
    elif is_dataclass(node) and not isinstance(node, (type, Parameter, Absent)):
        yield node, with_order
        for field in fields(node):
            yield from walk(getattr(node, field.name), with_order or field.name == "such_that")


def walk_with_states(node: Any, states: Mapping[str, StateDef]) -> Iterator[Any]:
    """As `walk`, looking into every state that is a criterion, once each."""
    done: set[str] = set()
    todo = [node]
    while todo:
        for part, _ in walk(todo.pop()):
            yield part
            if isinstance(part, State) and part.name not in done:
                done.add(part.name)
                definition = states.get(part.name)
                if definition is not None and definition.node is not None:
                    todo.append(definition.node)
