"""What a result says: numbers, units, bounds, words; and what is refused. Units and ranges: cds.units, cds.vocabulary."""

from __future__ import annotations

import json
from decimal import Decimal
from unittest import mock

import pytest

from cds.chart import Trouble
from cds.intake import results as intake_results
from cds.numbers import Interval, point
from tests.intake.payloads import LOINC, UCUM, at, bundle, observation, quantity, read, request, results

D = Decimal


@pytest.mark.parametrize(
    ("analyte", "code", "value", "unit", "canonical"),
    [
        ("potassium", "2823-3", 3.1, "mmol/L", "3.1"),
        ("potassium", "2823-3", 3.1, "meq/L", "3.1"),
        ("glucose", "2345-7", 200, "mg/dL", "11.10"),  # formulas: worked example 200 mg/dL = 11.10
        ("creatinine", "2160-0", 2.0, "mg/dL", "176.8"),  # formulas: worked example
        ("magnesium", "19123-9", 1.2, "mg/dL", "0.494"),  # formulas: worked example
        ("weight", "29463-7", 154, "[lb_av]", "69.85"),  # international avoirdupois pound
        ("temperature", "8310-5", 98.6, "[degF]", "37.00"),
        ("ph", "2744-1", 7.21, "[pH]", "7.21"),
        ("gcs", "9269-2", 15, "{score}", "15"),
    ],
)
def test_hz_02_a_value_is_kept_as_reported_and_converted_exactly(analyte: str, code: str, value: float, unit: str, canonical: str) -> None:
    (result,), problems = results(observation(value, unit, code), analyte=analyte)
    assert problems == ()
    assert result.reported == point(D(str(value))) and result.unit == unit
    assert abs(result.value.exact - D(canonical)) < D("0.006")


def test_digits_stay_as_sent() -> None:
    body = json.dumps(request(prefetch={"electrolytes": bundle(observation(9999))})).replace("9999", "3.20").encode()
    (result,) = read(body).chart.results.of("potassium")
    assert result.text == "3.20 mmol/L" and result.value.exact == D("3.20") and str(result.value.exact) == "3.20"


@pytest.mark.parametrize(
    ("change", "trouble"),
    [
        ({"valueQuantity": quantity("3.2")}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": quantity(True)}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": quantity(None)}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": quantity([3.2])}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": {"unit": "mmol/L"}}, Trouble.NO_VALUE),
        ({"valueQuantity": {"value": 3.2}}, Trouble.UNIT_MISSING),
        ({"valueQuantity": {"value": 3.2, "unit": "furlongs"}}, Trouble.UNIT_UNKNOWN),
        ({"valueQuantity": {"value": 3.2, "unit": "mg/dL", "code": "mmol/L", "system": UCUM}}, Trouble.UNIT_UNKNOWN),
        ({"valueQuantity": quantity(3.2, "mg/dL")}, Trouble.UNIT_WRONG_KIND),
        ({"valueQuantity": quantity(32)}, Trouble.IMPLAUSIBLE),
        ({"valueQuantity": quantity(1e300)}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": quantity(3.2, comparator="ad")}, Trouble.NOT_UNDERSTOOD),
        ({"valueString": "x"}, Trouble.STRUCTURE),
        ({"valueQuantity": ..., "valueString": "haemolysed"}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": ..., "valueString": "3.2 mmol/L"}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": ..., "valueBoolean": True}, Trouble.NOT_A_NUMBER),
        ({"valueQuantity": ..., "valueInteger": 3}, Trouble.UNIT_MISSING),
        ({"valueQuantity": ...}, Trouble.NO_VALUE),
        ({"valueQuantity": ..., "dataAbsentReason": {"text": "sample clotted"}}, Trouble.NO_VALUE),
        ({"dataAbsentReason": {"text": "sample clotted"}}, Trouble.STRUCTURE),
    ],
)
def test_hz_03_what_is_no_number_with_a_unit_is_set_aside(change: dict[str, object], trouble: Trouble) -> None:
    found, problems = results(observation(**change))
    assert found == ()
    assert [each.trouble for each in problems] == [trouble]
    assert problems[0].item == "potassium" and problems[0].path.startswith("prefetch.electrolytes.entry[0]")


@pytest.mark.parametrize(
    ("comparator", "interval"),
    [
        ("<", Interval(D(0), D("2.0"), high_open=True)),
        ("<=", Interval(D(0), D("2.0"))),
        (">", Interval(D("2.0"), None, low_open=True)),
        (">=", Interval(D("2.0"), None)),
    ],
)
@pytest.mark.parametrize("text", [False, True])
def test_hz_03_a_comparator_is_a_bound_and_never_a_point(comparator: str, interval: Interval, text: bool) -> None:
    sent = {"valueQuantity": ..., "valueString": f"{comparator} 2.0 mmol/L"} if text else {"valueQuantity": quantity(2.0, comparator=comparator)}
    (result,), _ = results(observation(**sent))
    assert result.value == result.reported == interval and result.value.exact is None
    assert result.text == f"{comparator}2.0 mmol/L"


def test_control_hz_03_without_the_comparator_the_bound_is_a_point() -> None:
    with mock.patch("cds.intake.values._interval", lambda number, comparator, floor: point(number)), pytest.raises(AssertionError):
        (result,), _ = results(observation(valueQuantity=quantity(2.0, comparator="<")))
        assert result.value.exact is None


@pytest.mark.parametrize(
    ("word", "code", "low", "high"),
    [("HI", "41653-7", D("33.3"), None), ("LO", "41653-7", D(0), D("1.1")), ("hi", "14743-9", D("33.3"), None)],
)
def test_hz_03_a_meter_that_shows_hi_or_lo_gives_a_bound(word: str, code: str, low: Decimal, high: Decimal | None) -> None:
    (result,), _ = results(observation(code=code, valueQuantity=..., valueString=word), analyte="glucose")
    assert (result.value.low, result.value.high) == (low, high) and result.method == "meter"


def test_hi_of_a_laboratory_is_no_number() -> None:
    found, problems = results(observation(code="2345-7", valueQuantity=..., valueString="HI"), analyte="glucose")
    assert not found and problems[0].trouble is Trouble.NOT_A_NUMBER


@pytest.mark.parametrize(
    ("sent", "grade"),
    [
        ({"valueString": "negative"}, "0"),
        ({"valueString": "Trace"}, "0.5"),
        ({"valueString": "small"}, "1"),
        ({"valueString": "1+"}, "1"),
        ({"valueString": "++"}, "2"),
        ({"valueCodeableConcept": {"text": "Moderate"}}, "2"),
        ({"valueCodeableConcept": {"coding": [{"display": "3+"}]}}, "3"),
        ({"valueString": "large"}, "3"),
        ({"valueString": "4+"}, "4"),
        ({"valueQuantity": quantity(40, "mg/dL")}, "2"),  # strips: 40 mg/dL = 2+ (from memory)
        ({"valueQuantity": quantity(39, "mg/dL")}, "1"),
        ({"valueQuantity": quantity(0, "mg/dL")}, "0"),
        ({"valueQuantity": quantity(3.9, "mmol/L")}, "2"),
    ],
)
def test_urine_ketones_are_grades(sent: dict[str, object], grade: str) -> None:
    (result,), problems = results(observation(code="2514-8", **{"valueQuantity": ..., **sent}), analyte="urine_ketones", key="ketones")
    assert problems == () and result.value == point(D(grade)) and result.unit == "1"


@pytest.mark.parametrize("word", ["urine", "see comment", "+++++", ""])
def test_other_words_are_no_grade(word: str) -> None:
    found, problems = results(observation(code="2514-8", valueQuantity=..., valueString=word), analyte="urine_ketones", key="ketones")
    assert not found and problems[0].trouble is Trouble.NOT_A_NUMBER


def test_positive_without_a_grade_is_a_range() -> None:
    (result,), _ = results(observation(code="2514-8", valueQuantity=..., valueString="positive"), analyte="urine_ketones", key="ketones")
    assert result.value == Interval(D(0), D(4), low_open=True)


@pytest.mark.parametrize(
    ("value", "score"),
    [
        ({"coding": [{"system": LOINC, "code": "LA9340-6"}]}, "15"),
        ({"coding": [{"system": LOINC, "code": "LA17108-4"}]}, "13"),
        ({"text": "responds to pain"}, "8"),
        ({"text": "U"}, "3"),
    ],
)
def test_avpu(value: dict[str, object], score: str) -> None:
    (result,), _ = results(observation(code="80288-4", valueQuantity=..., valueCodeableConcept=value), analyte="avpu", key="consciousness")
    assert result.value == point(D(score))


@pytest.mark.parametrize(
    ("analyte", "code", "value", "unit", "question"),
    [
        ("creatinine", "2160-0", 90, "mg/dL", "is this µmol/L?"),
        ("glucose", "14749-6", 400, "mmol/L", "is this mg/dL?"),
        ("calcium_ionised", "1994-3", 4.8, "mmol/L", "is this mg/dL?"),
        ("albumin", "1751-7", 40, "g/dL", "is this g/L?"),
        ("phenytoin_total", "3968-5", 150, "mg/L", "is this umol/L?"),
        ("temperature", "8310-5", 98.6, "Cel", "is this [degF]?"),
    ],
)
def test_hz_02_an_impossible_value_is_set_aside_with_a_question(analyte: str, code: str, value: float, unit: str, question: str) -> None:
    found, problems = results(observation(value, unit, code), analyte=analyte)
    assert found == () and problems[0].trouble is Trouble.IMPLAUSIBLE
    assert problems[0].suspicion == question.replace("umol", "µmol")


def test_a_blood_pressure_panel_is_read_by_its_components() -> None:
    part = [
        {"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": quantity(value, "mm[Hg]")}
        for code, value in (("8480-6", 110), ("8462-4", 62))
    ]
    chart = read(request(prefetch={"vitals": bundle(observation(code="85354-9", valueQuantity=..., component=part))})).chart
    assert [chart.results.of(name)[0].value.exact for name in ("systolic", "diastolic")] == [110, 62]
    assert chart.results.of("systolic")[0].path == "prefetch.vitals.entry[0].resource.component[0]"


def test_one_bad_component_leaves_the_other() -> None:
    part = [
        {"code": {"coding": [{"system": LOINC, "code": code}]}, "valueQuantity": quantity(value, "mm[Hg]")}
        for code, value in (("8480-6", "110"), ("8462-4", 62))
    ]
    chart = read(request(prefetch={"vitals": bundle(observation(code="85354-9", valueQuantity=..., component=part))})).chart
    assert not chart.results.of("systolic") and chart.results.problems("systolic")[0].trouble is Trouble.NOT_A_NUMBER
    assert len(chart.results.of("diastolic")) == 1


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, False),
        ({"note": [{"text": "Sample haemolysed"}]}, True),
        ({"note": [{"text": "Hemolyzed specimen"}]}, True),
        ({"note": [{"text": "not haemolysed"}]}, False),
        ({"note": [{"text": "No comment. Slightly hemolysed"}]}, True),
        ({"interpretation": [{"text": "haemolysed"}]}, True),
        ({"specimen": {"display": "haemolysed plasma"}}, True),
        ({"specimen": {"display": "non-haemolysed plasma"}}, False),
    ],
)
def test_hz_09_haemolysis_is_seen(change: dict[str, object], expected: bool) -> None:
    (result,), _ = results(observation(**change))
    assert result.haemolysed is expected


def test_several_codings_any_of_them_counts() -> None:
    code = {"coding": [{"system": "urn:lab", "code": "K"}, {"system": LOINC, "code": "2823-3"}], "text": "Kalium"}
    (result,), _ = results(observation(**{"code": ...}, ) | {"code": code})
    assert result.code == "2823-3" and result.label == "Kalium"


def test_codings_that_contradict_each_other_are_set_aside_for_both() -> None:
    code = {"coding": [{"system": LOINC, "code": "2951-2"}, {"system": LOINC, "code": "2823-3"}]}
    chart = read(request(prefetch={"electrolytes": bundle(observation() | {"code": code})})).chart
    for name in ("potassium", "sodium"):
        assert not chart.results.of(name) and chart.results.problems(name)[0].trouble is Trouble.NOT_UNDERSTOOD


def test_potassium_in_mg_per_dl_counts_under_its_own_code_only() -> None:
    """F-4: the pair of analyte and unit decides."""
    (result,), _ = results(observation(13.7, "mg/dL", "75940-7"))
    assert abs(result.value.exact - D("3.504")) < D("0.001")


def test_hz_21_method_and_specimen_stay_with_the_value() -> None:
    found, _ = results(observation(), observation(3.3, code="32713-0", id="o2", effectiveDateTime=at(31)))
    assert [(each.method, each.specimen) for each in found] == [("laboratory", "serum"), ("gas", "arterial")]


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"specimen": {"display": "haemolysed"}},
        {"status": "preliminary"},
        {"effectiveDateTime": "2026-11-25"},
        {"effectiveDateTime": at(-5)},
        {"effectiveDateTime": at(-11)},
        {"valueQuantity": quantity(3.2, "meq/L")},
        {"valueQuantity": quantity(32)},
        {"valueQuantity": quantity("3.2")},
        {"id": ...},
        {"status": "bogus"},
    ],
)
def test_the_short_way_gives_what_the_long_way_gives(change: dict[str, object]) -> None:
    sent = observation(**change)
    short = results(sent, observation(2.9, id="o9", effectiveDateTime=at(3)))
    with mock.patch.object(intake_results.LazyResults, "_plain", lambda self, analyte, held: None):
        assert results(sent, observation(2.9, id="o9", effectiveDateTime=at(3))) == short
