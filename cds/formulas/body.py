"""Calcium, heart, circulation, kidney, body size, phenytoin.

Units: calcium mmol/L, albumin g/L, intervals ms, rates /min, pressures mm[Hg], creatinine umol/L, weight kg, height
cm, age in years, drug levels mg/L. `female` None means that the sex is not known: the result then covers both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from cds.formulas.constants import FormulaConstants
from cds.formulas.monotone import FALLS, RISES, NotComputable, monotone, not_negative, power, root, within
from cds.numbers import ZERO, Interval, point


def adult(age: Interval, c: FormulaConstants) -> None:
    """NotComputable, with the reason, unless the patient is surely an adult (from 18 years)."""
    within(age, c.adult_from_years, None, f"only from {c.adult_from_years} years")


def calcium_adjusted(calcium: Interval, albumin: Interval, *, c: FormulaConstants) -> Interval:
    """Total calcium adjusted to albumin 40 g/L, mmol/L. Poor in critical illness: ionised calcium goes first. Source:
    Payne 1973.
    """
    shift = (point(c.calcium_reference_albumin) - not_negative(albumin)).scale(c.calcium_per_albumin)
    return not_negative(calcium) + shift


def qtc_fridericia(qt: Interval, heart_rate: Interval, *, c: FormulaConstants) -> Interval:
    """QT over the cube root of the RR interval in seconds, ms. NotComputable outside rates of 40 to 140. Fridericia
    1920.
    """
    return _qtc(qt, heart_rate, 3, c)


def qtc_bazett(qt: Interval, heart_rate: Interval, *, c: FormulaConstants) -> Interval:
    """QT over the square root of the RR interval, ms; too long above 90 beats. Source: Bazett 1920."""
    return _qtc(qt, heart_rate, 2, c)


def _qtc(qt: Interval, heart_rate: Interval, degree: int, c: FormulaConstants) -> Interval:
    within(heart_rate, c.qtc_rate_minimum, c.qtc_rate_maximum, "heart rate outside the range of the correction")
    return monotone(lambda q, h: q / root(60 / h, degree), (not_negative(qt), RISES), (heart_rate, RISES))


def mean_pressure(systolic: Interval, diastolic: Interval) -> Interval:
    """Mean arterial pressure from a cuff, mm[Hg]. Source: common practice."""
    return monotone(lambda s, d: (s + 2 * d) / 3, (not_negative(systolic), RISES), (not_negative(diastolic), RISES))


def shock_index(heart_rate: Interval, systolic: Interval) -> Interval:
    """Heart rate over systolic pressure. Not to be trusted under a beta-blocker. Source: Allgoewer 1967."""
    return monotone(lambda h, s: h / s, (not_negative(heart_rate), RISES), (not_negative(systolic), FALLS), floor=ZERO)


def cockcroft_gault(
    age: Interval, weight: Interval, creatinine: Interval, female: bool | None, *, c: FormulaConstants
) -> Interval:
    """Creatinine clearance, mL/min. NotComputable under 18 years or at 140. Only while creatinine is steady. Source:
    Cockcroft 1976.
    """
    adult(age, c)
    within(age, None, None, "age beyond the formula", below=c.cockcroft_age)

    def of_sex(is_female: bool) -> Interval:
        factor = c.cockcroft_female if is_female else Decimal(1)
        return monotone(
            lambda a, w, s: (
                (c.cockcroft_age - a) * w * factor / (c.cockcroft_divisor * s / c.creatinine_umol_per_mg_dl)
            ),
            (age, FALLS),
            (not_negative(weight), RISES),
            (not_negative(creatinine), FALLS),
            floor=ZERO,
        )

    return by_sex(of_sex, female)


def cockcroft_weight(
    weight: Interval, height: Interval | None, female: bool | None, *, c: FormulaConstants
) -> Interval:
    """The weight to use in `cockcroft_gault`: adjusted when actual is above 120 % of ideal, else actual.

    Actual too without a height, or at a height for which ideal weight is not defined (R-n80). Both when the interval
    spans the limit.
    """
    if height is None or height.below(c.ideal_weight_base_height) is not False:
        return weight
    ideal = ideal_weight(height, female, c=c)
    limit = ideal.scale(c.overweight_ratio)
    if limit.high is None or limit.low is None or weight.above(limit.low) is False:
        return weight
    adjusted = _adjusted(weight, ideal, c)
    return adjusted if weight.above(limit.high) is True else adjusted.hull(weight)


def ckd_epi(age: Interval, creatinine: Interval, female: bool | None, *, c: FormulaConstants) -> Interval:
    """Estimated glomerular filtration, mL/min/1.73 m2, without race. NotComputable under 18 years. Not in acute injury.
    Inker 2021.
    """
    adult(age, c)

    def of_sex(is_female: bool) -> Interval:
        kappa, alpha, factor = (
            (c.ckd_epi_kappa_female, c.ckd_epi_alpha_female, c.ckd_epi_female)
            if is_female
            else (c.ckd_epi_kappa_male, c.ckd_epi_alpha_male, Decimal(1))
        )

        def compute(years: Decimal, umol_per_l: Decimal) -> Decimal:
            ratio = umol_per_l / c.creatinine_umol_per_mg_dl / kappa
            bent = power(ratio, alpha if ratio <= 1 else c.ckd_epi_exponent)
            return c.ckd_epi_factor * bent * power(c.ckd_epi_age, years) * factor

        return monotone(compute, (age, FALLS), (not_negative(creatinine), FALLS), floor=ZERO)

    return by_sex(of_sex, female)


def schwartz(age: Interval, height: Interval, creatinine: Interval, *, c: FormulaConstants) -> Interval:
    """Bedside clearance of a child, mL/min/1.73 m2. NotComputable outside 1 to 17 years. Source: Schwartz 2009."""
    within(age, c.schwartz_from_years, None, "age outside 1 to 17 years", below=c.schwartz_under_years)
    return monotone(
        lambda h, s: c.schwartz_factor * h / (s / c.creatinine_umol_per_mg_dl),
        (not_negative(height), RISES),
        (not_negative(creatinine), FALLS),
        floor=ZERO,
    )


def ideal_weight(height: Interval, female: bool | None, *, c: FormulaConstants) -> Interval:
    """Ideal weight of an adult, kg. NotComputable under 152.4 cm. Source: Devine 1974."""
    within(height, c.ideal_weight_base_height, None, "height under the range of the ideal weight")

    def of_sex(is_female: bool) -> Interval:
        base = c.ideal_weight_female if is_female else c.ideal_weight_male
        return point(base) + (height - point(c.ideal_weight_base_height)).scale(c.ideal_weight_per_cm)

    return by_sex(of_sex, female)


def adjusted_weight(weight: Interval, height: Interval, female: bool | None, *, c: FormulaConstants) -> Interval:
    """Ideal weight and 40 % of the excess, kg. NotComputable unless actual is above 120 % of ideal. Source: common
    practice.
    """
    ideal = ideal_weight(height, female, c=c)
    limit = ideal.scale(c.overweight_ratio)
    if limit.high is None or weight.above(limit.high) is not True:
        raise NotComputable("weight not above 120 % of ideal")
    return _adjusted(weight, ideal, c)


def _adjusted(weight: Interval, ideal: Interval, c: FormulaConstants) -> Interval:
    return ideal.scale(1 - c.adjusted_weight_share) + weight.scale(c.adjusted_weight_share)


def phenytoin_corrected(total: Interval, albumin: Interval, *, c: FormulaConstants, renal: bool = False) -> Interval:
    """Phenytoin level as it would be at normal albumin, mg/L; above 44 g/L of albumin the measured one (N-12).

    `renal` takes the form for kidney failure. Not with valproate, which displaces. Source: Sheiner and Tozer 1978.
    """
    factor = c.phenytoin_albumin_factor_renal if renal else c.phenytoin_albumin_factor

    def compute(level: Decimal, albumin_g_per_l: Decimal) -> Decimal:
        if albumin_g_per_l > c.phenytoin_albumin_maximum:
            return level
        return level / (factor * albumin_g_per_l + c.phenytoin_free_share)

    return monotone(compute, (not_negative(total), RISES), (not_negative(albumin), FALLS), strict=False, floor=ZERO)


@dataclass(frozen=True, slots=True)
class PhenytoinForms:
    """The form that decides, and the other one where both are printed."""

    deciding: Interval
    renal_decides: bool
    also: Interval | None


def phenytoin_forms(
    total: Interval, albumin: Interval, clearance: Interval | None, dialysis: bool, *, c: FormulaConstants
) -> PhenytoinForms:
    """Which form holds at a clearance (mL/min): below 10 or on dialysis the renal one; to 25 both are printed (N-12).

    A clearance that is not known, or spans a limit, prints both; then the usual form decides.
    """
    usual, renal = (phenytoin_corrected(total, albumin, c=c, renal=each) for each in (False, True))
    if dialysis or (clearance is not None and clearance.below(c.phenytoin_renal_below) is True):
        return PhenytoinForms(renal, True, None)
    if clearance is not None and clearance.below(c.phenytoin_both_below) is False:
        return PhenytoinForms(usual, False, None)
    return PhenytoinForms(usual, False, renal)


def by_sex(compute: Callable[[bool], Interval], female: bool | None) -> Interval:
    """For one sex, or over both when it is not known."""
    return compute(female) if female is not None else compute(True).hull(compute(False))
