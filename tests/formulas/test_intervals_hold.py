"""Whatever lies inside the inputs lies inside the result, and the result matches independent arithmetic."""

from __future__ import annotations

import math
from decimal import Decimal as D
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds.numbers import Interval, point
from cds.parameters import POPULATIONS, ParameterSet, Population

RANGES = {
    "sodium": (85, 200),
    "potassium": (1, 12),
    "chloride": (50, 110),
    "bicarbonate": (1, 60),
    "glucose": (0, 150),
    "urea": (0, 120),
    "osmolality": (200, 600),
    "albumin": (5, 70),
    "pco2": (4, 200),
    "calcium_total": (1, 5),
    "systolic": (20, 320),
    "diastolic": (10, 220),
    "heart_rate": (10, 330),
    "respiratory_rate": (0, 90),
    "spo2": (20, 100),
    "temperature": (13, 45),
    "gcs": (3, 15),
    "gcs_eye": (1, 4),
    "gcs_verbal": (1, 5),
    "gcs_motor": (1, 6),
    "oxygen_flow": (0, 15),
    "inspired_oxygen": (21, 100),
    "age": (0, 110),
    "weight": (1, 200),
    "height": (50, 220),
    "creatinine": (10, 1000),
    "phenytoin_total": (0, 60),
    "beta_hydroxybutyrate": (0, 30),
    "lactate": (0, 40),
    "qt": (150, 900),
    "ethanol": (0, 250),
}
TOLERANCE = D("1e-18")


@st.composite
def inputs(draw: st.DrawFn, name: str) -> tuple[dict[str, Interval], dict[str, D]]:
    """An interval for each input, and a point inside it; now and then without an end, or with an open one."""
    formula = f.FORMULAS[name]
    spans: dict[str, Interval] = {}
    inside: dict[str, D] = {}
    for each in (*formula.inputs, *formula.optional):
        low, high = RANGES[each]
        number = st.decimals(low, high, places=2, allow_nan=False)
        ends = sorted((draw(number), draw(number), draw(number)))
        kind = draw(st.sampled_from(("closed", "point", "comparator", "open")))
        if kind == "point":
            ends = [ends[1]] * 3
        strictly_inside = ends[0] < ends[1] < ends[2]
        spans[each] = Interval(
            None if kind == "comparator" else ends[0],
            ends[2],
            kind == "open" and strictly_inside,
            kind == "open" and strictly_inside,
        )
        inside[each] = ends[1]
    return spans, inside


@pytest.mark.parametrize("name", list(f.FORMULAS))
@settings(max_examples=60, deadline=None)
@given(data=st.data(), sex=st.sampled_from(("male", "female", "unknown")), people=st.sampled_from(POPULATIONS))
def test_r_m48_result_holds_every_point(
    p: ParameterSet, name: str, data: st.DataObject, sex: str, people: Population
) -> None:
    p = p.for_population(people)
    spans, inside = data.draw(inputs(name))
    try:
        whole = f.compute(name, spans, p, sex=sex)
    except f.NotComputable:
        return
    at = f.compute(
        name, {each: point(value) for each, value in inside.items()}, p, sex=sex if sex != "unknown" else "male"
    )
    assert at.low is not None and at.high is not None
    slack = TOLERANCE * max(D(1), abs(at.low))
    assert whole.low is None or whole.low <= at.low + slack
    assert whole.high is None or whole.high >= at.high - slack


def test_control_r_m48_ends_swapped(p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the direction of an input wrong, a point falls outside."""
    monkeypatch.setattr("cds.formulas.blood.FALLS", 1)
    spans = {"bicarbonate": point(D(10)), "pco2": Interval(D(20), D(40))}
    whole = f.compute("ph_computed", spans, p)
    at = f.compute("ph_computed", {"bicarbonate": point(D(10)), "pco2": point(D(30))}, p).exact
    with pytest.raises(AssertionError):
        assert at is not None and whole.holds(at)


def test_comparators() -> None:
    """HZ-03: "<5" is never 5."""
    below_5 = Interval(D(0), D(5), high_open=True)
    gap = f.anion_gap(point(D(140)), point(D(100)), below_5)
    assert gap == Interval(D(35), D(40), low_open=True)
    assert gap.above(D(35)) is True
    assert f.anion_gap(point(D(140)), point(D(100)), Interval(None, D(5))) == Interval(D(35), D(40))
    assert f.shock_index(point(D(120)), Interval(D(0), D(60))) == Interval(D(2), None)


RISES = [
    ("anion_gap", "sodium", 1), ("anion_gap", "chloride", -1), ("ph_computed", "bicarbonate", 1),
    ("ph_computed", "pco2", -1),
    ("cockcroft_gault", "weight", 1), ("cockcroft_gault", "age", -1), ("cockcroft_gault", "creatinine", -1),
    ("ckd_epi", "age", -1), ("ckd_epi", "creatinine", -1), ("sodium_corrected_katz", "glucose", 1),
    ("phenytoin_corrected", "albumin", -1), ("calcium_adjusted", "albumin", -1), ("osmolal_gap", "urea", -1),
    ("unexplained_gap", "lactate", -1), ("unexplained_gap", "beta_hydroxybutyrate", -1), ("unexplained_gap", "sodium", 1),
    ("corrected_sodium_above", "glucose", 1), ("corrected_sodium_above", "sodium", 1), ("qtc_fridericia", "qt", 1),
    ("qtc_fridericia", "heart_rate", 1), ("potassium_deficit", "potassium", -1), ("hypertonic_rise", "weight", -1),
    ("hypertonic_rise", "sodium", -1), ("phenytoin_partial_load", "weight", 1),
    ("phenytoin_partial_load", "phenytoin_total", -1), ("ketoacidosis_fluid_deficit", "weight", 1),
    ("hyperosmolar_fluid_deficit", "weight", 1), ("insulin_total", "weight", 1),
]  # fmt: skip
MIDDLE = dict(
    sodium=140, chloride=100, bicarbonate=20, pco2=40, weight=70, age=50, creatinine=90, glucose=20, phenytoin_total=10,
    albumin=30, calcium_total=2, osmolality=300, urea=5, lactate=3, beta_hydroxybutyrate=2, qt=400, heart_rate=80,
    potassium=3,
)  # fmt: skip


@pytest.mark.parametrize(("name", "moved", "direction"), RISES)
def test_direction(adults: ParameterSet, name: str, moved: str, direction: int) -> None:
    def at(factor: str) -> D:
        given = {each: point(D(MIDDLE[each]) * (D(factor) if each == moved else 1)) for each in f.FORMULAS[name].inputs}
        found = f.compute(name, given, adults, sex="male")
        assert found.low is not None and found.high is not None
        return found.low + found.high

    assert (at("1.1") - at("0.9")) * direction > 0


@settings(deadline=None)
@given(bicarbonate=st.decimals(1, 60, places=1), pco2=st.decimals(4, 200, places=1))
def test_ph_against_binary_logarithm(p: ParameterSet, bicarbonate: D, pco2: D) -> None:
    found = f.compute("ph_computed", {"bicarbonate": point(bicarbonate), "pco2": point(pco2)}, p).exact
    expect = 6.1 + math.log10(float(bicarbonate) / (0.0307 * float(pco2)))
    assert found is not None and math.isclose(float(found), expect, abs_tol=1e-12)


@settings(deadline=None)
@given(creatinine=st.decimals("0.2", 15, places=2), age=st.integers(18, 100), sex=st.sampled_from(("male", "female")))
def test_ckd_epi_against_the_printed_equation(p: ParameterSet, creatinine: D, age: int, sex: str) -> None:
    """Inker 2021, written out in binary floating point; age and sex as printed."""
    kappa, alpha, factor = (0.7, -0.241, 1.012) if sex == "female" else (0.9, -0.302, 1.0)
    ratio = float(creatinine) / kappa
    expect = 142 * min(ratio, 1) ** alpha * max(ratio, 1) ** -1.2 * 0.9938**age * factor
    given_: dict[str, Any] = {"age": point(D(age)), "creatinine": point(creatinine * D("88.4"))}
    found = f.compute("ckd_epi", given_, p, sex=sex).exact
    assert found is not None and math.isclose(float(found), expect, rel_tol=1e-9)


@settings(deadline=None)
@given(qt=st.integers(200, 700), rate=st.integers(40, 140))
def test_qtc_against_binary_roots(c: f.FormulaConstants, qt: int, rate: int) -> None:
    for correct, degree in ((f.qtc_fridericia, 3), (f.qtc_bazett, 2)):
        found = correct(point(D(qt)), point(D(rate)), c=c).exact
        assert found is not None and math.isclose(float(found), qt / (60 / rate) ** (1 / degree), rel_tol=1e-12)
