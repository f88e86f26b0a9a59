"""The envelope of a call: what is refused, with which path (CDS Hooks 2.0 clauses of the request and its context)."""

from __future__ import annotations

import json
from typing import Any
from unittest import mock

import pytest

from cds.intake import EVALUATE_AT, RequestError, envelope
from tests.intake.payloads import LOINC, NOW, bundle, draft, observation, read, request

DROP = object()


def changed(payload: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    found = json.loads(json.dumps(payload))
    *parents, last = path.split(".")
    target = found
    for each in parents:
        target = target[each]
    if value is DROP:
        del target[last]
    else:
        target[last] = value
    return found


def refusal(payload: Any, **settings: Any) -> RequestError:
    with pytest.raises(RequestError) as caught:
        read(payload, **settings)
    return caught.value


@pytest.mark.parametrize(
    ("path", "value", "expression", "code"),
    [
        ("hook", DROP, "hook", "required"),  # CH-31
        ("hook", "patient-view", "hook", "value"),  # CH-34
        ("hook", 3, "hook", "structure"),
        ("hookInstance", DROP, "hookInstance", "required"),  # CH-32
        ("hookInstance", "not-a-uuid", "hookInstance", "value"),  # CH-35
        ("hookInstance", "urn:uuid:d1577c69-dfbe-44ad-ba6d-3e05e953b2ea", "hookInstance", "value"),
        ("context", DROP, "context", "required"),  # CH-33
        ("context", [], "context", "structure"),
        ("context.patientId", DROP, "context.patientId", "required"),  # CH-42
        ("context.patientId", "Patient/p1", "context.patientId", "value"),
        ("context.patientId", 7, "context.patientId", "structure"),
        ("context.userId", DROP, "context.userId", "required"),  # CH-43
        ("context.userId", "abc", "context.userId", "value"),  # CH-44
        ("context.userId", "Patient/p1", "context.userId", "value"),
        ("context.encounterId", "", "context.encounterId", "required"),
        ("context.encounterId", "Encounter/e1", "context.encounterId", "value"),
        ("context.draftOrders", DROP, "context.draftOrders", "required"),  # CH-46
        ("context.draftOrders", None, "context.draftOrders", "required"),
        ("context.draftOrders", [], "context.draftOrders", "structure"),
        ("context.draftOrders", {"resourceType": "Patient"}, "context.draftOrders.resourceType", "structure"),
        ("context.draftOrders", {"resourceType": "Bundle", "entry": 3}, "context.draftOrders.entry", "structure"),
        ("prefetch", [], "prefetch", "structure"),
        ("fhirAuthorization", {"access_token": "t"}, "fhirServer", "invariant"),  # CH-37
        ("fhirServer", "file:///etc", "fhirServer", "value"),
        ("fhirAuthorization", "t", "fhirAuthorization", "structure"),
        ("extension", [], "extension", "structure"),
    ],
)
def test_ch_31_to_46_a_request_is_refused_with_the_path(path: str, value: Any, expression: str, code: str) -> None:
    error = refusal(changed(request([draft()]), path, value), hook="order-sign")
    assert (error.status, error.code, error.expression) == (400, code, expression)


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'"x"', b"null", b"NaN", b"\xef\xbb\xbf{}", b'{"hook":"\xff"}', b"[" * 100_000, b'{"a":' * 5000 + b"1" + b"}" * 5000])
def test_ch_38_a_body_that_is_no_json_object_is_refused(body: bytes) -> None:
    assert refusal(body).status == 400


def test_refusals_repeat_nothing_of_the_payload() -> None:
    for path in ("hook", "hookInstance", "context.patientId", "context.userId", "fhirServer", "context.encounterId"):
        assert "secret" not in refusal(changed(request([draft()]), path, "secret \n value"), hook="order-sign").message


def test_ch_47_order_select_needs_selections() -> None:
    payload = request([draft()], hook="order-select")
    assert refusal(changed(payload, "context.selections", DROP)).expression == "context.selections"
    assert refusal(changed(payload, "context.selections", "x")).expression == "context.selections"


@pytest.mark.parametrize(
    ("selections", "selected", "dangling"),
    [
        (["MedicationRequest/d1"], [True, False], 0),
        (["MedicationRequest/d1", "MedicationRequest/gone"], [True, False], 1),
        (["MedicationRequest/gone"], [True, True], 1),  # CH-48: nobody may look unchosen for a bad reference
        ([], [True, True], 0),
    ],
)
def test_ch_48_selections(selections: list[str], selected: list[bool], dangling: int) -> None:
    found = read(request([draft(), draft(id="d2")], hook="order-select", selections=selections))
    assert [each.selected for each in found.chart.orders] == selected and found.notes.dangling_selections == dangling


@pytest.mark.parametrize("user", ["Practitioner/x", "PractitionerRole/x"])
def test_ch_44_both_forms_of_user(user: str) -> None:
    assert read(request([draft()], userId=user)).envelope.user_id == user


def test_patient_view_takes_patients_as_users_and_no_drafts() -> None:
    assert read(request(hook="patient-view", userId="RelatedPerson/x")).chart.orders == ()


def test_ch_45_encounter_is_optional_but_for_discharge() -> None:
    assert read(changed(request([draft()]), "context.encounterId", DROP)).envelope.encounter_id is None
    payload = request(hook="encounter-discharge")
    assert read(payload).envelope.encounter_id == "e1"
    assert refusal(changed(payload, "context.encounterId", DROP)).expression == "context.encounterId"


def test_ch_41_extensions_and_unknown_members_are_tolerated() -> None:
    payload = request([draft()], {"electrolytes": bundle(observation())})
    payload |= {"extension": {"com.example": [1]}, "unknown": {"a": None}}
    payload["context"]["unknown"] = [3]
    assert len(read(payload).chart.results.of("potassium")) == 1


def test_ch_37_authorization_beside_a_server_is_accepted_and_the_token_is_not_kept() -> None:
    payload = request([draft()]) | {"fhirServer": "https://ehr.example/fhir", "fhirAuthorization": {"access_token": "secret-token"}}
    found = read(payload)
    assert found.envelope.has_authorization and "secret-token" not in repr(found.envelope)


def test_ch_50_other_kinds_of_order_are_ignored_counted_and_tests_known() -> None:
    test = {"resourceType": "ServiceRequest", "status": "draft", "intent": "order", "code": {"coding": [{"system": LOINC, "code": "2823-3"}]}}
    found = read(request([draft(), test, {"resourceType": "NutritionOrder", "id": "n"}]))
    assert found.drafted_tests == ("potassium",) and found.notes.other_drafts == 2 and found.notes.unknown_types == {"NutritionOrder": 1}
    assert len(found.chart.orders) == 1 and found.chart.problems == ()


def test_the_moment_to_judge_at_is_taken_only_when_allowed() -> None:
    payload = request([draft()]) | {"extension": {EVALUATE_AT: "2026-11-25T09:00:00Z"}}
    assert read(payload).chart.now == NOW and read(payload).notes.client_time_ignored
    found = read(payload, allow_client_time=True)
    assert found.chart.now == found.envelope.evaluate_at == NOW - 3_600_000


@pytest.mark.parametrize("value", ["2026-11-25T09:00:00", "2026-11-25", "soon", 5, [], {}, "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"])
def test_a_moment_to_judge_at_must_be_an_instant(value: Any) -> None:
    payload = request([draft()]) | {"extension": {EVALUATE_AT: value}}
    assert refusal(payload, allow_client_time=True).expression == f"extension.{EVALUATE_AT}"
    assert read(payload).chart.now == NOW


def test_an_unusual_request_is_read_like_a_usual_one() -> None:
    """The member-by-member way gives what the one-pass way gives."""
    payload = request([draft()], {"electrolytes": bundle(observation()), "conditions": None})
    quick = read(payload)
    with mock.patch.object(envelope, "_WHOLE", envelope.msgspec.json.Decoder(int)):
        slow = read(payload)
    assert slow.envelope == quick.envelope and slow.chart.orders == quick.chart.orders and slow.chart.sources == quick.chart.sources
    assert slow.chart.results.of("potassium") == quick.chart.results.of("potassium") and slow.chart.patient == quick.chart.patient


def test_resources_are_found_as_received() -> None:
    payload = request([draft()], {"electrolytes": bundle(observation())})
    found = read(payload)
    (drafted,) = found.chart.orders
    (result,) = found.chart.results.of("potassium")
    assert json.loads(found.raw.get(drafted.raw_key) or b"") == payload["context"]["draftOrders"]["entry"][0]["resource"]
    assert found.raw.get(result.path) == found.raw.get(result.ref) == json.dumps(observation()).encode()
    assert json.loads(found.raw.get("prefetch.patient") or b"")["id"] == "p1"
    for nothing in ("", "x", "Observation/none", "context.draftOrders.entry[9].resource", "prefetch.none.entry[0].resource", "prefetch.renal"):
        assert found.raw.get(nothing) is None


@pytest.mark.parametrize("broken", [None, 3, "x", [], {"resource": None}, {}])
def test_ch_53_an_entry_that_is_no_resource_costs_no_other_draft(broken: Any) -> None:
    """The good draft is read; the other entry keeps its place and is named with its path."""
    payload = request(drafts=[draft()])
    payload["context"]["draftOrders"]["entry"].append(broken)
    found = read(payload)
    assert [order.path for order in found.chart.orders if order.drafted] == ["context.draftOrders.entry[0].resource"]
    assert [problem.path for problem in found.chart.problems] == ["context.draftOrders.entry[1].resource"]
