"""Units of orders: what is measured (mass, moles, equivalents, units, volume), per kg of body weight, per time, per volume.

Dimensional analysis with body weight as a dimension of its own (HZ-05): mg/min, mg/h and ug/kg/min never meet by accident.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache

import msgspec

from cds import units
from cds.chart import Measure
from cds.numbers import ZERO, Interval

ONE = Decimal(1)
MINUTES_PER_HOUR = Decimal(60)
ML_PER_L = Decimal(1000)
MG_PER_G = Decimal(1000)

MASS, MOLES, CHARGE, UNITS, EQUIVALENT_MASS, VOLUME, COUNT, TIME = (
    "mg",
    "mmol",
    "meq",
    "[iU]",
    "mg{PE}",
    "mL",
    "1",
    "min",
)
AMOUNTS = frozenset({MASS, MOLES, CHARGE, UNITS, EQUIVALENT_MASS})

DOSE_FORMS = frozenset(
    {"bag", "bottle", "vial", "ampoule", "ampule", "amp", "syringe", "cartridge", "sachet", "dose", "each"}
    | {"tablet", "tablets", "tab", "capsule", "capsules", "cap"}
)
"""A denominator or dose counted in these is one whole package or piece; a closed list."""

_ORDER_DUST = Decimal("1E-12")
_TOTAL_DUST = Decimal("1E-9")
_LEAST, _MOST = Decimal("1E-9"), Decimal("1E+7")  # mg, mmol, units, mL, minutes
_TOO_LARGE_FOR_DUST = 15


@dataclass(frozen=True, slots=True)
class OrderUnit:
    """One unit of an order. `factor` times the number gives `basis`; the denominators are kept apart.

    `times_per_hour` is how often the time below the line fits into an hour (60 for /min), None without a time; `ml` is the volume
    below the line in mL, None without one.
    """

    basis: str
    factor: Decimal
    per_kg: bool = False
    times_per_hour: Decimal | None = None
    ml: Decimal | None = None


_PIECE = OrderUnit(COUNT, ONE)


@lru_cache(maxsize=1024)
def order_unit(code: str) -> OrderUnit | None:
    """The unit behind a UCUM code such as "mg/kg/h", "[iU]/h", "mL/h", "mmol/L", "%" (grams in 100 mL); None when not recognised."""
    if code == "1":
        return _PIECE
    if code == "%":
        return OrderUnit(MASS, MG_PER_G, ml=Decimal(100))
    numerator, *below = code.replace("/(", "/").replace(")", "").replace("kg.", "kg/").split("/")
    found = _numerator(numerator)
    if found is None:
        return None
    basis, factor = found
    per_kg, times_per_hour, ml = False, None, None
    for part in below:
        if part == "kg" and not per_kg:
            per_kg = True
        elif _is_count(part):
            continue
        elif times_per_hour is None and (times := _converted("h", part)) is not None:
            times_per_hour = times
        elif ml is None and (volume := _converted(part, VOLUME)) is not None:
            ml = volume
        else:
            return None
    return OrderUnit(basis, factor, per_kg, times_per_hour, ml)


def _numerator(part: str) -> tuple[str, Decimal] | None:
    if _is_count(part):
        return COUNT, ONE
    if part.endswith("{PE}"):
        factor = _converted(part.removesuffix("{PE}"), MASS)
        return None if factor is None else (EQUIVALENT_MASS, factor)
    plain = part.split("{", 1)[0]
    if plain in ("eq", "meq"):
        return CHARGE, ONE if plain == "meq" else Decimal(1000)
    for basis in (MASS, MOLES, UNITS, VOLUME, TIME):
        factor = _converted(plain, basis)
        if factor is not None:
            return basis, factor
    return None


def _is_count(part: str) -> bool:
    return part == "1" or part.strip("{}").lower() in DOSE_FORMS


def _converted(code: str, to: str) -> Decimal | None:
    try:
        return units.convert(ONE, code, to)
    except units.UnitError:
        return None


class Quantity(msgspec.Struct, frozen=True, gc=False):
    """A stated number in its basis (mg, mmol, meq, [iU], mg{PE}, mL, 1, min), before weight, time and volume are applied."""

    value: Interval
    unit: OrderUnit

    @property
    def basis(self) -> str:
        """What is measured."""
        return self.unit.basis


def quantity(measure: Measure | None) -> Quantity | None:
    """The stated number in its basis. None when nothing was stated, or when number or unit is not one that orders use.

    A range without a lower end begins at zero. A number that is negative, or of a size that no dose, rate or bag has, is not read.
    """
    if measure is None:
        return None
    value = measure.value
    if value.low is None:
        if value.high is None:
            return None
        value = Interval(ZERO, value.high)
    if measure.unit is None:
        words = measure.text.lower().split()
        counted = words and words[-1].strip("{}[]().") in DOSE_FORMS
        return Quantity(value, _PIECE) if counted and value.low is not None and value.low >= ZERO else None
    unit = order_unit(measure.unit)
    if unit is None:
        return None
    if unit.factor != ONE:
        value = value.scale(unit.factor)
    low, high = value.low, value.high
    if low is None or not (_LEAST <= low <= _MOST or low == ZERO):
        return None
    if high is low or high is None or _LEAST <= high <= _MOST or high == ZERO:
        return Quantity(value, unit)
    return None


def scaled(value: Interval, factor: Decimal) -> Interval:
    """Every value times a factor above zero; the same interval where the factor is one."""
    return value if factor == ONE else value.scale(factor)


def settled(value: Interval) -> Interval:
    """The figure of one order without the dust of decimal division (1000 mg over 20 min is 50 mg/min, not 50.000...003).

    Rounds at the twelfth decimal, a million times finer than any dose that a pump can give; a limit is met exactly or not.
    """
    return _rounded(value, _ORDER_DUST)


def settled_total(value: Interval) -> Interval:
    """The same for a sum of settled figures (three thirds of 20 are 20): ninth decimal."""
    return _rounded(value, _TOTAL_DUST)


def settled_number(number: Decimal) -> Decimal:
    """One number as `settled` leaves it."""
    return number if number.adjusted() >= _TOO_LARGE_FOR_DUST else number.quantize(_ORDER_DUST, ROUND_HALF_EVEN)


def _rounded(value: Interval, dust: Decimal) -> Interval:
    low, high = value.low, value.high
    # more digits than the precision holds: there is no dust in it
    clean_low = low if low is None or low.adjusted() >= _TOO_LARGE_FOR_DUST else low.quantize(dust, ROUND_HALF_EVEN)
    if high is low or high == low:
        clean_high = clean_low
    else:
        clean_high = high if high is None or high.adjusted() >= _TOO_LARGE_FOR_DUST else high.quantize(dust, ROUND_HALF_EVEN)
    if clean_low == low and clean_high == high:
        return value
    return Interval(clean_low, clean_high, value.low_open, value.high_open)


def agree(a: Interval, b: Interval, percent: Decimal) -> bool:
    """Whether two figures are at most `percent` apart, by the smaller; unbounded figures never agree."""
    if a.low is None or a.high is None or b.low is None or b.high is None:
        return False
    if a.low != a.high or b.low != b.high:
        return a.low <= b.high and b.low <= a.high
    if a.low == b.low:
        return True
    return max(a.low, b.low) <= min(a.low, b.low) * (ONE + percent / 100)
