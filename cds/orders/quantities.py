"""Units of orders: what is measured (mass, moles, equivalents, units, volume), per kg of body weight, per time, per volume.

Dimensional analysis with body weight as a dimension of its own (HZ-05): mg/min, mg/h and ug/kg/min never meet by accident.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache

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


@dataclass(frozen=True, slots=True)
class Quantity:
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
    if measure is None or measure.value.high is None and measure.value.low is None:
        return None
    value = measure.value if measure.value.low is not None else Interval(ZERO, measure.value.high)
    if value.low is None or value.low < ZERO:
        return None
    if measure.unit is None:
        words = measure.text.lower().split()
        return Quantity(value, _PIECE) if words and words[-1].strip("{}[]().") in DOSE_FORMS else None
    unit = order_unit(measure.unit)
    if unit is None:
        return None
    found = Quantity(value if unit.factor == ONE else value.scale(unit.factor), unit)
    return found if all(end is None or end == ZERO or _LEAST <= end <= _MOST for end in (found.value.low, found.value.high)) else None


def settled(value: Interval) -> Interval:
    """The figure of one order without the dust of decimal division (1000 mg over 20 min is 50 mg/min, not 50.000...003).

    Rounds at the twelfth decimal, a million times finer than any dose that a pump can give; a limit is met exactly or not.
    """
    return _rounded(value, _ORDER_DUST)


def settled_total(value: Interval) -> Interval:
    """The same for a sum of settled figures (three thirds of 20 are 20): ninth decimal."""
    return _rounded(value, _TOTAL_DUST)


def _rounded(value: Interval, dust: Decimal) -> Interval:
    low = _without_dust(value.low, dust)
    return Interval(low, low if value.high == value.low else _without_dust(value.high, dust), value.low_open, value.high_open)


def _without_dust(number: Decimal | None, dust: Decimal) -> Decimal | None:
    if number is None or number.adjusted() >= _TOO_LARGE_FOR_DUST:
        return number  # more digits than the precision holds: there is no dust in it
    return number.quantize(dust, ROUND_HALF_EVEN)


def agree(a: Interval, b: Interval, percent: Decimal) -> bool:
    """Whether two figures are at most `percent` apart, by the smaller; unbounded figures never agree."""
    if a.low is None or a.high is None or b.low is None or b.high is None:
        return False
    if a.exact is None or b.exact is None:
        return a.low <= b.high and b.low <= a.high
    return max(a.low, b.low) <= min(a.low, b.low) * (ONE + percent / 100)
