"""Small CDS Hooks requests for the tests of reading. Nothing here is about a real person."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from cds.intake import Intake, IntakeSettings, read_request

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
SNOMED = "http://snomed.info/sct"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"
NOW = int(dt.datetime(2026, 11, 25, 10, 0, tzinfo=dt.UTC).timestamp() * 1000)
MINUTE = 60_000
OURS = {"reference": "Patient/p1"}
OTHER = {"reference": "Patient/p2-secret"}
Json = dict[str, Any]


def at(minutes: float) -> str:
    """The time so many minutes before NOW, in UTC."""
    moment = dt.datetime.fromtimestamp(NOW / 1000, dt.UTC) - dt.timedelta(minutes=minutes)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def quantity(value: Any, unit: str = "mmol/L", **more: Any) -> Json:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit, **more}


def observation(value: Any = 3.1, unit: str = "mmol/L", code: str = "2823-3", **more: Any) -> Json:
    found: Json = {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "code": {"coding": [{"system": LOINC, "code": code}]},
        "subject": OURS,
        "effectiveDateTime": at(30),
        "valueQuantity": quantity(value, unit),
    }
    found.update(more)
    return {key: each for key, each in found.items() if each is not ...}


def condition(code: str = "91175000", system: str = SNOMED, **more: Any) -> Json:
    found: Json = {
        "resourceType": "Condition",
        "id": "c1",
        "clinicalStatus": {"coding": [{"code": "active", "system": "http://terminology.hl7.org/CodeSystem/condition-clinical"}]},
        "verificationStatus": {"coding": [{"code": "confirmed", "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status"}]},
        "code": {"coding": [{"system": system, "code": code}], "text": "seizure"},
        "subject": OURS,
    }
    found.update(more)
    return {key: each for key, each in found.items() if each is not ...}


INSULIN = {"coding": [{"system": RXNORM, "code": "253182"}], "text": "soluble insulin"}
SALINE = {"coding": [{"system": RXNORM, "code": "9863"}], "text": "sodium chloride 0.9 %"}
IV = {"coding": [{"system": SNOMED, "code": "47625008"}]}


def order(**more: Any) -> Json:
    found: Json = {
        "resourceType": "MedicationRequest",
        "id": "m1",
        "status": "active",
        "intent": "order",
        "medicationCodeableConcept": INSULIN,
        "subject": OURS,
        "authoredOn": at(60),
        "dosageInstruction": [{"route": IV, "doseAndRate": [{"rateQuantity": quantity(6, "[iU]/h")}]}],
    }
    found.update(more)
    return {key: each for key, each in found.items() if each is not ...}


def draft(**more: Any) -> Json:
    return order(**{"id": "d1", "status": "draft", **more})


def bundle(*resources: Any, **more: Any) -> Json:
    return {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": each} for each in resources], **more}


PATIENT = {"resourceType": "Patient", "id": "p1", "gender": "female", "birthDate": "1964-09-02"}


def request(drafts: list[Json] | None = None, prefetch: Json | None = None, hook: str = "order-sign", **context: Any) -> Json:
    found: Json = {
        "hook": hook,
        "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "context": {"userId": "Practitioner/a", "patientId": "p1", "encounterId": "e1", **context},
        "prefetch": {"patient": PATIENT, **(prefetch or {})},
    }
    if hook.startswith("order"):
        found["context"].setdefault("draftOrders", bundle(*(drafts or [])))
    if hook == "order-select":
        found["context"].setdefault("selections", [f"MedicationRequest/{each['id']}" for each in drafts or []])
    return found


def read(payload: Any, **settings: Any) -> Intake:
    """Read a payload (JSON value or bytes) at NOW."""
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    hook = payload.get("hook", "order-sign") if isinstance(payload, dict) else "order-sign"
    return read_request(body, now=NOW, settings=IntakeSettings(**{"hook": hook, **settings}))


def results(*observations: Any, analyte: str = "potassium", key: str = "electrolytes", **settings: Any) -> tuple[Any, ...]:
    """Results and problems of one analyte when these Observations are sent."""
    found = read(request(prefetch={key: bundle(*observations)}), **settings).chart.results
    return found.of(analyte), found.problems(analyte)
