"""One dosage instruction in motion: the stated rate, the flow in mL/h, the hours that it runs, and what forbids computing.

Rates follow terminology 5: rateRatio, rateQuantity or rateRange, else dose over duration. Where a stated rate and a stated duration
do not agree, the faster one widens the range.
"""

from __future__ import annotations

import msgspec

from cds.chart import Dosage, Measure, Order, Trouble
from cds.numbers import ZERO, Interval, point
from cds.orders.contents import Bag, Product, bag_of
from cds.orders.quantities import AMOUNTS, MASS, MINUTES_PER_HOUR, TIME, VOLUME, Quantity, agree, quantity, scaled, settled_number
from cds.orders.substances import Facts, is_balanced

TIMING_WORDS = (
    "timing", "duration", "repeat", "method", "frequency", "days of the week", "count", "start", "end", "length of the course",
)  # fmt: skip

_OF_RATES = AMOUNTS | {VOLUME}


class Rate(msgspec.Struct, frozen=True, gc=False):
    """A stated rate per hour: mL, or an amount of the principal ingredient."""

    basis: str = ""
    per_hour: Interval | None = None
    why: str = ""
    not_understood: bool = False


_NO_RATE = Rate()


class Limb(msgspec.Struct, frozen=True, gc=False):
    """One dosage instruction, computed. `dose` is None when none is stated or it is not understood."""

    dosage: Dosage
    dose: Quantity | None
    bag: Bag
    rate: Rate
    flow: Interval | None
    direct: tuple[str, Interval] | None
    hours: Interval | None
    blocked: str
    remarks: tuple[str, ...]
    push: bool


def limb_of(order: Order, product: Product, dosage: Dosage, weight_kg: Interval | None, known: Facts) -> Limb:
    """One dosage of an order whose product is read."""
    rate = _NO_RATE if dosage.rate is None else _rate(dosage, weight_kg)
    dose = quantity(dosage.dose)
    bag = bag_of(product, dosage.dose, dose, weight_kg, known, rate.basis if rate.basis in AMOUNTS else None)
    flow: Interval | None = None
    direct: tuple[str, Interval] | None = None
    remarks: list[str] = []
    by_duration = _over_duration(bag, dosage) if dosage.duration_minutes is not None else {}
    if rate.per_hour is not None:
        stated = rate.per_hour
        implied = by_duration.get(VOLUME if rate.basis == VOLUME else "direct")
        if implied is not None and _faster(implied, stated, known):
            stated = stated.hull(implied)
            remarks.append("the rate and the duration do not agree; the faster one is counted as possible")
        if rate.basis == VOLUME:
            flow = stated
        else:
            direct = (rate.basis, stated)
    elif dosage.rate is None:
        flow = by_duration.get(VOLUME)
        if bag.dosed is not None and "direct" in by_duration:
            direct = (bag.dosed[0], by_duration["direct"])
    if flow is None and direct is not None and bag.principal is not None:
        held = bag.held[bag.principal]
        if held.per_ml is not None and held.basis == direct[0] and held.per_ml.high is not None and held.per_ml.high != ZERO:
            flow = direct[1].over(held.per_ml)
    hours = _hours(bag, dosage, flow, direct)
    # Dust of the division must not decide between ten minutes and more.
    quick = hours is not None and hours.high is not None and settled_number(hours.high * MINUTES_PER_HOUR) <= known.push_minutes
    balanced = as_equivalents = False
    for each in bag.held:
        if is_balanced(each.drug):
            balanced = True
        elif each.drug == "fosphenytoin" and each.basis == MASS:
            as_equivalents = True
    if balanced:
        remarks.append("a balanced fluid's own potassium is counted")
    if as_equivalents:
        remarks.append("fosphenytoin in mg is read as phenytoin equivalents (PE); confirm")
    blocked = _blocked(order, dosage) if dosage.not_understood or order.problems else ""
    return Limb(dosage, dose, bag, rate, flow, direct, hours, blocked, tuple(remarks), dosage.push or quick)


def _rate(dosage: Dosage, weight_kg: Interval | None) -> Rate:
    """The stated rate, per hour."""
    if dosage.rate is None:
        return _NO_RATE
    rate = quantity(dosage.rate)
    if rate is None or rate.unit.basis not in _OF_RATES or rate.unit.ml is not None:
        return _unread(dosage.rate)
    if dosage.rate_per is not None:
        per = quantity(dosage.rate_per)
        if per is None or per.unit.basis != TIME or rate.unit.times_per_hour is not None or per.value.high is None or per.value.high == ZERO:
            return _unread(dosage.rate)
        per_hour = rate.value.scale(MINUTES_PER_HOUR).over(per.value)
    elif rate.unit.times_per_hour is not None:
        per_hour = scaled(rate.value, rate.unit.times_per_hour)
    else:
        return _unread(dosage.rate)
    if rate.unit.per_kg:
        if weight_kg is None:
            return Rate(rate.unit.basis, None, "weight not known")
        per_hour = per_hour.times(weight_kg)
    return Rate(rate.unit.basis, per_hour)


def _unread(rate: Measure) -> Rate:
    return Rate(why=f"rate '{rate.text}' not understood", not_understood=True)


def _over_duration(bag: Bag, dosage: Dosage) -> dict[str, Interval]:
    """What dose and stated duration give per hour: the volume, and the dosed ingredient ("direct")."""
    minutes = dosage.duration_minutes
    if minutes is None or minutes.high is None or minutes.high == ZERO:
        return {}
    found: dict[str, Interval] = {}
    if bag.volume is not None:
        found[VOLUME] = bag.volume.scale(MINUTES_PER_HOUR).over(minutes)
    if bag.dosed is not None:
        found["direct"] = bag.dosed[1].scale(MINUTES_PER_HOUR).over(minutes)
    return found


def _faster(implied: Interval, stated: Interval, known: Facts) -> bool:
    if agree(implied, stated, known.disagreement_percent) or stated.high is None:
        return False
    return implied.high is None or implied.high > stated.high


def _hours(bag: Bag, dosage: Dosage, flow: Interval | None, direct: tuple[str, Interval] | None) -> Interval | None:
    """How long it runs: the stated duration, else volume over flow, else dose over rate."""
    if dosage.duration_minutes is not None:
        return dosage.duration_minutes.over(point(MINUTES_PER_HOUR))
    if bag.volume is not None and flow is not None and flow.high is not None and flow.high != ZERO:
        return bag.volume.over(flow)
    if bag.dosed is not None and direct is not None and direct[0] == bag.dosed[0] and direct[1].high is not None and direct[1].high != ZERO:
        return bag.dosed[1].over(direct[1])
    return None


def _blocked(order: Order, dosage: Dosage) -> str:
    """Why nothing may be computed although numbers are there: intake could not make one dose of them."""
    for words in dosage.not_understood:
        timing = "rate" not in words.lower() and any(mark in words.lower() for mark in TIMING_WORDS)
        if part_named(words) in ("amount", "rate", "volume") and not timing:
            return f"{words} not understood"
        if "duration" in words.lower() and dosage.rate is None:
            return "duration not understood"
    for problem in order.problems:
        if problem.trouble is Trouble.STRENGTH:
            return problem.message
    return ""


def part_named(words: str) -> str:
    """Which of the seven parts a word, phrase or path of intake speaks of. What fits nowhere counts against the amount, so that it is never
    overlooked; what only concerns when and how often counts against the rate without forbidding it.
    """
    lowered = words.lower()
    for part, marks in (
        ("route", ("route",)),
        ("line", ("site", "line")),
        ("diluent", ("diluent", "inactive")),
        ("amount", ("strength",)),
        ("rate", ("rate", *TIMING_WORDS)),
        ("volume", ("volume", "medication.amount")),
        ("drug", ("medicationcodeableconcept", "medicationreference", "itemcodeableconcept", "drug")),
    ):
        if any(mark in lowered for mark in marks):
            return part
    return "amount"
