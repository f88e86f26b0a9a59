"""Acid-base, osmolality and sodium under their names."""

from __future__ import annotations

from typing import Final

from cds.formulas import blood
from cds.formulas.constants import FormulaConstants
from cds.formulas.formula import Formula, Values
from cds.numbers import Interval


def _gap(v: Values) -> Interval:
    return blood.anion_gap(v["sodium"], v["chloride"], v["bicarbonate"])


def _gap_by_albumin(v: Values, _: bool | None, c: FormulaConstants) -> Interval:
    """The corrected gap where an albumin is known (it decides), else the gap as it is. Own rule A4."""
    gap = _gap(v)
    return blood.anion_gap_corrected(gap, v["albumin"], c=c) if "albumin" in v else gap


def _unexplained(v: Values, female: bool | None, c: FormulaConstants) -> Interval:
    return blood.unexplained_gap(_gap_by_albumin(v, female, c), v["beta_hydroxybutyrate"], v["lactate"], c=c)


BLOOD: Final = (
    Formula(
        "anion_gap", "anion gap", ("sodium", "chloride", "bicarbonate"), "mmol/L", 0,
        "measured sodium; newer electrodes read lower", "Kitabchi 2009", lambda v, _, c: _gap(v),
    ),
    Formula(
        "anion_gap_with_potassium", "anion gap with potassium", ("sodium", "potassium", "chloride",
        "bicarbonate"), "mmol/L", 1,
        "measured sodium", "common practice",
        lambda v, _, c: blood.anion_gap_with_potassium(v["sodium"], v["potassium"], v["chloride"], v["bicarbonate"]),
    ),
    Formula(
        "anion_gap_corrected", "anion gap corrected for albumin", ("sodium", "chloride", "bicarbonate",
        "albumin"), "mmol/L", 1,
        "albumin 10 to 60 g/L", "Figge 1998", lambda v, _, c: blood.anion_gap_corrected(_gap(v), v["albumin"], c=c),
    ),
    Formula(
        "corrected_anion_gap", "anion gap, corrected where an albumin is known", ("sodium", "chloride",
        "bicarbonate"), "mmol/L", 1,
        "measured sodium; albumin 10 to 60 g/L", "Kitabchi 2009; Figge 1998", _gap_by_albumin, ("albumin",),
    ),
    Formula(
        "unexplained_gap", "anion gap not explained by ketones and lactate", ("sodium", "chloride", "bicarbonate",
        "beta_hydroxybutyrate", "lactate"), "mmol/L", 1,
        "a hint: acetoacetate is not counted", "own rule A4", _unexplained, ("albumin",),
    ),
    Formula(
        "delta_ratio", "delta ratio", ("sodium", "chloride", "bicarbonate"), "", 2,
        "only with a raised gap and a low bicarbonate", "common practice",
        lambda v, _, c: blood.delta_ratio(_gap(v), v["bicarbonate"], c=c),
    ),
    Formula(
        "expected_pco2", "expected pCO2", ("bicarbonate",), "mm[Hg]", 0,
        "metabolic acidosis, steady for 12 to 24 h; plus and minus 2", "Albert 1967",
        lambda v, _, c: blood.expected_pco2(v["bicarbonate"], c=c),
    ),
    Formula(
        "expected_pco2_band", "expected range of pCO2", ("bicarbonate",), "mm[Hg]", 0,
        "metabolic acidosis, steady for 12 to 24 h", "Albert 1967",
        lambda v, _, c: blood.expected_pco2_band(v["bicarbonate"], c=c),
    ),
    Formula(
        "ph_computed", "pH computed from pCO2 and bicarbonate", ("bicarbonate", "pco2"), "", 2,
        "both from one gas", "Henderson-Hasselbalch",
        lambda v, _, c: blood.ph_computed(v["bicarbonate"], v["pco2"], c=c),
    ),
    Formula(
        "hydrogen_ion", "hydrogen ion", ("pco2", "bicarbonate"), "nmol/L", 0,
        "both from one gas", "common practice", lambda v, _, c: blood.hydrogen_ion(v["pco2"], v["bicarbonate"], c=c),
    ),
    Formula(
        "effective_osmolality", "effective osmolality", ("sodium", "glucose"), "mosm/kg", 0,
        "measured sodium", "consensus 2024; Kitabchi 2009",
        lambda v, _, c: blood.effective_osmolality(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "total_osmolality", "calculated osmolality", ("sodium", "glucose", "urea"), "mosm/kg", 0,
        "measured sodium", "Joint British Diabetes Societies, hyperosmolar state",
        lambda v, _, c: blood.total_osmolality(v["sodium"], v["glucose"], v["urea"], c=c),
    ),
    Formula(
        "osmolal_gap", "osmolal gap", ("osmolality", "sodium", "glucose", "urea"), "mosm/kg", 0,
        "without ethanol; a normal gap excludes nothing late", "common practice",
        lambda v, _, c: blood.osmolal_gap(v["osmolality"], v["sodium"], v["glucose"], v["urea"], c=c),
    ),
    Formula(
        "osmolal_gap_less_ethanol", "osmolal gap less ethanol", ("osmolality", "sodium", "glucose", "urea",
        "ethanol"), "mosm/kg", 0,
        "ethanol by its molar mass; a normal gap excludes nothing late", "common practice",
        lambda v, _, c: blood.osmolal_gap(v["osmolality"], v["sodium"], v["glucose"], v["urea"], v["ethanol"], c=c),
    ),
    Formula(
        "sodium_corrected_katz", "sodium corrected for glucose", ("sodium", "glucose"), "mmol/L", 1,
        "adds nothing at a glucose up to 5.55 mmol/L", "Katz 1973",
        lambda v, _, c: blood.sodium_corrected_katz(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "corrected_sodium_above", "sodium corrected for a high glucose", ("sodium", "glucose"), "mmol/L", 1,
        "the measured sodium at a glucose up to 11.1 mmol/L", "Katz 1973; own rules N-06, Q-M11",
        lambda v, _, c: blood.sodium_corrected_above(v["sodium"], v["glucose"], c=c),
    ),
    Formula(
        "sodium_for_trend", "sodium corrected for glucose", ("sodium",), "mmol/L", 1,
        "the measured sodium where no glucose was drawn with it", "Katz 1973; own rule Q-M11",
        lambda v, _, c: blood.sodium_corrected_katz(v["sodium"], v["glucose"], c=c) if "glucose" in v else v["sodium"], ("glucose",),
    ),
    Formula(
        "sodium_for_seizure", "sodium corrected for a high glucose", ("sodium",), "mmol/L", 1,
        "the measured sodium at a glucose up to 11.1 mmol/L, or where no glucose was drawn with it", "Katz 1973; own rules N-06, R-n23",
        lambda v, _, c: blood.sodium_corrected_above(v["sodium"], v["glucose"], c=c) if "glucose" in v else v["sodium"], ("glucose",),
    ),
    Formula(
        "sodium_corrected_hillier", "sodium corrected for glucose, Hillier", ("sodium", "glucose"), "mmol/L", 1,
        "adds nothing at a glucose up to 5.55 mmol/L; better above 22 mmol/L", "Hillier 1999",
        lambda v, _, c: blood.sodium_corrected_hillier(v["sodium"], v["glucose"], c=c),
    ),
)  # fmt: skip
