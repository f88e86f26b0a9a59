"""Which orders a filter means, each TRUE, or UNKNOWN where the order does not tell."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from cds.chart import MINUTE, Moment, Order
from cds.logic.expressions import OrderFilter
from cds.logic.reason import Seen
from cds.logic.truth import FALSE, TRUE, UNKNOWN, Truth, all_of, truth_of
from cds.parameters import Absent
from cds.vocabulary import DRUGS

if TYPE_CHECKING:
    from cds.logic.scene import Scene


def seen_order(order: Order, scene: Scene) -> Seen:
    """An order as evidence: its label, and whether it is drafted, given or running."""
    dose = scene.dose_of(order)
    note = "drafted" if order.drafted else "on the list" if dose is None else "given" if dose.sure else "ordered once"
    at = None if dose is None else dose.at
    age = None if at is None else max(0, (scene.chart.now - at.latest) // MINUTE)
    return Seen("order", order.drugs[0] if order.drugs else "order", order.label, order.ref, at=at, age_minutes=age, note=note, path=order.path)


def unread(orders: OrderFilter, scene: Scene) -> str:
    """The list that would have to be whole before "there is no such order" can be said, and is not; "" where it can be said. What was given stands on the
    administration record too."""
    if orders.where == "drafted":
        return ""
    lists = ("medications", "administrations") if orders.where == "given" else ("medications",)
    return next((name for name in lists if not scene.whole(name)), "")


def matching(orders: OrderFilter, scene: Scene) -> list[tuple[Order, Truth]]:
    """The orders that match, each TRUE, or UNKNOWN when its route or its start is not stated and the filter asks for one."""
    timed = orders.started_within is not None or orders.started_before is not None
    found: list[tuple[Order, Truth]] = []
    drugs = None if "*" in orders.classes else _drugs_of(orders.classes)
    for order in _pool(orders, scene):
        if drugs is not None and drugs.isdisjoint(order.drugs):
            continue
        if orders.reasons and set(order.reasons).isdisjoint(orders.reasons):
            continue
        truth = route_matches(order, orders.route, scene) if orders.route else TRUE
        if timed and truth is not FALSE:
            truth = all_of((truth, _in_time(order, orders, scene)))
        if truth is not FALSE:
            found.append((order, truth))
    if len(found) > 1:
        # The order in which a client lists its orders decides nothing.
        found.sort(key=lambda pair: (not pair[0].drafted, pair[0].ref))
    return found


def _pool(orders: OrderFilter, scene: Scene) -> Sequence[Order]:
    picture = scene.orders
    pool: Sequence[Order]
    match orders.where:
        case "drafted":
            pool = picture.drafts
        case "running":
            pool = picture.running
        case "listed":
            pool = picture.listed
        case "active":
            # What would run if the drafts were signed, and home medicines that stand as active.
            counted = [id(o) for o in picture.if_signed]
            home = (o for o in picture.listed if o.status == "active" and (o.community or o.reported))
            pool = (*picture.if_signed, *(o for o in home if id(o) not in counted))
        case "stopping":
            ended = set(picture.stops.values())
            pool = [order for order in picture.running if order.ref in ended]
        case "given":
            pool = [dose.order for dose in scene.given()]
        case _:
            pool = picture.if_signed
    if orders.ended_within is not None and not isinstance(orders.ended_within, Absent):
        pool = (*pool, *picture.ended_since(scene.chart.now - int(orders.ended_within.number * MINUTE)))
    return pool


def started(order: Order, orders: OrderFilter, scene: Scene) -> Moment | None:
    """When an order that matched was started, or a dose given; None where that is not recorded."""
    dose = scene.dose_of(order)
    return dose.at if dose is not None else scene.orders.start(order)


def _in_time(order: Order, orders: OrderFilter, scene: Scene) -> Truth:
    """Whether the start lies in the time asked for. A draft has not started."""
    if order.drafted:
        return FALSE
    moment = started(order, orders, scene)
    if moment is None:
        return UNKNOWN
    truth = TRUE
    for window, inside in ((orders.started_within, True), (orders.started_before, False)):
        if window is None:
            continue
        if isinstance(window, Absent):
            return UNKNOWN
        instant = scene.chart.now - int(window.number * MINUTE)
        # Exactly at the limit counts as inside of both.
        one = _at_or_after(moment, instant) if inside else _at_or_before(moment, instant)
        truth = all_of((truth, truth_of(one)))
    return truth


def _at_or_after(moment: Moment, floor: int) -> bool | None:
    if moment.earliest is not None and moment.earliest >= floor:
        return True
    return False if moment.latest < floor else None


def _at_or_before(moment: Moment, ceiling: int) -> bool | None:
    if moment.latest <= ceiling:
        return True
    return False if moment.earliest is not None and moment.earliest > ceiling else None


def order_is_of(order: Order, classes: Sequence[str]) -> bool:
    """Whether an active ingredient is named by, or belongs to, one of the classes; "*" is any order."""
    return "*" in classes or not _drugs_of(tuple(classes)).isdisjoint(order.drugs)


@lru_cache(maxsize=None)
def _drugs_of(classes: tuple[str, ...]) -> frozenset[str]:
    """Every drug that is one of these, or belongs to one."""
    return frozenset((*classes, *(name for name, drug in DRUGS.items() if not drug.classes.isdisjoint(classes))))


def route_matches(order: Order, route: str, scene: Scene) -> Truth:
    """Whether the order goes by a route. An infusion by its form is intravenous; otherwise a route that is not stated is UNKNOWN."""
    if route == "intravenous":
        return truth_of(scene.intravenous(order))
    kinds = {dosage.route for dosage in order.dosages if dosage.route is not None}
    if not kinds:
        return UNKNOWN
    return truth_of(route in kinds)
