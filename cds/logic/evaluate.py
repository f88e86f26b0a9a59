"""Evaluate a criterion with every reason kept: the reading of a criterion that words, flips and records are made from.

`cds.logic.compiled` gives the same truth faster; a test holds the two equal over all scenarios (F-28).
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import assert_never

from cds.chart import MINUTE, Moment, Order
from cds.logic.compare import KnowledgeError, Missing, Test, compare, is_above, is_at_least, is_at_most, is_below
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
    CountOrders,
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
from cds.logic.matching import matching, order_is_of, route_matches, seen_order, unread
from cds.logic.reason import Gap, GapState, Reason, Seen, may_exist
from cds.logic.recorded import of_record
from cds.logic.scene import Scene, deciding_gaps
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, all_of, any_of, at_least, negated, truth_of
from cds.numbers import shown
from cds.parameters import Absent, Parameter
from cds.vocabulary import ANALYTES, DRUGS


def evaluate(node: Criterion, scene: Scene, order: Order | None = None) -> Reason:
    """The reason tree of a criterion. `order` is the order in hand, if one is being judged."""
    match node:
        case AllOf(parts):
            children = tuple(evaluate(part, scene, order) for part in parts)
            return Reason(all_of(c.truth for c in children), node, children, order=_ref(order))
        case AnyOf(parts):
            children = tuple(evaluate(part, scene, order) for part in parts)
            return Reason(any_of(c.truth for c in children), node, children, order=_ref(order))
        case AtLeast(count, parts):
            children = tuple(evaluate(part, scene, order) for part in parts)
            return Reason(at_least(count, (c.truth for c in children)), node, children, order=_ref(order))
        case Not(part):
            child = evaluate(part, scene, order)
            return Reason(negated(child.truth), node, (child,), order=_ref(order))
        case Below(item, limit):
            return _compared(node, item, limit, is_below, scene, order)
        case AtMostValue(item, limit):
            return _compared(node, item, limit, is_at_most, scene, order)
        case Above(item, limit):
            return _compared(node, item, limit, is_above, scene, order)
        case AtLeastValue(item, limit):
            return _compared(node, item, limit, is_at_least, scene, order)
        case Between(item, low, high):
            children = (
                _compared(AtLeastValue(item, low), item, low, is_at_least, scene, order),
                _compared(Below(item, high), item, high, is_below, scene, order),
            )
            return Reason(all_of(c.truth for c in children), node, children, order=_ref(order))
        case NoneWithin():
            return _none_within(node, scene)
        case HasCondition():
            return _has_condition(node, scene)
        case HasOrder(orders):
            return _order_reason(node, orders, scene, None)
        case NoOrder(orders):
            found = _order_reason(node, orders, scene, None)
            return Reason(negated(found.truth), node, (), found.seen, found.gaps, note=found.note)
        case AnyOrder(orders, such_that):
            return _order_reason(node, orders, scene, such_that)
        case OrderIs() | OrderHas() | OrderReason() | TableRow():
            return _of_order(node, scene, order)
        case NotComputable(item):
            number = scene.number(item, order)
            if isinstance(number, Missing):
                return Reason(TRUE, node, (), number.seen, number.gaps, order=_ref(order))
            truth = truth_of(any(c.value.high is None for c in number.candidates))
            return Reason(truth, node, (), number.seen, order=_ref(order))
        case State(name):
            value = scene.state(name)
            return Reason(value.truth, node, (), value.seen, value.gaps if value.truth is UNKNOWN else (), note=value.note)
        case StillIn():
            return _still_in(node, scene)
        case HookIs(hooks):
            return Reason(truth_of(scene.chart.hook in hooks), node)
        case PatientIs(fact):
            return _patient(node, fact, scene)
        case HasAllergy() | HasCare() | InvestigationOrdered() | OrderTested() | CultureShows():
            return of_record(node, scene, order)
        case _ as never:
            assert_never(never)


def _ref(order: Order | None) -> str | None:
    return None if order is None else order.ref


def _compared(node: Criterion, item: Expression, limit: Limit, test: Test, scene: Scene, order: Order | None) -> Reason:
    if isinstance(limit, Absent):
        gap = Gap(limit.key, GapState.OUT_OF_SCOPE, f"{limit.means}: no figure for this age")
        return Reason(UNKNOWN, node, gaps=(gap,), order=_ref(order))
    number = scene.number(item, order)
    if isinstance(number, Missing):
        return Reason(UNKNOWN, node, (), number.seen, number.gaps, order=_ref(order))
    truth = truth_of(compare(number, limit, test))
    gaps: tuple[Gap, ...] = ()
    if truth is UNKNOWN:
        missing = unread(item.orders, scene) if isinstance(item, CountOrders) else "medications" if number.total and not scene.whole("medications") else ""
        if missing:
            # The sum or the count is open because orders were not sent: that is the gap, and not the sum.
            gaps = (scene.gap(missing),)
        else:
            gaps = tuple(Gap(seen.item, GapState.UNUSABLE, _undecided(seen, limit), last=seen) for seen in number.seen)
    return Reason(truth, node, (), number.seen, gaps, order=_ref(order), note=number.note)


def _undecided(seen: Seen, limit: Parameter) -> str:
    """Why a number that is there does not settle the comparison."""
    label = ANALYTES[seen.item].label if seen.item in ANALYTES else seen.item
    return f"{label} {seen.text}: does not tell on which side of {shown(limit.number)} {limit.unit} it lies"


def _none_within(node: NoneWithin, scene: Scene) -> Reason:
    if isinstance(node.within, Absent):
        return Reason(UNKNOWN, node, gaps=(Gap(node.analytes[0], GapState.OUT_OF_SCOPE, "no window for this age"),))
    floor = none_within_floor(node, scene)
    seen: list[Seen] = []
    gaps: list[Gap] = []
    for analyte in node.analytes:
        inside = scene.drawn_since(analyte, floor)
        if inside is not None:
            seen.append(scene.seen_result(inside))
        else:
            within = Decimal(scene.now - floor) / MINUTE
            gaps.append(scene.gap(analyte, within, scene.newest(analyte)))
    truth = FALSE if seen else UNKNOWN if node.read and any(may_exist(gap) for gap in gaps) else TRUE
    return Reason(truth, node, (), tuple(seen), () if seen else tuple(gaps))


def none_within_floor(node: NoneWithin, scene: Scene) -> int:
    """The instant (epoch ms) from which a result counts as being within the window."""
    if isinstance(node.within, Absent):
        raise TypeError("a window that does not exist has no floor")
    if node.before_event:
        moment = scene.event(node.before_event)
        if moment is not None:
            start = moment.earliest if moment.earliest is not None else moment.latest
            return start - int(node.within.number * MINUTE)
        if node.without_event is not None and not isinstance(node.without_event, Absent):
            return scene.now - int(node.without_event.number * MINUTE)
    return scene.now - int(node.within.number * MINUTE)


def condition_in_time(moments: Sequence[Moment | None], within: Decimal, now: int, undated: str) -> bool | None:
    """Whether one of the dates surely lies in the last `within` minutes. None: a partial date leaves it open; without any date, `undated` decides."""
    dated = [m for m in moments if m is not None]
    if not dated:
        return undated == "yes"
    floor = now - int(within * MINUTE)
    answers = [True if m.earliest is not None and m.earliest >= floor else False if m.latest < floor else None for m in dated]
    return True if True in answers else None if None in answers else False


def _has_condition(node: HasCondition, scene: Scene) -> Reason:
    if isinstance(node.within, Absent):
        return Reason(UNKNOWN, node, gaps=(Gap("conditions", GapState.OUT_OF_SCOPE, "no window for this age"),))
    seen: list[Seen] = []
    truths: list[Truth] = []
    for condition in scene.conditions(node.concepts):
        if node.standing == "active" and not condition.active:
            continue
        truth = TRUE
        if node.within is not None:
            truth = truth_of(condition_in_time((condition.onset, condition.recorded), node.within.number, scene.now, node.undated))
        truths.append(truth)
        if truth is not FALSE:
            at = condition.onset or condition.recorded
            age = None if at is None else max(0, (scene.now - at.latest) // MINUTE)
            note = "" if condition.clinical else "no clinical status recorded"
            seen.append(Seen("condition", condition.concepts[0], condition.label, condition.ref, at=at, age_minutes=age, note=note, path=condition.path))
    truth = any_of(truths)
    gaps: tuple[Gap, ...] = ()
    if truth is FALSE and not scene.whole("conditions"):
        truth, gaps = UNKNOWN, (scene.gap("conditions"),)
    elif truth is UNKNOWN:
        gaps = tuple(Gap(s.item, GapState.UNUSABLE, f"{s.text}: its date does not say whether it is recent") for s in seen)
    return Reason(truth, node, (), tuple(seen), gaps)


def _order_reason(node: Criterion, orders: OrderFilter, scene: Scene, such_that: Criterion | None) -> Reason:
    children: list[Reason] = []
    truths: list[Truth] = []
    seen: list[Seen] = []
    gaps: list[Gap] = []
    witnesses: list[str] = []
    for order, match in matching(orders, scene):
        truth = match
        if match is UNKNOWN:
            gaps.append(Gap(f"route of {order.label}", GapState.NOT_SENT, f"{order.label}: the route is not stated"))
        if such_that is not None:
            child = evaluate(such_that, scene, order)
            children.append(child)
            truth = all_of((match, child.truth))
        truths.append(truth)
        if truth is not FALSE:
            seen.append(seen_order(order, scene))
        if truth is TRUE:
            witnesses.append(order.ref)
    truth = any_of(truths)
    if truth is FALSE and (name := unread(orders, scene)):
        truth = UNKNOWN
        gaps.append(scene.gap(name))
    return Reason(truth, node, tuple(children), tuple(seen), tuple(gaps) if truth is UNKNOWN else (), witnesses=tuple(witnesses))


def _of_order(node: OrderIs | OrderHas | OrderReason | TableRow, scene: Scene, order: Order | None) -> Reason:
    if order is None:
        return Reason(UNKNOWN, node, gaps=(Gap("order", GapState.NOT_SENT, "no order in hand"),))
    truth = order_truth(node, scene, order)
    gaps: tuple[Gap, ...] = ()
    if truth is UNKNOWN:
        what = node.fact if isinstance(node, OrderIs) else "content"
        gaps = (Gap(f"{what} of {order.label}", GapState.NOT_SENT, f"{order.label}: '{what}' cannot be told from the order"),)
    return Reason(truth, node, (), (seen_order(order, scene),) if truth is TRUE else (), gaps, order=order.ref)


def order_truth(node: OrderIs | OrderHas | OrderReason | TableRow, scene: Scene, order: Order) -> Truth:
    """The truth of a yes-or-no question about the order in hand."""
    match node:
        case OrderIs(fact):
            return _order_fact(fact, scene, order)
        case OrderHas(classes, place):
            names: tuple[str, ...] = ()
            if place in ("active", "any"):
                names += order.drugs
            if place in ("diluent", "any"):
                names += scene.reading(order).diluents
            return truth_of(any(n in classes or (n in DRUGS and not DRUGS[n].classes.isdisjoint(classes)) for n in names))
        case OrderReason(concepts):
            return truth_of(not set(order.reasons).isdisjoint(concepts))
        case TableRow(table, column, values):
            rows = scene.p.table(table)
            return truth_of(any(row.get("drug") in order.drugs and row.get(column) in values for row in rows))
        case _ as never:
            assert_never(never)


def _order_fact(fact: str, scene: Scene, order: Order) -> Truth:
    match fact:
        case "drafted":
            return truth_of(order.drafted)
        case "selected":
            return truth_of(order.selected)
        case "intravenous":
            return truth_of(scene.intravenous(order))
        case "oral" | "rectal" | "buccal" | "nasal":
            return route_matches(order, fact, scene)
        case "into muscle":
            return route_matches(order, "intramuscular", scene)
        case "reason stated":
            return truth_of(order.reason_stated)
        case "new":
            return truth_of(order.drafted and order.ref not in scene.orders.changes)
        case "at home":
            return truth_of(order.community or order.reported)
        case "settled at home":
            since = scene.p["home_medicine_settled"]
            floor = scene.chart.now - int(since.number * MINUTE) if isinstance(since, Parameter) else 0
            return truth_of((order.community or order.reported) and order.authored is not None and order.authored.latest <= floor)
        case "detail expected":
            return truth_of(scene.chart.hook != "order-select" or not order.drafted)
        case _:
            return _read_fact(fact, scene, order)


def _read_fact(fact: str, scene: Scene, order: Order) -> Truth:
    """What only the typed dose tells."""
    reading = scene.reading(order)
    match fact:
        case "push":
            return truth_of(reading.push)
        case "one-off":
            return truth_of(reading.once)
        case "as needed":
            return truth_of(reading.as_needed)
        case "infusion":
            return truth_of(not reading.push and (reading.rate_ml_h is not None or any(d.rate is not None or d.duration_minutes is not None for d in order.dosages)))
        case "line central":
            return truth_of(reading.line == "central" and not reading.line_from_text)
        case "line stated":
            return truth_of(reading.line is not None)
        case "diluent stated":
            return truth_of(bool(reading.diluents))
        case "diluent from text":
            return truth_of(reading.diluent_from_text)
        case "additives":
            return truth_of(bool(reading.additives))
        case _:
            raise KnowledgeError(f"no fact '{fact}' of an order")


def _patient(node: PatientIs, fact: str, scene: Scene) -> Reason:
    if fact == "female":
        sex = scene.chart.patient.sex
        if not sex:
            return Reason(UNKNOWN, node, gaps=(Gap("sex", GapState.NOT_SENT, "sex: not recorded"),))
        return Reason(truth_of(sex == "female"), node)
    days = scene.chart.age_days()
    if days is None:
        return Reason(UNKNOWN, node, gaps=(Gap("age", GapState.NOT_SENT, "age: not recorded"),))
    if fact == "neonate":
        limit = scene.p["neonate_days"]
        if isinstance(limit, Absent):
            return Reason(FALSE, node)
        return Reason(truth_of(days[0] <= limit.number), node)
    return Reason(truth_of((scene.population == "child") == (fact == "child")), node)


def _still_in(node: StillIn, scene: Scene) -> Reason:
    if scene.origin is not None:
        return Reason(FALSE, node, note="a look back does not look back again")
    if isinstance(node.window, Absent) or isinstance(node.most, Absent):
        return Reason(UNKNOWN, node, gaps=(Gap("course", GapState.OUT_OF_SCOPE, "no look-back for this age"),))
    for instant in look_back_instants(node, scene):
        past = scene.at(instant)
        began = evaluate(node.begins, past)
        if began.truth is TRUE:
            return Reason(TRUE, node, (began,), began.seen, note="met earlier")
        ended = evaluate(node.ends, past)
        if ended.truth is TRUE:
            return Reason(FALSE, node, (ended,), ended.seen, note="resolved since")
    gaps = tuple(scene.gap(a) for a in node.analytes if not scene.whole(a))
    return Reason(UNKNOWN if gaps else FALSE, node, gaps=gaps)


def look_back_instants(node: StillIn, scene: Scene) -> list[int]:
    """The draw times to look back at, newest first."""
    if isinstance(node.window, Absent) or isinstance(node.most, Absent):
        return []
    floor = scene.now - int(node.window.number * MINUTE)
    times = {r.at.latest for analyte in node.analytes for r in scene.recent(analyte, floor) if floor <= r.at.latest <= scene.now and r.at.exact}
    return sorted(times, reverse=True)[: int(node.most.number)]


__all__ = ["condition_in_time", "deciding_gaps", "evaluate", "look_back_instants", "matching", "none_within_floor", "order_is_of", "order_truth"]
