"""Fluid that is lacking, maintenance, a child's rate, bicarbonate. Weight in kg, volumes in mL, rates in mL/h."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from cds.formulas.body import adult
from cds.formulas.constants import FormulaConstants, for_this_age
from cds.formulas.doses import band
from cds.formulas.monotone import FALLS, RISES, monotone, not_negative, within
from cds.numbers import ZERO, Interval, point

HOURS_A_DAY: Final = Decimal(24)
Severity = Literal["mild", "moderate", "severe"]


def ketoacidosis_fluid_deficit(age: Interval, weight: Interval, *, c: FormulaConstants) -> Interval:
    """Fluid that an adult in ketoacidosis lacks, mL: 100 for each kg. Half in 8 to 12 h, the rest by 24 to 48 h. Kitabchi
    2009.
    """
    adult(age, c)
    return not_negative(weight).scale(for_this_age(c.ketoacidosis_fluid_deficit))


def hyperosmolar_fluid_deficit(age: Interval, weight: Interval, *, c: FormulaConstants) -> Interval:
    """Fluid that an adult in a hyperosmolar state lacks, mL: 100 to 220 for each kg. Source: the British guidance."""
    adult(age, c)
    weight = not_negative(weight)
    low, high = (for_this_age(each) for each in (c.hyperosmolar_fluid_deficit_low, c.hyperosmolar_fluid_deficit_high))
    return band(weight.scale(low), weight.scale(high))


def maintenance_per_day(weight: Interval, *, c: FormulaConstants) -> Interval:
    """Maintenance fluid of a child older than 28 days, mL in 24 h, at most 2400. Source: Holliday and Segar 1957."""

    def compute(kg: Decimal) -> Decimal:
        step = c.maintenance_step
        first, second = min(kg, step), min(max(kg - step, ZERO), step)
        rest = max(kg - 2 * step, ZERO)
        amount = first * c.maintenance_first + second * c.maintenance_second + rest * c.maintenance_rest
        return min(amount, c.maintenance_cap)

    found = monotone(compute, (not_negative(weight), RISES), strict=False)
    return Interval(found.low, c.maintenance_cap) if found.high is None else found


def maintenance_per_hour(weight: Interval, *, c: FormulaConstants) -> Interval:
    """`maintenance_per_day` spread over 24 h, mL/h."""
    return maintenance_per_day(weight, c=c).scale(1 / HOURS_A_DAY)


def child_deficit_percent(severity: Severity, c: FormulaConstants) -> Decimal:
    """Body weight (%) that a child in ketoacidosis is taken to lack as fluid: 5, 7 or 10. Source: Glaser 2022 (ISPAD)."""
    return for_this_age({"mild": c.child_deficit_mild, "moderate": c.child_deficit_moderate, "severe": c.child_deficit_severe}[severity])


def child_fluid_rate(
    age: Interval,
    weight: Interval,
    deficit_percent: Decimal,
    *,
    c: FormulaConstants,
    bolus: Interval | None = None,
    hours: Decimal | None = None,
) -> Interval:
    """mL/h for a child in ketoacidosis: the deficit over 48 h (or `hours`), and maintenance.

    `bolus` (mL) is what was given without shock where the profile takes it off the deficit (NICE NG18); never below
    maintenance. NotComputable from 18 years and without a child's figures. Source: Glaser 2022 (ISPAD), NICE NG18.
    """
    child(age, c)
    over = for_this_age(c.child_deficit_hours) if hours is None else hours
    given = point(ZERO) if bolus is None else not_negative(bolus)
    millilitres_per_kg = deficit_percent * 10  # 1 % of a kilogram is 10 mL
    rate = monotone(
        lambda kg, ml: max(millilitres_per_kg * kg - ml, ZERO) / over,
        (not_negative(weight), RISES),
        (given, FALLS),
        strict=False,
        floor=ZERO,
    )
    return rate + maintenance_per_hour(weight, c=c)


def child(age: Interval, c: FormulaConstants) -> None:
    """NotComputable, with the reason, unless the patient is surely under 18 years."""
    within(age, None, None, f"only under {c.adult_from_years} years", below=c.adult_from_years)


@dataclass(frozen=True, slots=True)
class BicarbonateInfusion:
    """One infusion of sodium bicarbonate: mmol, in mL of water, over hours, at mL/h."""

    amount: Decimal
    volume: Decimal
    hours: Decimal
    rate: Decimal


def bicarbonate_infusion(age: Interval, *, c: FormulaConstants) -> BicarbonateInfusion:
    """What an adult with a pH under 7.0 is given: 100 mmol in 400 mL over 2 h. NotComputable under 18 years, where it is
    harmful. Source: Umpierrez 2024.
    """
    adult(age, c)
    amount, volume, hours = (for_this_age(each) for each in (c.bicarbonate_amount, c.bicarbonate_volume, c.bicarbonate_hours))
    return BicarbonateInfusion(amount, volume, hours, volume / hours)


def bicarbonate_deficit(weight: Interval, bicarbonate: Interval, target: Decimal, *, c: FormulaConstants) -> Interval:
    """Bicarbonate that is lacking to reach `target` (mmol/L), mmol: of interest only, never to be given at once. Common
    practice.
    """
    return monotone(
        lambda kg, has: c.bicarbonate_space * kg * max(target - has, ZERO),
        (not_negative(weight), RISES),
        (not_negative(bicarbonate), FALLS),
        strict=False,
        floor=ZERO,
    )
