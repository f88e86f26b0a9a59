"""What a service must do when it is called, one probe a clause: groups D to G of the clauses and the trust group's open part.

A probe takes a service, posts to it and returns faults, one line each; an empty list means that the clause is met. The names
of the functions carry the clause ids. Probes never raise for what a service answers, so a wrong service can be shown to fail.
"""

import copy
import json
import re
from collections.abc import Callable, Iterable
from typing import Any

import httpx

from tests.conformance import checks
from tests.conformance.requests import (
    EXPECTED,
    HOOKS,
    ORDER_HOOKS,
    PATIENT,
    PREFETCH_KEYS,
    RXNORM,
    Request,
    again,
    all_requests,
    changed,
    insulin_draft,
    lead_request,
    observation,
    potassium_draft,
    searchset,
    small_request,
    with_drafts,
    with_more,
    without,
)
from tests.conformance.service import Service, recording_fhir_server
from tests.service_process import free_port

Json = Any
Probe = Callable[[Service], list[str]]
Named = Iterable[tuple[str, Request]]

OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "exception", "diagnostics": "search failed"}],
}
TOKEN = "tok-8f1c/confidential+ACCESS=="


# ------------------------------------------------------------------------------------------ what an answer must be


def _body(response: httpx.Response) -> Json:
    try:
        return checks.strict_json(response.content)
    except ValueError:
        return None


def _cards(response: httpx.Response) -> list[Json] | None:
    """The cards of a well-formed 200 answer; None for any other answer."""
    body = _body(response)
    if response.status_code != 200 or not isinstance(body, dict) or not isinstance(body.get("cards"), list):
        return None
    return [card for card in body["cards"] if isinstance(card, dict)]


def answered(service: Service, requests: Named) -> list[str]:
    """Each request gets 200 with an array of cards."""
    faults = []
    for name, request in requests:
        response = service.call(request)
        if _cards(response) is None:
            faults.append(f"{name}: status {response.status_code}, {response.text[:300]}")
    return faults


def answered_with_a_card(service: Service, requests: Named) -> list[str]:
    """Each request gets 200 with at least one card: silence would read as "nothing wrong"."""
    faults = []
    for name, request in requests:
        response = service.call(request)
        if not _cards(response):
            faults.append(f"{name}: status {response.status_code}, {response.text[:300]}")
    return faults


def refused(service: Service, requests: Iterable[tuple[str, Json]], service_id: str | None = None) -> list[str]:
    """Each request gets 4xx."""
    faults = []
    for name, request in requests:
        response = service.call(request, service_id)
        if not 400 <= response.status_code < 500:
            faults.append(f"{name}: status {response.status_code}, {response.text[:300]}")
    return faults


def survived(service: Service, requests: Named) -> list[str]:
    """Each request gets 200 with cards, or 4xx: never 5xx, never something else."""
    faults = []
    for name, request in requests:
        response = service.call(request)
        if _cards(response) is None and not 400 <= response.status_code < 500:
            faults.append(f"{name}: status {response.status_code}, {response.text[:300]}")
    return faults


def nothing_lost(service: Service, base: Request, requests: Named) -> list[str]:
    """Each request gets 200, and its cards carry every advisory that the cards of `base` carry."""
    before = _body(service.call(base))
    if not isinstance(before, dict) or not checks.advisory_codes(before):
        return ["the request that is varied has no card itself"]
    faults = []
    for name, request in requests:
        response = service.call(request)
        if _cards(response) is None:
            faults.append(f"{name}: status {response.status_code}, {response.text[:300]}")
        elif lost := checks.advisory_codes(before) - checks.advisory_codes(_body(response)):
            faults.append(f"{name}: lost {sorted(lost)}")
    return faults


def same_cards(service: Service, base: Request, requests: Named) -> list[str]:
    """Each request gets the cards of `base`, uuids apart."""
    before = _cards(service.call(base))
    if not before:
        return ["the request that is varied has no card itself"]
    faults = []
    for name, request in requests:
        if checks.without_uuids(_cards(service.call(request))) != checks.without_uuids(before):
            faults.append(f"{name}: other cards")
    return faults


def _every_hook() -> list[tuple[str, Request]]:
    return [(hook, small_request(hook)) for hook in HOOKS]


# ------------------------------------------------------------------------------------------------- D. using prefetch


def ch_22_required_data_missing(service: Service) -> list[str]:
    """No prefetch, no FHIR server: a card says what could not be judged; never an empty 200 (and 412 not by default)."""
    return answered_with_a_card(
        service,
        [(f"{hook}, {name}", request) for hook, base in _every_hook() for name, request in _bare(base)],
    )


def _bare(base: Request) -> list[tuple[str, Request]]:
    return [("no prefetch", without(base, "prefetch")), ("empty prefetch", changed(base, "prefetch", {}))]


def authorized(base: Request, server: str, **members: Json) -> Request:
    """The request with access to a FHIR server; a member given as None is left out."""
    access = {
        "access_token": TOKEN,
        "token_type": "Bearer",
        "expires_in": 300,
        "scope": "patient/Patient.read patient/Observation.read",
        "subject": "trivet",
        "patient": PATIENT,
    } | members
    given = {name: value for name, value in access.items() if value is not None}
    return changed(changed(base, "fhirServer", server), "fhirAuthorization", given)


def ch_23_fhir_server_down(service: Service) -> list[str]:
    """A FHIR server that does not answer: a card within ten seconds."""
    base = without(small_request("order-sign"), "prefetch")
    request = authorized(base, f"http://127.0.0.1:{free_port()}/fhir")
    try:
        response = service.client.post("/cds-services/trivet-order-sign", json=request, timeout=httpx.Timeout(10.0))
    except httpx.TimeoutException:
        return ["closed port: no answer within 10 s"]
    return [] if _cards(response) else [f"closed port: status {response.status_code}, {response.text[:300]}"]


def _search_keys(base: Request) -> list[str]:
    return [key for key in base["prefetch"] if key != "patient"]


def ch_24_null_prefetch(service: Service) -> list[str]:
    """Every search key null, and one at a time: answered data."""
    faults = []
    for hook, base in _every_hook():
        nothing = base["prefetch"] | dict.fromkeys(_search_keys(base))
        rows = [(f"{hook}, {key} null", changed(base, f"prefetch.{key}", None)) for key in _search_keys(base)]
        faults += answered(service, [*rows, (f"{hook}, all null", changed(base, "prefetch", nothing))])
    return faults


def ch_25_empty_searchset(service: Service) -> list[str]:
    """Empty Bundles, with and without `total` and `entry`: answered data, judged as null is."""
    empties = [
        ("no entry", {"resourceType": "Bundle", "type": "searchset"}),
        ("total 0", {"resourceType": "Bundle", "type": "searchset", "total": 0}),
        ("entry []", {"resourceType": "Bundle", "type": "searchset", "total": 0, "entry": []}),
    ]
    base = small_request("order-sign")
    rows = [
        (name, changed(base, "prefetch", base["prefetch"] | {key: bundle for key in _search_keys(base)}))
        for name, bundle in empties
    ]
    return answered(service, rows) + [
        f"{name}: {fault}"
        for name, bundle in empties
        for fault in same_cards(
            service,
            changed(base, "prefetch.electrolytes", None),
            [("as null", changed(base, "prefetch.electrolytes", bundle))],
        )
    ]


def ch_26_operation_outcome(service: Service) -> list[str]:
    """An OperationOutcome as the value or as an entry: could not be fetched, which is not "no data"."""
    base = small_request("order-sign")
    entry = {"resource": OUTCOME, "search": {"mode": "outcome"}}
    bundle = {"resourceType": "Bundle", "type": "searchset", "entry": [entry]}
    rows = [(f"{key} as value", changed(base, f"prefetch.{key}", OUTCOME)) for key in PREFETCH_KEYS]
    rows += [(f"{key} as entry", changed(base, f"prefetch.{key}", bundle)) for key in _search_keys(base)]
    faults = answered_with_a_card(service, rows)
    failed = changed(base, "prefetch.electrolytes", OUTCOME)
    empty = changed(base, "prefetch.electrolytes", searchset())
    if not same_cards(service, empty, [("electrolytes", failed)]):
        faults.append("electrolytes: a failed search is told as an empty one")
    return faults


def ch_27_partial_prefetch(service: Service) -> list[str]:
    """One key dropped at a time: 200."""
    requests = [*_every_hook(), ("lead", lead_request())]
    return answered(
        service,
        [
            (f"{name}, no {key}", without(base, f"prefetch.{key}"))
            for name, base in requests
            for key in base["prefetch"]
        ],
    )


def paged(base: Request, key: str) -> Request:
    """The request with a `next` link on the Bundle of one key."""
    copied = again(base)
    bundle = copied["prefetch"].get(key) or searchset()
    bundle["link"] = [{"relation": "next", "url": "http://ehr.example/fhir/Page?p=2"}]
    bundle.pop("total", None)
    copied["prefetch"][key] = bundle
    return copied


def ch_28_paged_searchset(service: Service) -> list[str]:
    """A `next` link on any search: 200; on the running infusions, which are summed, the answer says that they are incomplete."""
    base = small_request("order-sign")
    faults = answered(service, [(f"{key} paged", paged(base, key)) for key in _search_keys(base)])
    for key in ("administrations", "medications"):
        if not same_cards(service, base, [(key, paged(base, key))]):
            faults.append(f"{key} paged: judged as if the page were all")
    return faults


def ch_29_unknown_prefetch_key(service: Service) -> list[str]:
    """A key that was never announced changes nothing."""
    base = small_request("order-sign")
    more = [
        ("null", None),
        ("text", "x"),
        ("number", 7),
        ("Bundle", searchset(observation("zz-1", "2823-3", 6.9, "mmol/L"))),
    ]
    return same_cards(service, base, [(name, changed(base, "prefetch.zz-unasked", value)) for name, value in more])


# -------------------------------------------------------------------------------------------------- E. the envelope


def ch_30_valid_request(service: Service) -> list[str]:
    """A valid request for each hook, and each shipped scenario, gets 200 with cards."""
    return answered(service, all_requests().items())


def _lacking(member: str) -> Probe:
    def probe(service: Service) -> list[str]:
        rows = [(f"{hook} without {member}", without(base, member), hook) for hook, base in _every_hook()]
        rows += [(f"{hook}, {member} null", changed(base, member, None), hook) for hook, base in _every_hook()]
        return [
            fault for name, request, hook in rows for fault in refused(service, [(name, request)], f"trivet-{hook}")
        ]

    probe.__doc__ = f"A request without `{member}` is refused."
    return probe


ch_31_missing_hook = _lacking("hook")
ch_32_missing_hook_instance = _lacking("hookInstance")
ch_33_missing_context = _lacking("context")


def ch_34_wrong_hook(service: Service) -> list[str]:
    """A hook that this id does not announce is refused."""
    faults = []
    for here in HOOKS:
        rows = [(f"{other} sent to {here}", small_request(other)) for other in HOOKS if other != here]
        rows.append((f"unknown hook sent to {here}", changed(small_request(here), "hook", "order-dispatch")))
        faults += refused(service, rows, f"trivet-{here}")
    return faults


def ch_35_malformed_hook_instance(service: Service) -> list[str]:
    """A hookInstance that is no bare UUID is refused or tolerated."""
    base = small_request("order-sign")
    values: list[Json] = ["not-a-uuid", f"urn:uuid:{base['hookInstance']}", "", 7, [], {}, "x" * 100_000, "\x00"]
    return survived(service, [(repr(value)[:40], changed(base, "hookInstance", value)) for value in values])


def ch_36_repeated_hook_instance(service: Service) -> list[str]:
    """The very same request twice: both 200."""
    base = small_request("order-sign")
    return answered(service, [("first", base), ("second", copy.deepcopy(base))])


def ch_37_authorization_without_server(service: Service) -> list[str]:
    """`fhirAuthorization` needs `fhirServer`."""
    request = authorized(small_request("order-sign"), "http://127.0.0.1:9/fhir")
    return refused(service, [("no fhirServer", without(request, "fhirServer"))])


MALFORMED = (
    b"{",
    b"[]",
    b'"x"',
    b"",
    b"null",
    b"7",
    b"{} {}",
    b'{"hook": NaN}',
    b"\xff\xfe",
    b'{"hook": "order-sign",}',
)


def ch_38_malformed_body(service: Service) -> list[str]:
    """What is no JSON object is refused."""
    return refused(service, [(repr(body), body) for body in MALFORMED])


def ch_39_unknown_service(service: Service) -> list[str]:
    """An id that is not announced is refused: 404."""
    response = service.call(small_request("order-sign"), "no-such-service-0")
    return [] if response.status_code == 404 else [f"status {response.status_code}"]


def ch_40_wrong_method(service: Service) -> list[str]:
    """GET on a service address gives 404 or 405."""
    statuses = {hook: service.client.get(f"/cds-services/trivet-{hook}").status_code for hook in HOOKS}
    return [f"{hook}: status {status}" for hook, status in statuses.items() if status not in (404, 405)]


def ch_41_extensions_and_unknown_members(service: Service) -> list[str]:
    """`extension` on the request and the context, and members that nobody knows, change nothing."""
    base = small_request("order-sign")
    foreign = {"org.example.thing": {"a": [1, {"b": True}]}}
    own = base["extension"] | foreign
    rows = [
        ("extension of the request", changed(base, "extension", own)),
        ("extension of the context", changed(base, "context.extension", foreign)),
        ("unknown member", changed(base, "zz-member", {"x": 1})),
        ("unknown member of the context", changed(base, "context.zz-member", [1, 2])),
    ]
    return same_cards(service, base, rows)


# ---------------------------------------------------------------------------------------------------- F. the context


def _context_lacks(member: str, hooks: Iterable[str]) -> Probe:
    def probe(service: Service) -> list[str]:
        bases = [(hook, small_request(hook)) for hook in hooks]
        rows = [(f"{hook} without {member}", without(base, f"context.{member}")) for hook, base in bases]
        rows += [(f"{hook}, {member} null", changed(base, f"context.{member}", None)) for hook, base in bases]
        rows += [(f"{hook}, {member} a number", changed(base, f"context.{member}", 7)) for hook, base in bases]
        return refused(service, rows)

    probe.__doc__ = f"A request whose context lacks `{member}`, or has something else in its place, is refused."
    return probe


ch_42_missing_patient_id = _context_lacks("patientId", HOOKS)
ch_43_missing_user_id = _context_lacks("userId", HOOKS)
ch_46_missing_draft_orders = _context_lacks("draftOrders", ORDER_HOOKS)
ch_47_missing_selections = _context_lacks("selections", ["order-select"])
discharge_without_encounter = _context_lacks("encounterId", ["encounter-discharge"])


def ch_44_user_id_forms(service: Service) -> list[str]:
    """Practitioner and PractitionerRole are accepted; at patient-view also the patient and a related person."""
    rows = [
        (f"{hook}, {user}", changed(base, "context.userId", user))
        for hook, base in _every_hook()
        for user in ("Practitioner/x-1", "PractitionerRole/x.2")
    ]
    view = small_request("patient-view")
    rows += [(user, changed(view, "context.userId", user)) for user in (f"Patient/{PATIENT}", "RelatedPerson/r-1")]
    bad = [
        (user, changed(base, "context.userId", user)) for _, base in _every_hook() for user in ("abc", "", "/", "A/")
    ]
    return answered(service, rows) + survived(service, bad)


def ch_45_encounter_optional(service: Service) -> list[str]:
    """encounterId may be absent, but for encounter-discharge, where it is required."""
    rows = [
        (hook, without(base, "context.encounterId")) for hook, base in _every_hook() if hook != "encounter-discharge"
    ]
    return answered(service, rows) + discharge_without_encounter(service)


def ch_48_dangling_selection(service: Service) -> list[str]:
    """A selection that is not among the drafts, or that is no reference, does not crash the service."""
    base = small_request("order-select")
    values: list[Json] = [["MedicationRequest/nowhere"], ["nonsense"], [], [7], [None], ["MedicationRequest/"]]
    return survived(service, [(repr(value), changed(base, "context.selections", value)) for value in values])


def ch_49_order_without_dosage(service: Service) -> list[str]:
    """At order-select dose and route may still be missing; the selected order is judged, the others stand as context."""
    bare = {name: value for name, value in insulin_draft().items() if name != "dosageInstruction"}
    routeless = insulin_draft()
    del routeless["dosageInstruction"][0]["route"]
    base = small_request("order-select")
    one_of_two = changed(base, "context.selections", ["MedicationRequest/draft-potassium"])
    rows = [
        ("no dosage", with_drafts(base, bare)),
        ("no route", with_drafts(base, routeless)),
        ("other one", one_of_two),
    ]
    selected = checks.advisory_codes(_body(service.call(base)) or {})
    return answered(service, rows) + ([] if EXPECTED in selected else [f"the selected insulin: {sorted(selected)}"])


NUTRITION = {
    "resourceType": "NutritionOrder",
    "id": "draft-diet",
    "status": "draft",
    "intent": "order",
    "patient": {"reference": f"Patient/{PATIENT}"},
    "dateTime": "2026-03-14T09:29:00Z",
    "oralDiet": {"type": [{"text": "Clear fluids"}]},
}
CHEST_FILM = {
    "resourceType": "ServiceRequest",
    "id": "draft-film",
    "status": "draft",
    "intent": "order",
    "subject": {"reference": f"Patient/{PATIENT}"},
    "code": {"coding": [{"system": "http://loinc.org", "code": "36643-5"}], "text": "Chest X-ray"},
}
UNKNOWN_KIND = {"resourceType": "OrderOfTomorrow", "id": "draft-zz", "status": "draft"}


def ch_50_other_order_types(service: Service) -> list[str]:
    """Drafts of kinds that the service does not judge cost none of the other cards."""
    faults = []
    for hook in ORDER_HOOKS:
        base = small_request(hook)
        kinds = [("NutritionOrder", NUTRITION), ("ServiceRequest", CHEST_FILM), ("unheard of", UNKNOWN_KIND)]
        rows = [
            (f"{hook}, {name}", with_drafts(base, insulin_draft(), potassium_draft(), kind)) for name, kind in kinds
        ]
        faults += nothing_lost(service, base, rows)
    return faults


def ch_51_status_not_draft(service: Service) -> list[str]:
    """order-sign at re-signing: active beside draft."""
    base = small_request("order-sign")
    statuses = ("active", "on-hold", "stopped", "cancelled", "completed", "unknown")
    return answered(
        service,
        [(status, with_drafts(base, insulin_draft(), potassium_draft() | {"status": status})) for status in statuses],
    )


def ch_52_extensions_in_resources(service: Service) -> list[str]:
    """Extensions on resources, on elements and on primitives (`_birthDate`) change nothing."""
    extension = [{"url": "http://ehr.example/extension", "valueString": "x"}]
    base = small_request("order-sign")
    extended = again(base)
    patient = extended["prefetch"]["patient"]
    patient["extension"] = extension
    patient["_birthDate"] = {"extension": [{"url": "http://ehr.example/time", "valueDateTime": "1964-05-02T01:00:00Z"}]}
    potassium = extended["prefetch"]["electrolytes"]["entry"][0]["resource"]
    potassium["extension"] = extension
    potassium["valueQuantity"]["extension"] = extension
    potassium["_status"] = {"extension": extension}
    insulin = extended["context"]["draftOrders"]["entry"][0]["resource"]
    insulin["extension"] = extension
    insulin["dosageInstruction"][0]["extension"] = extension
    return same_cards(service, base, [("extensions", extended)])


def bad_results() -> list[tuple[str, Json]]:
    """Entries for the key `minerals`, none of them usable, all of them met in real feeds."""
    good = observation("phos-9", "14879-1", 1.0, "mmol/L", at="2026-03-14T09:20:00Z")

    def but(**members: Json) -> Json:
        return {"resource": {name: value for name, value in (good | members).items() if value is not None}}

    quantity = good["valueQuantity"]
    return [
        ("no unit", but(valueQuantity={"value": 1.0})),
        ("alien unit", but(valueQuantity=quantity | {"unit": "furlong", "code": "[fur_us]"})),
        ("text value", but(valueQuantity=None, valueString="haemolysed, 1.0?")),
        ("text in a number", but(valueQuantity=quantity | {"value": "1.0"})),
        ("no value", but(valueQuantity=None)),
        ("absent reason", but(valueQuantity=None, dataAbsentReason={"text": "not done"})),
        ("comparator", but(valueQuantity=quantity | {"comparator": "<"})),
        ("unknown comparator", but(valueQuantity=quantity | {"comparator": "~"})),
        ("huge value", but(valueQuantity=quantity | {"value": 1e300})),
        ("negative value", but(valueQuantity=quantity | {"value": -4})),
        ("time without zone", but(effectiveDateTime="2026-03-14T09:20:00")),
        ("date only", but(effectiveDateTime="2026-03-14")),
        ("no time", but(effectiveDateTime=None)),
        ("impossible time", but(effectiveDateTime="2026-02-31T25:61:00Z")),
        ("time in the future", but(effectiveDateTime="2031-01-01T00:00:00Z")),
        ("entered in error", but(status="entered-in-error")),
        ("unknown status", but(status="banana")),
        ("no status", but(status=None)),
        ("unknown code", but(code={"coding": [{"system": "http://lab.example", "code": "ZZ"}]})),
        ("no code", but(code=None)),
        ("no subject", but(subject=None)),
        ("another patient", but(subject={"reference": "Patient/somebody-else"})),
        ("unknown member", but(zz="x")),
        ("entry without resource", {"fullUrl": "urn:uuid:0b9d7b0c-7b0e-4f0e-8f55-3f6f3f9c3a10"}),
        ("entry null", None),
        ("entry text", "x"),
        ("resource null", {"resource": None}),
        ("resource text", {"resource": "x"}),
        ("resource a list", {"resource": []}),
        ("no resourceType", {"resource": {"id": "x"}}),
        ("unknown resourceType", {"resource": {"resourceType": "Horoscope", "id": "x"}}),
    ]


def ch_53_one_bad_resource(service: Service) -> list[str]:
    """One unusable resource costs none of the other cards, wherever it stands."""
    base = small_request("order-sign")
    faults = nothing_lost(service, base, [(name, with_more(base, "minerals", entry)) for name, entry in bad_results()])
    drafts = [
        ("entry null", None),
        ("entry text", "x"),
        ("empty entry", {}),
        ("no resourceType", {"resource": {"id": "x"}}),
    ]
    rows = []
    for name, entry in drafts:
        copied = again(base)
        copied["context"]["draftOrders"]["entry"].append(entry)
        rows.append((f"draft, {name}", copied))
    return faults + nothing_lost(service, base, rows)


def r5_draft() -> Json:
    """The insulin draft in the shape of R5: `medication.concept` in place of medicationCodeableConcept."""
    draft = insulin_draft()
    draft["medication"] = {"concept": draft.pop("medicationCodeableConcept")}
    return draft


def ch_54_r5_shaped_order(service: Service) -> list[str]:
    """An order of R5 shape gets 4xx or a card, never silence."""
    faults = []
    for hook in ORDER_HOOKS:
        response = service.call(with_drafts(small_request(hook), r5_draft()))
        if not (_cards(response) or 400 <= response.status_code < 500):
            faults.append(f"{hook}: status {response.status_code}, {response.text[:300]}")
    return faults


def ch_55_patient_mismatch(service: Service) -> list[str]:
    """What belongs to another patient is never judged as this one's, and that is said."""
    base = small_request("order-sign")
    other = {"reference": "Patient/somebody-else"}
    swapped = again(base)
    swapped["prefetch"]["patient"]["id"] = "somebody-else"
    alien_result = again(base)
    alien_result["prefetch"]["electrolytes"]["entry"][0]["resource"]["subject"] = other
    alien_drafts = with_drafts(base, insulin_draft() | {"subject": other})
    faults = []
    for name, request in (("Patient", swapped), ("potassium", alien_result), ("draft", alien_drafts)):
        response = service.call(request)
        if not (_cards(response) or 400 <= response.status_code < 500):
            faults.append(f"{name} of another patient: status {response.status_code}, {response.text[:300]}")
        elif name != "Patient" and EXPECTED in checks.advisory_codes(_body(response) or {}):
            faults.append(f"{name} of another patient: judged as this one's")
    if not same_cards(service, base, [("Patient", swapped)]):
        faults.append("Patient of another patient: answered as if nothing were wrong")
    return faults


def ch_56_referenced_medication(service: Service) -> list[str]:
    """A Medication contained, in the same Bundle or out of reach: never a crash; the readable forms are judged, the other said."""
    base = small_request("order-sign")
    coding = {"coding": [{"system": RXNORM, "code": "253182"}], "text": "Soluble human insulin"}
    medication = {"resourceType": "Medication", "id": "med-1", "code": coding}
    draft = {name: value for name, value in insulin_draft().items() if name != "medicationCodeableConcept"}
    contained = draft | {"contained": [medication], "medicationReference": {"reference": "#med-1"}}
    by_id = draft | {"medicationReference": {"reference": "Medication/med-1"}}
    by_url = draft | {"medicationReference": {"reference": "urn:uuid:2b0e3f53-7dc1-4f3b-9f0c-5f1d6a7e9c01"}}
    entry = {"fullUrl": "urn:uuid:2b0e3f53-7dc1-4f3b-9f0c-5f1d6a7e9c01", "resource": medication}
    coded = with_drafts(base, insulin_draft())
    readable = [
        ("contained", with_drafts(base, contained)),
        ("Bundle entry by id", with_drafts(base, by_id, medication)),
        ("Bundle entry by fullUrl", with_drafts(base, by_url, entry)),
    ]
    unreadable = [
        ("out of reach", with_drafts(base, by_id)),
        ("contained but missing", with_drafts(base, draft | {"medicationReference": {"reference": "#nowhere"}})),
        ("no medication at all", with_drafts(base, draft)),
    ]
    return nothing_lost(service, coded, readable) + answered_with_a_card(service, unreadable)


# ------------------------------------------------------------------------------------------------- G. FHIR access


def ch_57_58_bearer_on_every_fhir_call(service: Service) -> list[str]:
    """Whatever the service asks of the FHIR server, it asks with the token and under the base given; complete prefetch, nothing."""
    with recording_fhir_server() as server:
        base = small_request("order-sign")
        faults = answered(service, [("no prefetch", authorized(without(base, "prefetch"), server.base))])
        faults += [
            f"{path}: Authorization {header!r}"
            for path, header in server.calls
            if header != f"Bearer {TOKEN}" or not path.startswith("/fhir/r4/")
        ]
        before = len(server.calls)
        faults += answered(service, [("complete prefetch", authorized(base, server.base))])
        faults += [f"{path}: asked though prefetch was complete" for path, _ in server.calls[before:]]
    return faults


def ch_59_token_is_transient(service: Service) -> list[str]:
    """The access token stands in no answer, no header and no file that the service writes, escaped or not."""
    request = authorized(small_request("order-sign"), f"http://127.0.0.1:{free_port()}/fhir")
    escaped = "".join(f"\\u{ord(letter):04x}" for letter in TOKEN)
    elsewhere = changed(request, "extension", request["extension"] | {"org.example.copy": TOKEN})
    broken = without(request, "fhirServer")
    bodies = [json.dumps(r).encode() for r in (request, elsewhere, broken)]
    bodies.append(json.dumps(again(request)).replace(TOKEN, escaped).encode())
    bodies.append(json.dumps(again(request)).replace("/", "\\/").encode())
    bodies.append(json.dumps(again(request)).encode()[:-1])
    spellings = (TOKEN.encode(), escaped.encode(), TOKEN.replace("/", "\\/").encode())
    faults = []
    for index, body in enumerate(bodies):
        response = service.call(body)
        shown = response.content + b"".join(name + value for name, value in response.headers.raw)
        if any(spelling in shown for spelling in spellings):
            faults.append(f"body {index}: the answer holds the token")
    for path in sorted(service.data_dir.rglob("*")) if service.data_dir else []:
        if path.is_file() and any(spelling in path.read_bytes() for spelling in spellings):
            faults.append(f"{path.name}: holds the token")
    return faults


def ch_60_authorization_members(service: Service) -> list[str]:
    """Both spellings of scopes are accepted; a missing member is refused or tolerated."""
    base, server = small_request("order-sign"), f"http://127.0.0.1:{free_port()}/fhir"
    scopes = (
        "patient/Observation.read",
        "patient/Observation.rs",
        "user/*.read launch",
        "patient/Observation.rs?category=laboratory",
    )
    rows = [(scope, authorized(base, server, scope=scope)) for scope in scopes]
    members = ("access_token", "token_type", "expires_in", "scope", "subject", "patient")
    lacking = [(f"no {member}", authorized(base, server, **{member: None})) for member in members]
    odd = [("a text", changed(authorized(base, server), "fhirAuthorization", "x"))]
    return answered(service, rows) + survived(service, lacking + odd)


# ------------------------------------------------------------------------------------------------ H. and J., two more


def ch_68_uuids_are_new(service: Service) -> list[str]:
    """Two hook events with the same content get other uuids."""
    bodies = [_body(service.call(again(lead_request()))) for _ in range(3)]
    if not all(isinstance(body, dict) and body.get("cards") for body in bodies):
        return ["no cards to compare"]
    return checks.repeated_uuids(bodies)


def ch_85_same_input_same_cards(service: Service) -> list[str]:
    """The same request twice gives the same cards, uuids apart."""
    faults = []
    for name, request in (("lead", lead_request()), ("small", small_request("order-sign"))):
        faults += [f"{name}: {fault}" for fault in same_cards(service, request, [("again", again(request))])]
    return faults


def ch_96_open_on_loopback(service: Service) -> list[str]:
    """An open service treats no token and a bad token alike, on every endpoint."""
    plain = service.client.headers
    faults = []
    for header in ("Bearer not.a.token", "Basic eDp5", "Bearer"):
        response = service.client.get("/cds-services", headers={"Authorization": header})
        if response.content != service.client.get("/cds-services", headers=plain).content:
            faults.append(f"discovery with {header!r}: another answer")
        response = service.client.post(
            "/cds-services/trivet-order-sign", json=small_request("order-sign"), headers={"Authorization": header}
        )
        if _cards(response) is None:
            faults.append(f"service with {header!r}: status {response.status_code}")
    return faults


PROBES: dict[str, Probe] = {
    name: probe for name, probe in sorted(globals().items()) if re.match(r"ch_\d\d", name) and callable(probe)
}
