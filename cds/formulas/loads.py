"""Loads, their shortest time, the weight at which a maximum holds, and doses of a day."""

from __future__ import annotations

from decimal import Decimal

from cds.formulas.body import adult
from cds.formulas.constants import FormulaConstants, for_this_age
from cds.formulas.fluids import HOURS_A_DAY
from cds.formulas.monotone import FALLS, RISES, NotComputable, monotone, not_negative
from cds.numbers import ZERO, Interval


def phenytoin_partial_load(
    age: Interval, weight: Interval, level: Interval, target: Interval, *, c: FormulaConstants
) -> Interval:
    """mg of phenytoin sodium that lift a `level` to a `target` (both mg/L): 0.7 L for each kg, 92 % of the salt is phenytoin.

    Nothing when the level is there already. An adult's volume: NotComputable under 18 years. Own rule C5; a hospital's
    chart prints it without the salt (8 % less).
    """
    adult(age, c)
    litres_per_kg = for_this_age(c.phenytoin_volume)
    return monotone(
        lambda wanted, has, kg: max(wanted - has, ZERO) * litres_per_kg * kg / c.phenytoin_salt_share,
        (not_negative(target), RISES),
        (not_negative(level), FALLS),
        (not_negative(weight), RISES),
        strict=False,
        floor=ZERO,
    )


def shortest_minutes(dose: Interval, most_per_minute: Decimal) -> Interval:
    """The shortest allowed time of an infusion, min: the dose over its limit (same unit a minute). Show it rounded up."""
    if most_per_minute <= ZERO:
        raise NotComputable("no rate allowed")
    return not_negative(dose).scale(1 / most_per_minute)


def binding_weight(most: Decimal, per_kg: Decimal) -> Decimal:
    """The weight, kg, from which the maximum of a dose holds and no longer its amount for each kg."""
    if per_kg <= ZERO:
        raise NotComputable("no amount for each kg")
    return most / per_kg


def dose_by_weight(weight: Interval, per_kg: Decimal, most: Decimal) -> Interval:
    """The dose for a weight: so much for each kg, at most `most`."""
    dose = monotone(lambda kg: min(kg * per_kg, most), (not_negative(weight), RISES), strict=False)
    return Interval(dose.low, most) if dose.high is None else dose


def per_day(dose: Interval, every_hours: Decimal) -> Interval:
    """What a dose repeated every so many hours amounts to in a day, in the unit of the dose."""
    if every_hours <= ZERO:
        raise NotComputable("no time between doses")
    return not_negative(dose).scale(HOURS_A_DAY / every_hours)
