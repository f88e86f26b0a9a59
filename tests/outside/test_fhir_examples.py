"""The official examples of FHIR R4 (HL7, package hl7.fhir.r4.examples 4.0.1, CC0-1.0) through our intake.

They come from many hands and show shapes that no hospital of ours would: a good test that nothing breaks, nothing is half-read and nothing of a
patient's is passed over in silence. What is read out of them stands in tables that were written from the published pages.
"""

from __future__ import annotations

import copy
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds.chart import Trouble
from cds.intake import Intake, validate
from tests.synthetic.judging import judge

Json = dict[str, Any]

LINES = (Path(__file__).parent / "fhir_r4_examples.jsonl").read_text(encoding="utf-8").splitlines()
EXAMPLES: dict[str, Json] = {f"{r['resourceType']}/{r['id']}": r for r in map(json.loads, LINES)}
KEYS = {"Observation": "vitals", "Condition": "conditions", "MedicationRequest": "medications", "MedicationAdministration": "administrations", "Medication": "medications"}
every_example = pytest.mark.parametrize("name", sorted(EXAMPLES))


def request_with(resource: Json, *, drafted: bool = False) -> Json:
    """A request about the example's own patient that holds nothing but the example."""
    reference = (resource.get("subject") or {}).get("reference", "")
    patient = resource["id"] if resource["resourceType"] == "Patient" else reference.partition("Patient/")[2] or "somebody"
    prefetch: Json = {"patient": {"resourceType": "Patient", "id": patient, "birthDate": "1960-01-01"}}
    context: Json = {"userId": "Practitioner/example", "patientId": patient}
    key = KEYS.get(resource["resourceType"])
    hook = "patient-view"
    if drafted or resource["resourceType"] == "ServiceRequest":
        hook = "order-sign"
        context["draftOrders"] = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": resource}]}
    elif key is None:
        prefetch["patient"] = resource
    else:
        prefetch[key] = {"resourceType": "Bundle", "type": "searchset", "total": 1, "entry": [{"resource": resource}]}
    return {
        "hook": hook, "hookInstance": "00000000-0000-4000-8000-000000000000", "context": context, "prefetch": prefetch,
        "extension": {"example.trivet.evaluate-at": "2026-01-01T00:00:00Z"},
    }  # fmt: skip


def read(resource: Json, *, drafted: bool = False) -> Intake:
    made = judge(request_with(resource, drafted=drafted))
    assert made.status == 200, made.body
    assert made.intake is not None
    return made.intake


def test_the_package_is_whole() -> None:
    kinds = [name.split("/")[0] for name in EXAMPLES]
    assert {kind: kinds.count(kind) for kind in sorted(set(kinds))} == {
        "Condition": 12, "Medication": 23, "MedicationAdministration": 14, "MedicationRequest": 40, "Observation": 64, "Patient": 22, "ServiceRequest": 20,
    }  # fmt: skip


@every_example
def test_example_is_read_and_agrees_with_the_validator(name: str) -> None:
    """Valid by fhir.resources and by our own reader: no example is refused for its structure."""
    resource = EXAMPLES[name]
    assert validate(json.dumps(resource).encode(), resource["resourceType"]) == ()
    found = read(resource)
    assert [p for p in found.problems() if p.trouble in (Trouble.STRUCTURE, Trouble.RELEASE)] == []


@pytest.mark.parametrize("name", sorted(name for name in EXAMPLES if name.startswith("MedicationRequest/")))
@pytest.mark.parametrize("drafted", [False, True], ids=["listed", "drafted"])
def test_hz_11_no_ingredient_is_passed_over(name: str, drafted: bool) -> None:
    """Every order is kept, and every drug in it is recognised or named as not recognised."""
    orders = read(EXAMPLES[name], drafted=drafted).chart.orders
    assert len(orders) == 1
    assert orders[0].drugs or orders[0].unrecognised
    assert orders[0].status == EXAMPLES[name]["status"]


@pytest.mark.parametrize("name", sorted(name for name in EXAMPLES if name.startswith("MedicationRequest/")))
def test_hz_11_unknown_intravenous_draft_is_never_silent(name: str) -> None:
    """An intravenous draft that we do not know gives a card at signing (F-38)."""
    made = judge(request_with(EXAMPLES[name], drafted=True))
    assert made.intake is not None
    order = made.intake.chart.orders[0]
    intravenous = any(dosage.route == "intravenous" for dosage in order.dosages)
    if intravenous and order.unrecognised and order.status in ("active", "draft"):
        assert made.codes.get("critical-input-missing") == "warning"


# example: (analyte, canonical value, UCUM unit sent, time as sent); from the pages of the examples.
MEASURED: dict[str, tuple[tuple[str, str, str, str], ...]] = {
    "Observation/f001": (("glucose", "6.3", "mmol/L", "2013-04-02T09:30:10+01:00"),),
    "Observation/f002": (("base_excess", "12.6", "mmol/L", "2013-04-05T10:30:10+01:00"),),
    "Observation/f003": (("pco2", "46.5", "kPa", "2013-04-05T10:30:10+01:00"),),
    "Observation/example": (("weight", "83.91", "[lb_av]", "2016-03-28"),),
    "Observation/body-height": (("height", "169.93", "[in_i]", "1999-07-02"),),
    "Observation/body-temperature": (("temperature", "36.5", "Cel", "1999-07-02"),),
    "Observation/blood-pressure": (("diastolic", "60", "mm[Hg]", "2012-09-17"), ("systolic", "107", "mm[Hg]", "2012-09-17")),
    "Observation/blood-pressure-dar": (("systolic", "107", "mm[Hg]", "2012-09-17"),),
    "Observation/heart-rate": (("heart_rate", "44", "/min", "1999-07-02"),),
    "Observation/respiratory-rate": (("respiratory_rate", "26", "/min", "1999-07-02"),),
    "Observation/satO2": (("spo2", "95", "%", "2014-12-05T09:30:10+01:00"),),
    "Observation/mbp": (("mean_pressure", "80", "mm[Hg]", "1999-07-02"),),
    "Observation/map-sitting": (("mean_pressure", "60", "mm[Hg]", "2018-04-05T10:30:10+01:00"),),
    "Observation/glasgow": (("gcs", "13", "", "2014-12-11T04:44:16Z"),),
    "Observation/gcs-qa": (("gcs", "13", "", "2014-12-11T04:44:16Z"),),
}

# What a reader who knows the codes would expect a result of, and gets none: why.
SET_ASIDE: dict[str, tuple[str, Trouble]] = {
    "Observation/blood-pressure-dar": ("diastolic", Trouble.NO_VALUE),
    "Observation/f203": ("bicarbonate", Trouble.UNIT_UNKNOWN),  # its unit is coded in SNOMED CT
    "Observation/f204": ("", Trouble.NOT_UNDERSTOOD),  # creatinine under a laboratory's own code
}


@pytest.mark.parametrize("name", MEASURED)
def test_value_unit_and_time_are_read(name: str) -> None:
    results = read(EXAMPLES[name]).chart.results
    found = sorted((r.analyte, r) for analyte in results.analytes() for r in results.of(analyte))
    assert [analyte for analyte, _ in found] == sorted(row[0] for row in MEASURED[name])
    for (_, result), (_, value, unit, time) in zip(found, sorted(MEASURED[name]), strict=True):
        assert result.value.exact is not None
        assert round(result.value.exact, -Decimal(value).as_tuple().exponent) == Decimal(value)
        assert result.at.text == time
        assert not unit or result.unit == unit


@pytest.mark.parametrize("name", SET_ASIDE)
def test_what_cannot_be_used_is_named(name: str) -> None:
    problems = [(p.item, p.trouble) for p in read(EXAMPLES[name]).problems()]
    assert SET_ASIDE[name] in problems


def test_cancelled_blood_pressure_counts_nowhere() -> None:
    found = read(EXAMPLES["Observation/blood-pressure-cancel"])
    assert [r for analyte in found.chart.results.analytes() for r in found.chart.results.of(analyte)] == []


PATIENTS = {
    "Patient/example": ("male", "1974-12-25", False),
    "Patient/f001": ("male", "1944-11-17", False),
    "Patient/newborn": ("male", "2017-09-05", False),
    "Patient/pat4": ("female", "1982-08-02", True),
    "Patient/pat2": ("other", "", False),
}


@pytest.mark.parametrize("name", PATIENTS)
def test_who_the_patient_is(name: str) -> None:
    patient = read(EXAMPLES[name]).chart.patient
    sex, born, deceased = PATIENTS[name]
    assert patient.sex == sex and patient.deceased == deceased
    assert (patient.born is None) if not born else (patient.born is not None and str(patient.born[0]) == born)


CONDITIONS = {"Condition/f201": "resolved", "Condition/f204": "inactive", "Condition/example": "active", "Condition/stroke": "active"}


@pytest.mark.parametrize("name", CONDITIONS)
def test_status_of_a_condition(name: str) -> None:
    conditions = read(EXAMPLES[name]).chart.conditions
    assert [condition.clinical for condition in conditions] == [CONDITIONS[name]]


# Damage: what fhir.resources refuses in a field that we read is refused by us too, or not used ------------------------------------------

DAMAGE: tuple[tuple[str, str, Any], ...] = (
    ("Observation", "status", 7), ("Observation", "status", {"a": 1}), ("Observation", "code", "8867-4"), ("Observation", "subject", 3),
    ("Observation", "valueQuantity", 7), ("Observation", "valueQuantity", {"value": {"a": 1}}), ("Observation", "valueQuantity", {"value": "many"}),
    ("Observation", "effectiveDateTime", ["2020-01-01"]), ("Observation", "effectiveDateTime", "yesterday"), ("Observation", "component", {"code": {}}),
    ("MedicationRequest", "status", ["active"]), ("MedicationRequest", "dosageInstruction", {"text": "x"}), ("MedicationRequest", "intent", 1),
    ("MedicationRequest", "medicationReference", "Medication/x"), ("MedicationRequest", "contained", {"resourceType": "Medication"}),
    ("Condition", "clinicalStatus", "active"), ("Condition", "code", [1]), ("Condition", "onsetDateTime", {"a": 1}),
    ("Patient", "birthDate", "1974-25-12"), ("Patient", "birthDate", ["1974-12-25"]),
)  # fmt: skip


def counted(found: Intake) -> tuple[int, int, int, bool]:
    """How many results, orders and conditions count, and whether the patient's age is known."""
    results = sum(len(found.chart.results.of(analyte)) for analyte in found.chart.results.analytes())
    return results, len(found.chart.orders), len(found.chart.conditions), found.chart.patient.born is not None


@pytest.mark.parametrize(("kind", "member", "wrong"), DAMAGE, ids=lambda value: str(value)[:24])
def test_hz_03_damage_is_never_read_as_a_value(kind: str, member: str, wrong: Any) -> None:
    judged = 0
    for name, resource in EXAMPLES.items():
        if resource["resourceType"] != kind or member not in resource:
            continue
        damaged = {**copy.deepcopy(resource), member: wrong}
        with pytest.raises(ValueError):
            get_fhir_model_class(kind).model_validate(damaged)
        # The patient's reference must still name the patient, or the damaged one would be another's.
        before, request = counted(read(resource)), request_with({**damaged, "subject": resource.get("subject")} if member == "subject" else damaged)
        if member == "subject":
            request["prefetch"]["vitals"]["entry"][0]["resource"]["subject"] = wrong
        made = judge(request)
        assert made.status == 200 and made.intake is not None
        after = counted(made.intake)
        if after != before or sum(before[:3]) == 0:
            judged += 1
            continue
        # Still counted: then the part that was damaged must have been set aside, and named.
        assert made.intake.problems(), name
        judged += 1
    assert judged > 0


def test_control_an_example_that_is_half_read_is_noticed() -> None:
    """A reader that took text for a number would count this."""
    resource = {**EXAMPLES["Observation/f001"], "valueQuantity": {**EXAMPLES["Observation/f001"]["valueQuantity"], "value": "6.3"}}
    found = read(resource)
    assert found.chart.results.of("glucose") == ()
    with pytest.raises(AssertionError):
        assert counted(found) == counted(read(EXAMPLES["Observation/f001"]))
