"""What the orders add up to: per hour, for one substance, over what runs or would run if the drafts were signed (F-1, F-45, HZ-38).

A total is a range. Its upper end is finite when the doubt is only whether two entries are one bag; it is open when something cannot
be computed or the list was not whole. Then the total says "at least", and names what was not counted (HZ-04, HZ-14).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

import msgspec

from cds.chart import Order
from cds.numbers import ZERO, Interval, point, shown
from cds.orders.identity import OrderPicture, key_of
from cds.orders.quantities import UNITS, VOLUME, settled_total
from cds.orders.reading import INTRAVENOUS, Reading, SubstanceDose
from cds.orders.substances import Facts, facts, may_give, substances_of
from cds.parameters import ParameterSet

Readings = Mapping[str, Reading] | Callable[[Order], Reading]
UNIT_OF = {"insulin": UNITS, "glucose": "g", "fluid": VOLUME, "crystalloid": VOLUME}
HOURS_PER_DAY = Decimal(24)
_DECIMALS = {"insulin": 2}
_NONE = point(ZERO)


class TotalPart(msgspec.Struct, frozen=True, gc=False):
    """One order's share. `per_hour` None: it holds the substance, but how much an hour cannot be computed."""

    ref: str
    label: str
    per_hour: Interval | None
    concentration: Interval | None
    line: str | None
    drafted: bool
    balanced: bool
    own_per_hour: Interval | None
    reading: Reading
    dose: SubstanceDose

    @property
    def day_amount(self) -> Interval | None:
        """What the order gives in 24 h; see `day_amount`."""
        return day_amount(self.reading, self.dose)


class Uncounted(msgspec.Struct, frozen=True, gc=False):
    """Something that could not be counted, and why."""

    ref: str
    label: str
    reason: str


class Total(msgspec.Struct, frozen=True, gc=False):
    """A sum per hour in `unit`. `interval.high` is None when something is uncounted or the list was partial.

    `trigger` is the same sum without the potassium (or sodium) of balanced crystalloids, which alone triggers nothing.
    `doubles`: two entries may be one bag. `partial`: the list of orders was not whole.
    """

    substance: str
    unit: str
    interval: Interval
    trigger: Interval
    parts: tuple[TotalPart, ...]
    uncounted: tuple[Uncounted, ...]
    doubles: bool
    partial: bool

    @property
    def trigger_total(self) -> Interval:
        """The sum that a limit is held against first: without balanced crystalloids."""
        return self.trigger

    def shown(self) -> str:
        """The total in words: "25 mmol/h", "at least 25 mmol/h; one bag could not be counted", "20 to 30 mmol/h; two entries may be one bag"."""
        decimals = _DECIMALS.get(self.substance, 1)
        unit = self.unit.replace(UNITS, "units")
        low = shown(self.interval.low or ZERO, decimals)
        known_high = _counted_high(self.parts)
        notes: list[str] = []
        if self.interval.exact is not None:
            text = f"{low} {unit}"
        elif self.interval.high is not None:
            high = shown(self.interval.high, decimals)
            text = f"{low} {unit}" if high == low else f"{low} to {high} {unit}"
        else:
            text = f"at least {low} {unit}"
        if self.doubles:
            if self.interval.high is None and known_high is not None and known_high > (self.interval.low or ZERO):
                text = f"at least {low} to {shown(known_high, decimals)} {unit}"
            notes.append("two entries may be one bag")
        if len(self.uncounted) == 1:
            notes.append("one bag could not be counted")
        elif self.uncounted:
            notes.append(f"{len(self.uncounted)} bags could not be counted")
        if self.partial:
            notes.append("the list of orders was not complete")
        return "; ".join((text, *notes))


def total(
    picture: OrderPicture,
    readings: Readings,
    substance: str,
    *,
    p: ParameterSet,
    scope: str = "if signed",
    lines: str = "any",
    exclude_balanced: bool = False,
) -> Total:
    """Add up what intravenous orders give per hour.

    `scope` "running" or "if signed"; `lines` "any", "central" (by code only) or "not central" (peripheral, not stated, or only read
    from text, Q-M14). An order whose route is not stated counts when it is an infusion by its form, and is uncounted otherwise.
    `exclude_balanced` leaves balanced crystalloids out of `interval` too. Unit: mmol/h, [iU]/h, g/h or mL/h; a drug ("drug:<name>") in
    the unit of its first order.
    """
    if scope not in ("running", "if signed", "if_signed") or lines not in ("any", "central", "not central"):
        raise ValueError(f"no total for scope {scope!r}, lines {lines!r}")
    orders = picture.running if scope == "running" else picture.if_signed
    known = facts(p)
    counted: list[tuple[str, TotalPart]] = []
    uncounted: list[Uncounted] = []
    unit = UNIT_OF.get(substance, "mmol")
    for order in orders:
        if not may_give(order, substance, known) or _elsewhere(order):
            continue
        reading = _reading(readings, order)
        dose = reading.substance(substance)
        if dose is None or reading.intravenous is False:
            continue
        if (lines == "central") != reading.central and lines != "any":
            continue
        if exclude_balanced and dose.balanced:
            continue
        if substance.startswith("drug:") and not counted:
            unit = dose.unit
        if reading.intravenous is None:
            uncounted.append(Uncounted(order.ref, order.label, "route not stated"))
            continue
        per_hour = dose.own_per_hour if exclude_balanced else dose.per_hour
        counted.append((key_of(order), _part(order, reading, dose, per_hour)))
        if dose.why_not:
            uncounted.append(Uncounted(order.ref, order.label, dose.why_not))
        elif dose.unit != unit:
            uncounted.append(Uncounted(order.ref, order.label, f"given in {dose.unit}"))
    if lines != "central" and picture.unlinked:
        uncounted += _unlinked(picture, substance, known)
    keys = {key for key, _ in counted}
    pairs = [pair for pair in picture.doubtful_pairs if pair[0] in keys and pair[1] in keys]
    partial = not picture.complete
    interval = _add(counted, pairs, own=False, open_end=bool(uncounted) or partial)
    as_all = all(part.own_per_hour is part.per_hour for _, part in counted)
    trigger = interval if as_all else _add(counted, pairs, own=True, open_end=bool(uncounted) or partial)
    return Total(
        substance,
        f"{unit}/h",
        interval,
        trigger,
        tuple(part for _, part in counted),
        tuple(uncounted),
        bool(pairs) and interval.exact is None,
        partial,
    )


def day_amount(reading: Reading, dose: SubstanceDose) -> Interval | None:
    """What an order gives in 24 h: rate times the hours ordered, or dose times frequency, or a single dose. None: the hours are not stated (row skipped)."""
    if reading.per_day is None and not reading.once:
        return None
    if dose.per_hour is not None and dose.hours is not None:
        hours = dose.hours if reading.per_day is None else dose.hours.scale(max(reading.per_day, Decimal(1)))
        capped = Interval(
            None if hours.low is None else min(hours.low, HOURS_PER_DAY),
            HOURS_PER_DAY if hours.high is None else min(hours.high, HOURS_PER_DAY),
        )
        return settled_total(dose.per_hour.times(capped))
    if dose.amount is None:
        return None
    if reading.per_day is not None:
        return settled_total(dose.amount.scale(reading.per_day))
    return dose.amount if reading.once and dose.per_hour is None else None


def _part(order: Order, reading: Reading, dose: SubstanceDose, per_hour: Interval | None) -> TotalPart:
    return TotalPart(
        order.ref, order.label, per_hour, dose.concentration, reading.line, order.drafted, dose.balanced, dose.own_per_hour, reading, dose
    )


def _elsewhere(order: Order) -> bool:
    """Whether every route that is stated is other than into a vein."""
    routes = [dosage.route for dosage in order.dosages if dosage.route is not None]
    return bool(routes) and INTRAVENOUS.isdisjoint(routes)


def _reading(readings: Readings, order: Order) -> Reading:
    return readings(order) if callable(readings) else readings[key_of(order)]


def _unlinked(picture: OrderPicture, substance: str, known: Facts) -> list[Uncounted]:
    """What is being given by the administration record without an order on the list: it holds the substance, the amount is not known."""
    return [
        Uncounted(each.ref, each.label or ", ".join(each.drugs), "being given, no order on the list")
        for each in picture.unlinked
        if any(substance == f"drug:{drug}" or substance in dict(substances_of(drug, known)) for drug in each.drugs)
    ]


def _add(counted: Sequence[tuple[str, TotalPart]], pairs: Sequence[tuple[str, str]], *, own: bool, open_end: bool) -> Interval:
    """The sum as a range: every entry for the upper end, the fewest bags that the pairs allow for the lower one."""
    low, high = ZERO, ZERO
    open_high = open_end
    rates: dict[str, Interval] = {}
    for key, part in counted:
        rate = (part.own_per_hour if own else part.per_hour) or _NONE
        rates[key] = rate
        if rate.high is None:
            open_high = True
        else:
            high += rate.high
    if not pairs:
        low = sum([rate.low or ZERO for rate in rates.values()], ZERO)
        return settled_total(Interval(low, None if open_high else high))
    for group in _groups([key for key, _ in counted], pairs):
        lows = {key: rates[key].low or ZERO for key in group}
        drafts = [key for key in group if key.startswith("draft ")]
        # drafts of one bundle are never one bag; the running entries may all be among them, or one bag together
        low += sum((lows[key] for key in drafts), ZERO) if drafts else min(lows.values())
    return settled_total(Interval(low, None if open_high else high))


def _groups(keys: Sequence[str], pairs: Sequence[tuple[str, str]]) -> list[list[str]]:
    """Entries joined by pairs, in the order given."""
    home = {key: key for key in keys}

    def root(key: str) -> str:
        while home[key] != key:
            key = home[key]
        return key

    for first, second in pairs:
        home[root(second)] = root(first)
    groups: dict[str, list[str]] = {}
    for key in keys:
        groups.setdefault(root(key), []).append(key)
    return list(groups.values())


def _counted_high(parts: Sequence[TotalPart]) -> Decimal | None:
    """What the counted entries come to if no two are one bag."""
    high = ZERO
    for part in parts:
        if part.per_hour is not None:
            if part.per_hour.high is None:
                return None
            high += part.per_hour.high
    return high
