"""Requests to send: a small one for each hook, and every scenario that the repository ships.

The small patient: potassium 3.1 mmol/L twenty minutes ago, an insulin infusion and a potassium infusion drafted. Whatever else
a service says, it has a card about insulin at a low potassium.
"""

import copy
import json
import uuid
from functools import cache
from pathlib import Path
from typing import Any

Json = Any
Request = dict[str, Any]

SCENARIOS = Path(__file__).parents[2] / "synthetic_bundles"
HOOKS = ("patient-view", "order-select", "order-sign", "encounter-discharge")
ORDER_HOOKS = ("order-select", "order-sign")
NOW = "2026-03-14T09:30:00Z"
PATIENT = "pat-conformance"
FAMILY_NAME = "Quillfeather"
EXPECTED = "insulin-with-low-potassium"

LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
RXNORM, SNOMED = "http://www.nlm.nih.gov/research/umls/rxnorm", "http://snomed.info/sct"
PREFETCH_KEYS = [
    "patient",
    "conditions",
    "medications",
    "administrations",
    "glucose",
    "electrolytes",
    "acid_base",
    "ketones",
    "lactate_osmolality",
    "renal",
    "minerals",
    "vitals",
    "consciousness",
    "body",
    "levels",
]


def searchset(*resources: Json) -> Json:
    """A searchset Bundle of these resources."""
    bundle: Json = {"resourceType": "Bundle", "type": "searchset", "total": len(resources)}
    if resources:
        bundle["entry"] = [{"resource": resource, "search": {"mode": "match"}} for resource in resources]
    return bundle


def observation(name: str, loinc: str, value: float, unit: str, at: str = "2026-03-14T09:10:00Z") -> Json:
    """A final laboratory Observation with one Quantity."""
    return {
        "resourceType": "Observation",
        "id": name,
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": loinc}]},
        "subject": {"reference": f"Patient/{PATIENT}"},
        "effectiveDateTime": at,
        "valueQuantity": {"value": value, "unit": unit, "system": UCUM, "code": unit},
    }


def insulin_draft(name: str = "draft-insulin") -> Json:
    """Soluble insulin 50 units in 50 mL at 6 units an hour, intravenous."""
    return {
        "resourceType": "MedicationRequest",
        "id": name,
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{PATIENT}"},
        "authoredOn": "2026-03-14T09:29:00Z",
        "medicationCodeableConcept": {
            "coding": [{"system": RXNORM, "code": "253182", "display": "insulin, regular, human"}],
            "text": "Soluble human insulin",
        },
        "dosageInstruction": [
            {
                "route": {"coding": [{"system": SNOMED, "code": "47625008", "display": "Intravenous route"}]},
                "doseAndRate": [{"rateQuantity": {"value": 6, "unit": "U/h", "system": UCUM, "code": "[iU]/h"}}],
            }
        ],
    }


def potassium_draft(name: str = "draft-potassium") -> Json:
    """Potassium chloride 40 mmol in 1,000 mL at 250 mL an hour into a peripheral vein, as a contained Medication."""
    return {
        "resourceType": "MedicationRequest",
        "id": name,
        "status": "draft",
        "intent": "order",
        "subject": {"reference": f"Patient/{PATIENT}"},
        "authoredOn": "2026-03-14T09:29:00Z",
        "contained": [
            {
                "resourceType": "Medication",
                "id": "bag",
                "code": {"text": "Potassium chloride 40 mmol in sodium chloride 0.9% 1,000 mL"},
                "ingredient": [
                    {
                        "itemCodeableConcept": {
                            "coding": [{"system": RXNORM, "code": "8591", "display": "potassium chloride"}]
                        },
                        "strength": {
                            "numerator": {"value": 40, "unit": "mmol", "system": UCUM, "code": "mmol"},
                            "denominator": {"value": 1000, "unit": "mL", "system": UCUM, "code": "mL"},
                        },
                    }
                ],
            }
        ],
        "medicationReference": {"reference": "#bag"},
        "dosageInstruction": [
            {
                "site": {"text": "peripheral vein"},
                "route": {"coding": [{"system": SNOMED, "code": "47625008", "display": "Intravenous route"}]},
                "doseAndRate": [{"rateQuantity": {"value": 250, "unit": "mL/h", "system": UCUM, "code": "mL/h"}}],
            }
        ],
    }


def small_request(hook: str) -> Request:
    """A complete request for `hook`: every announced prefetch key filled, the evaluation time given."""
    context: Json = {"userId": "Practitioner/prac-1", "patientId": PATIENT, "encounterId": "enc-1"}
    if hook in ORDER_HOOKS:
        drafts = [{"resource": insulin_draft()}, {"resource": potassium_draft()}]
        context["draftOrders"] = {"resourceType": "Bundle", "type": "collection", "entry": drafts}
    if hook == "order-select":
        context["selections"] = ["MedicationRequest/draft-insulin"]
    prefetch = {key: searchset() for key in PREFETCH_KEYS}
    prefetch["patient"] = {
        "resourceType": "Patient",
        "id": PATIENT,
        "name": [{"family": FAMILY_NAME, "given": ["Test"]}],
        "gender": "female",
        "birthDate": "1964-05-02",
    }
    prefetch["electrolytes"] = searchset(
        observation("k-1", "2823-3", 3.1, "mmol/L"), observation("na-1", "2951-2", 136, "mmol/L")
    )
    prefetch["glucose"] = searchset(observation("glu-1", "14749-6", 18.0, "mmol/L"))
    prefetch["renal"] = searchset(observation("crea-1", "14682-9", 80, "umol/L"))
    prefetch["body"] = searchset(observation("wt-1", "29463-7", 70, "kg"))
    prefetch["minerals"] = searchset(observation("phos-1", "14879-1", 1.0, "mmol/L"))
    return {
        "hook": hook,
        "hookInstance": str(uuid.uuid4()),
        "context": context,
        "prefetch": prefetch,
        "extension": {"example.trivet.evaluate-at": NOW},
    }


@cache
def _scenario_texts() -> dict[str, str]:
    return {path.parent.name: path.read_text(encoding="utf-8") for path in sorted(SCENARIOS.glob("*/request.json"))}


def scenario_requests() -> dict[str, Request]:
    """The shipped scenarios by the name of their folder; empty where none is shipped."""
    return {name: json.loads(text) for name, text in _scenario_texts().items()}


def all_requests() -> dict[str, Request]:
    """The small requests and the scenarios."""
    return {f"small-{hook}": small_request(hook) for hook in HOOKS} | scenario_requests()


def lead_request() -> Request:
    """The first scenario, or the small order-sign request where no scenario is shipped."""
    scenarios = scenario_requests()
    return next((request for name, request in scenarios.items() if name.startswith("01-")), small_request("order-sign"))


# -------------------------------------------------------------------------------------------------------- changing


def changed(request: Request, path: str, value: Json) -> Request:
    """A copy, with a hookInstance of its own, in which the member at `path` ("context.userId") has this value."""
    copied = again(request)
    *parents, last = path.split(".")
    holder: Json = copied
    for name in parents:
        holder = holder[name]
    holder[last] = value
    return copied


def without(request: Request, path: str) -> Request:
    """A copy, with a hookInstance of its own, that lacks the member at `path`."""
    copied = again(request)
    *parents, last = path.split(".")
    holder: Json = copied
    for name in parents:
        holder = holder[name]
    del holder[last]
    return copied


def again(request: Request) -> Request:
    """The same request as another hook event: only the hookInstance differs."""
    return {**copy.deepcopy(request), "hookInstance": str(uuid.uuid4())}


def with_drafts(request: Request, *drafts: Json) -> Request:
    """A copy with these entries in place of its drafts; a bare resource becomes an entry."""
    entries = [draft if "resource" in draft or "resourceType" not in draft else {"resource": draft} for draft in drafts]
    return changed(request, "context.draftOrders", {"resourceType": "Bundle", "type": "collection", "entry": entries})


def with_more(request: Request, key: str, *entries: Json) -> Request:
    """A copy with further entries in the Bundle of one prefetch key."""
    copied = again(request)
    bundle = copied["prefetch"].get(key) or searchset()
    bundle.setdefault("entry", []).extend(entries)
    bundle.pop("total", None)
    copied["prefetch"][key] = bundle
    return copied
