"""The constants of the formulas as one frozen value, taken from the parameter set (keys `formula_...`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from cds.formulas.monotone import NotComputable
from cds.parameters import Parameter, ParameterSet

Bands = tuple[tuple[Decimal | None, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class FormulaConstants:
    """Every constant under the name of its parameter without `formula_`; meaning, unit and source stand in the
    parameter.

    Coefficients are the same for everybody. Doses are not: a dose (`Decimal | None`) is None for a population that has
    no row of its own, and for nobody in particular, so that no child gets an adult's dose (HZ-17).
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
    glucose_corrected_above: Decimal
    hypertonic_sodium: Decimal
    hypertonic_bolus: Decimal | None
    water_male: Decimal
    water_female: Decimal
    water_old_male: Decimal
    water_old_female: Decimal
    water_old_years: Decimal
    bicarbonate_space: Decimal
    bicarbonate_amount: Decimal | None
    bicarbonate_volume: Decimal | None
    bicarbonate_hours: Decimal | None
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
    phenytoin_volume: Decimal | None
    phenytoin_salt_share: Decimal
    phenytoin_target_low: Decimal
    phenytoin_target_high: Decimal
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
    insulin_total_low: Decimal | None
    insulin_total_high: Decimal | None
    insulin_total_cautious: Decimal | None
    insulin_basal_share: Decimal
    insulin_meals: Decimal
    ketoacidosis_fluid_deficit: Decimal | None
    hyperosmolar_fluid_deficit_low: Decimal | None
    hyperosmolar_fluid_deficit_high: Decimal | None
    child_deficit_mild: Decimal | None
    child_deficit_moderate: Decimal | None
    child_deficit_severe: Decimal | None
    child_deficit_hours: Decimal | None
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


@lru_cache(maxsize=16)
def constants(p: ParameterSet) -> FormulaConstants:
    """The constants in `p`, with or without a population. ParameterError when a coefficient is missing."""
    bands: dict[str, Bands] = {}
    for row in p.table("news2"):
        bands[row["item"]] = (*bands.get(row["item"], ()), (row.get("up_to"), int(row["points"])))
    figures = {field.name: _figure(p, f"formula_{field.name}", str(field.type)) for field in fields(FormulaConstants) if field.name != "news2_bands"}
    return FormulaConstants(**figures, news2_bands=MappingProxyType(bands))


def _figure(p: ParameterSet, key: str, declared: str) -> Any:
    """A coefficient, or a dose of this population; None where it has none."""
    if declared == "Decimal":
        return p.number(key)
    limit = None if p.population is None else p[key]
    return limit.number if isinstance(limit, Parameter) else None


def for_this_age(figure: Decimal | None) -> Decimal:
    """A dose that has a figure for this patient's population. NotComputable when it has none."""
    if figure is None:
        raise NotComputable("no figure for this age")
    return figure
