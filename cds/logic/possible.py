"""Whether a criterion could have been TRUE at some instant of a look back: a necessary condition, cheap beside judging it at each of up to fifty instants."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
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


At = Callable[[int], bool]


def possible(node: Criterion, scene: Scene, floor: int) -> At | None:
    """A test for instants from `floor` (epoch ms) to now: False only where the criterion surely was not TRUE as of that instant. None: it was TRUE at none of
    them. What is not looked into counts as possible.

    A comparison of the newest result of a window can be TRUE only while a result that makes it TRUE is no older than the window.
    """
    match node:
        case AllOf(parts):
            tests = []
            for part in parts:
                test = possible(part, scene, floor)
                if test is None:
                    return None
                if test is not _always:
                    tests.append(test)
            return _every(tests)
        case AnyOf(parts):
            found = [test for part in parts if (test := possible(part, scene, floor)) is not None]
            return None if not found else _always if _always in found else _some(found)
        case Below(Latest() as item, Parameter() as limit) | AtMostValue(Latest() as item, Parameter() as limit):
            return _while_current(node, item, limit, scene, floor)
        case Above(Latest() as item, Parameter() as limit) | AtLeastValue(Latest() as item, Parameter() as limit):
            return _while_current(node, item, limit, scene, floor)
        case State(name):
            definition = scene.state_defs.get(name)
            return _always if definition is None or definition.node is None else possible(definition.node, scene, floor)
        case _:
            return _always


def _always(instant: int) -> bool:
    return True


def _every(tests: list[At]) -> At:
    if not tests:
        return _always
    return tests[0] if len(tests) == 1 else lambda instant: all(test(instant) for test in tests)


def _some(tests: list[At]) -> At:
    return tests[0] if len(tests) == 1 else lambda instant: any(test(instant) for test in tests)


def _while_current(node: Criterion, item: Latest, limit: Parameter, scene: Scene, floor: int) -> At | None:
    if not isinstance(item.within, Parameter):
        return _always
    window = int(item.within.number * MINUTE)
    key = (id(node), floor)
    times = scene.found_possible.get(key)
    if times is None:
        times = scene.found_possible[key] = _drawn(node, item.analyte, limit, scene, floor - window)
    if not times:
        return None

    def test(instant: int) -> bool:
        place = bisect_right(times, instant)
        return place > 0 and times[place - 1] >= instant - window

    return test


def _drawn(node: Criterion, analyte: str, limit: Parameter, scene: Scene, oldest: int) -> list[int]:
    """When results were drawn that make the comparison TRUE, from the oldest to the newest."""
    unit, test = ANALYTES[analyte].unit, _TESTS[type(node)]
    figures: dict[str, tuple[bool, Decimal]] = {}
    found: list[int] = []
    for result in scene.recent(analyte, oldest):
        if result.at.latest < oldest:
            break
        figure = figures.get(result.unit)
        if figure is None:
            candidate = Candidate(result.value, result.reported, result.unit, partial(scene.seen_result, result))
            figure = figures[result.unit] = figure_for(candidate, unit, limit)
        if test(result.reported if figure[0] else result.value, figure[1], False) is True:
            found.append(result.at.latest)
    found.reverse()
    return found
