"""One dosage instruction in motion: the stated rate, the flow in mL/h, the hours that it runs, and what forbids computing.

Rates follow terminology 5: rateRatio, rateQuantity or rateRange, else dose over duration. Where a stated rate and a stated duration
do not agree, the faster one widens the range.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from cds.chart import Dosage, Order, Trouble
from cds.numbers import Interval, point
from cds.orders.contents import Bag, Facts, bag_of, is_balanced
from cds.orders.quantities import AMOUNTS, MASS, MINUTES_PER_HOUR, TIME, VOLUME, agree, quantity, settled

TIMING_WORDS = (
    "timing", "duration", "repeat", "method", "frequency", "days of the week", "count", "start", "end", "length of the course",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rate:
    """A stated rate per hour: mL, or an amount of the principal ingredient."""

    basis: str = ""
    per_hour: Interval | None = None
    why: str = ""
    not_understood: bool = False


@dataclass(frozen=True, slots=True)
class Limb:
    """One dosage instruction, computed."""

    dosage: Dosage
    bag: Bag
    rate: Rate
    flow: Interval | None
    direct: tuple[str, Interval] | None
    hours: Interval | None
    blocked: str
    remarks: tuple[str, ...]
    push: bool


def limb_of(order: Order, dosage: Dosage, weight_kg: Interval | None, known: Facts) -> Limb:
    rate = _rate(dosage, weight_kg)
    bag = bag_of(order, dosage, weight_kg, known, rate.basis if rate.basis in AMOUNTS else None)
    flow: Interval | None = None
    direct: tuple[str, Interval] | None = None
    remarks: list[str] = []
    by_duration = _over_duration(bag, dosage)
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
        if held.per_ml is not None and held.basis == direct[0] and held.per_ml.high not in (None, Decimal(0)):
            flow = direct[1].over(held.per_ml)
    hours = _hours(bag, dosage, flow, direct)
    blocked = _blocked(order, dosage)
    minutes = None if hours is None or hours.high is None else hours.high * MINUTES_PER_HOUR
    # Dust of the division must not decide between ten minutes and more.
    quick = minutes is not None and (settled(point(minutes)).high or Decimal(0)) <= known.push_minutes
    if any(is_balanced(held.drug) for held in bag.held):
        remarks.append("a balanced fluid's own potassium is counted")
    if any(held.basis == MASS and held.drug == "fosphenytoin" for held in bag.held):
        remarks.append("fosphenytoin in mg is read as phenytoin equivalents (PE); confirm")
    return Limb(dosage, bag, rate, flow, direct, hours, blocked, tuple(remarks), dosage.push or quick)


def _rate(dosage: Dosage, weight_kg: Interval | None) -> Rate:
    """The stated rate, per hour."""
    if dosage.rate is None:
        return Rate()
    unread = Rate(why=f"rate '{dosage.rate.text}' not understood", not_understood=True)
    rate = quantity(dosage.rate)
    if rate is None or rate.basis not in AMOUNTS | {VOLUME} or rate.unit.ml is not None:
        return unread
    if dosage.rate_per is not None:
        per = quantity(dosage.rate_per)
        if per is None or per.basis != TIME or rate.unit.times_per_hour is not None or per.value.high in (None, Decimal(0)):
            return unread
        per_hour = rate.value.scale(MINUTES_PER_HOUR).over(per.value)
    elif rate.unit.times_per_hour is not None:
        per_hour = rate.value.scale(rate.unit.times_per_hour)
    else:
        return unread
    if rate.unit.per_kg:
        if weight_kg is None:
            return Rate(rate.basis, None, "weight not known")
        per_hour = per_hour.times(weight_kg)
    return Rate(rate.basis, per_hour)


def _over_duration(bag: Bag, dosage: Dosage) -> dict[str, Interval]:
    """What dose and stated duration give per hour: the volume, and the dosed ingredient ("direct")."""
    minutes = dosage.duration_minutes
    if minutes is None or minutes.high in (None, Decimal(0)):
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
    if bag.volume is not None and flow is not None and flow.high not in (None, Decimal(0)):
        return bag.volume.over(flow)
    if bag.dosed is not None and direct is not None and direct[0] == bag.dosed[0] and direct[1].high not in (None, 0):
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
