"""The FHIR R4 form of an offered change. Valid by construction; tests validate every kind with fhir.resources (F-27).

An update carries the resource exactly as it was received, with only our part changed (CH-75, C8 of the integration notes).
"""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from cds.candidates import Change
from cds.chart import Measure, Order
from cds.vocabulary import ANALYTES, DRUGS, ROUTE_CODES, analyte_code

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"
SNOMED = "http://snomed.info/sct"


def service_request(change: Change, patient: str, encounter: str) -> dict[str, Any]:
    """A draft request for one test."""
    made: dict[str, Any] = {
        "resourceType": "ServiceRequest",
        "status": "draft",
        "intent": "order",
        "priority": "stat" if change.urgent else "routine",
        "code": {
            "coding": [{"system": LOINC, "code": analyte_code(change.analyte), "display": ANALYTES[change.analyte].label}],
            "text": ANALYTES[change.analyte].label,
        },
        "subject": {"reference": f"Patient/{patient}"},
    }
    return _with_encounter(made, encounter)


def medication_request(order: Order, patient: str, encounter: str) -> dict[str, Any]:
    """A new draft infusion with its additive and its diluent as ingredients of a contained Medication."""
    ingredients = []
    for part in order.ingredients:
        one: dict[str, Any] = {"itemCodeableConcept": _drug(part.drug or "", part.label), "isActive": part.active}
        if part.strength is not None and part.per is not None:
            one["strength"] = {"numerator": _quantity(part.strength), "denominator": _quantity(part.per)}
        ingredients.append(one)
    first = order.dosages[0]
    rate: dict[str, Any] = {}
    if first.dose is not None:
        rate["doseQuantity"] = _quantity(first.dose)
    if first.rate is not None:
        rate["rateQuantity"] = _quantity(first.rate)
    dosage: dict[str, Any] = {"text": first.text}
    if first.route is not None:
        dosage["route"] = {"coding": [{"system": SNOMED, "code": ROUTE_CODES[first.route]}], "text": first.route}
    if rate:
        dosage["doseAndRate"] = [rate]
    made: dict[str, Any] = {
        "resourceType": "MedicationRequest",
        "contained": [{"resourceType": "Medication", "id": "mixture", "ingredient": ingredients}],
        "status": "draft",
        "intent": "order",
        "medicationReference": {"reference": "#mixture", "display": order.label},
        "subject": {"reference": f"Patient/{patient}"},
        "dosageInstruction": [dosage],
    }
    return _with_encounter(made, encounter)


def _with_encounter(made: dict[str, Any], encounter: str) -> dict[str, Any]:
    if encounter:
        made["encounter"] = {"reference": f"Encounter/{encounter}"}
    return made


def _drug(drug: str, label: str) -> dict[str, Any]:
    known = DRUGS.get(drug)
    coding = []
    if known is not None:
        coding += [{"system": RXNORM, "code": code, "display": known.label} for code in known.rxnorm[:1]]
        coding += [{"system": ATC, "code": code} for code in known.atc[:1]]
    return {"coding": coding, "text": label} if coding else {"text": label}


def _quantity(measure: Measure) -> dict[str, Any]:
    value = measure.value.exact
    unit = measure.unit or ""
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def as_received(raw: bytes) -> dict[str, Any]:
    """A resource as it came, numbers with every digit."""
    found = json.loads(raw, parse_float=Decimal)
    if not isinstance(found, dict):
        raise TypeError("a resource is an object")
    return found


def amended(raw: bytes, change: Change) -> dict[str, Any] | None:
    """The draft as received with the offered change; None when its form leaves no safe place for it (then the card says it in words)."""
    made = as_received(raw)
    if change.diluent:
        return made if _set_diluent(made, change.diluent) else None
    if change.rate_ml_h is not None:
        return made if _set_rate(made, change.rate_ml_h) else None
    return None


def _set_diluent(made: dict[str, Any], diluent: str) -> bool:
    mixtures = [c for c in made.get("contained", []) if c.get("resourceType") == "Medication"]
    if len(mixtures) != 1:
        return False
    parts = mixtures[0].get("ingredient", [])
    inactive = [part for part in parts if part.get("isActive") is False]
    if len(inactive) != 1:
        return False
    inactive[0].pop("itemReference", None)
    inactive[0]["itemCodeableConcept"] = _drug(diluent, DRUGS[diluent].label)
    for dosage in made.get("dosageInstruction", []):
        # The old words would contradict the new diluent.
        dosage.pop("text", None)
        dosage.pop("patientInstruction", None)
        dosage.pop("additionalInstruction", None)
    mixtures[0].pop("code", None)
    if "display" in made.get("medicationReference", {}):
        made["medicationReference"].pop("display")
    return True


def _set_rate(made: dict[str, Any], rate_ml_h: Decimal) -> bool:
    dosages = made.get("dosageInstruction", [])
    if len(dosages) != 1 or len(dosages[0].get("doseAndRate", [])) != 1:
        return False
    entry = dosages[0]["doseAndRate"][0]
    if not any(name in entry for name in ("rateQuantity", "rateRatio", "rateRange")):
        return False
    for name in ("rateRatio", "rateRange"):
        entry.pop(name, None)
    entry["rateQuantity"] = {"value": rate_ml_h, "unit": "mL/h", "system": UCUM, "code": "mL/h"}
    dosages[0].pop("text", None)
    repeat = dosages[0].get("timing", {}).get("repeat", {})
    for name in ("duration", "durationMax", "durationUnit"):
        repeat.pop(name, None)
    if "timing" in dosages[0] and not repeat:
        dosages[0]["timing"].pop("repeat", None)
        if not dosages[0]["timing"]:
            dosages[0].pop("timing")
    return True


def stopped(raw: bytes, why: str) -> dict[str, Any]:
    """A running order as received, with its stop proposed (F-40)."""
    made = as_received(raw)
    made["status"] = "stopped"
    made["statusReason"] = {"text": why}
    return made
