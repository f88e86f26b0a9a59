"""Compile a criterion once, at start-up, into closures that return its truth and nothing else (F-28).

Equal sub-criteria share a slot, so that a crisis context that twelve advisories ask for is judged once a call. `support` finds, for what fired or stayed open,
the leaves that decided it; `cds.logic.evaluate` gives the whole tree with every reason. A test holds the two equal over every scenario.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache
from typing import assert_never

from cds.chart import MINUTE, Order
from cds.logic.compare import Missing, Number, Test, compare, figure_for, is_above, is_at_least, is_at_most, is_below
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
    CultureShows,
    Expression,
    HasAllergy,
    HasCare,
    HasCondition,
    HasOrder,
    HookIs,
    InvestigationOrdered,
    Limit,
    NoneWithin,
    NoOrder,
    Not,
    NotComputable,
    OrderFilter,
    OrderHas,
    OrderIs,
    OrderReason,
    OrderTested,
    PatientIs,
    State,
    StillIn,
    TableRow,
)
from cds.logic.evaluate import condition_in_time, evaluate, look_back_instants, none_within_floor, order_truth
from cds.logic.matching import matching, seen_order, unread
from cds.logic.possible import possible
from cds.logic.reason import Gap, GapState, Reason, Seen, may_exist
from cds.logic.recorded import of_record
from cds.logic.scene import Scene, StateDef, deciding_gaps, leaves_seen, next_slot, slot_of
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, at_least, negated, truth_of
from cds.logic.working import asks_order
from cds.parameters import Absent, ParameterSet
from cds.vocabulary import DRUGS

Judge = Callable[[Scene, Order | None], Truth]
Read = Callable[[Scene, Order | None], Number | Missing]
TESTS: Mapping[type, Test] = {Below: is_below, AtMostValue: is_at_most, Above: is_above, AtLeastValue: is_at_least}
_SIGNS: Mapping[Test, Callable[[Decimal, Decimal], bool]] = {
    is_below: operator.lt, is_at_most: operator.le, is_above: operator.gt, is_at_least: operator.ge,
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Compiled:
    """A criterion with its closure. `of_order` tells whether it asks about the order in hand (then it is not remembered across orders); `parts` are
    the compiled parts of a connective, and what an AnyOrder or a StillIn asks inside; `slot` is its place in a scene's memory, -1 for none."""

    node: Criterion
    truth: Judge
    of_order: bool
    parts: tuple[Compiled, ...] = ()
    slot: int = -1

    def evidence(self, scene: Scene, order: Order | None = None) -> tuple[tuple[Seen, ...], tuple[Gap, ...]]:
        """What decides this criterion, without repeats, and what it waits for where it is UNKNOWN."""
        seen: dict[Seen, None] = {}
        gaps: dict[tuple[str, GapState], Gap] = {}
        for leaf in support(self, scene, order):
            for each in leaf.seen:
                seen.setdefault(each)
            if leaf.truth is UNKNOWN:
                for gap in leaf.gaps:
                    gaps.setdefault((gap.item, gap.state), gap)
        return tuple(seen), tuple(gaps.values())


@dataclass(frozen=True, slots=True, eq=False)
class _Bare:
    truth: Judge
    of_order: bool = False
    parts: tuple[Compiled, ...] = ()
    remembered: bool = True


@lru_cache(maxsize=None)
def compile_criterion(node: Criterion) -> Compiled:
    """The closure of a criterion, made once for equal criteria."""
    bare = _bare(node)
    if not bare.remembered:
        return Compiled(node, bare.truth, bare.of_order, bare.parts)
    slot, inner = next_slot(), bare.truth
    if bare.of_order:
        if isinstance(node, (AllOf, AnyOf, AtLeast, Not)):
            # Its parts are remembered, and the first of them settles it more often than not; remembered is only why it came out so.
            return Compiled(node, inner, True, bare.parts, slot)

        def remembered_of(scene: Scene, order: Order | None) -> Truth:
            # An order is named by what it is and not by its id: a draft and the order that it changes may carry one id.
            key = (slot, id(order))
            known = scene.of_orders.get(key)
            if known is None:
                known = scene.of_orders[key] = inner(scene, order)
            return known

        return Compiled(node, remembered_of, True, bare.parts, slot)

    def remembered(scene: Scene, order: Order | None) -> Truth:
        known = scene.truths.get(slot)
        if known is None:
            known = scene.truths[slot] = inner(scene, None)
        return known

    return Compiled(node, remembered, False, bare.parts, slot)


def compile_states(states: Mapping[str, StateDef]) -> dict[str, StateDef]:
    """The same states, those that are criteria made ready."""
    return {name: state if state.node is None else replace(state, compiled=compile_criterion(state.node)) for name, state in states.items()}


def _bare(node: Criterion) -> _Bare:
    match node:
        case AllOf(parts):
            return _all(tuple(compile_criterion(part) for part in parts))
        case AnyOf(parts):
            return _any(tuple(compile_criterion(part) for part in parts))
        case AtLeast(number, parts):
            made = tuple(compile_criterion(part) for part in parts)
            return _Bare(lambda scene, order: at_least(number, (m.truth(scene, order) for m in made)), any(m.of_order for m in made), made)
        case Not(part):
            inner = compile_criterion(part)
            return _Bare(lambda scene, order: negated(inner.truth(scene, order)), inner.of_order, (inner,))
        case Below(item, limit) | AtMostValue(item, limit) | Above(item, limit) | AtLeastValue(item, limit):
            return _compared(item, limit, TESTS[type(node)])
        case Between(item, low, high):
            both = _all((compile_criterion(AtLeastValue(item, low)), compile_criterion(Below(item, high))))
            return replace(both, parts=())
        case NoneWithin():
            return _Bare(_none_within(node))
        case HasOrder(orders):
            return _Bare(_some_order(orders, None))
        case NoOrder(orders):
            some = _some_order(orders, None)
            return _Bare(lambda scene, order: negated(some(scene, None)))
        case AnyOrder(orders, such_that):
            asked = None if such_that is None else compile_criterion(such_that)
            return _Bare(_some_order(orders, asked), parts=() if asked is None else (asked,))
        case OrderIs("drafted"):
            return _Bare(lambda scene, order: UNKNOWN if order is None else TRUE if order.drafted else FALSE, of_order=True, remembered=False)
        case OrderHas(classes, "active"):
            return _Bare(_has_active(classes), of_order=True, remembered=False)
        case TableRow():
            return _Bare(_table_row(node), of_order=True, remembered=False)
        case OrderIs() | OrderHas() | OrderReason():
            question = node
            return _Bare(lambda scene, order: UNKNOWN if order is None else order_truth(question, scene, order), of_order=True)
        case NotComputable(item):
            read, of_order = _number(item)
            return _Bare(lambda scene, order: _not_computable(read(scene, order)), of_order)
        case State(name):
            return _Bare(lambda scene, order: scene.state(name).truth, remembered=False)
        case HasCondition():
            return _Bare(_has_condition(node))
        case StillIn(begins, ends):
            return _still_in(node, compile_criterion(begins), compile_criterion(ends))
        case PatientIs():
            fact = node
            return _Bare(lambda scene, order: evaluate(fact, scene).truth)
        case HasAllergy() | HasCare() | InvestigationOrdered() | CultureShows():
            record = node
            return _Bare(lambda scene, order: of_record(record, scene, None).truth)
        case OrderTested():
            tested = node
            return _Bare(lambda scene, order: UNKNOWN if order is None else of_record(tested, scene, order).truth, of_order=True)
        case HookIs(hooks):
            return _Bare(lambda scene, order: truth_of(scene.chart.hook in hooks), remembered=False)
        case _ as never:
            assert_never(never)


def _all(parts: tuple[Compiled, ...]) -> _Bare:
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

    return _Bare(judge, any(part.of_order for part in parts), parts)


def _any(parts: tuple[Compiled, ...]) -> _Bare:
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

    return _Bare(judge, any(part.of_order for part in parts), parts)


def _number(item: Expression) -> tuple[Read, bool]:
    slot = slot_of(item)
    if asks_order(item):
        return (lambda scene, order: scene.number_at((slot, id(order)), item, order)), True
    place = (slot, 0)
    return (lambda scene, order: scene.number_at(place, item, None)), False


def _compared(item: Expression, limit: Limit, test: Test) -> _Bare:
    read, of_order = _number(item)
    if isinstance(limit, Absent):
        return _Bare(lambda scene, order: UNKNOWN, of_order)
    held, sign = limit, _SIGNS[test]
    # By the unit in which a result was reported ("" for none) and the unit of the number: whether the reported value is compared, and with which figure.
    figures: dict[tuple[str, str], tuple[bool, Decimal]] = {}

    def judge(scene: Scene, order: Order | None) -> Truth:
        number = read(scene, order)
        if isinstance(number, Missing):
            return UNKNOWN
        if len(number.candidates) == 1:
            # One exact value, as nearly all are: the same as `compare` at a quarter of the cost.
            one = number.candidates[0]
            key = ("" if one.reported is None else one.unit, number.unit)
            known = figures.get(key)
            if known is None:
                known = figures[key] = figure_for(one, number.unit, held)
            value = one.reported if known[0] and one.reported is not None else one.value
            low, high = value.low, value.high
            if low is not None and (low is high or (low == high and not value.low_open and not value.high_open)):
                return TRUE if sign(low, known[1]) else FALSE
        return truth_of(compare(number, held, test))

    return _Bare(judge, of_order)


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
            if scene.drawn_since(analyte, floor) is not None:
                return FALSE
        if node.read:
            within = Decimal(scene.now - floor) / MINUTE
            if any(may_exist(scene.gap(analyte, within, scene.newest(analyte))) for analyte in node.analytes):
                return UNKNOWN
        return TRUE

    return judge


def _has_condition(node: HasCondition) -> Judge:
    within = node.within
    if isinstance(within, Absent):
        return lambda scene, order: UNKNOWN

    def judge(scene: Scene, order: Order | None) -> Truth:
        result = FALSE
        for condition in scene.conditions(node.concepts):
            if node.standing == "active" and not condition.active:
                continue
            if within is None:
                return TRUE
            recent = condition_in_time((condition.onset, condition.recorded), within.number, scene.now, node.undated)
            if recent is True:
                return TRUE
            if recent is None:
                result = UNKNOWN
        return result if result is UNKNOWN or scene.whole("conditions") else UNKNOWN

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
        if result is FALSE and unread(orders, scene):
            return UNKNOWN
        return result

    return judge


def _has_active(classes: tuple[str, ...]) -> Judge:
    drugs = frozenset(name for name, drug in DRUGS.items() if name in classes or not drug.classes.isdisjoint(classes))

    def judge(scene: Scene, order: Order | None) -> Truth:
        return UNKNOWN if order is None else FALSE if drugs.isdisjoint(order.drugs) else TRUE

    return judge


def _table_row(node: TableRow) -> Judge:
    """The drugs of the rows that are meant are looked up once a scene's knowledge."""
    found: dict[ParameterSet, frozenset[object]] = {}

    def judge(scene: Scene, order: Order | None) -> Truth:
        if order is None:
            return UNKNOWN
        drugs = found.get(scene.p)
        if drugs is None:
            drugs = found[scene.p] = frozenset(row.get("drug") for row in scene.p.table(node.table) if row.get(node.column) in node.values)
        return FALSE if drugs.isdisjoint(order.drugs) else TRUE

    return judge


def _still_in(node: StillIn, begins: Compiled, ends: Compiled) -> _Bare:
    def judge(scene: Scene, order: Order | None) -> Truth:
        if scene.origin is not None:
            return FALSE
        if isinstance(node.window, Absent) or isinstance(node.most, Absent):
            return UNKNOWN
        whole = all(scene.whole(analyte) for analyte in node.analytes)
        floor = scene.now - int(node.window.number * MINUTE)
        began = possible(node.begins, scene, floor)
        if whole and began is None:
            # It began at no instant: whether it ended at one does not matter.
            return FALSE
        ended = possible(node.ends, scene, floor)
        for instant in look_back_instants(node, scene):
            if began is not None and began(instant) and begins.truth(scene.at(instant), None) is TRUE:
                return TRUE
            if ended is not None and ended(instant) and ends.truth(scene.at(instant), None) is TRUE:
                return FALSE
        return FALSE if whole else UNKNOWN

    return _Bare(judge, parts=(begins, ends))


# What decided ------------------------------------------------------------------------------------------------------------------------


def support(compiled: Compiled, scene: Scene, order: Order | None = None) -> tuple[Reason, ...]:
    """The leaves that decide a criterion, each with what it saw: of a TRUE AnyOf the first part that is TRUE, of a FALSE AllOf the first that is FALSE (one is
    enough, and a number that alone would change the whole stands in each of them), of an UNKNOWN one those that keep it open and those that hold. A state that
    is a criterion is looked into; a look back shows the instant that decided.
    """
    if compiled.slot < 0:
        return tuple(_support(compiled, scene, order))
    if compiled.of_order:
        key = (compiled.slot, id(order))
        known = scene.supports_of.get(key)
        if known is None:
            known = scene.supports_of[key] = tuple(_support(compiled, scene, order))
        return known
    found = scene.supports.get(compiled.slot)
    if found is None:
        found = scene.supports[compiled.slot] = tuple(_support(compiled, scene, None))
    return found


def _support(compiled: Compiled, scene: Scene, order: Order | None) -> Sequence[Reason]:
    node, truth = compiled.node, compiled.truth(scene, order)
    match node:
        case AllOf():
            return _first(compiled, scene, order, FALSE) if truth is FALSE else _parts(compiled, scene, order, (TRUE, UNKNOWN))
        case AnyOf():
            return _first(compiled, scene, order, TRUE) if truth is TRUE else _parts(compiled, scene, order, (truth,))
        case AtLeast():
            return _parts(compiled, scene, order, (TRUE, UNKNOWN) if truth is UNKNOWN else (truth,))
        case Not():
            return support(compiled.parts[0], scene, order)
        case State(name):
            definition = scene.state_defs.get(name)
            if definition is not None and definition.compiled is not None:
                return support(definition.compiled, scene)
            value = scene.state(name)
            return (Reason(value.truth, node, (), value.seen, value.gaps if value.truth is UNKNOWN else (), note=value.note),)
        case AnyOrder(orders, _):
            return _witnesses(compiled, orders, truth, scene)
        case StillIn():
            return (_instant(compiled, node, truth, scene),)
        case Between():
            # A band is one leaf: what its two ends saw and wait for.
            whole = evaluate(node, scene, order)
            return (Reason(truth, node, (), leaves_seen(whole), deciding_gaps(whole), whole.order),)
        case _:
            return (evaluate(node, scene, order),)


def _first(compiled: Compiled, scene: Scene, order: Order | None, wanted: Truth) -> tuple[Reason, ...]:
    """The leaves of the first part that settles the whole."""
    return next(support(part, scene, order) for part in compiled.parts if part.truth(scene, order) is wanted)


def _parts(compiled: Compiled, scene: Scene, order: Order | None, wanted: tuple[Truth, ...]) -> list[Reason]:
    found: list[Reason] = []
    for part in compiled.parts:
        if part.truth(scene, order) in wanted:
            found += support(part, scene, order)
    return found


def _witnesses(compiled: Compiled, orders: OrderFilter, truth: Truth, scene: Scene) -> list[Reason]:
    """The orders that make it TRUE (or keep it open), and inside each what decides."""
    node = compiled.node
    inner = compiled.parts[0] if compiled.parts else None
    if truth is FALSE or inner is None:
        return [evaluate(node, scene)]
    seen: list[Seen] = []
    refs: list[str] = []
    gaps: list[Gap] = []
    leaves: list[Reason] = []
    for order, match in matching(orders, scene):
        holds = inner.truth(scene, order)
        if holds is FALSE or (truth is TRUE and not (match is TRUE and holds is TRUE)):
            continue
        if match is UNKNOWN:
            gaps.append(Gap(f"route of {order.label}", GapState.NOT_SENT, f"{order.label}: the route is not stated"))
        seen.append(seen_order(order, scene))
        refs.append(order.ref)
        leaves += support(inner, scene, order)
    if truth is UNKNOWN and not seen:
        gaps.append(scene.gap(unread(orders, scene) or "medications"))
    return [Reason(truth, node, (), tuple(seen), tuple(gaps), witnesses=tuple(refs) if truth is TRUE else ()), *leaves]


def _instant(compiled: Compiled, node: StillIn, truth: Truth, scene: Scene) -> Reason:
    """The instant of a look back that decided."""
    begins, ends = compiled.parts
    if scene.origin is None and truth is not UNKNOWN:
        for instant in look_back_instants(node, scene):
            past = scene.at(instant)
            for part, note in ((begins, "met earlier"), (ends, "resolved since")):
                if part.truth(past, None) is TRUE:
                    return Reason(truth, node, (), part.evidence(past)[0], note=note)
    gaps = tuple(scene.gap(analyte) for analyte in node.analytes if not scene.whole(analyte)) if truth is UNKNOWN else ()
    return Reason(truth, node, gaps=gaps)
