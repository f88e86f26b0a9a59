"""A stand-in that answers as the clauses ask, and stand-ins that break them, to show that the probes can tell.

The good one knows one rule (insulin drafted at a potassium below 3.5 mmol/L) and one card about what could not be judged. It is
no model of the product: it is the smallest thing that meets every clause.
"""

import json
import re
import uuid
from collections.abc import Iterable, Iterator
from typing import Any

import httpx

from tests.conformance import checks
from tests.conformance.requests import EXPECTED, HOOKS, ORDER_HOOKS, PATIENT, PREFETCH_KEYS
from tests.conformance.service import Service

Json = Any

SYSTEM = "https://trivet.example/fhir/CodeSystem/advisories"
LISTED_ORIGIN = "https://ehr.example"


def discovery_document() -> Json:
    """A discovery document without fault."""
    return {
        "services": [
            {
                "hook": hook,
                "id": f"trivet-{hook}",
                "title": "A second reader",
                "description": "Reads the chart and the drafted orders.",
                "usageRequirements": "FHIR R4. Without prefetch the answer says what could not be judged.",
                "version": "2.0.0",
                "hookVersion": "1.0",
                "prefetch": {
                    "patient": "Patient/{{context.patientId}}",
                    "electrolytes": "Observation?patient={{context.patientId}}&code=http://loinc.org|2823-3,"
                    "http://loinc.org|2951-2&date=ge2020-01-01&_sort=-date&_count=20",
                },
            }
            for hook in HOOKS
        ]
    }


def card(code: str, indicator: str, detail: str) -> Json:
    """A card without fault: suggestions of every kind, reasons and links."""
    draft = {
        "resourceType": "ServiceRequest",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{PATIENT}"},
        "code": {"text": "Potassium, plasma"},
    }
    actions = [
        {"type": "create", "description": "Order a potassium", "resource": draft},
        {
            "type": "update",
            "description": "Hold the diet",
            "resource": draft | {"id": "draft-film", "status": "on-hold"},
        },
        {"type": "delete", "description": "Remove the insulin", "resourceId": "MedicationRequest/draft-insulin"},
    ]
    return {
        "uuid": str(uuid.uuid4()),
        "summary": "Potassium 3.1 mmol/L: give potassium before the insulin infusion starts",
        "indicator": indicator,
        "detail": detail,
        "source": {
            "label": "Trivet",
            "url": "https://trivet.example/advisories",
            "icon": "https://trivet.example/icon.png",
            "topic": {"system": SYSTEM, "code": code, "display": code},
        },
        "selectionBehavior": "at-most-one",
        "suggestions": [
            {"label": "Measure first", "uuid": str(uuid.uuid4()), "isRecommended": True, "actions": actions[:2]},
            {"label": "Remove", "uuid": str(uuid.uuid4()), "isRecommended": False, "actions": actions[2:]},
        ],
        "overrideReasons": [{"system": SYSTEM, "code": "other", "display": "Other"}],
        "links": [
            {"label": "Source", "url": "https://trivet.example/x", "type": "absolute"},
            {"label": "Chart", "url": "https://trivet.example/launch", "type": "smart", "appContext": "x"},
        ],
        "extension": {"example.trivet.advisories": [{"code": code, "indicator": indicator, "role": "lead"}]},
    }


def good_answer() -> Json:
    """An answer without fault."""
    return {
        "cards": [card(EXPECTED, "critical", "Potassium 3.1 mmol/L, <3.5; see <https://trivet.example/x> or `<b>`.")]
    }


class FakeService:
    """Answers httpx requests in memory. `spoil` names the one way in which it is wrong; empty, it is right."""

    def __init__(self, spoil: str = "") -> None:
        self.spoil = spoil
        self.count = 0

    def service(self) -> Service:
        """The fake as a probe speaks to it."""
        return Service(httpx.Client(transport=httpx.MockTransport(self.handle), base_url="http://fake.example"))

    def handle(self, request: httpx.Request) -> httpx.Response:
        self.count += 1
        origin = request.headers.get("Origin")
        if request.method == "OPTIONS" or origin:
            return self._browser(origin or "")
        if self.spoil == "crash":
            return httpx.Response(
                500, text='Traceback (most recent call last):\n  File "/usr/lib/cds/app.py", line 3, in f'
            )
        if self.spoil == "silent":
            return httpx.Response(200, json={"cards": []})
        if self.spoil == "echo":
            return httpx.Response(400, content=request.content, headers={"X-Seen": "yes"})
        if self.spoil == "refuse":
            return httpx.Response(401, json={"detail": "no"})
        if self.spoil == "slow" and request.method == "POST":
            raise httpx.ReadTimeout("too slow", request=request)
        return self._route(request)

    def _route(self, request: httpx.Request) -> httpx.Response:
        match = re.fullmatch(r"/cds-services/trivet-([a-z-]+?)(/feedback)?", request.url.path)
        if request.url.path == "/cds-services" and request.method == "GET":
            return httpx.Response(200, json=discovery_document())
        if not match or match[1] not in HOOKS:
            return _error(404, "no such service")
        if request.method != "POST":
            return _error(405, "only POST")
        try:
            body = checks.strict_json(request.content)
        except ValueError:
            return _error(400, "no JSON")
        if match[2]:
            return httpx.Response(200, json={}) if _feedback_is_valid(body) else _error(422, "no valid feedback")
        problem = _envelope_problem(body, match[1])
        return _error(422, problem) if problem else self._judge(body)

    def _judge(self, body: Json) -> httpx.Response:
        if self.spoil == "wander" and "fhirServer" in body:
            httpx.get(body["fhirServer"] + "/Observation")
        prefetch, drafts = body.get("prefetch") or {}, list(_drafts(body["context"]))
        notes = list(_unjudged(prefetch, drafts))
        cards = []
        if any(_is_insulin(draft, drafts) for draft in drafts) and _low_potassium(prefetch.get("electrolytes")):
            cards.append(card(EXPECTED, "critical", "; ".join(["potassium below 3.5", *notes])))
        if notes or (drafts and not cards):
            cards.append(card("critical-input-missing", "warning", "; ".join([*notes, "potassium not recorded"])))
        if self.spoil == "moody":
            cards.append(card(f"mood-{self.count}", "info", "x"))
        if self.spoil == "same-uuid":
            cards = [entry | {"uuid": "0b9d7b0c-7b0e-4f0e-8f55-3f6f3f9c3a10"} for entry in cards]
        return httpx.Response(200, json={"cards": cards})

    def _browser(self, origin: str) -> httpx.Response:
        headers = {
            "Access-Control-Allow-Methods": "POST",
            "Access-Control-Allow-Headers": "Authorization, Content-Type",
        }
        if self.spoil == "any-origin" or (self.spoil == "listed-origin" and origin == LISTED_ORIGIN):
            return httpx.Response(200, json={}, headers=headers | {"Access-Control-Allow-Origin": origin})
        return httpx.Response(400, json={})


def _error(status: int, text: str) -> httpx.Response:
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invalid", "diagnostics": text}],
    }
    return httpx.Response(status, json=outcome)


def _envelope_problem(body: Json, hook: str) -> str:
    if not isinstance(body, dict) or body.get("hook") != hook:
        return "hook"
    if not isinstance(body.get("hookInstance"), str) or not isinstance(body.get("context"), dict):
        return "hookInstance or context"
    if "fhirAuthorization" in body and not ("fhirServer" in body and isinstance(body["fhirAuthorization"], dict)):
        return "fhirAuthorization"
    context = body["context"]
    required = ["patientId", "userId"] + ["encounterId"] * (hook == "encounter-discharge")
    if not all(isinstance(context.get(name), str) for name in required):
        return f"{required} are required"
    if hook in ORDER_HOOKS and not isinstance(context.get("draftOrders"), dict):
        return "draftOrders"
    if hook == "order-select" and not isinstance(context.get("selections"), list):
        return "selections"
    return ""


def _resources(entries: Json) -> Iterator[Json]:
    for entry in entries or []:
        if isinstance(entry, dict) and isinstance(entry.get("resource"), dict):
            yield entry["resource"]


def _drafts(context: Json) -> Iterator[Json]:
    return _resources(context.get("draftOrders", {}).get("entry"))


def _is_insulin(draft: Json, drafts: Iterable[Json]) -> bool:
    if draft.get("resourceType") != "MedicationRequest" or draft["subject"]["reference"] != f"Patient/{PATIENT}":
        return False
    reference = draft.get("medicationReference", {}).get("reference", "")
    known = [*draft.get("contained", []), *drafts] if reference[1:] != "nowhere" else []
    medications = [other for other in known if other.get("resourceType") == "Medication"]
    return "253182" in json.dumps([draft.get("medicationCodeableConcept"), *medications])


def _low_potassium(bundle: Json) -> bool:
    return any(
        "2823-3" in json.dumps(r["code"])
        and r["subject"]["reference"] == f"Patient/{PATIENT}"
        and r["valueQuantity"]["value"] < 3.5
        for r in _resources((bundle or {}).get("entry"))
        if r.get("resourceType") == "Observation"
    )


def _unjudged(prefetch: Json, drafts: list[Json]) -> Iterator[str]:
    for key in PREFETCH_KEYS:
        bundle = prefetch.get(key)
        if key not in prefetch:
            yield f"{key} was not sent"
        elif bundle and "OperationOutcome" in json.dumps(bundle):
            yield f"{key} could not be fetched"
        elif bundle and any(link["relation"] == "next" for link in bundle.get("link", [])):
            yield f"{key} is incomplete"
    if (prefetch.get("patient") or {}).get("id", PATIENT) != PATIENT:
        yield "the Patient sent is another one"
    if any("medication" in draft for draft in drafts):
        yield "an order of R5 shape"


def _feedback_is_valid(body: Json) -> bool:
    entries = body.get("feedback") if isinstance(body, dict) else None
    return isinstance(entries, list) and bool(entries) and all(_entry_is_valid(entry) for entry in entries)


def _entry_is_valid(entry: Json) -> bool:
    stamp = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)"
    if not isinstance(entry, dict) or not isinstance(entry.get("card"), str) or not entry["card"]:
        return False
    if not isinstance(entry.get("outcomeTimestamp"), str) or not re.fullmatch(stamp, entry["outcomeTimestamp"]):
        return False
    if entry.get("outcome") == "accepted":
        chosen = entry.get("acceptedSuggestions")
        return isinstance(chosen, list) and bool(chosen) and all(isinstance(s.get("id"), str) for s in chosen)
    reason = entry.get("overrideReason", {"userComment": "-"})
    filled = isinstance(reason, dict) and bool(reason.get("reason") or reason.get("userComment"))
    return entry.get("outcome") == "overridden" and filled
