"""What a criterion may read: told from what it is, once for the knowledge, so that nothing need be noted while it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from cds.logic.criteria import (
    AnyOrder,
    HasOrder,
    NoneWithin,
    NoOrder,
    NotComputable,
    OrderFilter,
    OrderHas,
    OrderIs,
    State,
    StillIn,
)
from cds.logic.expressions import Expression
from cds.logic.states import StateDef
from cds.logic.walk import walk_with_states
from cds.logic.working import analytes_of_expression
from cds.vocabulary import ANALYTES

_EXPRESSIONS = get_args(Expression)
# How an order is read depends on the weight, where its dose is by weight.
_OF_ORDERS = (AnyOrder, HasOrder, NoOrder, OrderFilter, OrderHas, OrderIs, NotComputable)
EVERYTHING = frozenset(ANALYTES)

_FOUND: dict[int, tuple[Any, frozenset[str], tuple[str, ...]]] = {}


def reads(node: Any, states: Mapping[str, StateDef]) -> tuple[frozenset[str], tuple[str, ...]]:
    """The analytes of which a criterion may look at a value or a time, also through states that are criteria; and the states that are functions, of which only
    judging tells what they read. Remembered by the identity of the criterion, which is knowledge."""
    known = _FOUND.get(id(node))
    if known is not None and known[0] is node:
        return known[1], known[2]
    analytes: set[str] = set()
    functions: dict[str, None] = {}
    for part in walk_with_states(node, states):
        if isinstance(part, _EXPRESSIONS):
            found = analytes_of_expression(part)
            analytes |= EVERYTHING if found is None else found
        elif isinstance(part, (NoneWithin, StillIn)):
            analytes |= EVERYTHING if isinstance(part, NoneWithin) and part.before_event else frozenset(part.analytes)
        elif isinstance(part, _OF_ORDERS):
            analytes.add("weight")
        elif isinstance(part, State):
            definition = states.get(part.name)
            if definition is not None and definition.node is None:
                functions[part.name] = None
    _FOUND[id(node)] = (node, frozenset(analytes), tuple(functions))
    return _FOUND[id(node)][1:]
