"""The FHIR R4 form of an offered change. Valid by construction; tests validate every kind with fhir.resources (F-27).

An update carries the resource exactly as it was received, with only our part changed (CH-75, C8 of the integration notes).
"""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

from cds.candidates import Change
from cds.chart import Dosage, Measure, Order
from cds.proposed import times_over_days
from cds.vocabulary import ANALYTES, DRUGS, ROUTE_CODES, analyte_code

LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ATC = "http://www.whocc.no/atc"
SNOMED = "http://snomed.info/sct"
_SHOWN = {"[iU]": "units"}
"""What a person reads beside a UCUM code; no "U", which is read as a zero (AU-40)."""


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
    """A new draft: a drug by its codes, or, where it comes in a bag or a diluent, a contained Medication with the parts of the mixture."""
    made: dict[str, Any] = {"resourceType": "MedicationRequest"}
    first = order.ingredients[0]
    mixed = len(order.ingredients) > 1 or first.strength is not None
    if mixed:
        made["contained"] = [{"resourceType": "Medication", "id": "mixture", "ingredient": _mixture(order)}]
    made["status"] = "draft"
    made["intent"] = "order"
    if mixed:
        made["medicationReference"] = {"reference": "#mixture", "display": order.label}
    else:
        made["medicationCodeableConcept"] = _drug(first.drug or "", first.label)
    made["subject"] = {"reference": f"Patient/{patient}"}
    made["dosageInstruction"] = [_dosage(order.dosages[0])]
    return _with_encounter(made, encounter)


def _mixture(order: Order) -> list[dict[str, Any]]:
    ingredients = []
    for part in order.ingredients:
        one: dict[str, Any] = {"itemCodeableConcept": _drug(part.drug or "", part.label), "isActive": part.active}
        if part.strength is not None and part.per is not None:
            one["strength"] = {"numerator": _quantity(part.strength), "denominator": _quantity(part.per)}
        ingredients.append(one)
    return ingredients


def _dosage(given: Dosage) -> dict[str, Any]:
    made: dict[str, Any] = {"text": given.text}
    repeat: dict[str, Any] = {}
    if given.duration_minutes is not None:
        repeat.update(_duration(given.duration_minutes.exact))
    if given.per_day is not None:
        repeat.update(_frequency(given.per_day))
    if repeat:
        made["timing"] = {"repeat": repeat}
    if given.route is not None:
        made["route"] = {"coding": [{"system": SNOMED, "code": ROUTE_CODES[given.route]}], "text": given.route}
    rate: dict[str, Any] = {}
    if given.dose is not None:
        rate["doseQuantity"] = _quantity(given.dose)
    if given.rate is not None:
        rate["rateQuantity"] = _quantity(given.rate)
    if rate:
        made["doseAndRate"] = [rate]
    return made


def _duration(minutes: Decimal | None) -> dict[str, Any]:
    if minutes is None:
        raise ValueError("a proposed duration is one number of minutes")
    return {"duration": minutes, "durationUnit": "min"}


def _frequency(times_a_day: Decimal) -> dict[str, Any]:
    pair = times_over_days(times_a_day)
    if pair is None:
        raise ValueError("a proposed frequency is so many times in so many days")
    return {"frequency": pair[0], "period": pair[1], "periodUnit": "d"}


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
    return {"value": value, "unit": _SHOWN.get(unit, unit), "system": UCUM, "code": unit}


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
    return made if _set_dosage(made, change) else None


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
        _drop_words(dosage)
    mixtures[0].pop("code", None)
    if "display" in made.get("medicationReference", {}):
        made["medicationReference"].pop("display")
    return True


def _set_dosage(made: dict[str, Any], change: Change) -> bool:
    """Another dose, duration or frequency of the one dosage; False when there is nothing to set, or no one place for it."""
    dosages = made.get("dosageInstruction", [])
    if len(dosages) != 1 or (change.dose is None and change.minutes is None and change.times_a_day is None):
        return False
    dosage = dosages[0]
    entries = dosage.get("doseAndRate", [])
    if len(entries) != 1 or not ("doseQuantity" in entries[0] or "doseRange" in entries[0]):
        return False
    timing = dosage.get("timing", {})
    if timing.get("event"):
        return False
    if change.dose is not None:
        entries[0].pop("doseRange", None)
        entries[0]["doseQuantity"] = _quantity(change.dose)
    repeat = timing.get("repeat", {})
    if change.minutes is not None:
        for name in ("rateQuantity", "rateRatio", "rateRange"):
            entries[0].pop(name, None)
        repeat.pop("durationMax", None)
        repeat.update(_duration(change.minutes))
    if change.times_a_day is not None:
        if any(name in repeat for name in _HOURS_AND_DAYS):
            return False
        timing.pop("code", None)
        for name in ("frequencyMax", "periodMax"):
            repeat.pop(name, None)
        repeat.update(_frequency(change.times_a_day))
    if repeat:
        dosage["timing"] = {**timing, "repeat": repeat}
    _drop_words(dosage)
    return True


_HOURS_AND_DAYS = ("timeOfDay", "when", "offset", "dayOfWeek", "count", "countMax")
"""Members of a timing that name when each dose is given: another frequency beside them would contradict them."""


def _drop_words(dosage: dict[str, Any]) -> None:
    """The old words would contradict what is new."""
    for name in ("text", "patientInstruction", "additionalInstruction"):
        dosage.pop(name, None)


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
