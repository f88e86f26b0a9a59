"""What a card offers, as FHIR R4: every kind is valid, an update is the draft as received with only our part changed, a create is read back as what was judged
(CH-69 to CH-78, C8 of the integration notes, F-40)."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest
from fhir.resources.R4B.medicationrequest import MedicationRequest
from fhir.resources.R4B.servicerequest import ServiceRequest
from msgspec.json import Encoder
from pydantic import ValidationError

from cds.advisory import Advisory, Amend, Branch, Give, Measure, Withdraw, Words
from cds.candidates import Change
from cds.cards import fhir
from cds.chart import Order
from cds.intake import IntakeSettings, read_request
from cds.logic.criteria import Above, AllOf, OrderFilter, OrderHas, OrderIs, Total
from cds.orders.reading import read_order
from cds.parameters import ParameterSet
from cds.vocabulary import ANALYTES, analyte_code
from tests.assess.making import A5, A6, B3, advisory, insulin, knowledge_of, potassium_below
from tests.cards.making import Json, answer_of, body_of, cards_of
from tests.logic.scenes import chart, dosage, ingredient, limit, order, parameters, result
from tests.logic.shipped import SCENARIOS, intake_of
from tests.logic.shipped import body_of as request_of

KINDS = {"MedicationRequest": MedicationRequest, "ServiceRequest": ServiceRequest}
LOW = result("potassium", "3.1")


def actions(body: Json) -> Iterator[Json]:
    for card in body["cards"]:
        for suggestion in card.get("suggestions", ()):
            yield from suggestion["actions"]


def faults_of(resource: Json) -> list[str]:
    """What fhir.resources (R4B) finds wrong with a resource that we write."""
    try:
        KINDS[resource["resourceType"]].model_validate(json.loads(json.dumps(resource, default=float)))
    except ValidationError as error:
        return [str(each["loc"]) for each in error.errors()]
    return []


def test_f_27_every_suggestion_of_every_scenario_is_valid() -> None:
    found = [(name, action) for name in SCENARIOS for action in actions(answer_of(name))]
    assert {action["type"] for _, action in found} >= {"create", "update", "delete"}
    assert [f"{name[:2]} {fault}" for name, action in found if "resource" in action for fault in faults_of(action["resource"])] == []
    for name, action in found:
        assert action["description"]
        if action["type"] == "delete":
            drafts = {order.ref for order in intake_of(name).chart.orders if order.drafted}
            assert action["resourceId"] in drafts and "resource" not in action


def test_control_f_27_a_resource_without_its_subject_is_noticed() -> None:
    broken = fhir.service_request(Change("test", "x", "x", analyte="potassium"), "p", "")
    broken.pop("subject")
    with pytest.raises(AssertionError):
        assert faults_of(broken) == []


@pytest.mark.parametrize("analyte", sorted(a for a in ANALYTES if a not in ("egfr",)))
def test_a_test_can_be_asked_for_by_its_code(analyte: str) -> None:
    try:
        code = analyte_code(analyte)
    except KeyError:
        pytest.skip("no advisory may propose it: knowledge that does is refused")
    made = fhir.service_request(Change("test", "x", "x", analyte=analyte, urgent=False), "pat-1", "enc-1")
    assert faults_of(made) == []
    assert (made["code"]["coding"][0]["code"], made["priority"], made["encounter"]["reference"]) == (code, "routine", "Encounter/enc-1")


# Create ----------------------------------------------------------------------------------------------------------------------------------


def giving(p: ParameterSet) -> tuple[Advisory, ...]:
    bag = Give("Add potassium 20 mmol over 2 h", "potassium_chloride", limit("20", "mmol"), "mmol", "sodium_chloride", limit("500", "mL"), limit("2", "h"))
    return (advisory(B3, Branch("low", potassium_below("low", p), "critical", Words("Potassium is low: give potassium"), (bag, Measure("magnesium", "Measure magnesium")))),)


def test_hz_37_a_new_order_is_read_back_as_what_was_judged() -> None:
    create = next(a for a in actions(body_of(chart(LOW), knowledge_of(giving))) if a["resource"]["resourceType"] == "MedicationRequest")["resource"]
    assert faults_of(create) == [] and create["status"] == "draft" and create["subject"] == {"reference": "Patient/pat-1"}
    back = read_back({**create, "id": "n1"})
    reading = read_order(back, weight_kg=None, p=parameters().for_population("adult"))
    dose = reading.substance("potassium")
    assert dose is not None and dose.per_hour is not None and dose.concentration is not None
    assert (dose.per_hour.exact, dose.concentration.exact) == (Decimal(10), Decimal(40))
    assert (reading.intravenous, reading.diluents, reading.understood) == (True, ("sodium_chloride",), True)


def read_back(resource: Json) -> Order:
    """A resource of ours as intake reads it among the drafts."""
    whole = json.loads(request_of(SCENARIOS[0]))
    resource = {**resource, "subject": {"reference": f"Patient/{whole['context']['patientId']}"}}
    resource.pop("encounter", None)
    whole["context"]["draftOrders"]["entry"] = [{"resource": resource}]
    intake = read_request(Encoder(decimal_format="number").encode(whole), now=0, settings=IntakeSettings(hook="order-sign", allow_client_time=True))
    return next(order for order in intake.chart.orders if order.drafted)


def test_a_test_that_is_drafted_already_is_not_offered_by_any_card() -> None:
    held = chart(insulin())
    from tests.assess.making import over_drafts

    waiting = knowledge_of(lambda p: (over_drafts(p),))
    assert [a["resource"]["code"]["text"] for a in actions(body_of(held, waiting))] == ["potassium"]
    assert list(actions(body_of(held, waiting, tests_ordered=("potassium",)))) == []


# Update ----------------------------------------------------------------------------------------------------------------------------------

DRAFT: dict[str, Any] = {
    "resourceType": "MedicationRequest",
    "id": "d",
    "meta": {"versionId": "3"},
    "extension": [{"url": "https://ehr.example/x", "valueDecimal": 1.50}],
    "contained": [
        {
            "resourceType": "Medication",
            "id": "m",
            "ingredient": [
                {"itemCodeableConcept": {"text": "phenytoin"}, "isActive": True, "strength": {"numerator": {"value": 1000, "unit": "mg"}, "denominator": {"value": 250, "unit": "mL"}}},
                {"itemCodeableConcept": {"text": "glucose 5 %"}, "isActive": False},
            ],
        }
    ],
    "status": "draft",
    "intent": "order",
    "priority": "urgent",
    "medicationReference": {"reference": "#m", "display": "Phenytoin 1000 mg in glucose 5 %"},
    "subject": {"reference": "Patient/pat-1"},
    "requester": {"reference": "Practitioner/7"},
    "dosageInstruction": [
        {
            "text": "in glucose 5 % over 40 min",
            "timing": {"repeat": {"duration": 40, "durationUnit": "min"}},
            "doseAndRate": [{"doseQuantity": {"value": 250.0, "unit": "mL"}, "rateQuantity": {"value": 375, "unit": "mL/h", "system": "http://unitsofmeasure.org", "code": "mL/h"}}],
        }
    ],
}  # fmt: skip
RAW = json.dumps(DRAFT).encode()


def differences(before: Any, after: Any, path: str = "") -> list[str]:
    """The paths at which two resources differ."""
    if isinstance(before, dict) and isinstance(after, dict):
        return [d for key in sorted({*before, *after}) for d in differences(before.get(key), after.get(key), f"{path}.{key}")]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [d for number, (a, b) in enumerate(zip(before, after, strict=True)) for d in differences(a, b, f"{path}[{number}]")]
    return [] if before == after else [path]


def test_ch_75_another_diluent_changes_nothing_else() -> None:
    made = fhir.amended(RAW, Change("amend", "Use saline", "x", "MedicationRequest/d", diluent="sodium_chloride"))
    assert made is not None and faults_of(made) == []
    assert differences(DRAFT, made) == [
        ".contained[0].ingredient[1].itemCodeableConcept.coding", ".contained[0].ingredient[1].itemCodeableConcept.text",
        ".dosageInstruction[0].text", ".medicationReference.display",
    ]  # fmt: skip


def test_ch_75_a_slower_rate_changes_nothing_else() -> None:
    made = fhir.amended(RAW, Change("amend", "Slower", "x", "MedicationRequest/d", rate_ml_h=Decimal(100)))
    assert made is not None and faults_of(made) == []
    assert differences(DRAFT, made) == [".dosageInstruction[0].doseAndRate[0].rateQuantity.value", ".dosageInstruction[0].text", ".dosageInstruction[0].timing"]


def test_ch_75_a_stop_changes_the_status_and_says_why() -> None:
    made = fhir.stopped(RAW, "Stop it")
    assert faults_of(made) == []
    assert differences(DRAFT, made) == [".status", ".statusReason"]
    assert (made["status"], made["statusReason"]) == ("stopped", {"text": "Stop it"})


def test_control_ch_75_an_update_that_drops_an_extension_is_noticed() -> None:
    made = copy.deepcopy(fhir.stopped(RAW, "Stop it"))
    made.pop("extension")
    with pytest.raises(AssertionError):
        assert differences(DRAFT, made) == [".status", ".statusReason"]


def test_every_digit_that_was_sent_comes_back() -> None:
    raw = b'{"resourceType": "MedicationRequest", "id": "d", "status": "active", "intent": "order", "x": 1.50, "y": 0.1, "z": 12345678901234567890.5}'
    told = Encoder(decimal_format="number").encode(fhir.stopped(raw, "Stop"))
    assert b'"x":1.50' in told and b'"y":0.1' in told and b'"z":12345678901234567890.5' in told


UNSAFE = {
    "two mixtures": lambda d: d["contained"].append(copy.deepcopy(d["contained"][0])),
    "no diluent named": lambda d: d["contained"][0]["ingredient"].pop(),
    "two diluents": lambda d: d["contained"][0]["ingredient"].append(copy.deepcopy(d["contained"][0]["ingredient"][1])),
    "no mixture": lambda d: d.pop("contained"),
}
UNSAFE_RATE = {
    "two dosages": lambda d: d["dosageInstruction"].append(copy.deepcopy(d["dosageInstruction"][0])),
    "no rate": lambda d: d["dosageInstruction"][0]["doseAndRate"][0].pop("rateQuantity"),
    "no dosage": lambda d: d.pop("dosageInstruction"),
}


@pytest.mark.parametrize("name", UNSAFE)
def test_a_form_without_a_safe_place_for_the_diluent_is_left_alone(name: str) -> None:
    draft = copy.deepcopy(DRAFT)
    UNSAFE[name](draft)
    assert fhir.amended(json.dumps(draft).encode(), Change("amend", "x", "x", "d", diluent="sodium_chloride")) is None


@pytest.mark.parametrize("name", UNSAFE_RATE)
def test_a_form_without_a_safe_place_for_the_rate_is_left_alone(name: str) -> None:
    draft = copy.deepcopy(DRAFT)
    UNSAFE_RATE[name](draft)
    assert fhir.amended(json.dumps(draft).encode(), Change("amend", "x", "x", "d", rate_ml_h=Decimal(10))) is None


def amending(p: ParameterSet) -> tuple[Advisory, ...]:
    wrong = AllOf((OrderIs("drafted"), OrderHas(("glucose_fluid",), "diluent")))
    fast = Above(Total("potassium"), limit("10", "mmol/h"))
    return (
        advisory(
            A5, Branch("glucose", wrong, "critical", Words("Phenytoin: use saline"), (Amend("Use saline", diluent="sodium_chloride"), Withdraw("Take it out"))),
            kind="order", over=OrderFilter(("phenytoin",), "either"),
        ),
        advisory(
            A6, Branch("fast", fast, "warning", Words("Potassium: slower"), (Amend("Slow it", substance="potassium", per_hour=limit("10", "mmol/h")),)), kind="order",
            over=OrderFilter(("potassium_salt",), "either"),
        ),
    )  # fmt: skip


PHENYTOIN = order(
    ingredient("phenytoin", "1000 mg / 250 mL"), ingredient("glucose", "250 mL / 250 mL", active=False), ref="MedicationRequest/d", drafted=True,
    doses=(dosage(dose="250 mL", rate="375 mL/h"),),
)  # fmt: skip


def test_an_update_needs_the_order_as_it_was_received() -> None:
    held = chart(PHENYTOIN)
    assert [a["type"] for a in actions(body_of(held, knowledge_of(amending)))] == ["delete"]
    with_raw = list(actions(body_of(held, knowledge_of(amending), raw={"MedicationRequest/d": RAW}.get)))
    assert [a["type"] for a in with_raw] == ["update", "delete"] and with_raw[0]["resource"]["id"] == "d"


def test_suggestions_are_never_ticked_for_a_life_saving_drug() -> None:
    for name in SCENARIOS:
        for card in answer_of(name)["cards"]:
            for suggestion in card.get("suggestions", ()):
                if suggestion.get("isRecommended"):
                    assert any(drug in suggestion["label"] for drug in ("SGLT2", "bicarbonate")), name


def test_what_was_dropped_is_said_on_its_card() -> None:
    def too_much(p: ParameterSet) -> tuple[Advisory, ...]:
        bag = Give("Add potassium 60 mmol over 2 h", "potassium_chloride", limit("60", "mmol"), "mmol", "sodium_chloride", limit("500", "mL"), limit("2", "h"))
        from cds.advisory import Trigger

        over = OrderFilter(("potassium_salt",), "either", "intravenous")
        return (
            advisory(B3, Branch("low", potassium_below("low", p), "critical", Words("Potassium is low: give potassium"), (bag,))),
            advisory(
                "hyperkalaemia", Branch("fast", Above(Total("potassium"), limit("20", "mmol/h")), "critical", Words("Potassium fast")), title="Potassium too fast",
                kind="order", over=over, trigger=Trigger((("drafted:potassium_salt",),)),
            ),
        )  # fmt: skip

    made = cards_of(chart(LOW), knowledge_of(too_much))
    (card,) = made.body["cards"]
    assert "suggestions" not in card
    assert "- Add potassium 60 mmol over 2 h: it would raise 'Potassium too fast' (critical)" in card["detail"]
