"""Compile a criterion once, at start-up, into closures that return its truth and nothing else (F-28).

Equal sub-criteria share a slot, so that a crisis context that twelve advisories ask for is judged once a call. The reasons are made by
`cds.logic.evaluate` for what fires or stays open; a test holds the two equal over every scenario.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import assert_never

from cds.chart import Order
from cds.logic.criteria import (
    Above,
    AllOf,
    AnyOf,
    AnyOrder,
    AtLeast,
    AtLeastValue,
    AtMostValue,
    Below,
    Between,
    Criterion,
    DosePerWeight,
    Expression,
    HasCondition,
    HasOrder,
    HookIs,
    Limit,
    NoneWithin,
    NoOrder,
    Not,
    NotComputable,
    OfOrder,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    PatientIs,
    RatePerWeight,
    State,
    StillIn,
    TableRow,
)
from cds.logic.evaluate import Test, evaluate, matching, none_within_floor, order_truth
from cds.logic.scene import Missing, Number, Scene, compare, is_above, is_at_least, is_at_most, is_below
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, at_least, negated, truth_of
from cds.parameters import Absent

Judge = Callable[[Scene, Order | None], Truth]
Read = Callable[[Scene, Order | None], Number | Missing]

_slots = count()


@dataclass(frozen=True, slots=True, eq=False)
class Compiled:
    """A criterion with its closure. `of_order` tells whether it asks about the order in hand (then it is not remembered across orders)."""

    node: Criterion
    truth: Judge
    of_order: bool


@lru_cache(maxsize=None)
def compile_criterion(node: Criterion) -> Compiled:
    """The closure of a criterion, made once for equal criteria."""
    bare, of_order = _bare(node)
    if of_order or isinstance(node, (HookIs, PatientIs)):
        return Compiled(node, bare, of_order)
    slot = next(_slots)

    def remembered(scene: Scene, order: Order | None) -> Truth:
        known = scene.truths.get(slot)
        if known is None:
            known = scene.truths[slot] = bare(scene, None)
        return known

    return Compiled(node, remembered, False)


def _bare(node: Criterion) -> tuple[Judge, bool]:
    match node:
        case AllOf(parts):
            return _all(tuple(compile_criterion(part) for part in parts))
        case AnyOf(parts):
            return _any(tuple(compile_criterion(part) for part in parts))
        case AtLeast(number, parts):
            made = tuple(compile_criterion(part) for part in parts)
            return (lambda scene, order: at_least(number, (m.truth(scene, order) for m in made))), any(m.of_order for m in made)
        case Not(part):
            inner = compile_criterion(part)
            return (lambda scene, order: negated(inner.truth(scene, order))), inner.of_order
        case Below(item, limit):
            return _compared(item, limit, is_below)
        case AtMostValue(item, limit):
            return _compared(item, limit, is_at_most)
        case Above(item, limit):
            return _compared(item, limit, is_above)
        case AtLeastValue(item, limit):
            return _compared(item, limit, is_at_least)
        case Between(item, low, high):
            return _all((compile_criterion(AtLeastValue(item, low)), compile_criterion(Below(item, high))))
        case NoneWithin():
            return _none_within(node), False
        case HasOrder(orders):
            return _some_order(orders, None), False
        case NoOrder(orders):
            some = _some_order(orders, None)
            return (lambda scene, order: negated(some(scene, None))), False
        case AnyOrder(orders, such_that):
            return _some_order(orders, None if such_that is None else compile_criterion(such_that)), False
        case OrderIs() | OrderHas() | OrderReason() | TableRow():
            asked = node
            return (lambda scene, order: UNKNOWN if order is None else order_truth(asked, scene, order)), True
        case NotComputable(item):
            read, of_order = _number(item)
            return (lambda scene, order: _not_computable(read(scene, order))), of_order
        case State(name):
            return (lambda scene, order: scene.state(name).truth), False
        case HasCondition() | StillIn() | PatientIs():
            rare = node
            return (lambda scene, order: evaluate(rare, scene).truth), False
        case HookIs(hooks):
            return (lambda scene, order: truth_of(scene.chart.hook in hooks)), False
        case _ as never:
            assert_never(never)


def _all(parts: tuple[Compiled, ...]) -> tuple[Judge, bool]:
    judges = tuple(part.truth for part in parts)

    def judge(scene: Scene, order: Order | None) -> Truth:
        result = TRUE
        for one in judges:
            truth = one(scene, order)
            if truth is FALSE:
                return FALSE
            if truth is UNKNOWN:
                result = UNKNOWN
        return result

    return judge, any(part.of_order for part in parts)


def _any(parts: tuple[Compiled, ...]) -> tuple[Judge, bool]:
    judges = tuple(part.truth for part in parts)

    def judge(scene: Scene, order: Order | None) -> Truth:
        result = FALSE
        for one in judges:
            truth = one(scene, order)
            if truth is TRUE:
                return TRUE
            if truth is UNKNOWN:
                result = UNKNOWN
        return result

    return judge, any(part.of_order for part in parts)


@lru_cache(maxsize=None)
def _number(item: Expression) -> tuple[Read, bool]:
    slot = next(_slots)
    if isinstance(item, (OfOrder, DosePerWeight, RatePerWeight)):

        def of_order(scene: Scene, order: Order | None) -> Number | Missing:
            key = (slot, None if order is None else order.ref)
            known = scene.slots.get(key)
            if known is None:
                known = scene.slots[key] = scene.work_out(item, order)
            return known

        return of_order, True

    def of_patient(scene: Scene, order: Order | None) -> Number | Missing:
        known = scene.slots.get(slot)
        if known is None:
            known = scene.slots[slot] = scene.work_out(item, None)
        return known

    return of_patient, False


def _compared(item: Expression, limit: Limit, test: Test) -> tuple[Judge, bool]:
    read, of_order = _number(item)
    if isinstance(limit, Absent):
        return (lambda scene, order: UNKNOWN), of_order
    held = limit

    def judge(scene: Scene, order: Order | None) -> Truth:
        number = read(scene, order)
        return UNKNOWN if isinstance(number, Missing) else truth_of(compare(number, held, test))

    return judge, of_order


def _not_computable(number: Number | Missing) -> Truth:
    if isinstance(number, Missing):
        return TRUE
    return truth_of(any(candidate.value.high is None for candidate in number.candidates))


def _none_within(node: NoneWithin) -> Judge:
    if isinstance(node.within, Absent):
        return lambda scene, order: UNKNOWN

    def judge(scene: Scene, order: Order | None) -> Truth:
        floor = none_within_floor(node, scene)
        for analyte in node.analytes:
            for result in scene.results(analyte):
                if result.at.earliest is not None and result.at.earliest >= floor:
                    return FALSE
        return TRUE

    return judge


def _some_order(orders: OrderFilter, such_that: Compiled | None) -> Judge:
    def judge(scene: Scene, order: Order | None) -> Truth:
        result = FALSE
        for one, match in matching(orders, scene):
            truth = match
            if such_that is not None:
                inner = such_that.truth(scene, one)
                if match is TRUE:
                    truth = inner
                elif inner is FALSE:
                    truth = FALSE
            if truth is TRUE:
                return TRUE
            if truth is UNKNOWN:
                result = UNKNOWN
        if result is FALSE and orders.where != "drafted" and not scene.whole("medications"):
            return UNKNOWN
        return result

    return judge
