"""Acid-base, osmolality and sodium. Concentrations in mmol/L, pCO2 in mm[Hg], albumin in g/L, osmolality in mosm/kg.

Every function takes intervals and gives an interval; NotComputable says in words why a formula does not hold.
"""

from __future__ import annotations

from decimal import Decimal
from enum import Enum

from cds.formulas.constants import FormulaConstants
from cds.formulas.monotone import FALLS, RISES, NotComputable, log10, monotone, not_negative, within
from cds.numbers import ZERO, Interval, point


def anion_gap(sodium: Interval, chloride: Interval, bicarbonate: Interval) -> Interval:
    """Sodium less chloride and bicarbonate, mmol/L. Measured sodium, never the corrected one. Source: Kitabchi 2009."""
    return not_negative(sodium) - (not_negative(chloride) + not_negative(bicarbonate))


def anion_gap_with_potassium(
    sodium: Interval, potassium: Interval, chloride: Interval, bicarbonate: Interval
) -> Interval:
    """Sodium and potassium less chloride and bicarbonate, mmol/L. Source: common practice in the United Kingdom."""
    return anion_gap(sodium, chloride, bicarbonate) + not_negative(potassium)


def anion_gap_corrected(gap: Interval, albumin: Interval, *, c: FormulaConstants) -> Interval:
    """Anion gap as it would be at the reference albumin, mmol/L. NotComputable outside albumin 10 to 60 g/L. Source:
    Figge 1998.
    """
    within(albumin, c.gap_albumin_minimum, c.gap_albumin_maximum, "albumin outside the range of the correction")
    return gap + (point(c.gap_reference_albumin) - albumin).scale(c.gap_per_albumin)


def unexplained_gap(gap: Interval, beta_hydroxybutyrate: Interval, lactate: Interval, *, c: FormulaConstants) -> Interval:
    """What of the rise of the gap (give it corrected for albumin) neither beta-hydroxybutyrate nor lactate explains, mmol/L.

    A hint: acetoacetate is not counted. Below zero when both explain more than the whole rise. Own rule A4.
    """
    return gap - point(c.anion_gap_normal) - not_negative(beta_hydroxybutyrate) - not_negative(lactate)


def delta_ratio(gap: Interval, bicarbonate: Interval, *, c: FormulaConstants) -> Interval:
    """Rise of the gap over fall of the bicarbonate. NotComputable unless gap > 12 and bicarbonate < 24. Source: common
    practice.
    """
    if gap.above(c.anion_gap_normal) is not True:
        raise NotComputable("the anion gap is not raised")
    bicarbonate = not_negative(bicarbonate)
    within(bicarbonate, None, None, "bicarbonate is not low", below=c.normal_bicarbonate)
    return monotone(
        lambda g, b: (g - c.anion_gap_normal) / (c.normal_bicarbonate - b),
        (gap, RISES),
        (bicarbonate, RISES),
        floor=ZERO,
    )


def expected_pco2(bicarbonate: Interval, *, c: FormulaConstants) -> Interval:
    """pCO2 (mm[Hg]) that a steady metabolic acidosis brings about, centre of the band. Source: Albert, Dell, Winters
    1967.
    """
    return not_negative(bicarbonate).scale(c.winters_slope) + point(c.winters_constant)


def expected_pco2_band(bicarbonate: Interval, *, c: FormulaConstants) -> Interval:
    """The whole band of `expected_pco2`, plus and minus 2 mm[Hg]."""
    margin = Interval(-c.winters_margin, c.winters_margin)
    return expected_pco2(bicarbonate, c=c) + margin


def ph_computed(bicarbonate: Interval, pco2: Interval, *, c: FormulaConstants) -> Interval:
    """pH from bicarbonate (mmol/L) and pCO2 (mm[Hg]). Source: Henderson-Hasselbalch, pKa 6.1, solubility 0.0307."""
    return monotone(
        lambda b, p: c.bicarbonate_pka + log10(b / (c.co2_solubility * p)),
        (not_negative(bicarbonate), RISES),
        (not_negative(pco2), FALLS),
    )


class GasCheck(Enum):
    """What the measured pH says of the gas it stands with."""

    CONSISTENT = "consistent"
    CHECK = "check"
    INCONSISTENT = "inconsistent"


def gas_check(ph: Decimal, computed: Decimal, *, c: FormulaConstants) -> GasCheck:
    """Whether measured and computed pH belong to one gas: to 0.05 consistent, to 0.10 a look, beyond inconsistent. Our
    rule.
    """
    difference = abs(ph - computed)
    if difference <= c.ph_consistent_within:
        return GasCheck.CONSISTENT
    return GasCheck.CHECK if difference <= c.ph_check_within else GasCheck.INCONSISTENT


def hydrogen_ion(pco2: Interval, bicarbonate: Interval, *, c: FormulaConstants) -> Interval:
    """Hydrogen ion, nmol/L, by ratio; 40 at pH 7.40. Source: common practice."""
    return monotone(
        lambda p, b: c.hydrogen_factor * p / b,
        (not_negative(pco2), RISES),
        (not_negative(bicarbonate), FALLS),
        floor=ZERO,
    )


def effective_osmolality(sodium: Interval, glucose: Interval, *, c: FormulaConstants) -> Interval:
    """Twice the measured sodium and glucose, mosm/kg. Source: consensus of 2024, Kitabchi 2009."""
    return not_negative(sodium).scale(c.osmolal_sodium_factor) + not_negative(glucose)


def total_osmolality(sodium: Interval, glucose: Interval, urea: Interval, *, c: FormulaConstants) -> Interval:
    """Effective osmolality and urea, mosm/kg. Source: the British guidance on the hyperosmolar state."""
    return effective_osmolality(sodium, glucose, c=c) + not_negative(urea)


def osmolal_gap(
    measured: Interval,
    sodium: Interval,
    glucose: Interval,
    urea: Interval,
    ethanol: Interval | None = None,
    *,
    c: FormulaConstants,
) -> Interval:
    """Measured less calculated osmolality, mosm/kg; `ethanol` in mmol/L. A normal gap excludes nothing late. Common
    practice.
    """
    calculated = total_osmolality(sodium, glucose, urea, c=c)
    if ethanol is not None:
        calculated = calculated + not_negative(ethanol)
    return not_negative(measured) - calculated


def ethanol_osmolality(ethanol: Interval, *, c: FormulaConstants, empirical: bool = False) -> Interval:
    """What ethanol (mg/dL) adds to the osmolality, mosm/kg; `empirical` uses the divisor that was observed."""
    return not_negative(ethanol).scale(1 / (c.ethanol_empirical_divisor if empirical else c.ethanol_divisor))


def sodium_corrected_katz(sodium: Interval, glucose: Interval, *, c: FormulaConstants) -> Interval:
    """Sodium as it would be at a glucose of 5.55 mmol/L; below that nothing is added. The default of the rules. Katz
    1973.
    """
    return _corrected(sodium, glucose, c.katz_factor, c)


def sodium_corrected_hillier(sodium: Interval, glucose: Interval, *, c: FormulaConstants) -> Interval:
    """As `sodium_corrected_katz` with the steeper factor, better above 22 mmol/L of glucose. Source: Hillier 1999."""
    return _corrected(sodium, glucose, c.hillier_factor, c)


def sodium_corrected_above(sodium: Interval, glucose: Interval, *, c: FormulaConstants) -> Interval:
    """As `sodium_corrected_katz`, but the measured sodium up to a glucose of 11.1 mmol/L, where nobody looks for a shift.

    For judging one low sodium; a series takes the form as printed, so that it does not jump. Own rules N-06 and Q-M11.
    """

    def compute(measured: Decimal, glucose_mmol_per_l: Decimal) -> Decimal:
        if glucose_mmol_per_l <= c.glucose_corrected_above:
            return measured
        return measured + c.katz_factor * (glucose_mmol_per_l - c.glucose_reference)

    return monotone(compute, (not_negative(sodium), RISES), (not_negative(glucose), RISES), strict=False)


def _corrected(sodium: Interval, glucose: Interval, factor: Decimal, c: FormulaConstants) -> Interval:
    return monotone(
        lambda s, g: s + factor * max(g - c.glucose_reference, ZERO),
        (not_negative(sodium), RISES),
        (not_negative(glucose), RISES),
        strict=False,
    )
