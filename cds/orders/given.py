"""What was given: single doses, and amounts over a stretch of time. The administration record outranks the order (HZ-13); where it is silent an order that was
started stands for its dose, as surely as its time is known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

import msgspec

from cds.chart import MINUTE, Administration, Dosage, Ingredient, Moment, Order
from cds.numbers import ZERO, Interval, point
from cds.orders.identity import OrderPicture
from cds.orders.quantities import MINUTES_PER_HOUR
from cds.orders.reading import Reading
from cds.orders.substances import Facts, may_give

_HAPPENED = frozenset({"completed", "in-progress", "stopped"})
_STARTED = frozenset({"active", "completed"})


class Dose(msgspec.Struct, frozen=True, gc=False):
    """One dose that was given, as an order in hand: the order itself, or with the amount that the administration states. `at` None: time not recorded."""

    order: Order
    at: Moment | None
    sure: bool = True


def doses_given(picture: OrderPicture) -> tuple[Dose, ...]:
    """Every single dose on record, newest first by what is known of its time. Infusions that run count once, at their start.

    A one-off order without an administration counts as given at its stated time, else at some time since it was written (`sure` False).
    """
    found: list[Dose] = []
    for order in picture.listed:
        if order.community or order.reported:
            continue
        events = [each for each in picture.events_of(order) if each.status in _HAPPENED]
        if events:
            found += [Dose(_as_given(order, each), each.start or each.end) for each in events]
        elif order.status in _STARTED and order.dosages and all(dosage.once for dosage in order.dosages):
            start = picture.start(order)
            if start is not None and (start.earliest if start.earliest is not None else start.latest) > picture.now:
                continue
            if start is None and order.authored is not None:
                start = Moment(order.authored.earliest, picture.now, "time of giving not recorded")
            found.append(Dose(replace(order), start, False))
    found += [Dose(_of_no_order(each), each.start or each.end) for each in picture.loose if each.status in _HAPPENED and each.drugs]
    return tuple(sorted(found, key=lambda dose: (-(dose.at.latest if dose.at is not None else 0), dose.order.ref)))


def amount_given(
    picture: OrderPicture, read: Callable[[Order], Reading], substance: str, minutes: Decimal, known: Facts
) -> tuple[Interval, str, tuple[Order, ...], tuple[str, ...]]:
    """How much of a substance went into a vein within the last `minutes`: the amount, its unit, the orders, and what could not be counted, with the reason."""
    since = picture.now - int(minutes * MINUTE)
    low, high, unit = ZERO, ZERO, ""
    open_end = not picture.complete
    counted: list[Order] = []
    unsure: list[str] = ["the list of orders was not complete"] if open_end else []
    ended = {id(each.order): each.at for each in picture.ended}
    running = {id(order) for order in picture.running}
    for order in picture.listed:
        if order.community or order.reported or not may_give(order, substance, known):
            continue
        if id(order) not in running and id(order) not in ended:
            continue
        reading = read(order)
        dose = reading.substance(substance)
        if dose is None or reading.intravenous is False:
            continue
        share = _share(picture, order, reading, dose.per_hour, dose.amount, since, ended.get(id(order)) if id(order) not in running else Moment(picture.now, picture.now))
        if share is None:
            open_end = True
            unsure.append(f"{order.label}: {dose.why_not or 'how much was given cannot be told'}")
            continue
        if share.high is not None and share.high == ZERO:
            continue
        unit = unit or dose.unit
        counted.append(order)
        low += share.low or ZERO
        if share.high is None or dose.unit != unit:
            open_end = True
            unsure.append(f"{order.label}: how much was given cannot be told")
        else:
            high += share.high
    for each in picture.loose:
        if each.status in _HAPPENED and may_give(_of_no_order(each), substance, known):
            at = each.end or each.start
            if at is None or at.latest >= since:
                open_end = True
                unsure.append(f"{each.label or ', '.join(each.drugs)}: given, without an order on the list")
    return Interval(low, None if open_end else high), unit, tuple(counted), tuple(unsure)


def _share(
    picture: OrderPicture, order: Order, reading: Reading, per_hour: Interval | None, amount: Interval | None, since: int, end: Moment | None
) -> Interval | None:
    """What one order gave since an instant; None when nothing can be said of it."""
    events = [each for each in picture.events_of(order) if each.status in _HAPPENED]
    if per_hour is not None and not (events and reading.per_day is not None):
        hours = _hours(picture.start(order), end, since, picture.now)
        whole = per_hour.times(hours)
        if amount is None or reading.per_day is not None:
            return whole
        # A bag gives no more than it holds.
        highs = [each for each in (whole.high, amount.high) if each is not None]
        lows = [each for each in (whole.low, amount.low) if each is not None]
        return Interval(min(lows) if len(lows) == 2 else ZERO, min(highs) if highs else None)
    if amount is None:
        return None
    if events:
        times = [each.start or each.end for each in events]
    elif reading.once:
        start = picture.start(order)
        times = [start if start is not None else None if order.authored is None else Moment(order.authored.earliest, picture.now)]
    else:
        return None
    sure = sum(1 for at in times if at is not None and at.earliest is not None and at.earliest >= since)
    may_be = sum(1 for at in times if at is None or at.latest >= since)
    return Interval((amount.low or ZERO) * sure, None if amount.high is None else amount.high * may_be)


def _hours(start: Moment | None, end: Moment | None, since: int, now: int) -> Interval:
    """For how many hours of the stretch from `since` to `now` an infusion ran."""

    def hours(begin: int, finish: int) -> Decimal:
        return Decimal(max(0, min(finish, now) - max(begin, since))) / (MINUTE * MINUTES_PER_HOUR)

    first = since if start is None or start.earliest is None else start.earliest
    last = now if start is None else start.latest
    finish_late = now if end is None else end.latest
    finish_early = since if end is None or end.earliest is None else end.earliest
    return Interval(hours(last, finish_early), hours(first, finish_late))


def _as_given(order: Order, event: Administration) -> Order:
    """The order with the dose that its administration states, where it states one."""
    dose = getattr(event, "dose", None)
    if dose is None:
        # A copy: each dose is an order in hand of its own.
        return replace(order)
    first = order.dosages[0] if order.dosages else Dosage()
    return replace(order, dosages=(replace(first, dose=dose, duration_minutes=_minutes(event) or first.duration_minutes, per_day=None, once=first.once),))


def _of_no_order(event: Administration) -> Order:
    """An administration without an order on the list, as the one-off order that it would have had."""
    route = getattr(event, "route", None)
    dosage = Dosage(route=route, route_stated=route is not None, dose=getattr(event, "dose", None), duration_minutes=_minutes(event), start=event.start)
    label = event.label or ", ".join(event.drugs)
    parts = tuple(Ingredient(drug, label) for drug in event.drugs)
    return Order(event.ref, False, "completed", "order", label, event.drugs, parts, (dosage,), reasons=getattr(event, "reasons", ()))


def _minutes(event: Administration) -> Interval | None:
    if event.start is None or event.end is None or not event.start.exact or not event.end.exact or event.end.latest <= event.start.latest:
        return None
    return point(Decimal(event.end.latest - event.start.latest) / MINUTE)
