"""Potassium deficits and insulin. Weight in kg, potassium in mmol/L, insulin in [iU]. Fluids stand in `fluids`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from cds.formulas.body import adult
from cds.formulas.constants import FormulaConstants, for_this_age
from cds.formulas.monotone import FALLS, RISES, NotComputable, monotone, not_negative
from cds.numbers import ZERO, Interval, point


def potassium_per_hour(
    bags: Sequence[tuple[Interval, Interval]], doses: Sequence[tuple[Interval, Decimal]] = ()
) -> Interval:
    """mmol/h over bags (mmol/L, mL/h) and doses (mmol, hours). The paper form of the sum that `cds.orders` makes of orders."""
    amount = point(ZERO)
    for concentration, rate in bags:
        amount = amount + _product(concentration, rate).scale(Decimal("0.001"))
    for dose, hours in doses:
        if hours <= ZERO:
            raise NotComputable("a dose over no time")
        amount = amount + not_negative(dose).scale(1 / hours)
    return amount


def potassium_deficit(potassium: Interval, *, c: FormulaConstants) -> Interval:
    """Very rough whole-body deficit, mmol: a range to look at, never a dose. Not in acidosis or shifts. Source: Sterns
    1981.
    """
    return band(
        monotone(
            lambda k: c.potassium_deficit_low * max(c.potassium_deficit_from_low - k, ZERO),
            (not_negative(potassium), FALLS),
            strict=False,
        ),
        monotone(
            lambda k: c.potassium_deficit_high * max(c.potassium_deficit_from_high - k, ZERO),
            (not_negative(potassium), FALLS),
            strict=False,
        ),
    )


def potassium_deficit_by_steps(potassium: Interval, *, c: FormulaConstants) -> Interval:
    """The same by the rule of thumb "100 mmol for each 0.3 mmol/L below 3.5", mmol."""
    return monotone(
        lambda k: c.potassium_deficit_step * max(c.potassium_deficit_from_low - k, ZERO) / c.potassium_step,
        (not_negative(potassium), FALLS),
        strict=False,
    )


def ketoacidosis_potassium_deficit(weight: Interval, *, c: FormulaConstants) -> Interval:
    """Whole-body potassium deficit in ketoacidosis whatever the level, mmol: 3 to 5 for each kg. Kitabchi 2009."""
    weight = not_negative(weight)
    return band(weight.scale(c.ketoacidosis_deficit_low), weight.scale(c.ketoacidosis_deficit_high))


def band(low: Interval, high: Interval) -> Interval:
    """From the lower end of `low` to the upper end of `high`."""
    return Interval(low.low, high.high, low.low_open, high.high_open)


def insulin_per_hour(per_kg_hour: Interval, weight: Interval) -> Interval:
    """[iU]/h from [iU]/kg/h and kg."""
    return _product(per_kg_hour, weight)


def insulin_per_kg_hour(millilitres_per_hour: Interval, per_millilitre: Interval, weight: Interval) -> Interval:
    """[iU]/kg/h from a pump's mL/h, the syringe's [iU]/mL and kg."""
    return monotone(
        lambda v, u, w: v * u / w,
        (not_negative(millilitres_per_hour), RISES),
        (not_negative(per_millilitre), RISES),
        (not_negative(weight), FALLS),
        strict=False,
        floor=ZERO,
    )


def insulin_given(rates: Sequence[tuple[Interval, Decimal]]) -> Interval:
    """[iU] over a window, from pairs of rate ([iU]/h) and hours."""
    amount = point(ZERO)
    for rate, hours in rates:
        if hours < ZERO:
            raise NotComputable("a negative time")
        amount = amount + not_negative(rate).scale(hours)
    return amount


def insulin_day_equivalent(mean_rate: Interval, hours_stable: Decimal, *, c: FormulaConstants) -> Interval:
    """[iU] a day from the mean rate ([iU]/h) of the last stable hours. NotComputable under 6 h. Common practice."""
    if hours_stable < c.insulin_day_minimum_hours:
        raise NotComputable(f"less than {c.insulin_day_minimum_hours} stable hours on insulin")
    return not_negative(mean_rate).scale(24 * c.insulin_day_share)


@dataclass(frozen=True, slots=True)
class InsulinSplit:
    """Insulin under the skin of one day, [iU], in whole units, each rounded down: all of it, the basal part, each meal."""

    total: Interval
    basal: Interval
    meal: Interval


def insulin_split(total: Interval, *, c: FormulaConstants) -> InsulinSplit:
    """[iU] of a day: half of it basal, the rest over three meals, whole units, rounded down. Source: Umpierrez 2024."""
    rest = (1 - c.insulin_basal_share) / c.insulin_meals
    return InsulinSplit(whole_down(total), whole_down(total.scale(c.insulin_basal_share)), whole_down(total.scale(rest)))


def insulin_total(age: Interval, weight: Interval, *, c: FormulaConstants, cautious: bool = False) -> Interval:
    """[iU] a day under the skin after a crisis, by weight, not rounded: 0.5 to 0.6 for each kg.

    `cautious` takes 0.3: old age, frailty, poor kidneys, known low glucose. NotComputable under 18 years (there the
    specialist team decides). Source: Umpierrez 2024.
    """
    adult(age, c)
    weight = not_negative(weight)
    if cautious:
        return weight.scale(for_this_age(c.insulin_total_cautious))
    low, high = for_this_age(c.insulin_total_low), for_this_age(c.insulin_total_high)
    return band(weight.scale(low), weight.scale(high))


def whole_down(value: Interval) -> Interval:
    """The whole number at or below, of both ends: a dose is never rounded up."""
    return _whole(value, ROUND_FLOOR)


def whole_up(value: Interval) -> Interval:
    """The whole number at or above, of both ends: a shortest time is never rounded down."""
    return _whole(value, ROUND_CEILING)


def _whole(value: Interval, rounding: str) -> Interval:
    low = None if value.low is None else value.low.to_integral_value(rounding)
    return Interval(low, None if value.high is None else value.high.to_integral_value(rounding))


def _product(a: Interval, b: Interval) -> Interval:
    return monotone(lambda x, y: x * y, (not_negative(a), RISES), (not_negative(b), RISES), strict=False)
