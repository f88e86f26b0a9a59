"""What Trivet offers an EHR: the discovery document, and the hand-written part of the OpenAPI text."""

from __future__ import annotations

from typing import Any

import cds
from cds.intake.prefetch import PREFETCH

HOOKS = ("patient-view", "order-select", "order-sign", "encounter-discharge")
SERVICES = {f"trivet-{hook}": hook for hook in HOOKS}

_TITLES = {
    "patient-view": "Trivet at opening the chart",
    "order-select": "Trivet at selecting orders",
    "order-sign": "Trivet at signing orders",
    "encounter-discharge": "Trivet at discharge",
}
_WHAT = {
    "patient-view": "Reads the chart for hyperglycaemic crisis, electrolyte danger, seizure and drug-seizure conflicts, running orders included.",
    "order-select": "Judges the selected orders in the light of the chart and of every other order; details that are not chosen yet are not asked for.",
    "order-sign": "Judges every order about to be signed together with everything that runs: totals, lines, diluents, interactions, missing results.",
    "encounter-discharge": "Says what of these still speaks against leaving.",
}
_SCOPE = (
    "Advice for clinicians who decide; local protocol comes first. Adults and children from 28 days; newborns are out of scope. "
    "An empty answer means: read, judged, nothing to say. What could not be judged is said on a card."
)
_USAGE = (
    "FHIR R4 (R4B) only. Works from prefetch alone and does not call back. Fill as many keys as possible: a key that is absent, failed or cut into pages is "
    "named on a card when it decides something. Drugs are recognised by RxNorm ingredient or ATC codes, results by LOINC codes with UCUM units."
)


def discovery() -> dict[str, Any]:
    """The document at /cds-services."""
    return {
        "services": [
            {
                "hook": hook,
                "title": _TITLES[hook],
                "description": f"{_WHAT[hook]} {_SCOPE}",
                "id": service,
                "prefetch": dict(PREFETCH),
                "usageRequirements": _USAGE,
                "version": "2.0.0",
            }
            for service, hook in SERVICES.items()
        ]
    }


def openapi() -> dict[str, Any]:
    """The OpenAPI 3.1 text. Bodies are read raw on the request path, so it is written by hand."""
    outcome = {"description": "A FHIR OperationOutcome that names the path in the payload", "content": {"application/json": {"schema": {"$ref": "#/components/schemas/OperationOutcome"}}}}
    errors = {code: outcome for code in ("400", "404", "405", "413", "415", "503")}
    service = {"name": "service_id", "in": "path", "required": True, "schema": {"type": "string", "enum": list(SERVICES)}}
    return {
        "openapi": "3.1.0",
        "info": {"title": "Trivet", "version": cds.__version__, "description": f"CDS Hooks 2.0. {_SCOPE}"},
        "paths": {
            "/cds-services": {"get": {"summary": "Discovery", "responses": {"200": _json("The services", "Discovery")}}},
            "/cds-services/{service_id}": {
                "post": {
                    "summary": "Judge one hook call",
                    "parameters": [service],
                    "requestBody": {"required": True, "content": {"application/json": {"schema": {"$ref": "#/components/schemas/HookRequest"}}}},
                    "responses": {"200": _json("Cards; an empty list means judged and nothing to say", "Cards"), **errors},
                }
            },
            "/cds-services/{service_id}/feedback": {
                "post": {
                    "summary": "What became of cards",
                    "parameters": [service],
                    "requestBody": {"required": True, "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Feedback"}}}},
                    "responses": {"200": _json("Recorded", "Object"), **errors},
                }
            },
            "/health/live": {"get": {"summary": "Whether the process runs", "responses": {"200": _json("It runs", "Object")}}},
            "/health/ready": {"get": {"summary": "Whether it can judge and record", "responses": {"200": _json("Ready", "Object"), "503": _json("Not ready", "Object")}}},
            "/version": {"get": {"summary": "Release and hashes of software, knowledge and configuration", "responses": {"200": _json("Version", "Object")}}},
        },
        "components": {"schemas": _SCHEMAS},
    }


def _json(description: str, name: str) -> dict[str, Any]:
    return {"description": description, "content": {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}}}


_BUNDLE = {"type": "object", "properties": {"resourceType": {"const": "Bundle"}, "entry": {"type": "array", "items": {"type": "object"}}}}
_SCHEMAS: dict[str, Any] = {
    "Object": {"type": "object"},
    "Discovery": {"type": "object", "required": ["services"], "properties": {"services": {"type": "array", "items": {"type": "object"}}}},
    "HookRequest": {
        "type": "object",
        "required": ["hook", "hookInstance", "context"],
        "properties": {
            "hook": {"type": "string", "enum": list(HOOKS)},
            "hookInstance": {"type": "string", "format": "uuid"},
            "fhirServer": {"type": "string", "format": "uri"},
            "fhirAuthorization": {"type": "object"},
            "context": {
                "type": "object",
                "required": ["userId", "patientId"],
                "properties": {
                    "userId": {"type": "string", "pattern": "^(Practitioner|PractitionerRole|Patient|RelatedPerson)/[A-Za-z0-9.-]{1,64}$"},
                    "patientId": {"type": "string", "pattern": "^[A-Za-z0-9.-]{1,64}$"},
                    "encounterId": {"type": "string", "pattern": "^[A-Za-z0-9.-]{1,64}$"},
                    "selections": {"type": "array", "items": {"type": "string"}},
                    "draftOrders": _BUNDLE,
                },
            },
            "prefetch": {"type": "object"},
            "extension": {"type": "object"},
        },
    },
    "Cards": {
        "type": "object",
        "required": ["cards"],
        "properties": {
            "cards": {
                "type": "array",
                "items": {
                    "type": "object",
                    "required": ["summary", "indicator", "source"],
                    "properties": {"summary": {"type": "string", "maxLength": 139}, "indicator": {"enum": ["info", "warning", "critical"]}, "source": {"type": "object"}},
                },
            },
            "extension": {"type": "object"},
        },
    },
    "Feedback": {
        "type": "object",
        "required": ["feedback"],
        "properties": {
            "feedback": {
                "type": "array",
                "items": {
                    "type": "object",
                    "required": ["card", "outcome", "outcomeTimestamp"],
                    "properties": {
                        "card": {"type": "string", "minLength": 1},
                        "outcome": {"enum": ["accepted", "overridden"]},
                        "outcomeTimestamp": {"type": "string", "format": "date-time"},
                        "acceptedSuggestions": {"type": "array", "items": {"type": "object", "required": ["id"], "properties": {"id": {"type": "string"}}}},
                        "overrideReason": {"type": "object", "properties": {"reason": {"type": "object"}, "userComment": {"type": "string"}}},
                    },
                },
            }
        },
    },
    "OperationOutcome": {
        "type": "object",
        "required": ["resourceType", "issue"],
        "properties": {"resourceType": {"const": "OperationOutcome"}, "issue": {"type": "array", "minItems": 1, "items": {"type": "object"}}},
    },
}
