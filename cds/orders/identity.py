"""Which orders run, and which would run if the drafts were signed: chains, stops, replacements and doubles (F-2, F-12 to F-14).

The administration record outranks the order (HZ-13). A stop or a change whose target is not on the list subtracts nothing and is
named. Two entries that may be one bag are a pair, never silently one (HZ-12).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from types import MappingProxyType
from typing import NamedTuple

from cds.chart import MINUTE, Administration, Chart, Feed, Measure, Moment, Order
from cds.parameters import ParameterSet
from cds.vocabulary import drug_in_class

COUNTED_INTENTS = frozenset({"order", "original-order", "instance-order", "filler-order"})
STOPPING = frozenset({"stopped", "cancelled", "on-hold", "completed", "entered-in-error"})
ENDED = frozenset({"stopped", "completed"})
_ENDING_EVENTS = frozenset({"stopped", "on-hold", "completed"})
_DUPLICATE_MINUTES = Decimal(5)

BY_ORDERS, BY_ADMINISTRATION = "by the orders", "by the administration record"


@dataclass(frozen=True, slots=True)
class Ended:
    """An order that no longer runs. `at` is the span in which it ended; `certain` is False when only the time of writing is known."""

    order: Order
    at: Moment | None
    basis: str
    certain: bool = True


@dataclass(frozen=True, slots=True)
class OrderPicture:
    """The orders of one chart at one instant, sorted by what counts.

    `running`; `drafts` that would add or change something; `if_signed` = running less stopped and replaced, plus drafts; `stopping`,
    the drafts that end a running order; `listed`, every order of the list that is not a draft; `ended`. `doubtful_pairs` are refs of
    two entries that may be one bag. `changes` maps a draft's ref to the ref of the running order that it replaces, `stops` likewise. `complete`
    is False when the list was not sent whole: then no total has an upper end (HZ-14). `events` are the administrations by the id of their order, `loose` those
    of no order on the list. Pairs and `basis` go by `key_of(order)`: a draft and
    the running order that it changes may carry one id.
    """

    now: int
    complete: bool
    running: tuple[Order, ...] = ()
    drafts: tuple[Order, ...] = ()
    if_signed: tuple[Order, ...] = ()
    stopping: tuple[Order, ...] = ()
    listed: tuple[Order, ...] = ()
    ended: tuple[Ended, ...] = ()
    prohibited: tuple[Order, ...] = ()
    unlinked: tuple[Administration, ...] = ()
    doubtful_pairs: tuple[tuple[str, str], ...] = ()
    changes: Mapping[str, str] = field(default_factory=dict)
    stops: Mapping[str, str] = field(default_factory=dict)
    basis: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    events: Mapping[str, tuple[Administration, ...]] = field(default_factory=dict)
    loose: tuple[Administration, ...] = ()

    def start(self, order: Order) -> Moment | None:
        """When an order was started: by the administration record, else by its own dosage; None where neither says. A draft has not started."""
        return None if order.drafted else _start(order, self.events)

    def events_of(self, order: Order) -> tuple[Administration, ...]:
        """The administrations that name the order."""
        return () if order.drafted else self.events.get(_id(order.ref), ())

    def recently_ended(self, drug_class: str, *, days: Decimal) -> tuple[Ended, ...]:
        """Ended orders of a drug class that may have ended within `days`. Each says whether that is certain."""
        since = self.now - int(days * 24 * 60 * MINUTE)
        found: list[Ended] = []
        for each in self.ended:
            if not any(drug_in_class(drug, drug_class) or drug == drug_class for drug in each.order.drugs):
                continue
            if each.at is None:
                found.append(Ended(each.order, None, each.basis, False))
            elif each.at.latest >= since:
                sure = each.at.earliest is not None and each.at.earliest >= since
                found.append(Ended(each.order, each.at, each.basis, sure))
        return tuple(found)

    def ended_since(self, instant: int) -> tuple[Order, ...]:
        """Orders that ended, or may have ended, at or after an instant (epoch ms)."""
        return tuple(order for order, _ in self.ended_since_certainty(instant))

    def ended_since_certainty(self, instant: int) -> tuple[tuple[Order, bool], ...]:
        """The same orders, each with whether it surely ended at or after the instant: False where it may have ended earlier, or its end is not known."""
        return tuple(
            (each.order, each.at is not None and each.at.earliest is not None and each.at.earliest >= instant)
            for each in self.ended
            if each.at is None or each.at.latest >= instant
        )


def key_of(order: Order) -> str:
    """A name for an order that is different for a draft and for the order of the same id that it changes."""
    return f"draft {order.ref}" if order.drafted else order.ref


def identify(chart: Chart, p: ParameterSet | None = None) -> OrderPicture:
    """Sort the orders of a chart. Without `p` two starts within five minutes count as one start (F-2)."""
    remarks: list[str] = []
    minutes = _DUPLICATE_MINUTES if p is None else p.number("order_duplicate_minutes")
    given = _by_order(chart, remarks)
    listed = _without_copies([order for order in chart.orders if not order.drafted], remarks)
    drafted = _without_copies([order for order in chart.orders if order.drafted], remarks)

    going: dict[str, Order] = {}
    ended: list[Ended] = []
    basis: dict[str, str] = {}
    for name, order in listed.items():
        events = given.get(name, ())
        state, why = _standing(order, events, chart.now, remarks)
        if state:
            going[name] = order
            basis[key_of(order)] = why
        elif (end := _end(order, events, chart.now)) is not None:
            ended.append(end)

    running = list(going.values())
    prohibited = tuple([order for order in (*listed.values(), *drafted.values()) if order.do_not_perform])
    drafts: list[Order] = []
    stopping: list[Order] = []
    stops: dict[str, str] = {}
    changes: dict[str, str] = {}
    for own_name, draft in drafted.items():
        if draft.do_not_perform:
            continue
        if draft.intent == "option":
            remarks.append(f"{draft.label}: an option, not counted")
            continue
        if draft.status in STOPPING:
            target = going.get(own_name)
            stopping.append(draft)
            if target is not None:
                stops[draft.ref] = target.ref
            elif own_name not in listed:
                remarks.append(f"{draft.label}: stops an order that is not on the list; nothing was subtracted")
            continue
        drafts.append(draft)
        for ref in (draft.ref, draft.prior):
            if ref is None:
                continue
            target = going.get(_id(ref))
            if target is not None:
                changes[draft.ref] = target.ref
                break
            if ref == draft.prior and _id(ref) not in listed:
                remarks.append(f"{draft.label}: replaces an order that is not on the list; nothing was subtracted")
        else:
            twin = next((order for order in running if _same_identifier(order, draft) and _same_content(order, draft)), None) if draft.identifiers else None
            if twin is not None:
                changes[draft.ref] = twin.ref

    gone = {_id(ref) for ref in (*stops.values(), *changes.values())}
    kept = [order for name, order in going.items() if name not in gone]
    short = [each for each in map(chart.source, chart.item_keys.get("medications", ())) if each.feed is not Feed.WHOLE]
    remarks += [f"the list of orders was not complete: {each.detail or each.feed.value}" for each in short]
    unlinked = tuple(each for each in chart.administrations if each.status == "in-progress" and (each.order is None or _id(each.order) not in listed))
    remarks += [f"{each.label or ', '.join(each.drugs)}: being given, without an order on the list" for each in unlinked]
    return OrderPicture(
        now=chart.now,
        complete=not short,
        running=tuple(running),
        drafts=tuple(drafts),
        if_signed=(*kept, *drafts),
        stopping=tuple(stopping),
        listed=tuple([o for o in listed.values() if not o.do_not_perform and o.status not in ("entered-in-error", "draft")]),
        ended=(
            *ended,
            *(Ended(going[_id(ref)], Moment(chart.now, chart.now), "by the draft") for ref in stops.values()),
        ),
        prohibited=prohibited,
        unlinked=unlinked,
        doubtful_pairs=_pairs(running, drafts, changes, given, minutes),
        changes=MappingProxyType(changes),
        stops=MappingProxyType(stops),
        basis=MappingProxyType(basis),
        remarks=tuple(dict.fromkeys(remarks)),
        events=MappingProxyType(given),
        loose=tuple([each for each in chart.administrations if each.status != "entered-in-error" and (each.order is None or _id(each.order) not in listed)]),
    )


def replaces_by_drug(draft: Order, running: Order) -> bool:
    """R-n63: a draft of the drug that already runs takes its place, unless one of the two has no frequency (a dose on purpose)."""
    if set(draft.drugs).isdisjoint(running.drugs):
        return False
    return all(order.dosages and not all(d.once for d in order.dosages) for order in (draft, running))


# What runs ---------------------------------------------------------------------------------------------------------------------------


def _standing(order: Order, events: tuple[Administration, ...], now: int, remarks: list[str]) -> tuple[bool, str]:
    """Whether a listed order runs at `now`, and by which record."""
    if order.do_not_perform or order.reported or order.community or order.intent not in COUNTED_INTENTS:
        return False, BY_ORDERS
    event = _deciding(events, now)
    if event is not None and event.status == "in-progress":
        if order.status != "active":
            remarks.append(f"{order.label}: {order.status} by the order, running by the administration record; counted")
        return True, BY_ADMINISTRATION
    if order.status != "active":
        if order.status not in (*STOPPING, "draft"):
            remarks.append(f"{order.label}: status '{order.status}' not counted as running")
        return False, BY_ORDERS
    repeated = any(not dosage.once for dosage in order.dosages)
    if event is not None and not (repeated and event.status == "completed"):
        # a completed dose of a repeated order is one dose done, not the order's end
        remarks.append(f"{order.label}: active by the order, {event.status} by the administration record; not counted")
        return False, BY_ADMINISTRATION
    return _in_bounds(order, now), BY_ORDERS


def _deciding(events: tuple[Administration, ...], now: int) -> Administration | None:
    """The newest administration event that has happened."""
    if not events:
        return None
    relevant: list[Administration] = []
    for each in events:
        if each.status != "in-progress" and each.status not in _ENDING_EVENTS:
            continue
        at = _event_time(each)
        if at is None or _floor(at) <= now:
            relevant.append(each)
        elif each.start is not None and _floor(each.start) <= now:
            # it ends after now: until then it is being given
            relevant.append(replace(each, status="in-progress", end=None))
    return max(relevant, key=lambda each: (_event_latest(each), each.status == "in-progress", each.ref), default=None)


def _event_time(event: Administration) -> Moment | None:
    return event.start if event.status == "in-progress" else event.end or event.start


def _event_latest(event: Administration) -> int:
    at = _event_time(event)
    return -1 if at is None else at.latest


def _floor(at: Moment) -> int:
    return at.latest if at.earliest is None else at.earliest


def _in_bounds(order: Order, now: int) -> bool:
    """Whether `now` is inside what the dosages state. An unknown start still runs (F-13)."""
    if not order.dosages:
        return True
    for dosage in order.dosages:
        starts = [dosage.start] if dosage.start is not None else list(dosage.events)
        begun = not starts or any(_floor(start) <= now for start in starts)
        over = dosage.end is not None and dosage.end.latest <= now
        if begun and not over:
            return True
    return False


def _end(order: Order, events: tuple[Administration, ...], now: int) -> Ended | None:
    """When an order that does not run ended: administration, else dosage end, else some time since it was written."""
    if order.do_not_perform or order.intent not in COUNTED_INTENTS or order.status in ("draft", "entered-in-error"):
        return None
    event = _deciding(events, now)
    if event is not None and event.status in _ENDING_EVENTS:
        return Ended(order, event.end or event.start, BY_ADMINISTRATION)
    ends = [dosage.end for dosage in order.dosages if dosage.end is not None and dosage.end.latest <= now]
    if order.status == "active":
        return Ended(order, max(ends, key=lambda end: end.latest), BY_ORDERS) if ends else None
    if order.status not in ENDED and not (order.status == "cancelled" and events):
        return None
    if ends and order.status == "completed":
        return Ended(order, max(ends, key=lambda end: end.latest), BY_ORDERS)
    if order.authored is None:
        return Ended(order, None, BY_ORDERS, False)
    # ended no earlier than it was written and no later than now
    return Ended(order, Moment(order.authored.earliest, now, "time of ending not recorded"), BY_ORDERS, False)


# Doubles -----------------------------------------------------------------------------------------------------------------------------


def _without_copies(orders: list[Order], remarks: list[str]) -> dict[str, Order]:
    """One entry for each id, and one for entries that share a business identifier and say the same; by id, in the order sent."""
    kept: dict[str, Order] = {}
    carrying: dict[str, list[Order]] = {}
    for order in orders:
        name = _id(order.ref)
        twin = kept.get(name)
        if twin is not None:
            if not _same_content(twin, order) or twin.status != order.status:
                remarks.append(f"{order.label}: sent twice with different content; the first was read")
            continue
        if any(other.status == order.status and _same_content(other, order) for each in order.identifiers for other in carrying.get(each, ())):
            continue
        kept[name] = order
        for each in order.identifiers:
            carrying.setdefault(each, []).append(order)
    return kept


def _pairs(
    running: list[Order],
    drafts: list[Order],
    changes: Mapping[str, str],
    given: Mapping[str, tuple[Administration, ...]],
    minutes: Decimal,
) -> tuple[tuple[str, str], ...]:
    """Pairs that may be one bag: running with running, running with draft; never two drafts, never a stated chain."""
    changed = {_id(ref) for ref in changes.values()}
    entries = (*running, *(draft for draft in drafts if draft.ref not in changes))
    kinds = [_kind(order) for order in entries]
    count = Counter(kinds)
    alike: dict[object, list[Order]] = {}
    for order, kind in zip(entries, kinds, strict=True):
        # what is the only order of its drugs has no double, whatever else it says
        if count[kind] > 1:
            alike.setdefault(_essence(order), []).append(order)
    pairs: list[tuple[str, str]] = []
    for group in alike.values():
        # What is compared for each pair is found out once for each order: a ward has orders by the hundred.
        marks = [_Marks(order.drafted, key_of(order), _id(order.ref), *_links(order), order.group, _start(order, given)) for order in group]
        for place, one in enumerate(marks):
            if one.drafted:
                continue
            for other in marks[place + 1 :]:
                if (other.drafted and one.name in changed) or _chained(one, other):
                    continue
                if _close(one.start, other.start, minutes):
                    pairs.append((one.key, other.key))
    return tuple(pairs)


class _Marks(NamedTuple):
    """What tells an order apart from another of the same content: `links` names the orders that it says it follows, `based` those that it adds to."""

    drafted: bool
    key: str
    name: str
    links: frozenset[str]
    based: frozenset[str]
    group: str | None
    start: Moment | None


def _links(order: Order) -> tuple[frozenset[str], frozenset[str]]:
    based = frozenset(map(_id, order.based_on))
    return (based if order.prior is None else based | {_id(order.prior)}), based


def _start(order: Order, given: Mapping[str, tuple[Administration, ...]]) -> Moment | None:
    """Start: administration, else bounds, else timing.event, else unknown. The time of writing is no start."""
    started = [each.start for each in given.get(_id(order.ref), ()) if each.start is not None]
    started = started or [d.start for d in order.dosages if d.start is not None]
    started = started or [event for d in order.dosages for event in d.events]
    return min(started, key=_floor) if started else None


def _close(a: Moment | None, b: Moment | None, minutes: Decimal) -> bool:
    """Whether two starts may lie within `minutes`; an unknown start may be any."""
    if a is None or b is None:
        return True
    gap = max(_floor(a), _floor(b)) - min(a.latest, b.latest)
    return gap <= int(minutes * MINUTE)


def _chained(a: _Marks, b: _Marks) -> bool:
    """A stated link says that these are two orders (F-14: adds) or one after the other (replaces)."""
    if a.group is not None and a.group == b.group:
        return True
    if not a.links and not b.links:
        return False
    names = {a.name, b.name}
    return not (names.isdisjoint(a.links) and names.isdisjoint(b.links) and a.based.isdisjoint(b.based))


def _same_identifier(a: Order, b: Order) -> bool:
    return not set(a.identifiers).isdisjoint(b.identifiers)


def _same_content(a: Order, b: Order) -> bool:
    """Same product, dose, rate and line."""
    return _essence(a) == _essence(b)


def _kind(order: Order) -> object:
    """Differs only where `_essence` differs, and costs little."""
    first = order.ingredients[0] if order.ingredients else None
    return order.drugs, None if first is None else first.drug or first.label


def _essence(order: Order) -> object:
    """What two entries must share to be one bag."""
    return (
        order.drugs,
        tuple((i.drug, "" if i.drug else i.label, i.active, *_said(i.strength), *_said(i.per)) for i in order.ingredients),
        tuple((d.route, d.line, d.push, *_said(d.dose), *_said(d.rate), *_said(d.rate_per), d.duration_minutes) for d in order.dosages),
        _said(order.volume),
    )


def _said(measure: Measure | None) -> tuple[Decimal | None, Decimal | None, str]:
    """The number and its unit, or what was sent where the unit is not known."""
    if measure is None:
        return None, None, ""
    return measure.value.low, measure.value.high, measure.unit or f"? {measure.text}"


def _by_order(chart: Chart, remarks: list[str]) -> dict[str, tuple[Administration, ...]]:
    found: dict[str, tuple[Administration, ...]] = {}
    for each in chart.administrations:
        if each.order is not None and each.status != "entered-in-error":
            found[_id(each.order)] = (*found.get(_id(each.order), ()), each)
    return found


def _id(ref: str) -> str:
    """The logical id of a relative or absolute reference, without its version."""
    if "/_history/" in ref:
        ref = ref.split("/_history/", 1)[0]
    return ref.rsplit("/", 1)[-1]
