"""Whether a criterion could have been TRUE at some instant of a look back: a necessary condition, cheap beside judging it at each of up to fifty instants."""

from __future__ import annotations

from decimal import Decimal
from functools import partial
from typing import TYPE_CHECKING

from cds.chart import MINUTE
from cds.logic.compare import Candidate, figure_for, is_above, is_at_least, is_at_most, is_below
from cds.logic.criteria import Above, AllOf, AnyOf, AtLeastValue, AtMostValue, Below, Criterion, Latest, State
from cds.parameters import Parameter
from cds.vocabulary import ANALYTES

if TYPE_CHECKING:
    from cds.logic.scene import Scene

_TESTS = {Below: is_below, AtMostValue: is_at_most, Above: is_above, AtLeastValue: is_at_least}


def possible(node: Criterion, scene: Scene, floor: int) -> bool:
    """False only where the criterion surely was TRUE at no instant from `floor` (epoch ms) to now. What is not looked into counts as possible."""
    match node:
        case AllOf(parts):
            return all(possible(part, scene, floor) for part in parts)
        case AnyOf(parts):
            return any(possible(part, scene, floor) for part in parts)
        case Below(Latest() as item, Parameter() as limit) | AtMostValue(Latest() as item, Parameter() as limit) | Above(
            Latest() as item, Parameter() as limit
        ) | AtLeastValue(Latest() as item, Parameter() as limit):
            return _some_value(node, item, limit, scene, floor)
        case State(name):
            definition = scene.state_defs.get(name)
            return definition is None or definition.node is None or possible(definition.node, scene, floor)
        case _:
            return True


def _some_value(node: Criterion, item: Latest, limit: Parameter, scene: Scene, floor: int) -> bool:
    """Whether any result that was current at such an instant makes the comparison TRUE. One must be TRUE for the newest of them to be."""
    if not isinstance(item.within, Parameter):
        return True
    known = scene.found_possible.get((id(node), floor))
    if known is None:
        known = scene.found_possible[id(node), floor] = _looked_for(node, item.analyte, limit, scene, floor - int(item.within.number * MINUTE))
    return known


def _looked_for(node: Criterion, analyte: str, limit: Parameter, scene: Scene, oldest: int) -> bool:
    unit, test = ANALYTES[analyte].unit, _TESTS[type(node)]
    figures: dict[str, tuple[bool, Decimal]] = {}
    for result in scene.recent(analyte, oldest):
        if result.at.latest < oldest:
            break
        figure = figures.get(result.unit)
        if figure is None:
            candidate = Candidate(result.value, result.reported, result.unit, partial(scene.seen_result, result))
            figure = figures[result.unit] = figure_for(candidate, unit, limit)
        if test(result.reported if figure[0] else result.value, figure[1], False) is True:
            return True
    return False
