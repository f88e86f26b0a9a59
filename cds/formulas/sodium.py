"""How fast sodium rises, what is left of a limit, and what 3 % saline would add. Sodium in mmol/L, volumes in mL, body water
in L.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import reduce
from typing import Final

from cds.formulas.body import adult, by_sex
from cds.formulas.constants import FormulaConstants, for_this_age
from cds.formulas.monotone import FALLS, RISES, NotComputable, monotone, not_negative
from cds.formulas.trend import Sample
from cds.numbers import ZERO, Interval

_LITRE: Final = Decimal(1000)


@dataclass(frozen=True, slots=True)
class SodiumRise:
    """By how much the newest sodium lies above the lowest of the time before it (negative: below), and the hours between."""

    rise: Interval
    lowest: Interval
    hours: Decimal


def sodium_rise(samples: Sequence[Sample], within_hours: Decimal) -> SodiumRise:
    """The newest sample less the lowest of the `within_hours` before it; samples are (hours, mmol/L), glucose-corrected.

    The sum over a window, not a slope: what was gained counts although it came in the first hour. NotComputable without
    an earlier sample in the window. Source: Spasovski 2014, Verbalis 2013.
    """
    ordered = sorted(samples, key=lambda each: each[0])
    if not ordered:
        raise NotComputable("no sodium")
    now, latest = ordered[-1]
    earlier = [each for each in ordered[:-1] if now - each[0] <= within_hours]
    if not earlier:
        raise NotComputable(f"no earlier sodium within {within_hours} h")
    lowest = reduce(_lesser, (value for _, value in earlier))
    # the newest of those that may be the lowest: the shortest time in which the rise may have come about
    at = max(hours for hours, value in earlier if lowest.high is None or value.low is None or value.low <= lowest.high)
    return SodiumRise(latest - lowest, lowest, now - at)


def _lesser(a: Interval, b: Interval) -> Interval:
    """The lesser of two values, each of which may lie anywhere in its interval."""
    low, high = a.hull(b), a if b.high is None or (a.high is not None and a.high < b.high) else b
    return Interval(low.low, high.high, low.low_open, high.high_open or (a.high == b.high and a.high_open))


def rise_left(rise: Interval, limit: Decimal) -> Interval:
    """What is left of a limit of the rise, mmol/L; never below zero. Nothing left is 0, also when the limit is passed."""
    return monotone(lambda gained: max(limit - gained, ZERO), (rise, FALLS), strict=False, floor=ZERO)


def body_water(age: Interval, weight: Interval, female: bool | None, *, c: FormulaConstants) -> Interval:
    """Body water of an adult, L: 0.6 for each kg in men, 0.5 in women and old men, 0.45 in old women; old is from 65 years.

    An age or sex that is not certain covers both. NotComputable under 18 years. Source: Adrogue and Madias 2000.
    """
    adult(age, c)
    old = age.below(c.water_old_years)

    def of_sex(is_female: bool) -> Interval:
        young, aged = (c.water_female, c.water_old_female) if is_female else (c.water_male, c.water_old_male)
        shares = {True: (young, young), False: (aged, aged), None: (aged, young)}[old]
        return not_negative(weight).times(Interval(*shares))

    return by_sex(of_sex, female)


def change_by_litre(sodium: Interval, water: Interval, fluid_sodium: Decimal) -> Interval:
    """Change of sodium by one litre of a fluid with `fluid_sodium` mmol/L. Source: Adrogue and Madias 2000."""
    return change_by_volume(sodium, water, fluid_sodium, _LITRE)


def change_by_volume(sodium: Interval, water: Interval, fluid_sodium: Decimal, volume: Decimal) -> Interval:
    """Change of sodium by `volume` mL of a fluid, mmol/L, in the exact form (a litre's change does not scale).

    Losses in urine meanwhile are not in it. NotComputable when the sodium may lie on both sides of that of the fluid.
    Source: Chen 2021, from Adrogue and Madias 2000.
    """
    litres = volume / _LITRE
    if sodium.below(fluid_sodium) is True:
        moved_by_water = FALLS
    elif sodium.below(fluid_sodium) is False:
        moved_by_water = RISES
    else:
        raise NotComputable("sodium on both sides of that of the fluid")
    return monotone(
        lambda has, body: (fluid_sodium - has) * litres / (body + litres),
        (not_negative(sodium), FALLS),
        (not_negative(water), moved_by_water),
        strict=False,
    )


def hypertonic_rise(
    age: Interval, weight: Interval, sodium: Interval, female: bool | None, *, c: FormulaConstants
) -> Interval:
    """Rise of sodium by one adult bolus (150 mL) of 3 % saline, mmol/L, if no urine is passed. A projection, not a
    measurement.
    """
    water = body_water(age, weight, female, c=c)
    return change_by_volume(sodium, water, c.hypertonic_sodium, for_this_age(c.hypertonic_bolus))
