"""The constants of the formulas as one frozen value, taken from the parameter set (keys `formula_...`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from functools import lru_cache
from types import MappingProxyType

from cds.parameters import ParameterSet

Bands = tuple[tuple[Decimal | None, int], ...]


@dataclass(frozen=True, slots=True)
class AllowableError:
    """Greater of `absolute` (canonical unit) and `percent` of the value; None where the rule names no such figure."""

    absolute: Decimal | None
    percent: Decimal | None


@dataclass(frozen=True, slots=True, eq=False)
class FormulaConstants:
    """Every constant under the name of its parameter without `formula_`; meaning, unit and source stand in the
    parameter.
    """

    # Pairing
    pairing_minutes: Decimal
    pairing_limit_minutes: Decimal
    # Acid-base
    anion_gap_normal: Decimal
    normal_bicarbonate: Decimal
    gap_per_albumin: Decimal
    gap_reference_albumin: Decimal
    gap_albumin_minimum: Decimal
    gap_albumin_maximum: Decimal
    winters_slope: Decimal
    winters_constant: Decimal
    winters_margin: Decimal
    bicarbonate_pka: Decimal
    co2_solubility: Decimal
    ph_consistent_within: Decimal
    ph_check_within: Decimal
    total_co2_minutes: Decimal
    hydrogen_factor: Decimal
    # Osmolality and sodium
    osmolal_sodium_factor: Decimal
    ethanol_divisor: Decimal
    ethanol_empirical_divisor: Decimal
    glucose_reference: Decimal
    katz_factor: Decimal
    hillier_factor: Decimal
    # Calcium, heart, circulation
    calcium_per_albumin: Decimal
    calcium_reference_albumin: Decimal
    qtc_rate_minimum: Decimal
    qtc_rate_maximum: Decimal
    # Kidney
    creatinine_umol_per_mg_dl: Decimal
    adult_from_years: Decimal
    cockcroft_age: Decimal
    cockcroft_divisor: Decimal
    cockcroft_female: Decimal
    ckd_epi_factor: Decimal
    ckd_epi_kappa_female: Decimal
    ckd_epi_kappa_male: Decimal
    ckd_epi_alpha_female: Decimal
    ckd_epi_alpha_male: Decimal
    ckd_epi_exponent: Decimal
    ckd_epi_age: Decimal
    ckd_epi_female: Decimal
    schwartz_factor: Decimal
    schwartz_from_years: Decimal
    schwartz_under_years: Decimal
    # Body size
    ideal_weight_male: Decimal
    ideal_weight_female: Decimal
    ideal_weight_per_cm: Decimal
    ideal_weight_base_height: Decimal
    overweight_ratio: Decimal
    adjusted_weight_share: Decimal
    # Phenytoin
    phenytoin_albumin_factor: Decimal
    phenytoin_albumin_factor_renal: Decimal
    phenytoin_free_share: Decimal
    phenytoin_albumin_maximum: Decimal
    phenytoin_renal_below: Decimal
    phenytoin_both_below: Decimal
    # Scores
    qsofa_respiratory_rate: Decimal
    qsofa_systolic: Decimal
    gcs_full: Decimal
    gcs_eye_maximum: Decimal
    gcs_verbal_maximum: Decimal
    gcs_motor_maximum: Decimal
    news2_from_years: Decimal
    news2_oxygen: Decimal
    news2_not_alert: Decimal
    news2_single: Decimal
    room_air: Decimal
    # Doses, rates, trends
    potassium_deficit_low: Decimal
    potassium_deficit_high: Decimal
    potassium_deficit_from_low: Decimal
    potassium_deficit_from_high: Decimal
    potassium_deficit_step: Decimal
    potassium_step: Decimal
    ketoacidosis_deficit_low: Decimal
    ketoacidosis_deficit_high: Decimal
    insulin_day_share: Decimal
    insulin_day_minimum_hours: Decimal
    maintenance_first: Decimal
    maintenance_second: Decimal
    maintenance_rest: Decimal
    maintenance_step: Decimal
    maintenance_cap: Decimal
    trend_window_minutes: Decimal
    trend_apart_minutes: Decimal
    trend_span_minutes: Decimal
    trend_before_change_minutes: Decimal
    trend_spread_samples: Decimal
    projection_hours: Decimal
    # Tables
    news2_bands: Mapping[str, Bands]
    allowable_errors: Mapping[tuple[str, str], AllowableError]


@lru_cache(maxsize=16)
def constants(p: ParameterSet) -> FormulaConstants:
    """The constants in `p`, with or without a population. ParameterError when one is missing."""
    bands: dict[str, Bands] = {}
    for row in p.table("news2"):
        bands[row["item"]] = (*bands.get(row["item"], ()), (row.get("up_to"), int(row["points"])))
    errors = {
        (row["analyte"], row["method"]): AllowableError(row.get("absolute"), row.get("percent"))
        for row in p.table("allowable_error")
    }
    numbers = {
        field.name: p.number(f"formula_{field.name}")
        for field in fields(FormulaConstants)
        if field.name not in ("news2_bands", "allowable_errors")
    }
    return FormulaConstants(**numbers, news2_bands=MappingProxyType(bands), allowable_errors=MappingProxyType(errors))
