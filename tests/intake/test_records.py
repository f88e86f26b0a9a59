"""Procedures, investigations and administrations as EHRs send them; allergies and cultures have files of their own."""

from __future__ import annotations

from typing import Any

import pytest

from cds.chart import Chart, Feed, Trouble
from tests.intake.payloads import LOINC, OTHER, OURS, RXNORM, SNOMED, at, bundle, condition, draft, quantity, read, request

Json = dict[str, Any]


def chart_of(**lists: Any) -> Chart:
    """The chart of a request with these lists; the others were sent empty."""
    keys = ("allergies", "procedures", "investigations", "cultures", "conditions", "medications", "administrations")
    return read(request(prefetch={key: lists.get(key, bundle()) for key in keys})).chart


@pytest.mark.parametrize("key", ["allergies", "procedures", "investigations", "cultures"])
def test_hz_07_a_list_that_was_not_sent_is_not_empty(key: str) -> None:
    sent = read(request(prefetch={})).chart
    assert sent.source(key).feed is Feed.ABSENT
    assert chart_of().source(key).feed is (Feed.UNSTATED if key == "allergies" else Feed.WHOLE)


def procedure(code: str = "40617009", status: str = "in-progress", **more: Any) -> Json:
    return {"resourceType": "Procedure", "id": "p1", "status": status, "subject": OURS, "code": {"coding": [{"system": SNOMED, "code": code}]}, **more}


CARE: dict[str, tuple[Json, tuple[str, ...] | None, str]] = {
    "ventilated now": (procedure(), ("ventilator_dependence",), "in-progress"),
    "dialysis done": (procedure("302497006", "completed", performedDateTime=at(300)), ("dialysis",), "completed"),
    "a pacemaker": (procedure("307280005", "completed"), ("pacemaker",), "completed"),
    "stopped": (procedure(status="stopped"), ("ventilator_dependence",), "stopped"),
    "prepared": (procedure(status="preparation"), None, ""),
    "entered in error": (procedure(status="entered-in-error"), None, ""),
    "not done": (procedure(status="not-done"), None, ""),
    "an operation that no rule reads": (procedure("80146002", "completed"), None, ""),
}


@pytest.mark.parametrize("name", CARE)
def test_procedures(name: str) -> None:
    sent, concepts, status = CARE[name]
    found = chart_of(procedures=bundle(sent)).procedures
    assert [(each.concepts, each.status) for each in found] == ([] if concepts is None else [(concepts, status)])


ASIDE: dict[str, tuple[Json, Trouble]] = {
    "a status that nobody knows": (procedure(status="running"), Trouble.STATUS),
    "no status": (procedure(status=""), Trouble.STATUS),
    "two times": (procedure(performedDateTime=at(9), performedPeriod={"start": at(9)}), Trouble.STRUCTURE),
    "a time that is not readable": (procedure(performedDateTime="lately"), Trouble.TIME_UNREADABLE),
    "a time in the future": (procedure(performedDateTime=at(-600)), Trouble.FUTURE),
    "a modifier": (procedure(modifierExtension=[{}]), Trouble.MODIFIER),
}


@pytest.mark.parametrize("name", ASIDE)
def test_hz_07_a_procedure_that_cannot_be_used_is_named_and_hides_no_other(name: str) -> None:
    sent, trouble = ASIDE[name]
    chart = chart_of(procedures=bundle({**sent, "id": "bad"}, procedure("302497006", "completed")))
    assert [each.concepts for each in chart.procedures] == [("dialysis",)]
    assert [(each.trouble, each.item) for each in chart.problems] == [(trouble, "procedures")]
    assert chart.source("procedures").feed is Feed.PARTIAL
    # Control: without the bad one the list is whole.
    assert chart_of(procedures=bundle(procedure("302497006", "completed"))).source("procedures").feed is Feed.WHOLE


def test_of_two_versions_of_a_procedure_the_newer_counts() -> None:
    old, new = procedure(meta={"lastUpdated": at(900)}), procedure(status="completed", meta={"lastUpdated": at(9)})
    for sent in ((old, new), (new, old)):
        assert [each.status for each in chart_of(procedures=bundle(*sent)).procedures] == ["completed"]


def ordered(code: str = "2823-3", system: str = LOINC, **more: Any) -> Json:
    return {"resourceType": "ServiceRequest", "id": "s1", "status": "active", "intent": "order", "subject": OURS, "code": {"coding": [{"system": system, "code": code}]}, **more}


INVESTIGATIONS: dict[str, tuple[Json, tuple[str, ...] | None]] = {
    "a potassium": (ordered(), ("potassium",)),
    "an ECG": (ordered("11524-6"), ("ecg",)),
    "a blood culture": (ordered("600-7"), ("blood_culture",)),
    "a pregnancy test": (ordered("19080-1"), ("hcg",)),
    "an ECG, by SNOMED": (ordered("29303009", SNOMED), ("ecg",)),
    "done": (ordered(status="completed"), ("potassium",)),
    "a proposal in the list": (ordered(intent="proposal"), None),
    "a draft in the list": (ordered(status="draft"), None),
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


DRAFTED: dict[str, tuple[Json, bool]] = {
    "a draft": (ordered(status="draft"), True),
    "a draft that names no patient (F-43)": ({key: each for key, each in ordered(status="draft").items() if key != "subject"}, True),
    "a proposal (F-12)": (ordered(status="draft", intent="proposal"), True),
    "an option": (ordered(status="draft", intent="option"), False),
    "a draft that stops one": (ordered(status="revoked"), False),
    "another patient's": (ordered(status="draft", subject=OTHER), False),
    "a draft that cannot be decoded": ({**ordered(status="draft"), "code": 7}, False),
}


@pytest.mark.parametrize("name", DRAFTED)
def test_which_drafted_tests_count(name: str) -> None:
    sent, counts = DRAFTED[name]
    chart = read(request(drafts=[draft(), sent], prefetch={"investigations": bundle()})).chart
    assert [(each.items, each.drafted) for each in chart.investigations] == ([(("potassium",), True)] if counts else [])
    assert len(chart.orders) == 1


def test_an_investigation_whose_status_nobody_knows_leaves_the_list_open() -> None:
    chart = chart_of(investigations=bundle(ordered(status="sent"), ordered("11524-6", id="s2")))
    assert [each.items for each in chart.investigations] == [("ecg",)]
    assert [each.trouble for each in chart.problems] == [Trouble.STATUS] and chart.source("investigations").feed is Feed.PARTIAL


def test_hz_01_of_another_patient_no_procedure_and_no_investigation_is_read() -> None:
    chart = chart_of(procedures=bundle(procedure(subject=OTHER)), investigations=bundle(ordered(subject=OTHER)))
    assert chart.procedures == () and chart.investigations == () and chart.other_patient_items == 2
    # Control: the same of this patient are read.
    chart = chart_of(procedures=bundle(procedure()), investigations=bundle(ordered()))
    assert chart.procedures and chart.investigations


LORAZEPAM = {"coding": [{"system": RXNORM, "code": "6470"}], "text": "lorazepam"}


def administered(**more: Any) -> Json:
    return {
        "resourceType": "MedicationAdministration", "id": "g1", "status": "completed", "subject": OURS, "effectiveDateTime": at(10),
        "medicationCodeableConcept": LORAZEPAM, **more,
    }  # fmt: skip


DOSES: dict[str, tuple[Json | None, tuple[str, ...]]] = {
    "a dose": ({"dose": quantity(4, "mg"), "route": {"coding": [{"system": SNOMED, "code": "47625008"}]}}, ("4 mg", "intravenous", "", "")),
    "a rate": ({"rateQuantity": quantity(2, "mg/h")}, ("", "", "2 mg/h", "")),
    "a ratio": ({"rateRatio": {"numerator": quantity(4, "g"), "denominator": quantity(20, "min")}}, ("", "", "4 g", "20 min")),
    "two rates": ({"rateQuantity": quantity(2, "mg/h"), "rateRatio": {"numerator": quantity(4, "g"), "denominator": quantity(20, "min")}}, ("", "", "", "")),
    "half a ratio": ({"rateRatio": {"numerator": quantity(4, "g")}}, ("", "", "", "")),
    "nothing": (None, ("", "", "", "")),
}


@pytest.mark.parametrize("name", DOSES)
def test_an_administration_carries_what_it_states(name: str) -> None:
    dosage, expected = DOSES[name]
    (found,) = chart_of(administrations=bundle(administered(**({} if dosage is None else {"dosage": dosage})))).administrations
    shown = [each.text if each is not None else "" for each in (found.dose, found.rate, found.rate_per)]
    assert (shown[0], found.route or "", shown[1], shown[2]) == expected


def test_a_dose_in_quotes_is_not_a_number() -> None:
    (found,) = chart_of(administrations=bundle(administered(dosage={"dose": quantity("4", "mg")}))).administrations
    assert found.dose is not None and found.dose.unit is None and found.dose.value.exact is None


def test_the_reasons_of_an_administration_are_of_its_codes_and_of_what_it_refers_to() -> None:
    seizure = {"coding": [{"system": SNOMED, "code": "91175000"}]}
    for more in ({"reasonCode": [seizure]}, {"reasonReference": [{"reference": "Condition/c1"}]}):
        (found,) = chart_of(administrations=bundle(administered(**more)), conditions=bundle(condition())).administrations
        assert "seizure" in found.reasons
    assert chart_of(administrations=bundle(administered(reasonReference=[{"reference": "Condition/elsewhere"}]))).administrations[0].reasons == ()


@pytest.mark.parametrize(("answer", "pregnant"), [("LA15173-0", True), ("77386006", True), ("LA26683-5", False), ("60001007", False), ("LA4489-6", None), ("146799005", None)])
def test_hz_19_pregnancy_as_answered(answer: str, pregnant: bool | None) -> None:
    """Answers of the International Patient Summary (LOINC) and of US Core (SNOMED CT). "Unknown" and "possible" are no "not pregnant"."""
    sent = {
        "resourceType": "Observation", "id": "o1", "status": "final", "subject": OURS, "effectiveDateTime": at(30), "code": {"coding": [{"system": LOINC, "code": "82810-3"}]},
        "valueCodeableConcept": {"coding": [{"system": LOINC if answer.startswith("LA") else SNOMED, "code": answer}]},
    }  # fmt: skip
    found = read(request(prefetch={"body": bundle(sent)})).chart.results
    assert [each.value.exact for each in found.of("pregnancy_status")] == ([] if pregnant is None else [int(pregnant)])
    assert len(found.problems("pregnancy_status")) == (1 if pregnant is None else 0)
