"""Every formula against examples worked by hand or printed elsewhere; the last column names the source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from cds import formulas as f
from cds.numbers import Interval, point, shown
from cds.parameters import ParameterSet

HAND = "worked by hand from the printed formula"

# US units to canonical ones, as printed: glucose 18.016, urea nitrogen 0.357, creatinine 88.4, albumin 10
GLUCOSE = D(1) / D("18.016")
NITROGEN = D("0.3570")
MG_DL = D("88.4")


def i(value: Any) -> Interval:
    return point(D(str(value)))


def values(**given: Any) -> dict[str, Interval]:
    return {name: value if isinstance(value, Interval) else i(value) for name, value in given.items()}


WELL = dict(age=40, respiratory_rate=16, spo2=97, systolic=128, heart_rate=88, gcs=15, temperature="37.0")

BY_NAME = [
    # name, inputs, sex, decimals, expect, source
    ("anion_gap", dict(sodium=132, chloride=96, bicarbonate=10), "", 0, "26", HAND),
    ("anion_gap", dict(sodium=140, chloride=104, bicarbonate=24), "", 0, "12", HAND),
    ("anion_gap", dict(sodium=138, chloride=90, bicarbonate=16), "", 0, "32", "teaching case of a mixed disorder"),
    ("anion_gap_with_potassium", dict(sodium=132, potassium="5.2", chloride=96, bicarbonate=10), "", 1, "31.2", HAND),
    ("anion_gap_with_potassium", dict(sodium=140, potassium=4, chloride=104, bicarbonate=24), "", 1, "16", HAND),
    ("anion_gap_corrected", dict(sodium=140, chloride=104, bicarbonate=24, albumin=20), "", 1, "17", HAND),
    ("anion_gap_corrected", dict(sodium=140, chloride=100, bicarbonate=20, albumin=25), "", 2, "23.75", HAND),
    ("corrected_anion_gap", dict(sodium=140, chloride=104, bicarbonate=24), "", 1, "12", "no albumin: the gap itself"),
    ("corrected_anion_gap", dict(sodium=140, chloride=104, bicarbonate=24, albumin=20), "", 1, "17", HAND),
    ("corrected_anion_gap", dict(sodium=140, chloride=100, bicarbonate=20, albumin=25), "", 2, "23.75", HAND),
    ("unexplained_gap", dict(sodium=140, chloride=100, bicarbonate=12, beta_hydroxybutyrate=1, lactate=4), "", 1, "11", HAND),
    (
        "unexplained_gap",
        dict(sodium=140, chloride=100, bicarbonate=12, beta_hydroxybutyrate=1, lactate=4, albumin=20),
        "",
        1,
        "16",
        HAND,
    ),
    ("unexplained_gap", dict(sodium=140, chloride=100, bicarbonate=15, beta_hydroxybutyrate=9, lactate=6), "", 1, "-2", HAND),
    ("anion_gap_corrected", dict(sodium=140, chloride=104, bicarbonate=24, albumin=10), "", 1, "19.5", "lowest albumin"),
    ("anion_gap_corrected", dict(sodium=140, chloride=104, bicarbonate=24, albumin=60), "", 1, "7", "highest albumin"),
    ("delta_ratio", dict(sodium=132, chloride=96, bicarbonate=10), "", 2, "1", HAND),
    ("delta_ratio", dict(sodium=132, chloride=104, bicarbonate=8), "", 2, "0.5", HAND),
    (
        "delta_ratio",
        dict(sodium=138, chloride=90, bicarbonate=16),
        "",
        2,
        "2.5",
        "teaching case: added metabolic alkalosis",
    ),
    ("expected_pco2", dict(bicarbonate=10), "", 0, "23", HAND),
    ("expected_pco2", dict(bicarbonate=6), "", 0, "17", HAND),
    ("ph_computed", dict(bicarbonate=24, pco2=40), "", 3, "7.391", HAND),
    ("ph_computed", dict(bicarbonate=6, pco2=20), "", 3, "7.09", HAND),
    ("ph_computed", dict(bicarbonate=10, pco2=23), "", 3, "7.251", HAND),
    ("hydrogen_ion", dict(bicarbonate=24, pco2=40), "", 1, "40", HAND),
    ("hydrogen_ion", dict(bicarbonate=6, pco2=20), "", 1, "80", HAND),
    ("effective_osmolality", dict(sodium=140, glucose=40), "", 0, "320", HAND),
    ("effective_osmolality", dict(sodium=136, glucose=point(800 * GLUCOSE)), "", 1, "316.4", HAND),
    ("total_osmolality", dict(sodium=140, glucose=40, urea=15), "", 0, "335", HAND),
    (
        "total_osmolality",
        dict(sodium=136, glucose=point(800 * GLUCOSE), urea=point(42 * NITROGEN)),
        "",
        1,
        "331.4",
        HAND,
    ),
    ("osmolal_gap", dict(osmolality=330, sodium=140, glucose=5, urea=5), "", 0, "40", HAND),
    ("osmolal_gap", dict(osmolality=312, sodium=138, glucose=6, urea=5), "", 0, "25", HAND),
    ("osmolal_gap_less_ethanol", dict(osmolality=330, sodium=140, glucose=5, urea=5, ethanol=20), "", 0, "20", HAND),
    ("sodium_corrected_katz", dict(sodium=128, glucose=point(700 * GLUCOSE)), "", 1, "137.6", HAND),
    ("sodium_corrected_katz", dict(sodium=130, glucose=point(600 * GLUCOSE)), "", 1, "138", HAND),
    ("sodium_corrected_katz", dict(sodium=130, glucose=4), "", 1, "130", "adds nothing below 5.55"),
    ("corrected_sodium_above", dict(sodium=128, glucose=point(700 * GLUCOSE)), "", 1, "137.6", HAND),
    ("corrected_sodium_above", dict(sodium=120, glucose="11.0"), "", 1, "120", "N-06: measured below 11.1"),
    ("corrected_sodium_above", dict(sodium=120, glucose="11.1"), "", 1, "120", "N-06: measured at 11.1"),
    ("corrected_sodium_above", dict(sodium=120, glucose="11.2"), "", 1, "121.6", "N-06: corrected above"),
    ("corrected_sodium_above", dict(sodium=120, glucose=40), "", 1, "129.9", "N-06: low only by glucose"),
    ("sodium_corrected_katz", dict(sodium=120, glucose="11.0"), "", 1, "121.6", "Q-M11: as printed, from 5.55"),
    ("sodium_corrected_hillier", dict(sodium=128, glucose=point(700 * GLUCOSE)), "", 1, "142.4", HAND),
    ("sodium_corrected_hillier", dict(sodium=130, glucose=point(600 * GLUCOSE)), "", 1, "142", HAND),
    ("calcium_adjusted", dict(calcium_total="1.95", albumin=24), "", 2, "2.27", HAND),
    ("qtc_fridericia", dict(qt=360, heart_rate=100), "", 1, "426.8", HAND),
    ("qtc_fridericia", dict(qt=420, heart_rate=75), "", 1, "452.4", HAND),
    ("cockcroft_gault", dict(age=60, weight=100, height=160, creatinine="88.4"), "female", 1, "67.5", "adjusted 71.45 kg"),
    ("cockcroft_gault", dict(age=60, weight=100, height=150, creatinine="88.4"), "female", 1, "94.4", "R-n80: actual"),
    ("cockcroft_gault", dict(age=60, weight=100, creatinine="88.4"), "female", 1, "94.4", "no height: actual"),
    ("qtc_fridericia", dict(qt=400, heart_rate=40), "", 1, "349.4", "lowest rate: 400 over the cube root of 1.5"),
    ("qtc_fridericia", dict(qt=400, heart_rate=140), "", 1, "530.5", "highest rate: 400 over the cube root of 0.4286"),
    ("mean_pressure_computed", dict(systolic=120, diastolic=80), "", 1, "93.3", HAND),
    ("mean_pressure_computed", dict(systolic=90, diastolic=50), "", 1, "63.3", HAND),
    ("shock_index", dict(heart_rate=120, systolic=90), "", 2, "1.33", HAND),
    ("shock_index", dict(heart_rate=80, systolic=120), "", 2, "0.67", HAND),
    ("cockcroft_gault", dict(age=60, weight=72, creatinine="88.4"), "male", 1, "80", HAND),
    ("cockcroft_gault", dict(age=75, weight=50, creatinine="132.6"), "female", 1, "25.6", HAND),
    ("ckd_epi", dict(age=50, creatinine="88.4"), "male", 1, "91.7", HAND),
    ("ckd_epi", dict(age=70, creatinine="176.8"), "female", 1, "26.4", HAND),
    ("ckd_epi", dict(age=30, creatinine=point(D("0.6") * MG_DL)), "female", 1, "123.8", HAND),
    (
        "ckd_epi",
        dict(age=55, creatinine=point(D("1.2") * MG_DL)),
        "male",
        0,
        "71",
        "kidney.org calculator, 1.2 mg/dL, 55 y, second hand",
    ),
    ("ckd_epi", dict(age=30, creatinine=point(D("0.6") * MG_DL)), "male", 1, "133.2", HAND),
    ("ckd_epi", dict(age=18, creatinine=point(D("0.9") * MG_DL)), "male", 1, "127", "at the bend and the youngest age"),
    ("cockcroft_gault", dict(age=18, weight=72, creatinine="88.4"), "male", 1, "122", "the youngest age"),
    ("schwartz", dict(age=1, height=75, creatinine=point(D("0.3") * MG_DL)), "", 1, "103.3", "the youngest age"),
    ("schwartz", dict(age=17, height=170, creatinine=point(D("0.9") * MG_DL)), "", 1, "78", "the oldest age"),
    ("schwartz", dict(age=7, height=120, creatinine=point(D("0.6") * MG_DL)), "", 1, "82.6", HAND),
    ("schwartz", dict(age=3, height=95, creatinine=point(D("1.2") * MG_DL)), "", 1, "32.7", HAND),
    ("ideal_weight", dict(height=180), "male", 1, "75.1", HAND),
    ("ideal_weight", dict(height=160), "female", 1, "52.4", HAND),
    ("adjusted_weight", dict(weight=100, height=160), "female", 1, "71.4", HAND),
    ("adjusted_weight", dict(weight=120, height=180), "male", 1, "93.1", HAND),
    ("phenytoin_corrected", dict(phenytoin_total=8, albumin=20), "", 1, "16", HAND),
    ("phenytoin_corrected_renal", dict(phenytoin_total=8, albumin=20), "", 1, "26.7", HAND),
    ("phenytoin_corrected", dict(phenytoin_total=10, albumin=25), "", 1, "16.7", HAND),
    (
        "phenytoin_corrected",
        dict(phenytoin_total="8.2", albumin=22),
        "",
        1,
        "15.2",
        "intensive care teaching page, 2006",
    ),
    ("phenytoin_corrected_renal", dict(phenytoin_total="8.2", albumin=22), "", 1, "25.6", "the same page"),
    ("phenytoin_corrected", dict(phenytoin_total=10, albumin=44), "", 1, "10.2", "N-12: corrected up to 44 g/L"),
    ("phenytoin_corrected", dict(phenytoin_total=10, albumin=46), "", 1, "10", "N-12: measured above, 9.8 if corrected"),
    ("phenytoin_corrected", dict(phenytoin_total=10, albumin=45), "", 1, "10", "N-12: measured above"),
    ("qsofa", dict(respiratory_rate=24, systolic=95, gcs=15), "", 0, "2", HAND),
    ("qsofa", dict(respiratory_rate=18, systolic=120, gcs=15), "", 0, "0", HAND),
    ("qsofa", dict(respiratory_rate=22, systolic=100, gcs=14), "", 0, "3", "Seymour 2016: every limit just met"),
    ("qsofa", dict(respiratory_rate=21, systolic=101, gcs=15), "", 0, "0", "Seymour 2016: every limit just missed"),
    ("gcs_total", dict(gcs_eye=4, gcs_verbal=5, gcs_motor=6), "", 0, "15", "every part at its best"),
    ("news2", dict(WELL, inspired_oxygen=21), "", 0, "0", "room air"),
    ("news2", dict(WELL, inspired_oxygen=22), "", 0, "2", "a little oxygen"),
    ("news2", dict(WELL, age=16, oxygen_flow=0), "", 0, "0", "the youngest age"),
    ("gcs_total", dict(gcs_eye=3, gcs_verbal=4, gcs_motor=6), "", 0, "13", HAND),
    ("gcs_total", dict(gcs_eye=1, gcs_verbal=2, gcs_motor=4), "", 0, "7", HAND),
]


@pytest.mark.parametrize(("name", "given", "sex", "decimals", "expect", "source"), BY_NAME)
def test_by_name(
    p: ParameterSet, name: str, given: dict[str, Any], sex: str, decimals: int, expect: str, source: str
) -> None:
    found = f.compute(name, values(**given), p, sex=sex).exact
    assert found is not None, source
    assert shown(found, decimals) == expect, source


Case = Callable[[f.FormulaConstants], Interval]
DIRECT: list[tuple[str, Case, int, str]] = [
    ("QTc Fridericia", lambda c: f.qtc_fridericia(i(360), i(100), c=c), 1, "426.8"),
    ("QTc Fridericia", lambda c: f.qtc_fridericia(i(420), i(75), c=c), 1, "452.4"),
    ("QTc Bazett", lambda c: f.qtc_bazett(i(360), i(100), c=c), 1, "464.8"),
    ("QTc Bazett", lambda c: f.qtc_bazett(i(420), i(75), c=c), 1, "469.6"),
    ("ethanol 100 mg/dL", lambda c: f.ethanol_osmolality(i(100), c=c), 1, "21.7"),
    ("ethanol 100 mg/dL, observed", lambda c: f.ethanol_osmolality(i(100), c=c, empirical=True), 1, "27"),
    ("osmolal gap less ethanol", lambda c: f.osmolal_gap(i(330), i(140), i(5), i(5), i(20), c=c), 0, "20"),
    ("potassium deficit by steps", lambda c: f.potassium_deficit_by_steps(i("2.9"), c=c), 0, "200"),
    ("insulin unit/h", lambda c: f.insulin_per_hour(i("0.1"), i(72)), 1, "7.2"),
    ("insulin unit/h, half", lambda c: f.insulin_per_hour(i("0.05"), i(72)), 1, "3.6"),
    ("insulin child", lambda c: f.insulin_per_hour(i("0.05"), i(22)), 1, "1.1"),
    ("insulin unit/kg/h", lambda c: f.insulin_per_kg_hour(i("7.2"), i(1), i(72)), 2, "0.1"),
    ("insulin in 24 h", lambda c: f.insulin_given([(i(6), D(6)), (i(3), D(10)), (i(2), D(8))]), 0, "82"),
    ("insulin of a day", lambda c: f.insulin_day_equivalent(i("1.5"), D(6), c=c), 1, "28.8"),
    ("maintenance 14 kg", lambda c: f.maintenance_per_day(i(14), c=c), 0, "1200"),
    ("maintenance 22 kg", lambda c: f.maintenance_per_day(i(22), c=c), 0, "1540"),
    ("maintenance 22 kg/h", lambda c: f.maintenance_per_hour(i(22), c=c), 1, "64.2"),
    ("maintenance 30 kg", lambda c: f.maintenance_per_hour(i(30), c=c), 1, "70.8"),
    ("maintenance 8 kg", lambda c: f.maintenance_per_day(i(8), c=c), 0, "800"),
    ("maintenance capped", lambda c: f.maintenance_per_day(i(90), c=c), 0, "2400"),
]


@pytest.mark.parametrize(("what", "case", "decimals", "expect"), DIRECT, ids=[row[0] for row in DIRECT])
def test_direct(c: f.FormulaConstants, what: str, case: Case, decimals: int, expect: str) -> None:
    found = case(c).exact
    assert found is not None and shown(found, decimals) == expect


def test_ranges_are_shown_as_ranges(c: f.FormulaConstants, p: ParameterSet) -> None:
    assert f.ketoacidosis_potassium_deficit(i(70), c=c) == Interval(D(210), D(350))
    assert f.expected_pco2_band(i(10), c=c) == Interval(D(21), D(25))
    assert f.compute("expected_pco2_band", values(bicarbonate=10), p) == Interval(D(21), D(25))
    assert f.expected_pco2_band(i(6), c=c) == Interval(D(15), D(19))
    rough = f.potassium_deficit(i("2.9"), c=c)
    assert rough == Interval(D(120), D(440)) and rough.holds(D(200))
    assert f.potassium_deficit(i("4.2"), c=c) == point(D(0))


@pytest.mark.parametrize(
    ("measured", "expect"),
    [
        ("7.39", "consistent"),
        ("7.441", "consistent"),
        ("7.442", "check"),
        ("7.491", "check"),
        ("7.492", "inconsistent"),
    ],
)
def test_gas_check(c: f.FormulaConstants, measured: str, expect: str) -> None:
    """Computed 7.391: to 0.05 consistent, to 0.10 a look (our rule)."""
    assert f.gas_check(D(measured), D("7.391"), c=c).value == expect


@pytest.mark.parametrize(
    ("clearance", "dialysis", "renal", "both"),
    [
        (i("9.9"), False, True, False),
        (i(10), False, False, True),
        (i("24.9"), False, False, True),
        (i(25), False, False, False),
        (i(80), True, True, False),
        (None, False, False, True),
        (Interval(D(8), D(12)), False, False, True),
    ],
)
def test_phenytoin_forms(
    c: f.FormulaConstants, clearance: Interval | None, dialysis: bool, renal: bool, both: bool
) -> None:
    """N-12: the form that decides, and when both are printed."""
    found = f.phenytoin_forms(i(8), i(20), clearance, dialysis, c=c)
    assert (found.renal_decides, found.also is not None) == (renal, both)
    assert shown(found.deciding.exact or D(0), 1) == ("26.7" if renal else "16")


def test_cockcroft_weight(c: f.FormulaConstants) -> None:
    """Adjusted above 120 % of ideal; actual without a height or under 152.4 cm (R-n80)."""
    assert f.cockcroft_weight(i(60), i(160), True, c=c) == i(60)
    assert shown(f.cockcroft_weight(i(100), i(160), True, c=c).exact or D(0), 2) == "71.45"
    assert f.cockcroft_weight(i("62.8"), i(160), True, c=c) == i("62.8"), "120 % of 52.416 is 62.899"
    assert shown(f.cockcroft_weight(i("62.9"), i(160), True, c=c).exact or D(0), 2) == "56.61"
    assert f.cockcroft_weight(i(100), i(150), True, c=c) == i(100) == f.cockcroft_weight(i(100), None, True, c=c)


@pytest.mark.parametrize(
    ("name", "given", "sex", "says"),
    [
        ("anion_gap", dict(sodium=140, chloride=100), "", "bicarbonate not recorded"),
        ("anion_gap_corrected", dict(sodium=140, chloride=100, bicarbonate=20, albumin=9), "", "albumin"),
        ("anion_gap_corrected", dict(sodium=140, chloride=100, bicarbonate=20, albumin=61), "", "albumin"),
        ("corrected_anion_gap", dict(sodium=140, chloride=100, bicarbonate=20, albumin=9), "", "albumin"),
        ("unexplained_gap", dict(sodium=140, chloride=100, bicarbonate=20, lactate=2), "", "beta_hydroxybutyrate not rec"),
        ("qtc_fridericia", dict(qt=400, heart_rate=141), "", "heart rate"),
        ("delta_ratio", dict(sodium=140, chloride=104, bicarbonate=24), "", "gap is not raised"),
        ("delta_ratio", dict(sodium=150, chloride=100, bicarbonate=24), "", "bicarbonate is not low"),
        ("ph_computed", dict(bicarbonate=24, pco2=0), "", "division by zero"),
        ("cockcroft_gault", dict(age="17.9", weight=60, creatinine=80), "male", "only from 18"),
        ("cockcroft_gault", dict(age=Interval(D(17), D(18)), weight=60, creatinine=80), "male", "only from 18"),
        ("ckd_epi", dict(age=17, creatinine=80), "male", "only from 18"),
        ("schwartz", dict(age=18, height=160, creatinine=60), "", "1 to 17"),
        ("schwartz", dict(age="0.9", height=70, creatinine=30), "", "1 to 17"),
        ("ideal_weight", dict(height="152.3"), "male", "height under"),
        ("adjusted_weight", dict(weight=60, height=160), "female", "not above 120 %"),
        ("gcs_total", dict(gcs_eye=5, gcs_verbal=4, gcs_motor=6), "", "eye response outside"),
        ("gcs_total", dict(gcs_eye=4, gcs_verbal=6, gcs_motor=6), "", "verbal response outside"),
        ("gcs_total", dict(gcs_eye=4, gcs_verbal=5, gcs_motor=7), "", "motor response outside"),
        ("news2", dict(age=15), "", "only from 16"),
    ],
)
def test_hz_03_where_it_does_not_hold(p: ParameterSet, name: str, given: dict[str, Any], sex: str, says: str) -> None:
    with pytest.raises(f.NotComputable) as caught:
        f.compute(name, values(**given), p, sex=sex)
    assert says in str(caught.value)


def test_more_that_does_not_hold(c: f.FormulaConstants) -> None:
    for rate in (39, 141):
        with pytest.raises(f.NotComputable, match="heart rate"):
            f.qtc_fridericia(i(400), i(rate), c=c)
    with pytest.raises(f.NotComputable, match="stable hours"):
        f.insulin_day_equivalent(i(2), D("5.9"), c=c)
    with pytest.raises(f.NotComputable, match="verbal response not testable"):
        f.gcs_total(i(4), None, i(6), c=c)


def test_control_age_limit_switched_off(p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the age check a child gets an adult's clearance, and the check above must fail."""
    monkeypatch.setattr("cds.formulas.body.adult", lambda age, c: None)
    with pytest.raises(pytest.fail.Exception):
        with pytest.raises(f.NotComputable):
            f.compute("ckd_epi", values(age=17, creatinine=80), p, sex="male")


def test_sex_not_known_covers_both(p: ParameterSet) -> None:
    given = values(age=50, creatinine=100)
    both = f.compute("ckd_epi", given, p, sex="unknown")
    woman, man = (f.compute("ckd_epi", given, p, sex=sex).exact for sex in ("female", "male"))
    assert (both.low, both.high) == (woman, man)


@pytest.mark.parametrize(
    ("apart", "line"), [(0, ""), (60, ""), (61, "drawn 61 min apart"), (120, "drawn 120 min apart")]
)
def test_pairing(p: ParameterSet, apart: int, line: str) -> None:
    assert f.pairing(p) == (D(60), D(120))
    assert f.pairing_line(D(apart), p) == line
    with pytest.raises(f.NotComputable, match="121 min apart"):
        f.pairing_line(D(121), p)


def test_every_constant_has_evidence(p: ParameterSet) -> None:
    rows = [row for key in p for row in p.rows(key)]
    assert rows and all(row.source and row.verified for row in rows)
    assert all(formula.label and formula.source and formula.valid_text for formula in f.FORMULAS.values())


def test_hz_17_only_coefficients_are_for_everybody(p: ParameterSet) -> None:
    """A dose has a row for adults or one for children, and no constant of it for the other, or without a population."""
    doses = {key for key in p for row in p.rows(key) if row.population != "any"}
    assert {"formula_insulin_total_low", "formula_child_deficit_mild", "formula_hypertonic_bolus"} <= doses
    for key in doses:
        assert len({row.population for row in p.rows(key)}) == 1, f"{key} is for both; then it needs a row of each"
        assert getattr(f.constants(p), key.removeprefix("formula_")) is None


def test_control_hz_17_a_dose_for_everybody(p: ParameterSet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a figure of some population taken where none is asked for, the check above is red."""
    filled = replace(f.constants(p), insulin_total_low=D("0.5"))
    monkeypatch.setattr(f, "constants", lambda _: filled)
    with pytest.raises(AssertionError):
        test_hz_17_only_coefficients_are_for_everybody(p)
