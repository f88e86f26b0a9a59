"""Analytical error: that of one measurement, of a difference and of a computed quantity, and what a value may be at all.

Sources: 42 CFR 493.931 and 493.937 as in force for proficiency testing since 2025 (second hand), ISO 15197:2013 for
meters; what is not regulated is ours. The figures stand with the analytes, once; a table here holds them against the rule.
"""

from __future__ import annotations

import math
from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds.formulas import errors
from cds.numbers import shown
from cds.parameters import ParameterSet
from cds.vocabulary import ANALYTES, allowable_error

# analyte, absolute in the kept unit, per cent of the value (42 CFR 493.931, 493.937; ours from beta-hydroxybutyrate on)
RULE = [
    ("sodium", "4", None),
    ("potassium", "0.3", None),
    ("chloride", None, 5),
    ("bicarbonate", None, 20),
    ("glucose", "0.33", 8),
    ("creatinine", "17.7", 10),
    ("urea", "0.71", 9),
    ("calcium_total", "0.25", None),
    ("magnesium", None, 15),
    ("phosphate", "0.10", 10),
    ("albumin", None, 8),
    ("ph", "0.04", None),
    ("pco2", "5", 8),
    ("po2", "15", 15),
    ("phenytoin_total", "2", 15),
    ("phenobarbital_level", "2", 15),
    ("carbamazepine_level", "1.0", 20),
    ("valproate_level", None, 20),
    ("lithium_level", "0.3", 15),
    ("ethanol", None, 20),
    ("beta_hydroxybutyrate", "0.3", 15),
    ("lactate", "0.4", 10),
    ("calcium_ionised", "0.05", None),
    ("osmolality", "6", None),
]


@pytest.mark.parametrize(("analyte", "absolute", "percent"), RULE)
def test_error_of_each_analyte_is_the_rule(analyte: str, absolute: str | None, percent: int | None) -> None:
    """The greater of the two figures, at the low end, the middle and the high end of what is plausible."""
    known = ANALYTES[analyte]
    for value in (known.plausible_low, (known.plausible_low + known.plausible_high) / 2, known.plausible_high):
        sizes = [D(absolute)] if absolute is not None else []
        sizes += [value * percent / 100] if percent is not None else []
        assert allowable_error(analyte, value) == max(sizes)


# value, limit, method, within: worked examples of the rule "the limit lies in [value - e, value + e]"
WITHIN = [
    ("potassium", "3.6", "3.5", "laboratory", True),
    ("potassium", "3.8", "3.5", "laboratory", True),
    ("potassium", "3.81", "3.5", "laboratory", False),
    ("potassium", "3.1", "3.5", "laboratory", False),
    ("glucose", "3.4", "3.9", "meter", True),
    ("ph", "7.28", "7.30", "gas", True),
]


@pytest.mark.parametrize(("analyte", "value", "limit", "method", "within"), WITHIN)
def test_within_error(analyte: str, value: str, limit: str, method: str, within: bool) -> None:
    error = allowable_error(analyte, D(value), method)
    assert error is not None and (abs(D(value) - D(limit)) <= error) is within


def test_error_of_an_anion_gap(p: ParameterSet) -> None:
    """At Cl 104 and HCO3 18: root of 4^2 + 5.2^2 + 3.6^2, about 7.5 mmol/L."""
    gap = {"sodium": D(140), "chloride": D(104), "bicarbonate": D(18)}
    assert shown(f.formula_error("anion_gap", gap, p), 2) == "7.48"
    assert f.formula_error("anion_gap", gap, p) == f.formula_error("corrected_anion_gap", gap, p)
    corrected = f.formula_error("corrected_anion_gap", gap | {"albumin": D(20)}, p)
    assert shown(corrected, 3) == "7.494", "albumin adds 0.25 x 1.6 in quadrature"


def test_error_by_method(p: ParameterSet) -> None:
    """Effective osmolality: twice 4 for sodium and 1.6 (laboratory) or 3 (meter) for a glucose of 20."""
    given_ = {"sodium": D(140), "glucose": D(20)}
    assert shown(f.formula_error("effective_osmolality", given_, p), 2) == shown(D(str(math.hypot(8, 1.6))), 2)
    meter = f.formula_error("effective_osmolality", given_, p, methods={"glucose": "meter"})
    assert shown(meter, 2) == shown(D(str(math.hypot(8, 3))), 2)


def test_age_and_weight_count_as_exact(adults: ParameterSet) -> None:
    """Cockcroft-Gault at creatinine 88.4: only the creatinine (17.7) has an error."""
    at = {"age": D(60), "weight": D(72), "creatinine": D("88.4")}
    found = f.formula_error("cockcroft_gault", at, adults, sex="male")
    expect = (80 * 88.4 / (88.4 - 17.7) - 80 * 88.4 / (88.4 + 17.7)) / 2
    assert math.isclose(float(found), expect, rel_tol=1e-9)


def test_an_error_that_leaves_the_formula(p: ParameterSet) -> None:
    with pytest.raises(f.NotComputable):
        f.formula_error("delta_ratio", {"sodium": D(140), "chloride": D(104), "bicarbonate": D(24)}, p)


def test_difference_of_two() -> None:
    assert shown(f.difference_error(D("0.3")), 3) == "0.424"


@settings(deadline=None)
@given(st.decimals(100, 180, places=0), st.decimals(60, 130, places=0), st.decimals(2, 40, places=0))
def test_quadrature_against_binary_arithmetic(p: ParameterSet, sodium: D, chloride: D, bicarbonate: D) -> None:
    found = f.formula_error("anion_gap", {"sodium": sodium, "chloride": chloride, "bicarbonate": bicarbonate}, p)
    assert math.isclose(float(found), math.hypot(4, float(chloride) * 0.05, float(bicarbonate) * 0.2), rel_tol=1e-9)


def test_control_errors_added_up(p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the root left out the check of the anion gap is red."""
    monkeypatch.setattr(errors, "root", lambda value, _: value)
    with pytest.raises(AssertionError):
        test_error_of_an_anion_gap(p)


# analyte, low, high in the kept unit: what a living patient can have (ours, wide on purpose)
PLAUSIBLE = [
    ("glucose", "0.3", "150"),
    ("beta_hydroxybutyrate", "0", "30"),
    ("lactate", "0.1", "40"),
    ("sodium", "85", "200"),
    ("chloride", "50", "160"),
    ("bicarbonate", "1", "60"),
    ("potassium", "1.0", "12.0"),
    ("ph", "6.40", "7.90"),
    ("pco2", "4", "200"),
    ("po2", "10", "700"),
    ("urea", "0.3", "120"),
    ("creatinine", "10", "3000"),
    ("magnesium", "0.1", "8.0"),
    ("calcium_total", "0.8", "5.5"),
    ("calcium_ionised", "0.3", "3.0"),
    ("phosphate", "0.05", "8.0"),
    ("albumin", "5", "70"),
    ("osmolality", "200", "600"),
    ("phenytoin_total", "0", "120"),
    ("valproate_level", "0", "2000"),
    ("phenobarbital_level", "0", "300"),
    ("carbamazepine_level", "0", "80"),
    ("lithium_level", "0", "10"),
    ("weight", "0.4", "400"),
    ("height", "25", "250"),
    ("temperature", "13", "45"),
    ("systolic", "20", "320"),
    ("diastolic", "10", "220"),
    ("heart_rate", "10", "330"),
    ("respiratory_rate", "0", "90"),
    ("spo2", "20", "100"),
    ("qtc", "150", "900"),
]


@pytest.mark.parametrize(("analyte", "low", "high"), PLAUSIBLE)
def test_plausible_range(analyte: str, low: str, high: str) -> None:
    known = ANALYTES[analyte]
    assert (known.plausible_low, known.plausible_high) == (D(low), D(high))


def test_every_input_is_an_analyte_with_a_plausible_range() -> None:
    """So that nothing implausible reaches a formula: intake sets it aside first."""
    named = {each for formula in f.FORMULAS.values() for each in (*formula.inputs, *formula.optional)}
    assert named - {"age"} <= set(ANALYTES)
