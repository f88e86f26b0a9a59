"""Allergies, procedures, investigations and cultures as EHRs send them."""

from __future__ import annotations

from typing import Any

import pytest

from cds.chart import Chart, Feed
from tests.intake.payloads import ATC, LOINC, OTHER, OURS, RXNORM, SNOMED, at, bundle, condition, quantity, read, request

Json = dict[str, Any]
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
PENICILLIN = {"coding": [{"system": SNOMED, "code": "91936005"}], "text": "Penicillin"}
AMOXICILLIN = {"coding": [{"system": RXNORM, "code": "723"}], "text": "Amoxicillin"}
VERIFIED = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
CLINICAL = "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"


def chart_of(**lists: Any) -> Chart:
    """The chart of a request with these lists; the others were sent empty."""
    keys = ("allergies", "procedures", "investigations", "cultures", "conditions", "medications", "administrations")
    return read(request(prefetch={key: lists.get(key, bundle()) for key in keys})).chart


def allergy(code: Json = AMOXICILLIN, *, manifestation: Any = None, text: str = "", severity: str = "", **more: Any) -> Json:
    concept: Json = {"text": text} if text else {}
    if manifestation:
        concept["coding"] = [{"system": SNOMED, "code": manifestation}]
    reaction = {"manifestation": [concept], **({"severity": severity} if severity else {})}
    found: Json = {"resourceType": "AllergyIntolerance", "id": "a1", "patient": OURS, "code": code, "reaction": [reaction] if concept else []}
    found.update(more)
    return found


GROUPS = {
    "anaphylaxis": ({"manifestation": "39579001"}, "severe immediate"),
    "urticaria without a time": ({"manifestation": "126485001"}, "severe immediate"),
    "skin necrolysis": ({"manifestation": "768962006"}, "severe delayed"),
    "rash, coded": ({"manifestation": "271807003"}, "mild"),
    "rash, coded, called severe": ({"manifestation": "271807003", "severity": "severe"}, "unknown"),
    "rash, in words": ({"text": "rash"}, "unknown"),
    "anaphylaxis, in words": ({"text": "Anaphylactic shock 1998"}, "severe immediate"),
    "Stevens-Johnson, in words": ({"text": "Stevens-Johnson"}, "severe delayed"),
    "nausea, coded": ({"manifestation": "422587007"}, "not allergy"),
    "nausea, in words": ({"text": "nausea"}, "unknown"),
    "no reaction": ({}, "unknown"),
    "a code that nobody knows": ({"manifestation": "999999999"}, "unknown"),
}


@pytest.mark.parametrize("name", GROUPS)
def test_hz_19_the_reaction_of_an_allergy(name: str) -> None:
    more, group = GROUPS[name]
    (found,) = chart_of(allergies=bundle(allergy(**more))).allergies
    assert found.group == group
    assert "amoxicillin" in found.drugs and "penicillin" in found.classes and found.stands


def test_of_two_reactions_the_graver_counts() -> None:
    sent = allergy(manifestation="422587007")
    sent["reaction"].append({"manifestation": [{"coding": [{"system": SNOMED, "code": "39579001"}]}]})
    assert chart_of(allergies=bundle(sent)).allergies[0].group == "severe immediate"


ALLERGENS = {
    "a class by code": (PENICILLIN, "penicillin"),
    "a drug by ATC": ({"coding": [{"system": ATC, "code": "J01CA04"}]}, "penicillin"),
    "a class in words where no code tells": ({"text": "Penicillins"}, "penicillin"),
    "a cephalosporin by its drug": ({"coding": [{"system": RXNORM, "code": "2193"}]}, "cephalosporin"),
}


@pytest.mark.parametrize("name", ALLERGENS)
def test_what_the_allergy_is_to(name: str) -> None:
    code, expected = ALLERGENS[name]
    assert expected in chart_of(allergies=bundle(allergy(code))).allergies[0].classes


def test_a_food_is_no_medicine() -> None:
    (found,) = chart_of(allergies=bundle(allergy({"text": "Peanut"}))).allergies
    assert not found.drugs and not found.classes


@pytest.mark.parametrize(("status", "stands"), [({}, True), ({"verificationStatus": {"coding": [{"system": VERIFIED, "code": "refuted"}]}}, False),
                                                ({"clinicalStatus": {"coding": [{"system": CLINICAL, "code": "inactive"}]}}, False)])  # fmt: skip
def test_hz_20_a_refuted_or_inactive_allergy_does_not_stand(status: Json, stands: bool) -> None:
    assert chart_of(allergies=bundle(allergy(**status))).allergies[0].stands is stands


def test_an_allergy_on_the_list_of_conditions_counts() -> None:
    chart = chart_of(conditions=bundle(condition("Z88.0", "http://hl7.org/fhir/sid/icd-10-cm")))
    assert [(each.classes, each.group) for each in chart.allergies] == [(("penicillin",), "unknown")]


def test_hz_01_of_another_patient_nothing_is_read() -> None:
    chart = chart_of(allergies=bundle(allergy(patient=OTHER)), procedures=bundle({"resourceType": "Procedure", "status": "completed", "subject": OTHER}))
    assert chart.allergies == () and chart.procedures == () and chart.other_patient_items == 2
    # Control: the same allergy of this patient is read.
    assert chart_of(allergies=bundle(allergy())).allergies


@pytest.mark.parametrize("key", ["allergies", "procedures", "investigations", "cultures"])
def test_hz_07_a_list_that_was_not_sent_is_not_empty(key: str) -> None:
    sent = read(request(prefetch={})).chart
    assert sent.source(key).feed is Feed.ABSENT
    assert chart_of().source(key).feed is (Feed.UNSTATED if key == "allergies" else Feed.WHOLE)


def test_one_bad_allergy_hides_nothing_and_leaves_the_list_incomplete() -> None:
    bad = {"resourceType": "AllergyIntolerance", "patient": OURS, "reaction": 7}
    chart = chart_of(allergies=bundle(bad, allergy()))
    assert [each.label for each in chart.allergies] == ["Amoxicillin"]
    assert chart.source("allergies").feed is Feed.PARTIAL
    assert any(problem.item == "allergies" for problem in chart.problems)
    # Control: without the bad one the list is whole.
    assert chart_of(allergies=bundle(allergy())).source("allergies").feed is Feed.WHOLE


def procedure(code: str = "40617009", status: str = "in-progress", **more: Any) -> Json:
    return {"resourceType": "Procedure", "id": "p1", "status": status, "subject": OURS, "code": {"coding": [{"system": SNOMED, "code": code}]}, **more}


CARE = {
    "ventilated now": (procedure(), ("ventilator_dependence",), "in-progress"),
    "dialysis done": (procedure("302497006", "completed", performedDateTime=at(300)), ("dialysis",), "completed"),
    "not done": (procedure(status="not-done"), None, ""),
    "an operation that no rule reads": (procedure("80146002", "completed"), None, ""),
}


@pytest.mark.parametrize("name", CARE)
def test_procedures(name: str) -> None:
    sent, concepts, status = CARE[name]
    found = chart_of(procedures=bundle(sent)).procedures
    assert [(each.concepts, each.status) for each in found] == ([] if concepts is None else [(concepts, status)])


def ordered(code: str = "2823-3", system: str = LOINC, **more: Any) -> Json:
    return {"resourceType": "ServiceRequest", "id": "s1", "status": "active", "intent": "order", "subject": OURS, "code": {"coding": [{"system": system, "code": code}]}, **more}


INVESTIGATIONS = {
    "a potassium": (ordered(), ("potassium",)),
    "an ECG": (ordered("11524-6"), ("ecg",)),
    "a blood culture": (ordered("600-7"), ("blood_culture",)),
    "revoked": (ordered(status="revoked"), None),
    "not to be done": (ordered(doNotPerform=True), None),
}


@pytest.mark.parametrize("name", INVESTIGATIONS)
def test_investigations(name: str) -> None:
    sent, items = INVESTIGATIONS[name]
    found = chart_of(investigations=bundle(sent)).investigations
    assert [each.items for each in found] == ([] if items is None else [items])


def test_a_drafted_test_is_an_investigation_too() -> None:
    chart = read(request(drafts=[ordered(status="draft")], prefetch={"investigations": bundle()})).chart
    assert [(each.items, each.drafted) for each in chart.investigations] == [(("potassium",), True)]


def grown(code: str = "600-7", value: str = "", status: str = "final", **more: Any) -> Json:
    found: Json = {"resourceType": "Observation", "id": "c1", "status": status, "subject": OURS, "effectiveDateTime": at(600), "code": {"coding": [{"system": LOINC, "code": code}]}}
    if value:
        found["valueString"] = value
    found.update(more)
    return found


CULTURES = {
    "growth": (grown(value="Escherichia coli"), "positive", ("Escherichia coli",)),
    "no growth": (grown(value="No growth after 48 h"), "negative", ()),
    "awaited": (grown(status="registered"), "pending", ()),
    "final without a word": (grown(), "pending", ()),
    "mixed": (grown("630-4", "Mixed growth of three organisms"), "mixed", ("Mixed growth of three organisms",)),
    "contaminated": (grown(value="Coagulase-negative staphylococci, probable contaminant"), "contaminated", ()),
    "coded negative": (grown(interpretation=[{"coding": [{"system": INTERPRETATION, "code": "NEG"}]}]), "negative", ()),
}


@pytest.mark.parametrize("name", CULTURES)
def test_what_a_culture_shows(name: str) -> None:
    sent, result, organisms = CULTURES[name]
    (found,) = chart_of(cultures=bundle(sent)).cultures
    assert (found.result, found.organisms) == (result, organisms)


def said(letter: str) -> list[Json]:
    return [{"coding": [{"system": INTERPRETATION, "code": letter}]}]


SUSCEPTIBILITY = {
    "by interpretation": (grown("18943-1", interpretation=said("R")), ("meropenem", "R")),
    "by coded answer": (grown("18943-1", valueCodeableConcept={"coding": [{"system": LOINC, "code": "LA24225-7"}]}), ("meropenem", "S")),
    "in words": (grown("18906-8", "Resistant"), ("ciprofloxacin", "R")),
    "increased exposure": (grown("18906-8", interpretation=said("I")), ("ciprofloxacin", "I")),
}


@pytest.mark.parametrize("name", SUSCEPTIBILITY)
def test_susceptibility(name: str) -> None:
    sent, expected = SUSCEPTIBILITY[name]
    assert [(each.drug, each.result) for each in chart_of(cultures=bundle(sent)).susceptibilities] == [expected]


def test_susceptibilities_as_components_carry_organism_and_specimen() -> None:
    parts = [{"code": {"coding": [{"system": LOINC, "code": code}]}, "interpretation": said(letter)} for code, letter in (("18943-1", "S"), ("18906-8", "R"))]
    found = chart_of(cultures=bundle(grown("630-4", "Escherichia coli, ESBL", component=parts))).susceptibilities
    assert [(each.drug, each.result, each.specimen) for each in found] == [("esbl", "R", "urine"), ("meropenem", "S", "urine"), ("ciprofloxacin", "R", "urine")]
    assert all("Escherichia coli" in each.organism for each in found)


def test_a_concentration_alone_is_not_judged_and_is_named() -> None:
    chart = chart_of(cultures=bundle(grown("18943-1", valueQuantity=quantity(8, "mg/L"))))
    assert chart.susceptibilities == () and chart.source("cultures").feed is Feed.PARTIAL
    assert any("not judged" in problem.message for problem in chart.problems)


def test_an_administration_carries_the_dose_that_it_states() -> None:
    given = {
        "resourceType": "MedicationAdministration", "id": "g1", "status": "completed", "subject": OURS, "effectiveDateTime": at(10),
        "medicationCodeableConcept": {"coding": [{"system": RXNORM, "code": "6470"}], "text": "lorazepam"},
        "dosage": {"dose": quantity(4, "mg"), "route": {"coding": [{"system": SNOMED, "code": "47625008"}]}},
    }  # fmt: skip
    (found,) = chart_of(administrations=bundle(given)).administrations
    assert found.dose is not None and found.dose.value.exact == 4 and found.dose.unit == "mg" and found.route == "intravenous"
