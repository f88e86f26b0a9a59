"""Numbers with units as an order states them: read, never converted and never interpreted."""

from __future__ import annotations

from decimal import Decimal

from msgspec import Raw

from cds.chart import Measure
from cds.intake.shapes import Quantity, Range
from cds.intake.values import number_of, quantity_unit, sent
from cds.numbers import UNBOUNDED, Interval, point

ONE = Decimal(1)
_MINUTES = {
    "s": ONE / 60,
    "min": ONE,
    "h": Decimal(60),
    "d": Decimal(1440),
    "wk": Decimal(10080),
    "mo": Decimal(43200),
    "a": Decimal(525600),
}
"""FHIR's units of time in minutes; a month counts as 30 days and a year as 365."""


def measure(quantity: Quantity | None, *, missing_is_one: bool = False) -> Measure | None:
    """A quantity as a Measure. None when nothing was sent.

    A number that cannot be read leaves the value unbounded and the unit None, so that nothing is computed with it.
    `missing_is_one`: a denominator without a value counts as 1.
    """
    if quantity is None:
        return None
    unit_text = quantity.unit or quantity.code
    if unit_text:
        unit_text = " ".join(unit_text.split())[:40]
    if not quantity.value:
        if missing_is_one and unit_text:
            return Measure(point(ONE), quantity_unit(quantity), unit_text)
        return None if not unit_text else Measure(UNBOUNDED, None, unit_text)
    number = number_of(quantity.value)
    if number is not None and not quantity.comparator:
        # A number that was read is short and has no spaces: its bytes are its text.
        text = bytes(quantity.value).decode()
        return Measure(point(number), quantity_unit(quantity), f"{text} {unit_text}" if unit_text else text)
    # A comparator is not allowed in a dose (SimpleQuantity), so what was meant is not known.
    return Measure(UNBOUNDED, None, f"{quantity.comparator}{sent(quantity.value)} {unit_text}".strip())


def measure_range(given: Range | None) -> Measure | None:
    """A range as one Measure with both ends; the unit is None when the ends do not share one."""
    if given is None:
        return None
    low, high = measure(given.low), measure(given.high)
    if low is None and high is None:
        return None
    text = f"{'' if low is None else low.text} to {'' if high is None else high.text}".strip()
    first, last = (None if low is None else low.value.low), (None if high is None else high.value.high)
    units = {each.unit for each in (low, high) if each is not None}
    if len(units) != 1 or (first is not None and last is not None and first > last):
        return Measure(UNBOUNDED, None, text)
    return Measure(Interval(first, last), units.pop(), text)


def minutes(value: Raw, longest: Raw, unit: str) -> Interval | None:
    """A FHIR duration (value, unit of time) in minutes; `longest` is the upper end when sent. None when not readable."""
    factor, number = _MINUTES.get(unit), number_of(value)
    if factor is None or number is None or number < 0:
        return None
    top = number_of(longest) if bytes(longest) else number
    if top is None or top < number:
        return None
    return Interval(number * factor, top * factor)


def per_day(times: Raw, most: Raw, period: Raw, unit: str) -> Decimal | None:
    """Occurrences in 24 hours: the greater of the stated frequencies over the period. None when not readable."""
    factor = _MINUTES.get(unit)
    span = number_of(period) if bytes(period) else ONE
    count = number_of(most) if bytes(most) else (number_of(times) if bytes(times) else ONE)
    if factor is None or span is None or count is None or span <= 0 or count <= 0 or count != count.to_integral_value():
        return None
    return count * 1440 / (span * factor)
