"""The same patient in US units, the printed US forms, and every formula over all that a living patient can have."""

from __future__ import annotations

from decimal import Decimal as D

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds import formulas as f
from cds import units
from cds.numbers import Interval, point, shown
from cds.parameters import POPULATIONS, ParameterSet, Population
from cds.vocabulary import ANALYTES


def kept(analyte: str, value: D, unit: str, code: str | None = None) -> Interval:
    """A value in the unit in which a laboratory sends it, in ours."""
    factor = units.analyte_factor(analyte, unit, code)
    assert factor is not None
    return point(value * factor)


def exact(name: str, p: ParameterSet, sex: str = "", **values: Interval) -> D:
    found = f.compute(name, values, p, sex=sex).exact
    assert found is not None
    return found


sodium = st.decimals(100, 180, places=0)
glucose_mg_dl = st.decimals(40, 2500, places=0)


@settings(deadline=None)
@given(na=sodium, mg_dl=glucose_mg_dl, nitrogen=st.decimals(3, 200, places=0))
def test_osmolality_as_printed_in_us_units(p: ParameterSet, na: D, mg_dl: D, nitrogen: D) -> None:
    """2 Na + glucose/18 + urea nitrogen/2.8: the printed factors are rounded by less than 0.1 % (Kitabchi 2009)."""
    glucose, urea = kept("glucose", mg_dl, "mg/dL"), kept("urea", nitrogen, "mg/dL", "3094-0")
    effective = 2 * na + mg_dl / 18
    assert abs(exact("effective_osmolality", p, sodium=point(na), glucose=glucose) - effective) <= effective / 1000
    total = effective + nitrogen / D("2.8")
    assert abs(exact("total_osmolality", p, sodium=point(na), glucose=glucose, urea=urea) - total) <= total / 1000


@settings(deadline=None)
@given(na=sodium, mg_dl=glucose_mg_dl)
def test_corrected_sodium_as_printed_in_us_units(p: ParameterSet, na: D, mg_dl: D) -> None:
    """1.6 (Katz 1973) or 2.4 (Hillier 1999) for each 100 mg/dL above 100."""
    for name, factor in (("sodium_corrected_katz", "1.6"), ("sodium_corrected_hillier", "2.4")):
        expect = na + D(factor) * max(mg_dl - 100, D(0)) / 100
        assert abs(exact(name, p, sodium=point(na), glucose=kept("glucose", mg_dl, "mg/dL")) - expect) <= D("0.1")


@settings(deadline=None)
@given(calcium=st.decimals(4, 18, places=1), albumin=st.decimals(1, 6, places=1))
def test_calcium_as_printed_in_us_units(p: ParameterSet, calcium: D, albumin: D) -> None:
    """Calcium + 0.8 x (4.0 - albumin), mg/dL and g/dL (Payne 1973)."""
    found = exact("calcium_adjusted", p, calcium_total=kept("calcium_total", calcium, "mg/dL"), albumin=kept("albumin", albumin, "g/dL"))
    expect = kept("calcium_total", calcium + D("0.8") * (4 - albumin), "mg/dL").exact
    assert expect is not None and abs(found - expect) <= D("0.002")


@settings(deadline=None)
@given(level=st.decimals(1, 40, places=1), albumin=st.decimals(1, "4.4", places=1))
def test_phenytoin_as_printed_in_us_units(p: ParameterSet, level: D, albumin: D) -> None:
    """Level over 0.2 (0.1) x albumin g/dL + 0.1 (Sheiner and Tozer 1978), from mg/L and from umol/L."""
    molar = level / D("0.25227")
    for name, factor in (("phenytoin_corrected", "0.2"), ("phenytoin_corrected_renal", "0.1")):
        expect = level / (D(factor) * albumin + D("0.1"))
        for sent in (kept("phenytoin_total", level, "mg/L"), kept("phenytoin_total", molar, "umol/L")):
            found = exact(name, p, phenytoin_total=sent, albumin=kept("albumin", albumin, "g/dL"))
            assert abs(found - expect) <= expect / 10**9


@settings(deadline=None)
@given(age=st.integers(18, 100), kg=st.integers(35, 160), umol=st.integers(30, 900))
def test_cockcroft_gault_as_printed_in_si_units(p: ParameterSet, age: int, kg: int, umol: int) -> None:
    """1.23 for men and 1.04 for women over umol/L are the rounded factors of the SI form (common practice)."""
    for sex, factor in (("male", "1.23"), ("female", "1.04")):
        expect = (140 - age) * kg * D(factor) / umol
        found = exact("cockcroft_gault", p, sex, age=point(D(age)), weight=point(D(kg)), creatinine=point(D(umol)))
        assert abs(found - expect) <= expect * D("0.004")


@pytest.mark.parametrize(("bicarbonate", "kilopascal"), [("10", "3.07"), ("6", "2.27")])
def test_expected_pco2_in_kilopascal(p: ParameterSet, bicarbonate: str, kilopascal: str) -> None:
    """0.2 x bicarbonate + 1.07 kPa, worked by hand."""
    found = exact("expected_pco2", p, bicarbonate=point(D(bicarbonate)))
    factor = units.analyte_factor("pco2", "kPa")
    assert factor is not None and shown(found / factor, 2) == kilopascal
    assert abs(found / factor - (D("0.2") * D(bicarbonate) + D("1.07"))) <= D("0.01")


@pytest.mark.parametrize("name", list(f.FORMULAS))
@settings(max_examples=40, deadline=None)
@given(data=st.data(), people=st.sampled_from(POPULATIONS), sex=st.sampled_from(("male", "female", "")))
def test_nothing_plausible_breaks_a_formula(p: ParameterSet, name: str, data: st.DataObject, people: Population, sex: str) -> None:
    """At the ends and inside of every plausible range: a number in order, or the reason in words; never another error."""
    formula = f.FORMULAS[name]
    values: dict[str, Interval] = {}
    for each in formula.inputs:
        low, high = (D(0), D(120)) if each == "age" else (ANALYTES[each].plausible_low, ANALYTES[each].plausible_high)
        ends = sorted((data.draw(st.sampled_from((low, high, (low + high) / 3))), data.draw(st.decimals(low, high, places=2))))
        values[each] = Interval(ends[0], ends[1])
    try:
        found = f.compute(name, values, p.for_population(people), sex=sex)
    except f.NotComputable as reason:
        assert str(reason)
        return
    assert found.low is None or found.low.is_finite()
    assert found.low is None or found.high is None or found.low <= found.high
