"""Deficits, insulin rates and maintenance fluid. Weight in kg, potassium in mmol/L, insulin in [iU], volumes in mL."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from cds.formulas.constants import FormulaConstants
from cds.formulas.monotone import FALLS, RISES, NotComputable, monotone, not_negative
from cds.numbers import ZERO, Interval, point


def potassium_deficit(potassium: Interval, *, c: FormulaConstants) -> Interval:
    """Very rough whole-body deficit, mmol: a range to look at, never a dose. Not in acidosis or shifts. Source: Sterns
    1981.
    """
    return monotone_band(
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
    return monotone_band(weight.scale(c.ketoacidosis_deficit_low), weight.scale(c.ketoacidosis_deficit_high))


def monotone_band(low: Interval, high: Interval) -> Interval:
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
    return maintenance_per_day(weight, c=c).scale(1 / Decimal(24))


def _product(a: Interval, b: Interval) -> Interval:
    return monotone(lambda x, y: x * y, (not_negative(a), RISES), (not_negative(b), RISES), strict=False)
